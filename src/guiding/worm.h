/* worm.h - inside the folder: the search for periods (worm.c). */
#ifndef NW_GUIDING_WORM_H
#define NW_GUIDING_WORM_H

#include "guiding/whiten.h"

struct guide_worm_opts {
    double b;        /* motion per unit of series.x */
    double b_sigma;  /* NaN or 0: taken as known */
    double period_s; /* of the worm as given; NaN: unknown */
};
/* Fills ret and s->known, the periodic part on the sky at the samples. Holds for n >=
 * GUIDE_SAMPLES_MIN. Amplitudes in ret are at the axis when ret->is_at_axis. */
enum nw_status nw_guide_find_worm(const struct nw_guide_log *log, struct guide_series *s,
                                  const struct guide_worm_opts *opts, struct nw_guide_worm *ret,
                                  struct nw_err *err) NW_CHECKED;
/* The periodic part at a time; amplitudes as they stand in the list. */
double nw_guide_worm_at(const struct nw_guide_worm *worm, double t_s);
/* Variance, about its mean, of what the loop leaves of all periods over a stretch of time. */
double nw_guide_worm_left_var(const struct nw_guide_worm *worm, double start_s, double end_s);

/* ---- period_search.c ---- */
struct guide_peak {
    double frequency_Hz, power; /* 0, 0: none */
};
struct guide_whitened {
    const struct guide_series *s;
    const struct guide_whitener *w;
    const double *white; /* innovations, one a sample */
    double *fft;         /* n_fft, a power of two: working memory */
    size_t n_fft;
};
struct guide_peak nw_guide_find_peak(const struct guide_whitened *in, double low_Hz,
                                     double high_Hz);
double nw_guide_time_variance_s2(const struct guide_series *s);
double nw_guide_false_alarm(double power, double n, double f_most_Hz, double t_variance_s2);

/* ---- worm_axis.c ---- */
void nw_guide_worm_find_left(const struct guide_series *s, struct nw_guide_worm *worm);
void nw_guide_worm_key(const struct nw_guide_log *log, struct nw_guide_worm *worm);
void nw_guide_worm_to_axis(const struct nw_guide_log *log, const struct guide_worm_opts *opts,
                           struct nw_guide_worm *worm);

#endif
