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
    uint64_t held; /* the low n_held bits are unread */
    unsigned n_held;
    bool is_over;
};

/* At most 32 bits. */
static uint32_t take_bits(struct bits *bits, unsigned count) {
    while (bits->n_held < count) {
        const bool is_end = bits->at >= bits->n;
        bits->is_over = bits->is_over || is_end;
        bits->held = bits->held << 8 | (is_end ? 0u : bits->bytes[bits->at]);
        bits->at += is_end ? 0 : 1;
        bits->n_held += 8;
    }
    bits->n_held -= count;
    const uint64_t value = bits->held >> bits->n_held;
    bits->held &= (UINT64_C(1) << bits->n_held) - 1;
    return (uint32_t)value;
}

/* Zeros before the next one, which is consumed. */
static uint32_t take_unary(struct bits *bits) {
    uint32_t zeros = 0;
    while (!bits->is_over) {
        if (bits->n_held == 0) {
            bits->held = take_bits(bits, 8);
            bits->n_held = 8;
        }
        while (bits->n_held > 0) {
            bits->n_held--;
            if (bits->held >> bits->n_held & 1u) {
                bits->held &= (UINT64_C(1) << bits->n_held) - 1;
                return zeros;
            }
            zeros++;
        }
        bits->held = 0;
    }
    return zeros;
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
    for (size_t at = 0; at < n_px && !bits.is_over; at += block_px) {
        const size_t end = n_px - at < block_px ? n_px : at + block_px;
        const unsigned code = take_bits(&bits, code_bits);
        if (code > raw_code + 1) {
            return false;
        }
        for (size_t i = at; i < end && !bits.is_over; i++) {
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
    return !bits.is_over;
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
