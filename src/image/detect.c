/* detect.c - the image as significance: sky off, divided by its noise, filtered with a Gaussian.
 * Idea: for faint stars in white noise the best detector is the correlation with the profile itself
 * (North 1943; for images Irwin 1985, MNRAS 214, 575, sec. 2); a Gaussian of the same width loses
 * under 2 %. Bands of rows with a margin are independent, so they run in parallel.
 * Holds: the filtered noise of white noise is 1: kernels are normalised to sum of squares 1. */
#include "image/measure_internal.h"

enum { BAND_ROWS = 128, KERNEL_MAX = 16 };

struct filter_job {
    const struct field *field;
    float *ret;
    float kernel[2 * KERNEL_MAX + 1];
    int reach;
    bool *is_failed; /* per band */
};

/* One row as significance, then filtered along x. work: width + 2 * reach, zero at the ends. */
static void filter_row(const struct filter_job *job, size_t y, float *sky, float *work,
                       float *out) {
    const struct nw_image_view *image = &job->field->image;
    const size_t n = image->width_px;
    const size_t reach = (size_t)job->reach;
    float *const noise = sky + n;
    background_span(job->field->background, 0, n, y, sky, noise);
    const float *const px = nw_image_span(image, 0, n, y, out);
    for (size_t x = 0; x < n; x++) {
        const float value = (px[x] - sky[x]) / noise[x];
        work[reach + x] = isfinite(value) ? value : 0.0F;
    }
    for (size_t x = 0; x < n; x++) {
        float sum = 0.0F;
        for (size_t k = 0; k <= 2 * reach; k++) {
            sum += job->kernel[k] * work[x + k];
        }
        out[x] = sum;
    }
}

static void filter_band(void *user, size_t band) {
    const struct filter_job *job = user;
    const size_t n = job->field->image.width_px;
    const size_t height = job->field->image.height_px;
    const size_t reach = (size_t)job->reach;
    const size_t y0 = band * BAND_ROWS;
    const size_t y1 = y0 + BAND_ROWS < height ? y0 + BAND_ROWS : height;
    const size_t first = y0 > reach ? y0 - reach : 0;
    const size_t end = y1 + reach < height ? y1 + reach : height;
    float *const rows = nw_calloc((end - first) * n + 2 * n + n + 2 * reach, sizeof *rows);
    if (!rows) {
        job->is_failed[band] = true;
        return;
    }
    float *const sky = rows + (end - first) * n;
    float *const work = sky + 2 * n;
    for (size_t y = first; y < end; y++) {
        filter_row(job, y, sky, work, rows + (y - first) * n);
    }
    for (size_t y = y0; y < y1; y++) {
        float *const out = job->ret + y * n;
        memset(out, 0, n * sizeof *out);
        for (size_t k = 0; k <= 2 * reach; k++) {
            if (y + k < first + reach || y + k - reach >= end) {
                continue; /* beyond the image: sky */
            }
            const float *const in = rows + (y + k - reach - first) * n;
            const float weight = job->kernel[k];
            for (size_t x = 0; x < n; x++) {
                out[x] += weight * in[x];
            }
        }
    }
    free(rows);
}

enum nw_status detect_filter(const struct field *field, double kernel_fwhm_px, float *ret,
                             struct nw_err *err) {
    struct filter_job job = {.field = field, .ret = ret};
    const double sigma = fmax(kernel_fwhm_px, 1.0) / NW_FWHM_PER_SIGMA;
    job.reach = (int)fmin(ceil(3.0 * sigma), (double)KERNEL_MAX);
    double sum2 = 0.0;
    for (int k = -job.reach; k <= job.reach; k++) {
        const double value = exp(-0.5 * k * k / (sigma * sigma));
        job.kernel[k + job.reach] = (float)value;
        sum2 += value * value;
    }
    for (int k = 0; k <= 2 * job.reach; k++) {
        job.kernel[k] /= (float)sqrt(sum2);
    }
    const size_t n_bands = (field->image.height_px + BAND_ROWS - 1) / BAND_ROWS;
    job.is_failed = nw_calloc(n_bands, sizeof *job.is_failed);
    if (!job.is_failed) {
        return nw_err_set(err, NW_NOMEM, "%zu bands of rows", n_bands);
    }
    (void)nw_parallel_for(n_bands, field->n_threads, filter_band, &job, NULL);
    bool is_failed = false;
    for (size_t band = 0; band < n_bands; band++) {
        is_failed = is_failed || job.is_failed[band];
    }
    free(job.is_failed);
    return is_failed ? nw_err_set(err, NW_NOMEM, "filter rows of %zu px", field->image.width_px)
                     : NW_OK;
}
