/* test_compare.c - settings by turns in simulated nights: the interval, the words, bad input */
#include "guide_sim.h"

#include "check.h"

/* A finished analysis with given motions: subs of 300 s, four to a block. */
enum { SUBS = 48 };

static void fill(gsl_rng *rng, double change, struct nw_guide_log *log, struct nw_guide_row *rows,
                 struct nw_guide_analysis *a, struct nw_guide_sub *subs) {
    static char name[] = "simulated";
    *log = (struct nw_guide_log){.path = name, .rows = rows};
    *a = (struct nw_guide_analysis){.subs = subs, .n_subs = SUBS};
    for (size_t i = 0; i < SUBS; i++) {
        const bool is_second = i / 4 % 2 == 1;
        if (i % 4 == 0) {
            rows[log->n] =
                (struct nw_guide_row){.t_s = 300.0 * (double)i, .line = i + 1, .is_event = true};
            (void)snprintf(rows[log->n++].event, sizeof rows->event, "setting %s",
                           is_second ? "soft" : "hard");
        }
        /* the air gets worse by a third through the night */
        const double trend = 1.0 + 0.3 * (double)i / SUBS;
        const double size = trend * (is_second ? 1.0 + change : 1.0);
        subs[i] =
            (struct nw_guide_sub){.start_s = 300.0 * (double)i,
                                  .end_s = 300.0 * (double)(i + 1),
                                  .ra_rad = 1e-6 * size * (1.0 + gsl_ran_gaussian(rng, 0.05)),
                                  .dec_rad = 1e-6 * size * (1.0 + gsl_ran_gaussian(rng, 0.05))};
    }
}

static void test_interval_covers_the_change(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 5);
    static struct nw_guide_row rows[SUBS];
    static struct nw_guide_sub subs[SUBS];
    struct nw_guide_log log;
    struct nw_guide_analysis a;
    int inside = 0;
    enum { NIGHTS = 400 };
    for (int i = 0; i < NIGHTS; i++) {
        const double change = i % 2 ? -0.1 : 0.05;
        fill(rng, change, &log, rows, &a, subs);
        struct nw_guide_compare c;
        struct nw_err err = {0};
        assert_int_equal(nw_guide_compare(&log, &a, &c, &err), NW_OK);
        assert_string_equal(c.name[0], "hard");
        assert_int_equal(c.n_blocks[0], 6);
        assert_int_equal(c.n_subs[1], 24);
        inside += c.change_low <= change && change <= c.change_high;
        assert_true(i % 2 == 0 || (c.is_told && c.change < 0.0 && c.n_more == 0));
    }
    gsl_rng_free(rng);
    print_message("%d of %d inside\n", inside, NIGHTS);
    assert_in_range(inside, 366, 394); /* 95 %: 380 +- 4.4 */
}

static void test_bad_nights_say_what_is_missing(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    static struct nw_guide_row rows[SUBS];
    static struct nw_guide_sub subs[SUBS];
    struct nw_guide_log log;
    struct nw_guide_analysis a;
    struct nw_guide_compare c;
    struct nw_err err = {0};
    fill(rng, 0.0, &log, rows, &a, subs);
    gsl_rng_free(rng);
    (void)snprintf(rows[5].event, sizeof rows->event, "setting third");
    assert_int_equal(nw_guide_compare(&log, &a, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "simulated:21: a third setting \"third\""));
    log.n = 1;
    assert_int_equal(nw_guide_compare(&log, &a, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "1 settings named; two are needed"));
    log.n = 2;
    a.n_subs = 8;
    assert_int_equal(nw_guide_compare(&log, &a, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "2 blocks"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_interval_covers_the_change),
        cmocka_unit_test(test_bad_nights_say_what_is_missing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
