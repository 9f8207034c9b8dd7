/* nightly.c - a night looked back on: see nightly.h. */
#include "book/nightly.h"

#include <math.h>
#include <stdlib.h>

#include "book/live_internal.h"
#include "rig/rig.h"
#include "sky/almanac.h"

/* A gap is long beyond three usual ones and half a minute, as in `look`. */
static const double LONG_FACTOR = 3.0, LONG_EXTRA_S = 30.0;
static const double BETTER_TENTH = 0.1;

const char *nw_sub_fault_text(enum nw_sub_fault fault) {
    static const char *const TEXTS[] = {
#define X(name, text) text,
        NW_SUB_FAULT_LIST(X)
#undef X
    };
    return TEXTS[fault];
}

/* ---- Hours ---------------------------------------------------------------------------------- */

/* A hole of the logs alone took no time from the frames and stands behind those that did. */
static double weight_s(const struct nw_gap *gap) {
    return (gap->to_s - gap->from_s) * (gap->sources & (1u << NW_GAP_FRAMES) ? 1.0 : 1e-3);
}

static void keep_gap(struct nw_nightly *night, const struct nw_gap *gap) {
    size_t at = night->n_gaps;
    while (at > 0 && weight_s(&night->gaps[at - 1]) < weight_s(gap)) {
        at--;
    }
    if (at == NW_NIGHTLY_GAPS) {
        return;
    }
    night->n_gaps += night->n_gaps < NW_NIGHTLY_GAPS ? 1 : 0;
    for (size_t i = night->n_gaps - 1; i > at; i--) {
        night->gaps[i] = night->gaps[i - 1];
    }
    night->gaps[at] = *gap;
}

static enum nw_status find_gaps(struct nw_book *book, struct nw_nightly *night,
                                struct nw_err *err) {
    struct nw_gap *gaps = NULL;
    size_t n = 0;
    const enum nw_status status = nw_gaps_of_night(book, &night->live, &gaps, &n, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        keep_gap(night, &gaps[i]);
        night->n_faults += nw_gap_is_fault(gaps[i].cause) ? 1 : 0;
    }
    free(gaps);
    return status;
}

static void walk(struct nw_nightly *night) {
    const struct nw_live *const live = &night->live;
    const double usual_s = live->usual_gap_s;
    double covered_s = live->n > 0 ? live_end_of(&live->subs[0]) : NAN;
    double exposing_s = live->n > 0 ? covered_s - live->subs[0].t_start_utc_s : 0.0;
    for (size_t i = 1; i < live->n; i++) {
        const struct nw_live_sub *const sub = &live->subs[i];
        const double gap_s = sub->t_start_utc_s - covered_s;
        const bool is_long = gap_s > LONG_FACTOR * usual_s && gap_s > usual_s + LONG_EXTRA_S;
        exposing_s += fmax(0.0, live_end_of(sub) - fmax(sub->t_start_utc_s, covered_s));
        if (is_long) {
            night->n_long++;
            night->long_gaps_h += (gap_s - usual_s) / 3600.0;
        }
        night->usual_gaps_h += fmax(0.0, is_long ? usual_s : gap_s) / 3600.0;
        covered_s = fmax(covered_s, live_end_of(sub));
    }
    night->exposing_h = exposing_s / 3600.0;
    night->usual_gap_s = usual_s;
}

/* The site from the rig, else from the first frame that says where it was. */
static bool find_site(struct nw_book *book, const struct nw_nightly *night,
                      const struct nw_rig *rig, struct nw_observer *ret) {
    if (rig) {
        *ret = nw_sky_observer_of(rig);
    } else {
        *ret = (struct nw_observer){.ut1_utc_s = NAN};
        ret->place = nw_live_place(book, night->live.date);
    }
    if (!isfinite(ret->place.elevation_m)) {
        ret->place.elevation_m = 0.0;
    }
    return isfinite(ret->place.latitude_rad) && isfinite(ret->place.longitude_rad);
}

static void find_dark(struct nw_book *book, struct nw_nightly *night, const struct nw_rig *rig) {
    struct nw_observer observer;
    struct nw_dark dark = {.exists = false};
    char midnight[32];
    double date_s = NAN;
    struct nw_err why = {0};
    (void)snprintf(midnight, sizeof midnight, "%sT00:00:00Z", night->live.date);
    if (!find_site(book, night, rig, &observer)) {
        nw_text_copy(night->why_no_dark, sizeof night->why_no_dark,
                     "the frames do not say where they were taken: give --rig");
        return;
    }
    if (nw_time_read_iso(midnight, 0.0, &date_s, &why) != NW_OK ||
        nw_sky_dark(&observer, nw_sky_noon_utc_s(date_s, observer.place.longitude_rad),
                    NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, &why) != NW_OK) {
        nw_text_copy(night->why_no_dark, sizeof night->why_no_dark, why.text);
        return;
    }
    if (!dark.exists) {
        nw_text_copy(night->why_no_dark, sizeof night->why_no_dark,
                     "the Sun does not go 18 deg below the horizon on this night");
        return;
    }
    night->is_dark_known = true;
    night->dark_start_s = dark.start_s;
    night->dark_end_s = dark.end_s;
    night->dark_h = (dark.end_s - dark.start_s) / 3600.0;
    if (night->live.n > 0) {
        const double first_s = night->live.subs[0].t_start_utc_s;
        night->before_h = fmax(0.0, fmin(first_s, dark.end_s) - dark.start_s) / 3600.0;
        night->after_h =
            fmax(0.0, dark.end_s - fmax(night->live.t_last_end_s, dark.start_s)) / 3600.0;
    }
}

/* ---- Worth of subs ----------------------------------------------------------------------------
 */

static bool is_alike(const struct nw_live_sub *a, const struct nw_live_sub *b) {
    return strcmp(a->filter, b->filter) == 0 &&
           fabs(a->exposure_s - b->exposure_s) <= 1e-3 * a->exposure_s;
}

/* The better tenth of a number among the subs alike; is_high_better picks the side. */
static double best_of(const struct nw_live *live, size_t like, size_t at, bool is_high_better,
                      double *work) {
    size_t n = 0;
    for (size_t i = 0; i < live->n; i++) {
        double value = NAN;
        memcpy(&value, (const char *)&live->subs[i] + at, sizeof value);
        if (isfinite(value) && is_alike(&live->subs[like], &live->subs[i])) {
            work[n++] = value;
        }
    }
    return n > 0 ? nw_stat_quantile(work, n, is_high_better ? 1.0 - BETTER_TENTH : BETTER_TENTH)
                 : NAN;
}

static double share(double value) {
    return fmin(1.0, value);
}

static void judge_sub(const struct nw_live *live, size_t i, double *work,
                      struct nw_nightly_sub *ret) {
    const struct nw_live_sub *const sub = &live->subs[i];
    const double width = best_of(live, i, offsetof(struct nw_live_sub, fwhm_px), false, work);
    const double light = best_of(live, i, offsetof(struct nw_live_sub, transmission), true, work);
    const double sky = best_of(live, i, offsetof(struct nw_live_sub, noise_adu), false, work);
    *ret = (struct nw_nightly_sub){.sub = i};
    ret->factor[NW_FAULT_WIDTH] = pow(share(width / sub->fwhm_px), 2.0);
    /* alone in its filter a sub has nothing to lose light against */
    ret->factor[NW_FAULT_LIGHT] =
        isfinite(light) ? pow(share(sub->transmission / light), 2.0) : 1.0;
    ret->factor[NW_FAULT_SKY] = pow(share(sky / sub->noise_adu), 2.0);
    ret->worth = 1.0;
    for (size_t k = 0; k < NW_N_FAULTS; k++) {
        ret->worth *= ret->factor[k];
        ret->worst = ret->factor[k] < ret->factor[ret->worst] ? (enum nw_sub_fault)k : ret->worst;
    }
}

static int least_first(const void *a, const void *b) {
    const struct nw_nightly_sub *const left = a;
    const struct nw_nightly_sub *const right = b;
    const double x = isfinite(left->worth) ? left->worth : 2.0;
    const double y = isfinite(right->worth) ? right->worth : 2.0;
    if (x < y || x > y) {
        return x < y ? -1 : 1;
    }
    return left->sub < right->sub ? -1 : 1;
}

static enum nw_status judge_subs(struct nw_nightly *night, struct nw_err *err) {
    const struct nw_live *const live = &night->live;
    double *const work = nw_calloc(live->n + 1, sizeof *work);
    night->subs = nw_calloc(live->n + 1, sizeof *night->subs);
    if (!work || !night->subs) {
        free(work);
        return nw_err_set(err, NW_NOMEM, "%zu subs", live->n);
    }
    for (size_t i = 0; i < live->n; i++) {
        judge_sub(live, i, work, &night->subs[i]);
        if (isfinite(night->subs[i].worth)) {
            night->n_worth++;
            night->worthless_h += (1.0 - night->subs[i].worth) * live->subs[i].exposure_s / 3600.0;
        }
    }
    qsort(night->subs, live->n, sizeof *night->subs, least_first);
    free(work);
    return NW_OK;
}

/* ---- Together ------------------------------------------------------------------------------- */

enum nw_status nw_nightly_read(struct nw_book *book, const char *date, const struct nw_rig *rig,
                               const struct nw_live_foretold *foretold, struct nw_nightly *ret,
                               struct nw_err *err) {
    *ret = (struct nw_nightly){.dark_h = NAN, .before_h = NAN, .after_h = NAN};
    enum nw_status status = nw_live_read(book, date, foretold, &ret->live, err);
    if (status == NW_OK) {
        walk(ret);
        find_dark(book, ret, rig);
        status = judge_subs(ret, err);
    }
    if (status == NW_OK) {
        status = find_gaps(book, ret, err);
    }
    if (status == NW_OK) {
        status = nw_book_changes(book, ret->live.date, ret->live.date, &ret->changes,
                                 &ret->n_changes, err);
    }
    if (status != NW_OK) {
        nw_nightly_done(ret);
    }
    return status;
}

void nw_nightly_done(struct nw_nightly *night) {
    nw_live_done(&night->live);
    free(night->subs);
    free(night->changes);
    night->subs = NULL;
    night->changes = NULL;
}
