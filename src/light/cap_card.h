/* cap_card.h - trials with the cap on or a card before the tube, from whole frames. A public header
 * of light.
 *
 * Light that leaks in: darks of one length with light outside against those without. Which edge of
 * the frame is up: a card over one edge of the opening shades the sensor on one side, because the
 * stop is not at the sensor (vignetting); the plane through the shade says which. Pure but for the
 * pixels that are handed in. */
#ifndef NW_LIGHT_CAP_CARD_H
#define NW_LIGHT_CAP_CARD_H

#include "image/image.h"

struct nw_cap_dark {
    double exposure_s;
    double level_adu;        /* nw_dark_level; NaN: not counted */
    double temperature_K;    /* NaN: not said */
    double sun_altitude_rad; /* at that moment; NaN: not known */
};
struct nw_cap_leak {
    double exposure_s;              /* of the darks that were compared */
    double leak_adu_s, sigma_adu_s; /* of the brightest with light outside */
    size_t brightest;               /* its place in the list */
    size_t n_base, n_lit;           /* without and with light outside */
    bool is_by_sun;                 /* told apart by the Sun; else the three darkest are the base */
    double dark_adu_s, dark_sigma_adu_s; /* from lengths without light; NaN: one length */
    /* of so bright a one where nothing leaks in. Told by the Sun: Student's t of the base's
     * scatter, times n_lit (Bonferroni). Else the three darkest of many scatter less than all:
     * counted in drawn sets of as many darks that are alike, Gaussian, to 0.001 */
    double chance;
    double warmer_K; /* the brightest than the mean of the base; NaN: a temperature not said */
};
/* The longest exposure of which there are three darks without light outside (Sun under -6 deg, or
 * where the Sun is not known the three darkest) and one more. DATA: none. */
enum nw_status nw_cap_leak(const struct nw_cap_dark *darks, size_t n, struct nw_cap_leak *ret,
                           struct nw_err *err) NW_CHECKED;

/* The plane through the light of a flat (each cell over the median), over that of `plain` where one
 * is given; cells are 16 x 16. */
struct nw_card_shade {
    double slope_x, slope_y; /* of the light, from one edge of the frame to the other */
    double slope;            /* of the steepest way, as a share: 0.12 is 12 % */
    double dark_angle_rad;   /* where it gets darker: from +x towards +y */
    const char *dark_edge;   /* "left", "right", "top" (high y), "bottom" */
    double sigma;            /* of slope, from the cells' scatter about the plane */
};
/* DOMAIN: sizes differ. DATA: no light. Offset: of the camera, taken off first [adu]. */
enum nw_status nw_card_shade(const struct nw_frame *flat, const struct nw_frame *plain,
                             double offset_adu, struct nw_card_shade *ret,
                             struct nw_err *err) NW_CHECKED;

#endif
