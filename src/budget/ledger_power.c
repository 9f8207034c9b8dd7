/* ledger_power.c - the power budget: what the main supply has to give when cooling, straps and
 * slewing coincide, and beside it the drop to each load, each fuse, the energy.
 * Idea: every number is one of power/power.h; here they become lines, with what is allowed beside
 * them: the supply's current, the drop that leaves a load its least voltage, the fuse. */
#include <math.h>

#include "budget/ledger.h"
#include "power/power.h"
#include "power/power_log.h"

#define WHY_NULL "a power log tells it (power RIG LOG)"

struct desk {
    const struct nw_rig *rig;
    const struct nw_power_result *r;
    struct nw_ledger *ledger;
};

static const struct nw_circuit *circuit(const struct desk *desk, size_t i) {
    return desk->r->model.nodes[i].circuit;
}

static bool is_here(const struct desk *desk, size_t i) {
    return nw_power_source_of(&desk->r->model, i) == desk->r->main_source;
}

static struct nw_ledger_line *add(const struct desk *desk, const char *kind, const char *name,
                                  const char *label) {
    char id[72];
    (void)snprintf(id, sizeof id, "%.20s:%.48s", kind, name);
    struct nw_ledger_line *const line = nw_ledger_add(desk->ledger, id, label);
    line->basis = "sweeps of the tree (Shirmohammadi 1988), wires by IEC 60228";
    line->provenance = NW_FROM_GIVEN;
    nw_text_copy(line->why_null, sizeof line->why_null, WHY_NULL);
    return line;
}

/* What adds up at the main source: loads, supplies fed by it, hubs, wires. */
static void put_watts(const struct desk *desk) {
    const struct nw_power *const model = &desk->r->model;
    double lost_W = 0.0;
    double lost_variance = 0.0;
    double hubs_W = 0.0;
    for (size_t i = 0; i < model->n; i++) {
        const struct nw_circuit *const c = circuit(desk, i);
        const struct nw_power_circuit *const at = &desk->r->at[i];
        if (!is_here(desk, i)) {
            continue;
        }
        const double amps = at->amps[NW_POWER_ALL];
        lost_W += model->nodes[i].ohm * amps * amps;
        lost_variance += pow(model->nodes[i].sigma.ohm * amps * amps, 2.0);
        hubs_W += c->kind == NW_CIRCUIT_HUB ? model->nodes[i].own_W : 0.0;
        if (c->kind == NW_CIRCUIT_LOAD || c->kind == NW_CIRCUIT_SUPPLY) {
            struct nw_ledger_line *const line = add(desk, "load", c->name, c->name);
            line->predicted = at->watts[NW_POWER_ALL];
            line->predicted_sigma = at->watts_sigma[NW_POWER_ALL];
            line->provenance = c->peak_W.from == NW_FROM_UNKNOWN ? NW_FROM_GIVEN : c->peak_W.from;
            (void)snprintf(line->detail, sizeof line->detail, "%.2f A at %.2f V", amps,
                           at->volts[NW_POWER_ALL]);
        }
    }
    struct nw_ledger_line *const wires = add(desk, "wires", "all", "lost in wires and plugs");
    wires->predicted = lost_W;
    wires->predicted_sigma = sqrt(lost_variance);
    if (hubs_W > 0.0) {
        struct nw_ledger_line *const hubs = add(desk, "hubs", "all", "hubs themselves");
        hubs->predicted = hubs_W;
        hubs->predicted_sigma = 0.2 * hubs_W;
    }
}

static struct nw_ledger_line *beside(const struct desk *desk, const char *kind, const char *name,
                                     const char *what, const char *unit) {
    char label[72];
    (void)snprintf(label, sizeof label, "%s%.28s", what, name);
    struct nw_ledger_line *const line = add(desk, kind, name, label);
    line->is_summed = false;
    line->unit = unit;
    return line;
}

static void put_drops(const struct desk *desk) {
    const struct nw_power *const model = &desk->r->model;
    const double open_V = model->nodes[desk->r->main_source].open_V;
    for (size_t i = 0; i < model->n; i++) {
        const struct nw_circuit *const c = circuit(desk, i);
        if (is_here(desk, i) && c->kind == NW_CIRCUIT_LOAD) {
            const enum nw_power_moment m = nw_power_lowest(desk->r, i);
            struct nw_ledger_line *const line = beside(desk, "drop", c->name, "to ", "V");
            line->predicted = open_V - desk->r->at[i].volts[m];
            line->predicted_sigma = desk->r->at[i].volts_sigma[m];
            line->allowed = open_V - c->least_V.v;
            line->provenance = c->least_V.from;
            (void)snprintf(line->detail, sizeof line->detail, "%.2f V there, %s; least %.2f V",
                           desk->r->at[i].volts[m], nw_power_moment_name(m), c->least_V.v);
            desk->ledger->is_over = desk->ledger->is_over || line->predicted > line->allowed;
        }
    }
}

static void put_fuses(const struct desk *desk) {
    for (size_t i = 0; i < desk->r->model.n; i++) {
        const struct nw_circuit *const c = circuit(desk, i);
        if (c->fuse_A.from != NW_FROM_UNKNOWN) {
            const enum nw_power_moment m = nw_power_largest(desk->r, i);
            struct nw_ledger_line *const line = beside(desk, "fuse", c->name, "fuse, ", "A");
            line->predicted = desk->r->at[i].amps[m];
            line->predicted_sigma = desk->r->at[i].amps_sigma[m];
            line->allowed = c->fuse_A.v;
            line->basis =
                "the largest current through it in any moment, against what is written on it";
            desk->ledger->is_over = desk->ledger->is_over || line->predicted > line->allowed;
        }
    }
}

static void put_energy(const struct desk *desk) {
    struct nw_ledger_line *const night = beside(desk, "energy", "night", "energy, a ", "kWh");
    night->predicted = desk->r->night_J / 3.6e6;
    night->predicted_sigma = desk->r->night_sigma_J / 3.6e6;
    struct nw_ledger_line *const year = beside(desk, "energy", "year", "energy, a ", "kWh");
    year->predicted = desk->r->year_J / 3.6e6;
    year->predicted_sigma = desk->r->year_sigma_J / 3.6e6;
    night->basis = year->basis = "running x duty through the night, by_day else, losses included";
}

/* The listed area that brings the drop of a wire down to what is wanted; 0: none does. */
static double area_for_m2(const struct nw_circuit *c, double ohm) {
    static const double AREAS_MM2[] = {0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0};
    for (size_t i = 0; i < sizeof AREAS_MM2 / sizeof AREAS_MM2[0]; i++) {
        const double area_m2 = AREAS_MM2[i] * 1e-6;
        if (2.0 * c->wire_length_m.v * nw_wire_iec_ohm_per_m(NW_WIRE_FLEXIBLE, area_m2) <= ohm) {
            return area_m2;
        }
    }
    return 0.0;
}

/* A thicker wire for each load below its least voltage, or within two standard errors of it. */
static void advise_wires(const struct desk *desk) {
    for (size_t i = 0; i < desk->r->model.n; i++) {
        const struct nw_circuit *const c = circuit(desk, i);
        const struct nw_power_circuit *const at = &desk->r->at[i];
        const enum nw_power_moment m = nw_power_lowest(desk->r, i);
        const double margin_V = at->volts[m] - c->least_V.v;
        const bool is_short =
            c->kind == NW_CIRCUIT_LOAD && is_here(desk, i) && margin_V < 2.0 * at->volts_sigma[m];
        if (!is_short || c->wire_length_m.from == NW_FROM_UNKNOWN) {
            continue;
        }
        const double amps = at->amps[m];
        const double gain_V = 2.0 * at->volts_sigma[m] - margin_V;
        const double ohm = desk->r->model.nodes[i].ohm - c->contacts_ohm.v - gain_V / amps;
        const double area_m2 = area_for_m2(c, ohm);
        if (!(area_m2 > 0.0)) {
            continue;
        }
        struct nw_ledger_advice *const a = nw_ledger_add_advice(desk->ledger);
        (void)snprintf(a->change, sizeof a->change, "%.4g mm2 for the wire to %.48s", area_m2 * 1e6,
                       c->name);
        (void)snprintf(a->path, sizeof a->path, "circuits.%.48s.wire.area", c->name);
        (void)snprintf(a->value, sizeof a->value, "%.4g mm2", area_m2 * 1e6);
        a->effort = "purchase";
        (void)snprintf(a->why, sizeof a->why, "%.2f V there (%s), least %.2f V", at->volts[m],
                       nw_power_moment_name(m), c->least_V.v);
        (void)snprintf(a->prediction, sizeof a->prediction, "%.2f V there", at->volts[m] + gain_V);
    }
}

static void tell(const struct desk *desk) {
    struct nw_ledger *const l = desk->ledger;
    advise_wires(desk);
    bool has_measured = false;
    for (size_t i = 0; i < desk->r->model.n; i++) {
        has_measured = has_measured || circuit(desk, i)->running_W.from == NW_FROM_MEASURED;
    }
    if (!has_measured) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(l);
        nw_text_copy(u->what, sizeof u->what,
                     "what each load really takes: makers print what it may take");
        nw_text_copy(u->trial, sizeof u->trial, "a power log of one night, or a clamp meter");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "2 % of the current");
    }
    if (l->margin_percent > 25.0) {
        struct nw_ledger_advice *const a = nw_ledger_add_leave(l);
        nw_text_copy(a->change, sizeof a->change, "a stronger supply");
        (void)snprintf(a->why, sizeof a->why, "%.0f %% of this one is free even all at once",
                       l->margin_percent);
    }
    nw_ledger_caution(l, "mains in a damp shed kills: protective switch of 30 mA, earth, covers; "
                         "fixed wiring is an electrician's work, and local rules decide");
    nw_ledger_caution(l, "a fuse within a hand's width of a battery's + pole, rated below the "
                         "thinnest wire behind it (common practice, from memory)");
}

static void conclude(const struct desk *desk) {
    const struct nw_power_result *const r = desk->r;
    const struct nw_circuit *const c = circuit(desk, r->main_source);
    struct nw_ledger *const l = desk->ledger;
    const double all_A = r->at[r->main_source].out_A[NW_POWER_ALL];
    const double quiet_A = r->at[r->main_source].out_A[NW_POWER_QUIET];
    char first[120] = "";
    if (r->n_order > 0) {
        (void)snprintf(first, sizeof first, "; %.40s browns out first, below %.1f V there",
                       circuit(desk, r->order[0].circuit)->name, r->order[0].source_V);
    }
    if (c->kind == NW_CIRCUIT_SUPPLY) {
        (void)snprintf(l->verdict, sizeof l->verdict,
                       "%.40s gives %.1f A imaging and %.1f +- %.1f A all at once, of %.3g A%s",
                       c->name, quiet_A, all_A, r->at[r->main_source].out_sigma_A[NW_POWER_ALL],
                       c->current_A.v, first);
    } else {
        (void)snprintf(l->verdict, sizeof l->verdict,
                       "%.40s gives %.1f A imaging and %.1f A all at once%s", c->name, quiet_A,
                       all_A, first);
    }
}

enum nw_status nw_ledger_power(const struct nw_rig *rig, const struct nw_setup *setup,
                               struct nw_ledger *ret, struct nw_err *err) {
    struct nw_power_result *const r = nw_calloc(1, sizeof *r);
    if (!r) {
        return nw_err_set(err, NW_NOMEM, "power budget");
    }
    const enum nw_status status = nw_power_result_of(rig, setup, r, err);
    if (status == NW_OK) {
        const struct desk desk = {.rig = rig, .r = r, .ledger = ret};
        const struct nw_circuit *const main = circuit(&desk, r->main_source);
        const double open_V = r->model.nodes[r->main_source].open_V;
        ret->allowed = main->kind == NW_CIRCUIT_SUPPLY ? main->current_A.v * open_V : NAN;
        put_watts(&desk);
        nw_ledger_sum(ret);
        put_drops(&desk);
        put_fuses(&desk);
        put_energy(&desk);
        (void)snprintf(ret->aside, sizeof ret->aside, "%.40s, all at once", main->name);
        nw_text_copy(ret->sum_label, sizeof ret->sum_label, "what it has to give");
        nw_text_copy(ret->why_null, sizeof ret->why_null, WHY_NULL);
        conclude(&desk);
        tell(&desk);
    }
    free(r);
    return status;
}

/* ---- Measured ---- */

static struct nw_ledger_line *line_of(struct nw_ledger *ledger, const char *kind,
                                      const char *name) {
    char id[72];
    (void)snprintf(id, sizeof id, "%s:%.48s", kind, name);
    return nw_ledger_find(ledger, id);
}

static void put_measured(struct nw_ledger_line *line, double value, double sigma) {
    if (line && isfinite(value)) {
        line->measured = value;
        line->measured_sigma = sigma;
    }
}

void nw_ledger_power_measured(struct nw_ledger *ledger, const struct nw_power_result *result,
                              const struct nw_power_log *log) {
    const double open_V = result->model.nodes[result->main_source].open_V;
    for (size_t i = 0; i < result->model.n; i++) {
        const struct nw_power_seen *const seen = &log->seen[i];
        const char *const name = result->model.nodes[i].circuit->name;
        const bool is_apart = result->model.nodes[i].circuit->peaks == NW_PEAKS_ROOF;
        const double load_W = is_apart ? seen->usual_W : seen->high_W; /* not with the others */
        put_measured(line_of(ledger, "load", name), load_W, NW_POWER_METER_SHARE * load_W);
        put_measured(line_of(ledger, "fuse", name), seen->high_A,
                     NW_POWER_METER_SHARE * seen->high_A);
        put_measured(line_of(ledger, "drop", name), open_V - seen->low_V, NW_POWER_METER_V);
    }
    const struct nw_power_seen *const source = &log->seen[result->main_source];
    ledger->measured = source->high_W;
    ledger->measured_sigma = NW_POWER_METER_SHARE * source->high_W;
    if (isfinite(source->high_W)) {
        ledger->why_null[0] = '\0';
        const size_t at = strlen(ledger->verdict);
        (void)snprintf(ledger->verdict + at, sizeof ledger->verdict - at,
                       "; the log saw %.1f A at most", source->high_A);
    } else {
        nw_text_copy(ledger->why_null, sizeof ledger->why_null,
                     "the log has no volts and amps of the source itself");
    }
}
