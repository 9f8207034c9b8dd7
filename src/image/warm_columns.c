/* warm_columns.c - columns of the sensor that are brighter than the sky beside them, over many
 * rows: they become part of the sky.
 * Idea: in noise a pixel is the highest of three side by side once in three times, on a warm column
 * nearly always; that is counted in blocks of rows. Where it comes far too often the difference to
 * the columns beside tells how warm the column is and, as the stretch of rows with the highest
 * sum, from where to where (Bentley 1984, Commun. ACM 27, 865).
 * Holds: only what is one pixel wide goes; trails, spikes and bleeding columns have light beside
 * them. Columns that are warm everywhere, as the filters of a mosaic make them, stay. */
#include "base/clones.h"
#include "image/background_internal.h"

enum { BLOCK_ROWS = 128, ROW_STEP = 2, SAMPLES = BLOCK_ROWS / ROW_STEP };
/* Of 64 times: 21.3 +- 3.8 in noise; chance passes it once in 1e8 (Chernoff's bound), a column
 * warmer than 1.3 sigma more often than not. */
enum { OFTEN = 45 };
/* Of the warmth that the columns beside may share: narrow stars have 0.3 (common practice, no
 * source). */
static const double BESIDE_MAX = 0.15;
static const double SIGNIFICANT = 5.0;

struct column_job {
    const struct nw_image_view *image;
    uint8_t *counts; /* of every block, all columns */
};

NW_CLONES static void count_floats(const float *px, size_t n, uint8_t *count) {
#pragma omp simd
    for (size_t x = 1; x < n - 1; x++) {
        count[x] = (uint8_t)(count[x] + ((px[x] > px[x - 1]) & (px[x] > px[x + 1])));
    }
}

NW_CLONES static void count_whole(const uint16_t *px, size_t n, uint8_t *count) {
#pragma omp simd
    for (size_t x = 1; x < n - 1; x++) {
        count[x] = (uint8_t)(count[x] + ((px[x] > px[x - 1]) & (px[x] > px[x + 1])));
    }
}

static void count_block(void *user, size_t block) {
    const struct column_job *const job = user;
    const struct nw_image_view *const image = job->image;
    uint8_t *const count = job->counts + block * image->width_px;
    for (size_t k = 0; k < SAMPLES; k++) {
        const size_t first = (block * BLOCK_ROWS + k * ROW_STEP) * image->stride_px;
        if (image->px) {
            count_floats(image->px + first, image->width_px, count);
        } else {
            count_whole(image->px16 + first, image->width_px, count);
        }
    }
}

/* The stretch of rows [*first, *end) in which `warmth`, cut to -1..2 times its median, exceeds half
 * of it most. */
static void find_stretch(const float *warmth, double median, size_t *first, size_t *end) {
    double sum = 0.0;
    double best = 0.0;
    size_t from = *first;
    size_t best_from = *first;
    size_t best_end = *first;
    for (size_t y = *first; y < *end; y++) {
        const double value = isfinite(warmth[y]) ? (double)warmth[y] : 0.5 * median;
        sum += fmin(fmax(value, -median), 2.0 * median) - 0.5 * median;
        if (sum <= 0.0) {
            sum = 0.0;
            from = y + 1;
        } else if (sum > best) {
            best = sum;
            best_from = from;
            best_end = y + 1;
        }
    }
    *first = best_from;
    *end = best_end;
}

/* Median of rows [first, end) and its error. */
static double median_of(const float *values, size_t first, size_t end, double *work,
                        double *ret_sigma) {
    size_t n = 0;
    for (size_t y = first; y < end; y++) {
        if (isfinite(values[y])) {
            work[n++] = (double)values[y];
        }
    }
    double median = NAN;
    const double sigma = n > 0 ? nw_stat_mad_sigma(work, n, &median) : (double)NAN;
    *ret_sigma = sqrt(NW_PI / 2.0) * sigma / sqrt((double)n);
    return median;
}

/* Room for the rows of one column. */
struct rows {
    float *warmth, *beside; /* against the columns beside; of those against the next */
    double *work;
};

static double mean_of_two(const struct nw_image_view *image, size_t x0, size_t x1, size_t y) {
    return 0.5 * ((double)image_pixel(image, x0, y) + (double)image_pixel(image, x1, y));
}

/* Column x, warm about rows [first, end): how much, and from where to where. */
static bool measure_column(const struct nw_image_view *image, size_t x, size_t first, size_t end,
                           const struct rows *rows, struct warm_column *ret) {
    const size_t reach_first = first > BLOCK_ROWS ? first - BLOCK_ROWS : 0;
    const size_t reach = end + BLOCK_ROWS;
    const size_t reach_end = reach < image->height_px ? reach : image->height_px;
    for (size_t y = reach_first; y < reach_end; y++) {
        const double near = mean_of_two(image, x - 1, x + 1, y);
        const double far = mean_of_two(image, x - 2, x + 2, y);
        rows->warmth[y] = (float)((double)image_pixel(image, x, y) - near);
        rows->beside[y] = (float)(near - far);
    }
    double sigma = NAN;
    double beside_sigma = NAN;
    const double median = median_of(rows->warmth, first, end, rows->work, &sigma);
    size_t y0 = reach_first;
    size_t y1 = reach_end;
    if (!(median > SIGNIFICANT * sigma)) {
        return false;
    }
    find_stretch(rows->warmth, median, &y0, &y1);
    if (y1 < y0 + BLOCK_ROWS / 4) {
        return false;
    }
    const double adu = median_of(rows->warmth, y0, y1, rows->work, &sigma);
    const double beside = median_of(rows->beside, y0, y1, rows->work, &beside_sigma);
    *ret = (struct warm_column){(uint32_t)x, (uint32_t)y0, (uint32_t)y1, (float)adu};
    return adu > SIGNIFICANT * sigma && beside < BESIDE_MAX * adu + 3.0 * beside_sigma;
}

/* How many columns are counted too often, each block by itself. */
static size_t count_often(const struct column_job *job, size_t n_blocks) {
    size_t n = 0;
    for (size_t i = 0; i < n_blocks * job->image->width_px; i++) {
        n += job->counts[i] >= OFTEN;
    }
    return n;
}

/* The columns in order; consecutive blocks make one. How many there are, at most `cap`. */
static size_t measure_columns(const struct column_job *job, size_t n_blocks,
                              const struct rows *rows, struct warm_column *ret, size_t cap) {
    const struct nw_image_view *const image = job->image;
    size_t n = 0;
    for (size_t x = 2; x + 2 < image->width_px; x++) {
        for (size_t k = 0; k < n_blocks && n < cap;) {
            const size_t first = k;
            while (k < n_blocks && job->counts[k * image->width_px + x] >= OFTEN) {
                k++;
            }
            struct warm_column column;
            if (k > first &&
                measure_column(image, x, first * BLOCK_ROWS, k * BLOCK_ROWS, rows, &column)) {
                const struct warm_column *const last = n > 0 ? &ret[n - 1] : NULL;
                const bool is_overlap = last && last->x == column.x && column.y0 < last->y1;
                column.y0 = is_overlap ? last->y1 : column.y0;
                if (column.y0 < column.y1) {
                    ret[n++] = column;
                }
            }
            k += k == first ? 1 : 0;
        }
    }
    return n;
}

enum nw_status background_find_columns(struct nw_background *background,
                                       const struct nw_image_view *image, int n_threads,
                                       struct nw_err *err) {
    const size_t n_blocks = image->height_px / BLOCK_ROWS;
    const size_t width = image->width_px;
    if (n_blocks == 0 || width < 5) {
        return NW_OK;
    }
    struct column_job job = {.image = image};
    struct rows rows = {0};
    struct warm_column *columns = NULL;
    enum nw_status status = NW_OK;
    job.counts = nw_calloc(n_blocks * width, sizeof *job.counts);
    if (!job.counts) {
        status = nw_err_set(err, NW_NOMEM, "warm columns of %zu", width);
        goto done;
    }
    (void)nw_parallel_for(n_blocks, n_threads, count_block, &job, NULL);
    const size_t n_often = count_often(&job, n_blocks);
    if (n_often == 0 || n_often > n_blocks * width / 8) {
        goto done; /* none; or a pattern, which is no defect */
    }
    rows.warmth = nw_calloc(2 * image->height_px, sizeof *rows.warmth);
    rows.work = nw_calloc(image->height_px, sizeof *rows.work);
    columns = nw_calloc(n_often, sizeof *columns);
    if (!rows.warmth || !rows.work || !columns) {
        status = nw_err_set(err, NW_NOMEM, "%zu warm columns", n_often);
        goto done;
    }
    rows.beside = rows.warmth + image->height_px;
    background->n_columns = measure_columns(&job, n_blocks, &rows, columns, n_often);
    background->columns = columns;
    columns = NULL;
done:
    free(job.counts);
    free(rows.warmth);
    free(rows.work);
    free(columns);
    return status;
}
