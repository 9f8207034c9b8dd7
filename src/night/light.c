/* light.c - what a minute is worth in one filter: the one place where the plan asks for light.
 * Idea: the light budget (light) at the minute's sky, in the colour of pixels that gets most of it,
 * and from it a sub that loses no more time to read noise than wished and that overheads, sky and
 * stars allow. */
#include <math.h>

#include "light/light.h"
#include "night/night_internal.h"
#include "sky/sky.h"

static struct nw_light_case case_of(const struct nw_night_input *in, const struct nw_filter *filter,
                                    double sky_nl) {
    return (struct nw_light_case){.rig = in->rig,
                                  .setup = in->setup,
                                  .filter = filter,
                                  .glow = {sky_nl, 0.0, 0.0},
                                  .airmass = 1.0,
                                  .surface_mag_arcsec2 = NAN,
                                  .rayleigh = NAN,
                                  .magnitude = NAN,
                                  /* 0: no star is composed where none is asked for */
                                  .neq_area_rad2 = in->star.neq_area_rad2,
                                  .peak_per_rad2 = in->star.peak_per_rad2};
}

static struct nw_light_wishes wishes_of(const struct nw_night_input *in) {
    const struct nw_night_habits *const h = &in->targets->habits;
    const double e = 1.0 + h->read_noise_share;
    struct nw_light_wishes w = nw_light_wishes_usual();
    w.read_loss = 1.0 - 1.0 / (e * e); /* of noise, told in time */
    w.saturated_most = isfinite(h->saturated_most) ? h->saturated_most : INFINITY;
    w.longest_s =
        isfinite(h->longest_sub_s) ? h->longest_sub_s : fmax(in->setup->sub_length_s.v, 1.0);
    w.between_s = h->readout_s + h->dither_s / h->dither_every;
    return w;
}

struct nw_night_light nw_night_light_of(const struct nw_night_input *in,
                                        const struct nw_filter *filter,
                                        const struct nw_target *target, double sky_nl) {
    const struct nw_setup *const s = in->setup;
    const struct nw_light_case what = case_of(in, filter, sky_nl);
    const struct nw_light_band band = nw_light_main_band(s, filter);
    const struct nw_light_rates r = nw_light_rates_of(&what, &band);
    const struct nw_light_wishes w = wishes_of(in);
    const bool has_stars = target && isfinite(w.saturated_most) && in->star.peak_per_rad2 > 0.0;
    struct nw_light_field field = {0};
    if (has_stars) {
        field.galactic_latitude_rad = nw_sky_galactic_latitude_rad(target->ra_rad, target->dec_rad);
        field.area_deg2 = nw_light_field_deg2(s);
    }
    const struct nw_light_subs subs = nw_light_subs_of(
        &r, has_stars ? nw_light_e_s_of_mag(s, &band, 0.0) : NAN, has_stars ? &field : NULL, &w);
    const struct nw_light_sub *const best = &subs.curve[subs.best];
    return (struct nw_night_light){.sky_e_s_px = r.dark_sky_e_s,
                                   .sub_s = best->sub_s,
                                   .read_loss = best->read_loss,
                                   .noise_e2_s_px = nw_light_background_e2_s(&r, best->sub_s)};
}

double nw_night_exposure_s(const struct nw_night_input *in, const struct nw_filter *filter,
                           double brightness_mag_arcsec2, double snr) {
    const double dark_nl = nw_sky_nl_of_mag(in->rig->site.sky_brightness_mag_arcsec2.v);
    struct nw_light_case what = case_of(in, filter, dark_nl);
    what.surface_mag_arcsec2 = brightness_mag_arcsec2;
    const struct nw_light_band band = nw_light_main_band(in->setup, filter);
    const struct nw_light_rates r = nw_light_rates_of(&what, &band);
    const double sub_s = nw_night_light_of(in, filter, NULL, dark_nl).sub_s;
    return nw_light_time_surface_s(&r, sub_s, snr, 1.0);
}

const struct nw_filter *night_filter(const struct nw_setup *setup, const char *name) {
    for (size_t i = 0; i < setup->n_filters; i++) {
        if (strcmp(setup->filters[i].name, name) == 0) {
            return &setup->filters[i];
        }
    }
    return &setup->filter;
}
