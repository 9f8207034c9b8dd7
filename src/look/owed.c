/* owed.c - calibration owed and cooling headroom; see owed.h. */
#include "look/owed.h"

#include <math.h>

static double sooner_of(const struct nw_hand_set *s) {
    const double grade = s->is_missing ? 4.0 : s->is_stale ? 2.0 : 1.0;
    return grade * (double)s->n_subs;
}

static int by_need(const void *a, const void *b) {
    const struct nw_owed *const x = a;
    const struct nw_owed *const y = b;
    return (x->sooner < y->sooner) - (x->sooner > y->sooner);
}

static struct nw_owed owed_for(const struct nw_hand_set *s, size_t index, size_t wanted,
                               double between_s) {
    struct nw_owed o = {.set = index, .is_capped = s->need != NW_HAND_NEED_FLAT};
    const size_t have = s->is_stale ? 0 : s->n;
    o.wanted = have < wanted ? wanted - have : 0;
    const double exposure = s->need == NW_HAND_NEED_DARK ? s->exposure_s : 0.0;
    const double each_s = o.is_capped ? exposure + between_s : 30.0;
    o.minutes = (double)o.wanted * each_s / 60.0;
    o.sooner = o.wanted ? sooner_of(s) : 0.0;
    return o;
}

static bool same(double a, double b, double tolerance) {
    return (isnan(a) && isnan(b)) || fabs(a - b) <= tolerance;
}

/* Darks and bias serve all filters, flats all targets. */
static bool is_one_set(const struct nw_hand_group *groups, const struct nw_hand_set *a,
                       const struct nw_hand_set *b) {
    const struct nw_hand_group *const g = &groups[a->group];
    const struct nw_hand_group *const h = &groups[b->group];
    const bool is_camera = strcmp(g->camera, h->camera) == 0 && g->width_px == h->width_px &&
                           g->height_px == h->height_px && same(g->binning, h->binning, 0.1);
    const bool is_gain = same(g->gain_setting, h->gain_setting, 0.01) &&
                         same(g->offset_setting, h->offset_setting, 0.01);
    if (a->need != b->need || !is_camera) {
        return false;
    }
    if (a->need == NW_HAND_NEED_FLAT) {
        return strcmp(g->filter, h->filter) == 0 &&
               same(a->angle_rad, b->angle_rad, 1.0 * NW_RAD_PER_DEG);
    }
    return is_gain && same(a->exposure_s, b->exposure_s, 0.02 * a->exposure_s) &&
           same(a->temperature_K, b->temperature_K, 1.0);
}

static void merge(struct nw_owed_list *list) {
    size_t n = 0;
    for (size_t i = 0; i < list->n; i++) {
        size_t k = 0;
        while (k < n && !is_one_set(list->groups, &list->sets[k], &list->sets[i])) {
            k++;
        }
        if (k == n) {
            list->sets[n++] = list->sets[i];
        } else {
            list->sets[k].n_subs += list->sets[i].n_subs;
            list->sets[k].age_s = fmin(list->sets[k].age_s, list->sets[i].age_s);
            free(list->sets[i].items);
        }
    }
    list->n = n;
}

enum nw_status nw_owed_of(const struct nw_owed_from *from, struct nw_owed_list *ret,
                          struct nw_err *err) {
    struct nw_hand_sub *const subs = from->subs;
    const size_t n = from->n;
    const struct nw_hand_rules rules = {.temperature_K = NAN,
                                        .exposure = NAN,
                                        .angle_rad = NAN,
                                        .stale_dark_s = NAN,
                                        .stale_flat_s = NAN,
                                        .stale_bias_s = NAN,
                                        .wanted = from->wanted ? from->wanted : 20};
    struct nw_owed_list out = {.n = 0};
    enum nw_status status = nw_handover_group(subs, n, &out.groups, &out.n_groups, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        subs[i].reason = NW_HAND_KEPT;
    }
    const struct nw_hand_judged judged = {subs, n, out.groups, out.n_groups};
    status = status == NW_OK ? nw_handover_calibrate(&judged, from->frames, from->n_frames, &rules,
                                                     &out.sets, &out.n, err)
                             : status;
    merge(&out);
    out.owed = status == NW_OK ? nw_calloc(out.n + 1, sizeof *out.owed) : NULL;
    if (status == NW_OK && !out.owed) {
        status = nw_err_set(err, NW_NOMEM, "calibration owed");
    }
    for (size_t i = 0; i < out.n && status == NW_OK; i++) {
        out.owed[i] = owed_for(&out.sets[i], i, rules.wanted, from->between_s);
        out.capped_min += out.owed[i].is_capped ? out.owed[i].minutes : 0.0;
    }
    if (status == NW_OK) {
        qsort(out.owed, out.n, sizeof *out.owed, by_need);
        *ret = out;
        return NW_OK;
    }
    nw_owed_done(&out);
    return status;
}

void nw_owed_done(struct nw_owed_list *list) {
    nw_hand_sets_free(list->sets, list->n);
    free(list->groups);
    free(list->owed);
    *list = (struct nw_owed_list){.n = 0};
}

enum nw_status nw_cooling_of(const struct nw_rig *rig, const struct nw_camera *camera,
                             struct nw_cooling *ret, struct nw_err *err) {
    const struct nw_site *const s = &rig->site;
    if (!isfinite(camera->cooling_K.v) || !isfinite(camera->set_temperature_K.v)) {
        return nw_err_set(err, NW_NOTFOUND, "cameras.%s.cooling and .set_temperature are not given",
                          camera->name);
    }
    struct nw_cooling out = {.is_assumed = !isfinite(s->summer_K.v) || !isfinite(s->winter_K.v)};
    const double summer = isfinite(s->summer_K.v) ? s->summer_K.v : s->temperature_K.v + 8.0;
    const double winter = isfinite(s->winter_K.v) ? s->winter_K.v : s->temperature_K.v - 8.0;
    /* warmest: mid-January south of the equator, mid-July north of it */
    const double warmest = s->latitude_rad.v < 0.0 ? 0.0 : 6.0;
    double hottest = -INFINITY;
    for (int m = 0; m < 12; m++) {
        struct nw_cooling_month *const month = &out.months[m];
        const double wave = cos(2.0 * NW_PI * (m - warmest) / 12.0);
        month->air_K = 0.5 * (summer + winter) + 0.5 * (summer - winter) * wave;
        month->reach_K = month->air_K - camera->cooling_K.v;
        month->headroom_K = camera->set_temperature_K.v - month->reach_K;
        month->dark_factor = exp2(fmax(0.0, -month->headroom_K) / 6.0);
        hottest = fmax(hottest, month->reach_K);
    }
    const double air_sigma = isfinite(s->summer_K.sigma) ? s->summer_K.sigma : 4.0;
    out.sigma_K =
        hypot(isfinite(camera->cooling_K.sigma) ? camera->cooling_K.sigma : 0.0, air_sigma);
    out.warmest_hold_K = hottest + 3.0;
    *ret = out;
    return NW_OK;
}
