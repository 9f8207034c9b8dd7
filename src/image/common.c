/* common.c - the profile that the stars of a frame share: width, shape, Moffat beta.
 * Idea: a few bright clean stars are fitted with a beta of their own, twice, since the window
 * follows the width; medians of what they say. How widths follow the beta says what its error
 * brings into all of them. */
#include "image/stars_internal.h"

enum { N_BETA = 60, N_SLOPE = 8, TRY_MAX = 4 * N_BETA, AT_ONCE = N_BETA + N_BETA / 3 };

/* How the delivered width follows the beta that a fit is given; NaN without a fit. */
static double width_slope(const struct star_job *job, const struct window *w,
                          const struct profile *fitted) {
    static const double STEP = 0.1;
    double ln_width[2];
    for (int k = 0; k < 2; k++) {
        struct profile start = *fitted;
        start.beta = job->seeing->beta * exp(k ? STEP : -STEP);
        const double scale =
            pow(moffat_fwhm_per_alpha(start.beta) / moffat_fwhm_per_alpha(fitted->beta), 2.0);
        start.cxx *= scale; /* of the same width */
        start.cxy *= scale;
        start.cyy *= scale;
        const struct profile_fit fit = profile_fit(w, &start, job->field, false);
        if (!fit.is_good) {
            return NAN;
        }
        ln_width[k] = log(profile_delivered(&fit.profile, job->field->pixel_width).fwhm_px);
    }
    return (ln_width[1] - ln_width[0]) / (2.0 * STEP);
}

/* A profile with its own beta, to find the common one. */
static void sample_star(void *user, size_t k) {
    const struct star_job *const job = user;
    const size_t i = job->first + k;
    struct star_sample *const sample = &job->samples[i];
    struct nw_star star;
    struct window w;
    struct window full;
    star_prepare(job, i, &w, &full, &star);
    *sample = (struct star_sample){NAN, NAN, NAN, NAN, NAN};
    if (star_may_be_fitted(&star) && !(star.flags & NW_STAR_BLENDED)) {
        struct profile_fit fit;
        star_fit(job, &w, true, &star, &fit);
        if (star.flags & NW_STAR_NO_FIT) {
            return;
        }
        const struct profile *const p = &fit.profile;
        *sample = (struct star_sample){.beta = p->beta,
                                       .optical_px = profile_fwhm_px(p),
                                       .shape1 = (p->cxx - p->cyy) / (p->cxx + p->cyy),
                                       .shape2 = 2.0 * p->cxy / (p->cxx + p->cyy),
                                       .slope = NAN};
        if (i < N_SLOPE && job->seeing->is_fitted) {
            sample->slope = width_slope(job, &w, p);
        }
    }
}

/* Relative error that the common beta's own brings into all widths; values: of beta, reordered. */
static double beta_share(const struct star_sample *samples, size_t n, double *values) {
    double beta = 0.0;
    const double sigma = nw_stat_mad_sigma(values, n, &beta);
    double slopes[N_BETA];
    size_t n_slopes = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(samples[i].slope)) {
            slopes[n_slopes++] = samples[i].slope;
        }
    }
    const double slope = n_slopes > 0 ? nw_stat_median(slopes, n_slopes) : 0.0;
    return fabs(slope) * sqrt(NW_PI / 2.0) * sigma / beta / sqrt((double)n);
}

/* The first N_BETA useful samples, packed in front; how many there are. */
static size_t take_samples(struct star_job *job, struct star_sample samples[static TRY_MAX]) {
    const size_t n_try = job->peaks->n < TRY_MAX ? job->peaks->n : TRY_MAX;
    size_t n = 0;
    job->samples = samples;
    for (job->first = 0; job->first < n_try && n < N_BETA; job->first += AT_ONCE) {
        const size_t left = n_try - job->first;
        const size_t n_now = left < AT_ONCE ? left : AT_ONCE;
        (void)nw_parallel_for(n_now, job->field->n_threads, sample_star, job, NULL);
        for (size_t i = job->first; i < job->first + n_now && n < N_BETA; i++) {
            if (isfinite(samples[i].beta)) {
                samples[n++] = samples[i];
            }
        }
    }
    job->samples = NULL;
    return n;
}

static double median_of(const struct star_sample *samples, size_t n, size_t offset,
                        double values[static N_BETA]) {
    for (size_t i = 0; i < n; i++) {
        memcpy(&values[i], (const char *)&samples[i] + offset, sizeof *values);
    }
    return nw_stat_median(values, n);
}

void stars_common_profile(struct star_job *job, struct seeing *seeing) {
    struct star_sample samples[TRY_MAX];
    double values[N_BETA];
    for (int round = 0; round < 2; round++) {
        const size_t n = take_samples(job, samples);
        if (n < 3) {
            return;
        }
        const double optical_px =
            median_of(samples, n, offsetof(struct star_sample, optical_px), values);
        seeing->width_scatter = nw_stat_mad_sigma(values, n, NULL) / optical_px;
        seeing->shape1 = median_of(samples, n, offsetof(struct star_sample, shape1), values);
        seeing->shape2 = median_of(samples, n, offsetof(struct star_sample, shape2), values);
        const double beta = median_of(samples, n, offsetof(struct star_sample, beta), values);
        seeing->width_relative_sigma = beta_share(samples, n, values);
        const struct profile round_star =
            star_start_profile(&(struct seeing){.fwhm_optical_px = optical_px,
                                                .beta = fmin(fmax(beta, 1.5), BETA_MAX)},
                               0.0, 0.0, 1.0, job->field->pixel_width);
        seeing->beta = round_star.beta;
        seeing->fwhm_optical_px = profile_fwhm_px(&round_star);
        seeing->fwhm_px = profile_delivered(&round_star, job->field->pixel_width).fwhm_px;
        seeing->is_fitted = true;
        job->radius = stars_radius(seeing);
    }
}
