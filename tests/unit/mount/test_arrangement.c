/* test_arrangement.c - The order of weights along the shaft, and whole arrangements, against hand
 * statics and against every order. */
#include "bodies.h"

#define MOMENT 3.6 /* kg m of the load */

static struct nw_weights weights_of(const struct nw_rig *rig, const struct nw_body *bodies,
                                    size_t n, struct nw_balance *b) {
    struct nw_weights weights;
    assert_int_equal(nw_balance_of(rig, bodies, n, false, b, NULL), NW_OK);
    assert_int_equal(nw_balance_weights(b, bodies, n, &weights, NULL), NW_OK);
    return weights;
}

/* 10 kg between two of 2 kg, 60 mm thick: the spread about the common middle is 2 x 2 kg x (60
 * mm)^2; with it at an end it would be more. */
static void test_the_heavy_weight_stands_inside_the_stack(void **state) {
    (void)state;
    const struct nw_rig rig = rig_at(45.0);
    const struct nw_body bodies[4] = {
        point_body(NW_RIDES_TUBE, 12.0, 0.0, 0.0, 0.3), weight_body(10.0, 0.06, -0.2, -0.8, -0.05),
        weight_body(2.0, 0.06, -0.3, -0.8, -0.05), weight_body(2.0, 0.06, -0.4, -0.8, -0.05)};
    struct nw_balance b;
    struct nw_weights weights = weights_of(&rig, bodies, 4, &b);
    const struct nw_weights_choice *all = NULL;
    for (size_t i = 0; i < weights.n_choices; i++) {
        all = weights.choices[i].used == 7u ? &weights.choices[i] : all;
    }
    assert_non_null(all);
    const double mean = MOMENT / 14.0;
    const double spread = 2.0 * 2.0 * 0.06 * 0.06;
    /* own inertia across: m (3 r^2 + l^2) / 12, r 80 mm (REFERENCES MEC-06) */
    const double own = 14.0 * (3.0 * 0.0064 + 0.0036) / 12.0;
    check_near(all->inertia_kg_m2, 14.0 * mean * mean + spread + own, 1e-12,
               "Steiner: common middle, spread, own");
    double place[3];
    for (size_t k = 0; k < 3; k++) {
        place[weights.body[k] - 1] = all->place_m[k];
    }
    check_near(place[0], -mean, 1e-12, "the heavy one in the common middle");
    nw_weights_done(&weights);
}

/* Seven of different mass and thickness: swaps of two find what all 5040 orders give. */
static double least_of_all_orders(const struct nw_body *bodies, size_t *order, size_t from,
                                  size_t n, double moment) {
    if (from == n) {
        double mass = 0.0;
        double sum = 0.0;
        double at = 0.0;
        for (size_t k = 0; k < n; k++) {
            const struct nw_body *const w = &bodies[order[k]];
            at += 0.5 * w->length_m.v;
            mass += w->mass_kg.v;
            sum += w->mass_kg.v * at;
            at += 0.5 * w->length_m.v;
        }
        const double shift = (moment - sum) / mass;
        double inertia = 0.0;
        at = shift;
        for (size_t k = 0; k < n; k++) {
            const struct nw_body *const w = &bodies[order[k]];
            const double r = at + 0.5 * w->length_m.v;
            inertia +=
                w->mass_kg.v * (r * r + (3.0 * 0.0064 + w->length_m.v * w->length_m.v) / 12.0);
            at += w->length_m.v;
        }
        return inertia;
    }
    double least = INFINITY;
    for (size_t i = from; i < n; i++) {
        const size_t kept = order[from];
        order[from] = order[i];
        order[i] = kept;
        least = fmin(least, least_of_all_orders(bodies, order, from + 1, n, moment));
        order[i] = order[from];
        order[from] = kept;
    }
    return least;
}

static void test_swaps_find_the_least_of_all_orders(void **state) {
    (void)state;
    const struct nw_rig rig = rig_at(45.0);
    struct nw_body bodies[8] = {point_body(NW_RIDES_TUBE, 30.0, 0.0, 0.0, 0.3)};
    size_t order[7];
    for (size_t i = 1; i < 8; i++) {
        const double d = (double)i;
        bodies[i] = weight_body(1.0 + fmod(2.7 * d, 3.0), 0.02 + 0.01 * fmod(1.9 * d, 4.0), -0.3,
                                -2.0, -0.02);
        order[i - 1] = i;
    }
    struct nw_balance b;
    struct nw_weights weights = weights_of(&rig, bodies, 8, &b);
    double found = NAN;
    for (size_t i = 0; i < weights.n_choices; i++) {
        found = weights.choices[i].used == 127u ? weights.choices[i].inertia_kg_m2 : found;
    }
    check_near(found, least_of_all_orders(bodies, order, 0, 7, 9.0), 1e-12, "all 5040 orders");
    nw_weights_done(&weights);
}

/* Common practice, no source: two 10 kg near the mount have less inertia than one lighter far out;
 * here in numbers, everything balanced in both. */
static void test_heavy_and_near_against_light_and_far(void **state) {
    (void)state;
    const struct nw_rig rig = rig_at(-32.0);
    const struct nw_body bodies[5] = {point_body(NW_RIDES_TUBE, 9.0, 0.0, -0.09, 0.26),
                                      point_body(NW_RIDES_TUBE, 5.0, 0.0, 0.16, 0.252),
                                      weight_body(10.0, 0.075, -0.2, -0.6, -0.1),
                                      weight_body(10.0, 0.075, -0.3, -0.6, -0.1),
                                      weight_body(7.0, 0.07, -0.5, -0.6, -0.1)};
    struct nw_balance b;
    struct nw_weights weights = weights_of(&rig, bodies, 5, &b);
    struct nw_balance_plan plan;
    nw_balance_adjust(&b, bodies, 5, 0.0, &plan);
    double inertia[2] = {NAN, NAN}; /* of both 10 kg, of the 7 kg alone */
    for (size_t i = 0; i < weights.n_choices; i++) {
        const struct nw_arrangement a = {&plan, &weights, i};
        struct nw_balance arranged;
        assert_int_equal(nw_balance_arranged(&rig, bodies, 5, &a, &arranged, NULL), NW_OK);
        check_near(arranged.outward_kg_m, 0.0, 1e-12, "every selection balances");
        check_near(arranged.counterweight_kg, weights.choices[i].mass_kg, 1e-12, "the others off");
        if (fabs(arranged.counterweight_kg - 20.0) < 1e-9) {
            inertia[0] = arranged.ra_inertia_kg_m2;
        } else if (fabs(arranged.counterweight_kg - 7.0) < 1e-9) {
            inertia[1] = arranged.ra_inertia_kg_m2;
        }
    }
    assert_true(inertia[0] < inertia[1]);
    /* tube side: m z^2 and the part across; weights at 3.6 / 20 and 3.6 / 7 */
    const double tubes = 9.0 * 0.26 * 0.26 + 5.0 * 0.252 * 0.252;
    const double near =
        20.0 * 0.18 * 0.18 + 20.0 * 0.0375 * 0.0375 + 20.0 * (3.0 * 0.0064 + 0.075 * 0.075) / 12.0;
    check_near(inertia[0], tubes + near, 1e-12, "by hand, tube at the equator");
    nw_weights_done(&weights);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_heavy_weight_stands_inside_the_stack),
        cmocka_unit_test(test_swaps_find_the_least_of_all_orders),
        cmocka_unit_test(test_heavy_and_near_against_light_and_far),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
