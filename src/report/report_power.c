/* report_power.c - the page of `power`: the tree, headroom, who goes first, energy, power cuts. */
#include "report/report_power.h"

#include <math.h>

enum { HEAD = 16 };

char *nw_report_wire(char *text, size_t size, const struct nw_circuit *c) {
    if (c->wire_length_m.from == NW_FROM_UNKNOWN || !(c->wire_length_m.v > 0.0)) {
        nw_text_copy(text, size, "");
    } else if (c->wire_area_m2.from == NW_FROM_UNKNOWN) {
        (void)snprintf(text, size, "%.4g m of gauge %.3g", c->wire_length_m.v, c->wire_gauge.v);
    } else {
        (void)snprintf(text, size, "%.4g m of %.4g mm2", c->wire_length_m.v,
                       c->wire_area_m2.v * 1e6);
    }
    return text;
}

static const struct nw_circuit *circuit(const struct nw_power_report *r, size_t i) {
    return r->result->model.nodes[i].circuit;
}

/* ---- The tree ---- */

static void tree_row(const struct nw_power_report *r, size_t i, int depth, struct nw_buf *buf) {
    const struct nw_circuit *const c = circuit(r, i);
    const struct nw_power_circuit *const at = &r->result->at[i];
    const bool is_root = r->result->model.nodes[i].feeder == SIZE_MAX;
    const enum nw_power_moment low = nw_power_lowest(r->result, i);
    const enum nw_power_moment most = nw_power_largest(r->result, i);
    char name[80];
    char wire[40];
    (void)snprintf(name, sizeof name, "%*s%s", 2 + 2 * (depth < 8 ? depth : 8), "", c->name);
    nw_report_left(buf, 27, name);
    nw_report_left(buf, 17,
                   r->result->model.nodes[i].is_off ? "off" : nw_report_wire(wire, sizeof wire, c));
    if (is_root) {
        nw_report_fixed(buf, 7, c->voltage_V.v, 2);
        nw_buf_printf(buf, "\n");
        return;
    }
    nw_report_fixed(buf, 7, at->volts[NW_POWER_QUIET], 2);
    nw_report_fixed(buf, 6, at->amps[NW_POWER_QUIET], 2);
    nw_report_fixed(buf, 8, at->volts[low], 2);
    nw_report_fixed(buf, 6, at->amps[most], 2);
    nw_report_fixed(buf, 5, c->kind == NW_CIRCUIT_LOAD ? c->least_V.v : NAN,
                    c->least_V.v < 100.0 ? 1 : 0);
    nw_report_fixed(buf, 4, c->fuse_A.v, 0);
    nw_buf_printf(buf, "\n");
}

static void tree_below(const struct nw_power_report *r, size_t above, int depth,
                       struct nw_buf *buf) {
    for (size_t i = 0; i < r->result->model.n; i++) {
        if (r->result->model.nodes[i].feeder == above) {
            tree_row(r, i, depth, buf);
            tree_below(r, i, depth + 1, buf);
        }
    }
}

static void tree(const struct nw_power_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf,
                  "                                                imaging     the worst  least"
                  " fuse\n  circuit                  wire                    V     A       V     "
                  "A    V   A\n");
    tree_below(r, SIZE_MAX, 0, buf);
}

/* ---- Headroom ---- */

static void moments(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_result *const p = r->result;
    const struct nw_circuit *const source = circuit(r, p->main_source);
    char text[48];
    nw_buf_printf(buf, "\n  ");
    nw_report_left(buf, 30, source->name);
    nw_buf_printf(buf, "%16s%8s%18s\n", "A", "W", "lost in wires, W");
    for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
        const double amps = p->at[p->main_source].out_A[m];
        nw_buf_printf(buf, "    ");
        nw_report_left(buf, 28, nw_power_moment_name((enum nw_power_moment)m));
        (void)snprintf(text, sizeof text, "%.2f +- %.2f", amps,
                       p->at[p->main_source].out_sigma_A[m]);
        nw_report_right(buf, 16, text);
        nw_report_fixed(buf, 8,
                        amps * (p->model.nodes[p->main_source].open_V -
                                p->model.nodes[p->main_source].inner_ohm * amps),
                        1);
        nw_report_fixed(buf, 18, p->wires_W[m], 1);
        if (source->kind == NW_CIRCUIT_SUPPLY) {
            nw_buf_printf(buf, "   %3.0f %% free", 100.0 * (1.0 - amps / source->current_A.v));
        }
        nw_buf_printf(buf, "\n");
    }
    nw_buf_printf(buf, "    at once: cooling down, straps in full and slewing\n\n");
}

static void supplies(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_result *const p = r->result;
    char text[300];
    bool is_first = true;
    for (size_t i = 0; i < p->model.n; i++) {
        const struct nw_circuit *const c = circuit(r, i);
        double most_A = 0.0;
        int at = 0;
        for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
            at = p->at[i].out_A[m] > most_A ? m : at;
            most_A = fmax(most_A, p->at[i].out_A[m]);
        }
        if (c->kind != NW_CIRCUIT_SUPPLY) {
            continue;
        }
        const double share = most_A / c->current_A.v;
        (void)snprintf(text, sizeof text, "%s: %.1f +- %.1f of %.3g A (%s)%s", c->name, most_A,
                       p->at[i].out_sigma_A[at], c->current_A.v,
                       nw_power_moment_name((enum nw_power_moment)at),
                       share > 1.0   ? ": too much, it cuts off or sags"
                       : share > 0.8 ? "; above 80 % for long it runs hot (common practice, no "
                                       "source)"
                                     : ": room to spare");
        nw_report_entry(buf, 2, HEAD, is_first ? "SUPPLIES" : "", text);
        is_first = false;
    }
}

static void fuses(const struct nw_power_report *r, struct nw_buf *buf) {
    char text[300];
    bool is_first = true;
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_circuit *const c = circuit(r, i);
        const struct nw_power_circuit *const at = &r->result->at[i];
        if (c->fuse_A.from == NW_FROM_UNKNOWN) {
            continue;
        }
        const double most_A = at->amps[nw_power_largest(r->result, i)];
        text[0] = '\0';
        if (most_A > c->fuse_A.v) {
            (void)snprintf(text, sizeof text, "%s: %.1f A through %.3g A: it blows", c->name,
                           most_A, c->fuse_A.v);
        } else if (at->fuse_is_idle) {
            (void)snprintf(text, sizeof text,
                           "%s: %.3g A, but the supply above gives no more than that: on a short "
                           "the supply gives up and the fuse does not blow",
                           c->name, c->fuse_A.v);
        } else if (at->short_A < 3.0 * c->fuse_A.v) {
            (void)snprintf(text, sizeof text,
                           "%s: a short drives %.0f A through %.3g A only: it blows late", c->name,
                           at->short_A, c->fuse_A.v);
        }
        if (text[0] != '\0') {
            nw_report_entry(buf, 2, HEAD, is_first ? "FUSES" : "", text);
            is_first = false;
        }
    }
    if (is_first) {
        nw_report_entry(buf, 2, HEAD, "FUSES", "none is over, all that are described can blow");
    }
}

static void order(const struct nw_power_report *r, struct nw_buf *buf) {
    enum { SHOWN = 4 };
    const struct nw_power_result *const p = r->result;
    const struct nw_circuit *const source = circuit(r, p->main_source);
    char text[300];
    for (size_t i = 0; i < p->n_order && i < SHOWN; i++) {
        const struct nw_circuit *const c = circuit(r, p->order[i].circuit);
        const bool is_now = p->order[i].source_V >= p->model.nodes[p->main_source].open_V;
        (void)snprintf(text, sizeof text, "%s%s, %s %.2f +- %.2f V at %s (%.4g V at its plug%s)",
                       i == 0 ? "first " : "then ", c->name, is_now ? "already at" : "below",
                       p->order[i].source_V, p->order[i].source_sigma_V, source->name, c->least_V.v,
                       c->least_V.from == NW_FROM_ASSUMED ? ", assumed" : "");
        nw_report_entry(buf, 2, HEAD, i == 0 ? "GOES FIRST" : "", text);
    }
}

static void energy(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_result *const p = r->result;
    char text[300];
    (void)snprintf(text, sizeof text,
                   "%.0f +- %.0f Wh a night of %.1f h (%.0f W mean); %.0f +- %.0f kWh a year of "
                   "%.0f nights; by day %.1f W stay on",
                   p->night_J / 3600.0, p->night_sigma_J / 3600.0, p->model.night_s / 3600.0,
                   p->root_W, p->year_J / 3.6e6, p->year_sigma_J / 3.6e6, p->model.nights_a_year,
                   p->day_W);
    nw_report_entry(buf, 2, HEAD, "ENERGY", text);
}

/* ---- Power cuts ---- */

static void goes_dark(const struct nw_power_report *r, struct nw_buf *buf) {
    char text[900] = "";
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_circuit *const c = circuit(r, i);
        if (r->result->at[i].goes_dark && c->kind == NW_CIRCUIT_LOAD) {
            const size_t at = strlen(text);
            (void)snprintf(text + at, sizeof text - at, "%s%s%s%s%s", at > 0 ? "; " : "", c->name,
                           c->goes_with[0] ? " (" : "", c->goes_with, c->goes_with[0] ? ")" : "");
        }
    }
    nw_report_entry(buf, 2, HEAD, "A CUT TAKES", text[0] ? text : "nothing at once");
}

static void batteries(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_result *const p = r->result;
    char text[400];
    for (size_t b = 0; b < p->n_batteries; b++) {
        const struct nw_battery_answer *const answer = &p->batteries[b];
        for (size_t k = 0; k < answer->n_cases; k++) {
            const struct nw_battery_case *const c = &answer->cases[k];
            const bool is_long = c->time_s > 5400.0;
            const double unit_s = is_long ? 3600.0 : 60.0;
            (void)snprintf(text, sizeof text, "%s: %.*f +- %.*f %s at %.1f A", c->what, is_long,
                           c->time_s / unit_s, is_long, c->time_sigma_s / unit_s,
                           is_long ? "h" : "min", c->amps);
            nw_report_entry(buf, 2, HEAD, k == 0 ? circuit(r, answer->circuit)->name : "", text);
        }
    }
}

static void closing(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_result *const p = r->result;
    char text[400];
    char powered[48];
    char by_hand[48];
    bool is_carried = true;
    for (size_t i = 0; i < p->model.n; i++) {
        is_carried = is_carried && !(circuit(r, i)->is_needed_to_close && p->at[i].goes_dark);
    }
    const char *const time = nw_report_duration(powered, sizeof powered, p->close_s);
    const char *const hand = nw_report_duration(by_hand, sizeof by_hand, p->hand_s);
    (void)snprintf(text, sizeof text,
                   is_carried ? "parking and the roof take %s with power; all that this needs is "
                                "carried (by hand: %s)"
                              : "parking and the roof take %s with power, but not all that this "
                                "needs is carried: %s by hand",
                   time, hand);
    nw_report_entry(buf, 2, HEAD, "TO CLOSE", text);
}

void nw_report_power_text(const struct nw_power_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "POWER", r->rig->name);
    nw_buf_printf(buf, "setup %s\n", r->setup->name);
    nw_buf_printf(buf, "\n");
    tree(r, buf);
    moments(r, buf);
    supplies(r, buf);
    fuses(r, buf);
    order(r, buf);
    energy(r, buf);
    goes_dark(r, buf);
    batteries(r, buf);
    closing(r, buf);
    if (r->log) {
        nw_report_power_log_text(r, buf);
    }
    nw_report_entry(buf, 2, HEAD, "CAUTION",
                    "mains in a damp shed kills: protective switch of 30 mA, earth, covers; fixed "
                    "wiring is an electrician's work, and local rules decide. A fuse within a "
                    "hand's width of a battery's + pole, rated below the thinnest wire behind it. "
                    "No lithium battery is charged below 0 degC. Heaters and dryers left alone "
                    "need a cut-out of their own.");
}

/* ---- JSON ---- */

static void circuit_json(const struct nw_power_report *r, size_t i, struct nw_json *json,
                         json_t *array) {
    const struct nw_circuit *const c = circuit(r, i);
    const struct nw_power_circuit *const at = &r->result->at[i];
    const struct nw_power_node *const node = &r->result->model.nodes[i];
    const bool is_root = node->feeder == SIZE_MAX;
    json_t *const o = nw_json_item(json, array);
    nw_json_text(json, o, "name", c->name);
    nw_json_text(json, o, "kind", nw_circuit_kind_name(c->kind));
    nw_json_text(json, o, "fed_by", is_root ? NULL : circuit(r, node->feeder)->name);
    nw_json_number(json, o, "wire_ohm", is_root ? NAN : node->ohm, 5);
    nw_json_number(json, o, "wire_sigma_ohm", is_root ? NAN : node->sigma.ohm, 3);
    nw_json_number(json, o, "fuse_a", c->fuse_A.v, 5);
    nw_json_number(json, o, "least_v", c->kind == NW_CIRCUIT_LOAD ? c->least_V.v : NAN, 5);
    nw_json_number(json, o, "short_a", at->short_A, 4);
    nw_json_bool(json, o, "fuse_is_idle", at->fuse_is_idle);
    nw_json_bool(json, o, "goes_dark_in_a_cut", at->goes_dark);
    nw_json_number(json, o, "night_wh", is_root ? NAN : at->night_J / 3600.0, 5);
    json_t *const moments = nw_json_array(json, o, "moments");
    for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
        json_t *const one = nw_json_item(json, moments);
        nw_json_text(json, one, "moment", nw_power_moment_name((enum nw_power_moment)m));
        nw_json_number(json, one, "v", is_root ? node->open_V : at->volts[m], 6);
        nw_json_number(json, one, "sigma_v", at->volts_sigma[m], 3);
        nw_json_number(json, one, "a", is_root ? at->out_A[m] : at->amps[m], 6);
        nw_json_number(json, one, "sigma_a", is_root ? at->out_sigma_A[m] : at->amps_sigma[m], 3);
        nw_json_number(json, one, "w", at->watts[m], 6);
        nw_json_number(json, one, "out_a", at->out_A[m], 6);
    }
    if (is_root) {
        nw_json_why(json, o, "wire_ohm", "nothing feeds it");
    } else if (c->fuse_A.from == NW_FROM_UNKNOWN) {
        nw_json_why(json, o, "fuse_a", "circuits.*.fuse is not in the rig file");
    }
}

static void batteries_json(const struct nw_power_report *r, struct nw_json *json) {
    json_t *const list = nw_json_array(json, NULL, "batteries");
    for (size_t b = 0; b < r->result->n_batteries; b++) {
        const struct nw_battery_answer *const answer = &r->result->batteries[b];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "name", circuit(r, answer->circuit)->name);
        json_t *const cases = nw_json_array(json, o, "carries");
        for (size_t k = 0; k < answer->n_cases; k++) {
            json_t *const one = nw_json_item(json, cases);
            nw_json_text(json, one, "what", answer->cases[k].what);
            nw_json_number(json, one, "a", answer->cases[k].amps, 5);
            nw_json_number(json, one, "time_h", answer->cases[k].time_s / 3600.0, 5);
            nw_json_number(json, one, "time_sigma_h", answer->cases[k].time_sigma_s / 3600.0, 3);
        }
    }
}

enum nw_status nw_report_power_json(const struct nw_power_report *r, json_t **ret,
                                    struct nw_err *err) {
    const struct nw_power_result *const p = r->result;
    struct nw_json json;
    nw_json_begin(&json, "power", 1);
    nw_json_text(&json, NULL, "rig", r->rig->name);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    json_t *const list = nw_json_array(&json, NULL, "circuits");
    for (size_t i = 0; i < p->model.n; i++) {
        circuit_json(r, i, &json, list);
    }
    nw_json_text(&json, NULL, "main_source", circuit(r, p->main_source)->name);
    json_t *const first = nw_json_array(&json, NULL, "brown_out_order");
    for (size_t i = 0; i < p->n_order; i++) {
        json_t *const o = nw_json_item(&json, first);
        nw_json_text(&json, o, "name", circuit(r, p->order[i].circuit)->name);
        nw_json_number(&json, o, "source_v", p->order[i].source_V, 5);
        nw_json_number(&json, o, "source_sigma_v", p->order[i].source_sigma_V, 3);
    }
    nw_json_number(&json, NULL, "night_h", p->model.night_s / 3600.0, 4);
    nw_json_number(&json, NULL, "night_wh", p->night_J / 3600.0, 5);
    nw_json_number(&json, NULL, "night_sigma_wh", p->night_sigma_J / 3600.0, 3);
    nw_json_number(&json, NULL, "year_kwh", p->year_J / 3.6e6, 5);
    nw_json_number(&json, NULL, "year_sigma_kwh", p->year_sigma_J / 3.6e6, 3);
    nw_json_number(&json, NULL, "day_w", p->day_W, 4);
    batteries_json(r, &json);
    nw_json_number(&json, NULL, "close_s", p->close_s, 4);
    nw_json_number(&json, NULL, "close_by_hand_s", p->hand_s, 4);
    nw_report_power_log_json(r, &json);
    return nw_json_end(&json, ret, err);
}
