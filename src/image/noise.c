/* noise.c - noise of the sky pixel by pixel, and whether neighbouring pixels are alike.
 * Idea: small blocks all over the frame; in each the variance and the products with neighbours,
 * pixels beyond 3.5 sigma (stars, hot pixels) left out; then the median over the blocks, so that
 * nebula or crowding over less than half of the frame does not count.
 * Source: lag products as an estimate of the correlation: Casertano et al. 2000, AJ 120, 2747. */
#include "image/aspects_internal.h"

enum { SIDE = 32, BLOCKS = 20, N_BLOCKS = BLOCKS * BLOCKS, COARSE = 4 };
static const double CUT = 3.5;
/* variance of a Gaussian cut at 3.5 sigma: 1 - 2 c phi(c) / (2 Phi(c) - 1) */
static const double CUT_VARIANCE = 0.993886;

struct block {
    double px[SIDE * SIDE]; /* sky taken off; NaN: blank or left out */
    double variance, x_product, y_product, coarse;
};

static void read_block(const struct field *field, size_t x0, size_t y0, struct block *b) {
    float work[SIDE];
    float sky[SIDE];
    double sorted[SIDE * SIDE];
    size_t n = 0;
    for (size_t j = 0; j < SIDE; j++) {
        background_span(field->background, x0, SIDE, y0 + j, sky, NULL);
        const float *const px = nw_image_span(&field->image, x0, SIDE, y0 + j, work);
        for (size_t i = 0; i < SIDE; i++) {
            const double value = (double)px[i] - (double)sky[i];
            b->px[j * SIDE + i] = value;
            if (isfinite(value)) {
                sorted[n++] = value;
            }
        }
    }
    double median = NAN;
    double sigma = NAN;
    if (n > SIDE * SIDE / 2) {
        /* from the lower half: stars only raise */
        median = nw_stat_median(sorted, n);
        sigma = median - nw_stat_quantile(sorted, n, 0.158655); /* Phi(-1) */
    }
    /* quantiles of few whole numbers tell no scatter below half of their step */
    const double reach = CUT * fmax(sigma, 0.5 * field->step_adu);
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        const double off = b->px[k] - median;
        b->px[k] = fabs(off) <= reach ? off : (double)NAN;
    }
}

static double product(const struct block *b, size_t step, size_t width, size_t height) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t j = 0; j < height; j++) {
        for (size_t i = 0; i < width; i++) {
            const double value = b->px[j * SIDE + i] * b->px[j * SIDE + i + step];
            if (isfinite(value)) {
                sum += value;
                n++;
            }
        }
    }
    return n > SIDE * SIDE / 2 ? sum / (double)n : (double)NAN;
}

/* Variance of the means of COARSE x COARSE pixels, times their number. */
static double coarse_variance(const struct block *b) {
    double sum = 0.0;
    double sum2 = 0.0;
    size_t n = 0;
    for (size_t j = 0; j < SIDE; j += COARSE) {
        for (size_t i = 0; i < SIDE; i += COARSE) {
            double mean = 0.0;
            for (size_t k = 0; k < (size_t)COARSE * COARSE; k++) {
                mean += b->px[(j + k / COARSE) * SIDE + i + k % COARSE];
            }
            mean /= COARSE * COARSE;
            if (isfinite(mean)) {
                sum += mean;
                sum2 += mean * mean;
                n++;
            }
        }
    }
    if (n < SIDE / 2) {
        return NAN;
    }
    return (sum2 - sum * sum / (double)n) / ((double)n - 1.0) * COARSE * COARSE;
}

static bool measure_block(const struct field *field, size_t x0, size_t y0, struct block *b) {
    read_block(field, x0, y0, b);
    double sum = 0.0;
    size_t n = 0;
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        if (isfinite(b->px[k])) {
            sum += b->px[k];
            n++;
        }
    }
    if (n <= SIDE * SIDE / 2) {
        return false;
    }
    const double mean = sum / (double)n;
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        b->px[k] -= mean;
    }
    /* one freedom of n went into the mean; it takes as much from every product */
    const double lost = 1.0 / (double)n;
    b->variance = product(b, 0, SIDE, SIDE) / (1.0 - lost);
    b->x_product = product(b, 1, SIDE - 1, SIDE) + lost * b->variance;
    b->y_product = product(b, SIDE, SIDE, SIDE - 1) + lost * b->variance;
    b->coarse = coarse_variance(b);
    return isfinite(b->variance) && isfinite(b->x_product) && isfinite(b->y_product) &&
           isfinite(b->coarse) && b->variance > 0.0;
}

/* Median and its standard error, values reordered. */
static double centre(double *values, size_t n, double *ret_sigma) {
    double median = 0.0;
    const double sigma = nw_stat_mad_sigma(values, n, &median);
    *ret_sigma = sqrt(NW_PI / 2.0) * sigma / sqrt((double)n);
    return median;
}

struct noise_job {
    const struct field *field;
    size_t nx, ny;
    bool is_good[N_BLOCKS];
    double variance[N_BLOCKS], x_share[N_BLOCKS], y_share[N_BLOCKS], coarse[N_BLOCKS];
};

static void look_at_block(void *user, size_t k) {
    struct noise_job *const job = user;
    struct block b;
    const size_t x0 = (k % job->nx) * (job->field->image.width_px - SIDE) / job->nx;
    const size_t y0 = (k / job->nx) * (job->field->image.height_px - SIDE) / job->ny;
    job->is_good[k] = measure_block(job->field, x0, y0, &b);
    if (job->is_good[k]) {
        job->variance[k] = b.variance;
        job->x_share[k] = b.x_product / b.variance;
        job->y_share[k] = b.y_product / b.variance;
        job->coarse[k] = b.coarse / b.variance;
    }
}

struct nw_noise noise_measure(const struct field *field) {
    struct nw_noise r = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    const size_t across = field->image.width_px / SIDE;
    const size_t down = field->image.height_px / SIDE;
    struct noise_job job = {.field = field,
                            .nx = across < BLOCKS ? across : BLOCKS,
                            .ny = down < BLOCKS ? down : BLOCKS};
    (void)nw_parallel_for(job.nx * job.ny, field->n_threads, look_at_block, &job, NULL);
    size_t n = 0;
    for (size_t k = 0; k < job.nx * job.ny; k++) {
        if (job.is_good[k]) {
            job.variance[n] = job.variance[k];
            job.x_share[n] = job.x_share[k];
            job.y_share[n] = job.y_share[k];
            job.coarse[n++] = job.coarse[k];
        }
    }
    if (n < 4) {
        return r;
    }
    double sigma = 0.0;
    double x_sigma = 0.0;
    double y_sigma = 0.0;
    const double v = centre(job.variance, n, &sigma) / CUT_VARIANCE;
    r.pixel_adu = sqrt(v);
    r.pixel_sigma_adu = 0.5 * sigma / CUT_VARIANCE / r.pixel_adu;
    r.x_correlation = centre(job.x_share, n, &x_sigma);
    r.y_correlation = centre(job.y_share, n, &y_sigma);
    r.correlation_sigma = hypot(x_sigma, y_sigma) / sqrt(2.0);
    /* the median of chi-square with 63 freedoms is (1 - 2/(9 63))^3 of its mean (Wilson & Hilferty
     * 1931, PNAS 17, 684) */
    const double to_mean = pow(1.0 - 2.0 / (9.0 * 63.0), -3.0);
    r.coarse_ratio = sqrt(centre(job.coarse, n, &sigma) * to_mean);
    r.coarse_sigma = 0.5 * sigma / r.coarse_ratio;
    return r;
}

double nw_noise_expected_adu(double sky_adu, double gain_e_per_adu, double read_noise_e,
                             double step_adu) {
    if (!(gain_e_per_adu > 0.0) || !(read_noise_e >= 0.0) || !isfinite(sky_adu)) {
        return NAN;
    }
    const double read_adu = read_noise_e / gain_e_per_adu;
    return sqrt(fmax(sky_adu, 0.0) / gain_e_per_adu + read_adu * read_adu +
                step_adu * step_adu / 12.0);
}
