/* response.c - how far a pulse moves the star, learnt from the large pulses after dithers.
 * Idea: in a quiet loop pulses answer the noise of the error they follow, and noise with memory
 * (seeing) then looks exactly like a weak or strong response: at 0.2 memory and gain 0.5 a maximum
 * likelihood fit reads 0.4 for 1. After a dither pulses are many times the noise: the ratio of step
 * to pulse is off by at most (noise/step)^2, 4 % at the least step taken, weighted far less.
 * Holds: steps across a lock move, a gap or the first row of a dither are left out. */
#include <math.h>

#include "guiding/guiding_internal.h"

#define STEP_NOISES 5.0 /* pulses are taken from this many sigmas of n on */

static bool is_lock_still(const struct nw_guide_row *a, const struct nw_guide_row *b) {
    return !(fabs(a->lock_x_px - b->lock_x_px) > 0.02 || fabs(a->lock_y_px - b->lock_y_px) > 0.02);
}

struct guide_response nw_guide_learn_response(const struct nw_guide_log *log,
                                              const struct guide_cut *cut, bool is_dec,
                                              enum nw_pulse_acts acts, double noise_rad) {
    double pp = 0.0;
    double pd = 0.0;
    size_t n = 0;
    size_t at = 0;
    const struct nw_guide_row *last = NULL; /* row with a star, inside this dither */
    double sent = 0.0;                      /* since then */
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        while (at < cut->dithers.n && row->t_s > cut->dithers.items[at].end_s) {
            at++;
            last = NULL;
        }
        /* the row of the dither itself was measured before or during the move */
        const bool is_inside = at < cut->dithers.n && row->t_s > cut->dithers.items[at].start_s;
        const double p = is_dec ? row->dec_pulse_s : row->ra_pulse_s;
        const double e = is_dec ? row->dec_rad : row->ra_rad;
        sent += acts == NW_PULSE_ACTS_BEFORE && isfinite(p) ? p : 0.0;
        if (!is_inside || !isfinite(e)) {
            last = is_inside ? last : NULL;
            sent += acts != NW_PULSE_ACTS_BEFORE && isfinite(p) ? p : 0.0;
            continue;
        }
        if (last && row->t_s - last->t_s <= 2.5 * cut->interval_s && is_lock_still(last, row)) {
            const double step = e - (is_dec ? last->dec_rad : last->ra_rad);
            if (fabs(is_dec ? last->dec_rad : last->ra_rad) > STEP_NOISES * noise_rad &&
                fabs(sent) > 0.0) {
                pp += sent * sent;
                pd += sent * step;
                n++;
            }
        }
        last = row;
        sent = acts != NW_PULSE_ACTS_BEFORE && isfinite(p) ? p : 0.0;
    }
    if (n < GUIDE_STEPS_MIN || !(pp > 0.0)) {
        return (struct guide_response){.b = NAN, .b_sigma = NAN, .n_steps = n};
    }
    return (struct guide_response){
        .b = pd / pp, .b_sigma = noise_rad * sqrt(2.0 / pp), .n_steps = n};
}
