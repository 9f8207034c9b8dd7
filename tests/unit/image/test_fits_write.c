/* test_fits_write.c - Frames written, and what stands in the file. */
#include "fits_bytes.h"

static void temp_path(char path[static 64]) {
    save_bytes("old", 3, path);
}

static char *file_bytes(const char *path, size_t *n) {
    char *data = NULL;
    assert_int_equal(nw_file_read(path, 1 << 26, &data, n, NULL), NW_OK);
    return data;
}

static void test_unsigned_values_as_the_standard_stores_them(void **state) {
    (void)state;
    static const uint16_t px[] = {0, 1, 32767, 32768, 65535, 7};
    static const struct nw_card cards[] = {
        {.key = "OBJECT", .value = "it's", .comment = "name", .is_text = true},
        {.key = "EXPTIME", .value = "300.25", .comment = "s"},
        {.key = "NAXIS1", .value = "99"},
        {.key = "FLAG", .value = "T"}};
    const struct nw_frame_out out = {
        .px = px, .bitpix = 16, .width_px = 3, .height_px = 2, .n_planes = 1, cards, 4};
    char path[64];
    temp_path(path);
    assert_int_equal(nw_frame_write(path, &out, NULL), NW_OK);
    size_t n = 0;
    char *const data = file_bytes(path, &n);
    assert_int_equal(n, 2 * 2880); /* one block of header, one of data */
    static const unsigned char want[] = {0x80, 0, 0x80, 1, 0xff, 0xff, 0, 0, 0x7f, 0xff, 0x80, 7};
    assert_memory_equal(data + 2880, want, sizeof want); /* REFERENCES FIT-03 */
    assert_int_equal(data[2880 + sizeof want], 0);
    /* fixed format: FITS 4.0 sec. 4.2 */
    assert_memory_equal(data, "SIMPLE  =                    T", 30);
    assert_memory_equal(data + (size_t)7 * 80, "OBJECT  = 'it''s   ' / name", 27);
    assert_memory_equal(data + (size_t)8 * 80, "EXPTIME =               300.25 / s", 34);
    assert_memory_equal(data + (size_t)9 * 80, "FLAG    =                    T", 30);
    assert_memory_equal(data + (size_t)10 * 80, "END", 3);
    free(data);
    struct nw_frame *frame = NULL;
    assert_int_equal(nw_frame_read(path, NULL, &frame, NULL), NW_OK);
    for (size_t i = 0; i < 6; i++) {
        check_near((double)frame->px[i], (double)px[i], 0.0, "there and back");
    }
    assert_string_equal(nw_frame_card(frame, "OBJECT")->value, "it's");
    nw_frame_free(frame);
    (void)unlink(path);
}

static void test_sizes_of_the_standard(void **state) {
    (void)state;
    /* 36 cards a block: 6 of the shape, 30 of ours and END make 37 */
    struct nw_card cards[30] = {{.key = ""}};
    for (int i = 0; i < 30; i++) {
        (void)snprintf(cards[i].key, sizeof cards[i].key, "KEY%d", i);
        (void)snprintf(cards[i].value, sizeof cards[i].value, "%d", i);
    }
    static const uint8_t px[3 * 2881] = {[2881] = 9};
    const struct nw_frame_out out = {
        .px = px, .bitpix = 8, .width_px = 2881, .height_px = 1, .n_planes = 3, cards, 30};
    char path[64];
    temp_path(path);
    assert_int_equal(nw_frame_write(path, &out, NULL), NW_OK);
    size_t n = 0;
    free(file_bytes(path, &n));
    assert_int_equal(n, 2880 * (2 + 4)); /* REFERENCES FIT-04; 8643 bytes padded */
    struct nw_frame *frame = NULL;
    assert_int_equal(nw_frame_read(path, NULL, &frame, NULL), NW_OK);
    assert_int_equal(frame->n_planes, 3);
    check_near((double)nw_frame_plane(frame, 1).px[0], 9.0, 0.0, "there and back");
    nw_frame_free(frame);
    (void)unlink(path);
}

static void test_floats_and_long_texts_come_back(void **state) {
    (void)state;
    static const float px[] = {-1.5F, NAN, 3e30F, 0.1F};
    struct nw_card cards[] = {{.key = "LONG", .is_text = true, .comment = "tail"},
                              {.key = "ESO DET GAIN", .value = "1.5E3"},
                              {.key = "NOTE", .value = "caf\xc3\xa9", .is_text = true},
                              {.key = "HISTORY", .is_text = true}};
    for (size_t i = 0; i < 250; i++) { /* quotes at every place that a cut could hit */
        cards[0].value[i] = i % 3 == 0 ? '\'' : (char)('a' + i % 26);
    }
    memset(cards[3].value, 'h', 100);
    const struct nw_frame_out out = {
        .px = px, .bitpix = -32, .width_px = 2, .height_px = 2, .n_planes = 1, cards, 4};
    char path[64];
    temp_path(path);
    assert_int_equal(nw_frame_write(path, &out, NULL), NW_OK);
    struct nw_frame *frame = NULL;
    assert_int_equal(nw_frame_read(path, NULL, &frame, NULL), NW_OK);
    assert_string_equal(nw_frame_card(frame, "LONG")->value, cards[0].value);
    assert_string_equal(nw_frame_card(frame, "ESO DET GAIN")->value, "1.5E3");
    assert_string_equal(nw_frame_card(frame, "NOTE")->value, "caf?"); /* ASCII only */
    assert_int_equal(strlen(nw_frame_card(frame, "HISTORY")->value), 72);
    for (size_t i = 0; i < 4; i++) {
        assert_true(isnan(px[i]) ? isnan(frame->px[i]) != 0
                                 : !(px[i] < frame->px[i]) && !(px[i] > frame->px[i]));
    }
    nw_frame_free(frame);
    (void)unlink(path);
}

static void test_refusals_leave_the_old_file(void **state) {
    (void)state;
    static const uint8_t px[4] = {0};
    const struct nw_card lower = {.key = "gain", .value = "1"};
    const struct nw_card words = {.key = "GAIN", .value = "high"};
    const struct {
        struct nw_frame_out out;
        const char *part;
    } rows[] = {
        {{px, 32, 2, 2, 1, NULL, 0}, "bitpix 32 is not written, expected 8, 16 or -32"},
        {{px, 8, 2, 2, 2, NULL, 0}, "2 planes, expected 1 or 3"},
        {{px, 8, 0, 2, 1, NULL, 0}, "image of 0 x 2 x 1 pixels"},
        {{px, 8, SIZE_MAX, SIZE_MAX, 1, NULL, 0}, "expected 1 to 400 Mpx"},
        {{px, 8, 2, 2, 1, &lower, 1}, "keyword 'gain': only A-Z"},
        {{px, 8, 2, 2, 1, &words, 1}, "keyword GAIN: value 'high' is neither number"},
    };
    char path[64];
    temp_path(path);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct nw_err err;
        assert_int_equal(nw_frame_write(path, &rows[i].out, &err), NW_DOMAIN);
        check_text(err.text, rows[i].part);
        size_t n = 0;
        char *const data = file_bytes(path, &n);
        assert_int_equal(n, 3);
        free(data);
    }
    (void)unlink(path);
    const struct nw_frame_out out = {px, 8, 2, 2, 1, NULL, 0};
    assert_int_not_equal(nw_frame_write("/nonexistent/a.fits", &out, NULL), NW_OK);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_unsigned_values_as_the_standard_stores_them),
        cmocka_unit_test(test_sizes_of_the_standard),
        cmocka_unit_test(test_floats_and_long_texts_come_back),
        cmocka_unit_test(test_refusals_leave_the_old_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
