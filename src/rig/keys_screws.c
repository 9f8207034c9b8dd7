/* keys_screws.c - keys of the rig file: the screws that tilt a camera. */
#include "rig/keys_row.h"

#define SCREW_WORD(p, m, list, def, text)                                                          \
    WORD("setups.*.screws.*." p, SCREW, nw_screw, m, list, def, 0, text)

static const struct nw_rig_key ROWS[] = {
    NEEDED("setups.*.screws.*.angle", SCREW, nw_screw, angle_rad, ANGLE, "-360 deg", "360 deg",
           "where it stands round the optical axis, from the frame's +x towards +y as well as you "
           "can tell; one known turn finds out (surface --turned)"),
    NEEDED("setups.*.screws.*.radius", SCREW, nw_screw, radius_m, LENGTH, "3 mm", "1 m",
           "distance from the optical axis"),
    SCREW_WORD("side", side, "behind|before", "behind",
               "what it tilts: the camera behind the corrector, or corrector and camera together"),
    DERIVED("setups.*.screws.*.pitch", SCREW, nw_screw, pitch_m, LENGTH, "0.01 mm", "5 mm",
            "unknown: shims in millimetres alone, no turns", "way of one turn of the screw"),
};
KEYS_OF(screws, ROWS);
