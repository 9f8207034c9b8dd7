/* test_night.c - The guide loop and the whole night: relations of OBSERVABILITY 2, backlash, signs,
 * files. */
#include "image/image.h"
#include "support.h"

#include <dirent.h>
#include <unistd.h>

struct run {
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    struct synth_air air;
    struct synth_night night;
};

static void walk(struct run *run, const struct nw_synth_opts *opts) {
    struct nw_err err = {0};
    must(nw_synth_scene_init(&run->rig, NULL, opts, &run->scene, &err), &err);
}

static void go(struct run *run) {
    struct nw_err err = {0};
    must(nw_synth_air_init(&run->scene, 6000.0, &run->air, &err), &err);
    must(nw_synth_night_run(&run->scene, &run->air, &run->night, &err), &err);
}

static void done(struct run *run) {
    nw_synth_night_done(&run->night);
    nw_synth_air_done(&run->air);
}

static void start(struct run *run, size_t n_subs, double sub_s) {
    *run = (struct run){0};
    small_rig(&run->rig, &run->setup);
    struct nw_synth_opts opts = small_opts();
    opts.n_subs = n_subs;
    opts.sub_length_s = sub_s;
    walk(run, &opts);
}

static void test_logged_variance_is_motion_plus_noise(void **state) {
    (void)state;
    struct run run;
    start(&run, 4, 600.0);
    go(&run);
    double ee = 0.0;
    double yy = 0.0;
    double nn = 0.0;
    double yn = 0.0;
    for (size_t i = 0; i < run.night.n_rows; i++) {
        const struct synth_row *row = &run.night.rows[i];
        if (!row->event[0] && fabs(row->n_rad) < 2.0 * ARCSEC) { /* settling left out */
            const double y = row->n_rad - row->noise_n_rad;
            ee += row->n_rad * row->n_rad;
            yy += y * y;
            nn += row->noise_n_rad * row->noise_n_rad;
            yn += y * row->noise_n_rad;
        }
    }
    assert_true(nn > 0.0 && yy > 0.0);
    check_near(ee / (yy + nn), 1.0, 0.12, "OBSERVABILITY 2: var(e) = var(y) + var(n)");
    check_near(yn / sqrt(yy * nn), 0.0, 0.12, "OBSERVABILITY 2: n is independent of y");
    done(&run);
}

static void test_tilt_of_the_guide_aperture_is_as_computed(void **state) {
    (void)state;
    struct run run;
    start(&run, 2, 60.0);
    run.scene.loop.aperture_m = 0.1;
    run.scene.outer_scale_m = 25.0;
    run.scene.wind_m_s = 10.0;
    struct nw_err err = {0};
    must(nw_synth_air_init(&run.scene, 26000.0, &run.air, &err), &err);
    const double expected[] = {0.106, 0.076, 0.048};
    const size_t steps[] = {20, 40, 100};
    for (int k = 0; k < 3; k++) {
        double sum = 0.0;
        size_t n = 0;
        for (size_t i = 0; i + steps[k] <= run.air.n_tilt; i += steps[k]) {
            double mean[2] = {0.0, 0.0};
            for (size_t j = 0; j < steps[k]; j++) {
                mean[0] += run.air.tilt_e_rad[i + j] / (double)steps[k];
                mean[1] += run.air.tilt_n_rad[i + j] / (double)steps[k];
            }
            sum += 0.5 * (mean[0] * mean[0] + mean[1] * mean[1]);
            n++;
        }
        const double rms = sqrt(sum / (double)n) / ARCSEC * pow(run.air.tilt_r0_m / 0.1, 5.0 / 6.0);
        check_near(rms / expected[k], 1.0, 0.08,
                   "IMG-29, rms of both axes against mean of rms, finite series");
    }
    done(&run);
}

static void test_positive_pulse_moves_the_star_positive(void **state) {
    (void)state;
    struct run run;
    start(&run, 2, 60.0);
    struct synth_mount *mount = &run.scene.mount;
    memset(mount->worm_amplitude_rad, 0, sizeof mount->worm_amplitude_rad);
    mount->polar_error_rad = mount->walk_ra_rad = mount->walk_dec_rad = 0.0;
    mount->shake_ra_rad = mount->shake_dec_rad = mount->burst_rad = 0.0;
    mount->backlash_rad = 1.5 * ARCSEC;
    mount->refraction = 0.0;
    gsl_rng *rng = nw_synth_rng_new(1, 1);
    struct synth_drive drive;
    nw_synth_drive_init(&run.scene, rng, &drive);
    drive.ra_left_s = 0.5;
    drive.dec_left_s = 1.0;
    for (int i = 0; i < 40; i++) {
        nw_synth_drive_step(&drive);
    }
    check_near(drive.e_rad / ARCSEC, 0.5 * 7.5205 * 0.96 * cos(run.scene.dec_rad), 1e-3,
               "closed form: rate x response x cos dec");
    const double first = 1.0 * 7.5205 * 0.93 - 0.75; /* half a gap lost from the middle */
    check_near(drive.n_rad / ARCSEC, first, 1e-3, "closed form, play operator");
    drive.dec_left_s = -1.0;
    for (int i = 0; i < 40; i++) {
        nw_synth_drive_step(&drive);
    }
    check_near(drive.n_rad / ARCSEC, first - (7.5205 * 0.93 - 1.5), 1e-3,
               "on reversal the whole gap is lost");
    gsl_rng_free(rng);
}

static void test_loop_pulls_against_the_error(void **state) {
    (void)state;
    struct run run;
    start(&run, 2, 120.0);
    go(&run);
    size_t n = 0;
    for (size_t i = 0; i < run.night.n_rows; i++) {
        const struct synth_row *row = &run.night.rows[i];
        if (!row->event[0] && row->ra_pulse_s != 0.0) {
            assert_true(row->ra_pulse_s * row->e_rad < 0.0);
            n++;
        }
    }
    assert_true(n > 10);
    done(&run);
}

static void test_dithers_fall_between_subs(void **state) {
    (void)state;
    struct run run;
    start(&run, 5, 60.0);
    go(&run);
    size_t dithers = 0;
    for (size_t i = 0; i < run.night.n_rows; i++) {
        if (strcmp(run.night.rows[i].event, "dither") == 0) {
            dithers++;
            for (size_t k = 0; k < run.night.n_subs; k++) {
                assert_false(run.night.rows[i].t_s > run.night.subs[k].start_s &&
                             run.night.rows[i].t_s < run.night.subs[k].end_s);
            }
        }
    }
    assert_int_equal(dithers, 4);
    for (size_t k = 0; k + 1 < run.night.n_subs; k++) {
        assert_true(run.night.subs[k].end_s < run.night.subs[k + 1].start_s);
    }
    done(&run);
}

static void test_path_is_about_its_mean_with_the_rms_that_is_told(void **state) {
    (void)state;
    struct run run;
    start(&run, 2, 120.0);
    go(&run);
    const struct synth_sub *sub = &run.night.subs[1];
    assert_int_equal(sub->n_path, 2400);
    double sum = 0.0;
    double square = 0.0;
    for (size_t i = 0; i < sub->n_path; i++) {
        sum += sub->path_e_rad[i];
        square += sub->path_e_rad[i] * sub->path_e_rad[i];
    }
    check_near(sum / 2400.0 / ARCSEC, 0.0, 1e-9, "definition");
    check_near(sqrt(square / 2400.0), sub->rms_e_rad, 1e-12, "definition");
    done(&run);
}

static void test_focus_error_scales_with_m_squared_when_the_corrector_rides(void **state) {
    (void)state;
    double defocus[2];
    for (int k = 0; k < 2; k++) {
        struct run run;
        start(&run, 2, 60.0);
        run.setup.has_corrector = true;
        run.setup.corrector.magnification.v = 0.8;
        run.setup.has_focuser = true;
        run.setup.focuser.repeatability_m.v = 20e-6;
        run.setup.focuser.carries = k ? NW_CARRIES_CORRECTOR_AND_CAMERA : NW_CARRIES_CAMERA;
        struct nw_synth_opts opts = small_opts();
        walk(&run, &opts);
        go(&run);
        defocus[k] = run.night.subs[0].defocus_m;
        done(&run);
    }
    check_near(defocus[1] / defocus[0], 0.64, 1e-9, "OBSERVABILITY 8: m^2");
}

/* ---- files -------------------------------------------------------------------------------- */

static void clear(const char *folder) {
    DIR *dir = opendir(folder);
    if (!dir) {
        return;
    }
    char path[400];
    for (const struct dirent *entry = readdir(dir); entry; entry = readdir(dir)) {
        if (entry->d_name[0] != '.') {
            (void)snprintf(path, sizeof path, "%s/%.200s", folder, entry->d_name);
            (void)unlink(path);
        }
    }
    (void)closedir(dir);
    (void)rmdir(folder);
}

static void make_night(const struct nw_rig *rig, int n_threads, const char *folder, char **ret) {
    struct nw_err err = {0};
    struct nw_synth_opts opts = small_opts();
    opts.n_threads = n_threads;
    must(nw_synth_night(rig, NULL, &opts, folder, NULL, &err), &err);
    char path[400];
    size_t len = 0;
    (void)snprintf(path, sizeof path, "%s/truth.json", folder);
    must(nw_file_read(path, 1u << 24, ret, &len, &err), &err);
}

static void test_same_seed_same_night_with_any_threads(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    small_rig(&rig, &setup);
    char base[] = "/tmp/nw_synth_XXXXXX";
    assert_non_null(mkdtemp(base));
    char folders[2][80];
    char *texts[2] = {NULL, NULL};
    for (int i = 0; i < 2; i++) {
        (void)snprintf(folders[i], sizeof folders[i], "%s/%d", base, i);
        make_night(&rig, i + 1, folders[i], &texts[i]);
    }
    assert_string_equal(texts[0], texts[1]); /* holds a hash of every frame's pixels */
    assert_non_null(strstr(texts[0], "\"pixel_hash\""));
    struct nw_err err = {0};
    const struct nw_synth_opts opts = small_opts();
    assert_int_equal(nw_synth_night(&rig, NULL, &opts, folders[0], NULL, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "is not empty; name a new or an empty one"));
    for (int i = 0; i < 2; i++) {
        free(texts[i]);
        clear(folders[i]);
    }
    assert_int_equal(rmdir(base), 0);
}

static bool stop(void *user, size_t n_done, size_t total) {
    (void)user;
    (void)n_done;
    (void)total;
    return false;
}

static void test_nothing_is_left_when_it_fails(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    small_rig(&rig, &setup);
    char base[] = "/tmp/nw_synth_XXXXXX";
    assert_non_null(mkdtemp(base));
    char folder[80];
    (void)snprintf(folder, sizeof folder, "%s/night", base);
    struct nw_err err = {0};
    const struct nw_synth_opts opts = small_opts();
    const struct nw_progress progress = {.tell = stop};
    assert_int_not_equal(nw_synth_night(&rig, NULL, &opts, folder, &progress, &err), NW_OK);
    assert_int_equal(nw_synth_night(&rig, "none", &opts, folder, NULL, &err), NW_NOTFOUND);
    setup.telescope.aperture_m.v = NAN;
    assert_int_equal(nw_synth_night(&rig, NULL, &opts, folder, NULL, &err), NW_DOMAIN);
    assert_int_equal(rmdir(base), 0); /* so nothing is in it */
}

/* ---- a frame without noise --------------------------------------------------------------- */

#define GRID_X ((size_t)9)
#define GRID_Y ((size_t)6)
#define PITCH_PX 40.0

/* Profile of the stars of a frame about their known places: its top, and its mean on a ring. */
static void stack(const struct nw_frame *frame, const struct synth_field *field, double electrons,
                  double ring_px, double ret_top_ring_flux[3]) {
    double top[2] = {0.0, 0.0};
    double ring[2] = {0.0, 0.0};
    double flux = 0.0;
    for (size_t k = 0; k < field->n; k++) {
        for (int j = -18; j <= 18; j++) {
            for (int i = -18; i <= 18; i++) {
                const double x = floor(field->stars[k].x_px) + i;
                const double y = floor(field->stars[k].y_px) + j;
                const double r = hypot(x - field->stars[k].x_px, y - field->stars[k].y_px);
                const size_t at = (size_t)y * frame->width_px + (size_t)x;
                const double value = ((double)frame->px[at] - 500.0) * 0.5 / electrons;
                flux += value / (double)field->n;
                if (r < 0.15) {
                    top[0] += 1.0;
                    top[1] += value;
                }
                if (fabs(r - ring_px) < 0.06) {
                    ring[0] += 1.0;
                    ring[1] += value;
                }
            }
        }
    }
    ret_top_ring_flux[0] = top[1] / top[0];
    ret_top_ring_flux[1] = ring[1] / ring[0];
    ret_top_ring_flux[2] = flux;
}

static void test_drawn_stars_have_half_their_height_at_half_the_true_width(void **state) {
    (void)state;
    struct run run;
    start(&run, 2, 60.0);
    run.scene.opts.without_noise = true;
    run.scene.sky_mag = 40.0; /* none */
    run.scene.camera.dark_e_s = 0.0;
    run.scene.camera.full_scale_e = 32000.0;
    go(&run);
    struct nw_err err = {0};
    struct synth_psf_plan plan;
    must(nw_synth_psf_plan_init(&run.scene, &plan, &err), &err);
    struct synth_star stars[GRID_X * GRID_Y];
    const double at_zero = nw_synth_star_electrons(&run.scene, &run.night.subs[0], 0, 0.0);
    const double electrons = 60000.0;
    for (size_t i = 0; i < GRID_X * GRID_Y; i++) { /* every part of a pixel, nowhere the same */
        const size_t row = i / GRID_X;
        stars[i].x_px = 30.0 + PITCH_PX * (double)(i % GRID_X) + fmod(0.618034 * (double)i, 1.0);
        stars[i].y_px = 30.0 + PITCH_PX * (double)row + fmod(0.414214 * (double)i, 1.0);
        stars[i].mag = 2.5 * log10(at_zero / electrons);
    }
    const struct synth_field field = {.stars = stars, .n = GRID_X * GRID_Y};
    char folder[] = "/tmp/nw_synth_XXXXXX";
    assert_non_null(mkdtemp(folder));
    const struct synth_job job = {&run.scene, &plan, &run.night, &field, folder, NULL};
    struct synth_frame_truth truth;
    must(nw_synth_frame_make(&job, 0, &truth, &err), &err);
    char path[120];
    (void)snprintf(path, sizeof path, "%s/light_0001.fits", folder);
    struct nw_frame *frame = NULL;
    must(nw_frame_read(path, NULL, &frame, &err), &err);
    double got[3];
    stack(frame, &field, electrons, 0.5 * truth.centre.fwhm_px, got);
    /* the mean over r < 0.15 px lies 2 % below the top of a profile of 1.8 px */
    check_near(got[1] / got[0], 0.5, 0.025, "definition of truth's fwhm_px");
    assert_true(got[2] > 0.95 && got[2] < 1.02); /* neighbours' wings are in, own ones out */
    nw_frame_free(frame);
    nw_synth_psf_plan_done(&plan);
    done(&run);
    clear(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_logged_variance_is_motion_plus_noise),
        cmocka_unit_test(test_tilt_of_the_guide_aperture_is_as_computed),
        cmocka_unit_test(test_positive_pulse_moves_the_star_positive),
        cmocka_unit_test(test_loop_pulls_against_the_error),
        cmocka_unit_test(test_dithers_fall_between_subs),
        cmocka_unit_test(test_path_is_about_its_mean_with_the_rms_that_is_told),
        cmocka_unit_test(test_focus_error_scales_with_m_squared_when_the_corrector_rides),
        cmocka_unit_test(test_drawn_stars_have_half_their_height_at_half_the_true_width),
        cmocka_unit_test(test_same_seed_same_night_with_any_threads),
        cmocka_unit_test(test_nothing_is_left_when_it_fails),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
