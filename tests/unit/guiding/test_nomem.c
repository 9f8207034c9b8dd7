/* test_nomem.c - memory runs out at every place of reading a described log, analysing and drawing
 * it: an error each time, nothing leaked (the sanitizers look). */
#include <stdlib.h>
#include <string.h>

#include "check.h"
#include "failing_alloc.h"
#include "guiding/curves.h"
#include "guiding/runs.h"

static const char LAYOUT[] =
    "logs:\n"
    "  other: {columns: {time: {column: q, unit: s}, ra_error: x, dec_error: y}}\n"
    "  runs: {run_start: run*, columns: {time: {column: t, unit: s}, ra_error: x, dec_error: y}}\n";
static const char LOG[] = "t,x,y\nrun one\n0,0.1,0.2\n2,0.2,0.1\n4,0.1,0.1\n6,0.3,0.1\n"
                          "run two\n0,0.1,0.1\n2,0.1,0.3\n4,0.1,0.1\n";

static enum nw_status draw(const struct nw_guide_runs *runs, struct nw_err *err) {
    struct nw_guide_analysis *analysis = NULL;
    struct nw_guide_curves *curves = NULL;
    enum nw_status status = nw_guide_analyse(runs->items[0].log, NULL, &analysis, err);
    if (status == NW_OK) {
        status = nw_guide_curves_new(runs->items[0].log, analysis, &curves, err);
    }
    nw_guide_curves_free(curves);
    nw_guide_analysis_free(analysis);
    return status;
}

static enum nw_status all(struct nw_err *err) {
    struct nw_guide_layouts layouts = {0};
    struct nw_log_layout *items = NULL;
    struct nw_guide_runs *runs = NULL;
    enum nw_status status =
        nw_rig_parse_layouts("l.yaml", LAYOUT, strlen(LAYOUT), &items, &layouts.n, err);
    layouts.items = items;
    if (status == NW_OK) {
        status = nw_guide_parse_runs("night.txt", LOG, strlen(LOG), &layouts, &runs, err);
    }
    if (status == NW_OK) {
        status = draw(runs, err);
    }
    nw_guide_runs_free(runs);
    free(items);
    return status;
}

static void test_reading_survives_every_failing_allocation(void **state) {
    (void)state;
    long n_failed = 0;
    for (;; n_failed++) {
        struct nw_err err = {0};
        allocations_left = n_failed;
        const enum nw_status status = all(&err);
        allocations_left = -1;
        if (status == NW_OK) {
            break;
        }
        assert_int_equal(status, NW_NOMEM);
        assert_true(strlen(err.text) > 5);
        assert_true(n_failed < 5000);
    }
    assert_true(n_failed >= 60);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_reading_survives_every_failing_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
