/* masses.c - mass, first moment and inertia of bodies; moments of their weight about the axes. */
#include "mount/mount_internal.h"

double mass_sigma_kg(const struct nw_body *body) {
    return isnan(body->mass_kg.sigma) ? MASS_SHARE * body->mass_kg.v : body->mass_kg.sigma;
}

double place_sigma_m(const struct nw_body *body, int axis) {
    const struct nw_val *const at = &body->at_m[axis];
    return isnan(at->sigma) ? PLACE_M : at->sigma;
}

static double hinge_sigma_m(const struct nw_body *body, int axis) {
    const struct nw_val *const at = &body->hinge_at_m[axis];
    return isnan(at->sigma) ? PLACE_M : at->sigma;
}

/* Opened: p = h + T (c - h), so that dp = T dc + (1 - T) dh + (e x (p - h)) d(angle). */
double place_variance_m2(const struct nw_body *body, bool is_open, const double point_m[static 3],
                         const double n[static 3]) {
    double sum = 0.0;
    if (!is_open || body->hinge < 0) {
        for (int i = 0; i < 3; i++) {
            sum += pow(place_sigma_m(body, i) * n[i], 2.0);
        }
        return sum;
    }
    double at[3];
    double turn[3][3];
    nw_body_place(body, true, at, turn);
    for (int i = 0; i < 3; i++) {
        const double described = turn[0][i] * n[0] + turn[1][i] * n[1] + turn[2][i] * n[2];
        sum += pow(place_sigma_m(body, i) * described, 2.0) +
               pow(hinge_sigma_m(body, i) * (n[i] - described), 2.0);
    }
    const int j = (body->hinge + 1) % 3;
    const int k = (body->hinge + 2) % 3;
    const double across =
        n[k] * (point_m[j] - body->hinge_at_m[j].v) - n[j] * (point_m[k] - body->hinge_at_m[k].v);
    const double sigma = isnan(body->hinge_open_rad.sigma) ? HINGE_RAD : body->hinge_open_rad.sigma;
    return sum + pow(sigma * across, 2.0);
}

/* Principal inertia about the middle, along the body's own x, y, z. */
static void own_inertia(const struct nw_body *body, double ret[static 3]) {
    const double m = body->mass_kg.v;
    const double l = body->length_m.v;
    const double r = 0.5 * body->diameter_m.v;
    ret[0] = ret[1] = ret[2] = 0.0;
    switch (body->shape) {
    case NW_SHAPE_POINT:
        return;
    case NW_SHAPE_BOX: {
        const double w = body->width_m.v;
        const double h = body->height_m.v;
        ret[0] = m * (w * w + h * h) / 12.0;
        ret[1] = m * (l * l + h * h) / 12.0;
        ret[2] = m * (l * l + w * w) / 12.0;
        return;
    }
    case NW_SHAPE_CYLINDER:
    case NW_SHAPE_TUBE: {
        const bool is_thin = body->shape == NW_SHAPE_TUBE;
        const double round = is_thin ? m * r * r : 0.5 * m * r * r;
        const double across =
            is_thin ? m * (6.0 * r * r + l * l) / 12.0 : m * (3.0 * r * r + l * l) / 12.0;
        for (int i = 0; i < 3; i++) {
            ret[i] = i == body->along ? round : across;
        }
        return;
    }
    }
}

void nw_mass_add(struct nw_mass_sum *sum, const struct nw_body *body, bool is_open) {
    if (body->mass_kg.from == NW_FROM_UNKNOWN) {
        sum->n_unknown++;
        return;
    }
    const double m = body->mass_kg.v;
    double at[3];
    double turn[3][3];
    double own[3];
    nw_body_place(body, is_open, at, turn);
    own_inertia(body, own);
    sum->mass_kg += m;
    const double r2 = at[0] * at[0] + at[1] * at[1] + at[2] * at[2];
    for (int i = 0; i < 3; i++) {
        const double unit[3] = {i == 0, i == 1, i == 2};
        sum->moment_kg_m[i] += m * at[i];
        sum->moment_sigma_kg_m[i] = hypot(
            sum->moment_sigma_kg_m[i], hypot(mass_sigma_kg(body) * at[i],
                                             m * sqrt(place_variance_m2(body, is_open, at, unit))));
        for (int j = 0; j < 3; j++) {
            double turned = 0.0; /* turn * diag(own) * turn^T */
            for (int k = 0; k < 3; k++) {
                turned += turn[i][k] * own[k] * turn[j][k];
            }
            sum->inertia_kg_m2[i][j] += turned + m * ((i == j ? r2 : 0.0) - at[i] * at[j]);
        }
    }
}

/* The first moment in east, north, up. */
static void to_ground(const double rot[3][3], const double v[static 3], double ret[static 3]) {
    for (int i = 0; i < 3; i++) {
        ret[i] = rot[i][0] * v[0] + rot[i][1] * v[1] + rot[i][2] * v[2];
    }
}

/* (r x -z) . a for a first moment r: gravity pulls down. */
static double moment_about(const double rot[3][3], int column, const double r[static 3]) {
    /* r x (0, 0, -1) = (-r_y, r_x, 0) */
    return NW_GRAVITY_M_S2 * (-r[1] * rot[0][column] + r[0] * rot[1][column]);
}

struct nw_moments nw_mount_moments(double latitude_rad, const struct nw_pose *pose,
                                   const struct nw_mass_sum *tube, const struct nw_mass_sum *axis) {
    const struct nw_mount_frames frames = nw_mount_frames_at(latitude_rad, pose);
    double on_tube[3];
    double on_axis[3];
    to_ground(frames.tube, tube->moment_kg_m, on_tube);
    to_ground(frames.axis, axis->moment_kg_m, on_axis);
    const double all[3] = {on_tube[0] + on_axis[0], on_tube[1] + on_axis[1],
                           on_tube[2] + on_axis[2]};
    return (struct nw_moments){.ra_n_m = moment_about(frames.axis, 0, all),
                               .dec_n_m = moment_about(frames.tube, 2, on_tube)};
}
