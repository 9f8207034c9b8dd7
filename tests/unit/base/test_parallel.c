/* test_parallel.c - every index once, progress in order, a stop is a stop. */
#include "base/parallel.h"

#include <omp.h>
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
    ((int *)user)[i] = omp_get_thread_num();
    for (volatile int spin = 0; spin < 20000; spin++) {
    }
}

static void test_no_more_threads_than_asked(void **state) {
    (void)state;
    static int thread_of[200];
    (void)nw_parallel_for(200, 3, note_thread, thread_of, NULL);
    for (int i = 0; i < 200; i++) {
        assert_in_range(thread_of[i], 0, 2);
    }
    (void)nw_parallel_for(200, 1, note_thread, thread_of, NULL);
    for (int i = 0; i < 200; i++) {
        assert_int_equal(thread_of[i], 0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_index_runs_exactly_once),
        cmocka_unit_test(test_progress_counts_up_from_one_thread_at_a_time),
        cmocka_unit_test(test_a_stop_request_ends_the_work),
        cmocka_unit_test(test_no_more_threads_than_asked),
    };
    return cmocka_run_group_tests_name("base_parallel", tests, NULL, NULL);
}
