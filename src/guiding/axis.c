/* axis.c - what can be said of one axis: rms, noise bound, ringing, loop, response, drift.
 * Idea: the loop model decides; where it cannot (few samples, no pulses, a rate not given) the
 * field stays NaN and a sentence says what is missing. Holds: response = b / (rate on the sky);
 * right ascension moves rate * cos dec on the sky. */
#include <math.h>

#include "guiding/backlash.h"
#include "guiding/filter.h"
#include "guiding/worm.h"

#define RESPONSE_SIGMA_MAX 0.25 /* relative; beyond, the log does not tell the response */
#define SHAKE_MEMORY 0.66       /* from sample to sample; seeing of 0.2 and gears together: 0.6 */
#define AIR_MEMORY 0.5          /* more is not of the air alone */
#define NOISE_MEMORY_LEAST 0.06 /* twice the error of a memory of 0 in 2 h at 2 s */
#define LN_R_SIGMA_MAX 1.0      /* beyond, noise and motion are not told apart */
/* Seeing outlasts an exposure a little. A memory of 0.2 from sample to sample leaves so much of the
 * variance in second differences: (6 - 8 rho + 2 rho^2) / 6. */
#define MEMORY_LEFT ((6.0 - 8.0 * 0.2 + 2.0 * 0.2 * 0.2) / 6.0)

static double pulse_of(const struct nw_guide_row *row, bool is_dec) {
    return is_dec ? row->dec_pulse_s : row->ra_pulse_s;
}

struct guide_pulses nw_guide_count_pulses(const struct nw_guide_log *log, bool is_dec) {
    struct guide_pulses pulses = {0};
    for (size_t i = 0; i < log->n; i++) {
        const double p = pulse_of(&log->rows[i], is_dec);
        pulses.are_logged = pulses.are_logged || isfinite(p);
        pulses.n_sent += isfinite(p) && fabs(p) > 0.0 ? 1 : 0;
    }
    return pulses;
}

void nw_guide_fill(const struct nw_guide_log *log, const struct guide_cut *cut, bool is_dec,
                   enum nw_pulse_acts acts, struct guide_series *s) {
    const bool are_logged = nw_guide_count_pulses(log, is_dec).are_logged;
    double path = 0.0;
    s->n = 0;
    s->dt0_s = cut->interval_s;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        const double e = is_dec ? row->dec_rad : row->ra_rad;
        const double p = pulse_of(row, is_dec);
        const double sent = !are_logged ? 0.0 : isfinite(p) ? p : 0.0;
        if (acts == NW_PULSE_ACTS_BEFORE) {
            path += sent;
        }
        if (cut->keep[i]) {
            s->t_s[s->n] = row->t_s;
            s->e_rad[s->n] = e;
            s->starts[s->n] = cut->starts[i];
            s->x[s->n++] = path;
            path -= are_logged ? 0.0 : e; /* the assumed proportional loop, gain b */
        }
        if (acts != NW_PULSE_ACTS_BEFORE) {
            path += sent;
        }
    }
}

double nw_guide_uncorrelated_var(const struct guide_series *s, double b, double *ret_rel_sigma) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t k = 2; k < s->n; k++) {
        const double dt1 = s->t_s[k] - s->t_s[k - 1];
        const double dt0 = s->t_s[k - 1] - s->t_s[k - 2];
        if (s->starts[k] || s->starts[k - 1] || fabs(dt1 - dt0) > 0.5 * s->dt0_s) {
            continue;
        }
        const double d = (s->e_rad[k] - b * s->x[k]) - 2.0 * (s->e_rad[k - 1] - b * s->x[k - 1]) +
                         (s->e_rad[k - 2] - b * s->x[k - 2]);
        sum += d * d;
        n++;
    }
    if (n < 10) {
        *ret_rel_sigma = NAN;
        return NAN;
    }
    /* correlations of the differences of white noise: 1, -4/6, 1/6; 2 (1 + 2 (16 + 1)/36) = 3.89 */
    *ret_rel_sigma = sqrt(3.89 / (double)n);
    return sum / (6.0 * (double)n); /* 1 + 4 + 1 */
}

bool nw_guide_is_ringing(const struct guide_series *s) {
    enum { LAGS = 21 };
    double sum[LAGS] = {0};
    double mean = nw_stat_mean(s->e_rad, s->n);
    size_t n_in_run = 0;
    for (size_t k = 0; k < s->n; k++) {
        n_in_run = s->starts[k] ? 0 : n_in_run + 1;
        for (size_t lag = 0; lag < LAGS && lag <= n_in_run && lag <= k; lag++) {
            sum[lag] += (s->e_rad[k] - mean) * (s->e_rad[k - lag] - mean);
        }
    }
    if (s->n < 60 || !(sum[0] > 0.0)) {
        return false;
    }
    for (size_t lag = 1; 2 * lag < LAGS; lag++) {
        /* half a period against, a whole period with: hardly damped */
        if (sum[lag] < -0.4 * sum[0] && sum[2 * lag] > 0.3 * sum[0]) {
            return true;
        }
    }
    return false;
}

static void logged(const struct guide_series *s, double *scratch, struct nw_guide_axis *axis) {
    axis->n = s->n;
    axis->mean_rad = nw_stat_mean(s->e_rad, s->n);
    double sum = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        sum += s->e_rad[k] * s->e_rad[k];
        scratch[k] = fabs(s->e_rad[k]);
    }
    axis->rms_logged_rad = sqrt(sum / (double)s->n);
    axis->p99_rad = nw_stat_quantile(scratch, s->n, 0.99);
}

/* Mean correction per error of the pulses that were sent; the path has both kinds of log (pulse
 * before or after its row) on the same steps. */
static double gain_of(const struct guide_series *s, double b) {
    double sum_pe = 0.0;
    double sum_ee = 0.0;
    for (size_t k = 1; k < s->n; k++) {
        if (!s->starts[k]) { /* x[k] - x[k-1] is the pulse that answered e[k-1], at delay 1 */
            sum_pe += (s->x[k] - s->x[k - 1]) * s->e_rad[k - 1];
            sum_ee += s->e_rad[k - 1] * s->e_rad[k - 1];
        }
    }
    return sum_ee > 0.0 ? -b * sum_pe / sum_ee : NAN;
}

double nw_guide_rate(const struct nw_guide_log *log, bool is_dec, char why[static 160]) {
    const double rate = is_dec ? log->dec_rate_rad_s : log->ra_rate_rad_s;
    if (!isfinite(rate)) {
        (void)snprintf(why, 160, "the guide rate is not given: add `# %s_rate_arcsec_per_s: ...`",
                       is_dec ? "dec" : "ra");
        return NAN;
    }
    if (!is_dec && !isfinite(log->declination_rad)) {
        (void)snprintf(why, 160, "the rate on the sky needs `# declination_deg: ...`");
        return NAN;
    }
    return is_dec ? rate : rate * cos(log->declination_rad);
}

/* Fits the loop with logged pulses: their effect b learnt from dithers, else from the rate given,
 * else left to the likelihood, which noise with memory misleads (see response.c): *ret_is_told. */
static struct guide_fit fit_with_pulses(const struct nw_guide_log *log,
                                        const struct guide_series *s,
                                        const struct guide_axis_opts *opts, double r_floor_rad2,
                                        struct nw_guide_axis *axis, bool *ret_is_told) {
    static const struct guide_play rigid = {.up = 1.0, .down = 1.0};
    double rel = NAN;
    const double rate = nw_guide_rate(log, opts->is_dec, axis->why_response);
    const double noise_rad = sqrt(nw_guide_uncorrelated_var(s, 0.0, &rel));
    nw_guide_play_rows(log, opts->is_dec, opts->acts, &rigid, opts->scratch);
    const struct guide_response learnt =
        nw_guide_learn_response(log, opts->cut, opts->is_dec, opts->scratch, noise_rad);
    struct guide_fit_opts fit_opts = {.b_fixed = rate, .r_floor_rad2 = r_floor_rad2};
    *ret_is_told = learnt.b > 0.0 && learnt.b_sigma < RESPONSE_SIGMA_MAX * learnt.b;
    if (*ret_is_told) {
        fit_opts.b_fixed = learnt.b;
        axis->response = learnt.b / rate; /* NaN without a rate: the reason stands already */
        axis->response_sigma = learnt.b_sigma / rate;
        axis->response_up = learnt.up / rate;
        axis->response_up_sigma = learnt.up_sigma / rate;
        axis->response_down = learnt.down / rate;
        axis->response_down_sigma = learnt.down_sigma / rate;
    } else if (isfinite(rate)) {
        axis->is_response_assumed = true;
        (void)snprintf(
            axis->why_response, sizeof axis->why_response,
            "%zu large pulses after dithers; %d are needed (those of a quiet loop follow "
            "noise); taken as 1",
            learnt.n_steps, GUIDE_STEPS_MIN);
    }
    struct guide_fit fit = nw_guide_fit_loop(s, &fit_opts);
    fit.b_sigma = *ret_is_told ? learnt.b_sigma : fit.b_sigma;
    *ret_is_told = *ret_is_told || isfinite(rate);
    return fit;
}

static struct guide_fit fit_without_pulses(const struct guide_series *s, bool is_unguided,
                                           double r_floor_rad2) {
    struct guide_fit_opts opts = {.b_fixed = is_unguided ? 0.0 : NAN, .r_floor_rad2 = r_floor_rad2};
    struct guide_fit fit = nw_guide_fit_loop(s, &opts);
    if (!is_unguided &&
        !(fit.b > 0.0 && fit.b < 2.0)) { /* no loop to be seen, or none that holds */
        opts.b_fixed = 0.0;
        fit = nw_guide_fit_loop(s, &opts);
    }
    return fit;
}

static void take_noise(const struct guide_series *s, const struct guide_fit *fit,
                       double r_floor_rad2, struct nw_guide_axis *axis) {
    double rel = NAN;
    const double var = nw_guide_uncorrelated_var(s, fit->b, &rel);
    axis->noise_rad = sqrt(fit->r_rad2);
    if (fit->ln_r_sigma <= LN_R_SIGMA_MAX) {
        axis->noise_low_rad = axis->noise_rad * exp(-0.98 * fit->ln_r_sigma);
        axis->noise_high_rad = axis->noise_rad * exp(0.98 * fit->ln_r_sigma);
    } else { /* none seen, or not told apart from the walk */
        axis->noise_low_rad = sqrt(r_floor_rad2);
        axis->noise_high_rad = axis->noise_rad;
    }
    /* one-sided 95 % */
    axis->uncorrelated_rad =
        fmax(sqrt(var * (1.0 + 1.645 * rel) / MEMORY_LEFT), axis->noise_high_rad);
    axis->noise_high_rad =
        fit->ln_r_sigma <= LN_R_SIGMA_MAX ? axis->noise_high_rad : axis->uncorrelated_rad;
    if (axis->is_loop_inferred && !(fit->ln_r_sigma <= LN_R_SIGMA_MAX)) {
        axis->noise_rad = NAN; /* gain and noise are not told apart: 0 would be a lie */
    }
}

/* A better variance of the noise: its interval goes along, unless the loop model saw no noise and
 * the interval is that of all that could be. */
static void take_noise_of(double noise_rad2, const struct guide_fit *fit,
                          struct nw_guide_axis *axis) {
    const double noise_rad = sqrt(noise_rad2);
    if (fit->ln_r_sigma <= LN_R_SIGMA_MAX) {
        axis->noise_low_rad *= noise_rad / axis->noise_rad;
        axis->noise_high_rad *= noise_rad / axis->noise_rad;
    } else {
        axis->noise_high_rad = fmax(axis->noise_high_rad, noise_rad);
    }
    axis->noise_rad = noise_rad;
}

/* The closer look that drift takes at the noise. Shake with a memory of over two thirds is motion,
 * which the walk of the loop model took for noise in part (0.92 of the motion came out for gears of
 * 8 s at steps of 2 s). Noise with a memory rho is not independent of the motion any more: the loop
 * of gain g answers n[k] and n[k+1] is alike, E[y n] = -r g rho / (1 - (1 - g) rho) (geometric
 * series of y[k+1] = (1 - g) y[k] - g n[k]), so that var(e) = var(y) + r + 2 E[y n] (0.95 came out
 * for a memory of 0.2). */
static void look_closer(const struct guide_series *s, const struct guide_drift *drift,
                        const struct guide_fit *fit, struct nw_guide_axis *axis) {
    const double rho = drift->memory;
    if (isfinite(drift->white_rad2)) {
        if (rho > SHAKE_MEMORY && drift->white_rad2 < fit->r_rad2) {
            axis->noise_adds_rad2 = drift->white_rad2;
            axis->shake_rad = sqrt(drift->noise_rad2 - drift->white_rad2);
            axis->shake_s = -s->dt0_s / log(rho);
            take_noise_of(drift->white_rad2, fit, axis);
        }
        return;
    }
    axis->noise_memory = rho;
    const double gain = fmin(fmax(axis->pulse_gain, 0.0), 1.0);
    if (rho > NOISE_MEMORY_LEAST && rho < AIR_MEMORY && isfinite(gain)) {
        const double both = -gain * rho / (1.0 - (1.0 - gain) * rho);
        axis->noise_adds_rad2 = drift->noise_rad2 * (1.0 + 2.0 * both);
        take_noise_of(drift->noise_rad2, fit, axis);
    }
}

static enum nw_status take_drift(const struct guide_series *s, const struct guide_fit *fit,
                                 bool is_gap_told, struct nw_guide_axis *axis, struct nw_err *err) {
    struct guide_drift drift;
    const struct guide_known_b known = {
        .sigma = axis->is_response_assumed ? GUIDE_SIGMA_RATE * fit->b : fit->b_sigma,
        .is_from_these = is_gap_told};
    const enum nw_status status = nw_guide_find_drift(s, fit, known, &drift, err);
    if (status == NW_OK) {
        axis->drift_rad_s = drift.rate_rad_s;
        axis->drift_sigma_rad_s = drift.sigma_rad_s;
        look_closer(s, &drift, fit, axis);
    }
    return status;
}

/* Looks for the worm and fits the loop once more without it. */
static enum nw_status take_worm(const struct nw_guide_log *log, struct guide_series *s,
                                double r_floor_rad2, struct nw_guide_worm *worm,
                                struct guide_fit *fit, struct nw_err *err) {
    const struct guide_worm_opts worm_opts = {
        .b = fit->b, .b_sigma = fit->b_sigma, .period_s = log->worm_period_s};
    const enum nw_status status = nw_guide_find_worm(log, s, &worm_opts, worm, err);
    if (status == NW_OK && worm->n > 0) {
        const double b_sigma = fit->b_sigma;
        const struct guide_fit_opts opts = {.b_fixed = fit->b, .r_floor_rad2 = r_floor_rad2};
        *fit = nw_guide_fit_loop(s, &opts);
        fit->b_sigma = b_sigma;
    }
    return status;
}

/* Play of the gears; where it is told, its path takes the place of the plain sum of pulses. */
static enum nw_status take_backlash(const struct nw_guide_log *log, struct guide_series *s,
                                    const struct guide_axis_opts *opts, double r_floor_rad2,
                                    struct nw_guide_axis *axis, struct guide_fit *fit,
                                    struct nw_err *err) {
    struct guide_gears_opts gears = {.opts = opts, .axis = axis, .b = fit->b};
    bool is_path_new = false;
    const enum nw_status status =
        nw_guide_find_backlash(log, s, &gears, opts->backlash, &is_path_new, err);
    if (status == NW_OK && is_path_new) {
        const struct guide_fit_opts fit_opts = {.b_fixed = gears.b, .r_floor_rad2 = r_floor_rad2};
        *fit = nw_guide_fit_loop(s, &fit_opts);
        fit->b_sigma = gears.b_sigma;
    }
    return status;
}

static void say_no_backlash(const char *why, struct nw_guide_backlash *backlash) {
    (void)snprintf(backlash->why_null, sizeof backlash->why_null, "%.190s", why);
}

/* Worm and backlash, or why not: without open-loop motion there is neither. */
static enum nw_status take_extras(const struct nw_guide_log *log, struct guide_series *s,
                                  const struct guide_axis_opts *opts, bool is_open_told,
                                  struct nw_guide_axis *axis, struct guide_fit *fit,
                                  struct nw_err *err) {
    const struct guide_pulses pulses = nw_guide_count_pulses(log, opts->is_dec);
    const double floor_rad2 =
        opts->noise_floor_rad > 0.0 ? opts->noise_floor_rad * opts->noise_floor_rad : 0.0;
    const char *why = pulses.are_logged ? axis->why_response : GUIDE_NOT_LOGGED;
    enum nw_status status = NW_OK;
    if (opts->worm && is_open_told) {
        status = take_worm(log, s, floor_rad2, opts->worm, fit, err);
    } else if (opts->worm) {
        (void)snprintf(opts->worm->why_null, sizeof opts->worm->why_null, "%.150s", why);
    }
    if (status == NW_OK && opts->backlash && is_open_told && pulses.n_sent > 0) {
        status = take_backlash(log, s, opts, floor_rad2, axis, fit, err);
    } else if (opts->backlash) {
        say_no_backlash(why, opts->backlash);
    }
    return status;
}

enum nw_status nw_guide_axis(const struct nw_guide_log *log, struct guide_series *s,
                             const struct guide_axis_opts *opts, struct guide_state *states,
                             struct nw_guide_axis *axis, struct nw_err *err) {
    const double r_floor_rad2 =
        opts->noise_floor_rad > 0.0 ? opts->noise_floor_rad * opts->noise_floor_rad : 0.0;
    logged(s, opts->scratch, axis);
    axis->is_oscillating = nw_guide_is_ringing(s);
    if (s->n < GUIDE_SAMPLES_MIN) {
        (void)snprintf(axis->why_null, sizeof axis->why_null,
                       "only %zu undisturbed samples; %d are needed", s->n, GUIDE_SAMPLES_MIN);
        (void)snprintf(axis->why_drift, sizeof axis->why_drift, "%s", axis->why_null);
        (void)snprintf(axis->why_response, sizeof axis->why_response, "%s", axis->why_null);
        if (opts->worm) {
            (void)snprintf(opts->worm->why_null, sizeof opts->worm->why_null, "%s", axis->why_null);
        }
        if (opts->backlash) {
            say_no_backlash(axis->why_null, opts->backlash);
        }
        return NW_OK;
    }
    const struct guide_pulses pulses = nw_guide_count_pulses(log, opts->is_dec);
    struct guide_fit fit;
    bool is_b_told = true;
    if (pulses.n_sent > 0) {
        fit = fit_with_pulses(log, s, opts, r_floor_rad2, axis, &is_b_told);
        axis->pulse_gain = gain_of(s, fit.b);
    } else {
        (void)snprintf(axis->why_response, sizeof axis->why_response, "%s",
                       pulses.are_logged ? "no pulse was sent" : "pulses are not logged");
        fit = fit_without_pulses(s, pulses.are_logged, r_floor_rad2);
        axis->is_loop_inferred = !pulses.are_logged;
        axis->pulse_gain = fit.b;
    }
    const bool is_open_told = pulses.are_logged && is_b_told;
    enum nw_status status = take_extras(log, s, opts, is_open_told, axis, &fit, err);
    if (status != NW_OK) {
        return status;
    }
    axis->pulse_rad_s = is_open_told && pulses.n_sent > 0 ? fit.b : NAN;
    take_noise(s, &fit, r_floor_rad2, axis);
    if (!pulses.are_logged) {
        (void)snprintf(axis->why_drift, sizeof axis->why_drift, GUIDE_NOT_LOGGED);
    } else if (!is_b_told) {
        (void)snprintf(axis->why_drift, sizeof axis->why_drift, "%s", axis->why_response);
    } else if (opts->is_dec && !log->is_dec_sign_known) {
        (void)snprintf(axis->why_drift, sizeof axis->why_drift,
                       "axes of the mount: north or south needs `# tube_side: east|west`");
    } else {
        const bool is_gap_told = opts->backlash && opts->backlash->is_identified;
        status = take_drift(s, &fit, is_gap_told, axis, err);
    }
    if (!is_b_told) {
        (void)snprintf(axis->why_null, sizeof axis->why_null, "only bounds: %.140s",
                       axis->why_response);
    }
    return status == NW_OK ? nw_guide_smooth(s, &fit, states, err) : status;
}
