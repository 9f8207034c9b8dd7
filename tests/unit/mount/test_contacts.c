/* test_contacts.c - No contact is missed: random rigs at random attitudes against projections to
 * and fro (brute_mount.h). bench/clearance.c does the same for 10^5 rigs; docs/mount.md has what it
 * found. */
#include "brute_mount.h"
#include "check.h"

static void test_random_rigs_at_random_attitudes(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 20);
    struct brute_tally t = {0};
    for (int i = 0; i < 1500; i++) {
        brute_one(rng, &t);
    }
    assert_true(t.rigs > 1200 && t.contacts > 200 && t.in_range > 300);
    assert_int_equal(t.missed, 0);
    assert_int_equal(t.in_range_hits, 0);
    check_near(t.farther_m, 0.0, 1e-6, "never farther than two points of the bodies are");
    check_near(t.nearer_m, 0.0, 5e-4, "0.5 mm: projections come slowly where faces nearly meet");
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_random_rigs_at_random_attitudes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
