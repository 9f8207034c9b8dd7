/* there_and_back.c - see there_and_back.h.
 * Holds: the gap is searched from none to the longest train of pulses; a longer one would never let
 * the star move, and is refused as no response. */
#include "guiding/there_and_back.h"

#include <math.h>
#include <stdlib.h>

enum { PULSES_LEAST = 5, TURNS_LEAST = 2, SAMPLES_LEAST = 12, GAPS = 400, PLACES = 11 };
#define WORM_USUAL_S 480.0
#define CHI2_95 3.841

/* ---- Which ---------------------------------------------------------------------------------- */

struct pulses {
    size_t n, n_logged, n_ra, n_dec, n_trains, shortest;
    double longest_s;
    double start_s, end_s;
};

/* Trains: pulses of one sign in a row. */
static struct pulses count(const struct nw_guide_log *log) {
    struct pulses p = {.start_s = NAN, .end_s = NAN, .shortest = SIZE_MAX};
    size_t in_train = 0;
    double sum_s = 0.0;
    int sign = 0;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        if (!isfinite(row->dec_rad)) {
            continue;
        }
        p.start_s = p.n == 0 ? row->t_s : p.start_s;
        p.end_s = row->t_s;
        p.n++;
        p.n_logged += isfinite(row->ra_pulse_s) && isfinite(row->dec_pulse_s);
        p.n_ra += fabs(row->ra_pulse_s) > 0.0;
        if (!(fabs(row->dec_pulse_s) > 0.0)) {
            continue;
        }
        const int now = row->dec_pulse_s > 0.0 ? 1 : -1;
        if (now != sign) {
            p.shortest = sign != 0 && in_train < p.shortest ? in_train : p.shortest;
            p.n_trains++;
            in_train = 0;
            sum_s = 0.0;
            sign = now;
        }
        in_train++;
        p.n_dec++;
        sum_s += fabs(row->dec_pulse_s);
        p.longest_s = fmax(p.longest_s, sum_s);
    }
    p.shortest = in_train < p.shortest ? in_train : p.shortest;
    return p;
}

enum nw_guide_trial nw_guide_trial_of(const struct nw_guide_log *log, double worm_period_s) {
    const struct pulses p = count(log);
    const double worm_s = isfinite(log->worm_period_s) ? log->worm_period_s
                          : worm_period_s > 0.0        ? worm_period_s
                                                       : WORM_USUAL_S;
    if (p.n == 0 || 10 * p.n_logged < 9 * p.n) {
        return NW_GUIDE_TRIAL_NONE;
    }
    if (p.n_ra == 0 && p.n_dec == 0) {
        return p.end_s - p.start_s >= 2.0 * worm_s ? NW_GUIDE_TRIAL_DRIVE_ONLY
                                                   : NW_GUIDE_TRIAL_NONE;
    }
    const bool is_train = p.n_trains > TURNS_LEAST && p.shortest >= PULSES_LEAST;
    return is_train && 10 * p.n_ra <= p.n_dec ? NW_GUIDE_TRIAL_THERE_AND_BACK : NW_GUIDE_TRIAL_NONE;
}

/* ---- The fit -------------------------------------------------------------------------------- */

struct series {
    double *t_s, *y_rad, *motor_s, *axis_s;
    size_t n;
};

/* Motor: the sum of the pulses that had acted when the star was measured. */
static void fill(const struct nw_guide_log *log, bool acts_before, struct series *s) {
    double sum_s = 0.0;
    s->n = 0;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        const double pulse_s = isfinite(row->dec_pulse_s) ? row->dec_pulse_s : 0.0;
        sum_s += acts_before ? pulse_s : 0.0;
        if (isfinite(row->dec_rad)) {
            s->t_s[s->n] = row->t_s;
            s->y_rad[s->n] = row->dec_rad;
            s->motor_s[s->n++] = sum_s;
        }
        sum_s += acts_before ? 0.0 : pulse_s;
    }
}

/* The play operator: the axis follows at either end of the gap. place: of the motor in it, first.
 */
static void play(const struct series *s, double gap_s, double place) {
    double axis_s = s->motor_s[0] - place * gap_s;
    for (size_t i = 0; i < s->n; i++) {
        axis_s = fmax(s->motor_s[i] - gap_s, fmin(s->motor_s[i], axis_s));
        s->axis_s[i] = axis_s;
    }
}

struct line {
    double rss, response, response_variance, drift; /* variance in units of that of the noise */
};

/* Least squares of y on 1, t, axis: means off, then two columns. */
static struct line fit(const struct series *s) {
    const double t0 = nw_stat_mean(s->t_s, s->n);
    const double y0 = nw_stat_mean(s->y_rad, s->n);
    const double a0 = nw_stat_mean(s->axis_s, s->n);
    double tt = 0.0;
    double ta = 0.0;
    double aa = 0.0;
    double ty = 0.0;
    double ay = 0.0;
    double yy = 0.0;
    for (size_t i = 0; i < s->n; i++) {
        const double t = s->t_s[i] - t0;
        const double a = s->axis_s[i] - a0;
        const double y = s->y_rad[i] - y0;
        tt += t * t;
        ta += t * a;
        aa += a * a;
        ty += t * y;
        ay += a * y;
        yy += y * y;
    }
    const double det = tt * aa - ta * ta;
    struct line line = {.rss = INFINITY};
    if (det > 1e-9 * tt * aa && tt > 0.0) {
        line.response = (tt * ay - ta * ty) / det;
        line.drift = (aa * ty - ta * ay) / det;
        line.rss = fmax(0.0, yy - line.response * ay - line.drift * ty);
        line.response_variance = tt / det;
    }
    return line;
}

/* The best first place for a gap. */
static struct line best_place(const struct series *s, double gap_s) {
    struct line best = {.rss = INFINITY};
    for (int i = 0; i < PLACES; i++) {
        play(s, gap_s, (double)i / (PLACES - 1));
        const struct line line = fit(s);
        best = line.rss < best.rss ? line : best;
    }
    return best;
}

struct search {
    double rss[GAPS + 1], step_s;
    struct line best;
    size_t at;
};

static void search(const struct series *s, double longest_s, struct search *ret) {
    ret->step_s = longest_s / GAPS;
    ret->best = (struct line){.rss = INFINITY};
    for (size_t i = 0; i <= GAPS; i++) {
        const struct line line = best_place(s, ret->step_s * (double)i);
        ret->rss[i] = line.rss;
        if (line.rss < ret->best.rss) {
            ret->best = line;
            ret->at = i;
        }
    }
}

/* Ends of the gaps that the profile does not refute (F test of one parameter, large n). */
static void interval(const struct search *s, double variance, struct nw_guide_there_and_back *ret) {
    size_t low = s->at;
    size_t high = s->at;
    while (low > 0 && s->rss[low - 1] - s->best.rss < CHI2_95 * variance) {
        low--;
    }
    while (high < GAPS && s->rss[high + 1] - s->best.rss < CHI2_95 * variance) {
        high++;
    }
    ret->gap_low_s = low > 0 ? s->step_s * ((double)low - 0.5) : 0.0;
    ret->gap_high_s = s->step_s * ((double)high + 0.5);
    ret->gap_sigma_s = (ret->gap_high_s - ret->gap_low_s) / (2.0 * 1.96);
}

enum nw_status nw_guide_there_and_back(const struct nw_guide_log *log,
                                       struct nw_guide_there_and_back *ret, struct nw_err *err) {
    const struct pulses p = count(log);
    struct series s = {.n = 0};
    enum nw_status status = NW_OK;
    if (nw_guide_trial_of(log, NAN) != NW_GUIDE_TRIAL_THERE_AND_BACK || p.n < SAMPLES_LEAST) {
        return nw_err_set(err, NW_DATA,
                          "%s: %zu samples, %zu pulses in declination in %zu trains, %zu in right "
                          "ascension; expected at least three trains of %d, there, back and there, "
                          "and no other",
                          log->path, p.n, p.n_dec, p.n_trains, p.n_ra, PULSES_LEAST);
    }
    double *work = nw_calloc(4 * log->n + 1, sizeof *work);
    struct search *found = nw_calloc(2, sizeof *found);
    if (!work || !found) {
        status = nw_err_set(err, NW_NOMEM, "%zu samples of a guide log", log->n);
        goto done;
    }
    s = (struct series){work, work + log->n, work + 2 * log->n, work + 3 * log->n, 0};
    for (size_t k = 0; k < 2; k++) { /* pulses act after their row, before it */
        found[k].best.rss = INFINITY;
        if (log->pulse_acts == NW_PULSE_ACTS_UNKNOWN ||
            (log->pulse_acts == NW_PULSE_ACTS_BEFORE) == (k == 1)) {
            fill(log, k == 1, &s);
            search(&s, p.longest_s, &found[k]);
        }
    }
    const struct search *const best = &found[found[1].best.rss < found[0].best.rss ? 1 : 0];
    const double variance = best->best.rss / (double)(s.n - 5);
    const double response_sigma = sqrt(variance * best->best.response_variance);
    if (!(fabs(best->best.response) > 3.0 * response_sigma)) {
        status = nw_err_set(
            err, NW_DATA, "%s: the star does not follow the pulses: %.2f +- %.2f arcsec a second",
            log->path, best->best.response * NW_ARCSEC_PER_RAD, response_sigma * NW_ARCSEC_PER_RAD);
        goto done;
    }
    *ret = (struct nw_guide_there_and_back){.n = s.n,
                                            .n_pulses = p.n_dec,
                                            .n_turns = p.n_trains - 1,
                                            .gap_s = best->step_s * (double)best->at,
                                            .response_rad_s = best->best.response,
                                            .response_sigma_rad_s = response_sigma,
                                            .drift_rad_s = best->best.drift,
                                            .noise_rad = sqrt(variance)};
    ret->gap_rad = ret->gap_s * fabs(ret->response_rad_s);
    interval(best, variance, ret);
done:
    free(found);
    free(work);
    return status;
}
