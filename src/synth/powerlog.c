/* powerlog.c - the night's power log, and the truth about it.
 * Idea: nodal analysis: one conductance matrix for all circuits, factored once, loads as current
 * sources that are worked out anew until they stand; nothing is shared with the model that judges
 * the log. Meters have an offset (volts), a wrong gain (amps, watts), noise and steps. */
#include "synth/synth_internal.h"

#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <jansson.h>
#include <math.h>
#include <stdint.h>

#include "rig/circuits.h"

#define STEP_S 5.0
#define BEFORE_S 900.0 /* cooling down and slewing before the first sub */
#define AFTER_S 300.0
#define NO_WIRE_OHM 1e-4
#define RHO_OHM_M 1.95e-8 /* copper as sold, strands and lay in it (common practice, no source) */
enum { MAX = 64, ROUNDS = 12 };

struct truth {
    double loop_ohm, running_W, peak_W, open_V, inner_ohm, efficiency;
    double volt_offset, amp_gain;
    double in_V, in_A, out_V, out_A, in_W; /* now */
    double energy_J;
};
struct desk {
    const struct nw_wiring *wiring;
    size_t n;
    struct truth t[MAX];
    gsl_matrix *lu;
    gsl_permutation *order;
    gsl_vector *rhs, *v;
    gsl_rng *rng;
    double end_s; /* of the last sub */
};

static bool makes_voltage(const struct nw_circuit *c) {
    return c->kind == NW_CIRCUIT_MAINS || c->kind == NW_CIRCUIT_SUPPLY ||
           (c->kind == NW_CIRCUIT_BATTERY && c->feeder == SIZE_MAX);
}

/* ---- What is true tonight ---- */

static double drawn(gsl_rng *rng, const struct nw_val *val, double share) {
    const double sigma = isfinite(val->sigma) ? val->sigma : share * fabs(val->v);
    return val->v + gsl_ran_gaussian(rng, fmax(sigma, 1e-12));
}

static double loop_of(gsl_rng *rng, const struct nw_circuit *c) {
    if (c->wire_length_m.from == NW_FROM_UNKNOWN || !(c->wire_length_m.v > 0.0)) {
        return NO_WIRE_OHM;
    }
    const double d_m = 0.127e-3 * pow(92.0, (36.0 - c->wire_gauge.v) / 39.0);
    const double area_m2 =
        c->wire_area_m2.from == NW_FROM_UNKNOWN ? 0.25 * NW_PI * d_m * d_m : c->wire_area_m2.v;
    const double warm = 1.0 + 0.00393 * (c->wire_temperature_K.v - 293.15);
    const double wire = 2.0 * c->wire_length_m.v * RHO_OHM_M * warm / area_m2;
    const double contacts = fabs(drawn(rng, &c->contacts_ohm, 0.3));
    return wire * (1.0 + gsl_ran_gaussian(rng, 0.03)) + fmax(contacts, NO_WIRE_OHM);
}

/* The hub below which most loads hang gets the bad joint. */
static size_t main_hub(const struct nw_wiring *w) {
    size_t best = 0;
    size_t most = 0;
    for (size_t i = 0; i < w->n; i++) {
        size_t n_loads = 0;
        for (size_t k = 0; k < w->n; k++) {
            n_loads += w->items[k].feeder == i && w->items[k].kind == NW_CIRCUIT_LOAD;
        }
        if (w->items[i].kind == NW_CIRCUIT_HUB && n_loads > most) {
            most = n_loads;
            best = i;
        }
    }
    return best;
}

static void draw_truth(struct desk *desk, double joint_ohm) {
    for (size_t i = 0; i < desk->n; i++) {
        const struct nw_circuit *const c = &desk->wiring->items[i];
        struct truth *const t = &desk->t[i];
        t->loop_ohm = loop_of(desk->rng, c);
        if (c->kind == NW_CIRCUIT_LOAD) {
            t->running_W = fmax(0.0, drawn(desk->rng, &c->running_W, 0.1));
            t->peak_W = fmax(t->running_W, drawn(desk->rng, &c->peak_W, 0.1));
        }
        if (makes_voltage(c)) {
            t->open_V = drawn(desk->rng, &c->voltage_V, 0.01);
            t->inner_ohm = c->kind == NW_CIRCUIT_MAINS
                               ? NO_WIRE_OHM
                               : fmax(NO_WIRE_OHM, fabs(drawn(desk->rng, &c->inner_ohm, 0.3)));
            t->efficiency = fmin(0.99, drawn(desk->rng, &c->efficiency, 0.03));
        }
        t->volt_offset = gsl_ran_gaussian(desk->rng, 0.03);
        t->amp_gain = 1.0 + gsl_ran_gaussian(desk->rng, 0.01);
    }
    desk->t[main_hub(desk->wiring)].loop_ohm += joint_ohm;
}

/* ---- The network: unknowns 2i the voltage where circuit i's wire ends, 2i + 1 what it hands on
 */

static void stamp(gsl_matrix *g, size_t a, size_t b, double siemens) {
    *gsl_matrix_ptr(g, a, a) += siemens;
    *gsl_matrix_ptr(g, b, b) += siemens;
    *gsl_matrix_ptr(g, a, b) -= siemens;
    *gsl_matrix_ptr(g, b, a) -= siemens;
}

static bool build(struct desk *desk) {
    const size_t m = 2 * desk->n;
    desk->lu = gsl_matrix_calloc(m, m);
    desk->order = gsl_permutation_alloc(m);
    desk->rhs = gsl_vector_calloc(m);
    desk->v = gsl_vector_calloc(m);
    if (!desk->lu || !desk->order || !desk->rhs || !desk->v) {
        return false;
    }
    for (size_t i = 0; i < desk->n; i++) {
        const struct nw_circuit *const c = &desk->wiring->items[i];
        if (c->feeder != SIZE_MAX) {
            stamp(desk->lu, 2 * c->feeder + 1, 2 * i, 1.0 / desk->t[i].loop_ohm);
        } else {
            *gsl_matrix_ptr(desk->lu, 2 * i, 2 * i) += 1.0;
        }
        if (makes_voltage(c)) {
            *gsl_matrix_ptr(desk->lu, 2 * i + 1, 2 * i + 1) += 1.0 / desk->t[i].inner_ohm;
        } else {
            stamp(desk->lu, 2 * i, 2 * i + 1, 1e6);
        }
    }
    int sign = 0;
    return gsl_linalg_LU_decomp(desk->lu, desk->order, &sign) == 0;
}

/* What circuit i draws at its own end, by the voltages of the round before. */
static double own_A(const struct desk *desk, size_t i, double watts) {
    const struct nw_circuit *const c = &desk->wiring->items[i];
    const struct truth *const t = &desk->t[i];
    double nominal_V = 12.0;
    for (size_t k = c->feeder; k != SIZE_MAX; k = desk->wiring->items[k].feeder) {
        if (makes_voltage(&desk->wiring->items[k])) {
            nominal_V = desk->wiring->items[k].voltage_V.v;
            break;
        }
    }
    const double volts = t->in_V > 0.0 ? t->in_V : nominal_V;
    switch (c->kind) {
    case NW_CIRCUIT_LOAD:
        return c->draws == NW_DRAWS_POWER     ? watts / volts
               : c->draws == NW_DRAWS_CURRENT ? watts / nominal_V
                                              : watts * volts / (nominal_V * nominal_V);
    case NW_CIRCUIT_SUPPLY:
        return (t->out_V * t->out_A / t->efficiency + c->own_W.v) / volts;
    case NW_CIRCUIT_HUB:
        return c->own_W.v / volts;
    case NW_CIRCUIT_MAINS:
    case NW_CIRCUIT_BATTERY:
    case NW_CIRCUIT_N_KINDS:
        break;
    }
    return 0.0;
}

static void settle(struct desk *desk, const double *watts) {
    for (int round = 0; round < ROUNDS; round++) {
        for (size_t i = 0; i < desk->n; i++) {
            struct truth *const t = &desk->t[i];
            gsl_vector_set(desk->rhs, 2 * i, -own_A(desk, i, watts[i]));
            gsl_vector_set(desk->rhs, 2 * i + 1,
                           makes_voltage(&desk->wiring->items[i]) ? t->open_V / t->inner_ohm : 0.0);
        }
        (void)gsl_linalg_LU_solve(desk->lu, desk->order, desk->rhs, desk->v);
        for (size_t i = 0; i < desk->n; i++) {
            struct truth *const t = &desk->t[i];
            const size_t feeder = desk->wiring->items[i].feeder;
            t->in_V = gsl_vector_get(desk->v, 2 * i);
            t->out_V = gsl_vector_get(desk->v, 2 * i + 1);
            t->in_A = feeder == SIZE_MAX
                          ? 0.0
                          : (gsl_vector_get(desk->v, 2 * feeder + 1) - t->in_V) / t->loop_ohm;
            t->out_A = (t->open_V - t->out_V) / fmax(t->inner_ohm, 1e-9);
            t->in_W = t->in_V * t->in_A;
        }
    }
}

/* ---- The night ---- */

static bool between(double t_s, double from_s, double length_s) {
    return t_s >= from_s && t_s < from_s + length_s;
}

/* What load i wants at a moment. Straps and the like go on and off, in full while the night begins;
 * the computer has its busy moments. */
static double wanted_W(const struct desk *desk, size_t i, double t_s) {
    const struct nw_circuit *const c = &desk->wiring->items[i];
    const struct truth *const t = &desk->t[i];
    const double share = t->peak_W > 0.0 ? t->running_W * c->duty.v / t->peak_W : 0.0;
    const double phase = fmod((t_s + BEFORE_S + 37.0 * (double)i) / 300.0, 1.0);
    switch (c->peaks) {
    case NW_PEAKS_COOLING:
        return between(t_s, -840.0, 420.0) ? t->peak_W : t->running_W;
    case NW_PEAKS_SLEWING:
        return between(t_s, -200.0, 60.0) || between(t_s, desk->end_s + 60.0, 60.0) ? t->peak_W
                                                                                    : t->running_W;
    case NW_PEAKS_ROOF:
        return between(t_s, -890.0, 40.0) || between(t_s, desk->end_s + 200.0, 40.0) ? t->peak_W
                                                                                     : t->running_W;
    case NW_PEAKS_HEATING:
        return between(t_s, -600.0, 300.0) || phase < share ? t->peak_W : 0.0;
    case NW_PEAKS_ALWAYS:
        return gsl_rng_uniform(desk->rng) < 0.05 ? t->peak_W : t->running_W;
    case NW_PEAKS_NEVER:
        break;
    }
    return t->running_W;
}

static bool is_mains(const struct desk *desk, size_t i) {
    const size_t feeder = desk->wiring->items[i].feeder;
    return desk->t[i].in_V > 60.0 || feeder == SIZE_MAX;
}

static double meter(struct desk *desk, double value, double noise, double step) {
    return step * round((value + gsl_ran_gaussian(desk->rng, noise)) / step);
}

static void heads(const struct desk *desk, struct nw_buf *buf) {
    nw_buf_printf(buf, "# power log of a simulated night; time UTC\ntime");
    for (size_t i = 0; i < desk->n; i++) {
        const struct nw_circuit *const c = &desk->wiring->items[i];
        if (c->kind == NW_CIRCUIT_SUPPLY || (c->kind == NW_CIRCUIT_HUB && !is_mains(desk, i))) {
            nw_buf_printf(buf, ",%s V,%s A", c->name, c->name);
        } else if (c->kind == NW_CIRCUIT_LOAD) {
            nw_buf_printf(buf, ",%s %s", c->name, is_mains(desk, i) ? "W" : "A");
        }
    }
    nw_buf_printf(buf, "\n");
}

static void row(struct desk *desk, double t_utc_s, struct nw_buf *buf) {
    char time[40];
    nw_time_write_iso(t_utc_s, 0, time, sizeof time);
    nw_buf_printf(buf, "%s", time);
    for (size_t i = 0; i < desk->n; i++) {
        const struct nw_circuit *const c = &desk->wiring->items[i];
        struct truth *const t = &desk->t[i];
        t->energy_J += STEP_S * (c->kind == NW_CIRCUIT_SUPPLY ? t->out_V * t->out_A : t->in_W);
        if (c->kind == NW_CIRCUIT_SUPPLY) {
            nw_buf_printf(buf, ",%.2f,%.2f", meter(desk, t->out_V + t->volt_offset, 0.006, 0.01),
                          meter(desk, t->out_A * t->amp_gain, 0.01, 0.01));
        } else if (c->kind == NW_CIRCUIT_HUB && !is_mains(desk, i)) {
            nw_buf_printf(buf, ",%.2f,%.2f", meter(desk, t->in_V + t->volt_offset, 0.006, 0.01),
                          meter(desk, t->in_A * t->amp_gain, 0.01, 0.01));
        } else if (c->kind == NW_CIRCUIT_LOAD && is_mains(desk, i)) {
            nw_buf_printf(buf, ",%.1f", meter(desk, t->in_W * t->amp_gain, 0.3, 0.1));
        } else if (c->kind == NW_CIRCUIT_LOAD) {
            nw_buf_printf(buf, ",%.3f", meter(desk, t->in_A * t->amp_gain, 0.004, 0.001));
        }
    }
    nw_buf_printf(buf, "\n");
}

static void write_rows(struct desk *desk, double t_start_utc_s, struct nw_buf *buf) {
    double watts[MAX] = {0.0};
    for (size_t i = 0; i < desk->n; i++) {
        watts[i] = desk->t[i].running_W;
    }
    settle(desk, watts);
    heads(desk, buf);
    const size_t n_rows = (size_t)ceil((desk->end_s + AFTER_S + BEFORE_S) / STEP_S);
    for (size_t k = 0; k < n_rows; k++) {
        const double t_s = STEP_S * (double)k - BEFORE_S;
        for (size_t i = 0; i < desk->n; i++) {
            watts[i] =
                desk->wiring->items[i].kind == NW_CIRCUIT_LOAD ? wanted_W(desk, i, t_s) : 0.0;
        }
        settle(desk, watts);
        row(desk, t_start_utc_s + t_s, buf);
    }
}

static enum nw_status write_truth(const struct desk *desk, double joint_ohm, const char *path,
                                  struct nw_err *err) {
    json_t *const root = json_object();
    json_t *const list = json_array();
    (void)json_object_set_new(root, "schema", json_string("nightwright.power_truth.1"));
    (void)json_object_set_new(root, "bad_joint_ohm", json_real(joint_ohm));
    (void)json_object_set_new(root, "span_s", json_real(desk->end_s + BEFORE_S + AFTER_S));
    for (size_t i = 0; i < desk->n; i++) {
        const struct nw_circuit *const c = &desk->wiring->items[i];
        const struct truth *const t = &desk->t[i];
        json_t *const o = json_object();
        (void)json_object_set_new(o, "name", json_string(c->name));
        if (c->feeder != SIZE_MAX) {
            (void)json_object_set_new(o, "loop_ohm", json_real(t->loop_ohm));
        }
        if (c->kind == NW_CIRCUIT_LOAD) {
            (void)json_object_set_new(o, "running_w", json_real(t->running_W));
            (void)json_object_set_new(o, "peak_w", json_real(t->peak_W));
        }
        if (makes_voltage(c)) {
            (void)json_object_set_new(o, "open_v", json_real(t->open_V));
            (void)json_object_set_new(o, "inner_ohm", json_real(t->inner_ohm));
        }
        (void)json_object_set_new(o, "energy_wh", json_real(t->energy_J / 3600.0));
        (void)json_array_append_new(list, o);
    }
    (void)json_object_set_new(root, "circuits", list);
    char *const text = json_dumps(root, JSON_INDENT(1));
    const enum nw_status status = text ? nw_file_write_atomic(path, text, strlen(text), err)
                                       : nw_err_set(err, NW_NOMEM, "truth of the power log");
    free(text);
    json_decref(root);
    return status;
}

static void desk_done(struct desk *desk) {
    gsl_matrix_free(desk->lu);
    gsl_permutation_free(desk->order);
    gsl_vector_free(desk->rhs);
    gsl_vector_free(desk->v);
    gsl_rng_free(desk->rng);
}

enum nw_status nw_synth_power_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    const char *truth_path, struct nw_err *err) {
    const struct nw_wiring *const wiring = scene->rig->wiring;
    if (!wiring || wiring->n == 0 || night->n_subs == 0) {
        return NW_OK;
    }
    struct desk desk = {.wiring = wiring, .n = wiring->n};
    struct nw_buf buf;
    nw_buf_init(&buf, (size_t)64 << 20);
    desk.end_s = night->subs[night->n_subs - 1].start_s + scene->sub_s;
    desk.rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum nw_status status = NW_OK;
    if (!desk.rng) {
        status = nw_err_set(err, NW_NOMEM, "power log");
        goto done;
    }
    gsl_rng_set(desk.rng, (unsigned long)(scene->opts.seed + 7919u));
    draw_truth(&desk, scene->joint_ohm);
    if (!build(&desk)) {
        status = nw_err_set(err, NW_NOMEM, "power log of %zu circuits", desk.n);
        goto done;
    }
    write_rows(&desk, scene->t_start_utc_s, &buf);
    status = nw_buf_failed(&buf) ? nw_err_set(err, NW_NOMEM, "power log")
                                 : nw_file_write_atomic(path, buf.data, buf.len, err);
    if (status == NW_OK) {
        status = write_truth(&desk, scene->joint_ohm, truth_path, err);
    }
done:
    nw_buf_done(&buf);
    desk_done(&desk);
    return status;
}
