/* join.c - lays a guide log beside the frames by its dithers.
 * Idea: a dither must fall between two exposures. For each dither and each gap between frames the
 * offsets that put one into the other form an interval, for each dither and each frame likewise; a
 * sweep over all ends finds exactly where most dithers lie in gaps and fewest in frames.
 * Holds: dithers before the first or after the last frame speak for no offset. */
#include <math.h>

#include "guiding/guiding_internal.h"

#define NEAR_s 120.0 /* clocks that somebody looked after differ by less */
#define ZONE_STEP_s 1800.0
#define ZONE_MAX_HALVES 28 /* 14 h */
#define DITHERS_MIN 3      /* to be certain */
#define FREE_MIN 4         /* without dates */

/* An end of an interval of offsets: the scores change there. */
struct edge {
    double offset_s;
    int between, inside; /* +1 or -1 */
};

struct edges {
    struct edge *items;
    size_t n, cap;
};

static enum nw_status add_interval(struct edges *edges, double low_s, double high_s, bool between,
                                   struct nw_err *err) {
    if (!(high_s > low_s)) {
        return NW_OK;
    }
    void *items = edges->items;
    const enum nw_status status =
        nw_grow(&items, &edges->cap, edges->n + 2, sizeof *edges->items, 8000000, err);
    edges->items = items;
    if (status == NW_OK) {
        const int b = between ? 1 : 0;
        edges->items[edges->n++] = (struct edge){low_s, b, 1 - b};
        edges->items[edges->n++] = (struct edge){high_s, -b, b - 1};
    }
    return status;
}

static int by_offset(const void *a, const void *b) {
    const struct edge *x = a;
    const struct edge *y = b;
    return (x->offset_s > y->offset_s) - (x->offset_s < y->offset_s);
}

/* Intervals of all dithers against all frames and gaps. A log stamps the middle of a guide
 * exposure, so that a gap reaches one step into its frames. */
static enum nw_status lay_out(const struct guide_cut *cut, const struct nw_span *frames, size_t n,
                              struct edges *edges, struct nw_err *err) {
    const double pad_s = cut->interval_s;
    enum nw_status status = NW_OK;
    for (size_t d = 0; d < cut->dithers.n; d++) {
        const double t_s = cut->dithers.items[d].start_s;
        for (size_t i = 0; i < n && status == NW_OK; i++) {
            status = add_interval(edges, frames[i].start_s + pad_s - t_s,
                                  frames[i].end_s - pad_s - t_s, false, err);
            if (status == NW_OK && i + 1 < n) {
                status = add_interval(edges, frames[i].end_s - pad_s - t_s,
                                      frames[i + 1].start_s + pad_s - t_s, true, err);
            }
        }
    }
    if (edges->n > 0) {
        qsort(edges->items, edges->n, sizeof *edges->items, by_offset);
    }
    return status;
}

/* Best stretch of offsets in a window: most dithers between minus inside, then nearest to a wish.
 */
struct found {
    double low_s, high_s;
    int between, inside;
    double rival_s; /* middle of the best stretch well apart from it, and how that one does */
    int rival_between, rival_inside;
};

/* Where to look. Stretches closer than apart_s belong to one gap. */
struct window {
    double from_s, to_s, near_s, apart_s;
};

static bool is_better(const struct found *a, const struct found *b, double near_s) {
    const int score_a = a->between - a->inside;
    const int score_b = b->between - b->inside;
    if (score_a != score_b) {
        return score_a > score_b;
    }
    const double far_a = fmax(fmax(a->low_s - near_s, near_s - a->high_s), 0.0);
    const double far_b = fmax(fmax(b->low_s - near_s, near_s - b->high_s), 0.0);
    return far_a < far_b;
}

static void take_rival(const struct found *here, const struct window *w, struct found *best) {
    const bool is_apart =
        here->low_s > best->high_s + w->apart_s || here->high_s < best->low_s - w->apart_s;
    if (is_apart && here->between - here->inside > best->rival_between - best->rival_inside) {
        best->rival_s = 0.5 * (here->low_s + here->high_s);
        best->rival_between = here->between;
        best->rival_inside = here->inside;
    }
}

static struct found search(const struct edges *edges, const struct window *w) {
    struct found best = {.low_s = w->from_s, .high_s = w->to_s, .inside = 1 << 30};
    for (int pass = 0; pass < 2; pass++) { /* the best, then its rival */
        int between = 0;
        int inside = 0;
        for (size_t i = 0; i < edges->n; i++) {
            between += edges->items[i].between;
            inside += edges->items[i].inside;
            const double next_s = i + 1 < edges->n ? edges->items[i + 1].offset_s : w->to_s;
            const struct found here = {.low_s = fmax(edges->items[i].offset_s, w->from_s),
                                       .high_s = fmin(next_s, w->to_s),
                                       .between = between,
                                       .inside = inside};
            if (!(here.high_s > here.low_s)) {
                continue;
            }
            if (pass == 1) {
                take_rival(&here, w, &best);
            } else if (here.low_s <= best.high_s + 1e-9 && between == best.between &&
                       inside == best.inside) {
                best.high_s = here.high_s; /* the same stretch goes on */
            } else if (is_better(&here, &best, w->near_s)) {
                best = here;
            }
        }
        best.inside = best.inside == 1 << 30 ? 0 : best.inside; /* nothing falls into this window */
    }
    return best;
}

static bool fits(const struct found *f) {
    const int n = f->between + f->inside;
    return f->between > 0 && f->inside <= (n >= 10 ? n / 10 : 0);
}

/* Nearly as good, well apart: an even rhythm of exposures does not tell which. */
static bool has_rival(const struct found *f) {
    return f->rival_between > 0 &&
           5 * (f->rival_between - f->rival_inside) >= 4 * (f->between - f->inside);
}

/* An offset that moves most dithers out of sight explains nothing. */
static bool fits_most(const struct found *f, size_t n_dithers) {
    return fits(f) && (size_t)f->between * 2 >= n_dithers;
}

static void write_zone(double seconds, char *text, size_t size) {
    const double hours = fabs(seconds) / 3600.0;
    (void)snprintf(text, size, "%c%02d:%02d", seconds < 0.0 ? '-' : '+', (int)hours,
                   (int)((hours - floor(hours)) * 60.0 + 0.5));
}

/* No offset near 0: does one near a multiple of half an hour fit? Then say the zone. */
static enum nw_status refuse_dated(const struct nw_guide_log *log, const struct edges *edges,
                                   const struct guide_cut *cut, const struct found *near,
                                   struct nw_err *err) {
    struct found best = {.inside = 1 << 30};
    double best_zone_s = 0.0;
    for (int half = -ZONE_MAX_HALVES; half <= ZONE_MAX_HALVES; half++) {
        if (half == 0) {
            continue;
        }
        const double zone_s = half * ZONE_STEP_s;
        const struct window w = {zone_s - NEAR_s, zone_s + NEAR_s, zone_s, 0.0};
        const struct found f = search(edges, &w);
        const int gain = (f.between - f.inside) - (best.between - best.inside);
        if (fits_most(&f, cut->dithers.n) &&
            (gain > 0 || (gain == 0 && fabs(zone_s) < fabs(best_zone_s)))) {
            best = f;
            best_zone_s = zone_s;
        }
    }
    if (best_zone_s != 0.0 && best.between >= DITHERS_MIN) {
        char zone[16];
        write_zone(log->zone_offset_s - best_zone_s, zone, sizeof zone);
        return nw_err_set(err, NW_DATA,
                          "%s: the log's clock is %g h %s: %d of %zu dithers then fall between "
                          "frames; add `# time_zone: %s`",
                          log->path, fabs(best_zone_s) / 3600.0,
                          best_zone_s < 0.0 ? "ahead" : "behind", best.between, cut->dithers.n,
                          zone);
    }
    if (near->between + near->inside == 0) {
        return nw_err_set(err, NW_DATA,
                          "%s: no dither falls among the frames: log and frames are of different "
                          "times, or the log's clock or time zone is wrong (tried +-2 min about 0 "
                          "and about half hours up to 14 h)",
                          log->path);
    }
    return nw_err_set(err, NW_DATA,
                      "%s: %d of %d dithers fall inside frames at the best clock offset %+.1f s "
                      "(tried +-2 min about 0 and about half hours up to 14 h); check the log's "
                      "clock, `# time_zone` and `# clock_offset_s`, and that both are of one night",
                      log->path, near->inside, near->between + near->inside,
                      0.5 * (near->low_s + near->high_s));
}

static enum nw_status join_dated(const struct nw_guide_log *log, const struct edges *edges,
                                 const struct guide_cut *cut, double apart_s,
                                 struct nw_guide_join *join, struct nw_err *err) {
    /* the clocks as they are come first: they need no best offset, only none that fails */
    const struct window here = {-cut->interval_s, cut->interval_s, 0.0, apart_s};
    const struct window wide = {-NEAR_s, NEAR_s, 0.0, apart_s};
    const struct found at_zero = search(edges, &here);
    const struct found best = search(edges, &wide);
    const bool is_zero_fine = fits(&at_zero) && 5 * at_zero.between >= 4 * best.between;
    const struct found f = is_zero_fine ? at_zero : best;
    if (!fits(&f)) {
        return refuse_dated(log, edges, cut, &f, err);
    }
    if (!is_zero_fine && has_rival(&f)) {
        return nw_err_set(err, NW_DATA,
                          "%s: clock offsets of %+.0f s and %+.0f s put the dithers between frames "
                          "alike (%d and %d of %zu); set the clock or add `# clock_offset_s`",
                          log->path, 0.5 * (f.low_s + f.high_s), f.rival_s, f.between,
                          f.rival_between, cut->dithers.n);
    }
    const struct window around = {f.low_s - apart_s, f.high_s + apart_s, 0.0, apart_s};
    const struct found gap = is_zero_fine ? search(edges, &around) : f;
    join->offset_s = is_zero_fine ? 0.0 : 0.5 * (f.low_s + f.high_s);
    join->offset_sigma_s = (gap.high_s - gap.low_s) / sqrt(12.0); /* uniform in the stretch */
    join->n_between = (size_t)f.between;
    join->is_certain = f.between >= DITHERS_MIN;
    return NW_OK;
}

static enum nw_status join_free(const struct nw_guide_log *log, const struct edges *edges,
                                const struct guide_cut *cut, const struct window *whole,
                                struct nw_guide_join *join, struct nw_err *err) {
    const struct found f = search(edges, whole);
    if (!fits_most(&f, cut->dithers.n)) {
        return nw_err_set(err, NW_DATA,
                          "%s: no start time of the log puts its %zu dithers between frames: at "
                          "best %d fall between and %d inside; the log has no dates, so give it a "
                          "column time",
                          log->path, cut->dithers.n, f.between, f.inside);
    }
    if (f.between < FREE_MIN || has_rival(&f)) {
        return nw_err_set(err, NW_DATA,
                          "%s: the log has no dates and its start time is not unique: %d dithers "
                          "between frames here, %d with another start; give it a column time",
                          log->path, f.between, f.rival_between);
    }
    join->offset_s = 0.5 * (f.low_s + f.high_s);
    join->offset_sigma_s = (f.high_s - f.low_s) / sqrt(12.0);
    join->n_between = (size_t)f.between;
    join->is_certain = true;
    return NW_OK;
}

static size_t count_covered(const struct nw_guide_log *log, const struct guide_cut *cut,
                            const struct nw_span *frames, size_t n_frames, double offset_s) {
    size_t n = 0;
    size_t at = 0;
    for (size_t i = 0; i < n_frames; i++) {
        while (at < log->n && log->rows[at].t_s + offset_s < frames[i].start_s) {
            at++;
        }
        size_t k = at;
        while (k < log->n && !cut->keep[k] && log->rows[k].t_s + offset_s < frames[i].end_s) {
            k++;
        }
        n += k < log->n && cut->keep[k] && log->rows[k].t_s + offset_s < frames[i].end_s ? 1 : 0;
    }
    return n;
}

static enum nw_status check_frames(const struct nw_span *frames, size_t n, struct nw_err *err) {
    if (n == 0) {
        return nw_err_set(err, NW_DOMAIN, "no frames to lay the guide log beside");
    }
    for (size_t i = 0; i < n; i++) {
        if (!(frames[i].end_s > frames[i].start_s)) {
            return nw_err_set(err, NW_DOMAIN,
                              "frame %zu ends at %.3f s, not after its start %.3f s", i + 1,
                              frames[i].end_s, frames[i].start_s);
        }
        if (i > 0 && frames[i].start_s < frames[i - 1].start_s) {
            return nw_err_set(err, NW_DOMAIN, "frame %zu starts before frame %zu", i + 1, i);
        }
    }
    return NW_OK;
}

static double shortest(const struct nw_span *frames, size_t n) {
    double length_s = INFINITY;
    for (size_t i = 0; i < n; i++) {
        length_s = fmin(length_s, frames[i].end_s - frames[i].start_s);
    }
    return length_s;
}

enum nw_status nw_guide_join(const struct nw_guide_log *log, const struct nw_span *frames_utc,
                             size_t n_frames, struct nw_guide_join *ret, struct nw_err *err) {
    struct guide_cut cut = {0};
    struct edges edges = {0};
    struct nw_guide_join join = {.offset_sigma_s = NAN};
    enum nw_status status = check_frames(frames_utc, n_frames, err);
    if (status == NW_OK) {
        status = nw_guide_cut(log, &cut, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    join.n_dithers = cut.dithers.n;
    if (cut.dithers.n > 0) {
        status = lay_out(&cut, frames_utc, n_frames, &edges, err);
        if (status == NW_OK) {
            /* offsets half a frame apart lie in different gaps */
            const double apart_s = 0.5 * shortest(frames_utc, n_frames);
            const double from_s = frames_utc[0].start_s - log->rows[log->n - 1].t_s;
            const double to_s = frames_utc[n_frames - 1].end_s - log->rows[0].t_s;
            const struct window whole = {from_s, to_s, 0.5 * (from_s + to_s), apart_s};
            status = log->has_dates ? join_dated(log, &edges, &cut, apart_s, &join, err)
                                    : join_free(log, &edges, &cut, &whole, &join, err);
        }
    } else if (!log->has_dates) {
        status = nw_err_set(err, NW_DATA,
                            "%s: neither dates nor dithers: nothing tells when the log was written",
                            log->path);
    }
    if (status != NW_OK) {
        goto done;
    }
    join.n_frames_covered = count_covered(log, &cut, frames_utc, n_frames, join.offset_s);
    if (join.n_frames_covered == 0) {
        status = nw_err_set(err, NW_DATA,
                            "%s: none of %zu frames has guide samples in it; check the log's clock "
                            "and `# time_zone`",
                            log->path, n_frames);
        goto done;
    }
    *ret = join;
done:
    free(edges.items);
    nw_guide_cut_done(&cut);
    return status;
}
