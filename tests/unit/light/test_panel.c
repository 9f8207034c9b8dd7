/* test_panel.c - flats: the panel's law and table, shadows, angles, flat against sky; frames and
 * laws of known truth made here (nothing of synth). */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <stdlib.h>
#include <string.h>

#include "light/panel.h"

/* ---- The panel ---- */

static struct nw_flat flat_at(const char *filter, double setting, double exposure_s, double level) {
    struct nw_flat f = {
        .setting = setting, .exposure_s = exposure_s, .level_adu = level, .rotator_rad = NAN};
    nw_text_copy(f.filter, sizeof f.filter, filter);
    return f;
}

/* 400 adu/s at setting 10 in one filter, 100 in the other; power 0.9 */
static double true_rate(const char *filter, double setting) {
    return (filter[0] == 'a' ? 400.0 : 100.0) * pow(setting / 10.0, 0.9);
}

static size_t make_flats(struct nw_flat *flats, double flicker, double shutter_s, gsl_rng *rng) {
    static const double SETTINGS[] = {5.0, 20.0, 80.0};
    size_t n = 0;
    for (int i = 0; i < 9; i++) {
        const char *const filter = i < 6 ? "a" : "b";
        const double s = i < 6 ? SETTINGS[i % 3] : 40.0;
        const double t = i < 6 ? (i < 3 ? 2.0 : 5.0) : 10.0;
        const double lamp = rng ? 1.0 + gsl_ran_gaussian(rng, flicker) : 1.0;
        flats[n++] = flat_at(filter, s, t, true_rate(filter, s) * (t + shutter_s) * lamp);
    }
    return n;
}

static void test_without_noise_the_table_gives_the_level_exactly(void **state) {
    (void)state;
    struct nw_flat flats[9];
    struct nw_panel panel;
    struct nw_err err = {NW_OK, ""};
    const size_t n = make_flats(flats, 0.0, 0.0, NULL);
    assert_int_equal(nw_panel_fit(flats, n, &panel, &err), NW_OK);
    check_near(panel.power, 0.9, 1e-9, "the law it was made with");
    const struct nw_panel_opts opts = {.level_adu = 2000.0, .shortest_s = 0.5, .longest_s = 30.0};
    for (size_t k = 0; k < 2; k++) {
        const char *const name = k ? "b" : "a";
        const struct nw_panel_line line =
            nw_panel_line_for(&panel, nw_panel_find(&panel, name), NAN, &opts);
        check_near(true_rate(name, line.setting) * line.exposure_s, 2000.0, 1e-4, "closed form");
        check_near(line.setting, round(line.setting), 1e-12, "whole steps");
        assert_int_equal(line.flags, 0);
    }
}

static void test_flicker_moves_the_level_within_the_error_it_claims(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 5);
    double pull2 = 0.0;
    enum { N = 400 };
    for (int i = 0; i < N; i++) {
        struct nw_flat flats[9];
        struct nw_panel panel;
        const size_t n = make_flats(flats, 0.005, 0.0, rng);
        assert_int_equal(nw_panel_fit(flats, n, &panel, NULL), NW_OK);
        const struct nw_panel_opts opts = {
            .level_adu = 2000.0, .shortest_s = 0.5, .longest_s = 30.0};
        const struct nw_panel_line line =
            nw_panel_line_for(&panel, nw_panel_find(&panel, "b"), NAN, &opts);
        const double off = true_rate("b", line.setting) * line.exposure_s / 2000.0 - 1.0;
        assert_true(fabs(off) < 0.03); /* the promise: 3 % */
        pull2 += pow(off / line.sigma, 2.0) / N;
    }
    gsl_rng_free(rng);
    /* four degrees of freedom: rms of t_4 is sqrt 2 */
    assert_true(sqrt(pull2) > 0.9 && sqrt(pull2) < 1.8);
}

/* 3 flats at each of 6 settings, flicker 0.1 %, of a panel whose light also bends as the cube. */
static double lack_of(double cube, gsl_rng *rng, double *ret_sigma) {
    static const double SETTINGS[] = {5.0, 10.0, 20.0, 40.0, 80.0, 160.0};
    struct nw_flat flats[18];
    struct nw_panel panel;
    for (size_t i = 0; i < 18; i++) {
        const double s = SETTINGS[i % 6];
        const double x = log(s / 28.0);
        const double rate = true_rate("a", s) * exp(cube * x * x * x);
        flats[i] = flat_at("a", s, 3.0, 3.0 * rate * (1.0 + gsl_ran_gaussian(rng, 0.001)));
    }
    assert_int_equal(nw_panel_fit(flats, 18, &panel, NULL), NW_OK);
    const struct nw_panel_opts opts = {.level_adu = 2000.0, .shortest_s = 0.5, .longest_s = 30.0};
    *ret_sigma = nw_panel_line_for(&panel, 0, NAN, &opts).sigma;
    return panel.lack;
}

static void test_a_law_that_is_not_the_panels_is_told_in_the_error(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 8);
    double sigma = NAN;
    /* the cube less its best parabola at these six places: sum of squares over the 6 - 3 freedoms
     * 1.5478^2 (numpy.linalg.lstsq), which is 0.0310 for a factor of 0.02 */
    check_near(lack_of(0.02, rng, &sigma), 0.0310, 0.001, "numpy.linalg.lstsq");
    assert_true(sigma > 0.030);
    assert_true(lack_of(0.0, rng, &sigma) < 0.001 && sigma < 0.0015); /* the law holds */
    gsl_rng_free(rng);
}

static void test_a_lack_that_cannot_be_told_is_not_zero(void **state) {
    (void)state;
    struct nw_panel panel;
    struct nw_flat flats[8];
    for (size_t i = 0; i < 8; i++) { /* three settings: the law goes through all of them */
        const double setting = i % 3 == 0 ? 8.0 : i % 3 == 1 ? 30.0 : 100.0;
        flats[i] =
            flat_at("a", setting, 3.0, 3.0 * true_rate("a", setting) * (1.0 + 1e-3 * (double)i));
    }
    assert_int_equal(nw_panel_fit(flats, 8, &panel, NULL), NW_OK);
    assert_true(panel.has_curve && isnan(panel.lack) && isfinite(panel.scatter));
    const struct nw_panel_opts opts = {.level_adu = 2000.0, .shortest_s = 0.5, .longest_s = 30.0};
    const double sigma = nw_panel_line_for(&panel, 0, NAN, &opts).sigma;
    assert_true(sigma > 0.0 && sigma < 0.01); /* what the flats tell */
    assert_int_equal(nw_panel_fit(flats, 1, &panel, NULL), NW_OK);
    assert_true(isnan(panel.lack) && isnan(panel.scatter));
    check_near(nw_panel_line_for(&panel, 0, NAN, &opts).sigma, 0.02, 1e-12, "panel.h");
}

static void test_limits_are_flagged_and_another_filter_is_rough(void **state) {
    (void)state;
    struct nw_flat flats[9];
    struct nw_panel panel;
    const size_t n = make_flats(flats, 0.0, 0.0, NULL);
    assert_int_equal(nw_panel_fit(flats, n, &panel, NULL), NW_OK);
    struct nw_panel_opts opts = {.level_adu = 50.0, .shortest_s = 0.5, .longest_s = 30.0};
    assert_int_equal(nw_panel_line_for(&panel, 0, NAN, &opts).flags, NW_PANEL_SHORT);
    opts.level_adu = 1e6;
    assert_int_equal(nw_panel_line_for(&panel, 0, NAN, &opts).flags, NW_PANEL_LONG);
    opts.level_adu = 2000.0;
    const struct nw_panel_line line = nw_panel_line_for(&panel, 0, 0.5, &opts);
    assert_int_equal(line.flags, NW_PANEL_ESTIMATED);
    assert_true(line.sigma > 0.4);
    assert_int_equal(nw_panel_find(&panel, "c"), panel.n_filters);
}

static void test_one_setting_scales_exposures_only(void **state) {
    (void)state;
    const struct nw_flat flats[2] = {flat_at("a", NAN, 2.0, 800.0), flat_at("a", NAN, 4.0, 1600.0)};
    struct nw_panel panel;
    assert_int_equal(nw_panel_fit(flats, 2, &panel, NULL), NW_OK);
    assert_false(panel.has_power);
    const struct nw_panel_opts opts = {.level_adu = 2000.0, .shortest_s = 0.5, .longest_s = 30.0};
    const struct nw_panel_line line = nw_panel_line_for(&panel, 0, NAN, &opts);
    check_near(line.exposure_s, 5.0, 1e-9, "closed form");
    assert_true(isnan(line.setting));
}

static void test_nothing_usable_is_said(void **state) {
    (void)state;
    struct nw_flat flat = flat_at("a", 5.0, 2.0, 800.0);
    struct nw_panel panel;
    struct nw_err err = {NW_OK, ""};
    flat.is_clipped = true;
    assert_int_equal(nw_panel_fit(&flat, 1, &panel, &err), NW_DATA);
    assert_non_null(strstr(err.text, "below the ceiling"));
}

/* ---- Shadows ---- */

enum { W = 800, H = 600 };
struct mote {
    double x, y, diameter, depth;
};

static struct nw_frame *flat_with(const struct mote *motes, size_t n, double hole, gsl_rng *rng) {
    struct nw_frame *const f = calloc(1, sizeof *f);
    f->width_px = W;
    f->height_px = H;
    f->n_planes = 1;
    f->px = nw_big_alloc(sizeof(float) * W * H);
    nw_frame_facts_unknown(&f->facts);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        const double x = (double)(i % W);
        const double y = (double)(i / W);
        const double r2 = pow((x - 399.5) / 500.0, 2.0) + pow((y - 299.5) / 500.0, 2.0);
        double light = 20000.0 * (1.0 - 0.2 * r2);
        for (size_t k = 0; k < n; k++) {
            const double r = hypot(x - motes[k].x, y - motes[k].y) / (0.5 * motes[k].diameter);
            light *= r < 1.0 && r > hole ? 1.0 - motes[k].depth : 1.0;
        }
        f->px[i] = (float)(500.0 + light + gsl_ran_gaussian_ziggurat(rng, 140.0));
    }
    return f;
}

static size_t shadows_of(const struct mote *motes, size_t n, double hole, struct nw_shadow *ret) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_flat_map map = {.px = NULL};
    struct nw_flat flat;
    size_t n_found = 0;
    gsl_rng_set(rng, 3);
    for (int i = 0; i < 3; i++) {
        struct nw_frame *const f = flat_with(motes, n, hole, rng);
        assert_int_equal(nw_flat_measure(f, 500.0, "", &map, &flat, NULL), NW_OK);
        nw_big_free(f->px);
        free(f);
    }
    check_near(flat.zones[0], (1.0 - 0.2 * 0.64 * (0.64 + 0.36)) / 1.0, 0.03,
               "corner zone of the law it was made with");
    assert_int_equal(nw_flat_shadows(&map, ret, &n_found, NULL), NW_OK);
    nw_flat_map_done(&map);
    gsl_rng_free(rng);
    return n_found;
}

static void test_shadows_are_found_where_they_are_and_no_others(void **state) {
    (void)state;
    static const struct mote MOTES[] = {{200.0, 150.0, 60.0, 0.06}, {560.0, 420.0, 120.0, 0.03}};
    struct nw_shadow s[NW_FLAT_SHADOWS];
    assert_int_equal(shadows_of(MOTES, 0, 0.0, s), 0);
    assert_int_equal(shadows_of(MOTES, 2, 0.0, s), 2);
    for (size_t k = 0; k < 2; k++) {
        check_near(s[k].x_px, MOTES[k].x, 2.0, "truth; bins of 4 px");
        check_near(s[k].y_px, MOTES[k].y, 2.0, "truth");
        check_near(s[k].diameter_px, MOTES[k].diameter, 2.0 * s[k].diameter_sigma_px, "truth");
        check_near(s[k].depth, MOTES[k].depth, 0.25 * MOTES[k].depth, "truth");
        assert_false(s[k].is_ring || s[k].is_cut);
    }
}

static void test_a_central_obstruction_makes_rings(void **state) {
    (void)state;
    static const struct mote MOTES[] = {{400.0, 300.0, 200.0, 0.06}};
    struct nw_shadow s[NW_FLAT_SHADOWS];
    assert_int_equal(shadows_of(MOTES, 1, 0.6, s), 1);
    assert_true(s[0].is_ring);
    check_near(s[0].diameter_px, 200.0, 12.0, "the outer edge");
    check_near(s[0].x_px, 400.0, 4.0, "truth");
}

static struct nw_shadow shadow(double x, double y, double diameter) {
    return (struct nw_shadow){.x_px = x, .y_px = y, .diameter_px = diameter, .depth = 0.05};
}

static void test_stayed_turned_gone_new(void **state) {
    (void)state;
    static const double SIZE[2] = {1001.0, 801.0}; /* middle (500, 400) */
    const struct nw_shadow then[] = {shadow(300, 300, 80), shadow(700, 400, 100),
                                     shadow(100, 700, 60)};
    const struct nw_shadow now[] = {shadow(301, 299, 82), shadow(500, 200, 101),
                                    shadow(900, 100, 70)};
    struct nw_shadow_change c[6];
    const size_t n = nw_flat_compare(then, 3, now, 3, NW_PI / 2.0, SIZE, c);
    assert_int_equal(n, 4);
    assert_int_equal(c[0].fate, NW_SHADOW_STAYED);
    assert_int_equal(c[1].fate, NW_SHADOW_TURNED); /* (200, 0) to (0, -200) about the middle */
    assert_int_equal(c[1].now, 1);
    assert_int_equal(c[2].fate, NW_SHADOW_GONE);
    assert_int_equal(c[2].then, 2);
    assert_int_equal(c[3].fate, NW_SHADOW_NEW);
    assert_int_equal(c[3].now, 2);
    /* not turned: nothing can have turned with the rotator */
    assert_int_equal(nw_flat_compare(then, 3, now, 3, 0.0, SIZE, c), 5);
}

/* ---- Angles, and flat against sky ---- */

static void test_nearest_angle_goes_round(void **state) {
    (void)state;
    struct nw_flat flats[3] = {flat_at("a", 1, 1, 1), flat_at("a", 1, 1, 1), flat_at("b", 1, 1, 1)};
    const double deg = NW_RAD_PER_DEG;
    flats[0].rotator_rad = 350.0 * deg;
    flats[1].rotator_rad = 20.0 * deg;
    flats[2].rotator_rad = 1.0 * deg;
    double off = NAN;
    assert_int_equal(nw_flat_for(flats, 3, "a", 1.0 * deg, &off), 0);
    check_near(off, 11.0 * deg, 1e-12, "350 to 361 deg");
    assert_int_equal(nw_flat_for(flats, 3, "c", 1.0 * deg, &off), SIZE_MAX);
    check_near(nw_flat_angle_between(0.0, 540.0 * deg), NW_PI, 1e-12, "half a turn");
}

/* A sky that rises by 8 % from the middle to the right edge and falls by 4 % to the upper one, seen
 * through a lens that darkens towards the edges as the flat says; with stars on it. Zones of 41 px:
 * those of a colour pattern begin in turn at another colour. */
enum { SLOPE_SIDE = 205, SLOPE_ZONE = SLOPE_SIDE / NW_FLAT_ZONES };
static struct nw_flat_slope slope_seen_by(const double *colours) {
    static float px[SLOPE_SIDE * SLOPE_SIDE];
    double zones[NW_FLAT_N_ZONES] = {0};
    for (int y = 0; y < SLOPE_SIDE; y++) {
        for (int x = 0; x < SLOPE_SIDE; x++) {
            const double u = (x + 0.5) / (0.5 * SLOPE_SIDE) - 1.0;
            const double v = (y + 0.5) / (0.5 * SLOPE_SIDE) - 1.0;
            const double lens = 1.0 - 0.2 * (u * u + v * v);
            const double sky = 1000.0 * colours[y % 2 * 2 + x % 2] * (1.0 + 0.08 * u - 0.04 * v);
            const bool is_star = x % SLOPE_ZONE % 20 < 3 && y % SLOPE_ZONE % 20 < 3; /* 3 % */
            px[y * SLOPE_SIDE + x] = (float)(500.0 + lens * sky + 9e3 * is_star);
            zones[y / SLOPE_ZONE * NW_FLAT_ZONES + x / SLOPE_ZONE] +=
                lens / ((double)SLOPE_ZONE * SLOPE_ZONE);
        }
    }
    struct nw_frame frame = {
        .width_px = SLOPE_SIDE, .height_px = SLOPE_SIDE, .n_planes = 1, .px = px};
    nw_frame_facts_unknown(&frame.facts);
    nw_text_copy(frame.facts.tube_side, sizeof frame.facts.tube_side, "West");
    frame.facts.rotator_rad = 0.3;
    struct nw_flat_slope slope = {.x = NAN};
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_flat_slope_of(&frame, 500.0, zones, &slope, &err), NW_OK);
    return slope;
}

static void test_the_slope_of_a_divided_light(void **state) {
    (void)state;
    static const double CAMERAS[][4] = {{1.0, 1.0, 1.0, 1.0},
                                        {0.5, 1.0, 1.0, 1.6}}; /* mono, RGGB */
    for (size_t i = 0; i < sizeof CAMERAS / sizeof CAMERAS[0]; i++) {
        const struct nw_flat_slope slope = slope_seen_by(CAMERAS[i]);
        check_near(slope.x, 0.08, 2e-3, "drawn; medians of zones for their means");
        check_near(slope.y, -0.04, 2e-3, "drawn");
        check_near(slope.turn_rad, 0.3 + NW_PI, 1e-12, "rotator and the other side of the pier");
    }
}

static void test_both_sides_tell_the_flat_from_the_sky(void **state) {
    (void)state;
    struct nw_flat_slope s[6];
    for (int i = 0; i < 6; i++) { /* chip (0.01, -0.02), sky (0.05, 0.03) */
        const double sign = i % 2 ? -1.0 : 1.0;
        s[i] = (struct nw_flat_slope){.x = 0.01 + sign * 0.05,
                                      .y = -0.02 + sign * 0.03,
                                      .turn_rad = i % 2 ? NW_PI : 0.0,
                                      .ra_rad = 1.0,
                                      .dec_rad = 0.1};
    }
    struct nw_flat_error e;
    nw_flat_error_of(s, 6, &e);
    assert_true(e.is_told);
    check_near(e.chip_x, 0.01, 1e-9, "mean of both sides");
    check_near(e.chip_y, -0.02, 1e-9, "mean of both sides");
    check_near(e.sky_x, 0.05, 1e-9, "half their difference");
    for (int i = 0; i < 6; i++) {
        s[i].turn_rad = 0.0;
    }
    nw_flat_error_of(s, 6, &e); /* one side, one field */
    assert_false(e.is_told);
    assert_non_null(strstr(e.why_null, "both tube sides"));
    for (int i = 0; i < 6; i++) {
        s[i].ra_rad = 0.3 * i;
    }
    nw_flat_error_of(s, 6, &e); /* six fields */
    assert_true(e.is_told);
    check_near(e.chip_x, 0.01, 1e-9, "mean over the fields");
    assert_true(e.chip_sigma > 0.01);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_the_table_gives_the_level_exactly),
        cmocka_unit_test(test_flicker_moves_the_level_within_the_error_it_claims),
        cmocka_unit_test(test_a_lack_that_cannot_be_told_is_not_zero),
        cmocka_unit_test(test_a_law_that_is_not_the_panels_is_told_in_the_error),
        cmocka_unit_test(test_limits_are_flagged_and_another_filter_is_rough),
        cmocka_unit_test(test_one_setting_scales_exposures_only),
        cmocka_unit_test(test_nothing_usable_is_said),
        cmocka_unit_test(test_shadows_are_found_where_they_are_and_no_others),
        cmocka_unit_test(test_a_central_obstruction_makes_rings),
        cmocka_unit_test(test_stayed_turned_gone_new),
        cmocka_unit_test(test_nearest_angle_goes_round),
        cmocka_unit_test(test_the_slope_of_a_divided_light),
        cmocka_unit_test(test_both_sides_tell_the_flat_from_the_sky),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
