/* fits_unpack.c - one tile packed by RICE_1, GZIP_1 or GZIP_2 to whole numbers.
 * Idea: Rice codes differences of neighbours in blocks with a bit count of their own; a code past
 * the end of the bytes reads as a fault, never as memory.
 * Holds: reads only bytes[0 .. n), writes only n_px values, whatever the bytes are.
 * Standard: FITS 4.0 sec. 10.4.1 (Rice), 10.4.2 (gzip); Rice, Yeh & Miller 1993, AIAA-93-4541. */
#include <zlib.h>

#include "image/fits_internal.h"

struct bits {
    const unsigned char *bytes;
    size_t n, at;
    uint64_t held;   /* the low n_held bits are unread */
    unsigned n_held; /* at most 64 */
    size_t n_past;   /* bits made up behind the end; once taken, the bytes are too few */
};

/* Holds at least 32 bits; past the end they read as zeros, and n_held counts those too. */
static void fill(struct bits *bits) {
    while (bits->n_held <= 56) {
        const bool is_end = bits->at >= bits->n;
        bits->held = bits->held << 8 | (is_end ? 0u : bits->bytes[bits->at]);
        bits->n_past += is_end ? 8 : 0;
        bits->at += is_end ? 0 : 1;
        bits->n_held += 8;
    }
}

static bool is_over(const struct bits *bits) {
    return bits->n_held < bits->n_past;
}

/* At most 32 bits. */
static uint32_t take_bits(struct bits *bits, unsigned count) {
    if (bits->n_held < count) {
        fill(bits);
    }
    bits->n_held -= count;
    return (uint32_t)(bits->held >> bits->n_held & ((UINT64_C(1) << count) - 1));
}

/* Zeros before the next one, which is consumed. */
static uint32_t take_unary(struct bits *bits) {
    uint32_t zeros = 0;
    for (;;) {
        if (bits->n_held == 0) {
            fill(bits);
        }
        const uint64_t unread =
            bits->n_held == 64 ? bits->held : bits->held & ((UINT64_C(1) << bits->n_held) - 1);
        if (unread != 0) {
            const unsigned length = 64 - (unsigned)__builtin_clzll(unread);
            zeros += bits->n_held - length;
            bits->n_held = length - 1;
            return zeros;
        }
        zeros += bits->n_held;
        bits->n_held = 0;
        if (is_over(bits)) {
            return zeros;
        }
    }
}

static int64_t as_stored(uint32_t value, int bytes_per_px) {
    return bytes_per_px == 1   ? (int64_t)(uint8_t)value
           : bytes_per_px == 2 ? (int64_t)(int16_t)(uint16_t)value
                               : (int64_t)(int32_t)value;
}

bool nw_fits_unpack_rice(const unsigned char *bytes, size_t n, int bytes_per_px, size_t block_px,
                         int64_t *values, size_t n_px) {
    const unsigned width = 8 * (unsigned)bytes_per_px;
    const unsigned code_bits = bytes_per_px == 1 ? 3 : bytes_per_px == 2 ? 4 : 5;
    const unsigned raw_code = bytes_per_px == 1 ? 6 : bytes_per_px == 2 ? 14 : 25;
    struct bits bits = {.bytes = bytes, .n = n};
    uint32_t last = take_bits(&bits, width);
    for (size_t at = 0; at < n_px && !is_over(&bits); at += block_px) {
        const size_t end = n_px - at < block_px ? n_px : at + block_px;
        const unsigned code = take_bits(&bits, code_bits);
        if (code > raw_code + 1) {
            return false;
        }
        for (size_t i = at; i < end && !is_over(&bits); i++) {
            uint32_t folded = 0; /* code 0: all differences are 0 */
            if (code == raw_code + 1) {
                folded = take_bits(&bits, width);
            } else if (code > 0) {
                folded = take_unary(&bits);
                folded = folded << (code - 1) | take_bits(&bits, code - 1);
            }
            last += folded & 1u ? ~(folded >> 1) : folded >> 1;
            values[i] = as_stored(last, bytes_per_px);
        }
    }
    return !is_over(&bits);
}

/* Unpacks up to `size` bytes; the true length, or SIZE_MAX when damaged or longer. */
static size_t inflate_all(const unsigned char *bytes, size_t n, unsigned char *to, size_t size) {
    z_stream stream = {0};
    if (n > UINT32_MAX || size > UINT32_MAX || inflateInit2(&stream, 32 + MAX_WBITS) != Z_OK) {
        return SIZE_MAX;
    }
    unsigned char *input = NULL; /* zlib's next_in is not const */
    const void *const from = bytes;
    memcpy(&input, &from, sizeof input);
    stream.next_in = input;
    stream.avail_in = (uInt)n;
    stream.next_out = to;
    stream.avail_out = (uInt)size;
    const int code = inflate(&stream, Z_FINISH);
    const size_t made = size - stream.avail_out;
    (void)inflateEnd(&stream);
    return code == Z_STREAM_END ? made : SIZE_MAX;
}

size_t nw_fits_unpack_gzip(const unsigned char *bytes, size_t n, bool is_shuffled, size_t n_px,
                           unsigned char *to, unsigned char *scratch) {
    const size_t made = n_px > UINT32_MAX / 8
                            ? SIZE_MAX
                            : inflate_all(bytes, n, is_shuffled ? scratch : to, 8 * n_px);
    const size_t width = made == SIZE_MAX ? 0 : made / n_px;
    if (width * n_px != made || (width != 1 && width != 2 && width != 4 && width != 8)) {
        return 0;
    }
    for (size_t k = 0; is_shuffled && k < width; k++) { /* all first bytes, all second ones, ... */
        for (size_t i = 0; i < n_px; i++) {
            to[i * width + k] = scratch[k * n_px + i];
        }
    }
    return width;
}
