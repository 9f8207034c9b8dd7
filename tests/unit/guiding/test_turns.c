/* test_turns.c - do the settings of the guider go by turns? By event rows, else by headers. */
#include <math.h>

#include "check.h"
#include "guiding/runs.h"

enum { RUNS = 5, ROWS = 4 };

struct night {
    struct nw_guide_row rows[RUNS][ROWS];
    struct nw_guide_log logs[RUNS];
    struct nw_guide_run items[RUNS];
    struct nw_guide_runs runs;
};

/* Runs of an hour each, with the settings that their headers say. */
static void begin(struct night *night, const char *const settings[RUNS]) {
    *night = (struct night){.runs = {.items = night->items, .n = RUNS}};
    for (size_t i = 0; i < RUNS; i++) {
        for (size_t k = 0; k < ROWS; k++) {
            night->rows[i][k].t_s = 3600.0 * (double)i + 1000.0 * (double)k;
        }
        night->logs[i] = (struct nw_guide_log){.rows = night->rows[i], .n = ROWS};
        nw_text_copy(night->logs[i].settings, sizeof night->logs[i].settings, settings[i]);
        night->items[i].log = &night->logs[i];
    }
}

static void event(struct night *night, size_t run, size_t row, const char *text) {
    night->rows[run][row].is_event = true;
    nw_text_copy(night->rows[run][row].event, sizeof night->rows[run][row].event, text);
}

static struct nw_guide_turns look(const struct night *night) {
    struct nw_guide_turns turns;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_turns_of(&night->runs, &turns, &err), NW_OK);
    return turns;
}

static void test_by_headers(void **state) {
    (void)state;
    static struct night night;
    static const char *const BY_TURNS[RUNS] = {"gain=0.7\nmode=a", "gain=0.4\nmode=a",
                                               "gain=0.7\nmode=a", "gain=0.4\nmode=a",
                                               "gain=0.7\nmode=a"};
    begin(&night, BY_TURNS);
    struct nw_guide_turns turns = look(&night);
    assert_int_equal(turns.n_changes, 4);
    assert_int_equal(turns.n_spans, RUNS);
    assert_string_equal(turns.spans[0].name, "gain=0.7"); /* the line that differs */
    assert_string_equal(turns.spans[1].name, "gain=0.4");
    check_near(turns.spans[1].start_s, 3600.0, 0.0, "its run");
    check_near(turns.spans[1].end_s, 6600.0, 0.0, "its run");
    check_near(turns.t_first_s, 0.0, 0.0, "first run");
    check_near(turns.t_last_s, 17400.0, 0.0, "last run");
    nw_guide_turns_done(&turns);
    static const char *const ONE[RUNS] = {"gain=0.7", "gain=0.7", "gain=0.7", "gain=0.7", ""};
    begin(&night, ONE);
    turns = look(&night);
    assert_int_equal(turns.n_changes, 0); /* a usual night */
    nw_guide_turns_done(&turns);
    static const char *const THREE[RUNS] = {"gain=0.7", "gain=0.4", "gain=0.5", "gain=0.7",
                                            "gain=0.4"};
    begin(&night, THREE);
    turns = look(&night);
    assert_int_equal(turns.n_changes, 0); /* not two by turns */
    nw_guide_turns_done(&turns);
    static const char *const NONE[RUNS] = {"", "", "", "", ""};
    begin(&night, NONE);
    turns = look(&night);
    assert_int_equal(turns.n_changes, 0);
    nw_guide_turns_done(&turns);
}

/* Names longer than there is room for stay two. */
static void test_long_lines_keep_their_values(void **state) {
    (void)state;
    static struct night night;
    static const char *const LONG[RUNS] = {
        "least_move_in_declination=0.10 px", "least_move_in_declination=0.25 px",
        "least_move_in_declination=0.10 px", "least_move_in_declination=0.25 px", ""};
    begin(&night, LONG);
    struct nw_guide_turns turns = look(&night);
    assert_int_equal(turns.n_changes, 3);
    assert_string_equal(turns.spans[0].name, "_in_declination=0.10 px");
    assert_string_equal(turns.spans[1].name, "_in_declination=0.25 px");
    nw_guide_turns_done(&turns);
    static const char *const ORDER[RUNS] = {"gain=0.7\nmode=a", "mode=a\ngain=0.7",
                                            "gain=0.7\nmode=a", "mode=a\ngain=0.7", ""};
    begin(&night, ORDER);
    turns = look(&night);
    assert_string_equal(turns.spans[0].name, "the first setting");
    assert_string_equal(turns.spans[1].name, "the second setting");
    nw_guide_turns_done(&turns);
}

/* What event rows say stands above the headers. */
static void test_by_events(void **state) {
    (void)state;
    static struct night night;
    static const char *const SAME[RUNS] = {"gain=0.7", "gain=0.4", "gain=0.7", "gain=0.7", ""};
    begin(&night, SAME);
    event(&night, 0, 0, "setting calm");
    event(&night, 0, 2, "dither");
    event(&night, 1, 0, "Setting: eager");
    event(&night, 1, 3, "setting eager"); /* said twice is no change */
    event(&night, 2, 1, "setting calm");
    event(&night, 2, 3, "setting eager");
    struct nw_guide_turns turns = look(&night);
    assert_int_equal(turns.n_changes, 3);
    assert_null(turns.spans);
    check_near(turns.t_last_s, 10200.0, 0.0, "end of the last run with an event");
    nw_guide_turns_done(&turns);
    event(&night, 4, 0, "setting third");
    turns = look(&night);
    assert_int_equal(turns.n_changes, 0);
    nw_guide_turns_done(&turns);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_by_headers),
        cmocka_unit_test(test_long_lines_keep_their_values),
        cmocka_unit_test(test_by_events),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
