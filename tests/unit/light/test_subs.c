/* test_subs.c - the length of a sub and the gain setting: closed forms, directions, edges. */
#include "support.h"

/* Sky B 1 e/s, read noise 1.5 e: the rates of REFERENCES PHO-10. */
static struct nw_light_rates plain(void) {
    return (struct nw_light_rates){.dark_sky_e_s = 1.0,
                                   .read_e2 = 2.25,
                                   .full_scale_e = 1e9,
                                   .pixel_arcsec2 = 1.0,
                                   .pixel_share = 1.0,
                                   .neq_px = 10.0,
                                   .peak_share = 0.1};
}

static void test_read_noise_is_counted_in_time(void **state) {
    (void)state;
    const struct nw_light_rates r = plain();
    struct nw_light_wishes w = nw_light_wishes_usual();
    /* 5 % of noise is 1 - 1/1.05^2 = 9.297 % of time */
    w.read_loss = 1.0 - 1.0 / (1.05 * 1.05);
    check_near(nw_light_subs_of(&r, 1e6, NULL, &w).least_s, 21.951220, 1e-5, "REFERENCES PHO-10");
    w.read_loss = 0.05;
    const struct nw_light_subs s = nw_light_subs_of(&r, 1e6, NULL, &w);
    check_near(s.least_s, 19.0 * 2.25, 1e-9, "R2 (1 - p)/(p B)");
    check_near(nw_light_sub_at(&r, 1e6, NULL, &w, s.least_s).read_loss, 0.05, 1e-12, "there");
    /* brute force: time to an SNR with reads against the time without */
    struct nw_light_rates quiet = r;
    quiet.read_e2 = 0.0;
    quiet.surface_e_s = 1e-6;
    struct nw_light_rates loud = quiet;
    loud.read_e2 = 2.25;
    check_near(1.0 - nw_light_time_surface_s(&quiet, s.least_s, 1.0, 1.0) /
                         nw_light_time_surface_s(&loud, s.least_s, 1.0, 1.0),
               0.05, 1e-6, "share of the time");
}

static void test_the_best_length_by_brute_force(void **state) {
    (void)state;
    const struct nw_light_rates r = plain();
    struct nw_light_wishes w = nw_light_wishes_usual();
    const struct nw_light_subs s = nw_light_subs_of(&r, 1e6, NULL, &w);
    double best = 0.0;
    for (double t = 1.0; t <= 1200.0; t *= 1.01) {
        best = fmax(best, nw_light_sub_at(&r, 1e6, NULL, &w, t).yield);
    }
    assert_false(s.is_empty);
    assert_true(s.curve[s.best].sub_s >= s.least_s);
    assert_true(s.curve[s.best].yield >= 0.96 * best);
    assert_true(s.best == s.from && s.to >= s.from);
    for (size_t i = 0; i < s.n; i++) { /* losses go one way each */
        assert_true(i == 0 || s.curve[i].read_loss < s.curve[i - 1].read_loss);
        assert_true(i == 0 || s.curve[i].between_loss < s.curve[i - 1].between_loss);
    }
}

static void test_stars_shorten_the_sub(void **state) {
    (void)state;
    struct nw_light_rates r = plain();
    struct nw_light_wishes w = nw_light_wishes_usual();
    const double peaks[] = {1000.0, 300.0, 100.0, 30.0, 10.0};
    const struct nw_light_field field = {.peak_e_s = peaks, .n = 5};
    r.full_scale_e = 16000.0;
    w.sky_room = 1.0;
    w.saturated_most = 2.0;
    struct nw_light_subs s = nw_light_subs_of(&r, 1e6, &field, &w);
    /* the third star (100 e/s on 1 e/s of sky) is full at 16000/101 s */
    check_near(s.most_s, 16000.0 / 101.0, 1e-6, "closed form");
    assert_string_equal(s.most_by, "stars");
    check_near(nw_light_sub_at(&r, 1e6, &field, &w, 158.0).saturated, 2.0, 0.0, "just under");
    check_near(nw_light_sub_at(&r, 1e6, &field, &w, 159.0).saturated, 3.0, 0.0, "just over");
    assert_true(s.curve[s.best].sub_s <= s.most_s);
    /* the magnitude that fills the pixel: peak share 0.1 of 1e6 e/s at magnitude 0 */
    check_near(nw_light_sub_at(&r, 1e6, &field, &w, 16000.0 / 101.0).saturated_mag,
               -2.5 * log10(100.0 / 1e5), 1e-9, "closed form");
    /* no star may be full: read noise and stars cannot both be had */
    w.saturated_most = 0.0;
    s = nw_light_subs_of(&r, 1e6, &field, &w);
    assert_true(s.is_empty && s.most_s < s.least_s);
    /* the sky fills the pixel before a star does */
    r.dark_sky_e_s = 200.0;
    w.saturated_most = INFINITY;
    w.sky_room = 0.1;
    s = nw_light_subs_of(&r, 1e6, &field, &w);
    check_near(s.most_s, 1600.0 / 200.0, 1e-9, "closed form");
    assert_string_equal(s.most_by, "sky");
}

static void test_gain_among_the_documented(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    const struct nw_setup *const s = &rig->setups[0];
    struct nw_light_gain gains[NW_RIG_MAX_SETTINGS];
    struct nw_light_band band[NW_LIGHT_BANDS];
    struct nw_light_wishes w = nw_light_wishes_usual();
    struct nw_light_case wide = case_of(rig, s, 0, 21.4);
    (void)nw_light_bands(s, wide.filter, band);
    size_t best = nw_light_gains(&wide, &band[0], NULL, &w, gains);
    assert_string_equal(gains[best].setting->name, "low gain"); /* a broad band: wells count */
    assert_true(gains[0].subs.least_s > gains[1].subs.least_s);
    struct nw_light_case narrow = case_of(rig, s, 4, 21.4);
    (void)nw_light_bands(s, narrow.filter, band);
    w.longest_s = 600.0;
    best = nw_light_gains(&narrow, &band[0], NULL, &w, gains);
    assert_string_equal(gains[best].setting->name, "highest gain"); /* 3 nm: read noise counts */
    struct nw_setup none = *s;
    none.camera.n_settings = 0;
    narrow.setup = &none;
    assert_true(nw_light_gains(&narrow, &band[0], NULL, &w, gains) == SIZE_MAX);
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_read_noise_is_counted_in_time),
        cmocka_unit_test(test_the_best_length_by_brute_force),
        cmocka_unit_test(test_stars_shorten_the_sub),
        cmocka_unit_test(test_gain_among_the_documented),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
