/* test_measure_found.c - Completeness and false finds in fields of known truth, one width a test.
 */
#include "star_tally.h"

struct crowd {
    size_t n, side;
    double width;
    unsigned long seed;
};

/* A raw field: counts falling as 1/flux, hot pixels, warm columns, hits and dead pixels. */
static struct tally survey(const struct crowd *c, size_t *ret_n_stars) {
    gsl_rng *rng = test_rng(c->seed);
    const double side = (double)c->side;
    struct true_star *s = calloc(c->n, sizeof *s);
    assert_non_null(s);
    const struct true_profile p = {c->width, 0.95, 0.3, 3.2};
    const double faintest = flux_of(12.0, 10.0, &p);
    struct nw_frame *f = field_new(c->side, c->side, 300.0);
    for (size_t i = 0; i < c->n; i++) {
        s[i] = (struct true_star){gsl_ran_flat(rng, -0.5, side - 0.5),
                                  gsl_ran_flat(rng, -0.5, side - 0.5),
                                  faintest * pow(gsl_rng_uniform_pos(rng), -1.0)};
        s[i].flux = fmin(s[i].flux, 300.0 * faintest);
    }
    field_add(f, s, c->n, &p, 1.0, 0.2);
    field_noise(f, 300.0, 10.0, 2.0, rng);
    uint8_t *what = calloc(c->side * c->side, 1);
    field_spoil(f, what, rng);
    free(what);
    const struct nw_measure_opts opts = {.gain_e_per_adu = 2.0, .saturation_adu = 1e6};
    struct nw_measure *m = must_measure(f, &opts);
    const struct tally t = compare(s, c->n, m, flux_of(20.0, 10.0, &p), c->width, 3.0);
    print_message("%3.1f px, %.0f stars/Mpx: %zu of %zu found (%.2f %%), %zu false of %zu\n",
                  c->width, 1e6 * (double)c->n / (side * side), t.n_found, t.n_true,
                  100.0 * (double)t.n_found / (double)t.n_true, t.n_false, m->n_stars);
    *ret_n_stars = m->n_stars;
    nw_measure_free(m);
    field_free(f);
    free(s);
    gsl_rng_free(rng);
    return t;
}

/* As dense as 5000 stars in 26 megapixels, no dark frame taken off: 99 % found, 0.5 % false, the
 * targets. */
static void check_width(double width, unsigned long seed) {
    const struct crowd c = {400, 1400, width, seed};
    size_t n = 0;
    const struct tally t = survey(&c, &n);
    assert_true((double)t.n_found >= 0.99 * (double)t.n_true);
    assert_true((double)t.n_false <= 0.005 * (double)n);
}

static void test_under_sampled(void **state) {
    (void)state;
    check_width(1.5, 21);
}

static void test_usual_width(void **state) {
    (void)state;
    check_width(2.5, 22);
}

static void test_well_sampled(void **state) {
    (void)state;
    check_width(4.0, 23);
}

/* As dense as 60,000 stars in 26 megapixels: no collapse. What is missed lies on a brighter star's
 * wing. */
static void test_crowded_field_does_not_collapse(void **state) {
    (void)state;
    const struct crowd c = {2300, 1000, 2.5, 31};
    size_t n = 0;
    const struct tally t = survey(&c, &n);
    assert_true((double)t.n_found >= 0.95 * (double)t.n_true);
    assert_true((double)t.n_false <= 0.01 * (double)n);
}

/* 12 pairs of unequal stars at 1.35 widths (one maximum each) among 47 lone stars and 5 galaxies
 * twice as wide as stars and half as high as long: the pairs are two, all others one. */
static void test_unequal_pairs_are_two_and_galaxies_one(void **state) {
    (void)state;
    enum { N = 64, PAIRS = 12, GALAXIES = 5 };
    gsl_rng *rng = test_rng(33);
    const struct true_profile p = {4.0, 0.95, 0.3, 3.2};
    const struct true_profile wide = {8.0, 0.5, 0.8, 2.0};
    struct nw_frame *f = field_new(640, 640, 300.0);
    struct true_star s[N];
    struct true_star second[PAIRS];
    for (int i = 0; i < N; i++) {
        const int row = i / 8;
        s[i] = (struct true_star){40.0 + 80.0 * (i % 8) + gsl_ran_flat(rng, -0.5, 0.5),
                                  40.0 + 80.0 * row + gsl_ran_flat(rng, -0.5, 0.5),
                                  flux_of(150.0, 10.0, &p)};
        const bool is_galaxy = i >= PAIRS && i < PAIRS + GALAXIES;
        field_add(f, &s[i], 1, is_galaxy ? &wide : &p, 1.0, 0.1);
    }
    for (int i = 0; i < PAIRS; i++) {
        const double angle = gsl_ran_flat(rng, 0.0, 2.0 * NW_PI);
        second[i] = (struct true_star){s[i].x + 1.35 * p.fwhm * cos(angle),
                                       s[i].y + 1.35 * p.fwhm * sin(angle), 0.2 * s[i].flux};
    }
    field_add(f, second, PAIRS, &p, 1.0, 0.1);
    field_noise(f, 300.0, 10.0, 2.0, rng);
    struct nw_measure *m = must_measure(f, NULL);
    assert_int_equal(m->n_stars, N + PAIRS);
    const double share = 0.986; /* of a Moffat of beta 3.2 within 2.5 widths, closed form */
    double light = 0.0;
    double light_second = 0.0;
    double pull2 = 0.0;
    for (int i = 0; i < PAIRS; i++) {
        const struct nw_star *star = field_find(m, second[i].x, second[i].y, 0.35 * p.fwhm);
        assert_non_null(star);
        assert_true(star->flags & NW_STAR_BLENDED);
        const struct nw_star *first = field_find(m, s[i].x, s[i].y, 0.3);
        assert_non_null(first);
        assert_true(first->flags & NW_STAR_BLENDED);
        pull2 += pow((star->x_px - second[i].x) / star->x_sigma_px, 2.0) / (2.0 * PAIRS) +
                 pow((star->y_px - second[i].y) / star->y_sigma_px, 2.0) / (2.0 * PAIRS);
        light += first->flux_adu / (share * s[i].flux) / PAIRS;
        light_second += star->flux_adu / (share * second[i].flux) / PAIRS;
    }
    print_message("light of the brighter ones %.3f, of the fainter ones %.3f of the truth; pull of "
                  "their places %.2f\n",
                  light, light_second, sqrt(pull2));
    check_near(sqrt(pull2), 1.0, 0.5, "24 pulls: three sigmas are 0.43");
    check_near(light, 1.0, 0.02, "truth");
    check_near(light_second, 1.0, 0.08,
               "truth; 12 stars of SNR 30, 1.35 widths from five times it");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_under_sampled),
        cmocka_unit_test(test_usual_width),
        cmocka_unit_test(test_well_sampled),
        cmocka_unit_test(test_crowded_field_does_not_collapse),
        cmocka_unit_test(test_unequal_pairs_are_two_and_galaxies_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
