/* test_demo.c - the demo files read; what follows from them; rules of the trade. */
#include "support.h"

static struct nw_rig *must_read_file(const char *name) {
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    char path[1024];
    (void)snprintf(path, sizeof path, NW_SOURCE_ROOT "/data/demo/%s", name);
    if (nw_rig_read(path, NULL, 0, &rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return rig;
}

static double scale_arcsec(const struct nw_rig *rig, const char *setup) {
    return nw_setup_scale_rad(nw_rig_setup(rig, setup)) * NW_ARCSEC_PER_RAD;
}

static void test_the_southern_observatory(void **state) {
    (void)state;
    struct nw_rig *rig = must_read_file("rig.yaml");
    assert_int_equal(rig->n_setups, 3);
    const struct nw_setup *const deep = nw_rig_setup(rig, "deep");
    assert_ptr_equal(deep, &rig->setups[0]);
    check_near(scale_arcsec(rig, NULL), 1.2043, 5e-5, "206264.806 * 3.76e-3 / (805 * 0.8)");
    check_near(nw_setup_f_ratio(deep), 5.6, 1e-9, "805 * 0.8 / 115");
    assert_true(deep->has_guide && deep->has_corrector && deep->has_focuser);
    assert_int_equal(deep->focuser.carries, NW_CARRIES_CORRECTOR_AND_CAMERA);
    assert_string_equal(deep->filter.name, "luminance");
    assert_int_equal(deep->n_filters, 7);
    assert_true(deep->n_changes >= 5);
    bool has_purchase = false;
    for (size_t i = 0; i < deep->n_changes; i++) {
        has_purchase = has_purchase || strcmp(deep->changes[i].effort, "purchase") == 0;
    }
    assert_true(has_purchase);
    assert_true(rig->site.latitude_rad.v < 0.0); /* south */
    /* full scale is no more than what the counts can hold */
    assert_true(deep->camera.full_scale_e.v <=
                deep->camera.gain_e_per_adu.v * (65535.0 - deep->camera.offset_adu.v) * 1.05);
    const struct nw_setup *const wide = nw_rig_setup(rig, "wide");
    check_near(scale_arcsec(rig, "wide"), 3.3575, 5e-5, "206264.806 * 5.86e-3 / 360");
    assert_int_equal(wide->focuser.carries, NW_CARRIES_CAMERA);
    nw_rig_free(rig);
}

/* Sensor full well and counts; values that a prediction divides by are never unknown. */
static void test_what_a_prediction_needs_is_known_in_every_demo(void **state) {
    (void)state;
    static const char *const names[] = {"rig.yaml", "minimal.yaml", "north-colour.yaml"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct nw_rig *rig = must_read_file(names[i]);
        for (size_t k = 0; k < rig->n_setups; k++) {
            const struct nw_setup *const s = &rig->setups[k];
            const struct nw_val needed[] = {
                rig->site.seeing_rad,
                rig->site.outer_scale_m,
                rig->site.local_air_rad,
                rig->site.temperature_rate_K_s,
                rig->site.pressure_Pa,
                rig->site.relative_humidity,
                rig->mount.motion_ra_rad,
                rig->mount.motion_dec_rad,
                rig->mount.flexure_rad_s,
                rig->mount.polar_error_rad,
                s->telescope.tube_length_m,
                s->telescope.expansion_per_K,
                s->telescope.colour_spread_m,
                s->telescope.obstruction,
                s->focuser.repeatability_m,
                s->focuser.compensation,
                s->filter.centre_m,
                s->filter.width_m,
                s->camera.full_scale_e,
                s->camera.gain_e_per_adu,
                s->camera.read_noise_e,
                s->focal_length_m,
                s->sub_length_s,
                s->focus_interval_s,
                s->airmass,
                s->tilt_m,
                s->tilt_direction_rad,
                s->curvature_m,
                s->decentre_coma_rad,
                s->astigmatism_m,
                s->binning,
                s->camera_angle_rad,
            };
            for (size_t n = 0; n < sizeof needed / sizeof needed[0]; n++) {
                assert_true(isfinite(needed[n].v));
                assert_int_not_equal(needed[n].from, NW_FROM_UNKNOWN);
                assert_true(needed[n].from != NW_FROM_ASSUMED || needed[n].sigma >= 0.0);
            }
        }
        nw_rig_free(rig);
    }
}

static void test_scale_by_reference_and_by_rules_of_the_trade(void **state) {
    (void)state;
    static const struct {
        double pixel_um, focal_mm, want, tol;
        const char *source;
    } rows[] = {
        {3.76, 530.0, 1.463313, 1e-6, "REFERENCES IMG-02"},
        {2.9, 240.0, 2.492366, 1e-6, "REFERENCES IMG-02"},
        {3.76, 450.0, 1.72, 0.01, "common practice, no source: about 1.72"},
        {5.86, 60.0 * 6.2, 3.25, 0.01, "common practice, no source: about 3.25"},
        {5.86, 60.0 * 5.9, 3.4, 0.05, "common practice, no source: about 3.4"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char setting[160];
        (void)snprintf(setting, sizeof setting, "setups.one.focal_length=%g mm", rows[i].focal_mm);
        char text[1024];
        (void)snprintf(text, sizeof text,
                       "nightwright: 1\nsite: {latitude: 1 deg, longitude: 2 deg}\n"
                       "telescopes: {tube: {aperture: 60 mm, focal_length: 1 m}}\n"
                       "cameras: {camera: {pixel: %g um, width: 6248, height: 4176}}\n"
                       "setups: {one: {telescope: tube, camera: camera}}\n",
                       rows[i].pixel_um);
        struct nw_rig *rig = must_read(text, setting);
        check_near(scale_arcsec(rig, NULL), rows[i].want, rows[i].tol, rows[i].source);
        nw_rig_free(rig);
    }
    struct nw_rig *rig = must_read_file("minimal.yaml");
    check_near(scale_arcsec(rig, NULL), 1.72, 0.01, "common practice, no source");
    nw_rig_free(rig);
    rig = must_read_file("north-colour.yaml");
    check_near(scale_arcsec(rig, NULL), 3.25, 0.01, "common practice, no source");
    nw_rig_free(rig);
}

static void test_binning_joins_pixels(void **state) {
    (void)state;
    struct nw_rig *a = must_read(SMALL_RIG, NULL);
    struct nw_rig *b = must_read(SMALL_RIG, "setups.one.binning=2");
    check_near(nw_setup_scale_rad(&b->setups[0]), 2.0 * nw_setup_scale_rad(&a->setups[0]), 1e-18,
               "twice the pixel");
    nw_rig_free(a);
    nw_rig_free(b);
}

static void must_contain(const char *text, const char *part) {
    if (!strstr(text, part)) {
        fail_msg("'%s' is not in:\n%s", part, text);
    }
}

static void test_the_description_says_what_follows(void **state) {
    (void)state;
    struct nw_rig *rig = must_read_file("rig.yaml");
    struct nw_buf text;
    struct nw_err err = {0};
    nw_buf_init(&text, 1 << 20);
    assert_int_equal(nw_rig_describe(rig, "deep", &text, &err), NW_OK);
    must_contain(text.data, "1.204 +- 0.013 \"/px");
    must_contain(text.data, "f/5.6\n");
    must_contain(text.data, "2.090 x 1.397 deg");        /* 2 atan(w / 2 f), REFERENCES IMG-03 */
    must_contain(text.data, "+- 34.5 um at the sensor"); /* 2 * 0.55 um * 5.6^2, FOC-01 */
    must_contain(text.data, "+- 53.9 um of focuser travel"); /* 34.5 / 0.64 */
    must_contain(text.data, "setups.deep.field.curvature = 30 um +- 15 um");
    assert_null(strstr(text.data, "setups.wide"));
    for (const char *line = text.data; *line;) {
        const size_t n = strcspn(line, "\n");
        assert_true(n <= 80);
        line += n + (line[n] == '\n');
    }
    assert_int_equal(nw_rig_describe(rig, "wid", &text, &err), NW_NOTFOUND);
    must_contain(err.text, "has no setup 'wid'; nearest is 'wide'");
    nw_buf_done(&text);
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_southern_observatory),
        cmocka_unit_test(test_what_a_prediction_needs_is_known_in_every_demo),
        cmocka_unit_test(test_scale_by_reference_and_by_rules_of_the_trade),
        cmocka_unit_test(test_binning_joins_pixels),
        cmocka_unit_test(test_the_description_says_what_follows),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
