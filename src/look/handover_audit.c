/* handover_audit.c - did a finished master get what its subs held? See handover.h.
 * Idea: stars common to master and best sub give the scale between their counts, whoever made it;
 * then its noise is set beside the one that sqrt(N) foretells. Registration makes neighbours alike,
 * and a pixel's noise then flatters: the noise of areas is taken (Casertano et al. 2000, AJ 120,
 * 2747, app. A).
 * A colour of a pattern has a quarter or half of the pixels: the mean of an area of a pixels holds
 * a x share of them, whoever interpolates the rest. Interpolated colours are alike over two pixels
 * and more: their noise is taken in bins of two of the subs' pixels, beyond which neighbours alone
 * are alike. */
#include <math.h>

#include "look/handover.h"

static const double GRID_SHARE[NW_HAND_COLOURS] = {0.25, 0.5, 0.25}; /* of a pattern's pixels */
static const double TOLD = 0.3;     /* a worse efficiency says nothing */
static const double GRID_PX2 = 4.0; /* frame pixels for each pixel of a measured grid */

static const struct nw_measure *measure_of(const struct nw_hand_sub *s, size_t colour) {
    return s->n_colours ? s->colours[colour] : s->measure;
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
    *ret_n = n;
    return n ? nw_stat_median(work, n) : NAN;
}

/* Mean and error of the kept subs' widths. */
static void subs_width(const struct nw_hand_judged *judged, struct nw_hand_audit_plane *ret) {
    double sum2 = 0.0;
    size_t m = 0;
    size_t n_known = 0; /* of these the error */
    for (size_t i = 0; i < judged->n; i++) {
        const struct nw_hand_sub *const s = &judged->subs[i];
        if (s->group == ret->group && s->reason == NW_HAND_KEPT) {
            const struct nw_measure *const measure = measure_of(s, ret->colour);
            const double sigma = measure ? measure->fwhm_sigma_px : NAN;
            sum2 += isfinite(sigma) ? sigma * sigma : 0.0;
            n_known += isfinite(sigma) ? 1 : 0;
            m++;
        }
    }
    ret->n_subs = m;
    ret->subs_fwhm_px = judged->groups[ret->group].planes[ret->colour].fwhm_px;
    ret->subs_fwhm_sigma_px = n_known ? sqrt(sum2 / (double)n_known / (double)m) : NAN;
}

/* Noise of a wide area, told for one pixel, and its relative error. 4 x 4 sums, against those of
 * the best sub, whose noise neighbours do not share: what they have more is the field's own
 * structure, faint stars and nebula. What such small sums still miss of neighbours that are alike:
 * along an axis 1 + 2 rho against 1 + 1.5 rho. Structure is the same in a stack of many, whose
 * noise is not: beside a deep stack it hides what is asked, and a third of its share goes into the
 * error. `pixel`: noise of a master's pixel in counts of the sub. */
static double area_noise(const struct nw_noise *master, double pixel, const struct nw_measure *sub,
                         double *ret_relative) {
    const struct nw_noise *const sn = &sub->aspects.noise;
    const double of_sub = sn->coarse_ratio > 0.0 ? fmax(1.0, sn->coarse_ratio) : 1.0;
    const double coarse =
        isfinite(master->coarse_ratio) ? fmax(1.0, master->coarse_ratio / of_sub) : 1.0;
    const double x = fmax(0.0, master->x_correlation - fmax(0.0, sn->x_correlation));
    const double y = fmax(0.0, master->y_correlation - fmax(0.0, sn->y_correlation));
    const double missed = (1.0 + 2.0 * x) * (1.0 + 2.0 * y) / ((1.0 + 1.5 * x) * (1.0 + 1.5 * y));
    const double noise = pixel * coarse * (isfinite(missed) ? sqrt(missed) : 1.0);
    const double excess = of_sub * of_sub - 1.0 - 2.0 * sn->coarse_sigma; /* beyond chance */
    const double structure =
        excess > 0.0 ? excess * sub->noise_adu * sub->noise_adu / (noise * noise) : 0.0;
    const double of_coarse = isfinite(master->coarse_sigma) ? master->coarse_sigma : 0.0;
    *ret_relative = hypot(hypot(of_coarse, 0.01), 0.33 * structure);
    return noise;
}

/* Side of a master's pixel in those of the subs, roughly, by the sizes of the frames. */
static double rough_px(size_t master_width_px, const struct nw_hand_group *g) {
    const double ratio = (double)g->width_px / (double)master_width_px;
    return ratio > 1.5 ? 2.0 : ratio < 0.67 ? 0.5 : 1.0;
}

size_t nw_handover_bin(size_t master_width_px, const struct nw_hand_group *group) {
    const double px = rough_px(master_width_px, group);
    return !group->is_grid || px > 1.0 ? NW_HAND_BINS : px < 1.0 ? 1 : 0;
}

/* Everything of one plane, once scale and flux ratio are known. */
static void judge(const struct nw_hand_made *master, size_t plane, const struct nw_measure *best,
                  const struct nw_hand_group *g, struct nw_hand_audit_plane *a) {
    const struct nw_measure *const m = master->planes[plane];
    const size_t bin = nw_handover_bin(m->width_px, g);
    const bool is_binned = bin < NW_HAND_BINS && master->binned[bin][plane];
    const struct nw_measure *const grain = is_binned ? master->binned[bin][plane] : m;
    const double bin_px = is_binned ? ldexp(a->px, 1 + (int)bin) : a->px;
    const double share = g->is_grid ? GRID_SHARE[a->colour] : 1.0;
    const struct nw_noise *const mn = &grain->aspects.noise;
    const struct nw_hand_group_plane *const of = &g->planes[a->colour];
    /* light of a star is summed over the pixels that there are */
    a->flux_scale *= a->px * a->px / (g->is_grid ? GRID_PX2 : 1.0);
    a->noise_adu = m->noise_adu / a->flux_scale;
    double relative = NAN;
    a->noise_area_adu = bin_px * area_noise(mn, grain->noise_adu / a->flux_scale, best, &relative);
    a->correlation = 0.5 * (m->aspects.noise.x_correlation + m->aspects.noise.y_correlation);
    a->noise_sigma_adu = relative * a->noise_area_adu;
    a->expected_adu = of->noise_adu / sqrt(share);
    a->expected_equal_adu = of->noise_equal_adu / sqrt(share);
    const double ratio = a->expected_equal_adu / a->noise_area_adu;
    a->efficiency = ratio * ratio;
    a->efficiency_sigma = 2.0 * relative * a->efficiency;
    a->fwhm_px = m->fwhm_px * a->px;
    a->fwhm_sigma_px = m->fwhm_sigma_px * a->px;
    a->wider = a->fwhm_px / a->subs_fwhm_px - 1.0;
    a->wider_sigma = hypot(a->fwhm_sigma_px, a->subs_fwhm_sigma_px) / a->subs_fwhm_px;
    a->is_told = a->efficiency_sigma < TOLD;
    a->reached_root_n = a->is_told && a->efficiency > 0.9 - 2.0 * a->efficiency_sigma;
    a->is_widened = a->wider > 0.02 && a->wider > 2.0 * a->wider_sigma;
}

/* Which colour a filter's name says: 0 to 2; 3: none. */
static size_t colour_of(const char *filter) {
    static const char *const NAMES[NW_HAND_COLOURS][2] = {
        {"R", "red"}, {"G", "green"}, {"B", "blue"}};
    size_t k = 0;
    while (k < NW_HAND_COLOURS && !nw_text_equal_nocase(filter, NAMES[k][0]) &&
           !nw_text_equal_nocase(filter, NAMES[k][1])) {
        k++;
    }
    return k;
}

/* Which colour of a group a plane of the master is to be set against; SIZE_MAX: none. */
static size_t colour_against(const struct nw_hand_made *master, size_t plane,
                             const struct nw_hand_group *g) {
    const size_t said = master->n_planes == 1 ? colour_of(master->filter) : plane;
    if (g->n_planes == 1) { /* of a mono camera */
        return master->n_planes == 1 || colour_of(g->filter) == plane ? 0 : SIZE_MAX;
    }
    return said < NW_HAND_COLOURS ? said : SIZE_MAX;
}

/* The master with its stars in about the pixels of the subs. */
static void scaled(const struct nw_measure *master, double px, struct nw_star *stars,
                   struct nw_measure *ret) {
    *ret = *master;
    ret->stars = stars;
    ret->width_px = (size_t)lround(px * (double)master->width_px);
    ret->height_px = (size_t)lround(px * (double)master->height_px);
    for (size_t i = 0; i < master->n_stars; i++) {
        stars[i] = master->stars[i];
        stars[i].x_px *= px;
        stars[i].y_px *= px;
    }
}

static enum nw_status audit_plane(const struct nw_hand_made *master, size_t plane,
                                  const struct nw_hand_judged *judged,
                                  struct nw_hand_audit_plane *ret, struct nw_err *err) {
    const struct nw_measure *const m = master->planes[plane];
    double *const work = nw_calloc(m->n_stars + 1, sizeof *work);
    struct nw_star *const stars = nw_calloc(m->n_stars + 1, sizeof *stars);
    enum nw_status status = NW_DATA;
    size_t n_asked = 0;
    if (!work || !stars) {
        status = nw_err_set(err, NW_NOMEM, "audit");
    }
    for (size_t i = 0; i < judged->n_groups && status != NW_NOMEM; i++) {
        const struct nw_hand_group *const g = &judged->groups[i];
        const size_t colour = colour_against(master, plane, g);
        if (g->n_kept == 0 || colour == SIZE_MAX || g->planes[colour].best == SIZE_MAX) {
            continue;
        }
        const struct nw_measure *const best =
            measure_of(&judged->subs[g->planes[colour].best], colour);
        struct nw_hand_audit_plane a = {.group = i, .colour = colour};
        struct nw_measure as_subs;
        struct nw_match match = {0};
        const double px = rough_px(m->width_px, g);
        scaled(m, px, stars, &as_subs);
        n_asked++;
        if (nw_stars_match(best, &as_subs, &match, NULL) != NW_OK) {
            continue;
        }
        a.flux_scale = flux_ratio(m, best, &match, work, &a.n_pairs);
        if (a.n_pairs >= 5 && a.n_pairs > ret->n_pairs) { /* the group with most stars in common */
            a.px = px * match.scale;                      /* x_a = scale x_b */
            subs_width(judged, &a);
            judge(master, plane, best, g, &a);
            *ret = a;
            status = NW_OK;
        }
        nw_match_done(&match);
    }
    free(work);
    free(stars);
    if (status == NW_DATA) {
        nw_text_copy(ret->why_null, sizeof ret->why_null,
                     n_asked ? "its stars are not those of any group of subs"
                     : master->n_planes == 1
                         ? "one plane, and its header names no colour (FILTER = R, G or B): the "
                           "subs are of a colour camera"
                         : "no kept subs of this colour");
    }
    return status;
}

enum nw_status nw_handover_audit(const struct nw_hand_made *master,
                                 const struct nw_hand_judged *judged, struct nw_hand_audit *ret,
                                 struct nw_err *err) {
    struct nw_hand_audit out = {.n_planes = master->n_planes};
    bool is_any = false;
    for (size_t k = 0; k < master->n_planes; k++) {
        const enum nw_status status = audit_plane(master, k, judged, &out.planes[k], err);
        if (status == NW_NOMEM) {
            return status;
        }
        is_any = is_any || status == NW_OK;
    }
    if (!is_any) {
        return nw_err_set(err, NW_DATA, "%s", out.planes[0].why_null);
    }
    *ret = out;
    return NW_OK;
}
