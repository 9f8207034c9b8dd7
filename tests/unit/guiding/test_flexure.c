/* test_flexure.c - how the camera lies, and how the main telescope moves against the guide star. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "check.h"
#include "guiding/flexure.h"

#define AS NW_ARCSEC_PER_RAD
enum { FRAMES = 16, ROWS = FRAMES * 160 };
static const double SCALE = 1.2 / AS; /* of the main frame */
static const double GUIDE_SCALE = 3.0 / AS;

struct night {
    struct nw_guide_log log;
    struct nw_guide_row rows[ROWS];
    struct nw_guide_analysis analysis;
    struct nw_span dithers[FRAMES];
    struct nw_guided_frame frames[FRAMES];
};

struct truth {
    double angle_rad, east_rad_s, north_rad_s; /* of the camera's +y; flexure */
    double turn_rad_s;                         /* of the field, north through east */
    double guide_rad[2];                       /* guide star against the middle, east and north */
    double noise_px;
    bool is_mirrored, has_lock;
};

/* A place on the sky (east, north of the middle) on the chip. By definition: +y at angle A, +x a
 * quarter turn from it towards west, or towards east when mirrored. */
static void on_chip(const struct truth *t, double east, double north, double ret[2]) {
    const double x = -east * cos(t->angle_rad) + north * sin(t->angle_rad);
    ret[0] = (t->is_mirrored ? -x : x) / SCALE;
    ret[1] = (east * sin(t->angle_rad) + north * cos(t->angle_rad)) / SCALE;
}

static struct nw_guide_row *add_row(struct night *night, double t_s, const double lock[2],
                                    const struct truth *t) {
    struct nw_guide_row *const row = &night->rows[night->log.n++];
    *row = (struct nw_guide_row){
        .t_s = t_s,
        .lock_x_px = t->has_lock ? 320.0 - lock[0] / GUIDE_SCALE : NAN,
        .lock_y_px = t->has_lock ? 240.0 + lock[1] / GUIDE_SCALE : NAN,
    };
    return row;
}

/* The middle of the field on the sky, as seen by the main camera, at time t. The guide star is held
 * on the lock point; stars turn about it north through east: (e, n) gains turn * (n, -e). */
static void middle_at(const struct truth *t, double t_s, const double lock[2], double ret[2]) {
    const double turn = t->turn_rad_s * t_s;
    ret[0] = lock[0] + t->east_rad_s * t_s - turn * t->guide_rad[1];
    ret[1] = lock[1] + t->north_rad_s * t_s + turn * t->guide_rad[0];
}

/* 16 subs of 300 s every 320 s, a dither of up to 5 arcsec each way between them; no air, the guide
 * star without error. */
static void make(struct night *night, const struct truth *t, gsl_rng *rng) {
    double lock[2] = {0.0, 0.0};
    double first_px[2] = {0.0, 0.0};
    memset(night, 0, sizeof *night);
    night->log.rows = night->rows;
    night->log.is_dec_sign_known = true;
    night->analysis.dithers = night->dithers;
    night->analysis.ra.rms_logged_rad = night->analysis.dec.rms_logged_rad = 0.1 / AS;
    for (size_t k = 0; k < FRAMES; k++) {
        const double start_s = 320.0 * (double)k;
        double middle[2];
        double px[2];
        if (k > 0) { /* the lock point jumps, the star has not followed yet: e = -jump */
            const double to[2] = {10.0 / AS * (gsl_rng_uniform(rng) - 0.5),
                                  10.0 / AS * (gsl_rng_uniform(rng) - 0.5)};
            struct nw_guide_row *const row = add_row(night, start_s - 18.0, to, t);
            row->ra_rad = lock[0] - to[0];
            row->dec_rad = lock[1] - to[1];
            memcpy(lock, to, sizeof lock);
            night->dithers[night->analysis.n_dithers++] =
                (struct nw_span){start_s - 18.0, start_s - 8.0};
        }
        for (size_t i = 0; i < 150; i++) {
            (void)add_row(night, start_s + 2.0 * (double)i, lock, t);
        }
        middle_at(t, start_s + 150.0, lock, middle);
        on_chip(t, middle[0], middle[1], px);
        if (k == 0) {
            memcpy(first_px, px, sizeof px);
        }
        const double turn = t->turn_rad_s * 320.0 * (double)k;
        night->frames[k] = (struct nw_guided_frame){
            .start_s = start_s,
            .end_s = start_s + 300.0,
            .hour_rad = 0.0,
            .dec_rad = 0.5,
            .shift_px = {px[0] - first_px[0] + gsl_ran_gaussian(rng, t->noise_px),
                         px[1] - first_px[1] + gsl_ran_gaussian(rng, t->noise_px)},
            .turn_rad = t->is_mirrored ? -turn : turn,
        };
    }
}

static const struct truth PLAIN = {.angle_rad = 0.7,
                                   .east_rad_s = 6.0 / AS / 3600.0,
                                   .north_rad_s = -3.0 / AS / 3600.0,
                                   .noise_px = 0.02,
                                   .has_lock = true};

static struct nw_camera_lie lie_of(const struct night *night) {
    struct nw_guide_move moves[FRAMES];
    struct nw_camera_lie lie;
    nw_guide_moves(&night->log, &night->analysis, moves);
    nw_camera_lie(night->frames, FRAMES, moves, night->analysis.n_dithers, &lie);
    return lie;
}

static struct nw_flexure flexure_of(const struct night *night, const struct truth *t,
                                    const struct nw_camera_lie *lie) {
    const struct nw_flexure_opts opts = {.latitude_rad = 0.8,
                                         .angle_rad = lie->angle_rad,
                                         .scale_rad_px = lie->scale_rad_px,
                                         .is_mirrored = lie->is_mirrored,
                                         .guide_east_rad = t->guide_rad[0],
                                         .guide_north_rad = t->guide_rad[1],
                                         .guide_sigma_rad = 1e-4};
    struct nw_flexure flexure;
    struct nw_err err = {0};
    assert_int_equal(nw_flexure_solve(&night->log, &night->analysis, night->frames, FRAMES, &opts,
                                      &flexure, &err),
                     NW_OK);
    return flexure;
}

static void test_dithers_tell_how_the_camera_lies(void **state) {
    (void)state;
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int i = 0; i < 12; i++) {
        struct truth t = PLAIN;
        t.is_mirrored = i % 2 == 1;
        t.angle_rad = 0.55 * i;
        t.noise_px = 0.0;
        t.east_rad_s = t.north_rad_s = 0.0;
        make(&night, &t, rng);
        const struct nw_camera_lie lie = lie_of(&night);
        assert_string_equal(lie.why_null, "");
        assert_int_equal(lie.is_mirrored, t.is_mirrored);
        check_near(remainder(lie.angle_rad - t.angle_rad, 2.0 * NW_PI), 0.0, 1e-9, "as made");
        check_near(lie.scale_rad_px / SCALE, 1.0, 1e-9, "as made");
        assert_int_equal(lie.n_moves, FRAMES - 1);
    }
    gsl_rng_free(rng);
}

static void test_flexure_is_found_mirrored_or_not_with_lock_points(void **state) {
    (void)state;
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int i = 0; i < 4; i++) {
        struct truth t = PLAIN;
        t.is_mirrored = i % 2 == 1;
        t.noise_px = 0.0;
        t.turn_rad_s =
            i < 2 ? 0.0 : 15.0 / AS / 3600.0; /* an axis 1 arcmin off turns about 16"/h */
        t.guide_rad[0] = 0.4 * NW_RAD_PER_DEG;
        t.guide_rad[1] = -0.3 * NW_RAD_PER_DEG;
        make(&night, &t, rng);
        const struct nw_camera_lie exact = {
            .angle_rad = t.angle_rad, .scale_rad_px = SCALE, .is_mirrored = t.is_mirrored};
        const struct nw_flexure f = flexure_of(&night, &t, &exact);
        assert_string_equal(f.why_null, "");
        check_near(f.east_rad_s / t.east_rad_s, 1.0, 1e-6, "as made");
        check_near(f.north_rad_s / t.north_rad_s, 1.0, 1e-6, "as made");
        check_near(f.direction_rad * NW_DEG_PER_RAD, 116.565, 1e-3, "atan2(6, -3)");
        assert_true(f.has_lock);
    }
    gsl_rng_free(rng);
}

static void test_its_errors_are_true(void **state) {
    (void)state;
    enum { TRIALS = 200 };
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    double sums[2] = {0.0};
    for (int i = 0; i < TRIALS; i++) {
        make(&night, &PLAIN, rng);
        const struct nw_camera_lie exact = {.angle_rad = PLAIN.angle_rad, .scale_rad_px = SCALE};
        const struct nw_flexure f = flexure_of(&night, &PLAIN, &exact);
        const double pulls[2] = {(f.east_rad_s - PLAIN.east_rad_s) / f.east_sigma_rad_s,
                                 (f.north_rad_s - PLAIN.north_rad_s) / f.north_sigma_rad_s};
        sums[0] += pulls[0] * pulls[0] / TRIALS;
        sums[1] += pulls[1] * pulls[1] / TRIALS;
    }
    /* the sigma is from 24 residuals, so a pull is Student's t: width 1.04; sd over trials 0.05 */
    check_near(sqrt(sums[0]), 1.04, 0.15, "Monte Carlo, 200 trials");
    check_near(sqrt(sums[1]), 1.04, 0.15, "Monte Carlo, 200 trials");
    gsl_rng_free(rng);
}

/* Single frames tell the turn badly; that must not pass for a guide star in the middle. Turned
 * evenly its place is unknown and in the errors; turned unevenly the frames tell it. */
static void test_a_noisy_turn_does_not_mislead(void **state) {
    (void)state;
    enum { TRIALS = 200 };
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    const double off_rad = 0.5 * NW_RAD_PER_DEG;
    double sum = 0.0;
    double sigma = 0.0;
    for (int i = 0; i < TRIALS; i++) {
        struct truth t = PLAIN;
        t.turn_rad_s = 60.0 / AS / 3600.0;
        t.guide_rad[0] = gsl_ran_gaussian(rng, off_rad);
        t.guide_rad[1] = gsl_ran_gaussian(rng, off_rad);
        make(&night, &t, rng);
        for (size_t k = 1; k < FRAMES; k++) {
            night.frames[k].turn_rad += gsl_ran_gaussian(rng, 6.0 / AS);
        }
        const struct nw_flexure_opts opts = {
            .angle_rad = t.angle_rad, .scale_rad_px = SCALE, .guide_sigma_rad = off_rad};
        struct nw_flexure f;
        struct nw_err err = {0};
        assert_int_equal(
            nw_flexure_solve(&night.log, &night.analysis, night.frames, FRAMES, &opts, &f, &err),
            NW_OK);
        sum += pow((f.east_rad_s - t.east_rad_s) / f.east_sigma_rad_s, 2.0) / TRIALS;
        sigma += f.east_sigma_rad_s / TRIALS;
    }
    gsl_rng_free(rng);
    check_near(sqrt(sum), 1.0, 0.15, "pull width, 200 trials");
    check_near(sigma * AS * 3600.0, 60.0 * 0.5 * NW_RAD_PER_DEG, 0.06,
               "turn rate times what is not known of the place");
}

static void test_what_cannot_be_told_is_said(void **state) {
    (void)state;
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct truth t = PLAIN;
    t.has_lock = false; /* every frame stands between other dithers */
    make(&night, &t, rng);
    const struct nw_camera_lie exact = {.angle_rad = t.angle_rad, .scale_rad_px = SCALE};
    struct nw_flexure f = flexure_of(&night, &t, &exact);
    assert_true(isnan(f.rate_rad_s));
    assert_non_null(strstr(f.why_null, "two or more between the same dithers"));
    const struct nw_camera_lie unknown = {.angle_rad = NAN, .scale_rad_px = NAN};
    f = flexure_of(&night, &t, &unknown);
    assert_non_null(strstr(f.why_null, "how the frame lies"));
    const struct nw_flexure_opts opts = {
        .angle_rad = t.angle_rad, .scale_rad_px = SCALE, .guide_sigma_rad = 0.01};
    struct nw_err err = {0};
    night.analysis.n_dithers = 0; /* four frames of one block: the turn would be taken as none */
    assert_int_equal(
        nw_flexure_solve(&night.log, &night.analysis, night.frames, 4, &opts, &f, &err), NW_OK);
    assert_true(isnan(f.rate_rad_s));
    assert_non_null(strstr(f.why_null, "4 matched frames with guide stars in them; 5 are needed"));
    t.noise_px = 200.0; /* frames of another night */
    make(&night, &t, rng);
    const struct nw_camera_lie lie = lie_of(&night);
    assert_true(isnan(lie.angle_rad));
    assert_non_null(strstr(lie.why_null, "do not shift alike"));
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_dithers_tell_how_the_camera_lies),
        cmocka_unit_test(test_flexure_is_found_mirrored_or_not_with_lock_points),
        cmocka_unit_test(test_its_errors_are_true),
        cmocka_unit_test(test_a_noisy_turn_does_not_mislead),
        cmocka_unit_test(test_what_cannot_be_told_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
