/* test_profile.c - Profiles: limits with a published width, closed forms, signs. */
#include "support.h"

struct bench {
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    struct synth_psf_plan plan;
    struct synth_scratch scratch;
    struct synth_sub sub;
    float *phases;
};

static void open_bench(struct bench *bench) {
    struct nw_err err = {0};
    const struct nw_synth_opts opts = small_opts();
    must(nw_synth_scene_init(&bench->rig, NULL, &opts, &bench->scene, &err), &err);
    must(nw_synth_psf_plan_init(&bench->scene, &bench->plan, &err), &err);
    must(nw_synth_scratch_init(&bench->plan, &bench->scratch, &err), &err);
    bench->phases = nw_big_alloc(sizeof(float) * SYNTH_FINE * SYNTH_FINE);
    assert_non_null(bench->phases);
    bench->sub = (struct synth_sub){.r0_m = 0.05, .transmission = 1.0};
    bench->sub.pointing = (struct nw_pointing){.altitude_rad = NW_PI / 2.0, .airmass = 1.0};
}

static void close_bench(struct bench *bench) {
    nw_big_free(bench->phases);
    nw_synth_scratch_done(&bench->scratch);
    nw_synth_psf_plan_done(&bench->plan);
}

static struct synth_width render(struct bench *bench, uint32_t without) {
    const double centre[2] = {0.0, 0.0};
    nw_synth_psf_begin(&bench->plan, &bench->sub, without, &bench->scratch);
    nw_synth_psf_at(&bench->plan, &bench->sub, 0, centre, without, &bench->scratch, bench->phases);
    return nw_synth_psf_width(bench->phases);
}

static double fine(const float *phases, size_t x, size_t y) {
    const size_t phase = (y % SYNTH_OVER) * SYNTH_OVER + x % SYNTH_OVER;
    return (double)phases[(phase * SYNTH_BOX_PX + y / SYNTH_OVER) * SYNTH_BOX_PX + x / SYNTH_OVER];
}

/* Centroid [px] within 20 px of the middle: the weights of far noise stay small. */
static void centroid(const float *phases, double ret[2]) {
    double sum[3] = {0.0};
    for (size_t y = SYNTH_FINE / 2 - 160; y <= SYNTH_FINE / 2 + 160; y++) {
        for (size_t x = SYNTH_FINE / 2 - 160; x <= SYNTH_FINE / 2 + 160; x++) {
            const double v = fine(phases, x, y);
            sum[0] += v;
            sum[1] += v * ((double)x - SYNTH_FINE / 2.0);
            sum[2] += v * ((double)y - SYNTH_FINE / 2.0);
        }
    }
    ret[0] = sum[1] / sum[0] / SYNTH_OVER;
    ret[1] = sum[2] / sum[0] / SYNTH_OVER;
}

static void set_up(struct bench *bench) {
    *bench = (struct bench){0};
    small_rig(&bench->rig, &bench->setup);
}

static void test_no_air_no_pixel_is_the_airy_disc(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    bench.setup.filter.width_m.v = 1e-9;
    open_bench(&bench);
    const struct synth_width width = render(&bench, SYNTH_NO_SEEING | SYNTH_NO_PIXEL);
    check_near(width.fwhm_px * bench.scene.camera.scale_rad * 0.1 / 550e-9, 1.02899396996, 2e-3,
               "IMG-04; 1/8 px samples");
    close_bench(&bench);
}

static void test_annulus_is_narrower_as_published(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    bench.setup.filter.width_m.v = 1e-9;
    bench.setup.telescope.obstruction.v = 0.5;
    open_bench(&bench);
    const struct synth_width width = render(&bench, SYNTH_NO_SEEING | SYNTH_NO_PIXEL);
    check_near(width.fwhm_px * bench.scene.camera.scale_rad * 0.1 / 550e-9, 0.911669, 2e-3,
               "IMG-09");
    close_bench(&bench);
}

static void test_air_alone_has_the_published_width(void **state) {
    (void)state;
    check_near(nw_synth_air_fwhm(0.1, 500e-9, INFINITY) * 0.1 / 500e-9, 0.97586343, 2e-4, "IMG-11");
    check_near(nw_synth_r0_of_fwhm(1.0 * ARCSEC, 500e-9, INFINITY), 0.100643, 1e-6, "IMG-14");
    check_near(nw_synth_air_fwhm(0.1, 500e-9, 25.0) / nw_synth_air_fwhm(0.1, 500e-9, INFINITY),
               0.833208, 0.015, "IMG-17; Tokovinin's fit is good to 1 %");
    const double r0_m = nw_synth_r0_of_fwhm(2.0 * ARCSEC, 500e-9, 25.0);
    check_near(nw_synth_air_fwhm(r0_m, 500e-9, 25.0) / ARCSEC, 2.0, 1e-5, "there and back");
}

static void test_structure_function_is_the_integral_of_the_spectrum(void **state) {
    (void)state;
    const double r0_m = 0.1;
    const double l0_m = 25.0;
    for (int k = 0; k < 4; k++) {
        const double r_m = 0.05 * pow(5.0, k);
        double sum = 0.0; /* 4 pi int W(f) (1 - J0(2 pi f r)) f df in ln f */
        const double step = 2e-4;
        for (int i = 0; i < 95570; i++) { /* 1e-5 to 2e3 cycles/m */
            const double f = 1e-5 * exp(step * i);
            const double w =
                0.0228956 * pow(r0_m, -5.0 / 3.0) * pow(f * f + 1.0 / l0_m / l0_m, -11.0 / 6.0);
            sum += 4.0 * NW_PI * w * (1.0 - j0(2.0 * NW_PI * f * r_m)) * f * f * step;
        }
        check_near(nw_synth_structure(r_m, r0_m, l0_m) / sum, 1.0, 1e-3,
                   "brute force; constant IMG-24");
    }
}

static void test_telescope_in_kolmogorov_air(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    bench.setup.filter.width_m.v = 1e-9;
    bench.rig.site.outer_scale_m.v = INFINITY;
    open_bench(&bench);
    bench.scene.outer_scale_m = INFINITY;
    bench.sub.r0_m = 0.05 * pow(500.0 / 550.0, 1.2); /* 0.05 m at 550 nm: D/r0 = 2 */
    const struct synth_width width = render(&bench, SYNTH_NO_PIXEL);
    check_near(width.fwhm_px * bench.scene.camera.scale_rad * 0.05 / 550e-9, 1.1218, 3e-3,
               "IMG-30");
    close_bench(&bench);
}

static void test_every_phase_keeps_the_flux(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    open_bench(&bench);
    (void)render(&bench, 0);
    const size_t n = (size_t)SYNTH_BOX_PX * SYNTH_BOX_PX;
    const size_t n_phases = (size_t)SYNTH_OVER * SYNTH_OVER;
    for (size_t phase = 0; phase < n_phases; phase += 9) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            sum += (double)bench.phases[phase * n + i];
        }
        check_near(sum, 1.0, 1e-5, "closed form: the pixel is nil at 1 cycle/px");
    }
    const size_t n_px = (size_t)200 * 200;
    float *px = nw_calloc(n_px, sizeof *px);
    const struct synth_canvas canvas = {px, 200, 200, "", 'R'};
    const struct synth_blend blend = {.nodes = {bench.phases}, .weights = {1.0}, .n = 1};
    const double place[2] = {100.37, 99.81};
    nw_synth_draw_star(&canvas, &blend, place, 1e6, 62);
    double sum[3] = {0.0};
    for (size_t i = 0; px && i < n_px; i++) {
        const size_t row = i / 200;
        sum[0] += (double)px[i];
        sum[1] += (double)px[i] * (double)(i % 200);
        sum[2] += (double)px[i] * (double)row;
    }
    check_near(sum[0] / 1e6, 1.0, 1e-3, "flux of a drawn star");
    check_near(sum[1] / sum[0], place[0], 5e-3, "its place");
    check_near(sum[2] / sum[0], place[1], 5e-3, "its place");
    free(px);
    close_bench(&bench);
}

static void test_defocus_gives_the_geometric_disc(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    open_bench(&bench);
    /* N 5: disc 320 um = 85.1 px; half of the light within r / sqrt 2; 14.5 waves: diffraction
     * changes little */
    bench.sub.defocus_m = 1600e-6;
    (void)render(&bench, SYNTH_NO_SEEING | SYNTH_NO_DISPERSION | SYNTH_NO_PIXEL);
    double inside = 0.0;
    for (size_t y = 0; y < SYNTH_FINE; y++) {
        for (size_t x = 0; x < SYNTH_FINE; x++) {
            const double r = hypot((double)x - SYNTH_FINE / 2.0, (double)y - SYNTH_FINE / 2.0);
            inside +=
                r / SYNTH_OVER <= 320.0 / 3.76 / 2.0 / sqrt(2.0) ? fine(bench.phases, x, y) : 0.0;
        }
    }
    check_near(inside / SYNTH_OVER / SYNTH_OVER, 0.5, 0.02, "FOC-05: disc d/N; evenly lit");
    close_bench(&bench);
}

static void test_straight_drift_is_a_box_along_its_direction(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    open_bench(&bench);
    enum { N = 600 };
    double e[N];
    double n[N] = {0.0};
    for (int i = 0; i < N; i++) { /* 6 px east */
        e[i] = 6.0 * bench.scene.camera.scale_rad * ((i + 0.5) / N - 0.5);
    }
    bench.sub.path_e_rad = e;
    bench.sub.path_n_rad = n;
    bench.sub.n_path = N;
    const struct synth_width still = render(&bench, SYNTH_NO_MOTION);
    const double top = fine(bench.phases, SYNTH_FINE / 2, SYNTH_FINE / 2);
    double line = 0.0; /* brute force: mean of the still profile over the box */
    for (int i = -24; i <= 24; i++) {
        const double weight = abs(i) == 24 ? 0.5 : 1.0;
        line += weight / 48.0 *
                fine(bench.phases, (size_t)SYNTH_FINE / 2 + (size_t)(i + 24) - 24, SYNTH_FINE / 2);
    }
    const struct synth_width moved = render(&bench, 0);
    check_near(fine(bench.phases, SYNTH_FINE / 2, SYNTH_FINE / 2) / top, line / top, 2e-3,
               "brute force convolution");
    check_near(sin(moved.angle_rad), 0.0, 1e-3, "camera angle 0: east is along x");
    assert_true(moved.minor_px < 1.2 * still.minor_px); /* wings alone widen it across */
    assert_true(moved.major_px > 1.5 * still.major_px);
    close_bench(&bench);
}

static void test_east_is_minus_x_and_north_plus_y(void **state) {
    (void)state;
    struct synth_scene scene = {.camera = {.scale_rad = 1e-5, .angle_rad = 0.0}};
    double px[2];
    nw_synth_to_px(&scene, 1e-5, 0.0, px);
    check_near(px[0], -1.0, 1e-12, "chart of the sky: east left");
    nw_synth_to_px(&scene, 0.0, 1e-5, px);
    check_near(px[1], 1.0, 1e-12, "north up");
    scene.camera.angle_rad = NW_PI / 2.0; /* +y at position angle 90 deg: east */
    nw_synth_to_px(&scene, 1e-5, 0.0, px);
    check_near(px[1], 1.0, 1e-12, "camera angle 90 deg: +y is east");
}

static void test_blue_light_lies_nearer_the_zenith(void **state) {
    (void)state;
    struct bench bench;
    set_up(&bench);
    bench.setup.filter.centre_m.v = 550e-9;
    bench.setup.filter.width_m.v = 200e-9;
    open_bench(&bench);
    bench.sub.pointing.altitude_rad = NW_PI / 4.0;
    bench.sub.pointing.parallactic_rad = 0.0; /* zenith to the north: +y */
    for (int w = 1; w < SYNTH_LAMBDAS; w++) { /* red ones dark: pupils without light */
        memset(bench.plan.pupils[0][w].mask, 0,
               sizeof(float) * bench.plan.pupils[0][w].n_across * bench.plan.pupils[0][w].n_across);
        bench.plan.pupils[0][w].mask[0] = 1e-6f;
        memset(bench.scratch.air[0][w], 0, sizeof bench.scratch.air[0][w]);
    }
    const double centre[2] = {0.0, 0.0};
    nw_synth_psf_begin(&bench.plan, &bench.sub, 0, &bench.scratch);
    for (int w = 1; w < SYNTH_LAMBDAS; w++) {
        memset(bench.scratch.air[0][w], 0, sizeof bench.scratch.air[0][w]);
    }
    nw_synth_psf_at(&bench.plan, &bench.sub, 0, centre, 0, &bench.scratch, bench.phases);
    double at[2];
    centroid(bench.phases, at);
    /* 470 nm against the mean of 470, 510, 550, 590, 630 at z 45: 0.39 arcsec = 0.25 px here */
    assert_true(at[1] > 0.1);
    check_near(at[0], 0.0, 5e-3, "vertical is +y");
    close_bench(&bench);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_no_air_no_pixel_is_the_airy_disc),
        cmocka_unit_test(test_annulus_is_narrower_as_published),
        cmocka_unit_test(test_air_alone_has_the_published_width),
        cmocka_unit_test(test_structure_function_is_the_integral_of_the_spectrum),
        cmocka_unit_test(test_telescope_in_kolmogorov_air),
        cmocka_unit_test(test_every_phase_keeps_the_flux),
        cmocka_unit_test(test_defocus_gives_the_geometric_disc),
        cmocka_unit_test(test_straight_drift_is_a_box_along_its_direction),
        cmocka_unit_test(test_east_is_minus_x_and_north_plus_y),
        cmocka_unit_test(test_blue_light_lies_nearer_the_zenith),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
