/* sensor_telegraph.c - pixels that switch between two levels (random telegraph signals), from many
 * darks alike.
 * Idea: first the mean and the variance of every pixel over the darks, frame by frame; where it is
 * far over what read noise and shot noise give, the values themselves are looked at: two levels
 * with next to nothing between them are a telegraph, one value alone far up is a particle, all else
 * is a pixel that is merely noisy (Hopkins & Hopkinson 1993, IEEE Trans. Nucl. Sci. 40, 1567, from
 * memory, on what such pixels do). A switch within an exposure leaves a value between the levels: a
 * few of them are allowed. Holds: values are told from the mean of their frame's colour, so that an
 * offset that wanders is no noise of a pixel. */
#include "light/sensor_internal.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

enum {
    LEAST_VALUES = 3,
    LEAST_DARKS = NW_SENSOR_TELEGRAPH_DARKS,
    MOST_DARKS = 200,
    MOST_SUSPECTS = 400000
};
static const double CHANCE = 1e-5;       /* of a quiet pixel to be looked at closer */
static const double STEP_SIGMAS = 5.0;   /* least step, in noise of one frame */
static const double STEP_SCATTERS = 4.5; /* and in scatter about the levels: a slow rise has 3.5 */
static const double QUIET_LEVELS = 2.0;  /* most scatter about a level, in noise of one frame */
static const double BETWEEN = 0.15;      /* share of the values that may be between the levels */
static const double HIT_SIGMAS = 6.0;

struct series {
    size_t frames[MOST_DARKS];
    size_t n;
    double exposure_s;
};

static bool is_alike(const struct nw_sensor_frame *a, const struct nw_sensor_frame *b) {
    const double ta = sensor_temperature_K(a);
    const double tb = sensor_temperature_K(b);
    return fabs(a->facts.exposure_s - b->facts.exposure_s) <= 1e-3 * a->facts.exposure_s &&
           (fabs(ta - tb) < 0.75 || (isnan(ta) && isnan(tb)));
}

/* The most darks of one exposure and temperature; of as many the longest. */
static struct series find_series(const struct sensor_work *work) {
    struct series best = {.n = 0};
    for (size_t i = 0; i < work->n; i++) {
        struct series s = {.exposure_s = work->frames[i].facts.exposure_s};
        for (size_t k = 0; k < work->n && work->frames[i].use == NW_USE_DARK; k++) {
            const bool is_in = work->is_taken[k] && work->frames[k].use == NW_USE_DARK &&
                               is_alike(&work->frames[i], &work->frames[k]);
            if (is_in && s.n < MOST_DARKS) {
                s.frames[s.n++] = k;
            }
        }
        best = s.n > best.n || (s.n == best.n && s.exposure_s > best.exposure_s) ? s : best;
    }
    return best;
}

struct sums { /* of each pixel about its frame's mean */
    float *mean, *m2;
    size_t n_px, width_px;
    double quiet_var; /* of a pixel at the mean level */
};

/* Reads frame i and calls `take` with each row and the level that is taken off it. */
typedef void take_row(void *user, size_t y, const float *row, const double level[static 2]);
static enum nw_status walk(const struct sensor_work *work, size_t i, take_row *take, void *user,
                           struct nw_err *err) {
    struct nw_frame *frame = NULL;
    enum nw_status status = work->source->read(work->source->user, i, &frame, err);
    float *const buffer = status == NW_OK ? nw_calloc(frame->width_px, sizeof *buffer) : NULL;
    if (status == NW_OK && !buffer) {
        status = nw_err_set(err, NW_NOMEM, "row of %zu pixels", frame->width_px);
    }
    const struct nw_image_view view =
        status == NW_OK ? nw_frame_plane(frame, 0) : (struct nw_image_view){.px = NULL};
    const double *const sites = work->level_adu[i];
    for (size_t y = 0; y < view.height_px && status == NW_OK; y++) {
        const size_t first = work->out->n_sites > 1 ? 2 * (y % 2) : 0;
        const double level[2] = {sites[first], sites[work->out->n_sites > 1 ? first + 1 : first]};
        take(user, y, nw_image_span(&view, 0, view.width_px, y, buffer), level);
    }
    free(buffer);
    nw_frame_free(frame);
    return status;
}

struct adding { /* Welford 1962, Technometrics 4, 419 */
    struct sums *sums;
    double count;
};
static void add_row(void *user, size_t y, const float *row, const double level[static 2]) {
    struct adding *const a = user;
    float *const mean = a->sums->mean + y * a->sums->width_px;
    float *const m2 = a->sums->m2 + y * a->sums->width_px;
    for (size_t x = 0; x < a->sums->width_px; x++) {
        const double d = (double)row[x] - level[x % 2] - (double)mean[x];
        const double next = (double)mean[x] + d / a->count;
        m2[x] = (float)((double)m2[x] + d * ((double)row[x] - level[x % 2] - next));
        mean[x] = (float)next;
    }
}

/* Median variance over a sample of the pixels, as that of one pixel. */
static double quiet_variance(const struct sums *s, size_t n_frames, float *work, size_t room) {
    const size_t step = s->n_px / room + 1;
    const double dof = (double)(n_frames - 1);
    size_t n = 0;
    for (size_t i = 0; i < s->n_px && n < room; i += step) {
        work[n++] = s->m2[i];
    }
    return (double)nw_stat_median_f(work, n) / gsl_cdf_chisq_Pinv(0.5, dof);
}

/* Variance to expect of a pixel: what all have, and the shot noise of its own dark charge. */
static double expected_var(const struct sums *s, double mean_adu, double gain_e_per_adu) {
    const double shot = isfinite(gain_e_per_adu) ? fmax(0.0, mean_adu) / gain_e_per_adu : 0.0;
    return s->quiet_var + shot;
}

struct suspects {
    size_t *at;    /* pixels, in order */
    float *values; /* n_frames of each */
    size_t n, n_frames, frame, next;
    const struct sums *sums;
};

/* Variance over the expected one beyond which at most MOST_SUSPECTS pixels lie: `cut`, doubled as
 * often as a noisy chip wants it. */
static double cut_of(const struct sums *s, double cut, double gain) {
    enum { MOST_DOUBLINGS = 64 };
    size_t n_beyond[MOST_DOUBLINGS] = {0}; /* cut * 2^k, not twice that */
    for (size_t i = 0; i < s->n_px; i++) {
        const double over = (double)s->m2[i] / (cut * expected_var(s, (double)s->mean[i], gain));
        if (over > 1.0) {
            n_beyond[(size_t)fmin(floor(log2(over)), MOST_DOUBLINGS - 1)]++;
        }
    }
    size_t n = 0;
    size_t k = MOST_DOUBLINGS;
    while (k > 0 && n + n_beyond[k - 1] <= MOST_SUSPECTS) {
        n += n_beyond[--k];
    }
    return ldexp(cut, (int)k);
}

static enum nw_status list_suspects(const struct sums *s, size_t n_frames, double gain,
                                    struct suspects *ret, struct nw_err *err) {
    const double cut = cut_of(s, gsl_cdf_chisq_Qinv(CHANCE, (double)(n_frames - 1)), gain);
    for (int pass = 0; pass < 2; pass++) { /* count, then list */
        size_t n = 0;
        for (size_t i = 0; i < s->n_px; i++) {
            if ((double)s->m2[i] > cut * expected_var(s, (double)s->mean[i], gain)) {
                if (pass == 1) {
                    ret->at[n] = i;
                }
                n++;
            }
        }
        if (pass == 0) {
            ret->n = n;
            ret->at = nw_calloc(n + 1, sizeof *ret->at);
            ret->values = nw_calloc((n + 1) * n_frames, sizeof *ret->values);
            if (!ret->at || !ret->values) {
                return nw_err_set(err, NW_NOMEM, "%zu noisy pixels", n);
            }
        }
    }
    return NW_OK;
}

static void gather_row(void *user, size_t y, const float *row, const double level[static 2]) {
    struct suspects *const s = user;
    const size_t end = (y + 1) * s->sums->width_px;
    for (; s->next < s->n && s->at[s->next] < end; s->next++) {
        const size_t x = s->at[s->next] - y * s->sums->width_px;
        s->values[s->next * s->n_frames + s->frame] = (float)((double)row[x] - level[x % 2]);
    }
}

enum verdict { NOISY, HIT, TELEGRAPH };

/* Best place to cut sorted values in two: the least sum of squares about both means. */
static size_t best_cut(const double *v, size_t n) {
    double whole = 0.0;
    for (size_t i = 0; i < n; i++) {
        whole += v[i];
    }
    double low = 0.0;
    double most = -1.0;
    size_t at = 1;
    for (size_t i = 1; i < n; i++) {
        low += v[i - 1];
        const double between = pow(low / (double)i - (whole - low) / (double)(n - i), 2.0) *
                               (double)i * (double)(n - i);
        at = between > most ? i : at;
        most = fmax(most, between);
    }
    return at;
}

static double median_of_sorted(const double *v, size_t n) {
    return 0.5 * (v[(n - 1) / 2] + v[n / 2]);
}

/* Scatter about two levels; of the values between them the farthest are left out: what a switch
 * within the exposure leaves. */
struct scatter {
    double adu;    /* rms */
    double sigmas; /* the same against the noise that each level should have */
};
struct residual {
    double adu, sigmas;
};
static int by_sigmas(const void *a, const void *b) {
    const struct residual *const x = a;
    const struct residual *const y = b;
    return (x->sigmas > y->sigmas) - (x->sigmas < y->sigmas);
}

static struct scatter scatter_about(const double *v, size_t n, const double level[static 2],
                                    const double sigma[static 2]) {
    struct residual between[MOST_DARKS];
    double sum2 = 0.0;
    double chi2 = 0.0;
    size_t n_between = 0;
    for (size_t i = 0; i < n; i++) {
        const size_t k = fabs(v[i] - level[1]) < fabs(v[i] - level[0]) ? 1 : 0;
        const double d = fabs(v[i] - level[k]);
        if (v[i] > level[0] && v[i] < level[1]) {
            between[n_between++] = (struct residual){d, d / sigma[k]};
        } else {
            sum2 += d * d;
            chi2 += pow(d / sigma[k], 2.0);
        }
    }
    qsort(between, n_between, sizeof *between, by_sigmas);
    const size_t most = (size_t)(BETWEEN * (double)n);
    const size_t n_left = most < n_between ? most : n_between;
    for (size_t i = 0; i + n_left < n_between; i++) {
        sum2 += between[i].adu * between[i].adu;
        chi2 += between[i].sigmas * between[i].sigmas;
    }
    const double dof = (double)(n - n_left - 2);
    return (struct scatter){sqrt(sum2 / dof), sqrt(chi2 / dof)};
}

/* v is sorted; noise of a value: quiet, and the shot noise of its charge (0 without the gain). */
static enum verdict judge(const double *v, size_t n, double quiet_var, double shot_per_adu,
                          double *ret_step) {
    const double middle = median_of_sorted(v, n);
    const double lone = sqrt(quiet_var + shot_per_adu * fmax(0.0, middle));
    if (v[n - 1] - middle > HIT_SIGMAS * lone && v[n - 2] - middle < 4.0 * lone &&
        middle - v[0] < 4.0 * lone) {
        return HIT;
    }
    const size_t cut = best_cut(v, n);
    const double level[2] = {median_of_sorted(v, cut), median_of_sorted(v + cut, n - cut)};
    const double sigma[2] = {sqrt(quiet_var + shot_per_adu * fmax(0.0, level[0])),
                             sqrt(quiet_var + shot_per_adu * fmax(0.0, level[1]))};
    const struct scatter s = scatter_about(v, n, level, sigma);
    *ret_step = level[1] - level[0];
    const bool is_two = cut >= LEAST_VALUES && n - cut >= LEAST_VALUES &&
                        *ret_step > STEP_SIGMAS * sigma[0] && *ret_step > STEP_SCATTERS * s.adu &&
                        s.sigmas < QUIET_LEVELS;
    return is_two ? TELEGRAPH : NOISY;
}

static enum nw_status judge_all(const struct suspects *s, const struct series *series,
                                struct nw_sensor *out, struct nw_err *err) {
    const double gain = out->gain_e_per_adu.v;
    double *const steps = nw_calloc(s->n + 1, sizeof *steps);
    size_t n_hits = 0;
    size_t n_noisy = 0;
    size_t n = 0;
    if (!steps) {
        return nw_err_set(err, NW_NOMEM, "%zu noisy pixels", s->n);
    }
    for (size_t i = 0; i < s->n; i++) {
        double v[MOST_DARKS];
        for (size_t k = 0; k < s->n_frames; k++) {
            v[k] = (double)s->values[i * s->n_frames + k];
        }
        nw_stat_sort(v, s->n_frames);
        const enum verdict verdict =
            judge(v, s->n_frames, s->sums->quiet_var, isfinite(gain) ? 1.0 / gain : 0.0, &steps[n]);
        n += verdict == TELEGRAPH;
        n_hits += verdict == HIT;
        n_noisy += verdict == NOISY;
    }
    nw_stat_sort(steps, n);
    sensor_value_set(&out->telegraph_pixels, (double)n, sqrt((double)n));
    out->telegraph_darks = s->n_frames;
    out->telegraph_exposure_s = series->exposure_s;
    out->telegraph_step_e = n ? gain * median_of_sorted(steps, n) : NAN;
    out->telegraph_largest_e = n ? gain * steps[n - 1] : NAN;
    out->telegraph_least_e = gain * STEP_SIGMAS * sqrt(s->sums->quiet_var);
    out->noisy_pixels = (double)n_noisy;
    out->hit_pixels_per_h = 3600.0 * (double)n_hits / (series->exposure_s * (double)s->n_frames);
    free(steps);
    return NW_OK;
}

static enum nw_status judge_suspects(struct sensor_work *work, const struct series *series,
                                     const struct sums *sums, struct nw_err *err) {
    struct suspects suspects = {.sums = sums, .n_frames = series->n};
    enum nw_status status =
        list_suspects(sums, series->n, work->out->gain_e_per_adu.v, &suspects, err);
    for (size_t k = 0; k < series->n && status == NW_OK; k++) {
        suspects.frame = k;
        suspects.next = 0;
        status = walk(work, series->frames[k], gather_row, &suspects, err);
    }
    status = status == NW_OK ? judge_all(&suspects, series, work->out, err) : status;
    free(suspects.at);
    free(suspects.values);
    return status;
}

enum nw_status sensor_find_telegraph(struct sensor_work *work, struct nw_err *err) {
    struct nw_sensor *const out = work->out;
    const struct series series = find_series(work);
    struct sums sums = {.n_px = out->width_px * out->height_px, .width_px = out->width_px};
    enum { SAMPLE = 200000 };
    out->telegraph_step_e = out->telegraph_largest_e = out->telegraph_least_e = NAN;
    out->hit_pixels_per_h = out->noisy_pixels = out->telegraph_exposure_s = NAN;
    if (series.n < LEAST_DARKS || !(series.exposure_s > 0.0)) {
        char why[120];
        (void)snprintf(why, sizeof why,
                       "needs %d darks of one exposure and temperature, there are %zu", LEAST_DARKS,
                       series.n);
        sensor_value_why(&out->telegraph_pixels, why);
        return NW_OK;
    }
    sums.mean = nw_big_alloc(sums.n_px * sizeof *sums.mean);
    sums.m2 = nw_big_alloc(sums.n_px * sizeof *sums.m2);
    float *const sample = nw_calloc(SAMPLE, sizeof *sample);
    enum nw_status status =
        sums.mean && sums.m2 && sample
            ? NW_OK
            : nw_err_set(err, NW_NOMEM, "mean and variance of %zu pixels", sums.n_px);
    for (size_t i = 0; i < sums.n_px && status == NW_OK; i++) {
        sums.mean[i] = sums.m2[i] = 0.0F;
    }
    for (size_t k = 0; k < series.n && status == NW_OK; k++) {
        struct adding adding = {&sums, (double)(k + 1)};
        status = walk(work, series.frames[k], add_row, &adding, err);
    }
    if (status == NW_OK) {
        sums.quiet_var = quiet_variance(&sums, series.n, sample, SAMPLE);
        status = sums.quiet_var > 0.0 ? judge_suspects(work, &series, &sums, err) : NW_OK;
        if (!(sums.quiet_var > 0.0)) {
            sensor_value_why(&out->telegraph_pixels, "half of the pixels do not change from dark "
                                                     "to dark: no noise to tell steps from");
        }
    }
    free(sample);
    nw_big_free(sums.mean);
    nw_big_free(sums.m2);
    return status;
}
