/* fit.c - the lags of a climate log and what they mean for room, cover and surfaces; see fit.h.
 * Idea: k alone is a time constant. A heater of known watts that is switched splits it into loss
 * and capacity. Vapour is stored in the air and in the walls, in these as relative humidity: a
 * swing of temperature tells how much. A constant takes up what two sensors differ by. */
#include <math.h>

#include "air/enclosure.h"
#include "air/fit.h"

#define Z90 1.6448536269514722 /* two-sided 90 %, Gaussian */
#define WIDEST 0.6             /* of ln k: beyond, the log does not determine it */

static void unknown(struct nw_air_estimate *e, const char *why) {
    *e = (struct nw_air_estimate){.v = NAN, .sigma = NAN, .low = NAN, .high = NAN};
    nw_text_copy(e->why_null, sizeof e->why_null, why);
}

/* A positive value with a standard error of its logarithm. */
static void known(struct nw_air_estimate *e, double v, double ln_sigma) {
    *e = (struct nw_air_estimate){.v = v,
                                  .sigma = v * ln_sigma,
                                  .low = v * exp(-Z90 * ln_sigma),
                                  .high = v * exp(Z90 * ln_sigma)};
}

static const double *column(const struct nw_air_log *log, enum nw_air_series series) {
    return log->data + (size_t)series * log->n;
}

static bool is_on(const double *values, size_t row, bool otherwise) {
    return isfinite(values[row]) ? values[row] > 0.5 : otherwise;
}

/* Is an input switched within the rows that are used? */
static bool is_switched(const double *u, const bool *use, size_t n) {
    double low = INFINITY;
    double high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (use[i] && isfinite(u[i])) {
            low = fmin(low, u[i]);
            high = fmax(high, u[i]);
        }
    }
    return high - low > 0.0;
}

/* Why a lag cannot be told; NULL: it can. */
static const char *judge(enum nw_status status, const struct nw_air_lag *lag) {
    return status != NW_OK  ? "too few rows in which it was so, or nothing changed in them"
           : lag->is_at_end ? "slower than the log is long, or faster than its rows"
           : !(lag->ln_rate_sigma < WIDEST) ? "the log does not determine it: too little changes"
                                            : NULL;
}

/* Loss and capacity from a lag with a heater: gain = 1/UA, C = UA/k. */
static void split(const struct nw_air_lag *lag, struct nw_air_estimate *loss,
                  struct nw_air_estimate *capacity) {
    const double share = lag->gain_sigma[0] / lag->gain[0];
    if (!(lag->gain[0] > 0.0) || !(share < WIDEST)) {
        unknown(loss, "the heater's steps do not show above the noise: longer, or more watts");
        unknown(capacity, loss->why_null);
        return;
    }
    const double ln_cov = lag->gain_ln_rate_cov[0] / lag->gain[0];
    const double ln_variance =
        share * share + lag->ln_rate_sigma * lag->ln_rate_sigma + 2.0 * ln_cov;
    known(loss, 1.0 / lag->gain[0], share);
    known(capacity, 1.0 / lag->gain[0] / lag->rate_per_s, sqrt(fmax(0.0, ln_variance)));
}

/* Which rows are closed, open, covered; roof_open not measured: closed where a room is. */
struct rows {
    bool *closed, *open, *covered;
    double *sky_K; /* sky minus air */
    double *ones;  /* a constant: what two sensors differ by */
};

/* ---- Room and cover ------------------------------------------------------------------------- */

struct enclosure {
    const bool *use;
    const double *y, *x, *heater;
    const char *no_heater;
    struct nw_air_estimate *time_s, *loss, *capacity;
    double *rms_K;
};

static enum nw_status fit_enclosure(const struct nw_air_log *log, const struct rows *rows,
                                    const struct enclosure *e, struct nw_err *err) {
    const bool *const use = e->use;
    const bool has_heater = is_switched(e->heater, use, log->n);
    const struct nw_air_lag_data data = {
        .t_s = log->t_s,
        .y = e->y,
        .x = e->x,
        .inputs = {has_heater ? e->heater : rows->ones, has_heater ? rows->ones : NULL},
        .is_switch = {has_heater},
        .ln_rate_near = NAN,
        .use = use,
        .n = log->n};
    struct nw_air_lag lag = {0};
    const enum nw_status status = nw_air_lag_fit(&data, &lag, err);
    const char *const why = judge(status, &lag);
    *e->rms_K = status == NW_OK ? lag.rms : NAN;
    if (why) {
        unknown(e->time_s, why);
        unknown(e->loss, why);
        unknown(e->capacity, why);
        return status == NW_NOMEM ? status : NW_OK;
    }
    known(e->time_s, 1.0 / lag.rate_per_s, lag.ln_rate_sigma);
    if (has_heater) {
        split(&lag, e->loss, e->capacity);
    } else {
        unknown(e->loss, e->no_heater);
        unknown(e->capacity, e->no_heater);
    }
    return NW_OK;
}

/* ---- Vapour --------------------------------------------------------------------------------- */

/* Water of a cubic metre of room: w = rho + beta phi, beta = B/V; phi = rho/rho_s: w = rho (1 +
 * beta / rho_s). beta is searched, for each the air changes n are fitted as the rate of w. */
struct vapour {
    const struct nw_air_log *log;
    const struct rows *rows;
    double *inside, *outside, *dryer, *saturation, *store;
    bool has_dryer;
    double ln_rate; /* of the last fit: where the next one looks */
};

static void make_vapour(struct vapour *v) {
    const struct nw_air_log *const log = v->log;
    for (size_t i = 0; i < log->n; i++) {
        const double room_K = column(log, NW_AIR_ROOM)[i];
        v->outside[i] =
            nw_air_vapour_density_kg_m3(column(log, NW_AIR_AIR)[i], column(log, NW_AIR_VAPOUR)[i]);
        v->inside[i] = nw_air_vapour_density_kg_m3(room_K, column(log, NW_AIR_ROOM_VAPOUR)[i]);
        v->saturation[i] = nw_air_vapour_density_kg_m3(room_K, nw_air_saturation_water_Pa(room_K));
        v->dryer[i] = is_on(column(log, NW_AIR_DRYER), i, false) ? 1.0 : 0.0;
    }
    v->has_dryer = is_switched(v->dryer, v->rows->closed, log->n);
}

static enum nw_status fit_with_buffer(struct vapour *v, double ln_beta, struct nw_air_lag *ret,
                                      struct nw_err *err) {
    const struct nw_air_log *const rows = v->log;
    const double beta_kg_m3 = exp(ln_beta);
    for (size_t i = 0; i < rows->n; i++) {
        v->store[i] = isfinite(v->saturation[i]) ? 1.0 + beta_kg_m3 / v->saturation[i] : 1.0;
    }
    const struct nw_air_lag_data data = {
        .t_s = rows->t_s,
        .y = v->inside,
        .x = v->outside,
        .inputs = {v->has_dryer ? v->dryer : v->rows->ones, v->has_dryer ? v->rows->ones : NULL},
        .store = v->store,
        .is_switch = {v->has_dryer},
        .ln_rate_near = v->ln_rate,
        .use = v->rows->closed,
        .n = rows->n};
    const enum nw_status status = nw_air_lag_fit(&data, ret, err);
    if (status == NW_OK) {
        v->ln_rate = ret->is_at_end ? NAN : log(ret->rate_per_s);
    }
    return status;
}

struct buffer_fit {
    struct nw_air_lag lag;
    double ln_beta, ln_beta_sigma, ln_rate_sigma, ln_rate_beta_cov;
    bool is_small; /* no buffer shows */
};

/* Golden section over ln beta, then errors from the curvature of the residuals' sum and from how
 * the air changes follow: var(ln n) = var(ln n | beta) + (d ln n / d ln beta)^2 var(ln beta). */
static enum nw_status fit_buffer(struct vapour *v, struct buffer_fit *ret, struct nw_err *err) {
    enum { SECTIONS = 14, SCAN = 12 };
    const double golden = 0.6180339887498949;
    const double low = log(1e-4);
    const double step = (log(10.0) - low) / (SCAN - 1);
    struct nw_air_lag lag = {0};
    double least = INFINITY;
    size_t at = 0;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < SCAN && status == NW_OK; i++) {
        status = fit_with_buffer(v, low + step * (double)i, &lag, err);
        if (status == NW_OK && lag.rss < least) {
            least = lag.rss;
            at = i;
        }
    }
    double a = low + step * ((double)at - 1.0);
    double d = low + step * ((double)at + 1.0);
    for (int i = 0; i < SECTIONS && status == NW_OK; i++) {
        const double p = d - golden * (d - a);
        const double q = a + golden * (d - a);
        struct nw_air_lag at_q = {0};
        status = fit_with_buffer(v, p, &lag, err);
        status = status == NW_OK ? fit_with_buffer(v, q, &at_q, err) : status;
        *(lag.rss < at_q.rss ? &d : &a) = lag.rss < at_q.rss ? q : p;
    }
    const double width = 0.15;
    struct nw_air_lag side[2];
    memset(side, 0, sizeof side);
    ret->ln_beta = 0.5 * (a + d);
    for (int i = 0; i < 2 && status == NW_OK; i++) {
        status = fit_with_buffer(v, ret->ln_beta + (i == 0 ? -width : width), &side[i], err);
    }
    status = status == NW_OK ? fit_with_buffer(v, ret->ln_beta, &ret->lag, err) : status;
    if (status != NW_OK) {
        return status;
    }
    const double curvature = (side[0].rss + side[1].rss - 2.0 * ret->lag.rss) / (width * width);
    const double slope = log(side[1].rate_per_s / side[0].rate_per_s) / (2.0 * width);
    const double variance = 2.0 * ret->lag.rms * ret->lag.rms * ret->lag.inflation / curvature;
    ret->is_small = at == 0;
    ret->ln_beta_sigma = curvature > 0.0 ? sqrt(variance) : INFINITY;
    ret->ln_rate_sigma = ret->is_small ? ret->lag.ln_rate_sigma
                                       : hypot(ret->lag.ln_rate_sigma, slope * ret->ln_beta_sigma);
    ret->ln_rate_beta_cov = slope * ret->ln_beta_sigma * ret->ln_beta_sigma;
    return NW_OK;
}

/* gain of the dryer: -r / (n V). */
static void read_dryer(const struct nw_rig *rig, const struct buffer_fit *b, bool has_dryer,
                       struct nw_air_fit *ret) {
    if (!has_dryer) {
        unknown(&ret->dryer_kg_s, "the dryer was not switched while the roof was closed, or the "
                                  "log has no dryer_on");
    } else if (!rig->damp.room.is_there || !isfinite(ret->air_changes_per_s.v)) {
        unknown(&ret->dryer_kg_s, "needs room.volume and the air changes");
    } else {
        const double exchange = b->lag.rate_per_s * rig->damp.room.volume_m3.v;
        const double rate = -b->lag.gain[0] * exchange;
        const double share = hypot(b->lag.gain_sigma[0] / b->lag.gain[0], b->ln_rate_sigma);
        if (rate > 0.0 && share < WIDEST) {
            known(&ret->dryer_kg_s, rate, share);
        } else {
            unknown(&ret->dryer_kg_s, "what it takes does not show above the noise");
        }
    }
}

static void read_vapour(const struct nw_rig *rig, const struct buffer_fit *b, bool has_dryer,
                        struct nw_air_fit *ret) {
    if (b->ln_rate_sigma < WIDEST) {
        known(&ret->air_changes_per_s, b->lag.rate_per_s, b->ln_rate_sigma);
    } else {
        unknown(&ret->air_changes_per_s, "walls that take up water hide it: log a night in which "
                                         "the closed room's temperature swings by 5 K");
    }
    if (b->is_small) {
        unknown(&ret->water_buffer_kg, "walls that give off water do not show");
    } else if (!(b->ln_beta_sigma < WIDEST)) {
        unknown(&ret->water_buffer_kg, "the closed room's temperature must swing, by 5 K or more");
    } else if (!rig->damp.room.is_there) {
        unknown(&ret->water_buffer_kg, "room.volume is not in the rig file");
    } else {
        known(&ret->water_buffer_kg, exp(b->ln_beta) * rig->damp.room.volume_m3.v,
              b->ln_beta_sigma);
    }
    read_dryer(rig, b, has_dryer, ret);
}

static enum nw_status fit_vapour(const struct nw_rig *rig, const struct nw_air_log *log,
                                 const struct rows *rows, struct nw_air_fit *ret,
                                 struct nw_err *err) {
    double *const store = nw_calloc(5 * log->n, sizeof *store);
    if (!store) {
        return nw_err_set(err, NW_NOMEM, "fit of %zu rows", log->n);
    }
    struct vapour v = {log,
                       rows,
                       store,
                       store + log->n,
                       store + 2 * log->n,
                       store + 3 * log->n,
                       store + 4 * log->n,
                       false,
                       NAN};
    struct buffer_fit b = {.ln_beta = NAN};
    make_vapour(&v);
    const enum nw_status status = fit_buffer(&v, &b, err);
    const char *const why = status != NW_OK   ? judge(status, NULL)
                            : b.lag.is_at_end ? judge(status, &b.lag)
                                              : NULL;
    if (why) {
        unknown(&ret->air_changes_per_s, why);
        unknown(&ret->water_buffer_kg, why);
        unknown(&ret->dryer_kg_s, why);
    } else {
        read_vapour(rig, &b, v.has_dryer, ret);
    }
    free(store);
    return status == NW_NOMEM ? status : NW_OK;
}

/* ---- Surfaces ------------------------------------------------------------------------------- */

static enum nw_status fit_surface(const struct nw_air_log *log, const bool *use,
                                  const double *pull_K, size_t part, struct nw_air_fit *ret,
                                  struct nw_err *err) {
    const struct nw_air_lag_data data = {.t_s = log->t_s,
                                         .y = log->data + (NW_AIR_N_SERIES + part) * log->n,
                                         .x = column(log, NW_AIR_AIR),
                                         .inputs = {pull_K},
                                         .ln_rate_near = NAN,
                                         .use = use,
                                         .n = log->n};
    struct nw_air_lag lag = {0};
    const enum nw_status status = nw_air_lag_fit(&data, &lag, err);
    const char *const why = judge(status, &lag);
    if (why) {
        unknown(&ret->part_time_s[part], why);
        unknown(&ret->part_sky[part], why);
        return status == NW_NOMEM ? status : NW_OK;
    }
    known(&ret->part_time_s[part], 1.0 / lag.rate_per_s, lag.ln_rate_sigma);
    ret->part_sky[part] = (struct nw_air_estimate){.v = lag.gain[0],
                                                   .sigma = lag.gain_sigma[0],
                                                   .low = lag.gain[0] - Z90 * lag.gain_sigma[0],
                                                   .high = lag.gain[0] + Z90 * lag.gain_sigma[0]};
    return NW_OK;
}

/* ---- All of it ------------------------------------------------------------------------------ */

static void sort_rows(const struct nw_rig *rig, const struct nw_air_log *log, const bool *is_night,
                      const struct rows *r, struct nw_air_fit *ret) {
    const enum nw_air_sky sky =
        rig->damp.is_there ? nw_air_sky_of(rig->damp.sky) : NW_AIR_SKY_BERDAHL_MARTIN;
    for (size_t i = 0; i < log->n; i++) {
        const bool is_dark = !is_night || is_night[i];
        const bool is_open = is_on(column(log, NW_AIR_ROOF_OPEN), i, !rig->damp.room.is_there);
        const bool is_covered = is_on(column(log, NW_AIR_COVERED), i, false);
        const struct nw_air_weather w = nw_air_log_weather(log, log->t_s[i]);
        r->closed[i] = is_dark && !is_open;
        r->open[i] = is_dark && is_open && !is_covered;
        r->covered[i] = is_dark && is_covered;
        ret->n_closed += r->closed[i];
        ret->n_open += r->open[i];
        ret->n_covered += r->covered[i];
        r->ones[i] = 1.0;
        r->sky_K[i] =
            nw_air_sky_temperature_K(
                w.air_K, nw_air_sky_emissivity(sky, nw_air_dew_point_K(w.vapour_Pa), w.cloud)) -
            w.air_K;
    }
}

enum nw_status nw_air_fit_log(const struct nw_rig *rig, const struct nw_air_log *log,
                              const bool *is_night, struct nw_air_fit *ret, struct nw_err *err) {
    bool *const flags = nw_calloc(3 * log->n, sizeof *flags);
    double *const sky_K = nw_calloc(2 * log->n, sizeof *sky_K);
    struct nw_air_fit fit = {0};
    enum nw_status status =
        flags && sky_K ? NW_OK : nw_err_set(err, NW_NOMEM, "fit of %zu rows", log->n);
    if (status == NW_OK) {
        const struct rows rows = {flags, flags + log->n, flags + 2 * log->n, sky_K, sky_K + log->n};
        sort_rows(rig, log, is_night, &rows, &fit);
        const struct enclosure room = {
            rows.closed,
            column(log, NW_AIR_ROOM),
            column(log, NW_AIR_AIR),
            column(log, NW_AIR_ROOM_HEATER),
            "no heater in the log: run one of known watts for two hours, roof closed, and log "
            "room_heater_w",
            &fit.room_time_s,
            &fit.room_loss_W_K,
            &fit.room_capacity_J_K,
            &fit.room_rms_K};
        const struct enclosure cover = {
            rows.covered,
            column(log, NW_AIR_COVER),
            column(log, log->has[NW_AIR_ROOM] ? NW_AIR_ROOM : NW_AIR_AIR),
            column(log, NW_AIR_HEATER),
            "its heater was not switched while covered: two hours off, two hours on, and log "
            "heater_w",
            &fit.cover_time_s,
            &fit.cover_loss_W_K,
            &fit.cover_capacity_J_K,
            &fit.cover_rms_K};
        status = fit_enclosure(log, &rows, &room, err);
        status = status == NW_OK ? fit_enclosure(log, &rows, &cover, err) : status;
        status = status == NW_OK ? fit_vapour(rig, log, &rows, &fit, err) : status;
        for (size_t i = 0; i < log->n_surfaces && i < 12 && status == NW_OK; i++) {
            status = fit_surface(log, rows.open, sky_K, i, &fit, err);
        }
    }
    if (status == NW_OK) {
        *ret = fit;
    }
    free(flags);
    free(sky_K);
    return status;
}
