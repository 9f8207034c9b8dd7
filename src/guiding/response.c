/* response.c - how far a pulse moves the star, learnt from the large pulses after dithers.
 * Idea: in a quiet loop pulses answer the noise of the error they follow, and noise with memory
 * (seeing) then looks exactly like a weak or strong response: at 0.2 memory and gain 0.5 a maximum
 * likelihood fit reads 0.4 for 1. After a dither pulses are many times the noise: the ratio of step
 * to pulse is off by at most (noise/step)^2, 4 % at the least step taken, weighted far less.
 * Holds: steps across a lock move, a gap or the first row of a dither are left out. */
#include <math.h>
#include <stdint.h>

#include "guiding/guiding_internal.h"

#define STEP_NOISES 5.0 /* pulses are taken from this many sigmas of n on */

static bool is_lock_still(const struct nw_guide_row *a, const struct nw_guide_row *b) {
    return !(fabs(a->lock_x_px - b->lock_x_px) > 0.02 || fabs(a->lock_y_px - b->lock_y_px) > 0.02);
}

/* Sums of one direction. */
struct sums {
    double pp, pd;
    size_t n;
};

struct guide_response nw_guide_learn_response(const struct nw_guide_log *log,
                                              const struct guide_cut *cut, bool is_dec,
                                              const double *path, double noise_rad) {
    struct sums way[2] = {{0}}; /* -, + */
    size_t at = 0;
    size_t last = SIZE_MAX; /* row with a star, inside this dither */
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        while (at < cut->dithers.n && row->t_s > cut->dithers.items[at].end_s) {
            at++;
            last = SIZE_MAX;
        }
        /* the row of the dither itself was measured before or during the move */
        const bool is_inside = at < cut->dithers.n && row->t_s > cut->dithers.items[at].start_s;
        const double e = is_dec ? row->dec_rad : row->ra_rad;
        if (!is_inside || !isfinite(e)) {
            last = is_inside ? last : SIZE_MAX;
            continue;
        }
        const struct nw_guide_row *before = last == SIZE_MAX ? NULL : &log->rows[last];
        if (before && row->t_s - before->t_s <= 2.5 * cut->interval_s &&
            is_lock_still(before, row)) {
            const double was = is_dec ? before->dec_rad : before->ra_rad;
            const double sent = path[i] - path[last];
            if (fabs(was) > STEP_NOISES * noise_rad && fabs(sent) > 0.0) {
                struct sums *sums = &way[sent > 0.0];
                sums->pp += sent * sent;
                sums->pd += sent * (e - was);
                sums->n++;
            }
        }
        last = i;
    }
    const double pp = way[0].pp + way[1].pp;
    struct guide_response ret = {
        .b = NAN, .b_sigma = NAN, .up = NAN, .down = NAN, .n_steps = way[0].n + way[1].n};
    if (ret.n_steps >= GUIDE_STEPS_MIN && pp > 0.0) {
        ret.b = (way[0].pd + way[1].pd) / pp;
        ret.b_sigma = noise_rad * sqrt(2.0 / pp);
        ret.down = way[0].n >= GUIDE_STEPS_MIN ? way[0].pd / way[0].pp : NAN;
        ret.up = way[1].n >= GUIDE_STEPS_MIN ? way[1].pd / way[1].pp : NAN;
        ret.down_sigma = noise_rad * sqrt(2.0 / way[0].pp);
        ret.up_sigma = noise_rad * sqrt(2.0 / way[1].pp);
    }
    return ret;
}
