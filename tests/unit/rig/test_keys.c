/* test_keys.c - the table of keys agrees with itself and with the page in docs/. */
#include "rig/rig_internal.h"
#include "support.h"

static double read_as(const char *text, enum nw_dim dim) {
    double v = NAN;
    struct nw_err err = {0};
    if (nw_quantity_read(text, dim, &v, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return v;
}

static void test_ranges_and_defaults_read_back(void **state) {
    (void)state;
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const struct nw_rig_key *const key = nw_rig_key_row(i);
        if (key->kind != NW_RIG_VALUE && key->kind != NW_RIG_COUNT && key->kind != NW_RIG_WIDTH) {
            continue;
        }
        if (!key->min || !key->max) {
            fail_msg("%s has no range", key->path);
        }
        const double min = read_as(key->min, key->dim);
        const double max = read_as(key->max, key->dim);
        assert_true(min < max);
        assert_true(nw_rig_key_allows(key, min) && nw_rig_key_allows(key, max));
        assert_false(nw_rig_key_allows(key, NAN));
        assert_false(nw_rig_key_allows(key, max + 0.01 * (max - min)));
        assert_false(nw_rig_key_allows(key, min - 0.01 * (max - min)));
        if (key->fallback) {
            assert_true(nw_rig_key_allows(key, read_as(key->fallback, key->dim)));
        }
    }
}

/* A default without a standard error or without a reason would be taken for knowledge. */
static void test_every_default_has_sigma_reason_and_is_not_required(void **state) {
    (void)state;
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const struct nw_rig_key *const key = nw_rig_key_row(i);
        if (key->kind == NW_RIG_VALUE && key->fallback) {
            assert_non_null(key->spread);
            assert_non_null(key->why);
            const enum nw_dim dim =
                key->dim == NW_DIM_TEMPERATURE ? NW_DIM_TEMPERATURE_DIFFERENCE : key->dim;
            assert_true(read_as(key->spread, dim) >= 0.0);
        }
        assert_false((key->flags & NW_RIG_REQUIRED) && key->fallback);
        if (key->kind == NW_RIG_VALUE && !(key->flags & NW_RIG_REQUIRED)) {
            assert_true(key->fallback || key->why); /* else nothing says what stands there */
        }
    }
}

static void test_paths_are_unique_and_meanings_are_one_sentence(void **state) {
    (void)state;
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const struct nw_rig_key *const key = nw_rig_key_row(i);
        const char *const prefix = nw_rig_objects[key->object].prefix;
        assert_true(strncmp(key->path, prefix, strlen(prefix)) == 0);
        assert_ptr_equal(nw_rig_key_of(key->path), key);
        assert_true(strlen(key->meaning) > 8 && !strchr(key->meaning, '|'));
        assert_true(key->meaning[strlen(key->meaning) - 1] != '.');
        assert_true(strlen(key->path) < 48);
    }
    assert_null(nw_rig_key_of("site.seing"));
}

static void test_the_page_in_docs_is_in_step(void **state) {
    (void)state;
    struct nw_buf page;
    struct nw_err err = {0};
    char *file = NULL;
    size_t len = 0;
    nw_buf_init(&page, 1 << 20);
    assert_int_equal(nw_rig_keys(true, &page, &err), NW_OK);
    if (nw_file_read(NW_SOURCE_ROOT "/docs/rig-keys.md", 1 << 20, &file, &len, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    if (strcmp(file, page.data) != 0) {
        fail_msg("docs/rig-keys.md: make it anew with nightwright rig --keys --markdown");
    }
    free(file);
    nw_buf_done(&page);
}

static void test_the_text_fits_80_columns_and_holds_every_key(void **state) {
    (void)state;
    struct nw_buf text;
    struct nw_err err = {0};
    nw_buf_init(&text, 1 << 20);
    assert_int_equal(nw_rig_keys(false, &text, &err), NW_OK);
    for (const char *line = text.data; *line;) {
        const size_t n = strcspn(line, "\n");
        assert_true(n <= 80);
        line += n + (line[n] == '\n');
    }
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        assert_non_null(strstr(text.data, nw_rig_key_row(i)->path));
    }
    nw_buf_done(&text);
    nw_buf_init(&text, 100);
    assert_int_equal(nw_rig_keys(false, &text, &err), NW_LIMIT);
    assert_string_equal(err.text, "the page of keys does not fit");
    nw_buf_done(&text);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ranges_and_defaults_read_back),
        cmocka_unit_test(test_every_default_has_sigma_reason_and_is_not_required),
        cmocka_unit_test(test_paths_are_unique_and_meanings_are_one_sentence),
        cmocka_unit_test(test_the_page_in_docs_is_in_step),
        cmocka_unit_test(test_the_text_fits_80_columns_and_holds_every_key),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
