/* polar_log.c - what a guide log says for the polar axis: stretches of open-loop declination, moves
 * of the lock point at dithers.
 * Idea: within a stretch the star's way without pulses is the error less what the axis did; the
 * axis is the sum of the pulses, behind the play of its gears where that is known. Dithers are cut
 * out, since the lock point moves there, but the pulses in them move the gears all the same.
 * Holds: stretches do not overlap; each has at least 20 samples. */
#include <math.h>

#include "guiding/guiding_internal.h"
#include "guiding/polar.h"

#define STRETCH_MOST_s 600.0
#define RESPONSE_ASSUMED_SIGMA                                                                     \
    0.15 /* common practice, no source: guide rates act at 85 to 100 %                             \
          */
enum { SAMPLES_LEAST = 20, BEFORE = 5 };

/* One axis, all kept samples. */
struct way {
    double *memory;
    struct guide_series s; /* x: what the pulses did to the axis, per unit of b */
    bool *starts;
};

static enum nw_status way_init(size_t n, struct way *w, struct nw_err *err) {
    w->memory = nw_calloc(4 * (n + 1), sizeof *w->memory);
    w->starts = nw_calloc(n + 1, sizeof *w->starts);
    if (!w->memory || !w->starts) {
        return nw_err_set(err, NW_NOMEM, "%zu guide samples", n);
    }
    w->s = (struct guide_series){.t_s = w->memory,
                                 .e_rad = w->memory + n + 1,
                                 .x = w->memory + 2 * (n + 1),
                                 .known = w->memory + 3 * (n + 1),
                                 .starts = w->starts};
    return NW_OK;
}

static void way_done(struct way *w) {
    free(w->memory);
    free(w->starts);
}

/* Gears with play: the axis follows the motor at either end of the gap. */
static void follow(double *axis, double motor, double gap) {
    *axis = fmin(motor + 0.5 * gap, fmax(motor - 0.5 * gap, *axis));
}

static void fill_way(const struct nw_guide_log *log, const struct guide_cut *cut, double gap_s,
                     enum nw_pulse_acts acts, struct way *w) {
    double motor = 0.0;
    double axis = 0.0;
    size_t n = 0;
    bool is_broken = true;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        const double p = isfinite(row->dec_pulse_s) ? row->dec_pulse_s : 0.0;
        motor += acts == NW_PULSE_ACTS_BEFORE ? p : 0.0;
        follow(&axis, motor, gap_s);
        is_broken = is_broken || cut->starts[i];
        if (cut->keep[i]) {
            w->s.t_s[n] = row->t_s;
            w->s.e_rad[n] = row->dec_rad;
            w->s.x[n] = axis;
            w->starts[n++] = is_broken;
            is_broken = false;
        }
        motor += acts == NW_PULSE_ACTS_BEFORE ? 0.0 : p;
        follow(&axis, motor, gap_s);
    }
    w->s.n = n;
    w->s.dt0_s = cut->interval_s;
}

/* Where no pulse was sent any rate does. */
static double rate_of(const struct nw_guide_log *log, char why[static 160]) {
    return nw_guide_count_pulses(log, true).n_sent > 0 ? nw_guide_rate(log, true, why)
                                                       : NW_SIDEREAL_RATE_RAD_S;
}

static const char *why_none(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                            double hour_at_zero_rad, char rate_why[static 160]) {
    if (a->dec.why_null[0] && a->n_used < GUIDE_SAMPLES_MIN) {
        return "the log is too short";
    }
    if (!nw_guide_count_pulses(log, true).are_logged) {
        return GUIDE_NOT_LOGGED;
    }
    if (!log->is_dec_sign_known) {
        return "axes of the mount: north or south needs `# tube_side: east|west`";
    }
    if (!isfinite(log->declination_rad)) {
        return "the declination is not known: `# declination_deg: ...` or frames that say it";
    }
    if (!isfinite(hour_at_zero_rad)) {
        return "the hour angle is not known: `# hour_angle_h: ...`, or frames with coordinates";
    }
    return isfinite(rate_of(log, rate_why)) ? NULL : rate_why;
}

struct stretch_opts {
    struct guide_fit fit;
    double response_sigma, hour_at_zero_rad, dec_rad;
};

static void take_stretch(const struct guide_series *all, size_t first, size_t last,
                         const struct stretch_opts *opts, struct nw_polar_drift *list, size_t *n) {
    if (last - first < SAMPLES_LEAST) {
        return;
    }
    struct guide_series part = *all;
    part.n = last - first;
    part.t_s += first;
    part.e_rad += first;
    part.x += first;
    part.known += first;
    part.starts += first;
    double rate = NAN;
    double sigma = NAN;
    nw_guide_drift(&part, &opts->fit, &rate, &sigma);
    const double length_s = part.t_s[part.n - 1] - part.t_s[0];
    if (isfinite(rate) && sigma > 0.0 && length_s > 0.0) {
        list[(*n)++] = (struct nw_polar_drift){
            .dec_rad = opts->dec_rad,
            .hour_start_rad = opts->hour_at_zero_rad + NW_SIDEREAL_RATE_RAD_S * part.t_s[0],
            .hour_end_rad = opts->hour_at_zero_rad + NW_SIDEREAL_RATE_RAD_S * part.t_s[part.n - 1],
            .moved_rad = rate * length_s,
            .sigma_rad = sigma * length_s,
            .pulsed_rad = opts->fit.b * (part.x[0] - part.x[part.n - 1]),
            .response_sigma = opts->response_sigma};
    }
}

static void cut_up(const struct guide_series *s, const struct stretch_opts *opts,
                   struct nw_polar_drift *list, size_t *n) {
    size_t first = 0;
    for (size_t k = 1; k <= s->n; k++) {
        if (k == s->n || s->starts[k] || s->t_s[k] - s->t_s[first] > STRETCH_MOST_s) {
            take_stretch(s, first, k, opts, list, n);
            first = k;
        }
    }
}

enum nw_status nw_polar_stretches(const struct nw_guide_log *log,
                                  const struct nw_guide_analysis *analysis,
                                  const struct nw_polar_stretch_opts *how,
                                  struct nw_polar_drift **ret, size_t *ret_n, char why[160],
                                  struct nw_err *err) {
    struct guide_cut cut = {0};
    struct way way = {0};
    struct nw_polar_drift *list = NULL;
    size_t n = 0;
    char rate_why[160];
    const char *none = why_none(log, analysis, how->hour_at_zero_rad, rate_why);
    why[0] = 0;
    enum nw_status status = nw_guide_cut(log, &cut, err);
    if (status == NW_OK) {
        status = way_init(cut.n_keep, &way, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    list = nw_calloc(cut.n_keep / SAMPLES_LEAST + 2, sizeof *list);
    if (!list) {
        status = nw_err_set(err, NW_NOMEM, "stretches of %zu samples", cut.n_keep);
        goto done;
    }
    if (!none) {
        const struct nw_guide_axis *dec = &analysis->dec;
        const bool is_learnt = dec->response > 0.0 && !dec->is_response_assumed;
        const double rate = rate_of(log, rate_why);
        struct guide_fit_opts fit_opts = {.b_fixed = is_learnt ? rate * dec->response : rate,
                                          .is_wander_fixed = true};
        fill_way(log, &cut, how->gap_rad > 0.0 ? how->gap_rad / fit_opts.b_fixed : 0.0,
                 analysis->pulse_acts, &way);
        const struct stretch_opts opts = {.fit = nw_guide_fit_loop(&way.s, &fit_opts),
                                          .response_sigma =
                                              is_learnt && dec->response_sigma > 0.0
                                                  ? dec->response_sigma / dec->response
                                                  : RESPONSE_ASSUMED_SIGMA,
                                          .hour_at_zero_rad = how->hour_at_zero_rad,
                                          .dec_rad = log->declination_rad};
        cut_up(&way.s, &opts, list, &n);
        none = n > 0 ? NULL : "no undisturbed stretch of 20 samples";
    }
    if (none) {
        (void)snprintf(why, 160, "%s", none);
    }
    *ret = list;
    *ret_n = n;
    list = NULL;
done:
    free(list);
    way_done(&way);
    nw_guide_cut_done(&cut);
    return status;
}

/* Mean error of the last stars before a time; NaN when the nearest is farther than 20 s. */
static bool mean_before(const struct nw_guide_log *log, size_t at, double *ret_e, double *ret_n) {
    double sum[2] = {0.0, 0.0};
    size_t n = 0;
    const double t_s = log->rows[at].t_s;
    for (size_t back = 1; back <= at && n < BEFORE; back++) {
        const struct nw_guide_row *row = &log->rows[at - back];
        if (t_s - row->t_s > 20.0 + 3.0 * BEFORE) {
            break;
        }
        if (isfinite(row->ra_rad) && isfinite(row->dec_rad)) {
            sum[0] += row->ra_rad;
            sum[1] += row->dec_rad;
            n++;
        }
    }
    *ret_e = n ? sum[0] / (double)n : NAN;
    *ret_n = n ? sum[1] / (double)n : NAN;
    return n > 0;
}

void nw_guide_moves(const struct nw_guide_log *log, const struct nw_guide_analysis *analysis,
                    struct nw_guide_move *ret) {
    size_t at = 0;
    const double noise = hypot(analysis->ra.rms_logged_rad, analysis->dec.rms_logged_rad);
    for (size_t i = 0; i < analysis->n_dithers; i++) {
        const double t_s = analysis->dithers[i].start_s;
        ret[i] =
            (struct nw_guide_move){.t_s = t_s, .east_rad = NAN, .north_rad = NAN, .sigma_rad = NAN};
        while (at < log->n && log->rows[at].t_s < t_s) {
            at++;
        }
        size_t next = at;
        while (next < log->n &&
               (!isfinite(log->rows[next].ra_rad) || !isfinite(log->rows[next].dec_rad))) {
            next++;
        }
        double e = NAN;
        double n = NAN;
        if (next < log->n && log->rows[next].t_s - t_s < 20.0 && mean_before(log, at, &e, &n)) {
            ret[i].east_rad = -(log->rows[next].ra_rad - e);
            ret[i].north_rad = -(log->rows[next].dec_rad - n);
            ret[i].sigma_rad = noise;
        }
    }
}
