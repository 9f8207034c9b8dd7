/* clearance.c - whether a contact is missed over many random rigs and attitudes, and how long a
 * full map takes: the numbers of docs/mount.md. Arguments: rigs, else 100000. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "brute_mount.h"

static double now_s(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Twelve bodies: two tubes with cameras, panel, bar, housing, weight, pier, walls, roof. */
static size_t twelve(struct nw_body bodies[12]) {
    static const struct {
        enum nw_rides rides;
        enum nw_shape shape;
        int along;
        double at[3], size[3];
    } ROWS[12] = {
        {NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, {0.1, -0.1, 0.26}, {0.7, 0.13, 0.0}},
        {NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, {-0.4, -0.1, 0.26}, {0.2, 0.17, 0.0}},
        {NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, {0.05, 0.18, 0.25}, {0.4, 0.08, 0.0}},
        {NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, {-0.18, 0.18, 0.25}, {0.1, 0.08, 0.0}},
        {NW_RIDES_TUBE, NW_SHAPE_BOX, 0, {0.46, -0.1, 0.26}, {0.025, 0.19, 0.19}},
        {NW_RIDES_TUBE, NW_SHAPE_BOX, 0, {0.0, 0.02, 0.19}, {0.09, 0.42, 0.03}},
        {NW_RIDES_AXIS, NW_SHAPE_CYLINDER, 2, {0.0, 0.0, -0.25}, {0.15, 0.17, 0.0}},
        {NW_RIDES_AXIS, NW_SHAPE_CYLINDER, 2, {0.0, 0.0, 0.05}, {0.22, 0.13, 0.0}},
        {NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, {0.0, 0.07, -0.95}, {1.0, 0.17, 0.0}},
        {NW_RIDES_GROUND, NW_SHAPE_BOX, 0, {0.2, 0.07, -0.86}, {0.23, 0.3, 0.03}},
        {NW_RIDES_GROUND, NW_SHAPE_BOX, 0, {0.0, -1.3, -0.85}, {2.8, 0.06, 1.25}},
        {NW_RIDES_GROUND, NW_SHAPE_BOX, 0, {0.0, -2.7, 0.1}, {3.0, 2.7, 0.65}},
    };
    for (size_t i = 0; i < 12; i++) {
        struct nw_body *const b = &bodies[i];
        *b = (struct nw_body){.rides = ROWS[i].rides,
                              .shape = ROWS[i].shape,
                              .along = ROWS[i].along,
                              .slide = -1,
                              .hinge = -1};
        for (int k = 0; k < 3; k++) {
            b->at_m[k] = brute_val(ROWS[i].at[k]);
        }
        b->length_m = brute_val(ROWS[i].size[0]);
        b->diameter_m = b->width_m = brute_val(ROWS[i].size[1]);
        b->height_m = brute_val(ROWS[i].size[2]);
    }
    return 12;
}

static int time_map(void) {
    enum { N_HA = 360, N_DEC = 181 };
    struct nw_body bodies[12];
    struct nw_clearance *model = NULL;
    struct nw_err err;
    double *const map = malloc(sizeof *map * N_HA * N_DEC);
    if (!map || nw_clearance_new(bodies, twelve(bodies), -0.56, false, &model, &err) != NW_OK) {
        free(map);
        return 1;
    }
    for (int threads = 1; threads <= 2; threads++) {
        const double start = now_s();
        for (int side = 0; side < 2; side++) {
            nw_clearance_map(model, (enum nw_side)side, -1.6, N_HA, N_DEC, threads, map);
        }
        (void)printf("map of 1 deg, both sides, 12 bodies, whole sphere, %d threads: %.2f s\n",
                     threads, now_s() - start);
    }
    nw_clearance_free(model);
    free(map);
    return 0;
}

int main(int argc, char **argv) {
    const long n = argc > 1 ? strtol(argv[1], NULL, 10) : 100000;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 1);
    struct brute_tally t = {0};
    const double start = now_s();
    for (long i = 0; i < n; i++) {
        brute_one(rng, &t);
    }
    (void)printf("%zu rigs and attitudes, %zu in contact: %zu missed\n", t.rigs, t.contacts,
                 t.missed);
    (void)printf("%zu attitudes within ranges: %zu in contact\n", t.in_range, t.in_range_hits);
    (void)printf("model farther than two real points by at most %.2e m, nearer than projections by "
                 "at most %.2e m; %.0f s\n",
                 t.farther_m, t.nearer_m, now_s() - start);
    gsl_rng_free(rng);
    return time_map();
}
