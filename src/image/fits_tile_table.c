/* fits_tile_table.c - what the header of a tile-compressed image says, checked.
 * Idea: the guard before any byte is unpacked: known packing, tiles that fit the axes, as many
 * rows as tiles, columns inside the row, heap inside the data unit, and no more pixels than the
 * packed bytes could ever hold.
 * Standard: FITS 4.0 sec. 10.1 (keywords), 10.1.3 (columns), 10.2 (quantised floats), 7.3.5 (heap).
 */
#include <math.h>

#include "image/fits_internal.h"

enum { MAX_COLUMNS = 999, MAX_PX_PER_BYTE = 4096, ALWAYS_ALLOWED_PX = 1 << 22 };

static const struct nw_card *find(const struct nw_fits_hdu *hdu, const char *key) {
    return nw_fits_cards_find(hdu->cards, hdu->n_cards, key);
}

static enum nw_status read_packing(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                   struct nw_err *err) {
    static const char *const names[] = {"RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"};
    const struct nw_card *const card = find(hdu, "ZCMPTYPE");
    if (!card) {
        return nw_err_set(err, NW_FORMAT, "compressed image without ZCMPTYPE");
    }
    const char *const name = strcmp(card->value, "RICE_ONE") == 0 ? names[0] : card->value;
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (strcmp(name, names[i]) == 0) {
            tiles->packing = (enum nw_fits_packing)i;
            return NW_OK;
        }
    }
    return nw_err_set(err, NW_FORMAT,
                      "compression '%.24s' is not read, expected RICE_1, GZIP_1, GZIP_2 or "
                      "HCOMPRESS_1",
                      card->value);
}

/* ZNAXISn and ZTILEn; a tile is by default one row. */
static enum nw_status read_tiling(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                  struct nw_err *err) {
    int64_t n_axes = 0;
    enum nw_status status = nw_fits_hdu_whole(hdu, "ZNAXIS", 0, &n_axes, err);
    if (status == NW_OK && (n_axes < 1 || n_axes > NW_FITS_MAX_AXES)) {
        status = nw_err_set(err, NW_FORMAT, "ZNAXIS is %lld, expected 1 to %d", (long long)n_axes,
                            NW_FITS_MAX_AXES);
    }
    tiles->n_axes = (int)n_axes;
    for (int i = 0; status == NW_OK && i < tiles->n_axes; i++) {
        char axis_key[16];
        char tile_key[16];
        int64_t axis = 0;
        int64_t tile = 0;
        (void)snprintf(axis_key, sizeof axis_key, "ZNAXIS%d", i + 1);
        (void)snprintf(tile_key, sizeof tile_key, "ZTILE%d", i + 1);
        status = nw_fits_hdu_whole(hdu, axis_key, -1, &axis, err);
        if (status == NW_OK) {
            status = nw_fits_hdu_whole(hdu, tile_key, i == 0 ? axis : 1, &tile, err);
        }
        if (status == NW_OK && axis < 0) {
            status = nw_err_set(err, NW_FORMAT, "%s is missing or negative", axis_key);
        }
        if (status == NW_OK && axis > 0 && tile < 1) {
            status = nw_err_set(err, NW_FORMAT, "%s is %lld, expected 1 or more", tile_key,
                                (long long)tile);
        }
        tiles->axes[i] = (uint64_t)axis;
        tiles->tile[i] = (uint64_t)(tile < axis ? tile : axis); /* some writers go beyond */
    }
    return status;
}

/* Bytes of one element of a TFORM code; bits are counted apart. */
static size_t code_bytes(char code) {
    static const char codes[] = "LBAIJEKDCMPQ";
    static const size_t bytes[] = {1, 1, 1, 2, 4, 4, 8, 8, 8, 16, 8, 16};
    const char *const at = code ? strchr(codes, code) : NULL;
    return at ? bytes[at - codes] : 0;
}

/* "1PB(250)", "1D", "E" */
static bool read_form(const char *form, struct nw_fits_column *ret) {
    size_t repeat = 0;
    const char *p = form + strspn(form, " ");
    bool has_repeat = false;
    for (; *p >= '0' && *p <= '9' && repeat < (size_t)1 << 32; p++) {
        repeat = 10 * repeat + (size_t)(*p - '0');
        has_repeat = true;
    }
    repeat = has_repeat ? repeat : 1;
    ret->code = *p;
    const size_t bytes = code_bytes(*p);
    if (*p == 'X') {
        ret->bytes = (repeat + 7) / 8;
        return true;
    }
    ret->bytes = repeat * bytes;
    ret->heap_code = *p == 'P' || *p == 'Q' ? p[1] : '\0';
    return bytes > 0;
}

static enum nw_status read_columns(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                   struct nw_err *err) {
    const struct {
        const char *name;
        struct nw_fits_column *column;
    } known[] = {{"COMPRESSED_DATA", &tiles->packed},  {"GZIP_COMPRESSED_DATA", &tiles->gzipped},
                 {"UNCOMPRESSED_DATA", &tiles->plain}, {"ZSCALE", &tiles->zscale_column},
                 {"ZZERO", &tiles->zzero_column},      {"ZBLANK", &tiles->zblank_column}};
    int64_t n_columns = 0;
    const enum nw_status status = nw_fits_hdu_whole(hdu, "TFIELDS", 0, &n_columns, err);
    if (status != NW_OK || n_columns < 1 || n_columns > MAX_COLUMNS) {
        return nw_err_set(err, NW_FORMAT, "TFIELDS of a compressed image is not 1 to 999");
    }
    uint64_t at = 0;
    for (int i = 1; i <= (int)n_columns; i++) {
        char key[16];
        (void)snprintf(key, sizeof key, "TFORM%d", i);
        const struct nw_card *const form = find(hdu, key);
        (void)snprintf(key, sizeof key, "TTYPE%d", i);
        const struct nw_card *const name = find(hdu, key);
        struct nw_fits_column column = {.at = (size_t)at};
        if (!form || !read_form(form->value, &column) || column.bytes > hdu->axes[0] - at) {
            return nw_err_set(err, NW_FORMAT, "TFORM%d '%.20s' does not fit a row of %llu bytes", i,
                              form ? form->value : "", (unsigned long long)hdu->axes[0]);
        }
        for (size_t k = 0; name && k < sizeof known / sizeof *known; k++) {
            if (nw_text_equal_nocase(name->value, known[k].name)) {
                *known[k].column = column;
            }
        }
        at += column.bytes;
    }
    return NW_OK;
}

static bool is_array(const struct nw_fits_column *column) {
    return (column->code == 'P' && column->bytes == 8) ||
           (column->code == 'Q' && column->bytes == 16);
}

static bool is_number(const struct nw_fits_column *column) {
    return column->bytes > 0 && strchr("IJKED", column->code) &&
           column->bytes == code_bytes(column->code);
}

/* Columns of a wrong form are refused, not guessed. */
static enum nw_status check_columns(const struct nw_fits_tiles *tiles, struct nw_err *err) {
    const struct nw_fits_column *const arrays[] = {&tiles->packed, &tiles->gzipped, &tiles->plain};
    const struct nw_fits_column *const numbers[] = {&tiles->zscale_column, &tiles->zzero_column,
                                                    &tiles->zblank_column};
    bool is_fine = tiles->packed.bytes > 0;
    for (size_t i = 0; i < 3; i++) {
        is_fine = is_fine && (arrays[i]->bytes == 0 || is_array(arrays[i])) &&
                  (numbers[i]->bytes == 0 || is_number(numbers[i]));
    }
    return is_fine ? NW_OK
                   : nw_err_set(err, NW_FORMAT,
                                "columns of the compressed image are missing or of "
                                "a wrong form");
}

static enum nw_status read_options(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                   struct nw_err *err) {
    int64_t seed = 1;
    int64_t block = 32;
    int64_t bytes = 4;
    enum nw_status status = nw_fits_hdu_whole(hdu, "ZDITHER0", 1, &seed, err);
    for (int i = 1; status == NW_OK && i <= 9; i++) {
        char key[16];
        (void)snprintf(key, sizeof key, "ZNAME%d", i);
        const struct nw_card *const name = find(hdu, key);
        (void)snprintf(key, sizeof key, "ZVAL%d", i);
        if (name && strcmp(name->value, "BLOCKSIZE") == 0) {
            status = nw_fits_hdu_whole(hdu, key, block, &block, err);
        } else if (name && strcmp(name->value, "BYTEPIX") == 0) {
            status = nw_fits_hdu_whole(hdu, key, bytes, &bytes, err);
        }
    }
    if (status != NW_OK) {
        return status;
    }
    if (block < 1 || block > 1 << 20 || (bytes != 1 && bytes != 2 && bytes != 4)) {
        return nw_err_set(err, NW_FORMAT,
                          "BLOCKSIZE %lld, BYTEPIX %lld: expected 1 or more, and 1, 2 or 4",
                          (long long)block, (long long)bytes);
    }
    tiles->rice_block_px = (size_t)block;
    tiles->rice_bytes = (int)bytes;
    const struct nw_card *const quantised = find(hdu, "ZQUANTIZ");
    const char *const how = quantised ? quantised->value : "";
    tiles->dither = strcmp(how, "SUBTRACTIVE_DITHER_1") == 0   ? NW_FITS_DITHER_1
                    : strcmp(how, "SUBTRACTIVE_DITHER_2") == 0 ? NW_FITS_DITHER_2
                                                               : NW_FITS_DITHER_NONE;
    tiles->dither_seed = seed;
    if (tiles->dither != NW_FITS_DITHER_NONE && (seed < 1 || seed > 10000)) {
        return nw_err_set(err, NW_FORMAT, "ZDITHER0 is %lld, expected 1 to 10000", (long long)seed);
    }
    return NW_OK;
}

static enum nw_status read_values(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                  struct nw_err *err) {
    int64_t bitpix = 0;
    enum nw_status status = nw_fits_hdu_whole(hdu, "ZBITPIX", 0, &bitpix, err);
    if (status == NW_OK && bitpix != 8 && bitpix != 16 && bitpix != 32 && bitpix != 64 &&
        bitpix != -32 && bitpix != -64) {
        status = nw_err_set(err, NW_FORMAT, "ZBITPIX is %lld, expected 8, 16, 32, 64, -32 or -64",
                            (long long)bitpix);
    }
    if (status == NW_OK) { /* the scaling of the image inside */
        struct nw_fits_hdu inner = *hdu;
        inner.bitpix = (int)bitpix;
        status = nw_fits_scaling_read(&inner, find(hdu, "ZBLANK") ? "ZBLANK" : "BLANK",
                                      &tiles->scaling, err);
    }
    if (status == NW_OK && bitpix < 0) { /* of quantised floats */
        tiles->scaling.has_blank = find(hdu, "ZBLANK") != NULL;
        status = nw_fits_hdu_whole(hdu, "ZBLANK", 0, &tiles->scaling.blank, err);
    }
    if (status == NW_OK) {
        status = nw_fits_hdu_number(hdu, "ZSCALE", NAN, &tiles->zscale, err);
    }
    return status == NW_OK ? nw_fits_hdu_number(hdu, "ZZERO", NAN, &tiles->zzero, err) : status;
}

/* Rows, heap and pixels against what there is; the shape of the image was checked before. */
static enum nw_status check_sizes(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *tiles,
                                  struct nw_err *err) {
    uint64_t n_pixels = 1;
    tiles->n_tiles = 1;
    tiles->tile_px = 1;
    for (int i = 0; i < tiles->n_axes; i++) {
        n_pixels *= tiles->axes[i];
        tiles->n_tiles *= (tiles->axes[i] + tiles->tile[i] - 1) / tiles->tile[i];
        tiles->tile_px *= tiles->tile[i];
    }
    if (hdu->n_axes != 2 || hdu->axes[1] != tiles->n_tiles) {
        return nw_err_set(err, NW_FORMAT,
                          "%llu rows in the table of a compressed image of %llu tiles",
                          (unsigned long long)hdu->axes[1], (unsigned long long)tiles->n_tiles);
    }
    tiles->row_bytes = (size_t)hdu->axes[0];
    const uint64_t table_bytes = hdu->axes[0] * hdu->axes[1]; /* checked with the header */
    int64_t heap_at = 0;
    const enum nw_status status =
        nw_fits_hdu_whole(hdu, "THEAP", (int64_t)table_bytes, &heap_at, err);
    if (status != NW_OK) {
        return status;
    }
    if (heap_at < 0 || (uint64_t)heap_at < table_bytes || (uint64_t)heap_at > hdu->data_bytes) {
        return nw_err_set(err, NW_FORMAT, "THEAP is %lld, expected %llu to %llu",
                          (long long)heap_at, (unsigned long long)table_bytes,
                          (unsigned long long)hdu->data_bytes);
    }
    tiles->heap_at = (uint64_t)heap_at;
    if (n_pixels > ALWAYS_ALLOWED_PX && n_pixels / MAX_PX_PER_BYTE > hdu->data_bytes) {
        return nw_err_set(err, NW_FORMAT, "%llu pixels cannot come from %llu packed bytes",
                          (unsigned long long)n_pixels, (unsigned long long)hdu->data_bytes);
    }
    return NW_OK;
}

enum nw_status nw_fits_tiles_check(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *ret,
                                   struct nw_err *err) {
    struct nw_fits_tiles tiles = {0};
    struct nw_fits_shape shape;
    enum nw_status status = read_packing(hdu, &tiles, err);
    if (status == NW_OK) {
        status = read_tiling(hdu, &tiles, err);
    }
    if (status == NW_OK) {
        status = nw_fits_shape_read(tiles.n_axes, tiles.axes, &shape, err);
    }
    if (status == NW_OK) {
        status = check_sizes(hdu, &tiles, err);
    }
    if (status == NW_OK) {
        status = read_columns(hdu, &tiles, err);
    }
    if (status == NW_OK) {
        status = check_columns(&tiles, err);
    }
    if (status == NW_OK) {
        status = read_options(hdu, &tiles, err);
    }
    if (status == NW_OK) {
        status = read_values(hdu, &tiles, err);
    }
    if (status == NW_OK) {
        *ret = tiles;
    }
    return status;
}
