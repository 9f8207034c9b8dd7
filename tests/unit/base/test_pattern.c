/* test_pattern.c - wildcards over a line: each sign alone, together, and against brute force. */
#include "base/base.h"
#include "check.h"

static bool matches(const char *pattern, const char *text) {
    assert_int_equal(nw_pattern_check(pattern, NULL), NW_OK);
    return nw_pattern_matches(pattern, text, strlen(text), NULL, NULL);
}

static void test_signs_mean_what_the_header_says(void **state) {
    (void)state;
    assert_true(matches("Run begins*", "run BEGINS at ten"));
    assert_false(matches("Run begins", "Run begins at ten"));
    assert_true(matches("Run begins", "  Run   begins\t\r"));
    assert_false(matches("Run begins", "Runbegins"));
    assert_true(matches("*lost*", "12:00 star lost!"));
    assert_true(matches("{number};*", "-12,5;7"));
    assert_true(matches("{number};*", "+3;"));
    assert_false(matches("{number};*", "x;7"));
    assert_false(matches("{number}", "-"));
    assert_true(matches("a?c", "abc"));
    assert_true(matches("a?c", "a\xc3\xa4"
                               "c")); /* one character of two bytes */
    assert_false(matches("a?c", "ac"));
    assert_true(matches("\\*\\**", "** note"));
    assert_false(matches("\\**", "x"));
    assert_true(matches("*", ""));
    assert_true(matches("*{number}", "ab12"));
}

static void test_time_is_handed_back(void **state) {
    (void)state;
    const char *time = NULL;
    size_t len = 0;
    const char text[] = "=== Run from 2026-05-14 22:10:03 on ===";
    assert_true(nw_pattern_matches("=== run from {time} on ===", text, strlen(text), &time, &len));
    assert_int_equal(len, 19);
    assert_memory_equal(time, "2026-05-14 22:10:03", 19);
    assert_true(nw_pattern_matches("{time} *dither*", "22:10:03 now dither 3", 21, &time, &len));
    assert_int_equal(len, 8);
    assert_true(nw_pattern_matches("x*", "xyz", 3, &time, &len));
    assert_null(time);
}

static void test_faults_are_named(void **state) {
    (void)state;
    struct nw_err err = {0};
    assert_int_equal(nw_pattern_check("", &err), NW_FORMAT);
    assert_int_equal(nw_pattern_check("a {clock} b", &err), NW_FORMAT);
    assert_non_null(strstr(err.text, "neither {time} nor {number}"));
    assert_int_equal(nw_pattern_check("a\\", &err), NW_FORMAT);
    char longest[NW_PATTERN_MAX + 2];
    memset(longest, 'a', sizeof longest - 1);
    longest[sizeof longest - 1] = '\0';
    assert_int_equal(nw_pattern_check(longest, &err), NW_FORMAT);
}

/* The plain recursive definition, for patterns of letters, * and ?. */
static bool brute(const char *pattern, const char *text) {
    if (*pattern == '\0') {
        return *text == '\0';
    }
    if (*pattern == '*') {
        return brute(pattern + 1, text) || (*text != '\0' && brute(pattern, text + 1));
    }
    return *text != '\0' && (*pattern == '?' || *pattern == *text) && brute(pattern + 1, text + 1);
}

static void test_all_short_patterns_agree_with_brute_force(void **state) {
    (void)state;
    static const char PATTERN[] = "ab*?";
    size_t n_true = 0;
    for (unsigned p = 0; p < 4096; p++) { /* patterns of 1 to 6, texts of 0 to 5 */
        char pattern[7];
        const size_t n = 1 + p % 6;
        for (size_t i = 0; i < n; i++) {
            pattern[i] = PATTERN[(p >> (2 * i)) & 3];
        }
        pattern[n] = '\0';
        for (unsigned t = 0; t < 64; t++) {
            char text[6];
            const size_t m = t % 6;
            for (size_t i = 0; i < m; i++) {
                text[i] = (t >> i) & 1 ? 'a' : 'b';
            }
            text[m] = '\0';
            const bool want = brute(pattern, text);
            n_true += want ? 1 : 0;
            assert_int_equal(nw_pattern_matches(pattern, text, m, NULL, NULL), want);
        }
    }
    assert_true(n_true > 1000);
}

static void test_hostile_patterns_stay_cheap(void **state) {
    (void)state;
    char text[20000];
    memset(text, 'a', sizeof text);
    assert_false(nw_pattern_matches("*a*a*a*a*a*a*a*a*a*a*a*a*a*a*a*a*b", text, sizeof text, NULL,
                                    NULL)); /* exponential for a matcher that tries every star */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_signs_mean_what_the_header_says),
        cmocka_unit_test(test_time_is_handed_back),
        cmocka_unit_test(test_faults_are_named),
        cmocka_unit_test(test_all_short_patterns_agree_with_brute_force),
        cmocka_unit_test(test_hostile_patterns_stay_cheap),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
