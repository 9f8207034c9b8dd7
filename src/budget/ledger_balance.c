/* ledger_balance.c - the balance budget: what every mass turns about the polar axis, what is left
 * of it, and beside it the declination axis, the motors' side, the panel and the load. Idea: level
 * shaft, worst hour angle: the moment about the polar axis is g cos(latitude) times the first
 * moment along the declination axis (REFERENCES MEC-04, MEC-05), a sum over the bodies. */
#include <math.h>

#include "budget/ledger.h"
#include "mount/mount.h"

struct desk {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_body *bodies;
    size_t n;
    struct nw_balance closed, open;
    double per_kg_m; /* N m about the polar axis for a first moment along the shaft */
    struct nw_ledger *ledger;
};

/* The body that carries it in the end, or itself. */
static size_t root_of(const struct desk *desk, size_t i) {
    for (size_t depth = 0; desk->bodies[i].carried_by[0] && depth < desk->n; depth++) {
        size_t k = 0;
        while (k < desk->n && strcmp(desk->bodies[k].name, desk->bodies[i].carried_by) != 0) {
            k++;
        }
        if (k == desk->n) {
            break;
        }
        i = k;
    }
    return i;
}

/* All that one body carries, itself included, as one line. */
static void put_group(const struct desk *desk, size_t root) {
    struct nw_mass_sum sum = {0};
    size_t n_bodies = 0;
    for (size_t i = 0; i < desk->n; i++) {
        if (desk->bodies[i].rides != NW_RIDES_GROUND && root_of(desk, i) == root) {
            nw_mass_add(&sum, &desk->bodies[i], false);
            n_bodies++;
        }
    }
    const struct nw_body *const body = &desk->bodies[root];
    if (!(sum.mass_kg > 0.0)) {
        return;
    }
    char id[72];
    char label[72];
    (void)snprintf(id, sizeof id, "body:%.48s", body->name);
    if (n_bodies > 1) {
        (void)snprintf(label, sizeof label, "%.22s with %zu on it", body->name, n_bodies - 1);
    } else {
        (void)snprintf(label, sizeof label, "%.30s", body->name);
    }
    struct nw_ledger_line *const line = nw_ledger_add(desk->ledger, id, label);
    line->predicted = desk->per_kg_m * sum.moment_kg_m[2];
    line->predicted_sigma = desk->per_kg_m * sum.moment_sigma_kg_m[2];
    line->basis = "g cos(latitude) m z (REFERENCES MEC-04)";
    line->provenance = body->mass_kg.from == NW_FROM_UNKNOWN ? NW_FROM_GIVEN : body->mass_kg.from;
    (void)snprintf(line->detail, sizeof line->detail, "%.2f kg, %.3f +- %.3f kg m along the shaft",
                   sum.mass_kg, sum.moment_kg_m[2], sum.moment_sigma_kg_m[2]);
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "a scale and a tape measure tell it; no frame does");
}

static void put_beside(const struct desk *desk, const char *id, const char *label, double v,
                       double sigma, double allowed) {
    struct nw_ledger_line *const line = nw_ledger_add(desk->ledger, id, label);
    line->is_summed = false;
    line->predicted = v;
    line->predicted_sigma = sigma;
    line->allowed = allowed;
    line->basis = "g times the first moment across the axis (REFERENCES MEC-04)";
    line->provenance = NW_FROM_GIVEN;
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "a spring balance at the mount tells it (balance --moment)");
}

static void beside(const struct desk *desk) {
    const struct nw_balance *const b = &desk->closed;
    const double allowed = desk->ledger->allowed;
    const double g = NW_GRAVITY_M_S2;
    put_beside(desk, "along_tube", "declination, along the tube", g * b->along_kg_m,
               g * b->along_sigma_kg_m, allowed);
    put_beside(desk, "sideways", "declination, sideways", g * b->sideways_kg_m,
               g * b->sideways_sigma_kg_m, allowed);
    put_beside(desk, "motor_side", "polar, motors to one side", desk->per_kg_m * b->axis_side_kg_m,
               NAN, allowed);
    if (fabs(desk->open.along_kg_m - b->along_kg_m) > 0.0) {
        put_beside(desk, "opened", "opening moves declination by",
                   g * (desk->open.along_kg_m - b->along_kg_m), NAN, allowed);
    }
    if (desk->rig->mount.capacity_kg.from != NW_FROM_UNKNOWN) {
        put_beside(desk, "load", "load on the mount", b->load_kg, NAN,
                   desk->rig->mount.capacity_kg.v);
        struct nw_ledger_line *const line = &desk->ledger->lines[desk->ledger->n_lines - 1];
        line->unit = "kg";
        line->basis = "sum of all that rides on the tube; allowed: mount.capacity";
    }
}

/* One piece of advice a direction: the moves that leave nothing, the first of them as a setting. */
static void advise(const struct desk *desk, int along, const struct nw_balance_plan *plan,
                   double now_n_m, double then_n_m) {
    struct nw_ledger *const ledger = desk->ledger;
    const bool is_worth = fabs(now_n_m) > ledger->allowed && fabs(then_n_m) < fabs(now_n_m);
    char change[160] = "";
    for (size_t i = 0; i < plan->n_moves; i++) {
        const struct nw_balance_move *const m = &plan->moves[i];
        const size_t at = strlen(change);
        if (m->along == along) {
            (void)snprintf(change + at, sizeof change - at, "%s%.40s to %.1f mm",
                           at > 0 ? ", " : "", desk->bodies[m->body].name, m->to_m * 1e3);
        }
    }
    if (change[0] == '\0') {
        return;
    }
    struct nw_ledger_advice *const a =
        is_worth ? nw_ledger_add_advice(ledger) : nw_ledger_add_leave(ledger);
    a->effort = "adjustment";
    nw_text_copy(a->change, sizeof a->change, change);
    for (size_t i = plan->n_moves; i > 0 && is_worth; i--) {
        const struct nw_balance_move *const m = &plan->moves[i - 1];
        if (m->along == along) {
            (void)snprintf(a->path, sizeof a->path, "bodies.%.48s.%c", desk->bodies[m->body].name,
                           "xyz"[along]);
            (void)snprintf(a->value, sizeof a->value, "%.1f mm", m->to_m * 1e3);
        }
    }
    (void)snprintf(a->why, sizeof a->why, "%.2f N m now, %.2f after; %.2f wanted at most",
                   fabs(now_n_m), fabs(then_n_m), ledger->allowed);
    if (is_worth) {
        (void)snprintf(a->prediction, sizeof a->prediction,
                       "with the clutch open and the arm level it stays; a spring balance at 0.3 m "
                       "would have shown %.1f N before",
                       fabs(now_n_m) / 0.3);
    }
}

static void tell(const struct desk *desk) {
    struct nw_ledger *const ledger = desk->ledger;
    const struct nw_balance *const b = &desk->closed;
    struct nw_balance_plan plan;
    nw_balance_adjust(b, desk->bodies, desk->n, 0.0, &plan);
    advise(desk, 2, &plan, ledger->predicted, desk->per_kg_m * plan.outward_kg_m);
    advise(desk, 0, &plan, NW_GRAVITY_M_S2 * b->along_kg_m, NW_GRAVITY_M_S2 * plan.along_kg_m);
    advise(desk, 1, &plan, NW_GRAVITY_M_S2 * b->sideways_kg_m,
           NW_GRAVITY_M_S2 * plan.sideways_kg_m);
    if (ledger->predicted_sigma > 0.5 * ledger->allowed) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(ledger);
        (void)snprintf(u->what, sizeof u->what,
                       "which end is heavy: masses and places are known to %.2f N m only",
                       ledger->predicted_sigma);
        nw_text_copy(u->trial, sizeof u->trial,
                     "spring balance at the level shaft, then balance --moment shaft=N_M");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "0.05 N m and 5 %");
    }
    nw_ledger_caution(ledger, "hold the tube before a clutch or weight is loosened: out of balance "
                              "it swings round; weights go on before tubes and come off after");
}

enum nw_status nw_ledger_balance(const struct nw_rig *rig, const struct nw_setup *setup,
                                 struct nw_ledger *ret, struct nw_err *err) {
    struct nw_body *bodies = NULL;
    struct desk desk = {.rig = rig, .setup = setup, .ledger = ret};
    enum nw_status status = nw_rig_bodies_of(rig, setup, &bodies, &desk.n, err);
    desk.bodies = bodies;
    if (status == NW_OK) {
        status = nw_balance_of(rig, bodies, desk.n, false, &desk.closed, err);
    }
    if (status == NW_OK) {
        status = nw_balance_of(rig, bodies, desk.n, true, &desk.open, err);
    }
    if (status == NW_OK) {
        desk.per_kg_m = NW_GRAVITY_M_S2 * cos(rig->site.latitude_rad.v);
        ret->allowed = rig->mount.imbalance_n_m.v;
        for (size_t i = 0; i < desk.n; i++) {
            if (bodies[i].rides != NW_RIDES_GROUND && root_of(&desk, i) == i) {
                put_group(&desk, i);
            }
        }
        nw_ledger_sum(ret);
        beside(&desk);
        tell(&desk);
        nw_text_copy(ret->sum_label, sizeof ret->sum_label, "left, + tube end heavy");
        nw_text_copy(ret->aside, sizeof ret->aside, "polar axis, shaft level");
        nw_text_copy(ret->why_null, sizeof ret->why_null,
                     "no frame shows it; balance --moment takes what a spring balance says");
        (void)snprintf(ret->verdict, sizeof ret->verdict,
                       "%.2f +- %.2f N m are left about the polar axis, %.2f about the declination "
                       "axis at the worst attitude; %.2f is to be borne",
                       fabs(ret->predicted), ret->predicted_sigma, desk.closed.dec_worst_n_m,
                       ret->allowed);
        ret->is_over = ret->is_over || desk.closed.dec_worst_n_m > ret->allowed;
    } else if (status == NW_DATA) { /* bodies without any mass: no budget, as without bodies */
        status = nw_err_set(err, NW_NOTFOUND, "no body with a known mass rides on the tube");
    }
    free(bodies);
    return status;
}
