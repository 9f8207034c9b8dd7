/* test_pointing.c - places above a site: two other engines, geometry, signs, refusals */
#include "sky/sky.h"

#include <erfa.h>

#include "check.h"

#define DEG NW_RAD_PER_DEG

/* 2024-03-20 22:00 UTC = 19802 days after 1970-01-01 + 79200 s (counted: 54 years, 14 leap days up
 * to 2024-02-29, day 79 of the year) */
#define T_2024_s (19802.0 * 86400.0 + 79200.0)
static const struct nw_place GREENWICH_LIKE = {
    .latitude_rad = 51.4779 * DEG, .longitude_rad = 0.0, .elevation_m = 0.0};

static struct nw_pointing point(double ra_deg, double dec_deg, double t_s, struct nw_place place,
                                const struct nw_air_state *air) {
    struct nw_pointing p;
    struct nw_err err = {0};
    assert_int_equal(nw_sky_pointing(ra_deg * DEG, dec_deg * DEG, t_s, &place, air, &p, &err),
                     NW_OK);
    return p;
}

static void test_star_where_two_engines_put_it(void **state) {
    (void)state;
    const struct nw_pointing p = point(150.0, 40.0, T_2024_s, GREENWICH_LIKE, NULL);
    /* UT1-UTC was -0.01 s: 0.15 arcsec */
    check_near(p.altitude_rad / DEG, 78.3631, 1e-3, "REFERENCES EPH-27");
    check_near(p.azimuth_rad / DEG, 174.469, 2e-3, "REFERENCES EPH-27");
    check_near(nw_sky_sidereal_time_rad(T_2024_s, 0.0) * 12.0 / NW_PI, 9.92807, 1e-5,
               "REFERENCES EPH-28");
    check_near(nw_sky_sidereal_time_rad(T_2024_s, 30.0 * DEG) * 12.0 / NW_PI, 11.92807, 1e-5,
               "two hours east");
    check_near(p.airmass, nw_sky_airmass(p.altitude_rad), 1e-12, "its own altitude");
}

static void test_horizon_and_hour_angle_agree(void **state) {
    (void)state;
    double ha = 5.5;
    double dec = 1.1;
    eraAe2hd(5.5, 1.1, 0.7, &ha, &dec);
    check_near(ha, 0.5933291115507309, 1e-13, "REFERENCES EPH-06");
    check_near(eraHd2pa(1.1, 1.2, 0.3), 1.906227428001996, 1e-13, "REFERENCES EPH-06");
    for (double ra = 0.0; ra < 360.0; ra += 37.0) {
        for (double d = -80.0; d <= 80.0; d += 20.0) {
            const struct nw_pointing p = point(ra, d, T_2024_s, GREENWICH_LIKE, NULL);
            double azimuth = 0.0;
            double altitude = 0.0;
            eraHd2ae(p.hour_angle_rad, p.dec_rad, GREENWICH_LIKE.latitude_rad, &azimuth, &altitude);
            /* diurnal aberration up to 0.3 arcsec sits in the horizon place alone */
            check_near(altitude, p.altitude_rad, 3e-6, "spherical triangle, erfa Hd2ae");
            check_near(cos(azimuth - p.azimuth_rad), 1.0, 1e-8, "spherical triangle, erfa Hd2ae");
        }
    }
}

static void test_signs_east_west_north(void **state) {
    (void)state;
    const double lst_deg = nw_sky_sidereal_time_rad(T_2024_s, 0.0) / DEG;
    const struct nw_pointing east = point(lst_deg + 45.0, 20.0, T_2024_s, GREENWICH_LIKE, NULL);
    assert_true(east.hour_angle_rad < 0.0 && east.azimuth_rad < NW_PI);
    assert_true(east.parallactic_rad < 0.0);
    const struct nw_pointing west = point(lst_deg - 45.0, 20.0, T_2024_s, GREENWICH_LIKE, NULL);
    assert_true(west.hour_angle_rad > 0.0 && west.azimuth_rad > NW_PI);
    assert_true(west.parallactic_rad > 0.0);
    /* J2000 to date moves the place by up to 0.34 deg in 24 years */
    check_near(west.hour_angle_rad / DEG, 45.0, 0.5, "setting out from the sidereal time");
    const struct nw_place p50 = {.latitude_rad = 50.0 * DEG};
    check_near(eraHd2pa(45.0 * DEG, 20.0 * DEG, p50.latitude_rad) / DEG, 38.845418, 1e-6,
               "REFERENCES EPH-19");
    const struct nw_place south = {.latitude_rad = -30.0 * DEG, .elevation_m = 2400.0};
    const struct nw_pointing far = point(lst_deg, 20.0, T_2024_s, south, NULL);
    check_near(cos(far.azimuth_rad), 1.0, 1e-3, "culminates in the north, seen from the south");
    check_near(fabs(far.parallactic_rad), NW_PI, 0.02, "there the zenith lies south of the star");
}

static void test_refraction_lifts_the_star(void **state) {
    (void)state;
    const struct nw_air_state air = {
        .pressure_Pa = 101325.0, .temperature_K = 283.15, .relative_humidity = 0.5};
    double worst = 0.0;
    for (double ra = 0.0; ra < 360.0; ra += 15.0) {
        const struct nw_pointing bare = point(ra, 10.0, T_2024_s, GREENWICH_LIKE, NULL);
        const struct nw_pointing seen = point(ra, 10.0, T_2024_s, GREENWICH_LIKE, &air);
        check_near(seen.hour_angle_rad, bare.hour_angle_rad, 1e-15, "hour angle without air");
        if (bare.altitude_rad < 15.0 * DEG) {
            continue;
        }
        const double z = NW_PI / 2.0 - seen.altitude_rad;
        const double gap = seen.altitude_rad - bare.altitude_rad;
        worst = fmax(worst, fabs(gap - nw_sky_refraction_rad(z, 0.55e-6, &air)));
    }
    check_near(worst, 0.0, 0.1 / NW_ARCSEC_PER_RAD, "same A, B terms; eraAtioq's iteration 0.1\"");
}

static void test_below_the_horizon_has_no_airmass(void **state) {
    (void)state;
    const struct nw_pointing p = point(150.0, -70.0, T_2024_s, GREENWICH_LIKE, NULL);
    assert_true(p.altitude_rad < 0.0);
    assert_true(isnan(p.airmass));
}

static void refuse(double ra, double dec, double t, struct nw_place place,
                   const struct nw_air_state *air, const char *want) {
    struct nw_pointing p = {.altitude_rad = 7.0};
    struct nw_err err = {0};
    assert_int_equal(nw_sky_pointing(ra, dec, t, &place, air, &p, &err), NW_DOMAIN);
    if (!strstr(err.text, want)) {
        print_error("got \"%s\", want \"%s\"\n", err.text, want);
        fail();
    }
    assert_true(p.altitude_rad > 6.9); /* untouched */
}

static void test_bad_input_is_named(void **state) {
    (void)state;
    const struct nw_place ok = GREENWICH_LIKE;
    struct nw_place bad = ok;
    struct nw_air_state air = {.pressure_Pa = 1e5, .temperature_K = 280, .relative_humidity = .5};
    refuse(NAN, 0, 0, ok, NULL, "is not on the sky");
    refuse(0, 91 * DEG, 0, ok, NULL, "Dec 91 deg");
    refuse(0, 0, NAN, ok, NULL, "time nan s");
    refuse(0, 0, 1e11, ok, NULL, "outside +-200 years");
    bad.latitude_rad = 100 * DEG;
    refuse(0, 0, 0, bad, NULL, "latitude 100 deg");
    bad = ok;
    bad.elevation_m = NAN;
    refuse(0, 0, 0, bad, NULL, "elevation nan m");
    air.pressure_Pa = 1013.25e2 * 100;
    refuse(0, 0, 0, ok, &air, "air pressure");
    air.pressure_Pa = 1e5;
    air.temperature_K = 10;
    refuse(0, 0, 0, ok, &air, "air temperature -263.15 degC");
    air.temperature_K = 280;
    air.relative_humidity = 50;
    refuse(0, 0, 0, ok, &air, "relative humidity 50");
    assert_true(isnan(nw_sky_sidereal_time_rad(NAN, 0)));
    assert_true(isnan(nw_sky_sidereal_time_rad(0, INFINITY)));
}

static void test_field_rotation_of_a_bad_pole(void **state) {
    (void)state;
    const double arcmin = NW_PI / 10800.0;
    check_near(nw_sky_field_rotation_rad_s(arcmin, 60 * DEG) * 3600.0 / arcmin, 0.525032, 1e-5,
               "REFERENCES POL-05");
    check_near(nw_sky_field_rotation_rad_s(6.547686 * arcmin, 60 * DEG) * 600.0 * 3000.0, 0.5, 1e-5,
               "REFERENCES POL-06");
    check_near(nw_sky_field_rotation_rad_s(-arcmin, 0.0), nw_sky_field_rotation_rad_s(arcmin, 0.0),
               1e-20, "worst direction has no sign");
    assert_true(isnan(nw_sky_field_rotation_rad_s(arcmin, NW_PI / 2.0)));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_star_where_two_engines_put_it),
        cmocka_unit_test(test_horizon_and_hour_angle_agree),
        cmocka_unit_test(test_signs_east_west_north),
        cmocka_unit_test(test_refraction_lifts_the_star),
        cmocka_unit_test(test_below_the_horizon_has_no_airmass),
        cmocka_unit_test(test_bad_input_is_named),
        cmocka_unit_test(test_field_rotation_of_a_bad_pole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
