/* blur.h - half-light radius of a defocused star as `measure` finds it; for the files of this
 * folder and its tests. */
#ifndef NW_FIELD_BLUR_H
#define NW_FIELD_BLUR_H

#include "base/base.h"

/* Everything in pixels. */
struct field_blur_opts {
    double lambda_f_px; /* wavelength x focal ratio; 0: not known, geometric discs */
    double obstruction;
    double aperture_px;                 /* half of the light within this radius is meant */
    double width_low_px, width_high_px; /* range of the seeing-like FWHM */
    double disc_high_px;                /* range of the geometric blur disc's diameter, from 0 */
};
struct field_blur; /* a table with a spline through it */
enum nw_status field_blur_new(const struct field_blur_opts *opts, struct field_blur **ret,
                              struct nw_err *err) NW_CHECKED;
void field_blur_free(struct field_blur *blur);

/* ln of the half-light radius [px] and its derivatives by ln(width) and by the disc's diameter.
 * Outside the table: continued in a straight line in ln(width), in proportion to the disc. */
struct field_blur_value {
    double ln_r, by_ln_width, by_disc;
};
struct field_blur_value field_blur_at(const struct field_blur *blur, double ln_width,
                                      double disc_px);
/* The same without a table: one radius. NaN when none is found. */
double field_blur_radius_px(const struct field_blur_opts *opts, double width_px, double disc_px);
/* Transfer function of an annular aperture with defocus, shift s in radii of the aperture (0..2),
 * w20 in waves at the rim: Hopkins 1955, Proc. R. Soc. A 231, 91. */
double field_blur_defocus_otf(double s, double w20_waves, double obstruction);

#endif
