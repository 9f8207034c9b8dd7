/* back_focus.h - what a corrector asks for against what stands behind it, as numbers.
 *
 * Signs: a positive error is too long. Lengths are mechanical, from the corrector's mounting
 * shoulder to the sensor; glass that the maker's figure does not have in it asks for t (1 - 1/n)
 * more (REFERENCES FOC-08). Where the maker does not say whether filter or window are in his
 * figure, half of the shift is taken, +- half of it. */
#ifndef NW_BACK_FOCUS_H
#define NW_BACK_FOCUS_H

#include "base/base.h"
#include "optics/spacing.h"
#include "rig/rig.h"

/* Standard error of a length whose tolerance nobody stated (common practice, no source). */
#define NW_LENGTH_SIGMA_UNSAID_M 0.05e-3

/* One plane glass in the beam. */
struct nw_plate {
    struct nw_val thickness_m, index, shift_m; /* shift: of the focus, outwards */
    double counted; /* share that the maker's figure does not have: 1, 0, or 0.5 where unsaid */
    double asked_m, asked_sigma_m; /* what it adds to the length that is needed */
};

struct nw_back_focus {
    struct nw_val asked_m, shoulder_m;          /* the maker's figure; datum to shoulder */
    struct nw_plate filter, window;             /* of the filter that the setup is judged in */
    struct nw_plate plates[NW_RIG_MAX_FILTERS]; /* of the pieces, in their order */
    bool has_filter;
    struct nw_val needed_m; /* length from the shoulder to the sensor */
    struct nw_val fixed_m;  /* pieces and camera, without rings */
    struct nw_val rings_m;
    struct nw_val error_m;    /* what is there minus what is needed */
    double tolerance_m;       /* to each side */
    double ring_tolerance_m;  /* within which a set of rings keeps the spacing with 95 % */
    double scale_per_m;       /* relative change of the focal length per length of spacing */
    struct nw_val from_scale; /* error_m as focal lengths with and without corrector show it */
    char why_null[200];       /* why from_scale is not known */
};

/* NOTFOUND, naming the key, when the setup has no corrector, or corrector or camera lack a length.
 */
enum nw_status nw_back_focus_of(const struct nw_setup *setup, struct nw_back_focus *ret,
                                struct nw_err *err) NW_CHECKED;

/* Rings for the gap that pieces and camera leave, from all that the owner has (rig->spacers, in
 * their order): within ring_tolerance_m, fewest rings first; where there is no such set, those
 * within tolerance_m, nearest first, with the shim that would make it sure in shim_m. Without rings
 * at all: `below` is the empty set. DOMAIN when the fixed parts alone are too long by more than the
 * tolerance. */
enum nw_status nw_back_focus_rings(const struct nw_rig *rig, const struct nw_back_focus *focus,
                                   struct nw_ring_answer *ret, struct nw_err *err) NW_CHECKED;
/* "[ring 5 mm, ring 2 mm]", as setups.*.rings takes it. */
void nw_back_focus_ring_list(const struct nw_rig *rig, const struct nw_ring_set *set, char *text,
                             size_t size);

/* A filter against the one that is judged: how much farther out its glass puts the focus, at the
 * sensor; NaN without a known thickness of both. */
struct nw_val nw_back_focus_parfocal_m(const struct nw_setup *setup,
                                       const struct nw_filter *filter);

/* Change of spacing from focal lengths before and after (same telescope, focused again):
 * (f2/f1 - 1)/rate; sigma from both. NaN for a corrector within 2 % of 1x. */
struct nw_val nw_back_focus_change_m(double scale_per_m, const struct nw_val *before_m,
                                     const struct nw_val *after_m);

/* Field curvature before and after a known change of spacing: response, and how much more spacing
 * brings the curvature to zero, if it is linear. No law is assumed: how curvature goes with spacing
 * is the design's secret, so one known turn teaches it. */
struct nw_spacing_response {
    struct nw_val per_m; /* change of curvature (length) per length of spacing */
    struct nw_val more_m;
};
struct nw_spacing_response nw_back_focus_response(const struct nw_val *curvature_before_m,
                                                  const struct nw_val *curvature_after_m,
                                                  const struct nw_val *change_m);

#endif
