/* forms.h - what all stars of a frame have in common when something went wrong: rings of defocus,
 * trails, every star twice. image.h includes it; every nw_measure holds one nw_forms. Frame pixels,
 * angles from +x to +y; NaN: not so, or not measured. */
#ifndef NW_IMAGE_FORMS_H
#define NW_IMAGE_FORMS_H

#include <stddef.h>

struct nw_forms {
    /* Out of focus: discs, or rings when the aperture has a central obstruction. From the stacked
     * radial profile of bright stars. */
    double ring_diameter_px; /* outer, where the light has fallen to half of its highest */
    double ring_hole_px;     /* inner, likewise; 0 of a full disc; NaN of a hole not that deep */
    /* Doubled: the mount jumped, or something was hit, and every star is there twice. */
    double doubling_x_px, doubling_y_px; /* from the brighter image to the fainter */
    double doubling_ratio;               /* light of the fainter over that of the brighter */
    size_t n_doubled;                    /* pairs that say so */
    /* Trailed: extents at half of the brightest, medians over bright stars. */
    double trail_length_px; /* NaN when longer than the measuring window (81 px) */
    double trail_width_px;
    double trail_angle_rad; /* -pi/2 .. pi/2 */
};

#endif
