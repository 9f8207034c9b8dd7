/* test_moist.c - moist air and the clear sky against published values. */
#include <math.h>
#include <stdlib.h>

#include "air/air.h"
#include "check.h"

#define C(t) ((t) + NW_ZERO_CELSIUS_K)

static void test_saturation_is_that_of_wmo(void **state) {
    (void)state;
    static const struct {
        double t_C, water_hPa, ice_hPa;
    } rows[] = {{-20.0, 1.25965, 1.03261}, {-10.0, 2.87031, 2.59874}, {0.0, 6.11200, 6.11200},
                {10.0, 12.26030, NAN},     {20.0, 23.32596, NAN},     {30.0, 42.33724, NAN}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_near(nw_air_saturation_water_Pa(C(rows[i].t_C)), 100.0 * rows[i].water_hPa, 1e-3,
                   "REFERENCES MOI-01");
        if (isfinite(rows[i].ice_hPa)) {
            check_near(nw_air_saturation_ice_Pa(C(rows[i].t_C)), 100.0 * rows[i].ice_hPa, 1e-3,
                       "REFERENCES MOI-02");
        }
    }
}

static void test_saturation_agrees_with_other_formulas(void **state) {
    (void)state;
    static const struct {
        double t_C, e_Pa, tol;
        const char *source;
    } water[] = {{-20.0, 125.587, 4e-3, "Sonntag 1990, MOI-03"},
                 {10.0, 1228.133, 4e-3, "Sonntag 1990, MOI-03"},
                 {30.0, 4247.029, 4e-3, "Sonntag 1990, MOI-03"},
                 {26.85, 3536.807, 4e-3, "IAPWS-95, MOI-05v1"},
                 {5.0, 872.6, 4e-3, "ASHRAE 2017 table 3, MOI-06v1"},
                 {25.0, 3169.7, 4e-3, "ASHRAE 2017 table 3, MOI-06v1"},
                 {50.0, 12351.3, 6e-3, "ASHRAE 2017 table 3, MOI-06v1"}};
    for (size_t i = 0; i < sizeof water / sizeof water[0]; i++) {
        check_near(nw_air_saturation_water_Pa(C(water[i].t_C)) / water[i].e_Pa, 1.0, water[i].tol,
                   water[i].source);
    }
    check_near(nw_air_saturation_ice_Pa(C(-20.0)), 103.24, 0.1, "ASHRAE 2017 table 3, over ice");
    check_near(nw_air_saturation_ice_Pa(C(-5.0)), 401.74, 0.2, "ASHRAE 2017 table 3, over ice");
    check_near(nw_air_saturation_ice_Pa(C(-10.0)), 259.893, 0.1, "Sonntag 1990, MOI-04");
}

static void test_dew_and_frost_points(void **state) {
    (void)state;
    static const struct {
        double t_C, rh, dew_C;
    } rows[] = {{20.0, 0.50, 9.25517},
                {10.0, 0.80, 6.70601},
                {5.0, 0.90, 3.49501},
                {0.0, 0.95, -0.70569},
                {-5.0, 0.80, -7.91740}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const double e_Pa = nw_air_vapour_Pa(C(rows[i].t_C), rows[i].rh);
        check_near(nw_air_dew_point_K(e_Pa), C(rows[i].dew_C), 1e-4, "REFERENCES MOI-07");
        check_near(nw_air_humidity(C(rows[i].t_C), e_Pa), rows[i].rh, 1e-12, "there and back");
        check_near(nw_air_saturation_water_Pa(nw_air_dew_point_K(e_Pa)), e_Pa, 1e-9 * e_Pa,
                   "there and back");
    }
    check_near(nw_air_dew_point_K(nw_air_vapour_Pa(C(20.0), 0.5)), C(9.27239), 0.03,
               "another library, Hyland-Wexler, MOI-07v1");
    /* the same library's -7.58527 for (-5 degC, 80 %) is a frost point, and its 80 % are over ice
     */
    check_near(nw_air_frost_point_K(0.8 * nw_air_saturation_ice_Pa(C(-5.0))), C(-7.58527), 0.01,
               "MOI-07v1: frost point, humidity over ice");
}

static void test_below_zero_frost_comes_before_dew(void **state) {
    (void)state;
    bool is_frost = false;
    const double e_Pa = nw_air_vapour_Pa(C(-5.0), 0.8);
    const double frost_K = nw_air_wetting_point_K(e_Pa, &is_frost);
    assert_true(is_frost);
    assert_true(frost_K > nw_air_dew_point_K(e_Pa) + 0.5); /* ice takes vapour earlier */
    check_near(nw_air_saturation_ice_Pa(frost_K), e_Pa, 1e-9, "definition");
    (void)nw_air_wetting_point_K(nw_air_vapour_Pa(C(10.0), 0.8), &is_frost);
    assert_false(is_frost);
    check_near(nw_air_saturation_surface_Pa(C(-0.001)), nw_air_saturation_surface_Pa(C(0.001)), 0.2,
               "one value at the melting point");
}

static void test_densities_and_ratios(void **state) {
    (void)state;
    static const double t_C[] = {0.0, 10.0, 20.0, 30.0};
    static const double g_m3[] = {4.8484, 9.3821, 17.2412, 30.2609};
    for (int i = 0; i < 4; i++) {
        const double e_Pa = nw_air_saturation_water_Pa(C(t_C[i]));
        const double kg_m3 = nw_air_vapour_density_kg_m3(C(t_C[i]), e_Pa);
        check_near(1e3 * kg_m3, g_m3[i], 1e-4, "REFERENCES MOI-08");
        check_near(nw_air_vapour_of_density_Pa(C(t_C[i]), kg_m3), e_Pa, 1e-9, "there and back");
    }
    const double half_Pa = nw_air_vapour_Pa(C(20.0), 0.5);
    check_near(1e3 * nw_air_mixing_ratio(half_Pa, 101325.0), 7.24224, 1e-5, "REFERENCES MOI-09");
    check_near(nw_air_mixing_ratio(nw_air_saturation_ice_Pa(C(-20.0)), 101325.0), 0.0006373, 6.4e-6,
               "ASHRAE table 2, MOI-06v2");
    check_near(nw_air_mixing_ratio(nw_air_saturation_water_Pa(C(25.0)), 101325.0), 0.020173, 2e-4,
               "ASHRAE table 2, MOI-06v2");
    check_near(100.0 * nw_air_humidity(C(12.0), nw_air_vapour_Pa(C(5.0), 0.9)), 56.0416, 1e-3,
               "REFERENCES MOI-10");
    check_near(100.0 * nw_air_humidity(C(10.0), nw_air_saturation_water_Pa(C(3.0))), 61.7955, 1e-3,
               "REFERENCES MOI-10");
    check_near(nw_air_latent_J_kg(C(10.0)), 2477390.0, 1.0, "REFERENCES MOI-20");
    check_near(0.2 * nw_air_latent_J_kg(C(20.0)) / 3600.0, 136.321, 1e-3, "REFERENCES MOI-20");
}

static void test_outside_the_range_is_not_a_number(void **state) {
    (void)state;
    assert_true(isnan(nw_air_saturation_water_Pa(C(61.0))));
    assert_true(isnan(nw_air_saturation_ice_Pa(C(1.0))));
    assert_true(isnan(nw_air_saturation_water_Pa(NAN)));
    assert_true(isnan(nw_air_dew_point_K(0.0)));
    assert_true(isnan(nw_air_dew_point_K(-1.0)));
    assert_true(isnan(nw_air_frost_point_K(1e6)));
}

static void test_emissivity_of_the_clear_sky(void **state) {
    (void)state;
    static const struct {
        enum nw_air_sky sky;
        double moist, dry; /* dew point 16.7 and -2.13 degC */
    } rows[] = {{NW_AIR_SKY_CLARK_ALLEN, 0.8328, 0.7814},
                {NW_AIR_SKY_RECALIBRATED, 0.8624, 0.7472},
                {NW_AIR_SKY_BERDAHL_MARTIN, 0.8249, 0.6994},
                {NW_AIR_SKY_BERGER, 0.8335, 0.7619}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_near(nw_air_sky_emissivity(rows[i].sky, C(16.7), 0.0), rows[i].moist, 1e-4,
                   "REFERENCES MOI-11");
        check_near(nw_air_sky_emissivity(rows[i].sky, C(-2.13), 0.0), rows[i].dry, 1e-4,
                   "REFERENCES MOI-12");
    }
    /* the reference takes 60 % of the saturation at 25 and 5 degC, not the dew point */
    check_near(nw_air_sky_emissivity(NW_AIR_SKY_BRUNT, C(16.7), 0.0), 0.8618, 1e-3, "MOI-11");
    check_near(nw_air_sky_emissivity(NW_AIR_SKY_BRUNT, C(-2.13), 0.0), 0.7461, 1e-3, "MOI-12");
    check_near(nw_air_sky_emissivity(NW_AIR_SKY_CLARK_ALLEN, 283.0, 0.0), 0.81448, 1e-5, "MOI-13");
    check_near(nw_air_sky_temperature_K(
                   C(10.0), nw_air_sky_emissivity(NW_AIR_SKY_BERDAHL_MARTIN, C(5.0), 0.0)),
               C(-10.4588), 1e-3, "REFERENCES MOI-14");
    check_near(nw_air_sky_temperature_K(
                   C(5.0), nw_air_sky_emissivity(NW_AIR_SKY_BERDAHL_MARTIN, C(-2.13), 0.0)),
               C(-18.7829), 1e-3, "REFERENCES MOI-14");
    for (int i = 0; i < NW_AIR_SKY_N; i++) {
        const double clear = nw_air_sky_emissivity((enum nw_air_sky)i, C(5.0), 0.0);
        const double half = nw_air_sky_emissivity((enum nw_air_sky)i, C(5.0), 0.5);
        const double full = nw_air_sky_emissivity((enum nw_air_sky)i, C(5.0), 1.0);
        assert_true(clear < half && half < full && full <= 1.0);
        assert_int_equal(nw_air_sky_of(nw_air_sky_word((enum nw_air_sky)i)), i);
        assert_true(strlen(nw_air_sky_source((enum nw_air_sky)i)) > 5);
    }
    assert_int_equal(nw_air_sky_of("none of them"), NW_AIR_SKY_N);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_saturation_is_that_of_wmo),
        cmocka_unit_test(test_saturation_agrees_with_other_formulas),
        cmocka_unit_test(test_dew_and_frost_points),
        cmocka_unit_test(test_below_zero_frost_comes_before_dew),
        cmocka_unit_test(test_densities_and_ratios),
        cmocka_unit_test(test_outside_the_range_is_not_a_number),
        cmocka_unit_test(test_emissivity_of_the_clear_sky),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
