/* brute_mount.h - random mounts and the distances of their bodies, by means that share nothing with
 * src/mount: frames by turning about two axes (Rodrigues), distances by projecting to and fro
 * between two bodies (Cheney & Goldstein 1959, Proc. AMS 10, 448). Any such pair of points is in
 * both bodies: what it says is never less than the true distance. */
#ifndef NW_TEST_BRUTE_MOUNT_H
#define NW_TEST_BRUTE_MOUNT_H

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "mount/clearance.h"

enum { BRUTE_MOST = 8 };
struct brute_rig {
    struct nw_body bodies[BRUTE_MOST];
    size_t n;
    double latitude_rad;
};

static inline struct nw_val brute_val(double v) {
    return (struct nw_val){v, 0.0, NW_FROM_GIVEN};
}

static inline struct nw_body brute_body(gsl_rng *rng, enum nw_rides rides, enum nw_shape shape,
                                        const double at[3], const double size[3]) {
    struct nw_body b = {.rides = rides, .shape = shape, .slide = -1, .hinge = -1};
    b.along = shape == NW_SHAPE_BOX ? 0 : (int)gsl_rng_uniform_int(rng, 3);
    for (int i = 0; i < 3; i++) {
        b.at_m[i] = brute_val(at[i]);
    }
    b.length_m = brute_val(size[0]);
    b.diameter_m = brute_val(size[1]);
    b.width_m = brute_val(size[1]);
    b.height_m = brute_val(size[2]);
    return b;
}

/* Four to eight bodies: on the tube, the axis and the ground, some with a hinge; any latitude. */
static inline struct brute_rig brute_rig_of(gsl_rng *rng) {
    struct brute_rig rig = {.latitude_rad = gsl_ran_flat(rng, -1.4, 1.4)};
    rig.n = 4 + gsl_rng_uniform_int(rng, BRUTE_MOST - 3);
    for (size_t i = 0; i < rig.n; i++) {
        const enum nw_rides rides = i < 2 || i == 6    ? NW_RIDES_TUBE
                                    : i == 2 || i == 5 ? NW_RIDES_AXIS
                                                       : NW_RIDES_GROUND;
        const double far = rides == NW_RIDES_GROUND ? 1.2 : 0.5;
        const double z = rides == NW_RIDES_GROUND ? gsl_ran_flat(rng, -1.4, 0.2)
                         : rides == NW_RIDES_TUBE ? gsl_ran_flat(rng, 0.15, 0.5)
                                                  : gsl_ran_flat(rng, -0.5, 0.2);
        const double at[3] = {gsl_ran_flat(rng, -far, far), gsl_ran_flat(rng, -far, far), z};
        const double size[3] = {gsl_ran_flat(rng, 0.02, 1.0), gsl_ran_flat(rng, 0.02, 0.4),
                                gsl_ran_flat(rng, 0.02, 0.5)};
        rig.bodies[i] = brute_body(
            rng, rides, gsl_rng_uniform_int(rng, 2) ? NW_SHAPE_BOX : NW_SHAPE_CYLINDER, at, size);
        if (i == 1 && gsl_rng_uniform_int(rng, 2)) {
            rig.bodies[i].hinge = (int)gsl_rng_uniform_int(rng, 3);
            for (int k = 0; k < 3; k++) {
                rig.bodies[i].hinge_at_m[k] = brute_val(at[k] + gsl_ran_flat(rng, -0.1, 0.1));
            }
            rig.bodies[i].hinge_open_rad = brute_val(gsl_ran_flat(rng, -4.0, 4.0));
        }
    }
    return rig;
}

/* v turned about the unit vector k, right-handed. */
static inline void brute_turn(const double v[3], const double k[3], double angle, double ret[3]) {
    const double c = cos(angle);
    const double s = sin(angle);
    const double dot = k[0] * v[0] + k[1] * v[1] + k[2] * v[2];
    for (int i = 0; i < 3; i++) {
        const int j = (i + 1) % 3;
        const int m = (i + 2) % 3;
        ret[i] = v[i] * c + (k[j] * v[m] - k[m] * v[j]) * s + k[i] * dot * (1.0 - c);
    }
}

/* Middle and half sides of a body, its directions in east, north, up. */
struct brute_solid {
    double at[3], axis[3][3], half[3]; /* axis[i]: the i-th direction; round ones: 0 their axis */
    bool is_round;
};

/* Axes of the frame of a body: x, y, z in east, north, up. */
static inline void brute_frame(double latitude, const struct nw_pose *pose, enum nw_rides rides,
                               double frame[3][3]) {
    const double north_pole[3] = {0.0, cos(latitude), sin(latitude)};
    const double meridian[3] = {0.0, -sin(latitude), cos(latitude)};
    const double east[3] = {1.0, 0.0, 0.0};
    double equator[3];
    double saddle[3];
    brute_turn(meridian, north_pole, -pose->ha_rad, equator);
    brute_turn(east, north_pole, -pose->ha_rad, saddle);
    double look[3]; /* turned up from the equator about the end that stands east on the meridian */
    brute_turn(equator, saddle, -pose->dec_rad, look);
    for (int i = 0; i < 3; i++) {
        const double ground = i == 0 ? 1.0 : 0.0;
        frame[0][i] = rides == NW_RIDES_TUBE   ? look[i]
                      : rides == NW_RIDES_AXIS ? (latitude < 0.0 ? -1.0 : 1.0) * north_pole[i]
                                               : ground;
        frame[2][i] = rides == NW_RIDES_GROUND     ? (i == 2 ? 1.0 : 0.0)
                      : pose->side == NW_SIDE_EAST ? saddle[i]
                                                   : -saddle[i];
    }
    for (int i = 0; i < 3; i++) {
        const int j = (i + 1) % 3;
        const int k = (i + 2) % 3;
        frame[1][i] = frame[2][j] * frame[0][k] - frame[2][k] * frame[0][j];
    }
}

static inline struct brute_solid brute_solid_of(const struct nw_body *b, double latitude,
                                                const struct nw_pose *pose, bool is_open) {
    double frame[3][3];
    brute_frame(latitude, pose, b->rides, frame);
    double at[3] = {b->at_m[0].v, b->at_m[1].v, b->at_m[2].v};
    double own[3][3] = {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}};
    if (is_open && b->hinge >= 0) {
        const double k[3] = {b->hinge == 0, b->hinge == 1, b->hinge == 2};
        const double h[3] = {b->hinge_at_m[0].v, b->hinge_at_m[1].v, b->hinge_at_m[2].v};
        const double from[3] = {at[0] - h[0], at[1] - h[1], at[2] - h[2]};
        double turned[3];
        brute_turn(from, k, b->hinge_open_rad.v, turned);
        for (int i = 0; i < 3; i++) {
            const double unit[3] = {i == 0, i == 1, i == 2};
            at[i] = h[i] + turned[i];
            brute_turn(unit, k, b->hinge_open_rad.v, own[i]);
        }
    }
    struct brute_solid s = {.is_round = b->shape != NW_SHAPE_BOX};
    const int first = s.is_round ? b->along : 0;
    for (int i = 0; i < 3; i++) {
        s.at[i] = at[0] * frame[0][i] + at[1] * frame[1][i] + at[2] * frame[2][i];
        for (int d = 0; d < 3; d++) {
            const double *const o = own[(first + d) % 3];
            s.axis[d][i] = o[0] * frame[0][i] + o[1] * frame[1][i] + o[2] * frame[2][i];
        }
    }
    s.half[0] = 0.5 * b->length_m.v;
    s.half[1] = 0.5 * (s.is_round ? b->diameter_m.v : b->width_m.v);
    s.half[2] = 0.5 * (s.is_round ? b->diameter_m.v : b->height_m.v);
    return s;
}

static inline double brute_clamp(double v, double most) {
    return v > most ? most : v < -most ? -most : v;
}

/* The point of the body that is nearest to p. */
static inline void brute_project(const struct brute_solid *s, const double p[3], double ret[3]) {
    double u[3] = {0.0, 0.0, 0.0};
    for (int d = 0; d < 3; d++) {
        for (int i = 0; i < 3; i++) {
            u[d] += (p[i] - s->at[i]) * s->axis[d][i];
        }
    }
    const double across = hypot(u[1], u[2]);
    u[0] = brute_clamp(u[0], s->half[0]);
    if (s->is_round && across > s->half[1]) {
        u[1] *= s->half[1] / across;
        u[2] *= s->half[1] / across;
    } else if (!s->is_round) {
        u[1] = brute_clamp(u[1], s->half[1]);
        u[2] = brute_clamp(u[2], s->half[2]);
    }
    for (int i = 0; i < 3; i++) {
        ret[i] = s->at[i] + u[0] * s->axis[0][i] + u[1] * s->axis[1][i] + u[2] * s->axis[2][i];
    }
}

static inline double brute_distance(const struct brute_solid *a, const struct brute_solid *b) {
    double p[3] = {a->at[0], a->at[1], a->at[2]};
    double last = INFINITY;
    for (int i = 0; i < 20000; i++) {
        double q[3];
        brute_project(b, p, q);
        brute_project(a, q, p);
        const double d =
            sqrt(pow(p[0] - q[0], 2.0) + pow(p[1] - q[1], 2.0) + pow(p[2] - q[2], 2.0));
        if (d < 1e-9 || last - d < 1e-12) {
            return d;
        }
        last = d;
    }
    return last;
}

/* Is the pair as far at every attitude (two faces that slide over each other), to 2.5 mm, looked at
 * every half degree of declination and 5 deg of hour angle? The model leaves such pairs out. */
static inline bool brute_is_constant(const struct brute_rig *rig, size_t a, size_t b,
                                     bool is_open) {
    const bool has_ground =
        rig->bodies[a].rides == NW_RIDES_GROUND || rig->bodies[b].rides == NW_RIDES_GROUND;
    const bool has_tube =
        rig->bodies[a].rides == NW_RIDES_TUBE || rig->bodies[b].rides == NW_RIDES_TUBE;
    double least = INFINITY;
    double most = -INFINITY;
    for (int h = 0; h < (has_ground ? 72 : 1); h++) {
        for (int d = 0; d < (has_tube ? 720 : 2); d++) {
            const struct nw_pose pose = {h * NW_PI / 36.0, (d / 2) * NW_PI / 360.0 - NW_PI / 2.0,
                                         (enum nw_side)(d % 2)};
            const struct brute_solid p =
                brute_solid_of(&rig->bodies[a], rig->latitude_rad, &pose, is_open);
            const struct brute_solid q =
                brute_solid_of(&rig->bodies[b], rig->latitude_rad, &pose, is_open);
            const double distance = brute_distance(&p, &q);
            least = fmin(least, distance);
            most = fmax(most, distance);
            if (most - least > 0.0025) {
                return false;
            }
        }
    }
    return true;
}

/* The nearest pair of those on different frames, joined ones left out, and those of constant
 * distance where it would be nearer than `got`. */
static inline double brute_nearest(const struct brute_rig *rig, const struct nw_clearance *model,
                                   const struct nw_pose *pose, bool is_open, double got) {
    struct brute_solid solids[BRUTE_MOST];
    for (size_t i = 0; i < rig->n; i++) {
        solids[i] = brute_solid_of(&rig->bodies[i], rig->latitude_rad, pose, is_open);
    }
    double least = INFINITY;
    for (size_t a = 0; a < rig->n; a++) {
        for (size_t b = a + 1; b < rig->n; b++) {
            bool is_left_out = rig->bodies[a].rides == rig->bodies[b].rides;
            size_t p = 0;
            size_t q = 0;
            for (size_t i = 0; nw_clearance_joined(model, i, &p, &q); i++) {
                is_left_out = is_left_out || (p == a && q == b);
            }
            const double distance = is_left_out ? INFINITY : brute_distance(&solids[a], &solids[b]);
            if (distance < least &&
                !(distance < got - 1e-6 && brute_is_constant(rig, a, b, is_open))) {
                least = distance;
            }
        }
    }
    return least;
}

/* What looking at many rigs says; all are to be 0 but the counts of what was looked at. */
struct brute_tally {
    size_t rigs, contacts, in_range;
    size_t missed;        /* contacts by projections that the model does not have */
    size_t in_range_hits; /* contacts at attitudes that a range calls free */
    double farther_m;     /* how much the model is at most farther than two real points */
    double nearer_m;      /* and nearer than the projections came, where both see a gap */
};

static inline void brute_one(gsl_rng *rng, struct brute_tally *t) {
    const struct brute_rig rig = brute_rig_of(rng);
    const bool is_open = gsl_rng_uniform_int(rng, 2);
    struct nw_clearance *model = NULL;
    struct nw_err err;
    if (nw_clearance_new(rig.bodies, rig.n, rig.latitude_rad, is_open, &model, &err) != NW_OK) {
        return;
    }
    t->rigs++;
    struct nw_pose pose = {gsl_ran_flat(rng, -NW_PI, NW_PI), gsl_ran_flat(rng, -1.5, 1.5),
                           (enum nw_side)gsl_rng_uniform_int(rng, 2)};
    const double got = nw_clearance_at(model, &pose).distance_m;
    const double want = brute_nearest(&rig, model, &pose, is_open, got);
    t->contacts += want < 1e-8;
    t->missed += want < 1e-8 && got > 1e-7;
    if (got > 0.0) {
        t->farther_m = fmax(t->farther_m, got - want);
        t->nearer_m = fmax(t->nearer_m, want - got);
    }
    struct nw_reach reach;
    nw_clearance_reach(model, pose.dec_rad, pose.side, -0.3, &reach);
    if (reach.is_reachable) {
        pose.ha_rad = gsl_ran_flat(rng, reach.ha_min_rad, reach.ha_max_rad);
        t->in_range++;
        const double there = nw_clearance_at(model, &pose).distance_m;
        t->in_range_hits += brute_nearest(&rig, model, &pose, is_open, there) < 1e-8;
    }
    nw_clearance_free(model);
}

#endif
