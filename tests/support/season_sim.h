/* season_sim.h - seasons with known truth for the tests of the season: subs composed from OTFs
 * (nw_psf_compose) with a focus error of each run, a seeing that wanders and is shared by frames
 * and guide log, and causes that no line has. Knows nothing of the analyser: numbers of star_rig.h
 * by hand. */
#ifndef NW_TEST_SEASON_SIM_H
#define NW_TEST_SEASON_SIM_H

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart.h"
#include "sky/sky.h"
#include "star_rig.h"

enum { SIM_NIGHTS = 64, SIM_SUBS = 60 };

struct season_truth {
    size_t n_nights, n_subs;
    /* factors on what the rig says */
    double colour, decentre, focus, tilt, motion, flexure;
    double tilt_rad;            /* the frame's median disc as the rig has it */
    bool has_field;             /* zones and elongation are measured too */
    double aside_rad;           /* flexure goes so far beside the vertical */
    double stretch;             /* elongation of all subs along x */
    double bend_m;              /* curvature, centre to corner; the frame's width is without it */
    double local_rad, settle_s; /* at the first sub */
    double ln_seeing;           /* of the usual air against 2 arcsec */
    double night, wander, scatter;
    /* what no line has */
    double pinch_rad;      /* FWHM of a constant blur */
    size_t pinched_nights; /* the first so many */
    double slip_m_per_h;   /* defocus at the sensor, since the focus run */
    double airmass_power;  /* of the seeing; 0.6 */
};

struct season_sim {
    struct nw_star_frame frames[SIM_NIGHTS][SIM_SUBS];
    double change_K[SIM_NIGHTS][SIM_SUBS];
    struct nw_apart_night nights[SIM_NIGHTS];
    double seeing_rad[SIM_NIGHTS][SIM_SUBS]; /* at the zenith, 500 nm */
};

/* Half a Gaussian, or one about 1, never below 0. */
static inline double sim_positive(gsl_rng *rng, double mean, double sigma) {
    double value;
    do {
        value = mean + gsl_ran_gaussian(rng, sigma);
    } while (value < 0.0);
    return value;
}

#define SIM_AS (1.0 / NW_ARCSEC_PER_RAD)
static const double SIM_INTERVAL_S = 5400.0;

struct sim_sub {
    double seeing_rad, airmass, t_open_s, defocus_m;
    double motion_rad[2]; /* right ascension along x, the camera being upright */
    double vertical_rad;  /* position angle of the zenith: flexure goes along it */
    bool is_zone;         /* one place of the field, this far from the middle's focus */
    double place_m;
};

/* All OTFs of one sub; discs: lens colour, 12 of a uniform spread. At one place tilt and defocus
 * are one disc; over the frame the median star's disc of tilt stands beside that of defocus. */
static inline enum nw_status sim_profile(const struct season_truth *t, const struct sim_sub *sub,
                                         struct nw_psf *psf) {
    const double f_m = 0.644;
    const double d_m = 0.115;
    const double wavelength_m = 550e-9;
    const double disc = d_m / (f_m * f_m);
    const double per_d = wavelength_m / d_m;
    struct nw_disc colours[12];
    for (int i = 0; i < 12; i++) {
        colours[i] =
            (struct nw_disc){.diameter_rad = t->colour * sqrt(3.0) * 22e-6 * (290.0 / 300.0) *
                                             0.64 * (i + 0.5) / 12.0 * disc,
                             .weight = 1.0};
    }
    const double r0_m = nw_sky_r0_of_seeing_m(sub->seeing_rad, 500e-9, 25.0) * pow(1.1, 1.2) *
                        pow(sub->airmass, -t->airmass_power);
    const double local = t->local_rad * exp(-sub->t_open_s / t->settle_s);
    const double line = t->flexure * 4.0 * SIM_AS / 3600.0 * 300.0;
    const double blur = pow(t->decentre * 0.3 * SIM_AS / NW_FWHM_PER_SIGMA, 2.0) +
                        pow(t->pinch_rad / NW_FWHM_PER_SIGMA, 2.0);
    const double ra = t->motion * sub->motion_rad[0];
    const double dec = t->motion * sub->motion_rad[1];
    const double bends = sub->vertical_rad + t->aside_rad;
    const double tilt = sub->is_zone ? 0.0 : t->tilt * t->tilt_rad;
    const double defocus_m = fabs(sub->defocus_m + (sub->is_zone ? sub->place_m : 0.0));
    struct nw_otf parts[10] = {
        {.kind = NW_OTF_SEEING, .p = {r0_m, wavelength_m, 25.0}},
        {.kind = NW_OTF_PUPIL, .p = {d_m, wavelength_m, 0.0}},
        {.kind = NW_OTF_DISCS, .p = {0.0, per_d}, .mix = colours, .n_mix = 12},
        {.kind = NW_OTF_GAUSS, .p = {blur + ra * ra, 0.0, blur + dec * dec}},
        {.kind = NW_OTF_LINE, .p = {line * sin(bends), line * cos(bends), 0.0}},
        {.kind = NW_OTF_BOX, .p = {3.76e-6 / f_m, 0.0, 0.0}},
        {.kind = NW_OTF_DISC, .p = {tilt, per_d}},
    };
    size_t n = 7;
    if (defocus_m > 1e-7) {
        parts[n++] = (struct nw_otf){.kind = NW_OTF_DISC, .p = {defocus_m * disc, per_d}};
    }
    if (local > 1e-9) {
        parts[n++] =
            (struct nw_otf){.kind = NW_OTF_SEEING,
                            .p = {0.97586343 * wavelength_m / local, wavelength_m, INFINITY}};
    }
    return nw_psf_compose(parts, n, psf, NULL);
}

static inline enum nw_status sim_width(const struct season_truth *t, const struct sim_sub *sub,
                                       double *ret_rad) {
    struct nw_psf psf = {0};
    const enum nw_status status = sim_profile(t, sub, &psf);
    *ret_rad = psf.fwhm_rad;
    return status;
}

/* Widths of middle and corner zones (80 % of the way out), 2 % of noise; 4 % more in all corners,
 * from coma and colour. Tilt: 45 um corner to corner at the angle 2.2, as star_rig.h has it. */
static inline void sim_zones(const struct season_truth *t, const struct sim_sub *sub, gsl_rng *rng,
                             struct nw_star_frame *f) {
    const double w = 6248.0;
    const double h = 4176.0;
    const double diagonal = hypot(w, h);
    const double c = cos(2.2);
    const double s = sin(2.2);
    const double per_half = 0.5 * t->tilt * 45e-6 * diagonal / (fabs(c) * w + fabs(s) * h);
    for (int k = 0; k < 5; k++) {
        const double u = k == 4 ? 0.0 : (k % 2 ? 0.8 : -0.8) * w / diagonal;
        const double v = k == 4 ? 0.0 : (k / 2 ? 0.8 : -0.8) * h / diagonal;
        struct sim_sub zone = *sub;
        double width = NAN;
        zone.is_zone = true;
        zone.place_m = per_half * (c * u + s * v) + t->bend_m * (u * u + v * v - 1.0 / 3.0);
        if (sim_width(t, &zone, &width) != NW_OK) {
            abort();
        }
        *(k == 4 ? &f->fwhm_centre_rad : &f->fwhm_corner_rad[k]) =
            width * (k == 4 ? 1.0 : 1.04) * (1.0 + gsl_ran_gaussian(rng, 0.02));
    }
}

/* What the guide log says of a sub. Its noise is taken off as it usually is: what is left over goes
 * with the seeing of the same minute, the guide star sees the same air. */
static inline void sim_log(const struct sim_sub *sub, double log_error, struct nw_star_frame *f) {
    const double air2 = pow(0.07 * sub->seeing_rad, 2.0);
    const double noise2 = pow(0.15 * SIM_AS, 2.0) + air2;
    const double left = 0.15 * log_error * noise2 + 0.3 * (air2 - pow(0.14 * SIM_AS, 2.0));
    for (int axis = 0; axis < 2; axis++) {
        const double motion2 = sub->motion_rad[axis] * sub->motion_rad[axis] + left;
        const double told = sqrt(fmax(0.01 * SIM_AS * SIM_AS, motion2));
        *(axis ? &f->motion_dec_rad : &f->motion_ra_rad) = told;
        *(axis ? &f->motion_dec_low_rad : &f->motion_ra_low_rad) = 0.8 * told;
        *(axis ? &f->motion_dec_high_rad : &f->motion_ra_high_rad) = 1.2 * told;
    }
}

/* Zones and elongation; the log's axes have 10 % of noise in each sub. */
static inline void sim_field(const struct season_truth *t, const struct sim_sub *sub,
                             const struct nw_psf *psf, gsl_rng *rng, struct nw_star_frame *f) {
    sim_zones(t, sub, rng, f);
    /* a fitted profile reads less than the ellipse at half maximum: 0.76 of it on 72 frames of
     * simulated nights whose truth is known */
    f->e1 = 0.76 * psf->e1 + t->stretch + gsl_ran_gaussian(rng, 0.004);
    f->e2 = 0.76 * psf->e2 + gsl_ran_gaussian(rng, 0.004);
    f->e_sigma = 0.004;
    f->motion_ra_rad *= 1.0 + gsl_ran_gaussian(rng, 0.05);
    f->motion_dec_rad *= 1.0 + gsl_ran_gaussian(rng, 0.05);
    f->parallactic_rad = sub->vertical_rad;
}

static inline void sim_night(const struct season_truth *t, gsl_rng *rng, size_t k,
                             struct season_sim *sim) {
    const double start_s = 1.7e9 + 86400.0 * (double)k;
    const double step_s = 310.0 * 1.0;
    double level = gsl_ran_gaussian(rng, t->night);
    const double culmination_h = 6.0 * gsl_rng_uniform(rng) - 1.0;
    const double ra0 = (0.3 + 0.3 * gsl_rng_uniform(rng)) * SIM_AS;
    const double dec0 = (0.25 + 0.3 * gsl_rng_uniform(rng)) * SIM_AS;
    const double rate_K_h = -(0.4 + 2.0 * gsl_rng_uniform(rng));
    const double log_error = gsl_ran_gaussian(rng, 1.0);
    double run_s = 0.0;
    double run_error_m = gsl_ran_gaussian(rng, 18e-6 * 0.64);
    for (size_t i = 0; i < t->n_subs; i++) {
        const double at_s = step_s * (double)i;
        const double keep =
            exp(-0.5 * t->wander * t->wander * step_s / 3600.0 / (t->night * t->night));
        level =
            i ? keep * level + gsl_ran_gaussian(rng, t->night * sqrt(1.0 - keep * keep)) : level;
        if (at_s - run_s >= SIM_INTERVAL_S) {
            run_s = at_s;
            run_error_m = gsl_ran_gaussian(rng, 18e-6 * 0.64);
        }
        const double scatter = gsl_ran_gaussian(rng, t->scatter);
        const double seeing = 2.0 * SIM_AS * exp(t->ln_seeing + level + scatter);
        const double away_h = at_s / 3600.0 - culmination_h;
        const double airmass = 1.02 + 0.055 * away_h * away_h;
        const double change_K = rate_K_h * exp(-at_s / 20000.0) * (at_s + 150.0 - run_s) / 3600.0;
        const double drift_m = 0.69 * 23.6e-6 * fabs(change_K) * 0.64;
        const double slip_m = t->slip_m_per_h * (at_s + 150.0 - run_s) / 3600.0;
        const double defocus_m = t->focus * (drift_m + run_error_m) + slip_m;
        const struct sim_sub sub = {.seeing_rad = seeing,
                                    .airmass = airmass,
                                    .t_open_s = at_s + 150.0,
                                    .defocus_m = defocus_m,
                                    .vertical_rad = t->has_field ? 0.9 * atan(away_h) : 0.5 * NW_PI,
                                    .motion_rad = {ra0 * (0.8 + 0.4 * gsl_rng_uniform(rng)),
                                                   dec0 * (0.8 + 0.4 * gsl_rng_uniform(rng))}};
        struct nw_psf psf = {0};
        if (sim_profile(t, &sub, &psf) != NW_OK) {
            abort();
        }
        const double width = psf.fwhm_rad;
        struct nw_star_frame *f = &sim->frames[k][i];
        *f = test_star_frame(start_s + at_s, airmass, width * (1.0 + gsl_ran_gaussian(rng, 0.005)));
        f->fwhm_sigma_rad = 0.005 * width;
        f->exposure_s = 300.0;
        f->since_focus_s = run_s > 0.0 ? at_s - run_s : NAN;
        sim->change_K[k][i] = change_K;
        sim->seeing_rad[k][i] = seeing;
        sim_log(&sub, log_error, f);
        if (t->has_field) {
            sim_field(t, &sub, &psf, rng, f);
        }
    }
    sim->nights[k] = (struct nw_apart_night){
        .frames = sim->frames[k], .n = t->n_subs, .focus_change_K = sim->change_K[k]};
}

static inline void sim_season(const struct season_truth *truth, gsl_rng *rng,
                              struct season_sim *sim) {
    for (size_t k = 0; k < truth->n_nights; k++) {
        struct season_truth night = *truth;
        night.pinch_rad = k < truth->pinched_nights ? truth->pinch_rad : 0.0;
        sim_night(&night, rng, k, sim);
    }
}

/* The rig of star_rig.h without the lines that the simulation leaves out. */
static inline void sim_rig(struct nw_rig *rig, struct nw_setup *setup) {
    test_star_rig(rig, setup);
    rig->site.local_air_rad = test_given(0.0, 1.0 * SIM_AS);
    rig->mount.polar_error_rad = test_given(0.0, 0.0);
    rig->site.pressure_Pa = test_given(0.0, 0.0); /* no dispersion */
    setup->filter.width_m = test_given(290e-9, 0.0);
    setup->astigmatism_m = test_given(0.0, 0.0);
    setup->curvature_m = test_given(0.0, 0.0);
}

#endif
