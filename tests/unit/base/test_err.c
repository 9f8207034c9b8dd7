/* test_err.c - status, error text and its place; growing buffers and arrays. */
#include "base/err.h"

#include "base/buf.h"
#include "check.h"

static void test_set_hands_the_status_back_and_keeps_the_text(void **state) {
    (void)state;
    struct nw_err err = {0};
    assert_int_equal(nw_err_set(&err, NW_DOMAIN, "radius %g px is not > 0", -1.5), NW_DOMAIN);
    assert_int_equal(err.status, NW_DOMAIN);
    assert_string_equal(err.text, "radius -1.5 px is not > 0");
    assert_int_equal(nw_err_at(&err, NW_DOMAIN, "rig.yaml:%d", 12), NW_DOMAIN);
    assert_string_equal(err.text, "rig.yaml:12: radius -1.5 px is not > 0");
    assert_int_equal(nw_err_set(NULL, NW_IO, "nobody listens"), NW_IO);
    assert_int_equal(nw_err_at(NULL, NW_IO, "nowhere"), NW_IO);
}

static void test_long_texts_are_cut_not_overrun(void **state) {
    (void)state;
    char text[2000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    struct nw_err err = {0};
    (void)nw_err_set(&err, NW_FORMAT, "%s", text);
    assert_int_equal(strlen(err.text), sizeof err.text - 1);
    (void)nw_err_at(&err, NW_FORMAT, "%s", text);
    assert_int_equal(strlen(err.text), sizeof err.text - 1);
}

static void test_every_status_has_its_own_sentence(void **state) {
    (void)state;
    const char *texts[] = {
#define X(name, number, text) nw_status_text(NW_##name),
        NW_STATUS_LIST(X)
#undef X
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        assert_true(strlen(texts[i]) > 3);
        for (size_t j = 0; j < i; j++) {
            assert_string_not_equal(texts[i], texts[j]);
        }
    }
    assert_string_equal(nw_status_text((enum nw_status)999), "unknown status");
}

static void test_a_buffer_grows_to_its_limit_and_says_so(void **state) {
    (void)state;
    struct nw_buf buf;
    nw_buf_init(&buf, 1000);
    assert_null(buf.data);
    for (int i = 0; i < 100; i++) {
        nw_buf_printf(&buf, "%09d ", i);
    }
    assert_int_equal(buf.len, 1000);
    assert_false(nw_buf_failed(&buf));
    assert_string_equal(buf.data + 990, "000000099 ");
    struct nw_err err = {0};
    assert_int_equal(nw_buf_add(&buf, "x", 1, &err), NW_LIMIT);
    assert_string_equal(err.text, "text would exceed 1000 bytes");
    assert_int_equal(buf.len, 1000);
    nw_buf_printf(&buf, "one too many");
    assert_true(nw_buf_failed(&buf));
    nw_buf_printf(&buf, "%s", "");
    assert_int_equal(buf.len, 1000);
    assert_string_equal(buf.data + 990, "000000099 ");
    nw_buf_done(&buf);
    nw_buf_done(&buf);
    nw_buf_done(NULL);
}

static void test_bytes_are_added_as_they_are(void **state) {
    (void)state;
    struct nw_buf buf;
    nw_buf_init(&buf, 100);
    assert_int_equal(nw_buf_add(&buf, "a\0b", 3, NULL), NW_OK);
    assert_int_equal(nw_buf_add(&buf, NULL, 0, NULL), NW_OK);
    assert_int_equal(buf.len, 3);
    assert_memory_equal(buf.data, "a\0b", 4);
    nw_buf_done(&buf);
}

static void test_arrays_grow_to_their_limit_and_keep_their_items(void **state) {
    (void)state;
    void *items = NULL;
    size_t cap = 0;
    struct nw_err err = {0};
    for (size_t n = 0; n < 1000; n++) {
        assert_int_equal(nw_grow(&items, &cap, n + 1, sizeof(size_t), 1000, &err), NW_OK);
        assert_true(cap >= n + 1 && cap <= 1000);
        ((size_t *)items)[n] = n;
    }
    for (size_t n = 0; n < 1000; n++) {
        assert_int_equal(((size_t *)items)[n], n);
    }
    const void *const before = items;
    assert_int_equal(nw_grow(&items, &cap, 1001, sizeof(size_t), 1000, &err), NW_LIMIT);
    assert_string_equal(err.text, "more than 1000 items");
    assert_int_equal(nw_grow(&items, &cap, SIZE_MAX, sizeof(size_t), SIZE_MAX, &err), NW_LIMIT);
    assert_ptr_equal(items, before);
    free(items);
}

static void test_allocation_checks_products_and_gives_zeros(void **state) {
    (void)state;
    unsigned char *const zeros = nw_calloc(10, 3);
    assert_non_null(zeros);
    for (int i = 0; i < 30; i++) {
        assert_int_equal(zeros[i], 0);
    }
    free(zeros);
    void *const none = nw_calloc(0, 8); /* not NULL: NULL means out of memory */
    assert_non_null(none);
    free(none);
    volatile size_t huge = SIZE_MAX / 2;
    assert_null(nw_calloc(huge, 4));
    assert_null(nw_strdup(NULL));
    char *const text = nw_strdup("M 42");
    assert_string_equal(text, "M 42");
    free(text);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_set_hands_the_status_back_and_keeps_the_text),
        cmocka_unit_test(test_long_texts_are_cut_not_overrun),
        cmocka_unit_test(test_every_status_has_its_own_sentence),
        cmocka_unit_test(test_a_buffer_grows_to_its_limit_and_says_so),
        cmocka_unit_test(test_bytes_are_added_as_they_are),
        cmocka_unit_test(test_arrays_grow_to_their_limit_and_keep_their_items),
        cmocka_unit_test(test_allocation_checks_products_and_gives_zeros),
    };
    return cmocka_run_group_tests_name("base_err", tests, NULL, NULL);
}
