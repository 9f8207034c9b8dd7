/* surface_pulls.c - errors and pull widths of the focal surface over many simulated sets.
 * Idea: stars as half-light radii from a table made by rays (Moffat air of beta 4.765, uniform
 * disc, pixel twice; low-discrepancy sequence of 8 dimensions, 16383 rays a place), which shares
 * nothing with the analyser; half of the light within 2.5 widths of the frame is meant, as measured
 * frames have it. Seeing scatters 8 % between frames, stars grow 5 % (drawn, 5 % rms) to the
 * corner, each star's radius has an error of its own, the size of the blur is known to 2 %. Use:
 * surface_pulls pair|sweep|single TRIALS [SEED]; results stand in docs/surface.md. */
#include "field/field.h"

#include <gsl/gsl_qrng.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_spline2d.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { N_FWHM = 12, N_DISC = 28, RAYS = 16383, STARS = 420, FRAMES = 9, DIMS = 8 };
static const double FWHM_LOW = 1.2, FWHM_HIGH = 4.0, DISC_HIGH = 14.0;
static const double F_RATIO = 5.6, PIXEL_M = 3.76e-6, WIDTH = 6248.0, HEIGHT = 4176.0;

struct table {
    double ln_fwhm[N_FWHM], disc[N_DISC];
    float *r; /* sorted radii of all places */
    double ln_r[N_FWHM * N_DISC];
    gsl_spline2d *spline;
};

static int by_size(const void *a, const void *b) {
    const float x = *(const float *)a;
    const float y = *(const float *)b;
    return (x > y) - (x < y);
}

static void fill_place(double fwhm, double disc, float *ret) {
    gsl_qrng *q = gsl_qrng_alloc(gsl_qrng_sobol, DIMS);
    const double beta = 4.765;
    const double alpha = fwhm / (2.0 * sqrt(pow(2.0, 1.0 / beta) - 1.0));
    for (size_t i = 0; i < RAYS; i++) {
        double u[DIMS];
        gsl_qrng_get(q, u);
        const double r = alpha * sqrt(pow(1.0 - u[0], 1.0 / (1.0 - beta)) - 1.0);
        const double s = 0.5 * disc * sqrt(u[1]);
        const double phi = 2.0 * NW_PI * u[2];
        const double psi = 2.0 * NW_PI * u[3];
        const double x = r * cos(phi) + s * cos(psi) + u[4] + u[5] - 1.0;
        const double y = r * sin(phi) + s * sin(psi) + u[6] + u[7] - 1.0;
        ret[i] = (float)hypot(x, y);
    }
    qsort(ret, RAYS, sizeof *ret, by_size);
    gsl_qrng_free(q);
}

static void table_init(struct table *t) {
    t->r = malloc((size_t)N_FWHM * N_DISC * RAYS * sizeof *t->r);
    t->spline = gsl_spline2d_alloc(gsl_interp2d_bicubic, N_FWHM, N_DISC);
    if (!t->r || !t->spline) {
        abort();
    }
    for (size_t j = 0; j < N_DISC; j++) {
        t->disc[j] = DISC_HIGH * (double)j / (N_DISC - 1);
        for (size_t i = 0; i < N_FWHM; i++) {
            t->ln_fwhm[i] = log(FWHM_LOW) + log(FWHM_HIGH / FWHM_LOW) * (double)i / (N_FWHM - 1);
            fill_place(exp(t->ln_fwhm[i]), t->disc[j], t->r + (j * N_FWHM + i) * RAYS);
        }
    }
}

/* Radius that holds half of the light within the aperture. */
static void table_for(struct table *t, double aperture_px) {
    for (size_t k = 0; k < N_FWHM * N_DISC; k++) {
        const float *const r = t->r + k * RAYS;
        size_t n = 0;
        for (size_t step = 8192; step > 0; step /= 2) {
            n += n + step < RAYS && (double)r[n + step] < aperture_px ? step : 0;
        }
        double sum = 0.0; /* mean of a few about the middle one */
        for (size_t i = n / 2 - 8; i <= n / 2 + 8; i++) {
            sum += (double)r[i] / 17.0;
        }
        t->ln_r[k] = log(sum);
    }
    gsl_spline2d_init(t->spline, t->ln_fwhm, t->disc, t->ln_r, N_FWHM, N_DISC);
}

static double radius(const struct table *t, double fwhm, double disc) {
    return exp(gsl_spline2d_eval(t->spline, log(fwhm), fmin(disc, DISC_HIGH), NULL, NULL));
}

struct truth {
    double z[4], growth, star_sigma;
};

static void frame_init(struct table *t, const struct truth *truth, double place_m, double fwhm,
                       gsl_rng *rng, struct nw_field_frame *ret) {
    const double diagonal = hypot(WIDTH, HEIGHT);
    double sum = 0.0;
    for (int round = 0; round < 2; round++) { /* the aperture follows the frame's own width */
        table_for(t, round == 0 ? 10.0 * fwhm : 2.5 * ret->fwhm_px);
        sum = 0.0;
        for (size_t i = 0; i < STARS; i++) {
            struct nw_field_star *const s = &ret->stars[i];
            if (round == 0) {
                s->u = (2.0 * gsl_rng_uniform(rng) - 1.0) * WIDTH / diagonal;
                s->v = (2.0 * gsl_rng_uniform(rng) - 1.0) * HEIGHT / diagonal;
            }
            const double rho2 = s->u * s->u + s->v * s->v;
            const double z =
                truth->z[0] + truth->z[1] * s->u + truth->z[2] * s->v + truth->z[3] * rho2;
            s->r_px = radius(t, fwhm * (1.0 + truth->growth * rho2),
                             fabs(place_m - z) / F_RATIO / PIXEL_M);
            sum += 2.0 * s->r_px;
        }
        ret->fwhm_px = sum / STARS;
    }
    for (size_t i = 0; i < STARS; i++) {
        ret->stars[i].r_px *= exp(gsl_ran_gaussian(rng, truth->star_sigma));
    }
}

struct sums {
    double miss[4], miss2[4], pull[4], pull2[4], inside[4], step_miss, step_miss2;
    size_t n;
};

static void add(const struct nw_surface *s, const struct truth *truth, struct sums *sums) {
    double sign = 1.0;
    if (!s->is_sign_known && s->z[1] * truth->z[1] + s->z[2] * truth->z[2] < 0.0) {
        sign = -1.0;
    }
    for (size_t i = 0; i < 4; i++) {
        const double miss = sign * s->z[i] - truth->z[i];
        const double pull = miss / sqrt(s->cov[i][i]);
        sums->miss[i] += miss;
        sums->miss2[i] += miss * miss;
        sums->pull[i] += pull;
        sums->pull2[i] += pull * pull;
        sums->inside[i] += fabs(pull) < 1.96 ? 1.0 : 0.0;
    }
    const double step = s->step_measured_m / 1e-6 - 1.0;
    sums->step_miss += step;
    sums->step_miss2 += step * step;
    sums->n++;
}

static void print(const struct sums *s) {
    static const char *const NAMES[4] = {"z0", "a", "b", "c"};
    const double n = (double)s->n;
    printf("%zu trials\n      bias um   rms um  mean pull  pull width  inside 95 %%\n", s->n);
    for (size_t i = 0; i < 4; i++) {
        const double mean = s->pull[i] / n;
        printf("  %-2s %+8.2f %8.2f   %+8.2f   %8.3f   %8.3f\n", NAMES[i], 1e6 * s->miss[i] / n,
               1e6 * sqrt(s->miss2[i] / n), mean, sqrt(s->pull2[i] / n), s->inside[i] / n);
    }
    printf("  step from the blur alone: %+.2f %%, rms %.2f %%\n", 100.0 * s->step_miss / n,
           100.0 * sqrt(s->step_miss2 / n));
}

static size_t places_of(const char *method, double ret_um[FRAMES]) {
    if (strcmp(method, "sweep") == 0) {
        for (size_t i = 0; i < FRAMES; i++) {
            ret_um[i] = 20.0 * (double)i - 80.0;
        }
        return FRAMES;
    }
    ret_um[0] = strcmp(method, "pair") == 0 ? -80.0 : 0.0;
    ret_um[1] = 80.0;
    return ret_um[0] < 0.0 ? 2 : 1;
}

int main(int argc, char **argv) {
    static struct table table;
    static struct nw_field_star stars[FRAMES][STARS];
    if (argc < 3) {
        fprintf(stderr, "surface_pulls pair|sweep|single TRIALS [SEED]\n");
        return 2;
    }
    double places_um[FRAMES];
    const size_t n = places_of(argv[1], places_um);
    long n_trials = 0;
    long seed = 7;
    if (!nw_text_to_long(argv[2], &n_trials) || (argc > 3 && !nw_text_to_long(argv[3], &seed))) {
        return 2;
    }
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, (unsigned long)seed);
    struct sums sums = {.n = 0};
    table_init(&table);
    for (long k = 0; k < n_trials; k++) {
        const struct truth truth = {
            .z = {n == 1 ? -45e-6 : gsl_ran_gaussian(rng, 8e-6), gsl_ran_gaussian(rng, 25e-6),
                  gsl_ran_gaussian(rng, 25e-6), gsl_ran_gaussian(rng, 20e-6)},
            .growth = gsl_ran_gaussian(rng, 0.05),
            .star_sigma = 0.05,
        };
        struct nw_field_frame frames[FRAMES];
        for (size_t i = 0; i < n; i++) {
            frames[i] = (struct nw_field_frame){.path = "simulated",
                                                .width_px = (size_t)WIDTH,
                                                .height_px = (size_t)HEIGHT,
                                                .stars = stars[i],
                                                .n_stars = STARS,
                                                .position_steps = 20000.0 + places_um[i],
                                                .t_s = 30.0 * (double)i,
                                                .temperature_K = NAN,
                                                .transmission = NAN,
                                                .rotator_rad = NAN,
                                                .altitude_rad = NAN};
            const double fwhm = 1.9 * (1.0 + gsl_ran_gaussian(rng, 0.08));
            for (size_t j = 0; j < STARS; j++) {
                stars[i][j].e1 = stars[i][j].e2 = stars[i][j].fwhm_px = NAN;
            }
            frame_init(&table, &truth, places_um[i] * 1e-6, fwhm, rng, &frames[i]);
        }
        const struct nw_field_opts opts = {
            .optics = {F_RATIO * (1.0 + gsl_ran_gaussian(rng, 0.02)), PIXEL_M, 1e-9, 0.0},
            .step_m = 1e-6,
            .position_ref = 20000.0};
        struct nw_surface s;
        struct nw_err err;
        if (nw_field_surface(frames, n, &opts, &s, &err) != NW_OK) {
            fprintf(stderr, "trial %ld: %s\n", k, err.text);
            continue;
        }
        add(&s, &truth, &sums);
        nw_surface_done(&s);
    }
    print(&sums);
    gsl_spline2d_free(table.spline);
    free(table.r);
    gsl_rng_free(rng);
    return 0;
}
