/* ledger_guide_train.c - the guide train: what following noise adds to the motion, and whether
 * there is a star. Idea: what a loop adds to the image is g/(2 - g) times the variance of what it
 * is told wrongly: the error of the star's place and the tilt of the air over the small aperture.
 * Both are variances and add up; 1 % of the star's width is allowed. The star is the one that half
 * of the fields at a galactic pole have; where that is too faint, chances are told. */
#include <math.h>

#include "budget/budget.h"
#include "budget/ledger.h"
#include "guiding/train.h"
#include "sky/sky.h"

#define AS NW_ARCSEC_PER_RAD
/* A proportional gain that most loops come near to; an unfiltered guide camera; common practice, no
 * source. */
static const double GAIN = 0.5, BAND_m = 300e-9, CENTRE_m = 550e-9;
static const double WIDER = 0.01;     /* share of the width that guiding noise may add */
static const double SNR_LEAST = 10.0; /* common practice, no source */
static const double RATIO_MOST = 5.0; /* common practice, no source */
static const double LATITUDES_deg[] = {90.0, 30.0, 0.0};
static const char *const PLACES[] = {"at a galactic pole", "at galactic latitude 30",
                                     "in the Milky Way"};

struct desk {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_ledger *ledger;
    double pixel_rad, sigma_rad, background_e2, area_m2, efficiency, field_deg2, tilt_rad, read_e2;
    double allowed_rad; /* of the noise of a sample, each axis */
};

static double or_else(const struct nw_val *value, double fallback) {
    return isfinite(value->v) ? value->v : fallback;
}

static double air_over_aperture(const struct desk *d) {
    const struct nw_site *const site = &d->rig->site;
    const double r0_m = nw_sky_r0_of_seeing_m(site->seeing_rad.v, 500e-9, site->outer_scale_m.v);
    return nw_sky_tilt_rms_rad(d->setup->guide_telescope.aperture_m.v, r0_m, 500e-9,
                               site->outer_scale_m.v, site->wind_speed_m_s.v,
                               d->setup->guide_exposure_s.v);
}

static double star_e(const struct desk *d, double magnitude) {
    return nw_guide_star_e_per_s(magnitude, d->area_m2, BAND_m, d->efficiency) *
           d->setup->guide_exposure_s.v;
}

static double place_rad(const struct desk *d, double magnitude) {
    return nw_guide_centroid_rad(d->sigma_rad, d->pixel_rad, star_e(d, magnitude),
                                 d->background_e2);
}

/* The same in another exposure: star, sky and dark current go with it, the read noise does not. */
static double place_in_rad(const struct desk *d, double magnitude, double times) {
    return nw_guide_centroid_rad(d->sigma_rad, d->pixel_rad, star_e(d, magnitude) * times,
                                 (d->background_e2 - d->read_e2) * times + d->read_e2);
}

/* Signal over noise in the area of the profile, 4 pi sigma^2 (King 1983). */
static double snr(const struct desk *d, double magnitude) {
    const double e = star_e(d, magnitude);
    const double pixels = 4.0 * NW_PI * d->sigma_rad * d->sigma_rad / (d->pixel_rad * d->pixel_rad);
    return e / sqrt(e + fmax(1.0, pixels) * d->background_e2);
}

/* The faintest star whose place is good enough by itself and that stands out. */
static double faintest(const struct desk *d) {
    double low = -2.0;
    double high = 20.0;
    for (int i = 0; i < 60; i++) {
        const double middle = 0.5 * (low + high);
        const bool is_good = place_rad(d, middle) <= d->allowed_rad && snr(d, middle) >= SNR_LEAST;
        low = is_good ? middle : low;
        high = is_good ? high : middle;
    }
    return low;
}

/* The magnitude that half of the fields at a pole have a star of: the counts end at V 11.5. */
static double usual_star(const struct desk *d) {
    double low = -2.0;
    double high = 11.5;
    const double wanted = log(2.0) / d->field_deg2;
    for (int i = 0; i < 60; i++) {
        const double middle = 0.5 * (low + high);
        const bool is_enough = nw_guide_stars_per_deg2(middle, 0.5 * NW_PI) >= wanted;
        low = is_enough ? low : middle;
        high = is_enough ? middle : high;
    }
    return high;
}

static void set_up(struct desk *d) {
    const struct nw_setup *const s = d->setup;
    const struct nw_site *const site = &d->rig->site;
    const struct nw_telescope *const t = &s->guide_telescope;
    const struct nw_camera *const c = &s->guide_camera;
    const double airmass = or_else(&s->airmass, 1.3);
    const double obstruction = or_else(&t->obstruction, 0.0);
    const double seeing_rad = site->seeing_rad.v * pow(airmass, 0.6); /* Fried 1966 */
    const double spread_rad = CENTRE_m / t->aperture_m.v; /* about a FWHM of diffraction */
    d->pixel_rad = c->pixel_m.v / t->focal_length_m.v;
    d->sigma_rad = hypot(seeing_rad, spread_rad) / NW_FWHM_PER_SIGMA;
    d->area_m2 =
        0.25 * NW_PI * t->aperture_m.v * t->aperture_m.v * (1.0 - obstruction * obstruction);
    d->efficiency = pow(10.0, -0.4 * or_else(&site->extinction_mag, 0.25) * airmass) *
                    or_else(&t->transmission, 0.9) * or_else(&c->quantum_efficiency, 0.7);
    const double pixel_arcsec2 = pow(d->pixel_rad * AS, 2.0);
    const double sky_e =
        star_e(d, or_else(&site->sky_brightness_mag_arcsec2, 20.5)) * pixel_arcsec2;
    const double read_e = or_else(&c->read_noise_e, 3.0);
    d->read_e2 = read_e * read_e;
    d->background_e2 = sky_e + or_else(&c->dark_e_per_s, 0.0) * s->guide_exposure_s.v + d->read_e2;
    d->field_deg2 =
        (double)c->width_px * (double)c->height_px * pow(d->pixel_rad * NW_DEG_PER_RAD, 2.0);
    d->tilt_rad = air_over_aperture(d);
}

static void put_noise(const struct desk *d, const char *id, const char *label, double sigma_rad,
                      const char *basis, const char *detail) {
    struct nw_ledger_line *const line = nw_ledger_add(d->ledger, id, label);
    line->predicted = nw_guide_noise_gain(GAIN) * pow(sigma_rad * AS, 2.0);
    line->predicted_sigma = 0.6 * line->predicted; /* seeing, extinction and gain are that loose */
    line->basis = basis;
    line->provenance = NW_FROM_ASSUMED;
    nw_text_copy(line->detail, sizeof line->detail, detail);
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "`guiding LOG` tells the noise of a sample, both together");
}

static void put_beside(const struct desk *d, const char *id, const char *label, const char *unit,
                       double value, double allowed) {
    struct nw_ledger_line *const line = nw_ledger_add(d->ledger, id, label);
    line->is_summed = false;
    line->unit = unit;
    line->predicted = value;
    line->allowed = allowed;
    line->basis = "geometry and counts (REFERENCES GUI-17)";
    line->provenance = NW_FROM_GIVEN;
    nw_text_copy(line->why_null, sizeof line->why_null, "a prediction from the parts");
}

static void put_chances(const struct desk *d, double limit) {
    for (size_t i = 0; i < 3; i++) {
        char id[32];
        char label[72];
        const double density = nw_guide_stars_per_deg2(limit, LATITUDES_deg[i] * NW_RAD_PER_DEG);
        (void)snprintf(id, sizeof id, "chance_%.0f", LATITUDES_deg[i]);
        (void)snprintf(label, sizeof label, "a star %s", PLACES[i]);
        put_beside(d, id, label, "%", 100.0 * nw_guide_chance(density * d->field_deg2), NAN);
        struct nw_ledger_line *const line = &d->ledger->lines[d->ledger->n_lines - 1];
        (void)snprintf(line->detail, sizeof line->detail, "%s%.1f stars in the field",
                       limit > 11.5 ? "at least " : "", density * d->field_deg2);
    }
}

/* How well a star is placed, by its magnitude and the exposure. */
static void put_places(const struct desk *d) {
    static const double MAGNITUDES[] = {8.0, 10.0, 12.0};
    static const double TIMES[] = {0.5, 1.0, 2.0};
    for (size_t i = 0; i < 9; i++) {
        const double magnitude = MAGNITUDES[i / 3];
        const double times = TIMES[i % 3];
        char id[32];
        char label[72];
        (void)snprintf(id, sizeof id, "place_%.0f_%.3g_s", magnitude,
                       times * d->setup->guide_exposure_s.v);
        (void)snprintf(label, sizeof label, "place of a star of V %.0f in %.3g s", magnitude,
                       times * d->setup->guide_exposure_s.v);
        put_beside(d, id, label, "arcsec", place_in_rad(d, magnitude, times) * AS,
                   d->allowed_rad * AS);
        d->ledger->lines[d->ledger->n_lines - 1].basis = "Thompson 2002 eq. 17 (REFERENCES GUI-03)";
    }
}

static void judge(const struct desk *d, double limit, double star) {
    struct nw_ledger *const l = d->ledger;
    const double chance =
        nw_guide_chance(nw_guide_stars_per_deg2(limit, 0.5 * NW_PI) * d->field_deg2);
    const double ratio = d->pixel_rad / nw_setup_scale_rad(d->setup);
    (void)snprintf(
        l->verdict, sizeof l->verdict,
        "%s: stars to V %.1f will do, the usual best is V %.1f; noise adds %.2f arcsec of "
        "motion an axis, up to %.2f are allowed (%.0f %% of the width)",
        l->is_over ? "not good enough" : "good enough", limit, star, sqrt(l->predicted),
        sqrt(l->allowed), 100.0 * WIDER);
    if (chance < 0.95) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(l);
        (void)snprintf(a->change, sizeof a->change,
                       "longer guide exposures or a wider guide field");
        a->effort = "setting";
        (void)snprintf(a->why, sizeof a->why,
                       "one field in %.0f at a galactic pole has no star that will do",
                       1.0 / fmax(1e-3, 1.0 - chance));
    }
    if (ratio > RATIO_MOST) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(l);
        (void)snprintf(a->change, sizeof a->change, "a longer guide telescope or smaller pixels");
        a->effort = "purchase";
        (void)snprintf(a->why, sizeof a->why,
                       "a guide pixel is %.1f main ones: a place to a tenth of a pixel is half a "
                       "main pixel (common practice, no source)",
                       ratio);
    }
    if (chance >= 0.95 && !l->is_over && ratio <= RATIO_MOST) {
        struct nw_ledger_advice *const a = nw_ledger_add_leave(l);
        (void)snprintf(a->change, sizeof a->change, "a bigger guide telescope");
        (void)snprintf(a->why, sizeof a->why,
                       "nothing you could see: noise is under what is allowed and stars abound");
    }
}

enum nw_status nw_ledger_guide_train(const struct nw_rig *rig, const struct nw_setup *setup,
                                     struct nw_ledger *ret, struct nw_err *err) {
    struct desk d = {.rig = rig, .setup = setup, .ledger = ret};
    struct nw_star_budget *stars = NULL;
    if (!setup->has_guide || !(setup->guide_exposure_s.v > 0.0)) {
        return nw_err_set(err, NW_NOTFOUND, "setup %s has no guide telescope: setups.%s.guided_by",
                          setup->name, setup->name);
    }
    enum nw_status status = nw_star_budget_new(rig, setup, NULL, NULL, 0, &stars, err);
    if (status != NW_OK) {
        return status;
    }
    set_up(&d);
    /* two axes of variance v widen the profile by about v (2.355)^2 / (2 FWHM) */
    const double added2 = 2.0 * WIDER * pow(stars->predicted_rad / NW_FWHM_PER_SIGMA, 2.0);
    nw_star_budget_free(stars);
    d.allowed_rad = sqrt(added2 / nw_guide_noise_gain(GAIN));
    const double limit = faintest(&d);
    const double star = fmin(usual_star(&d), limit);
    char detail[200];
    (void)snprintf(ret->aside, sizeof ret->aside, "%s, %.2f \"/px, %.1f s",
                   setup->guide_telescope.name, d.pixel_rad * AS, setup->guide_exposure_s.v);
    nw_text_copy(ret->sum_label, sizeof ret->sum_label, "added to the motion, an axis");
    ret->allowed = added2 * AS * AS;
    (void)snprintf(detail, sizeof detail, "V %.1f: place to %.2f arcsec, SNR %.0f; gain %.1f", star,
                   place_rad(&d, star) * AS, snr(&d, star), GAIN);
    put_noise(&d, "place", "place of the star", place_rad(&d, star),
              "Thompson 2002 eq. 17 times g/(2 - g) (REFERENCES GUI-03, GUI-07)", detail);
    (void)snprintf(detail, sizeof detail, "%.2f arcsec over %.0f mm in %.1f s", d.tilt_rad * AS,
                   setup->guide_telescope.aperture_m.v * 1e3, setup->guide_exposure_s.v);
    put_noise(&d, "air", "tilt of the air, followed", d.tilt_rad,
              "tilt of the guide aperture times g/(2 - g) (REFERENCES GUI-07)", detail);
    nw_ledger_sum(ret);
    ret->is_over = ret->predicted > ret->allowed;
    put_beside(&d, "scale_ratio", "guide pixel over main pixel", "ratio",
               d.pixel_rad / nw_setup_scale_rad(setup), RATIO_MOST);
    put_beside(&d, "limit", "faintest star that will do", "mag", limit, NAN);
    put_beside(&d, "field", "field of the guide camera", "deg2", d.field_deg2, NAN);
    put_places(&d);
    put_chances(&d, limit);
    nw_text_copy(ret->why_null, sizeof ret->why_null,
                 "`guiding LOG` tells noise and motion of a night");
    judge(&d, limit, star);
    return NW_OK;
}
