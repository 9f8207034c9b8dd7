/* trail.h - the stars of a frame whose drive stood still: parallel trails, and how each wobbles
 * across. A public header of image of its own; nothing of image.h is needed to read one.
 *
 * Idea: while the sky drifts along the trail, place along it is time. A cut through the trail,
 * pixel column by pixel column, gives the star's place across it: image motion by the air, and no
 * error of a mount in it. A straight line and a slow bend (circle of declination, refraction) are
 * taken off. Columns are cut along the frame's own axes, never between pixels, so that the noise of
 * neighbours is independent whatever the angle of the trails. */
#ifndef NW_IMAGE_TRAIL_H
#define NW_IMAGE_TRAIL_H

#include "image/image.h"

struct nw_trail_opts {
    double expected_length_px; /* of the drift in this exposure; NaN: not known, the frame's own */
    double saturation_adu;     /* NaN or 0: none */
    double gain_e_per_adu;     /* NaN or 0: noise from the sky alone */
    size_t max_trails;         /* the brightest; 0: 24 */
};

/* The star at one moment, of all trails together: two round Gaussians, pixel included. */
struct nw_trail_profile {
    double core_sigma_px, wing_sigma_px;
    double wing_share;      /* of the light, 0..1 */
    double weight_sigma_px; /* of the weight the cuts were taken with */
};

struct nw_trail {
    double x_px, y_px;     /* its middle */
    double *wobble_px;     /* n_steps: place across, line and bend taken off; noise included */
    double noise_px;       /* expected rms of one step: photons and sky */
    double width_sigma_px; /* across, of the weight that leaves half of its own variance */
    double snr;            /* of one step */
    size_t n_mended;       /* steps hit by something else: filled from their neighbours */
};

struct nw_trails {
    struct nw_trail *items; /* brightest first */
    size_t n;
    size_t n_steps;        /* of every trail; step 0 at the same moment in all */
    double angle_rad;      /* of the trails, from +x to +y, -pi/2..pi/2 */
    double step_px;        /* along the trail from one step to the next */
    double length_px;      /* median, ends at half of the light */
    double width_sigma_px; /* median */
    struct nw_trail_profile profile;
    /* left out, by reason */
    size_t n_seen, n_saturated, n_edge, n_blended, n_faint, n_odd_length, n_slanted;
};

/* Finds and measures the trails of one plane.
 *   errors    DATA: no trails (what there is instead), lengths that are not the expected one (the
 *             drive ran, or another rate or scale), all saturated, too short, too faint: with the
 *             numbers. DOMAIN: an image too small
 *   accuracy  wobble: 1 % of nw_trail_response at any angle; noise_px within 10 %
 *             (test_trail.c) */
enum nw_status nw_trails_measure(struct nw_image_view image, const struct nw_trail_opts *opts,
                                 struct nw_trails *ret, struct nw_err *err) NW_CHECKED;
void nw_trails_done(struct nw_trails *trails);

/* How much of a slow motion at `frequency_1_px` (cycles per pixel along the trail) the cuts still
 * show, 1 at 0: the star's own width mixes moments, and a cut slanted to the trail more of them.
 * Closed form for a small motion. */
double nw_trail_response(double frequency_1_px, const struct nw_trail_profile *profile,
                         double angle_rad);

#endif
