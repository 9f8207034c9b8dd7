/* polar_air.c - what refraction does to a field that is tracked about the pole.
 * Idea: a star is lifted along the vertical by R(z); the tangent plane goes with the lifted middle,
 * and north there is the way to the pole. Offsets are lifted one by one, so that differential
 * refraction (squeezed along the vertical) and the turn of the vertical come out together.
 * Axes: X meridian and equator, Y east, Z pole; right-handed. */
#include <math.h>

#include "guiding/polar.h"

#define LOWEST_RAD (10.0 * NW_RAD_PER_DEG)
#define OFFSET_RAD 2e-3

static double dot(const double a[3], const double b[3]) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/* East and north at a direction. */
static void basis(const double u[3], double e[3], double n[3]) {
    const double flat = hypot(u[0], u[1]);
    e[0] = -u[1] / flat;
    e[1] = u[0] / flat;
    e[2] = 0.0;
    n[0] = -u[2] * e[1];
    n[1] = u[2] * e[0];
    n[2] = flat;
}

/* Moves a direction towards the zenith by R of its apparent zenith distance. */
static bool lift(const double zenith[3], const struct nw_air_state *air, double u[3]) {
    const double true_z = acos(fmax(-1.0, fmin(1.0, dot(u, zenith))));
    if (!(true_z < 0.5 * NW_PI - LOWEST_RAD)) {
        return false;
    }
    double r = 0.0;
    for (int i = 0; i < 5; i++) { /* contraction 1e-3 */
        r = nw_sky_refraction_rad(true_z - r, 550e-9, air);
    }
    const double s = sin(true_z);
    if (s > 1e-9) {
        const double along = sin(r) / s;
        const double keep = cos(r) - along * cos(true_z);
        for (int i = 0; i < 3; i++) {
            u[i] = keep * u[i] + along * zenith[i];
        }
    }
    return isfinite(r);
}

struct nw_polar_lift nw_polar_air(double latitude_rad, double dec_rad, double hour_rad,
                                  const struct nw_air_state *air) {
    struct nw_polar_lift ret = {.north_rad = NAN, .stretch = {NAN, NAN, NAN, NAN}};
    const double zenith[3] = {cos(latitude_rad), 0.0, sin(latitude_rad)};
    const double u[3] = {cos(dec_rad) * cos(hour_rad), -cos(dec_rad) * sin(hour_rad), sin(dec_rad)};
    double e[3];
    double n[3];
    basis(u, e, n);
    double middle[3] = {u[0], u[1], u[2]};
    if (!lift(zenith, air, middle)) {
        return ret;
    }
    ret.north_rad = asin(fmax(-1.0, fmin(1.0, middle[2]))) - dec_rad;
    double up_e[3];
    double up_n[3];
    basis(middle, up_e, up_n);
    for (int k = 0; k < 2; k++) {
        double place[2][2];
        for (int side = 0; side < 2; side++) {
            const double h = side ? OFFSET_RAD : -OFFSET_RAD;
            double v[3];
            for (int i = 0; i < 3; i++) {
                v[i] = (u[i] + h * (k == 0 ? e[i] : n[i])) / sqrt(1.0 + h * h);
            }
            if (!lift(zenith, air, v)) {
                return ret;
            }
            place[side][0] = dot(v, up_e) / dot(v, middle);
            place[side][1] = dot(v, up_n) / dot(v, middle);
        }
        ret.stretch[k] = (place[1][0] - place[0][0]) / (2.0 * OFFSET_RAD);
        ret.stretch[2 + k] = (place[1][1] - place[0][1]) / (2.0 * OFFSET_RAD);
    }
    return ret;
}
