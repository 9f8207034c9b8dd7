/* play.h - inside the folder: gears with play between motor and axis (play.c). */
#ifndef NW_GUIDING_PLAY_H
#define NW_GUIDING_PLAY_H

#include "guiding/guiding_internal.h"

/* Logged pulses in order, and how many of them came before each kept sample. */
struct guide_moves {
    double *pulse_s;
    size_t n;
    size_t *before; /* one a sample */
    size_t n_samples;
};
enum nw_status nw_guide_moves_init(const struct nw_guide_log *log, const struct guide_cut *cut,
                                   bool is_dec, enum nw_pulse_acts acts, struct guide_moves *ret,
                                   struct nw_err *err) NW_CHECKED;
void nw_guide_moves_done(struct guide_moves *moves);

/* The gears. Inside the gap the axis follows by `leak` of the motor (wind-up), else not at all. */
struct guide_play {
    double gap_rad;  /* on the sky */
    double start;    /* where in the gap the log begins, 0 (down flank) to 1 (up flank) */
    double up, down; /* motion per second of + and - pulse [rad/s] */
    double leak;
};
enum { PLAY_GAP, PLAY_START, PLAY_UP, PLAY_DOWN, PLAY_LEAK, PLAY_N };

/* Path of the axis before each sample; slopes: NULL, or PLAY_N columns for its derivatives. Returns
 * how often the gap was crossed whole. */
size_t nw_guide_play_path(const struct guide_moves *moves, const struct guide_play *play,
                          double *path_rad, double *const *slopes);
/* The same at every row of the log: path before the row's star was measured. */
void nw_guide_play_rows(const struct nw_guide_log *log, bool is_dec, enum nw_pulse_acts acts,
                        const struct guide_play *play, double *path_rad);
/* Beyond this gap the log cannot tell one gap from another: the largest way back of the motors. */
double nw_guide_play_most_rad(const struct guide_moves *moves, double up, double down);

#endif
