/* budget.c - the light budget of one target, filter and minute, with errors; see light.h.
 * Idea: all numbers are one pure function of rig and sky; each input is moved by its standard error
 * to either side, and half the difference is its part. */
#include <math.h>

#include "light/light.h"

struct nw_light_wants nw_light_wants_usual(const struct nw_setup *setup) {
    return (struct nw_light_wants){.sub_s = NAN,
                                   .exposure_s = 3600.0,
                                   .night_s = NAN,
                                   .snr = 5.0,
                                   .area_arcsec2 = 1.0,
                                   .limit_sigma = 3.0,
                                   .limit_side_arcsec = 10.0,
                                   .limit_point_sigma = 5.0,
                                   .wishes = nw_light_wishes_usual(),
                                   .field = {.area_deg2 = nw_light_field_deg2(setup),
                                             .galactic_latitude_rad = 30.0 * NW_RAD_PER_DEG}};
}

/* Fills ret->value and what it was made from. */
static void work_out(const struct nw_light_case *what, const struct nw_light_band *band,
                     const struct nw_light_wants *w, struct nw_light_budget *ret) {
    const double e_s = nw_light_e_s_of_mag(what->setup, band, 0.0);
    const double side2 = w->limit_side_arcsec * w->limit_side_arcsec;
    ret->band = *band;
    ret->rates = nw_light_rates_of(what, band);
    const struct nw_light_rates *const r = &ret->rates;
    ret->subs = nw_light_subs_of(r, e_s, &w->field, &w->wishes);
    const double sub_s = isfinite(w->sub_s) ? w->sub_s : ret->subs.curve[ret->subs.best].sub_s;
    ret->sub = nw_light_sub_at(r, e_s, &w->field, &w->wishes, sub_s);
    struct nw_light_numbers *const v = &ret->value;
    const double spans_s[NW_LIGHT_SPANS] = {sub_s, 3600.0, w->night_s};
    for (int i = 0; i < NW_LIGHT_SPANS; i++) {
        v->snr_surface[i] = r->surface_e_s > 0.0
                                ? nw_light_snr_surface(r, sub_s, spans_s[i], w->area_arcsec2)
                                : NAN;
        v->snr_point[i] = r->star_e_s > 0.0 ? nw_light_snr_point(r, sub_s, spans_s[i]) : NAN;
    }
    v->time_surface_s =
        r->surface_e_s > 0.0 ? nw_light_time_surface_s(r, sub_s, w->snr, w->area_arcsec2) : NAN;
    v->time_point_s = r->star_e_s > 0.0 ? nw_light_time_point_s(r, sub_s, w->snr) : NAN;
    v->limit_surface_mag =
        nw_light_limit_surface_mag(what, band, sub_s, w->exposure_s, w->limit_sigma, side2);
    v->limit_point_mag =
        nw_light_limit_point_mag(what, band, sub_s, w->exposure_s, w->limit_point_sigma);
    v->sky_e_s = r->dark_sky_e_s + r->moon_e_s + r->twilight_e_s;
    v->target_e_s = r->surface_e_s;
    v->star_e_s = r->star_e_s;
    v->least_s = ret->subs.least_s;
    v->most_s = ret->subs.most_s;
    nw_light_shares(r, sub_s, false, v->share_surface);
    nw_light_shares(r, sub_s, true, v->share_point);
}

/* The inputs that have a standard error; moved in place. */
struct moved {
    struct nw_rig rig; /* a copy whose site alone is changed */
    struct nw_setup setup;
    struct nw_light_case what;
    struct nw_light_band band;
    struct nw_light_budget budget;
};
enum { N_INPUTS = 9 };

/* Moves input i by `side` standard errors; false: it has none. */
static bool move(struct moved *m, const struct nw_filter *filter, size_t i, double side) {
    struct nw_val *const vals[N_INPUTS] = {&m->setup.camera.quantum_efficiency,
                                           &m->setup.telescope.transmission,
                                           &m->setup.focal_length_m,
                                           &m->setup.camera.read_noise_e,
                                           &m->setup.camera.dark_e_per_s,
                                           &m->setup.camera.full_scale_e,
                                           &m->rig.site.extinction_mag,
                                           &m->rig.site.sky_brightness_mag_arcsec2,
                                           NULL};
    if (!vals[i]) {
        const double sigma = filter ? filter->transmission.sigma : NAN;
        m->band.transmission = fmax(1e-6, m->band.transmission + side * sigma);
        return sigma > 0.0;
    }
    const double sigma = vals[i]->sigma;
    vals[i]->v = fmax(0.0, vals[i]->v + side * sigma);
    if (vals[i] == &m->rig.site.sky_brightness_mag_arcsec2) {
        m->what.glow.dark_nl *= pow(10.0, -0.4 * side * sigma);
    }
    return sigma > 0.0;
}

enum { N_NUMBERS = sizeof(struct nw_light_numbers) / sizeof(double) };

static double *numbers_of(struct nw_light_numbers *numbers) {
    return (double *)(void *)numbers; /* nothing but doubles in it */
}
_Static_assert(sizeof(struct nw_light_numbers) % sizeof(double) == 0, "doubles alone");

enum nw_status nw_light_budget_of(const struct nw_light_case *what,
                                  const struct nw_light_band *band,
                                  const struct nw_light_wants *wants, struct nw_light_budget *ret,
                                  struct nw_err *err) {
    struct moved *const m = nw_calloc(2, sizeof *m);
    if (!m) {
        return nw_err_set(err, NW_NOMEM, "light budget");
    }
    struct nw_light_case base = *what;
    struct nw_psf star;
    if (!(isfinite(base.neq_area_rad2) && isfinite(base.peak_per_rad2)) &&
        nw_light_star(base.rig, base.setup, fmax(1.0, base.airmass), &star, NULL) == NW_OK) {
        base.neq_area_rad2 = star.neq_area_rad2; /* once for all */
        base.peak_per_rad2 = star.peak_per_rad2;
    }
    struct nw_light_wants same = *wants;
    memset(ret, 0, sizeof *ret);
    work_out(&base, band, wants, ret);
    same.sub_s = ret->sub.sub_s; /* the numbers of one and the same sub are compared */
    double variance[N_NUMBERS] = {0.0};
    for (size_t i = 0; i < N_INPUTS; i++) {
        bool is_moved = true;
        for (int side = 0; side < 2; side++) {
            m[side].rig = *base.rig;
            m[side].setup = *base.setup;
            m[side].what = base;
            m[side].band = *band;
            m[side].what.rig = &m[side].rig;
            m[side].what.setup = &m[side].setup;
            is_moved = move(&m[side], base.filter, i, side ? 1.0 : -1.0) && is_moved;
            if (is_moved) {
                work_out(&m[side].what, &m[side].band, &same, &m[side].budget);
            }
        }
        for (size_t k = 0; k < N_NUMBERS && is_moved; k++) {
            const double part =
                0.5 * (numbers_of(&m[1].budget.value)[k] - numbers_of(&m[0].budget.value)[k]);
            variance[k] += part * part;
        }
    }
    for (size_t k = 0; k < N_NUMBERS; k++) {
        numbers_of(&ret->sigma)[k] = sqrt(variance[k]);
    }
    free(m);
    return NW_OK;
}

/* Time with its pauses for one SNR; faint where nothing is said. */
static double time_of(const struct nw_light_case *what, double sub_s, double between_s,
                      bool is_point) {
    const struct nw_light_band band = nw_light_main_band(what->setup, what->filter);
    struct nw_light_case one = *what;
    const bool has_surface = isfinite(one.surface_mag_arcsec2) || isfinite(one.rayleigh);
    one.surface_mag_arcsec2 = has_surface ? one.surface_mag_arcsec2 : 28.0;
    one.magnitude = isfinite(one.magnitude) ? one.magnitude : 24.0;
    const struct nw_light_rates r = nw_light_rates_of(&one, &band);
    const double time_s = is_point ? nw_light_time_point_s(&r, sub_s, 1.0)
                                   : nw_light_time_surface_s(&r, sub_s, 1.0, 1.0);
    return time_s * (sub_s + between_s) / sub_s;
}

struct nw_light_worth nw_light_worth_of(const struct nw_light_case *now, double sub_now_s,
                                        const struct nw_light_case *then, double sub_then_s,
                                        double between_s) {
    return (struct nw_light_worth){.extended = 1.0 - time_of(then, sub_then_s, between_s, false) /
                                                         time_of(now, sub_now_s, between_s, false),
                                   .point = 1.0 - time_of(then, sub_then_s, between_s, true) /
                                                      time_of(now, sub_now_s, between_s, true)};
}
