/* night.c - what follows from the tree: headroom with errors, who browns out first, energy, power
 * cuts; see power.h.
 * Idea: every input is moved by its standard error in turn, and what all outputs do is added in
 * squares. The order of brown-outs: all at once, the source's voltage sinks, what falls out stays
 * out and relieves the others. */
#include <math.h>

#include "power/power.h"

double nw_power_mean_dark_s(double latitude_rad) {
    enum { DAYS = 365 };
    const double a_rad = -18.0 * NW_RAD_PER_DEG;
    double sum_s = 0.0;
    for (int day = 1; day <= DAYS; day++) {
        const double d_rad =
            -23.44 * NW_RAD_PER_DEG * cos(2.0 * NW_PI * ((double)day + 10.0) / DAYS);
        const double cos_h =
            (sin(a_rad) - sin(latitude_rad) * sin(d_rad)) / (cos(latitude_rad) * cos(d_rad));
        const double h_rad = acos(fmin(1.0, fmax(-1.0, cos_h)));
        sum_s += 86400.0 * (1.0 - h_rad / NW_PI);
    }
    return sum_s / DAYS;
}

enum nw_power_moment nw_power_lowest(const struct nw_power_result *r, size_t i) {
    int lowest = 0;
    for (int m = 1; m < NW_POWER_N_MOMENTS; m++) {
        lowest = r->at[i].volts[m] < r->at[i].volts[lowest] ? m : lowest;
    }
    return (enum nw_power_moment)lowest;
}

enum nw_power_moment nw_power_largest(const struct nw_power_result *r, size_t i) {
    int largest = 0;
    for (int m = 1; m < NW_POWER_N_MOMENTS; m++) {
        largest = r->at[i].amps[m] > r->at[i].amps[largest] ? m : largest;
    }
    return (enum nw_power_moment)largest;
}

/* ---- Figures and their errors ---- */

struct figures {
    struct nw_power_answer moments[NW_POWER_N_MOMENTS], mean;
    double root_W, day_W;
};

/* What leaves all sources that nothing feeds. */
static double root_W(const struct nw_power *power, const struct nw_power_answer *a) {
    double sum = 0.0;
    for (size_t i = 0; i < power->n; i++) {
        const size_t feeder = power->nodes[i].feeder;
        if (feeder != SIZE_MAX && power->nodes[feeder].feeder == SIZE_MAX) {
            sum += a->at[i].in_W + power->nodes[i].ohm * a->at[i].in_A * a->at[i].in_A;
        }
    }
    return sum;
}

static void evaluate(const struct nw_power *power, struct figures *ret) {
    for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
        const struct nw_power_case which = {.moment = (enum nw_power_moment)m};
        nw_power_solve(power, &which, &ret->moments[m]);
    }
    nw_power_solve(power, &(struct nw_power_case){.is_mean = true}, &ret->mean);
    ret->root_W = root_W(power, &ret->mean);
    struct nw_power_answer day;
    nw_power_solve(power, &(struct nw_power_case){.is_day = true}, &day);
    ret->day_W = root_W(power, &day);
}

static double square(double x) {
    return x * x;
}

/* Adds the squares of what one moved input does; the sigmas hold squares until the end. */
static void add_squares(const struct figures *base, const struct figures *moved,
                        struct nw_power_result *ret) {
    for (size_t i = 0; i < ret->model.n; i++) {
        struct nw_power_circuit *const c = &ret->at[i];
        for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
            const struct nw_power_flow *const a = &base->moments[m].at[i];
            const struct nw_power_flow *const b = &moved->moments[m].at[i];
            c->volts_sigma[m] += square(b->in_V - a->in_V);
            c->amps_sigma[m] += square(b->in_A - a->in_A);
            c->watts_sigma[m] += square(b->in_W - a->in_W);
            c->out_sigma_A[m] += square(b->out_A - a->out_A);
        }
        c->night_sigma_J += square(moved->mean.at[i].in_W - base->mean.at[i].in_W);
    }
    ret->root_sigma_W += square(moved->root_W - base->root_W);
    ret->day_sigma_W += square(moved->day_W - base->day_W);
}

static void take_figures(const struct figures *f, struct nw_power_result *ret) {
    for (size_t i = 0; i < ret->model.n; i++) {
        struct nw_power_circuit *const c = &ret->at[i];
        for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
            const struct nw_power_flow *const flow = &f->moments[m].at[i];
            c->volts[m] = flow->in_V;
            c->amps[m] = flow->in_A;
            c->watts[m] = flow->in_W;
            c->out_A[m] = flow->out_A;
        }
        c->night_J = f->mean.at[i].in_W * ret->model.night_s;
    }
    for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
        ret->wires_W[m] = f->moments[m].wires_W;
    }
    ret->root_W = f->root_W;
    ret->day_W = f->day_W;
}

/* The inputs of a circuit, each beside its standard error. */
#define INPUTS(X)                                                                                  \
    X(ohm) X(open_V) X(inner_ohm) X(efficiency) X(own_W) X(running_W) X(peak_W) X(duty) X(by_day_W)

static void find_errors(const struct figures *base, struct figures *moved,
                        struct nw_power_result *ret) {
    struct nw_power *const power = &ret->model;
    for (size_t i = 0; i < power->n; i++) {
        struct nw_power_node *const node = &power->nodes[i];
#define X(name)                                                                                    \
    if (node->sigma.name > 0.0) {                                                                  \
        const double was = node->name;                                                             \
        node->name += node->sigma.name;                                                            \
        evaluate(power, moved);                                                                    \
        add_squares(base, moved, ret);                                                             \
        node->name = was;                                                                          \
    }
        INPUTS(X)
#undef X
    }
    for (size_t i = 0; i < power->n; i++) {
        struct nw_power_circuit *const c = &ret->at[i];
        for (int m = 0; m < NW_POWER_N_MOMENTS; m++) {
            c->volts_sigma[m] = sqrt(c->volts_sigma[m]);
            c->amps_sigma[m] = sqrt(c->amps_sigma[m]);
            c->watts_sigma[m] = sqrt(c->watts_sigma[m]);
            c->out_sigma_A[m] = sqrt(c->out_sigma_A[m]);
        }
        c->night_sigma_J = hypot(sqrt(c->night_sigma_J) * power->night_s,
                                 base->mean.at[i].in_W * power->night_sigma_s);
    }
    ret->root_sigma_W = sqrt(ret->root_sigma_W);
    ret->day_sigma_W = sqrt(ret->day_sigma_W);
}

/* ---- Sources ---- */

static bool is_source(const struct nw_power_node *node) {
    return node->circuit->kind == NW_CIRCUIT_SUPPLY || node->circuit->kind == NW_CIRCUIT_MAINS ||
           (node->circuit->kind == NW_CIRCUIT_BATTERY && node->feeder == SIZE_MAX);
}

size_t nw_power_source_of(const struct nw_power *power, size_t i) {
    for (i = power->nodes[i].feeder; i != SIZE_MAX; i = power->nodes[i].feeder) {
        if (is_source(&power->nodes[i])) {
            break;
        }
    }
    return i;
}

static void find_sources(struct nw_power_result *ret) {
    const struct nw_power *const power = &ret->model;
    double most_W = -1.0;
    double most = -1.0;
    ret->tightest = power->n;
    for (size_t s = 0; s < power->n; s++) {
        const struct nw_power_node *const node = &power->nodes[s];
        double sum_W = 0.0;
        for (size_t i = 0; i < power->n; i++) {
            sum_W += nw_power_source_of(power, i) == s ? power->nodes[i].peak_W : 0.0;
        }
        /* low voltage goes first: it is where wires matter */
        sum_W *= is_source(node) && node->open_V < 60.0 ? 1e6 : 1.0;
        if (is_source(node) && sum_W > most_W) {
            most_W = sum_W;
            ret->main_source = s;
        }
        const double share = ret->at[s].out_A[NW_POWER_ALL] / node->circuit->current_A.v;
        if (node->circuit->kind == NW_CIRCUIT_SUPPLY && share > most) {
            most = share;
            ret->tightest = s;
        }
    }
}

/* A short behind the wire of each circuit; and whether the supply above has the current to blow its
 * fuse; a battery has. */
static void find_shorts(struct nw_power_result *ret) {
    const struct nw_power *const power = &ret->model;
    for (size_t i = 0; i < power->n; i++) {
        double ohm = power->nodes[i].ohm;
        const size_t source = nw_power_source_of(power, i);
        bool has_battery = power->nodes[i].circuit->kind == NW_CIRCUIT_BATTERY;
        for (size_t k = power->nodes[i].feeder; k != SIZE_MAX && k != source;
             k = power->nodes[k].feeder) {
            has_battery = has_battery || power->nodes[k].circuit->kind == NW_CIRCUIT_BATTERY;
            ohm += power->nodes[k].ohm;
        }
        if (source == SIZE_MAX) {
            ret->at[i].short_A = NAN;
            continue;
        }
        ohm += power->nodes[source].inner_ohm;
        ret->at[i].short_A = ohm > 0.0 ? power->nodes[source].open_V / ohm : INFINITY;
        const struct nw_circuit *const above = power->nodes[source].circuit;
        ret->at[i].fuse_is_idle = above->kind == NW_CIRCUIT_SUPPLY && !has_battery &&
                                  power->nodes[i].circuit->fuse_A.v >= above->current_A.v;
    }
}

/* ---- Brown-outs ---- */

static bool falls_out(const struct nw_power *power, const struct nw_power_answer *a, size_t i) {
    const struct nw_circuit *const c = power->nodes[i].circuit;
    return c->kind == NW_CIRCUIT_LOAD && !power->nodes[i].is_off && isfinite(c->least_V.v) &&
           a->at[i].in_V < c->least_V.v;
}

/* The load that lies farthest below its least voltage; n: none. */
static size_t next_out(const struct nw_power *power, const struct nw_power_answer *a,
                       const struct nw_power_case *which, size_t source) {
    size_t worst = power->n;
    double least = 1.0;
    for (size_t i = 0; i < power->n; i++) {
        const double share = a->at[i].in_V / power->nodes[i].circuit->least_V.v;
        if (!(which->off >> i & 1u) && nw_power_source_of(power, i) == source &&
            falls_out(power, a, i) && share < least) {
            least = share;
            worst = i;
        }
    }
    return worst;
}

static void find_order(struct nw_power_result *ret) {
    struct nw_power power = ret->model;
    const size_t source = ret->main_source;
    struct nw_power_node *const node = &power.nodes[source];
    struct nw_power_case which = {.moment = NW_POWER_ALL};
    struct nw_power_answer a;
    const double full_V = node->open_V;
    enum { STEPS = 600 }; /* down to 0.4 of it */
    for (int step = 0; step < STEPS; step++) {
        const double volts = full_V * (1.0 - 0.001 * step);
        node->open_V = volts;
        size_t out;
        do {
            nw_power_solve(&power, &which, &a);
            out = next_out(&power, &a, &which, source);
            if (out < power.n) {
                which.off |= UINT64_C(1) << out;
                const double least_sigma = power.nodes[out].circuit->least_V.sigma;
                ret->order[ret->n_order++] =
                    (struct nw_brown_out){out, volts,
                                          hypot(ret->at[out].volts_sigma[NW_POWER_ALL],
                                                isfinite(least_sigma) ? least_sigma : 0.0)};
            }
        } while (out < power.n);
    }
}

/* ---- Power cuts ---- */

static void find_dark(struct nw_power_result *ret) {
    struct nw_power_answer a;
    nw_power_solve(&ret->model, &(struct nw_power_case){.is_cut = true}, &a);
    for (size_t i = 0; i < ret->model.n; i++) {
        ret->at[i].goes_dark = !(a.at[i].in_V > 0.0) && ret->model.nodes[i].feeder != SIZE_MAX;
    }
}

static void battery_case(const struct nw_power_result *r, size_t battery, const char *what,
                         const struct nw_power_case *which, struct nw_battery_answer *ret) {
    struct nw_power_answer a;
    const struct nw_circuit *const b = r->model.nodes[battery].circuit;
    struct nw_battery_case *const c = &ret->cases[ret->n_cases];
    *c = (struct nw_battery_case){.what = what};
    for (size_t i = 0; i < r->model.n; i++) {
        c->n_on += r->model.nodes[i].circuit->kind == NW_CIRCUIT_LOAD &&
                   nw_power_is_below(&r->model, i, battery) && !(which->off >> i & 1u);
    }
    nw_power_solve(&r->model, which, &a);
    c->amps = a.at[battery].out_A;
    if (c->n_on == 0 || !(c->amps > 0.0)) {
        return;
    }
    c->time_s = nw_battery_time_s(b->charge_C.v, b->rated_s.v, b->peukert.v, b->usable.v, c->amps);
    /* the charge of a used battery, and what it carries, to 10 % (common practice, no source) */
    const double charge = isfinite(b->charge_C.sigma) ? b->charge_C.sigma / b->charge_C.v : 0.1;
    const double usable = isfinite(b->usable.sigma) ? b->usable.sigma / b->usable.v : 0.1;
    c->time_sigma_s = c->time_s * hypot(b->peukert.v * hypot(charge, 0.1), usable);
    ret->n_cases++;
}

static void find_batteries(struct nw_power_result *ret) {
    for (size_t i = 0; i < ret->model.n && ret->n_batteries < NW_POWER_BATTERIES; i++) {
        if (ret->model.nodes[i].circuit->kind != NW_CIRCUIT_BATTERY) {
            continue;
        }
        struct nw_battery_answer *const b = &ret->batteries[ret->n_batteries++];
        *b = (struct nw_battery_answer){.circuit = i};
        struct nw_power_case which = {.is_cut = true};
        battery_case(ret, i, "all on it, imaging", &which, b);
        uint64_t luxury = 0;
        uint64_t not_needed = 0;
        for (size_t k = 0; k < ret->model.n; k++) {
            const struct nw_circuit *const c = ret->model.nodes[k].circuit;
            if (c->kind == NW_CIRCUIT_LOAD) {
                const uint64_t bit = UINT64_C(1) << k;
                luxury |= c->peaks == NW_PEAKS_COOLING || c->peaks == NW_PEAKS_HEATING ? bit : 0;
                not_needed |= c->is_needed_to_close ? 0 : bit;
            }
        }
        which.off = luxury;
        battery_case(ret, i, "without cooling and straps", &which, b);
        which =
            (struct nw_power_case){.is_cut = true, .moment = NW_POWER_SLEWING, .off = not_needed};
        battery_case(ret, i, "what closing needs, slewing", &which, b);
    }
}

static void find_energy(struct nw_power_result *ret) {
    const struct nw_power *const p = &ret->model;
    ret->night_J = ret->root_W * p->night_s;
    ret->night_sigma_J = hypot(ret->root_sigma_W * p->night_s, ret->root_W * p->night_sigma_s);
    const double used_J = ret->night_J + ret->day_W * (86400.0 - p->night_s);
    const double unused_J = ret->day_W * 86400.0;
    ret->year_J = p->nights_a_year * used_J + (365.25 - p->nights_a_year) * unused_J;
    const double day_s = 365.25 * 86400.0 - p->nights_a_year * p->night_s;
    ret->year_sigma_J =
        hypot(hypot(p->nights_a_year * ret->night_sigma_J, day_s * ret->day_sigma_W),
              p->nights_sigma * (used_J - unused_J));
}

enum nw_status nw_power_result_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                  struct nw_power_result *ret, struct nw_err *err) {
    memset(ret, 0, sizeof *ret);
    enum nw_status status =
        nw_power_of(rig, setup, nw_power_mean_dark_s(rig->site.latitude_rad.v), &ret->model, err);
    if (status != NW_OK) {
        return status;
    }
    struct figures *const figures = nw_calloc(2, sizeof *figures);
    if (!figures) {
        return nw_err_set(err, NW_NOMEM, "currents of %zu circuits", ret->model.n);
    }
    evaluate(&ret->model, &figures[0]);
    if (!figures[0].moments[NW_POWER_QUIET].is_settled) {
        status = nw_err_set(err, NW_DATA,
                            "currents and voltages find no steady state: a wire is "
                            "far too long or thin, or a load far too large");
    } else {
        take_figures(&figures[0], ret);
        find_errors(&figures[0], &figures[1], ret);
        find_sources(ret);
        find_shorts(ret);
        find_order(ret);
        find_dark(ret);
        find_batteries(ret);
        find_energy(ret);
        const double park_s = NW_PI / rig->mount.slew_rate_rad_s.v;
        ret->close_s = rig->site.reaction_time_s.v + park_s + rig->site.roof_time_s.v;
        ret->hand_s = rig->site.reaction_time_s.v + rig->site.hand_time_s.v;
    }
    free(figures);
    return status;
}
