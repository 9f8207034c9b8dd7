/* curves.h - third public header of guiding: what its charts show. Units: rad and s. */
#ifndef NW_GUIDING_CURVES_H
#define NW_GUIDING_CURVES_H

#include "guiding/guiding.h"

enum { NW_GUIDE_LAGS = 320, NW_GUIDE_FOLD_BINS = 36 };

/* Errors against lag: rms of e(t + lag) - e(t), the root of the structure function, of all samples
 * that count, across dithers too: all are against the lock point. Up to a third of the log, at most
 * an hour: what a sub, a few subs and some turns of a worm see. White noise of sigma n adds 2 n^2
 * to its square at every lag; what rises above that is motion. Lags with fewer than 20 pairs are
 * left out. */
struct nw_guide_lags {
    size_t n;
    double lag_s[NW_GUIDE_LAGS], ra_rad[NW_GUIDE_LAGS], dec_rad[NW_GUIDE_LAGS];
};

/* One turn of the worm. angle: of the turn, 0 to 2 pi; keyed by the axis (0 where the axis angle is
 * 0) or, is_keyed false, from the middle of the log. */
struct nw_guide_fold {
    double period_s; /* NaN: no period known; nothing below holds */
    bool is_keyed;
    bool is_found; /* false: the period is the header's; no curve */
    size_t count[NW_GUIDE_FOLD_BINS];
    double angle_rad[NW_GUIDE_FOLD_BINS];   /* middles */
    double mean_rad[NW_GUIDE_FOLD_BINS];    /* errors less their slope; NaN: empty */
    double sigma_rad[NW_GUIDE_FOLD_BINS];   /* of the mean, as if samples were free */
    double without_rad[NW_GUIDE_FOLD_BINS]; /* the worm without the loop, sky */
    double left_rad[NW_GUIDE_FOLD_BINS];    /* left by the loop, fitted */
};

struct nw_guide_curves {
    struct nw_guide_lags lags;
    struct nw_guide_fold fold;
    size_t n; /* samples that count, for the strip; NaN between stretches */
    double *t_s, *ra_rad, *dec_rad;
};
enum nw_status nw_guide_curves_new(const struct nw_guide_log *log,
                                   const struct nw_guide_analysis *analysis,
                                   struct nw_guide_curves **ret, struct nw_err *err) NW_CHECKED;
void nw_guide_curves_free(struct nw_guide_curves *curves);

#endif
