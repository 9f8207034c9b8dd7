/* test_measure_found.c - Completeness and false finds in fields of known truth. */
#include "star_tally.h"

struct crowd {
    size_t n, side, n_hot;
    double width;
    unsigned long seed;
};

/* A field with counts falling as 1/flux, hot pixels sprinkled over it. */
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
    for (size_t i = 0; i < c->n_hot; i++) {
        f->px[gsl_rng_uniform_int(rng, c->side * c->side)] +=
            (float)(100.0 * pow(gsl_rng_uniform_pos(rng), -1.0));
    }
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

/* As dense as 5000 stars in 26 megapixels, and hot pixels as raw frames have: 99 % found, 0.5 %
 * false, the targets. */
static void test_completeness_and_false_finds(void **state) {
    (void)state;
    static const double WIDTHS[] = {1.5, 2.5, 4.0};
    struct tally sum = {0, 0, 0};
    size_t n_stars = 0;
    for (size_t w = 0; w < sizeof WIDTHS / sizeof WIDTHS[0]; w++) {
        const struct crowd c = {400, 1400, 500, WIDTHS[w], 21 + w};
        size_t n = 0;
        const struct tally t = survey(&c, &n);
        sum.n_true += t.n_true;
        sum.n_found += t.n_found;
        sum.n_false += t.n_false;
        n_stars += n;
    }
    assert_true((double)sum.n_found >= 0.99 * (double)sum.n_true);
    assert_true((double)sum.n_false <= 0.005 * (double)n_stars);
}

/* As dense as 60,000 stars in 26 megapixels: no collapse. What is missed lies on a brighter star's
 * wing. */
static void test_crowded_field_does_not_collapse(void **state) {
    (void)state;
    const struct crowd c = {2300, 1000, 100, 2.5, 31};
    size_t n = 0;
    const struct tally t = survey(&c, &n);
    assert_true((double)t.n_found >= 0.93 * (double)t.n_true);
    assert_true((double)t.n_false <= 0.01 * (double)n);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_completeness_and_false_finds),
        cmocka_unit_test(test_crowded_field_does_not_collapse),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
