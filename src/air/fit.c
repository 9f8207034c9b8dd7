/* fit.c - the lags of a climate log and what they mean for room, cover and surfaces; see fit.h.
 * Idea: k alone is a time constant. A heater of known watts that is switched splits it into loss
 * and capacity; a swing of temperature splits the leak of vapour from what the walls give off: b =
 * B/rho_s / (V + B/rho_s) is the gain of rho d(ln rho_s)/dT dT/dt, and n = k / (1 - b). */
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

/* ---- Room and cover ------------------------------------------------------------------------- */

struct enclosure {
    const double *y, *x, *heater;
    const char *no_heater;
    struct nw_air_estimate *time_s, *loss, *capacity;
    double *rms_K;
};

static enum nw_status fit_enclosure(const struct nw_air_log *log, const bool *use,
                                    const struct enclosure *e, struct nw_err *err) {
    const bool has_heater = is_switched(e->heater, use, log->n);
    const struct nw_air_lag_data data = {
        log->t_s, e->y, e->x, {has_heater ? e->heater : NULL, NULL}, use, log->n};
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

struct vapour {
    double *inside, *outside, *walls, *dryer;
    double saturation_kg_m3; /* mean over the rows used */
};

/* rho d(ln rho_s)/dT dT/dt of the air inside (model.c), over a row and the next. */
static void make_vapour(const struct nw_air_log *log, const bool *use, struct vapour *v) {
    const double *const air_K = column(log, NW_AIR_AIR);
    const double *const air_Pa = column(log, NW_AIR_VAPOUR);
    const double *const room_K = column(log, NW_AIR_ROOM);
    const double *const room_Pa = column(log, NW_AIR_ROOM_VAPOUR);
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = 0; i < log->n; i++) {
        v->outside[i] = nw_air_vapour_density_kg_m3(air_K[i], air_Pa[i]);
        v->inside[i] = nw_air_vapour_density_kg_m3(room_K[i], room_Pa[i]);
        v->dryer[i] = is_on(column(log, NW_AIR_DRYER), i, false) ? 1.0 : 0.0;
        const double saturation =
            nw_air_vapour_density_kg_m3(room_K[i], nw_air_saturation_water_Pa(room_K[i]));
        if (use[i] && isfinite(saturation)) {
            sum += saturation;
            n++;
        }
        v->walls[i] = 0.0;
        if (i + 1 < log->n && isfinite(v->inside[i]) && isfinite(room_K[i + 1])) {
            const double steep =
                nw_air_latent_J_kg(room_K[i]) / (461.512 * room_K[i] * room_K[i]) - 1.0 / room_K[i];
            v->walls[i] = v->inside[i] * steep * (room_K[i + 1] - room_K[i]) /
                          (log->t_s[i + 1] - log->t_s[i]);
        }
    }
    v->saturation_kg_m3 = n > 0 ? sum / (double)n : NAN;
}

/* gain of the lag is per k: b = k g. n = k/(1 - b) with its error; B = rho_s V b/(1 - b). */
static void read_vapour(const struct nw_rig *rig, const struct nw_air_lag *lag, bool has_dryer,
                        const struct vapour *v, struct nw_air_fit *ret) {
    const double k = lag->rate_per_s;
    const double b = k * lag->gain[0];
    const double ln_k = lag->ln_rate_sigma;
    const double b_variance = k * k * lag->gain_sigma[0] * lag->gain_sigma[0] +
                              b * b * ln_k * ln_k + 2.0 * b * k * lag->gain_ln_rate_cov[0];
    const double b_sigma = sqrt(fmax(0.0, b_variance));
    if (!(b < 0.98) || !(b_sigma < 0.5 * (1.0 - b))) {
        unknown(&ret->air_changes_per_s, "walls that take up water hide it: log a night in which "
                                         "the closed room's temperature swings by 5 K");
        unknown(&ret->water_buffer_kg, ret->air_changes_per_s.why_null);
    } else {
        const double cov = k * lag->gain_ln_rate_cov[0] + b * ln_k * ln_k; /* of b and ln k */
        const double share = b_sigma / (1.0 - b);
        const double variance = ln_k * ln_k + share * share + 2.0 * cov / (1.0 - b);
        known(&ret->air_changes_per_s, k / (1.0 - b), sqrt(fmax(0.0, variance)));
        if (rig->damp.room.is_there && b > 0.0) {
            const double kg = v->saturation_kg_m3 * rig->damp.room.volume_m3.v * b / (1.0 - b);
            known(&ret->water_buffer_kg, kg, share / b);
        } else {
            unknown(&ret->water_buffer_kg, rig->damp.room.is_there
                                               ? "no more than its error: the walls give off little"
                                               : "room.volume is not in the rig file");
        }
    }
    if (!has_dryer) {
        unknown(&ret->dryer_kg_s, "the dryer was not switched while the roof was closed, or the "
                                  "log has no dryer_on");
    } else if (!rig->damp.room.is_there || !isfinite(ret->air_changes_per_s.v)) {
        unknown(&ret->dryer_kg_s, "needs room.volume and the air changes");
    } else { /* gain of the dryer: -r / (n V) */
        const double exchange = ret->air_changes_per_s.v * rig->damp.room.volume_m3.v;
        const double rate = -lag->gain[1] * exchange;
        const double share = hypot(lag->gain_sigma[1] / lag->gain[1],
                                   ret->air_changes_per_s.sigma / ret->air_changes_per_s.v);
        if (rate > 0.0 && share < WIDEST) {
            known(&ret->dryer_kg_s, rate, share);
        } else {
            unknown(&ret->dryer_kg_s, "what it takes does not show above the noise");
        }
    }
}

static enum nw_status fit_vapour(const struct nw_rig *rig, const struct nw_air_log *log,
                                 const bool *use, struct nw_air_fit *ret, struct nw_err *err) {
    double *const store = nw_calloc(4 * log->n, sizeof *store);
    if (!store) {
        return nw_err_set(err, NW_NOMEM, "fit of %zu rows", log->n);
    }
    struct vapour v = {store, store + log->n, store + 2 * log->n, store + 3 * log->n, NAN};
    make_vapour(log, use, &v);
    const bool has_dryer = is_switched(v.dryer, use, log->n);
    const struct nw_air_lag_data data = {
        log->t_s, v.inside, v.outside, {v.walls, has_dryer ? v.dryer : NULL}, use, log->n};
    struct nw_air_lag lag = {0};
    const enum nw_status status = nw_air_lag_fit(&data, &lag, err);
    const char *const why = judge(status, &lag);
    if (why) {
        unknown(&ret->air_changes_per_s, why);
        unknown(&ret->water_buffer_kg, why);
        unknown(&ret->dryer_kg_s, why);
    } else {
        read_vapour(rig, &lag, has_dryer, &v, ret);
    }
    free(store);
    return status == NW_NOMEM ? status : NW_OK;
}

/* ---- Surfaces ------------------------------------------------------------------------------- */

static enum nw_status fit_surface(const struct nw_air_log *log, const bool *use,
                                  const double *pull_K, size_t part, struct nw_air_fit *ret,
                                  struct nw_err *err) {
    const struct nw_air_lag_data data = {log->t_s,
                                         log->data + (NW_AIR_N_SERIES + part) * log->n,
                                         column(log, NW_AIR_AIR),
                                         {pull_K, NULL},
                                         use,
                                         log->n};
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

/* Which rows are closed, open, covered; roof_open not measured: closed where a room is. */
struct rows {
    bool *closed, *open, *covered;
    double *sky_K; /* sky minus air */
};

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
        r->sky_K[i] =
            nw_air_sky_temperature_K(
                w.air_K, nw_air_sky_emissivity(sky, nw_air_dew_point_K(w.vapour_Pa), w.cloud)) -
            w.air_K;
    }
}

enum nw_status nw_air_fit_log(const struct nw_rig *rig, const struct nw_air_log *log,
                              const bool *is_night, struct nw_air_fit *ret, struct nw_err *err) {
    bool *const flags = nw_calloc(3 * log->n, sizeof *flags);
    double *const sky_K = nw_calloc(log->n, sizeof *sky_K);
    struct nw_air_fit fit = {0};
    enum nw_status status =
        flags && sky_K ? NW_OK : nw_err_set(err, NW_NOMEM, "fit of %zu rows", log->n);
    if (status == NW_OK) {
        const struct rows rows = {flags, flags + log->n, flags + 2 * log->n, sky_K};
        sort_rows(rig, log, is_night, &rows, &fit);
        const struct enclosure room = {
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
            column(log, NW_AIR_COVER),
            column(log, log->has[NW_AIR_ROOM] ? NW_AIR_ROOM : NW_AIR_AIR),
            column(log, NW_AIR_HEATER),
            "its heater was not switched while covered: two hours off, two hours on, and log "
            "heater_w",
            &fit.cover_time_s,
            &fit.cover_loss_W_K,
            &fit.cover_capacity_J_K,
            &fit.cover_rms_K};
        status = fit_enclosure(log, rows.closed, &room, err);
        status = status == NW_OK ? fit_enclosure(log, rows.covered, &cover, err) : status;
        status = status == NW_OK ? fit_vapour(rig, log, rows.closed, &fit, err) : status;
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
