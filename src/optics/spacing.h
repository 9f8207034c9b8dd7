/* spacing.h - lengths behind a corrector: glass in the beam, rings that fill a gap, and what a
 * change of spacing does to the scale. Second public header of optics; star profiles: optics.h.
 *
 * Convention: the spacing of a corrector is the mechanical length from its datum to the sensor. A
 * plane plate of glass moves the focus outwards, so a maker's figure for air wants that much more
 * length when a filter or window stands in the beam. */
#ifndef NW_SPACING_H
#define NW_SPACING_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

/* ---- Glass -------------------------------------------------------------------------------- */

/* Coefficients in spacing.c, each with its source. */
#define NW_GLASS_LIST(X)                                                                           \
    X(N_BK7, "N-BK7")                                                                              \
    X(FUSED_SILICA, "fused_silica")                                                                \
    X(SAPPHIRE, "sapphire")
enum nw_glass {
#define X(name, word) NW_GLASS_##name,
    NW_GLASS_LIST(X)
#undef X
        NW_N_GLASSES
};
/* By its word, case ignored; false when the table does not hold it. */
bool nw_glass_find(const char *word, enum nw_glass *ret);
/* Index against air. NaN outside the range of the fit: N-BK7 0.3 to 2.5 um, fused silica 0.21 to
 * 3.7 um, sapphire (ordinary ray) 0.2 to 5.5 um.
 *   accuracy  1e-5 in the visible as published (test_spacing.c)
 *   source    three-term dispersion formula n^2 - 1 = sum B l^2 / (l^2 - C) (Sellmeier 1871) */
double nw_glass_index(enum nw_glass glass, double wavelength_m);

/* How far a plane plate moves the focus outwards, t (1 - 1/n); paraxial. REFERENCES FOC-08.
 * At f/5.6 the marginal ray of a 2 mm plate goes 3 um farther: below a depth of focus. */
double nw_optics_glass_shift_m(double thickness_m, double index);

/* ---- Spacing and scale -------------------------------------------------------------------- */

/* Relative change of the effective focal length per metre of spacing, for a thin corrector that
 * gives magnification m at spacing s: m = 1 - s/fc (virtual object; Hecht, Optics, sec. 5.2), so
 * d ln f / ds = -1/(fc m) = -(1 - m)/(m s). A 0.8x at 55 mm: -0.4545 %/mm; a flattener of 1x: 0,
 * its spacing cannot be told from the scale. The focuser brings the focus back to the sensor. */
double nw_optics_scale_per_spacing_per_m(double magnification, double spacing_m);
/* Spacing at which a thin corrector with that m and s gives `magnification_then`. */
double nw_optics_spacing_of_magnification_m(double magnification, double spacing_m,
                                            double magnification_then);

/* ---- Rings that fill a gap ---------------------------------------------------------------- */

struct nw_ring { /* one size that the owner has */
    double length_m, sigma_m;
    size_t count;
};

#define NW_RINGS_MAX 32     /* sizes */
#define NW_RINGS_IN_SET 12  /* rings screwed together */
#define NW_RING_SETS_MAX 16 /* of an answer */

struct nw_ring_set {
    unsigned char n_of[NW_RINGS_MAX]; /* how many of each size */
    size_t n_rings;
    double length_m, error_m; /* error: length minus the gap */
    double sigma_m;           /* of the length, from the tolerances of the rings */
};

struct nw_ring_answer {
    struct nw_ring_set sets[NW_RING_SETS_MAX]; /* inside the tolerance: fewest rings first, then
                                                  the smallest error */
    size_t n_sets;
    size_t n_fitting; /* how many there are in all, sets of equal lengths counted once a size */
    struct nw_ring_set below, above; /* nearest outside, or n_rings = SIZE_MAX: there is none */
    double shim_m;                   /* that would close the gap over `below`; NaN: fits already */
};

/* The sets of rings whose length is within `tolerance_m` of the gap, exactly: all multisets of at
 * most `most` rings, and of at most two more than the fewest that fit, are tried; branches that
 * cannot reach the gap are cut off.
 *   given     rings      n <= NW_RINGS_MAX sizes, length > 0
 *             gap_m      >= 0; the empty set is an answer when the gap is within the tolerance of 0
 *             most       rings in a set, 1 to NW_RINGS_IN_SET
 *   errors    DOMAIN; LIMIT for more than 5 million sets to try */
enum nw_status nw_rings_solve(const struct nw_ring *rings, size_t n, double gap_m,
                              double tolerance_m, size_t most, struct nw_ring_answer *ret,
                              struct nw_err *err) NW_CHECKED;

#endif
