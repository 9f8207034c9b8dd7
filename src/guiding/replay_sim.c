/* replay_sim.c - a proportional loop with dead band on the reconstructed motion.
 * Idea: e - b x is what the star would have been seen to do without pulses, noise included; any
 * other loop sees that plus its own pulses. Its motion is the smoothed one with the same pulses,
 * and since the pulses follow from what was seen, the posterior variance of the motion is that of
 * the log, whatever the settings.
 * Holds: after a break the loop stands where the logged one stood. A correction acts before the
 * next sample. */
#include <math.h>

#include "guiding/replay.h"

/* Variance of the path about its own mean, first .. last-1. */
static double variance(const double *path, size_t first, size_t last) {
    const size_t n = last - first;
    const double mean = nw_stat_mean(path + first, n);
    double sum = 0.0;
    for (size_t k = first; k < last; k++) {
        sum += (path[k] - mean) * (path[k] - mean);
    }
    return sum / (double)n;
}

static void judge(const struct guide_stage *stage, double *ret_rad2) {
    for (size_t i = 0; i < stage->n_subs; i++) {
        ret_rad2[i] =
            stage->last[i] > stage->first[i]
                ? variance(stage->path, stage->first[i], stage->last[i]) + stage->own_rad2[i]
                : NAN;
    }
}

void nw_guide_stage_logged(const struct guide_stage *stage, double *ret_rad2) {
    for (size_t k = 0; k < stage->s->n; k++) {
        stage->path[k] = stage->states[k].y_rad;
    }
    judge(stage, ret_rad2);
}

/* The step of the periodic part from this sample over the next exposure. */
static double foretold(const struct guide_series *s, size_t k, size_t every) {
    const size_t next = k + every < s->n ? k + every : s->n - 1;
    const double steps = (s->t_s[next] - s->t_s[k]) / s->dt0_s;
    return steps < 2.0 * (double)every ? s->known[next] - s->known[k] : 0.0;
}

void nw_guide_stage_run(const struct guide_stage *stage, const struct guide_setting *setting,
                        double *ret_rad2) {
    const struct guide_series *s = stage->s;
    double moved = 0.0;
    double place = 0.5 * stage->gap_rad;
    double sum = 0.0;
    size_t n = 0;
    for (size_t k = 0; k < s->n; k++) {
        const double logged = stage->b * s->x[k];
        if (s->starts[k] || k == 0) {
            moved = logged;
            sum = 0.0;
            n = 0;
        }
        stage->path[k] = stage->states[k].y_rad - logged + moved;
        sum += s->e_rad[k] - logged + moved;
        n++;
        if (n < setting->every) {
            continue;
        }
        const double seen = sum / (double)n;
        double sent = fabs(seen) > setting->deadband_rad ? -setting->gain * seen : 0.0;
        sent -= setting->is_foretold ? foretold(s, k, setting->every) : 0.0;
        const double to = place + sent; /* play: as in play.c */
        place = fmin(fmax(to, 0.0), stage->gap_rad);
        moved += to - place;
        sum = 0.0;
        n = 0;
    }
    judge(stage, ret_rad2);
}
