/* keys_places.c - keys of the rig file: attitudes with a name, cables. */
#include "rig/keys_row.h"

#define TURN(p, m, lo, hi, text)                                                                   \
    DERIVED("positions.*." p, POSITION, nw_position, m, ANGLE, lo, hi,                             \
            "one of the two pairs is needed", text)
#define CABLE_PLACE(p, m)                                                                          \
    {                                                                                              \
        .path = "cables.*." p, .object = NW_RIG_CABLE, .kind = NW_RIG_VALUE, .dim = NW_DIM_LENGTH, \
        .min = "-100 m", .max = "100 m", .fallback = "0 mm", .spread = "0 mm",                     \
        .why = "in line with the axes unless it is said", .offset = offsetof(struct nw_cable, m),  \
        .meaning = "where it is held"                                                              \
    }

static const struct nw_rig_key ROWS[] = {
    TURN("hour_angle", hour_angle_rad, "-360 deg", "360 deg", "hour angle of the tubes, west +"),
    TURN("declination", declination_rad, "-90 deg", "90 deg", "their declination"),
    TURN("altitude", altitude_rad, "-90 deg", "90 deg", "or their altitude"),
    TURN("azimuth", azimuth_rad, "-360 deg", "360 deg", "and azimuth, from north through east"),
    WORD("positions.*.side", POSITION, nw_position, side, "east|west", "east", 0,
         "where the tube stands, seen from the pier"),
    WORD("positions.*.panel", POSITION, nw_position, panel, "closed|open", "closed", 0,
         "what has a hinge, there"),
    WORD("positions.*.roof", POSITION, nw_position, roof, "open|closed", "open", 0,
         "the roof, there"),
    WORD("cables.*.from.rides", CABLE, nw_cable, end[0].rides_word, "tube|axis|ground", NULL,
         NW_RIG_REQUIRED, "what its one end is fixed to"),
    CABLE_PLACE("from.x", end[0].at_m[0]),
    CABLE_PLACE("from.y", end[0].at_m[1]),
    CABLE_PLACE("from.z", end[0].at_m[2]),
    WORD("cables.*.to.rides", CABLE, nw_cable, end[1].rides_word, "tube|axis|ground", NULL,
         NW_RIG_REQUIRED, "what its other end is fixed to"),
    CABLE_PLACE("to.x", end[1].at_m[0]),
    CABLE_PLACE("to.y", end[1].at_m[1]),
    CABLE_PLACE("to.z", end[1].at_m[2]),
    NEEDED("cables.*.length", CABLE, nw_cable, length_m, LENGTH, "10 mm", "100 m",
           "its length between the two points"),
};
KEYS_OF(places, ROWS);
