/* ahead.c - the contact that lies ahead of the target; see ahead.h.
 * Idea: tracking turns the tube west at the sidereal rate, so a range of hour angles is a time. */
#include "book/ahead.h"

#include <math.h>

static const double SAME_DEC_RAD = 0.1 * NW_RAD_PER_DEG;
static const double A_NIGHT_S = 12.0 * 3600.0;

static void name_pair(const struct nw_clearance *model, const struct nw_contact *contact, char *to,
                      size_t size) {
    size_t n = 0;
    const struct nw_body *const bodies = nw_clearance_bodies(model, &n);
    (void)snprintf(to, size, "%.60s and %.60s", bodies[contact->a].name, bodies[contact->b].name);
}

void nw_ahead_range_of(const struct nw_clearance *model, double dec_rad, enum nw_side side,
                       struct nw_ahead_range *range) {
    if (range->is_there && range->side == side && fabs(range->dec_rad - dec_rad) < SAME_DEC_RAD) {
        return;
    }
    *range = (struct nw_ahead_range){.is_there = true, .dec_rad = dec_rad, .side = side};
    nw_clearance_reach(model, dec_rad, side, 0.0, &range->reach);
    nw_clearance_reach(model, dec_rad, side == NW_SIDE_EAST ? NW_SIDE_WEST : NW_SIDE_EAST, 0.0,
                       &range->other);
    if (range->reach.is_reachable) {
        name_pair(model, &range->reach.at_max, range->meets, sizeof range->meets);
    } else { /* they overlap where the tube is freest */
        name_pair(model, &range->reach.least, range->meets, sizeof range->meets);
    }
}

/* Where the run of subs on the last sub's target began. */
static const struct nw_live_sub *start_of_run(const struct nw_live *live) {
    size_t first = live->n - 1;
    while (first > 0 && strcmp(live->subs[first - 1].object, live->subs[live->n - 1].object) == 0) {
        first--;
    }
    return &live->subs[first];
}

static double hour_angle(const struct nw_live_sub *sub, double t_s, const struct nw_place *place,
                         double *ret_dec_rad) {
    struct nw_pointing pointing = {.hour_angle_rad = NAN, .dec_rad = NAN};
    if (nw_sky_pointing(sub->ra_rad, sub->dec_rad, t_s, place, NULL, &pointing, NULL) != NW_OK) {
        return NAN;
    }
    *ret_dec_rad = pointing.dec_rad;
    return pointing.hour_angle_rad;
}

static void find_side(const struct nw_live *live, const struct nw_place *place, double ha_rad,
                      struct nw_live_contact *ret) {
    const struct nw_live_sub *const last = &live->subs[live->n - 1];
    const bool is_east = strcmp(last->tube_side, "east") == 0;
    ret->is_side_assumed = !is_east && strcmp(last->tube_side, "west") != 0;
    ret->is_east = is_east;
    if (ret->is_side_assumed) {
        const struct nw_live_sub *const first = start_of_run(live);
        double dec_rad = NAN;
        ret->is_east = hour_angle(first, first->t_start_utc_s, place, &dec_rad) > 0.0;
    } else {
        ret->is_side_unusual = is_east != (ha_rad > 0.0);
    }
}

/* An hour angle turned into the range's own turn: to within half a turn of its middle. */
static double turned(double ha_rad, const struct nw_reach *reach) {
    const double middle = 0.5 * (reach->ha_min_rad + reach->ha_max_rad);
    return middle + remainder(ha_rad - middle, 2.0 * NW_PI);
}

static double when(double now_s, double ha_rad, double limit_rad) {
    return now_s + (limit_rad - ha_rad) / NW_SIDEREAL_RATE_RAD_S;
}

/* How long the tube would be free on the other side, were it flipped at that hour angle. */
static double free_after_flip(const struct nw_reach *other, double now_s, double ha_rad,
                              double flip_rad) {
    if (!other->is_reachable || !isfinite(other->sure_max_rad)) {
        return NAN;
    }
    const double at = turned(flip_rad, other);
    if (at < other->sure_min_rad || at >= other->sure_max_rad) {
        return NAN;
    }
    const bool has_end =
        other->max_end == NW_END_CONTACT || other->sure_max_rad < other->ha_max_rad;
    const double until_s = when(now_s, ha_rad + (at - flip_rad), other->sure_max_rad);
    return has_end && until_s < now_s + A_NIGHT_S ? until_s : INFINITY;
}

static void time_it(const struct nw_ahead_range *range, double now_s, double ha_rad,
                    struct nw_live_contact *ret) {
    const struct nw_reach *const reach = &range->reach;
    nw_text_copy(ret->meets, sizeof ret->meets, range->meets);
    const double at_now = reach->is_reachable ? turned(ha_rad, reach) : NAN;
    const bool is_before = at_now < reach->ha_min_rad && reach->min_end == NW_END_CONTACT;
    if (is_before || (!reach->is_reachable && reach->least.distance_m < 0.0)) {
        ret->contact_s = now_s; /* it overlaps already */
        ret->contact_ha_rad = ha_rad;
        ret->sure_s = now_s;
        ret->sure_ha_rad = ha_rad;
    } else if (reach->is_reachable) {
        const double at = at_now;
        const bool is_sure_less = !(reach->sure_max_rad >= reach->ha_max_rad);
        if (reach->max_end == NW_END_CONTACT) {
            ret->contact_ha_rad = ha_rad + reach->ha_max_rad - at;
            ret->contact_s = when(now_s, at, reach->ha_max_rad);
        }
        if (reach->max_end == NW_END_CONTACT || is_sure_less) {
            const double sure = isfinite(reach->sure_max_rad) ? reach->sure_max_rad : at;
            ret->sure_ha_rad = ha_rad + sure - at;
            ret->sure_s = when(now_s, at, sure);
        }
    }
    const double flip_rad = isfinite(ret->sure_ha_rad) ? fmax(ha_rad, ret->sure_ha_rad) : ha_rad;
    ret->flipped_free_s = free_after_flip(&range->other, now_s, ha_rad, flip_rad);
}

void nw_ahead_contact(const struct nw_live *live, double now_utc_s, const struct nw_place *place,
                      const struct nw_clearance *model, struct nw_ahead_range *range,
                      struct nw_live_contact *ret) {
    *ret = (struct nw_live_contact){.ha_rad = NAN,
                                    .contact_s = NAN,
                                    .contact_ha_rad = NAN,
                                    .sure_s = NAN,
                                    .sure_ha_rad = NAN,
                                    .flipped_free_s = NAN};
    if (!model) {
        nw_text_copy(ret->why_null, sizeof ret->why_null,
                     "the rig file has no outlines (bodies) to tell it from");
        return;
    }
    if (live->n == 0) {
        nw_text_copy(ret->why_null, sizeof ret->why_null, "no sub yet");
        return;
    }
    const struct nw_live_sub *const last = &live->subs[live->n - 1];
    double dec_rad = NAN;
    ret->ha_rad = hour_angle(last, now_utc_s, place, &dec_rad);
    if (!isfinite(ret->ha_rad) || !isfinite(dec_rad)) {
        nw_text_copy(ret->why_null, sizeof ret->why_null,
                     "the frames do not say where the telescope points, or the rig where it is");
        return;
    }
    find_side(live, place, ret->ha_rad, ret);
    nw_ahead_range_of(model, dec_rad, ret->is_east ? NW_SIDE_EAST : NW_SIDE_WEST, range);
    time_it(range, now_utc_s, ret->ha_rad, ret);
}
