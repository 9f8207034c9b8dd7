/* whiten.h - regression through the filter of the loop model.
 * Idea: the filter turns a column (errors, the path of the pulses, a sine) into innovations that
 * are white for a random walk with wandering drift plus noise with memory; least squares on such
 * columns is the exact likelihood (de Jong 1991, Ann. Stat. 19, 1073). The gains do not depend on
 * the data: they are found once, then any number of columns pass. */
#ifndef NW_GUIDING_WHITEN_H
#define NW_GUIDING_WHITEN_H

#include "guiding/guiding_internal.h"

/* Spectra of motion and noise, in units of r (variance of n) and dt0; rho: memory of n over dt0;
 * white: the share of r without a memory beside it (0: all of it has that memory). */
struct guide_noise {
    double ln_q, ln_qv, rho, white;
};

struct guide_step {               /* of one sample */
    double dt, keep;              /* since the last one; what n remembers of it */
    double k_m, k_v, k_n, weight; /* gains; 1/sigma of the innovation, 0: tells nothing */
};

struct guide_whitener {
    struct guide_step *steps;
    const bool *starts; /* of the series */
    size_t n, n_told;   /* samples; those with a weight */
    double ln_s;        /* sum of ln variance of the innovations */
    double vv;          /* variance of the drift behind the last sample, in units of r */
};
enum nw_status nw_guide_whitener_init(const struct guide_series *s, const struct guide_noise *noise,
                                      struct guide_whitener *ret, struct nw_err *err) NW_CHECKED;
/* The same memory for another noise. */
void nw_guide_whitener_set(const struct guide_series *s, const struct guide_noise *noise,
                           struct guide_whitener *w);
void nw_guide_whitener_done(struct guide_whitener *w);
/* A column of n values as n innovations of variance r; 0 where nothing is told. In place allowed.
 * Returns the drift behind the last sample, per dt0; its variance is vv r. */
double nw_guide_whiten(const struct guide_whitener *w, const double *column, double *ret);
/* The same in place for n_cols columns, several at once: in a fraction of the time. */
void nw_guide_whiten_all(const struct guide_whitener *w, double *const *columns, size_t n_cols);
/* Sum of the squared innovations of a column under a noise, their ln variances and number, in one
 * walk without keeping the gains. */
double nw_guide_noise_squares(const struct guide_series *s, const struct guide_noise *noise,
                              const double *column, double *ret_ln_s, size_t *ret_n);
/* The same of two columns beside each other, with the drift that each shows. */
struct guide_two {
    double ee, ex, xx, ln_s;
    double v_e, v_x, vv; /* drift behind the last sample, per dt0; variance in units of r */
    size_t n;
};
struct guide_two nw_guide_noise_two(const struct guide_series *s, const struct guide_noise *noise,
                                    const double *e, const double *x);

/* ---- noise_fit.c ---- */
struct guide_noise_job {
    const struct guide_series *s;
    const double *rest;    /* errors less what is known to have moved the star */
    bool is_drift_steady;  /* no wander */
    bool is_white_free;    /* noise with a memory and white noise beside it */
    bool is_memory_signed; /* rho may be below 0: held at 0 it would bias what leans on it */
    /* NULL, or a column whose coefficient is fitted too; its prior is 0 with this precision, in
     * units of 1/r */
    const double *free_x;
    double free_precision;
};
/* Maximum likelihood from a start. Returns -2 ln L; INFINITY where memory is out or the start has
 * no likelihood, and leaves it. */
double nw_guide_fit_noise(const struct guide_noise_job *job, struct guide_noise *noise);

/* ---- small least squares: y = sum c_j x_j ---- */
enum { GUIDE_COLUMNS = 18 };
struct guide_normal {
    size_t n_cols;
    double yy, xy[GUIDE_COLUMNS], xx[GUIDE_COLUMNS][GUIDE_COLUMNS];
};
struct guide_solution {
    double c[GUIDE_COLUMNS], cov[GUIDE_COLUMNS][GUIDE_COLUMNS]; /* cov for unit variance */
    double rss;
};
struct guide_normal nw_guide_normal(const double *y, const double *const *x, size_t n_cols,
                                    size_t n);
/* false: the columns do not determine the coefficients */
bool nw_guide_solve(const struct guide_normal *normal, struct guide_solution *ret);

#endif
