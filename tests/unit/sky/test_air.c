/* test_air.c - airmass, refractivity, dispersion, refraction against published and computed values
 */
#include "sky/sky.h"

#include "check.h"

#define DEG NW_RAD_PER_DEG
#define AS NW_ARCSEC_PER_RAD
#define N_OF(a) (sizeof(a) / sizeof((a)[0]))

/* relative humidity that gives a vapour pressure (same Magnus form as the code, WMO-No. 8) */
static double humidity_of(double vapour_Pa, double t_C) {
    return vapour_Pa / (611.2 * exp(17.62 * t_C / (243.12 + t_C)));
}

static void test_airmass_matches_both_formulas(void **state) {
    (void)state;
    static const struct {
        double altitude_deg, kasten_young, pickering;
    } rows[] = {{0, 37.9196, 38.7494}, {1, 26.3106, 26.6438}, {2, 19.4332, 19.6427},
                {5, 10.3058, 10.3337}, {10, 5.5860, 5.5807},  {15, 3.8129, 3.8082},
                {20, 2.9031, 2.9001},  {30, 1.9943, 1.9932},  {45, 1.4126, 1.4124},
                {60, 1.1540, 1.1541},  {90, 0.9997, 1.0000}};
    for (size_t i = 0; i < N_OF(rows); i++) {
        const double h = rows[i].altitude_deg * DEG;
        check_near(nw_sky_airmass(h), rows[i].pickering, 1e-3, "REFERENCES ATM-09.2");
        check_near(nw_sky_airmass_kasten_young(h), rows[i].kasten_young, 1e-3, "REFERENCES ATM-09");
    }
    check_near(nw_sky_airmass(0.1 * DEG), 37.064, 1e-3, "REFERENCES ATM-09v1");
    assert_true(nw_sky_airmass(NW_PI / 2.0) >= 1.0);
}

static void test_airmass_edges_are_nan(void **state) {
    (void)state;
    assert_true(isnan(nw_sky_airmass(-1e-6)));
    assert_true(isnan(nw_sky_airmass(NAN)));
    assert_true(isnan(nw_sky_airmass(91.0 * DEG)));
    assert_true(isnan(nw_sky_airmass_kasten_young(-1.0 * DEG)));
    assert_true(isnan(nw_sky_altitude_of_airmass(0.99)));
    assert_true(isnan(nw_sky_altitude_of_airmass(30.1)));
    assert_true(isnan(nw_sky_altitude_of_airmass(NAN)));
}

static void test_altitude_of_airmass_there_and_back(void **state) {
    (void)state;
    check_near(nw_sky_altitude_of_airmass(2.0) / DEG, 29.88587, 1e-4, "REFERENCES ATM-10");
    check_near(nw_sky_altitude_of_airmass(1.0) / DEG, 90.0, 1e-12, "zenith by definition");
    for (double x = 1.00001; x < 30.0; x *= 1.07) {
        check_near(nw_sky_airmass(nw_sky_altitude_of_airmass(x)), x, 1e-9 * x, "there and back");
    }
}

static void test_standard_pressure(void **state) {
    (void)state;
    check_near(nw_sky_standard_pressure_Pa(0.0), 101325.0, 1e-6, "definition");
    check_near(nw_sky_standard_pressure_Pa(11000.0), 22632.0, 5.0,
               "U.S. Standard Atmosphere 1976, 11 km (226.32 hPa; from memory)");
    check_near(nw_sky_standard_temperature_K(11000.0), 216.65, 1e-9, "the same, 11 km");
    assert_true(isnan(nw_sky_standard_temperature_K(NAN)));
    assert_true(isnan(nw_sky_standard_pressure_Pa(20000.0)));
    assert_true(isnan(nw_sky_standard_pressure_Pa(NAN)));
}

static void test_refractivity_of_dry_standard_air(void **state) {
    (void)state;
    const struct nw_air_state air = {
        .pressure_Pa = 760.0 * 133.322387415, .temperature_K = 288.15, .relative_humidity = 0.0};
    check_near(nw_sky_refractivity(0.50e-6, &air) * 1e6, 278.9638, 1e-3, "REFERENCES ATM-02");
    check_near(nw_sky_refractivity(0.5893e-6, &air) * 1e6, 277.1347, 1e-3, "REFERENCES ATM-02");
    struct nw_air_state thin = air;
    thin.pressure_Pa = 0.0;
    check_near(nw_sky_refractivity(0.5e-6, &thin), 0.0, 1e-15, "no air, no refraction");
    assert_true(isnan(nw_sky_refractivity(0.1e-6, &air)));
    thin.temperature_K = NAN;
    assert_true(isnan(nw_sky_refractivity(0.5e-6, &thin)));
}

static void test_dispersion_matches_the_table(void **state) {
    (void)state;
    /* Filippenko 1982, table I: 600 mmHg, 7 degC, vapour 8 mmHg, relative to 5000 A */
    const struct nw_air_state air = {.pressure_Pa = 600.0 * 133.322387415,
                                     .temperature_K = 280.15,
                                     .relative_humidity = humidity_of(8.0 * 133.322387415, 7.0)};
    static const double nm[] = {300, 350, 400, 450, 550, 600, 650, 700, 800, 1000};
    static const struct {
        double sec_z, arcsec[10], tol;
        const char *source;
    } rows[] = {{1.1,
                 {0.97, 0.55, 0.29, 0.12, -0.09, -0.15, -0.20, -0.24, -0.30, -0.37},
                 0.01,
                 "Filippenko 1982 table I, REFERENCES ATM-01"},
                {1.5,
                 {2.37, 1.34, 0.71, 0.29, -0.21, -0.37, -0.50, -0.60, -0.74, -0.91},
                 0.01,
                 "Filippenko 1982 table I, REFERENCES ATM-01.2"},
                {2.0,
                 {3.667, 2.082, 1.104, 0.455, -0.331, -0.581, -0.773, -0.925, -1.145, -1.403},
                 0.005,
                 "REFERENCES ATM-01.3"}};
    for (size_t i = 0; i < N_OF(rows); i++) {
        for (size_t k = 0; k < N_OF(nm); k++) {
            const double got =
                nw_sky_dispersion_rad(acos(1.0 / rows[i].sec_z), nm[k] * 1e-9, 500e-9, &air);
            check_near(got * AS, rows[i].arcsec[k], rows[i].tol, rows[i].source);
        }
    }
    assert_true(nw_sky_dispersion_rad(1.0, 400e-9, 700e-9, &air) > 0.0); /* blue is lifted more */
    assert_true(isnan(nw_sky_dispersion_rad(81.0 * DEG, 400e-9, 700e-9, &air)));
    assert_true(isnan(nw_sky_dispersion_rad(-0.1, 400e-9, 700e-9, &air)));
}

static void test_refraction_matches_erfa_values(void **state) {
    (void)state;
    const struct nw_air_state air = {
        .pressure_Pa = 101325.0, .temperature_K = 283.15, .relative_humidity = 0.5};
    check_near(nw_sky_refraction_rad(45 * DEG, 0.55e-6, &air) * AS, 58.1414, 1e-3,
               "REFERENCES ATM-05");
    check_near(nw_sky_refraction_rad(60 * DEG, 0.55e-6, &air) * AS, 100.4781, 1e-3,
               "REFERENCES ATM-05");
    check_near(nw_sky_refraction_rad(75 * DEG, 0.55e-6, &air) * AS, 213.8428, 1e-3,
               "REFERENCES ATM-05");
    static const struct { double z_deg, arcsec; } rows[] = {{45, 0.8823}, {60, 1.5252}};
    for (size_t i = 0; i < N_OF(rows); i++) {
        const double z = rows[i].z_deg * DEG;
        const double got =
            nw_sky_refraction_rad(z, 450e-9, &air) - nw_sky_refraction_rad(z, 650e-9, &air);
        check_near(got * AS, rows[i].arcsec, 1e-3, "REFERENCES ATM-06");
        /* two papers, two formulas, one air: within 2 % */
        check_near(nw_sky_dispersion_rad(z, 450e-9, 650e-9, &air) * AS, rows[i].arcsec,
                   0.02 * rows[i].arcsec, "Filippenko 1982 against REFERENCES ATM-06");
    }
    check_near(nw_sky_refraction_rad(0.0, 0.55e-6, &air), 0.0, 1e-15, "zenith");
    assert_true(isnan(nw_sky_refraction_rad(80.1 * DEG, 0.55e-6, &air)));
    assert_true(isnan(nw_sky_refraction_rad(NAN, 0.55e-6, &air)));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_airmass_matches_both_formulas),
        cmocka_unit_test(test_airmass_edges_are_nan),
        cmocka_unit_test(test_altitude_of_airmass_there_and_back),
        cmocka_unit_test(test_standard_pressure),
        cmocka_unit_test(test_refractivity_of_dry_standard_air),
        cmocka_unit_test(test_dispersion_matches_the_table),
        cmocka_unit_test(test_refraction_matches_erfa_values),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
