/* star_tally.h - simulated fields measured and counted against their truth. */
#ifndef NW_TEST_STAR_TALLY_H
#define NW_TEST_STAR_TALLY_H

#include "check.h"
#include "star_field.h"

static inline struct nw_measure *must_measure(const struct nw_frame *f,
                                              const struct nw_measure_opts *opts) {
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const enum nw_status status = nw_measure_frame(f, NW_CHANNEL_MONO, "", opts, &m, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    return m;
}

/* Flux of a star of that SNR in the equivalent noise area of the profile, pixel left out. */
static inline double flux_of(double snr, double sigma, const struct true_profile *p) {
    const double alpha = true_alpha(p);
    return snr * sigma *
           sqrt(NW_PI * alpha * alpha * (2.0 * p->beta - 1.0) /
                ((p->beta - 1.0) * (p->beta - 1.0)));
}

struct tally {
    size_t n_true, n_found, n_false;
};

/* Truth and list side by side, above an SNR of 20; stars with a brighter or like neighbour within
 * 1.5 widths are one star to any program and stay out of the count. */
static inline struct tally compare(const struct true_star *s, size_t n, const struct nw_measure *m,
                                   double flux_min, double width, double edge) {
    struct tally t = {0, 0, 0};
    for (size_t i = 0; i < n; i++) {
        bool is_countable = s[i].flux > flux_min && s[i].x > edge && s[i].y > edge &&
                            s[i].x < (double)m->width_px - edge &&
                            s[i].y < (double)m->height_px - edge;
        for (size_t k = 0; k < n && is_countable; k++) {
            is_countable = k == i || s[k].flux < 0.3 * s[i].flux ||
                           hypot(s[k].x - s[i].x, s[k].y - s[i].y) > 1.5 * width;
        }
        if (is_countable) {
            t.n_true++;
            t.n_found += field_find(m, s[i].x, s[i].y, 1.0 + 0.3 * width) != NULL;
        }
    }
    for (size_t k = 0; k < m->n_stars; k++) {
        if (m->stars[k].flux_adu < flux_min) {
            continue;
        }
        bool is_true = false;
        for (size_t i = 0; i < n && !is_true; i++) {
            is_true = hypot(s[i].x - m->stars[k].x_px, s[i].y - m->stars[k].y_px) < width + 1.0;
        }
        t.n_false += !is_true;
    }
    return t;
}

#endif
