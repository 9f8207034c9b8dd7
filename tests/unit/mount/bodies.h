/* bodies.h - bodies written down in one line, for tests of the mount. */
#ifndef NW_TEST_MOUNT_BODIES_H
#define NW_TEST_MOUNT_BODIES_H

#include <math.h>

#include "check.h"
#include "mount/clearance.h"

#define VAL(x)                                                                                     \
    (struct nw_val) {                                                                              \
        (x), 0.0, NW_FROM_GIVEN                                                                    \
    }

static inline struct nw_body point_body(enum nw_rides rides, double mass_kg, double x_m, double y_m,
                                        double z_m) {
    struct nw_body body = {.rides = rides,
                           .shape = NW_SHAPE_POINT,
                           .slide = -1,
                           .hinge = -1,
                           .mass_kg = VAL(mass_kg),
                           .at_m = {VAL(x_m), VAL(y_m), VAL(z_m)}};
    nw_text_copy(body.name, sizeof body.name, "point");
    return body;
}

static inline struct nw_body round_body(enum nw_rides rides, enum nw_shape shape, int along,
                                        double mass_kg, double length_m, double diameter_m) {
    struct nw_body body = point_body(rides, mass_kg, 0.0, 0.0, 0.0);
    body.shape = shape;
    body.along = along;
    body.length_m = VAL(length_m);
    body.diameter_m = VAL(diameter_m);
    return body;
}

static inline struct nw_body box_body(enum nw_rides rides, double mass_kg, double x_m, double y_m,
                                      double z_m) {
    struct nw_body body = point_body(rides, mass_kg, 0.0, 0.0, 0.0);
    body.shape = NW_SHAPE_BOX;
    body.length_m = VAL(x_m);
    body.width_m = VAL(y_m);
    body.height_m = VAL(z_m);
    return body;
}

/* A counterweight of the given mass and thickness on the shaft. */
static inline struct nw_body weight_body(double mass_kg, double thick_m, double z_m, double from_m,
                                         double to_m) {
    struct nw_body body = round_body(NW_RIDES_AXIS, NW_SHAPE_CYLINDER, 2, mass_kg, thick_m, 0.16);
    body.at_m[2] = VAL(z_m);
    body.slide = 2;
    body.slide_from_m = VAL(from_m);
    body.slide_to_m = VAL(to_m);
    return body;
}

static inline struct nw_rig rig_at(double latitude_deg) {
    return (struct nw_rig){.site.latitude_rad = VAL(latitude_deg * NW_RAD_PER_DEG),
                           .mount.shaft_diameter_m = {NAN, NAN, NW_FROM_UNKNOWN}};
}

static inline struct nw_clearance *model_of(const struct nw_body *bodies, size_t n,
                                            double latitude_deg) {
    struct nw_clearance *model = NULL;
    struct nw_err err = {0};
    if (nw_clearance_new(bodies, n, latitude_deg * NW_RAD_PER_DEG, false, &model, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return model;
}

#endif
