/* test_losses.c - the table that tells dew, haze, cloud and dust apart: each one's own traces. */
#include "look/losses.h"

#include "check.h"

/* Nothing known but that light was lost. */
static struct nw_loss_facts plain(void) {
    return (struct nw_loss_facts){.n = 30,
                                  .range = 0.3,
                                  .roughness = NAN,
                                  .patchy = NAN,
                                  .per_hour_mag = NAN,
                                  .per_hour_sigma_mag = NAN,
                                  .halo_per_hour = NAN,
                                  .halo_sigma = NAN,
                                  .slope_mag = NAN,
                                  .sky_with_loss = NAN};
}

static void test_each_has_its_traces(void **state) {
    (void)state;
    struct nw_loss_facts cloud = plain();
    cloud.roughness = 6.0;
    cloud.patchy = 0.08;
    struct nw_losses l = nw_losses_of(&cloud);
    assert_int_equal(l.items[0].id, NW_LOSS_CLOUD);
    assert_true(l.is_clear && l.has_any);
    struct nw_loss_facts dew = plain();
    dew.roughness = 1.2;
    dew.patchy = 0.005;
    dew.per_hour_mag = 0.1;
    dew.per_hour_sigma_mag = 0.005;
    dew.halo_per_hour = 0.3;
    dew.halo_sigma = 0.02;
    dew.slope_mag = 0.2;
    dew.sky_with_loss = -0.4;
    l = nw_losses_of(&dew);
    assert_int_equal(l.items[0].id, NW_LOSS_DEW);
    assert_true(l.is_clear);
    struct nw_loss_facts haze = plain();
    haze.roughness = 1.8;
    haze.slope_mag = 0.5;
    haze.sky_with_loss = 0.8;
    haze.halo_per_hour = 0.0;
    haze.halo_sigma = 0.02;
    l = nw_losses_of(&haze);
    assert_int_equal(l.items[0].id, NW_LOSS_HAZE);
    assert_true(l.is_clear);
}

static void test_what_one_night_cannot_tell(void **state) {
    (void)state;
    const struct nw_loss_facts nothing = plain();
    struct nw_losses l = nw_losses_of(&nothing);
    assert_false(l.is_clear);
    assert_int_equal(l.items[NW_N_LOSSES - 1].id, NW_LOSS_DUST);
    assert_false(l.items[NW_N_LOSSES - 1].is_told);
    assert_non_null(strstr(l.items[NW_N_LOSSES - 1].evidence, "not separable in one night"));
    struct nw_loss_facts small = plain();
    small.range = 0.02;
    assert_false(nw_losses_of(&small).has_any);
    for (int id = 0; id < NW_N_LOSSES; id++) {
        assert_true(nw_loss_rule((enum nw_loss_id)id)[0] &&
                    nw_loss_decides((enum nw_loss_id)id)[0]);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_each_has_its_traces),
        cmocka_unit_test(test_what_one_night_cannot_tell),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
