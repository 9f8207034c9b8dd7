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
    gsl_rng *rng = sim_rng(5);
    static struct nw_guide_row rows[SUBS];
    static struct nw_guide_sub subs[SUBS];
    struct nw_guide_log log;
    struct nw_guide_analysis a;
    const struct nw_guide_compared run = {&log, &a};
    int inside = 0;
    enum { NIGHTS = 400 };
    for (int i = 0; i < NIGHTS; i++) {
        const double change = i % 2 ? -0.1 : 0.05;
        fill(rng, change, &log, rows, &a, subs);
        struct nw_guide_compare c;
        struct nw_err err = {0};
        assert_int_equal(nw_guide_compare(&run, 1, NULL, 0, &c, &err), NW_OK);
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

/* Nights of unlike air, each logged in runs of one setting: no run says anything by itself. */
static void test_many_runs_of_many_nights_share_the_change(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(6);
    enum { NIGHTS = 3, RUNS = 8, PER_RUN = 4, ALL = NIGHTS * RUNS };
    static struct nw_guide_row rows[ALL][2];
    static struct nw_guide_sub subs[ALL][PER_RUN];
    static struct nw_guide_log logs[ALL];
    static struct nw_guide_analysis as[ALL];
    struct nw_guide_compared runs[ALL];
    int inside = 0;
    int sessions = 0;
    enum { TRIES = 300 };
    static char name[] = "simulated";
    for (int try = 0; try < TRIES; try++) {
        for (size_t i = 0; i < ALL; i++) {
            const double start_s = 86400.0 * (double)(i / RUNS) + 1200.0 * (double)(i % RUNS);
            const bool is_second = i % 2 == 1;
            rows[i][0] = (struct nw_guide_row){.t_s = start_s, .is_event = true};
            rows[i][1] = (struct nw_guide_row){.t_s = start_s + 1200.0};
            (void)snprintf(rows[i][0].event, sizeof rows[i][0].event, "setting %s",
                           is_second ? "soft" : "hard");
            logs[i] =
                (struct nw_guide_log){.path = name, .rows = rows[i], .n = 2, .has_dates = true};
            as[i] = (struct nw_guide_analysis){.subs = subs[i], .n_subs = PER_RUN};
            /* nights 1 : 2 : 3, a slope within each, - 8 % by the setting */
            const double size = (1.0 + (double)(i / RUNS)) * (1.0 + 0.02 * (double)(i % RUNS)) *
                                (is_second ? 0.92 : 1.0);
            for (size_t k = 0; k < PER_RUN; k++) {
                subs[i][k] = (struct nw_guide_sub){
                    .start_s = start_s + 300.0 * (double)k,
                    .end_s = start_s + 300.0 * (double)(k + 1),
                    .ra_rad = 1e-6 * size * (1.0 + gsl_ran_gaussian(rng, 0.08)),
                    .dec_rad = 1e-6 * size * (1.0 + gsl_ran_gaussian(rng, 0.08))};
            }
            runs[(i * 7) % ALL] = (struct nw_guide_compared){&logs[i], &as[i]}; /* any order */
        }
        struct nw_guide_compare c;
        struct nw_err err = {0};
        assert_int_equal(nw_guide_compare(runs, ALL, NULL, 0, &c, &err), NW_OK);
        const bool is_hard_first = strcmp(c.name[0], "hard") == 0;
        const double truth = is_hard_first ? -0.08 : 1.0 / 0.92 - 1.0;
        inside += c.change_low <= truth && truth <= c.change_high;
        sessions += c.n_nights == NIGHTS && c.n_runs == ALL && c.n_left_out == 0;
        assert_int_equal(c.n_blocks[0], ALL / 2);
    }
    gsl_rng_free(rng);
    print_message("%d of %d inside\n", inside, TRIES);
    assert_int_equal(sessions, TRIES);
    assert_in_range(inside, 273, 297); /* 95 %: 285 +- 3.8 */
}

static void test_spans_say_which_setting_ruled(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    static struct nw_guide_row rows[SUBS];
    static struct nw_guide_sub subs[SUBS];
    struct nw_guide_log log;
    struct nw_guide_analysis a;
    const struct nw_guide_compared run = {&log, &a};
    fill(rng, -0.1, &log, rows, &a, subs);
    gsl_rng_free(rng);
    struct nw_guide_compare by_rows;
    struct nw_guide_compare by_spans;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_compare(&run, 1, NULL, 0, &by_rows, &err), NW_OK);
    struct nw_guide_setting_span spans[SUBS / 4];
    for (size_t i = 0; i < SUBS / 4; i++) {
        spans[i] = (struct nw_guide_setting_span){.start_s = 1200.0 * (double)i,
                                                  .end_s = 1200.0 * (double)(i + 1)};
        (void)snprintf(spans[i].name, sizeof spans[i].name, "%s", i % 2 ? "soft" : "hard");
    }
    assert_int_equal(nw_guide_compare(&run, 1, spans, SUBS / 4, &by_spans, &err), NW_OK);
    check_near(by_spans.change, by_rows.change, 1e-12, "the same said twice");
    check_near(by_spans.change_high, by_rows.change_high, 1e-12, "the same said twice");
    spans[2].start_s += 10.0; /* its first sub lies in no setting now */
    assert_int_equal(nw_guide_compare(&run, 1, spans, SUBS / 4, &by_spans, &err), NW_OK);
    assert_int_equal(by_spans.n_left_out, 1);
    (void)snprintf(spans[5].name, sizeof spans[5].name, "third");
    assert_int_equal(nw_guide_compare(&run, 1, spans, SUBS / 4, &by_spans, &err), NW_DATA);
    assert_non_null(strstr(err.text, "spans: a third setting \"third\""));
}

static void test_bad_nights_say_what_is_missing(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    static struct nw_guide_row rows[SUBS];
    static struct nw_guide_sub subs[SUBS];
    struct nw_guide_log log;
    struct nw_guide_analysis a;
    const struct nw_guide_compared run = {&log, &a};
    struct nw_guide_compare c;
    struct nw_err err = {0};
    fill(rng, 0.0, &log, rows, &a, subs);
    gsl_rng_free(rng);
    (void)snprintf(rows[5].event, sizeof rows->event, "setting third");
    assert_int_equal(nw_guide_compare(&run, 1, NULL, 0, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "simulated:21: a third setting \"third\""));
    log.n = 1;
    assert_int_equal(nw_guide_compare(&run, 1, NULL, 0, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "1 settings named; two are needed"));
    log.n = 2;
    a.n_subs = 8;
    assert_int_equal(nw_guide_compare(&run, 1, NULL, 0, &c, &err), NW_DATA);
    assert_non_null(strstr(err.text, "2 blocks"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_interval_covers_the_change),
        cmocka_unit_test(test_many_runs_of_many_nights_share_the_change),
        cmocka_unit_test(test_spans_say_which_setting_ruled),
        cmocka_unit_test(test_bad_nights_say_what_is_missing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
