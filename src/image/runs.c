/* runs.c - what rises above the threshold: runs of pixels in rows, with their filtered values, and
 * the maxima among them.
 * Idea: bands of rows are independent but for a row on either side, so they run in parallel; of the
 * filtered image three rows exist at a time. Only what lies above the threshold is kept.
 * Holds: equal neighbours have one maximum, the first in the order of rows (saturated flat tops).
 */
#include "base/clones.h"
#include "image/measure_internal.h"

enum { CHUNK = 32 };
#define MAX_RUNS ((size_t)1 << 26)
#define MAX_VALUES ((size_t)1 << 29)
#define MAX_MAXIMA ((size_t)1 << 20)

/* A row with -INFINITY on either side, filled up to whole chunks. */
struct band_rows {
    float *memory;
    float *row[3]; /* by y % 3 */
    size_t n_chunks;
};

static bool band_rows_init(struct band_rows *rows, const struct kernel *kernel, size_t width) {
    rows->n_chunks = (width + CHUNK - 1) / CHUNK;
    const size_t stride = (rows->n_chunks + 2) * CHUNK;
    const size_t n_filter = row_filter_floats(kernel, width);
    rows->memory = nw_calloc(n_filter + 3 * stride, sizeof *rows->memory);
    if (!rows->memory) {
        return false;
    }
    for (size_t i = 0; i < 3 * stride; i++) {
        rows->memory[n_filter + i] = -INFINITY;
    }
    for (size_t k = 0; k < 3; k++) {
        rows->row[k] = rows->memory + n_filter + k * stride + CHUNK;
    }
    return true;
}

/* The first chunk from k on with a value above the threshold; n_chunks: none. */
NW_CLONES static size_t next_chunk(const float *row, size_t k, size_t n_chunks, float threshold) {
    for (; k < n_chunks; k++) {
        const float *const chunk = row + k * CHUNK;
        int32_t count = 0;
#pragma omp simd reduction(+ : count)
        for (size_t i = 0; i < CHUNK; i++) {
            count += chunk[i] > threshold;
        }
        if (count > 0) {
            break;
        }
    }
    return k;
}

static bool is_maximum(const float *const row[static 3], size_t x) {
    const float *const above = row[0] + x;
    const float *const same = row[1] + x;
    const float *const below = row[2] + x;
    const float here = same[0];
    return here > same[-1] && here >= same[1] && here > above[-1] && here > above[0] &&
           here > above[1] && here >= below[-1] && here >= below[0] && here >= below[1];
}

/* The run that begins at x, and its maxima. */
static enum nw_status take_run(struct band *band, const float *const row[static 3], size_t x,
                               size_t end, size_t y, struct nw_err *err) {
    enum nw_status status = nw_grow((void **)&band->runs, &band->cap_runs, band->n_runs + 1,
                                    sizeof *band->runs, MAX_RUNS, err);
    if (status == NW_OK) {
        status = nw_grow((void **)&band->values, &band->cap_values, band->n_values + (end - x),
                         sizeof *band->values, MAX_VALUES, err);
    }
    if (status != NW_OK) {
        return status;
    }
    memcpy(band->values + band->n_values, row[1] + x, (end - x) * sizeof *band->values);
    band->n_values += end - x;
    for (size_t i = x; i < end && status == NW_OK; i++) {
        if (is_maximum(row, i)) {
            status = nw_grow((void **)&band->maxima, &band->cap_maxima, band->n_maxima + 1,
                             sizeof *band->maxima, MAX_MAXIMA, err);
            if (status == NW_OK) {
                band->maxima[band->n_maxima++] =
                    (struct maximum){(int32_t)i, (int32_t)y, row[1][i], (uint32_t)band->n_runs};
            }
        }
    }
    band->runs[band->n_runs++] =
        (struct run){.y = (int32_t)y, .x0 = (int32_t)x, .x1 = (int32_t)end};
    return status;
}

static enum nw_status scan_row(struct band *band, const struct band_rows *rows, size_t y,
                               float threshold, struct nw_err *err) {
    const float *const row[3] = {rows->row[(y + 2) % 3], rows->row[y % 3], rows->row[(y + 1) % 3]};
    const size_t stop = rows->n_chunks * CHUNK;
    for (size_t x = 0; x < stop;) {
        if (x % CHUNK == 0) {
            x = CHUNK * next_chunk(row[1], x / CHUNK, rows->n_chunks, threshold);
            if (x >= stop) {
                break;
            }
        }
        if (!(row[1][x] > threshold)) {
            x++;
            continue;
        }
        size_t end = x;
        while (row[1][end] > threshold) { /* -INFINITY behind the last pixel */
            end++;
        }
        const enum nw_status status = take_run(band, row, x, end, y, err);
        if (status != NW_OK) {
            return status;
        }
        x = end;
    }
    return NW_OK;
}

void band_done(struct band *band) {
    free(band->runs);
    free(band->values);
    free(band->maxima);
    *band = (struct band){0};
}

void band_scan(const struct field *field, const struct kernel *kernel, float threshold,
               size_t y_first, size_t y_end, struct band *ret) {
    struct band_rows rows;
    struct band band = {.is_scanned = true};
    const size_t width = field->image.width_px;
    const size_t height = field->image.height_px;
    if (!band_rows_init(&rows, kernel, width)) {
        ret->status = nw_err_set(&ret->err, NW_NOMEM, "filter rows of %zu px", width);
        return;
    }
    struct row_filter filter;
    row_filter_init(&filter, field, kernel, 0, width, rows.memory);
    if (y_first > 0) {
        row_filter_row(&filter, y_first - 1, rows.row[(y_first - 1) % 3]);
    }
    row_filter_row(&filter, y_first, rows.row[y_first % 3]);
    for (size_t y = y_first; y < y_end && band.status == NW_OK; y++) {
        float *const next = rows.row[(y + 1) % 3];
        if (y + 1 < height) {
            row_filter_row(&filter, y + 1, next);
        }
        for (size_t x = 0; x < width && y + 1 == height; x++) {
            next[x] = -INFINITY;
        }
        band.status = scan_row(&band, &rows, y, threshold, &band.err);
    }
    free(rows.memory);
    const float *values = band.values;
    for (size_t i = 0; i < band.n_runs; i++) { /* now that they stay where they are */
        band.runs[i].values = values;
        values += band.runs[i].x1 - band.runs[i].x0;
    }
    *ret = band;
}
