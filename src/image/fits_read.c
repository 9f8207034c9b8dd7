/* fits_read.c - nw_frame_read: finds the image in a file, checks it, reads it.
 * Idea: walk the HDUs from the first; the first that holds an image (two axes or more, plain or
 * tile-compressed) is taken, or the one that was asked for. Sizes are held against the limit and
 * against the file before pixels get memory.
 * Holds: whatever the bytes are, the result is a frame or one error that names path and HDU. */
#include <math.h>

#include "image/fits_internal.h"

enum { MAX_HDUS = 1000, MAX_PATH_SHOWN = 160 };

static void axes_text(int n_axes, const uint64_t *axes, char *text, size_t size) {
    size_t at = 0;
    text[0] = '\0';
    for (int i = 0; i < n_axes && i < NW_FITS_MAX_AXES && at < size; i++) {
        const int n = snprintf(text + at, size - at, "%s%llu", i > 0 ? " x " : "",
                               (unsigned long long)axes[i]);
        at += n > 0 ? (size_t)n : 0;
    }
}

enum nw_status nw_fits_shape_read(int n_axes, const uint64_t *axes, struct nw_fits_shape *ret,
                                  struct nw_err *err) {
    char text[240];
    axes_text(n_axes, axes, text, sizeof text);
    int n = n_axes;
    while (n > 2 && n <= NW_FITS_MAX_AXES && axes[n - 1] == 1) {
        n--; /* a third axis of length 1 is no cube */
    }
    if (n < 2) {
        return nw_err_set(err, NW_FORMAT, "no image: %s", n == 1 ? "one axis only" : "no data");
    }
    uint64_t pixels = 1;
    for (int i = 0; i < n && i < NW_FITS_MAX_AXES; i++) {
        if (axes[i] == 0) {
            return nw_err_set(err, NW_FORMAT, "empty image: %s pixels", text);
        }
        if (axes[i] > NW_FITS_MAX_PIXELS || pixels > NW_FITS_MAX_PIXELS / axes[i]) {
            return nw_err_set(err, NW_LIMIT, "image of %s pixels is over the limit of 400 Mpx",
                              text);
        }
        pixels *= axes[i];
    }
    struct nw_fits_shape shape = {.n_planes = 1};
    if (n == 2) {
        shape.width_px = (size_t)axes[0];
        shape.height_px = (size_t)axes[1];
    } else if (n == 3 && axes[2] == 3) {
        shape = (struct nw_fits_shape){(size_t)axes[0], (size_t)axes[1], 3, false};
    } else if (n == 3 && axes[0] == 3) {
        shape = (struct nw_fits_shape){(size_t)axes[1], (size_t)axes[2], 3, true};
    } else {
        return nw_err_set(err, NW_FORMAT,
                          "a cube of %s%s, expected two axes, or three with 3 colours", text,
                          n_axes > NW_FITS_MAX_AXES ? " x ..." : "");
    }
    *ret = shape;
    return NW_OK;
}

size_t nw_fits_shape_place(const struct nw_fits_shape *shape, uint64_t at) {
    const size_t plane = shape->width_px * shape->height_px;
    return shape->colour_first ? (size_t)(at % 3) * plane + (size_t)(at / 3) : (size_t)at;
}

/* A plain image on its way from the file to memory, in pieces. */
struct plain_job {
    struct nw_fits_source *source;
    const struct nw_fits_hdu *hdu;
    const struct nw_fits_scaling *scaling;
    const struct nw_fits_shape *shape;
    struct nw_frame *frame;
    uint64_t n_pixels;
    size_t pixel_bytes, per_piece;
    size_t n_lanes;       /* runs of pieces that are read side by side */
    unsigned char *bytes; /* n_lanes * NW_FITS_PIECE */
    float *row;           /* where colours stand together: per_piece pixels a lane */
    enum nw_status *status;
    struct nw_err *errs; /* n_lanes */
};

static void convert_piece(const struct plain_job *job, size_t lane, uint64_t first, size_t n) {
    const unsigned char *const bytes = job->bytes + lane * NW_FITS_PIECE;
    struct nw_frame *const frame = job->frame;
    if (frame->px16) {
        nw_big_fill(frame->px16 + first, n * sizeof *frame->px16);
        nw_fits_pixels_unsigned_16(bytes, n, frame->px16 + first);
    } else if (!job->shape->colour_first) {
        nw_big_fill(frame->px + first, n * sizeof *frame->px);
        nw_fits_pixels_convert(job->scaling, bytes, n, frame->px + first);
    } else {
        float *const row = job->row + lane * job->per_piece;
        nw_fits_pixels_convert(job->scaling, bytes, n, row);
        for (size_t i = 0; i < n; i++) {
            frame->px[nw_fits_shape_place(job->shape, first + i)] = row[i];
        }
    }
}

static enum nw_status read_lane(const struct plain_job *job, size_t lane, struct nw_err *err) {
    const uint64_t n_pieces = (job->n_pixels + job->per_piece - 1) / job->per_piece;
    const uint64_t end = (lane + 1) * n_pieces / job->n_lanes;
    for (uint64_t piece = lane * n_pieces / job->n_lanes; piece < end; piece++) {
        const uint64_t first = piece * job->per_piece;
        const uint64_t left = job->n_pixels - first;
        const size_t n = left < job->per_piece ? (size_t)left : job->per_piece;
        size_t got = 0;
        const enum nw_status status =
            nw_fits_source_read(job->source, job->hdu->data_at + first * job->pixel_bytes,
                                job->bytes + lane * NW_FITS_PIECE, n * job->pixel_bytes, &got, err);
        if (status != NW_OK) {
            return status;
        }
        if (got < n * job->pixel_bytes) {
            return nw_err_set(err, NW_FORMAT, "truncated: %llu of %llu bytes of pixels are missing",
                              (unsigned long long)(left * job->pixel_bytes - got),
                              (unsigned long long)(job->n_pixels * job->pixel_bytes));
        }
        convert_piece(job, lane, first, n);
    }
    return NW_OK;
}

static void read_lane_body(void *user, size_t lane) {
    const struct plain_job *const job = user;
    job->status[lane] = read_lane(job, lane, &job->errs[lane]);
}

/* Every lane has its own bytes of the file and its own pixels; the first one's error counts. */
static enum nw_status read_lanes(struct plain_job *job, int n_threads, struct nw_err *err) {
    enum nw_status status = NW_OK;
    job->bytes = nw_big_alloc(job->n_lanes * NW_FITS_PIECE);
    job->row = job->shape->colour_first ? nw_calloc(job->n_lanes * job->per_piece, sizeof *job->row)
                                        : NULL;
    job->status = nw_calloc(job->n_lanes, sizeof *job->status);
    job->errs = nw_calloc(job->n_lanes, sizeof *job->errs);
    if (!job->bytes || (job->shape->colour_first && !job->row) || !job->status || !job->errs) {
        status = nw_err_set(err, NW_NOMEM, "room to read %llu pixels",
                            (unsigned long long)job->n_pixels);
        goto done;
    }
    (void)nw_parallel_for(job->n_lanes, n_threads, read_lane_body, job, NULL);
    for (size_t lane = 0; lane < job->n_lanes && status == NW_OK; lane++) {
        status = job->status[lane];
        if (status != NW_OK && err) {
            *err = job->errs[lane];
        }
    }
done:
    nw_big_free(job->bytes);
    free(job->row);
    free(job->status);
    free(job->errs);
    return status;
}

static enum nw_status read_pixels(struct nw_fits_source *source, const struct nw_fits_hdu *hdu,
                                  const struct nw_fits_scaling *scaling,
                                  const struct nw_fits_shape *shape,
                                  const struct nw_frame_opts *opts, struct nw_frame *frame,
                                  struct nw_err *err) {
    const size_t n_pixels = shape->width_px * shape->height_px * shape->n_planes;
    const size_t n_lost = shape->width_px * frame->rows_missing; /* then there is one plane */
    if (opts->keep_16_bit && n_lost == 0 && nw_fits_scaling_is_unsigned_16(scaling) &&
        !shape->colour_first) {
        frame->px16 = nw_big_reserve(n_pixels * sizeof *frame->px16);
    } else {
        frame->px = nw_big_reserve(n_pixels * sizeof *frame->px);
    }
    if (!frame->px && !frame->px16) {
        return nw_err_set(err, NW_NOMEM, "%zu pixels", n_pixels);
    }
    for (size_t i = n_pixels - n_lost; i < n_pixels && frame->px; i++) {
        frame->px[i] = NAN;
    }
    const size_t pixel_bytes = (size_t)abs(hdu->bitpix) / 8;
    const bool is_shared = opts->n_threads > 1 && !source->gzip; /* gzip only moves forward */
    struct plain_job job = {.source = source,
                            .hdu = hdu,
                            .scaling = scaling,
                            .shape = shape,
                            .frame = frame,
                            .n_pixels = n_pixels - n_lost,
                            .pixel_bytes = pixel_bytes,
                            .per_piece = NW_FITS_PIECE / pixel_bytes,
                            .n_lanes = is_shared ? (size_t)opts->n_threads : 1};
    return read_lanes(&job, opts->n_threads > 1 ? opts->n_threads : 1, err);
}

/* How many of the last rows are missing, whole or in part; 0 where more than half are, or where
 * the image has planes: that is no frame any more. */
static size_t rows_missing(const struct nw_fits_shape *shape, uint64_t bytes, uint64_t room) {
    const uint64_t row_bytes = bytes / shape->height_px;
    const size_t n_there = (size_t)(room / row_bytes);
    const bool is_enough = shape->n_planes == 1 && !shape->colour_first &&
                           n_there >= shape->height_px - shape->height_px / 2;
    return is_enough ? shape->height_px - n_there : 0;
}

static enum nw_status read_plain(struct nw_fits_source *source, const struct nw_fits_hdu *hdu,
                                 const struct nw_frame_opts *opts, struct nw_frame *frame,
                                 struct nw_err *err) {
    struct nw_fits_scaling scaling = {0};
    struct nw_fits_shape shape = {0};
    enum nw_status status = nw_fits_shape_read(hdu->n_axes, hdu->axes, &shape, err);
    if (status == NW_OK) {
        status = nw_fits_scaling_read(hdu, "BLANK", &scaling, err);
    }
    if (status != NW_OK) {
        return status;
    }
    frame->width_px = shape.width_px;
    frame->height_px = shape.height_px;
    frame->n_planes = shape.n_planes;
    frame->bitpix = hdu->bitpix;
    frame->data_max_adu = nw_fits_scaling_max(&scaling);
    frame->step_adu = nw_fits_scaling_step(&scaling);
    if (opts->header_only) {
        return NW_OK;
    }
    const size_t n_pixels = shape.width_px * shape.height_px * shape.n_planes;
    const uint64_t bytes = (uint64_t)n_pixels * (unsigned)abs(hdu->bitpix) / 8;
    const uint64_t room = nw_fits_source_room(source, hdu->data_at);
    if (room < bytes && opts->may_be_cut && !source->gzip) {
        frame->rows_missing = rows_missing(&shape, bytes, room);
    }
    if (room < bytes && frame->rows_missing == 0) {
        return nw_err_set(err, NW_FORMAT, "truncated: %llu of %llu bytes of pixels are missing",
                          (unsigned long long)(bytes - room), (unsigned long long)bytes);
    }
    return read_pixels(source, hdu, &scaling, &shape, opts, frame, err);
}

static bool holds_image(const struct nw_fits_hdu *hdu) {
    return hdu->is_compressed || (hdu->is_image && hdu->n_axes >= 2);
}

static const char *hdu_words(const struct nw_fits_hdu *hdu) {
    return hdu->is_table      ? "a table"
           : hdu->is_image    ? "a row of numbers"
           : hdu->n_axes == 0 ? "without data"
                              : "of a kind that is not read";
}

/* Walks to the wanted HDU. *primary keeps the cards of the first one where that is another. */
static enum nw_status find_hdu(struct nw_fits_source *source, int wanted, struct nw_fits_hdu *ret,
                               struct nw_fits_hdu *primary, struct nw_err *err) {
    char seen[160] = "";
    size_t n_seen = 0;
    uint64_t at = 0;
    for (int number = 1; number <= MAX_HDUS; number++) {
        struct nw_fits_hdu hdu = {0};
        bool at_end = false;
        const enum nw_status status = nw_fits_hdu_read(source, at, number, &hdu, &at_end, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "HDU %d", number);
        }
        if (at_end) {
            return wanted > 0 ? nw_err_set(err, NW_NOTFOUND, "no HDU %d: the file has %d", wanted,
                                           number - 1)
                              : nw_err_set(err, NW_FORMAT, "no image in the file: %s%s", seen,
                                           number > 5 ? ", ..." : "");
        }
        if (wanted > 0 ? number == wanted : holds_image(&hdu)) {
            *ret = hdu;
            return NW_OK;
        }
        if (number <= 4) {
            const int n = snprintf(seen + n_seen, sizeof seen - n_seen, "%sHDU %d is %s",
                                   n_seen > 0 ? ", " : "", number, hdu_words(&hdu));
            n_seen += n > 0 ? (size_t)n : 0;
        }
        const uint64_t padded =
            (hdu.data_bytes + NW_FITS_BLOCK - 1) / NW_FITS_BLOCK * NW_FITS_BLOCK;
        if (hdu.data_bytes > nw_fits_source_room(source, hdu.data_at)) {
            const enum nw_status cut = nw_err_set(
                err, NW_FORMAT, "HDU %d: truncated: %llu of %llu bytes of data are missing", number,
                (unsigned long long)(hdu.data_bytes - nw_fits_source_room(source, hdu.data_at)),
                (unsigned long long)hdu.data_bytes);
            nw_fits_hdu_done(&hdu);
            return cut;
        }
        at = hdu.data_at + padded;
        if (number == 1) {
            *primary = hdu;
        } else {
            nw_fits_hdu_done(&hdu);
        }
    }
    return nw_err_set(err, NW_LIMIT, "more than %d HDUs", MAX_HDUS);
}

/* The cards of the table that holds a compressed image say nothing about the image. */
static void drop_structural(struct nw_fits_hdu *hdu) {
    size_t n = 0;
    for (size_t i = 0; i < hdu->n_cards; i++) {
        if (!nw_fits_key_is_structural(hdu->cards[i].key)) {
            hdu->cards[n++] = hdu->cards[i];
        }
    }
    hdu->n_cards = n;
}

/* The cards of the image, then those of the primary header that it does not have itself (INHERIT
 * convention, FITS 4.0 sec. 4.4.2.6), unless it says not to. */
static enum nw_status take_cards(struct nw_fits_hdu *hdu, const struct nw_fits_hdu *primary,
                                 struct nw_frame *frame, struct nw_err *err) {
    const struct nw_card *const inherit = nw_fits_cards_find(hdu->cards, hdu->n_cards, "INHERIT");
    const bool inherits = !inherit || strcmp(inherit->value, "F") != 0;
    if (hdu->is_compressed) {
        drop_structural(hdu);
    }
    const size_t n_own = hdu->n_cards;
    enum nw_status status = NW_OK;
    for (size_t i = 0; inherits && status == NW_OK && i < primary->n_cards; i++) {
        const struct nw_card *const card = &primary->cards[i];
        if (nw_fits_key_is_structural(card->key) || strcmp(card->key, "COMMENT") == 0 ||
            strcmp(card->key, "HISTORY") == 0 || hdu->n_cards >= NW_FITS_MAX_CARDS ||
            nw_fits_cards_find(hdu->cards, n_own, card->key)) {
            continue;
        }
        status = nw_grow((void **)&hdu->cards, &hdu->cap_cards, hdu->n_cards + 1,
                         sizeof *hdu->cards, NW_FITS_MAX_CARDS, err);
        if (status == NW_OK) {
            hdu->cards[hdu->n_cards++] = *card;
        }
    }
    frame->cards = hdu->cards;
    frame->n_cards = hdu->n_cards;
    hdu->cards = NULL;
    hdu->n_cards = 0;
    return status;
}

static enum nw_status read_frame(struct nw_fits_source *source, const struct nw_frame_opts *opts,
                                 struct nw_frame *frame, struct nw_err *err) {
    struct nw_fits_hdu hdu = {0};
    struct nw_fits_hdu primary = {0};
    enum nw_status status = find_hdu(source, opts->hdu, &hdu, &primary, err);
    if (status != NW_OK) {
        goto done;
    }
    frame->hdu = hdu.number;
    frame->is_compressed = hdu.is_compressed;
    if (hdu.is_compressed) {
        status = nw_fits_tiles_read(source, &hdu, opts->header_only, frame, err);
    } else if (hdu.is_table) {
        status = nw_err_set(err, NW_FORMAT, "a table, not an image");
    } else {
        status = read_plain(source, &hdu, opts, frame, err);
    }
    if (status == NW_OK && !opts->header_only) {
        status = nw_fits_source_verify(source, err);
    }
    if (status == NW_OK) {
        status = take_cards(&hdu, &primary, frame, err);
    }
    if (status != NW_OK) {
        status = nw_err_at(err, status, "HDU %d", hdu.number);
    }
done:
    nw_fits_hdu_done(&hdu);
    nw_fits_hdu_done(&primary);
    return status;
}

/* A very long path must not push the fault out of the text. */
static enum nw_status at_path(struct nw_err *err, enum nw_status status, const char *path) {
    const size_t n = strlen(path);
    return n <= MAX_PATH_SHOWN ? nw_err_at(err, status, "%s", path)
                               : nw_err_at(err, status, "...%s", path + n - MAX_PATH_SHOWN);
}

enum nw_status nw_frame_read(const char *path, const struct nw_frame_opts *opts,
                             struct nw_frame **ret, struct nw_err *err) {
    const struct nw_frame_opts defaults = {0};
    struct nw_fits_source source = {.fd = -1};
    struct nw_frame *frame = NULL;
    enum nw_status status = nw_fits_source_init(&source, path, err);
    if (status != NW_OK) {
        goto done;
    }
    frame = nw_calloc(1, sizeof *frame);
    if (!frame || !(frame->path = nw_strdup(path))) {
        status = nw_err_set(err, NW_NOMEM, "frame");
        goto done;
    }
    status = read_frame(&source, opts ? opts : &defaults, frame, err);
    if (status == NW_OK) {
        nw_fits_facts_read(frame->cards, frame->n_cards, &frame->facts);
        *ret = frame;
        frame = NULL;
    }
done:
    nw_fits_source_done(&source);
    nw_frame_free(frame);
    return status == NW_OK ? NW_OK : at_path(err, status, path);
}

void nw_frame_drop_pixels(struct nw_frame *frame) {
    nw_big_free(frame->px);
    nw_big_free(frame->px16);
    frame->px = NULL;
    frame->px16 = NULL;
}

void nw_frame_free(struct nw_frame *frame) {
    if (frame) {
        free(frame->path);
        free(frame->cards);
        nw_big_free(frame->px);
        nw_big_free(frame->px16);
        free(frame);
    }
}

const struct nw_card *nw_frame_card(const struct nw_frame *frame, const char *key) {
    return nw_fits_cards_find(frame->cards, frame->n_cards, key);
}
