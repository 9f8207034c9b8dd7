/* blends.c - which stars are fitted in pairs, and what becomes of it.
 * Idea: of a star with a fainter one close by, half a window (stars.c) holds too much of the
 * other's light: the fainter one's place was drawn by half a width. The two are fitted together
 * with the frame's profile. Holds: no star is in two pairs; a third one close by has its half of
 * the window taken away as before; widths of such stars are not measured. */
#include "image/stars_internal.h"

enum { PAIRS_MAX = 1000 };
static const double PAIR_REACH = 2.2; /* widths: farther apart half a window is enough */

/* Place, light and their errors as the two were fitted together; the significance follows the
 * light.
 */
static void take_star(struct nw_star *star, const struct pair_star *from) {
    star->snr *= star->flux_adu > 0.0 ? from->light_adu / star->flux_adu : 1.0;
    star->x_px = from->x;
    star->y_px = from->y;
    star->x_sigma_px = from->x_sigma_px;
    star->y_sigma_px = from->y_sigma_px;
    star->flux_adu = from->light_adu;
    star->flux_sigma_adu = from->light_sigma_adu;
    star->half_light_px = NAN; /* half a window does not tell */
    star->flags |= NW_STAR_BLENDED;
}

/* The pair of peaks job->chosen[2 k] and [2 k + 1], by the frame's profile. */
static void fit_pair(void *user, size_t k) {
    const struct star_job *const job = user;
    const uint32_t i = job->chosen[2 * k];
    const uint32_t other = job->chosen[2 * k + 1];
    const struct peak *const first = &job->peaks->peaks[i];
    struct window w;
    window_cut(job->field, first->x, first->y, (int)ceil(PAIR_REACH * job->seeing->fwhm_px) + 1,
               &w);
    (void)window_drop_hits(&w, job->field, job->seeing->fwhm_px);
    uint32_t near[NEAR_MAX];
    const size_t n = star_neighbours(job->grid, job->peaks, i, 1.5 * job->radius, near);
    for (size_t m = 0; m < n; m++) {
        const struct peak *const p = &job->peaks->peaks[near[m]];
        if (near[m] != other) {
            window_mask(&w, first->x, first->y, p->x, p->y);
        }
    }
    job->companions[k] =
        companion_fit(&w, job->field, job->flank, first, &job->peaks->peaks[other]);
}

/* Each star with the brightest fainter one close by; none comes twice. How many pairs. */
static size_t list_pairs(const struct star_job *job, bool *is_taken) {
    const struct peak_list *const peaks = job->peaks;
    const uint32_t unfit = NW_STAR_SATURATED | NW_STAR_EDGE | NW_STAR_STREAK;
    size_t n_pairs = 0;
    for (size_t i = 0; i < peaks->n && n_pairs < PAIRS_MAX; i++) {
        if (is_taken[i] || (job->stars[i].flags & unfit) ||
            !(job->stars[i].flags & NW_STAR_BLENDED)) {
            continue;
        }
        uint32_t near[NEAR_MAX];
        const size_t n =
            star_neighbours(job->grid, peaks, i, PAIR_REACH * job->seeing->fwhm_px, near);
        size_t best = n;
        for (size_t m = 0; m < n; m++) {
            const double ratio = (double)(peaks->peaks[near[m]].snr / peaks->peaks[i].snr);
            const bool may_be = !is_taken[near[m]] && ratio > 0.05 && ratio <= 1.0 &&
                                !(job->stars[near[m]].flags & unfit);
            if (may_be && (best == n || near[m] < near[best])) {
                best = m;
            }
        }
        if (best < n) {
            is_taken[i] = is_taken[near[best]] = true;
            job->chosen[2 * n_pairs] = (uint32_t)i;
            job->chosen[2 * n_pairs++ + 1] = near[best];
        }
    }
    return n_pairs;
}

/* Close pairs are fitted together: half a window holds too much of the other's light. */
void stars_fit_pairs(struct star_job *job, struct peak_list *peaks, struct companion *results) {
    bool *const is_taken = nw_calloc(peaks->n, sizeof *is_taken);
    if (!is_taken || !job->flank->is_known) {
        free(is_taken);
        return; /* they stay what half a window tells */
    }
    const size_t n_pairs = list_pairs(job, is_taken);
    job->companions = results; /* n_pairs is at most half of the peaks */
    (void)nw_parallel_for(n_pairs, job->field->n_threads, fit_pair, job, NULL);
    job->companions = NULL;
    for (size_t k = 0; k < n_pairs; k++) {
        const struct companion *const c = &results[k];
        if (c->is_there) {
            take_star(&job->stars[job->chosen[2 * k]], &c->first);
            take_star(&job->stars[job->chosen[2 * k + 1]], &c->second);
            peaks->peaks[job->chosen[2 * k]].is_pair = true;
            peaks->peaks[job->chosen[2 * k + 1]].is_pair = true;
        }
    }
    free(is_taken);
}
