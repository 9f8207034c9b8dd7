/* sets.h - third public header of field: what stays and what turns.
 *
 * Idea: a camera's own tilt stays with the chip when a rotator turns it, the focuser's tilt turns
 * against the chip; sag changes its side with the tube and goes as the sine of the zenith distance,
 * all that is rigid does not. Slopes (a, b) of several sets separate the three (OBSERVABILITY 9).
 */
#ifndef NW_FIELD_SETS_H
#define NW_FIELD_SETS_H

#include "field/field.h"

struct nw_field_set {
    const struct nw_surface *surface;
    double rotator_rad;  /* from the focuser's x to the chip's x, from +x towards +y; NaN */
    int tube_side;       /* +1 east, -1 west, 0 not known */
    double altitude_rad; /* NaN: not known */
};
struct nw_field_part {
    bool is_known;
    double a, b, sigma; /* in the unit of the surfaces */
};
struct nw_field_split {
    struct nw_field_part camera;  /* stays with the chip; in chip axes */
    struct nw_field_part focuser; /* turns against it: focuser, drawtube, corrector; in the chip's
                                     axes at rotator angle nil */
    struct nw_field_part rigid;   /* camera and focuser together where nothing turned, chip axes */
    struct nw_field_part sag;     /* at the horizon with the tube east, in the axes of the part it
                                     hangs on (as focuser or rigid) */
    double misfit;                /* rms of what is left in sigmas; NaN: nothing is left over */
    bool is_sense_assumed; /* another angle than 180 deg: the rotator's sense matters and three sets
                              did not tell it */
    double sense;          /* +1 or -1: of rotator_rad against the chip's axes */
};
/* DOMAIN: fewer than two sets, surfaces without scale or sign, or in different units. DATA: the
 * sets stand alike: neither the rotator turned by 20 degrees nor the tube changed sides. */
enum nw_status nw_field_separate(const struct nw_field_set *sets, size_t n,
                                 struct nw_field_split *ret, struct nw_err *err) NW_CHECKED;

#endif
