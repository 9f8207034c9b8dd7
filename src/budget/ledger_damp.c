/* ledger_damp.c - the damp budget: how far every surface stays above its dew or frost point in the
 * site's usual night, with its strap; under the cover; the room beside them.
 * Idea: margins do not add up: the least of the lenses and of the cover decides. The night is one
 * of twelve hours, dark for nine: `air` takes a date and a forecast. Models: air/night.h. */
#include <math.h>

#include "air/night.h"
#include "budget/ledger.h"

#define HOUR 3600.0
#define MODEL "heat and water in balance over the night (docs/air.md)"

static struct nw_ledger_line *put(struct nw_ledger *ledger, const char *id, const char *label,
                                  double predicted, double sigma) {
    struct nw_ledger_line *const line = nw_ledger_add(ledger, id, label);
    line->is_summed = false;
    line->predicted = predicted;
    line->predicted_sigma = sigma;
    line->allowed = ledger->allowed;
    line->provenance = NW_FROM_ASSUMED;
    line->basis = MODEL;
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "a climate log measures it: --climate LOG (docs/formats.md)");
    return line;
}

/* Lenses are judged; water on a tube does no harm but delays the cover. */
static void put_surfaces(const struct nw_rig *rig, const struct nw_air_night *night,
                         struct nw_ledger *ledger) {
    for (size_t i = 0; i < night->model.n_parts; i++) {
        const struct nw_dew_surface *const s = &rig->damp.surfaces[i];
        const struct nw_air_night_part *const p = &night->parts[i];
        char id[72];
        (void)snprintf(id, sizeof id, "surface:%.48s", s->name);
        const bool has_strap = p->given_W > 0.0;
        struct nw_ledger_line *const line = put(
            ledger, id, s->name, has_strap ? p->strapped_margin_K : p->margin_K, p->margin_sigma_K);
        line->attainable = ledger->allowed;
        line->allowed = s->kind[0] == 'l' ? ledger->allowed : NAN;
        (void)snprintf(line->detail, sizeof line->detail,
                       "%s; without strap %.1f K, %.1f g/m2 of water; needs %.1f W, has %.1f W",
                       p->is_frost ? "frost" : "dew", p->margin_K, 1e3 * p->water_kg_m2,
                       p->needed_W, p->given_W);
    }
}

static void put_cover(const struct nw_rig *rig, const struct nw_air_night *night,
                      struct nw_ledger *ledger) {
    if (!night->model.has_cover || !isfinite(night->cover_s)) {
        return;
    }
    /* its insulation is what is known least */
    const struct nw_air_box *const skin = &night->model.cover;
    const double share =
        rig->damp.cover.insulation_m2_K_W.sigma / (skin->insulation_m2_K_W + skin->films_m2_K_W);
    struct nw_ledger_line *const line =
        put(ledger, "cover", "under the cover", night->cover_margin_K,
            isfinite(share) ? night->cover_rise_K * share : NAN);
    (void)snprintf(line->detail, sizeof line->detail,
                   "heater %.0f W on a loss of %.1f W/K: %.1f K; %.0f W suffice",
                   night->model.cover_heater_W, night->cover_loss_W_K, night->cover_rise_K,
                   night->cover_needed_W);
}

static void put_room(const struct nw_air_night *night, struct nw_ledger *ledger) {
    if (!night->model.has_room) {
        return;
    }
    struct nw_ledger_line *const humidity = put(ledger, "room_humidity", "room, humidity, closed",
                                                100.0 * night->room_humidity_end, NAN);
    humidity->unit = "%";
    humidity->allowed = NAN; /* the rest of the column is the least that is wanted, this the most */
    (void)snprintf(humidity->detail, sizeof humidity->detail,
                   "eight hours after closing; wanted at most %.0f %%; without dryer %.0f %%",
                   100.0 * night->model.dryer_target, 100.0 * night->undried_humidity_end);
    struct nw_ledger_line *const leak =
        put(ledger, "room_leak", "room, water that leaks in", 1e3 * HOUR * night->leak_kg_s, NAN);
    leak->unit = "g/h";
    leak->allowed = NAN;
    (void)snprintf(leak->detail, sizeof leak->detail,
                   "the dryer takes %.0f g/h; %.0f g in the air and %.0f g in walls at closing",
                   1e3 * HOUR * night->dryer_kg_s, 1e3 * night->room_air_water_kg,
                   1e3 * night->room_wall_water_kg);
}

/* The judged line with the least margin. */
static void decide(struct nw_ledger *ledger) {
    double least = INFINITY;
    ledger->limiting = ledger->n_lines;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        const struct nw_ledger_line *const line = &ledger->lines[i];
        if (strcmp(line->unit, "K") == 0 && isfinite(line->allowed) && line->predicted < least) {
            least = line->predicted;
            ledger->limiting = i;
        }
    }
    if (ledger->limiting == ledger->n_lines) {
        nw_text_copy(ledger->verdict, sizeof ledger->verdict,
                     "no lens and no cover is described: nothing is judged");
        return;
    }
    const struct nw_ledger_line *const line = &ledger->lines[ledger->limiting];
    const double sigma = isfinite(line->predicted_sigma) ? line->predicted_sigma : 0.0;
    ledger->predicted = line->predicted;
    ledger->predicted_sigma = line->predicted_sigma;
    ledger->is_over = line->predicted < ledger->allowed;
    ledger->over_probability =
        0.5 * erfc((line->predicted - ledger->allowed) / (sqrt(2.0) * fmax(sigma, 1e-9)));
    ledger->margin_percent =
        ledger->allowed > 0.0 ? 100.0 * (line->predicted / ledger->allowed - 1.0) : NAN;
    (void)snprintf(ledger->verdict, sizeof ledger->verdict,
                   "nearest to its dew point: %.48s, %.1f +- %.1f K above, %.1f wanted: %s",
                   line->label, line->predicted, sigma, ledger->allowed,
                   line->predicted <= 0.0 ? "it gets wet"
                   : ledger->is_over      ? "too near"
                                          : "dry");
}

static void advise(const struct nw_rig *rig, const struct nw_air_night *night,
                   struct nw_ledger *ledger) {
    for (size_t i = 0; i < night->model.n_parts; i++) {
        const struct nw_dew_surface *const s = &rig->damp.surfaces[i];
        const struct nw_air_night_part *const p = &night->parts[i];
        if (s->kind[0] != 'l') {
            continue;
        }
        if (p->missing_J > 0.0) {
            struct nw_ledger_advice *const a = nw_ledger_add_advice(ledger);
            a->effort = "purchase";
            (void)snprintf(a->change, sizeof a->change, "a strap of %.1f W on %.48s", p->needed_W,
                           s->name);
            (void)snprintf(a->path, sizeof a->path, "surfaces.%.48s.strap", s->name);
            (void)snprintf(a->value, sizeof a->value, "%.1f W", p->needed_W);
            (void)snprintf(a->prediction, sizeof a->prediction,
                           "it stays %.1f K above the dew point in the usual night; a probe on its "
                           "cell that falls below would refute this",
                           ledger->allowed);
            (void)snprintf(a->why, sizeof a->why, "%.1f W are there, %.1f W are needed at worst",
                           p->given_W, p->needed_W);
        } else if (p->given_W > 0.0) {
            struct nw_ledger_advice *const a = nw_ledger_add_leave(ledger);
            (void)snprintf(a->change, sizeof a->change, "a stronger strap on %.48s", s->name);
            (void)snprintf(a->why, sizeof a->why,
                           "%.1f W are needed at worst, %.1f W are there: %.0f Wh of a night warm "
                           "the air in front of the lens; turn it down",
                           p->needed_W, p->given_W, p->wasted_J / HOUR);
        }
    }
    if (night->model.has_cover && isfinite(night->cover_s) &&
        night->cover_needed_W > night->model.cover_heater_W) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(ledger);
        a->effort = "purchase";
        (void)snprintf(a->change, sizeof a->change, "%.0f W under the cover, or padding",
                       night->cover_needed_W);
        (void)snprintf(a->path, sizeof a->path, "cover.heater");
        (void)snprintf(a->value, sizeof a->value, "%.0f W", night->cover_needed_W);
        nw_text_copy(a->prediction, sizeof a->prediction,
                     "a probe under the cover stays above the room's dew point by what is wanted");
        (void)snprintf(a->why, sizeof a->why, "%.0f W hold %.1f K only, by its area and insulation",
                       night->model.cover_heater_W, night->cover_rise_K);
    }
}

static void tell_unknown(const struct nw_air_night *night, struct nw_ledger *ledger) {
    struct nw_ledger_unknown *u = nw_ledger_add_unknown(ledger);
    nw_text_copy(u->what, sizeof u->what,
                 "how much of a strap's heat reaches the glass: strap needs are as uncertain");
    nw_text_copy(u->trial, sizeof u->trial,
                 "a probe on the cell, strap an hour off, an hour on, logged");
    nw_text_copy(u->settles_to, sizeof u->settles_to, "10 % of the strap's power");
    u->minutes = 120;
    if (night->model.has_room) {
        u = nw_ledger_add_unknown(ledger);
        nw_text_copy(u->what, sizeof u->what,
                     "air changes and loss of the room, water in its walls: defaults until logged");
        nw_text_copy(u->trial, sizeof u->trial,
                     "log room and outside for a closed night, a heater of known watts two hours "
                     "off, two hours on");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "2 % of the loss, 25 % of air changes");
    }
}

enum nw_status nw_ledger_damp(const struct nw_rig *rig, const struct nw_setup *setup,
                              struct nw_ledger *ret, struct nw_err *err) {
    const struct nw_air_times times = {.begin_s = 0.0,
                                       .sunset_s = 0.0,
                                       .dark_s = 1.5 * HOUR,
                                       .dawn_s = 10.5 * HOUR,
                                       .end_s = 18.5 * HOUR};
    struct nw_air_log log = {0};
    struct nw_air_night night = {0};
    struct nw_air_model model;
    (void)setup; /* surfaces belong to the rig: what is mounted gets wet, used or not */
    enum nw_status status = nw_air_model_of(rig, &model, err);
    if (status == NW_OK) {
        status = nw_air_log_usual(rig, times.begin_s, 6.0 * HOUR, 11.5 * HOUR, &log, err);
    }
    if (status == NW_OK) {
        status = nw_air_night_of(rig, &log, &times, NULL, &night, err);
    }
    if (status == NW_OK) {
        ret->is_floor = true;
        ret->allowed = rig->damp.margin_K.v;
        put_surfaces(rig, &night, ret);
        put_cover(rig, &night, ret);
        put_room(&night, ret);
        decide(ret);
        advise(rig, &night, ret);
        tell_unknown(&night, ret);
        nw_text_copy(ret->sum_label, sizeof ret->sum_label, "the nearest decides");
        nw_text_copy(ret->aside, sizeof ret->aside, "usual night, above dew or frost point");
        nw_text_copy(ret->why_null, sizeof ret->why_null,
                     "a climate log measures it: --climate LOG (docs/formats.md)");
        nw_ledger_caution(ret, "mains in a damp room: residual-current device of 30 mA, "
                               "electrician, local rules; heaters and dryers unattended: "
                               "thermostat, cut-out, nothing on the outlet, smoke alarm");
        nw_ledger_caution(ret, "never cover a wet lens");
    }
    nw_air_night_done(&night);
    nw_air_log_done(&log);
    return status;
}
