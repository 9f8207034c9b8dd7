/* tree.c - currents and voltages in the tree of circuits; see power.h.
 * Idea: radial networks settle by sweeps: currents from the loads up, voltages from the sources
 * down, until nothing moves (forward-backward sweep, Shirmohammadi et al. 1988, IEEE Trans. Power
 * Syst. 3, 753). A supply makes its own voltage, so its input is a load of the circuit above. */
#include <math.h>

#include "power/power.h"

#define GIVES_UP 0.6 /* of the nominal voltage: converters stop drawing more current below it */
enum { MAX_SWEEPS = 400 };

const char *nw_power_moment_name(enum nw_power_moment moment) {
    static const char *const NAMES[] = {
#define X(name, text) text,
        NW_POWER_MOMENT_LIST(X)
#undef X
    };
    return NAMES[moment];
}

/* ---- From the rig ---- */

static double sigma_of(const struct nw_val *val, double share) {
    return isfinite(val->sigma) ? val->sigma : share * fabs(val->v);
}

static double value_of(const struct nw_val *val) {
    return val->from == NW_FROM_UNKNOWN ? 0.0 : val->v;
}

static void take_wire(const struct nw_circuit *c, struct nw_power_node *node) {
    const bool has_wire = c->wire_length_m.from != NW_FROM_UNKNOWN && c->wire_length_m.v > 0.0;
    if (!has_wire) {
        node->ohm = node->sigma.ohm = 0.0;
        return;
    }
    const double warm = nw_wire_at(c->wire_temperature_K.v);
    const double wire_ohm = 2.0 * c->wire_length_m.v * nw_wire_ohm_per_m(c) * warm;
    const double length = sigma_of(&c->wire_length_m, 0.05) / c->wire_length_m.v;
    const double of_temperature =
        0.00393 * (isfinite(c->wire_temperature_K.sigma) ? c->wire_temperature_K.sigma : 5.0);
    node->ohm = wire_ohm + value_of(&c->contacts_ohm);
    node->sigma.ohm = hypot(wire_ohm * hypot(hypot(0.05, length), of_temperature),
                            sigma_of(&c->contacts_ohm, 0.5));
}

static void take(const struct nw_circuit *c, struct nw_power_node *node) {
    *node = (struct nw_power_node){.circuit = c, .feeder = c->feeder};
    take_wire(c, node);
    node->open_V = c->voltage_V.v;
    node->sigma.open_V = sigma_of(&c->voltage_V, 0.01);
    node->inner_ohm = c->kind == NW_CIRCUIT_MAINS ? 0.0 : value_of(&c->inner_ohm);
    node->sigma.inner_ohm = c->kind == NW_CIRCUIT_MAINS ? 0.0 : sigma_of(&c->inner_ohm, 0.5);
    node->efficiency = c->efficiency.v;
    node->sigma.efficiency = sigma_of(&c->efficiency, 0.05);
    node->own_W = c->kind == NW_CIRCUIT_LOAD ? 0.0 : value_of(&c->own_W);
    node->sigma.own_W = sigma_of(&c->own_W, 0.2);
    node->power_factor = c->power_factor.v;
    if (c->kind == NW_CIRCUIT_LOAD) {
        node->running_W = c->running_W.v;
        node->peak_W = c->peak_W.v;
        node->duty = c->duty.v;
        node->by_day_W = value_of(&c->by_day_W);
        node->sigma.running_W = sigma_of(&c->running_W, 0.1);
        node->sigma.peak_W = sigma_of(&c->peak_W, 0.1);
        node->sigma.duty = sigma_of(&c->duty, 0.1);
        node->sigma.by_day_W = sigma_of(&c->by_day_W, 0.2);
    }
}

static bool is_source(enum nw_circuit_kind kind) {
    return kind == NW_CIRCUIT_MAINS || kind == NW_CIRCUIT_SUPPLY || kind == NW_CIRCUIT_BATTERY;
}

/* The nominal voltage at each circuit, and whether mains brings it. */
static void look_up(struct nw_power *power) {
    for (size_t k = 0; k < power->n; k++) {
        struct nw_power_node *const node = &power->nodes[power->order[k]];
        if (node->feeder == SIZE_MAX) {
            node->nominal_V = node->open_V;
            continue;
        }
        const struct nw_power_node *const above = &power->nodes[node->feeder];
        const enum nw_circuit_kind kind = above->circuit->kind;
        const bool makes =
            is_source(kind) && !(kind == NW_CIRCUIT_BATTERY && above->feeder != SIZE_MAX);
        node->nominal_V = makes ? above->open_V : above->nominal_V;
        node->is_on_mains =
            kind == NW_CIRCUIT_MAINS || (kind == NW_CIRCUIT_HUB && above->is_on_mains);
    }
}

/* What the setup has off, and all that hangs on it, draws nothing. */
static void switch_off(const struct nw_setup *setup, struct nw_power *power) {
    for (size_t k = 0; k < power->n; k++) {
        const size_t i = power->order[k];
        struct nw_power_node *const node = &power->nodes[i];
        node->is_off = node->feeder != SIZE_MAX && power->nodes[node->feeder].is_off;
        for (size_t j = 0; setup && j < setup->n_off; j++) {
            node->is_off = node->is_off || strcmp(setup->off[j], node->circuit->name) == 0;
        }
        if (node->is_off) {
            node->running_W = node->peak_W = node->by_day_W = node->own_W = 0.0;
            node->sigma.running_W = node->sigma.peak_W = 0.0;
            node->sigma.by_day_W = node->sigma.own_W = 0.0;
        }
    }
}

enum nw_status nw_power_of(const struct nw_rig *rig, const struct nw_setup *setup, double dark_s,
                           struct nw_power *ret, struct nw_err *err) {
    const struct nw_wiring *const w = rig->wiring;
    if (!w || w->n == 0) {
        return nw_err_set(err, NW_NOTFOUND,
                          "%s: no circuits are described (nightwright rig --keys "
                          "explains circuits.*)",
                          rig->path ? rig->path : "rig");
    }
    *ret = (struct nw_power){.wiring = w, .n = w->n};
    bool is_placed[NW_POWER_MAX] = {false};
    size_t n = 0;
    for (size_t depth = 0; depth < w->n && n < w->n; depth++) {
        for (size_t i = 0; i < w->n; i++) {
            const size_t feeder = w->items[i].feeder;
            if (!is_placed[i] && (feeder == SIZE_MAX || is_placed[feeder])) {
                is_placed[i] = true;
                ret->order[n++] = i;
            }
        }
    }
    for (size_t i = 0; i < w->n; i++) {
        take(&w->items[i], &ret->nodes[i]);
    }
    look_up(ret);
    switch_off(setup, ret);
    const struct nw_val *const night = &w->usage.night_s;
    const bool is_said = night->from != NW_FROM_UNKNOWN;
    ret->night_s = is_said ? night->v : dark_s;
    ret->night_sigma_s = is_said ? sigma_of(night, 0.05) : 0.05 * dark_s;
    ret->nights_a_year = w->usage.nights_a_year.v;
    ret->nights_sigma = sigma_of(&w->usage.nights_a_year, 0.1);
    return NW_OK;
}

bool nw_power_is_below(const struct nw_power *power, size_t i, size_t above) {
    while (i != SIZE_MAX && i != above) {
        i = power->nodes[i].feeder;
    }
    return i == above;
}

/* ---- Sweeps ---- */

static double draw_W(const struct nw_power_node *node, size_t i, const struct nw_power_case *c) {
    if (c->off >> i & 1u) {
        return 0.0;
    }
    if (c->is_day) {
        return node->by_day_W;
    }
    if (c->is_mean) {
        return node->running_W * node->duty;
    }
    const enum nw_peaks peaks = node->circuit->peaks;
    const bool is_peak =
        peaks == NW_PEAKS_ALWAYS || (peaks == NW_PEAKS_COOLING && c->moment == NW_POWER_COOLING) ||
        (peaks == NW_PEAKS_HEATING && c->moment == NW_POWER_HEATING) ||
        (peaks == NW_PEAKS_SLEWING && c->moment == NW_POWER_SLEWING) ||
        (peaks == NW_PEAKS_ROOF && c->moment == NW_POWER_ROOF) ||
        (peaks != NW_PEAKS_NEVER && peaks != NW_PEAKS_ROOF && c->moment == NW_POWER_ALL);
    return is_peak ? node->peak_W : node->running_W;
}

static double load_A(const struct nw_power_node *node, double watts, double volts) {
    const double nominal = node->nominal_V;
    if (!(volts > 0.0) || !(watts > 0.0)) {
        return 0.0;
    }
    switch (node->circuit->draws) {
    case NW_DRAWS_CURRENT:
        return watts / nominal;
    case NW_DRAWS_RESISTANCE:
        return watts * volts / (nominal * nominal);
    case NW_DRAWS_POWER:
        break;
    }
    return watts / fmax(volts, GIVES_UP * nominal);
}

/* What the circuit takes from its wire, when all that hangs on it takes out_A. */
static double input_A(const struct nw_power_node *node, size_t i, const struct nw_power_flow *flow,
                      const struct nw_power_case *c) {
    const double volts = fmax(flow->in_V, GIVES_UP * node->nominal_V);
    const double pf = node->is_on_mains ? node->power_factor : 1.0;
    switch (node->circuit->kind) {
    case NW_CIRCUIT_LOAD:
        return load_A(node, draw_W(node, i, c), flow->in_V) / pf;
    case NW_CIRCUIT_SUPPLY:
        return (flow->out_V * flow->out_A / node->efficiency + node->own_W) / (volts * pf);
    case NW_CIRCUIT_HUB:
        return flow->out_A + node->own_W / volts;
    case NW_CIRCUIT_MAINS:
    case NW_CIRCUIT_BATTERY:
    case NW_CIRCUIT_N_KINDS:
        break;
    }
    return flow->out_A;
}

/* The voltage that a circuit hands on. */
static double output_V(const struct nw_power_node *node, const struct nw_power_flow *flow,
                       const struct nw_power_case *c) {
    const double own_V = node->open_V - node->inner_ohm * flow->out_A;
    switch (node->circuit->kind) {
    case NW_CIRCUIT_MAINS:
        return c->is_cut ? 0.0 : node->open_V;
    case NW_CIRCUIT_SUPPLY:
        return flow->in_V > 0.0 ? own_V : 0.0;
    case NW_CIRCUIT_BATTERY: /* fed, it follows its charger */
        return flow->in_V > 0.0 ? flow->in_V : own_V;
    case NW_CIRCUIT_HUB:
    case NW_CIRCUIT_LOAD:
    case NW_CIRCUIT_N_KINDS:
        break;
    }
    return flow->in_V;
}

static void sweep_up(const struct nw_power *power, const struct nw_power_case *c,
                     struct nw_power_answer *a) {
    for (size_t i = 0; i < power->n; i++) {
        a->at[i].out_A = 0.0;
    }
    for (size_t k = power->n; k > 0; k--) {
        const size_t i = power->order[k - 1];
        const struct nw_power_node *const node = &power->nodes[i];
        struct nw_power_flow *const flow = &a->at[i];
        const bool is_fed = node->feeder != SIZE_MAX && flow->in_V > 0.0;
        flow->in_A = is_fed ? input_A(node, i, flow, c) : 0.0;
        if (node->feeder != SIZE_MAX) {
            a->at[node->feeder].out_A += flow->in_A;
        }
    }
}

/* Returns the largest move of a voltage. */
static double sweep_down(const struct nw_power *power, const struct nw_power_case *c,
                         struct nw_power_answer *a) {
    double most = 0.0;
    for (size_t k = 0; k < power->n; k++) {
        const size_t i = power->order[k];
        const struct nw_power_node *const node = &power->nodes[i];
        struct nw_power_flow *const flow = &a->at[i];
        if (node->feeder != SIZE_MAX) {
            const double up_V = a->at[node->feeder].out_V;
            const double new_V = up_V > 0.0 ? fmax(up_V - node->ohm * flow->in_A, 1e-3) : 0.0;
            most = fmax(most, fabs(new_V - flow->in_V));
            flow->in_V = 0.5 * (new_V + flow->in_V); /* half a step: does not swing */
        }
        flow->out_V = output_V(node, flow, c);
    }
    return most;
}

void nw_power_solve(const struct nw_power *power, const struct nw_power_case *which,
                    struct nw_power_answer *ret) {
    memset(ret, 0, sizeof *ret);
    for (size_t k = 0; k < power->n; k++) { /* without currents */
        const size_t i = power->order[k];
        const size_t feeder = power->nodes[i].feeder;
        ret->at[i].in_V = feeder == SIZE_MAX ? 0.0 : ret->at[feeder].out_V;
        ret->at[i].out_V = output_V(&power->nodes[i], &ret->at[i], which);
    }
    for (int sweep = 0; sweep < MAX_SWEEPS && !ret->is_settled; sweep++) {
        sweep_up(power, which, ret);
        ret->is_settled = sweep_down(power, which, ret) < 1e-9;
    }
    for (size_t i = 0; i < power->n; i++) {
        const struct nw_power_node *const node = &power->nodes[i];
        struct nw_power_flow *const flow = &ret->at[i];
        const double pf = node->is_on_mains ? node->power_factor : 1.0;
        flow->in_W = flow->in_V * flow->in_A * pf;
        flow->is_live = flow->out_V > 0.0;
        flow->is_over =
            node->circuit->kind == NW_CIRCUIT_SUPPLY && flow->out_A > node->circuit->current_A.v;
        ret->wires_W += node->ohm * flow->in_A * flow->in_A;
    }
}
