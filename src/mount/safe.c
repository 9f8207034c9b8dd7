/* safe.c - how long until everything is closed, from every attitude, and whether the way is free.
 * Idea: from a raster over the attitudes within reach: the slower axis decides the time of a slew,
 * the box of both axes its way; where that is not free, one axis first. */
#include <stdlib.h>

#include "mount/mount_internal.h"
#include "mount/ways.h"

#define EDGE_RAD (0.5 * NW_RAD_PER_DEG)
enum { STEP_DEG = 10, MAX_ATTITUDES = 2 * 17 * 37 };

struct from_one {
    struct nw_safe_from from;
    struct nw_way way;
    bool is_roof_free;
};

struct safe_job {
    const struct nw_clearance *model, *roofed;
    const struct nw_pose *park;
    const struct nw_safe_times *times;
    struct from_one *all;
};

static double sigma_of(const struct nw_val *val) {
    return isfinite(val->sigma) ? val->sigma : 0.0;
}

/* Probability that the warning is longer than `total`: both normal and independent. */
static double in_time(const struct nw_safe_times *times, double total_s, double sigma_s) {
    const double spread = hypot(sigma_s, sigma_of(&times->warning_s));
    const double left = times->warning_s.v - total_s;
    return spread > 0.0 ? 0.5 * erfc(-left / (sqrt(2.0) * spread)) : left >= 0.0 ? 1.0 : 0.0;
}

static void one_attitude(void *user, size_t i) {
    const struct safe_job *const job = user;
    const struct nw_safe_times *const t = job->times;
    struct from_one *const one = &job->all[i];
    nw_clearance_way(job->model, &one->from.pose, job->park, false, &one->way);
    double turn = one->way.turn_rad;
    if (!one->way.is_found) {
        const struct nw_turns turns =
            nw_mount_turns(clearance_latitude_rad(job->model), &one->from.pose, job->park);
        turn = fmax(turns.polar_rad, turns.dec_rad);
    }
    const double slew_s = turn / t->rate_rad_s.v;
    const bool has_roof = isfinite(t->roof_s.v);
    one->from.slew_s = slew_s;
    one->from.total_s = t->reaction_s.v + slew_s + (has_roof ? t->roof_s.v : 0.0);
    one->from.total_sigma_s =
        hypot(hypot(sigma_of(&t->reaction_s), slew_s * sigma_of(&t->rate_rad_s) / t->rate_rad_s.v),
              has_roof ? sigma_of(&t->roof_s) : 0.0);
    one->from.in_time =
        isfinite(t->warning_s.v) ? in_time(t, one->from.total_s, one->from.total_sigma_s) : NAN;
    one->is_roof_free =
        job->roofed && clearance_of(job->roofed, &one->from.pose, ROOF_PAIRS, true).margin_m > 0.0;
}

static size_t attitudes_of(const struct nw_clearance *model, double min_altitude_rad,
                           struct from_one *all) {
    size_t n = 0;
    const double step = STEP_DEG * NW_RAD_PER_DEG;
    for (int d = -80; d <= 80; d += STEP_DEG) {
        for (int side = 0; side < 2; side++) {
            struct nw_reach limit;
            nw_clearance_reach(model, d * NW_RAD_PER_DEG, (enum nw_side)side, min_altitude_rad,
                               &limit);
            if (!limit.is_reachable) {
                continue;
            }
            /* nothing is to be proven on the very edge of a contact */
            const double low =
                limit.ha_min_rad + (limit.min_end == NW_END_CONTACT ? EDGE_RAD : 0.0);
            const double high =
                limit.ha_max_rad - (limit.max_end == NW_END_CONTACT ? EDGE_RAD : 0.0);
            for (int i = 0; low + i * step <= high && i <= 36; i++) {
                all[n++].from.pose =
                    (struct nw_pose){low + i * step, d * NW_RAD_PER_DEG, (enum nw_side)side};
            }
        }
    }
    return n;
}

static int by_time(const void *a, const void *b) {
    const double p = ((const struct from_one *)a)->from.total_s;
    const double q = ((const struct from_one *)b)->from.total_s;
    return (p > q) - (p < q);
}

static void sum_up(struct from_one *all, const struct safe_job *job, struct nw_safe *ret) {
    const size_t n = ret->n_tried;
    for (size_t i = 0; i < n; i++) {
        const struct from_one *const one = &all[i];
        if (!one->way.is_found) {
            ret->blocked = ret->n_blocked++ == 0 ? one->from.pose : ret->blocked;
        }
        ret->n_ordered += one->way.is_found && one->way.n_via > 0;
        ret->n_in_time += one->from.in_time >= 0.95;
        ret->in_time_mean += one->from.in_time / (double)n;
        ret->n_roof_free += one->is_roof_free;
    }
    for (size_t i = n; job->roofed && i > 0; i--) {
        ret->roof_touched = all[i - 1].is_roof_free ? ret->roof_touched : all[i - 1].from.pose;
    }
    qsort(all, n, sizeof *all, by_time);
    ret->slowest = all[n - 1].from;
    ret->median_s = n % 2 ? all[n / 2].from.total_s
                          : 0.5 * (all[n / 2].from.total_s + all[n / 2 - 1].from.total_s);
}

enum nw_status nw_clearance_safe(const struct nw_clearance *model,
                                 const struct nw_clearance *roofed, const struct nw_pose *park,
                                 const struct nw_safe_times *times, double min_altitude_rad,
                                 struct nw_safe *ret, struct nw_err *err) {
    struct from_one *const all = nw_calloc(MAX_ATTITUDES, sizeof *all);
    if (!all) {
        return nw_err_set(err, NW_NOMEM, "%d attitudes", MAX_ATTITUDES);
    }
    const double hand_sigma_s = hypot(sigma_of(&times->reaction_s), sigma_of(&times->hand_s));
    *ret = (struct nw_safe){.n_tried = attitudes_of(model, min_altitude_rad, all)};
    ret->by_hand_in_time = in_time(times, times->reaction_s.v + times->hand_s.v, hand_sigma_s);
    if (!isfinite(times->warning_s.v) || !isfinite(times->hand_s.v)) {
        ret->by_hand_in_time = NAN;
    }
    ret->slowest.pose = *park;
    ret->slowest.total_s = times->reaction_s.v;
    ret->slowest.in_time = NAN;
    struct safe_job job = {model, roofed, park, times, all};
    (void)nw_parallel_for(ret->n_tried, 0, one_attitude, &job, NULL);
    if (ret->n_tried > 0) {
        sum_up(all, &job, ret);
    }
    free(all);
    return NW_OK;
}
