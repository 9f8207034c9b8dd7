/* test_nomem.c - memory runs out at every place in turn: an error each time, nothing leaked (the
 * sanitizers look), and the same call succeeds once memory is there. */
#include <sys/stat.h>
#include <unistd.h>

#include "base/base.h"
#include "check.h"
#include "failing_alloc.h"

/* Runs `call` with the first, second, ... allocation failing until it succeeds; at least `at_least`
 * failures must have been seen, or the test would test nothing. */
static void survives(enum nw_status (*call)(struct nw_err *err), long at_least) {
    long n_failed = 0;
    for (;; n_failed++) {
        struct nw_err err = {0};
        allocations_left = n_failed;
        const enum nw_status status = call(&err);
        allocations_left = -1;
        if (status == NW_OK) {
            break;
        }
        assert_int_equal(status, NW_NOMEM);
        assert_int_equal(err.status, NW_NOMEM);
        assert_true(strlen(err.text) > 5);
        assert_true(n_failed < 1000);
    }
    assert_true(n_failed >= at_least);
}

static enum nw_status parse_table(struct nw_err *err) {
    static const char text[] = "# exposure_s: 2\n# zone: Z\na,b,c\n1,2,3\n4,5,6\n7,8,9\n1,1,1\n"
                               "1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n"
                               "1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n1,1,1\n";
    struct nw_table *table = NULL;
    const enum nw_status status = nw_table_parse("night.csv", text, sizeof text - 1, &table, err);
    nw_table_free(table);
    return status;
}

static void test_table_survives_lack_of_memory(void **state) {
    (void)state;
    survives(parse_table, 10);
}

static struct nw_table *shared_table;

static enum nw_status seek_missing_column(struct nw_err *err) {
    double value = 0.0;
    const struct nw_column_map map = {.name = "aa"};
    const enum nw_status status = nw_table_numbers(shared_table, &map, &value, NULL, err);
    return status == NW_NOTFOUND ? NW_OK : status;
}

static void test_column_error_survives_lack_of_memory(void **state) {
    (void)state;
    assert_int_equal(nw_table_parse("x", "a,b\n1,2\n", 8, &shared_table, NULL), NW_OK);
    survives(seek_missing_column, 1);
    nw_table_free(shared_table);
}

static char folder[] = "/tmp/nw-test-nomem-XXXXXX";
static char path[sizeof folder + 8];

static enum nw_status write_file(struct nw_err *err) {
    return nw_file_write_atomic(path, "text", 4, err);
}

static enum nw_status read_file(struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    const enum nw_status status = nw_file_read(path, 100, &data, &len, err);
    free(data);
    return status;
}

static enum nw_status list_folder(struct nw_err *err) {
    struct nw_paths paths = {0};
    const enum nw_status status = nw_file_list(folder, NULL, 2, &paths, err);
    nw_paths_done(&paths);
    return status;
}

static void test_files_survive_lack_of_memory(void **state) {
    (void)state;
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof path, "%s/a.txt", folder);
    survives(write_file, 3);
    survives(read_file, 2);
    survives(list_folder, 2);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(rmdir(folder), 0); /* empty: no temporary was left behind */
}

static void test_a_buffer_without_memory_is_failed(void **state) {
    (void)state;
    struct nw_buf buf;
    nw_buf_init(&buf, 1000);
    allocations_left = 0;
    nw_buf_printf(&buf, "a");
    allocations_left = -1;
    assert_true(nw_buf_failed(&buf));
    nw_buf_done(&buf);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_table_survives_lack_of_memory),
        cmocka_unit_test(test_column_error_survives_lack_of_memory),
        cmocka_unit_test(test_files_survive_lack_of_memory),
        cmocka_unit_test(test_a_buffer_without_memory_is_failed),
    };
    return cmocka_run_group_tests_name("base_nomem", tests, NULL, NULL);
}
