/* test_budget.c - the whole budget: its parts agree, errors are those of a brute-force spread,
 * worth in both currencies. */
#include "support.h"

#include <gsl/gsl_randist.h>

static void test_errors_against_a_brute_force_spread(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    struct nw_light_case c = case_of(rig, &s, 0, 21.4);
    struct nw_light_wants w = nw_light_wants_usual(&s);
    struct nw_light_budget b;
    c.surface_mag_arcsec2 = 25.0;
    w.sub_s = 120.0;
    w.night_s = 8.0 * 3600.0;
    const struct nw_light_band band = nw_light_main_band(&s, c.filter);
    assert_int_equal(nw_light_budget_of(&c, &band, &w, &b, NULL), NW_OK);
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(rng, 20261);
    double sum = 0.0;
    double sum2 = 0.0;
    enum { N = 4000 };
    for (int i = 0; i < N; i++) {
        struct nw_setup drawn = s;
        struct nw_rig site = *rig;
        struct nw_light_band through = band;
#define DRAW(val) (val).v = fmax(1e-6, (val).v + gsl_ran_gaussian(rng, fmax(0.0, (val).sigma)))
        DRAW(drawn.camera.quantum_efficiency);
        DRAW(drawn.telescope.transmission);
        DRAW(drawn.camera.read_noise_e);
        DRAW(drawn.camera.dark_e_per_s);
        DRAW(drawn.focal_length_m);
        DRAW(site.site.extinction_mag);
        through.transmission += gsl_ran_gaussian(rng, c.filter->transmission.sigma);
        struct nw_light_case one = c;
        one.rig = &site;
        one.setup = &drawn;
        one.neq_area_rad2 = one.peak_per_rad2 = 1e-10;
        one.glow.dark_nl *=
            pow(10.0, -0.4 * gsl_ran_gaussian(rng, rig->site.sky_brightness_mag_arcsec2.sigma));
        const struct nw_light_rates r = nw_light_rates_of(&one, &through);
        const double snr = nw_light_snr_surface(&r, 120.0, 3600.0, 1.0);
        sum += snr;
        sum2 += snr * snr;
    }
    gsl_rng_free(rng);
    const double mean = sum / N;
    const double spread = sqrt(sum2 / N - mean * mean);
    check_near(b.sigma.snr_surface[NW_LIGHT_HOUR] / spread, 1.0, 0.08, "Monte Carlo, 4000 draws");
    check_near(b.value.snr_surface[NW_LIGHT_HOUR] / mean, 1.0, 0.02, "Monte Carlo, 4000 draws");
    check_near(b.value.snr_surface[NW_LIGHT_NIGHT] / b.value.snr_surface[NW_LIGHT_HOUR], sqrt(8.0),
               1e-9, "root of time");
    assert_true(b.sigma.limit_surface_mag > 0.02 && b.sigma.limit_surface_mag < 0.5);
    assert_true(isnan(b.value.time_point_s)); /* no star was asked for */
    nw_rig_free(rig);
}

static void test_worth_in_both_currencies(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    const struct nw_setup *const s = &rig->setups[0];
    struct nw_light_case now = case_of(rig, s, 0, 20.4);
    struct nw_light_case then = case_of(rig, s, 0, 21.4);
    struct nw_setup quiet = *s;
    quiet.camera.read_noise_e.v = 0.0;
    quiet.camera.dark_e_per_s.v = 0.0;
    now.setup = then.setup = &quiet;
    now.neq_area_rad2 = then.neq_area_rad2 = 4e-10;
    now.peak_per_rad2 = then.peak_per_rad2 = 1e9;
    struct nw_light_worth worth = nw_light_worth_of(&now, 300.0, &then, 300.0, 0.0);
    /* a magnitude darker, sky alone: time falls by 10^-0.4 for faint light of both kinds */
    check_near(worth.extended, 1.0 - pow(10.0, -0.4), 0.01, "sky-limited time goes with the sky");
    check_near(worth.point, 1.0 - pow(10.0, -0.4), 0.01, "sky-limited time goes with the sky");
    /* half the equivalent-noise area: half the time for points, none for extended light */
    then = now;
    then.neq_area_rad2 = 2e-10;
    worth = nw_light_worth_of(&now, 300.0, &then, 300.0, 0.0);
    check_near(worth.point, 0.5, 0.01, "King 1983");
    check_near(worth.extended, 0.0, 1e-12, "width does not enter");
    /* a pause of 10 s after each 10 s sub costs half the time */
    worth = nw_light_worth_of(&now, 10.0, &now, 1e6, 10.0);
    check_near(worth.extended, 0.5, 1e-4, "pauses");
    nw_rig_free(rig);
}

static void test_no_light_is_no_number(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    struct nw_light_case c = case_of(rig, &s, 0, 21.4);
    struct nw_light_wants w = nw_light_wants_usual(&s);
    struct nw_light_budget b;
    const struct nw_light_band band = nw_light_main_band(&s, c.filter);
    assert_int_equal(nw_light_budget_of(&c, &band, &w, &b, NULL), NW_OK);
    assert_true(isnan(b.value.snr_surface[0]) && isnan(b.value.time_surface_s));
    assert_true(isfinite(b.value.limit_surface_mag) && isfinite(b.value.limit_point_mag));
    assert_true(isnan(b.value.snr_point[NW_LIGHT_NIGHT]));
    double sum = 0.0;
    for (size_t i = 0; i < NW_LIGHT_N_SHARES; i++) {
        sum += b.value.share_point[i];
    }
    check_near(sum, 1.0, 1e-12, "shares");
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_errors_against_a_brute_force_spread),
        cmocka_unit_test(test_worth_in_both_currencies),
        cmocka_unit_test(test_no_light_is_no_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
