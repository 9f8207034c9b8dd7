/* test_manners.c - Giving way: what the kernel says of this process afterwards, and whether threads
 * that start later follow. The last thing this program does: there is no way back for a process
 * without privileges. */
#include "check.h"

#include <linux/ioprio.h>
#include <linux/sched.h>
#include <pthread.h>
#include <sched.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "cli/cli.h"

static void *policy_of_thread(void *user) {
    int *const policy = user;
    *policy = sched_getscheduler(0); /* 0: of the calling thread */
    return NULL;
}

static void test_gives_way_and_later_threads_follow(void **state) {
    (void)state;
    const struct sched_param param = {.sched_priority = 0};
    if (sched_setscheduler(0, SCHED_BATCH, &param) != 0) {
        skip(); /* a system that does not let a process choose: nothing to see */
    }
    cli_give_way();
    assert_int_equal(sched_getscheduler(0), SCHED_IDLE);
    const long io = syscall(SYS_ioprio_get, IOPRIO_WHO_PROCESS, 0);
    assert_int_equal(IOPRIO_PRIO_CLASS(io), IOPRIO_CLASS_IDLE);
    pthread_t thread;
    int policy = -1;
    assert_int_equal(pthread_create(&thread, NULL, policy_of_thread, &policy), 0);
    assert_int_equal(pthread_join(thread, NULL), 0);
    assert_int_equal(policy, SCHED_IDLE);
}

static bool is_idle(enum cli_priority by_itself, const char *word) {
    const struct cli_command command = {
        .name = "test", .arguments = "", .help = "Tests.", .priority = by_itself};
    char option[] = "--priority";
    char value[16];
    (void)snprintf(value, sizeof value, "%s", word ? word : "");
    char *argv[] = {option, value};
    struct cli_args *args = NULL;
    struct nw_err err = {0};
    if (cli_args_parse(&command, word ? 2 : 0, argv, &args, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    const bool answer = cli_is_idle(args);
    cli_args_free(args);
    return answer;
}

static void test_the_option_wins_over_the_command(void **state) {
    (void)state;
    assert_false(is_idle(CLI_PRIORITY_NONE, NULL));
    assert_false(is_idle(CLI_PRIORITY_NORMAL, NULL));
    assert_true(is_idle(CLI_PRIORITY_IDLE, NULL));
    assert_true(is_idle(CLI_PRIORITY_NORMAL, "idle"));
    assert_false(is_idle(CLI_PRIORITY_IDLE, "normal"));
}

static void test_quick_commands_do_not_have_it(void **state) {
    (void)state;
    const struct cli_command command = {.name = "test", .arguments = "", .help = "Tests."};
    char option[] = "--priority=idle";
    char *argv[] = {option};
    struct cli_args *args = NULL;
    struct nw_err err = {0};
    assert_int_equal(cli_args_parse(&command, 1, argv, &args, &err), NW_USAGE);
    assert_non_null(strstr(err.text, "priority"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_option_wins_over_the_command),
        cmocka_unit_test(test_quick_commands_do_not_have_it),
        cmocka_unit_test(test_gives_way_and_later_threads_follow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
