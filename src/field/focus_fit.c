/* focus_fit.c - the model of focus runs, fitted; see focus.h.
 * Idea: columns are taken in the order nights, temperature, filters, direction, tube side. The lag
 * is a profile: one fit per lag; at the best one its derivative joins the columns, so that the
 * errors hold the lag's own. Tubes that begin the night warm are tried with one column a night.
 * Huber weights come before anything is refused; what lies over 5 robust sigmas is refused then. */
#include <gsl/gsl_cdf.h>
#include <math.h>

#include "field/focus_internal.h"

#define LAG_MOST_S (3.0 * 3600.0)
#define SIGMAS_REFUSED 5.0
enum { LAGS = 37 };

static void set_columns(struct focus_work *w, size_t reference, bool is_warm) {
    w->n_columns = 0;
    for (size_t i = 0; i < w->n_nights; i++) {
        (void)focus_add_column(w, FOCUS_NIGHT, i);
    }
    (void)focus_add_column(w, FOCUS_TEMPERATURE, 0);
    for (size_t i = 0; i < w->n_filters; i++) {
        if (i != reference) {
            (void)focus_add_column(w, FOCUS_FILTER, i);
        }
    }
    for (size_t i = 0; is_warm && i < w->n_nights; i++) {
        (void)focus_add_column(w, FOCUS_WARM, i);
    }
    if (focus_all_have(w, true)) {
        (void)focus_add_column(w, FOCUS_WAY, 0);
    }
    if (focus_all_have(w, false)) {
        (void)focus_add_column(w, FOCUS_SIDE, 0);
    }
}

/* Lags 0, then 2 min to 3 h in equal ratios. */
static double lag_of(size_t i) {
    return i == 0 ? 0.0 : 120.0 * pow(LAG_MOST_S / 120.0, (double)(i - 1) / (LAGS - 2));
}

static double rss_at(struct focus_work *w, double lag_s) {
    focus_lag_nights(w, lag_s, w->lagged);
    focus_solve(w);
    return w->rss;
}

/* The profile of the lag; least squares ratio (1 + F/(n - p)), F(1, n - p). */
static struct focus_lag profile_lag(struct focus_work *w) {
    double rss[LAGS];
    size_t best = 0;
    for (size_t i = 0; i < LAGS; i++) {
        rss[i] = rss_at(w, lag_of(i));
        best = rss[i] < rss[best] ? i : best;
    }
    double low = best > 0 ? lag_of(best - 1) : 0.0;
    double high = best + 1 < LAGS ? lag_of(best + 1) : LAG_MOST_S;
    for (int k = 0; k < 30; k++) { /* golden section inside the bracket */
        const double a = high - 0.6180339887498949 * (high - low);
        const double b = low + 0.6180339887498949 * (high - low);
        if (rss_at(w, a) < rss_at(w, b)) {
            high = b;
        } else {
            low = a;
        }
    }
    struct focus_lag lag = {.best_s = 0.5 * (low + high), .low_s = 0.0, .high_s = NAN};
    const double least = rss_at(w, lag.best_s);
    const size_t p = w->n_taken + 1;
    if (w->n <= p) {
        return lag;
    }
    const double t = gsl_cdf_tdist_Pinv(0.975, (double)(w->n - p));
    const double limit = least * (1.0 + t * t / (double)(w->n - p));
    for (size_t i = 0; i < LAGS; i++) {
        if (rss[i] <= limit || lag_of(i) > lag.best_s) {
            break;
        }
        lag.low_s = lag_of(i);
    }
    for (size_t i = LAGS; i-- > 0;) {
        if (rss[i] <= limit || lag_of(i) < lag.best_s) {
            break;
        }
        lag.high_s = lag_of(i);
    }
    return lag;
}

/* dT'/dlag and the same of what a warm start leaves, over steps per K: for the error that the lag
 * puts on the rest. */
static void slope_of_lag(struct focus_work *w, double lag_s) {
    const double step = 60.0;
    const struct focus_column *const k = focus_find(w, FOCUS_TEMPERATURE, 0);
    const double per_K = k && k->is_taken ? w->beta[k->at] : NAN;
    focus_lag_nights(w, lag_s + step, w->slope);
    focus_lag_nights(w, fmax(0.0, lag_s - step), w->lagged);
    for (size_t i = 0; i < w->n; i++) {
        w->slope[i] = (w->slope[i] - w->lagged[i]) / (fmin(lag_s, step) + step);
    }
    focus_lag_nights(w, lag_s, w->lagged);
    for (size_t i = 0; i < w->n && fabs(per_K) > 0.0; i++) {
        const struct focus_column *const c = focus_find(w, FOCUS_WARM, w->night[i]);
        if (c && c->is_taken) {
            const double age = focus_age_lags(w, i);
            w->slope[i] += w->beta[c->at] / per_K * age * exp(-age) / lag_s;
        }
    }
}

/* ---- Weights and refusals ---- */

static double robust_sigma(const struct focus_work *w, double *work) {
    for (size_t i = 0; i < w->n; i++) {
        work[i] = fabs(w->residual[i]);
    }
    /* the fit takes p of n degrees away */
    const double n = (double)w->n;
    const double free_n = fmax(1.0, n - (double)w->n_taken);
    return NW_SIGMA_PER_MAD * nw_stat_median(work, w->n) * sqrt(n / free_n);
}

/* Huber weights to rest, then what is far off goes. true: something went. */
static bool refuse(struct focus_work *w, struct nw_focus_runs *runs, double *work) {
    for (int k = 0; k < 12; k++) {
        const double sigma = robust_sigma(w, work);
        for (size_t i = 0; i < w->n; i++) {
            const double x = fabs(w->residual[i]) / fmax(1e-9, sigma);
            w->weight[i] = x > 1.345 ? 1.345 / x : 1.0; /* Huber 1981, 95 % efficient */
        }
        focus_solve(w);
    }
    /* whole steps: a run is never better than 0.29 of one */
    const double sigma = fmax(0.3, robust_sigma(w, work));
    size_t n = 0;
    for (size_t i = 0; i < w->n; i++) {
        w->weight[i] = 1.0;
        if (fabs(w->residual[i]) > SIGMAS_REFUSED * sigma && w->n > w->n_taken + 2) {
            runs->items[w->run[i]].is_refused = true;
            runs->items[w->run[i]].residual_steps = w->residual[i];
            continue;
        }
        w->run[n] = w->run[i];
        w->night[n] = w->night[i];
        w->reading[n] = w->reading[i];
        w->y[n] = w->y[i];
        n++;
    }
    const bool is_any = n < w->n;
    w->n = n;
    return is_any;
}

/* ---- Setting up ---- */

static enum nw_status note_filter(struct focus_work *w, const char *filter, struct nw_err *err) {
    for (size_t i = 0; i < w->n_filters; i++) {
        if (strcmp(w->filters[i], filter) == 0) {
            return NW_OK;
        }
    }
    if (w->n_filters == NW_FOCUS_FILTERS) {
        return nw_err_set(err, NW_LIMIT, "more than %d filters", NW_FOCUS_FILTERS);
    }
    nw_text_copy(w->filters[w->n_filters++], 32, filter);
    return NW_OK;
}

static void put_reading(struct focus_work *w, double t_s, double temperature_K) {
    if (!isfinite(t_s) || !isfinite(temperature_K)) {
        return;
    }
    size_t at = w->n_t++;
    for (; at > 0 && w->t[at - 1] > t_s; at--) {
        w->t[at] = w->t[at - 1];
        w->temperature[at] = w->temperature[at - 1];
    }
    w->t[at] = t_s;
    w->temperature[at] = temperature_K;
}

/* The runs with a temperature, all of them counting. */
static void place_runs(struct focus_work *w) {
    w->n = 0;
    for (size_t i = 0; i < w->runs->n; i++) {
        const struct nw_focus_run *const run = &w->runs->items[i];
        if (!isfinite(run->temperature_K)) {
            continue;
        }
        size_t night = w->n_nights;
        while (night > 1 && w->night_start_s[night - 1] > run->t_s) {
            night--;
        }
        size_t k = 0;
        while (k + 1 < w->n_t && w->t[k] < run->t_s) {
            k++;
        }
        w->run[w->n] = i;
        w->night[w->n] = night - 1;
        w->reading[w->n] = k;
        w->weight[w->n] = 1.0;
        w->y[w->n++] = run->position_steps;
    }
}

static enum nw_status set_up(struct focus_work *w, const struct nw_focus_frame *frames,
                             size_t n_frames, struct nw_err *err) {
    double last_s = -INFINITY;
    for (size_t i = 0; i < n_frames; i++) {
        put_reading(w, frames[i].t_start_s, frames[i].temperature_K);
    }
    for (size_t i = 0; i < w->runs->n; i++) {
        put_reading(w, w->runs->items[i].t_s, w->runs->items[i].temperature_K);
    }
    for (size_t i = 0; i < w->runs->n; i++) {
        const struct nw_focus_run *const run = &w->runs->items[i];
        if (run->t_s - last_s > FOCUS_NIGHT_GAP_S) {
            if (w->n_nights == FOCUS_NIGHTS) {
                return nw_err_set(err, NW_LIMIT, "more than %d nights", FOCUS_NIGHTS);
            }
            w->night_start_s[w->n_nights++] = run->t_s;
        }
        last_s = run->t_s;
        if (!isfinite(run->temperature_K)) {
            continue;
        }
        const enum nw_status status = note_filter(w, run->filter, err);
        if (status != NW_OK) {
            return status;
        }
    }
    place_runs(w);
    return w->n >= 3 ? NW_OK
                     : nw_err_set(err, NW_DATA,
                                  "%zu focus runs with a temperature, expected 3 or more", w->n);
}

static size_t reference_of(const struct focus_work *w, const char *wanted) {
    size_t best = 0;
    size_t most = 0;
    for (size_t f = 0; f < w->n_filters; f++) {
        size_t n = 0;
        for (size_t i = 0; i < w->n; i++) {
            n += strcmp(w->runs->items[w->run[i]].filter, w->filters[f]) == 0;
        }
        if (wanted && nw_text_equal_nocase(w->filters[f], wanted)) {
            return f;
        }
        if (n > most) {
            most = n;
            best = f;
        }
    }
    return best;
}

/* Weights, refusals and lag to rest. */
static struct focus_lag settle(struct focus_work *w, struct nw_focus_runs *runs, double *scratch,
                               bool is_warm) {
    struct focus_lag lag = {0.0, 0.0, NAN};
    focus_lag_nights(w, 0.0, w->lagged);
    focus_solve(w);
    if (is_warm) { /* without a lag the first runs would look wrong, and be refused */
        lag = profile_lag(w);
    }
    for (int k = 0; k < 3; k++) {
        const bool is_any = refuse(w, runs, scratch);
        lag = profile_lag(w); /* leaves the fit at the best lag */
        if (!is_any && k > 0) {
            break;
        }
    }
    return lag;
}

/* Do tubes that begin warm explain the first runs? The F ratio of their columns over the best fit
 * without them, each with a lag of its own, to 1 %. A lag without an upper end explains nothing. */
static bool is_warm_seen(struct focus_work *w, size_t reference, const struct focus_lag *lag) {
    static const double SURE = 0.01;
    const double rss = w->rss;
    const size_t p = w->n_taken + 1;
    set_columns(w, reference, false);
    (void)profile_lag(w);
    const double n_more = (double)(p - 1 - w->n_taken);
    if (!isfinite(lag->high_s) || w->n <= p || !(n_more > 0.0)) {
        return false;
    }
    const double n_free = (double)(w->n - p);
    const double f = (w->rss - rss) / n_more / (rss / n_free);
    return gsl_cdf_fdist_Q(f, n_more, n_free) < SURE;
}

/* The fit with warm starts, which takes a column a night; false: they are not seen, and the runs
 * are as before. */
static bool settle_warm(struct focus_work *w, struct nw_focus_runs *runs, double *scratch,
                        size_t reference, struct focus_lag *ret) {
    enum { NIGHTS_MOST = 12, RUNS_LEAST = 5 };
    if (w->n_nights > NIGHTS_MOST || w->n < RUNS_LEAST * w->n_nights) {
        return false;
    }
    set_columns(w, reference, true);
    *ret = settle(w, runs, scratch, true);
    const bool is_seen = is_warm_seen(w, reference, ret);
    if (is_seen) {
        set_columns(w, reference, true);
        (void)rss_at(w, ret->best_s);
        return true;
    }
    for (size_t i = 0; i < runs->n; i++) {
        runs->items[i].is_refused = false;
        runs->items[i].residual_steps = NAN;
    }
    place_runs(w);
    return false;
}

static enum nw_status run_fit(struct focus_work *w, struct nw_focus_runs *runs, double *scratch,
                              const char *wanted, struct nw_focus_job *job, struct nw_err *err) {
    const size_t reference = reference_of(w, wanted);
    struct focus_lag lag = {0.0, 0.0, NAN};
    if (!settle_warm(w, runs, scratch, reference, &lag)) {
        set_columns(w, reference, false);
        lag = settle(w, runs, scratch, false);
    }
    if (w->n <= w->n_taken) {
        return nw_err_set(err, NW_DATA,
                          "%zu focus runs do not tell %zu unknowns (nights, temperature, filters): "
                          "more runs",
                          w->n, w->n_taken);
    }
    /* a lag that is surely not nil is used even where it has no upper end: without it the
     * temperature's coefficient would be surely wrong */
    const bool has_room = w->n > w->n_taken + 2;
    const bool is_lag_fitted = isfinite(lag.high_s) && has_room;
    if (is_lag_fitted || (lag.low_s > 0.0 && has_room)) {
        slope_of_lag(w, lag.best_s);
        (void)focus_add_column(w, FOCUS_LAG, 0);
    } else {
        focus_lag_nights(w, 0.0, w->lagged);
    }
    focus_solve(w);
    focus_results(w, &lag, is_lag_fitted, reference, job);
    return NW_OK;
}

enum nw_status nw_focus_fit(struct nw_focus_runs *runs, const struct nw_focus_frame *temperatures,
                            size_t n, const char *reference, struct nw_focus_job *ret,
                            struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct nw_focus_job job = {.n_runs = runs->n, .correlation_time = NAN};
    struct focus_work *const w = nw_calloc(1, sizeof *w);
    const size_t n_t = n + runs->n + 1;
    const size_t n_r = runs->n + 1;
    double *const numbers = nw_calloc(3 * n_t + (FOCUS_COLUMNS + 7) * n_r, sizeof *numbers);
    size_t *const places = nw_calloc(3 * n_r, sizeof *places);
    if (!w || !numbers || !places) {
        status = nw_err_set(err, NW_NOMEM, "%zu focus runs", runs->n);
        goto done;
    }
    w->runs = runs;
    w->t = numbers;
    w->temperature = w->t + n_t;
    w->smooth = w->temperature + n_t;
    w->y = w->smooth + n_t;
    w->weight = w->y + n_r;
    w->residual = w->weight + n_r;
    w->lagged = w->residual + n_r;
    w->slope = w->lagged + n_r;
    double *const scratch = w->slope + n_r;
    w->q = scratch + n_r;
    w->run = places;
    w->night = places + n_r;
    w->reading = places + 2 * n_r;
    status = set_up(w, temperatures, n, err);
    if (status == NW_OK) {
        status = run_fit(w, runs, scratch, reference, &job, err);
    }
    if (status == NW_OK) {
        size_t n_times = 0;
        for (size_t i = 0; i < runs->n; i++) {
            job.n_refused += runs->items[i].is_refused;
            if (isfinite(runs->items[i].duration_s)) {
                scratch[n_times++] = runs->items[i].duration_s;
            }
        }
        job.run_time_s = n_times ? nw_stat_median(scratch, n_times) : NAN;
        *ret = job;
    }
done:
    free(w);
    free(numbers);
    free(places);
    return status;
}
