/* hang.c - what hangs on what: the camera's tilt stays with the chip, the focuser's turns against
 * it when a rotator turns the camera, sag goes as the sine of the zenith distance and changes its
 * side with the tube. Idea: slopes are vectors over the chip; the camera at rotator angle r (from
 * +x towards +y) sees what belongs to the focuser turned back by r. Lengths are heights per half
 * diagonal. */
#include "synth/synth_internal.h"

#include <math.h>

void nw_synth_slopes(const struct synth_scene *scene, double altitude_rad, double *ret_a_m,
                     double *ret_b_m) {
    const struct synth_hang *const hang = &scene->hang;
    const double sag_m = hang->sag_m * cos(altitude_rad) * hang->tube_side; /* sin z */
    const double x =
        hang->focuser_tilt_m * cos(hang->focuser_tilt_rad) + sag_m * cos(hang->sag_rad);
    const double y =
        hang->focuser_tilt_m * sin(hang->focuser_tilt_rad) + sag_m * sin(hang->sag_rad);
    const double turn = isfinite(hang->rotator_rad) ? hang->rotator_rad : 0.0;
    *ret_a_m = scene->optics.a_m + x * cos(turn) + y * sin(turn);
    *ret_b_m = scene->optics.b_m - x * sin(turn) + y * cos(turn);
}
