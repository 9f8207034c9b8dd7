/* backlash.h - inside the folder: play of the declination gears by likelihood (backlash.c). */
#ifndef NW_GUIDING_BACKLASH_H
#define NW_GUIDING_BACKLASH_H

#include "guiding/play.h"
#include "guiding/whiten.h"

/* What is known of the response beforehand [rad/s]. */
struct guide_prior {
    double b, sigma;         /* mean of both directions */
    double difference_sigma; /* up less down */
};
/* Relative; common practice, no source. */
#define GUIDE_SIGMA_RATE 0.15 /* how far the effect of a pulse may be from the rate given */
#define GUIDE_SIGMA_WAYS 0.10 /* up against down */

struct guide_backlash_fit {
    struct guide_play play;
    double gap_s, low_s, high_s; /* pulse that crosses it; 95 %; high INFINITY: not bounded */
    double low_rad, high_rad;    /* 95 % of play.gap_rad, the response's error included */
    double b_sigma;              /* of the mean response */
    double up_sigma, down_sigma;
    size_t crossings;
    struct guide_noise noise;
    double r_rad2;     /* variance of the noise; of nw_guide_guess_gap alone */
    double score;      /* -2 ln likelihood of the best gap; differences mean something */
    double score_none; /* of no gap */
    double total;      /* score, the spectra included */
};
/* Profile likelihood over the gap. Holds for n >= GUIDE_SAMPLES_MIN and at least one pulse. */
enum nw_status nw_guide_fit_backlash(const struct guide_series *s, const struct guide_moves *moves,
                                     const struct guide_prior *prior,
                                     struct guide_backlash_fit *ret, struct nw_err *err) NW_CHECKED;

/* A first gap alone, no profile: play, noise and r. */
enum nw_status nw_guide_guess_gap(const struct guide_series *s, const struct guide_moves *moves,
                                  const struct guide_prior *prior, struct guide_backlash_fit *ret,
                                  struct nw_err *err) NW_CHECKED;

/* ---- gap_seen.c: for an axis whose path is the plain sum of pulses ---- */
/* Fills the gap's part of ret. */
enum nw_status nw_guide_see_gap(const struct guide_series *s, const struct guide_moves *moves,
                                const struct guide_prior *prior, struct nw_guide_check *ret,
                                struct nw_err *err) NW_CHECKED;

/* ---- gears.c: from the fit to the finding ---- */
struct guide_gears_opts {
    const struct guide_axis_opts *opts;
    struct nw_guide_axis *axis; /* its response is made better */
    double b, b_sigma;          /* response so far; replaced where the gap is identified */
};
/* Fills ret; where the gap is identified s->x becomes the path of the axis per unit of b. */
enum nw_status nw_guide_find_backlash(const struct nw_guide_log *log, struct guide_series *s,
                                      struct guide_gears_opts *gears, struct nw_guide_backlash *ret,
                                      bool *ret_is_path_new, struct nw_err *err) NW_CHECKED;

#endif
