/* balance.c - what is left over about the two axes, and where things go so that nothing is.
 * Idea: weight turns an axis by the first moment across it. Balanced at every attitude means: the
 * tube's own first moment lies along the declination axis, and that of everything has no part along
 * the declination axis. So each direction of travel is one linear equation of its own. */
#include "mount/mount_internal.h"

#include <assert.h>

#define STEEL_YOUNG_PA 200e9 /* handbook value, from memory */

bool is_weight(const struct nw_body *body) {
    return body->rides == NW_RIDES_AXIS && body->slide == 2 &&
           body->mass_kg.from != NW_FROM_UNKNOWN;
}

double length_along_z_m(const struct nw_body *body) {
    switch (body->shape) {
    case NW_SHAPE_POINT:
        return 0.0;
    case NW_SHAPE_BOX:
        return body->height_m.v;
    case NW_SHAPE_CYLINDER:
    case NW_SHAPE_TUBE:
        return body->along == 2 ? body->length_m.v : body->diameter_m.v;
    }
    return 0.0;
}

/* A cantilever from z = 0: bending moment there, stress, sag of the outermost weight. */
static void judge_shaft(const struct nw_val *diameter_m, const struct nw_body *bodies, size_t n,
                        struct nw_balance *b) {
    double outermost_m = 0.0;
    b->shaft_moment_n_m = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (is_weight(&bodies[i])) {
            b->shaft_moment_n_m += bodies[i].mass_kg.v * NW_GRAVITY_M_S2 * -bodies[i].at_m[2].v;
            outermost_m = fmax(outermost_m, -bodies[i].at_m[2].v);
        }
    }
    b->shaft_stress_Pa = b->shaft_sag_m = NAN;
    if (diameter_m->from == NW_FROM_UNKNOWN) {
        return;
    }
    const double d = diameter_m->v;
    const double second_moment_m4 = NW_PI * d * d * d * d / 64.0;
    b->shaft_stress_Pa = b->shaft_moment_n_m * 0.5 * d / second_moment_m4;
    b->shaft_sag_m = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (is_weight(&bodies[i])) {
            const double a = fmax(-bodies[i].at_m[2].v, 0.0);
            b->shaft_sag_m += bodies[i].mass_kg.v * NW_GRAVITY_M_S2 * a * a *
                              (3.0 * outermost_m - a) / (6.0 * STEEL_YOUNG_PA * second_moment_m4);
        }
    }
}

static void worst_moments(double latitude_rad, struct nw_balance *b) {
    const double across_tube = hypot(b->along_kg_m, b->sideways_kg_m);
    const double across = fabs(b->axis_side_kg_m) + across_tube;
    const double g_polar = NW_GRAVITY_M_S2 * cos(latitude_rad);
    const double tube_sigma = hypot(b->along_sigma_kg_m, b->sideways_sigma_kg_m);
    b->dec_worst_n_m = NW_GRAVITY_M_S2 * across_tube;
    b->dec_worst_sigma_n_m = NW_GRAVITY_M_S2 * tube_sigma;
    b->ra_worst_n_m = g_polar * hypot(b->outward_kg_m, across);
    b->ra_worst_sigma_n_m = g_polar * hypot(b->outward_sigma_kg_m, tube_sigma);
}

enum nw_status nw_balance_of(const struct nw_rig *rig, const struct nw_body *bodies, size_t n,
                             bool is_open, struct nw_balance *ret, struct nw_err *err) {
    struct nw_balance b = {0};
    for (size_t i = 0; i < n; i++) {
        if (bodies[i].rides != NW_RIDES_GROUND) {
            nw_mass_add(bodies[i].rides == NW_RIDES_TUBE ? &b.tube : &b.axis, &bodies[i], is_open);
        }
        if (is_weight(&bodies[i])) {
            b.counterweight_kg += bodies[i].mass_kg.v;
        }
    }
    if (!(b.tube.mass_kg > 0.0)) {
        return nw_err_set(err, NW_DATA,
                          "no body with a known mass rides on the tube: nothing to balance");
    }
    b.load_kg = b.tube.mass_kg;
    b.along_kg_m = b.tube.moment_kg_m[0];
    b.sideways_kg_m = b.tube.moment_kg_m[1];
    b.outward_kg_m = b.tube.moment_kg_m[2] + b.axis.moment_kg_m[2];
    b.axis_side_kg_m = b.axis.moment_kg_m[1];
    b.along_sigma_kg_m = b.tube.moment_sigma_kg_m[0];
    b.sideways_sigma_kg_m = b.tube.moment_sigma_kg_m[1];
    b.outward_sigma_kg_m = hypot(b.tube.moment_sigma_kg_m[2], b.axis.moment_sigma_kg_m[2]);
    /* at the equator the polar axis lies along the tube's y, at the pole along its x */
    b.ra_inertia_kg_m2 = b.axis.inertia_kg_m2[0][0] + b.tube.inertia_kg_m2[1][1];
    b.ra_inertia_pole_kg_m2 = b.axis.inertia_kg_m2[0][0] + b.tube.inertia_kg_m2[0][0];
    b.dec_inertia_kg_m2 = b.tube.inertia_kg_m2[2][2];
    worst_moments(rig->site.latitude_rad.v, &b);
    judge_shaft(&rig->mount.shaft_diameter_m, bodies, n, &b);
    *ret = b;
    return NW_OK;
}

/* ---- Where things go ------------------------------------------------------------------------ */

static double clamp(double v, double low, double high) {
    return v < low ? low : v > high ? high : v;
}

static bool slides_on_tube(const struct nw_body *body, int along) {
    return body->rides == NW_RIDES_TUBE && body->slide == along &&
           body->mass_kg.from != NW_FROM_UNKNOWN;
}

static const struct nw_body *carrier_of(const struct nw_body *bodies, size_t n,
                                        const struct nw_body *body) {
    for (size_t i = 0; body->carried_by[0] != '\0' && i < n; i++) {
        if (strcmp(bodies[i].name, body->carried_by) == 0) {
            return &bodies[i];
        }
    }
    return NULL;
}

/* Is `body` the carrier, or carried by it over some others? The rig file has no rings. */
static bool goes_with(const struct nw_body *bodies, size_t n, const struct nw_body *body,
                      const struct nw_body *carrier) {
    const struct nw_body *at = body;
    while (at && at != carrier) {
        at = carrier_of(bodies, n, at);
    }
    return at != NULL;
}

static double carried_kg(const struct nw_body *bodies, size_t n, const struct nw_body *carrier) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (bodies[i].mass_kg.from != NW_FROM_UNKNOWN &&
            goes_with(bodies, n, &bodies[i], carrier)) {
            sum += bodies[i].mass_kg.v;
        }
    }
    return sum;
}

void nw_body_shift(struct nw_body *bodies, size_t n, size_t body, int along, double way_m) {
    for (size_t i = 0; i < n; i++) {
        if (goes_with(bodies, n, &bodies[i], &bodies[body])) {
            bodies[i].at_m[along].v += way_m;
        }
    }
}

/* First moment that a shift of everything by `way_m`, within its travel, adds. */
static double shifted_kg_m(const struct nw_body *bodies, size_t n, int along, double way_m) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (slides_on_tube(&bodies[i], along)) {
            const double now = bodies[i].at_m[along].v;
            sum += carried_kg(bodies, n, &bodies[i]) *
                   (clamp(now + way_m, bodies[i].slide_from_m.v, bodies[i].slide_to_m.v) - now);
        }
    }
    return sum;
}

static void add_move(struct nw_balance_plan *plan, size_t body, int along, double from_m,
                     double to_m, bool is_at_limit) {
    if (plan->n_moves < NW_BALANCE_MAX_MOVES) {
        plan->moves[plan->n_moves++] =
            (struct nw_balance_move){body, along, from_m, to_m, is_at_limit};
    }
}

/* Least mass times way squared with one sum given: all go the same way, but for those at the end of
 * their travel (Karush-Kuhn-Tucker). The sum grows with the way: bisection. Returns what is left.
 */
static double shift_on_tube(const struct nw_body *bodies, size_t n, int along, double left_kg_m,
                            struct nw_balance_plan *plan) {
    double low = -200.0; /* twice the range of a place: every travel is used up */
    double high = 200.0;
    for (int i = 0; i < 80; i++) {
        const double middle = 0.5 * (low + high);
        if (left_kg_m + shifted_kg_m(bodies, n, along, middle) > 0.0) {
            high = middle;
        } else {
            low = middle;
        }
    }
    const double way = 0.5 * (low + high);
    for (size_t i = 0; i < n; i++) {
        if (slides_on_tube(&bodies[i], along)) {
            const double now = bodies[i].at_m[along].v;
            const double to = clamp(now + way, bodies[i].slide_from_m.v, bodies[i].slide_to_m.v);
            add_move(plan, i, along, now, to, to != now + way);
        }
    }
    return left_kg_m + shifted_kg_m(bodies, n, along, way);
}

void stack_place(const struct nw_body *bodies, struct weight_stack *stack, double wanted_kg_m) {
    double offset[MAX_WEIGHTS];
    double mass = 0.0;
    double sum = 0.0;
    double inner = INFINITY;
    double outer = -INFINITY;
    for (size_t k = 0; k < stack->n; k++) {
        const struct nw_body *const body = &bodies[stack->body[k]];
        offset[k] = k == 0 ? 0.0
                           : offset[k - 1] + 0.5 * (length_along_z_m(body) +
                                                    length_along_z_m(&bodies[stack->body[k - 1]]));
        mass += body->mass_kg.v;
        sum += body->mass_kg.v * offset[k];
        inner = fmin(inner, body->slide_to_m.v + offset[k]);
        outer = fmax(outer, body->slide_from_m.v + offset[k]);
    }
    const double place = (wanted_kg_m + sum) / mass;
    stack->is_possible = outer <= inner;
    stack->is_at_limit = place < outer || place > inner;
    const double first = clamp(place, outer, fmax(outer, inner));
    stack->left_kg_m = -wanted_kg_m;
    for (size_t k = 0; k < stack->n; k++) {
        stack->place_m[k] = first - offset[k];
        stack->left_kg_m += bodies[stack->body[k]].mass_kg.v * stack->place_m[k];
    }
}

/* The weights from the mount outwards, as they stand. */
static struct weight_stack stack_as_it_is(const struct nw_body *bodies, size_t n) {
    struct weight_stack stack = {0};
    for (size_t i = 0; i < n && stack.n < MAX_WEIGHTS; i++) {
        if (is_weight(&bodies[i])) {
            size_t k = stack.n++;
            while (k > 0 && bodies[stack.body[k - 1]].at_m[2].v < bodies[i].at_m[2].v) {
                stack.body[k] = stack.body[k - 1];
                k--;
            }
            stack.body[k] = i;
        }
    }
    return stack;
}

double weights_kg_m(const struct nw_body *bodies, size_t n) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (is_weight(&bodies[i])) {
            sum += bodies[i].mass_kg.v * bodies[i].at_m[2].v;
        }
    }
    return sum;
}

void nw_balance_adjust(const struct nw_balance *balance, const struct nw_body *bodies, size_t n,
                       double keep_outward_kg_m, struct nw_balance_plan *ret) {
    *ret = (struct nw_balance_plan){0};
    ret->along_kg_m = shift_on_tube(bodies, n, 0, balance->along_kg_m, ret);
    ret->sideways_kg_m = shift_on_tube(bodies, n, 1, balance->sideways_kg_m, ret);
    struct weight_stack stack = stack_as_it_is(bodies, n);
    ret->outward_kg_m = balance->outward_kg_m;
    if (stack.n == 0) {
        return;
    }
    const double others_kg_m = balance->outward_kg_m - weights_kg_m(bodies, n);
    stack_place(bodies, &stack, keep_outward_kg_m - others_kg_m);
    ret->outward_kg_m = stack.left_kg_m + keep_outward_kg_m;
    for (size_t k = 0; k < stack.n; k++) {
        const size_t i = stack.body[k];
        add_move(ret, i, 2, bodies[i].at_m[2].v, stack.place_m[k],
                 stack.is_at_limit || !stack.is_possible);
    }
}

/* ---- What the owner found ------------------------------------------------------------------- */

static bool counts_along(const struct nw_body *body, int along) {
    return body->mass_kg.from != NW_FROM_UNKNOWN &&
           (body->rides == NW_RIDES_TUBE || (along == 2 && body->rides == NW_RIDES_AXIS));
}

double nw_balance_learn(struct nw_body *bodies, size_t n, int along, double found_kg_m,
                        double sigma_kg_m) {
    assert(along >= 0 && along <= 2 && sigma_kg_m > 0.0);
    double predicted = 0.0;
    double variance = sigma_kg_m * sigma_kg_m;
    for (size_t i = 0; i < n; i++) {
        if (counts_along(&bodies[i], along)) {
            const double m = bodies[i].mass_kg.v;
            const double r = bodies[i].at_m[along].v;
            predicted += m * r;
            variance += pow(mass_sigma_kg(&bodies[i]) * r, 2.0) +
                        pow(place_sigma_m(&bodies[i], along) * m, 2.0);
        }
    }
    const double off = found_kg_m - predicted;
    const double off_sigma = off / sqrt(variance);
    for (size_t i = 0; i < n && fabs(off_sigma) <= 3.0; i++) {
        if (!counts_along(&bodies[i], along)) {
            continue;
        }
        struct nw_val *const m = &bodies[i].mass_kg;
        const double r = bodies[i].at_m[along].v;
        const double m_variance = pow(mass_sigma_kg(&bodies[i]), 2.0);
        const double gain = m_variance * r / variance;
        m->sigma = sqrt(fmax(0.0, m_variance - gain * r * m_variance));
        m->v += gain * off;
    }
    return off_sigma;
}
