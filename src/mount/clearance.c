/* clearance.c - see clearance.h.
 * Idea: at an attitude each outline is turned into east, north, up; pairs of which the larger is
 * farther from the sphere about the smaller than the best so far are skipped, the others measured.
 * No point of what moves is farther than `reach` from the axes, so that a turn by d / reach cannot
 * bridge a distance d. */
#include "mount/clearance.h"

#include <assert.h>
#include <stdlib.h>

#include "mount/convex.h"
#include "mount/mount_internal.h"

#define JOINED_M 0.010
#define SAME_M 0.002
#define ONE_SIDED_95 1.645 /* quantile of the normal distribution */

struct pair {
    size_t a, b;
    unsigned turns;      /* of enum axis_turn: the turns that change its distance */
    double most_sigma_m; /* of its distance, in whatever direction */
};

struct nw_clearance {
    struct nw_body *bodies;
    struct convex *local; /* on their frames */
    bool is_open;
    double *radius_m; /* of the sphere about the middle */
    size_t n;
    struct pair *pairs, *joined;
    size_t n_pairs, n_joined;
    double latitude_rad, reach_m;
};

static struct convex outline(const struct nw_body *body, bool is_open) {
    struct convex c = {.is_round = body->shape != NW_SHAPE_BOX};
    double turn[3][3];
    nw_body_place(body, is_open, c.at, turn);
    const int first = c.is_round ? body->along : 0;
    for (int i = 0; i < 3; i++) {
        for (int k = 0; k < 3; k++) {
            c.axes[i][k] = turn[i][(first + k) % 3];
        }
    }
    c.half[0] = 0.5 * body->length_m.v;
    c.half[1] = 0.5 * (c.is_round ? body->diameter_m.v : body->width_m.v);
    c.half[2] = 0.5 * (c.is_round ? body->diameter_m.v : body->height_m.v);
    return c;
}

static struct convex turned(const struct convex *local, const double rot[3][3]) {
    struct convex c = *local;
    for (int i = 0; i < 3; i++) {
        c.at[i] = 0.0;
        for (int k = 0; k < 3; k++) {
            c.at[i] += rot[i][k] * local->at[k];
            c.axes[i][k] = rot[i][0] * local->axes[0][k] + rot[i][1] * local->axes[1][k] +
                           rot[i][2] * local->axes[2][k];
        }
    }
    return c;
}

static const double IDENTITY[3][3] = {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}};

static struct convex placed(const struct nw_clearance *model, size_t i,
                            const struct nw_mount_frames *frames) {
    switch (model->bodies[i].rides) {
    case NW_RIDES_TUBE:
        return turned(&model->local[i], frames->tube);
    case NW_RIDES_AXIS:
        return turned(&model->local[i], frames->axis);
    case NW_RIDES_GROUND:
        break;
    }
    return turned(&model->local[i], IDENTITY);
}

/* ---- Errors along the line between two bodies ---- */

static double size_variance_m2(const struct nw_val *size, double share) {
    const double sigma = isnan(size->sigma) ? PLACE_M : size->sigma;
    return pow(0.5 * sigma * share, 2.0);
}

/* Along n and at the point of the outline that lies farthest that way; n on the body's frame. */
static double variance_m2(const struct nw_clearance *model, size_t i, const double n[static 3]) {
    const struct nw_body *const body = &model->bodies[i];
    const struct convex *const c = &model->local[i];
    double point[3];
    convex_support(c, n, point);
    const double sum = place_variance_m2(body, model->is_open, point, n);
    double own[3]; /* n along the body's sides, as turned */
    for (int k = 0; k < 3; k++) {
        own[k] = c->axes[0][k] * n[0] + c->axes[1][k] * n[1] + c->axes[2][k] * n[2];
    }
    if (body->shape == NW_SHAPE_BOX) {
        return sum + size_variance_m2(&body->length_m, own[0]) +
               size_variance_m2(&body->width_m, own[1]) + size_variance_m2(&body->height_m, own[2]);
    }
    const double across = sqrt(fmax(0.0, 1.0 - own[0] * own[0]));
    return sum + size_variance_m2(&body->length_m, own[0]) +
           size_variance_m2(&body->diameter_m, across);
}

/* sign: +1 for the body that the normal leaves, -1 for the one that it points at. */
static double variance_of(const struct nw_clearance *model, size_t i,
                          const struct nw_mount_frames *frames, const double normal[static 3],
                          double sign) {
    const struct nw_body *const body = &model->bodies[i];
    const double(*const rot)[3] = body->rides == NW_RIDES_TUBE   ? frames->tube
                                  : body->rides == NW_RIDES_AXIS ? frames->axis
                                                                 : IDENTITY;
    double n[3];
    for (int k = 0; k < 3; k++) {
        n[k] = sign * (rot[0][k] * normal[0] + rot[1][k] * normal[1] + rot[2][k] * normal[2]);
    }
    return variance_m2(model, i, n);
}

/* Never less than the error in any direction: three at right angles added up, and an opened body's
 * lever at its longest. */
static double most_variance_m2(const struct nw_clearance *model, size_t i) {
    const struct nw_body *const body = &model->bodies[i];
    const struct convex *const c = &model->local[i];
    double sum = 0.0;
    double lever2 = 0.0;
    for (int k = 0; k < 3; k++) {
        const double n[3] = {k == 0, k == 1, k == 2};
        sum += variance_m2(model, i, n);
        lever2 += pow(c->at[k] - body->hinge_at_m[k].v, 2.0);
    }
    if (!model->is_open || body->hinge < 0) {
        return sum;
    }
    const double angle = isnan(body->hinge_open_rad.sigma) ? HINGE_RAD : body->hinge_open_rad.sigma;
    return sum + pow(angle * (sqrt(lever2) + model->radius_m[i]), 2.0);
}

/* ---- One attitude ---- */

enum { MAX_OUTLINES = 64 };

struct nw_contact nw_clearance_at(const struct nw_clearance *model, const struct nw_pose *pose) {
    return clearance_of(model, pose, ALL_PAIRS, false);
}

struct nw_contact nw_clearance_margin_at(const struct nw_clearance *model,
                                         const struct nw_pose *pose) {
    return clearance_of(model, pose, ALL_PAIRS, true);
}

/* The smaller one as a sphere, seen from the larger one's outline: a lower bound. */
static double at_least_m(const struct nw_clearance *model, const struct convex *bodies, size_t a,
                         size_t b) {
    const bool is_a_large = model->radius_m[a] > model->radius_m[b];
    const size_t large = is_a_large ? a : b;
    const size_t small = is_a_large ? b : a;
    return convex_from_point(&bodies[large], bodies[small].at) - model->radius_m[small];
}

static bool is_wanted(const struct nw_clearance *model, const struct pair *pair, unsigned turns) {
    if (turns == ROOF_PAIRS) {
        return model->bodies[pair->a].stands == NW_STANDS_ROOF_CLOSED ||
               model->bodies[pair->b].stands == NW_STANDS_ROOF_CLOSED;
    }
    return turns == ALL_PAIRS || turns == pair->turns;
}

struct nw_contact clearance_of(const struct nw_clearance *model, const struct nw_pose *pose,
                               unsigned turns, bool is_by_margin) {
    const struct nw_mount_frames frames = nw_mount_frames_at(model->latitude_rad, pose);
    struct convex bodies[MAX_OUTLINES];
    for (size_t i = 0; i < model->n; i++) {
        bodies[i] = placed(model, i, &frames);
    }
    struct nw_contact best = {.distance_m = INFINITY, .sigma_m = NAN, .margin_m = INFINITY};
    double normal[3] = {0.0, 0.0, 1.0};
    for (size_t p = 0; p < model->n_pairs; p++) {
        const struct pair *const pair = &model->pairs[p];
        if (!is_wanted(model, pair, turns)) {
            continue;
        }
        const double least_m = at_least_m(model, bodies, pair->a, pair->b);
        if (is_by_margin ? least_m - ONE_SIDED_95 * pair->most_sigma_m > best.margin_m
                         : least_m > best.distance_m) {
            continue;
        }
        const struct convex_gap gap = convex_distance(&bodies[pair->a], &bodies[pair->b]);
        struct nw_contact here = {.distance_m = gap.distance_m, .a = pair->a, .b = pair->b};
        if (is_by_margin) {
            here.sigma_m = sqrt(variance_of(model, here.a, &frames, gap.normal, 1.0) +
                                variance_of(model, here.b, &frames, gap.normal, -1.0));
            here.margin_m = here.distance_m - ONE_SIDED_95 * here.sigma_m;
        }
        if (is_by_margin ? here.margin_m < best.margin_m : here.distance_m < best.distance_m) {
            best = here;
            memcpy(normal, gap.normal, sizeof normal);
        }
    }
    if (!is_by_margin && isfinite(best.distance_m)) {
        best.sigma_m = sqrt(variance_of(model, best.a, &frames, normal, 1.0) +
                            variance_of(model, best.b, &frames, normal, -1.0));
        best.margin_m = best.distance_m - ONE_SIDED_95 * best.sigma_m;
    }
    return best;
}

/* ---- The model ---- */

/* Between tube and axis only the declination turn counts, between axis and ground only the polar
 * one. */
static unsigned turns_of(const struct nw_body *a, const struct nw_body *b) {
    const bool has_tube = a->rides == NW_RIDES_TUBE || b->rides == NW_RIDES_TUBE;
    const bool has_ground = a->rides == NW_RIDES_GROUND || b->rides == NW_RIDES_GROUND;
    return (has_tube ? DEC_TURN : 0u) | (has_ground ? POLAR_TURN : 0u);
}

/* The k-th of n attitudes at which a pair is looked at for this. Where one turn alone counts, it
 * goes round in quarter degrees on both sides: nothing that moves within 1 m comes 2 mm nearer in
 * between. */
static struct nw_pose sample(unsigned turns, int k, int n) {
    const double share = (double)k / n;
    if (turns == DEC_TURN) {
        return (struct nw_pose){0.0, NW_PI * share - NW_PI / 2.0, (enum nw_side)(k % 2)};
    }
    if (turns == POLAR_TURN) {
        return (struct nw_pose){2.0 * NW_PI * share, 0.0, NW_SIDE_EAST};
    }
    const int row = k / 24;
    const double u = row / 24.0;
    const double v = k % 24 / 24.0;
    return (struct nw_pose){2.0 * NW_PI * u, NW_PI * v - NW_PI / 2.0,
                            (enum nw_side)((k / 24 + k) % 2)};
}

/* Over attitudes: never far apart, or always as far as now? Neither can collide anew. */
static bool is_fixed(const struct nw_clearance *model, size_t a, size_t b, unsigned turns,
                     bool *ret_is_joined) {
    const int n = turns == (DEC_TURN | POLAR_TURN) ? 24 * 24 : 1440;
    double least = INFINITY;
    double most = -INFINITY;
    for (int i = 0; i < n; i++) {
        const struct nw_pose pose = sample(turns, i * 241 % n, n); /* far apart at first */
        const struct nw_mount_frames frames = nw_mount_frames_at(model->latitude_rad, &pose);
        const struct convex p = placed(model, a, &frames);
        const struct convex q = placed(model, b, &frames);
        const double distance_m = convex_distance(&p, &q).distance_m;
        least = fmin(least, distance_m);
        most = fmax(most, distance_m);
        if (most > JOINED_M && most - least > SAME_M) {
            return false;
        }
    }
    *ret_is_joined = most <= JOINED_M;
    return true;
}

static enum nw_status fill(struct nw_clearance *model, const struct nw_body *bodies, size_t n,
                           bool is_open, struct nw_err *err) {
    for (size_t i = 0; i < n; i++) {
        model->bodies[i] = bodies[i];
        if (bodies[i].shape == NW_SHAPE_POINT) {
            continue;
        }
        model->local[i] = outline(&bodies[i], is_open);
        model->radius_m[i] = convex_reach(&model->local[i]);
        if (bodies[i].rides != NW_RIDES_GROUND) {
            const double *const at = model->local[i].at;
            const double far =
                sqrt(at[0] * at[0] + at[1] * at[1] + at[2] * at[2]) + model->radius_m[i];
            model->reach_m = fmax(model->reach_m, far);
        }
    }
    model->n = n;
    for (size_t a = 0; a < n; a++) {
        for (size_t b = a + 1; b < n; b++) {
            if (bodies[a].shape == NW_SHAPE_POINT || bodies[b].shape == NW_SHAPE_POINT ||
                bodies[a].rides == bodies[b].rides) {
                continue;
            }
            bool is_joined = false;
            const unsigned turns = turns_of(&bodies[a], &bodies[b]);
            if (!is_fixed(model, a, b, turns, &is_joined)) {
                model->pairs[model->n_pairs++] = (struct pair){
                    a, b, turns, sqrt(most_variance_m2(model, a) + most_variance_m2(model, b))};
            } else if (is_joined) {
                model->joined[model->n_joined++] = (struct pair){a, b, 0, 0.0};
            }
        }
    }
    return model->n_pairs > 0
               ? NW_OK
               : nw_err_set(err, NW_DATA,
                            "no two outlines that move against each other: clearance needs shapes "
                            "and sizes of bodies that ride on tube, axis and ground");
}

enum nw_status nw_clearance_new(const struct nw_body *bodies, size_t n, double latitude_rad,
                                bool is_open, struct nw_clearance **ret, struct nw_err *err) {
    if (n > MAX_OUTLINES) {
        return nw_err_set(err, NW_LIMIT, "%zu bodies, at most %d", n, MAX_OUTLINES);
    }
    struct nw_clearance *const model = nw_calloc(1, sizeof *model);
    enum nw_status status = model ? NW_OK : nw_err_set(err, NW_NOMEM, "clearance");
    if (status == NW_OK) {
        model->latitude_rad = latitude_rad;
        model->is_open = is_open;
        model->bodies = nw_calloc(n, sizeof *model->bodies);
        model->local = nw_calloc(n, sizeof *model->local);
        model->radius_m = nw_calloc(n, sizeof *model->radius_m);
        model->pairs = nw_calloc(n * n, sizeof *model->pairs);
        model->joined = nw_calloc(n * n, sizeof *model->joined);
        const bool is_whole =
            model->bodies && model->local && model->radius_m && model->pairs && model->joined;
        status = is_whole ? fill(model, bodies, n, is_open, err)
                          : nw_err_set(err, NW_NOMEM, "clearance of %zu bodies", n);
    }
    if (status == NW_OK) {
        *ret = model;
    } else {
        nw_clearance_free(model);
    }
    return status;
}

void nw_clearance_free(struct nw_clearance *model) {
    if (!model) {
        return;
    }
    free(model->bodies);
    free(model->local);
    free(model->radius_m);
    free(model->pairs);
    free(model->joined);
    free(model);
}

const struct nw_body *nw_clearance_bodies(const struct nw_clearance *model, size_t *ret_n) {
    *ret_n = model->n;
    return model->bodies;
}

bool nw_clearance_joined(const struct nw_clearance *model, size_t i, size_t *ret_a, size_t *ret_b) {
    if (i >= model->n_joined) {
        return false;
    }
    *ret_a = model->joined[i].a;
    *ret_b = model->joined[i].b;
    return true;
}

size_t nw_clearance_outline(const struct nw_clearance *model, size_t body,
                            const struct nw_pose *pose, double ret[NW_OUTLINE_POINTS][3]) {
    if (model->bodies[body].shape == NW_SHAPE_POINT) {
        return 0;
    }
    const struct nw_mount_frames frames = nw_mount_frames_at(model->latitude_rad, pose);
    const struct convex c = placed(model, body, &frames);
    const int n_side = c.is_round ? NW_OUTLINE_POINTS / 2 : 4;
    size_t n = 0;
    for (int end = -1; end <= 1; end += 2) {
        for (int i = 0; i < n_side; i++) {
            const double angle = 2.0 * NW_PI * (i + 0.5) / n_side;
            const double p = c.is_round ? cos(angle) : cos(angle) > 0.0 ? 1.0 : -1.0;
            const double q = c.is_round ? sin(angle) : sin(angle) > 0.0 ? 1.0 : -1.0;
            for (int k = 0; k < 3; k++) {
                ret[n][k] = c.at[k] + end * c.half[0] * c.axes[k][0] +
                            p * c.half[1] * c.axes[k][1] + q * c.half[2] * c.axes[k][2];
            }
            n++;
        }
    }
    return n;
}

double clearance_reach_m(const struct nw_clearance *model) {
    return model->reach_m;
}

double clearance_latitude_rad(const struct nw_clearance *model) {
    return model->latitude_rad;
}

bool clearance_stands(const struct nw_clearance *model, size_t i) {
    return model->bodies[i].rides == NW_RIDES_GROUND && model->radius_m[i] > 0.0;
}

size_t clearance_n(const struct nw_clearance *model) {
    return model->n;
}

struct convex clearance_placed(const struct nw_clearance *model, size_t i,
                               const struct nw_pose *pose) {
    const struct nw_mount_frames frames = nw_mount_frames_at(model->latitude_rad, pose);
    return placed(model, i, &frames);
}
