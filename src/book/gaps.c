/* gaps.c - holes of each source, and holes of several at one time as one; see gaps.h. */
#include <math.h>
#include <stdlib.h>

#include "book/gaps_internal.h"
#include "book/live_internal.h"

enum { MAX_GAPS = 10000 };
/* A pause between subs is long beyond three usual ones and half a minute, as in `look`; a log is
 * silent beyond ten of its steps and its least time. Common practice, no source. */
static const double LONG_FACTOR = 3.0, LONG_EXTRA_S = 30.0, LOG_STEPS = 10.0;
static const double LEAST_S[NW_GAP_N_SOURCES] = {0.0, 60.0, 300.0, 60.0};

static const struct {
    const char *word, *text;
    bool is_fault;
} CAUSES[NW_GAP_N_CAUSES] = {
#define X(name, word, text, is_fault) {word, text, is_fault},
    NW_GAP_CAUSE_LIST(X)
#undef X
};

const char *nw_gap_cause_word(enum nw_gap_cause cause) {
    return CAUSES[cause].word;
}
const char *nw_gap_cause_text(enum nw_gap_cause cause) {
    return CAUSES[cause].text;
}
bool nw_gap_is_fault(enum nw_gap_cause cause) {
    return CAUSES[cause].is_fault;
}

const char *nw_gap_source_word(enum nw_gap_source source) {
    static const char *const WORDS[] = {"frames", "guide-log", "climate-log", "power-log"};
    return WORDS[source];
}

struct holes {
    struct gap_hole *items;
    size_t n, cap;
};

static enum nw_status add(struct holes *holes, const struct gap_hole *hole, struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&holes->items, &holes->cap, holes->n + 1, sizeof *hole, MAX_GAPS, err);
    if (status == NW_OK) {
        holes->items[holes->n++] = *hole;
    }
    return status;
}

static enum nw_status holes_of_frames(const struct nw_live *live, struct holes *holes,
                                      struct nw_err *err) {
    const double usual_s = live->usual_gap_s;
    double covered_s = live->n > 0 ? live_end_of(&live->subs[0]) : NAN;
    enum nw_status status = NW_OK;
    for (size_t i = 1; i < live->n && status == NW_OK; i++) {
        const struct nw_live_sub *const sub = &live->subs[i];
        const double gap_s = sub->t_start_utc_s - covered_s;
        if (gap_s > LONG_FACTOR * usual_s && gap_s > usual_s + LONG_EXTRA_S) {
            const struct gap_hole hole = {.from_s = {covered_s},
                                          .to_s = {sub->t_start_utc_s},
                                          .start_s = covered_s,
                                          .end_s = sub->t_start_utc_s,
                                          .sources = 1u << NW_GAP_FRAMES,
                                          .before = i - 1};
            status = add(holes, &hole, err);
        }
        covered_s = fmax(covered_s, live_end_of(sub));
    }
    return status;
}

static double median_step(const struct nw_gap_track *track, double *work) {
    for (size_t i = 1; i < track->n; i++) {
        work[i - 1] = track->t_s[i] - track->t_s[i - 1];
    }
    return track->n > 1 ? nw_stat_median(work, track->n - 1) : NAN;
}

/* Between the first sub and the last only: before and after a log may end as it likes. A log that
 * ends before the last sub has a hole up to it. */
static enum nw_status holes_of_log(const struct nw_live *live, const struct nw_gap_track *track,
                                   enum nw_gap_source source, struct holes *holes,
                                   struct nw_err *err) {
    const double first_s = live->subs[0].t_start_utc_s;
    const double last_s = live->t_last_end_s;
    double *const work = nw_calloc(track->n + 1, sizeof *work);
    enum nw_status status = work ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu rows", track->n);
    const double step_s = work ? median_step(track, work) : NAN;
    const double limit_s = fmax(LOG_STEPS * step_s, LEAST_S[source]);
    free(work);
    for (size_t i = 1; i <= track->n && track->n > 1 && status == NW_OK; i++) {
        const double from_s = track->t_s[i - 1];
        const double to_s = i < track->n ? track->t_s[i] : last_s;
        if (to_s - from_s > limit_s && from_s > first_s && to_s <= last_s) {
            struct gap_hole hole = {.start_s = from_s, .end_s = to_s, .sources = 1u << source};
            hole.from_s[source] = from_s;
            hole.to_s[source] = to_s;
            status = add(holes, &hole, err);
        }
    }
    return status;
}

static int by_start(const void *a, const void *b) {
    const double left = ((const struct gap_hole *)a)->start_s;
    const double right = ((const struct gap_hole *)b)->start_s;
    return left < right ? -1 : left > right ? 1 : 0;
}

/* Holes that share half of the shorter one are one hole. */
static bool is_one(const struct gap_hole *a, const struct gap_hole *b) {
    const double shared_s = fmin(a->end_s, b->end_s) - fmax(a->start_s, b->start_s);
    const double shorter_s = fmin(a->end_s - a->start_s, b->end_s - b->start_s);
    return shared_s > 0.5 * shorter_s;
}

static void join(struct gap_hole *to, const struct gap_hole *from) {
    for (size_t k = 0; k < NW_GAP_N_SOURCES; k++) {
        if (from->sources & (1u << k)) {
            const bool is_first = !(to->sources & (1u << k));
            to->from_s[k] = is_first ? from->from_s[k] : fmin(to->from_s[k], from->from_s[k]);
            to->to_s[k] = is_first ? from->to_s[k] : fmax(to->to_s[k], from->to_s[k]);
            to->before = k == NW_GAP_FRAMES && is_first ? from->before : to->before;
        }
    }
    to->sources |= from->sources;
    to->start_s = fmin(to->start_s, from->start_s);
    to->end_s = fmax(to->end_s, from->end_s);
}

static void merge(struct holes *holes) {
    size_t n = 0;
    if (holes->n > 0) {
        qsort(holes->items, holes->n, sizeof *holes->items, by_start);
    }
    for (size_t i = 0; i < holes->n; i++) {
        bool is_joined = false;
        for (size_t k = n; k-- > 0 && !is_joined;) {
            /* two holes of the frames are two, whatever lies between */
            const unsigned both = holes->items[k].sources & holes->items[i].sources;
            if (!(both & (1u << NW_GAP_FRAMES)) && is_one(&holes->items[k], &holes->items[i])) {
                join(&holes->items[k], &holes->items[i]);
                is_joined = true;
            }
        }
        if (!is_joined) {
            holes->items[n++] = holes->items[i];
        }
    }
    holes->n = n;
}

enum nw_status nw_gaps_find(const struct nw_gap_evidence *e, struct nw_gap **ret, size_t *ret_n,
                            struct nw_err *err) {
    struct holes holes = {.n = 0};
    struct nw_gap *gaps = NULL;
    enum nw_status status = NW_OK;
    if (e->live->n > 0) {
        status = holes_of_frames(e->live, &holes, err);
        status =
            status == NW_OK ? holes_of_log(e->live, &e->guide, NW_GAP_GUIDE, &holes, err) : status;
        status = status == NW_OK ? holes_of_log(e->live, &e->climate, NW_GAP_CLIMATE, &holes, err)
                                 : status;
        const struct nw_gap_track power = gap_power_track(e);
        status =
            status == NW_OK ? holes_of_log(e->live, &power, NW_GAP_POWER, &holes, err) : status;
    }
    if (status == NW_OK) {
        merge(&holes);
        gaps = nw_calloc(holes.n + 1, sizeof *gaps);
        status = gaps ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu gaps", holes.n);
    }
    for (size_t i = 0; i < holes.n && status == NW_OK; i++) {
        gap_explain(e, &holes.items[i], &gaps[i]);
    }
    if (status == NW_OK) {
        *ret = gaps;
        *ret_n = holes.n;
    }
    free(holes.items);
    return status;
}
