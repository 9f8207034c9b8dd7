/* fits_internal.h - the parts of the FITS reader, as they see each other.
 * Way of a file: source (bytes of a plain or gzipped file) -> header (cards of one HDU, its sizes,
 * checked) -> pixels of a plain image, or tiles of a compressed one -> frame with its facts.
 * Standard: FITS 4.0 (2018), sections in the .c files. */
#ifndef NW_FITS_INTERNAL_H
#define NW_FITS_INTERNAL_H

#include <stdint.h>
#include <sys/types.h>

#include "image/image.h"

enum {
    NW_FITS_BLOCK = 2880,
    NW_FITS_CARD = 80,
    NW_FITS_MAX_CARDS = 5000, /* kept; a header may hold more */
    NW_FITS_MAX_AXES = 9,
    NW_FITS_PIECE = 1 << 20,
};
#define NW_FITS_MAX_PIXELS UINT64_C(400000000)

/* ---- fits_source.c: bytes ----------------------------------------------------------------- */

struct nw_fits_gzip;
struct nw_fits_source {
    const char *path;
    int fd;
    uint64_t file_bytes;
    struct nw_fits_gzip *gzip; /* NULL for a plain file */
};
enum nw_status nw_fits_source_init(struct nw_fits_source *source, const char *path,
                                   struct nw_err *err) NW_CHECKED;
void nw_fits_source_done(struct nw_fits_source *source);
/* Reads n bytes at `at` (for a gzipped file never before an earlier place); *ret_got < n only at
 * the end of the data. */
enum nw_status nw_fits_source_read(struct nw_fits_source *source, uint64_t at, void *to, size_t n,
                                   size_t *ret_got, struct nw_err *err) NW_CHECKED;
/* The most bytes that can follow `at`: exact for a plain file, a bound for a gzipped one. */
uint64_t nw_fits_source_room(const struct nw_fits_source *source, uint64_t at);
/* After the last read: a gzipped file is read on to its end, if near, so that its checksum counts.
 */
enum nw_status nw_fits_source_verify(struct nw_fits_source *source, struct nw_err *err) NW_CHECKED;

/* ---- fits_cards.c: one card of 80 bytes ---------------------------------------------------- */

enum nw_fits_card_kind {
    NW_FITS_CARD_EMPTY,
    NW_FITS_CARD_VALUE,
    NW_FITS_CARD_CONTINUE,
    NW_FITS_CARD_END,
    NW_FITS_CARD_BAD /* no keyword can be read */
};
enum nw_fits_card_kind nw_fits_card_parse(const char bytes[static NW_FITS_CARD],
                                          struct nw_card *card);
/* Joins the text of a CONTINUE card to the text before it, if that asks for it by a last '&'. */
void nw_fits_card_join(struct nw_card *card, const struct nw_card *more);
const struct nw_card *nw_fits_cards_find(const struct nw_card *cards, size_t n_cards,
                                         const char *key);

/* ---- fits_header.c: one header and data unit ----------------------------------------------- */

struct nw_fits_hdu {
    int number; /* 1 = primary */
    struct nw_card *cards;
    size_t n_cards, cap_cards;
    uint64_t data_at, data_bytes;
    int bitpix;
    int n_axes;
    uint64_t axes[NW_FITS_MAX_AXES]; /* the first nine */
    uint64_t pcount;
    bool is_image, is_table, is_compressed;
};
void nw_fits_hdu_done(struct nw_fits_hdu *hdu);
/* Reads the header that starts at `at`. *ret_at_end: no further HDU there (never for the first). */
enum nw_status nw_fits_hdu_read(struct nw_fits_source *source, uint64_t at, int number,
                                struct nw_fits_hdu *ret, bool *ret_at_end,
                                struct nw_err *err) NW_CHECKED;
/* A whole number of the header; `absent` when the key is not there. */
enum nw_status nw_fits_hdu_whole(const struct nw_fits_hdu *hdu, const char *key, int64_t absent,
                                 int64_t *ret, struct nw_err *err) NW_CHECKED;
/* A number of the header; `absent` when the key is not there. */
enum nw_status nw_fits_hdu_number(const struct nw_fits_hdu *hdu, const char *key, double absent,
                                  double *ret, struct nw_err *err) NW_CHECKED;
bool nw_fits_key_is_structural(const char *key);

/* ---- fits_pixels.c: bytes of a plain image to floats ---------------------------------------- */

struct nw_fits_scaling {
    int bitpix;
    double bscale, bzero;
    bool has_blank;
    int64_t blank;
};
enum nw_status nw_fits_scaling_read(const struct nw_fits_hdu *hdu, const char *blank_key,
                                    struct nw_fits_scaling *ret, struct nw_err *err) NW_CHECKED;
double nw_fits_scaling_max(const struct nw_fits_scaling *scaling);
double nw_fits_scaling_step(const struct nw_fits_scaling *scaling); /* 0: floats */
/* n pixels, big-endian as in the file. */
void nw_fits_pixels_convert(const struct nw_fits_scaling *scaling, const unsigned char *bytes,
                            size_t n, float *px);
/* Plain unsigned 16-bit: BZERO 32768, BSCALE 1, no BLANK. */
bool nw_fits_scaling_is_unsigned_16(const struct nw_fits_scaling *scaling);
void nw_fits_pixels_unsigned_16(const unsigned char *bytes, size_t n, uint16_t *px);

struct nw_fits_shape {
    size_t width_px, height_px, n_planes;
    bool colour_first; /* the three colours of a pixel stand together */
};
/* What the axes mean, or the error that names them. (fits_read.c) */
enum nw_status nw_fits_shape_read(int n_axes, const uint64_t *axes, struct nw_fits_shape *ret,
                                  struct nw_err *err) NW_CHECKED;
/* Where pixel `at` of the file stands in px. */
size_t nw_fits_shape_place(const struct nw_fits_shape *shape, uint64_t at);

/* ---- fits_tiles.c, fits_tile_table.c: tile-compressed images -------------------------------- */

enum nw_fits_packing {
    NW_FITS_RICE_1,
    NW_FITS_GZIP_1,
    NW_FITS_GZIP_2,
    NW_FITS_HCOMPRESS_1,
};
enum nw_fits_dither { NW_FITS_DITHER_NONE, NW_FITS_DITHER_1, NW_FITS_DITHER_2 };

/* A column of the table: where in a row, and how wide; width 0: not there. */
struct nw_fits_column {
    size_t at, bytes;
    char code; /* of TFORMn; 'P' or 'Q': descriptor, then heap_code */
    char heap_code;
};

/* The checked description of a tile-compressed image. */
struct nw_fits_tiles {
    enum nw_fits_packing packing;
    enum nw_fits_dither dither;
    int64_t dither_seed;
    struct nw_fits_scaling scaling; /* of the image inside; bscale, bzero for integers */
    double zscale, zzero;           /* from keywords, where there is no column; NaN: none */
    int n_axes;
    uint64_t axes[NW_FITS_MAX_AXES], tile[NW_FITS_MAX_AXES];
    uint64_t n_tiles, tile_px;
    int rice_bytes;
    size_t rice_block_px;
    size_t row_bytes;
    uint64_t heap_at; /* in the data unit */
    struct nw_fits_column packed, gzipped, plain, zscale_column, zzero_column, zblank_column;
};
enum nw_status nw_fits_tiles_check(const struct nw_fits_hdu *hdu, struct nw_fits_tiles *ret,
                                   struct nw_err *err) NW_CHECKED;
/* Fills frame: sizes, bitpix, and the pixels unless header_only. */
enum nw_status nw_fits_tiles_read(struct nw_fits_source *source, const struct nw_fits_hdu *hdu,
                                  bool header_only, struct nw_frame *frame,
                                  struct nw_err *err) NW_CHECKED;

/* ---- fits_unpack.c, fits_hcompress.c: the packed bytes of one tile -------------------------- */

/* False when the bytes are damaged. bytes_per_px 1, 2 or 4. */
bool nw_fits_unpack_rice(const unsigned char *bytes, size_t n, int bytes_per_px, size_t block_px,
                         int64_t *values, size_t n_px);
/* Big-endian elements; their width in bytes, 0 when damaged. to, scratch: 8 * n_px bytes. */
size_t nw_fits_unpack_gzip(const unsigned char *bytes, size_t n, bool is_shuffled, size_t n_px,
                           unsigned char *to, unsigned char *scratch);
/* values, scratch: n_slow * n_fast; line: the longer of both. */
bool nw_fits_unpack_hcompress(const unsigned char *bytes, size_t n, size_t n_slow, size_t n_fast,
                              int64_t *values, unsigned char *scratch, int64_t *line);

/* ---- facts.c, facts_time.c: what the keywords say -------------------------------------------- */

void nw_fits_facts_read(const struct nw_card *cards, size_t n_cards, struct nw_frame_facts *ret);
double nw_fits_start_time_s(const struct nw_card *cards, size_t n_cards); /* NaN when not said */

#endif
