/* streak_bins.c - the frame without sky and stars on a coarse grid, for the search of trails.
 * Idea: a trail of a fraction of a sigma a pixel is certain once summed along its length. Pixels
 * are cut at 4 sigma, so that a star weighs little more than the trail under it; bins are sums
 * of 13 x 13 px and the like; what is smooth over 11 bins is taken off. */
#include "image/streaks_internal.h"

#include "base/big.h"

#include "base/clones.h"

enum { BINS_MAX = 512, BINS_MIN = 32, AT_ONCE = 8 };
static const size_t SMOOTH = 5;
static const float PIXEL_CUT = 4.0F;         /* sigmas of a pixel */
static const float LOW = -3.0F, HIGH = 3.5F; /* of a bin */

struct bin_job {
    const struct field *field;
    struct streak_bins *bins;
};

/* Adds the pixels of one row, cut, into sums by column. */
NW_CLONES static void add_row(const float *px, const float *sky, const float *noise, size_t n,
                              float *sum) {
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        const float off = px[x] - sky[x];
        const float cut = PIXEL_CUT * noise[x];
        sum[x] += off < cut ? off : off >= cut ? cut : 0.0F; /* blank: nothing */
    }
}

/* work: four rows of the image. */
static void make_bin_row(const struct bin_job *job, size_t j, float *work) {
    const struct nw_image_view *const image = &job->field->image;
    const size_t side = job->bins->side;
    const size_t width = image->width_px;
    float *const sky = work + width;
    float *const noise = work + 2 * width;
    float *const sum = work + 3 * width;
    memset(sum, 0, width * sizeof *sum);
    nw_background_row(job->field->background, j * side + side / 2, sky, noise);
    for (size_t y = j * side; y < (j + 1) * side; y++) {
        add_row(nw_image_span(image, 0, width, y, work), sky, noise, width, sum);
    }
    for (size_t i = 0; i < job->bins->nx; i++) {
        double total = 0.0;
        for (size_t k = i * side; k < (i + 1) * side; k++) {
            total += (double)sum[k];
        }
        const double sigma = (double)noise[i * side + side / 2] * (double)side;
        job->bins->z[j * job->bins->nx + i] = (float)(sigma > 0.0 ? total / sigma : 0.0);
    }
}

static void make_bin_rows(void *user, size_t part) {
    const struct bin_job *const job = user;
    float *const work = nw_calloc(4 * job->field->image.width_px, sizeof *work);
    if (!work) {
        return; /* rows of zeros: no trail is found there */
    }
    for (size_t j = part * AT_ONCE; j < (part + 1) * AT_ONCE && j < job->bins->ny; j++) {
        make_bin_row(job, j, work);
    }
    free(work);
}

/* Running mean along a row over 2 SMOOTH + 1 values, the ends over what there is. */
static void mean_along(const float *from, size_t n, float *to) {
    double sum = 0.0;
    size_t count = 0;
    for (size_t i = 0; i < n + SMOOTH; i++) {
        if (i < n) {
            sum += (double)from[i];
            count++;
        }
        if (i >= 2 * SMOOTH + 1) {
            sum -= (double)from[i - 2 * SMOOTH - 1];
            count--;
        }
        if (i >= SMOOTH) {
            to[i - SMOOTH] = (float)(sum / (double)count);
        }
    }
}

NW_CLONES static void add_to_sums(const float *row, size_t n, float sign, double *sums) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        sums[i] += (double)(sign * row[i]);
    }
}

NW_CLONES static void share_out(const double *sums, size_t n, double count, float *to) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        to[i] = (float)(sums[i] / count);
    }
}

/* The same across rows, all columns side by side; sums: of nx columns. */
static void mean_across(const float *from, size_t nx, size_t ny, double *sums, float *to) {
    size_t count = 0;
    memset(sums, 0, nx * sizeof *sums);
    for (size_t j = 0; j < ny + SMOOTH; j++) {
        if (j < ny) {
            add_to_sums(from + j * nx, nx, 1.0F, sums);
            count++;
        }
        if (j >= 2 * SMOOTH + 1) {
            add_to_sums(from + (j - 2 * SMOOTH - 1) * nx, nx, -1.0F, sums);
            count--;
        }
        if (j >= SMOOTH) {
            share_out(sums, nx, (double)count, to + (j - SMOOTH) * nx);
        }
    }
}

NW_CLONES static void clamp(const float *from, size_t n, float low, float high, float *to) {
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float value = from[k] > low ? from[k] : low;
        to[k] = value < high ? value : high;
    }
}

NW_CLONES static void difference(const float *a, const float *b, size_t n, float *to) {
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        to[k] = a[k] - b[k];
    }
}

NW_CLONES static void distances(const float *from, size_t n, float middle, float *to) {
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        to[k] = fabsf(from[k] - middle);
    }
}

NW_CLONES static void shift_and_scale(float *values, size_t n, float middle, float scale) {
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        values[k] = (values[k] - middle) / scale;
    }
}

/* A median of many values without a guess which of two is larger. */
static float median_by_rank(const float *values, size_t n, int32_t *keys) {
    rank_keys(values, n, keys);
    const float above = rank_value(keys, n, n / 2);
    return n % 2 == 1 ? above : 0.5F * (rank_value(keys, n, n / 2 - 1) + above);
}

/* Takes off what is smooth over 11 bins (nebula, gradients, crowding), scales to the scatter. */
static bool flatten(struct streak_bins *bins) {
    const size_t n = bins->nx * bins->ny;
    float *const mean = nw_calloc(2 * n, sizeof *mean);
    double *const sums = nw_calloc(bins->nx, sizeof *sums);
    int32_t *const keys = nw_calloc(n, sizeof *keys);
    bool is_done = false;
    if (!mean || !sums || !keys) {
        goto done;
    }
    float *const work = mean + n;
    clamp(bins->z, n, -2.0F * HIGH, 2.0F * HIGH, work);
    for (size_t j = 0; j < bins->ny; j++) {
        mean_along(work + j * bins->nx, bins->nx, mean + j * bins->nx);
    }
    mean_across(mean, bins->nx, bins->ny, sums, work);
    difference(bins->z, work, n, bins->z);
    const float middle = median_by_rank(bins->z, n, keys);
    distances(bins->z, n, middle, mean);
    /* never below the noise of a bin itself */
    const float scale = fmaxf(1.4826F * median_by_rank(mean, n, keys), 0.9F);
    shift_and_scale(bins->z, n, middle, scale);
    clamp(bins->z, n, LOW, HIGH, bins->z);
    is_done = true;
done:
    free(mean);
    free(sums);
    free(keys);
    return is_done;
}

enum nw_status streak_bins_make(const struct field *field, double fwhm_px, struct streak_bins *ret,
                                struct nw_err *err) {
    const size_t width = field->image.width_px;
    const size_t height = field->image.height_px;
    const size_t longer = width > height ? width : height;
    const size_t least = (longer + BINS_MAX - 1) / BINS_MAX;
    /* a star should fall into few bins: else neighbouring ones are alike and chance lines abound */
    const size_t side = (size_t)fmin(ceil(2.5 * (fwhm_px > 2.0 ? fwhm_px : 3.0)), 40.0);
    struct streak_bins bins = {.side = least < side ? side : least};
    bins.nx = width / bins.side;
    bins.ny = height / bins.side;
    if (bins.nx < BINS_MIN || bins.ny < BINS_MIN) {
        *ret = (struct streak_bins){0};
        return NW_OK;
    }
    bins.z = nw_calloc(bins.nx * bins.ny, sizeof *bins.z);
    if (!bins.z) {
        return nw_err_set(err, NW_NOMEM, "%zu x %zu bins", bins.nx, bins.ny);
    }
    struct bin_job job = {field, &bins};
    const size_t n_parts = (bins.ny + AT_ONCE - 1) / AT_ONCE;
    (void)nw_parallel_for(n_parts, field->n_threads, make_bin_rows, &job, NULL);
    if (!flatten(&bins)) {
        streak_bins_done(&bins);
        return nw_err_set(err, NW_NOMEM, "%zu x %zu bins", bins.nx, bins.ny);
    }
    *ret = bins;
    return NW_OK;
}

void streak_bins_done(struct streak_bins *bins) {
    if (bins) {
        free(bins->z);
        nw_big_free(bins->work);
        *bins = (struct streak_bins){0};
    }
}

struct bin_range {
    size_t from, to; /* to: one behind the last */
};

/* The bins of a row at (dx0, dy) from the line's beginning that may lie within `reach` of the line,
 * which goes along (ux, uy); one more on either side. */
static struct bin_range bins_near(const struct streak_bins *bins, const double along[static 2],
                                  double dx0, double dy, double reach) {
    struct bin_range range = {0, bins->nx};
    if (fabs(along[1]) > 1e-6) {
        const double side = (double)bins->side;
        const double middle = (dy * along[0] / along[1] - dx0) / side;
        const double half = reach / fabs(along[1]) / side + 1.0;
        const double n = (double)bins->nx;
        range.from = (size_t)fmin(fmax(floor(middle - half), 0.0), n);
        range.to = (size_t)fmin(fmax(ceil(middle + half) + 1.0, 0.0), n);
    }
    return range;
}

void streak_bins_erase(struct streak_bins *bins, const struct nw_streak *line, double reach_px) {
    const double ux = cos(line->angle_rad);
    const double uy = sin(line->angle_rad);
    const double along_line[2] = {ux, uy};
    const double side = (double)bins->side;
    const double half = 0.5 * (side - 1.0);
    for (size_t j = 0; j < bins->ny; j++) {
        const double dy = (double)j * side + half - line->y0_px;
        const struct bin_range near =
            bins_near(bins, along_line, half - line->x0_px, dy, reach_px + side);
        for (size_t i = near.from; i < near.to; i++) {
            const double dx = (double)i * side + half - line->x0_px;
            const double along = dx * ux + dy * uy;
            const bool is_by = fabs(dy * ux - dx * uy) < reach_px + side && along > -2.0 * side &&
                               along < line->length_px + 2.0 * side;
            if (is_by) {
                bins->z[j * bins->nx + i] = 0.0F;
            }
        }
    }
}
