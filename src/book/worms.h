/* worms.h - ninth public header of book: does the worm stay as it is, night after night?
 *
 * Each guide run whose analysis found the turn of the worm gives an amplitude at the axis and,
 * where hour angle and tube side are known, a phase keyed by the angle of the right-ascension axis.
 * The samples in the book are analysed anew (loop and worm alone). Amplitudes compare only as far
 * as the response to a pulse does; phases as long as the clutches stay closed. */
#ifndef NW_BOOK_WORMS_H
#define NW_BOOK_WORMS_H

#include "book/book.h"

struct nw_worm_run {
    char date[NW_BOOK_DATE];
    double start_s;
    double period_s, period_sigma_s;
    double amplitude_rad, amplitude_sigma_rad; /* at the axis */
    double phase_rad, phase_sigma_rad;         /* at axis angle 0; NaN: not known */
};
struct nw_worms {
    struct nw_worm_run *runs; /* in order of time */
    size_t n, n_nights, n_phases;
    size_t n_left_out; /* runs without a worm that is surely there */
    /* amplitude: weighted mean, and how much the runs differ beyond their errors */
    double mean_rad, mean_sigma_rad;
    double chi2_per_run; /* 1: they differ by their errors alone; NaN under 2 runs */
    double change_per_s, change_sigma_per_s; /* of the amplitude, as a share of the mean; sigma from
                                                the scatter about the line; NaN under 4 nights */
    /* phase: circular mean of the last stretch without a jump, its scatter */
    double phase_mean_rad, phase_scatter_rad;
    char jumped_on[NW_BOOK_DATE]; /* first night after the last jump; "": none */
    double jump_rad;
    char why_null[160];
};
/* Nights from .. to; of more than 60 the last 60. */
enum nw_status nw_worms_of(struct nw_book *book, const char *from, const char *to,
                           const struct nw_progress *progress, struct nw_worms *ret,
                           struct nw_err *err) NW_CHECKED;
void nw_worms_done(struct nw_worms *worms);
/* The statistics alone, of runs that are there. */
void nw_worms_sum_up(struct nw_worms *worms);

#endif
