/* light.c - what a minute is worth in one filter: the one place where the plan asks for light.
 * Idea: the sky's photons per pixel from its V surface brightness (flat in photons per nanometre),
 * and from them a sub in which read noise adds no more than its share and overheads do not eat
 * the night.
 * Source: photons of V = 0: Bessell, Castelli & Plez 1998, A&A 333, 231 (REFERENCES PHO-02v1);
 * sub length t = R^2 / ((2 e + e^2) B) (REFERENCES PHO-10). */
#include <math.h>

#include "night/night_internal.h"

#define PHOTONS_V0_s_m2_nm 9.955e7 /* 995.5 per s cm2 Angstrom; REFERENCES PHO-02v1 */

static double rate_e_s_px(const struct nw_setup *s, const struct nw_filter *f, double mag_arcsec2) {
    const double scale = nw_setup_scale_rad(s) * NW_ARCSEC_PER_RAD;
    const double d = s->telescope.aperture_m.v;
    const double eps = s->telescope.obstruction.v;
    const double area_m2 = 0.25 * NW_PI * d * d * (1.0 - eps * eps);
    return PHOTONS_V0_s_m2_nm * pow(10.0, -0.4 * mag_arcsec2) * area_m2 * f->width_m.v * 1e9 *
           f->transmission.v * s->telescope.transmission.v * s->camera.quantum_efficiency.v *
           scale * scale;
}

/* Of the lengths that people keep darks for, the shortest that is not under the least one and
 * brings within 3 % of what the best brings: exposed share of the time, t/(t + overhead), times
 * what read noise leaves, B/(B + R^2/t). */
static double best_sub(double floor_e_s, double read2, double overhead_s, const double limit_s[2]) {
    static const double LENGTHS[] = {1,  2,   5,   10,  15,  20,  30,  45,  60,
                                     90, 120, 180, 240, 300, 420, 600, 900, 1200};
    enum { N = sizeof LENGTHS / sizeof LENGTHS[0] };
    double share[N];
    double best = 0.0;
    for (size_t i = 0; i < N; i++) {
        const double t = LENGTHS[i];
        share[i] =
            t > limit_s[1] ? 0.0 : t / (t + overhead_s) * floor_e_s / (floor_e_s + read2 / t);
        best = fmax(best, share[i]);
    }
    double longest = fmin(limit_s[1], LENGTHS[0]);
    for (size_t i = 0; i < N && LENGTHS[i] <= limit_s[1]; i++) {
        longest = LENGTHS[i];
        if (LENGTHS[i] >= limit_s[0] && share[i] >= 0.97 * best) {
            return LENGTHS[i];
        }
    }
    return longest;
}

struct nw_night_light nw_night_light_of(const struct nw_night_input *in,
                                        const struct nw_filter *filter, double sky_nl) {
    const struct nw_setup *const s = in->setup;
    const struct nw_night_habits *const h = &in->targets->habits;
    const double e = h->read_noise_share;
    const double read2 = s->camera.read_noise_e.v * s->camera.read_noise_e.v;
    struct nw_night_light out;
    out.sky_e_s_px = rate_e_s_px(s, filter, nw_sky_mag_of_nl(sky_nl));
    const double floor_e_s = out.sky_e_s_px + s->camera.dark_e_per_s.v;
    const double longest =
        isfinite(h->longest_sub_s) ? h->longest_sub_s : fmax(s->sub_length_s.v, 1.0);
    /* the sky stays under a tenth of full scale: room for stars (common practice, no source) */
    const double room_s = fmax(1.0, 0.1 * s->camera.full_scale_e.v / floor_e_s);
    const double limits_s[2] = {read2 / ((2.0 * e + e * e) * floor_e_s), fmin(longest, room_s)};
    out.sub_s = best_sub(floor_e_s, read2, h->readout_s + h->dither_s / h->dither_every, limits_s);
    out.noise_e2_s_px = floor_e_s + read2 / out.sub_s;
    out.read_loss = 1.0 - floor_e_s / out.noise_e2_s_px;
    return out;
}

double nw_night_exposure_s(const struct nw_night_input *in, const struct nw_filter *filter,
                           double brightness_mag_arcsec2, double snr) {
    const double scale = nw_setup_scale_rad(in->setup) * NW_ARCSEC_PER_RAD;
    const double dark_nl = nw_sky_nl_of_mag(in->rig->site.sky_brightness_mag_arcsec2.v);
    const double source = rate_e_s_px(in->setup, filter, brightness_mag_arcsec2) *
                          pow(10.0, -0.4 * in->rig->site.extinction_mag.v);
    const double noise = nw_night_light_of(in, filter, dark_nl).noise_e2_s_px;
    /* CCD equation per pixel (Merline & Howell 1995), 1/scale^2 pixels in an arcsec2 */
    return snr * snr * scale * scale * (source + noise) / (source * source);
}

const struct nw_filter *night_filter(const struct nw_setup *setup, const char *name) {
    for (size_t i = 0; i < setup->n_filters; i++) {
        if (strcmp(setup->filters[i].name, name) == 0) {
            return &setup->filters[i];
        }
    }
    return &setup->filter;
}
