/* handover_calibration.c - which dark, flat and bias frames belong to which subs; see handover.h.
 * Idea: a set is asked for by what its subs have in common; every frame of that kind either matches
 * or differs in something, and the least different one is named where none matches. */
#include <math.h>

#include "look/handover.h"

static const double DAY_s = 86400.0;

const char *nw_hand_need_word(enum nw_hand_need need) {
    static const char *const WORDS[] = {
#define X(name, word) word,
        NW_HAND_NEED_LIST(X)
#undef X
    };
    return WORDS[need];
}

static double temperature_of(const struct nw_frame_facts *f) {
    return isfinite(f->set_temperature_K) ? f->set_temperature_K : f->chip_temperature_K;
}

static struct nw_hand_rules filled(const struct nw_hand_rules *rules) {
    struct nw_hand_rules r = {.temperature_K = 1.0,
                              .exposure = 0.02,
                              .angle_rad = 1.0 * NW_RAD_PER_DEG,
                              .stale_dark_s = 180.0 * DAY_s,
                              .stale_flat_s = 14.0 * DAY_s,
                              .stale_bias_s = 365.0 * DAY_s,
                              .wanted = 20};
    if (rules) {
        r.temperature_K = isfinite(rules->temperature_K) ? rules->temperature_K : r.temperature_K;
        r.exposure = isfinite(rules->exposure) ? rules->exposure : r.exposure;
        r.angle_rad = isfinite(rules->angle_rad) ? rules->angle_rad : r.angle_rad;
        r.stale_dark_s = isfinite(rules->stale_dark_s) ? rules->stale_dark_s : r.stale_dark_s;
        r.stale_flat_s = isfinite(rules->stale_flat_s) ? rules->stale_flat_s : r.stale_flat_s;
        r.stale_bias_s = isfinite(rules->stale_bias_s) ? rules->stale_bias_s : r.stale_bias_s;
        r.wanted = rules->wanted ? rules->wanted : r.wanted;
    }
    return r;
}

/* Neither says it, or both say the same within a tolerance: what one of them does not say cannot
 * be held against it. */
static bool differs(double a, double b, double tolerance) {
    return isfinite(a) && isfinite(b) && fabs(a - b) > tolerance;
}

static const double SAME_NIGHT_s = 18.0 * 3600.0;

/* The sub that shows the camera's angle at the time of a flat; NULL: none. */
static const struct nw_hand_sub *sub_near(const struct nw_hand_sub *subs, size_t n,
                                          const struct nw_hand_set *set, double t_utc_s) {
    const struct nw_hand_sub *best = NULL;
    double best_s = SAME_NIGHT_s;
    for (size_t i = 0; i < n; i++) {
        const double gap_s = fabs(subs[i].facts->t_start_utc_s - t_utc_s);
        if (subs[i].has_turn && subs[i].turn_of == set->turn_of && gap_s <= best_s) {
            best = &subs[i];
            best_s = gap_s;
        }
    }
    return best;
}

/* By the stars where they tell, else by the headers. */
static double turned_by(const struct nw_hand_set *set, const struct nw_hand_sub *near,
                        const struct nw_frame_facts *flat, bool *ret_is_measured) {
    *ret_is_measured = set->has_turn && near;
    return *ret_is_measured ? remainder(near->turn_rad - set->turn_rad, 2.0 * NW_PI)
                            : remainder(flat->rotator_rad - set->angle_rad, 2.0 * NW_PI);
}

enum { N_DIFFERENCES = 9 };
/* Words for what differs, "" when it belongs; returns how much is different. */
static size_t differences(const struct nw_hand_set *set, const struct nw_hand_group *g,
                          const struct nw_hand_calibration *c, const struct nw_hand_sub *near,
                          const struct nw_hand_rules *r, struct nw_buf *words) {
    const struct nw_frame_facts *const f = c->facts;
    const double dark_tolerance = r->exposure * set->exposure_s;
    bool is_measured = false;
    const double turned = turned_by(set, near, f, &is_measured);
    const struct {
        bool is_different;
        const char *word;
    } rows[N_DIFFERENCES] = {
        {g->camera[0] && f->camera[0] && strcmp(g->camera, f->camera) != 0, "camera"},
        {c->width_px != g->width_px || c->height_px != g->height_px, "size"},
        {differs(f->binning, g->binning, 0.1), "binning"},
        {set->need != NW_HAND_NEED_FLAT && differs(f->gain_setting, g->gain_setting, 0.01), "gain"},
        {set->need != NW_HAND_NEED_FLAT && differs(f->offset_setting, g->offset_setting, 0.01),
         "offset"},
        {set->need == NW_HAND_NEED_DARK && differs(f->exposure_s, set->exposure_s, dark_tolerance),
         "exposure"},
        {set->need == NW_HAND_NEED_DARK &&
             differs(temperature_of(f), set->temperature_K, r->temperature_K),
         "temperature"},
        {set->need == NW_HAND_NEED_FLAT && strcmp(f->filter, g->filter) != 0, "filter"},
        {set->need == NW_HAND_NEED_FLAT && isfinite(turned) && fabs(turned) > r->angle_rad,
         is_measured ? "camera's angle, by the stars" : "rotator angle"}};
    size_t n = 0;
    for (size_t i = 0; i < N_DIFFERENCES; i++) {
        if (rows[i].is_different) {
            nw_buf_printf(words, "%s%s", n++ ? ", " : "", rows[i].word);
        }
    }
    return n;
}

static bool is_kind(const struct nw_hand_calibration *c, enum nw_hand_need need) {
    static const enum nw_frame_use USES[] = {NW_USE_DARK, NW_USE_FLAT, NW_USE_BIAS};
    return c->use == USES[need];
}

/* The set that this sub asks for; a new one when there is none yet. */
static void ask(struct nw_hand_set *sets, size_t *n, const struct nw_hand_sub *s,
                enum nw_hand_need need, const struct nw_hand_rules *r) {
    const double exposure = need == NW_HAND_NEED_DARK ? s->facts->exposure_s : NAN;
    const double angle = need == NW_HAND_NEED_FLAT ? s->facts->rotator_rad : NAN;
    const double kelvin = need == NW_HAND_NEED_DARK ? temperature_of(s->facts) : NAN;
    for (size_t i = 0; i < *n; i++) {
        struct nw_hand_set *const set = &sets[i];
        const bool is_measured = s->has_turn && set->has_turn && s->turn_of == set->turn_of;
        const double turned = need != NW_HAND_NEED_FLAT ? NAN
                              : is_measured ? remainder(s->turn_rad - set->turn_rad, 2.0 * NW_PI)
                                            : remainder(angle - set->angle_rad, 2.0 * NW_PI);
        if (set->need == need && set->group == s->group &&
            !differs(exposure, set->exposure_s, r->exposure * exposure) &&
            !differs(kelvin, set->temperature_K, r->temperature_K) &&
            !(isfinite(turned) && fabs(turned) > r->angle_rad)) {
            set->n_subs++;
            return;
        }
    }
    sets[(*n)++] = (struct nw_hand_set){.group = s->group,
                                        .need = need,
                                        .exposure_s = exposure,
                                        .angle_rad = angle,
                                        .has_turn = need == NW_HAND_NEED_FLAT && s->has_turn,
                                        .turn_rad = s->turn_rad,
                                        .turn_of = s->turn_of,
                                        .temperature_K = kelvin,
                                        .n_subs = 1,
                                        .age_s = NAN};
}

/* Time from the nearest frame of the set to the last sub that needs it. */
static double age_of(const struct nw_hand_set *set, const struct nw_hand_calibration *frames,
                     const struct nw_hand_sub *subs, size_t n_subs) {
    double age = NAN;
    for (size_t k = 0; k < set->n; k++) {
        const double taken = frames[set->items[k]].facts->t_start_utc_s;
        double nearest = NAN;
        for (size_t i = 0; i < n_subs; i++) {
            const double gap = fabs(subs[i].facts->t_start_utc_s - taken);
            if (subs[i].group == set->group && isfinite(gap)) {
                nearest = fmin(nearest, gap);
            }
        }
        age = fmin(age, nearest);
    }
    return age;
}

static enum nw_status fill(struct nw_hand_set *set, const struct nw_hand_judged *judged,
                           const struct nw_hand_calibration *frames, size_t n_frames,
                           const struct nw_hand_rules *r, struct nw_err *err) {
    const struct nw_hand_group *const g = &judged->groups[set->group];
    set->items = nw_calloc(n_frames + 1, sizeof *set->items);
    if (!set->items) {
        return nw_err_set(err, NW_NOMEM, "%zu calibration frames", n_frames);
    }
    size_t least = SIZE_MAX;
    for (size_t i = 0; i < n_frames; i++) {
        if (!is_kind(&frames[i], set->need)) {
            continue;
        }
        const struct nw_hand_sub *const near =
            set->has_turn ? sub_near(judged->subs, judged->n, set, frames[i].facts->t_start_utc_s)
                          : NULL;
        struct nw_buf words;
        nw_buf_init(&words, 400);
        const size_t n = differences(set, g, &frames[i], near, r, &words);
        if (n == 0) {
            set->items[set->n++] = i;
        } else if (n < least) {
            least = n;
            (void)snprintf(set->nearest, sizeof set->nearest, "%.80s differs in %.100s",
                           nw_file_base_name(frames[i].path), words.data ? words.data : "");
        }
        nw_buf_done(&words);
    }
    set->is_missing = set->n == 0;
    set->is_few = set->n > 0 && set->n < r->wanted;
    if (set->n > 0) {
        set->nearest[0] = '\0';
    }
    return NW_OK;
}

enum nw_status nw_handover_calibrate(const struct nw_hand_judged *judged,
                                     const struct nw_hand_calibration *frames, size_t n_frames,
                                     const struct nw_hand_rules *rules, struct nw_hand_set **ret,
                                     size_t *ret_n, struct nw_err *err) {
    const struct nw_hand_rules r = filled(rules);
    const struct nw_hand_sub *const subs = judged->subs;
    const size_t n = judged->n;
    const double stale_s[NW_HAND_N_NEEDS] = {r.stale_dark_s, r.stale_flat_s, r.stale_bias_s};
    struct nw_hand_set *sets = nw_calloc(n * NW_HAND_N_NEEDS + 1, sizeof *sets);
    size_t n_sets = 0;
    enum nw_status status =
        sets ? NW_OK : nw_err_set(err, NW_NOMEM, "calibration sets of %zu subs", n);
    for (size_t g = 0; g < judged->n_groups && status == NW_OK;
         g++) { /* in the order of the groups */
        for (int need = 0; need < NW_HAND_N_NEEDS; need++) {
            for (size_t i = 0; i < n; i++) {
                if (subs[i].reason == NW_HAND_KEPT && subs[i].group == g) {
                    ask(sets, &n_sets, &subs[i], (enum nw_hand_need)need, &r);
                }
            }
        }
    }
    for (size_t i = 0; i < n_sets && status == NW_OK; i++) {
        status = fill(&sets[i], judged, frames, n_frames, &r, err);
        sets[i].age_s = status == NW_OK ? age_of(&sets[i], frames, subs, n) : NAN;
        sets[i].is_stale = sets[i].age_s > stale_s[sets[i].need];
    }
    if (status == NW_OK) {
        *ret = sets;
        *ret_n = n_sets;
        return NW_OK;
    }
    nw_hand_sets_free(sets, n_sets);
    return status;
}

void nw_hand_sets_free(struct nw_hand_set *sets, size_t n) {
    for (size_t i = 0; sets && i < n; i++) {
        free(sets[i].items);
    }
    free(sets);
}
