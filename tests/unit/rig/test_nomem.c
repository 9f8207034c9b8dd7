/* test_nomem.c - memory runs out at every place of a read in turn: an error each time, nothing
 * leaked (the sanitizers look), and the same read succeeds once memory is there. */
#include "support.h"

/* The linker sends every allocation of our objects here (-Wl,--wrap); the n-th one fails. */
static long allocations_left = -1;

static bool is_out(void) {
    if (allocations_left < 0) {
        return false;
    }
    return allocations_left == 0 || allocations_left-- == 0;
}

/* NOLINTBEGIN(bugprone-reserved-identifier): names the linker prescribes */
void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
char *__real_strndup(const char *text, size_t n);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
char *__wrap_strndup(const char *text, size_t n);

void *__wrap_malloc(size_t size) {
    return is_out() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size) {
    return is_out() ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *old, size_t size) {
    return is_out() ? NULL : __real_realloc(old, size);
}

char *__wrap_strdup(const char *text) {
    return is_out() ? NULL : __real_strdup(text);
}

char *__wrap_strndup(const char *text, size_t n) {
    return is_out() ? NULL : __real_strndup(text, n);
}
/* NOLINTEND(bugprone-reserved-identifier) */

static const char TEXT[] = SMALL_RIG "filters: {red: {centre: 640 nm, width: 100 nm}}\n"
                                     "correctors: {reducer 0.8x: {magnification: 0.8}}\n"
                                     "focusers: {crayford: {step: 4 um}}\n";
static const char *const OVERRIDE =
    "setups.one={telescope: tube, camera: camera, filters: [red], corrector: reducer 0.8x, "
    "focuser: "
    "crayford, changes: [{name: a, effort: setting, set: {site.seeing: 1 arcsec}}]}";

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
