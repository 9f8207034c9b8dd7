/* drift.c - what the star would do without pulses, in the mean.
 * Idea: a steady drift under a random walk and noise that may outlast a sample (seeing, fast
 * gears): taken for walk, such noise would make the drift look twice as uncertain as it is. The
 * drift is a state of the whitener, so its estimate is that of generalised least squares (de Jong
 * 1991). What no walk describes (a bend, a worm that was not found) shows in blocks. Holds: sigma
 * allows for the error of the response, which turns pulses into drift. */
#include <math.h>

#include "guiding/filter.h"
#include "guiding/whiten.h"

#define WHITE_EARNS 6.0  /* of -2 ln L, for one parameter */
#define BLOCKS_SPEAK 1.5 /* blocks that scatter so much more are believed */

enum { BLOCKS = 12, BLOCKS_LEAST = 8 };

/* Scatter of the open-loop increments of equal blocks; NaN with fewer than 8. */
static double block_sigma(const struct guide_series *s, double b) {
    const double block_s = (double)s->n * s->dt0_s / BLOCKS;
    double sum = 0.0;
    double sum2 = 0.0;
    double n = 0.0;
    size_t first = 0;
    for (size_t k = 1; k < s->n; k++) {
        if (s->starts[k]) {
            first = k;
        } else if (s->t_s[k] - s->t_s[first] >= block_s) {
            const double rate = ((nw_guide_error(s, k) - b * s->x[k]) -
                                 (nw_guide_error(s, first) - b * s->x[first])) /
                                (s->t_s[k] - s->t_s[first]);
            sum += rate;
            sum2 += rate * rate;
            n += 1.0;
            first = k;
        }
    }
    return n < BLOCKS_LEAST ? NAN : sqrt(fmax(0.0, sum2 - sum * sum / n) / (n - 1.0) / n);
}

static void take_pulses_out(const struct guide_series *s, double b, double *ret) {
    for (size_t k = 0; k < s->n; k++) {
        ret[k] = nw_guide_error(s, k) - b * s->x[k];
    }
}

/* Noise with a memory; and, where it earns its parameter, shake of some samples beside white noise:
 * taken for walk, that would make the drift look half as well told again as it is. */
static void fit_noise(const struct guide_series *s, const double *rest, struct guide_noise *ret) {
    struct guide_noise_job job = {.s = s, .rest = rest, .is_drift_steady = true};
    const double plain = nw_guide_fit_noise(&job, ret);
    struct guide_noise mixed = {
        .ln_q = ret->ln_q - 2.0, .ln_qv = GUIDE_LN_NONE, .rho = 0.7, .white = 0.6};
    job.is_white_free = true;
    if (nw_guide_fit_noise(&job, &mixed) < plain - WHITE_EARNS) {
        *ret = mixed;
    }
}

enum nw_status nw_guide_find_drift(const struct guide_series *s, const struct guide_fit *fit,
                                   double b_sigma, struct guide_drift *ret, struct nw_err *err) {
    double *rest = nw_calloc(s->n + 1, sizeof *rest);
    double *white = nw_calloc(s->n + 1, sizeof *white);
    struct guide_whitener w = {0};
    struct guide_noise noise = {.ln_q = fmax(fit->ln_q, -12.0), .ln_qv = GUIDE_LN_NONE};
    enum nw_status status = rest && white ? nw_guide_whitener_init(s, &noise, &w, err)
                                          : nw_err_set(err, NW_NOMEM, "drift of %zu samples", s->n);
    if (status == NW_OK) {
        take_pulses_out(s, fit->b, rest);
        fit_noise(s, rest, &noise);
        nw_guide_whitener_set(s, &noise, &w);
        const double drift = nw_guide_whiten(&w, rest, white);
        double r_rad2 = 0.0;
        for (size_t k = 0; k < s->n; k++) {
            r_rad2 += white[k] * white[k] / (double)w.n_told;
        }
        double sigma = sqrt(w.vv * r_rad2);
        if (b_sigma > 0.0) {
            take_pulses_out(s, fit->b + b_sigma, rest);
            sigma = hypot(sigma, nw_guide_whiten(&w, rest, white) - drift);
        }
        const double blocks = block_sigma(s, fit->b) * s->dt0_s;
        const bool is_mixed = noise.white > 0.0;
        *ret = (struct guide_drift){.rate_rad_s = drift / s->dt0_s,
                                    .sigma_rad_s =
                                        (blocks > BLOCKS_SPEAK * sigma ? blocks : sigma) / s->dt0_s,
                                    .noise_rad2 = r_rad2,
                                    .white_rad2 = is_mixed ? noise.white * r_rad2 : NAN,
                                    .memory = noise.rho};
    }
    nw_guide_whitener_done(&w);
    free(rest);
    free(white);
    return status;
}
