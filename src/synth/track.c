/* track.c - where stars stand for a mount that turns evenly about its own axis.
 * Idea: vectors all the way. X points to the crossing of meridian and equator, Y east, Z to the
 * north celestial pole. A star turns about Z, is lifted towards the zenith by refraction, and is
 * turned back about the mount's axis; its place in the tangent plane of where the field's middle
 * stood at the start is what an unguided camera sees. Drift, field rotation and differential
 * refraction all follow; no formula of polar misalignment stands here, so that the analyser's can
 * be judged by it.
 * Holds: precession and aberration within a night are left out (arcseconds over the whole sky). */
#include "synth/synth_internal.h"

#include <erfa.h>
#include <math.h>

static double dot(const double a[3], const double b[3]) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static void cross(const double a[3], const double b[3], double ret[3]) {
    ret[0] = a[1] * b[2] - a[2] * b[1];
    ret[1] = a[2] * b[0] - a[0] * b[2];
    ret[2] = a[0] * b[1] - a[1] * b[0];
}

/* To length 1; false for nothing. */
static bool make_unit(double v[3]) {
    const double size = sqrt(dot(v, v));
    for (int i = 0; size > 0.0 && i < 3; i++) {
        v[i] /= size;
    }
    return size > 0.0;
}

static void turn_z(double angle_rad, double v[3]) {
    const double c = cos(angle_rad);
    const double s = sin(angle_rad);
    const double x = c * v[0] - s * v[1];
    v[1] = s * v[0] + c * v[1];
    v[0] = x;
}

/* Rotation about an axis, right-handed (Rodrigues). */
static void turn_about(const double axis[3], double angle_rad, double v[3]) {
    double across[3];
    cross(axis, v, across);
    const double along = dot(axis, v) * (1.0 - cos(angle_rad));
    for (int i = 0; i < 3; i++) {
        v[i] = v[i] * cos(angle_rad) + across[i] * sin(angle_rad) + axis[i] * along;
    }
}

/* Apparent direction: R = A tan z + B tan^3 z of the apparent zenith distance. */
static void refract(const struct synth_track *track, double v[3]) {
    const double up = dot(track->zenith, v);
    if (!(track->refraction_a > 0.0) || up < 0.15) {
        return; /* no air, or too low for the formula: the frames stop above 12 deg anyway */
    }
    double t = sqrt(1.0 - up * up) / up;
    const double true_z = atan(t);
    double lift = 0.0;
    for (int i = 0; i < 4; i++) { /* the formula wants the apparent place; each turn gains 1e-3 */
        lift = t * (track->refraction_a + track->refraction_b * t * t);
        t = tan(true_z - lift);
    }
    double axis[3];
    cross(v, track->zenith, axis);
    if (make_unit(axis)) {
        turn_about(axis, lift, v);
    }
}

/* Star at an offset from the field's middle, in the mount's frame. */
static void seen(const struct synth_track *track, double t_s, double ra_axis_rad,
                 const double offset[2], double ret[3]) {
    for (int i = 0; i < 3; i++) {
        ret[i] = track->field[i] + offset[0] * track->field_e[i] + offset[1] * track->field_n[i];
    }
    (void)make_unit(ret);
    const double turned = NW_SIDEREAL_RATE_RAD_S * t_s;
    turn_z(-turned, ret);
    refract(track, ret);
    turn_about(track->axis, turned + ra_axis_rad, ret);
}

static void basis_of(const double u[3], double e[3], double n[3]) {
    const double pole[3] = {0.0, 0.0, 1.0};
    cross(pole, u, e);
    (void)make_unit(e);
    cross(u, e, n);
}

void nw_synth_track_init(const struct synth_scene *scene, struct synth_track *ret) {
    const struct synth_mount *mount = &scene->mount;
    const double latitude = scene->place.latitude_rad;
    const double hour = scene->hour_angle_rad;
    *ret = (struct synth_track){
        .zenith = {cos(latitude), 0.0, sin(latitude)},
        .field = {cos(scene->dec_rad) * cos(hour), -cos(scene->dec_rad) * sin(hour),
                  sin(scene->dec_rad)},
        .axis = {tan(mount->polar_error_rad) * cos(mount->polar_angle_rad),
                 -tan(mount->polar_error_rad) * sin(mount->polar_angle_rad), 1.0},
    };
    (void)make_unit(ret->axis);
    basis_of(ret->field, ret->field_e, ret->field_n);
    if (scene->mount.refraction > 0.0) {
        eraRefco(scene->air.pressure_Pa / 100.0, scene->air.temperature_K - NW_ZERO_CELSIUS_K,
                 scene->air.relative_humidity, 0.55, &ret->refraction_a, &ret->refraction_b);
    }
    const double middle[2] = {0.0, 0.0};
    seen(ret, 0.0, 0.0, middle, ret->plane);
    basis_of(ret->plane, ret->plane_e, ret->plane_n);
}

void nw_synth_track_at(const struct synth_track *track, double t_s, double ra_axis_rad,
                       const double offset[static 2], double ret_en[static 2]) {
    double v[3];
    seen(track, t_s, ra_axis_rad, offset, v);
    const double depth = dot(v, track->plane);
    ret_en[0] = dot(v, track->plane_e) / depth;
    ret_en[1] = dot(v, track->plane_n) / depth;
}

void nw_synth_track_turn(const struct synth_track *track, double t_s, double ra_axis_rad,
                         double ret[static 4]) {
    const double h = 2e-3; /* 7 arcmin: third-order terms are 1e-6 of it */
    for (int k = 0; k < 2; k++) {
        double high[2];
        double low[2];
        const double plus[2] = {k == 0 ? h : 0.0, k == 1 ? h : 0.0};
        const double minus[2] = {-plus[0], -plus[1]};
        nw_synth_track_at(track, t_s, ra_axis_rad, plus, high);
        nw_synth_track_at(track, t_s, ra_axis_rad, minus, low);
        ret[k] = (high[0] - low[0]) / (2.0 * h);
        ret[2 + k] = (high[1] - low[1]) / (2.0 * h);
    }
}
