/* test_moves.c - the field of frames laid over each other: exact without noise, errors that are
 * true. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "check.h"
#include "look/moves.h"

enum { STARS = 120, FRAMES = 3, WIDTH = 2000, HEIGHT = 1400 };

struct sky {
    struct nw_star stars[FRAMES][STARS];
    struct nw_measure measures[FRAMES];
    struct nw_frame_facts facts[FRAMES];
    const struct nw_measure *m[FRAMES];
    const struct nw_frame_facts *f[FRAMES];
};

static void no_facts(struct nw_frame_facts *facts) {
    memset(facts, 0, sizeof *facts);
    facts->rotator_rad = NAN;
    facts->ra_rad = NAN;
    facts->dec_rad = NAN;
}

/* Frame k: the field turned by turn[k] from +x to +y about the middle, then shifted. */
static void draw(struct sky *sky, const double turn[FRAMES], const double shift[FRAMES][2],
                 double sigma_px, gsl_rng *rng) {
    for (size_t i = 0; i < STARS; i++) {
        const double x = (gsl_rng_uniform(rng) - 0.5) * 1800.0;
        const double y = (gsl_rng_uniform(rng) - 0.5) * 1200.0;
        for (size_t k = 0; k < FRAMES; k++) {
            sky->stars[k][i] =
                (struct nw_star){.x_px = 0.5 * (WIDTH - 1) + cos(turn[k]) * x - sin(turn[k]) * y +
                                         shift[k][0] + gsl_ran_gaussian(rng, sigma_px),
                                 .y_px = 0.5 * (HEIGHT - 1) + sin(turn[k]) * x + cos(turn[k]) * y +
                                         shift[k][1] + gsl_ran_gaussian(rng, sigma_px),
                                 .flux_adu = 1e6 / (double)(i + 1)};
        }
    }
    for (size_t k = 0; k < FRAMES; k++) {
        sky->measures[k] = (struct nw_measure){
            .stars = sky->stars[k], .n_stars = STARS, .width_px = WIDTH, .height_px = HEIGHT};
        no_facts(&sky->facts[k]);
        sky->m[k] = &sky->measures[k];
        sky->f[k] = &sky->facts[k];
    }
}

static const double TURN[FRAMES] = {0.0, 2e-4, -1.5e-3};
static const double SHIFT[FRAMES][2] = {{0.0, 0.0}, {3.25, -1.5}, {-12.0, 7.0}};

static size_t solve(struct sky *sky, struct nw_field_move **moves, size_t *n_groups) {
    size_t n = 0;
    struct nw_err err = {0};
    assert_int_equal(nw_look_moves(sky->m, sky->f, FRAMES, moves, &n, n_groups, &err), NW_OK);
    return n;
}

static void test_without_noise_turn_and_shift_are_exact(void **state) {
    (void)state;
    static struct sky sky;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    draw(&sky, TURN, SHIFT, 0.0, rng);
    struct nw_field_move *moves = NULL;
    size_t n_groups = 0;
    assert_int_equal(solve(&sky, &moves, &n_groups), 2);
    assert_int_equal(n_groups, 1);
    for (size_t i = 0; i < 2; i++) {
        assert_int_equal(moves[i].frame, i + 1);
        assert_int_equal(moves[i].reference, 0);
        check_near(moves[i].turn_rad, TURN[i + 1], 1e-9, "as drawn");
        check_near(moves[i].dx_px, SHIFT[i + 1][0], 1e-6, "as drawn");
        check_near(moves[i].dy_px, SHIFT[i + 1][1], 1e-6, "as drawn");
    }
    free(moves);
    gsl_rng_free(rng);
}

static void test_errors_are_true(void **state) {
    (void)state;
    enum { TRIALS = 300 };
    static struct sky sky;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    double sums[3] = {0.0};
    for (size_t t = 0; t < TRIALS; t++) {
        struct nw_field_move *moves = NULL;
        size_t n_groups = 0;
        draw(&sky, TURN, SHIFT, 0.05, rng);
        assert_int_equal(solve(&sky, &moves, &n_groups), 2);
        const double pulls[3] = {(moves[0].turn_rad - TURN[1]) / moves[0].turn_sigma_rad,
                                 (moves[0].dx_px - SHIFT[1][0]) / moves[0].shift_sigma_px,
                                 (moves[0].dy_px - SHIFT[1][1]) / moves[0].shift_sigma_px};
        for (size_t k = 0; k < 3; k++) {
            sums[k] += pulls[k] * pulls[k] / TRIALS;
        }
        free(moves);
    }
    for (size_t k = 0; k < 3; k++) { /* sd of a pull width over 300 trials: 0.04 */
        check_near(sqrt(sums[k]), 1.0, 0.1, "Monte Carlo, 300 trials");
    }
    gsl_rng_free(rng);
}

static void test_other_pointings_and_flips_are_groups_of_their_own(void **state) {
    (void)state;
    static struct sky sky;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_field_move *moves = NULL;
    size_t n_groups = 0;
    draw(&sky, TURN, SHIFT, 0.0, rng);
    nw_text_copy(sky.facts[2].tube_side, sizeof sky.facts[2].tube_side, "west");
    assert_int_equal(solve(&sky, &moves, &n_groups), 1);
    assert_int_equal(n_groups, 2);
    free(moves);
    no_facts(&sky.facts[2]);
    for (size_t k = 0; k < FRAMES; k++) {
        sky.facts[k].ra_rad = k == 1 ? 1.0 + 2.0 * NW_PI : 1.0; /* the same place */
        sky.facts[k].dec_rad = k == 2 ? 0.52 : 0.5;             /* 1.1 deg away */
    }
    assert_int_equal(solve(&sky, &moves, &n_groups), 1);
    assert_int_equal(moves[0].frame, 1);
    assert_int_equal(n_groups, 2);
    free(moves);
    sky.measures[1].n_stars = 3; /* cloud: neither laid over nor a reference */
    assert_int_equal(solve(&sky, &moves, &n_groups), 0);
    assert_int_equal(n_groups, 2);
    free(moves);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_turn_and_shift_are_exact),
        cmocka_unit_test(test_errors_are_true),
        cmocka_unit_test(test_other_pointings_and_flips_are_groups_of_their_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
