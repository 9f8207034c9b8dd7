/* test_trail.c - trails drawn here, with a wobble that is known, cut and measured */
#include "image/trail.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <stdlib.h>
#include <string.h>

#include "check.h"

enum { W = 700, H = 600, STARS = 6 };

struct sky {
    double angle_rad, length_px, sigma_px, period_px, amplitude_px;
    double light_e_px; /* of the brightest, per pixel of drift */
    double sky_e, gain;
    bool with_noise;
};

static const double PLACES[STARS][2] = {{180, 160}, {400, 130}, {500, 300},
                                        {250, 330}, {350, 490}, {190, 440}};

/* A Gaussian star carried along in steps of 0.1 px; pixels integrated by erf in both axes. */
static void draw_star(const struct sky *sky, double x0, double y0, double light_e_px, float *px) {
    const double step = 0.1;
    const double c = cos(sky->angle_rad);
    const double s = sin(sky->angle_rad);
    const int reach = (int)ceil(5.0 * sky->sigma_px);
    for (double u = -0.5 * sky->length_px; u < 0.5 * sky->length_px; u += step) {
        const double w =
            sky->amplitude_px > 0.0 ? sky->amplitude_px * cos(2.0 * NW_PI * u / sky->period_px) : 0;
        const double x = x0 + u * c - w * s;
        const double y = y0 + u * s + w * c;
        const double root = sky->sigma_px * sqrt(2.0);
        double row[64];
        for (int i = 0; i <= 2 * reach; i++) {
            const double at = round(x) - reach + i - x;
            row[i] = 0.5 * (erf((at + 0.5) / root) - erf((at - 0.5) / root));
        }
        for (int j = 0; j <= 2 * reach; j++) {
            const double at = round(y) - reach + j - y;
            const double column = 0.5 * (erf((at + 0.5) / root) - erf((at - 0.5) / root));
            const long iy = lround(y) - reach + j;
            for (int i = 0; i <= 2 * reach; i++) {
                const long ix = lround(x) - reach + i;
                if (ix >= 0 && iy >= 0 && ix < W && iy < H) {
                    px[iy * W + ix] += (float)(light_e_px * step * column * row[i]);
                }
            }
        }
    }
}

static void expose(const struct sky *sky, float *px) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 7);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        const double mean = (double)px[i] + sky->sky_e;
        const double sigma = sky->with_noise ? sqrt(mean) : 0.05;
        px[i] = (float)((mean + gsl_ran_gaussian(rng, sigma)) / sky->gain);
    }
    gsl_rng_free(rng);
}

static float *draw(const struct sky *sky) {
    float *px = calloc((size_t)W * H, sizeof *px);
    assert_non_null(px);
    for (int s = 0; s < STARS; s++) {
        draw_star(sky, PLACES[s][0] + 0.37 * s, PLACES[s][1] + 0.21 * s,
                  sky->light_e_px * pow(0.8, s), px);
    }
    expose(sky, px);
    return px;
}

static enum nw_status measure(float *px, const struct nw_trail_opts *opts, struct nw_trails *ret,
                              struct nw_err *err) {
    const struct nw_image_view view = {.px = px, .width_px = W, .height_px = H, .stride_px = W};
    return nw_trails_measure(view, opts, ret, err);
}

/* Least squares of constant, line and parabola taken off (Gram-Schmidt). */
static void detrend(double *values, size_t n) {
    double basis[3][W];
    for (size_t k = 0; k < 3; k++) {
        double norm = 0.0;
        for (size_t i = 0; i < n; i++) {
            basis[k][i] = pow(2.0 * (double)i / (double)n - 1.0, (double)k);
        }
        for (size_t m = 0; m <= k; m++) {
            double dot = 0.0;
            for (size_t i = 0; i < n; i++) {
                dot += basis[m][i] * basis[k][i];
            }
            for (size_t i = 0; i < n && m < k; i++) {
                basis[k][i] -= dot * basis[m][i];
            }
            norm = dot;
        }
        for (size_t i = 0; i < n; i++) {
            basis[k][i] /= sqrt(norm);
        }
        double dot = 0.0;
        for (size_t i = 0; i < n; i++) {
            dot += values[i] * basis[k][i];
        }
        for (size_t i = 0; i < n; i++) {
            values[i] -= dot * basis[k][i];
        }
    }
}

/* Amplitude of the wave of that period in a straightened series: least squares on sine and cosine,
 * straightened likewise. */
static double amplitude(const double *values, size_t n, double step_px, double period_px) {
    double sine[W], cosine[W];
    double ss = 0.0, cc = 0.0, sc = 0.0, vs = 0.0, vc = 0.0;
    for (size_t i = 0; i < n; i++) {
        sine[i] = sin(2.0 * NW_PI * (double)i * step_px / period_px);
        cosine[i] = cos(2.0 * NW_PI * (double)i * step_px / period_px);
    }
    detrend(sine, n);
    detrend(cosine, n);
    for (size_t i = 0; i < n; i++) {
        ss += sine[i] * sine[i];
        cc += cosine[i] * cosine[i];
        sc += sine[i] * cosine[i];
        vs += values[i] * sine[i];
        vc += values[i] * cosine[i];
    }
    const double det = ss * cc - sc * sc;
    return hypot((vs * cc - vc * sc) / det, (vc * ss - vs * sc) / det);
}

static void test_a_wave_is_found_at_every_angle(void **state) {
    (void)state;
    static const double degrees[] = {0.0, 3.0, 25.0, 44.0, 52.0, 90.0, -70.0, -20.0};
    static const double periods_px[] = {30.0, 12.0};
    for (size_t p = 0; p < 2; p++) {
        for (size_t i = 0; i < sizeof degrees / sizeof *degrees; i++) {
            const struct sky sky = {.angle_rad = degrees[i] * NW_RAD_PER_DEG,
                                    .length_px = 200.0,
                                    .sigma_px = 1.1,
                                    .period_px = periods_px[p],
                                    .amplitude_px = 0.3,
                                    .light_e_px = 20000,
                                    .sky_e = 100,
                                    .gain = 1.0};
            float *px = draw(&sky);
            struct nw_trails t = {0};
            struct nw_err err = {0};
            if (measure(px, NULL, &t, &err) != NW_OK) {
                fail_msg("%g deg: %s", degrees[i], err.text);
            }
            /* at some angles two lie in each other's way */
            assert_true(t.n >= 2);
            check_near(remainder(t.angle_rad - sky.angle_rad, NW_PI), 0.0, 0.003, "as drawn");
            check_near(t.length_px, sky.length_px, 1.5, "as drawn");
            check_near(t.width_sigma_px, sqrt(1.1 * 1.1 + 1.0 / 12.0), 0.03,
                       "closed form: Gaussian and pixel");
            const double want =
                0.3 * nw_trail_response(1.0 / sky.period_px, &t.profile, t.angle_rad);
            for (size_t s = 0; s < t.n; s++) {
                const double got =
                    amplitude(t.items[s].wobble_px, t.n_steps, t.step_px, sky.period_px);
                check_near(got, want, 0.01 * want, "drawn amplitude times nw_trail_response");
            }
            nw_trails_done(&t);
            free(px);
        }
    }
}

static void test_noise_of_a_step_is_the_expected_one(void **state) {
    (void)state;
    static const double degrees[] = {0.0, 33.0};
    for (size_t i = 0; i < 2; i++) {
        const struct sky sky = {.angle_rad = degrees[i] * NW_RAD_PER_DEG,
                                .length_px = 250.0,
                                .sigma_px = 1.2,
                                .light_e_px = 3000,
                                .sky_e = 100,
                                .gain = 2.0,
                                .with_noise = true};
        float *px = draw(&sky);
        const struct nw_trail_opts opts = {
            .expected_length_px = 250.0, .gain_e_per_adu = 2.0, .saturation_adu = NAN};
        struct nw_trails t = {0};
        struct nw_err err = {0};
        assert_int_equal(measure(px, &opts, &t, &err), NW_OK);
        assert_true(t.n >= STARS - 1);
        double sum = 0.0;
        for (size_t s = 0; s < t.n; s++) {
            double sum2 = 0.0;
            for (size_t k = 0; k < t.n_steps; k++) {
                sum2 += pow(t.items[s].wobble_px[k], 2.0);
            }
            sum += sqrt(sum2 / (double)(t.n_steps - 3)) / t.items[s].noise_px / (double)t.n;
        }
        /* 6 x 240 steps: 1.9 % by chance */
        check_near(sum, 1.0, 0.07, "Monte Carlo: scatter = reported noise");
        nw_trails_done(&t);
        free(px);
    }
}

static void test_hits_are_mended_and_full_stars_left_out(void **state) {
    (void)state;
    const struct sky sky = {.angle_rad = 0.0,
                            .length_px = 200.0,
                            .sigma_px = 1.2,
                            .light_e_px = 20000,
                            .sky_e = 100,
                            .gain = 1.0,
                            .with_noise = true};
    float *px = draw(&sky);
    px[132 * W + 420] += 30000.0f;
    const struct nw_trail_opts opts = {
        .expected_length_px = NAN, .saturation_adu = 6500.0, .gain_e_per_adu = 1.0};
    struct nw_trails t = {0};
    struct nw_err err = {0};
    assert_int_equal(measure(px, NULL, &t, &err), NW_OK);
    assert_int_equal(t.n, STARS);
    size_t mended = 0;
    for (size_t s = 0; s < t.n; s++) {
        mended += t.items[s].n_mended;
        for (size_t k = 0; k < t.n_steps; k++) {
            assert_true(fabs(t.items[s].wobble_px[k]) < 0.25);
        }
    }
    assert_true(mended >= 1 && mended <= 6);
    nw_trails_done(&t);
    assert_int_equal(measure(px, &opts, &t, &err), NW_OK);
    assert_true(t.n_saturated >= 1 && t.n + t.n_saturated == STARS);
    nw_trails_done(&t);
    const struct nw_trail_opts all = {.expected_length_px = NAN, .saturation_adu = 500.0};
    assert_int_equal(measure(px, &all, &t, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no trail can be used: of 6 seen 6 are saturated"));
    const struct nw_trail_opts other = {.expected_length_px = 260.0};
    assert_int_equal(measure(px, &other, &t, &err), NW_DATA);
    assert_non_null(strstr(err.text, "where a standing mount gives 260.0 px: the drive ran"));
    free(px);
}

static void test_what_is_no_trail_is_refused(void **state) {
    (void)state;
    struct sky sky = {.length_px = 0.15,
                      .sigma_px = 1.5,
                      .light_e_px = 500000,
                      .sky_e = 100,
                      .gain = 1.0,
                      .with_noise = true};
    struct nw_trails t = {0};
    struct nw_err err = {0};
    float *px = draw(&sky);
    assert_int_equal(measure(px, NULL, &t, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no trails: of 6 stars the longest is"));
    free(px);
    sky.length_px = 40.0;
    sky.light_e_px = 20000;
    px = draw(&sky);
    assert_int_equal(measure(px, NULL, &t, &err), NW_DATA);
    assert_non_null(strstr(err.text, "are too short"));
    free(px);
    sky.light_e_px = 0.0;
    px = draw(&sky);
    assert_int_equal(measure(px, NULL, &t, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no trails"));
    const struct nw_image_view small = {.px = px, .width_px = 60, .height_px = 60, .stride_px = W};
    assert_int_equal(nw_trails_measure(small, NULL, &t, &err), NW_DOMAIN);
    free(px);
    nw_trails_done(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_wave_is_found_at_every_angle),
        cmocka_unit_test(test_noise_of_a_step_is_the_expected_one),
        cmocka_unit_test(test_hits_are_mended_and_full_stars_left_out),
        cmocka_unit_test(test_what_is_no_trail_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
