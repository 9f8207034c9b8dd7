/* test_fading.c - light lost over the months: one slope for targets of different levels, in weather
 * that only takes away. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "book/fading.h"
#include "check.h"

enum { NIGHTS = 40, MAX = 2 * NIGHTS };
static const double DAY_S = 86400.0;

/* Two targets that overlap by half a season, every fourth night; a share lost a month; a third of
 * the nights hazy. */
static void fill(struct nw_fading *f, struct nw_fading_point *points, double loss_month,
                 double haze, gsl_rng *rng) {
    static const double LEVEL[2] = {0.0, -0.4};
    *f = (struct nw_fading){.points = points, .n_groups = 2};
    for (size_t g = 0; g < 2; g++) {
        for (size_t i = 0; i < 28; i++) {
            const size_t night = g == 0 ? i : NIGHTS - 28 + i;
            struct nw_fading_point *const p = &points[f->n++];
            *p = (struct nw_fading_point){.t_s = 4.0 * DAY_S * (double)night, .group = g};
            (void)snprintf(p->date, sizeof p->date, "2026-%02zu-%02zu", night / 28 + 1,
                           night % 28 + 1);
            p->ln_light = LEVEL[g] + log(1.0 - loss_month) * p->t_s / (30.0 * DAY_S);
            if (haze > 0.0) {
                p->ln_light += gsl_ran_gaussian(rng, 0.01);
                p->ln_light -= gsl_rng_uniform(rng) < 0.33 ? gsl_ran_exponential(rng, haze) : 0.0;
            }
        }
    }
}

static void test_without_weather_the_loss_is_exact(void **state) {
    (void)state;
    struct nw_fading f;
    struct nw_fading_point points[MAX];
    struct nw_err err = {0};
    fill(&f, points, 0.02, 0.0, NULL);
    assert_int_equal(nw_fading_fit(&f, &err), NW_OK);
    assert_string_equal(f.why_null, "");
    assert_int_equal(f.n_nights, NIGHTS);
    check_near(f.loss_per_s * 30.0 * DAY_S, -log(0.98), 1e-9, "as put in");
    check_near(f.lost, 1.0 - pow(0.98, 4.0 * (NIGHTS - 1) / 30.0), 1e-9, "closed form");
    /* 5 % are lost after ln 0.95 / ln 0.98 months */
    check_near(f.due_s / DAY_S, 30.0 * log(0.95) / log(0.98), 1e-6, "closed form");
}

static void test_the_interval_covers_in_weather(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum { TRIALS = 60 };
    size_t n_inside = 0;
    size_t n_seen = 0;
    gsl_rng_set(rng, 11);
    for (size_t k = 0; k < TRIALS; k++) {
        struct nw_fading f;
        struct nw_fading_point points[MAX];
        struct nw_err err = {0};
        fill(&f, points, 0.02, 0.1, rng);
        assert_int_equal(nw_fading_fit(&f, &err), NW_OK);
        const double truth = -log(0.98) / (30.0 * DAY_S);
        n_inside += f.low_per_s <= truth && truth <= f.high_per_s ? 1 : 0;
        n_seen += f.low_per_s > 0.0 ? 1 : 0;
    }
    gsl_rng_free(rng);
    /* of 60 at 95 %: 57, and 52 with a chance of 1 in 100 */
    assert_in_range(n_inside, 52, 60);
    assert_true(n_seen >= 55); /* 2 % a month show in five months */
}

static void test_clean_glass_is_left_alone(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    size_t n_due = 0;
    gsl_rng_set(rng, 12);
    for (size_t k = 0; k < 30; k++) {
        struct nw_fading f;
        struct nw_fading_point points[MAX];
        struct nw_err err = {0};
        fill(&f, points, 0.0, 0.1, rng);
        assert_int_equal(nw_fading_fit(&f, &err), NW_OK);
        n_due += f.low_per_s > 0.0 ? 1 : 0; /* surely falling */
    }
    gsl_rng_free(rng);
    assert_true(n_due <= 4); /* 2.5 % of 30; 5 with a chance of 1 in 100 */
}

static void test_too_little_is_said(void **state) {
    (void)state;
    struct nw_fading f;
    struct nw_fading_point points[MAX];
    struct nw_err err = {0};
    fill(&f, points, 0.02, 0.0, NULL);
    f.n = 5;
    assert_int_equal(nw_fading_fit(&f, &err), NW_OK);
    assert_non_null(strstr(f.why_null, "5 nights over 16 days"));
    assert_true(isnan(f.due_s));
    f.n = 0;
    assert_int_equal(nw_fading_fit(&f, &err), NW_OK);
    assert_non_null(strstr(f.why_null, "0 nights"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_weather_the_loss_is_exact),
        cmocka_unit_test(test_the_interval_covers_in_weather),
        cmocka_unit_test(test_clean_glass_is_left_alone),
        cmocka_unit_test(test_too_little_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
