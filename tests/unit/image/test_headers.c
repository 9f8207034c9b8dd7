/* test_headers.c - What changed in the headers: steps, rotations, and what changes by itself. */
#include "check.h"
#include "image/image.h"

enum { MAX_FRAMES = 60 };

struct night {
    struct nw_frame frames[MAX_FRAMES];
    struct nw_card cards[MAX_FRAMES][8];
    const struct nw_frame *list[MAX_FRAMES];
    size_t n;
};

static void add(struct night *night, const char *key, const char *value) {
    struct nw_frame *const frame = &night->frames[night->n - 1];
    struct nw_card *const card = &frame->cards[frame->n_cards++];
    nw_text_copy(card->key, sizeof card->key, key);
    nw_text_copy(card->value, sizeof card->value, value);
}

static void next(struct night *night) {
    night->frames[night->n].cards = night->cards[night->n];
    night->list[night->n] = &night->frames[night->n];
    night->n++;
}

static struct nw_header_changes compare(const struct night *night) {
    struct nw_header_changes changes = {0};
    assert_int_equal(nw_headers_compare(night->list, night->n, &changes, NULL), NW_OK);
    return changes;
}

static void test_a_setting_that_changed_once(void **state) {
    (void)state;
    struct night night = {.n = 0};
    for (int i = 0; i < 10; i++) {
        char value[32];
        next(&night);
        (void)snprintf(value, sizeof value, "2026-05-14T21:%02d:00", i);
        add(&night, "DATE-OBS", value);
        add(&night, "SWCREATE", i < 3 ? "one 1.0" : "one 1.1");
        add(&night, "GAIN", i < 7 ? (i % 2 ? "100" : "100.0") : "0"); /* one number, two ways */
        (void)snprintf(value, sizeof value, "%.2f", -10.0 + 0.01 * i);
        add(&night, "CCD-TEMP", value);
        (void)snprintf(value, sizeof value, "%d", 37 * i);
        add(&night, "ODDCOUNT", value); /* unknown, new in every frame */
    }
    struct nw_header_changes changes = compare(&night);
    assert_int_equal(changes.n, 2);
    assert_string_equal(changes.items[0].key, "GAIN"); /* gain is told before software */
    assert_string_equal(changes.items[0].what, "gain");
    assert_int_equal(changes.items[0].kind, NW_HEADER_STEP);
    assert_int_equal(changes.items[0].n_steps, 1);
    assert_int_equal(changes.items[0].steps[0].frame, 7);
    assert_string_equal(changes.items[0].steps[0].old_value, "100.0");
    assert_string_equal(changes.items[0].steps[0].new_value, "0");
    assert_string_equal(changes.items[1].what, "software");
    assert_int_equal(changes.items[1].steps[0].frame, 3);
    nw_header_changes_done(&changes);
}

static void test_filters_in_rotation_are_told_once(void **state) {
    (void)state;
    static const char *const filters[] = {"L", "R", "G", "B"};
    struct night night = {.n = 0};
    for (size_t i = 0; i < 48; i++) {
        next(&night);
        add(&night, "FILTER", filters[i / 3 % 4]); /* three of each */
        add(&night, "EXPTIME", i / 3 % 4 == 0 ? "120" : "180");
    }
    struct nw_header_changes changes = compare(&night);
    assert_int_equal(changes.n, 2);
    const struct nw_header_change *const filter = &changes.items[1];
    assert_string_equal(filter->key, "FILTER");
    assert_int_equal(filter->kind, NW_HEADER_ROTATION);
    assert_int_equal(filter->n_values, 4);
    assert_int_equal(filter->n_steps, 15);
    assert_int_equal(filter->n_listed, 4); /* once round */
    assert_string_equal(filter->steps[3].old_value, "B");
    assert_string_equal(filter->steps[3].new_value, "L");
    assert_int_equal(filter->steps[3].frame, 12);
    assert_int_equal(changes.items[0].kind, NW_HEADER_ROTATION); /* the exposure follows */
    assert_int_equal(changes.items[0].n_values, 2);
    nw_header_changes_done(&changes);
}

static void test_back_wander_and_a_broken_rotation(void **state) {
    (void)state;
    static const struct {
        const char *values;
        enum nw_header_kind kind;
        size_t n_steps;
    } rows[] = {
        {"aaabbb", NW_HEADER_STEP, 1},         {"aabaaa", NW_HEADER_BACK, 2},
        {"abcabc", NW_HEADER_ROTATION, 5},     {"abab", NW_HEADER_ROTATION, 3},
        {"abc", NW_HEADER_WANDER, 2},          {"abcacb", NW_HEADER_WANDER, 5},
        {"abcabcacabc", NW_HEADER_WANDER, 10},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct night night = {.n = 0};
        for (const char *p = rows[i].values; *p; p++) {
            const char value[2] = {*p, '\0'};
            next(&night);
            add(&night, "OWNKEY", value);
        }
        struct nw_header_changes changes = compare(&night);
        assert_int_equal(changes.n, 1);
        assert_int_equal(changes.items[0].kind, rows[i].kind);
        assert_int_equal(changes.items[0].n_steps, rows[i].n_steps);
        assert_true(changes.items[0].n_listed <= NW_HEADER_STEPS);
        assert_string_equal(changes.items[0].what, "");
        nw_header_changes_done(&changes);
    }
}

static void test_a_keyword_that_vanishes(void **state) {
    (void)state;
    struct night night = {.n = 0};
    for (int i = 0; i < 4; i++) {
        next(&night);
        if (i < 2) {
            add(&night, "FOCALLEN", "448");
            add(&night, "FOCALLEN", i == 0 ? "1" : "2"); /* a second card does not count */
        }
    }
    struct nw_header_changes changes = compare(&night);
    assert_int_equal(changes.n, 1);
    assert_string_equal(changes.items[0].steps[0].old_value, "448");
    assert_null(changes.items[0].steps[0].new_value);
    assert_int_equal(changes.items[0].steps[0].frame, 2);
    nw_header_changes_done(&changes);
}

static void test_a_rotator_may_tremble_but_not_turn(void **state) {
    (void)state;
    struct night night = {.n = 0};
    static const char *const angles[] = {"90.00", "90.02", "89.97", "90.30", "91.30"};
    for (size_t i = 0; i < 5; i++) {
        next(&night);
        add(&night, "ROTATANG", angles[i]);
    }
    struct nw_header_changes changes = compare(&night);
    assert_int_equal(changes.n, 1);
    assert_int_equal(changes.items[0].steps[0].frame, 4);
    nw_header_changes_done(&changes);
}

static void test_nothing_to_compare(void **state) {
    (void)state;
    struct night night = {.n = 0};
    struct nw_header_changes changes = compare(&night);
    assert_int_equal(changes.n, 0);
    next(&night);
    add(&night, "GAIN", "1");
    changes = compare(&night);
    assert_int_equal(changes.n, 0);
    nw_header_changes_done(&changes);
    assert_string_equal(nw_header_kind_text(NW_HEADER_STEP), "changed and stayed");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_setting_that_changed_once),
        cmocka_unit_test(test_filters_in_rotation_are_told_once),
        cmocka_unit_test(test_back_wander_and_a_broken_rotation),
        cmocka_unit_test(test_a_keyword_that_vanishes),
        cmocka_unit_test(test_a_rotator_may_tremble_but_not_turn),
        cmocka_unit_test(test_nothing_to_compare),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
