/* curves.c - what the charts of a guide log show; see curves.h.
 * Structure function: Kolmogorov 1941; of a random walk it grows as the root of the lag, of white
 * noise it is flat at root two times its sigma. */
#include "guiding/curves.h"

#include <math.h>

#include "guiding/guiding_internal.h"

enum { PAIRS_MIN = 20 };
static const double LAG_MOST_s = 3600.0;

void nw_guide_curves_free(struct nw_guide_curves *curves) {
    if (curves) {
        free(curves->t_s);
        free(curves->ra_rad);
        free(curves->dec_rad);
        free(curves);
    }
}

/* Kept samples, a NaN row in front of every stretch but the first. */
static enum nw_status collect(const struct nw_guide_log *log, const struct guide_cut *cut,
                              struct nw_guide_curves *c, struct nw_err *err) {
    const size_t room = 2 * cut->n_keep + 1;
    c->t_s = nw_calloc(room, sizeof *c->t_s);
    c->ra_rad = nw_calloc(room, sizeof *c->ra_rad);
    c->dec_rad = nw_calloc(room, sizeof *c->dec_rad);
    if (!c->t_s || !c->ra_rad || !c->dec_rad) {
        return nw_err_set(err, NW_NOMEM, "%zu samples of a chart", room);
    }
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        if (!cut->keep[i]) {
            continue;
        }
        if (cut->starts[i] && c->n > 0) {
            c->t_s[c->n] = row->t_s;
            c->ra_rad[c->n] = NAN;
            c->dec_rad[c->n++] = NAN;
        }
        c->t_s[c->n] = row->t_s;
        c->ra_rad[c->n] = row->ra_rad;
        c->dec_rad[c->n++] = row->dec_rad;
    }
    return NW_OK;
}

/* One lag; the number of pairs. For every sample the one nearest to lag_s later, within half a
 * step: both ends move forward only. Samples of different stretches pair too: both are against the
 * lock point. */
static size_t add_lag(const struct nw_guide_curves *c, double lag_s, double interval_s,
                      double ret[static 3]) {
    double sums[3] = {0.0, 0.0, 0.0};
    size_t n = 0;
    size_t j = 0;
    for (size_t i = 0; i < c->n; i++) {
        const double want_s = c->t_s[i] + lag_s;
        while (j + 1 < c->n && fabs(c->t_s[j + 1] - want_s) <= fabs(c->t_s[j] - want_s)) {
            j++;
        }
        const double ra = c->ra_rad[j] - c->ra_rad[i];
        const double dec = c->dec_rad[j] - c->dec_rad[i];
        if (j > i && fabs(c->t_s[j] - want_s) <= 0.5 * interval_s && isfinite(ra) &&
            isfinite(dec)) {
            sums[0] += c->t_s[j] - c->t_s[i];
            sums[1] += ra * ra;
            sums[2] += dec * dec;
            n++;
        }
    }
    if (n >= PAIRS_MIN) {
        ret[0] = sums[0] / (double)n;
        ret[1] = sqrt(sums[1] / (double)n);
        ret[2] = sqrt(sums[2] / (double)n);
    }
    return n;
}

/* Lags even in the logarithm, at whole steps, so dense that a worm's swing shows as one to the last
 * (2 % apart). */
static void find_lags(struct nw_guide_curves *c, double interval_s) {
    const double longest_s = fmin(LAG_MOST_s, (c->t_s[c->n - 1] - c->t_s[0]) / 3.0);
    const double top = fmax(2.0, longest_s / interval_s);
    long last = 0;
    for (int step = 0; step < NW_GUIDE_LAGS; step++) {
        const long k = lround(pow(top, (double)step / (NW_GUIDE_LAGS - 1)));
        double values[3] = {NAN, NAN, NAN};
        if (k > last && add_lag(c, (double)k * interval_s, interval_s, values) >= PAIRS_MIN) {
            const size_t at = c->lags.n++;
            c->lags.lag_s[at] = values[0];
            c->lags.ra_rad[at] = values[1];
            c->lags.dec_rad[at] = values[2];
        }
        last = k > last ? k : last;
    }
}

/* ---- Worm turn ---- */

static void set_curves(const struct nw_guide_worm *worm, double to_sky, double zero_rad,
                       struct nw_guide_fold *fold) {
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        fold->without_rad[b] = 0.0;
        fold->left_rad[b] = 0.0;
        for (size_t i = 0; i < worm->n; i++) {
            const struct nw_guide_period *const p = &worm->periods[i];
            if (p->harmonic > 0) {
                const double turn = (double)p->harmonic * (fold->angle_rad[b] - zero_rad);
                fold->without_rad[b] += to_sky * p->amplitude_rad * sin(turn + p->phase_rad);
                fold->left_rad[b] +=
                    isfinite(p->left_rad) ? p->left_rad * sin(turn + p->left_phase_rad) : 0.0;
            }
        }
    }
}

/* The straight line through the errors: of a log without corrections it would hide the turn. */
static double slope_of(const struct nw_guide_curves *c) {
    double n = 0.0;
    double t_s = 0.0; /* means so far, and sums of products about them */
    double e_rad = 0.0;
    double tt = 0.0;
    double te = 0.0;
    for (size_t i = 0; i < c->n; i++) {
        if (isfinite(c->ra_rad[i])) {
            const double dt = c->t_s[i] - t_s;
            n += 1.0;
            t_s += dt / n;
            e_rad += (c->ra_rad[i] - e_rad) / n;
            tt += dt * (c->t_s[i] - t_s);
            te += dt * (c->ra_rad[i] - e_rad);
        }
    }
    return tt > 0.0 ? te / tt : 0.0;
}

/* Means and their sigmas by angle of the turn. */
static void fold_errors(const struct nw_guide_curves *c, double epoch_s, double zero_rad,
                        struct nw_guide_fold *fold) {
    double sums[NW_GUIDE_FOLD_BINS] = {0.0};
    double squares[NW_GUIDE_FOLD_BINS] = {0.0};
    const double slope_rad_s = slope_of(c);
    for (size_t i = 0; i < c->n; i++) {
        const double turns = (c->t_s[i] - epoch_s) / fold->period_s + zero_rad / (2.0 * NW_PI);
        const size_t bin = (size_t)((turns - floor(turns)) * NW_GUIDE_FOLD_BINS);
        if (isfinite(c->ra_rad[i]) && bin < NW_GUIDE_FOLD_BINS) {
            const double e_rad = c->ra_rad[i] - slope_rad_s * (c->t_s[i] - epoch_s);
            fold->count[bin]++;
            sums[bin] += e_rad;
            squares[bin] += e_rad * e_rad;
        }
    }
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        const double n = (double)fold->count[b];
        fold->mean_rad[b] = n > 0.0 ? sums[b] / n : NAN;
        fold->sigma_rad[b] =
            n > 1.0 ? sqrt(fmax(0.0, squares[b] / n - fold->mean_rad[b] * fold->mean_rad[b]) /
                           (n - 1.0))
                    : NAN;
    }
}

static void find_fold(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                      struct nw_guide_curves *c) {
    const struct nw_guide_worm *const worm = &a->worm;
    struct nw_guide_fold *const fold = &c->fold;
    const struct nw_guide_period *first = NULL;
    for (size_t i = 0; i < worm->n && !first; i++) {
        first = worm->periods[i].harmonic == 1 ? &worm->periods[i] : NULL;
    }
    fold->is_found = first != NULL;
    fold->period_s = first ? first->period_s : log->worm_period_s;
    fold->is_keyed = first && isfinite(first->axis_phase_rad);
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        fold->angle_rad[b] = 2.0 * NW_PI * ((double)b + 0.5) / NW_GUIDE_FOLD_BINS;
    }
    if (!(fold->period_s > 0.0)) {
        fold->period_s = NAN;
        return;
    }
    const double epoch_s = first ? worm->epoch_s : 0.5 * (c->t_s[0] + c->t_s[c->n - 1]);
    const double zero_rad = fold->is_keyed ? first->phase_rad - first->axis_phase_rad : 0.0;
    fold_errors(c, epoch_s, zero_rad, fold);
    if (first) {
        set_curves(worm, worm->is_at_axis ? cos(log->declination_rad) : 1.0, zero_rad, fold);
    }
}

enum nw_status nw_guide_curves_new(const struct nw_guide_log *log,
                                   const struct nw_guide_analysis *analysis,
                                   struct nw_guide_curves **ret, struct nw_err *err) {
    struct guide_cut cut = {0};
    struct nw_guide_curves *c = nw_calloc(1, sizeof *c);
    enum nw_status status = c ? nw_guide_cut(log, &cut, err) : nw_err_set(err, NW_NOMEM, "curves");
    if (status == NW_OK) {
        status = collect(log, &cut, c, err);
    }
    if (status == NW_OK && c->n < 2) {
        status = nw_err_set(err, NW_DATA, "%s: no two samples to draw", log->path);
    }
    if (status == NW_OK) {
        find_lags(c, cut.interval_s);
        find_fold(log, analysis, c);
        *ret = c;
        c = NULL;
    }
    nw_guide_cut_done(&cut);
    nw_guide_curves_free(c);
    return status;
}
