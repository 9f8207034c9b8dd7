/* fits_hcompress.c - one tile packed by HCOMPRESS_1 to whole numbers.
 * Idea: a two-dimensional Haar transform, whose coefficients are coded bit plane by bit plane as
 * quadtrees of 4-bit values, Huffman coded (White, Postman & Lattanzi 1992, in Digitised Optical
 * Sky Surveys, 167; FITS 4.0 sec. 10.4.4). The optional smoothing of lossy tiles is not applied:
 * it invents nothing that a measurement could use.
 * Layout: values[row * n_fast + column]; sums wrap around instead of overflowing, so that hostile
 * bytes give nonsense values and nothing else.
 * Holds: reads only bytes[0 .. n), writes only the tile and the scratch. */
#include "image/fits_internal.h"

enum { HEAD_BYTES = 25, MAX_PLANES = 56 };

struct nybbles {
    const unsigned char *bytes;
    size_t n, at;
    uint32_t held;
    unsigned n_held;
    bool is_over;
};

static unsigned take(struct nybbles *in, unsigned count) {
    while (in->n_held < count) {
        const bool is_end = in->at >= in->n;
        in->is_over = in->is_over || is_end;
        in->held = (in->held << 8 | (is_end ? 0u : in->bytes[in->at])) & 0xffffu;
        in->at += is_end ? 0 : 1;
        in->n_held += 8;
    }
    in->n_held -= count;
    return in->held >> in->n_held & ((1u << count) - 1u);
}

/* The fixed code of the 16 quadtree values: 3 bits for the commonest, 6 for the rarest. */
static unsigned take_coded(struct nybbles *in) {
    static const unsigned char five_bits[] = {6, 7, 9, 11, 13};
    static const unsigned char four_bits[] = {3, 5, 10, 12, 15};
    unsigned code = take(in, 3);
    if (code < 4) {
        return 1u << code;
    }
    code = code << 1 | take(in, 1);
    if (code < 13) {
        return four_bits[code - 8];
    }
    code = code << 1 | take(in, 1);
    if (code < 31) {
        return five_bits[code - 26];
    }
    code = code << 1 | take(in, 1);
    return code == 62 ? 0 : 14;
}

/* Each 4-bit value becomes a square of four one-bit values, from the end so that it works in
 * place; what became nonzero is replaced by its own code, in the order of the coder. */
static void expand(struct nybbles *in, unsigned char *a, size_t n_slow, size_t n_fast) {
    const size_t half_fast = (n_fast + 1) / 2;
    for (size_t i = (n_slow + 1) / 2; i-- > 0;) {
        for (size_t j = half_fast; j-- > 0;) {
            const unsigned char value = a[i * half_fast + j];
            const size_t at = 2 * i * n_fast + 2 * j;
            const bool has_right = 2 * j + 1 < n_fast;
            const bool has_below = 2 * i + 1 < n_slow;
            if (has_below && has_right) {
                a[at + n_fast + 1] = value & 1u;
            }
            if (has_below) {
                a[at + n_fast] = value >> 1 & 1u;
            }
            if (has_right) {
                a[at + 1] = value >> 2 & 1u;
            }
            a[at] = value >> 3 & 1u;
        }
    }
    for (size_t i = n_slow * n_fast; i-- > 0;) {
        a[i] = a[i] ? (unsigned char)take_coded(in) : 0;
    }
}

/* Sets bit `plane` of the coefficients from the last, half-size level. */
static void insert_bits(const unsigned char *a, int64_t *to, size_t n_slow, size_t n_fast,
                        size_t stride, unsigned plane) {
    const size_t half_fast = (n_fast + 1) / 2;
    for (size_t i = 0; i < n_slow; i++) {
        for (size_t j = 0; j < n_fast; j++) {
            const unsigned value = a[i / 2 * half_fast + j / 2];
            const unsigned bit = value >> (3 - 2 * (i % 2) - j % 2) & 1u;
            to[i * stride + j] |= (int64_t)((uint64_t)bit << plane);
        }
    }
}

static unsigned log2_up(size_t n) {
    unsigned bits = 0;
    while (((size_t)1 << bits) < n) {
        bits++;
    }
    return bits;
}

static bool decode_quadrant(struct nybbles *in, int64_t *to, size_t n_slow, size_t n_fast,
                            size_t stride, unsigned n_planes, unsigned char *scratch) {
    if (n_slow == 0 || n_fast == 0) {
        return true; /* a tile one pixel wide has empty quadrants, but none with bits in them */
    }
    const unsigned log2n = log2_up(n_slow > n_fast ? n_slow : n_fast);
    const size_t n_half = (n_slow + 1) / 2 * ((n_fast + 1) / 2);
    for (unsigned plane = n_planes; plane-- > 0 && !in->is_over;) {
        const unsigned form = take(in, 4);
        if (form == 0) { /* not worth coding: the values as they are */
            for (size_t i = 0; i < n_half && !in->is_over; i++) {
                scratch[i] = (unsigned char)take(in, 4);
            }
        } else if (form == 0xf) {
            scratch[0] = (unsigned char)take_coded(in);
            /* sizes of the levels: halves rounded up, from the top of the tree */
            for (unsigned level = log2n; level-- > 1 && !in->is_over;) {
                const size_t round = ((size_t)1 << level) - 1;
                expand(in, scratch, (n_slow + round) >> level, (n_fast + round) >> level);
            }
        } else {
            return false;
        }
        insert_bits(scratch, to, n_slow, n_fast, stride, plane);
    }
    return !in->is_over;
}

static void take_signs(struct nybbles *in, int64_t *values, size_t n) {
    in->n_held = 0; /* the signs start on a byte of their own */
    for (size_t i = 0; i < n && !in->is_over; i++) {
        if (values[i] != 0 && take(in, 1)) {
            values[i] = -values[i];
        }
    }
}

/* First half of a line to the even places, second half to the odd ones. */
static void interleave(int64_t *line, size_t n, size_t stride, int64_t *scratch) {
    const size_t half = (n + 1) / 2;
    for (size_t i = 0; i < n; i++) {
        scratch[i] = line[(i % 2 * half + i / 2) * stride];
    }
    for (size_t i = 0; i < n; i++) {
        line[i * stride] = scratch[i];
    }
}

static int64_t sum(int64_t a, int64_t b) {
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

static int64_t minus(int64_t a) {
    return (int64_t)(UINT64_C(0) - (uint64_t)a);
}

/* Rounds to a multiple of unit = 2^k, halves away from zero: what the coder left out. */
static int64_t round_to(int64_t value, int64_t unit) {
    const int64_t half = unit >> 1;
    return sum(value, value >= 0 ? half : half - 1) & minus(unit);
}

/* One level back: a square of four from sum h0, slopes hx, hy and twist hc. unit: the weight of the
 * bits that the coder rounded away at this level; shift: 1, at the last level 2. */
static void unfold_square(int64_t *a, size_t at, size_t stride, int64_t unit, bool is_last) {
    const int shift = is_last ? 2 : 1;
    const int64_t h0 = a[at];
    int64_t hx = a[at + stride];
    int64_t hy = a[at + 1];
    int64_t hc = a[at + stride + 1];
    const int64_t unit1 = (int64_t)((uint64_t)unit << 1);
    hx = round_to(hx, unit1);
    hy = round_to(hy, unit1);
    hc = is_last ? hc : round_to(hc, unit);
    const int64_t low0 = hc & unit;
    hx = hx >= 0 ? sum(hx, minus(low0)) : sum(hx, low0);
    hy = hy >= 0 ? sum(hy, minus(low0)) : sum(hy, low0);
    const int64_t low1 = (hc ^ hx ^ hy) & unit1;
    const int64_t change = h0 >= 0     ? sum(low0, minus(low1))
                           : low0 == 0 ? low1
                                       : sum(low0, minus(low1));
    const int64_t base = sum(h0, change);
    const int64_t plus = sum(base, hc);
    const int64_t less = sum(base, minus(hc));
    a[at + stride + 1] = sum(plus, sum(hx, hy)) >> shift;
    a[at + stride] = sum(less, sum(hx, minus(hy))) >> shift;
    a[at + 1] = sum(less, sum(hy, minus(hx))) >> shift;
    a[at] = sum(plus, minus(sum(hx, hy))) >> shift;
}

/* The last pair of an odd line: sum h0 and slope. */
static void unfold_pair(int64_t *a, size_t at, size_t step, int64_t unit, bool is_last) {
    const int shift = is_last ? 2 : 1;
    const int64_t unit1 = (int64_t)((uint64_t)unit << 1);
    const int64_t h = round_to(a[at + step], unit1);
    const int64_t low = h & unit1;
    const int64_t h0 = a[at] >= 0 ? sum(a[at], minus(low)) : sum(a[at], low);
    a[at + step] = sum(h0, h) >> shift;
    a[at] = sum(h0, minus(h)) >> shift;
}

static void inverse_transform(int64_t *a, size_t n_slow, size_t n_fast, int64_t *scratch) {
    const unsigned log2n = log2_up(n_slow > n_fast ? n_slow : n_fast);
    if (log2n == 0) {
        return;
    }
    a[0] = round_to(a[0], (int64_t)1 << (log2n + 1));
    for (unsigned level = log2n; level-- > 0;) {
        const size_t round = ((size_t)1 << level) - 1;
        const size_t top_slow = (n_slow + round) >> level;
        const size_t top_fast = (n_fast + round) >> level;
        const int64_t unit = (int64_t)1 << level;
        for (size_t i = 0; i < top_slow; i++) {
            interleave(a + i * n_fast, top_fast, 1, scratch);
        }
        for (size_t j = 0; j < top_fast; j++) {
            interleave(a + j, top_slow, n_fast, scratch);
        }
        const bool is_last = level == 0;
        for (size_t i = 0; i < top_slow; i += 2) {
            const bool has_below = i + 1 < top_slow;
            for (size_t j = 0; j < top_fast; j += 2) {
                const size_t at = i * n_fast + j;
                const bool has_right = j + 1 < top_fast;
                if (has_below && has_right) {
                    unfold_square(a, at, n_fast, unit, is_last);
                } else if (has_below) {
                    unfold_pair(a, at, n_fast, unit, is_last);
                } else if (has_right) {
                    unfold_pair(a, at, 1, unit, is_last);
                } else {
                    a[at] >>= is_last ? 2 : 1;
                }
            }
        }
    }
}

static uint64_t big_endian(const unsigned char *bytes, size_t n) {
    uint64_t value = 0;
    for (size_t i = 0; i < n; i++) {
        value = value << 8 | bytes[i];
    }
    return value;
}

bool nw_fits_unpack_hcompress(const unsigned char *bytes, size_t n, size_t n_slow, size_t n_fast,
                              int64_t *values, unsigned char *scratch, int64_t *line) {
    if (n < HEAD_BYTES || bytes[0] != 0xdd || bytes[1] != 0x99 ||
        big_endian(bytes + 2, 4) != n_slow || big_endian(bytes + 6, 4) != n_fast) {
        return false;
    }
    const uint64_t scale = big_endian(bytes + 10, 4);
    const unsigned char *const planes = bytes + 22;
    if (planes[0] > MAX_PLANES || planes[1] > MAX_PLANES || planes[2] > MAX_PLANES) {
        return false;
    }
    struct nybbles in = {.bytes = bytes, .n = n, .at = HEAD_BYTES};
    const size_t slow0 = (n_slow + 1) / 2;
    const size_t fast0 = (n_fast + 1) / 2;
    memset(values, 0, n_slow * n_fast * sizeof *values);
    const bool is_decoded =
        decode_quadrant(&in, values, slow0, fast0, n_fast, planes[0], scratch) &&
        decode_quadrant(&in, values + fast0, slow0, n_fast / 2, n_fast, planes[1], scratch) &&
        decode_quadrant(&in, values + slow0 * n_fast, n_slow / 2, fast0, n_fast, planes[1],
                        scratch) &&
        decode_quadrant(&in, values + slow0 * n_fast + fast0, n_slow / 2, n_fast / 2, n_fast,
                        planes[2], scratch) &&
        take(&in, 4) == 0; /* the mark behind the last plane */
    if (!is_decoded) {
        return false;
    }
    take_signs(&in, values, n_slow * n_fast);
    values[0] = (int64_t)big_endian(bytes + 14, 8);
    for (size_t i = 0; scale > 1 && i < n_slow * n_fast; i++) {
        values[i] = (int64_t)((uint64_t)values[i] * scale);
    }
    inverse_transform(values, n_slow, n_fast, line);
    return !in.is_over;
}
