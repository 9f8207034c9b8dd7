/* selfcheck.h - inside the folder: does the loop model foretell what it has not seen
 * (selfcheck.c), and how the loop behaves (habits.c). */
#ifndef NW_GUIDING_SELFCHECK_H
#define NW_GUIDING_SELFCHECK_H

#include "guiding/guiding_internal.h"

/* One axis as it was analysed. */
struct guide_checked {
    const struct guide_series *s; /* x: path per unit of b, gears included */
    double b;                     /* motion per unit of x */
    const double *sent_s;         /* sum of pulses before each sample; NULL: not logged */
};
/* Fills ret; says why where it cannot. */
enum nw_status nw_guide_check_model(const struct guide_checked *in, struct nw_guide_check *ret,
                                    struct nw_err *err) NW_CHECKED;
/* The blocks by turns: 0 teaches, 1 is foretold. Half a series, its blocks starting anew; room for
 * n samples. */
size_t nw_guide_half_of(const struct guide_series *s, size_t k);
enum nw_status nw_guide_half_init(size_t n, struct guide_series *half,
                                  struct nw_err *err) NW_CHECKED;
void nw_guide_half_done(struct guide_series *half);
void nw_guide_take_half(const struct guide_series *s, size_t which, struct guide_series *half);
/* Fills ret; holds for any n. */
void nw_guide_find_habits(const struct guide_checked *in, struct nw_guide_habits *ret);

#endif
