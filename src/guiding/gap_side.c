/* gap_side.c - the rests of many gears at once.
 * Idea: one pair of gears and its filter are a chain in which every step waits for the one before;
 * the processor stands idle most of the time. SIDE of them, step by step beside each other, take
 * little longer than one, and no path is kept.
 * Holds: the same operations in the same order as play.c and whiten.c, so the same numbers
 * (tests/unit/guiding/test_backlash.c). */
#include "guiding/gap_fit.h"

enum { SIDE = 4 };

/* Gears and filters beside each other. */
struct side {
    double gap[SIDE], leak[SIDE], up[SIDE], down[SIDE]; /* of the play */
    double place[SIDE], axis[SIDE];
    double m[SIDE], v[SIDE], n[SIDE], sum[SIDE]; /* state of the filter, squares so far */
};

static void side_turn(struct side *a, double pulse_s) {
    for (int i = 0; i < SIDE; i++) {
        const double move = (pulse_s > 0.0 ? a->up[i] : a->down[i]) * pulse_s;
        const double to = a->place[i] + move;
        const double above = to - a->gap[i];
        const double pushed = above > 0.0 ? above : to < 0.0 ? to : 0.0;
        a->place[i] = above > 0.0 ? a->gap[i] : to < 0.0 ? 0.0 : to;
        a->axis[i] += pushed + a->leak[i] * (move - pushed);
    }
}

static void side_see(struct side *a, const struct guide_step *step, double white) {
    for (int i = 0; i < SIDE; i++) {
        const double m = a->m[i] + a->v[i] * step->dt;
        const double n = a->n[i] * step->keep;
        const double nu = a->axis[i] - m - n;
        const double rest = white - nu * step->weight;
        a->m[i] = m + step->k_m * nu;
        a->v[i] += step->k_v * nu;
        a->n[i] = n + step->k_n * nu;
        a->sum[i] += rest * rest;
    }
}

static void side_start(struct side *a, double white) {
    for (int i = 0; i < SIDE; i++) {
        a->m[i] = a->axis[i];
        a->n[i] = 0.0;
        a->sum[i] += white * white;
    }
}

static void side_walk(const struct guide_gap_bench *b, struct side *a) {
    const struct guide_moves *const moves = b->moves;
    size_t j = 0;
    for (size_t k = 0; k < b->w->n; k++) {
        for (; j < moves->before[k]; j++) {
            side_turn(a, moves->pulse_s[j]);
        }
        if (b->w->starts[k] || k == 0) {
            side_start(a, b->white[k]);
        } else {
            side_see(a, &b->w->steps[k], b->white[k]);
        }
    }
}

void nw_guide_gap_rests(const struct guide_gap_bench *b, const struct guide_play *plays, size_t n,
                        double *ret) {
    for (size_t first = 0; first < n; first += SIDE) {
        struct side a = {.sum = {0.0}};
        const size_t in_work = n - first < SIDE ? n - first : SIDE;
        for (size_t i = 0; i < SIDE; i++) { /* places that are left over repeat the last */
            const struct guide_play *play = &plays[first + (i < in_work ? i : in_work - 1)];
            a.gap[i] = play->gap_rad;
            a.leak[i] = play->leak;
            a.up[i] = play->up;
            a.down[i] = play->down;
            a.place[i] = play->start * play->gap_rad;
        }
        side_walk(b, &a);
        for (size_t i = 0; i < in_work; i++) {
            ret[first + i] = a.sum[i];
        }
    }
}
