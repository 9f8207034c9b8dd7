/* handover.c - groups of subs, what each brings, which are left out; see handover.h.
 * Holds: brings and weights are of subs scaled to the same star flux; the best sub has weight 1. */
#include "look/handover.h"

#include <math.h>

static const char *const REASONS[][2] = {
#define X(name, word, text) {word, text},
    NW_HAND_REASON_LIST(X)
#undef X
};
const char *nw_hand_reason_word(enum nw_hand_reason reason) {
    return REASONS[reason][0];
}
const char *nw_hand_reason_text(enum nw_hand_reason reason) {
    return REASONS[reason][1];
}

static bool same(double a, double b) {
    return (isnan(a) && isnan(b)) || fabs(a - b) <= 1e-6 * fmax(1.0, fabs(a));
}

static bool is_of(const struct nw_hand_group *g, const struct nw_hand_sub *s) {
    const struct nw_frame_facts *const f = s->facts;
    return strcmp(g->camera, f->camera) == 0 && strcmp(g->filter, f->filter) == 0 &&
           strcmp(g->object, f->object) == 0 && same(g->gain_setting, f->gain_setting) &&
           same(g->offset_setting, f->offset_setting) && same(g->binning, f->binning) &&
           g->width_px == s->width_px && g->height_px == s->height_px;
}

static void begin_group(struct nw_hand_group *g, const struct nw_hand_sub *s) {
    const struct nw_frame_facts *const f = s->facts;
    *g = (struct nw_hand_group){.gain_setting = f->gain_setting,
                                .offset_setting = f->offset_setting,
                                .set_temperature_K = f->set_temperature_K,
                                .binning = f->binning,
                                .width_px = s->width_px,
                                .height_px = s->height_px};
    nw_text_copy(g->camera, sizeof g->camera, f->camera);
    nw_text_copy(g->filter, sizeof g->filter, f->filter);
    nw_text_copy(g->object, sizeof g->object, f->object);
}

static enum nw_status solve_group(struct nw_hand_sub *subs, size_t n, size_t group,
                                  struct nw_err *err) {
    const struct nw_measure **const measures = nw_calloc(n, sizeof(void *));
    double *const exposure_s = nw_calloc(n, sizeof *exposure_s);
    struct nw_transmission *const result = nw_calloc(n, sizeof *result);
    size_t *const index = nw_calloc(n, sizeof *index);
    enum nw_status status = NW_OK;
    size_t m = 0;
    if (!measures || !exposure_s || !result || !index) {
        status = nw_err_set(err, NW_NOMEM, "transmission of %zu subs", n);
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group && subs[i].measure) {
            measures[m] = subs[i].measure;
            exposure_s[m] = subs[i].facts->exposure_s;
            index[m++] = i;
        }
    }
    status = m > 0 ? nw_transmission_solve(measures, exposure_s, m, result, err) : NW_OK;
    for (size_t k = 0; k < m && status == NW_OK; k++) {
        subs[index[k]].transmission = result[k];
    }
    /* one sub alone is its own measure */
    if (status == NW_OK && m == 1 && !isfinite(subs[index[0]].transmission.value)) {
        subs[index[0]].transmission.value = 1.0;
    }
done:
    free((void *)measures);
    free(exposure_s);
    free(result);
    free(index);
    return status;
}

/* Light for its noise; NaN when something is not measured. */
static double brings(const struct nw_hand_sub *s, bool is_point) {
    if (!s->measure || !(s->facts->exposure_s > 0.0)) {
        return NAN;
    }
    const double light = s->transmission.value * s->facts->exposure_s;
    const double noise = s->measure->noise_adu;
    const double area = is_point ? s->measure->neq_area_px2 : 1.0;
    return light * light / (noise * noise * area);
}

static double median_fwhm(const struct nw_hand_sub *subs, size_t n, size_t group, double *work) {
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group && subs[i].measure && isfinite(subs[i].measure->fwhm_px)) {
            work[m++] = subs[i].measure->fwhm_px;
        }
    }
    return m ? nw_stat_median(work, m) : NAN;
}

static enum nw_hand_reason reason_of(struct nw_hand_sub *s, const struct nw_hand_opts *o,
                                     double median_px) {
    const struct nw_measure *const m = s->measure;
    const size_t room = sizeof s->detail;
    s->detail[0] = '\0';
    if (s->is_left_out_by_owner) {
        return NW_HAND_OWNER;
    }
    if (!m) {
        return NW_HAND_UNREADABLE;
    }
    if (m->n_used == 0 || !isfinite(m->fwhm_px)) {
        (void)snprintf(s->detail, room, "%zu stars detected", m->n_stars);
        return NW_HAND_NO_STARS;
    }
    if (m->flags & (unsigned)NW_FRAME_DOUBLED) {
        return NW_HAND_DOUBLED;
    }
    if (m->flags & (unsigned)NW_FRAME_TRAILED) {
        (void)snprintf(s->detail, room, "elongation %.2f", m->elongation);
        return NW_HAND_TRAILED;
    }
    if (m->flags & (unsigned)NW_FRAME_OUT_OF_FOCUS) {
        (void)snprintf(s->detail, room, "FWHM %.1f px", m->fwhm_px);
        return NW_HAND_OUT_OF_FOCUS;
    }
    if (!isfinite(s->transmission.value)) {
        return NW_HAND_UNMATCHED;
    }
    if (s->transmission.patchy > o->patchy) {
        (void)snprintf(s->detail, room, "star ratios scatter by %.0f %%",
                       100.0 * s->transmission.patchy);
        return NW_HAND_PATCHY;
    }
    if (m->fwhm_px > o->wide * median_px) {
        (void)snprintf(s->detail, room, "FWHM %.2f px, the median is %.2f px", m->fwhm_px,
                       median_px);
        return NW_HAND_WIDE;
    }
    if (s->weight_extended < o->least_weight && s->weight_point < o->least_weight) {
        (void)snprintf(s->detail, room, "weights %.3f and %.3f of the best", s->weight_extended,
                       s->weight_point);
        return NW_HAND_LITTLE;
    }
    return NW_HAND_KEPT;
}

/* Height at radius r of the mean of the subs' profiles, each of unit flux: Moffat profiles of their
 * own width and wing (Moffat 1969, A&A 3, 455). */
static double mean_profile(const struct nw_hand_sub *subs, size_t n, size_t group, bool is_all,
                           double r_px) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        const struct nw_measure *const m = subs[i].measure;
        const bool is_in = subs[i].group == group && m && isfinite(m->fwhm_px) &&
                           (is_all || subs[i].reason == NW_HAND_KEPT);
        if (is_in) {
            const double beta = m->moffat_beta > 1.05 ? m->moffat_beta : 4.0;
            const double half = 0.5 * m->fwhm_px;
            const double alpha2 = half * half / (exp2(1.0 / beta) - 1.0);
            sum += (beta - 1.0) / (NW_PI * alpha2) * pow(1.0 + r_px * r_px / alpha2, -beta);
        }
    }
    return sum;
}

/* Width of a stack of subs scaled to the same star flux and laid over each other exactly: of the
 * mean profile, which is not the mean of the widths. NaN: none has a width. */
static double stacked_fwhm(const struct nw_hand_sub *subs, size_t n, size_t group, bool is_all) {
    const double peak = mean_profile(subs, n, group, is_all, 0.0);
    double low = 0.0;
    double high = 200.0;
    for (int i = 0; i < 60; i++) {
        const double r = 0.5 * (low + high);
        const bool is_inside = mean_profile(subs, n, group, is_all, r) > 0.5 * peak;
        low = is_inside ? r : low;
        high = is_inside ? high : r;
    }
    return peak > 0.0 ? 2.0 * low : NAN;
}

/* Sums over the subs of a group, both currencies. */
struct sums {
    double all[2], kept[2]; /* what they bring, weighed */
    double inverse[2];      /* sum of 1/brings of the kept: variance of the plain mean */
};

static struct sums add_up(const struct nw_hand_sub *subs, size_t n, size_t group) {
    struct sums out = {.all = {0.0, 0.0}};
    for (size_t i = 0; i < n; i++) {
        const struct nw_hand_sub *const s = &subs[i];
        if (s->group != group) {
            continue;
        }
        for (int c = 0; c < 2; c++) {
            const double q = brings(s, c == 1);
            const bool is_known = isfinite(q) && q > 0.0;
            out.all[c] += is_known ? q : 0.0;
            out.kept[c] += is_known && s->reason == NW_HAND_KEPT ? q : 0.0;
            out.inverse[c] += is_known && s->reason == NW_HAND_KEPT ? 1.0 / q : 0.0;
        }
    }
    return out;
}

static void finish_group(struct nw_hand_sub *subs, size_t n, size_t group,
                         struct nw_hand_group *g) {
    const struct sums sum = add_up(subs, n, group);
    const double count = (double)g->n_kept;
    g->kept_extended = sum.all[0] > 0.0 ? sum.kept[0] / sum.all[0] : NAN;
    g->kept_point = sum.all[1] > 0.0 ? sum.kept[1] / sum.all[1] : NAN;
    g->equal_extended = sum.kept[0] > 0.0 ? count * count / sum.inverse[0] / sum.kept[0] : NAN;
    g->equal_point = sum.kept[1] > 0.0 ? count * count / sum.inverse[1] / sum.kept[1] : NAN;
    g->fwhm_px = stacked_fwhm(subs, n, group, false);
    g->fwhm_all_px = stacked_fwhm(subs, n, group, true);
    g->noise_adu = g->noise_equal_adu = g->one_noise_adu = NAN;
    if (g->best != SIZE_MAX && sum.kept[0] > 0.0) {
        const struct nw_hand_sub *const best = &subs[g->best];
        /* noise of the mean over its light, told as noise beside the light of the best sub */
        const double light = best->transmission.value * best->facts->exposure_s;
        g->one_noise_adu = best->measure->noise_adu;
        g->noise_adu = light / sqrt(sum.kept[0]);
        g->noise_equal_adu = light * sqrt(sum.inverse[0]) / count;
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            subs[i].brings_extended = brings(&subs[i], false) / sum.kept[0];
            subs[i].brings_point = brings(&subs[i], true) / sum.kept[1];
        }
    }
}

static bool has_fault(const struct nw_hand_sub *s) {
    const unsigned faults =
        (unsigned)NW_FRAME_DOUBLED | (unsigned)NW_FRAME_TRAILED | (unsigned)NW_FRAME_OUT_OF_FOCUS;
    return !s->measure || s->measure->n_used == 0 || (s->measure->flags & faults) != 0 ||
           s->is_left_out_by_owner;
}

/* Best of each currency among subs without a fault of their own; weights against it. */
static void weigh(struct nw_hand_sub *subs, size_t n, size_t group, struct nw_hand_group *g) {
    double best[2] = {0.0, 0.0};
    g->best = SIZE_MAX;
    for (size_t i = 0; i < n; i++) {
        for (int c = 0; c < 2 && subs[i].group == group; c++) {
            const double q = brings(&subs[i], c == 1);
            if (isfinite(q) && q > best[c] && !has_fault(&subs[i])) {
                best[c] = q;
                g->best = c == 0 ? i : g->best;
            }
        }
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            subs[i].weight_extended = brings(&subs[i], false) / best[0];
            subs[i].weight_point = brings(&subs[i], true) / best[1];
        }
    }
}

static void judge_group(struct nw_hand_sub *subs, size_t n, size_t group,
                        const struct nw_hand_opts *o, struct nw_hand_group *g, double *work) {
    const double median_px = median_fwhm(subs, n, group, work);
    weigh(subs, n, group, g);
    for (size_t i = 0; i < n; i++) {
        struct nw_hand_sub *const s = &subs[i];
        if (s->group == group) {
            s->reason = reason_of(s, o, median_px);
            const double t = isfinite(s->facts->exposure_s) ? s->facts->exposure_s : 0.0;
            g->n++;
            g->exposure_s += t;
            g->n_kept += s->reason == NW_HAND_KEPT;
            g->kept_s += s->reason == NW_HAND_KEPT ? t : 0.0;
        }
    }
    finish_group(subs, n, group, g);
}

enum nw_status nw_handover_group(struct nw_hand_sub *subs, size_t n, struct nw_hand_group **ret,
                                 size_t *ret_n, struct nw_err *err) {
    struct nw_hand_group *const groups = nw_calloc(n + 1, sizeof *groups);
    size_t n_groups = 0;
    if (!groups) {
        return nw_err_set(err, NW_NOMEM, "groups of %zu subs", n);
    }
    for (size_t i = 0; i < n; i++) {
        size_t g = 0;
        while (g < n_groups && !is_of(&groups[g], &subs[i])) {
            g++;
        }
        if (g == n_groups) {
            begin_group(&groups[n_groups++], &subs[i]);
        }
        subs[i].group = g;
    }
    *ret = groups;
    *ret_n = n_groups;
    return NW_OK;
}

enum nw_status nw_handover_judge(struct nw_hand_sub *subs, size_t n,
                                 const struct nw_hand_opts *opts, struct nw_hand_group **ret,
                                 size_t *ret_n, struct nw_err *err) {
    const struct nw_hand_opts o = {
        .least_weight = opts && isfinite(opts->least_weight) ? opts->least_weight : 0.1,
        .wide = opts && isfinite(opts->wide) ? opts->wide : 2.0,
        .patchy = opts && isfinite(opts->patchy) ? opts->patchy : 0.1};
    struct nw_hand_group *groups = NULL;
    size_t n_groups = 0;
    enum nw_status status = nw_handover_group(subs, n, &groups, &n_groups, err);
    double *const work = nw_calloc(n + 1, sizeof *work);
    if (status == NW_OK && !work) {
        status = nw_err_set(err, NW_NOMEM, "hand-over of %zu subs", n);
    }
    for (size_t i = 0; i < n; i++) {
        subs[i].transmission = (struct nw_transmission){.value = NAN, .sigma = NAN, .patchy = NAN};
    }
    for (size_t g = 0; g < n_groups && status == NW_OK; g++) {
        status = solve_group(subs, n, g, err);
        if (status == NW_OK) {
            judge_group(subs, n, g, &o, &groups[g], work);
        }
    }
    free(work);
    if (status == NW_OK) {
        *ret = groups;
        *ret_n = n_groups;
        groups = NULL;
    }
    free(groups);
    return status;
}
