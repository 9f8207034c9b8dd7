/* places.c - named attitudes, the reach of cables, and which apertures the Sun may not look into.
 */
#include <stdlib.h>

#include "mount/mount_internal.h"
#include "mount/ways.h"

#define LENGTH_SHARE 0.01 /* of a cable, where no error is stated: common practice, no source */
#define ONE_SIDED_95 1.645
#define HA_STEP_RAD (2.0 * NW_RAD_PER_DEG)

struct nw_pose nw_mount_pose_at(double latitude_rad, const struct nw_position *p) {
    const enum nw_side side = p->side[0] == 'w' ? NW_SIDE_WEST : NW_SIDE_EAST;
    if (p->hour_angle_rad.from != NW_FROM_UNKNOWN) {
        return (struct nw_pose){p->hour_angle_rad.v, p->declination_rad.v, side};
    }
    struct nw_pose pose = nw_mount_pose_of(latitude_rad, p->altitude_rad.v, p->azimuth_rad.v);
    pose.side = side;
    return pose;
}

struct nw_pose nw_mount_park(const struct nw_mount *mount) {
    return (struct nw_pose){mount->park_hour_angle_rad.v, mount->park_declination_rad.v,
                            mount->park_side[0] == 'w' ? NW_SIDE_WEST : NW_SIDE_EAST};
}

bool nw_rig_has_closed_roof(const struct nw_rig *rig, const struct nw_setup *setup) {
    for (size_t i = 0; i < rig->n_bodies; i++) {
        if (rig->bodies[i].stands == NW_STANDS_ROOF_CLOSED &&
            nw_setup_has_body(setup, &rig->bodies[i])) {
            return true;
        }
    }
    return false;
}

enum nw_status nw_clearance_of_setup(const struct nw_rig *rig, const struct nw_setup *setup,
                                     bool is_open, bool is_roof_closed, struct nw_clearance **ret,
                                     struct nw_err *err) {
    struct nw_body *bodies = NULL;
    size_t n = 0;
    enum nw_status status = nw_rig_bodies_of(rig, setup, &bodies, &n, err);
    if (status == NW_OK) {
        n = nw_bodies_keep(bodies, n, is_roof_closed);
        status = nw_clearance_new(bodies, n, rig->site.latitude_rad.v, is_open, ret, err);
    }
    free(bodies);
    return status;
}

static enum nw_status check_place(const struct nw_rig *rig, const struct nw_setup *setup,
                                  struct nw_place_check *place, struct nw_err *err) {
    struct nw_clearance *model = NULL;
    const enum nw_status status =
        nw_clearance_of_setup(rig, setup, place->is_open, place->is_roof_closed, &model, err);
    if (status == NW_OK) {
        size_t n = 0;
        const struct nw_body *const bodies = nw_clearance_bodies(model, &n);
        const struct nw_contact c = nw_clearance_margin_at(model, &place->pose);
        place->distance_m = c.distance_m;
        place->sigma_m = c.sigma_m;
        place->margin_m = c.margin_m;
        nw_text_copy(place->pair[0], NW_NAME_SIZE, bodies[c.a].name);
        nw_text_copy(place->pair[1], NW_NAME_SIZE, bodies[c.b].name);
    }
    nw_clearance_free(model);
    return status;
}

enum nw_status nw_clearance_places(const struct nw_rig *rig, const struct nw_setup *setup,
                                   struct nw_place_check **ret, size_t *ret_n, struct nw_err *err) {
    struct nw_place_check *places = nw_calloc(rig->n_positions + 2, sizeof *places);
    if (!places) {
        return nw_err_set(err, NW_NOMEM, "%zu positions", rig->n_positions);
    }
    size_t n = 0;
    for (int roofed = 0; roofed <= nw_rig_has_closed_roof(rig, setup); roofed++) {
        places[n].pose = nw_mount_park(&rig->mount);
        places[n].is_roof_closed = roofed;
        nw_text_copy(places[n].name, sizeof places[n].name, "parked");
        n++;
    }
    for (size_t i = 0; i < rig->n_positions; i++) {
        const struct nw_position *const p = &rig->positions[i];
        places[n].pose = nw_mount_pose_at(rig->site.latitude_rad.v, p);
        places[n].is_open = p->panel[0] == 'o';
        places[n].is_roof_closed = p->roof[0] == 'c';
        nw_text_copy(places[n].name, sizeof places[n].name, p->name);
        n++;
    }
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = check_place(rig, setup, &places[i], err);
    }
    if (status == NW_OK) {
        *ret = places;
        *ret_n = n;
        places = NULL;
    }
    free(places);
    return status;
}

/* ---- Cables ---- */

static void end_of(const struct nw_cable *cable, int k, const struct nw_mount_frames *frames,
                   double ret[static 3]) {
    const double at[3] = {cable->end[k].at_m[0].v, cable->end[k].at_m[1].v,
                          cable->end[k].at_m[2].v};
    for (int i = 0; i < 3; i++) {
        const double *const row =
            cable->end[k].rides == NW_RIDES_TUBE ? frames->tube[i] : frames->axis[i];
        ret[i] = cable->end[k].rides == NW_RIDES_GROUND
                     ? at[i]
                     : row[0] * at[0] + row[1] * at[1] + row[2] * at[2];
    }
}

double nw_cable_distance_m(const struct nw_cable *cable, double latitude_rad,
                           const struct nw_pose *pose) {
    const struct nw_mount_frames frames = nw_mount_frames_at(latitude_rad, pose);
    double a[3];
    double b[3];
    end_of(cable, 0, &frames, a);
    end_of(cable, 1, &frames, b);
    return sqrt(pow(a[0] - b[0], 2.0) + pow(a[1] - b[1], 2.0) + pow(a[2] - b[2], 2.0));
}

/* Of length less distance: the places at their largest error, whatever the direction. */
static double spare_sigma_m(const struct nw_cable *cable) {
    double sum =
        pow(isnan(cable->length_m.sigma) ? LENGTH_SHARE * cable->length_m.v : cable->length_m.sigma,
            2.0);
    for (int k = 0; k < 2; k++) {
        double most = 0.0;
        for (int i = 0; i < 3; i++) {
            const struct nw_val *const at = &cable->end[k].at_m[i];
            most = fmax(most, isnan(at->sigma) ? PLACE_M : at->sigma);
        }
        sum += most * most;
    }
    return sqrt(sum);
}

void nw_cable_need_of(const struct nw_cable *cable, double latitude_rad,
                      const struct nw_reach *limits, size_t n_dec, struct nw_cable_need *ret) {
    *ret = (struct nw_cable_need){.sigma_m = spare_sigma_m(cable)};
    for (size_t i = 0; i < 2 * n_dec; i++) {
        const struct nw_reach *const r = &limits[i];
        const double width = r->is_reachable ? r->ha_max_rad - r->ha_min_rad : -1.0;
        for (int k = 0; k * HA_STEP_RAD <= width; k++) {
            const struct nw_pose pose = {r->ha_min_rad + k * HA_STEP_RAD,
                                         NW_PI * ((double)(i % n_dec) / (double)(n_dec - 1) - 0.5),
                                         i < n_dec ? NW_SIDE_EAST : NW_SIDE_WEST};
            const double d = nw_cable_distance_m(cable, latitude_rad, &pose);
            ret->n_tried++;
            ret->n_taut += cable->length_m.v - d < ONE_SIDED_95 * ret->sigma_m;
            if (d > ret->longest_m) {
                ret->longest_m = d;
                ret->where = pose;
            }
        }
    }
    ret->spare_m = cable->length_m.v - ret->longest_m;
    ret->spare_sure_m = ret->spare_m - ONE_SIDED_95 * ret->sigma_m;
}

/* ---- The Sun ---- */

static bool is_named(const char (*names)[NW_NAME_SIZE], size_t n, const char *name) {
    for (size_t i = 0; i < n; i++) {
        if (strcmp(names[i], name) == 0) {
            return true;
        }
    }
    return false;
}

size_t nw_mount_apertures(const struct nw_setup *setup, const struct nw_body *bodies, size_t n,
                          size_t n_max, struct nw_aperture *ret) {
    size_t found = 0;
    for (size_t i = 0; i < n && found < n_max; i++) {
        const struct nw_body *const b = &bodies[i];
        if (b->rides != NW_RIDES_TUBE || b->shape != NW_SHAPE_TUBE || b->along != 0) {
            continue;
        }
        struct nw_aperture *const a = &ret[found++];
        *a = (struct nw_aperture){.body = i, .stay_away_rad = NW_PI / 2.0};
        a->front = is_named(setup->capped, setup->n_capped, b->name) ? NW_FRONT_CAPPED
                   : is_named(setup->sun_filtered, setup->n_sun_filtered, b->name)
                       ? NW_FRONT_FILTERED
                       : NW_FRONT_OPEN;
        a->is_depth_known = b->shield_m.from != NW_FROM_UNKNOWN;
        if (a->is_depth_known) {
            const double d_sigma = isnan(b->diameter_m.sigma) ? PLACE_M : b->diameter_m.sigma;
            const double l_sigma = isnan(b->shield_m.sigma) ? PLACE_M : b->shield_m.sigma;
            const double sigma_rad =
                hypot(b->shield_m.v * d_sigma, b->diameter_m.v * l_sigma) /
                (b->shield_m.v * b->shield_m.v + b->diameter_m.v * b->diameter_m.v);
            a->stay_away_rad =
                fmin(NW_PI / 2.0, atan2(b->diameter_m.v, b->shield_m.v) + ONE_SIDED_95 * sigma_rad);
        }
    }
    return found;
}
