/* sight.c - what walls and roof hide of the sky from the place of each aperture.
 * Idea: the light column of a tube is a bundle of parallel rays from its front end; each ray
 * against each outline on the ground is a closed form. That nothing at all is hidden is found with
 * the whole column as a body, which no thin post slips through. */
#include <assert.h>

#include "mount/clearance.h"
#include "mount/mount_internal.h"

#define LIGHT_LENGTH_M 40.0
#define STEP_RAD (0.5 * NW_RAD_PER_DEG)
#define FINE_RAD (0.05 * NW_RAD_PER_DEG)
#define GOLDEN_ANGLE_RAD (NW_PI * (3.0 - 2.2360679774997896)) /* pi (3 - sqrt 5) */

double nw_clearance_hidden(const struct nw_clearance *model, size_t tube,
                           const struct nw_pose *pose) {
    enum { RAYS = 96 };
    const struct convex c = clearance_placed(model, tube, pose);
    const double look[3] = {c.axes[0][0], c.axes[1][0], c.axes[2][0]};
    int n_hidden = 0;
    for (int i = 0; i < RAYS; i++) {
        /* points of equal area on a disc: Vogel (1979, Math. Biosci. 44, 179) */
        const double r = c.half[1] * sqrt((i + 0.5) / RAYS);
        const double u = r * cos(i * GOLDEN_ANGLE_RAD);
        const double v = r * sin(i * GOLDEN_ANGLE_RAD);
        double from[3];
        for (int k = 0; k < 3; k++) {
            from[k] = c.at[k] + c.half[0] * look[k] + u * c.axes[k][1] + v * c.axes[k][2];
        }
        bool is_hit = false;
        for (size_t b = 0; b < clearance_n(model) && !is_hit; b++) {
            if (clearance_stands(model, b)) {
                const struct convex body = clearance_placed(model, b, pose);
                is_hit = convex_is_hit(&body, from, look);
            }
        }
        n_hidden += is_hit;
    }
    return (double)n_hidden / RAYS;
}

/* Does anything reach into the light column? */
static bool is_touched(const struct nw_clearance *model, size_t tube, const struct nw_pose *pose) {
    struct convex light = clearance_placed(model, tube, pose);
    const double ahead = light.half[0] + 0.5 * LIGHT_LENGTH_M;
    for (int i = 0; i < 3; i++) {
        light.at[i] += light.axes[i][0] * ahead;
    }
    light.half[0] = 0.5 * LIGHT_LENGTH_M;
    for (size_t i = 0; i < clearance_n(model); i++) {
        if (clearance_stands(model, i)) {
            const struct convex body = clearance_placed(model, i, pose);
            if (convex_distance(&light, &body).distance_m <= 0.0) {
                return true;
            }
        }
    }
    return false;
}

/* more_than: the share hidden that counts as too much; < 0: any touch. */
static bool is_too_much(const struct nw_clearance *model, size_t tube, double altitude_rad,
                        double azimuth_rad, double more_than) {
    const struct nw_pose pose =
        nw_mount_pose_of(clearance_latitude_rad(model), altitude_rad, azimuth_rad);
    return more_than < 0.0 ? is_touched(model, tube, &pose)
                           : nw_clearance_hidden(model, tube, &pose) > more_than;
}

/* Looking down from `clear`, the lowest altitude before too much is hidden. */
static double lowest_rad(const struct nw_clearance *model, size_t tube, double azimuth_rad,
                         double clear, double more_than) {
    while (clear > 0.0 && !is_too_much(model, tube, clear - STEP_RAD, azimuth_rad, more_than)) {
        clear -= STEP_RAD;
    }
    if (clear <= 0.0) {
        return -NW_PI / 2.0;
    }
    double hidden = clear - STEP_RAD;
    while (clear - hidden > FINE_RAD) {
        const double middle = 0.5 * (clear + hidden);
        if (is_too_much(model, tube, middle, azimuth_rad, more_than)) {
            hidden = middle;
        } else {
            clear = middle;
        }
    }
    return clear;
}

struct nw_sight nw_clearance_sight(const struct nw_clearance *model, size_t tube,
                                   double azimuth_rad) {
    assert(tube < clearance_n(model));
    struct nw_sight s = {-NW_PI / 2.0, -NW_PI / 2.0, -NW_PI / 2.0};
    s.whole_rad = lowest_rad(model, tube, azimuth_rad, NW_PI / 2.0, -1.0);
    if (s.whole_rad > 0.0) {
        s.half_rad = lowest_rad(model, tube, azimuth_rad, s.whole_rad, 0.5);
    }
    if (s.half_rad > 0.0) {
        s.none_rad = lowest_rad(model, tube, azimuth_rad, s.half_rad, 0.99);
    }
    return s;
}
