/* pose.c - where the axes point at an attitude, and where a body is on its frame. */
#include "mount/clearance.h"
#include "mount/mount_internal.h"

static void cross(const double a[static 3], const double b[static 3], double ret[static 3]) {
    for (int i = 0; i < 3; i++) {
        const int j = (i + 1) % 3;
        const int k = (i + 2) % 3;
        ret[i] = a[j] * b[k] - a[k] * b[j];
    }
}

static void set_column(double m[3][3], int column, const double v[static 3]) {
    for (int i = 0; i < 3; i++) {
        m[i][column] = v[i];
    }
}

struct nw_mount_frames nw_mount_frames_at(double latitude_rad, const struct nw_pose *pose) {
    const double s = sin(latitude_rad);
    const double c = cos(latitude_rad);
    const double sin_h = sin(pose->ha_rad);
    const double cos_h = cos(pose->ha_rad);
    /* meridian point of the equator, west and north pole in east, north, up */
    const double meridian[3] = {0.0, -s, c};
    const double north_pole[3] = {0.0, c, s};
    const double sign = latitude_rad < 0.0 ? -1.0 : 1.0;
    double equator[3];
    double pole[3];
    double look[3];
    for (int i = 0; i < 3; i++) {
        const double west = i == 0 ? -1.0 : 0.0;
        equator[i] = cos_h * meridian[i] + sin_h * west;
        pole[i] = sign * north_pole[i];
        look[i] = cos(pose->dec_rad) * equator[i] + sin(pose->dec_rad) * north_pole[i];
    }
    /* north pole x meridian point = east: the end that stands east at hour angle 0 */
    double saddle[3];
    cross(north_pole, equator, saddle);
    for (int i = 0; i < 3; i++) {
        saddle[i] *= pose->side == NW_SIDE_EAST ? 1.0 : -1.0;
    }
    struct nw_mount_frames frames;
    double side[3];
    cross(saddle, look, side);
    set_column(frames.tube, 0, look);
    set_column(frames.tube, 1, side);
    set_column(frames.tube, 2, saddle);
    cross(saddle, pole, side);
    set_column(frames.axis, 0, pole);
    set_column(frames.axis, 1, side);
    set_column(frames.axis, 2, saddle);
    return frames;
}

struct nw_pose nw_mount_pose_of(double latitude_rad, double altitude_rad, double azimuth_rad) {
    const double sin_dec = sin(altitude_rad) * sin(latitude_rad) +
                           cos(altitude_rad) * cos(latitude_rad) * cos(azimuth_rad);
    const double y = -cos(altitude_rad) * sin(azimuth_rad);
    const double x = sin(altitude_rad) * cos(latitude_rad) -
                     cos(altitude_rad) * sin(latitude_rad) * cos(azimuth_rad);
    const double ha = atan2(y, x);
    return (struct nw_pose){ha, asin(fmax(-1.0, fmin(1.0, sin_dec))),
                            ha > 0.0 ? NW_SIDE_EAST : NW_SIDE_WEST};
}

/* Rotation by `angle` about axis 0, 1 or 2, right-handed. */
static void turn_about(int axis, double angle, double ret[3][3]) {
    const int j = (axis + 1) % 3;
    const int k = (axis + 2) % 3;
    for (int r = 0; r < 3; r++) {
        for (int q = 0; q < 3; q++) {
            ret[r][q] = r == q ? 1.0 : 0.0;
        }
    }
    ret[j][j] = ret[k][k] = cos(angle);
    ret[j][k] = -sin(angle);
    ret[k][j] = sin(angle);
}

void nw_body_place(const struct nw_body *body, bool is_open, double at_m[static 3],
                   double turn[3][3]) {
    const bool is_turned = is_open && body->hinge >= 0;
    turn_about(is_turned ? body->hinge : 0, is_turned ? body->hinge_open_rad.v : 0.0, turn);
    for (int i = 0; i < 3; i++) {
        at_m[i] = body->at_m[i].v;
    }
    if (!is_turned) {
        return;
    }
    for (int i = 0; i < 3; i++) {
        at_m[i] = body->hinge_at_m[i].v;
        for (int j = 0; j < 3; j++) {
            at_m[i] += turn[i][j] * (body->at_m[j].v - body->hinge_at_m[j].v);
        }
    }
}

/* ---- Axis angles -------------------------------------------------------------------------- */

static double wrapped(double angle_rad) { /* into -pi/2 .. 3 pi/2: weights up lies at both ends */
    double a = fmod(angle_rad + NW_PI / 2.0, 2.0 * NW_PI);
    if (a < 0.0) {
        a += 2.0 * NW_PI;
    }
    return a - NW_PI / 2.0;
}

struct axis_angles axis_angles_of(double latitude_rad, const struct nw_pose *pose) {
    const double from_pole = NW_PI / 2.0 - (latitude_rad < 0.0 ? -pose->dec_rad : pose->dec_rad);
    const bool is_east = pose->side == NW_SIDE_EAST;
    return (struct axis_angles){wrapped(pose->ha_rad + (is_east ? 0.0 : NW_PI)),
                                is_east ? from_pole : -from_pole};
}

struct nw_pose pose_of_axis_angles(double latitude_rad, struct axis_angles a) {
    const bool is_east = a.dec_rad >= 0.0;
    const double dec = NW_PI / 2.0 - fabs(a.dec_rad);
    return (struct nw_pose){a.polar_rad - (is_east ? 0.0 : NW_PI), latitude_rad < 0.0 ? -dec : dec,
                            is_east ? NW_SIDE_EAST : NW_SIDE_WEST};
}

struct nw_turns nw_mount_turns(double latitude_rad, const struct nw_pose *from,
                               const struct nw_pose *to) {
    const struct axis_angles a = axis_angles_of(latitude_rad, from);
    const struct axis_angles b = axis_angles_of(latitude_rad, to);
    return (struct nw_turns){fabs(b.polar_rad - a.polar_rad), fabs(b.dec_rad - a.dec_rad)};
}
