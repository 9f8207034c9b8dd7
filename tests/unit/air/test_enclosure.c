/* test_enclosure.c - covers, rooms and dryers: closed forms, and what is commonly said of them. */
#include <math.h>

#include "air/enclosure.h"
#include "check.h"

#define C(t) ((t) + NW_ZERO_CELSIUS_K)
#define P0 101325.0

static void test_losses_of_a_shed(void **state) {
    (void)state;
    struct nw_air_box box = {
        .area_m2 = 20.0, .insulation_m2_K_W = 0.33, .films_m2_K_W = 0.17, .volume_m3 = 10.0};
    check_near(5.0 * nw_air_box_loss_W_K(&box, C(10.0), P0), 200.0, 1e-9,
               "REFERENCES MOI-23: U 2, 20 m2, 5 K");
    const double walls = nw_air_box_loss_W_K(&box, C(10.0), P0);
    box.air_changes_per_s = 0.5 / 3600.0;
    check_near(5.0 * (nw_air_box_loss_W_K(&box, C(10.0), P0) - walls), 8.375, 0.5,
               "REFERENCES MOI-23: 0.335 n V dT, air of 1.2 kg/m3");
    check_near(3.6e6 * nw_air_box_leak_kg_s(&box, 8e-3, 5e-3), 15.0, 1e-9, "REFERENCES MOI-21");
}

static void test_insulation_is_the_inverse_of_the_rise(void **state) {
    (void)state;
    struct nw_air_box box = {.area_m2 = 2.5,
                             .insulation_m2_K_W = 0.4,
                             .films_m2_K_W = 0.26,
                             .volume_m3 = 0.6,
                             .air_changes_per_s = 2.0 / 3600.0};
    const double rise = nw_air_box_rise_K(&box, 25.0, C(5.0), P0);
    check_near(nw_air_box_insulation_for(&box, 25.0, rise, C(5.0), P0), 0.4, 1e-12,
               "there and back");
    check_near(nw_air_box_insulation_for(&box, 25.0, 0.1, C(5.0), P0), 0.0, 1e-12,
               "bare cloth will do");
    box.air_changes_per_s = 1.0;
    assert_true(isnan(nw_air_box_insulation_for(&box, 25.0, 5.0, C(5.0), P0)));
}

/* Common practice, no source: 25 W under a cover hold some 5 K. */
static void test_25_W_under_a_cover(void **state) {
    (void)state;
    struct nw_air_claim claim;
    struct nw_air_box cloth = {.area_m2 = 2.0};
    assert_int_equal(nw_air_judge_rise(&cloth, 25.0, 5.0, C(5.0), P0, &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_REFUSED);
    check_near(claim.possible.high, 3.2, 0.06, "OBSERVABILITY 16: plain cloth of 2 m2");
    assert_non_null(strstr(claim.reason, "loss is 5.0 W/K")); /* UA about 5 W/K */
    assert_non_null(strstr(claim.reason, "2.0 m2 of skin with an insulation of 0.14"));
    cloth.area_m2 = 3.0;
    assert_int_equal(nw_air_judge_rise(&cloth, 25.0, 5.0, C(5.0), P0, &claim, NULL), NW_OK);
    check_near(claim.possible.low, 1.4, 0.03, "OBSERVABILITY 16: plain cloth of 3 m2");
    struct nw_air_box padded = {.area_m2 = 2.0, .insulation_m2_K_W = 0.5};
    assert_int_equal(nw_air_judge_rise(&padded, 25.0, 5.0, C(5.0), P0, &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_POSSIBLE);
    check_near(claim.possible.high, 9.0, 0.6, "OBSERVABILITY 16: padding, 6 to 9 K");
    padded.area_m2 = 3.0;
    assert_int_equal(nw_air_judge_rise(&padded, 25.0, 5.0, C(5.0), P0, &claim, NULL), NW_OK);
    check_near(claim.possible.low, 6.0, 0.5, "OBSERVABILITY 16: padding, 6 to 9 K");
}

/* Common practice, no source: a desiccant dryer of 240 W takes a litre an hour, works to 1 degC. */
static void test_the_litre_an_hour_is_refused_and_the_cold_is_kept(void **state) {
    (void)state;
    struct nw_air_claim claim;
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_DESICCANT, 240.0, 1.0 / 3600.0, C(10.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_REFUSED);
    assert_string_equal(nw_air_verdict_word(claim.verdict), "refused");
    check_near(3600.0 * claim.possible.low, 0.10, 0.005, "OBSERVABILITY 16");
    check_near(3600.0 * claim.possible.high, 0.18, 0.001, "OBSERVABILITY 16");
    check_near(claim.bound * 2.47739e6, 240.0, 1e-2, "latent heat at 10 degC, MOI-20");
    assert_non_null(strstr(claim.reason, "needs 688 W for the latent heat alone"));
    assert_non_null(strstr(claim.reason, "0.10 to 0.18 l/h"));
    nw_air_judge_cold(NW_AIR_DESICCANT, C(1.0), &claim);
    assert_int_equal(claim.verdict, NW_AIR_POSSIBLE);
    nw_air_judge_cold(NW_AIR_COMPRESSOR, C(1.0), &claim);
    assert_int_equal(claim.verdict, NW_AIR_DOUBTFUL);
}

static void test_what_dryers_do_is_not_refused(void **state) {
    (void)state;
    struct nw_air_claim claim;
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_DESICCANT, 240.0, 0.15 / 3600.0, C(10.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_POSSIBLE);
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_DESICCANT, 240.0, 0.25 / 3600.0, C(10.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_DOUBTFUL); /* 3.5 kJ/g: no law against it */
    /* a cold coil may take more water than the power could evaporate */
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_COMPRESSOR, 240.0, 0.8 / 3600.0, C(15.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_DOUBTFUL);
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_COMPRESSOR, 240.0, 0.3 / 3600.0, C(15.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_POSSIBLE);
    assert_int_equal(
        nw_air_judge_drying(NW_AIR_COMPRESSOR, 240.0, 20.0 / 3600.0, C(15.0), &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_REFUSED);
}

static void test_warming_faster_than_the_power_is_refused(void **state) {
    (void)state;
    struct nw_air_claim claim;
    /* a lens of 0.7 kg: 560 J/K; 6 W for 10 min are 3600 J: 6.43 K */
    assert_int_equal(nw_air_judge_warming(6.0, 560.0, 5.0, 600.0, &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_POSSIBLE);
    check_near(claim.bound, 3600.0 / 560.0, 1e-12, "C dT = P t");
    assert_int_equal(nw_air_judge_warming(6.0, 560.0, 7.0, 600.0, &claim, NULL), NW_OK);
    assert_int_equal(claim.verdict, NW_AIR_REFUSED);
}

static void test_drying_time_is_that_of_the_exponential(void **state) {
    (void)state;
    struct nw_air_box box = {.area_m2 = 20.0, .volume_m3 = 10.0, .air_changes_per_s = 2.0 / 3600.0};
    struct nw_air_drying d = {
        .saturation_kg_m3 = 9.4e-3, .outside_kg_m3 = 0.0, .from_kg_m3 = 8e-3, .to_kg_m3 = 0.8e-3};
    check_near(nw_air_box_drying_s(&box, &d) / 3600.0, 1.151293, 1e-6, "REFERENCES MOI-22");
    d.outside_kg_m3 = 7e-3;
    d.to_kg_m3 = 5e-3;
    d.dryer_kg_s = 0.1 / 3600.0; /* 100 g/h; 40 g/h leak in at 5 g/m3 */
    d.buffer_kg = 0.5;
    /* brute force: Euler steps of a tenth of a second */
    double rho = d.from_kg_m3;
    double t = 0.0;
    const double room = 10.0 + d.buffer_kg / d.saturation_kg_m3;
    while (rho > d.to_kg_m3) {
        rho += 0.1 * (20.0 / 3600.0 * (d.outside_kg_m3 - rho) - d.dryer_kg_s) / room;
        t += 0.1;
    }
    check_near(nw_air_box_drying_s(&box, &d), t, 2.0, "brute force");
    d.dryer_kg_s = 0.03 / 3600.0;
    assert_true(isinf(nw_air_box_drying_s(&box, &d))); /* more leaks in than it takes */
    d.to_kg_m3 = 9e-3;
    check_near(nw_air_box_drying_s(&box, &d), 0.0, 0.0, "it is dry already");
    box.air_changes_per_s = 0.0;
    d.to_kg_m3 = 5e-3;
    check_near(nw_air_box_drying_s(&box, &d), room * 3e-3 / d.dryer_kg_s, 1e-6, "no leak: linear");
}

static void test_claims_without_power_are_errors(void **state) {
    (void)state;
    struct nw_air_claim claim;
    struct nw_err err;
    const struct nw_air_box box = {.area_m2 = 2.0};
    assert_int_equal(nw_air_judge_drying(NW_AIR_DESICCANT, 0.0, 1e-5, C(5.0), &claim, &err),
                     NW_DOMAIN);
    assert_non_null(strstr(err.text, "dryer of 0 W"));
    assert_int_equal(nw_air_judge_rise(&box, NAN, 5.0, C(5.0), P0, &claim, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "both must be > 0"));
    assert_int_equal(nw_air_judge_warming(5.0, 100.0, 5.0, 0.0, &claim, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "all must be > 0"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_losses_of_a_shed),
        cmocka_unit_test(test_insulation_is_the_inverse_of_the_rise),
        cmocka_unit_test(test_25_W_under_a_cover),
        cmocka_unit_test(test_the_litre_an_hour_is_refused_and_the_cold_is_kept),
        cmocka_unit_test(test_what_dryers_do_is_not_refused),
        cmocka_unit_test(test_warming_faster_than_the_power_is_refused),
        cmocka_unit_test(test_drying_time_is_that_of_the_exponential),
        cmocka_unit_test(test_claims_without_power_are_errors),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
