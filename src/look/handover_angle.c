/* handover_angle.c - how far the camera was turned from sub to sub, by their stars; see handover.h.
 * Idea: each sub's stars are laid over those of the best of its group, the best of each group over
 * those of the first group of its camera that shows the same field; half a turn of the tube side is
 * taken off. */
#include <math.h>

#include "light/panel.h"
#include "look/handover.h"
#include "look/look_internal.h"

static bool is_same_camera(const struct nw_hand_group *a, const struct nw_hand_group *b) {
    return strcmp(a->camera, b->camera) == 0 && a->width_px == b->width_px &&
           a->height_px == b->height_px;
}

/* Turn from `a` to `b`; false: their stars do not lie over each other. */
static bool turn_between(const struct nw_hand_sub *a, const struct nw_hand_sub *b,
                         double *ret_rad) {
    struct nw_match match = {0};
    if (!a->measure || !b->measure ||
        nw_stars_match(a->measure, b->measure, &match, NULL) != NW_OK) {
        return false;
    }
    *ret_rad = nw_flat_turn_of(-match.rotation_rad, a->facts->tube_side, b->facts->tube_side);
    nw_match_done(&match);
    return true;
}

void hand_find_turns(struct nw_hand_sub *subs, size_t n, const struct nw_hand_group *groups,
                     size_t n_groups) {
    for (size_t g = 0; g < n_groups; g++) {
        const size_t best = groups[g].planes[groups[g].main].best;
        if (best == SIZE_MAX) {
            continue;
        }
        struct nw_hand_sub *const first = &subs[best];
        first->has_turn = true;
        first->turn_rad = 0.0;
        first->turn_of = g;
        for (size_t k = 0; k < g; k++) { /* an earlier group of the field is what it is told from */
            const size_t before = groups[k].planes[groups[k].main].best;
            double turn = 0.0;
            if (before != SIZE_MAX && is_same_camera(&groups[g], &groups[k]) &&
                turn_between(&subs[before], first, &turn)) {
                first->turn_rad = subs[before].turn_rad + turn;
                first->turn_of = subs[before].turn_of;
                break;
            }
        }
        for (size_t i = 0; i < n; i++) {
            double turn = 0.0;
            if (subs[i].group == g && i != best && turn_between(first, &subs[i], &turn)) {
                subs[i].has_turn = true;
                subs[i].turn_rad = first->turn_rad + turn;
                subs[i].turn_of = first->turn_of;
            }
        }
    }
}
