/* test_trail_seeing.c - seeing from trails: the model's sums, frames drawn by the simulator (layers
 * of plane waves, no formula shared), and what is refused */
#include <stdlib.h>
#include <string.h>

#include "budget/trail_seeing_internal.h"
#include "check.h"
#include "synth/trail.h"

#define AS(x) ((x) / NW_ARCSEC_PER_RAD)
enum { W = 1100, H = 600 };

static struct nw_synth_trail_opts sky_of(double seeing_arcsec, uint64_t seed) {
    return (struct nw_synth_trail_opts){
        .seed = seed,
        .n_layers = 3,
        .layers = {{60, 0.5, 6, 0.3}, {2000, 0.25, 10, 2.0}, {9000, 0.25, 18, 4.0}},
        .seeing_rad = AS(seeing_arcsec),
        .outer_scale_m = 25.0,
        .aperture_m = 0.115,
        .scale_rad = AS(0.963),
        .width_rad = AS(2.0),
        .exposure_s = 20.0,
        .dec_rad = 0.05,
        .angle_rad = 0.2,
        .width_px = W,
        .height_px = H,
        .n_stars = 22,
        .brightest_e_s = 1e6,
        .faintest_e_s = 2e4,
        .sky_e = 60.0,
        .read_noise_e = 2.0,
        .gain_e_per_adu = 1.0,
        .offset_adu = 500.0,
        .full_adu = 65535.0,
        .scintillation = 0.1};
}

static struct nw_rig *demo(const struct nw_setup **ret_setup) {
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err), NW_OK);
    assert_int_equal(nw_rig_find_setup(rig, NULL, ret_setup, &err), NW_OK);
    return rig;
}

static void frame_of(const struct nw_synth_trail_opts *sky, float *px, struct nw_frame *ret) {
    struct nw_err err = {0};
    double r0_m = NAN;
    assert_int_equal(nw_synth_trail(sky, px, &r0_m, &err), NW_OK);
    check_near(r0_m, nw_sky_r0_of_seeing_m(sky->seeing_rad, 500e-9, sky->outer_scale_m),
               0.03 * r0_m, "Tokovinin 2002, eq. 19, good to some per cent at L0 / r0 of 500");
    *ret = (struct nw_frame){
        .width_px = W, .height_px = H, .n_planes = 1, .px = px, .data_max_adu = 65535.0};
    nw_frame_facts_unknown(&ret->facts);
    ret->facts.exposure_s = sky->exposure_s;
    ret->facts.dec_rad = sky->dec_rad;
    ret->facts.airmass = 1.0;
    ret->facts.gain_e_per_adu = 1.0;
}

static void test_simulated_seeing_is_found(void **state) {
    (void)state;
    static const double seeings[] = {1.5, 2.2, 3.2};
    const struct nw_setup *found = NULL;
    struct nw_rig *rig = demo(&found);
    struct nw_setup setup = *found;
    setup.telescope.aperture_m.v = 0.115;
    float *px = calloc((size_t)W * H, sizeof *px);
    assert_non_null(px);
    double last = 0.0;
    for (size_t i = 0; i < 3; i++) {
        const struct nw_synth_trail_opts sky = sky_of(seeings[i], 11 + i);
        struct nw_frame frame;
        frame_of(&sky, px, &frame);
        frame.facts.pixel_m = sky.scale_rad * setup.focal_length_m.v;
        struct nw_trail_seeing s;
        struct nw_err err = {0};
        if (nw_trail_seeing(&frame, "", rig, &setup, &s, &err) != NW_OK) {
            fail_msg("%s", err.text);
        }
        assert_true(s.n_stars >= 3);
        check_near(log(s.seeing_rad / sky.seeing_rad), 0.0, 3.0 * s.seeing_sigma_rad / s.seeing_rad,
                   "simulated truth, 3 sigma");
        check_near(s.seeing_sigma_rad / s.seeing_rad, 0.2, 0.06, "bench/trail.c");
        assert_true(s.seeing_rad > last);
        last = s.seeing_rad;
        /* the wobble falls with averaging, and the model is near what is measured */
        for (size_t k = 0; k + 1 < s.n_lengths; k++) {
            assert_true(s.lengths[k].measured_rad > s.lengths[k + 1].measured_rad);
        }
        check_near(s.lengths[0].model_rad / s.lengths[0].measured_rad, 1.0, 0.25, "posterior");
        /* at the zenith it would have been smaller: X^0.6 (REFERENCES IMG-15) */
        frame.facts.airmass = 2.0;
        struct nw_trail_seeing low;
        assert_int_equal(nw_trail_seeing(&frame, "", rig, &setup, &low, &err), NW_OK);
        check_near(low.r0_m / s.r0_m, pow(2.0, 0.6), 1e-6, "r0 ~ X^(-3/5), Fried 1966");
    }
    free(px);
    nw_rig_free(rig);
}

static void refuse(struct nw_frame *frame, const struct nw_rig *rig, const struct nw_setup *setup,
                   const char *text) {
    struct nw_trail_seeing s;
    struct nw_err err = {0};
    assert_int_equal(nw_trail_seeing(frame, "", rig, setup, &s, &err), NW_DATA);
    if (!strstr(err.text, text)) {
        fail_msg("'%s' does not hold '%s'", err.text, text);
    }
}

/* Trails at 11.5 deg; the demo rig's camera stands at 12 deg, either hand. */
static void test_another_direction_is_refused(void **state) {
    (void)state;
    const struct nw_setup *setup = NULL;
    struct nw_rig *rig = demo(&setup);
    float *px = calloc((size_t)W * H, sizeof *px);
    struct nw_setup *turned = malloc(sizeof *turned);
    assert_true(px && turned);
    struct nw_synth_trail_opts sky = sky_of(2.0, 5);
    sky.n_stars = 8;
    struct nw_trail_seeing s;
    struct nw_err err = {0};
    struct nw_frame frame;
    frame_of(&sky, px, &frame);
    frame.facts.pixel_m = sky.scale_rad * setup->focal_length_m.v;
    assert_int_equal(nw_trail_seeing(&frame, "", rig, setup, &s, &err), NW_OK);
    check_near(s.off_rad, (0.2 - 12.0 * NW_RAD_PER_DEG), 0.01, "0.2 rad against 12 deg");
    assert_non_null(strstr(s.off_by, "camera_angle"));
    *turned = *setup;
    turned->camera_angle_rad.v = 60.0 * NW_RAD_PER_DEG;
    refuse(&frame, rig, turned, "right ascension at 60 +- 2");
    assert_int_equal(nw_trail_seeing(&frame, "", rig, turned, &s, &err), NW_DATA);
    const char *const lies = strstr(err.text, "trails lie at ");
    assert_non_null(lies);
    const double lies_deg = strtod(lies + strlen("trails lie at "), NULL);
    check_near(lies_deg, 0.2 / NW_RAD_PER_DEG, 0.6, "as drawn, told to a degree");
    frame.facts.rotator_rad = 1.0; /* the camera may stand anywhere */
    assert_int_equal(nw_trail_seeing(&frame, "", rig, turned, &s, &err), NW_OK);
    assert_null(s.off_by);
    assert_true(isnan(s.off_rad));
    /* the header's world coordinates stand above both: east along +y */
    struct nw_card cards[] = {{.key = "CTYPE1", .value = "RA---TAN"},
                              {.key = "CD1_1", .value = "0.0"},
                              {.key = "CD1_2", .value = "0.00027"},
                              {.key = "CD2_1", .value = "0.00027"},
                              {.key = "CD2_2", .value = "0.0"}};
    frame.cards = cards;
    frame.n_cards = sizeof cards / sizeof *cards;
    refuse(&frame, rig, setup, "by the header's world coordinates");
    free(turned);
    free(px);
    nw_rig_free(rig);
}

static void test_what_tells_nothing_is_refused(void **state) {
    (void)state;
    const struct nw_setup *setup = NULL;
    struct nw_rig *rig = demo(&setup);
    float *px = calloc((size_t)W * H, sizeof *px);
    assert_non_null(px);
    struct nw_synth_trail_opts sky = sky_of(2.0, 5);
    sky.tracking = 1.0;
    struct nw_frame frame;
    frame_of(&sky, px, &frame);
    frame.facts.pixel_m = sky.scale_rad * setup->focal_length_m.v;
    refuse(&frame, rig, setup, "no trails: of ");
    sky.tracking = 0.4;
    frame_of(&sky, px, &frame);
    frame.facts.pixel_m = sky.scale_rad * setup->focal_length_m.v;
    refuse(&frame, rig, setup, "the drive ran");
    frame.facts.dec_rad = 1.2;
    refuse(&frame, rig, setup, "declination 69 deg: trails are short and bent there");
    frame.facts.dec_rad = NAN;
    refuse(&frame, rig, setup, "no declination (DEC, OBJCTDEC)");
    frame.facts.dec_rad = 0.0;
    frame.facts.exposure_s = NAN;
    refuse(&frame, rig, setup, "no exposure time");
    frame.facts.exposure_s = 20.0;
    frame.facts.airmass = NAN;
    refuse(&frame, rig, setup, "the airmass is not known");
    free(px);
    nw_rig_free(rig);
}

static void test_covariance_at_no_lag_is_the_variance(void **state) {
    (void)state;
    enum { N = 1500 };
    const struct nw_tilt_aperture aperture = {.aperture_m = 0.115, .outer_scale_m = 25.0};
    struct trail_table table;
    trail_table_fill(&aperture, &table);
    /* a star of no width and steps so short that nothing is averaged */
    const struct trail_flow flow = {.aperture = aperture,
                                    .wind_m_s = 10.0,
                                    .step_s = 0.002,
                                    .drift_px_s = 15.0,
                                    .profile = {1e-4, 1e-4, 0.0, 1e-4}};
    double *along = calloc(2 * N, sizeof *along);
    assert_non_null(along);
    trail_covariance(&table, &flow, N, along, along + N);
    const double want = nw_sky_tilt_rms_rad(0.115, 1.0, 500e-9, 25.0, 10.0, 0.0);
    check_near(0.5 * (along[0] + along[N]) / (want * want), 1.0, 0.02,
               "nw_sky_tilt_rms_rad, REFERENCES IMG-28");
    /* a quarter of an aperture later the tilt is nearly the same; 50 m later there is little left
     */
    assert_true(along[N + 1] > 0.9 * along[N] && fabs(along[N + N - 1]) < 0.4 * along[N]);
    free(along);
}

static void test_white_noise_has_the_same_power_in_every_cosine(void **state) {
    (void)state;
    enum { N = 60 };
    struct trail_modes modes;
    struct nw_err err = {0};
    double covariance[N] = {3.0};
    double power[N];
    double values[N];
    assert_int_equal(trail_modes_init(N, &modes, &err), NW_OK);
    trail_modes_power(&modes, covariance, power);
    for (size_t i = 0; i < N; i++) {
        values[i] = 5.0 + 0.3 * (double)i - 0.01 * (double)(i * i);
    }
    double out[N];
    trail_modes_apply(&modes, values, out);
    for (size_t m = 0; m < modes.n_modes; m++) {
        check_near(power[m], 3.0, 1e-9, "closed form: unit vectors");
        check_near(out[m], 0.0, 1e-9, "line and bend leave nothing");
    }
    trail_modes_done(&modes);
}

static void test_frames_of_an_evening_are_joined(void **state) {
    (void)state;
    struct nw_trail_seeing s[4];
    for (size_t i = 0; i < 4; i++) {
        s[i] = (struct nw_trail_seeing){.seeing_rad = 1e-5, .seeing_sigma_rad = 0.2e-5};
    }
    const struct nw_trail_seeing_mean one = nw_trail_seeing_join(s, 1);
    check_near(one.seeing_sigma_rad, 0.2e-5, 1e-12, "one frame: its own");
    assert_true(isnan(one.scatter));
    const struct nw_trail_seeing_mean four = nw_trail_seeing_join(s, 4);
    const double shared2 = NW_TRAIL_SHARED_SIGMA * NW_TRAIL_SHARED_SIGMA;
    check_near(four.seeing_sigma_rad, 1e-5 * sqrt(shared2 + (0.04 - shared2) / 4.0), 1e-12,
               "closed form: the shared part stays");
    check_near(four.scatter, 0.0, 1e-12, "equal frames");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_simulated_seeing_is_found),
        cmocka_unit_test(test_another_direction_is_refused),
        cmocka_unit_test(test_what_tells_nothing_is_refused),
        cmocka_unit_test(test_covariance_at_no_lag_is_the_variance),
        cmocka_unit_test(test_white_noise_has_the_same_power_in_every_cosine),
        cmocka_unit_test(test_frames_of_an_evening_are_joined),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
