/* trail.c - star trails of a mount that stands still, through layers of moving air.
 * Idea: von Karman phase W(f) = C r0^(-5/3) (f^2 + 1/L0^2)^(-11/6) as a sum of plane waves, one in
 * each of many equal strata of ln f, of random direction and Gaussian amplitude. Its gradient over
 * the aperture tilts the wave; the wind turns the wave's phase, and a star beside the axis sees it
 * shifted by angle times height. The mean over a step of time is a sinc, exactly.
 * Paper: Roddier 1981, Prog. Opt. 19, 281 (layers, frozen flow); Noll 1976, JOSA 66, 207 (C). */
#include "synth/trail.h"

#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_sf_bessel.h>
#include <math.h>

enum { WAVES = 500, WINDOW_PX = 24 };
#define STEP_S 0.02
#define CORE_SHARE                                                                                 \
    0.85 /* of a star's light; the rest in a Gaussian twice as wide (from memory:                  \
            short exposures have wings, and no fit of two Gaussians fits better) */

struct wave {
    double fx, fy;             /* [1/m] */
    double cosine, sine;       /* amplitudes [rad of tilt] */
    double turn_cos, turn_sin; /* of one step */
};

static struct wave draw_wave(const struct nw_synth_trail_opts *opts,
                             const struct nw_synth_layer *layer, double r0_m, double step_s,
                             const double ln_f[static 2], gsl_rng *rng) {
    const double f = exp(ln_f[0] + ln_f[1] * gsl_rng_uniform(rng));
    const double angle = 2.0 * NW_PI * gsl_rng_uniform(rng);
    const double f0 = isfinite(opts->outer_scale_m) ? 1.0 / opts->outer_scale_m : 0.0;
    const double x = NW_PI * f * opts->aperture_m;
    const double window = x < 1e-6 ? 1.0 : 2.0 * gsl_sf_bessel_J1(x) / x;
    const double constant = 0.0228956; /* REFERENCES IMG-24 */
    const double lambda = 500e-9;
    /* variance of the slope of the stratum: lambda^2 f^2 W(f) 2 pi f df */
    const double variance = lambda * lambda * f * f * constant * pow(r0_m, -5.0 / 3.0) *
                            pow(f * f + f0 * f0, -11.0 / 6.0) * 2.0 * NW_PI * f * f * ln_f[1];
    struct wave wave = {.fx = f * cos(angle), .fy = f * sin(angle)};
    const double flow = layer->wind_m_s * (wave.fx * cos(layer->wind_angle_rad) +
                                           wave.fy * sin(layer->wind_angle_rad));
    const double half = NW_PI * flow * step_s;
    const double blur = fabs(half) < 1e-9 ? 1.0 : sin(half) / half;
    wave.cosine = gsl_ran_gaussian_ziggurat(rng, sqrt(variance) * fabs(window * blur));
    wave.sine = gsl_ran_gaussian_ziggurat(rng, sqrt(variance) * fabs(window * blur));
    wave.turn_cos = cos(2.0 * half);
    wave.turn_sin = sin(2.0 * half);
    return wave;
}

static void add_wave(const struct wave *wave, const struct nw_synth_tilt_path *path,
                     double height_m, double *tilt_x_rad, double *tilt_y_rad) {
    const double f = hypot(wave->fx, wave->fy);
    const double cx = wave->fx / f;
    const double cy = wave->fy / f;
    for (size_t s = 0; s < path->n_stars; s++) {
        const double phase =
            2.0 * NW_PI * height_m * (wave->fx * path->x_rad[s] + wave->fy * path->y_rad[s]);
        double re = wave->cosine * cos(phase) + wave->sine * sin(phase);
        double im = wave->sine * cos(phase) - wave->cosine * sin(phase);
        for (size_t k = 0; k < path->n_steps; k++) {
            tilt_x_rad[s * path->n_steps + k] += cx * re;
            tilt_y_rad[s * path->n_steps + k] += cy * re;
            const double next = re * wave->turn_cos + im * wave->turn_sin;
            im = im * wave->turn_cos - re * wave->turn_sin;
            re = next;
        }
    }
}

enum nw_status nw_synth_trail_tilt(const struct nw_synth_trail_opts *opts,
                                   const struct nw_synth_tilt_path *path, double *tilt_x_rad,
                                   double *tilt_y_rad, struct nw_err *err) {
    const double r0_m = nw_synth_r0_of_fwhm(opts->seeing_rad, 500e-9, opts->outer_scale_m);
    double shares = 0.0;
    for (size_t i = 0; i < opts->n_layers && i < NW_SYNTH_LAYERS; i++) {
        shares += opts->layers[i].share;
    }
    if (!(r0_m > 0.0) || !(shares > 0.0) || !(opts->aperture_m > 0.0) || !(path->step_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN,
                          "seeing %g rad, aperture %g m, step %g s and the shares of the layers "
                          "(sum %g) must be > 0",
                          opts->seeing_rad, opts->aperture_m, path->step_s, shares);
    }
    gsl_rng *rng = nw_synth_rng_new(opts->seed, SYNTH_RNG_TILT);
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "random numbers");
    }
    memset(tilt_x_rad, 0, path->n_stars * path->n_steps * sizeof *tilt_x_rad);
    memset(tilt_y_rad, 0, path->n_stars * path->n_steps * sizeof *tilt_y_rad);
    /* the slopes have power f^4 below 1/L0 and f^(-8/3) above 1/D per ln f; a Kolmogorov sky is
     * cut at 10 km */
    const double outer_m = isfinite(opts->outer_scale_m) ? opts->outer_scale_m : 1e3;
    const double low = log(0.1 / outer_m);
    const double width = (log(4.0 / opts->aperture_m) - low) / WAVES;
    for (size_t i = 0; i < opts->n_layers && i < NW_SYNTH_LAYERS; i++) {
        const struct nw_synth_layer *layer = &opts->layers[i];
        const double layer_r0_m = r0_m * pow(layer->share / shares, -0.6);
        for (int w = 0; w < WAVES && layer->share > 0.0; w++) {
            const double ln_f[2] = {low + w * width, width};
            const struct wave wave = draw_wave(opts, layer, layer_r0_m, path->step_s, ln_f, rng);
            add_wave(&wave, path, layer->height_m, tilt_x_rad, tilt_y_rad);
        }
    }
    gsl_rng_free(rng);
    return NW_OK;
}

/* Shares of a Gaussian in the pixels of a window that begins at pixel `first`. */
static void fill_row(double centre, double first, double sigma_px, double *ret) {
    double before = erf((first - 0.5 - centre) / (sigma_px * M_SQRT2));
    for (int i = 0; i < WINDOW_PX; i++) {
        const double after = erf((first + i + 0.5 - centre) / (sigma_px * M_SQRT2));
        ret[i] = 0.5 * (after - before);
        before = after;
    }
}

static void stamp(const struct nw_synth_trail_opts *opts, double x, double y, double electrons,
                  float *px) {
    const double sigma_px = opts->width_rad / opts->scale_rad / NW_FWHM_PER_SIGMA;
    const double x0 = round(x) - 0.5 * WINDOW_PX;
    const double y0 = round(y) - 0.5 * WINDOW_PX;
    for (int part = 0; part < 2; part++) {
        double row[WINDOW_PX];
        double column[WINDOW_PX];
        fill_row(x, x0, part ? 2.0 * sigma_px : sigma_px, row);
        fill_row(y, y0, part ? 2.0 * sigma_px : sigma_px, column);
        const double light = electrons * (part ? 1.0 - CORE_SHARE : CORE_SHARE);
        for (int j = 0; j < WINDOW_PX; j++) {
            const double at_y = y0 + j;
            for (int i = 0; i < WINDOW_PX; i++) {
                const double at_x = x0 + i;
                if (at_x >= 0.0 && at_y >= 0.0 && at_x < (double)opts->width_px &&
                    at_y < (double)opts->height_px) {
                    px[(size_t)at_y * opts->width_px + (size_t)at_x] +=
                        (float)(light * row[i] * column[j]);
                }
            }
        }
    }
}

/* Electrons to counts. */
static void expose(const struct nw_synth_trail_opts *opts, float *px, gsl_rng *rng) {
    for (size_t i = 0; i < opts->width_px * opts->height_px; i++) {
        const double mean = (double)px[i] + opts->sky_e;
        const double electrons = mean > 500.0 ? mean + gsl_ran_gaussian_ziggurat(rng, sqrt(mean))
                                              : (double)gsl_ran_poisson(rng, mean);
        const double adu =
            opts->offset_adu +
            (electrons + gsl_ran_gaussian_ziggurat(rng, opts->read_noise_e)) / opts->gain_e_per_adu;
        px[i] = (float)fmax(0.0, fmin(opts->full_adu, round(adu)));
    }
}

struct stars {
    double *x_px, *y_px, *x_rad, *y_rad, *e_s, *tilt_x, *tilt_y; /* one block */
    size_t n_steps;
};

static void draw_stars(const struct nw_synth_trail_opts *opts, const struct stars *stars,
                       gsl_rng *rng, float *px) {
    /* the stars drift with the sky; a drive takes its part of it off */
    const double rate_px_s =
        NW_SIDEREAL_RATE_RAD_S * cos(opts->dec_rad) / opts->scale_rad * (1.0 - opts->tracking);
    for (size_t s = 0; s < opts->n_stars; s++) {
        for (size_t k = 0; k < stars->n_steps; k++) {
            const double t_s = ((double)k + 0.5) * STEP_S - 0.5 * opts->exposure_s;
            const double x = stars->x_px[s] + rate_px_s * t_s * cos(opts->angle_rad) +
                             stars->tilt_x[s * stars->n_steps + k] / opts->scale_rad;
            const double y = stars->y_px[s] + rate_px_s * t_s * sin(opts->angle_rad) +
                             stars->tilt_y[s * stars->n_steps + k] / opts->scale_rad;
            const double glitter = exp(gsl_ran_gaussian_ziggurat(rng, opts->scintillation) -
                                       0.5 * opts->scintillation * opts->scintillation);
            stamp(opts, x, y, stars->e_s[s] * STEP_S * glitter, px);
        }
    }
}

enum nw_status nw_synth_trail(const struct nw_synth_trail_opts *opts, float *px, double *ret_r0_m,
                              struct nw_err *err) {
    enum nw_status status = NW_OK;
    const size_t n = opts->n_stars;
    struct stars stars = {.n_steps = (size_t)lround(fmax(0.0, opts->exposure_s) / STEP_S)};
    gsl_rng *rng = nw_synth_rng_new(opts->seed, SYNTH_RNG_STARS);
    stars.x_px = nw_calloc(n * (5 + 2 * stars.n_steps) + 1, sizeof *stars.x_px);
    if (!(opts->scale_rad > 0.0) || !(opts->gain_e_per_adu > 0.0) || !(opts->width_rad > 0.0) ||
        stars.n_steps == 0) {
        status =
            nw_err_set(err, NW_DOMAIN,
                       "scale %g rad, gain %g e/ADU, width %g rad and exposure %g s must be > "
                       "0",
                       opts->scale_rad, opts->gain_e_per_adu, opts->width_rad, opts->exposure_s);
        goto done;
    }
    if (!rng || !stars.x_px) {
        status = nw_err_set(err, NW_NOMEM, "%zu stars", n);
        goto done;
    }
    stars.y_px = stars.x_px + n;
    stars.x_rad = stars.y_px + n;
    stars.y_rad = stars.x_rad + n;
    stars.e_s = stars.y_rad + n;
    stars.tilt_x = stars.e_s + n;
    stars.tilt_y = stars.tilt_x + n * stars.n_steps;
    for (size_t s = 0; s < n; s++) {
        stars.x_px[s] = gsl_rng_uniform(rng) * (double)opts->width_px;
        stars.y_px[s] = gsl_rng_uniform(rng) * (double)opts->height_px;
        stars.x_rad[s] = stars.x_px[s] * opts->scale_rad;
        stars.y_rad[s] = stars.y_px[s] * opts->scale_rad;
        stars.e_s[s] = opts->brightest_e_s * pow(opts->faintest_e_s / opts->brightest_e_s,
                                                 n > 1 ? (double)s / (double)(n - 1) : 0.0);
    }
    const struct nw_synth_tilt_path path = {stars.x_rad, stars.y_rad, n, stars.n_steps, STEP_S};
    status = nw_synth_trail_tilt(opts, &path, stars.tilt_x, stars.tilt_y, err);
    if (status != NW_OK) {
        goto done;
    }
    memset(px, 0, opts->width_px * opts->height_px * sizeof *px);
    draw_stars(opts, &stars, rng, px);
    expose(opts, px, rng);
    *ret_r0_m = nw_synth_r0_of_fwhm(opts->seeing_rad, 500e-9, opts->outer_scale_m);
done:
    free(stars.x_px);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}
