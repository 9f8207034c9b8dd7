/* trail_cut.c - one trail, cut by cut.
 * Idea: the place in a cut is where the moment weighed by the star's own Gaussian vanishes
 * (Bernstein & Jarvis 2002, AJ 123, 583, sec. 3): it needs no profile model, has no bias for a
 * symmetric one, and its noise is known.
 * Holds: no pixel is used in two cuts; no interpolation. */
#include "image/trail_internal.h"

#include <math.h>
#include <string.h>

/* Sums of one cut about `centre`. false: it leaves the image. */
static bool sum_cut(const struct trail_cuts *cuts, double a, double centre, double ret[static 4]) {
    const double half_px = fmin(3.5 * cuts->sigma_px + 1.0, TRAIL_HALF_WINDOW_MAX);
    const double low = ceil(centre - half_px);
    const double high = floor(centre + half_px);
    if (!(low >= 0.0) || !(high <= (double)cuts->plane->size_b - 1.0)) {
        return false;
    }
    memset(ret, 0, 4 * sizeof *ret);
    const double sky2 = cuts->plane->noise_adu * cuts->plane->noise_adu;
    for (size_t b = (size_t)low; b <= (size_t)high; b++) {
        const double d = (double)b - centre;
        const double weight = exp(-0.5 * d * d / (cuts->sigma_px * cuts->sigma_px));
        const double v = trail_at(cuts->plane, (size_t)a, b);
        const double variance =
            sky2 + (cuts->gain_e_per_adu > 0.0 ? fmax(0.0, v) / cuts->gain_e_per_adu : 0.0);
        ret[0] += weight * v;
        ret[1] += weight * v * d;
        ret[2] += weight * v * d * d;
        ret[3] += weight * weight * d * d * variance;
    }
    return isfinite(ret[0]) && ret[0] > 0.0;
}

/* Centres of all cuts for the present width; then the width that the second moment says. */
static bool centre_cuts(struct trail_cuts *cuts, const double *start) {
    cuts->moment2 = 0.0;
    cuts->weighed = 0.0;
    cuts->noise2 = 0.0;
    for (size_t i = 0; i < cuts->n; i++) {
        double sum[4];
        double centre = start[i];
        for (int turn = 0; turn < 6; turn++) {
            if (!sum_cut(cuts, cuts->first_a + (double)i, centre, sum)) {
                return false;
            }
            /* a weight of the profile's own width halves the moment; never farther than it */
            const double move = 2.0 * sum[1] / sum[0];
            centre += fmax(-cuts->sigma_px, fmin(cuts->sigma_px, move));
            if (fabs(centre - start[i]) > 4.0 * cuts->sigma_px + 2.0) {
                return false;
            }
        }
        cuts->centre[i] = centre;
        cuts->moment2 += sum[2];
        cuts->weighed += sum[0];
        cuts->noise2 += 4.0 * sum[3] / (sum[0] * sum[0]) / (double)cuts->n;
    }
    return true;
}

bool trail_cuts_settle(struct trail_cuts *cuts, const double *start) {
    for (int turn = 0; turn < 8; turn++) {
        if (!centre_cuts(cuts, start)) {
            return false;
        }
        const double m2 = cuts->moment2 / cuts->weighed;
        const double inverse = 1.0 / m2 - 1.0 / (cuts->sigma_px * cuts->sigma_px);
        const double sigma_px = inverse > 0.0 ? sqrt(1.0 / inverse) : 2.0 * cuts->sigma_px;
        const double before = cuts->sigma_px;
        cuts->sigma_px = fmax(0.4, fmin(sigma_px, TRAIL_HALF_WINDOW_MAX / 4.0));
        if (fabs(cuts->sigma_px / before - 1.0) < 1e-3) {
            return true;
        }
    }
    return true;
}

/* Takes off constant, line and bend (least squares on Legendre polynomials, nearly orthogonal on
 * even steps; two passes make them exact to 1e-4). */
void trail_straighten(double *values, size_t n) {
    for (int pass = 0; pass < 2; pass++) {
        for (int order = 0; order < 3; order++) {
            double sum = 0.0;
            double norm = 0.0;
            for (int write = 0; write < 2; write++) {
                for (size_t i = 0; i < n; i++) {
                    const double t = 2.0 * (double)i / (double)(n - 1) - 1.0;
                    const double p = order == 0 ? 1.0 : (order == 1 ? t : 1.5 * t * t - 0.5);
                    if (write) {
                        values[i] -= sum / norm * p;
                    } else {
                        sum += values[i] * p;
                        norm += p * p;
                    }
                }
            }
        }
    }
}

/* A cubic through two neighbours on either side, at the middle. (A running median would cut the
 * tops of a smooth wobble.) */
static double between_neighbours(const double *v) {
    return (4.0 * (v[-1] + v[1]) - v[-2] - v[2]) / 6.0;
}

static size_t mend_once(double *values, size_t n, double noise_px, double *work) {
    double *sizes = work + n;
    for (size_t i = 2; i + 2 < n; i++) {
        work[i] = fabs(values[i] - between_neighbours(&values[i]));
        sizes[i - 2] = work[i];
    }
    const double sigma =
        fmax(NW_SIGMA_PER_MAD * nw_stat_median(sizes, n - 4), 1.4 * noise_px); /* sqrt(70/36) */
    size_t mended = 0;
    for (size_t i = 2; i + 2 < n; i++) {
        bool is_top = work[i] > 6.0 * sigma;
        for (size_t j = i < 4 ? 2 : i - 2; j <= i + 2 && j + 2 < n; j++) {
            is_top = is_top && work[j] <= work[i]; /* one outlier shows in four neighbours too */
        }
        if (is_top) {
            values[i] = between_neighbours(&values[i]);
            mended++;
        }
    }
    return mended;
}

size_t trail_mend(double *values, size_t n, double noise_px, double *work) {
    size_t mended = 0;
    for (int pass = 0; pass < 3; pass++) { /* hits of two steps need two */
        mended += mend_once(values, n, noise_px, work);
    }
    return mended;
}
