/* handover_audit.c - did a finished master get what its subs held? See handover.h.
 * Idea: stars common to master and best sub give the scale between their counts, whoever made it;
 * then its noise is set beside the one that sqrt(N) foretells. Registration makes neighbours alike,
 * and a pixel's noise then flatters: the noise of areas is taken (Casertano et al. 2000, AJ 120,
 * 2747, app. A). */
#include <math.h>

#include "look/handover.h"

static int by_value(const void *a, const void *b) {
    const double *const x = a;
    const double *const y = b;
    return (*x > *y) - (*x < *y);
}

/* Median ratio of the pairs' fluxes that are clean in both. */
static double flux_ratio(const struct nw_measure *master, const struct nw_measure *sub,
                         const struct nw_match *match, double *work, size_t *ret_n) {
    const uint32_t bad = (uint32_t)NW_STAR_SATURATED | (uint32_t)NW_STAR_EDGE |
                         (uint32_t)NW_STAR_BLENDED | (uint32_t)NW_STAR_STREAK;
    size_t n = 0;
    for (size_t i = 0; i < match->n_pairs; i++) {
        const struct nw_star *const m = &master->stars[match->pairs[i].b];
        const struct nw_star *const s = &sub->stars[match->pairs[i].a];
        if (!((m->flags | s->flags) & bad) && m->flux_adu > 0.0 && s->flux_adu > 0.0 &&
            s->snr > 20.0) {
            work[n++] = m->flux_adu / s->flux_adu;
        }
    }
    qsort(work, n, sizeof *work, by_value);
    *ret_n = n;
    return n ? 0.5 * (work[(n - 1) / 2] + work[n / 2]) : NAN;
}

/* Mean and error of the kept subs' widths. */
static void subs_width(const struct nw_hand_sub *subs, size_t n, const struct nw_hand_group *g,
                       size_t group, struct nw_hand_audit *ret) {
    double sum2 = 0.0;
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group && subs[i].reason == NW_HAND_KEPT) {
            const double sigma = subs[i].measure->fwhm_sigma_px;
            sum2 += isfinite(sigma) ? sigma * sigma : 0.0;
            m++;
        }
    }
    ret->n_subs = m;
    ret->subs_fwhm_px = g->fwhm_px;
    ret->subs_fwhm_sigma_px = m ? sqrt(sum2) / (double)m : NAN;
}

/* Noise of a wide area over that of a pixel: 4 x 4 sums, and what such small ones still miss of
 * neighbours that are alike: along an axis 1 + 2 rho against 1 + 1.5 rho. A sub's own ratio is what
 * faint stars and nebula make of both. */
static double area_ratio(const struct nw_noise *master, const struct nw_noise *sub) {
    const double coarse = isfinite(master->coarse_ratio) && sub->coarse_ratio > 0.0
                              ? master->coarse_ratio / fmax(1.0, sub->coarse_ratio)
                              : 1.0;
    const double x = fmax(0.0, master->x_correlation - fmax(0.0, sub->x_correlation));
    const double y = fmax(0.0, master->y_correlation - fmax(0.0, sub->y_correlation));
    const double missed = (1.0 + 2.0 * x) * (1.0 + 2.0 * y) / ((1.0 + 1.5 * x) * (1.0 + 1.5 * y));
    return fmax(1.0, coarse) * (isfinite(missed) ? sqrt(missed) : 1.0);
}

static void judge(const struct nw_measure *master, const struct nw_measure *best,
                  const struct nw_hand_group *g, double px_scale, struct nw_hand_audit *a) {
    const struct nw_noise *const mn = &master->aspects.noise;
    a->noise_adu = master->noise_adu / a->flux_scale;
    a->noise_area_adu = a->noise_adu * area_ratio(mn, &best->aspects.noise);
    a->correlation = 0.5 * (mn->x_correlation + mn->y_correlation);
    const double relative = hypot(isfinite(mn->coarse_sigma) ? mn->coarse_sigma : 0.0, 0.01);
    a->noise_sigma_adu = relative * a->noise_area_adu;
    a->expected_adu = g->noise_adu;
    a->expected_equal_adu = g->noise_equal_adu;
    const double ratio = a->expected_equal_adu / a->noise_area_adu;
    a->efficiency = ratio * ratio;
    a->efficiency_sigma = 2.0 * relative * a->efficiency;
    a->fwhm_px = master->fwhm_px / px_scale;
    a->fwhm_sigma_px = master->fwhm_sigma_px / px_scale;
    a->wider = a->fwhm_px / a->subs_fwhm_px - 1.0;
    a->wider_sigma = hypot(a->fwhm_sigma_px, a->subs_fwhm_sigma_px) / a->subs_fwhm_px;
    a->reached_root_n = a->efficiency > 0.9 - 2.0 * a->efficiency_sigma;
    a->is_widened = a->wider > 0.02 && a->wider > 2.0 * a->wider_sigma;
}

enum nw_status nw_handover_audit(const struct nw_measure *master,
                                 const struct nw_hand_judged *judged, struct nw_hand_audit *ret,
                                 struct nw_err *err) {
    const struct nw_hand_sub *const subs = judged->subs;
    const struct nw_hand_group *const groups = judged->groups;
    enum nw_status status = NW_DATA;
    double *const work = nw_calloc(master->n_stars + 1, sizeof *work);
    size_t most = 0;
    bool is_grid = false;
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "audit");
    }
    for (size_t g = 0; g < judged->n_groups; g++) {
        struct nw_match match = {0};
        const struct nw_measure *const best =
            groups[g].best == SIZE_MAX ? NULL : subs[groups[g].best].measure;
        size_t n_used = 0;
        if (best && subs[groups[g].best].facts->bayer[0]) {
            is_grid = true;
            continue;
        }
        if (groups[g].n_kept == 0 || !best || nw_stars_match(best, master, &match, NULL) != NW_OK) {
            continue;
        }
        struct nw_hand_audit a = {.group = g};
        a.flux_scale = flux_ratio(master, best, &match, work, &n_used);
        a.n_pairs = n_used;
        if (n_used >= 5 && n_used > most) { /* the group with most stars in common */
            most = n_used;
            subs_width(subs, judged->n, &groups[g], g, &a);
            /* x_a = scale x_b: a master's pixel is `scale` of a sub's */
            judge(master, best, &groups[g], 1.0 / match.scale, &a);
            *ret = a;
            status = NW_OK;
        }
        nw_match_done(&match);
    }
    free(work);
    if (status != NW_OK && is_grid) {
        return nw_err_set(err, status,
                          "its subs are of a colour-filter camera: a master's interpolated pixels "
                          "are not told");
    }
    return status == NW_OK
               ? NW_OK
               : nw_err_set(err, status, "its stars are not those of any group of subs");
}
