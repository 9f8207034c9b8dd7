/* moves.c - see moves.h. */
#include "look/moves.h"

#include <math.h>

#define ROTATOR_SAME_RAD (0.1 * NW_RAD_PER_DEG)
#define PLACE_SAME_RAD (0.5 * NW_RAD_PER_DEG)
enum { PAIRS_LEAST = 5 };

static bool is_same_angle(double a, double b, double limit_rad) {
    return !(fabs(remainder(a - b, 2.0 * NW_PI)) > limit_rad); /* unknown counts as the same */
}

static bool may_belong(const struct nw_frame_facts *a, const struct nw_frame_facts *b,
                       const struct nw_measure *ma, const struct nw_measure *mb) {
    return ma->width_px == mb->width_px && ma->height_px == mb->height_px &&
           strcmp(a->camera, b->camera) == 0 && strcmp(a->tube_side, b->tube_side) == 0 &&
           is_same_angle(a->rotator_rad, b->rotator_rad, ROTATOR_SAME_RAD) &&
           is_same_angle(a->dec_rad, b->dec_rad, PLACE_SAME_RAD) &&
           is_same_angle(a->ra_rad, b->ra_rad, PLACE_SAME_RAD / fmax(0.02, cos(a->dec_rad)));
}

/* Fits shift and turn anew over the pairs, with their errors. The match lays the frame on the
 * reference: x_ref = R(rotation) x_frame + d, so the stars themselves went the other way. */
static bool fill_move(const struct nw_measure *reference, const struct nw_measure *frame,
                      const struct nw_match *match, struct nw_field_move *ret) {
    const double middle_x = 0.5 * ((double)frame->width_px - 1.0);
    const double middle_y = 0.5 * ((double)frame->height_px - 1.0);
    const double c = match->scale * cos(match->rotation_rad);
    const double s = match->scale * sin(match->rotation_rad);
    double n = 0.0;
    double sums[3] = {0.0}; /* x, y, x^2 + y^2 */
    double left2 = 0.0;
    for (size_t i = 0; i < match->n_pairs; i++) {
        const struct nw_star *const a = &reference->stars[match->pairs[i].a];
        const struct nw_star *const b = &frame->stars[match->pairs[i].b];
        const double x = b->x_px - middle_x;
        const double y = b->y_px - middle_y;
        const double ex = a->x_px - middle_x - (c * x - s * y + match->dx_px);
        const double ey = a->y_px - middle_y - (s * x + c * y + match->dy_px);
        n += 1.0;
        sums[0] += x;
        sums[1] += y;
        sums[2] += x * x + y * y;
        left2 += ex * ex + ey * ey;
    }
    if (n < PAIRS_LEAST) {
        return false;
    }
    const double spread2 = sums[2] - (sums[0] * sums[0] + sums[1] * sums[1]) / n;
    const double sigma_px = sqrt(left2 / (2.0 * n - 4.0)); /* per axis; 4 numbers were fitted */
    ret->turn_rad = -match->rotation_rad;
    ret->dx_px = -(c * match->dx_px + s * match->dy_px) / (match->scale * match->scale);
    ret->dy_px = -(-s * match->dx_px + c * match->dy_px) / (match->scale * match->scale);
    ret->turn_sigma_rad = sigma_px / sqrt(spread2);
    const double off2 = (sums[0] * sums[0] + sums[1] * sums[1]) / (n * n);
    ret->shift_sigma_px = sigma_px * sqrt(1.0 / n + off2 / spread2);
    ret->n_stars = match->n_pairs;
    return true;
}

/* Lays frame i over the reference of the newest group that it may belong to. */
static bool lay_over(const struct nw_measure *const *measures,
                     const struct nw_frame_facts *const *facts, size_t i, const size_t *references,
                     size_t n_groups, struct nw_field_move *ret) {
    for (size_t g = n_groups; g-- > 0;) {
        const size_t r = references[g];
        struct nw_match match = {0};
        if (!may_belong(facts[r], facts[i], measures[r], measures[i])) {
            continue;
        }
        if (nw_stars_match(measures[r], measures[i], &match, NULL) != NW_OK) {
            return false;
        }
        *ret = (struct nw_field_move){.frame = i, .reference = r, .group = g};
        const bool is_filled = fill_move(measures[r], measures[i], &match, ret);
        nw_match_done(&match);
        return is_filled;
    }
    return false;
}

enum nw_status nw_look_moves(const struct nw_measure *const *measures,
                             const struct nw_frame_facts *const *facts, size_t n,
                             struct nw_field_move **ret, size_t *ret_n, size_t *ret_n_groups,
                             struct nw_err *err) {
    struct nw_field_move *const moves = nw_calloc(n + 1, sizeof *moves);
    size_t *const references = nw_calloc(n + 1, sizeof *references);
    size_t n_moves = 0;
    size_t n_groups = 0;
    if (!moves || !references) {
        free(moves);
        free(references);
        return nw_err_set(err, NW_NOMEM, "moves of %zu frames", n);
    }
    for (size_t i = 0; i < n; i++) {
        if (lay_over(measures, facts, i, references, n_groups, &moves[n_moves])) {
            n_moves++;
        } else if (measures[i]->n_stars >= PAIRS_LEAST) {
            references[n_groups++] = i;
        }
    }
    free(references);
    *ret = moves;
    *ret_n = n_moves;
    *ret_n_groups = n_groups;
    return NW_OK;
}
