/* trials_frames.c - trials that are known by what was done with focuser, rotator, mount or cap: see
 * trials.h. Rules of thumb on headers alone (common practice, no source); each asks for something
 * that a usual night does not hold. */
#include <math.h>
#include <stdlib.h>

#include "budget/trials.h"

enum { MAX_GROUPS = 10000, PAIR_MOST = 8, RUN_PLACES = 5, FLATS_AT_EACH_END = 4, DARKS_EACH = 16 };
enum { BASE_LEAST = 3 };
static const double NEAR_S = 300.0;   /* frames that follow each other */
static const double RUN_S = 900.0;    /* a focus run is over within */
static const double ABOUT_S = 7200.0; /* where the best focus is asked for */
static const double TURNED_WITHIN_S = 10800.0;
static const double OUT_LEAST = 1.5; /* depths of focus */
static const double OUT_MOST = 12.0;
static const double SHARP = 1.0;      /* depths: in focus */
static const double ONE_PLACE = 0.25; /* depths */
static const double BLURRED = 1.1; /* half-light radius over that in focus, mean of both frames */
static const double SAME_FIELD_RAD = 0.1 * NW_RAD_PER_DEG;
static const double SAME_TURN_RAD = 2.0 * NW_RAD_PER_DEG; /* as `surface --separate` */
static const double TURN_LEAST_RAD = 60.0 * NW_RAD_PER_DEG;
static const double FLAT_TURN_RAD = 1.0 * NW_RAD_PER_DEG;
static const double FLATS_APART_S = 1800.0;
static const double SUN_DOWN_RAD = -6.0 * NW_RAD_PER_DEG; /* as nw_cap_leak */

struct desk {
    const struct nw_trial_night *night;
    struct nw_trial_groups *groups;
    size_t *list; /* places of the frames that are looked at, in order of time */
    size_t n;
    double *work; /* as many */
};

static const struct nw_trial_exposure *at(const struct desk *d, size_t k) {
    return &d->night->frames[d->list[k]];
}

static double end_of(const struct nw_trial_exposure *e) {
    return e->t_start_utc_s + (isfinite(e->exposure_s) ? e->exposure_s : 0.0);
}

static bool is_alike(double a, double b, double tolerance) {
    return isfinite(a) && isfinite(b) ? fabs(a - b) <= tolerance : isfinite(a) == isfinite(b);
}

/* Not turned, as far as both say. */
static bool is_turn_alike(const struct nw_trial_exposure *a, const struct nw_trial_exposure *b,
                          double tolerance_rad) {
    const double turn = remainder(a->rotator_rad - b->rotator_rad, 2.0 * NW_PI);
    return isfinite(turn) ? fabs(turn) <= tolerance_rad
                          : isfinite(a->rotator_rad) == isfinite(b->rotator_rad);
}

static bool is_same_field(const struct nw_trial_exposure *a, const struct nw_trial_exposure *b) {
    const double ra = remainder(a->ra_rad - b->ra_rad, 2.0 * NW_PI) * cos(a->dec_rad);
    const double apart = hypot(ra, a->dec_rad - b->dec_rad);
    return isfinite(apart) ? apart <= SAME_FIELD_RAD : strcmp(a->object, b->object) == 0;
}

static enum nw_status add_group(struct desk *d, const struct nw_trial_group *group,
                                struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&d->groups->items, &d->groups->cap,
                                          d->groups->n + 1, sizeof *group, MAX_GROUPS, err);
    if (status == NW_OK) {
        d->groups->items[d->groups->n++] = *group;
    }
    return status;
}

/* The light frames of one train; of one filter where it is not NULL. */
static void choose_lights(struct desk *d, int64_t train, const char *filter) {
    d->n = 0;
    for (size_t i = 0; i < d->night->n; i++) {
        const struct nw_trial_exposure *const e = &d->night->frames[i];
        if (e->use == NW_USE_LIGHT && e->train == train && isfinite(e->t_start_utc_s) &&
            (!filter || strcmp(e->filter, filter) == 0)) {
            d->list[d->n++] = i;
        }
    }
}

/* ---- Pair about focus ----------------------------------------------------------------------- */

struct best {
    double steps, half_light_px; /* NaN: not known */
};

/* Where the frames about this time have the focuser, those at the two places of the pair left out;
 * and how large their stars are. */
static struct best best_about(const struct desk *d, size_t a, size_t b) {
    const double depth = d->night->depth_steps;
    struct best best = {NAN, NAN};
    size_t n = 0;
    for (size_t k = 0; k < d->n; k++) {
        const double steps = at(d, k)->focuser_steps;
        if (fabs(at(d, k)->t_start_utc_s - at(d, a)->t_start_utc_s) <= ABOUT_S &&
            fabs(steps - at(d, a)->focuser_steps) > ONE_PLACE * depth &&
            fabs(steps - at(d, b)->focuser_steps) > ONE_PLACE * depth) {
            d->work[n++] = steps;
        }
    }
    best.steps = n > 0 ? nw_stat_quantile(d->work, n, 0.5) : NAN;
    n = 0;
    for (size_t k = 0; k < d->n; k++) {
        if (fabs(at(d, k)->t_start_utc_s - at(d, a)->t_start_utc_s) <= ABOUT_S &&
            fabs(at(d, k)->focuser_steps - best.steps) <= SHARP * depth &&
            isfinite(at(d, k)->half_light_px)) {
            d->work[n++] = at(d, k)->half_light_px;
        }
    }
    best.half_light_px = n > 0 ? nw_stat_quantile(d->work, n, 0.5) : NAN;
    return best;
}

static bool is_out(const struct desk *d, size_t k, const struct best *best) {
    const struct nw_trial_exposure *const e = at(d, k);
    const double out = fabs(e->focuser_steps - best->steps) / d->night->depth_steps;
    return out >= OUT_LEAST && out <= OUT_MOST;
}

/* Stars too wide to be measured are blurred as well. */
static bool is_blurred(const struct desk *d, size_t a, size_t b, const struct best *best) {
    const double mean = 0.5 * (at(d, a)->half_light_px + at(d, b)->half_light_px);
    return !(mean < BLURRED * best->half_light_px);
}

/* Places out of focus within a focus run's time: many are a focus run. */
static size_t places_about(const struct desk *d, size_t a, const struct best *best) {
    double places[RUN_PLACES];
    size_t n = 0;
    for (size_t k = 0; k < d->n && n < RUN_PLACES; k++) {
        const double steps = at(d, k)->focuser_steps;
        bool is_new = fabs(at(d, k)->t_start_utc_s - at(d, a)->t_start_utc_s) <= RUN_S &&
                      fabs(steps - best->steps) > SHARP * d->night->depth_steps;
        for (size_t i = 0; i < n && is_new; i++) {
            is_new = fabs(steps - places[i]) > 2.0 * ONE_PLACE * d->night->depth_steps;
        }
        if (is_new) {
            places[n++] = steps;
        }
    }
    return n;
}

/* A frame next to the pair: long ago, in focus, or of a pair with rotator or tube otherwise. */
static bool is_good_neighbour(const struct desk *d, size_t k, size_t of, const struct best *best) {
    const struct nw_trial_exposure *const e = at(d, k);
    const struct nw_trial_exposure *const p = at(d, of);
    const double apart_s = k < of ? p->t_start_utc_s - end_of(e) : e->t_start_utc_s - end_of(p);
    return apart_s > NEAR_S ||
           fabs(e->focuser_steps - best->steps) <= SHARP * d->night->depth_steps ||
           e->tube_side != p->tube_side || !is_turn_alike(e, p, SAME_TURN_RAD);
}

/* Frames of one pair follow each other. */
static bool follows(const struct desk *d, size_t k) {
    const struct nw_trial_exposure *const a = at(d, k);
    const struct nw_trial_exposure *const b = at(d, k + 1);
    return b->t_start_utc_s - end_of(a) <= NEAR_S && a->tube_side == b->tube_side &&
           is_turn_alike(a, b, SAME_TURN_RAD) && is_same_field(a, b) &&
           fabs(a->exposure_s - b->exposure_s) <= 0.2 * a->exposure_s;
}

static bool is_one_place(const struct desk *d, size_t j, size_t k) {
    return fabs(at(d, j)->focuser_steps - at(d, k)->focuser_steps) <=
           ONE_PLACE * d->night->depth_steps;
}

/* Is k the last frame of the pair's first place? *ret_first, *ret_last: its frames. */
static bool is_pair(const struct desk *d, size_t k, size_t *ret_first, size_t *ret_last) {
    size_t first = k;
    size_t last = k + 1;
    if (!follows(d, k) || is_one_place(d, k, k + 1)) {
        return false;
    }
    const struct best best = best_about(d, k, k + 1);
    const double in = at(d, k)->focuser_steps - best.steps;
    const double out = at(d, k + 1)->focuser_steps - best.steps;
    if (!(in * out < 0.0) || fabs(in) > 2.0 * fabs(out) || fabs(out) > 2.0 * fabs(in) ||
        !is_out(d, k, &best) || !is_out(d, k + 1, &best) || !is_blurred(d, k, k + 1, &best) ||
        places_about(d, k, &best) >= RUN_PLACES) {
        return false;
    }
    while (first > 0 && follows(d, first - 1) && is_one_place(d, first - 1, k)) {
        first--;
    }
    while (last + 1 < d->n && follows(d, last) && is_one_place(d, last + 1, k + 1)) {
        last++;
    }
    *ret_first = first;
    *ret_last = last;
    return last - first < PAIR_MOST &&
           (first == 0 || is_good_neighbour(d, first - 1, first, &best)) &&
           (last + 1 < d->n ? is_good_neighbour(d, last + 1, last, &best)
                            : end_of(at(d, last)) <= d->night->settled_utc_s);
}

static enum nw_status find_pairs(struct desk *d, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t k = 0; k + 1 < d->n && status == NW_OK; k++) {
        struct nw_trial_group group = {.id = NW_TRIAL_PAIR_ABOUT_FOCUS};
        size_t first = 0;
        size_t last = 0;
        if (is_pair(d, k, &first, &last)) {
            for (size_t i = first; i <= last; i++) {
                group.frames[group.n++] = d->list[i];
            }
            status = add_group(d, &group, err);
            k = last;
        }
    }
    return status;
}

/* The pair of groups, as one trial; NW_N_TRIALS: none. */
static enum nw_trial_id kind_of(const struct nw_trial_exposure *a,
                                const struct nw_trial_exposure *b) {
    const double turn = fabs(remainder(a->rotator_rad - b->rotator_rad, 2.0 * NW_PI));
    const double apart_s = b->t_start_utc_s - a->t_start_utc_s;
    if (a->train != b->train || strcmp(a->filter, b->filter) != 0) {
        return NW_N_TRIALS;
    }
    if (a->tube_side == b->tube_side && turn >= TURN_LEAST_RAD && apart_s <= TURNED_WITHIN_S) {
        return NW_TRIAL_ROTATOR_HALF_TURN;
    }
    return a->tube_side * b->tube_side < 0 && is_turn_alike(a, b, SAME_TURN_RAD)
               ? NW_TRIAL_TWO_TUBE_SIDES
               : NW_N_TRIALS;
}

/* Each pair with the last one before it that stood otherwise. */
static enum nw_status join_pairs(struct desk *d, struct nw_err *err) {
    const size_t n_pairs = d->groups->n;
    enum nw_status status = NW_OK;
    for (size_t k = 1; k < n_pairs && status == NW_OK; k++) {
        bool is_found[NW_N_TRIALS + 1] = {false};
        for (size_t i = k; i-- > 0 && status == NW_OK;) {
            const struct nw_trial_group a = d->groups->items[i];
            const struct nw_trial_group b = d->groups->items[k];
            struct nw_trial_group both = a;
            both.id = kind_of(&d->night->frames[a.frames[0]], &d->night->frames[b.frames[0]]);
            if (both.id == NW_N_TRIALS || is_found[both.id]) {
                continue;
            }
            is_found[both.id] = true;
            for (size_t m = 0; m < b.n; m++) {
                both.frames[both.n++] = b.frames[m];
            }
            status = add_group(d, &both, err);
        }
    }
    return status;
}

/* ---- Five-second frame ---------------------------------------------------------------------- */

enum { SHORTEST_S = 3, LONGEST_S = 8, SHORT_S = 10, ALONE_S = 600, LONG_S = 60, LONG_TIMES = 10 };
static const double AMID_S = 3600.0;

static bool is_amid(const struct desk *d, size_t k, bool is_before) {
    const struct nw_trial_exposure *const e = at(d, k);
    for (size_t i = is_before ? k : k + 1; is_before ? i-- > 0 : i < d->n; i += is_before ? 0 : 1) {
        const struct nw_trial_exposure *const o = at(d, i);
        if (fabs(o->t_start_utc_s - e->t_start_utc_s) > AMID_S) {
            return false;
        }
        if (o->exposure_s >= fmax(LONG_S, LONG_TIMES * e->exposure_s)) {
            return strcmp(o->filter, e->filter) != 0 ||
                   !(fabs(o->focuser_steps - e->focuser_steps) > SHARP * d->night->depth_steps);
        }
    }
    return false;
}

static bool is_alone(const struct desk *d, size_t k) {
    for (size_t i = 0; i < d->n; i++) {
        if (i != k && !(at(d, i)->exposure_s > SHORT_S) &&
            fabs(at(d, i)->t_start_utc_s - at(d, k)->t_start_utc_s) <= ALONE_S) {
            return false;
        }
    }
    return true;
}

static enum nw_status find_short(struct desk *d, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t k = 0; k < d->n && status == NW_OK; k++) {
        const struct nw_trial_exposure *const e = at(d, k);
        if (e->exposure_s >= SHORTEST_S && e->exposure_s <= LONGEST_S && !e->is_taken &&
            is_amid(d, k, true) && is_amid(d, k, false) && is_alone(d, k)) {
            const struct nw_trial_group group = {
                .id = NW_TRIAL_FIVE_SECOND_FRAME, .n = 1, .frames = {d->list[k]}};
            status = add_group(d, &group, err);
        }
    }
    return status;
}

/* ---- Cap on --------------------------------------------------------------------------------- */

static bool is_dark_alike(const struct nw_trial_exposure *a, const struct nw_trial_exposure *b) {
    return b->use == NW_USE_DARK && a->train == b->train &&
           is_alike(a->gain_setting, b->gain_setting, 0.0) &&
           is_alike(a->offset_setting, b->offset_setting, 0.0) &&
           is_alike(a->binning, b->binning, 0.0) &&
           fabs(a->temperature_K - b->temperature_K) <= 1.0;
}

/* All darks of like kind as frame i, with light outside at its length, without at any. */
static struct nw_trial_group darks_like(const struct nw_trial_night *night, size_t i) {
    const struct nw_trial_exposure *const a = &night->frames[i];
    struct nw_trial_group group = {.id = NW_TRIAL_CAP_ON};
    size_t n[3] = {0, 0, 0}; /* lit; base of this length; of another */
    for (size_t k = 0; k < night->n; k++) {
        const struct nw_trial_exposure *const b = &night->frames[k];
        const bool is_length = fabs(b->exposure_s - a->exposure_s) <= 0.02 * a->exposure_s;
        const size_t kind = b->sun_altitude_rad > 0.0 ? 0 : is_length ? 1 : 2;
        const bool is_one = is_dark_alike(a, b) && end_of(b) <= night->settled_utc_s &&
                            (kind == 0 ? is_length : b->sun_altitude_rad < SUN_DOWN_RAD);
        if (is_one && n[kind] < DARKS_EACH) {
            group.frames[group.n++] = k;
            n[kind]++;
        }
    }
    group.n = n[0] > 0 && n[1] >= BASE_LEAST ? group.n : 0;
    return group;
}

static bool is_of(const struct nw_trial_night *night, const struct nw_trial_group *group,
                  size_t i) {
    const struct nw_trial_exposure *const a = &night->frames[group->frames[0]];
    return group->id == NW_TRIAL_CAP_ON && is_dark_alike(a, &night->frames[i]);
}

/* The longest length of each kind of which there are such with light outside and without. */
static enum nw_status find_darks(struct desk *d, struct nw_err *err) {
    const struct nw_trial_night *const night = d->night;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < night->n && status == NW_OK; i++) {
        const struct nw_trial_exposure *const e = &night->frames[i];
        bool is_done = e->use != NW_USE_DARK || !(e->sun_altitude_rad > 0.0);
        for (size_t k = 0; k < d->groups->n && !is_done; k++) {
            is_done = is_of(night, &d->groups->items[k], i);
        }
        struct nw_trial_group best = {.n = 0};
        double longest_s = 0.0;
        for (size_t k = i; k < night->n && !is_done; k++) {
            const struct nw_trial_exposure *const b = &night->frames[k];
            if (is_dark_alike(e, b) && b->sun_altitude_rad > 0.0 && b->exposure_s > longest_s) {
                const struct nw_trial_group group = darks_like(night, k);
                longest_s = group.n > 0 ? b->exposure_s : longest_s;
                best = group.n > 0 ? group : best;
            }
        }
        status = best.n > 0 ? add_group(d, &best, err) : NW_OK;
    }
    return status;
}

/* ---- Edge card ------------------------------------------------------------------------------ */

static bool is_flat_alike(const struct nw_trial_exposure *a, const struct nw_trial_exposure *b) {
    return b->use == NW_USE_FLAT && a->train == b->train && strcmp(a->filter, b->filter) == 0 &&
           is_alike(a->binning, b->binning, 0.0) && is_turn_alike(a, b, FLAT_TURN_RAD);
}

/* Sessions of flats that are alike; of a long one both ends, where a card would be held. */
static enum nw_status find_flats(struct desk *d, struct nw_err *err) {
    const struct nw_trial_night *const night = d->night;
    bool *const is_seen = nw_calloc(night->n + 1, sizeof *is_seen);
    enum nw_status status = is_seen ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu frames", night->n);
    for (size_t i = 0; i < night->n && status == NW_OK; i++) {
        if (is_seen[i] || night->frames[i].use != NW_USE_FLAT ||
            !isfinite(night->frames[i].t_start_utc_s)) {
            continue;
        }
        double last_s = end_of(&night->frames[i]);
        d->n = 0;
        for (size_t k = i; k < night->n; k++) {
            const struct nw_trial_exposure *const e = &night->frames[k];
            if (is_flat_alike(&night->frames[i], e) && e->t_start_utc_s - last_s <= FLATS_APART_S) {
                d->list[d->n++] = k;
                is_seen[k] = true;
                last_s = end_of(e);
            }
        }
        struct nw_trial_group group = {.id = NW_TRIAL_EDGE_CARD};
        for (size_t k = 0; k < d->n; k++) {
            if (k < FLATS_AT_EACH_END || k + FLATS_AT_EACH_END >= d->n) {
                group.frames[group.n++] = d->list[k];
            }
        }
        status = group.n > 1 && last_s <= night->settled_utc_s ? add_group(d, &group, err) : NW_OK;
    }
    free(is_seen);
    return status;
}

/* ---- All of it ------------------------------------------------------------------------------ */

void nw_trial_groups_done(struct nw_trial_groups *groups) {
    free(groups->items);
    *groups = (struct nw_trial_groups){.n = 0};
}

/* Is i the first light frame of its train (and filter)? */
static bool is_first(const struct nw_trial_night *night, size_t i, bool by_filter) {
    const struct nw_trial_exposure *const e = &night->frames[i];
    bool is = e->use == NW_USE_LIGHT;
    for (size_t k = 0; k < i && is; k++) {
        const struct nw_trial_exposure *const b = &night->frames[k];
        is = b->use != NW_USE_LIGHT || b->train != e->train ||
             (by_filter && strcmp(b->filter, e->filter) != 0);
    }
    return is;
}

enum nw_status nw_trials_by_frames(const struct nw_trial_night *night, struct nw_trial_groups *ret,
                                   struct nw_err *err) {
    struct desk d = {.night = night, .groups = ret};
    d.list = nw_calloc(night->n + 1, sizeof *d.list);
    d.work = nw_calloc(night->n + 1, sizeof *d.work);
    enum nw_status status =
        d.list && d.work ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu frames of a night", night->n);
    *ret = (struct nw_trial_groups){.n = 0};
    for (size_t i = 0; i < night->n && status == NW_OK && night->depth_steps > 0.0; i++) {
        if (is_first(night, i, true)) {
            choose_lights(&d, night->frames[i].train, night->frames[i].filter);
            status = find_pairs(&d, err);
        }
    }
    status = status == NW_OK ? join_pairs(&d, err) : status;
    for (size_t i = 0; i < night->n && status == NW_OK; i++) {
        if (is_first(night, i, false)) {
            choose_lights(&d, night->frames[i].train, NULL);
            status = find_short(&d, err);
        }
    }
    status = status == NW_OK ? find_darks(&d, err) : status;
    status = status == NW_OK ? find_flats(&d, err) : status;
    free(d.list);
    free(d.work);
    if (status != NW_OK) {
        nw_trial_groups_done(ret);
    }
    return status;
}
