/* colours.h - one colour of a frame against another, and which way is up on a frame.
 *
 * Widths and places tell different things (both are needed): another *width* is longitudinal colour
 * of the optics and the air's lambda^-0.2; another *place* is dispersion by the air (all stars
 * alike, along the vertical) and lateral colour of the optics (radially, growing from the centre).
 */
#ifndef NW_IMAGE_COLOURS_H
#define NW_IMAGE_COLOURS_H

#include "image/image.h"

/* Places of the stars in `other` minus those in `reference`, frame px: d = shift + m r + w J r, r
 * from the frame's centre, J a quarter-turn; least squares, robust (biweight). Sigmas from the
 * scatter of the stars about it. */
struct nw_colour_shift {
    size_t n_stars;
    double x_px, y_px, shift_sigma_px;         /* common to all stars; sigma of each component */
    double magnification, magnification_sigma; /* m: 1e-4 = 0.1 px at 1000 px from the centre */
    double rotation_rad, rotation_sigma_rad;   /* w: nothing turns between colours; a control */
    double rms_px;                             /* of one star about it, per component */
    double width_ratio, width_ratio_sigma;     /* FWHM of other / reference */
};
/* Both measured on the same frame. DATA: fewer than 8 clean stars in common (says how many). */
enum nw_status nw_colours_compare(const struct nw_measure *reference,
                                  const struct nw_measure *other, struct nw_colour_shift *ret,
                                  struct nw_err *err) NW_CHECKED;

/* Directions on the frame from its world coordinates: CD matrix, or PC with CDELT, or CROTA2 with
 * CDELT (FITS standard 4.0, sec. 8; Calabretta & Greisen 2002, A&A 395, 1077). A rotator's number
 * alone is not taken: its zero is nobody's. Angles from +x to +y. */
struct nw_frame_axes {
    double north_rad, east_rad; /* NaN: not known */
    double scale_rad_px;        /* sqrt |det|; NaN */
};
struct nw_frame_axes nw_frame_axes_of(const struct nw_frame *frame);

#endif
