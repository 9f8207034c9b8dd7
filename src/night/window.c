/* window.c - what stands against each slot of a target, and what the slot is worth.
 * Idea: bars in the order of nw_night_bar; worth = (transmission against the zenith)^2 times noise
 * under the dark sky over noise of that minute: both are how fast the square of the SNR grows. */
#include <math.h>

#include "night/night_internal.h"

#define NARROW_m 15e-9

const char *nw_night_bar_text(enum nw_night_bar bar) {
    static const char *const TEXTS[] = {"nothing",
                                        "twilight",
                                        "too low",
                                        "behind the horizon given",
                                        "walls in the tube's view",
                                        "the Moon",
                                        "a bright planet in or beside the field",
                                        "contact limits of the mount"};
    return TEXTS[bar];
}

double night_clear(const struct nw_forecast *f, double t_s) {
    if (!f || f->n == 0) {
        return 1.0;
    }
    size_t i = 0;
    while (i < f->n && f->t_utc_s[i] <= t_s) {
        i++;
    }
    if (i == 0 || i == f->n) {
        return f->clear[i == 0 ? 0 : f->n - 1];
    }
    const double part = (t_s - f->t_utc_s[i - 1]) / (f->t_utc_s[i] - f->t_utc_s[i - 1]);
    return f->clear[i - 1] + part * (f->clear[i] - f->clear[i - 1]);
}

static bool is_within(const struct nw_reach *r, double ha_rad) {
    for (int turn = -1; turn <= 1; turn++) {
        const double ha = ha_rad + 2.0 * NW_PI * turn;
        if (r->is_reachable &&
            (r->min_end == NW_END_TURN || (ha >= r->ha_min_rad && ha <= r->ha_max_rad))) {
            return true;
        }
    }
    return false;
}

/* The Moon's rule, and 10 deg at the least: nearer the formulas do not hold. */
static bool is_moon_barred(const struct nw_target *t, const struct nw_sky_moment *m,
                           const double seen[static 3]) {
    return m->moon_altitude_rad > t->moon_altitude_rad &&
           (m->moon_lit > t->moon_lit ||
            nw_sky_angle_rad(seen, m->moon) < fmax(t->moon_separation_rad, 10.0 * NW_RAD_PER_DEG));
}

/* Venus to Saturn within the field, a degree of margin: their halo and ghosts spoil it. */
static bool is_planet_near(const struct nw_night_input *in, const struct nw_target *t,
                           const struct nw_plan *plan, const double seen[static 3]) {
    const struct nw_setup *const u = in->setup;
    const double half_rad = 0.5 * hypot((double)u->camera.width_px, (double)u->camera.height_px) *
                            u->camera.pixel_m.v / u->focal_length_m.v;
    const double panels = fmax(1.0, fmax((double)t->columns, (double)t->rows));
    for (size_t i = 0; i < NW_NIGHT_PLANETS; i++) {
        if (nw_sky_angle_rad(seen, plan->planets[i]) < half_rad * panels + NW_RAD_PER_DEG) {
            return true;
        }
    }
    return false;
}

static double tube_horizon(const struct nw_night_input *in, double azimuth_rad) {
    const double place = azimuth_rad / (2.0 * NW_PI) * NW_NIGHT_AZIMUTHS;
    const double low = floor(place);
    const size_t i = (size_t)low % NW_NIGHT_AZIMUTHS;
    const size_t k = (i + 1) % NW_NIGHT_AZIMUTHS;
    /* -pi/2 is "nothing in the way": not a value to go between */
    const double a = fmax(in->tube_horizon_rad[i], 0.0);
    const double b = fmax(in->tube_horizon_rad[k], 0.0);
    return a + (b - a) * (place - low);
}

static enum nw_night_bar bar_of(const struct nw_night_input *in, const struct nw_target *t,
                                const struct nw_plan *plan, const struct nw_sky_moment *m,
                                const struct nw_pointing *p,
                                const struct nw_reach reach[static 2]) {
    double s[3];
    double seen[3];
    nw_sky_vector(t->ra_rad, t->dec_rad, s);
    nw_sky_aberrate(s, m->velocity_c, seen);
    const struct nw_night_habits *const h = &in->targets->habits;
    if (m->sun_altitude_rad > fmax(h->sun_altitude_rad, h->sun_altitude_narrow_rad)) {
        return NW_BAR_TWILIGHT;
    }
    if (p->altitude_rad < t->min_altitude_rad) {
        return NW_BAR_LOW;
    }
    if (p->altitude_rad < nw_targets_horizon_rad(in->targets, p->azimuth_rad)) {
        return NW_BAR_HORIZON;
    }
    if (is_moon_barred(t, m, seen)) {
        return NW_BAR_MOON;
    }
    if (is_planet_near(in, t, plan, seen)) {
        return NW_BAR_PLANET;
    }
    if (in->model) {
        const int side = p->hour_angle_rad >= 0.0 ? NW_SIDE_EAST : NW_SIDE_WEST;
        if (!is_within(&reach[side], p->hour_angle_rad) &&
            !is_within(&reach[1 - side], p->hour_angle_rad)) {
            return NW_BAR_CONTACT;
        }
    }
    if (in->tube_horizon_rad && p->altitude_rad < tube_horizon(in, p->azimuth_rad)) {
        return NW_BAR_TUBE;
    }
    return NW_BAR_NONE;
}

/* Exposure that one goal still wants under the dark sky at the zenith, all panels. */
static double need_of(const struct nw_night_input *in, const struct nw_target *t,
                      const struct nw_goal *g) {
    const struct nw_filter *const f = night_filter(in->setup, g->filter);
    const double whole_s = isfinite(g->exposure_s)
                               ? g->exposure_s
                               : nw_night_exposure_s(in, f, g->brightness_mag_arcsec2, g->snr);
    return fmax(0.0, whole_s * t->columns * t->rows - g->done_s);
}

static double worth_of(const struct nw_night_input *in, const struct nw_target *t,
                       const struct nw_filter *f, double sky_nl, double airmass) {
    const struct nw_site *const site = &in->rig->site;
    const double dark_nl = nw_sky_nl_of_mag(site->sky_brightness_mag_arcsec2.v);
    const double through = pow(10.0, -0.4 * site->extinction_mag.v * (airmass - 1.0));
    return through * through * nw_night_light_of(in, f, t, dark_nl).noise_e2_s_px /
           nw_night_light_of(in, f, t, sky_nl).noise_e2_s_px;
}

static void fill_slot(const struct nw_night_input *in, const struct nw_target *t,
                      const struct nw_sky_moment *m, size_t slot, struct night_table *ret) {
    const struct nw_night_habits *const h = &in->targets->habits;
    const double airmass = nw_sky_airmass(ret->altitude_rad[slot]);
    for (size_t g = 0; g < t->n_goals && ret->bar[slot] == NW_BAR_NONE; g++) {
        const struct nw_filter *const f = night_filter(in->setup, t->goals[g].filter);
        const double limit =
            f->width_m.v <= NARROW_m ? h->sun_altitude_narrow_rad : h->sun_altitude_rad;
        if (m->sun_altitude_rad <= limit && ret->need_s[g] > 0.0) {
            const double w = worth_of(in, t, f, ret->sky_nl[slot], airmass);
            ret->worth[g][slot] = (float)w;
            ret->mean[slot] += w * ret->need_s[g] / fmax(ret->total_need_s, 1.0);
        }
    }
    ret->mean[slot] *= night_clear(in->forecast, m->t_utc_s);
}

void night_fill_table(const struct nw_night_input *in, const struct nw_plan *plan, size_t i,
                      const struct nw_reach reach[static 2], struct night_table *ret) {
    const struct nw_target *const t = &in->targets->items[i];
    const struct nw_site *const site = &in->rig->site;
    ret->flip_slot = SIZE_MAX;
    ret->total_need_s = 0.0;
    for (size_t g = 0; g < t->n_goals; g++) {
        ret->need_s[g] = need_of(in, t, &t->goals[g]);
        ret->total_need_s += ret->need_s[g];
    }
    for (size_t k = 0; k < plan->n_slots; k++) {
        const struct nw_sky_moment *const m = &plan->moments[k];
        struct nw_pointing p;
        double s[3];
        double seen[3];
        nw_sky_look(m, t->ra_rad, t->dec_rad, &p);
        nw_sky_vector(t->ra_rad, t->dec_rad, s);
        nw_sky_aberrate(s, m->velocity_c, seen);
        const struct nw_sky_glow glow =
            nw_sky_glow_at(m, seen, site->sky_brightness_mag_arcsec2.v, site->extinction_mag.v);
        ret->altitude_rad[k] = p.altitude_rad;
        ret->azimuth_rad[k] = p.azimuth_rad;
        ret->ha_rad[k] = p.hour_angle_rad;
        ret->sky_nl[k] = glow.dark_nl + glow.moon_nl + glow.twilight_nl;
        ret->bar[k] = (unsigned char)bar_of(in, t, plan, m, &p, reach);
        ret->west_stays[k] = in->model && is_within(&reach[NW_SIDE_WEST], p.hour_angle_rad);
        if (k > 0 && ret->ha_rad[k - 1] < 0.0 && ret->ha_rad[k] >= 0.0) {
            ret->flip_slot = k;
        }
        fill_slot(in, t, m, k, ret);
    }
}
