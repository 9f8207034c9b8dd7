/* trail.c - what +- a drive-off frame reaches, and whether its error is the true one. Frames of 20
 * s (or as asked) through three layers of random directions, drawn by synth/trail.c pixel by pixel,
 * found, cut and judged as a user's frame would be. The table of docs/models.md.
 * Row 0 0 0: seeing even between 1.5 and 3 arcsec, wind and outer scale drawn from the prior: there
 * the pull must be 1.
 * Arguments: frames a row (100), exposure in s (20), first seed (1), stars (24), row (0 to 11; -1:
 * all), mix of the layers (0; 1: most at the ground, 2: most aloft).
 */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "budget/trail_seeing.h"
#include "synth/trail.h"

#define AS(x) ((x) / NW_ARCSEC_PER_RAD)
enum { W = 1500, H = 1000 };

struct tally {
    size_t n, n_failed, n_in_90;
    double ratio, ratio2, sigma, pull, pull2, wind, wind2, wind_sigma, shared, stars, cpu_s;
};

/* Shares of the layers: as the error of the model was set, nearly all at the ground, most aloft. */
static const double MIXES[][3] = {{0.5, 0.25, 0.25}, {0.8, 0.1, 0.1}, {0.2, 0.3, 0.5}};

static struct nw_synth_trail_opts draw(double seeing_arcsec, double wind_m_s, double outer_m,
                                       const double *shares, gsl_rng *rng) {
    struct nw_synth_trail_opts o = {
        .seed = gsl_rng_get(rng),
        .n_layers = 3,
        .layers = {{.height_m = 60.0, .share = 0.5, .wind_m_s = 0.5 * wind_m_s},
                   {.height_m = 2000.0, .share = 0.25, .wind_m_s = wind_m_s},
                   {.height_m = 9000.0, .share = 0.25, .wind_m_s = 2.0 * wind_m_s}},
        .seeing_rad = AS(seeing_arcsec),
        .outer_scale_m = outer_m,
        .aperture_m = 0.115,
        .scale_rad = AS(0.963),
        /* optics and focus 1.5 arcsec; the air without its tilt about 0.55 of the whole at D/r0 2
         * (REFERENCES IMG-30) */
        .width_rad = AS(hypot(1.5, 0.55 * seeing_arcsec)),
        .dec_rad = 5.0 * NW_RAD_PER_DEG,
        .angle_rad = gsl_rng_uniform(rng) * NW_PI,
        .width_px = W,
        .height_px = H,
        .brightest_e_s = 1.2e6,
        .faintest_e_s = 1e4,
        .sky_e = 60.0,
        .read_noise_e = 2.0,
        .gain_e_per_adu = 0.8,
        .offset_adu = 500.0,
        .full_adu = 65535.0,
        .scintillation = 0.1,
    };
    for (size_t i = 0; i < o.n_layers; i++) {
        o.layers[i].share = shares[i];
        o.layers[i].wind_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
    }
    return o;
}

static enum nw_status judge(const struct nw_synth_trail_opts *o, const float *px,
                            struct nw_trail_seeing *ret, struct nw_err *err) {
    const struct nw_image_view view = {.px = px, .width_px = W, .height_px = H, .stride_px = W};
    const struct nw_trail_setting setting = {.scale_rad = o->scale_rad,
                                             .drift_rad_s =
                                                 NW_SIDEREAL_RATE_RAD_S * cos(o->dec_rad),
                                             .airmass = 1.0,
                                             .aperture_m = o->aperture_m,
                                             .wind_m_s = 10.0,
                                             .wind_sigma_m_s = 5.0,
                                             .outer_scale_m = 25.0,
                                             .outer_scale_sigma_m = 10.0,
                                             .noise_is_known = true};
    const struct nw_trail_opts opts = {.expected_length_px =
                                           setting.drift_rad_s * o->exposure_s / o->scale_rad,
                                       .saturation_adu = o->full_adu,
                                       .gain_e_per_adu = o->gain_e_per_adu};
    struct nw_trails trails = {0};
    enum nw_status status = nw_trails_measure(view, &opts, &trails, err);
    if (status == NW_OK) {
        status = nw_trail_seeing_solve(&trails, &setting, ret, err);
    }
    nw_trails_done(&trails);
    return status;
}

static void count(const struct nw_synth_trail_opts *o, const struct nw_trail_seeing *s,
                  double wind_m_s, struct tally *t) {
    const double ratio = log(s->seeing_rad / o->seeing_rad);
    const double sigma = s->seeing_sigma_rad / s->seeing_rad;
    t->n++;
    t->ratio += ratio;
    t->ratio2 += ratio * ratio;
    t->sigma += sigma;
    t->pull += ratio / sigma;
    t->pull2 += ratio * ratio / (sigma * sigma);
    t->n_in_90 += fabs(ratio / sigma) < 1.6449;
    t->wind += log(s->wind_m_s / wind_m_s);
    t->wind2 += pow(log(s->wind_m_s / wind_m_s), 2.0);
    t->wind_sigma += s->wind_sigma_m_s / s->wind_m_s;
    t->shared += s->shared;
    t->stars += (double)s->n_stars;
}

static void print(double seeing, double wind, double outer, const struct tally *t) {
    const double n = (double)t->n;
    const double bias = t->ratio / n;
    const double wind_bias = t->wind / n;
    printf("%5.1f %6.1f %6.0f %5zu %5zu %+7.3f %7.3f %7.3f %+7.2f %6.2f %6.2f %+7.2f %6.2f %6.2f "
           "%5.2f %5.1f %5.2f\n",
           seeing, wind, outer, t->n, t->n_failed, bias, sqrt(t->ratio2 / n - bias * bias),
           t->sigma / n, t->pull / n, sqrt(t->pull2 / n - pow(t->pull / n, 2.0)),
           (double)t->n_in_90 / n, wind_bias, sqrt(t->wind2 / n - wind_bias * wind_bias),
           t->wind_sigma / n, t->shared / n, t->stars / n, t->cpu_s / n);
    (void)fflush(stdout);
}

int main(int argc, char **argv) {
    static const double rows[][3] = {{1.5, 5, 25}, {1.5, 10, 25}, {1.5, 20, 25}, {2, 5, 25},
                                     {2, 10, 25},  {2, 20, 25},   {3, 5, 25},    {3, 10, 25},
                                     {3, 20, 25},  {2, 10, 12},   {2, 10, 60},   {0, 0, 0}};
    long arguments[6] = {100, 20, 1, 24, -1, 0};
    for (int i = 0; i < 6 && i + 1 < argc; i++) {
        if (!nw_text_to_long(argv[i + 1], &arguments[i])) {
            return 2;
        }
    }
    const double *const shares =
        MIXES[arguments[5] > 0 && arguments[5] < 3 ? (size_t)arguments[5] : 0];
    float *px = calloc((size_t)W * H, sizeof *px);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!px || !rng) {
        return 1;
    }
    printf("seeing wind  outer     n  fail    bias  scatter   sigma    pull  width   in90 wind b "
           "scat  sigma share stars cpu/s\n");
    for (size_t row = 0; row < sizeof rows / sizeof *rows; row++) {
        struct tally tally = {0};
        if (arguments[4] >= 0 && row != (size_t)arguments[4]) {
            continue;
        }
        gsl_rng_set(rng, (unsigned long)arguments[2] + row);
        for (long i = 0; i < arguments[0]; i++) {
            const bool is_drawn = !(rows[row][0] > 0.0);
            const double wind = is_drawn ? 10.0 * exp(gsl_ran_gaussian(rng, 0.472)) : rows[row][1];
            struct nw_synth_trail_opts o = draw(
                is_drawn ? 1.5 + 1.5 * gsl_rng_uniform(rng) : rows[row][0], wind,
                is_drawn ? 25.0 * exp(gsl_ran_gaussian(rng, 0.385)) : rows[row][2], shares, rng);
            o.exposure_s = (double)arguments[1];
            o.n_stars = (size_t)arguments[3];
            struct nw_trail_seeing seeing;
            struct nw_err err = {0};
            double r0_m = NAN;
            if (nw_synth_trail(&o, px, &r0_m, &err) != NW_OK) {
                printf("%s\n", err.text);
                return 1;
            }
            const clock_t before = clock();
            if (judge(&o, px, &seeing, &err) != NW_OK) {
                tally.n_failed++;
                printf("# %s\n", err.text);
                continue;
            }
            tally.cpu_s += (double)(clock() - before) / CLOCKS_PER_SEC;
            if (fabs(log(seeing.seeing_rad / o.seeing_rad)) > 0.5) { /* worth a look */
                printf("# seed %llu: %.2f for %.2f arcsec, wind %.1f m/s, %zu stars, wobble %.2f "
                       "noise %.2f arcsec\n",
                       (unsigned long long)o.seed, seeing.seeing_rad * NW_ARCSEC_PER_RAD,
                       o.seeing_rad * NW_ARCSEC_PER_RAD, seeing.wind_m_s, seeing.n_stars,
                       seeing.wobble_rad * NW_ARCSEC_PER_RAD, seeing.noise_rad * NW_ARCSEC_PER_RAD);
            }
            count(&o, &seeing, wind, &tally);
        }
        print(rows[row][0], rows[row][1], rows[row][2], &tally);
    }
    gsl_rng_free(rng);
    free(px);
    return 0;
}
