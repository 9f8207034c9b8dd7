/* test_surface.c - plates under the sky: published values, closed forms, signs. */
#include <math.h>

#include "air/air.h"
#include "check.h"

#define C(t) ((t) + NW_ZERO_CELSIUS_K)

/* REFERENCES MOI-15: emissivity 0.9, air 10 degC, dew point 5 degC, all of the view is sky. */
static struct nw_air_face plate(double exchange_W_m2_K) {
    return (struct nw_air_face){
        .emissivity = 0.9,
        .sky_share = 1.0,
        .sky_K = nw_air_sky_temperature_K(
            C(10.0), nw_air_sky_emissivity(NW_AIR_SKY_BERDAHL_MARTIN, C(5.0), 0.0)),
        .air_K = C(10.0),
        .surroundings_K = C(10.0),
        .exchange_W_m2_K = exchange_W_m2_K};
}

static void test_plate_under_the_clear_sky(void **state) {
    (void)state;
    struct nw_air_face face = plate(5.0);
    check_near(nw_air_face_balance_K(&face, 0.0) - C(10.0), -9.0281, 1e-3, "REFERENCES MOI-15");
    face = plate(10.0);
    check_near(nw_air_face_balance_K(&face, 0.0) - C(10.0), -5.8666, 1e-3, "REFERENCES MOI-15");
    check_near(nw_air_face_gain_W_m2(&face, C(10.0)), -85.0185, 1e-3, "REFERENCES MOI-16");
    face.sky_share = 0.0;
    check_near(nw_air_face_balance_K(&face, 0.0), C(10.0), 1e-9, "no sky in view: air temperature");
    face.exchange_W_m2_K = 10.0;
    face.emissivity = 0.0;
    check_near(nw_air_face_hold_W_m2(&face, C(13.0)) * NW_PI / 4.0 * 0.01, 0.235619, 1e-6,
               "glass of 100 mm, 3 K, 10 W/m2/K: REFERENCES MOI-19");
    check_near(nw_air_face_balance_K(&face, 30.0), C(13.0), 1e-9, "heat over exchange");
}

static void test_holding_is_the_inverse_of_the_balance(void **state) {
    (void)state;
    const struct nw_air_face face = plate(6.0);
    for (double want_C = 0.0; want_C < 20.0; want_C += 3.0) {
        const double hold = nw_air_face_hold_W_m2(&face, C(want_C));
        check_near(nw_air_face_balance_K(&face, hold), C(want_C), 1e-8, "there and back");
    }
    assert_true(nw_air_face_hold_W_m2(&face, C(10.0)) > 0.0);
    assert_true(nw_air_face_hold_W_m2(&face, C(-5.0)) < 0.0); /* it is warmer by itself */
}

static void test_heat_exchange_with_the_air(void **state) {
    (void)state;
    check_near(nw_air_exchange_W_m2_K(3.0, 0.1, 0.0), 3.08926, 1e-5, "REFERENCES MOI-18");
    check_near(nw_air_exchange_W_m2_K(-3.0, 0.1, 0.0), 3.08926, 1e-5, "either sign");
    check_near(nw_air_exchange_W_m2_K(0.0, 0.1, 0.0), 1.5, 1e-12, "never nothing");
    check_near(nw_air_exchange_W_m2_K(3.0, 0.1, 2.0), 13.3, 1e-12, "5.7 + 3.8 v");
    check_near(nw_air_nusselt_vertical(1.8125e9, 0.69), 147.11, 0.01, "REFERENCES MOI-17");
}

static void test_water_settles_below_the_dew_point_and_leaves_above(void **state) {
    (void)state;
    const double e_Pa = nw_air_vapour_Pa(C(10.0), 0.8);
    const double dew_K = nw_air_dew_point_K(e_Pa);
    assert_true(nw_air_face_wetting_kg_m2_s(5.0, dew_K - 1.0, e_Pa, 101325.0) > 0.0);
    assert_true(nw_air_face_wetting_kg_m2_s(5.0, dew_K + 1.0, e_Pa, 101325.0) < 0.0);
    check_near(nw_air_face_wetting_kg_m2_s(5.0, dew_K, e_Pa, 101325.0), 0.0, 1e-15, "definition");
    /* a wet surface by itself in dry wind goes to its wet-bulb temperature: heat from the air pays
     * for the water. REFERENCES MOI-24b: 13.7834 degC for 20 degC, 50 %. */
    const double air_Pa = nw_air_vapour_Pa(C(20.0), 0.5);
    double low = C(5.0);
    double high = C(20.0);
    for (int i = 0; i < 60; i++) {
        const double t = 0.5 * (low + high);
        const double heat =
            10.0 * (C(20.0) - t) +
            nw_air_face_wetting_kg_m2_s(10.0, t, air_Pa, 101325.0) * nw_air_latent_J_kg(t);
        *(heat > 0.0 ? &low : &high) = t;
    }
    check_near(low, C(13.7834), 0.5, "MOI-24b; the wet bulb of psychrometry has Lewis number 1");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_plate_under_the_clear_sky),
        cmocka_unit_test(test_holding_is_the_inverse_of_the_balance),
        cmocka_unit_test(test_heat_exchange_with_the_air),
        cmocka_unit_test(test_water_settles_below_the_dew_point_and_leaves_above),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
