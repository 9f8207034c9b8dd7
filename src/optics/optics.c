/* optics.c - scale, defocus, depth of focus: the geometry of a converging beam. */
#include "optics/optics.h"

#include <math.h>

double nw_optics_scale_rad_px(double pixel_m, double focal_length_m) {
    return atan(pixel_m / focal_length_m);
}

double nw_optics_defocus_per_travel(double corrector_magnification, bool corrector_rides) {
    return corrector_rides ? corrector_magnification * corrector_magnification : 1.0;
}

double nw_optics_depth_of_focus_m(double wavelength_m, double f_ratio) {
    return 2.0 * wavelength_m * f_ratio * f_ratio;
}

double nw_optics_defocus_disc_rad(double defocus_m, double f_ratio, double focal_length_m) {
    return fabs(defocus_m) / (f_ratio * focal_length_m);
}
