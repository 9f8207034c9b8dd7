/* field_sim.h - stars of a field with a known focal surface, by rays: nothing of the analyser.
 * Each star is a heap of rays: air (Moffat of beta 4.765, near Kolmogorov; Trujillo et al. 2001,
 * MNRAS 328, 977), a uniform disc of the defocus, the pixel; its half-light radius is the median
 * distance of the rays. */
#ifndef NW_TEST_FIELD_SIM_H
#define NW_TEST_FIELD_SIM_H

#include "field/field.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

struct sim_field {
    double z[4]; /* z0, a, b, c [m] */
    double f_ratio, pixel_m;
    double fwhm_px; /* of the air */
    double growth;  /* of all but the defocus, to the corner */
    double width_px, height_px;
    size_t n_stars, n_rays;
    bool has_shapes;
    double astigmatism_m, centre[2]; /* line foci at the corner, radial about the centre */
    double e1, e2, radial_px2;       /* what all stars share; radial moments without sign */
};

static inline double sim_star_radius(const struct sim_field *f, double fwhm_px, double disc_px,
                                     gsl_rng *rng, double *work) {
    const double beta = 4.765;
    const double alpha = fwhm_px / (2.0 * sqrt(pow(2.0, 1.0 / beta) - 1.0));
    for (size_t i = 0; i < f->n_rays; i++) {
        const double u = gsl_rng_uniform(rng);
        const double r = alpha * sqrt(pow(1.0 - u, 1.0 / (1.0 - beta)) - 1.0);
        const double phi = 6.283185307 * gsl_rng_uniform(rng);
        const double s = 0.5 * disc_px * sqrt(gsl_rng_uniform(rng));
        const double psi = 6.283185307 * gsl_rng_uniform(rng);
        const double x = r * cos(phi) + s * cos(psi) + gsl_rng_uniform(rng) + gsl_rng_uniform(rng) -
                         1.0; /* the pixel, twice: aperture sums */
        const double y =
            r * sin(phi) + s * sin(psi) + gsl_rng_uniform(rng) + gsl_rng_uniform(rng) - 1.0;
        work[i] = x * x + y * y;
    }
    return sqrt(nw_stat_median(work, f->n_rays)); /* odd numbers of rays: the middle one */
}

/* A frame whose sensor stands at `place_m`. The caller frees frame.stars. */
static inline struct nw_field_frame sim_frame(const struct sim_field *f, double place_m,
                                              gsl_rng *rng) {
    struct nw_field_frame frame = {.path = "simulated.fits",
                                   .width_px = (size_t)f->width_px,
                                   .height_px = (size_t)f->height_px,
                                   .stars = calloc(f->n_stars, sizeof *frame.stars),
                                   .n_stars = f->n_stars,
                                   .position_steps = NAN,
                                   .t_s = NAN,
                                   .temperature_K = NAN,
                                   .transmission = NAN,
                                   .rotator_rad = NAN,
                                   .altitude_rad = NAN};
    double *work = calloc(f->n_rays, sizeof *work);
    const double diagonal = hypot(f->width_px, f->height_px);
    double sum = 0.0;
    for (size_t i = 0; i < f->n_stars; i++) {
        struct nw_field_star *s = &frame.stars[i];
        s->u = (2.0 * gsl_rng_uniform(rng) - 1.0) * f->width_px / diagonal;
        s->v = (2.0 * gsl_rng_uniform(rng) - 1.0) * f->height_px / diagonal;
        const double rho2 = s->u * s->u + s->v * s->v;
        const double d = place_m - (f->z[0] + f->z[1] * s->u + f->z[2] * s->v + f->z[3] * rho2);
        const double fwhm = f->fwhm_px * (1.0 + f->growth * rho2);
        s->r_px = sim_star_radius(f, fwhm, fabs(d) / f->f_ratio / f->pixel_m, rng, work);
        s->fwhm_px = 2.0 * s->r_px;
        s->e1 = s->e2 = NAN;
        if (f->has_shapes) { /* moments of rays, air as a Gaussian: REFERENCES FOC-17 */
            const double du = s->u - f->centre[0];
            const double dv = s->v - f->centre[1];
            const double r = 1.0 / (f->f_ratio * f->pixel_m);
            const double a = f->astigmatism_m * r; /* times (du, dv)^2 as a vector of spin two */
            const double trace = 2.0 * pow(fwhm / 2.3548, 2.0) + pow(d * r, 2.0) / 8.0;
            s->fwhm_px = 2.3548 * sqrt(0.5 * trace);
            s->e1 = f->e1 + (d * r * a / 8.0 + f->radial_px2) * (du * du - dv * dv) / trace;
            s->e2 = f->e2 + (d * r * a / 8.0 + f->radial_px2) * 2.0 * du * dv / trace;
            s->e1 += gsl_ran_gaussian(rng, 0.02);
            s->e2 += gsl_ran_gaussian(rng, 0.02);
        }
        sum += s->fwhm_px;
    }
    frame.fwhm_px = sum / (double)f->n_stars;
    free(work);
    return frame;
}

#endif
