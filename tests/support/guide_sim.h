/* guide_sim.h - a small closed guide loop with known truth, for tests of src/guiding.
 * Idea: the mount wanders (random walk, drift, worm, gear noise with memory), the loop measures
 * motion plus noise and answers with pulses one or two frames later. Nothing here knows of the
 * analysers: it steps time, it solves nothing. */
#ifndef NW_TEST_GUIDE_SIM_H
#define NW_TEST_GUIDE_SIM_H

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "guiding/guiding.h"

#define SIM_ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

struct sim_axis { /* arcsec and s */
    double noise, walk_per_sqrt_s, drift_per_min, worm, worm_period_s, worm_phase, gear, gear_s,
        start;
    double gain, deadband, response, noise_memory;
    int delay; /* frames from measurement to effect: 1 or 2 */
    /* gears: play; what wind-up lets through inside it; + pulses stronger than - by this factor */
    double gap, windup, up_factor;
    double rate; /* at which pulses are logged [arcsec/s]; 0: 7.5. response 0.85 = acts at 85 % */
};

/* What one axis did, n samples of step dt: e as measured, y true, u commanded correction [arcsec].
 * kick[k], if given, is added to the motion at sample k (a dither). */
struct sim_path {
    size_t n;
    double dt;
    double *e, *y, *u;
    const double *kick;
    size_t *crossings; /* NULL, or how often the gap was crossed */
};

/* Motor and axis: the axis is carried along where the motor comes within half a gap of losing it.
 */
struct sim_gears {
    double motor, axis;
    int side; /* carried last: 1 up, -1 down */
    size_t crossings;
};

static inline double sim_turn(const struct sim_axis *a, struct sim_gears *g, double commanded) {
    const double factor = a->up_factor > 0.0 && commanded > 0.0 ? a->up_factor : 1.0;
    const double moved = a->response * factor * commanded;
    const double was = g->axis;
    g->motor += moved;
    g->axis = fmin(g->motor + 0.5 * a->gap, fmax(g->motor - 0.5 * a->gap, g->axis));
    const double carried = g->axis - was;
    const int side = carried > 0.0 ? 1 : carried < 0.0 ? -1 : g->side;
    g->crossings += side * g->side < 0;
    g->side = side;
    return carried + a->windup * (moved - carried);
}

static inline void sim_run(const struct sim_axis *a, gsl_rng *rng, const struct sim_path *path) {
    const size_t n = path->n;
    const double dt = path->dt;
    double *e = path->e;
    double *y = path->y;
    double *u = path->u;
    double walk = a->start;
    double gear = 0.0;
    double noise = 0.0;
    double moved = 0.0; /* by the pulses so far */
    struct sim_gears gears = {.motor = a->gap > 0.0 ? a->gap * (gsl_rng_uniform(rng) - 0.5) : 0.0};
    /* always drawn, so that a given phase does not change the rest of the night */
    const double drawn = 2.0 * NW_PI * gsl_rng_uniform(rng);
    const double phase = a->worm_phase > 0.0 ? a->worm_phase : drawn;
    const double at_zero = a->worm * (sin(phase) + 0.25 * sin(1.0) + 0.06 * sin(2.0));
    const double keep = a->gear > 0.0 ? exp(-dt / a->gear_s) : 0.0;
    for (size_t k = 0; k < n; k++) {
        const double t = (double)k * dt;
        walk += a->drift_per_min * dt / 60.0 +
                gsl_ran_gaussian(rng, 1.0) * a->walk_per_sqrt_s * sqrt(dt);
        walk += path->kick ? path->kick[k] : 0.0;
        gear = keep * gear + gsl_ran_gaussian(rng, 1.0) * a->gear * sqrt(1.0 - keep * keep);
        noise = a->noise_memory * noise +
                gsl_ran_gaussian(rng, 1.0) * sqrt(1.0 - a->noise_memory * a->noise_memory);
        double worm = 0.0;
        if (a->worm > 0.0) {
            const double w = 2.0 * NW_PI * t / a->worm_period_s;
            worm =
                a->worm * (sin(w + phase) + 0.25 * sin(2.0 * w + 1.0) + 0.06 * sin(8.0 * w + 2.0)) -
                at_zero;
        }
        y[k] = walk + gear + worm + moved;
        e[k] = y[k] + a->noise * noise;
        u[k] = fabs(e[k]) > a->deadband ? -a->gain * e[k] : 0.0;
        if (a->delay == 1) {
            moved += sim_turn(a, &gears, u[k]);
        } else if (k > 0) {
            moved += sim_turn(a, &gears, u[k - 1]);
        }
    }
    if (path->crossings) {
        *path->crossings = gears.crossings;
    }
}

struct sim_night {
    size_t n;
    double dt;
    double *e[2], *y[2], *u[2], *kick[2];
    size_t crossings[2];
    struct nw_guide_log log;
};

static inline void sim_night_init(struct sim_night *night, size_t n, double dt) {
    memset(night, 0, sizeof *night);
    night->n = n;
    night->dt = dt;
    for (int i = 0; i < 2; i++) {
        night->e[i] = calloc(n, sizeof(double));
        night->y[i] = calloc(n, sizeof(double));
        night->u[i] = calloc(n, sizeof(double));
        night->kick[i] = calloc(n, sizeof(double));
    }
    night->log.rows = calloc(n, sizeof *night->log.rows);
}

static inline void sim_night_done(struct sim_night *night) {
    for (int i = 0; i < 2; i++) {
        free(night->e[i]);
        free(night->y[i]);
        free(night->u[i]);
        free(night->kick[i]);
    }
    free(night->log.rows);
}

/* Runs both axes and writes the log as a reader would hand it over: pulses at 7.5 arcsec/s, rows
 * say "after", declination 0. */
static inline void sim_night_run(struct sim_night *night, const struct sim_axis *ra,
                                 const struct sim_axis *dec, gsl_rng *rng) {
    for (int i = 0; i < 2; i++) {
        const struct sim_path path = {night->n,    night->dt,      night->e[i],         night->y[i],
                                      night->u[i], night->kick[i], &night->crossings[i]};
        sim_run(i == 0 ? ra : dec, rng, &path);
    }
    struct nw_guide_row *rows = night->log.rows;
    static char name[] = "simulated";
    night->log = (struct nw_guide_log){.path = name,
                                       .rows = rows,
                                       .n = night->n,
                                       .is_dec_sign_known = true,
                                       .pulse_acts = NW_PULSE_ACTS_AFTER,
                                       .exposure_s = night->dt,
                                       .guide_scale_rad_px = NAN,
                                       .ra_rate_rad_s = 7.5 * SIM_ARCSEC,
                                       .dec_rate_rad_s = 7.5 * SIM_ARCSEC,
                                       .declination_rad = 0.0,
                                       .hour_angle_rad = NAN,
                                       .latitude_rad = NAN,
                                       .elevation_m = NAN,
                                       .worm_period_s = NAN};
    for (size_t k = 0; k < night->n; k++) {
        const size_t sent = k;
        const int late = ra->delay == 2 ? 1 : 0;
        rows[k] = (struct nw_guide_row){.t_s = (double)k * night->dt,
                                        .ra_rad = night->e[0][k] * SIM_ARCSEC,
                                        .dec_rad = night->e[1][k] * SIM_ARCSEC,
                                        .snr = NAN,
                                        .lock_x_px = NAN,
                                        .lock_y_px = NAN,
                                        .line = k + 1};
        const bool has = sent >= (size_t)late;
        rows[k].ra_pulse_s = has ? night->u[0][sent - (size_t)late] / 7.5 : 0.0;
        rows[k].dec_pulse_s = has ? night->u[1][sent - (size_t)late] / 7.5 : 0.0;
    }
}

/* Seeded; for gsl_rng_free. */
static inline gsl_rng *sim_rng(unsigned long seed) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    return rng;
}

/* A loop that the model describes exactly: walk, drift, white noise. */
static const struct sim_axis SIM_PLAIN = {.noise = 0.3,
                                          .walk_per_sqrt_s = 0.05,
                                          .drift_per_min = 0.4,
                                          .gain = 0.4,
                                          .response = 1.0,
                                          .delay = 1};

/* True rms about the mean of each block of `per` samples, root mean square over whole blocks. */
static inline double sim_true_in_sub(const double *y, size_t n, size_t per) {
    double sum = 0.0;
    size_t blocks = 0;
    for (size_t first = 0; first + per <= n; first += per, blocks++) {
        double mean = 0.0;
        for (size_t k = first; k < first + per; k++) {
            mean += y[k] / (double)per;
        }
        for (size_t k = first; k < first + per; k++) {
            sum += (y[k] - mean) * (y[k] - mean) / (double)per;
        }
    }
    return sqrt(sum / (double)blocks);
}

static inline double sim_rms(const double *x, size_t n) {
    double sum = 0.0;
    for (size_t k = 0; k < n; k++) {
        sum += x[k] * x[k];
    }
    return sqrt(sum / (double)n);
}

#endif
