/* stars_internal.h - what stars, common and pairs share: one job over all peaks of a frame. */
#ifndef NW_STARS_INTERNAL_H
#define NW_STARS_INTERNAL_H

#include "image/measure_internal.h"

#define APERTURE_FWHM 2.5 /* radius of the circle whose light counts, in delivered widths */

/* ---- neighbours: peaks in cells ---- */
enum { NEAR_MAX = 8 };
struct grid {
    double cell_px;
    size_t nx, ny;
    uint32_t *start, *item;
};

/* ---- pairs.c: a second star on the flank of one, where both share one maximum ---- */
enum { FLANK_STEPS = 512 };
/* The frame's delivered profile as a function of q = sxx dx^2 + 2 sxy dx dy + syy dy^2, which is
 * the square of the distance in widths; 1 in the middle. */
struct flank {
    double fwhm_px, sxx, sxy, syy;
    float value[FLANK_STEPS + 2];
    double light; /* within APERTURE_FWHM widths, of a star of height 1 */
    bool is_known;
};
void flank_make(const struct seeing *seeing, double pixel_width, struct flank *ret);
struct pair_star { /* light within APERTURE_FWHM widths */
    double x, y, light_adu, x_sigma_px, y_sigma_px, light_sigma_adu;
};
struct companion {
    struct pair_star first, second; /* as fitted together, with the errors of that */
    double snr;                     /* of the second, about */
    bool is_there;
};
/* Looks for one beside a star in its window (neighbours' pixels without value). */
struct companion companion_seek(const struct window *window, const struct field *field,
                                const struct flank *flank, const struct nw_star *star,
                                double threshold);

/* Two stars whose places are about known, fitted together in a window with light of no others. */
struct companion companion_fit(const struct window *window, const struct field *field,
                               const struct flank *flank, const struct peak *first,
                               const struct peak *second);

/* ---- judge.c: a star, or hits beside each other? ---- */
struct shape {    /* the frame's delivered profile, of height 1, in steps of a quarter of a pixel */
    double light; /* of all of it */
    int reach_px, half;
    float *value; /* (2 half + 1) squared; the caller's to free */
};
bool shape_make(const struct seeing *seeing, double pixel_width, struct shape *ret);
struct star_job;
/* Whether the pixels about peak i ask for a star, at (x, y) or else near it. */
bool judge_star(const struct star_job *job, size_t i, double x, double y);

/* ---- stars.c ---- */
struct star_sample { /* of a fit with a beta of its own; beta NaN where useless */
    double beta, optical_px, shape1, shape2;
    double slope; /* d ln width / d ln beta; NaN where not sought */
};
struct star_job {
    const struct field *field;
    const struct peak_list *peaks;
    const struct grid *grid;
    const struct seeing *seeing;
    const struct flank *flank;
    const struct shape *shape; /* NULL: stars are not judged */
    struct nw_star *stars;
    struct companion *companions; /* NULL: not looked for */
    struct star_sample *samples;  /* when the common profile is sought */
    size_t first;                 /* of the stars that are tried in one go */
    uint32_t *chosen;             /* which stars get a profile fit, or are measured again */
    double *sky_adu;              /* that those fits found, NaN where it does not count */
    double *work;                 /* as long */
    int radius;
};
/* Peaks within radius of peak i, at most NEAR_MAX, brightest first (the order of the list). */
size_t star_neighbours(const struct grid *g, const struct peak_list *peaks, size_t i,
                       double radius_px, uint32_t near[static NEAR_MAX]);
struct profile star_start_profile(const struct seeing *seeing, double x, double y, double peak_adu,
                                  double pixel_width);
/* The window of peak i, neighbours' pixels given away, and filled; place and flags of its star. */
void star_prepare(const struct star_job *job, size_t i, struct window *w, struct window *full,
                  struct nw_star *star);
bool star_may_be_fitted(const struct nw_star *star);
void star_fit(const struct star_job *job, const struct window *w, bool is_beta_free,
              struct nw_star *star, struct profile_fit *ret);
int stars_radius(const struct seeing *seeing); /* of the windows */

/* ---- blends.c ---- */
/* Close pairs by the frame's profile; results: room for as many as there are peaks. */
void stars_fit_pairs(struct star_job *job, struct peak_list *peaks, struct companion *results);

/* ---- common.c ---- */
/* The common profile from the brightest clean stars; leaves `seeing` when there are too few. */
void stars_common_profile(struct star_job *job, struct seeing *seeing);

#endif
