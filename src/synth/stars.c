/* stars.c - the field: where stars and hot pixels are, and how much light there is.
 * Idea: a counts law of two slopes: N(V < 12) = 45 per square degree (between 25 at the galactic
 * poles and 150 in the plane at V 11, REFERENCES GUI-17; 61.6 over the whole sky, GUI-16), log N
 * growing 0.32 per magnitude to V 14 and 0.25 beyond (from memory, middle latitudes). No star
 * brighter than V 8: it would saturate in any sub. Positions are uniform. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

#define COUNT_12_PER_DEG2 45.0
#define SLOPE_BRIGHT 0.32
#define SLOPE_FAINT 0.25
#define MAG_BRIGHTEST 8.0
#define MAG_BREAK 14.0

static double counts_per_deg2(double mag) {
    const double at_break = COUNT_12_PER_DEG2 * pow(10.0, SLOPE_BRIGHT * (MAG_BREAK - 12.0));
    const double slope = mag < MAG_BREAK ? SLOPE_BRIGHT : SLOPE_FAINT;
    return at_break * pow(10.0, slope * (mag - MAG_BREAK));
}

static double mag_of_counts(double per_deg2) {
    const double at_break = counts_per_deg2(MAG_BREAK);
    const double slope = per_deg2 < at_break ? SLOPE_BRIGHT : SLOPE_FAINT;
    return MAG_BREAK + log10(per_deg2 / at_break) / slope;
}

double nw_synth_star_electrons(const struct synth_scene *scene, const struct synth_sub *sub,
                               size_t band, double mag) {
    const double air = pow(10.0, -0.4 * (mag + scene->extinction_mag * sub->pointing.airmass));
    return scene->bands[band].electrons_per_s * scene->sub_s * air * sub->transmission;
}

/* Cloud also scatters some town light back: the sky brightens by half of what it takes away. The
 * sky grows with airmass as the layer that shines does. */
double nw_synth_sky_electrons(const struct synth_scene *scene, const struct synth_sub *sub,
                              size_t band) {
    const double scale = scene->camera.scale_rad * NW_ARCSEC_PER_RAD;
    const double flux = scene->bands[band].electrons_per_s * pow(10.0, -0.4 * scene->sky_mag);
    const double path = 1.0 + 0.3 * (sub->pointing.airmass - 1.0);
    return flux * scale * scale * scene->sub_s * path * (1.5 - 0.5 * sub->transmission);
}

/* Magnitude at which a star has SNR 1.5 against a typical sky; fainter ones are not drawn. */
static double faintest_mag(const struct synth_scene *scene) {
    const struct synth_sub sub = {.pointing = {.airmass = 1.3}, .transmission = 1.0};
    const size_t band = nw_synth_judged_band(scene, &sub);
    const double sigma_px = scene->seeing_rad / scene->camera.scale_rad / NW_FWHM_PER_SIGMA + 0.5;
    const double sky = nw_synth_sky_electrons(scene, &sub, band) +
                       scene->camera.dark_e_s * scene->sub_s +
                       scene->camera.read_noise_e * scene->camera.read_noise_e;
    const double wanted = 1.5 * sqrt(4.0 * NW_PI * sigma_px * sigma_px * fmax(sky, 1.0));
    return 2.5 * log10(nw_synth_star_electrons(scene, &sub, band, 0.0) / wanted);
}

static void scatter_stars(const struct synth_scene *scene, gsl_rng *rng,
                          struct synth_field *field) {
    const struct synth_camera *camera = &scene->camera;
    const double margin = SYNTH_BOX_PX / 2.0;
    const double bright = counts_per_deg2(MAG_BRIGHTEST);
    const double faint = counts_per_deg2(faintest_mag(scene));
    for (size_t i = 0; i < field->n; i++) {
        /* sorted uniform counts: brightest first */
        const double share = ((double)i + gsl_rng_uniform_pos(rng)) / (double)field->n;
        field->stars[i] = (struct synth_star){
            .x_px = -margin + gsl_rng_uniform(rng) * ((double)camera->width_px + 2.0 * margin),
            .y_px = -margin + gsl_rng_uniform(rng) * ((double)camera->height_px + 2.0 * margin),
            .mag = mag_of_counts(bright + share * (faint - bright)),
        };
    }
}

enum nw_status nw_synth_field_init(const struct synth_scene *scene, struct synth_field *ret,
                                   struct nw_err *err) {
    const struct synth_camera *camera = &scene->camera;
    const double side = camera->scale_rad * NW_DEG_PER_RAD;
    const double area_deg2 = ((double)camera->width_px + SYNTH_BOX_PX) *
                             ((double)camera->height_px + SYNTH_BOX_PX) * side * side;
    const double expected =
        area_deg2 * (counts_per_deg2(faintest_mag(scene)) - counts_per_deg2(MAG_BRIGHTEST));
    const double n_px = (double)camera->width_px * (double)camera->height_px;
    struct synth_field field = {
        .n = (size_t)fmin(300000.0, fmax(1.0, expected)),
        .n_hot = scene->opts.without_noise ? 0 : (size_t)(3e-4 * n_px),
    };
    field.stars = nw_calloc(field.n, sizeof *field.stars);
    field.hot = nw_calloc(field.n_hot + 1, sizeof *field.hot);
    field.hot_e_s = nw_calloc(field.n_hot + 1, sizeof *field.hot_e_s);
    gsl_rng *stars = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_STARS);
    gsl_rng *hot = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_HOT);
    enum nw_status status = NW_OK;
    if (!field.stars || !field.hot || !field.hot_e_s || !stars || !hot) {
        status = nw_err_set(err, NW_NOMEM, "field of %zu stars", field.n);
    } else {
        scatter_stars(scene, stars, &field);
        for (size_t i = 0; i < field.n_hot; i++) {
            field.hot[i] = (uint32_t)(gsl_rng_uniform(hot) * n_px);
            field.hot_e_s[i] = (float)gsl_ran_lognormal(hot, log(0.3), 1.5);
        }
        *ret = field;
        field = (struct synth_field){0};
    }
    gsl_rng *const rngs[2] = {stars, hot};
    for (int i = 0; i < 2; i++) {
        if (rngs[i]) {
            gsl_rng_free(rngs[i]);
        }
    }
    nw_synth_field_done(&field);
    return status;
}

void nw_synth_field_done(struct synth_field *field) {
    if (field) {
        free(field->stars);
        free(field->hot);
        free(field->hot_e_s);
        *field = (struct synth_field){0};
    }
}
