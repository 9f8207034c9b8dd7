/* test_fits.c - Pixels of plain frames: every data type written by an independent writer and read
 * back. */
#include <zlib.h>

#include "fits_bytes.h"

static void put_image(struct fits_bytes *file, int bitpix, const char *more) {
    char cards[1000];
    (void)snprintf(cards, sizeof cards,
                   "SIMPLE  = T\nBITPIX  = %d\nNAXIS   = 2\nNAXIS1  = 5\nNAXIS2  = 1\n%s", bitpix,
                   more);
    put_header(file, cards);
}

static uint64_t bits_of(double value, int bitpix) {
    const float single = (float)value;
    uint32_t low = 0;
    uint64_t bits = 0;
    memcpy(&low, &single, sizeof low);
    memcpy(&bits, &value, sizeof bits);
    return bitpix == -32 ? low : bitpix == -64 ? bits : (uint64_t)(int64_t)value;
}

static void test_every_bitpix_reads_back(void **state) {
    (void)state;
    static const struct {
        int bitpix;
        double stored[5], highest;
    } rows[] = {
        {8, {0, 1, 127, 128, 255}, 255.0},
        {16, {-32768, -1, 0, 1, 32767}, 32767.0},
        {32, {-2147483648.0, -16777216, 0, 16777216, 2147483520.0}, 2147483647.0},
        {64, {-1099511627776.0, -1, 0, 1, 9007199254740992.0}, 9223372036854775807.0},
        {-32, {-1.5, 0, 1e-30, 3.25, 1e30}, NAN},
        {-64, {-1.5, 0, 1e-30, 3.25, 1e30}, NAN},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct fits_bytes file = {.n = 0};
        put_image(&file, rows[i].bitpix, "");
        for (size_t k = 0; k < 5; k++) {
            put_big_endian(&file, bits_of(rows[i].stored[k], rows[i].bitpix),
                           (size_t)abs(rows[i].bitpix) / 8);
        }
        put_padding(&file, 0);
        struct nw_frame *const frame = read_good(&file);
        assert_int_equal(frame->bitpix, rows[i].bitpix);
        assert_int_equal(frame->hdu, 1);
        assert_true(isnan(rows[i].highest) ? isnan(frame->data_max_adu)
                                           : frame->data_max_adu >= rows[i].highest &&
                                                 frame->data_max_adu <= rows[i].highest);
        for (size_t k = 0; k < 5; k++) {
            check_near((double)frame->px[k], (double)(float)rows[i].stored[k], 0.0,
                       "there and back, FITS 4.0 sec. 5");
        }
        nw_frame_free(frame);
    }
}

static void test_unsigned_16_bit_by_bzero(void **state) {
    (void)state;
    static const int stored[] = {-32768, -32767, -1, 0, 32767};
    static const double values[] = {0, 1, 32767, 32768, 65535};
    /* the second goes the general way, for the same values */
    static const char *const cards[] = {"BZERO   = 32768\nBSCALE  = 1",
                                        "BZERO   = 3.2768D4\nBSCALE  = 1.0\nBLANK   = 77"};
    for (size_t i = 0; i < 2; i++) {
        struct fits_bytes file = {.n = 0};
        put_image(&file, 16, cards[i]);
        for (size_t k = 0; k < 5; k++) {
            put_big_endian(&file, (uint64_t)(int64_t)stored[k], 2);
        }
        put_padding(&file, 0);
        struct nw_frame *const frame = read_good(&file);
        for (size_t k = 0; k < 5; k++) {
            check_near((double)frame->px[k], values[k], 0.0, "REFERENCES FIT-03");
        }
        check_near(frame->data_max_adu, 65535.0, 0.0, "closed form");
        nw_frame_free(frame);
    }
}

static void test_scaling_and_blank(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_image(&file, 32, "BZERO   = 10.5\nBSCALE  = -0.25\nBLANK   = -9");
    static const int stored[] = {0, 4, -9, -8, 1000};
    static const double values[] = {10.5, 9.5, NAN, 12.5, -239.5};
    for (size_t k = 0; k < 5; k++) {
        put_big_endian(&file, (uint64_t)(int64_t)stored[k], 4);
    }
    put_padding(&file, 0);
    struct nw_frame *const frame = read_good(&file);
    for (size_t k = 0; k < 5; k++) {
        if (isnan(values[k])) {
            assert_true(isnan(frame->px[k]));
        } else {
            check_near((double)frame->px[k], values[k], 0.0, "FITS 4.0 eq. 3");
        }
    }
    check_near(frame->data_max_adu, 10.5 + 0.25 * 2147483648.0, 1e-6, "closed form");
    nw_frame_free(frame);
}

static void test_nan_is_kept_and_infinity_is_no_value(void **state) {
    (void)state;
    static const double values[] = {NAN, INFINITY, -INFINITY, 1.0, 1e300};
    for (int bitpix = -32; bitpix >= -64; bitpix -= 32) {
        struct fits_bytes file = {.n = 0};
        put_image(&file, bitpix, "BLANK   = 1"); /* says nothing for floats */
        for (size_t k = 0; k < 5; k++) {
            put_big_endian(&file, bits_of(bitpix == -32 && k == 4 ? NAN : values[k], bitpix),
                           (size_t)-bitpix / 8);
        }
        struct nw_frame *const frame = read_good(&file); /* no padding: tolerated */
        for (size_t k = 0; k < 5; k++) {
            assert_true(k == 3 ? frame->px[k] > 0.5F : isnan(frame->px[k]) != 0);
        }
        nw_frame_free(frame);
    }
}

static void put_axes(struct fits_bytes *file, int a, int b, int c, int d) {
    char cards[1000];
    (void)snprintf(cards, sizeof cards,
                   "SIMPLE  = T\nBITPIX  = 8\nNAXIS   = %d\nNAXIS1  = %d\nNAXIS2  = %d\n"
                   "NAXIS3  = %d\nNAXIS4  = %d",
                   d > 0 ? 4 : 3, a, b, c, d);
    put_header(file, cards);
    for (int i = 0; i < a * b * c * (d > 0 ? d : 1); i++) {
        file->data[file->n++] = (unsigned char)i;
    }
}

static void test_colour_planes_behind_and_in_front(void **state) {
    (void)state;
    struct fits_bytes behind = {.n = 0};
    put_axes(&behind, 4, 5, 3, 0);
    struct nw_frame *frame = read_good(&behind);
    assert_int_equal(frame->n_planes, 3);
    assert_int_equal(frame->width_px, 4);
    assert_int_equal(frame->height_px, 5);
    check_near((double)nw_frame_plane(frame, 2).px[7], 2 * 20 + 7, 0.0, "place in the file");
    nw_frame_free(frame);

    struct fits_bytes front = {.n = 0};
    put_axes(&front, 3, 4, 5, 0);
    frame = read_good(&front);
    assert_int_equal(frame->n_planes, 3);
    assert_int_equal(frame->width_px, 4);
    assert_int_equal(frame->height_px, 5);
    check_near((double)nw_frame_plane(frame, 2).px[7], 3 * 7 + 2, 0.0, "place in the file");
    nw_frame_free(frame);

    struct fits_bytes flat = {.n = 0};
    put_axes(&flat, 4, 5, 1, 1);
    frame = read_good(&flat);
    assert_int_equal(frame->n_planes, 1);
    nw_frame_free(frame);
}

static void test_image_in_a_later_hdu(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_header(&file, "SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 0\nEXPTIME = 30\nFILTER  = 'R'");
    put_header(&file, "XTENSION= 'BINTABLE'\nBITPIX  = 8\nNAXIS   = 2\nNAXIS1  = 7\nNAXIS2  = 9\n"
                      "PCOUNT  = 11\nGCOUNT  = 1\nTFIELDS = 0");
    file.n += 7 * 9 + 11;
    put_padding(&file, 0);
    for (int i = 0; i < 2; i++) {
        put_header(&file, i == 0 ? "XTENSION= 'IMAGE'\nBITPIX  = 8\nNAXIS   = 2\nNAXIS1  = 2\n"
                                   "NAXIS2  = 3\nPCOUNT  = 0\nGCOUNT  = 1\nFILTER  = 'G'"
                                 : "XTENSION= 'IMAGE'\nBITPIX  = 8\nNAXIS   = 2\nNAXIS1  = 3\n"
                                   "NAXIS2  = 1\nPCOUNT  = 0\nGCOUNT  = 1\nINHERIT = F");
        file.n += 6 - 3 * (size_t)i;
        put_padding(&file, 0);
    }
    struct nw_frame *frame = read_good(&file);
    assert_int_equal(frame->hdu, 3);
    assert_int_equal(frame->width_px, 2);
    assert_string_equal(frame->facts.filter, "G"); /* its own before the primary's */
    check_near(frame->facts.exposure_s, 30.0, 0.0, "inherited from the primary header");
    nw_frame_free(frame);

    char path[64];
    struct nw_err err;
    save_bytes(file.data, file.n, path);
    struct nw_frame_opts opts = {.hdu = 4};
    assert_int_equal(nw_frame_read(path, &opts, &frame, &err), NW_OK);
    assert_int_equal(frame->width_px, 3);
    assert_true(isnan(frame->facts.exposure_s)); /* INHERIT = F */
    nw_frame_free(frame);
    opts.hdu = 2;
    assert_int_equal(nw_frame_read(path, &opts, &frame, &err), NW_FORMAT);
    check_text(err.text, "HDU 2: a table, not an image");
    opts.hdu = 5;
    assert_int_equal(nw_frame_read(path, &opts, &frame, &err), NW_NOTFOUND);
    check_text(err.text, "no HDU 5: the file has 4");
    opts = (struct nw_frame_opts){.header_only = true};
    assert_int_equal(nw_frame_read(path, &opts, &frame, &err), NW_OK);
    assert_null(frame->px);
    assert_int_equal(frame->height_px, 3);
    nw_frame_free(frame);
    (void)unlink(path);
}

static size_t gzip_bytes(const unsigned char *from, size_t n, unsigned char *to, size_t size) {
    z_stream stream = {0};
    assert_int_equal(deflateInit2(&stream, 9, Z_DEFLATED, 16 + MAX_WBITS, 9, Z_DEFAULT_STRATEGY),
                     Z_OK);
    unsigned char *input = calloc(1, n);
    memcpy(input, from, n);
    stream.next_in = input;
    stream.avail_in = (uInt)n;
    stream.next_out = to;
    stream.avail_out = (uInt)size;
    assert_int_equal(deflate(&stream, Z_FINISH), Z_STREAM_END);
    const size_t made = size - stream.avail_out;
    (void)deflateEnd(&stream);
    free(input);
    return made;
}

static void test_gzipped_file_and_its_damage(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_axes(&file, 100, 200, 3, 0);
    put_padding(&file, 0);
    unsigned char packed[1 << 16];
    const size_t n = gzip_bytes(file.data, file.n, packed, sizeof packed);
    struct nw_frame *frame = NULL;
    struct nw_err err;
    assert_int_equal(read_bytes(packed, n, &frame, &err), NW_OK);
    check_near((double)frame->px[777], 777 % 256, 0.0, "there and back");
    nw_frame_free(frame);
    packed[n - 6] ^= 1; /* the checksum at the end */
    assert_int_equal(read_bytes(packed, n, &frame, &err), NW_FORMAT);
    check_text(err.text, "damaged gzip stream");
    assert_int_equal(read_bytes(packed, n / 2, &frame, &err), NW_FORMAT);
    check_text(err.text, "truncated");
}

static void test_a_bomb_is_not_unpacked(void **state) {
    (void)state;
    struct fits_bytes file = {.n = 0};
    put_header(&file, "SIMPLE  = T\nBITPIX  = 64\nNAXIS   = 2\nNAXIS1  = 20000\nNAXIS2  = 20000");
    unsigned char packed[1 << 12];
    const size_t n = gzip_bytes(file.data, file.n, packed, sizeof packed);
    struct nw_frame *frame = NULL;
    struct nw_err err;
    assert_int_equal(read_bytes(packed, n, &frame, &err), NW_FORMAT);
    check_text(err.text, "truncated"); /* 3.2 GB cannot come from these few bytes */
}

static struct nw_frame *must_read(const char *path, struct nw_frame_opts opts) {
    struct nw_frame *frame = NULL;
    struct nw_err err = {0};
    const enum nw_status status = nw_frame_read(path, &opts, &frame, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    return frame;
}

/* 16-bit pixels kept as they are, and read by any number of threads, are the floats of one. */
static void test_kept_16_bit_and_threads_give_the_same_pixels(void **state) {
    (void)state;
    enum { W = 1501, H = 1203 }; /* 3.6 MB: four pieces, the last one short */
    uint16_t *const px = calloc((size_t)W * H, sizeof *px);
    assert_non_null(px);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        px[i] = (uint16_t)(i * 40503u >> 3);
    }
    const struct nw_frame_out out = {
        .px = px, .bitpix = 16, .width_px = W, .height_px = H, .n_planes = 1};
    char path[64];
    save_bytes("", 0, path);
    struct nw_err err = {0};
    assert_int_equal(nw_frame_write(path, &out, &err), NW_OK);
    for (int n_threads = 0; n_threads <= 5; n_threads++) {
        struct nw_frame *const floats =
            must_read(path, (struct nw_frame_opts){.n_threads = n_threads});
        struct nw_frame *const whole =
            must_read(path, (struct nw_frame_opts){.n_threads = n_threads, .keep_16_bit = true});
        assert_non_null(floats->px);
        assert_null(floats->px16);
        assert_null(whole->px);
        assert_memory_equal(whole->px16, px, (size_t)W * H * sizeof *px);
        float row[W];
        for (size_t y = 0; y < H; y++) {
            const struct nw_image_view a = nw_frame_plane(floats, 0);
            const struct nw_image_view b = nw_frame_plane(whole, 0);
            assert_memory_equal(nw_image_span(&a, 0, W, y, NULL), nw_image_span(&b, 0, W, y, row),
                                W * sizeof *row);
        }
        struct nw_cfa_plane x = {0};
        struct nw_cfa_plane y = {0};
        assert_int_equal(nw_frame_cfa_plane(floats, "GRBG", NW_CHANNEL_B, &x, &err), NW_OK);
        assert_int_equal(nw_frame_cfa_plane(whole, "GRBG", NW_CHANNEL_B, &y, &err), NW_OK);
        assert_memory_equal(x.px, y.px, x.width_px * x.height_px * sizeof *x.px);
        nw_cfa_plane_done(&x);
        nw_cfa_plane_done(&y);
        nw_frame_free(floats);
        nw_frame_free(whole);
    }
    (void)unlink(path);
    free(px);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_bitpix_reads_back),
        cmocka_unit_test(test_unsigned_16_bit_by_bzero),
        cmocka_unit_test(test_scaling_and_blank),
        cmocka_unit_test(test_nan_is_kept_and_infinity_is_no_value),
        cmocka_unit_test(test_colour_planes_behind_and_in_front),
        cmocka_unit_test(test_image_in_a_later_hdu),
        cmocka_unit_test(test_gzipped_file_and_its_damage),
        cmocka_unit_test(test_a_bomb_is_not_unpacked),
        cmocka_unit_test(test_kept_16_bit_and_threads_give_the_same_pixels),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
