/* test_gaps.c - holes of a night against their causes: each cause put in, and found; what evidence
 * does not tell is not told. */
#include "book/gaps.h"
#include "check.h"

enum { SUBS = 40, SAMPLES = 7000, ROWS = 400, VOLTS = 3500 };
static const double START_S = 1.8e9;
/* The hole of the tests: between sub 19, which ends 6380 s after the start, and sub 20. */
enum { BEFORE = 19 };
#define HOLE_S (START_S + 320.0 * BEFORE + 300.0)

/* A night of subs of 300 s every 320 s, guided every 2 s, a climate row a minute, a power row every
 * 5 s; nothing wrong. */
struct night {
    struct nw_live live;
    struct nw_live_sub subs[SUBS];
    double guide_s[SAMPLES], climate_s[ROWS], power_s[VOLTS];
    double roof[ROWS], volts[2][VOLTS], pauses[2];
    struct nw_power_rows power;
    bool star[SAMPLES];
    struct nw_gap_track pause;
    struct nw_gap_evidence evidence;
};

static char names[2][NW_NAME_SIZE + 2] = {"power hub V", "main camera A"};

static void begin(struct night *n, double gap_s) {
    *n = (struct night){.live = {.n = SUBS, .usual_gap_s = 20.0}};
    n->live.subs = n->subs;
    for (size_t i = 0; i < SUBS; i++) {
        n->subs[i] = (struct nw_live_sub){.t_start_utc_s = START_S + 320.0 * (double)i +
                                                           (i > BEFORE ? gap_s : 0.0),
                                          .exposure_s = 300.0,
                                          .transmission = 1.0,
                                          .focuser_steps = 1000.0,
                                          .object = "field",
                                          .tube_side = "east",
                                          .filter = "L"};
    }
    n->live.t_last_end_s = n->subs[SUBS - 1].t_start_utc_s + 300.0;
    for (size_t i = 0; i < SAMPLES; i++) {
        n->guide_s[i] = START_S + 2.5 * (double)i;
        n->star[i] = true;
    }
    for (size_t i = 0; i < ROWS; i++) {
        n->climate_s[i] = START_S + 60.0 * (double)i;
        n->roof[i] = 1.0;
    }
    for (size_t i = 0; i < VOLTS; i++) {
        n->power_s[i] = START_S + 5.0 * (double)i;
        n->volts[0][i] = 13.4;
        n->volts[1][i] = 1.6;
    }
    n->evidence = (struct nw_gap_evidence){.live = &n->live,
                                           .guide = {n->guide_s, SAMPLES},
                                           .climate = {n->climate_s, ROWS},
                                           .has_star = n->star,
                                           .roof_open = n->roof,
                                           .power = &n->power};
    n->power = (struct nw_power_rows){
        .n = VOLTS, .n_columns = 2, .t_s = n->power_s, .data = n->volts[0], .columns = names};
}

/* Takes the moments of a track between two times out. */
static size_t cut(double *t_s, size_t n, double from_s, double to_s) {
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        if (t_s[i] < from_s || t_s[i] > to_s) {
            t_s[kept++] = t_s[i];
        }
    }
    return kept;
}

static struct nw_gap only(struct night *n) {
    struct nw_gap *gaps = NULL;
    size_t count = 0;
    struct nw_err err = {0};
    assert_int_equal(nw_gaps_find(&n->evidence, &gaps, &count, &err), NW_OK);
    assert_int_equal(count, 1);
    const struct nw_gap gap = gaps[0];
    free(gaps);
    return gap;
}

static void test_a_whole_night_has_none(void **state) {
    (void)state;
    static struct night n;
    struct nw_gap *gaps = NULL;
    size_t count = 1;
    struct nw_err err = {0};
    begin(&n, 0.0);
    assert_int_equal(nw_gaps_find(&n.evidence, &gaps, &count, &err), NW_OK);
    assert_int_equal(count, 0);
    free(gaps);
}

static void test_ordinary_reasons_are_no_fault(void **state) {
    (void)state;
    static struct night n;
    for (int k = 0; k < 4; k++) {
        begin(&n, 600.0);
        struct nw_live_sub *const after = &n.subs[BEFORE + 1];
        for (size_t i = BEFORE + 1; i < SUBS; i++) {
            n.subs[i].focuser_steps += k == 2 ? 20.0 : 0.0;
        }
        (void)snprintf(after->object, sizeof after->object, k == 0 ? "other" : "field");
        (void)snprintf(after->tube_side, sizeof after->tube_side, k == 1 ? "west" : "east");
        (void)snprintf(after->filter, sizeof after->filter, k == 3 ? "R" : "L");
        static const enum nw_gap_cause CAUSES[] = {NW_GAP_TARGET, NW_GAP_FLIP, NW_GAP_FOCUS,
                                                   NW_GAP_FILTER};
        const struct nw_gap gap = only(&n);
        assert_int_equal(gap.cause, CAUSES[k]);
        assert_false(nw_gap_is_fault(gap.cause));
        check_near(gap.from_s, HOLE_S, 1e-6, "end of the sub before");
        check_near(gap.to_s - gap.from_s, 620.0, 1e-6, "600 s and the usual pause");
    }
}

static void test_a_side_that_is_not_said_is_no_flip(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 600.0);
    n.subs[BEFORE + 1].tube_side[0] = '\0';
    nw_text_copy(n.subs[BEFORE + 1].filter, sizeof n.subs[0].filter, "R");
    assert_int_equal(only(&n).cause, NW_GAP_FILTER);
}

static void test_a_flip_does_not_take_an_hour(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 3600.0);
    for (size_t i = BEFORE + 1; i < SUBS; i++) {
        nw_text_copy(n.subs[i].tube_side, sizeof n.subs[i].tube_side, "west");
    }
    n.evidence.guide.n = cut(n.guide_s, SAMPLES, HOLE_S + 100.0, HOLE_S + 3500.0);
    assert_int_equal(only(&n).cause, NW_GAP_PC);
}

static void test_who_else_fell_silent_tells(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 900.0); /* the guide log goes on: camera */
    struct nw_gap gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_CAMERA);
    assert_true(nw_gap_is_fault(gap.cause));
    assert_string_not_equal(gap.would_tell, "");
    /* both stop, a minute into the next sub, which is lost: PC or USB */
    n.evidence.guide.n = cut(n.guide_s, SAMPLES, HOLE_S + 80.0, HOLE_S + 880.0);
    gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_PC);
    assert_int_equal(gap.sources, (1u << NW_GAP_FRAMES) | (1u << NW_GAP_GUIDE));
    assert_non_null(strstr(gap.evidence, "power log went on"));
    /* all four: the PC itself */
    n.evidence.climate.n = cut(n.climate_s, ROWS, HOLE_S + 70.0, HOLE_S + 890.0);
    n.power.n = cut(n.power_s, VOLTS, HOLE_S + 80.0, HOLE_S + 880.0);
    n.power.n_columns = 0; /* values no longer stand beside the moments */
    gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_PC);
    assert_non_null(strstr(gap.evidence, "the other logs too"));
    /* both stop, but ten minutes apart: that is not one cause */
    begin(&n, 1500.0);
    n.evidence.guide.n = cut(n.guide_s, SAMPLES, HOLE_S + 600.0, HOLE_S + 1500.0);
    assert_int_equal(only(&n).cause, NW_GAP_UNTOLD);
    /* the guide log alone, the climate log alone */
    begin(&n, 0.0);
    n.evidence.guide.n = cut(n.guide_s, SAMPLES, HOLE_S, HOLE_S + 900.0);
    assert_int_equal(only(&n).cause, NW_GAP_GUIDER);
    begin(&n, 0.0);
    n.evidence.climate.n = cut(n.climate_s, ROWS, HOLE_S, HOLE_S + 900.0);
    assert_int_equal(only(&n).cause, NW_GAP_LOGGER);
}

static void test_volts_that_dip_come_first(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 900.0);
    n.evidence.guide.n = cut(n.guide_s, SAMPLES, HOLE_S + 2.0, HOLE_S + 880.0);
    for (size_t i = 0; i < VOLTS; i++) {
        if (n.power_s[i] > HOLE_S - 14.0 && n.power_s[i] < HOLE_S - 4.0) {
            n.volts[0][i] = 10.9;
        }
    }
    struct nw_gap gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_SUPPLY);
    assert_non_null(strstr(gap.evidence, "power hub V fell to 10.90 (usually 13.40)"));
    assert_non_null(strstr(gap.evidence, "before it"));
    begin(&n, 900.0); /* the same dip an hour earlier has nothing to do with it */
    for (size_t i = 0; i < VOLTS; i++) {
        n.volts[0][i] = fabs(n.power_s[i] - (HOLE_S - 3600.0)) < 10.0 ? 10.9 : n.volts[0][i];
    }
    assert_int_equal(only(&n).cause, NW_GAP_CAMERA);
    begin(&n, 900.0); /* the camera draws nothing while it is silent */
    for (size_t i = 0; i < VOLTS; i++) {
        if (n.power_s[i] > HOLE_S + 5.0 && n.power_s[i] < HOLE_S + 890.0) {
            n.volts[1][i] = 0.0;
        }
    }
    gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_SUPPLY);
    assert_non_null(strstr(gap.evidence, "main camera A fell to 0.00"));
}

static void test_sky_roof_and_owner(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 900.0);
    for (size_t i = 0; i < SAMPLES; i++) {
        n.star[i] = !(n.guide_s[i] > HOLE_S - 60.0 && n.guide_s[i] < HOLE_S + 700.0);
    }
    assert_int_equal(only(&n).cause, NW_GAP_CLOUD);
    begin(&n, 900.0);
    n.subs[BEFORE].transmission = 0.4;
    struct nw_gap gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_CLOUD);
    assert_non_null(strstr(gap.evidence, "40 % before it, 100 % after"));
    begin(&n, 900.0);
    for (size_t i = 0; i < ROWS; i++) {
        n.roof[i] = n.climate_s[i] > HOLE_S + 100.0 && n.climate_s[i] < HOLE_S + 800.0 ? 0.0 : 1.0;
    }
    assert_int_equal(only(&n).cause, NW_GAP_ROOF);
    begin(&n, 900.0);
    n.pauses[0] = HOLE_S + 20.0;
    n.pauses[1] = HOLE_S + 870.0;
    n.pause = (struct nw_gap_track){n.pauses, 2};
    n.evidence.pauses = &n.pause;
    assert_int_equal(only(&n).cause, NW_GAP_PAUSE);
}

static void test_without_logs_nothing_is_told(void **state) {
    (void)state;
    static struct night n;
    begin(&n, 900.0);
    n.evidence = (struct nw_gap_evidence){.live = &n.live};
    const struct nw_gap gap = only(&n);
    assert_int_equal(gap.cause, NW_GAP_UNTOLD);
    assert_false(nw_gap_is_fault(gap.cause));
    assert_non_null(strstr(gap.evidence, "no guide log"));
    assert_string_not_equal(gap.would_tell, "");
    n.live.n = 0;
    struct nw_gap *gaps = NULL;
    size_t count = 1;
    struct nw_err err = {0};
    assert_int_equal(nw_gaps_find(&n.evidence, &gaps, &count, &err), NW_OK);
    assert_int_equal(count, 0);
    free(gaps);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_whole_night_has_none),
        cmocka_unit_test(test_ordinary_reasons_are_no_fault),
        cmocka_unit_test(test_a_side_that_is_not_said_is_no_flip),
        cmocka_unit_test(test_a_flip_does_not_take_an_hour),
        cmocka_unit_test(test_who_else_fell_silent_tells),
        cmocka_unit_test(test_volts_that_dip_come_first),
        cmocka_unit_test(test_sky_roof_and_owner),
        cmocka_unit_test(test_without_logs_nothing_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
