/* fits_tiles.c - the pixels of a tile-compressed image.
 * Idea: the data unit is taken into memory whole; each tile is found by its descriptor, unpacked to
 * whole numbers, turned into physical values and laid into the image. The four packings are read
 * by decoders of our own, short and bounded, and not by cfitsio: hostile tiles crash that one
 * (division by zero, reading past the end), which would ask for a process of its own around every
 * call, and a library that runs threads can neither fork safely nor count on an executable to
 * start. Ours run in place, in any thread, and under the fuzzer. tests/reference holds them against
 * another reader, tests/unit against cfitsio's writer.
 * Holds: the guard (fits_tile_table.c) ran first; a descriptor is checked against the heap.
 * Standard: FITS 4.0 sec. 10.1 to 10.3, appendix I (the random numbers of dithering). */
#include <math.h>

#include "image/fits_internal.h"

enum {
    N_RANDOM = 10000,
    DITHER_SPREAD = 500,
};
#define QUANTISED_ZERO                                                                             \
    INT64_C(-2147483646) /* exactly 0 under SUBTRACTIVE_DITHER_2, sec. 10.2.2                      \
                          */

struct work {
    const struct nw_fits_tiles *tiles;
    const unsigned char *data; /* the data unit */
    uint64_t data_bytes;
    int64_t *values;
    unsigned char *bytes, *scratch;
    int64_t *line;
    float *px; /* of one tile */
    float *random;
};

static uint64_t big_endian(const unsigned char *bytes, size_t n) {
    uint64_t value = 0;
    for (size_t i = 0; i < n; i++) {
        value = value << 8 | bytes[i];
    }
    return value;
}

static const unsigned char *row_at(const struct work *work, uint64_t tile) {
    return work->data + tile * work->tiles->row_bytes;
}

/* A column of numbers, one a row; NaN where the column is missing. */
static double number_at(const struct work *work, const struct nw_fits_column *column,
                        uint64_t tile) {
    if (column->bytes == 0) {
        return NAN;
    }
    const unsigned char *const at = row_at(work, tile) + column->at;
    const uint64_t bits = big_endian(at, column->bytes);
    float single = 0.0F;
    double twice = 0.0;
    const uint32_t low = (uint32_t)bits;
    memcpy(&single, &low, sizeof single);
    memcpy(&twice, &bits, sizeof twice);
    switch (column->code) {
    case 'E':
        return (double)single;
    case 'D':
        return twice;
    case 'I':
        return (double)(int16_t)(uint16_t)bits;
    case 'J':
        return (double)(int32_t)low;
    default:
        return (double)(int64_t)bits;
    }
}

/* What a descriptor of `column` points to; false: outside of the heap. */
static bool heap_bytes(const struct work *work, const struct nw_fits_column *column, uint64_t tile,
                       const unsigned char **ret, size_t *ret_n) {
    *ret_n = 0;
    if (column->bytes == 0) {
        return true;
    }
    const size_t half = column->bytes / 2;
    const unsigned char *const at = row_at(work, tile) + column->at;
    const uint64_t count = big_endian(at, half);
    const uint64_t offset = big_endian(at + half, half);
    const uint64_t room = work->data_bytes - work->tiles->heap_at;
    const uint64_t width = column->heap_code == 'I'                               ? 2
                           : column->heap_code == 'J' || column->heap_code == 'E' ? 4
                           : column->heap_code == 'K' || column->heap_code == 'D' ? 8
                                                                                  : 1;
    if (count > room / width || offset > room - count * width) {
        return false;
    }
    *ret = work->data + work->tiles->heap_at + offset;
    *ret_n = (size_t)(count * width);
    return true;
}

/* Park & Miller 1988, CACM 31, 1192: x = 16807 x mod (2^31 - 1); the standard's check is that the
 * last of the 10,000 is 1043618065. */
static bool make_random(float *random) {
    uint64_t seed = 1;
    for (size_t i = 0; i < N_RANDOM; i++) {
        seed = seed * 16807 % 2147483647;
        random[i] = (float)((double)seed / 2147483647.0);
    }
    return seed == 1043618065;
}

static void elements_to_values(const unsigned char *bytes, size_t width, size_t n,
                               int64_t *values) {
    for (size_t i = 0; i < n; i++) {
        const uint64_t bits = big_endian(bytes + i * width, width);
        values[i] = width == 1   ? (int64_t)bits
                    : width == 2 ? (int64_t)(int16_t)(uint16_t)bits
                    : width == 4 ? (int64_t)(int32_t)(uint32_t)bits
                                 : (int64_t)bits;
    }
}

/* Pixels stored as such in the tile's bytes, not quantised. */
static void convert_elements(const struct work *work, const unsigned char *bytes, size_t width,
                             size_t n) {
    struct nw_fits_scaling scaling = work->tiles->scaling;
    const int bits = 8 * (int)width;
    scaling.bitpix = scaling.bitpix < 0 ? -bits : bits;
    nw_fits_pixels_convert(&scaling, bytes, n, work->px);
}

/* Whole numbers to physical values. Quantised floats: (q - r + 0.5) scale + zero with the r of
 * sec. 10.2.1; without dithering q scale + zero. */
static void convert_quantised(const struct work *work, uint64_t tile, double scale, double zero,
                              size_t n) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    const bool has_column = tiles->zblank_column.bytes > 0;
    const double blank = has_column                 ? number_at(work, &tiles->zblank_column, tile)
                         : tiles->scaling.has_blank ? (double)tiles->scaling.blank
                                                    : NAN;
    size_t seed = (size_t)((tile + (uint64_t)tiles->dither_seed - 1) % N_RANDOM);
    size_t next = (size_t)(work->random[seed] * DITHER_SPREAD);
    for (size_t i = 0; i < n; i++) {
        const int64_t q = work->values[i];
        double value = (double)q;
        if (tiles->dither != NW_FITS_DITHER_NONE) {
            value += 0.5 - (double)work->random[next];
            if (++next == N_RANDOM) {
                seed = (seed + 1) % N_RANDOM;
                next = (size_t)(work->random[seed] * DITHER_SPREAD);
            }
        }
        value = value * scale + zero;
        if (tiles->dither == NW_FITS_DITHER_2 && q == QUANTISED_ZERO) {
            value = 0.0;
        }
        const bool is_blank = !((double)q < blank) && !((double)q > blank) && !isnan(blank);
        work->px[i] = !is_blank && fabs(value) < 3.4e38 ? (float)value : NAN;
    }
}

static void convert_integers(const struct work *work, uint64_t tile, size_t n) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    const bool has_column = tiles->zblank_column.bytes > 0;
    const int64_t blank =
        has_column ? (int64_t)number_at(work, &tiles->zblank_column, tile) : tiles->scaling.blank;
    const bool has_blank = has_column || tiles->scaling.has_blank;
    for (size_t i = 0; i < n; i++) {
        const int64_t q = work->values[i];
        const double value = tiles->scaling.bzero + tiles->scaling.bscale * (double)q;
        work->px[i] = !(has_blank && q == blank) && fabs(value) < 3.4e38 ? (float)value : NAN;
    }
}

/* A tile that its own packing did not take: floats only gzipped, plain pixels, or nothing. */
static bool unpack_fallback(const struct work *work, uint64_t tile, size_t n_px) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    const unsigned char *gzipped = NULL;
    const unsigned char *plain = NULL;
    size_t n_gzipped = 0;
    size_t n_plain = 0;
    if (!heap_bytes(work, &tiles->gzipped, tile, &gzipped, &n_gzipped) ||
        !heap_bytes(work, &tiles->plain, tile, &plain, &n_plain)) {
        return false;
    }
    if (n_gzipped > 0) {
        const size_t width =
            nw_fits_unpack_gzip(gzipped, n_gzipped, false, n_px, work->bytes, work->scratch);
        convert_elements(work, work->bytes, width, width > 0 ? n_px : 0);
        return width > 0 && (tiles->scaling.bitpix > 0 || width >= 4);
    }
    if (n_plain > 0) {
        const size_t width = (size_t)abs(tiles->scaling.bitpix) / 8;
        if (n_plain < n_px * width) {
            return false;
        }
        convert_elements(work, plain, width, n_px);
        return true;
    }
    for (size_t i = 0; i < n_px; i++) {
        work->px[i] = NAN; /* nothing at all: nothing known */
    }
    return true;
}

/* Packed bytes to work->values, or to work->px where they are floats as such. */
static bool unpack_values(const struct work *work, const unsigned char *packed, size_t n_packed,
                          const uint64_t *size, bool is_quantised, size_t n_px) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    const bool holds_numbers = tiles->scaling.bitpix > 0 || is_quantised;
    if (tiles->packing == NW_FITS_RICE_1) {
        return holds_numbers && nw_fits_unpack_rice(packed, n_packed, tiles->rice_bytes,
                                                    tiles->rice_block_px, work->values, n_px);
    }
    if (tiles->packing == NW_FITS_HCOMPRESS_1) { /* tiles of two axes only */
        return holds_numbers && size[0] * size[1] == n_px &&
               nw_fits_unpack_hcompress(packed, n_packed, (size_t)size[1], (size_t)size[0],
                                        work->values, work->scratch, work->line);
    }
    const size_t width = nw_fits_unpack_gzip(packed, n_packed, tiles->packing == NW_FITS_GZIP_2,
                                             n_px, work->bytes, work->scratch);
    if (!holds_numbers) {
        convert_elements(work, work->bytes, width, width >= 4 ? n_px : 0);
        return width >= 4;
    }
    elements_to_values(work->bytes, width, width > 0 ? n_px : 0, work->values);
    return width > 0;
}

/* One tile to work->px. false: damaged. */
static bool unpack_tile(const struct work *work, uint64_t tile, const uint64_t *size, size_t n_px) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    const unsigned char *packed = NULL;
    size_t n_packed = 0;
    if (!heap_bytes(work, &tiles->packed, tile, &packed, &n_packed)) {
        return false;
    }
    if (n_packed == 0) {
        return unpack_fallback(work, tile, n_px);
    }
    const double own_scale = number_at(work, &tiles->zscale_column, tile);
    const double own_zero = number_at(work, &tiles->zzero_column, tile);
    const double scale = isnan(own_scale) ? tiles->zscale : own_scale;
    const double zero = isnan(own_zero) ? tiles->zzero : own_zero;
    const bool is_quantised = tiles->scaling.bitpix < 0 && !isnan(scale) && !isnan(zero);
    if (!unpack_values(work, packed, n_packed, size, is_quantised, n_px)) {
        return false;
    }
    if (is_quantised) {
        convert_quantised(work, tile, scale, zero, n_px);
    } else if (tiles->scaling.bitpix > 0) {
        convert_integers(work, tile, n_px);
    }
    return true;
}

/* Lays a tile, first pixel at `from`, into the image, row by row. */
static void lay_tile(const struct work *work, const struct nw_fits_shape *shape,
                     const uint64_t *from, const uint64_t *size, float *px) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    uint64_t at[NW_FITS_MAX_AXES] = {0};
    const float *row = work->px;
    for (;;) {
        uint64_t place = 0;
        for (int i = tiles->n_axes; i-- > 0;) {
            place = place * tiles->axes[i] + from[i] + at[i];
        }
        for (uint64_t x = 0; x < size[0]; x++) {
            px[nw_fits_shape_place(shape, place + x)] = row[x];
        }
        row += size[0];
        int i = 1;
        while (i < tiles->n_axes && ++at[i] == size[i]) {
            at[i++] = 0;
        }
        if (i >= tiles->n_axes) {
            return;
        }
    }
}

static enum nw_status unpack_all(const struct work *work, const struct nw_fits_shape *shape,
                                 float *px, struct nw_err *err) {
    const struct nw_fits_tiles *const tiles = work->tiles;
    for (uint64_t tile = 0; tile < tiles->n_tiles; tile++) {
        uint64_t from[NW_FITS_MAX_AXES] = {0};
        uint64_t size[NW_FITS_MAX_AXES] = {0};
        uint64_t rest = tile;
        size_t n_px = 1;
        for (int i = 0; i < tiles->n_axes; i++) {
            const uint64_t along = (tiles->axes[i] + tiles->tile[i] - 1) / tiles->tile[i];
            from[i] = rest % along * tiles->tile[i];
            rest /= along;
            const uint64_t left = tiles->axes[i] - from[i];
            size[i] = left < tiles->tile[i] ? left : tiles->tile[i];
            n_px *= (size_t)size[i];
        }
        if (!unpack_tile(work, tile, size, n_px)) {
            return nw_err_set(err, NW_FORMAT, "damaged compressed image: tile %llu of %llu",
                              (unsigned long long)tile + 1, (unsigned long long)tiles->n_tiles);
        }
        lay_tile(work, shape, from, size, px);
    }
    return NW_OK;
}

static enum nw_status load_data(struct nw_fits_source *source, const struct nw_fits_hdu *hdu,
                                unsigned char **ret, struct nw_err *err) {
    const uint64_t room = nw_fits_source_room(source, hdu->data_at);
    size_t got = (size_t)(room < hdu->data_bytes ? room : hdu->data_bytes);
    unsigned char *data = NULL;
    enum nw_status status = NW_OK;
    if (got == hdu->data_bytes) {
        data = nw_big_alloc(got + 1);
        status = data ? nw_fits_source_read(source, hdu->data_at, data, got, &got, err)
                      : nw_err_set(err, NW_NOMEM, "%zu packed bytes", got);
    }
    if (status == NW_OK && got < hdu->data_bytes) {
        status = nw_err_set(err, NW_FORMAT, "truncated: %llu of %llu packed bytes are missing",
                            (unsigned long long)(hdu->data_bytes - got),
                            (unsigned long long)hdu->data_bytes);
    }
    if (status == NW_OK) {
        *ret = data;
        data = NULL;
    }
    nw_big_free(data);
    return status;
}

static enum nw_status unpack_image(const struct nw_fits_tiles *tiles, unsigned char *data,
                                   uint64_t data_bytes, const struct nw_fits_shape *shape,
                                   float *px, struct nw_err *err) {
    const size_t n = (size_t)tiles->tile_px;
    struct work work = {.tiles = tiles, .data = data, .data_bytes = data_bytes};
    uint64_t longest = 1;
    for (int i = 0; i < tiles->n_axes; i++) {
        longest = tiles->tile[i] > longest ? tiles->tile[i] : longest;
    }
    const bool has_gzip = tiles->packing == NW_FITS_GZIP_1 || tiles->packing == NW_FITS_GZIP_2 ||
                          tiles->gzipped.bytes > 0;
    work.values = nw_big_alloc(n * sizeof *work.values);
    work.bytes = nw_big_alloc(has_gzip ? n * 8 : 1);
    work.scratch = nw_big_alloc(tiles->packing == NW_FITS_GZIP_2        ? n * 8
                                : tiles->packing == NW_FITS_HCOMPRESS_1 ? n
                                                                        : 1);
    work.line = nw_big_alloc((size_t)longest * sizeof *work.line);
    work.px = nw_big_alloc(n * sizeof *work.px);
    work.random = nw_calloc(N_RANDOM, sizeof *work.random);
    enum nw_status status = NW_OK;
    if (!work.values || !work.bytes || !work.scratch || !work.line || !work.px || !work.random) {
        status = nw_err_set(err, NW_NOMEM, "tiles of %zu pixels", n);
    } else if (!make_random(work.random)) {
        status = nw_err_set(err, NW_DATA, "random numbers of the dithering are wrong");
    } else {
        status = unpack_all(&work, shape, px, err);
    }
    nw_big_free(work.values);
    nw_big_free(work.bytes);
    nw_big_free(work.scratch);
    nw_big_free(work.line);
    nw_big_free(work.px);
    free(work.random);
    return status;
}

enum nw_status nw_fits_tiles_read(struct nw_fits_source *source, const struct nw_fits_hdu *hdu,
                                  bool header_only, struct nw_frame *frame, struct nw_err *err) {
    struct nw_fits_tiles tiles;
    struct nw_fits_shape shape = {0};
    unsigned char *data = NULL;
    enum nw_status status = nw_fits_tiles_check(hdu, &tiles, err);
    if (status == NW_OK) {
        status = nw_fits_shape_read(tiles.n_axes, tiles.axes, &shape, err);
    }
    if (status != NW_OK) {
        return status;
    }
    frame->width_px = shape.width_px;
    frame->height_px = shape.height_px;
    frame->n_planes = shape.n_planes;
    frame->bitpix = tiles.scaling.bitpix;
    frame->data_max_adu = nw_fits_scaling_max(&tiles.scaling);
    frame->step_adu = nw_fits_scaling_step(&tiles.scaling);
    if (header_only) {
        return NW_OK;
    }
    const size_t n_pixels = shape.width_px * shape.height_px * shape.n_planes;
    status = load_data(source, hdu, &data, err);
    if (status == NW_OK) {
        frame->px = nw_big_alloc(n_pixels * sizeof *frame->px);
        status = frame->px ? unpack_image(&tiles, data, hdu->data_bytes, &shape, frame->px, err)
                           : nw_err_set(err, NW_NOMEM, "%zu pixels", n_pixels);
    }
    nw_big_free(data);
    return status;
}
