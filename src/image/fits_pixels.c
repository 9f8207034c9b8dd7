/* fits_pixels.c - the bytes of a plain image to physical values in float.
 * Idea: one short loop a data type, so that the compiler vectorises it; the usual 16-bit camera
 * frame (BZERO 32768) has one of its own.
 * Holds: integers up to 2^24 and all 16-bit values are exact in float; BLANK and values that are
 * not finite in float become NaN.
 * Standard: FITS 4.0 sec. 5 (big-endian, two's complement, IEEE), eq. 3: value = BZERO + BSCALE x.
 */
#include <math.h>

#include "base/clones.h"
#include "image/fits_internal.h"

enum nw_status nw_fits_scaling_read(const struct nw_fits_hdu *hdu, const char *blank_key,
                                    struct nw_fits_scaling *ret, struct nw_err *err) {
    struct nw_fits_scaling scaling = {.bitpix = hdu->bitpix};
    enum nw_status status = nw_fits_hdu_number(hdu, "BSCALE", 1.0, &scaling.bscale, err);
    if (status == NW_OK) {
        status = nw_fits_hdu_number(hdu, "BZERO", 0.0, &scaling.bzero, err);
    }
    if (status == NW_OK && !(fabs(scaling.bscale) > 0.0)) {
        status = nw_err_set(err, NW_FORMAT, "BSCALE is 0: no value could be read");
    }
    scaling.has_blank =
        hdu->bitpix > 0 && nw_fits_cards_find(hdu->cards, hdu->n_cards, blank_key) != NULL;
    if (status == NW_OK && scaling.has_blank) {
        status = nw_fits_hdu_whole(hdu, blank_key, 0, &scaling.blank, err);
    }
    if (status == NW_OK) {
        *ret = scaling;
    }
    return status;
}

double nw_fits_scaling_max(const struct nw_fits_scaling *scaling) {
    if (scaling->bitpix < 0) {
        return NAN;
    }
    const double highest = scaling->bitpix == 8 ? 255.0 : ldexp(1.0, scaling->bitpix - 1) - 1.0;
    const double lowest = scaling->bitpix == 8 ? 0.0 : -ldexp(1.0, scaling->bitpix - 1);
    return scaling->bzero + scaling->bscale * (scaling->bscale > 0.0 ? highest : lowest);
}

double nw_fits_scaling_step(const struct nw_fits_scaling *scaling) {
    return scaling->bitpix < 0 ? 0.0 : fabs(scaling->bscale);
}

static uint16_t read_u16(const unsigned char *p) {
    uint16_t bits;
    memcpy(&bits, p, sizeof bits);
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    bits = __builtin_bswap16(bits);
#endif
    return bits;
}

static uint32_t read_u32(const unsigned char *p) {
    uint32_t bits;
    memcpy(&bits, p, sizeof bits);
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    bits = __builtin_bswap32(bits);
#endif
    return bits;
}

static uint64_t read_u64(const unsigned char *p) {
    uint64_t bits;
    memcpy(&bits, p, sizeof bits);
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    bits = __builtin_bswap64(bits);
#endif
    return bits;
}

/* Too large for a float, infinite or NaN: not a value. */
static float finite_float(double value) {
    return fabs(value) <= 3.4028234e38 ? (float)value : NAN;
}

bool nw_fits_scaling_is_unsigned_16(const struct nw_fits_scaling *s) {
    return s->bitpix == 16 && !s->has_blank && fabs(s->bscale - 1.0) <= 0.0 &&
           fabs(s->bzero - 32768.0) <= 0.0;
}

NW_CLONES void nw_fits_pixels_unsigned_16(const unsigned char *bytes, size_t n, uint16_t *px) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        px[i] = (uint16_t)(read_u16(bytes + 2 * i) ^ 0x8000u);
    }
}

static void convert_16(const struct nw_fits_scaling *s, const unsigned char *bytes, size_t n,
                       float *px) {
    if (nw_fits_scaling_is_unsigned_16(s)) {
#pragma omp simd
        for (size_t i = 0; i < n; i++) {
            px[i] = (float)(read_u16(bytes + 2 * i) ^ 0x8000u);
        }
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const int16_t stored = (int16_t)read_u16(bytes + 2 * i);
        px[i] =
            s->has_blank && stored == s->blank ? NAN : finite_float(s->bzero + s->bscale * stored);
    }
}

static void convert_integers(const struct nw_fits_scaling *s, const unsigned char *bytes, size_t n,
                             float *px) {
    for (size_t i = 0; i < n; i++) {
        const int64_t stored = s->bitpix == 8    ? bytes[i]
                               : s->bitpix == 32 ? (int32_t)read_u32(bytes + 4 * i)
                                                 : (int64_t)read_u64(bytes + 8 * i);
        px[i] = s->has_blank && stored == s->blank
                    ? NAN
                    : finite_float(s->bzero + s->bscale * (double)stored);
    }
}

static void convert_floats(const struct nw_fits_scaling *s, const unsigned char *bytes, size_t n,
                           float *px) {
    const bool is_plain =
        !(s->bscale < 1.0) && !(s->bscale > 1.0) && !(s->bzero < 0.0) && !(s->bzero > 0.0);
    for (size_t i = 0; is_plain && i < n; i++) {
        uint32_t bits = read_u32(bytes + 4 * i);
        bits = (bits & 0x7f800000u) == 0x7f800000u ? 0x7fc00000u : bits; /* infinite or NaN */
        memcpy(&px[i], &bits, sizeof bits);
    }
    for (size_t i = 0; !is_plain && i < n; i++) {
        const uint32_t bits = read_u32(bytes + 4 * i);
        float stored = 0.0F;
        memcpy(&stored, &bits, sizeof bits);
        px[i] = finite_float(s->bzero + s->bscale * (double)stored);
    }
}

static void convert_doubles(const struct nw_fits_scaling *s, const unsigned char *bytes, size_t n,
                            float *px) {
    for (size_t i = 0; i < n; i++) {
        const uint64_t bits = read_u64(bytes + 8 * i);
        double stored = 0.0;
        memcpy(&stored, &bits, sizeof bits);
        px[i] = finite_float(s->bzero + s->bscale * stored);
    }
}

void nw_fits_pixels_convert(const struct nw_fits_scaling *scaling, const unsigned char *bytes,
                            size_t n, float *px) {
    switch (scaling->bitpix) {
    case 16:
        convert_16(scaling, bytes, n, px);
        break;
    case -32:
        convert_floats(scaling, bytes, n, px);
        break;
    case -64:
        convert_doubles(scaling, bytes, n, px);
        break;
    default:
        convert_integers(scaling, bytes, n, px);
        break;
    }
}
