/* test_nomem.c - memory runs out at every place of a read in turn: an error each time, nothing
 * leaked (the sanitizers look), and the same read succeeds once memory is there. */
#include "failing_alloc.h"
#include "support.h"

static const char TEXT[] = SMALL_RIG "filters: {red: {centre: 640 nm, width: 100 nm}}\n"
                                     "correctors: {reducer 0.8x: {magnification: 0.8}}\n"
                                     "focusers: {crayford: {step: 4 um}}\n"
                                     "pieces: {wheel: {length: 20 mm}}\n"
                                     "spacers: {ring: {length: 5 mm}}\n";
static const char *const OVERRIDE =
    "setups.one={telescope: tube, camera: camera, filters: [red], corrector: reducer 0.8x, "
    "focuser: "
    "crayford, path: [wheel], rings: [ring], changes: [{name: a, effort: setting, set: "
    "{site.seeing: 1 arcsec}}]}";

static void test_a_read_survives_every_failing_allocation(void **state) {
    (void)state;
    long n_failed = 0;
    for (;; n_failed++) {
        struct nw_err err = {0};
        struct nw_rig *rig = NULL;
        allocations_left = n_failed;
        const enum nw_status status =
            nw_rig_parse("rig.yaml", TEXT, strlen(TEXT), &OVERRIDE, 1, &rig, &err);
        allocations_left = -1;
        nw_rig_free(rig);
        if (status == NW_OK) {
            break;
        }
        assert_int_equal(status, NW_NOMEM);
        assert_int_equal(err.status, NW_NOMEM);
        assert_true(strlen(err.text) > 5);
        assert_true(n_failed < 5000);
    }
    assert_true(n_failed >= 100);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_read_survives_every_failing_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
