/* replay.h - inside the folder: other settings on the same night (replay.c, replay_sim.c). */
#ifndef NW_GUIDING_REPLAY_H
#define NW_GUIDING_REPLAY_H

#include "guiding/guiding_internal.h"

struct guide_setting {
    double gain, deadband_rad;
    size_t every;     /* samples in an exposure */
    bool is_foretold; /* the periodic part of the next step is sent along */
};

/* One axis as it can be replayed. */
struct guide_stage {
    const struct guide_series *s;
    const struct guide_state *states;
    double b, gap_rad;
    size_t *first, *last; /* samples of each sub; first == last: does not count */
    double *own_rad2;     /* posterior variance of the motion within each sub */
    size_t n_subs;
    double *path; /* working memory, a sample each */
};
/* Variance of the motion within each sub, had the loop run with these settings. */
void nw_guide_stage_run(const struct guide_stage *stage, const struct guide_setting *setting,
                        double *ret_rad2);
/* The same for what was logged. */
void nw_guide_stage_logged(const struct guide_stage *stage, double *ret_rad2);

/* Fills a->replay and a->backlash.motion_without_rad. */
enum nw_status nw_guide_replay(const struct nw_guide_log *log, const struct guide_pair *pair,
                               struct nw_guide_analysis *a, struct nw_err *err) NW_CHECKED;

#endif
