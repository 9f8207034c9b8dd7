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

static bool try_choice(const struct nw_body *bodies, const struct nw_weights *weights,
                       unsigned used, double wanted_kg_m, struct nw_weights_choice *ret) {
    struct weight_stack stack = {0};
    size_t number[MAX_WEIGHTS] = {
        0}; /* of the stack's k-th weight in `weights`, densest first there */
    for (size_t k = 0; k < weights->n; k++) {
        ret->place_m[k] = NAN;
        if (used >> k & 1u) {
            number[stack.n] = k;
            stack.body[stack.n++] = weights->body[k];
        }
    }
    stack_place(bodies, &stack, wanted_kg_m);
    if (!stack.is_possible || stack.is_at_limit) {
        return false;
    }
    ret->used = used;
    ret->inertia_kg_m2 = ret->mass_kg = ret->shaft_moment_n_m = 0.0;
    for (size_t k = 0; k < stack.n; k++) {
        const struct nw_body *const body = &bodies[stack.body[k]];
        ret->place_m[number[k]] = stack.place_m[k];
        ret->inertia_kg_m2 += inertia_kg_m2(body, stack.place_m[k]);
        ret->mass_kg += body->mass_kg.v;
        ret->shaft_moment_n_m -= body->mass_kg.v * NW_GRAVITY_M_S2 * stack.place_m[k];
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

void nw_weights_done(struct nw_weights *weights) {
    free(weights->choices);
    *weights = (struct nw_weights){0};
}
