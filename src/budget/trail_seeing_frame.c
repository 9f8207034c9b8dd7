/* trail_seeing_frame.c - from a frame of the drive-off trial to its seeing, and several joined.
 * Idea: header first, rig where the header is silent; what neither says is an error that names it.
 */
#include "budget/trail_seeing_internal.h"

#include <math.h>

#include "image/colours.h"

static double first_of(double header, double rig) {
    return header > 0.0 ? header : rig;
}

/* Airmass: from its card, from the altitude, or from place, time and direction. */
static double airmass_of(const struct nw_frame_facts *facts, const struct nw_rig *rig) {
    if (facts->airmass >= 1.0) {
        return facts->airmass;
    }
    if (isfinite(facts->altitude_rad)) {
        return nw_sky_airmass(facts->altitude_rad);
    }
    const struct nw_place place = {.latitude_rad = rig->site.latitude_rad.v,
                                   .longitude_rad = rig->site.longitude_rad.v,
                                   .elevation_m = rig->site.elevation_m.v};
    struct nw_pointing pointing;
    return nw_sky_pointing(facts->ra_rad, facts->dec_rad, facts->t_start_utc_s, &place, NULL,
                           &pointing, NULL) == NW_OK
               ? pointing.airmass
               : NAN;
}

static enum nw_status setting_of(const struct nw_frame_facts *facts, const struct nw_rig *rig,
                                 const struct nw_setup *setup, struct nw_trail_setting *ret,
                                 struct nw_err *err) {
    const double pixel_m =
        first_of(facts->pixel_m, setup->camera.pixel_m.v * fmax(1.0, setup->binning.v));
    *ret = (struct nw_trail_setting){
        .scale_rad = pixel_m / setup->focal_length_m.v,
        .drift_rad_s = NW_SIDEREAL_RATE_RAD_S * cos(facts->dec_rad),
        .airmass = airmass_of(facts, rig),
        .aperture_m = setup->telescope.aperture_m.v,
        .obstruction = fmax(0.0, setup->telescope.obstruction.v),
        .wind_m_s = rig->site.wind_speed_m_s.v,
        .wind_sigma_m_s = rig->site.wind_speed_m_s.sigma,
        .outer_scale_m = rig->site.outer_scale_m.v,
        .outer_scale_sigma_m = rig->site.outer_scale_m.sigma,
    };
    if (!isfinite(facts->dec_rad)) {
        return nw_err_set(err, NW_DATA,
                          "the header has no declination (DEC, OBJCTDEC): how long a trail must be "
                          "is not known");
    }
    if (!(facts->exposure_s > 0.0)) {
        return nw_err_set(err, NW_DATA, "the header has no exposure time (EXPTIME)");
    }
    if (fabs(facts->dec_rad) > 60.0 * NW_RAD_PER_DEG) {
        return nw_err_set(err, NW_DATA,
                          "declination %.0f deg: trails are short and bent there, expected -60 to "
                          "60, best near 0",
                          facts->dec_rad * NW_DEG_PER_RAD);
    }
    if (!isfinite(ret->airmass)) {
        return nw_err_set(
            err, NW_DATA,
            "the airmass is not known: the header has neither AIRMASS nor an altitude "
            "nor RA, DEC and DATE-OBS");
    }
    return NW_OK;
}

/* By how much two directions of lines differ, -90 to 90 deg. */
static double between(double a_rad, double b_rad) {
    return remainder(a_rad - b_rad, NW_PI);
}

struct direction {
    double east_rad, off_rad, sigma_rad;
    const char *by; /* NULL: how the frame lies is not known */
};

/* The sky drifts along right ascension whatever the pole of the mount is; a declination drive that
 * runs, a hand or the wind moves the stars another way. +y stands at the camera angle from north
 * through east, +x a quarter turn from it, clockwise or not: the rig file does not say. */
static struct direction direction_of(const struct nw_frame *frame, const struct nw_setup *setup,
                                     double trails_rad) {
    static const double WORLD_RAD = 1.0 * NW_RAD_PER_DEG;
    static const double BY_EYE_RAD = 2.0 * NW_RAD_PER_DEG; /* common practice, no source */
    const struct nw_frame_axes axes = nw_frame_axes_of(frame);
    const struct nw_val *const angle = &setup->camera_angle_rad;
    if (isfinite(axes.east_rad)) {
        return (struct direction){axes.east_rad, between(trails_rad, axes.east_rad), WORLD_RAD,
                                  "the header's world coordinates"};
    }
    if (angle->from == NW_FROM_ASSUMED || angle->from == NW_FROM_UNKNOWN || !isfinite(angle->v) ||
        isfinite(frame->facts.rotator_rad)) {
        return (struct direction){NAN, NAN, NAN, NULL};
    }
    const double plain = between(trails_rad, -angle->v);
    const double mirrored = between(trails_rad, angle->v);
    const bool is_plain = fabs(plain) <= fabs(mirrored);
    return (struct direction){is_plain ? -angle->v : angle->v, is_plain ? plain : mirrored,
                              hypot(isfinite(angle->sigma) ? angle->sigma : 0.0, BY_EYE_RAD),
                              "camera_angle of the rig file"};
}

static enum nw_status check_direction(const struct direction *d, double trails_rad,
                                      struct nw_err *err) {
    return !(fabs(d->off_rad) > 3.0 * d->sigma_rad)
               ? NW_OK
               : nw_err_set(err, NW_DATA,
                            "trails lie at %.0f deg from +x to +y, right ascension at %.0f +- %.0f "
                            "by %s: something else than the sky moved (declination drive, wind, a "
                            "hand), or the camera was turned since",
                            between(trails_rad, 0.0) * NW_DEG_PER_RAD,
                            between(d->east_rad, 0.0) * NW_DEG_PER_RAD,
                            d->sigma_rad * NW_DEG_PER_RAD, d->by);
}

enum nw_status nw_trail_seeing(const struct nw_frame *frame, const char *pattern,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct nw_trail_seeing *ret, struct nw_err *err) {
    const struct nw_frame_facts *facts = &frame->facts;
    struct nw_trail_setting setting;
    struct nw_cfa_plane green = {0};
    struct nw_trails trails = {0};
    enum nw_status status = setting_of(facts, rig, setup, &setting, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_image_view view = {0};
    if (frame->n_planes == 1 && pattern && pattern[0] != '\0') {
        status = nw_frame_cfa_plane(frame, pattern, NW_CHANNEL_G, &green, err);
        view = (struct nw_image_view){.px = green.px,
                                      .width_px = green.width_px,
                                      .height_px = green.height_px,
                                      .stride_px = green.width_px};
        setting.scale_rad *= 2.0; /* every second pixel */
    } else {
        view = nw_frame_plane(frame, frame->n_planes == 3 ? 1 : 0);
    }
    if (status != NW_OK) {
        goto done;
    }
    const double gain = first_of(facts->gain_e_per_adu, setup->camera.gain_e_per_adu.v);
    setting.noise_is_known = gain > 0.0;
    const struct nw_trail_opts opts = {
        .expected_length_px = setting.drift_rad_s * facts->exposure_s / setting.scale_rad,
        .saturation_adu = first_of(facts->saturation_adu, frame->data_max_adu),
        .gain_e_per_adu = gain};
    status = nw_trails_measure(view, &opts, &trails, err);
    const struct direction direction = direction_of(frame, setup, trails.angle_rad);
    if (status == NW_OK) {
        status = check_direction(&direction, trails.angle_rad, err);
    }
    if (status == NW_OK) {
        status = nw_trail_seeing_solve(&trails, &setting, ret, err);
    }
    if (status == NW_OK) {
        ret->off_rad = direction.off_rad;
        ret->off_sigma_rad = direction.sigma_rad;
        ret->off_by = direction.by;
    }
done:
    nw_trails_done(&trails);
    nw_cfa_plane_done(&green);
    return status;
}

struct nw_trail_seeing_mean nw_trail_seeing_join(const struct nw_trail_seeing *frames, size_t n) {
    double weights = 0.0;
    double mean = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double sigma = frames[i].seeing_sigma_rad / frames[i].seeing_rad;
        weights += 1.0 / (sigma * sigma);
        mean += log(frames[i].seeing_rad) / (sigma * sigma);
    }
    mean /= weights;
    double sum2 = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum2 += pow(log(frames[i].seeing_rad) - mean, 2.0);
    }
    /* what all frames of an evening share does not average out */
    const double shared2 = NW_TRAIL_SHARED_SIGMA * NW_TRAIL_SHARED_SIGMA;
    const double own2 = fmax(0.0, (double)n / weights - shared2);
    return (struct nw_trail_seeing_mean){.seeing_rad = exp(mean),
                                         .seeing_sigma_rad =
                                             exp(mean) * sqrt(shared2 + own2 / (double)n),
                                         .scatter = n > 1 ? sqrt(sum2 / (double)(n - 1)) : NAN};
}
