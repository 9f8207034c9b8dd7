/* test_fits_hostile.c - What is no frame, or lies: one clear error each. */
#include <sys/stat.h>

#include "fits_bytes.h"

#define HEAD "SIMPLE  = T\nBITPIX  = 16\nNAXIS   = 2\n"

static void test_headers_that_lie(void **state) {
    (void)state;
    static const struct {
        const char *cards, *part;
        enum nw_status status;
    } rows[] = {
        {HEAD "NAXIS1  = 100\nNAXIS2  = 100", "truncated: 20000 of 20000 bytes", NW_FORMAT},
        {HEAD "NAXIS1  = 20001\nNAXIS2  = 20000", "over the limit of 400 Mpx", NW_LIMIT},
        {HEAD "NAXIS1  = 999999999999\nNAXIS2  = 9999999", "the product of the axes is absurd",
         NW_FORMAT},
        {HEAD "NAXIS1  = 99999999999999999999\nNAXIS2  = 1", "not a whole number", NW_FORMAT},
        {HEAD "NAXIS1  = -100\nNAXIS2  = 100", "NAXIS1 is -100, expected 0 or more", NW_FORMAT},
        {HEAD "NAXIS1  = 10.5\nNAXIS2  = 100", "NAXIS1 is '10.5', not a whole number", NW_FORMAT},
        {HEAD "NAXIS1  = '10'\nNAXIS2  = 100", "NAXIS1 is '10', not a whole number", NW_FORMAT},
        {HEAD "NAXIS1  = 10", "header without NAXIS2 (NAXIS is 2)", NW_FORMAT},
        {HEAD "NAXIS1  = 0\nNAXIS2  = 10", "empty image: 0 x 10 pixels", NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 12\nNAXIS   = 0", "BITPIX is 12, expected 8, 16", NW_FORMAT},
        {"SIMPLE  = T\nNAXIS   = 0", "header without BITPIX", NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 8", "header without NAXIS", NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 1000", "NAXIS is 1000, expected 0 to 999", NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 0", "no image in the file: HDU 1 is without data",
         NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 3\nNAXIS1  = 4\nNAXIS2  = 5\nNAXIS3  = 6",
         "a cube of 4 x 5 x 6, expected two axes", NW_FORMAT},
        {"SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 4\nNAXIS1  = 4\nNAXIS2  = 5\nNAXIS3  = 3\nNAXIS4  = "
         "2",
         "a cube of 4 x 5 x 3 x 2", NW_FORMAT},
        {HEAD "NAXIS1  = 1\nNAXIS2  = 1\nBSCALE  = 0", "BSCALE is 0", NW_FORMAT},
        {HEAD "NAXIS1  = 1\nNAXIS2  = 1\nBZERO   = 'x'", "BZERO is 'x', not a number", NW_FORMAT},
        {HEAD "NAXIS1  = 1\nNAXIS2  = 1\nPCOUNT  = -1", "PCOUNT -1", NW_FORMAT},
        {HEAD "NAXIS1  = 1\nNAXIS2  = 1\nGCOUNT  = 9223372036854775807", "absurd", NW_FORMAT},
        {HEAD "NAXIS1  = 1\nNAXIS2  = 1\nK\xc3\x9cHL   = 1", "header card 6 has byte 0xc3 in its",
         NW_FORMAT},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct fits_bytes file = {.n = 0};
        put_header(&file, rows[i].cards);
        struct nw_frame *frame = NULL;
        struct nw_err err;
        assert_int_equal(read_bytes(file.data, file.n, &frame, &err), rows[i].status);
        check_text(err.text, rows[i].part);
        check_text(err.text, "/tmp/nw_test_fits_");
        check_text(err.text, "HDU 1");
        assert_null(frame);
    }
}

#undef HEAD
#define HEAD                                                                                       \
    "XTENSION= 'BINTABLE'\nBITPIX  = 8\nNAXIS   = 2\nNAXIS1  = 8\nNAXIS2  = 4\nPCOUNT  = 64\n"     \
    "GCOUNT  = 1\nTFIELDS = 1\nTTYPE1  = 'COMPRESSED_DATA'\nTFORM1  = '1PB(16)'\nZIMAGE  = T\n"

static void test_compressed_headers_that_lie(void **state) {
    (void)state;
    static const struct {
        const char *cards, *part;
    } rows[] = {
        {HEAD "ZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = 16", "without ZCMPTYPE"},
        {HEAD "ZCMPTYPE= 'PLIO_1'", "compression 'PLIO_1' is not read"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 0", "ZNAXIS is 0, expected 1 to 9"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZTILE1  = 0",
         "ZTILE1 is 0, expected 1 or more"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZBITPIX = 16", "ZNAXIS2 is missing"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 5\nZBITPIX = 16",
         "4 rows in the table of a compressed image of 5 tiles"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 60000000\nZNAXIS2 = 4\nZBITPIX = 16",
         "240000000 pixels cannot come from 96 packed bytes"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = 16\nTHEAP   = "
              "97",
         "THEAP is 97, expected 32 to 96"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = 17",
         "ZBITPIX is 17"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = 16\n"
              "ZNAME1  = 'BYTEPIX'\nZVAL1   = 3",
         "BYTEPIX 3: expected"},
        {HEAD "ZCMPTYPE= 'RICE_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = -32\n"
              "ZQUANTIZ= 'SUBTRACTIVE_DITHER_1'\nZDITHER0= 0",
         "ZDITHER0 is 0, expected 1 to 10000"},
        {HEAD "ZCMPTYPE= 'GZIP_1'\nZNAXIS  = 2\nZNAXIS1 = 6\nZNAXIS2 = 4\nZBITPIX = 16",
         "damaged compressed image: tile 1 of 4"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct fits_bytes file = {.n = 0};
        put_header(&file, "SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 0\nEXTEND  = T");
        put_header(&file, rows[i].cards);
        for (size_t row = 0; row < 4; row++) { /* descriptors: 16 bytes at 16 row */
            put_big_endian(&file, 16, 4);
            put_big_endian(&file, 16 * row, 4);
        }
        file.n += 64;
        put_padding(&file, 0);
        struct nw_frame *frame = NULL;
        struct nw_err err;
        assert_int_equal(read_bytes(file.data, file.n, &frame, &err), NW_FORMAT);
        check_text(err.text, rows[i].part);
        check_text(err.text, ": HDU 2: ");
    }
}

static void test_truncated_says_how_much_is_missing(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_header(&file, "SIMPLE  = T\nBITPIX  = 16\nNAXIS   = 2\nNAXIS1  = 100\nNAXIS2  = 50");
    file.n += 10000;
    struct nw_frame *frame = NULL;
    struct nw_err err;
    assert_int_equal(read_bytes(file.data, file.n - 1, &frame, &err), NW_FORMAT);
    check_text(err.text, "truncated: 1 of 10000 bytes of pixels are missing");
    assert_int_equal(read_bytes(file.data, file.n, &frame, &err), NW_OK); /* padding only */
    nw_frame_free(frame);
}

/* Cut off in its 31st row of 50: 30 rows are there, by threads or alone; with less than half, in
 * planes, or where nobody asked for it, it stays an error. */
static void test_rows_that_are_there_are_read(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_header(&file, "SIMPLE  = T\nBITPIX  = 16\nNAXIS   = 2\nNAXIS1  = 100\nNAXIS2  = 50\n"
                      "BZERO   = 32768");
    const size_t head = file.n;
    for (size_t i = 0; i < 10000; i++) {
        file.data[file.n++] = (unsigned char)(i % 251);
    }
    struct nw_frame *whole = NULL;
    struct nw_err err;
    assert_int_equal(read_bytes(file.data, file.n, &whole, &err), NW_OK);
    assert_int_equal(whole->rows_missing, 0);
    for (int n_threads = 1; n_threads <= 3; n_threads += 2) {
        const struct nw_frame_opts opts = {
            .keep_16_bit = true, .may_be_cut = true, .n_threads = n_threads};
        struct nw_frame *frame = NULL;
        assert_int_equal(read_bytes_as(file.data, head + 6199, &opts, &frame, &err), NW_OK);
        assert_int_equal(frame->rows_missing, 20);
        assert_int_equal(frame->height_px, 50);
        assert_null(frame->px16);
        for (size_t i = 0; i < 5000; i++) {
            if (i < 3000) {
                check_near((double)frame->px[i], (double)whole->px[i], 0.0, "the whole file");
            } else {
                assert_true(isnan(frame->px[i]));
            }
        }
        nw_frame_free(frame);
        assert_int_equal(read_bytes_as(file.data, head + 4999, &opts, &frame, &err), NW_FORMAT);
        check_text(err.text, "truncated: 5001 of 10000 bytes");
        assert_int_equal(read_bytes_as(file.data, file.n, &opts, &frame, &err), NW_OK);
        assert_int_equal(frame->rows_missing, 0);
        assert_non_null(frame->px16);
        nw_frame_free(frame);
    }
    nw_frame_free(whole);
}

static void test_header_without_end(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_card(&file, "SIMPLE  =                    T");
    put_card(&file, "BITPIX  =                   16");
    put_padding(&file, ' ');
    struct nw_frame *frame = NULL;
    struct nw_err err;
    assert_int_equal(read_bytes(file.data, file.n, &frame, &err), NW_FORMAT);
    check_text(err.text, "HDU 1: header without END card: the file ends after 36 cards");
}

static void test_files_that_are_no_fits(void **state) {
    (void)state;
    static const struct {
        const char *bytes, *part;
    } rows[] = {{"", "the file is empty"},
                {"SIM", "it does not begin with SIMPLE"},
                {"SIMPLETON", "header without END"},
                {"BZh91AY", "compressed with bzip2, which is not read: unpack it first"},
                {"\x1f\x8b\x08garbage", "damaged gzip stream"},
                {"GIF89a....", "not a FITS file"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct nw_frame *frame = NULL;
        struct nw_err err;
        assert_int_equal(read_bytes(rows[i].bytes, strlen(rows[i].bytes), &frame, &err), NW_FORMAT);
        check_text(err.text, rows[i].part);
    }
}

static void test_paths_that_are_no_file(void **state) {
    (void)state;
    struct nw_frame *frame = NULL;
    struct nw_err err;
    assert_int_equal(nw_frame_read("/nonexistent/a.fits", NULL, &frame, &err), NW_NOTFOUND);
    check_text(err.text, "/nonexistent/a.fits: cannot open: no such file");
    assert_int_equal(nw_frame_read("/tmp", NULL, &frame, &err), NW_FORMAT);
    check_text(err.text, "a folder, not a regular file");
    char path[64];
    save_bytes("", 0, path);
    (void)unlink(path);
    assert_int_equal(mkfifo(path, 0600), 0);
    assert_int_equal(nw_frame_read(path, NULL, &frame, &err), NW_FORMAT); /* and does not block */
    check_text(err.text, "a device or pipe, not a regular file");
    (void)unlink(path);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_headers_that_lie),
        cmocka_unit_test(test_compressed_headers_that_lie),
        cmocka_unit_test(test_truncated_says_how_much_is_missing),
        cmocka_unit_test(test_rows_that_are_there_are_read),
        cmocka_unit_test(test_header_without_end),
        cmocka_unit_test(test_files_that_are_no_fits),
        cmocka_unit_test(test_paths_that_are_no_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
