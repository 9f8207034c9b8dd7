/* inject.c - what a user puts into a simulated night: `NAME=VALUE`.
 * Idea: one table of the scene's numbers that may be set, each with its dimension and range; the
 * list for people is made from it. */
#include "synth/synth_internal.h"

#include <math.h>

#define AT(member) offsetof(struct synth_scene, member)
enum { LIST_MOST = 64 };

static const struct row {
    const char *name;
    enum nw_dim dim;
    size_t offset;
    const char *low, *high; /* with units */
    const char *meaning;
} ROWS[] = {
    {"backlash", NW_DIM_ANGLE, AT(mount.backlash_rad), "0 arcsec", "600 arcsec",
     "play of the declination gears, at the axis"},
    {"windup", NW_DIM_NUMBER, AT(mount.windup), "0", "0.95",
     "share of a pulse that moves the axis inside the play: elastic gears"},
    {"response_ra", NW_DIM_NUMBER, AT(mount.response_ra), "0.05", "2",
     "motion per motion asked for: 0.85 is a guide rate that acts at 85 %"},
    {"response_dec", NW_DIM_NUMBER, AT(mount.response_dec), "0.05", "2", "the same in declination"},
    {"worm", NW_DIM_ANGLE, AT(mount.worm_amplitude_rad[0]), "0 arcsec", "300 arcsec",
     "amplitude of the worm, at the axis"},
    {"worm_half", NW_DIM_ANGLE, AT(mount.worm_amplitude_rad[1]), "0 arcsec", "300 arcsec",
     "amplitude at half the period"},
    {"worm_third", NW_DIM_ANGLE, AT(mount.worm_amplitude_rad[2]), "0 arcsec", "300 arcsec",
     "amplitude at a third of the period"},
    {"worm_period", NW_DIM_TIME, AT(mount.worm_period_s), "10 s", "7200 s", "one turn of the worm"},
    {"worm_phase", NW_DIM_ANGLE, AT(mount.worm_axis_phase_rad), "-360 deg", "360 deg",
     "phase of the first turn where the axis angle is 0: one worm for many nights; its harmonics "
     "follow. Else drawn for each night"},
    {"walk_ra", NW_DIM_ANGLE, AT(mount.walk_ra_rad), "0 arcsec", "5 arcsec",
     "random walk per root second"},
    {"walk_dec", NW_DIM_ANGLE, AT(mount.walk_dec_rad), "0 arcsec", "5 arcsec",
     "the same in declination"},
    {"shake_ra", NW_DIM_ANGLE, AT(mount.shake_ra_rad), "0 arcsec", "10 arcsec",
     "rms of the fast shake"},
    {"shake_dec", NW_DIM_ANGLE, AT(mount.shake_dec_rad), "0 arcsec", "10 arcsec",
     "the same in declination"},
    {"burst", NW_DIM_ANGLE, AT(mount.burst_rad), "0 arcsec", "60 arcsec", "shake within a burst"},
    {"burst_every", NW_DIM_TIME, AT(mount.burst_interval_s), "10 s", "1000000 s",
     "mean time between bursts"},
    {"burst_length", NW_DIM_TIME, AT(mount.burst_length_s), "1 s", "3600 s", "length of a burst"},
    {"polar_azimuth", NW_DIM_ANGLE, AT(mount.polar_azimuth_rad), "-2 deg", "2 deg",
     "turn of the mount about the vertical: its upper end too far east"},
    {"polar_altitude", NW_DIM_ANGLE, AT(mount.polar_altitude_rad), "-2 deg", "2 deg",
     "upper end of the axis too high, against the true pole"},
    {"refraction", NW_DIM_NUMBER, AT(mount.refraction), "0", "1",
     "1: the air lifts the stars; 0: it does not"},
    {"flexure_ra", NW_DIM_ANGULAR_RATE, AT(mount.flexure_e_rad_s), "-3600 arcsec/h",
     "3600 arcsec/h", "main camera against guide telescope, + east"},
    {"flexure_dec", NW_DIM_ANGULAR_RATE, AT(mount.flexure_n_rad_s), "-3600 arcsec/h",
     "3600 arcsec/h", "the same, + north"},
    {"guide_star_east", NW_DIM_ANGLE, AT(loop.star_e_rad), "-3 deg", "3 deg",
     "place of the guide star against the middle of the frame"},
    {"guide_star_north", NW_DIM_ANGLE, AT(loop.star_n_rad), "-3 deg", "3 deg", "the same, north"},
    {"guide_star_snr", NW_DIM_NUMBER, AT(loop.snr), "3", "1000",
     "signal over noise of the guide star in clear air"},
    {"gain_ra", NW_DIM_NUMBER, AT(loop.gain_ra), "0", "2", "correction per error"},
    {"gain_dec", NW_DIM_NUMBER, AT(loop.gain_dec), "0", "2", "the same in declination"},
    {"min_move", NW_DIM_ANGLE, AT(loop.min_move_rad), "0 arcsec", "10 arcsec",
     "errors below it are not corrected"},
    {"max_pulse", NW_DIM_TIME, AT(loop.max_pulse_s), "0.01 s", "20 s", "longest pulse"},
    {"latency", NW_DIM_TIME, AT(loop.latency_s), "0 s", "10 s",
     "from the end of the exposure to the pulse"},
    {"lost_every", NW_DIM_TIME, AT(loop.lost_interval_s), "10 s", "1000000 s",
     "mean time between losses of the guide star"},
    {"lost_length", NW_DIM_TIME, AT(loop.lost_length_s), "1 s", "3600 s", "length of a loss"},
    {"shift_every", NW_DIM_TIME, AT(loop.shift_interval_s), "10 s", "1000000 s",
     "mean time between shifts of the lock point that nobody asked for"},
    {"shift", NW_DIM_ANGLE, AT(loop.shift_rad), "0 arcsec", "60 arcsec", "size of such a shift"},
    {"rotator", NW_DIM_ANGLE, AT(hang.rotator_rad), "-360 deg", "360 deg",
     "angle of the rotator, from +x towards +y; the camera turns with it"},
    {"focuser_tilt", NW_DIM_LENGTH, AT(hang.focuser_tilt_m), "0 um", "500 um",
     "tilt that does not turn with the camera, per half diagonal; the rig's own turns with it"},
    {"focuser_tilt_towards", NW_DIM_ANGLE, AT(hang.focuser_tilt_rad), "-360 deg", "360 deg",
     "its direction at rotator angle 0"},
    {"sag", NW_DIM_LENGTH, AT(hang.sag_m), "0 um", "500 um",
     "tilt by weight at the horizon, per half diagonal; the other way with the tube west"},
    {"sag_towards", NW_DIM_ANGLE, AT(hang.sag_rad), "-360 deg", "360 deg",
     "its direction with the tube east at rotator angle 0"},
    {"tube_lag", NW_DIM_TIME, AT(focuser.lag_s), "0 s", "21600 s",
     "by which the tube is behind the air"},
    {"tube_warm", NW_DIM_TEMPERATURE_DIFFERENCE, AT(focuser.warm_K), "-20 K", "20 K",
     "how much warmer than the air the tube begins"},
    {"air_swing", NW_DIM_TEMPERATURE_DIFFERENCE, AT(focuser.swing_K), "-10 K", "10 K",
     "air that turns warmer and colder, a sine of 5 h: a lag shows only in such a night"},
    {"focuser_play", NW_DIM_LENGTH, AT(focuser.play_m), "0 um", "2000 um",
     "travel lost when the focuser turns round; focus runs then end either way"},
    {"focuser_flip", NW_DIM_LENGTH, AT(focuser.flip_m), "-2000 um", "2000 um",
     "travel by which best focus lies farther out with the tube west of the mount"},
    {"dither", NW_DIM_ANGLE, AT(loop.dither_rad), "0 arcsec", "600 arcsec",
     "half side of the box of dithers; 0: none"},
    {"bad_joint", NW_DIM_RESISTANCE, AT(joint_ohm), "0 mohm", "1 ohm",
     "more resistance in the wire to the hub with the most loads"},
};
#define N_ROWS (sizeof ROWS / sizeof ROWS[0])
_Static_assert(N_ROWS <= LIST_MOST, "names for messages");

static const struct row *find_row(const char *name) {
    for (size_t i = 0; i < N_ROWS; i++) {
        if (strcmp(ROWS[i].name, name) == 0) {
            return &ROWS[i];
        }
    }
    return NULL;
}

static enum nw_status unknown_name(const char *name, struct nw_err *err) {
    const char *names[LIST_MOST];
    for (size_t i = 0; i < N_ROWS; i++) {
        names[i] = ROWS[i].name;
    }
    const char *near = nw_text_nearest(name, names, N_ROWS);
    return nw_err_set(err, NW_NOTFOUND, "nothing named \"%s\" can be injected; %s \"%s\"", name,
                      near ? "did you mean" : "the first name is", near ? near : ROWS[0].name);
}

static enum nw_status inject_one(const char *text, struct synth_scene *scene, struct nw_err *err) {
    char name[32];
    const char *equals = strchr(text, '=');
    if (!equals || equals == text || (size_t)(equals - text) >= sizeof name) {
        return nw_err_set(err, NW_USAGE,
                          "\"%.60s\" is no NAME=VALUE; expected such as \"%s=3 arcsec\"", text,
                          ROWS[0].name);
    }
    memcpy(name, text, (size_t)(equals - text));
    name[equals - text] = '\0';
    const struct row *row = find_row(name);
    if (!row) {
        return unknown_name(name, err);
    }
    double value = NAN;
    double low = NAN;
    double high = NAN;
    enum nw_status status = nw_quantity_read(equals + 1, row->dim, &value, err);
    if (status == NW_OK) {
        status = nw_quantity_read(row->low, row->dim, &low, err);
    }
    if (status == NW_OK) {
        status = nw_quantity_read(row->high, row->dim, &high, err);
    }
    if (status != NW_OK) {
        return nw_err_at(err, status, "%s", name);
    }
    if (!(value >= low && value <= high)) {
        return nw_err_set(err, NW_DOMAIN, "%s: %s is outside %s to %s", name, equals + 1, row->low,
                          row->high);
    }
    memcpy((char *)scene + row->offset, &value, sizeof value);
    return NW_OK;
}

/* The axis as an angle towards an hour angle. North: its upper end is the north end; altitude grows
 * towards hour angle 0. South: the upper end is the other one, so that both offsets change sign.
 * X: hour angle 0 on the equator, Y: east (track.c). */
void nw_synth_aim_axis(struct synth_scene *scene) {
    struct synth_mount *mount = &scene->mount;
    if (!isfinite(mount->polar_azimuth_rad) && !isfinite(mount->polar_altitude_rad)) {
        return;
    }
    const double altitude = isfinite(mount->polar_altitude_rad) ? mount->polar_altitude_rad : 0.0;
    const double azimuth = isfinite(mount->polar_azimuth_rad) ? mount->polar_azimuth_rad : 0.0;
    const double latitude = scene->place.latitude_rad;
    const double sign = latitude < 0.0 ? -1.0 : 1.0;
    /* the upper end itself, as a vector: east, horizontal towards the pole's side, up */
    const double height = fabs(latitude) + altitude;
    const double east = cos(height) * sin(azimuth);
    const double along = cos(height) * cos(azimuth);
    const double up = sin(height);
    const double c = cos(latitude);
    const double s = fabs(sin(latitude));
    const double x = sign * (c * up - s * along);
    const double y = sign * east;
    const double z = c * along + s * up; /* along the pole on that side */
    mount->polar_error_rad = atan2(hypot(x, y), z);
    mount->polar_angle_rad = atan2(-y, x);
}

enum nw_status nw_synth_inject(const char *const *texts, size_t n, struct synth_scene *scene,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = inject_one(texts[i], scene, err);
    }
    if (status == NW_OK) {
        nw_synth_aim_axis(scene);
    }
    return status;
}

bool nw_synth_injectable_at(size_t i, struct nw_synth_injectable *ret) {
    if (i >= N_ROWS) {
        return false;
    }
    *ret = (struct nw_synth_injectable){ROWS[i].name, ROWS[i].low, ROWS[i].high, ROWS[i].meaning};
    return true;
}
