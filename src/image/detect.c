/* detect.c - the image as significance: sky off, divided by its noise, filtered with a Gaussian.
 * Idea: for faint stars in white noise the best detector is the correlation with the profile itself
 * (North 1943; for images Irwin 1985, MNRAS 214, 575, sec. 2); a Gaussian of the same width loses
 * under 2 %. Rows are made one after the other from a ring of rows already filtered along x, so a
 * filtered image as a whole never exists.
 * Holds: 1. the filtered noise of white noise is 1: kernels are normalised to sum of squares 1.
 * 2. beyond the image, and where pixels are blank, there is sky. */
#include "base/clones.h"
#include "image/measure_internal.h"

void kernel_make(double fwhm_px, struct kernel *ret) {
    const double sigma = fmax(fwhm_px, 1.0) / NW_FWHM_PER_SIGMA;
    struct kernel kernel = {.fwhm_px = fwhm_px,
                            .reach = (size_t)fmin(ceil(3.0 * sigma), (double)KERNEL_MAX)};
    double sum2 = 0.0;
    for (size_t k = 0; k <= kernel.reach; k++) {
        const double value = exp(-0.5 * (double)(k * k) / (sigma * sigma));
        kernel.weight[k] = (float)value;
        sum2 += (k > 0 ? 2.0 : 1.0) * value * value;
    }
    for (size_t k = 0; k <= kernel.reach; k++) {
        kernel.weight[k] /= (float)sqrt(sum2);
    }
    *ret = kernel;
}

NW_CLONES static void add_two_rows(const float weight[static 2], const float *const low[static 2],
                                   const float *const high[static 2], size_t n, float *out) {
    const float a = weight[0];
    const float b = weight[1];
    const float *const low_a = low[0];
    const float *const low_b = low[1];
    const float *const high_a = high[0];
    const float *const high_b = high[1];
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        out[x] += a * (low_a[x] + high_a[x]) + b * (low_b[x] + high_b[x]);
    }
}

NW_CLONES static void scale_row(float weight, const float *row, size_t n, float *out) {
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        out[x] = weight * row[x];
    }
}

NW_CLONES static void add_rows(float weight, const float *low, const float *high, size_t n,
                               float *out) {
#pragma omp simd
    for (size_t x = 0; x < n; x++) {
        out[x] += weight * (low[x] + high[x]);
    }
}

/* low[0] and its neighbours 1 .. reach on either side, each weighted, summed. Two a time: the sum
 * is fetched and put back half as often. */
static void weigh(const float *weight, size_t reach, const float *const *low,
                  const float *const *high, size_t n, float *out) {
    scale_row(weight[0], low[0], n, out);
    size_t k = 1;
    for (; k < reach; k += 2) {
        add_two_rows(weight + k, low + k, high + k, n, out);
    }
    if (k == reach) {
        add_rows(weight[k], low[k], high[k], n, out);
    }
}

size_t row_filter_floats(const struct kernel *kernel, size_t n) {
    const size_t ring_rows = 2 * kernel->reach + 2; /* the last one stays empty: beyond the image */
    return ring_rows * n + (n + 2 * kernel->reach);
}

void row_filter_init(struct row_filter *filter, const struct field *field,
                     const struct kernel *kernel, size_t x0, size_t n, float *memory) {
    const size_t ring = (2 * kernel->reach + 1) * n;
    *filter = (struct row_filter){.field = field,
                                  .kernel = kernel,
                                  .x0 = x0,
                                  .n = n,
                                  .next_y = SIZE_MAX,
                                  .ring = memory,
                                  .empty = memory + ring,
                                  .line = memory + ring + n};
    for (size_t i = 0; i < n + n + 2 * kernel->reach; i++) {
        filter->empty[i] = 0.0F; /* and line: outside the image it stays so */
    }
}

/* Row y as significance, then filtered along x, into its place in the ring. */
static void take_row(struct row_filter *f, size_t y) {
    const struct nw_image_view *const image = &f->field->image;
    const size_t reach = f->kernel->reach;
    const size_t first = f->x0 > reach ? f->x0 - reach : 0;
    const size_t past = f->x0 + f->n + reach;
    const size_t end = past < image->width_px ? past : image->width_px;
    background_significance(f->field->background, image, first, end - first, y,
                            f->line + (first + reach - f->x0));
    const float *low[KERNEL_MAX + 1];
    const float *high[KERNEL_MAX + 1];
    for (size_t k = 0; k <= reach; k++) {
        low[k] = f->line + (reach - k);
        high[k] = f->line + (reach + k);
    }
    weigh(f->kernel->weight, reach, low, high, f->n, f->ring + y % (2 * reach + 1) * f->n);
}

void row_filter_row(struct row_filter *f, size_t y, float *out) {
    const size_t reach = f->kernel->reach;
    const size_t height = f->field->image.height_px;
    if (f->next_y == SIZE_MAX) {
        f->next_y = y > reach ? y - reach : 0;
    }
    for (; f->next_y < height && f->next_y <= y + reach; f->next_y++) {
        take_row(f, f->next_y);
    }
    const size_t ring_rows = 2 * reach + 1;
    const float *low[KERNEL_MAX + 1];
    const float *high[KERNEL_MAX + 1];
    for (size_t k = 0; k <= reach; k++) {
        low[k] = y >= k ? f->ring + (y - k) % ring_rows * f->n : f->empty;
        high[k] = y + k < height ? f->ring + (y + k) % ring_rows * f->n : f->empty;
    }
    weigh(f->kernel->weight, reach, low, high, f->n, out);
}

float filtered_at(const struct field *field, const struct kernel *kernel, size_t x, size_t y) {
    float memory[(2 * KERNEL_MAX + 2) + (1 + 2 * KERNEL_MAX)];
    struct row_filter filter;
    float value = 0.0F;
    row_filter_init(&filter, field, kernel, x, 1, memory);
    row_filter_row(&filter, y, &value);
    return value;
}

/* ---- scatter of the filtered image ---- */

enum { SIDE = 32, BLOCKS = 16 };

struct scatter_job {
    const struct field *field;
    const struct kernel *kernel;
    size_t n_x, n_y;
    double *scatter;
};

/* Below its median the filtered image holds noise and hardly any star: median - 15.87 % quantile of
 * one block is its sigma. */
static void measure_block(void *user, size_t index) {
    const struct scatter_job *const job = user;
    const struct nw_image_view *const image = &job->field->image;
    const size_t x0 = index % job->n_x * (image->width_px - SIDE) / job->n_x;
    const size_t y0 = index / job->n_x * (image->height_px - SIDE) / job->n_y;
    float memory[(2 * KERNEL_MAX + 2) * SIDE + (SIDE + 2 * KERNEL_MAX)];
    float values[SIDE * SIDE];
    int32_t keys[SIDE * SIDE];
    struct row_filter filter;
    row_filter_init(&filter, job->field, job->kernel, x0, SIDE, memory);
    for (size_t y = 0; y < SIDE; y++) {
        row_filter_row(&filter, y0 + y, values + y * SIDE);
    }
    rank_keys(values, (size_t)SIDE * SIDE, keys);
    const size_t below = (size_t)(0.158655 * (SIDE * SIDE - 1) + 0.5); /* Phi(-1) */
    job->scatter[index] = (double)rank_value(keys, (size_t)SIDE * SIDE, SIDE * SIDE / 2) -
                          (double)rank_value(keys, (size_t)SIDE * SIDE, below);
}

double filtered_scatter(const struct field *field, const struct kernel *kernel) {
    double scatter[BLOCKS * BLOCKS];
    const size_t across = field->image.width_px / SIDE;
    const size_t down = field->image.height_px / SIDE;
    struct scatter_job job = {.field = field,
                              .kernel = kernel,
                              .n_x = across < BLOCKS ? across : BLOCKS,
                              .n_y = down < BLOCKS ? down : BLOCKS,
                              .scatter = scatter};
    const size_t n = job.n_x * job.n_y;
    if (n < 4) {
        return 1.0;
    }
    (void)nw_parallel_for(n, field->n_threads, measure_block, &job, NULL);
    return fmax(nw_stat_median(scatter, n), 1.0);
}
