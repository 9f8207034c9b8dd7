/* snr.c - signal over noise, time for it, limits, shares of the variance; see light.h. */
#include <math.h>

#include "light/light.h"

static const char *const NAMES[][2] = {
#define X(name, id, text) {id, text},
    NW_LIGHT_SHARE_LIST(X)
#undef X
};

const char *nw_light_share_name(enum nw_light_share_id id) {
    return NAMES[id][0];
}
const char *nw_light_share_text(enum nw_light_share_id id) {
    return NAMES[id][1];
}

double nw_light_ccd_snr(const struct nw_light_ccd *c) {
    const double rounding2 = pow(0.289 * c->gain_e_per_adu, 2.0); /* the paper's 0.289 ADU */
    const double px = c->n_px * (1.0 + c->n_px / c->n_background_px);
    const double t = c->exposure_s;
    const double variance = c->signal_e_s * t + px * ((c->background_e_s_px + c->dark_e_s_px) * t +
                                                      c->read_e * c->read_e + rounding2);
    return c->signal_e_s * t * sqrt(c->n_subs) / sqrt(variance);
}

double nw_light_background_e2_s(const struct nw_light_rates *r, double sub_s) {
    return r->dark_sky_e_s + r->moon_e_s + r->twilight_e_s + r->dark_e_s +
           (r->read_e2 + r->rounding_e2) / sub_s;
}

/* Pixels of one colour in an area, and those that a star is weighed over. */
static double pixels_in(const struct nw_light_rates *r, double area_arcsec2) {
    return r->pixel_share * area_arcsec2 / r->pixel_arcsec2;
}

double nw_light_snr_surface(const struct nw_light_rates *r, double sub_s, double exposure_s,
                            double area_arcsec2) {
    const double noise = r->surface_e_s + nw_light_background_e2_s(r, sub_s);
    return r->surface_e_s * sqrt(pixels_in(r, area_arcsec2) * exposure_s / noise);
}

double nw_light_snr_point(const struct nw_light_rates *r, double sub_s, double exposure_s) {
    const double noise =
        r->star_e_s + r->neq_px * (r->surface_e_s + nw_light_background_e2_s(r, sub_s));
    return r->star_e_s * sqrt(r->pixel_share * exposure_s / noise);
}

static double time_for(double snr, double snr_in_1_s) {
    return snr_in_1_s > 0.0 ? pow(snr / snr_in_1_s, 2.0) : INFINITY;
}

double nw_light_time_surface_s(const struct nw_light_rates *r, double sub_s, double snr,
                               double area_arcsec2) {
    return time_for(snr, nw_light_snr_surface(r, sub_s, 1.0, area_arcsec2));
}

double nw_light_time_point_s(const struct nw_light_rates *r, double sub_s, double snr) {
    return time_for(snr, nw_light_snr_point(r, sub_s, 1.0));
}

/* s with s^2 n T = k^2 (s + b). */
static double rate_at(double snr, double n, double exposure_s, double background) {
    const double k2 = snr * snr / (n * exposure_s);
    return 0.5 * (k2 + sqrt(k2 * k2 + 4.0 * k2 * background));
}

double nw_light_limit_surface_mag(const struct nw_light_case *what,
                                  const struct nw_light_band *band, double sub_s, double exposure_s,
                                  double snr, double area_arcsec2) {
    struct nw_light_case one = *what;
    one.surface_mag_arcsec2 = 0.0;
    one.rayleigh = NAN;
    const struct nw_light_rates r = nw_light_rates_of(&one, band);
    const double s =
        rate_at(snr, pixels_in(&r, area_arcsec2), exposure_s, nw_light_background_e2_s(&r, sub_s));
    return -2.5 * log10(s / r.surface_e_s);
}

double nw_light_limit_point_mag(const struct nw_light_case *what, const struct nw_light_band *band,
                                double sub_s, double exposure_s, double snr) {
    struct nw_light_case one = *what;
    one.magnitude = 0.0;
    const struct nw_light_rates r = nw_light_rates_of(&one, band);
    const double background = r.neq_px * (r.surface_e_s + nw_light_background_e2_s(&r, sub_s));
    const double s = rate_at(snr, r.pixel_share, exposure_s, background);
    return -2.5 * log10(s / r.star_e_s);
}

void nw_light_shares(const struct nw_light_rates *r, double sub_s, bool is_point,
                     double ret[static NW_LIGHT_N_SHARES]) {
    const double px = is_point ? r->neq_px : 1.0;
    ret[NW_LIGHT_TARGET] = px * r->surface_e_s + (is_point ? r->star_e_s : 0.0);
    ret[NW_LIGHT_SKY] = px * r->dark_sky_e_s;
    ret[NW_LIGHT_MOON] = px * r->moon_e_s;
    ret[NW_LIGHT_TWILIGHT] = px * r->twilight_e_s;
    ret[NW_LIGHT_DARK] = px * r->dark_e_s;
    ret[NW_LIGHT_READ] = px * r->read_e2 / sub_s;
    ret[NW_LIGHT_ROUNDING] = px * r->rounding_e2 / sub_s;
    double sum = 0.0;
    for (size_t i = 0; i < NW_LIGHT_N_SHARES; i++) {
        sum += ret[i];
    }
    for (size_t i = 0; i < NW_LIGHT_N_SHARES; i++) {
        ret[i] /= sum;
    }
}
