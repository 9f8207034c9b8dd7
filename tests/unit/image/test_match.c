/* test_match.c - matching and relative transmission on star lists of known truth. */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <stdlib.h>

#include "image/image.h"

enum { WIDTH = 2000, HEIGHT = 1400 };

struct sky {
    size_t n;
    double x[800], y[800], flux[800];
};

static void make_sky(struct sky *sky, size_t n, gsl_rng *rng) {
    sky->n = n;
    for (size_t i = 0; i < n; i++) {
        sky->x[i] = gsl_ran_flat(rng, -1200.0, 1200.0);
        sky->y[i] = gsl_ran_flat(rng, -900.0, 900.0);
        sky->flux[i] = 2000.0 * pow(gsl_rng_uniform_pos(rng), -0.8);
    }
}

static int by_flux(const void *a, const void *b) {
    const double p = ((const struct nw_star *)a)->flux_adu;
    const double q = ((const struct nw_star *)b)->flux_adu;
    return p > q ? -1 : p < q;
}

/* The sky as a frame sees it: turned, shifted, dimmed; a share of the stars missing. */
static struct nw_measure *see(const struct sky *sky, double turn_rad, double dx, double dy,
                              double transmission, double missing, gsl_rng *rng) {
    struct nw_measure *m = calloc(1, sizeof *m);
    assert_non_null(m);
    m->width_px = WIDTH;
    m->height_px = HEIGHT;
    m->stars = calloc(sky->n, sizeof *m->stars);
    assert_non_null(m->stars);
    for (size_t i = 0; i < sky->n; i++) {
        const double x = cos(turn_rad) * sky->x[i] - sin(turn_rad) * sky->y[i] + dx;
        const double y = sin(turn_rad) * sky->x[i] + cos(turn_rad) * sky->y[i] + dy;
        if (fabs(x) > WIDTH / 2.0 - 5.0 || fabs(y) > HEIGHT / 2.0 - 5.0 ||
            gsl_rng_uniform(rng) < missing) {
            continue;
        }
        struct nw_star *const s = &m->stars[m->n_stars++];
        s->x_px = x + 0.5 * (WIDTH - 1) + gsl_ran_gaussian(rng, 0.05);
        s->y_px = y + 0.5 * (HEIGHT - 1) + gsl_ran_gaussian(rng, 0.05);
        s->snr = sqrt(sky->flux[i] * transmission);
        s->flux_adu = sky->flux[i] * transmission * (1.0 + gsl_ran_gaussian(rng, 1.0 / s->snr));
        s->flux_sigma_adu = s->flux_adu / s->snr;
        s->fwhm_px = 3.0;
    }
    m->n_used = m->n_stars;
    qsort(m->stars, m->n_stars, sizeof *m->stars, by_flux);
    return m;
}

static gsl_rng *seeded(unsigned long seed) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(rng);
    gsl_rng_set(rng, seed);
    return rng;
}

static void test_match_recovers_shift_turn_and_half_turn(void **state) {
    (void)state;
    static const struct {
        size_t n;
        double turn_deg, dx, dy;
    } rows[] = {
        {600, 0.0, 35.0, -61.0}, {600, 180.0, -12.5, 40.0}, {60, 180.3, 20.0, 5.0},
        {600, 37.0, 10.0, 20.0}, {70, -95.0, 0.0, 0.0},
    };
    gsl_rng *const rng = seeded(7);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct sky sky;
        make_sky(&sky, rows[i].n, rng);
        struct nw_measure *a = see(&sky, 0.0, 0.0, 0.0, 1.0, 0.15, rng);
        struct nw_measure *b =
            see(&sky, rows[i].turn_deg * NW_RAD_PER_DEG, rows[i].dx, rows[i].dy, 0.8, 0.15, rng);
        struct nw_match match;
        struct nw_err err = {NW_OK, ""};
        const enum nw_status status = nw_stars_match(a, b, &match, &err);
        if (status != NW_OK) {
            print_error("row %zu: %s\n", i, err.text);
        }
        assert_int_equal(status, NW_OK);
        const double turn = -rows[i].turn_deg * NW_RAD_PER_DEG;
        check_near(remainder(match.rotation_rad - turn, 2.0 * NW_PI), 0.0, 1e-4, "there and back");
        check_near(match.scale, 1.0, 1e-4, "same camera");
        const double dx = -(cos(turn) * rows[i].dx - sin(turn) * rows[i].dy);
        const double dy = -(sin(turn) * rows[i].dx + cos(turn) * rows[i].dy);
        check_near(match.dx_px, dx, 0.06, "there and back");
        check_near(match.dy_px, dy, 0.06, "there and back");
        assert_true(match.n_pairs > rows[i].n / 5);
        nw_match_done(&match);
        nw_measure_free(a);
        nw_measure_free(b);
    }
    gsl_rng_free(rng);
}

static void test_other_fields_do_not_match(void **state) {
    (void)state;
    gsl_rng *const rng = seeded(3);
    for (int i = 0; i < 10; i++) {
        struct sky one;
        struct sky two;
        make_sky(&one, 60 + 70 * (size_t)i, rng);
        make_sky(&two, 60 + 70 * (size_t)i, rng);
        struct nw_measure *a = see(&one, 0.0, 0.0, 0.0, 1.0, 0.0, rng);
        struct nw_measure *b = see(&two, 0.0, 0.0, 0.0, 1.0, 0.0, rng);
        struct nw_match match;
        struct nw_err err = {NW_OK, ""};
        assert_int_equal(nw_stars_match(a, b, &match, &err), NW_DATA);
        nw_measure_free(a);
        nw_measure_free(b);
    }
    gsl_rng_free(rng);
}

static void test_transmission_to_half_a_percent(void **state) {
    (void)state;
    enum { N = 6 };
    static const double truth[N] = {0.93, 1.0, 0.97, 0.41, 0.98, 0.70};
    gsl_rng *const rng = seeded(11);
    struct sky sky;
    make_sky(&sky, 700, rng);
    struct nw_measure *frames[N];
    double exposure_s[N];
    for (size_t f = 0; f < N; f++) {
        exposure_s[f] = f == 4 ? 150.0 : 300.0; /* a shorter one counts by its rate */
        frames[f] = see(&sky, f >= 3 ? NW_PI : 0.0, 9.0 * (double)f, -7.0 * (double)f,
                        truth[f] * exposure_s[f] / 300.0, 0.1, rng);
    }
    for (size_t i = 0; i < frames[5]->n_stars; i++) { /* cloud over the right third */
        if (frames[5]->stars[i].x_px > WIDTH * 2.0 / 3.0) {
            frames[5]->stars[i].flux_adu *= 0.6;
        }
    }
    struct nw_transmission result[N];
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_transmission_solve((const struct nw_measure *const *)frames, exposure_s, N,
                                           result, &err),
                     NW_OK);
    for (size_t f = 0; f < 5; f++) {
        check_near(result[f].value / result[1].value, truth[f], 0.005 * truth[f],
                   "truth of the simulation; target 0.5 %");
        assert_true(result[f].sigma < 0.01);
        assert_true(result[f].patchy < 0.02);
    }
    assert_true(result[5].patchy > 0.05); /* part of the field behind cloud is seen as such */
    assert_true(result[5].value > 0.5 && result[5].value < 0.71);
    for (size_t f = 0; f < N; f++) {
        nw_measure_free(frames[f]);
    }
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_match_recovers_shift_turn_and_half_turn),
        cmocka_unit_test(test_other_fields_do_not_match),
        cmocka_unit_test(test_transmission_to_half_a_percent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
