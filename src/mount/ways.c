/* ways.c - a way round what is in the way, in slews of which each is proven free.
 * Idea: a slew is free when the whole box between its ends is (reach.c). What lies between is
 * looked for on a raster of the two axes: one place that is free from both ends, or two. */
#include "mount/ways.h"

#include <math.h>

#include "mount/mount_internal.h"

#define WAITING_M 0.02 /* nothing is nearer than this where a way waits between two slews */
#define STEP_RAD (15.0 * NW_RAD_PER_DEG)
enum { N_POLAR = 24, N_DEC = 21, N_NODES = N_POLAR * N_DEC, COARSE = 2, MAX_MIDDLES = 400 };

struct asked {
    const struct nw_clearance *model;
    double latitude_rad;
    struct axis_angles from, to;
    struct nw_way *best;
};

static double turn_rad(struct axis_angles a, struct axis_angles b) {
    return fmax(fabs(a.polar_rad - b.polar_rad), fabs(a.dec_rad - b.dec_rad));
}

static bool is_free(const struct asked *q, struct axis_angles a, struct axis_angles b) {
    const struct nw_pose from = pose_of_axis_angles(q->latitude_rad, a);
    const struct nw_pose to = pose_of_axis_angles(q->latitude_rad, b);
    struct nw_slew slew;
    clearance_search(q->model, &from, &to, INFINITY, &slew);
    return slew.is_contact_free && slew.is_proven;
}

static bool stands_free(const struct asked *q, struct axis_angles at) {
    const struct nw_pose pose = pose_of_axis_angles(q->latitude_rad, at);
    return nw_clearance_at(q->model, &pose).distance_m > WAITING_M;
}

/* Takes the way by these places if it is quicker than the best so far and free. */
static void try_way(const struct asked *q, const struct axis_angles *via, size_t n_via) {
    struct axis_angles at = q->from;
    double turn = 0.0;
    for (size_t i = 0; i <= n_via; i++) {
        const struct axis_angles next = i < n_via ? via[i] : q->to;
        turn += turn_rad(at, next);
        at = next;
    }
    if (q->best->is_found && turn >= q->best->turn_rad) {
        return;
    }
    for (size_t i = 0; i < n_via; i++) {
        if (!stands_free(q, via[i])) {
            return;
        }
    }
    at = q->from;
    for (size_t i = 0; i <= n_via; i++) {
        const struct axis_angles next = i < n_via ? via[i] : q->to;
        if (!is_free(q, at, next)) {
            return;
        }
        at = next;
    }
    *q->best = (struct nw_way){.is_found = true, .n_via = n_via, .turn_rad = turn};
    for (size_t i = 0; i < n_via; i++) {
        q->best->via[i] = pose_of_axis_angles(q->latitude_rad, via[i]);
    }
}

static struct axis_angles node(int i) {
    const int polar = i / N_DEC;
    const int dec = i % N_DEC - N_DEC / 2;
    return (struct axis_angles){-NW_PI / 2.0 + STEP_RAD * polar, STEP_RAD * dec};
}

static void try_two(const struct asked *q) {
    bool from_start[N_NODES] = {false};
    bool to_end[N_NODES] = {false};
    for (int i = 0; i < N_NODES; i++) {
        if (i / N_DEC % COARSE == 0 && i % N_DEC % COARSE == 0) {
            const bool stands = stands_free(q, node(i));
            from_start[i] = stands && is_free(q, q->from, node(i));
            to_end[i] = stands && is_free(q, node(i), q->to);
        }
    }
    int n_looks = 0;
    for (int a = 0; a < N_NODES; a++) {
        for (int b = 0; from_start[a] && b < N_NODES && n_looks < MAX_MIDDLES; b++) {
            const double turn =
                turn_rad(q->from, node(a)) + turn_rad(node(a), node(b)) + turn_rad(node(b), q->to);
            if (to_end[b] && (!q->best->is_found || turn < q->best->turn_rad)) {
                n_looks++;
                if (is_free(q, node(a), node(b))) {
                    *q->best = (struct nw_way){true,
                                               2,
                                               {pose_of_axis_angles(q->latitude_rad, node(a)),
                                                pose_of_axis_angles(q->latitude_rad, node(b))},
                                               turn};
                }
            }
        }
    }
}

void nw_clearance_way(const struct nw_clearance *model, const struct nw_pose *from,
                      const struct nw_pose *to, bool is_thorough, struct nw_way *ret) {
    const double latitude_rad = clearance_latitude_rad(model);
    const struct asked q = {model, latitude_rad, axis_angles_of(latitude_rad, from),
                            axis_angles_of(latitude_rad, to), ret};
    *ret = (struct nw_way){.is_found = false};
    if (!(nw_clearance_at(model, from).distance_m > 0.0) ||
        !(nw_clearance_at(model, to).distance_m > 0.0)) {
        return;
    }
    try_way(&q, NULL, 0);
    if (ret->is_found) {
        return;
    }
    try_way(&q, &(struct axis_angles){q.to.polar_rad, q.from.dec_rad}, 1);
    try_way(&q, &(struct axis_angles){q.from.polar_rad, q.to.dec_rad}, 1);
    for (int i = 0; is_thorough && i < N_NODES; i++) {
        const struct axis_angles at = node(i);
        try_way(&q, &at, 1);
    }
    if (is_thorough && !ret->is_found) {
        try_two(&q);
    }
}
