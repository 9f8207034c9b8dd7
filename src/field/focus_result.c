/* focus_result.c - what the fitted model of focus runs says, with errors; what it cannot say. */
#include <gsl/gsl_cdf.h>
#include <math.h>

#include "field/focus_internal.h"

#define CORRELATION_MOST 0.9

static struct nw_focus_term unknown(const char *why) {
    struct nw_focus_term term = {NAN, NAN, NAN, NAN, ""};
    nw_text_copy(term.why_null, sizeof term.why_null, why);
    return term;
}

static struct nw_focus_term term_of(const struct focus_work *w, enum focus_kind kind, size_t which,
                                    const char *why) {
    const struct focus_column *const c = focus_find(w, kind, which);
    if (!c || !c->is_taken || !isfinite(w->sigma)) {
        return unknown(why);
    }
    struct nw_focus_term term = {.value = w->beta[c->at],
                                 .sigma = sqrt(w->covariance[c->at][c->at])};
    const double t = gsl_cdf_tdist_Pinv(0.975, (double)(w->n - w->n_taken));
    term.low = term.value - t * term.sigma;
    term.high = term.value + t * term.sigma;
    return term;
}

/* One column more, at the end: what it would be, and how it is tied to the temperature. */
static struct nw_focus_term extra(struct focus_work *w, enum focus_kind kind,
                                  double *ret_correlation) {
    struct focus_column *const c = focus_add_column(w, kind, 0);
    focus_solve(w);
    focus_covariance(w);
    const struct focus_column *const k = focus_find(w, FOCUS_TEMPERATURE, 0);
    *ret_correlation = NAN;
    struct nw_focus_term term =
        term_of(w, kind, 0, "the runs do not tell it from the temperature at all");
    if (c->is_taken && k && k->is_taken) {
        *ret_correlation = w->covariance[c->at][k->at] /
                           sqrt(w->covariance[c->at][c->at] * w->covariance[k->at][k->at]);
        if (fabs(*ret_correlation) > CORRELATION_MOST) {
            const double correlation = *ret_correlation;
            term = unknown("");
            (void)snprintf(term.why_null, sizeof term.why_null,
                           "not separable from the temperature yet: correlation %.2f", correlation);
        }
    }
    w->n_columns--;
    return term;
}

static void offsets(const struct focus_work *w, size_t reference, struct nw_focus_job *job) {
    for (size_t f = 0; f < w->n_filters; f++) {
        struct nw_focus_offset *const o = &job->offsets[job->n_offsets];
        if (f == reference) {
            continue;
        }
        nw_text_copy(o->filter, sizeof o->filter, w->filters[f]);
        o->n = 0;
        for (size_t i = 0; i < w->n; i++) {
            o->n += strcmp(w->runs->items[w->run[i]].filter, w->filters[f]) == 0;
        }
        o->steps =
            term_of(w, FOCUS_FILTER, f, "no run in it shares a night with the other filters");
        job->n_offsets++;
    }
}

static void lag_term(const struct focus_work *w, const struct focus_lag *lag, bool is_fitted,
                     struct nw_focus_job *job) {
    if (!is_fitted) {
        job->lag_s = unknown("a steady fall looks the same with any lag; needs a night that turns, "
                             "or more runs");
        job->lag_s.low = lag->low_s;
        if (lag->low_s > 0.0) {
            (void)snprintf(job->lag_s.why_null, sizeof job->lag_s.why_null,
                           "at least %.0f min, without an upper end yet; needs a night that turns, "
                           "or more runs",
                           lag->low_s / 60.0);
        }
        return;
    }
    job->lag_s = (struct nw_focus_term){lag->best_s, NAN, lag->low_s, lag->high_s, ""};
    const struct focus_column *const c = focus_find(w, FOCUS_LAG, 0);
    const struct focus_column *const k = focus_find(w, FOCUS_TEMPERATURE, 0);
    if (c && c->is_taken && k && k->is_taken) {
        job->lag_s.sigma = sqrt(w->covariance[c->at][c->at]) / fabs(w->beta[k->at]);
    }
}

/* Mean of the nights' w. */
static void warm_term(const struct focus_work *w, struct nw_focus_job *job) {
    double sum = 0.0;
    double variance = 0.0;
    double n = 0.0;
    for (size_t i = 0; i < w->n_nights; i++) {
        const struct focus_column *const c = focus_find(w, FOCUS_WARM, i);
        for (size_t k = 0; c && c->is_taken && k <= i; k++) {
            const struct focus_column *const d = focus_find(w, FOCUS_WARM, k);
            variance += d && d->is_taken ? (k < i ? 2.0 : 1.0) * w->covariance[c->at][d->at] : 0.0;
        }
        sum += c && c->is_taken ? w->beta[c->at] : 0.0;
        n += c && c->is_taken ? 1.0 : 0.0;
    }
    job->warm = unknown("the first runs of the nights do not ask for it");
    if (n > 0.0 && isfinite(w->sigma)) {
        const double t = gsl_cdf_tdist_Pinv(0.975, (double)(w->n - w->n_taken));
        const double sigma = sqrt(variance) / n;
        job->warm =
            (struct nw_focus_term){sum / n, sigma, sum / n - t * sigma, sum / n + t * sigma, ""};
    }
}

static bool has_both_sides(const struct focus_work *w) {
    bool is_seen[2] = {false, false};
    for (size_t i = 0; i < w->n; i++) {
        is_seen[w->runs->items[w->run[i]].side == NW_FOCUS_WEST ? 1 : 0] = true;
    }
    return is_seen[0] && is_seen[1];
}

static void night_levels(const struct focus_work *w, struct nw_focus_job *job) {
    double values[FOCUS_NIGHTS];
    size_t n = 0;
    for (size_t i = 0; i < w->n_nights; i++) {
        const struct focus_column *const c = focus_find(w, FOCUS_NIGHT, i);
        if (c && c->is_taken) {
            values[n++] = w->beta[c->at];
        }
    }
    job->per_night = unknown("one night");
    if (n > 1) {
        job->per_night.value = nw_stat_sd(values, n, nw_stat_mean(values, n));
        job->per_night.sigma = job->per_night.value / sqrt(2.0 * (double)(n - 1));
        job->per_night.why_null[0] = 0;
    }
}

static void span(const struct focus_work *w, struct nw_focus_job *job) {
    double rate = 0.0;
    double time = 0.0;
    job->temperature_low_K = INFINITY;
    job->temperature_high_K = -INFINITY;
    for (size_t i = 0; i < w->n; i++) {
        const double t = w->runs->items[w->run[i]].temperature_K;
        job->temperature_low_K = fmin(job->temperature_low_K, t);
        job->temperature_high_K = fmax(job->temperature_high_K, t);
    }
    /* half-hour steps, so that the sensor's own noise does not pass for a rate */
    size_t from = 0;
    for (size_t i = 1; i < w->n_t; i++) {
        const double dt = w->t[i] - w->t[from];
        if (w->t[i] - w->t[i - 1] > FOCUS_NIGHT_GAP_S) {
            from = i;
        } else if (dt >= 1800.0) {
            rate += fabs(w->temperature[i] - w->temperature[from]);
            time += dt;
            from = i;
        }
    }
    job->rate_K_s = time > 0.0 ? rate / time : NAN;
}

void focus_results(struct focus_work *w, const struct focus_lag *lag, bool is_lag_fitted,
                   size_t reference, struct nw_focus_job *job) {
    focus_covariance(w);
    const double free_n = (double)w->n - (double)w->n_taken;
    job->n_used = w->n;
    job->n_parameters = w->n_taken;
    job->n_nights = w->n_nights;
    job->per_K =
        term_of(w, FOCUS_TEMPERATURE, 0, "the temperature hardly changed beside the nights");
    job->backlash = term_of(w, FOCUS_WAY, 0,
                            focus_all_have(w, true) ? "all runs end from the same side"
                                                    : "no log says from which side each run ended "
                                                      "(last_move); trial: a sweep there and back");
    job->flip = term_of(w, FOCUS_SIDE, 0,
                        focus_all_have(w, false)
                            ? has_both_sides(w) ? "no night has runs on both sides of the pier"
                                                : "all runs on one side of the pier"
                            : "no header says on which side the tube stood");
    lag_term(w, lag, is_lag_fitted, job);
    warm_term(w, job);
    job->repeatability =
        (struct nw_focus_term){.value = w->sigma, .sigma = w->sigma / sqrt(2.0 * free_n)};
    job->repeatability.low = w->sigma * sqrt(free_n / gsl_cdf_chisq_Pinv(0.975, free_n));
    job->repeatability.high = w->sigma * sqrt(free_n / gsl_cdf_chisq_Pinv(0.025, free_n));
    nw_text_copy(job->reference, sizeof job->reference, w->filters[reference]);
    offsets(w, reference, job);
    night_levels(w, job);
    span(w, job);
    for (size_t i = 0; i < w->n; i++) {
        w->runs->items[w->run[i]].residual_steps = w->residual[i];
    }
    double correlation = NAN;
    job->per_hour = w->n > w->n_taken + 2 ? extra(w, FOCUS_HOURS, &job->correlation_time)
                                          : unknown("too few runs");
    job->is_time_separable = fabs(job->correlation_time) <= CORRELATION_MOST;
    bool has_altitude = w->n > w->n_taken + 2;
    for (size_t i = 0; i < w->n; i++) {
        has_altitude = has_altitude && isfinite(w->runs->items[w->run[i]].altitude_rad);
    }
    job->sag = has_altitude ? extra(w, FOCUS_ALTITUDE, &correlation)
                            : unknown("no altitude with the runs, or too few runs");
}
