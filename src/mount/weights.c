/* weights.c - which counterweights to use: every selection, by the inertia that it costs.
 * Idea: for a given moment m r the inertia m r^2 grows with r, so that heavy and near beats light
 * and far; how near is limited by the room on the shaft, which only trying tells. */
#include "mount/mount_internal.h"

#include <stdlib.h>

static double density(const struct nw_body *body) {
    const double length = length_along_z_m(body);
    return length > 0.0 ? body->mass_kg.v / length : INFINITY;
}

/* About the polar axis, which is x of the axis frame. */
static double inertia_kg_m2(const struct nw_body *body, double z_m) {
    struct nw_mass_sum sum = {0};
    struct nw_body moved = *body;
    moved.at_m[2].v = z_m;
    nw_mass_add(&sum, &moved, false);
    return sum.inertia_kg_m2[0][0];
}

static bool are_alike(const struct nw_body *a, const struct nw_body *b) {
    return a->mass_kg.v == b->mass_kg.v && length_along_z_m(a) == length_along_z_m(b) &&
           a->slide_from_m.v == b->slide_from_m.v && a->slide_to_m.v == b->slide_to_m.v;
}

/* Of equal weights the first ones are taken: the other selections are the same again. */
static bool is_repeated(const struct nw_body *bodies, const struct nw_weights *weights,
                        unsigned used) {
    for (size_t k = 1; k < weights->n; k++) {
        const bool is_alone = (used >> k & 1u) && !(used >> (k - 1) & 1u);
        if (is_alone && are_alike(&bodies[weights->body[k]], &bodies[weights->body[k - 1]])) {
            return true;
        }
    }
    return false;
}

/* ---- The order along the shaft ----
 * With the sum of m z given, the sum of m z^2 is least where the masses lie closest about their
 * common middle: heavy ones inside the stack, not at its end. Up to six weights every order is
 * tried, of more the swaps of two until none helps. */

enum { TRY_ALL = 6 };

struct ordering {
    const struct nw_body *bodies;
    double wanted_kg_m;
    struct weight_stack best;
    double best_kg_m2;
};

static void try_order(struct ordering *o, const struct weight_stack *order) {
    struct weight_stack stack = *order;
    double inertia = 0.0;
    stack_place(o->bodies, &stack, o->wanted_kg_m);
    if (!stack.is_possible || stack.is_at_limit) {
        return;
    }
    for (size_t k = 0; k < stack.n; k++) {
        inertia += inertia_kg_m2(&o->bodies[stack.body[k]], stack.place_m[k]);
    }
    if (inertia < o->best_kg_m2 - 1e-12) {
        o->best = stack;
        o->best_kg_m2 = inertia;
    }
}

static void swap(struct weight_stack *stack, size_t i, size_t k) {
    const size_t body = stack->body[i];
    stack->body[i] = stack->body[k];
    stack->body[k] = body;
}

static void try_all(struct ordering *o, struct weight_stack *stack, size_t from) {
    if (from == stack->n) {
        try_order(o, stack);
        return;
    }
    for (size_t i = from; i < stack->n; i++) {
        swap(stack, from, i);
        try_all(o, stack, from + 1);
        swap(stack, from, i);
    }
}

static void try_swaps(struct ordering *o, struct weight_stack *stack) {
    try_order(o, stack);
    for (double before = INFINITY; o->best_kg_m2 < before;) {
        before = o->best_kg_m2;
        *stack = o->best;
        for (size_t i = 0; i < stack->n; i++) {
            for (size_t k = i + 1; k < stack->n; k++) {
                swap(stack, i, k);
                try_order(o, stack);
                swap(stack, i, k);
            }
        }
    }
}

/* Which number a body has among the weights; the count of weights when it is none. */
static size_t number_of(const struct nw_weights *weights, size_t body) {
    size_t k = 0;
    while (k < weights->n && weights->body[k] != body) {
        k++;
    }
    return k;
}

static bool try_choice(const struct nw_body *bodies, const struct nw_weights *weights,
                       unsigned used, double wanted_kg_m, struct nw_weights_choice *ret) {
    struct weight_stack stack = {0};
    struct ordering o = {bodies, wanted_kg_m, {.n = 0}, INFINITY};
    for (size_t k = 0; k < weights->n; k++) {
        ret->place_m[k] = NAN;
        if (used >> k & 1u) {
            stack.body[stack.n++] = weights->body[k];
        }
    }
    if (stack.n <= TRY_ALL) {
        try_all(&o, &stack, 0);
    } else {
        try_swaps(&o, &stack);
    }
    if (o.best.n == 0) {
        return false;
    }
    ret->used = used;
    ret->inertia_kg_m2 = o.best_kg_m2;
    ret->mass_kg = ret->shaft_moment_n_m = 0.0;
    for (size_t k = 0; k < o.best.n; k++) {
        const struct nw_body *const body = &bodies[o.best.body[k]];
        ret->place_m[number_of(weights, o.best.body[k])] = o.best.place_m[k];
        ret->mass_kg += body->mass_kg.v;
        ret->shaft_moment_n_m -= body->mass_kg.v * NW_GRAVITY_M_S2 * o.best.place_m[k];
    }
    return true;
}

static int by_inertia(const void *a, const void *b) {
    const struct nw_weights_choice *const p = a;
    const struct nw_weights_choice *const q = b;
    return (p->inertia_kg_m2 > q->inertia_kg_m2) - (p->inertia_kg_m2 < q->inertia_kg_m2);
}

enum nw_status nw_balance_weights(const struct nw_balance *balance, const struct nw_body *bodies,
                                  size_t n, struct nw_weights *ret, struct nw_err *err) {
    struct nw_weights weights = {0};
    for (size_t i = 0; i < n && weights.n < MAX_WEIGHTS; i++) {
        if (is_weight(&bodies[i])) {
            size_t k = weights.n++;
            while (k > 0 && density(&bodies[weights.body[k - 1]]) < density(&bodies[i])) {
                weights.body[k] = weights.body[k - 1];
                k--;
            }
            weights.body[k] = i;
        }
    }
    const unsigned n_sets = 1u << weights.n;
    weights.choices = nw_calloc(n_sets, sizeof *weights.choices);
    if (!weights.choices) {
        return nw_err_set(err, NW_NOMEM, "%u selections of weights", n_sets);
    }
    const double wanted_kg_m = weights_kg_m(bodies, n) - balance->outward_kg_m;
    for (unsigned used = 1; used < n_sets; used++) {
        if (!is_repeated(bodies, &weights, used) &&
            try_choice(bodies, &weights, used, wanted_kg_m, &weights.choices[weights.n_choices])) {
            weights.n_choices++;
        }
    }
    qsort(weights.choices, weights.n_choices, sizeof *weights.choices, by_inertia);
    *ret = weights;
    return NW_OK;
}

enum nw_status nw_balance_arranged(const struct nw_rig *rig, const struct nw_body *bodies, size_t n,
                                   const struct nw_arrangement *arrangement, struct nw_balance *ret,
                                   struct nw_err *err) {
    const struct nw_weights *const weights = arrangement->weights;
    const struct nw_weights_choice *const choice = &weights->choices[arrangement->choice];
    struct nw_body *const moved = nw_calloc(n, sizeof *moved);
    if (!moved) {
        return nw_err_set(err, NW_NOMEM, "%zu bodies", n);
    }
    memcpy(moved, bodies, n * sizeof *moved);
    for (size_t i = 0; i < arrangement->plan->n_moves; i++) {
        const struct nw_balance_move *const m = &arrangement->plan->moves[i];
        if (m->along != 2 || number_of(weights, m->body) == weights->n) {
            nw_body_shift(moved, n, m->body, m->along, m->to_m - m->from_m);
        }
    }
    size_t n_kept = 0;
    for (size_t i = 0; i < n; i++) {
        const size_t k = number_of(weights, i);
        if (k < weights->n && !(choice->used >> k & 1u)) {
            continue;
        }
        moved[n_kept] = moved[i];
        if (k < weights->n) {
            moved[n_kept].at_m[2].v = choice->place_m[k];
        }
        n_kept++;
    }
    const enum nw_status status = nw_balance_of(rig, moved, n_kept, false, ret, err);
    free(moved);
    return status;
}

void nw_weights_done(struct nw_weights *weights) {
    free(weights->choices);
    *weights = (struct nw_weights){0};
}
