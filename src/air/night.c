/* night.c - decisions of one night from runs of the model; see night.h. */
#include <math.h>

#include "air/night_internal.h"

#define CANDIDATE_S 600.0 /* between times of opening that are tried */
enum { MAX_RECORDS = 2000 };

static void put(void *context, const struct nw_air_phase *phase,
                const struct nw_air_heat_state *state) {
    struct air_tape *const tape = context;
    if (tape->n == tape->cap) {
        tape->is_full = true;
        return;
    }
    struct nw_air_night_record *const r = &tape->items[tape->n++];
    r->state = *state;
    r->phase = *phase;
    r->weather = nw_air_log_weather(tape->log, state->t_s);
    for (size_t i = 0; i < tape->model->n_parts; i++) {
        r->wetting_K[i] = nw_air_around_part(tape->model, tape->log, phase, state, i).wetting_K;
    }
}

double air_night_margin_K(const struct nw_air_night_record *r, size_t part) {
    return r->state.part_K[part] - r->wetting_K[part];
}

bool air_night_is_safe(const struct nw_air_model *model, const struct nw_air_night_record *r) {
    for (size_t i = 0; i < model->n_parts; i++) {
        if (!(air_night_margin_K(r, i) > NW_AIR_CLEAR_K)) {
            return false;
        }
    }
    return true;
}

enum nw_status air_night_run(struct air_desk *desk, const struct nw_air_model *model,
                             const struct nw_air_log *log, const struct nw_air_phase *phase,
                             struct nw_air_heat_state *state) {
    desk->tape.model = model;
    desk->tape.log = log;
    const struct nw_air_listener listener = {NW_AIR_STEP_S, put, &desk->tape};
    return nw_air_run(model, log, phase, state, &listener, desk->err);
}

/* Closed until open_s, then open until close_s; straps as said. The tape holds the open part. */
static enum nw_status run_open(struct air_desk *desk, const struct nw_air_model *model,
                               const struct nw_air_log *log, double open_s, double close_s,
                               bool has_straps, struct nw_air_heat_state *ret) {
    const struct nw_air_phase closed = {.end_s = open_s};
    const struct nw_air_phase open = {
        .end_s = close_s, .is_roof_open = true, .has_straps = has_straps};
    *ret = desk->start;
    enum nw_status status = air_night_run(desk, model, log, &closed, ret);
    desk->tape.n = 0;
    put(&desk->tape, &open, ret); /* the moment of opening */
    return status == NW_OK ? air_night_run(desk, model, log, &open, ret) : status;
}

/* ---- When to open --------------------------------------------------------------------------- */

/* Last moment with more than `settled_K` left against a surface that was out all along; *ret_s is
 * the record after it. NaN: still more at the end. */
static double settled_s(const struct air_tape *tape, const struct nw_air_night_record *out,
                        size_t n, size_t part, double settled_K) {
    double at_s = tape->n > 0 ? tape->items[0].state.t_s : NAN;
    size_t k = 0;
    for (size_t i = 0; i < tape->n; i++) {
        const struct nw_air_heat_state *const s = &tape->items[i].state;
        while (k + 1 < n && out[k].state.t_s < s->t_s - 1.0) {
            k++;
        }
        if (fabs(s->part_K[part] - out[k].state.part_K[part]) > settled_K) {
            at_s = i + 1 < tape->n ? tape->items[i + 1].state.t_s : NAN;
        }
    }
    return at_s;
}

static enum nw_status try_opening(struct air_desk *desk, const struct nw_air_night_record *out,
                                  size_t n_out, double open_s, bool *ret_is_safe,
                                  double *ret_settled_s) {
    struct nw_air_heat_state state;
    const struct nw_air_model *const model = &desk->night->model;
    const enum nw_status status =
        run_open(desk, model, desk->log, open_s, desk->times->dawn_s, false, &state);
    if (status != NW_OK) {
        return status;
    }
    *ret_is_safe = air_night_is_safe(model, &desk->tape.items[0]);
    *ret_settled_s = open_s;
    for (size_t i = 0; i < model->n_parts; i++) {
        const double at_s = settled_s(&desk->tape, out, n_out, i, desk->rig->damp.settled_K.v);
        *ret_settled_s = at_s > *ret_settled_s || isnan(at_s) ? at_s : *ret_settled_s;
    }
    return NW_OK;
}

/* The latest opening after which all is settled when it is dark; else the earliest. */
static enum nw_status choose_opening(struct air_desk *desk, const struct nw_air_night_record *out,
                                     size_t n_out) {
    struct nw_air_night *const night = desk->night;
    const double first_s = desk->times->sunset_s;
    const double last_s = fmax(first_s, desk->times->dark_s);
    enum nw_status status = NW_OK;
    night->open_s = NAN;
    night->is_late = true;
    for (double t_s = first_s; t_s <= last_s + 1.0 && status == NW_OK; t_s += CANDIDATE_S) {
        bool is_dry = false;
        double ready_s = NAN;
        status = try_opening(desk, out, n_out, t_s, &is_dry, &ready_s);
        if (status != NW_OK) {
            break;
        }
        if (!is_dry) {
            night->was_damp = night->was_damp || isnan(night->open_s);
            continue;
        }
        if (ready_s <= desk->times->dark_s) {
            night->open_s = t_s;
            night->is_late = false;
        } else if (isnan(night->open_s)) {
            night->open_s = t_s;
        }
    }
    return status;
}

static enum nw_status open_and_settle(struct air_desk *desk) {
    struct nw_air_night *const night = desk->night;
    const struct nw_air_phase outside = {.end_s = desk->times->dawn_s, .is_roof_open = true};
    struct nw_air_heat_state state = desk->start;
    size_t n_out = 0;
    for (size_t i = 0; i < night->model.n_parts; i++) {
        const struct nw_air_around a =
            nw_air_around_part(&night->model, desk->log, &outside, &state, i);
        state.part_K[i] = nw_air_face_balance_K(&a.face, 0.0);
    }
    desk->tape.n = 0;
    enum nw_status status = air_night_run(desk, &night->model, desk->log, &outside, &state);
    struct nw_air_night_record *const out = nw_calloc(desk->tape.n + 1, sizeof *out);
    if (status == NW_OK && !out) {
        status = nw_err_set(desk->err, NW_NOMEM, "a night of %zu records", desk->tape.n);
    }
    if (status == NW_OK) {
        n_out = desk->tape.n;
        memcpy(out, desk->tape.items, n_out * sizeof *out);
        status = choose_opening(desk, out, n_out);
    }
    const double open_s = isfinite(night->open_s) ? night->open_s : desk->times->dark_s;
    if (status == NW_OK) {
        status =
            run_open(desk, &night->model, desk->log, open_s, desk->times->dawn_s, false, &state);
    }
    for (size_t i = 0; i < night->model.n_parts && status == NW_OK; i++) {
        night->parts[i].settled_s =
            settled_s(&desk->tape, out, n_out, i, desk->rig->damp.settled_K.v);
    }
    free(out);
    return status;
}

/* ---- Dew and straps ------------------------------------------------------------------------- */

/* The bare night on the tape. */
static void read_bare(struct air_desk *desk) {
    struct nw_air_night *const night = desk->night;
    for (size_t i = 0; i < night->model.n_parts; i++) {
        struct nw_air_night_part *const p = &night->parts[i];
        double below = 0.0;
        size_t n_dark = 0;
        p->margin_K = INFINITY;
        p->wets_s = NAN;
        for (size_t k = 0; k < desk->tape.n; k++) {
            const struct nw_air_night_record *const r = &desk->tape.items[k];
            const double margin = air_night_margin_K(r, i);
            if (margin < p->margin_K) {
                p->margin_K = margin;
                p->margin_s = r->state.t_s;
                p->is_frost = r->wetting_K[i] < NW_ZERO_CELSIUS_K;
            }
            if (margin <= 0.0 && isnan(p->wets_s)) {
                p->wets_s = r->state.t_s;
            }
            p->water_kg_m2 = fmax(p->water_kg_m2, r->state.water_kg_m2[i]);
            if (r->state.t_s >= desk->times->dark_s) {
                below += r->weather.air_K - r->state.part_K[i];
                n_dark++;
            }
        }
        p->below_air_K = n_dark > 0 ? below / (double)n_dark : NAN;
    }
}

/* Strap power that holds a surface at dew point + margin at one moment, in balance. */
static double needed_W(const struct air_desk *desk, const struct nw_air_night_record *r, size_t i) {
    const struct nw_air_model *const model = &desk->night->model;
    struct nw_air_heat_state state = r->state;
    state.part_K[i] = r->wetting_K[i] + desk->rig->damp.margin_K.v;
    const struct nw_air_around a = nw_air_around_part(model, desk->log, &r->phase, &state, i);
    const struct nw_air_part *const p = &model->parts[i];
    return fmax(0.0, p->area_m2 * nw_air_face_hold_W_m2(&a.face, state.part_K[i]) / p->strap_share);
}

/* The night with straps on the tape. */
static void read_strapped(struct air_desk *desk) {
    struct nw_air_night *const night = desk->night;
    for (size_t i = 0; i < night->model.n_parts; i++) {
        struct nw_air_night_part *const p = &night->parts[i];
        const struct nw_air_part *const part = &night->model.parts[i];
        double sum_W = 0.0;
        p->given_W = part->strap_W;
        p->strapped_margin_K = INFINITY;
        p->strapped_wets_s = NAN;
        for (size_t k = 0; k < desk->tape.n; k++) {
            const struct nw_air_night_record *const r = &desk->tape.items[k];
            const double margin = air_night_margin_K(r, i);
            const double need_W = needed_W(desk, r, i);
            p->needed_W = fmax(p->needed_W, need_W);
            sum_W += need_W;
            p->wasted_J += NW_AIR_STEP_S * fmax(0.0, part->strap_W - need_W);
            p->missing_J += NW_AIR_STEP_S * fmax(0.0, need_W - part->strap_W);
            p->strapped_margin_K = fmin(p->strapped_margin_K, margin);
            if (margin <= 0.0 && isnan(p->strapped_wets_s)) {
                p->strapped_wets_s = r->state.t_s;
            }
        }
        p->needed_mean_W = desk->tape.n > 0 ? sum_W / (double)desk->tape.n : NAN;
    }
}

/* Least margins of a bare night with something else about the model or the weather. */
static enum nw_status least_margins(struct air_desk *desk, const struct nw_air_model *model,
                                    const struct nw_air_log *log, double open_s,
                                    double ret_K[NW_AIR_MAX_SURFACES]) {
    struct nw_air_heat_state state;
    const enum nw_status status =
        run_open(desk, model, log, open_s, desk->times->dawn_s, false, &state);
    for (size_t i = 0; i < model->n_parts && status == NW_OK; i++) {
        ret_K[i] = INFINITY;
        for (size_t k = 0; k < desk->tape.n; k++) {
            ret_K[i] = fmin(ret_K[i], air_night_margin_K(&desk->tape.items[k], i));
        }
    }
    return status;
}

static double sigma_of(const struct nw_val *val, double otherwise) {
    return isfinite(val->sigma) ? val->sigma : otherwise;
}

/* One standard error of each input moved at a time, the shifts added in quadrature. */
static enum nw_status spread(struct air_desk *desk, double open_s) {
    const struct nw_damp *const damp = &desk->rig->damp;
    struct nw_air_night *const night = desk->night;
    const size_t n = desk->log->n;
    double *const moved = nw_calloc(n * (NW_AIR_N_SERIES + desk->log->n_surfaces), sizeof *moved);
    double shifted[NW_AIR_MAX_SURFACES] = {0.0};
    double sum[NW_AIR_MAX_SURFACES] = {0.0};
    enum nw_status status = moved ? NW_OK : nw_err_set(desk->err, NW_NOMEM, "log of %zu rows", n);
    for (int what = 0; what < 3 && status == NW_OK; what++) {
        struct nw_air_model model = night->model;
        struct nw_air_log log = *desk->log;
        memcpy(moved, log.data, n * (NW_AIR_N_SERIES + log.n_surfaces) * sizeof *moved);
        log.data = moved;
        for (size_t i = 0; i < n; i++) {
            if (what == 0) { /* sensors and forecasts: 5 % of humidity (common practice) */
                const double saturation_Pa = nw_air_saturation_water_Pa(moved[i]);
                const double more_Pa =
                    log.n_surfaces == 0 ? desk->rig->site.relative_humidity.sigma : 0.05;
                double *const e_Pa = &moved[NW_AIR_VAPOUR * n + i];
                *e_Pa = fmin(*e_Pa + saturation_Pa * (isfinite(more_Pa) ? more_Pa : 0.05),
                             saturation_Pa);
            } else if (what == 1) {
                double *const wind = &moved[NW_AIR_WIND * n + i];
                *wind = fmax(0.0, *wind - sigma_of(&damp->wind_m_s, 0.0));
            }
        }
        for (size_t i = 0; what == 2 && i < model.n_parts; i++) {
            model.parts[i].sky_share =
                fmin(1.0, model.parts[i].sky_share + sigma_of(&damp->surfaces[i].sky_share, 0.0));
        }
        status = least_margins(desk, &model, &log, open_s, shifted);
        for (size_t i = 0; i < model.n_parts; i++) {
            sum[i] +=
                (shifted[i] - night->parts[i].margin_K) * (shifted[i] - night->parts[i].margin_K);
        }
    }
    for (size_t i = 0; i < night->model.n_parts; i++) {
        night->parts[i].margin_sigma_K = sqrt(sum[i]);
    }
    free(moved);
    return status;
}

/* ---- All of it ------------------------------------------------------------------------------ */

static enum nw_status work(struct air_desk *desk) {
    struct nw_air_night *const night = desk->night;
    const double dawn_s = desk->times->dawn_s;
    struct nw_air_heat_state state;
    enum nw_status status = open_and_settle(desk);
    const double open_s = isfinite(night->open_s) ? night->open_s : desk->times->dark_s;
    if (status == NW_OK) {
        read_bare(desk);
        status = spread(desk, open_s);
    }
    if (status == NW_OK) {
        status = run_open(desk, &night->model, desk->log, open_s, dawn_s, true, &state);
    }
    if (status == NW_OK) {
        read_strapped(desk);
        air_night_choose_closing(desk);
        status = run_open(desk, &night->model, desk->log, open_s, night->close_s, true, &state);
    }
    return status == NW_OK ? air_night_close(desk, state) : status;
}

enum nw_status nw_air_night_of(const struct nw_rig *rig, const struct nw_air_log *log,
                               const struct nw_air_times *times,
                               const struct nw_air_heat_state *start, struct nw_air_night *ret,
                               struct nw_err *err) {
    struct nw_air_night night = {.times = *times};
    enum nw_status status = nw_air_model_of(rig, &night.model, err);
    if (status != NW_OK) {
        return status;
    }
    if (!(times->begin_s <= times->sunset_s && times->sunset_s <= times->dark_s &&
          times->dark_s < times->dawn_s && times->dawn_s < times->end_s) ||
        (times->end_s - times->begin_s) / NW_AIR_STEP_S > MAX_RECORDS - 500) {
        return nw_err_set(err, NW_DOMAIN,
                          "begin, sunset, dark, dawn, end of the night are not in "
                          "order, or more than five days apart");
    }
    struct air_desk desk = {.rig = rig, .log = log, .times = times, .night = &night, .err = err};
    desk.tape.cap = MAX_RECORDS;
    desk.tape.items = nw_calloc(MAX_RECORDS, sizeof *desk.tape.items);
    if (!desk.tape.items) {
        return nw_err_set(err, NW_NOMEM, "a night of %d records", MAX_RECORDS);
    }
    desk.start =
        start ? *start
              : nw_air_start(&night.model, log, times->begin_s,
                             night.model.has_room ? rig->damp.room.warmer_at_sunset_K.v : 0.0);
    status = work(&desk);
    if (status == NW_OK) {
        night.records = desk.tape.items;
        night.n_records = desk.tape.n;
        desk.tape.items = NULL;
        *ret = night;
    }
    free(desk.tape.items);
    return status;
}

void nw_air_night_done(struct nw_air_night *night) {
    free(night->records);
    *night = (struct nw_air_night){0};
}
