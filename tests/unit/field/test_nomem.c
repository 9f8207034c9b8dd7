/* test_nomem.c - memory runs out at every place of the focus-run analysis in turn: an error each
 * time, nothing leaked (the sanitizers look), and the same call succeeds once memory is there. */
#include "failing_alloc.h"

#include "check.h"
#include "field/focus.h"

static const char RUNS[] = "time,position_steps,temperature_c,filter\n"
                           "2026-05-14T10:00:00Z,2000,9.5,L\n2026-05-14T11:00:00Z,2009,8.5,L\n"
                           "2026-05-14T12:00:00Z,2019,7.4,L\n2026-05-14T13:00:00Z,2030,6.6,L\n";

static enum nw_status once(const char *path, struct nw_focus_job *job, struct nw_err *err) {
    struct nw_focus_frame frames[3];
    struct nw_focus_runs runs = {0};
    for (int i = 0; i < 3; i++) {
        frames[i] = (struct nw_focus_frame){.t_start_s = 1e9 + 600.0 * i,
                                            .exposure_s = 300.0,
                                            .position_steps = 100.0 + i,
                                            .temperature_K = 280.0};
    }
    enum nw_status status = nw_focus_runs_of_frames(frames, 3, &runs, err);
    if (status == NW_OK) {
        nw_focus_runs_done(&runs);
        status = nw_focus_runs_read(path, &runs, err);
    }
    if (status == NW_OK) {
        status = nw_focus_fit(&runs, frames, 3, NULL, job, err);
    }
    nw_focus_runs_done(&runs);
    return status;
}

static void test_focus_runs_survive_every_failing_allocation(void **state) {
    (void)state;
    const char *const path = "field_nomem_runs.csv";
    long n_failed = 0;
    struct nw_focus_job job;
    struct nw_err err = {0};
    assert_int_equal(nw_file_write_atomic(path, RUNS, strlen(RUNS), &err), NW_OK);
    for (;; n_failed++) {
        err = (struct nw_err){0};
        allocations_left = n_failed;
        const enum nw_status status = once(path, &job, &err);
        allocations_left = -1;
        if (status == NW_OK) {
            break;
        }
        assert_int_equal(status, NW_NOMEM);
        assert_int_equal(err.status, NW_NOMEM);
        assert_true(n_failed < 500);
    }
    assert_true(n_failed >= 8);
    assert_int_equal(job.n_used, 4);
    (void)remove(path);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_focus_runs_survive_every_failing_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
