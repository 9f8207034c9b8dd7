/* test_draft.c - every draft reads back, with what the headers said and nothing that they did not.
 */
#include "support.h"

static struct nw_rig_facts nothing(void) {
    return (struct nw_rig_facts){
        .pixel_m = NAN,
        .binning = NAN,
        .focal_length_m = NAN,
        .aperture_m = NAN,
        .gain_e_per_adu = NAN,
        .read_noise_e = NAN,
        .gain_setting = NAN,
        .offset_setting = NAN,
        .set_temperature_K = NAN,
        .exposure_s = NAN,
        .saturation_adu = NAN,
        .latitude_rad = NAN,
        .longitude_rad = NAN,
        .elevation_m = NAN,
        .n_frames = 1,
    };
}

static struct nw_rig *draft_and_read(const struct nw_rig_facts *facts, struct nw_buf *text) {
    struct nw_err err = {0};
    nw_buf_init(text, 1 << 16);
    if (nw_rig_draft(facts, text, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    struct nw_rig *rig = NULL;
    if (nw_rig_parse("draft.yaml", text->data, text->len, NULL, 0, &rig, &err) != NW_OK) {
        fail_msg("%s\n%s", err.text, text->data);
    }
    return rig;
}

static void test_what_headers_say_comes_back_as_header(void **state) {
    (void)state;
    struct nw_rig_facts f = nothing();
    (void)snprintf(f.camera, sizeof f.camera, "a camera");
    (void)snprintf(f.telescope, sizeof f.telescope, "a tube");
    (void)snprintf(f.filters[0], sizeof f.filters[0], "Ha");
    (void)snprintf(f.filters[1], sizeof f.filters[1], "L");
    f.n_filters = 2;
    f.width_px = 6248;
    f.height_px = 4176;
    f.pixel_m = 3.76e-6;
    f.binning = 1.0;
    f.focal_length_m = 0.644;
    f.aperture_m = 0.115;
    f.gain_e_per_adu = 0.25;
    f.read_noise_e = 1.5;
    f.exposure_s = 300.0;
    f.latitude_rad = -32.18 * NW_RAD_PER_DEG;
    f.longitude_rad = 146.52 * NW_RAD_PER_DEG;
    f.elevation_m = 437.0;
    struct nw_buf text;
    struct nw_rig *rig = draft_and_read(&f, &text);
    const struct nw_setup *const s = &rig->setups[0];
    const struct {
        const struct nw_val *val;
        double want, tol;
    } rows[] = {
        {&s->camera.pixel_m, 3.76e-6, 1e-15},
        {&s->telescope.focal_length_m, 0.644, 1e-9},
        {&s->telescope.aperture_m, 0.115, 1e-9},
        {&s->camera.gain_e_per_adu, 0.25, 1e-9},
        {&s->camera.read_noise_e, 1.5, 1e-9},
        {&s->sub_length_s, 300.0, 1e-6},
        {&s->binning, 1.0, 0.0},
        {&rig->site.latitude_rad, -32.18 * NW_RAD_PER_DEG, 1e-9},
        {&rig->site.longitude_rad, 146.52 * NW_RAD_PER_DEG, 1e-9},
        {&rig->site.elevation_m, 437.0, 1e-6},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_near(rows[i].val->v, rows[i].want, rows[i].tol, "there and back");
        assert_int_equal(rows[i].val->from, NW_FROM_HEADER);
    }
    assert_string_equal(s->camera.name, "a camera");
    assert_string_equal(s->telescope.name, "a tube");
    assert_string_equal(s->filter.name, "Ha");
    check_near(s->filter.centre_m.v, 656.3e-9, 1e-12, "hydrogen alpha in air, from memory");
    assert_int_equal(s->filter.centre_m.from, NW_FROM_ASSUMED); /* guessed from the name */
    assert_int_equal(s->n_filters, 2);
    assert_null(strstr(text.data, "REPLACE:"));
    nw_rig_free(rig);
    nw_buf_done(&text);
}

static void test_what_no_header_says_is_assumed_and_marked(void **state) {
    (void)state;
    struct nw_rig_facts f = nothing();
    f.focal_length_m = 0.6;
    struct nw_buf text;
    struct nw_rig *rig = draft_and_read(&f, &text);
    const struct nw_setup *const s = &rig->setups[0];
    assert_int_equal(rig->site.latitude_rad.from, NW_FROM_ASSUMED);
    assert_int_equal(s->telescope.aperture_m.from, NW_FROM_ASSUMED);
    check_near(s->telescope.aperture_m.v, 0.1, 1e-9, "focal length over 6, as its comment says");
    assert_int_equal(s->camera.pixel_m.from, NW_FROM_ASSUMED);
    assert_int_equal(s->sub_length_s.from, NW_FROM_ASSUMED);
    assert_non_null(strstr(text.data, "REPLACE: no frame says where the site is"));
    bool is_listed = false;
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        is_listed = is_listed || strcmp(rig->assumptions[i].path, "site.latitude") == 0;
    }
    assert_true(is_listed);
    nw_rig_free(rig);
    nw_buf_done(&text);
}

static void test_binned_headers_become_whole_pixels(void **state) {
    (void)state;
    struct nw_rig_facts f = nothing();
    f.width_px = 3124;
    f.height_px = 2088;
    f.pixel_m = 7.52e-6;
    f.binning = 2.0;
    f.focal_length_m = 0.644;
    struct nw_buf text;
    struct nw_rig *rig = draft_and_read(&f, &text);
    const struct nw_setup *const s = &rig->setups[0];
    check_near(s->camera.pixel_m.v, 3.76e-6, 1e-15, "7.52 um over 2");
    assert_int_equal(s->camera.width_px, 6248);
    check_near(nw_setup_scale_rad(s), 7.52e-6 / 0.644, 1e-12, "scale of the frames as they are");
    nw_rig_free(rig);
    nw_buf_done(&text);
}

static void test_hostile_headers_still_give_a_file_that_reads(void **state) {
    (void)state;
    struct nw_rig_facts f = nothing();
    (void)snprintf(f.camera, sizeof f.camera, "%s", "\"}\n- *x: &y = \\\x01 \xff\xfe {[ # '");
    (void)snprintf(f.telescope, sizeof f.telescope, "%s", "  none ");
    static const char *const names[] = {"none", "",  "\"", "\\", "-",  "a: b", "# x", "L",
                                        "L",    "?", "<<", "=",  "*r", "&r",   "!t",  "%"};
    for (size_t i = 0; i < 16; i++) {
        (void)snprintf(f.filters[i], sizeof f.filters[i], "%s", names[i]);
    }
    f.n_filters = 16;
    f.width_px = SIZE_MAX;
    f.height_px = 1;
    f.pixel_m = -1.0;
    f.binning = 0.0;
    f.focal_length_m = 0.0;
    f.aperture_m = 1e300;
    f.gain_e_per_adu = -INFINITY;
    f.read_noise_e = INFINITY;
    f.gain_setting = 1e308;
    f.offset_setting = -1e308;
    f.set_temperature_K = 0.0;
    f.exposure_s = -5.0;
    f.latitude_rad = 999.0;
    f.longitude_rad = -999.0;
    f.elevation_m = 1e12;
    (void)snprintf(f.pattern, sizeof f.pattern, "%s", "X: [}");
    struct nw_buf text;
    struct nw_rig *rig = draft_and_read(&f, &text);
    for (size_t i = 0; i < text.len; i++) {
        assert_true(text.data[i] == '\n' || (text.data[i] >= 0x20 && text.data[i] < 0x7f));
    }
    nw_rig_free(rig);
    nw_buf_done(&text);
    f = nothing();
    f.binning = 8.0;
    f.pixel_m = 30e-6;
    f.focal_length_m = 29.0;
    rig = draft_and_read(&f, &text); /* aperture guess stays in its range */
    nw_rig_free(rig);
    nw_buf_done(&text);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_headers_say_comes_back_as_header),
        cmocka_unit_test(test_what_no_header_says_is_assumed_and_marked),
        cmocka_unit_test(test_binned_headers_become_whole_pixels),
        cmocka_unit_test(test_hostile_headers_still_give_a_file_that_reads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
