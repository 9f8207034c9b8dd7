/* test_almanac.c - Sun, Moon, twilight: worked examples, two engines, symmetries, refusals */
#include "sky/almanac.h"

#include "check.h"

#define DEG NW_RAD_PER_DEG

static struct nw_observer site(double latitude_deg, double longitude_deg) {
    return (struct nw_observer){.place = {latitude_deg * DEG, longitude_deg * DEG, 0.0},
                                .ut1_utc_s = NAN};
}

static double utc(const char *text) {
    double t_s = NAN;
    assert_int_equal(nw_time_read_iso(text, 0.0, &t_s, NULL), NW_OK);
    return t_s;
}

static void test_dark_windows_of_two_engines(void **state) {
    (void)state;
    static const struct {
        double latitude_deg, longitude_deg, altitude_deg;
        const char *date, *start, *end, *source;
    } ROWS[] = {
        {51.4779, 0, -0.8333, "2024-03-20T00:00:00Z", "2024-03-20T18:13:49Z",
         "2024-03-21T05:59:31Z", "REFERENCES EPH-25"},
        {51.4779, 0, -6, "2024-03-20T00:00:00Z", "2024-03-20T18:47:10Z", "2024-03-21T05:26:14Z",
         "REFERENCES EPH-25"},
        {51.4779, 0, -12, "2024-03-20T00:00:00Z", "2024-03-20T19:26:38Z", "2024-03-21T04:46:51Z",
         "REFERENCES EPH-25"},
        {51.4779, 0, -18, "2024-03-20T00:00:00Z", "2024-03-20T20:07:48Z", "2024-03-21T04:05:44Z",
         "REFERENCES EPH-25"},
        {51.4779, 0, -12, "2024-06-21T00:00:00Z", "2024-06-21T22:23:04Z", "2024-06-22T01:41:00Z",
         "REFERENCES EPH-25.2"},
        {51.4779, 0, -18, "2024-12-21T00:00:00Z", "2024-12-21T17:57:31Z", "2024-12-22T05:59:32Z",
         "REFERENCES EPH-25.3"},
        {-30, -70.8, -0.8333, "2024-06-21T00:00:00Z", "2024-06-21T21:51:33Z",
         "2024-06-22T11:38:58Z", "REFERENCES EPH-25.4"},
        {-30, -70.8, -18, "2024-06-21T00:00:00Z", "2024-06-21T23:17:05Z", "2024-06-22T10:13:26Z",
         "REFERENCES EPH-25.4"},
        {40, -105, -18, "2024-09-22T00:00:00Z", "2024-09-23T02:26:39Z", "2024-09-23T11:18:22Z",
         "REFERENCES EPH-25.5"},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        const struct nw_observer o = site(ROWS[i].latitude_deg, ROWS[i].longitude_deg);
        const double noon = nw_sky_noon_utc_s(utc(ROWS[i].date), o.place.longitude_rad);
        struct nw_dark dark;
        assert_int_equal(nw_sky_dark(&o, noon, ROWS[i].altitude_deg * DEG, &dark, NULL), NW_OK);
        assert_true(dark.exists);
        check_near(dark.start_s - utc(ROWS[i].start), 0.0, 5.0, ROWS[i].source);
        check_near(dark.end_s - utc(ROWS[i].end), 0.0, 5.0, ROWS[i].source);
    }
}

/* A night's noon, and the evening of any moment until the next: there and back, all round. */
static void test_evenings(void **state) {
    (void)state;
    const double date_s = utc("2024-06-21T00:00:00Z");
    for (int k = -4; k <= 4; k++) {
        const double longitude = k * 44.0 * DEG;
        const double noon = nw_sky_noon_utc_s(date_s, longitude);
        check_near(nw_sky_evening_utc_s(noon + 1.0, longitude), date_s, 1e-3, "there and back");
        check_near(nw_sky_evening_utc_s(noon + 86399.0, longitude), date_s, 1e-3, "until noon");
        check_near(nw_sky_evening_utc_s(noon - 1.0, longitude), date_s - 86400.0, 1e-3, "before");
    }
    check_near(nw_sky_evening_utc_s(date_s + 43201.0, NAN), date_s, 0.0, "Greenwich");
}

static void test_no_darkness_says_how_low_the_sun_gets(void **state) {
    (void)state;
    const struct nw_observer o = site(51.4779, 0.0);
    struct nw_dark dark;
    const double noon = nw_sky_noon_utc_s(utc("2024-06-21T00:00:00Z"), 0.0);
    assert_int_equal(nw_sky_dark(&o, noon, NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, NULL), NW_OK);
    assert_false(dark.exists);
    assert_true(dark.is_always_above);
    check_near(dark.lowest_rad / DEG, -15.091, 0.002, "REFERENCES EPH-25.2");
    /* beyond the polar circle in midwinter the Sun stays below -0.83 deg */
    const struct nw_observer north = site(70.0, 0.0);
    const double winter = nw_sky_noon_utc_s(utc("2024-12-21T00:00:00Z"), 0.0);
    assert_int_equal(nw_sky_dark(&north, winter, NW_SUN_SET_RAD, &dark, NULL), NW_OK);
    assert_true(dark.exists && dark.is_always_below);
    check_near(dark.end_s - dark.start_s, 86400.0, 1.0, "polar night: noon to noon");
}

static void test_darkness_ends_where_latitude_says(void **state) {
    (void)state;
    /* at the June solstice the Sun's lowest altitude is latitude + obliquity - 90 deg */
    struct nw_dark dark;
    for (double latitude = 48.0; latitude <= 66.0; latitude += 6.0) {
        const struct nw_observer o = site(latitude, 0.0);
        const double noon = nw_sky_noon_utc_s(utc("2024-06-20T00:00:00Z"), 0.0);
        assert_int_equal(nw_sky_dark(&o, noon, NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, NULL), NW_OK);
        check_near(dark.lowest_rad / DEG, latitude + 23.4364 - 90.0, 0.005, "geometry; EPH-18");
        assert_int_equal(dark.exists, latitude < 48.56);
    }
}

static void test_moon_where_two_engines_put_it(void **state) {
    (void)state;
    const struct nw_observer o = site(51.4779, 0.0);
    struct nw_sky_moment m;
    struct nw_pointing p;
    assert_int_equal(nw_sky_moment_at(&o, utc("2024-03-20T22:00:00Z"), &m, NULL), NW_OK);
    nw_sky_look_apparent(&m, m.moon, &p);
    check_near(p.altitude_rad / DEG, 57.991, 0.005, "REFERENCES EPH-26");
    check_near(p.azimuth_rad / DEG, 201.252, 0.005, "REFERENCES EPH-26");
    /* theirs is from the Earth's centre, ours from the site: at most sin(phase) * 0.95 deg / 2 */
    check_near(m.moon_lit, 0.8374, 0.008, "REFERENCES EPH-26");
    check_near(p.altitude_rad, m.moon_altitude_rad, 1e-12, "the same");
    nw_sky_look(&m, 150.0 * DEG, 40.0 * DEG, &p);
    check_near(p.altitude_rad / DEG, 78.3631, 1e-3, "REFERENCES EPH-27");
    check_near(p.azimuth_rad / DEG, 174.469, 1e-3, "REFERENCES EPH-27");
}

static void test_sun_of_a_published_example(void **state) {
    (void)state;
    /* refraction off; dT 67 s is UT1-UTC = 32 + 32.184 - 67 = -2.8 s, more than any real one: the
     * example shifted by it */
    struct nw_observer o = site(39.742476, -105.1786);
    o.place.elevation_m = 1830.14;
    o.ut1_utc_s = 0.0;
    struct nw_sky_moment m;
    struct nw_pointing p;
    assert_int_equal(nw_sky_moment_at(&o, utc("2003-10-17T19:30:30Z"), &m, NULL), NW_OK);
    o.air = (struct nw_air_state){82000.0, 284.15, 0.0};
    assert_int_equal(nw_sky_moment_at(&o, utc("2003-10-17T19:30:30Z"), &m, NULL), NW_OK);
    nw_sky_look_apparent(&m, m.sun, &p);
    check_near(90.0 - p.altitude_rad / DEG, 50.11162, 2e-3, "REFERENCES EPH-15v1 (SPA)");
    check_near(p.azimuth_rad / DEG, 194.34024, 2e-3, "REFERENCES EPH-15v1 (SPA)");
}

static void test_interpolated_moments_are_the_exact_ones(void **state) {
    (void)state;
    enum { N = 300 };
    const struct nw_observer o = site(-32.18, 146.52);
    static struct nw_sky_moment many[N];
    const double start_s = utc("2026-06-14T08:17:00Z");
    assert_int_equal(nw_sky_moments(&o, start_s, 131.0, N, many, NULL), NW_OK);
    for (int i = 0; i < N; i += 7) {
        struct nw_sky_moment one;
        assert_int_equal(nw_sky_moment_at(&o, start_s + 131.0 * i, &one, NULL), NW_OK);
        const double limit = 0.02 / NW_ARCSEC_PER_RAD;
        check_near(nw_sky_angle_rad(one.sun, many[i].sun), 0.0, limit, "almanac.h");
        check_near(nw_sky_angle_rad(one.moon, many[i].moon), 0.0, limit, "almanac.h");
        check_near(nw_sky_angle_rad(one.zenith, many[i].zenith), 0.0, limit, "almanac.h");
    }
}

static void test_agrees_with_the_other_path(void **state) {
    (void)state;
    struct nw_observer o = site(-32.18, 146.52);
    o.air = (struct nw_air_state){96000.0, 282.0, 0.6};
    struct nw_sky_moment m;
    const double t_s = utc("2026-06-14T12:00:00Z");
    assert_int_equal(nw_sky_moment_at(&o, t_s, &m, NULL), NW_OK);
    int n = 0;
    for (double ra = 0.0; ra < 360.0; ra += 23.0) {
        for (double dec = -80.0; dec <= 50.0; dec += 13.0) {
            struct nw_pointing a;
            struct nw_pointing b;
            nw_sky_look(&m, ra * DEG, dec * DEG, &a);
            assert_int_equal(nw_sky_pointing(ra * DEG, dec * DEG, t_s, &o.place, &o.air, &b, NULL),
                             NW_OK);
            if (b.altitude_rad < 5.0 * DEG) {
                continue;
            }
            n++;
            check_near(a.altitude_rad, b.altitude_rad, 0.4 / NW_ARCSEC_PER_RAD, "nw_sky_pointing");
            check_near(a.dec_rad, b.dec_rad, 0.4 / NW_ARCSEC_PER_RAD, "nw_sky_pointing");
            check_near(cos(a.hour_angle_rad - b.hour_angle_rad), 1.0, 1e-9, "nw_sky_pointing");
            check_near(cos(a.parallactic_rad - b.parallactic_rad), 1.0, 1e-8, "nw_sky_pointing");
        }
    }
    assert_true(n > 60);
}

static void test_moon_events_alternate_and_are_crossings(void **state) {
    (void)state;
    const struct nw_observer o = site(40.0, -105.0);
    const double from_s = utc("2024-09-22T18:00:00Z");
    struct nw_moon_events e;
    assert_int_equal(nw_sky_moon_events(&o, from_s, from_s + 86400.0, &e, NULL), NW_OK);
    struct nw_sky_moment m;
    assert_true(isfinite(e.rise_s) && isfinite(e.set_s));
    const double at[2] = {e.rise_s, e.set_s};
    for (int i = 0; i < 2; i++) {
        assert_int_equal(nw_sky_moment_at(&o, at[i], &m, NULL), NW_OK);
        /* upper limb at -34': centre at -34' - 15.5' +- 1' */
        check_near(m.moon_altitude_rad / DEG, -0.825, 0.03, "0.7275 parallax - 34', Meeus ch. 15");
    }
}

static void test_what_is_refused(void **state) {
    (void)state;
    struct nw_err err = {0};
    struct nw_sky_moment m;
    struct nw_clocks c;
    struct nw_observer o = site(95.0, 0.0);
    assert_int_equal(nw_sky_moment_at(&o, 0.0, &m, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "is not on the Earth"));
    o = site(0.0, 0.0);
    assert_int_equal(nw_sky_moment_at(&o, NAN, &m, &err), NW_DOMAIN);
    assert_int_equal(nw_sky_moments(&o, 0.0, 0.0, 3, &m, &err), NW_DOMAIN);
    assert_int_equal(nw_sky_clocks(0.0, 3.0, &c, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "UT1-UTC 3 s"));
    assert_int_equal(nw_sky_clocks(utc("2026-01-01T00:00:00Z"), NAN, &c, NULL), NW_OK);
    assert_false(c.is_dubious);
    assert_int_equal(nw_sky_clocks(utc("2040-01-01T00:00:00Z"), NAN, &c, NULL), NW_OK);
    assert_true(c.is_dubious);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_evenings),
        cmocka_unit_test(test_dark_windows_of_two_engines),
        cmocka_unit_test(test_no_darkness_says_how_low_the_sun_gets),
        cmocka_unit_test(test_darkness_ends_where_latitude_says),
        cmocka_unit_test(test_moon_where_two_engines_put_it),
        cmocka_unit_test(test_sun_of_a_published_example),
        cmocka_unit_test(test_interpolated_moments_are_the_exact_ones),
        cmocka_unit_test(test_agrees_with_the_other_path),
        cmocka_unit_test(test_moon_events_alternate_and_are_crossings),
        cmocka_unit_test(test_what_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
