/* many.c - altitude, airmass and moonlight of many targets over many minutes.
 * Idea: everything that depends on the moment alone is worked out once, everything that depends on
 * an angle alone is a table; what is left for each target and minute are two products of vectors,
 * two square roots, a polynomial and three look-ups. The moments stand in columns, so that the
 * products and polynomials are done several at a time.
 * Holds: 1. arc cosine by Abramowitz & Stegun 1964, 4.4.46: 2e-8 rad = 0.004 arcsec. 2. tables are
 * linear between 4096 knots over 90 or 180 deg: errors in bright.h. 3. zenith distances here are
 * those of the refracted altitude for the airmass, of the true one for the glow (K&S). */
#include <math.h>

#include "base/clones.h"
#include "sky/bright.h"

#define KNOTS 4096
#define BLOCK 512 /* moments done at a time: all columns stay in the nearest cache */

struct tables {
    /* over altitude 0..90 deg */
    float airmass[KNOTS + 2];
    float scattered[KNOTS + 2]; /* 1 - 10^(-0.4 k X) of the target */
    /* over separation 0..180 deg */
    float moon[KNOTS + 2]; /* f(rho) */
};

/* What one block of moments needs, as columns. */
struct columns {
    double zenith[3][BLOCK], moon[3][BLOCK], velocity[3][BLOCK];
    double moon_light[BLOCK]; /* I* 10^(-0.4 k X(Zm)), 0 below the horizon */
    double a, b;              /* refraction */
    size_t n;
};

struct job {
    const struct nw_sky_many *what;
    const struct columns *columns; /* one a block */
    const struct tables *tables;
    const struct nw_sky_rows *ret;
};

static void fill_tables(struct tables *t, double extinction_mag) {
    for (int i = 0; i < KNOTS + 2; i++) {
        const double h = fmin(0.5 * NW_PI, 0.5 * NW_PI * i / KNOTS);
        const double rho = fmin(NW_PI, NW_PI * i / KNOTS);
        t->airmass[i] = (float)nw_sky_airmass(h);
        const double x = nw_sky_glow_airmass(0.5 * NW_PI - h);
        const double scattered = 1.0 - pow(10.0, -0.4 * extinction_mag * x);
        t->scattered[i] = (float)scattered;
        /* everything else of the formula divided out: zenith distances of 45 deg, full Moon */
        const double x45 = nw_sky_glow_airmass(0.25 * NW_PI);
        const double rest = pow(10.0, -0.4 * (3.84 + extinction_mag * x45)) *
                            (1.0 - pow(10.0, -0.4 * extinction_mag * x45));
        t->moon[i] =
            (float)(nw_sky_moonlight_nl(0.0, rho, 0.25 * NW_PI, 0.25 * NW_PI, extinction_mag) /
                    rest);
    }
}

static void fill_columns(const struct nw_sky_many *job, size_t from, struct columns *c) {
    c->n = job->n_moments - from < BLOCK ? job->n_moments - from : BLOCK;
    c->a = job->moments[from].refraction_a;
    c->b = job->moments[from].refraction_b;
    for (size_t j = 0; j < c->n; j++) {
        const struct nw_sky_moment *const m = &job->moments[from + j];
        for (int i = 0; i < 3; i++) {
            c->zenith[i][j] = m->zenith[i];
            c->moon[i][j] = m->moon[i];
            c->velocity[i][j] = m->velocity_c[i];
        }
        const double alpha_deg = m->moon_phase_rad * NW_DEG_PER_RAD;
        const double x = nw_sky_glow_airmass(0.5 * NW_PI - m->moon_altitude_rad);
        c->moon_light[j] =
            m->moon_altitude_rad > 0.0
                ? pow(10.0, -0.4 * (3.84 + 0.026 * alpha_deg + 4e-9 * pow(alpha_deg, 4.0) +
                                    job->extinction_mag * x))
                : 0.0;
    }
}

/* asin of -1..1 (Abramowitz & Stegun 4.4.46). */
static inline double arc_sine(double x) {
    const double size = x < 0.0 ? -x : x;
    const double u = size > 1.0 ? 1.0 : size;
    const double p =
        1.5707963050 +
        u * (-0.2145988016 +
             u * (0.0889789874 +
                  u * (-0.0501743046 +
                       u * (0.0308918810 +
                            u * (-0.0170881256 + u * (0.0066700901 + u * -0.0012624911))))));
    const double y = 0.5 * NW_PI - sqrt(1.0 - u) * p;
    return x < 0.0 ? -y : y;
}

static inline double look_up(const float *table, double place) {
    const int i = (int)place;
    const double part = place - i;
    return (double)table[i] + part * ((double)table[i + 1] - (double)table[i]);
}

/* Sines of altitude and cosines of separation, then angles, of one target over one block. */
NW_CLONES static void angles(const struct columns *c, const double s[static 3], double *altitude,
                             double *lifted, double *separation) {
    const double a = c->a;
    const double b = c->b;
#pragma omp simd
    for (size_t j = 0; j < c->n; j++) {
        const double x = s[0] + c->velocity[0][j];
        const double y = s[1] + c->velocity[1][j];
        const double z = s[2] + c->velocity[2][j];
        const double scale = 1.0 / sqrt(x * x + y * y + z * z);
        const double up = scale * (x * c->zenith[0][j] + y * c->zenith[1][j] + z * c->zenith[2][j]);
        const double near = scale * (x * c->moon[0][j] + y * c->moon[1][j] + z * c->moon[2][j]);
        const double held = up > 0.05 ? up : 0.05;
        const double across = 1.0 - up * up;
        const double tan_z = sqrt(across > 1e-12 ? across : 1e-12) / held;
        const double w = b * tan_z * tan_z;
        altitude[j] = arc_sine(up);
        lifted[j] = altitude[j] + (a + w) * tan_z / (1.0 + (a + 3.0 * w) / (held * held));
        separation[j] = 0.5 * NW_PI - arc_sine(near);
    }
}

NW_CLONES static void write_rows(const struct job *job, const struct columns *c, size_t at,
                                 const double *altitude, const double *lifted,
                                 const double *separation) {
    const double per_rad = KNOTS / (0.5 * NW_PI);
    for (size_t j = 0; job->ret->altitude_rad && j < c->n; j++) {
        job->ret->altitude_rad[at + j] = (float)lifted[j];
    }
    for (size_t j = 0; job->ret->airmass && j < c->n; j++) {
        job->ret->airmass[at + j] =
            lifted[j] >= 0.0 ? (float)look_up(job->tables->airmass, lifted[j] * per_rad) : NAN;
    }
    for (size_t j = 0; job->ret->moonlight_nl && j < c->n; j++) {
        const bool is_lit = altitude[j] > 0.0 && c->moon_light[j] > 0.0;
        job->ret->moonlight_nl[at + j] =
            is_lit ? (float)(c->moon_light[j] *
                             look_up(job->tables->scattered, altitude[j] * per_rad) *
                             look_up(job->tables->moon, separation[j] * (KNOTS / NW_PI)))
                   : 0.0F;
    }
}

static void one_target(void *user, size_t i_target) {
    const struct job *const job = user;
    double s[3];
    double altitude[BLOCK];
    double lifted[BLOCK];
    double separation[BLOCK];
    nw_sky_vector(job->what->targets[i_target].ra_rad, job->what->targets[i_target].dec_rad, s);
    for (size_t from = 0; from < job->what->n_moments; from += BLOCK) {
        const struct columns *const c = &job->columns[from / BLOCK];
        angles(c, s, altitude, lifted, separation);
        write_rows(job, c, i_target * job->what->n_moments + from, altitude, lifted, separation);
    }
}

enum nw_status nw_sky_many(const struct nw_sky_many *what, const struct nw_sky_rows *ret,
                           struct nw_err *err) {
    if (!(what->extinction_mag >= 0.0 && what->extinction_mag <= 5.0)) {
        return nw_err_set(err, NW_DOMAIN, "extinction %g mag is outside 0 to 5 mag",
                          what->extinction_mag);
    }
    const size_t n_blocks = (what->n_moments + BLOCK - 1) / BLOCK;
    struct columns *const columns = nw_calloc(n_blocks ? n_blocks : 1, sizeof *columns);
    struct tables *const tables = nw_calloc(1, sizeof *tables);
    enum nw_status status = NW_OK;
    if (!columns || !tables) {
        status = nw_err_set(err, NW_NOMEM, "%zu moments in columns", what->n_moments);
        goto done;
    }
    struct job job = {.what = what, .columns = columns, .tables = tables, .ret = ret};
    fill_tables(tables, what->extinction_mag);
    for (size_t i = 0; i < n_blocks; i++) {
        fill_columns(what, i * BLOCK, &columns[i]);
    }
    (void)nw_parallel_for(what->n_targets, what->n_threads, one_target, &job, NULL);
done:
    free(columns);
    free(tables);
    return status;
}
