/* find.c - the peaks of an image, filtered with the width that its stars show.
 * Idea: some bands of rows, filtered with a usual width, show how wide the stars are. When that is
 * near enough the remaining bands follow and nothing was done twice; else all are filtered with the
 * right width. */
#include "image/measure_internal.h"

enum { BAND_ROWS = 192, SAMPLE_STEP = 4, SAMPLE_PEAKS = 40 };

/* Width of the filter in that of the stars: 6 % less significant than the matched one (2 a b / (a^2
 * + b^2), two Gaussians), and neighbours part at 1.2 instead of 1.4 of their own width. */
static const double KERNEL_SHARE = 0.7;

struct scan {
    const struct field *field;
    struct kernel kernel;
    float threshold;
    struct band *bands;
    size_t n_bands;
    size_t first, step; /* every step-th band from `first` on */
};

static void scan_band(void *user, size_t i) {
    const struct scan *const scan = user;
    const size_t band = scan->first + i * scan->step;
    const size_t height = scan->field->image.height_px;
    const size_t end = (band + 1) * BAND_ROWS;
    if (!scan->bands[band].is_scanned) {
        band_scan(scan->field, &scan->kernel, scan->threshold, band * BAND_ROWS,
                  end < height ? end : height, &scan->bands[band]);
    }
}

static void forget_bands(struct scan *scan) {
    for (size_t k = 0; scan->bands && k < scan->n_bands; k++) {
        band_done(&scan->bands[k]);
    }
}

/* Scans what is not scanned yet of every step-th band, and joins all that there is. */
static enum nw_status scan_bands(struct scan *scan, size_t first, size_t step,
                                 struct peak_list *peaks, struct nw_err *err) {
    scan->first = first;
    scan->step = step;
    const size_t n = (scan->n_bands - first + step - 1) / step;
    (void)nw_parallel_for(n, scan->field->n_threads, scan_band, scan, NULL);
    for (size_t k = 0; k < scan->n_bands; k++) {
        if (scan->bands[k].status != NW_OK) {
            return nw_err_set(err, scan->bands[k].status, "%s", scan->bands[k].err.text);
        }
    }
    free(peaks->peaks);
    *peaks = (struct peak_list){0};
    return peaks_join(scan->field, &scan->kernel, scan->threshold, scan->bands, scan->n_bands,
                      peaks, err);
}

static void set_kernel(struct scan *scan, double fwhm_px, double threshold) {
    forget_bands(scan);
    kernel_make(fwhm_px, &scan->kernel);
    scan->threshold = (float)(threshold * filtered_scatter(scan->field, &scan->kernel));
}

/* The filter for stars of this width, or the present one if it is near enough. */
static double wanted_kernel(double kernel_px, double seen_px) {
    const double wanted_px = KERNEL_SHARE * seen_px;
    const bool is_near = wanted_px > 0.75 * kernel_px && wanted_px < 1.35 * kernel_px;
    return is_near ? kernel_px : fmin(fmax(wanted_px, 1.2), 12.0);
}

/* The significance that noise alone passes in one of ten such frames, not below the one asked for:
 * maxima of a Gaussian field smoothed with a Gaussian (Bond & Efstathiou 1987, MNRAS 226, 655, two
 * dimensions, limit of high peaks). */
static double threshold_of(const struct field *field, double asked, double fwhm_px) {
    static const double FALSE_MAX = 0.1;
    const double sigma = fmax(fwhm_px, 1.5) / NW_FWHM_PER_SIGMA;
    const double n_px = (double)field->image.width_px * (double)field->image.height_px;
    /* mean square slope of the smoothed field: 1 / (2 sigma^2) */
    const double per_level = n_px / (2.0 * sigma * sigma) / pow(2.0 * NW_PI, 1.5);
    double level = asked;
    while (per_level * level * exp(-0.5 * level * level) > FALSE_MAX) {
        level += 0.01;
    }
    return level;
}

/* Whether what a peak has moved to is listed: nearer than stars part, or the flank of a brighter
 * star. */
static bool is_listed(const struct peak_list *peaks, size_t i, double fwhm_px) {
    const struct peak *const p = &peaks->peaks[i];
    for (size_t k = 0; k < peaks->n; k++) {
        const struct peak *const other = &peaks->peaks[k];
        const double dx = (double)(other->x - p->x);
        const double dy = (double)(other->y - p->y);
        const double reach_px = (other->snr > p->snr ? 1.5 : 0.7) * fwhm_px;
        if (k != i && dx * dx + dy * dy < reach_px * reach_px) {
            return true;
        }
    }
    return false;
}

enum { DROPPED = -1000000 };

struct hit_job {
    const struct field *field;
    struct peak_list *peaks;
    double fwhm_px;
};

static void look_for_hit(void *user, size_t i) {
    const struct hit_job *const job = user;
    struct peak *const p = &job->peaks->peaks[i];
    struct peak moved = *p;
    if (peak_is_hit(job->field, &moved, job->fwhm_px, job->peaks->threshold)) {
        p->x = p->y = DROPPED;
        return;
    }
    moved.is_moved = moved.x != p->x || moved.y != p->y;
    *p = moved;
}

/* A star whose peak was on a hit beside it moves; one that had a peak of its own is not listed
 * twice. */
static void drop_hits(const struct field *field, double fwhm_px, struct peak_list *peaks) {
    struct hit_job job = {field, peaks, fwhm_px};
    (void)nw_parallel_for(peaks->n, field->n_threads, look_for_hit, &job, NULL);
    size_t kept = 0;
    for (size_t i = 0; i < peaks->n; i++) {
        struct peak *const p = &peaks->peaks[i];
        if (p->is_moved && is_listed(peaks, i, fwhm_px)) {
            p->x = p->y = DROPPED;
        }
    }
    for (size_t i = 0; i < peaks->n; i++) {
        if (peaks->peaks[i].x != DROPPED) {
            peaks->peaks[kept++] = peaks->peaks[i];
        }
    }
    peaks->n = kept;
}

enum nw_status peaks_find(const struct field *field, double threshold, struct peak_list *ret,
                          double *ret_fwhm_px, struct nw_err *err) {
    struct scan scan = {.field = field,
                        .n_bands = (field->image.height_px + BAND_ROWS - 1) / BAND_ROWS};
    struct peak_list peaks = {0};
    enum nw_status status = NW_OK;
    scan.bands = nw_calloc(scan.n_bands, sizeof *scan.bands);
    if (!scan.bands) {
        status = nw_err_set(err, NW_NOMEM, "%zu bands of rows", scan.n_bands);
        goto done;
    }
    const double first_px = KERNEL_SHARE * 3.0 * field->pixel_width;
    set_kernel(&scan, first_px, threshold);
    const bool is_sampled = scan.n_bands >= 2 * (size_t)SAMPLE_STEP;
    double kernel_px = first_px;
    if (is_sampled) {
        status = scan_bands(&scan, SAMPLE_STEP / 2, SAMPLE_STEP, &peaks, err);
    }
    if (status == NW_OK && (!is_sampled || peaks.n < SAMPLE_PEAKS)) {
        status = scan_bands(&scan, 0, 1, &peaks, err);
    }
    if (status == NW_OK && peaks.n > 0) {
        kernel_px = wanted_kernel(first_px, seeing_guess(field, &peaks));
    }
    if (status == NW_OK && fabs(kernel_px - first_px) > 0.0) {
        set_kernel(&scan, kernel_px, threshold);
    }
    if (status == NW_OK) {
        status = scan_bands(&scan, 0, 1, &peaks, err);
    }
    if (status == NW_OK) {
        *ret_fwhm_px = seeing_guess(field, &peaks);
        peaks.threshold =
            (double)scan.threshold / threshold * threshold_of(field, threshold, *ret_fwhm_px);
        drop_hits(field, *ret_fwhm_px, &peaks);
        *ret = peaks;
        peaks = (struct peak_list){0};
    }
done:
    forget_bands(&scan);
    free(scan.bands);
    free(peaks.peaks);
    return status;
}
