/* test_primitives.c - JSON and text primitives: NaN never becomes a number, nothing is wider than
 * 80 columns. */
#include "check.h"

#include "report/report.h"

static char *text_of(struct nw_buf *buf) {
    assert_false(nw_buf_failed(buf));
    return buf->data;
}

static void test_what_is_not_finite_is_null(void **state) {
    (void)state;
    struct nw_json json;
    json_t *root = NULL;
    nw_json_begin(&json, "test", 3);
    nw_json_number(&json, NULL, "nan", NAN, 6);
    nw_json_number(&json, NULL, "inf", -INFINITY, 6);
    nw_json_number(&json, NULL, "tenth", 0.1, 6);
    nw_json_number(&json, NULL, "rounded", 3.14159265, 3);
    nw_json_text(&json, NULL, "empty", "");
    nw_json_text(&json, NULL, "absent", NULL);
    nw_json_time(&json, NULL, "no_time", NAN, 0);
    nw_json_time(&json, NULL, "epoch", 0.0, 0);
    nw_json_why(&json, NULL, "nan", "no star");
    nw_json_why(&json, NULL, "inf", "no frame");
    assert_int_equal(nw_json_end(&json, &root, NULL), NW_OK);
    struct nw_buf text;
    nw_buf_init(&text, 4096);
    assert_int_equal(nw_json_write(root, &text, NULL), NW_OK);
    assert_string_equal(text_of(&text), "{\n"
                                        " \"schema\": \"nightwright.test.3\",\n"
                                        " \"nan\": null,\n"
                                        " \"inf\": null,\n"
                                        " \"tenth\": 0.1,\n"
                                        " \"rounded\": 3.14,\n"
                                        " \"empty\": null,\n"
                                        " \"absent\": null,\n"
                                        " \"no_time\": null,\n"
                                        " \"epoch\": \"1970-01-01T00:00:00Z\",\n"
                                        " \"why_null\": {\n"
                                        "  \"nan\": \"no star\",\n"
                                        "  \"inf\": \"no frame\"\n"
                                        " }\n"
                                        "}\n");
    nw_buf_done(&text);
    json_decref(root);
}

static void test_bytes_that_are_not_utf8_are_replaced(void **state) {
    (void)state;
    struct nw_json json;
    json_t *root = NULL;
    nw_json_begin(&json, "test", 1);
    nw_json_text(&json, NULL, "path",
                 "a\xff\xc3\xa4"
                 "b");
    assert_int_equal(nw_json_end(&json, &root, NULL), NW_OK);
    assert_string_equal(json_string_value(json_object_get(root, "path")), "a\xef\xbf\xbd\xc3\xa4"
                                                                          "b");
    json_decref(root);
}

static void test_a_document_that_failed_says_so_once(void **state) {
    (void)state;
    struct nw_json json;
    json_t *root = NULL;
    struct nw_err err = {0};
    nw_json_begin(&json, "test", 1);
    nw_json_put(&json, NULL, "bad", NULL); /* what jansson gives when memory is out */
    json_t *const child = nw_json_object(&json, NULL, "child");
    assert_null(child);
    nw_json_number(&json, child, "x", 1.0, 6);
    nw_json_add_text(&json, nw_json_array(&json, child, "list"), "y");
    assert_int_equal(nw_json_end(&json, &root, &err), NW_NOMEM);
    assert_null(root);
}

static void test_rounding_keeps_significant_digits(void **state) {
    (void)state;
    check_near(nw_report_round(123456.0, 3), 123000.0, 0.0, "by hand");
    check_near(nw_report_round(-0.00098765, 2), -0.00099, 0.0, "by hand");
    check_near(nw_report_round(9.996, 3), 10.0, 0.0, "by hand: carries");
    check_near(nw_report_round(0.0, 3), 0.0, 0.0, "by hand");
    assert_true(isnan(nw_report_round(NAN, 3)));
}

static void test_text_cannot_steer_the_terminal(void **state) {
    (void)state;
    struct nw_buf text;
    nw_buf_init(&text, 256);
    nw_report_clean(&text, "a\033[2Jb\nc\x7f"
                           "d\xc2\x9b"
                           "e\xff"
                           "f\xc3\xa4");
    assert_string_equal(text_of(&text), "a?[2Jb?c?d??e?f\xc3\xa4");
    nw_buf_done(&text);
}

static void test_paragraphs_wrap_at_80_columns_and_keep_their_words(void **state) {
    (void)state;
    struct nw_buf text;
    nw_buf_init(&text, 65536);
    nw_report_paragraph(&text, 4,
                        "one two  three\nfour \xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4 five six "
                        "seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
                        "seventeen eighteen");
    size_t n_lines = 0;
    for (char *line = text_of(&text); *line; n_lines++) {
        char *const end = strchr(line, '\n');
        assert_non_null(end);
        *end = '\0';
        assert_true(nw_report_width(line) <= 80);
        assert_memory_equal(line, "    ", 4);
        assert_true(line[4] != ' ' && end[-1] != ' ');
        line = end + 1;
    }
    assert_int_equal(n_lines, 2);
    nw_buf_done(&text);
    nw_buf_init(&text, 1024);
    nw_report_paragraph(&text, 0, "");
    assert_string_equal(text_of(&text), "\n");
    nw_buf_done(&text);
}

static void test_cells_are_aligned_by_characters(void **state) {
    (void)state;
    struct nw_buf text;
    nw_buf_init(&text, 1024);
    nw_report_right(&text, 5,
                    "\xc3\xa4"
                    "b");
    nw_report_left(&text, 4, "c");
    nw_report_right(&text, 4, "abcdefg");
    nw_report_fixed(&text, 7, 3.14159, 2);
    nw_report_fixed(&text, 4, NAN, 2);
    nw_report_fixed(&text, 6, -0.001, 2);
    assert_string_equal(text_of(&text), "   \xc3\xa4"
                                        "bc   abc~   3.14   -  0.00");
    nw_buf_done(&text);
}

static void test_short_texts(void **state) {
    (void)state;
    char t[48];
    const struct {
        double value, sigma;
        const char *want;
    } pm[] = {{3.294, 0.174, "3.29 +- 0.17"}, {3.294, 0.0996, "3.29 +- 0.10"},
              {1234.0, 56.0, "1234 +- 56"},   {-0.001, 0.12, "0.00 +- 0.12"},
              {3.294, NAN, "3.29"},           {NAN, 0.1, "-"}};
    for (size_t i = 0; i < sizeof pm / sizeof pm[0]; i++) {
        assert_string_equal(nw_report_pm(t, sizeof t, pm[i].value, pm[i].sigma), pm[i].want);
    }
    const struct {
        double duration_s;
        const char *want;
    } durations[] = {{4.23, "4.2 s"},        {9.97, "10 s"},
                     {119.4, "119 s"},       {119.6, "2 min 00 s"},
                     {200.0, "3 min 20 s"},  {3599.7, "1 h 00 min"},
                     {3900.0, "1 h 05 min"}, {7199.0, "2 h 00 min"},
                     {-3.0, "-3.0 s"},       {NAN, "-"}};
    for (size_t i = 0; i < sizeof durations / sizeof durations[0]; i++) {
        assert_string_equal(nw_report_duration(t, sizeof t, durations[i].duration_s),
                            durations[i].want);
    }
    assert_string_equal(nw_report_percent(t, sizeof t, 0.083), "8 %");
    assert_string_equal(nw_report_percent(t, sizeof t, 0.0031), "0.3 %");
    assert_string_equal(nw_report_percent(t, sizeof t, NAN), "-");
    assert_string_equal(nw_report_clock(t, sizeof t, 45.0), "00:01");
    assert_string_equal(nw_report_clock(t, sizeof t, NAN), "-");
    assert_string_equal(nw_report_number(t, sizeof t, 1606.4, 3), "1606");
    assert_string_equal(nw_report_number(t, sizeof t, 0.0123456, 3), "0.0123");
    assert_string_equal(nw_report_number(t, sizeof t, 1.5e9, 3), "1.50e+09");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_is_not_finite_is_null),
        cmocka_unit_test(test_bytes_that_are_not_utf8_are_replaced),
        cmocka_unit_test(test_a_document_that_failed_says_so_once),
        cmocka_unit_test(test_rounding_keeps_significant_digits),
        cmocka_unit_test(test_text_cannot_steer_the_terminal),
        cmocka_unit_test(test_paragraphs_wrap_at_80_columns_and_keep_their_words),
        cmocka_unit_test(test_cells_are_aligned_by_characters),
        cmocka_unit_test(test_short_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
