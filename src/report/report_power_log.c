/* report_power_log.c - a power log beside what the circuits foretell: loads, wires, the source. */
#include <math.h>

#include "report/report_power.h"

enum { HEAD = 16 };
#define FAR 3.0 /* standard errors: worth a word */

static const struct nw_circuit *circuit(const struct nw_power_report *r, size_t i) {
    return r->result->model.nodes[i].circuit;
}

/* ---- Loads ---- */

static void load_row(const struct nw_power_report *r, size_t i, struct nw_buf *buf) {
    const struct nw_circuit *const c = circuit(r, i);
    const struct nw_power_seen *const seen = &r->log->seen[i];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 26, c->name);
    nw_report_fixed(buf, 9, seen->foretold_W, 1);
    nw_report_fixed(buf, 10, seen->usual_W, 1);
    nw_report_fixed(buf, 9, c->peak_W.v, 1);
    nw_report_fixed(buf, 10, seen->high_W, 1);
    nw_buf_printf(buf, "%s%s\n",
                  seen->usual_off > FAR    ? "   more"
                  : seen->usual_off < -FAR ? "   less"
                                           : "",
                  seen->high_off > FAR ? "   peak" : "");
}

static void loads(const struct nw_power_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\n  W                            usual  measured     peak  measured\n");
    for (size_t i = 0; i < r->result->model.n; i++) {
        if (circuit(r, i)->kind == NW_CIRCUIT_LOAD && isfinite(r->log->seen[i].mean_W)) {
            load_row(r, i, buf);
        }
    }
    nw_report_paragraph(buf, 2,
                        "usual: the median where the peak is rare (cooling, slewing, roof), else "
                        "the mean. more, less, peak: over three standard errors from what was "
                        "foretold; a peak below it may not have come that night.");
}

/* ---- Wires ---- */

static void wires(const struct nw_power_report *r, struct nw_buf *buf) {
    char text[300];
    bool is_first = true;
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_power_seen *const s = &r->log->seen[i];
        const struct nw_power_node *const node = &r->result->model.nodes[i];
        if (!isfinite(s->loop_ohm)) {
            continue;
        }
        const int n = snprintf(text, sizeof text,
                               "to %s: %.0f +- %.0f mohm with its plugs, foretold %.0f +- %.0f",
                               circuit(r, i)->name, s->loop_ohm * 1e3, s->loop_sigma_ohm * 1e3,
                               node->ohm * 1e3, node->sigma.ohm * 1e3);
        if (s->loop_off > FAR) {
            (void)snprintf(text + n, sizeof text - (size_t)n,
                           ". TOO MUCH, by %.1f standard errors: a bad joint or a thinner wire; "
                           "%.1f W of heat in it at the largest current. Feel the plugs, with "
                           "power off",
                           s->loop_off, s->heat_W);
        }
        nw_report_entry(buf, 2, HEAD, is_first ? "WIRES" : "", text);
        is_first = false;
    }
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_power_seen *const s = &r->log->seen[i];
        const bool is_asked = circuit(r, i)->kind == NW_CIRCUIT_HUB && s->why_null[0] != '\0';
        if (is_asked && s->is_logged) {
            (void)snprintf(text, sizeof text, "the wire to %s: %s", circuit(r, i)->name,
                           s->why_null);
            nw_report_entry(buf, 2, HEAD, "CANNOT TELL", text);
        }
    }
}

static void source(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_log *const log = r->log;
    const struct nw_power_node *const node = &r->result->model.nodes[r->result->main_source];
    const struct nw_power_seen *const s = &log->seen[r->result->main_source];
    char text[300];
    if (isfinite(log->open_V)) {
        (void)snprintf(text, sizeof text,
                       "%s: %.2f +- %.2f V without load (foretold %.2f), %.1f +- %.1f mohm inside "
                       "(%.1f); %.1f A and %.0f W at most, %.0f Wh in all",
                       node->circuit->name, log->open_V, log->open_sigma_V, node->open_V,
                       log->inner_ohm * 1e3, log->inner_sigma_ohm * 1e3, node->inner_ohm * 1e3,
                       s->high_A, s->high_W, s->energy_J / 3600.0);
    } else {
        (void)snprintf(text, sizeof text,
                       "%s: its own volts and amps are not logged, or its "
                       "current hardly moves",
                       node->circuit->name);
    }
    nw_report_entry(buf, 2, HEAD, "SOURCE", text);
}

/* Lines for the rig file, where the log knows better. */
static void rig_lines(const struct nw_power_report *r, struct nw_buf *buf) {
    bool is_first = true;
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_power_seen *const s = &r->log->seen[i];
        const struct nw_circuit *const c = circuit(r, i);
        if (c->kind != NW_CIRCUIT_LOAD || !(fabs(s->usual_off) > FAR) || !(c->duty.v > 0.0)) {
            continue;
        }
        const double running_W = s->usual_W * c->running_W.v / s->foretold_W;
        if (is_first) {
            nw_buf_printf(buf, "  FOR THE RIG FILE, under circuits; next night's log then judges "
                               "them\n");
            is_first = false;
        }
        nw_buf_printf(buf, "    %s: running: {value: %.3g W, sigma: %.2g W, from: measured}\n",
                      c->name, running_W, fmax(NW_POWER_METER_SHARE * running_W, 0.02));
    }
}

void nw_report_power_log_text(const struct nw_power_report *r, struct nw_buf *buf) {
    const struct nw_power_log *const log = r->log;
    char text[200];
    char span[48];
    char start[40] = "";
    nw_buf_printf(buf, "\n");
    nw_report_title(buf, "POWER LOG", r->log_path);
    if (log->has_clock) {
        nw_time_write_iso(log->start_s, 0, start, sizeof start);
    }
    (void)snprintf(text, sizeof text, "%zu rows, one every %.3g s, over %s%s%s%s%s", log->n_rows,
                   log->step_s, nw_report_duration(span, sizeof span, log->span_s),
                   start[0] ? " from " : "", start, log->gap_s > 0.0 ? "; gaps left out" : "", "");
    nw_report_paragraph(buf, 2, text);
    loads(r, buf);
    nw_buf_printf(buf, "\n");
    source(r, buf);
    wires(r, buf);
    rig_lines(r, buf);
}

/* ---- JSON ---- */

void nw_report_power_log_json(const struct nw_power_report *r, struct nw_json *json) {
    if (!r->log) {
        nw_json_null(json, NULL, "log");
        nw_json_why(json, NULL, "log", "no power log was given");
        return;
    }
    const struct nw_power_log *const log = r->log;
    json_t *const o = nw_json_object(json, NULL, "log");
    nw_json_count(json, o, "rows", log->n_rows);
    nw_json_number(json, o, "step_s", log->step_s, 5);
    nw_json_number(json, o, "span_s", log->span_s, 7);
    nw_json_number(json, o, "gap_s", log->gap_s, 7);
    nw_json_number(json, o, "open_v", log->open_V, 5);
    nw_json_number(json, o, "open_sigma_v", log->open_sigma_V, 3);
    nw_json_number(json, o, "inner_ohm", log->inner_ohm, 4);
    nw_json_number(json, o, "inner_sigma_ohm", log->inner_sigma_ohm, 3);
    json_t *const list = nw_json_array(json, o, "circuits");
    for (size_t i = 0; i < r->result->model.n; i++) {
        const struct nw_power_seen *const s = &log->seen[i];
        json_t *const one = nw_json_item(json, list);
        nw_json_text(json, one, "name", circuit(r, i)->name);
        nw_json_number(json, one, "mean_v", s->mean_V, 5);
        nw_json_number(json, one, "low_v", s->low_V, 5);
        nw_json_number(json, one, "mean_a", s->mean_A, 5);
        nw_json_number(json, one, "high_a", s->high_A, 5);
        nw_json_number(json, one, "mean_w", s->mean_W, 5);
        nw_json_number(json, one, "usual_w", s->usual_W, 5);
        nw_json_number(json, one, "foretold_w", s->foretold_W, 5);
        nw_json_number(json, one, "high_w", s->high_W, 5);
        nw_json_number(json, one, "energy_wh", s->energy_J / 3600.0, 6);
        nw_json_number(json, one, "usual_off_sigmas", s->usual_off, 3);
        nw_json_number(json, one, "peak_off_sigmas", s->high_off, 3);
        nw_json_number(json, one, "wire_ohm", s->loop_ohm, 5);
        nw_json_number(json, one, "wire_sigma_ohm", s->loop_sigma_ohm, 3);
        nw_json_number(json, one, "wire_off_sigmas", s->loop_off, 3);
        nw_json_number(json, one, "surplus_heat_w", s->heat_W, 3);
        if (!isfinite(s->loop_ohm)) {
            nw_json_why(json, one, "wire_ohm",
                        s->why_null[0] ? s->why_null
                                       : "no wire, or none "
                                         "that the log could judge");
        }
    }
}
