/* ledger_light_seen.c - a light budget beside the subs of a night; see ledger_seen.h.
 * Idea: electrons of the sky make the variance that they are themselves, so that a pixel's level
 * says how much of its noise is theirs; what is left is the camera. Each sub is set beside what is
 * foretold for its own minute; of many subs the median counts. */
#include <math.h>

#include "budget/ledger_seen.h"
#include "light/light.h"

/* One sub, seen and foretold. */
struct pair {
    double share_sky, share_left; /* of the noise's variance */
    double sky_mag, sky_told_mag; /* V mag/arcsec2 at the target */
    double noise_e, noise_of_level_e, noise_told_e;
    double point_e_s, point_told_e_s; /* at 5 sigma */
    double hour_mag;                  /* reached in an hour of such subs */
};

struct desk {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_light_band band;
    struct nw_light_wants wants;
    struct nw_psf star; /* at its best, at airmass 1 */
    struct pair *pairs;
    double *work; /* one a pair */
    size_t n;
    bool has_minutes; /* the Moon and altitude of each sub are known */
};

/* The sky of the sub's own minute; without a place or a time that of a moonless night at its
 * airmass. */
static struct nw_sky_glow glow_of(struct desk *d, const struct nw_seen_sub *s, double airmass) {
    const struct nw_site *const site = &d->rig->site;
    const struct nw_observer o = nw_sky_observer_of(d->rig);
    struct nw_sky_moment m;
    const bool has_place = isfinite(s->ra_rad + s->dec_rad + s->t_start_utc_s);
    if (has_place &&
        nw_sky_moment_at(&o, s->t_start_utc_s + 0.5 * s->exposure_s, &m, NULL) == NW_OK) {
        double place[3];
        double seen[3];
        nw_sky_vector(s->ra_rad, s->dec_rad, place);
        nw_sky_aberrate(place, m.velocity_c, seen);
        d->has_minutes = true;
        return nw_sky_glow_at(&m, seen, site->sky_brightness_mag_arcsec2.v, site->extinction_mag.v);
    }
    const double z = 0.5 * NW_PI - nw_sky_altitude_of_airmass(fmax(1.0, airmass));
    return (struct nw_sky_glow){
        nw_sky_dark_nl(site->sky_brightness_mag_arcsec2.v, site->extinction_mag.v, z), 0.0, 0.0};
}

/* Electrons per second at 5 sigma against a background variance per second and pixel. */
static double point_limit_e_s(double background_e2_s, double neq_px, double t_s) {
    /* S t = 5 sqrt(S t + n B t): quadratic in S */
    const double n2 = 25.0;
    return (n2 + sqrt(n2 * n2 + 4.0 * n2 * neq_px * background_e2_s * t_s)) / (2.0 * t_s);
}

static bool fill(struct desk *d, const struct nw_seen_sub *s, struct pair *p) {
    const struct nw_camera *const c = &d->setup->camera;
    const double gain = isfinite(s->gain_e_per_adu) ? s->gain_e_per_adu : c->gain_e_per_adu.v;
    const double level_e = (s->background_adu - c->offset_adu.v) * gain;
    const double airmass = isfinite(s->airmass) ? s->airmass : d->setup->airmass.v;
    struct nw_light_case what = {.rig = d->rig,
                                 .setup = d->setup,
                                 .filter = &d->setup->filter,
                                 .airmass = airmass,
                                 .surface_mag_arcsec2 = NAN,
                                 .rayleigh = NAN,
                                 .magnitude = NAN,
                                 .neq_area_rad2 = d->star.neq_area_rad2 * pow(airmass, 1.2),
                                 .peak_per_rad2 = d->star.peak_per_rad2};
    if (!(level_e > 0.0) || !(s->noise_adu > 0.0) || !(s->exposure_s > 0.0)) {
        return false;
    }
    what.glow = glow_of(d, s, airmass);
    const struct nw_light_rates r = nw_light_rates_of(&what, &d->band);
    const double t = s->exposure_s;
    const double told_e_s = r.dark_sky_e_s + r.moon_e_s + r.twilight_e_s;
    const double told_mag =
        nw_sky_mag_of_nl(what.glow.dark_nl + what.glow.moon_nl + what.glow.twilight_nl);
    const double sky_e_s = level_e / t - r.dark_e_s;
    const double read_e2 = r.read_e2 + r.rounding_e2;
    p->noise_e = s->noise_adu * gain;
    p->share_sky = sky_e_s * t / (p->noise_e * p->noise_e);
    p->share_left = 1.0 - level_e / (p->noise_e * p->noise_e);
    p->sky_told_mag = told_mag;
    p->sky_mag = told_mag - 2.5 * log10(fmax(1e-9, sky_e_s) / told_e_s);
    p->noise_of_level_e = sqrt(level_e + read_e2);
    p->noise_told_e = sqrt((told_e_s + r.dark_e_s) * t + read_e2);
    /* a grid of a colour has a quarter of the pixels: so much less of the star's light */
    const double grid = s->channel == NW_CHANNEL_MONO ? 1.0 : 4.0;
    p->point_e_s = s->limit_adu_s * gain * grid;
    p->point_told_e_s =
        grid * point_limit_e_s(told_e_s + r.dark_e_s + read_e2 / t, r.neq_px / grid, t);
    /* 3 sigma in 10 x 10 arcsec: noise of its pixels, over an hour */
    const double side2 = d->wants.limit_side_arcsec * d->wants.limit_side_arcsec;
    const double n_px = side2 / r.pixel_arcsec2 * d->band.pixel_share;
    const double rate =
        d->wants.limit_sigma * p->noise_e / t / sqrt(n_px * d->wants.exposure_s / t);
    const double of_mag0 =
        nw_light_e_s_of_mag(d->setup, &d->band, 0.0) * r.pixel_arcsec2 * r.air_share;
    p->hour_mag = -2.5 * log10(rate / of_mag0);
    return true;
}

static double median_of(const struct desk *d, size_t offset, double *ret_sigma) {
    double *const v = d->work;
    size_t n = 0;
    for (size_t i = 0; i < d->n; i++) {
        double one = NAN;
        memcpy(&one, (const char *)&d->pairs[i] + offset, sizeof one);
        if (isfinite(one)) {
            v[n++] = one;
        }
    }
    double middle = NAN;
    const double scatter = n ? nw_stat_mad_sigma(v, n, &middle) : NAN;
    *ret_sigma = n ? 1.2533 * scatter / sqrt((double)n) : NAN; /* of a median */
    return middle;
}
#define MEDIAN(field, ret_sigma) median_of(d, offsetof(struct pair, field), (ret_sigma))

static void set(struct nw_ledger_line *line, double measured, double sigma) {
    if (line && isfinite(measured)) {
        line->measured = measured;
        line->measured_sigma = sigma;
        line->why_null[0] = '\0';
    }
}

static struct nw_ledger_line *beside(struct desk *d, struct nw_ledger *l, const char *id,
                                     const char *label, const char *unit) {
    struct nw_ledger_line *const line = nw_ledger_add(l, id, label);
    line->is_summed = false;
    line->unit = unit;
    line->basis = "docs/light.md";
    line->provenance = d->rig->site.sky_brightness_mag_arcsec2.from;
    return line;
}

static void put_shares(struct desk *d, struct nw_ledger *l) {
    const struct nw_camera *const c = &d->setup->camera;
    double scatter = NAN;
    const double gain = nw_val_share(&c->gain_e_per_adu);
    double none = NAN;
    const double noise_e = MEDIAN(noise_e, &none);
    /* an offset whose error is not stated: a hundredth (common practice, no source) */
    const double offset_sigma_adu =
        isfinite(c->offset_adu.sigma) ? c->offset_adu.sigma : 0.01 * fabs(c->offset_adu.v);
    const double offset_e = offset_sigma_adu * c->gain_e_per_adu.v;
    /* electrons over variance go as 1/gain; the offset moves the level as it is */
    const double of_offset = offset_e / (noise_e * noise_e);
    const double sky = MEDIAN(share_sky, &scatter);
    set(nw_ledger_find(l, "sky"), 100.0 * sky,
        100.0 * hypot(hypot(scatter, gain * sky), of_offset));
    const double left = MEDIAN(share_left, &scatter);
    struct nw_ledger_line *const read = nw_ledger_find(l, "read_noise");
    set(read, 100.0 * left, 100.0 * hypot(hypot(scatter, gain * (1.0 - left)), of_offset));
    if (read) {
        nw_text_copy(read->detail, sizeof read->detail,
                     "measured: what the level does not explain: read noise, rounding, pattern");
    }
    static const char *const OTHERS[] = {"dark", "quantisation"};
    for (size_t i = 0; i < 2; i++) {
        struct nw_ledger_line *const line = nw_ledger_find(l, OTHERS[i]);
        if (line) {
            nw_text_copy(line->why_null, sizeof line->why_null,
                         i ? "a sub cannot tell it from read noise: `sensor` does"
                           : "a sub cannot tell it from the sky: darks and `sensor` do");
        }
    }
}

static void put_levels(struct desk *d, struct nw_ledger *l) {
    const struct nw_camera *const c = &d->setup->camera;
    double scatter = NAN;
    double told_scatter = NAN;
    const double through = hypot(
        hypot(nw_val_share(&c->quantum_efficiency),
              nw_val_share(&d->setup->telescope.transmission)),
        hypot(nw_val_share(&d->setup->filter.transmission), nw_val_share(&c->gain_e_per_adu)));
    struct nw_ledger_line *line =
        beside(d, l, "sky_brightness", "sky at the target", "mag/arcsec2");
    line->predicted = MEDIAN(sky_told_mag, &told_scatter);
    const double sky_sigma = d->rig->site.sky_brightness_mag_arcsec2.sigma;
    line->predicted_sigma = sky_sigma;
    const bool is_seen = MEDIAN(share_sky, &scatter) > 0.0;
    const double sky = MEDIAN(sky_mag, &scatter);
    if (is_seen) {
        set(line, sky, hypot(scatter, 1.0857 * through));
    } else {
        nw_text_copy(line->why_null, sizeof line->why_null,
                     "no more light than the rig's dark current makes");
    }
    nw_text_copy(line->detail, sizeof line->detail,
                 d->has_minutes ? "foretold for the subs' own minutes: altitude, Moon, twilight"
                                : "foretold without Moon: headers say no place or time");
    line = beside(d, l, "noise_of_level", "noise, by its level", "e");
    line->predicted = MEDIAN(noise_of_level_e, &told_scatter);
    line->predicted_sigma = 0.5 * nw_val_share(&c->gain_e_per_adu) * line->predicted;
    const double noise = MEDIAN(noise_e, &scatter);
    set(line, noise, hypot(scatter, nw_val_share(&c->gain_e_per_adu) * noise));
}

/* Signal over noise reached, of what was foretold; for one and the same light. */
static void put_reached(struct desk *d, struct nw_ledger *l) {
    double scatter = NAN;
    double none = NAN;
    const double gain = nw_val_share(&d->setup->camera.gain_e_per_adu);
    const double sky_sigma = d->rig->site.sky_brightness_mag_arcsec2.sigma;
    const double told = MEDIAN(noise_told_e, &none);
    const double seen = MEDIAN(noise_e, &scatter);
    /* the sky's own error, as far as it makes the noise */
    const double of_sky = isfinite(sky_sigma) ? 0.5 * sky_sigma / 1.0857 : 0.0;
    struct nw_ledger_line *line =
        beside(d, l, "snr_extended", "SNR, extended light", "of the foretold");
    line->predicted = 1.0;
    line->predicted_sigma = of_sky;
    set(line, told / seen, told / seen * hypot(scatter / seen, gain));
    line = beside(d, l, "snr_point", "SNR, faint stars", "of the foretold");
    line->predicted = 1.0;
    line->predicted_sigma = of_sky;
    const double point_told = MEDIAN(point_told_e_s, &none);
    const double point = MEDIAN(point_e_s, &scatter);
    set(line, point_told / point, point_told / point * hypot(scatter / point, gain));
    nw_text_copy(line->detail, sizeof line->detail,
                 "foretold with the star of air, aperture and pixel alone: what focus, tilt and "
                 "tracking add shows here");
    if (!isfinite(line->measured)) {
        nw_text_copy(line->why_null, sizeof line->why_null, "no sub has a faintest star");
    }
    char id[72];
    const char *const name = d->setup->filter.name;
    (void)snprintf(id, sizeof id, "limit_%.40s", name);
    set(nw_ledger_find(l, id), MEDIAN(hour_mag, &scatter), hypot(scatter, 1.0857 * gain));
}

static bool has_band(struct desk *d, enum nw_channel channel) {
    struct nw_light_band bands[NW_LIGHT_BANDS];
    const size_t n = nw_light_bands(d->setup, &d->setup->filter, bands);
    for (size_t i = 0; i < n; i++) {
        if (channel == NW_CHANNEL_MONO || strcmp(bands[i].name, nw_channel_name(channel)) == 0) {
            d->band = bands[i];
            return true;
        }
    }
    return false;
}

static void why_none(struct nw_ledger *l, const char *why) {
    nw_text_copy(l->why_null, sizeof l->why_null, why);
    for (size_t i = 0; i < l->n_lines; i++) {
        if (l->lines[i].is_summed) {
            nw_text_copy(l->lines[i].why_null, sizeof l->lines[i].why_null, why);
        }
    }
}

void nw_ledger_light_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                              const struct nw_setup *setup, const struct nw_seen_sub *subs,
                              size_t n) {
    struct desk desk = {.rig = rig, .setup = setup, .wants = nw_light_wants_usual(setup)};
    struct desk *const d = &desk;
    size_t n_asked = 0;
    size_t n_interpolated = 0;
    d->pairs = nw_calloc(n + 1, sizeof *d->pairs);
    d->work = nw_calloc(n + 1, sizeof *d->work);
    if (!d->pairs || !d->work || nw_light_star(rig, setup, 1.0, &d->star, NULL) != NW_OK) {
        free(d->pairs);
        free(d->work);
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_seen_sub *const s = &subs[i];
        if (!s->is_of_filter || !isfinite(s->background_adu)) {
            continue;
        }
        n_asked++;
        n_interpolated += s->is_interpolated;
        if (!s->is_interpolated && !s->is_spoiled && has_band(d, s->channel) &&
            fill(d, s, &d->pairs[d->n])) {
            d->n++;
        }
    }
    if (d->n > 0) {
        put_shares(d, ledger);
        put_levels(d, ledger);
        put_reached(d, ledger);
        nw_text_copy(ledger->why_null, sizeof ledger->why_null,
                     "shares: those of the sky and of the camera stand in their lines");
    } else if (n_asked > 0) {
        why_none(ledger,
                 n_interpolated == n_asked
                     ? "colours were filled in: noise of a pixel says little; give raw subs"
                     : "no sub has a level above the rig's offset in a colour that the filter "
                       "lets through");
    }
    free(d->pairs);
    free(d->work);
}
