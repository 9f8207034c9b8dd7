/* rates.c - electrons per second of everything that fills a pixel; see light.h.
 * Idea: rate = photons of V 0 x 10^(-0.4 m) x area x width x transmissions x efficiency (REFERENCES
 * PHO-05, PHO-06). Holds: the sky is as seen from the ground, the target above the air. */
#include <math.h>

#include "light/light.h"
#include "sky/sky.h"
#include "sky/spectrum.h"

static double or_else(const struct nw_val *value, double fallback) {
    return isfinite(value->v) ? value->v : fallback;
}

size_t nw_light_bands(const struct nw_setup *setup, const struct nw_filter *filter,
                      struct nw_light_band ret[static NW_LIGHT_BANDS]) {
    static const struct {
        const char *name;
        double from_m, to_m, share;
    } COLOURS[NW_LIGHT_BANDS] = {
        {"R", 590e-9, 690e-9, 0.25}, {"G", 480e-9, 580e-9, 0.5}, {"B", 400e-9, 500e-9, 0.25}};
    const bool has_filter = filter && isfinite(filter->width_m.v);
    const double centre = has_filter && isfinite(filter->centre_m.v) ? filter->centre_m.v : 550e-9;
    const double width = has_filter ? filter->width_m.v : 300e-9; /* the eye's whole range */
    const double through = filter ? or_else(&filter->transmission, 1.0) : 1.0;
    const bool is_mono = strlen(setup->camera.pattern) != 4 || setup->camera.pattern[0] == 'm';
    if (is_mono) {
        ret[0] = (struct nw_light_band){
            .centre_m = centre, .width_m = width, .transmission = through, .pixel_share = 1.0};
        return 1;
    }
    size_t n = 0;
    for (size_t i = 0; i < NW_LIGHT_BANDS; i++) {
        const double from = fmax(COLOURS[i].from_m, centre - 0.5 * width);
        const double to = fmin(COLOURS[i].to_m, centre + 0.5 * width);
        if (to > from) {
            ret[n] = (struct nw_light_band){.centre_m = 0.5 * (from + to),
                                            .width_m = to - from,
                                            .transmission = through,
                                            .pixel_share = COLOURS[i].share};
            nw_text_copy(ret[n++].name, sizeof ret[0].name, COLOURS[i].name);
        }
    }
    return n;
}

struct nw_light_band nw_light_main_band(const struct nw_setup *setup,
                                        const struct nw_filter *filter) {
    struct nw_light_band bands[NW_LIGHT_BANDS];
    struct nw_light_band best = {.centre_m = 550e-9, .pixel_share = 1.0};
    const size_t n = nw_light_bands(setup, filter, bands);
    for (size_t i = 0; i < n; i++) {
        if (bands[i].width_m * bands[i].pixel_share > best.width_m * best.pixel_share) {
            best = bands[i];
        }
    }
    return best;
}

double nw_light_field_deg2(const struct nw_setup *setup) {
    const double side_deg = nw_setup_scale_rad(setup) * NW_DEG_PER_RAD;
    const double binning = fmax(1.0, or_else(&setup->binning, 1.0));
    return (double)setup->camera.width_px * (double)setup->camera.height_px * side_deg * side_deg /
           (binning * binning);
}

/* Light-gathering area times everything that the light passes. */
static double grasp_m2(const struct nw_setup *s, const struct nw_light_band *band) {
    const double d = s->telescope.aperture_m.v;
    const double eps = or_else(&s->telescope.obstruction, 0.0);
    return 0.25 * NW_PI * d * d * (1.0 - eps * eps) * band->transmission *
           or_else(&s->telescope.transmission, 0.9) * or_else(&s->camera.quantum_efficiency, 0.75);
}

double nw_light_e_s_of_mag(const struct nw_setup *setup, const struct nw_light_band *band,
                           double magnitude) {
    return NW_SKY_PHOTONS_V0_s_m2_m * pow(10.0, -0.4 * magnitude) * band->width_m *
           grasp_m2(setup, band);
}

enum nw_status nw_light_star(const struct nw_rig *rig, const struct nw_setup *setup, double airmass,
                             struct nw_psf *ret, struct nw_err *err) {
    const double wavelength =
        isfinite(setup->filter.centre_m.v) ? setup->filter.centre_m.v : 550e-9;
    const double outer = or_else(&rig->site.outer_scale_m, INFINITY);
    const double r0_500 = nw_sky_r0_of_seeing_m(rig->site.seeing_rad.v, 500e-9, outer);
    /* r0 ~ lambda^1.2 X^-0.6 (Fried 1966; Roddier 1981) */
    const double r0 = r0_500 * pow(wavelength / 500e-9, 1.2) * pow(airmass, -0.6);
    const struct nw_otf parts[] = {{.kind = NW_OTF_SEEING, .p = {r0, wavelength, outer}},
                                   {.kind = NW_OTF_PUPIL,
                                    .p = {setup->telescope.aperture_m.v, wavelength,
                                          or_else(&setup->telescope.obstruction, 0.0)}},
                                   {.kind = NW_OTF_BOX, .p = {nw_setup_scale_rad(setup)}}};
    return nw_psf_compose(parts, sizeof parts / sizeof parts[0], ret, err);
}

struct nw_light_case nw_light_case_usual(const struct nw_rig *rig, const struct nw_setup *setup,
                                         const struct nw_filter *filter) {
    const struct nw_site *const site = &rig->site;
    const double airmass = or_else(&setup->airmass, 1.3);
    const double z = 0.5 * NW_PI - nw_sky_altitude_of_airmass(fmax(1.0, airmass));
    return (struct nw_light_case){
        .rig = rig,
        .setup = setup,
        .filter = filter,
        .glow = {nw_sky_dark_nl(site->sky_brightness_mag_arcsec2.v, site->extinction_mag.v, z), 0.0,
                 0.0},
        .airmass = airmass,
        .surface_mag_arcsec2 = NAN,
        .rayleigh = NAN,
        .magnitude = NAN,
        .neq_area_rad2 = NAN,
        .peak_per_rad2 = NAN};
}

struct nw_sky_passband nw_light_passband(const struct nw_light_case *what,
                                         const struct nw_light_band *band) {
    const struct nw_site *const site = &what->rig->site;
    return (struct nw_sky_passband){.centre_m = band->centre_m,
                                    .width_m = band->width_m,
                                    .extinction_v_mag = or_else(&site->extinction_mag, 0.0),
                                    .elevation_m = or_else(&site->elevation_m, 0.0),
                                    .airmass = what->airmass};
}

struct nw_light_rates nw_light_rates_of(const struct nw_light_case *what,
                                        const struct nw_light_band *band) {
    const struct nw_setup *const s = what->setup;
    const struct nw_camera *const c = &s->camera;
    const double scale_rad = nw_setup_scale_rad(s);
    const double pixel_arcsec2 = pow(scale_rad * NW_ARCSEC_PER_RAD, 2.0);
    const double e_s = nw_light_e_s_of_mag(s, band, 0.0);
    const double in_pixel = e_s * pixel_arcsec2;
    const struct nw_sky_passband passband = nw_light_passband(what, band);
    const double air = nw_sky_air_share(&passband);
    /* colours of the sky are those of its zenith: how much of it is lamps */
    const double zenith_nl =
        nw_sky_nl_of_mag(or_else(&what->rig->site.sky_brightness_mag_arcsec2, 21.6));
    const double pixels = pow(fmax(1.0, or_else(&s->binning, 1.0)), 2.0);
    const double step2 = pow(or_else(&c->gain_e_per_adu, 0.0), 2.0) / 12.0; /* PHO-23 */
    const double read2 = pow(or_else(&c->read_noise_e, 0.0), 2.0);
    struct nw_light_rates r = {.pixel_arcsec2 = pixel_arcsec2,
                               .pixel_share = band->pixel_share,
                               .air_share = air,
                               .dark_factor = nw_sky_dark_factor(&passband, zenith_nl),
                               .moon_factor = nw_sky_moon_factor(&passband),
                               .twilight_factor = nw_sky_twilight_factor(&passband)};
    if (isfinite(what->surface_mag_arcsec2)) {
        r.surface_e_s += in_pixel * air * pow(10.0, -0.4 * what->surface_mag_arcsec2);
    }
    if (isfinite(what->rayleigh)) {
        r.surface_e_s += what->rayleigh * NW_SKY_PHOTONS_RAYLEIGH_s_m2_arcsec2 * grasp_m2(s, band) *
                         pixel_arcsec2 * air;
    }
    r.star_e_s = isfinite(what->magnitude) ? e_s * air * pow(10.0, -0.4 * what->magnitude) : 0.0;
    /* per nanolambert: brightness of the formulas is linear in it */
    const double per_nl = in_pixel * pow(10.0, -0.4 * nw_sky_mag_of_nl(1.0));
    r.dark_sky_e_s = per_nl * what->glow.dark_nl * r.dark_factor;
    r.moon_e_s = per_nl * what->glow.moon_nl * r.moon_factor;
    r.twilight_e_s = per_nl * what->glow.twilight_nl * r.twilight_factor;
    r.dark_e_s = or_else(&c->dark_e_per_s, 0.0) * pixels;
    r.rounding_e2 = fmin(step2, read2) * pixels;
    r.read_e2 = fmax(0.0, read2 - step2) * pixels;
    r.full_scale_e = or_else(&c->full_scale_e, INFINITY) * pixels;
    double neq = what->neq_area_rad2;
    double peak = what->peak_per_rad2;
    struct nw_psf star;
    if (!(isfinite(neq) && isfinite(peak)) &&
        nw_light_star(what->rig, s, fmax(1.0, what->airmass), &star, NULL) == NW_OK) {
        neq = star.neq_area_rad2;
        peak = star.peak_per_rad2;
    }
    r.neq_px = neq / (scale_rad * scale_rad);
    r.peak_share = fmin(1.0, peak * scale_rad * scale_rad);
    return r;
}
