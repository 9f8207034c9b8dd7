/* test_bright.c - moonlight, twilight, dark sky: published values; many targets against one */
#include "sky/bright.h"

#include "check.h"

#define DEG NW_RAD_PER_DEG

static void test_nanolamberts(void **state) {
    (void)state;
    check_near(nw_sky_nl_of_mag(21.587), 79.006, 1e-3, "REFERENCES PHO-13");
    check_near(nw_sky_nl_of_mag(22.0), 54.008, 1e-3, "REFERENCES PHO-13");
    check_near(nw_sky_mag_of_nl(nw_sky_nl_of_mag(19.3)), 19.3, 1e-12, "there and back");
    static const double Z[] = {0, 30, 45, 60, 90};
    static const double X[] = {1, 1.14708, 1.38675, 1.88982, 5};
    for (int i = 0; i < 5; i++) {
        check_near(nw_sky_glow_airmass(Z[i] * DEG), X[i], 1e-5, "REFERENCES PHO-18");
    }
}

static void test_moonlight_of_the_paper(void **state) {
    (void)state;
    const double page = nw_sky_moonlight_nl(45 * DEG, 50 * DEG, 20 * DEG, 70 * DEG, 0.15);
    check_near(page, 389.516, 1e-3, "REFERENCES PHO-15");
    check_near(nw_sky_mag_of_nl(page), 19.8548, 1e-3, "REFERENCES PHO-15");
    const double full = nw_sky_moonlight_nl(0.0, 60 * DEG, 0.0, 60 * DEG, 0.172);
    check_near(full, 1089.859, 1e-3, "REFERENCES PHO-16");
    const double dark = nw_sky_nl_of_mag(21.587);
    check_near(nw_sky_mag_of_nl(dark + full) - 21.587, -2.92526, 1e-4, "REFERENCES PHO-16");
    const double half = nw_sky_moonlight_nl(90 * DEG, 60 * DEG, 0.0, 60 * DEG, 0.172);
    check_near(half, 99.1732, 1e-3, "REFERENCES PHO-17");
    check_near(nw_sky_moonlight_nl(0.0, 1.0, 0.5, 91 * DEG, 0.17), 0.0, 0.0, "Moon is down");
}

static void test_twilight_of_the_paper(void **state) {
    (void)state;
    static const double ZETA[] = {95, 98, 100, 102, 105};
    static const double V[] = {11.84, 15.881, 18.005, 19.673, 21.32};
    for (int i = 0; i < 5; i++) {
        const double got = nw_sky_twilight_nl((90.0 - ZETA[i]) * DEG) + nw_sky_nl_of_mag(21.6);
        check_near(nw_sky_mag_of_nl(got), V[i], 1e-3, "REFERENCES PHO-19");
    }
    check_near(nw_sky_twilight_nl(-18.0 * DEG), 0.0, 0.0, "end of astronomical twilight");
    double before = INFINITY;
    for (double h = 0.0; h > -20.0; h -= 0.05) {
        const double now = nw_sky_twilight_nl(h * DEG);
        assert_true(now <= before);
        before = now;
    }
}

static void test_dark_sky_over_the_horizon(void **state) {
    (void)state;
    /* K&S 1991 eq. 2: 10^(-0.4 k (X - 1)) X */
    const double got = nw_sky_dark_nl(21.587, 0.172, 60 * DEG);
    check_near(got / nw_sky_nl_of_mag(21.587), pow(10, -0.4 * 0.172 * 0.88982) * 1.88982, 1e-5,
               "closed form");
}

static void test_many_is_one_by_one(void **state) {
    (void)state;
    enum { N = 700, M = 9 };
    static struct nw_sky_moment moments[N];
    static float rows[3][M * N];
    struct nw_observer o = {
        .place = {48.0 * DEG, 16.0 * DEG, 200.0}, .air = {98000.0, 280.0, 0.6}, .ut1_utc_s = 0.0};
    struct nw_sky_direction targets[M];
    for (int k = 0; k < M; k++) {
        targets[k] = (struct nw_sky_direction){40.0 * k * DEG, (-70.0 + 20.0 * k) * DEG};
    }
    assert_int_equal(nw_sky_moments(&o, 1.773e9, 120.0, N, moments, NULL), NW_OK);
    const struct nw_sky_rows ret = {rows[0], rows[1], rows[2]};
    const struct nw_sky_many what = {moments, N, targets, M, 0.2, 2};
    assert_int_equal(nw_sky_many(&what, &ret, NULL), NW_OK);
    int n_lit = 0;
    for (int k = 0; k < M; k++) {
        for (int i = 0; i < N; i += 3) {
            const struct nw_sky_moment *const m = &moments[i];
            struct nw_pointing p;
            double s[3];
            double seen[3];
            nw_sky_look(m, targets[k].ra_rad, targets[k].dec_rad, &p);
            nw_sky_vector(targets[k].ra_rad, targets[k].dec_rad, s);
            nw_sky_aberrate(s, m->velocity_c, seen);
            const int at = k * N + i;
            check_near((double)rows[0][at], p.altitude_rad, 0.1 / NW_ARCSEC_PER_RAD, "one by one");
            if (p.altitude_rad > 5.5 * DEG) {
                check_near((double)rows[1][at], p.airmass, 1e-4 * p.airmass, "one by one");
            }
            assert_true(p.altitude_rad > -0.01 || isnan(rows[1][at]));
            const double moon = nw_sky_glow_at(m, seen, 21.0, 0.2).moon_nl;
            const bool is_far = nw_sky_angle_rad(seen, m->moon) > 10.1 * DEG;
            if (moon > 0.0 && is_far) {
                check_near((double)rows[2][at] / moon, 1.0, 1e-3, "one by one");
                n_lit++;
            }
        }
    }
    assert_true(n_lit > 100);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nanolamberts),
        cmocka_unit_test(test_moonlight_of_the_paper),
        cmocka_unit_test(test_twilight_of_the_paper),
        cmocka_unit_test(test_dark_sky_over_the_horizon),
        cmocka_unit_test(test_many_is_one_by_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
