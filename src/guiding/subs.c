/* subs.c - motion within the exposures of the main camera.
 * Idea: slow motion moves a frame but does not blur it, so everything is about the sub's own mean.
 * The value comes from the smoothed states; the bounds do without the model: all that differs from
 * sample to sample is noise, or none of it is.
 * Holds: 1. low <= value <= high.  2. the noise's share of a variance about the own mean of n
 * samples is (1 - 1/n) of its variance. */
#include <math.h>

#include "guiding/guiding_internal.h"

enum nw_status nw_guide_make_subs(const struct guide_series *s, double length_s,
                                  struct guide_spans *ret, struct nw_err *err) {
    double start_s = NAN;
    for (size_t k = 0; k < s->n; k++) {
        if (s->starts[k]) {
            start_s = s->t_s[k];
        }
        /* a sample stands for one step: the run reaches half a step past its last one */
        while (s->t_s[k] + s->dt0_s >= start_s + length_s) {
            void *items = ret->items;
            const enum nw_status status =
                nw_grow(&items, &ret->cap, ret->n + 1, sizeof *ret->items, GUIDE_SPANS_MAX, err);
            ret->items = items;
            if (status != NW_OK) {
                return status;
            }
            ret->items[ret->n++] =
                (struct nw_span){.start_s = start_s, .end_s = start_s + length_s};
            start_s += length_s;
        }
    }
    return NW_OK;
}

/* First sample at or after a time. */
static size_t first_at(const struct guide_series *s, double t_s) {
    size_t low = 0;
    size_t high = s->n;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (s->t_s[middle] < t_s) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

struct moments {
    double var_rad2, slope_rad_s;
};

static struct moments moments_of(const struct guide_series *s, size_t first, size_t last) {
    const double n = (double)(last - first);
    double mean_e = 0.0;
    double mean_t = 0.0;
    for (size_t k = first; k < last; k++) {
        mean_e += s->e_rad[k] / n;
        mean_t += (s->t_s[k] - s->t_s[first]) / n;
    }
    double ee = 0.0;
    double et = 0.0;
    double tt = 0.0;
    for (size_t k = first; k < last; k++) {
        const double e = s->e_rad[k] - mean_e;
        const double t = s->t_s[k] - s->t_s[first] - mean_t;
        ee += e * e;
        et += e * t;
        tt += t * t;
    }
    return (struct moments){.var_rad2 = ee / n, .slope_rad_s = tt > 0.0 ? et / tt : NAN};
}

/* The noises of the two axes do not know of each other: the raw covariance is that of the motion.
 */
static double raw_covariance(const struct guide_pair *pair, size_t first, size_t last) {
    const double n = (double)(last - first);
    const double ra = nw_stat_mean(pair->ra->e_rad + first, last - first);
    const double dec = nw_stat_mean(pair->dec->e_rad + first, last - first);
    double sum = 0.0;
    for (size_t k = first; k < last; k++) {
        sum += (pair->ra->e_rad[k] - ra) * (pair->dec->e_rad[k] - dec);
    }
    return sum / n;
}

static double clamp(double value, double low, double high) {
    return value < low ? low : value > high ? high : value;
}

struct bounds {
    double value_rad, low_rad, high_rad;
};

/* scatter: how much the noise's variance in one sub may exceed its mean */
static struct bounds bounds_of(double raw_rad2, double n, const struct nw_guide_axis *axis,
                               double floor_rad, double model_rad2, double scatter) {
    const double share = 1.0 - 1.0 / n;
    const double upper_rad2 = axis->uncorrelated_rad * axis->uncorrelated_rad * share;
    const double floor_rad2 = floor_rad > 0.0 ? floor_rad * floor_rad * share : 0.0;
    struct bounds out = {.value_rad = sqrt(model_rad2)};
    out.low_rad =
        isfinite(upper_rad2) ? sqrt(fmax(0.0, raw_rad2 - upper_rad2 * (1.0 + scatter))) : 0.0;
    out.high_rad =
        fmax(sqrt(fmax(0.0, raw_rad2 - floor_rad2 * fmax(0.0, 1.0 - scatter))), out.low_rad);
    return out;
}

/* In one sub the raw rms itself scatters about the truth: the bounds give way to the value. */
static struct bounds bounds_of_sub(double raw_rad2, double n, const struct nw_guide_axis *axis,
                                   double floor_rad, double model_rad2) {
    struct bounds out = bounds_of(raw_rad2, n, axis, floor_rad, model_rad2, 1.645 * sqrt(2.0 / n));
    if (isfinite(out.value_rad)) {
        out.low_rad = fmin(out.low_rad, out.value_rad);
        out.high_rad = fmax(out.high_rad, out.value_rad);
    }
    return out;
}

double nw_guide_beside_var(const struct nw_guide_axis *axis, double n) {
    return axis->beside_rad2 * (1.0 - 1.0 / n);
}

static double motion_var(const struct nw_guide_axis *axis, const struct guide_state *states,
                         size_t first, size_t last) {
    return fmax(0.0, nw_guide_motion_var(states, first, last) +
                         nw_guide_beside_var(axis, (double)(last - first)));
}

void nw_guide_measure_sub(const struct guide_pair *pair, const struct nw_guide_opts *opts,
                          const struct nw_guide_analysis *a, struct nw_guide_sub *sub) {
    const size_t first = first_at(pair->ra, sub->start_s);
    const size_t last = first_at(pair->ra, sub->end_s);
    sub->n = last - first;
    sub->ra_logged_rad = sub->dec_logged_rad = NAN;
    sub->ra_rad = sub->dec_rad = sub->cross_rad2 = NAN;
    sub->ra_low_rad = sub->ra_high_rad = sub->dec_low_rad = sub->dec_high_rad = NAN;
    sub->drift_ra_rad = sub->drift_dec_rad = NAN;
    if (sub->n < GUIDE_SUB_SAMPLES_MIN) {
        return;
    }
    const double n = (double)sub->n;
    const struct moments ra = moments_of(pair->ra, first, last);
    const struct moments dec = moments_of(pair->dec, first, last);
    const bool has_ra = pair->ra_states && a->ra.why_null[0] == '\0';
    const bool has_dec = pair->dec_states && a->dec.why_null[0] == '\0';
    const struct bounds b_ra =
        bounds_of_sub(ra.var_rad2, n, &a->ra, opts->noise_floor_rad,
                      has_ra ? motion_var(&a->ra, pair->ra_states, first, last) : NAN);
    const struct bounds b_dec =
        bounds_of_sub(dec.var_rad2, n, &a->dec, opts->noise_floor_rad,
                      has_dec ? motion_var(&a->dec, pair->dec_states, first, last) : NAN);
    sub->ra_logged_rad = sqrt(ra.var_rad2);
    sub->dec_logged_rad = sqrt(dec.var_rad2);
    sub->ra_rad = b_ra.value_rad;
    sub->ra_low_rad = b_ra.low_rad;
    sub->ra_high_rad = b_ra.high_rad;
    sub->dec_rad = b_dec.value_rad;
    sub->dec_low_rad = b_dec.low_rad;
    sub->dec_high_rad = b_dec.high_rad;
    const double most = sub->ra_rad * sub->dec_rad;
    sub->cross_rad2 = isfinite(most) ? clamp(raw_covariance(pair, first, last), -most, most) : NAN;
    const double length_s = sub->end_s - sub->start_s;
    sub->drift_ra_rad = ra.slope_rad_s * length_s;
    sub->drift_dec_rad = dec.slope_rad_s * length_s;
}

/* Root of the mean square over the subs that have a value; NaN when none has. */
static double rms_over(const struct nw_guide_analysis *a, size_t offset) {
    double sum = 0.0;
    double n = 0.0;
    for (size_t i = 0; i < a->n_subs; i++) {
        double value = 0.0;
        memcpy(&value, (const char *)&a->subs[i] + offset, sizeof value);
        if (isfinite(value)) {
            sum += value * value;
            n += 1.0;
        }
    }
    return n > 0.0 ? sqrt(sum / n) : NAN;
}

void nw_guide_find_beside(struct nw_guide_analysis *a) {
    for (int axis = 0; axis < 2; axis++) {
        struct nw_guide_axis *const at = axis == 0 ? &a->ra : &a->dec;
        double sum = 0.0;
        double share = 0.0;
        for (size_t i = 0; i < a->n_subs; i++) {
            const struct nw_guide_sub *const sub = &a->subs[i];
            const double raw = axis == 0 ? sub->ra_logged_rad : sub->dec_logged_rad;
            const double model = axis == 0 ? sub->ra_rad : sub->dec_rad;
            if (isfinite(raw) && isfinite(model)) {
                sum += raw * raw - model * model;
                share += 1.0 - 1.0 / (double)sub->n;
            }
        }
        if (share > 0.0 && isfinite(at->noise_adds_rad2)) {
            at->beside_rad2 = sum / share - at->noise_adds_rad2;
        }
    }
}

static void sum_axis(const struct nw_guide_analysis *a, size_t value_at, size_t raw_at,
                     double floor_rad, struct nw_guide_axis *axis) {
    const double raw_rad = rms_over(a, raw_at);
    double n = 0.0; /* samples in a mean sub with a value */
    double n_subs = 0.0;
    for (size_t i = 0; i < a->n_subs; i++) {
        if (a->subs[i].n >= GUIDE_SUB_SAMPLES_MIN) {
            n += (double)a->subs[i].n;
            n_subs += 1.0;
        }
    }
    if (!(n_subs > 0.0)) {
        return;
    }
    const double value_rad = rms_over(a, value_at);
    const struct bounds b =
        bounds_of(raw_rad * raw_rad, n / n_subs, axis, floor_rad, value_rad * value_rad, 0.0);
    axis->motion_in_sub_rad = clamp(b.value_rad, b.low_rad, b.high_rad); /* NaN stays NaN */
    axis->motion_low_rad = b.low_rad;
    axis->motion_high_rad = b.high_rad;
}

void nw_guide_sum_subs(struct nw_guide_analysis *a, double floor_rad) {
    sum_axis(a, offsetof(struct nw_guide_sub, ra_rad), offsetof(struct nw_guide_sub, ra_logged_rad),
             floor_rad, &a->ra);
    sum_axis(a, offsetof(struct nw_guide_sub, dec_rad),
             offsetof(struct nw_guide_sub, dec_logged_rad), floor_rad, &a->dec);
    double length_s = 0.0;
    for (size_t i = 0; i < a->n_subs; i++) {
        length_s += (a->subs[i].end_s - a->subs[i].start_s) / (double)a->n_subs;
    }
    a->sub_length_s = a->n_subs > 0 ? length_s : NAN;
}
