/* test_transmission.c - light between frames: 0.5 % and errors that are true, also with cloud over
 * half of the field, few stars, saturated ones, other exposure times. Lists of stars of known
 * truth, no pixels: what is tested is the solution. */
#include "check.h"
#include "star_field.h"

enum { FRAMES = 30, MOST = 400, WIDTH = 3000, HEIGHT = 2000 };

struct night {
    int n_stars;
    double noise;      /* relative, of a star at SNR 200; grows with 1/sqrt(flux) */
    int n_patchy;      /* frames with cloud over the left half */
    double saturation; /* flux from which stars are flagged; 0: none */
    bool is_changing;  /* exposure times 60, 120, 300 s */
};

struct sky {
    struct nw_measure m[FRAMES];
    const struct nw_measure *list[FRAMES];
    struct nw_star stars[FRAMES][MOST];
    double exposure_s[FRAMES], truth[FRAMES];
    struct nw_transmission t[FRAMES];
};

/* What cloud leaves at a place: 40 to 95 %, wavy; 1 right of the middle. */
static double cloud_at(double x, double y, int frame) {
    if (x > 0.5 * WIDTH) {
        return 1.0;
    }
    return 0.675 + 0.275 * sin(0.004 * x + 0.7 * frame) * cos(0.003 * y + 1.3 * frame);
}

static void simulate(struct sky *s, const struct night *night, gsl_rng *rng) {
    static double x[MOST];
    static double y[MOST];
    static double flux[MOST];
    memset(s, 0, sizeof *s);
    for (int i = 0; i < night->n_stars; i++) {
        x[i] = WIDTH * gsl_rng_uniform(rng);
        y[i] = HEIGHT * gsl_rng_uniform(rng);
        flux[i] = 4e3 * pow(gsl_rng_uniform_pos(rng), -0.7); /* ADU in 60 s */
    }
    for (int f = 0; f < FRAMES; f++) {
        static const double times[3] = {60.0, 120.0, 300.0};
        s->exposure_s[f] = night->is_changing ? times[f % 3] : 60.0;
        s->truth[f] = f == 3 ? 1.0 : 0.7 + 0.28 * gsl_rng_uniform(rng);
        const bool is_patchy = f >= 5 && f < 5 + night->n_patchy;
        const double dx = 60.0 * (gsl_rng_uniform(rng) - 0.5);
        const double dy = 60.0 * (gsl_rng_uniform(rng) - 0.5);
        struct nw_measure *const m = &s->m[f];
        *m = (struct nw_measure){.width_px = WIDTH, .height_px = HEIGHT, .stars = s->stars[f]};
        for (int i = 0; i < night->n_stars; i++) {
            const double seen = s->truth[f] * (is_patchy ? cloud_at(x[i], y[i], f) : 1.0);
            const double light = flux[i] * seen * s->exposure_s[f] / 60.0;
            const double sigma = night->noise * sqrt(light * 1e4); /* at 1e4 ADU: noise */
            const double got = light + gsl_ran_gaussian(rng, sigma) +
                               light * gsl_ran_gaussian(rng, 0.003); /* flat field */
            if (x[i] + dx < 0.0 || y[i] + dy < 0.0 || x[i] + dx >= WIDTH || y[i] + dy >= HEIGHT) {
                continue;
            }
            s->stars[f][m->n_stars++] = (struct nw_star){
                .x_px = x[i] + dx,
                .y_px = y[i] + dy,
                .x_sigma_px = 0.02,
                .y_sigma_px = 0.02,
                .flux_adu = got,
                .flux_sigma_adu = sigma,
                .snr = got / sigma,
                .fwhm_px = 3.0,
                .flags =
                    night->saturation > 0.0 && got > night->saturation ? NW_STAR_SATURATED : 0};
        }
        for (size_t a = 1; a < m->n_stars; a++) { /* brightest first */
            for (size_t b = a; b > 0 && s->stars[f][b].flux_adu > s->stars[f][b - 1].flux_adu;
                 b--) {
                const struct nw_star swap = s->stars[f][b];
                s->stars[f][b] = s->stars[f][b - 1];
                s->stars[f][b - 1] = swap;
            }
        }
        m->n_used = m->n_stars;
        s->list[f] = m;
    }
}

struct verdict {
    double worst;       /* |error|, relative, of all frames */
    double worst_clear; /* of frames without cloud */
    double pull;        /* rms of error / sigma of frames without cloud */
};

/* Frames against the mean of the clear ones: the best frame alone carries its own noise. */
static struct verdict judge(struct sky *s, const struct night *night) {
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_transmission_solve(s->list, s->exposure_s, FRAMES, s->t, &err), NW_OK);
    double mean = 0.0;
    int n = 0;
    for (int f = 0; f < FRAMES; f++) {
        assert_true(isfinite(s->t[f].value) && s->t[f].sigma > 0.0);
        if (f < 5 || f >= 5 + night->n_patchy) {
            mean += log(s->t[f].value / s->truth[f]);
            n++;
        }
    }
    mean /= n;
    struct verdict v = {0.0, 0.0, 0.0};
    for (int f = 0; f < FRAMES; f++) {
        const double off = log(s->t[f].value / s->truth[f]) - mean;
        v.worst = fmax(v.worst, fabs(off));
        if (f < 5 || f >= 5 + night->n_patchy) {
            v.worst_clear = fmax(v.worst_clear, fabs(off));
            v.pull += pow(off * s->t[f].value / s->t[f].sigma, 2.0) / (n - 1);
        }
    }
    v.pull = sqrt(v.pull);
    return v;
}

static void run(const char *name, const struct night *night, double worst, double pull_width) {
    static struct sky s;
    double pull2 = 0.0;
    enum { NIGHTS = 2 };
    for (unsigned long seed = 1; seed <= NIGHTS; seed++) {
        gsl_rng *const rng = test_rng(40 + seed);
        simulate(&s, night, rng);
        const struct verdict v = judge(&s, night);
        print_message("%s: worst %.4f, without cloud %.4f, pull %.2f\n", name, v.worst,
                      v.worst_clear, v.pull);
        pull2 += v.pull * v.pull / NIGHTS;
        assert_true(v.worst < worst);
        gsl_rng_free(rng);
    }
    /* 2 x 20 frames and more: +- 0.11 */
    check_near(sqrt(pull2), 1.0, pull_width, name);
}

static void test_clear_night(void **state) {
    (void)state;
    run("200 stars, clear", &(struct night){.n_stars = 200, .noise = 0.005}, 0.005, 0.25);
}

static void test_cloud_over_half_of_the_field(void **state) {
    (void)state;
    run("cloud over half, 10 of 30",
        &(struct night){.n_stars = 200, .noise = 0.005, .n_patchy = 10}, 0.005, 0.25);
}

static void test_few_stars(void **state) {
    (void)state;
    run("14 stars", &(struct night){.n_stars = 14, .noise = 0.005}, 0.015, 0.3);
}

static void test_saturated_and_other_exposures(void **state) {
    (void)state;
    run("saturated, 60 to 300 s",
        &(struct night){.n_stars = 200, .noise = 0.005, .saturation = 3e4, .is_changing = true},
        0.005, 0.25);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clear_night),
        cmocka_unit_test(test_cloud_over_half_of_the_field),
        cmocka_unit_test(test_few_stars),
        cmocka_unit_test(test_saturated_and_other_exposures),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
