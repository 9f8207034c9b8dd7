/* air.c - the air in front of a frame as its header tells it: zenith distance, dispersion, and
 * which way is up. Source: Filippenko 1982, PASP 94, 715 (sky.h); the vertical on the frame from
 * world coordinates and the parallactic angle. */
#include "look/causes.h"

#include <math.h>

#include "rig/rig.h"

static double scale_of(const struct nw_frame *frame, const struct nw_frame_axes *axes) {
    const struct nw_frame_facts *const f = &frame->facts;
    if (isfinite(axes->scale_rad_px)) {
        return axes->scale_rad_px;
    }
    return f->pixel_m > 0.0 && f->focal_length_m > 0.0 ? atan(f->pixel_m / f->focal_length_m) : NAN;
}

/* Place of the zenith by time and site; fills what the header does not say itself. */
static void point(const struct nw_frame_facts *f, struct nw_frame_air *a, double *ret_parallactic) {
    const double exposure = isfinite(f->exposure_s) ? f->exposure_s : 0.0;
    const struct nw_place place = {f->latitude_rad, f->longitude_rad,
                                   isfinite(f->elevation_m) ? f->elevation_m : 0.0};
    struct nw_pointing p;
    *ret_parallactic = NAN;
    if (isfinite(f->ra_rad) && isfinite(f->t_start_utc_s) && isfinite(f->latitude_rad) &&
        isfinite(f->longitude_rad) &&
        nw_sky_pointing(f->ra_rad, f->dec_rad, f->t_start_utc_s + 0.5 * exposure, &place, &a->air,
                        &p, NULL) == NW_OK &&
        p.altitude_rad > 0.0) {
        *ret_parallactic = p.parallactic_rad;
        a->zenith_rad = 0.5 * NW_PI - p.altitude_rad;
    }
}

struct nw_frame_air nw_frame_air_of(const struct nw_frame *frame) {
    const struct nw_frame_facts *const f = &frame->facts;
    const struct nw_frame_axes axes = nw_frame_axes_of(frame);
    struct nw_frame_air a = {.zenith_rad = NAN,
                             .scale_rad_px = scale_of(frame, &axes),
                             .up_rad = NAN,
                             .east_rad = axes.east_rad,
                             .north_rad = axes.north_rad,
                             .band_m = {NAN, NAN}};
    a.air = (struct nw_air_state){
        .pressure_Pa = nw_sky_standard_pressure_Pa(isfinite(f->elevation_m) ? f->elevation_m : 0.0),
        .temperature_K = 283.15,
        .relative_humidity = 0.5};
    double parallactic = NAN;
    point(f, &a, &parallactic);
    if (isfinite(f->airmass) && f->airmass >= 1.0) {
        a.zenith_rad = 0.5 * NW_PI - nw_sky_altitude_of_airmass(f->airmass);
    } else if (f->altitude_rad > 0.0) {
        a.zenith_rad = 0.5 * NW_PI - f->altitude_rad;
    }
    /* position angle q from north through east: that way on the frame */
    a.up_rad = atan2(cos(parallactic) * sin(a.north_rad) + sin(parallactic) * sin(a.east_rad),
                     cos(parallactic) * cos(a.north_rad) + sin(parallactic) * cos(a.east_rad));
    double centre = NAN;
    double width = NAN;
    if (f->filter[0] != '\0' && nw_rig_passband_of_name(f->filter, &centre, &width)) {
        a.band_m[0] = centre - 0.5 * width;
        a.band_m[1] = centre + 0.5 * width;
    }
    return a;
}

double nw_colour_wavelength_m(enum nw_channel channel) {
    return channel == NW_CHANNEL_R   ? 610e-9
           : channel == NW_CHANNEL_G ? 535e-9
           : channel == NW_CHANNEL_B ? 465e-9
                                     : (double)NAN;
}

struct nw_dispersion nw_dispersion_between(const struct nw_frame_air *air, double a_m, double b_m) {
    static const double WAVELENGTH_SIGMA_M = 15e-9, PRESSURE_SIGMA = 0.03;
    struct nw_dispersion r = {NAN, NAN};
    if (!isfinite(air->zenith_rad) || !isfinite(air->scale_rad_px) || !isfinite(a_m + b_m)) {
        return r;
    }
    const double scale = air->scale_rad_px;
    r.px = nw_sky_dispersion_rad(air->zenith_rad, a_m, b_m, &air->air) / scale;
    const double by_a =
        nw_sky_dispersion_rad(air->zenith_rad, a_m + WAVELENGTH_SIGMA_M, a_m, &air->air) / scale;
    const double by_b =
        nw_sky_dispersion_rad(air->zenith_rad, b_m + WAVELENGTH_SIGMA_M, b_m, &air->air) / scale;
    r.sigma_px = sqrt(by_a * by_a + by_b * by_b + pow(PRESSURE_SIGMA * r.px, 2.0));
    return r;
}

double nw_dispersion_variance_px2(const struct nw_frame_air *air, double from_m, double to_m) {
    enum { N = 24 };
    if (!isfinite(air->zenith_rad) || !isfinite(air->scale_rad_px) || !(to_m > from_m)) {
        return NAN;
    }
    double sum = 0.0;
    double square = 0.0;
    for (int i = 0; i < N; i++) {
        const double wavelength = from_m + (to_m - from_m) * ((i + 0.5) / N);
        const double at =
            nw_sky_dispersion_rad(air->zenith_rad, wavelength, 0.5 * (from_m + to_m), &air->air) /
            air->scale_rad_px;
        sum += at / N;
        square += at * at / N;
    }
    return fmax(square - sum * sum, 0.0);
}
