/* reach.c - ranges of hour angle, maps and slews: where the mount can go without contact.
 * Idea: the distance of the nearest pair bounds how far any axis may turn before it can vanish. */
#include "mount/clearance.h"
#include "mount/mount_internal.h"

#define FINEST_RAD (0.01 * NW_RAD_PER_DEG)
#define LONGEST_RAD (2.0 * NW_RAD_PER_DEG)

static double altitude_rad(double latitude_rad, double ha_rad, double dec_rad) {
    const double s =
        sin(latitude_rad) * sin(dec_rad) + cos(latitude_rad) * cos(dec_rad) * cos(ha_rad);
    return asin(fmax(-1.0, fmin(1.0, s)));
}

/* Hour angle at which the tube sinks below the altitude: 0 never above it, pi never below it. */
static double setting_rad(double latitude_rad, double dec_rad, double min_altitude_rad) {
    const double down = cos(latitude_rad) * cos(dec_rad);
    const double c = sin(min_altitude_rad) - sin(latitude_rad) * sin(dec_rad);
    if (!(down > 1e-12)) { /* at a pole of the sky, or on one of the Earth: no rising, no setting */
        return c <= 0.0 ? NW_PI : 0.0;
    }
    return c >= down ? 0.0 : c <= -down ? NW_PI : acos(c / down);
}

struct way {
    double end_rad; /* of what was gone through */
    struct nw_contact at_end, least;
    bool is_contact;
};

/* From the middle one way (sign +1 or -1) to `end_rad`, until nothing is left of the distance or,
 * by margin, of what is sure of it. The margin follows the distance as closely as the errors along
 * the line change slowly. */
static struct way go(const struct nw_clearance *model, struct nw_pose pose, double sign,
                     double end_rad, bool is_by_margin) {
    const double reach = clearance_reach_m(model);
    struct way way = {.at_end = clearance_of(model, &pose, ALL_PAIRS, is_by_margin)};
    way.least = way.at_end;
    while (sign * (end_rad - pose.ha_rad) > 0.0) {
        const double left_m = is_by_margin ? way.at_end.margin_m : way.at_end.distance_m;
        const double step = fmin(fmax(left_m / reach, FINEST_RAD), LONGEST_RAD);
        struct nw_pose next = pose;
        next.ha_rad += sign * fmin(step, fabs(end_rad - pose.ha_rad));
        const struct nw_contact there = clearance_of(model, &next, ALL_PAIRS, is_by_margin);
        way.is_contact = (is_by_margin ? there.margin_m : there.distance_m) <= 0.0;
        way.at_end = there;
        if (way.is_contact) {
            break;
        }
        pose = next;
        way.least = there.distance_m < way.least.distance_m ? there : way.least;
    }
    way.end_rad = pose.ha_rad;
    return way;
}

void nw_clearance_reach(const struct nw_clearance *model, double dec_rad, enum nw_side side,
                        double min_altitude_rad, struct nw_reach *ret) {
    const double setting = setting_rad(clearance_latitude_rad(model), dec_rad, min_altitude_rad);
    const bool is_circumpolar = setting >= NW_PI;
    const double half = side == NW_SIDE_EAST ? 0.5 * setting : -0.5 * setting;
    const struct nw_pose middle = {half, dec_rad, side};
    *ret = (struct nw_reach){
        .ha_min_rad = NAN, .ha_max_rad = NAN, .sure_min_rad = NAN, .sure_max_rad = NAN};
    if (!(setting > 0.0)) {
        return;
    }
    ret->least = nw_clearance_at(model, &middle);
    ret->is_reachable = ret->least.distance_m > 0.0;
    if (!ret->is_reachable) {
        return;
    }
    const double low = is_circumpolar ? half - NW_PI : -setting;
    const double high = is_circumpolar ? half + NW_PI : setting;
    const enum nw_end open_end = is_circumpolar ? NW_END_TURN : NW_END_HORIZON;
    const struct way down = go(model, middle, -1.0, low, false);
    const struct way up = go(model, middle, 1.0, high, false);
    ret->ha_min_rad = down.end_rad;
    ret->ha_max_rad = up.end_rad;
    ret->at_min = down.at_end;
    ret->at_max = up.at_end;
    ret->min_end = down.is_contact ? NW_END_CONTACT : open_end;
    ret->max_end = up.is_contact ? NW_END_CONTACT : open_end;
    ret->least = down.least.distance_m < up.least.distance_m ? down.least : up.least;
    if (nw_clearance_margin_at(model, &middle).margin_m > 0.0) {
        ret->sure_min_rad = go(model, middle, -1.0, down.end_rad, true).end_rad;
        ret->sure_max_rad = go(model, middle, 1.0, up.end_rad, true).end_rad;
    }
}

struct nw_contact nw_clearance_usual(const struct nw_clearance *model, double dec_rad,
                                     enum nw_side side, const struct nw_reach *reach,
                                     struct nw_contact *ret_least_margin) {
    struct nw_contact least = {.distance_m = INFINITY, .sigma_m = NAN, .margin_m = INFINITY};
    *ret_least_margin = least;
    const bool is_east = side == NW_SIDE_EAST;
    const double low = is_east ? 0.0 : fmax(reach->ha_min_rad, -NW_PI);
    const double high = is_east ? fmin(reach->ha_max_rad, NW_PI) : 0.0;
    const double step = NW_RAD_PER_DEG;
    const int n = reach->is_reachable && high >= low ? (int)((high - low) / step) + 1 : 0;
    for (int i = 0; i < n; i++) {
        const struct nw_pose pose = {low + i * step, dec_rad, side};
        const struct nw_contact c = nw_clearance_at(model, &pose);
        least = c.distance_m < least.distance_m ? c : least;
        const struct nw_contact sure = nw_clearance_margin_at(model, &pose);
        *ret_least_margin = sure.margin_m < ret_least_margin->margin_m ? sure : *ret_least_margin;
    }
    return least;
}

struct map_job {
    const struct nw_clearance *model;
    enum nw_side side;
    double min_altitude_rad;
    size_t n_ha, n_dec;
    double *ret;
};

static void map_column(void *user, size_t i) {
    const struct map_job *const job = user;
    const double ha = -NW_PI + 2.0 * NW_PI * (double)i / (double)job->n_ha;
    for (size_t k = 0; k < job->n_dec; k++) {
        const double dec = NW_PI * ((double)k / (double)(job->n_dec - 1) - 0.5);
        const struct nw_pose pose = {ha, dec, job->side};
        const double altitude = altitude_rad(clearance_latitude_rad(job->model), ha, dec);
        job->ret[i * job->n_dec + k] =
            altitude < job->min_altitude_rad ? NAN : nw_clearance_at(job->model, &pose).distance_m;
    }
}

void nw_clearance_map(const struct nw_clearance *model, enum nw_side side, double min_altitude_rad,
                      size_t n_ha, size_t n_dec, int n_threads, double *ret) {
    struct map_job job = {model, side, min_altitude_rad, n_ha, n_dec, ret};
    (void)nw_parallel_for(n_ha, n_threads, map_column, &job, NULL);
}

/* ---- Slews ---------------------------------------------------------------------------------- */

struct box {
    struct axis_angles low, high;
};

/* Attitudes that one search may look at: a gap of millimetres along the whole way needs many. */
enum { MAX_LOOKS = 300000, MAX_LOOKS_ALONE = 20000 /* where only "free or not" is asked */ };

struct search {
    const struct nw_clearance *model;
    struct nw_slew *ret;
    unsigned turns; /* the pairs that are looked at */
    double
        fine_m; /* how near the nearest approach is to be known; infinite: contact alone counts */
    size_t n_looks;
};

/* Judges a box by its middle: within it nothing moves farther than reach times both half turns. */
static void search(struct search *job, const struct box *box) {
    const struct nw_clearance *const model = job->model;
    struct nw_slew *const ret = job->ret;
    const struct axis_angles middle = {0.5 * (box->low.polar_rad + box->high.polar_rad),
                                       0.5 * (box->low.dec_rad + box->high.dec_rad)};
    const double polar_half = 0.5 * (box->high.polar_rad - box->low.polar_rad);
    const double dec_half = 0.5 * (box->high.dec_rad - box->low.dec_rad);
    const struct nw_pose pose = pose_of_axis_angles(clearance_latitude_rad(model), middle);
    const struct nw_contact contact = clearance_of(model, &pose, job->turns, false);
    if (contact.distance_m < ret->least.distance_m) {
        ret->least = contact;
        ret->where = pose;
    }
    const double worst = contact.distance_m - clearance_reach_m(model) * (polar_half + dec_half);
    if (contact.distance_m <= 0.0) {
        ret->is_contact_free = false;
        return; /* deeper contacts in this box are not needed to know that */
    }
    if (worst > 0.0 && worst > ret->least.distance_m - job->fine_m) {
        return;
    }
    const size_t most = isinf(job->fine_m) ? MAX_LOOKS_ALONE : MAX_LOOKS;
    if (++job->n_looks >= most || polar_half + dec_half < FINEST_RAD) {
        if (worst <= 0.0) {
            ret->is_proven = false;
        }
        return;
    }
    struct box first = *box;
    struct box second = *box;
    if (polar_half > dec_half) {
        first.high.polar_rad = second.low.polar_rad = middle.polar_rad;
    } else {
        first.high.dec_rad = second.low.dec_rad = middle.dec_rad;
    }
    search(job, &first);
    if (ret->is_contact_free && (ret->is_proven || isfinite(job->fine_m))) {
        search(job, &second);
    }
}

/* Each kind of pair over the turns that count for it alone: two lines and a box. */
void clearance_search(const struct nw_clearance *model, const struct nw_pose *from,
                      const struct nw_pose *to, double fine_m, struct nw_slew *ret) {
    const struct axis_angles a = axis_angles_of(clearance_latitude_rad(model), from);
    const struct axis_angles b = axis_angles_of(clearance_latitude_rad(model), to);
    const struct box box = {{fmin(a.polar_rad, b.polar_rad), fmin(a.dec_rad, b.dec_rad)},
                            {fmax(a.polar_rad, b.polar_rad), fmax(a.dec_rad, b.dec_rad)}};
    *ret = (struct nw_slew){.is_contact_free = true,
                            .is_proven = true,
                            .least = {.distance_m = INFINITY, .sigma_m = NAN},
                            .where = *from};
    static const unsigned KINDS[] = {DEC_TURN, POLAR_TURN, DEC_TURN | POLAR_TURN};
    for (int k = 0; k < 3 && ret->is_contact_free; k++) {
        struct box part = box;
        if (!(KINDS[k] & POLAR_TURN)) {
            part.high.polar_rad = part.low.polar_rad;
        }
        if (!(KINDS[k] & DEC_TURN)) {
            part.high.dec_rad = part.low.dec_rad;
        }
        struct search job = {.model = model, .ret = ret, .turns = KINDS[k], .fine_m = fine_m};
        search(&job, &part);
    }
}

void nw_clearance_slew(const struct nw_clearance *model, const struct nw_pose *from,
                       const struct nw_pose *to, struct nw_slew *ret) {
    clearance_search(model, from, to, 0.005, ret);
    const struct nw_pose ends[2] = {*from, *to};
    for (int i = 0; i < 2; i++) {
        const struct nw_contact contact = nw_clearance_at(model, &ends[i]);
        if (contact.distance_m < ret->least.distance_m) {
            ret->least = contact;
            ret->where = ends[i];
        }
        ret->is_contact_free = ret->is_contact_free && contact.distance_m > 0.0;
    }
}

double nw_mount_nearest_rad(double latitude_rad, const struct nw_pose *from,
                            const struct nw_pose *to, double ha_rad, double dec_rad) {
    const double step = 0.5 * NW_RAD_PER_DEG;
    const struct axis_angles a = axis_angles_of(latitude_rad, from);
    const struct axis_angles b = axis_angles_of(latitude_rad, to);
    const size_t n_polar = (size_t)ceil(fabs(b.polar_rad - a.polar_rad) / step) + 1;
    const size_t n_dec = (size_t)ceil(fabs(b.dec_rad - a.dec_rad) / step) + 1;
    double best = -1.0;
    for (size_t i = 0; i < n_polar; i++) {
        const double u = n_polar > 1 ? (double)i / (double)(n_polar - 1) : 0.0;
        for (size_t k = 0; k < n_dec; k++) {
            const double v = n_dec > 1 ? (double)k / (double)(n_dec - 1) : 0.0;
            const struct axis_angles at = {a.polar_rad + u * (b.polar_rad - a.polar_rad),
                                           a.dec_rad + v * (b.dec_rad - a.dec_rad)};
            const struct nw_pose pose = pose_of_axis_angles(latitude_rad, at);
            best = fmax(best, sin(dec_rad) * sin(pose.dec_rad) +
                                  cos(dec_rad) * cos(pose.dec_rad) * cos(pose.ha_rad - ha_rad));
        }
    }
    /* the raster's cells are at most half a step from their corners in each turn */
    return fmax(0.0, acos(fmin(1.0, best)) - step / sqrt(2.0));
}
