/* test_parallel.c - every index once, progress in order, a stop is a stop. */
#include "base/parallel.h"

#include <pthread.h>
#include <signal.h>
#include <string.h>

#include "check.h"

enum { N = 5000 };

static void count_one(void *user, size_t i) {
    ((unsigned char *)user)[i]++;
}

static void test_every_index_runs_exactly_once(void **state) {
    (void)state;
    static const int threads[] = {0, 1, 2, 7, 100000};
    static unsigned char counts[N];
    for (size_t k = 0; k < sizeof threads / sizeof threads[0]; k++) {
        memset(counts, 0, sizeof counts);
        assert_int_equal(nw_parallel_for(N, threads[k], count_one, counts, NULL), N);
        for (size_t i = 0; i < N; i++) {
            assert_int_equal(counts[i], 1);
        }
    }
    assert_int_equal(nw_parallel_for(0, 0, count_one, NULL, NULL), 0);
    assert_int_equal(nw_parallel_for(1, 8, count_one, counts, NULL), 1);
}

struct listener {
    size_t last, stop_at;
    bool is_ordered;
    int inside;
};

static bool listen(void *user, size_t done, size_t total) {
    struct listener *const listener = user;
    listener->inside++;
    listener->is_ordered =
        listener->is_ordered && done == listener->last + 1 && total == N && listener->inside == 1;
    listener->last = done;
    listener->inside--;
    return done != listener->stop_at;
}

static void test_progress_counts_up_from_one_thread_at_a_time(void **state) {
    (void)state;
    static unsigned char counts[N];
    struct listener listener = {.is_ordered = true};
    const struct nw_progress progress = {listen, &listener};
    assert_int_equal(nw_parallel_for(N, 4, count_one, counts, &progress), N);
    assert_true(listener.is_ordered);
    assert_int_equal(listener.last, N);
    const struct nw_progress nobody = {NULL, NULL};
    assert_int_equal(nw_parallel_for(N, 2, count_one, counts, &nobody), N);
}

static void test_a_stop_request_ends_the_work(void **state) {
    (void)state;
    static const int threads[] = {1, 2, 4};
    for (size_t k = 0; k < sizeof threads / sizeof threads[0]; k++) {
        static unsigned char counts[N];
        memset(counts, 0, sizeof counts);
        struct listener listener = {.is_ordered = true, .stop_at = 100};
        const struct nw_progress progress = {listen, &listener};
        const size_t n_done = nw_parallel_for(N, threads[k], count_one, counts, &progress);
        /* bodies that were running when the stop came are finished and counted, not told */
        assert_true(n_done >= 100 && n_done <= 100 + (size_t)threads[k] - 1);
        assert_int_equal(listener.last, 100);
        size_t n_run = 0;
        for (size_t i = 0; i < N; i++) {
            n_run += counts[i];
        }
        assert_int_equal(n_run, n_done);
    }
}

static void note_thread(void *user, size_t i) {
    ((pthread_t *)user)[i] = pthread_self();
    for (volatile int spin = 0; spin < 20000; spin++) {
    }
}

static void test_no_more_threads_than_asked(void **state) {
    (void)state;
    static pthread_t thread_of[200];
    for (int asked = 1; asked <= 3; asked++) {
        (void)nw_parallel_for(200, asked, note_thread, thread_of, NULL);
        int n_distinct = 0;
        for (int i = 0; i < 200; i++) {
            bool is_new = true;
            for (int k = 0; k < i && is_new; k++) {
                is_new = !pthread_equal(thread_of[i], thread_of[k]);
            }
            n_distinct += is_new;
        }
        assert_in_range(n_distinct, 1, asked);
    }
}

struct pair {
    pthread_barrier_t both; /* neither of two bodies ends before the other has begun */
    int is_blocked[2];
};

static void note_mask(void *user, size_t i) {
    struct pair *const pair = user;
    (void)pthread_barrier_wait(&pair->both);
    sigset_t mask;
    (void)pthread_sigmask(SIG_SETMASK, NULL, &mask);
    pair->is_blocked[i] = sigismember(&mask, SIGINT);
}

/* A handler that sets a flag, or a wait for a signal, belongs to the thread that has them. */
static void test_signals_stay_with_the_caller(void **state) {
    (void)state;
    struct pair pair = {.is_blocked = {-1, -1}};
    assert_int_equal(pthread_barrier_init(&pair.both, NULL, 2), 0);
    assert_int_equal(nw_parallel_for(2, 2, note_mask, &pair, NULL), 2);
    (void)pthread_barrier_destroy(&pair.both);
    assert_int_equal(pair.is_blocked[0] + pair.is_blocked[1], 1);
    sigset_t mask;
    (void)pthread_sigmask(SIG_SETMASK, NULL, &mask);
    assert_int_equal(sigismember(&mask, SIGINT), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_index_runs_exactly_once),
        cmocka_unit_test(test_progress_counts_up_from_one_thread_at_a_time),
        cmocka_unit_test(test_a_stop_request_ends_the_work),
        cmocka_unit_test(test_no_more_threads_than_asked),
        cmocka_unit_test(test_signals_stay_with_the_caller),
    };
    return cmocka_run_group_tests_name("base_parallel", tests, NULL, NULL);
}
