/* handover.c - groups of subs, what each brings, which are left out; see handover.h.
 * Holds: brings and weights are of subs scaled to the same star flux; the best sub has weight 1;
 * plane k of a group is its colour k, and the only one of a mono camera. */
#include "look/handover.h"

#include <math.h>

#include "look/look_internal.h"

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
           strcmp(g->pattern, f->bayer) == 0 && g->width_px == s->width_px &&
           g->height_px == s->height_px;
}

static void begin_group(struct nw_hand_group *g, const struct nw_hand_sub *s) {
    const struct nw_frame_facts *const f = s->facts;
    *g = (struct nw_hand_group){.gain_setting = f->gain_setting,
                                .offset_setting = f->offset_setting,
                                .set_temperature_K = f->set_temperature_K,
                                .binning = f->binning,
                                .n_planes = 1,
                                .width_px = s->width_px,
                                .height_px = s->height_px};
    nw_text_copy(g->camera, sizeof g->camera, f->camera);
    nw_text_copy(g->filter, sizeof g->filter, f->filter);
    nw_text_copy(g->object, sizeof g->object, f->object);
    nw_text_copy(g->pattern, sizeof g->pattern, f->bayer);
}

static const struct nw_measure *plane_of(const struct nw_hand_sub *s, size_t k) {
    return s->n_colours ? s->colours[k] : k == 0 ? s->measure : NULL;
}

static enum nw_status solve_plane(struct nw_hand_sub *subs, size_t n, size_t group, size_t k,
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
        if (subs[i].group == group && plane_of(&subs[i], k)) {
            measures[m] = plane_of(&subs[i], k);
            exposure_s[m] = subs[i].facts->exposure_s;
            index[m++] = i;
        }
    }
    status = m > 0 ? nw_transmission_solve(measures, exposure_s, m, result, err) : NW_OK;
    for (size_t j = 0; j < m && status == NW_OK; j++) {
        struct nw_transmission *const t = &subs[index[j]].planes[k].transmission;
        *t = result[j];
        t->value =
            m == 1 && !isfinite(t->value) ? 1.0 : t->value; /* one alone is its own measure */
    }
done:
    free((void *)measures);
    free(exposure_s);
    free(result);
    free(index);
    return status;
}

/* Light for its noise in one colour; NaN when something is not measured. */
static double brings(const struct nw_hand_sub *s, size_t k, bool is_point) {
    const struct nw_measure *const m = plane_of(s, k);
    if (!m || !(s->facts->exposure_s > 0.0)) {
        return NAN;
    }
    const double light = s->planes[k].transmission.value * s->facts->exposure_s;
    const double noise = m->noise_adu;
    const double area = is_point ? m->neq_area_px2 : 1.0;
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

/* In every colour, in both currencies; colours that are not known say nothing. */
static bool brings_little(const struct nw_hand_sub *s, const struct nw_hand_group *g,
                          double least_weight) {
    bool is_little = true;
    for (size_t k = 0; k < g->n_planes; k++) {
        const struct nw_hand_plane *const p = &s->planes[k];
        is_little =
            is_little && !(p->weight_extended >= least_weight || p->weight_point >= least_weight);
    }
    return is_little && isfinite(s->weight_extended);
}

static enum nw_hand_reason reason_of(struct nw_hand_sub *s, const struct nw_hand_opts *o,
                                     const struct nw_hand_group *g, double median_px) {
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
    if (brings_little(s, g, o->least_weight)) {
        (void)snprintf(s->detail, room, "weights %.3f and %.3f of the best", s->weight_extended,
                       s->weight_point);
        return NW_HAND_LITTLE;
    }
    return NW_HAND_KEPT;
}

/* Height at radius r of the mean of the subs' profiles, each of unit flux: Moffat profiles of their
 * own width and wing (Moffat 1969, A&A 3, 455). */
struct stack { /* a colour of the subs of a group: all, or those that are kept */
    const struct nw_hand_sub *subs;
    size_t n, group, plane;
    bool is_all;
};
static double mean_profile(const struct stack *of, double r_px) {
    double sum = 0.0;
    for (size_t i = 0; i < of->n; i++) {
        const struct nw_hand_sub *const s = &of->subs[i];
        const struct nw_measure *const m = plane_of(s, of->plane);
        const bool is_in = s->group == of->group && m && isfinite(m->fwhm_px) &&
                           (of->is_all || s->reason == NW_HAND_KEPT);
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
static double stacked_fwhm(const struct stack *of) {
    const double peak = mean_profile(of, 0.0);
    double low = 0.0;
    double high = 200.0;
    for (int i = 0; i < 60; i++) {
        const double r = 0.5 * (low + high);
        const bool is_inside = mean_profile(of, r) > 0.5 * peak;
        low = is_inside ? r : low;
        high = is_inside ? high : r;
    }
    return peak > 0.0 ? 2.0 * low : NAN;
}

/* Sums over the subs of a group in one colour and one currency. */
struct sums {
    double all, kept;       /* what they bring, weighed */
    double inverse;         /* sum of 1/brings of the kept: variance of the plain mean */
    double common, common2; /* of the kept: one weight for all colours, its square/brings */
};

static struct sums add_up(const struct stack *of, bool is_point) {
    struct sums out = {.all = 0.0};
    for (size_t i = 0; i < of->n; i++) {
        const struct nw_hand_sub *const s = &of->subs[i];
        const double q = s->group == of->group ? brings(s, of->plane, is_point) : NAN;
        if (!(isfinite(q) && q > 0.0)) {
            continue;
        }
        const double w = is_point ? s->weight_point : s->weight_extended;
        const double kept = s->reason == NW_HAND_KEPT ? 1.0 : 0.0;
        out.all += q;
        out.kept += kept * q;
        out.inverse += kept / q;
        out.common += kept * w;
        out.common2 += kept * w * w / q;
    }
    return out;
}

/* NaN: nothing to be a share of, such as no sub without a fault. */
static double share_of(double part, double whole) {
    return whole > 0.0 ? part / whole : NAN;
}

static void finish_plane(struct nw_hand_sub *subs, size_t n, size_t group, size_t k,
                         struct nw_hand_group *g) {
    struct stack of = {subs, n, group, k, false};
    const struct sums ext = add_up(&of, false);
    const struct sums point = add_up(&of, true);
    const double count2 = (double)g->n_kept * (double)g->n_kept;
    struct nw_hand_group_plane *const p = &g->planes[k];
    p->kept_extended = share_of(ext.kept, ext.all);
    p->kept_point = share_of(point.kept, point.all);
    p->equal_extended = share_of(count2 / ext.inverse, ext.kept);
    p->equal_point = share_of(count2 / point.inverse, point.kept);
    p->common_extended = share_of(ext.common * ext.common / ext.common2, ext.kept);
    p->common_point = share_of(point.common * point.common / point.common2, point.kept);
    p->fwhm_px = stacked_fwhm(&of);
    of.is_all = true;
    p->fwhm_all_px = stacked_fwhm(&of);
    p->noise_adu = p->noise_equal_adu = p->one_noise_adu = NAN;
    if (p->best != SIZE_MAX && ext.kept > 0.0) {
        const struct nw_hand_sub *const best = &subs[p->best];
        /* noise of the mean over its light, told as noise beside the light of the best sub */
        const double light = best->planes[k].transmission.value * best->facts->exposure_s;
        p->one_noise_adu = plane_of(best, k)->noise_adu;
        p->noise_adu = light / sqrt(ext.kept);
        p->noise_equal_adu = light * sqrt(ext.inverse) / (double)g->n_kept;
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            subs[i].planes[k].brings_extended = share_of(brings(&subs[i], k, false), ext.kept);
            subs[i].planes[k].brings_point = share_of(brings(&subs[i], k, true), point.kept);
        }
    }
}

/* Mean over the colours of something that each has, those that do not know it left out. */
static double mean_of(const void *first, size_t stride, size_t n) {
    double sum = 0.0;
    double count = 0.0;
    for (size_t k = 0; k < n; k++) {
        double v = NAN;
        memcpy(&v, (const char *)first + k * stride, sizeof v);
        sum += isfinite(v) ? v : 0.0;
        count += isfinite(v) ? 1.0 : 0.0;
    }
    return count > 0.0 ? sum / count : NAN;
}

static void finish_group(struct nw_hand_sub *subs, size_t n, size_t group,
                         struct nw_hand_group *g) {
    const size_t size = sizeof g->planes[0];
    for (size_t k = 0; k < g->n_planes; k++) {
        finish_plane(subs, n, group, k, g);
    }
    g->kept_extended = mean_of(&g->planes[0].kept_extended, size, g->n_planes);
    g->kept_point = mean_of(&g->planes[0].kept_point, size, g->n_planes);
    g->equal_extended = mean_of(&g->planes[0].equal_extended, size, g->n_planes);
    g->equal_point = mean_of(&g->planes[0].equal_point, size, g->n_planes);
    g->common_extended = mean_of(&g->planes[0].common_extended, size, g->n_planes);
    g->common_point = mean_of(&g->planes[0].common_point, size, g->n_planes);
    for (size_t i = 0; i < n; i++) {
        struct nw_hand_sub *const s = &subs[i];
        if (s->group == group) {
            const size_t stride = sizeof s->planes[0];
            s->brings_extended = mean_of(&s->planes[0].brings_extended, stride, g->n_planes);
            s->brings_point = mean_of(&s->planes[0].brings_point, stride, g->n_planes);
        }
    }
}

static bool has_fault(const struct nw_hand_sub *s) {
    const unsigned faults =
        (unsigned)NW_FRAME_DOUBLED | (unsigned)NW_FRAME_TRAILED | (unsigned)NW_FRAME_OUT_OF_FOCUS;
    return !s->measure || s->measure->n_used == 0 || (s->measure->flags & faults) != 0 ||
           s->is_left_out_by_owner;
}

/* Weights of one colour and currency against the best among subs without a fault of their own;
 * *ret_all: light of those together. */
static void weigh_plane(struct nw_hand_sub *subs, size_t n, size_t group, size_t k, bool is_point,
                        struct nw_hand_group_plane *p, double *ret_all) {
    double best = 0.0;
    *ret_all = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double q = subs[i].group == group ? brings(&subs[i], k, is_point) : NAN;
        const bool is_sound = isfinite(q) && !has_fault(&subs[i]);
        *ret_all += is_sound ? q : 0.0;
        if (is_sound && q > best) {
            best = q;
            p->best = is_point ? p->best : i;
        }
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            double *const weight =
                is_point ? &subs[i].planes[k].weight_point : &subs[i].planes[k].weight_extended;
            *weight = share_of(brings(&subs[i], k, is_point), best);
        }
    }
}

/* One weight for all colours. A stack with weights w has the variance sum(w^2/q) / sum(w)^2 in a
 * colour; the sum over the colours, each times its whole light Q, is least for w = 1 / sum(Q/q). */
static void weigh_colours(struct nw_hand_sub *subs, size_t n, size_t group, bool is_point,
                          const struct nw_hand_group *g, const double *all) {
    double best = 0.0;
    for (size_t i = 0; i < n; i++) {
        struct nw_hand_sub *const s = &subs[i];
        double sum = 0.0;
        double known = 0.0;
        for (size_t k = 0; k < g->n_planes && s->group == group; k++) {
            const double part = all[k] / brings(s, k, is_point);
            sum += isfinite(part) ? part : 0.0;
            known += isfinite(part) ? 1.0 : 0.0;
        }
        if (s->group == group) {
            const double weight = known > 0.0 ? known / sum : NAN;
            *(is_point ? &s->weight_point : &s->weight_extended) = weight;
            best = !has_fault(s) && weight > best ? weight : best;
        }
    }
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            double *const weight = is_point ? &subs[i].weight_point : &subs[i].weight_extended;
            *weight = share_of(*weight, best);
        }
    }
}

static void weigh(struct nw_hand_sub *subs, size_t n, size_t group, struct nw_hand_group *g) {
    for (int c = 0; c < 2; c++) {
        double all[NW_HAND_COLOURS];
        for (size_t k = 0; k < g->n_planes; k++) {
            weigh_plane(subs, n, group, k, c == 1, &g->planes[k], &all[k]);
        }
        weigh_colours(subs, n, group, c == 1, g, all);
    }
}

static void judge_group(struct nw_hand_sub *subs, size_t n, size_t group,
                        const struct nw_hand_opts *o, struct nw_hand_group *g, double *work) {
    const double median_px = median_fwhm(subs, n, group, work);
    for (size_t i = 0; i < n; i++) {
        if (subs[i].group == group) {
            subs[i].transmission = subs[i].planes[g->main].transmission;
        }
    }
    weigh(subs, n, group, g);
    for (size_t i = 0; i < n; i++) {
        struct nw_hand_sub *const s = &subs[i];
        if (s->group == group) {
            s->reason = reason_of(s, o, g, median_px);
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
        if (subs[i].n_colours == NW_HAND_COLOURS) {
            groups[g].n_planes = NW_HAND_COLOURS;
            groups[g].main = 1;
            groups[g].is_grid = subs[i].is_grid;
        }
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
        for (size_t k = 0; k < NW_HAND_COLOURS; k++) {
            subs[i].planes[k] = (struct nw_hand_plane){{NAN, NAN, 0, NAN}, NAN, NAN, NAN, NAN};
        }
        subs[i].transmission = subs[i].planes[0].transmission;
    }
    for (size_t g = 0; g < n_groups && status == NW_OK; g++) {
        for (size_t k = 0; k < groups[g].n_planes && status == NW_OK; k++) {
            groups[g].planes[k].best = SIZE_MAX;
            status = solve_plane(subs, n, g, k, err);
        }
        if (status == NW_OK) {
            judge_group(subs, n, g, &o, &groups[g], work);
        }
    }
    free(work);
    if (status == NW_OK) {
        hand_find_turns(subs, n, groups, n_groups);
        *ret = groups;
        *ret_n = n_groups;
        groups = NULL;
    }
    free(groups);
    return status;
}
