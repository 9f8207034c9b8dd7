/* causes.h - why all stars of a frame are longer in one direction: what the air in front of it
 * does, which way is up on it, and the likely causes in order. Common elongation does not prove a
 * trail (dispersion, astigmatism and coma look the same in one frame): every cause comes with what
 * speaks for it, what speaks against it and what would decide. */
#ifndef NW_LOOK_CAUSES_H
#define NW_LOOK_CAUSES_H

#include "image/colours.h"
#include "image/image.h"
#include "sky/sky.h"

/* What a header says of the air before a frame and of its directions. NaN: not known. */
struct nw_frame_air {
    double zenith_rad;       /* apparent distance, mid-exposure as far as the header goes */
    double scale_rad_px;     /* world coordinates, else pixel over focal length */
    struct nw_air_state air; /* standard pressure of the site's height (else sea level), 10 deg C */
    double up_rad;           /* towards the zenith on the frame, from +x to +y */
    double east_rad, north_rad;
    double band_m[2]; /* passband of the filter by its name: from, to */
};
struct nw_frame_air nw_frame_air_of(const struct nw_frame *frame);

/* Effective wavelengths of the colours of a colour camera [m] (common practice, no source; cameras
 * differ by +-15 nm). NaN for mono. */
double nw_colour_wavelength_m(enum nw_channel channel);

/* How far light of wavelength a stands nearer the zenith than light of b, in px; sigma from +-15 nm
 * of each wavelength and +-3 % of pressure. NaN when zenith distance or scale is not known. */
struct nw_dispersion {
    double px, sigma_px;
};
struct nw_dispersion nw_dispersion_between(const struct nw_frame_air *air, double a_m, double b_m);
/* Variance along the vertical of a star's light over a band with as many photons at each
 * wavelength [px^2]; NaN when not known. */
double nw_dispersion_variance_px2(const struct nw_frame_air *air, double from_m, double to_m);

#endif
