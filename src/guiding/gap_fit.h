/* gap_fit.h - inside the folder: the fit of the gears at one gap (gap_fit.c), for the profile over
 * gaps (backlash.c). Scores are -2 ln L, prior included, noise spectra as the whitener has them. */
#ifndef NW_GUIDING_GAP_FIT_H
#define NW_GUIDING_GAP_FIT_H

#include "guiding/backlash.h"

/* Working memory of one thread. */
struct guide_gap_bench {
    const struct guide_moves *moves;
    const struct guide_prior *prior;
    const struct guide_whitener *w;
    const double *white; /* whitened errors */
    double *path, *slopes[PLAY_N];
    bool is_angle_held; /* a gap that is not free stays as an angle, not as time of a pulse */
};
enum nw_status nw_guide_gap_bench_init(const struct guide_gap_bench *like, size_t n,
                                       struct guide_gap_bench *ret, struct nw_err *err) NW_CHECKED;
void nw_guide_gap_bench_done(struct guide_gap_bench *bench);

/* The gap as the pulse that crosses it [s]: a wider gap with a stronger response looks nearly the
 * same, their quotient does not. */
void nw_guide_gap_set(struct guide_play *play, double gap_s);
double nw_guide_gap_of(const struct guide_play *play);

double nw_guide_gap_score(const struct guide_gap_bench *b, const struct guide_play *play);
/* The same for n gears at once, in a fraction of the time (gap_side.c for the sums of squares). */
void nw_guide_gap_scores(const struct guide_gap_bench *b, const struct guide_play *plays, size_t n,
                         double *ret);
void nw_guide_gap_rests(const struct guide_gap_bench *b, const struct guide_play *plays, size_t n,
                        double *ret);
/* Sum of squares of the whitened rest; slopes: NULL or PLAY_N columns to fill. */
double nw_guide_gap_rest(const struct guide_gap_bench *b, const struct guide_play *play,
                         double *const *slopes);
/* Normal equations of all five at a point, the gap in seconds of pulse. */
struct guide_normal nw_guide_gap_normal(const struct guide_gap_bench *b,
                                        const struct guide_play *play, bool is_gap_free);
/* At most so many steps downhill; returns the score. */
double nw_guide_gap_improve(const struct guide_gap_bench *b, struct guide_play *play, int steps,
                            bool is_gap_free);
/* The best at a gap from a neighbour's parameters, near and ret may be the same: all places in the
 * gap looked at, n_follow of them followed for some steps; nw_guide_gap_at: thoroughly. */
double nw_guide_gap_place(const struct guide_gap_bench *b, double gap_s,
                          const struct guide_play *near, int n_follow, int steps,
                          struct guide_play *ret);
double nw_guide_gap_at(const struct guide_gap_bench *b, double gap_s, const struct guide_play *near,
                       struct guide_play *ret);

/* ---- gap_loose.c ---- */
struct guide_gap_edge {     /* of an interval */
    struct guide_play play; /* the best there */
    bool is_angle;          /* the angle is held there, not the time of a pulse */
    double rise;            /* of the score, above the fit's, spectra as they are */
    double factor;          /* filled: so much farther out it lies with spectra free, 1 to 2 */
    enum nw_status status;
};
enum nw_status nw_guide_gap_loosen(const struct guide_series *s, const struct guide_gap_bench *like,
                                   const struct guide_backlash_fit *fit,
                                   struct guide_gap_edge *edges, size_t n,
                                   struct nw_err *err) NW_CHECKED;

size_t nw_guide_gap_least(const double *score, size_t n);

#endif
