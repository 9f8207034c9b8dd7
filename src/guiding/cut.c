/* cut.c - which rows of a guide log count, and the dithers, gaps, pauses and bursts beside them.
 * Idea: what the log says (events, lock points) rules; only a log that says nothing is searched for
 * jumps. Thresholds are in robust sigmas of the log itself, so that no unit is assumed.
 * Holds: 1. keep[i] implies a star on both axes.  2. starts[i] is set on the first kept row and
 * after every stretch that was cut.  3. dithers are in order of time and do not overlap. */
#include <math.h>

#include "guiding/guiding_internal.h"

#define GAP_STEPS 3.0      /* a gap is longer than this many median steps */
#define LOCK_MOVE_px 0.2   /* a lock point that follows a comet moves less from row to row */
#define SETTLED_SIGMAS 3.0 /* within this of zero, ... */
#define SETTLED_ROWS 3     /* ... so many rows in a row */
#define SETTLE_MAX_s 180.0 /* after that the star counts again, settled or not */
#define JUMP_SIGMAS 6.0    /* of the steps from row to row: 1 in 5e8 by Gaussian noise */
#define BURST_ROWS 15
#define BURST_FACTOR 2.0

/* Robust scales of the log. */
struct scales {
    double ra, dec, step_ra, step_dec;
};

static bool has_star(const struct nw_guide_row *row) {
    return isfinite(row->ra_rad) && isfinite(row->dec_rad);
}

static bool contains_nocase(const char *text, const char *word) {
    const size_t len = strlen(word);
    for (; *text; text++) {
        if (strncasecmp(text, word, len) == 0) {
            return true;
        }
    }
    return false;
}

static enum nw_status add_span(struct guide_spans *spans, double start_s, double end_s,
                               struct nw_err *err) {
    void *items = spans->items;
    const enum nw_status status =
        nw_grow(&items, &spans->cap, spans->n + 1, sizeof *spans->items, GUIDE_SPANS_MAX, err);
    spans->items = items;
    if (status == NW_OK) {
        spans->items[spans->n++] = (struct nw_span){.start_s = start_s, .end_s = end_s};
    }
    return status;
}

/* Median step and gaps. scratch: one double a row. */
static enum nw_status find_gaps(const struct nw_guide_log *log, struct guide_cut *cut,
                                double *scratch, struct nw_err *err) {
    size_t n = 0;
    double last_s = NAN;
    for (size_t i = 0; i < log->n; i++) {
        if (!has_star(&log->rows[i])) {
            continue;
        }
        cut->n_star++;
        if (log->rows[i].t_s > last_s) {
            scratch[n++] = log->rows[i].t_s - last_s;
        }
        last_s = log->rows[i].t_s;
    }
    if (n == 0) {
        return nw_err_set(err, NW_DATA, "%s: %zu rows with a star, no two at different times",
                          log->path, cut->n_star);
    }
    cut->interval_s = nw_stat_median(scratch, n);
    last_s = NAN;
    for (size_t i = 0; i < log->n; i++) {
        if (!has_star(&log->rows[i])) {
            continue;
        }
        const double t_s = log->rows[i].t_s;
        if (t_s - last_s > GAP_STEPS * cut->interval_s) {
            const enum nw_status status = add_span(&cut->gaps, last_s, t_s, err);
            if (status != NW_OK) {
                return status;
            }
        }
        last_s = t_s;
    }
    return NW_OK;
}

/* MAD scale about the median of one column, or of its steps between neighbours without a gap. */
static double scale_of(const struct nw_guide_log *log, const struct guide_cut *cut, bool is_dec,
                       bool of_steps, double *scratch) {
    size_t n = 0;
    const struct nw_guide_row *last = NULL;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        if (!has_star(row)) {
            continue;
        }
        const double value = is_dec ? row->dec_rad : row->ra_rad;
        if (!of_steps) {
            scratch[n++] = value;
        } else if (last && row->t_s - last->t_s <= GAP_STEPS * cut->interval_s) {
            scratch[n++] = value - (is_dec ? last->dec_rad : last->ra_rad);
        }
        last = row;
    }
    return n > 0 ? nw_stat_mad_sigma(scratch, n, NULL) : 0.0;
}

static struct scales find_scales(const struct nw_guide_log *log, const struct guide_cut *cut,
                                 double *scratch) {
    return (struct scales){.ra = scale_of(log, cut, false, false, scratch),
                           .dec = scale_of(log, cut, true, false, scratch),
                           .step_ra = scale_of(log, cut, false, true, scratch),
                           .step_dec = scale_of(log, cut, true, true, scratch)};
}

/* End of the settling that begins at row `first`: the time of the first row that counts again. */
static double settled_at(const struct nw_guide_log *log, size_t first,
                         const struct scales *scales) {
    const double start_s = log->rows[first].t_s;
    int n_quiet = 0;
    for (size_t i = first; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        if (row->t_s > start_s + SETTLE_MAX_s ||
            (row->is_event && contains_nocase(row->event, "settled"))) {
            return row->t_s;
        }
        if (i == first || !has_star(row)) {
            continue; /* the row of the event itself was measured before or while it moved */
        }
        const bool is_quiet = fabs(row->ra_rad) <= SETTLED_SIGMAS * scales->ra &&
                              fabs(row->dec_rad) <= SETTLED_SIGMAS * scales->dec;
        n_quiet = is_quiet ? n_quiet + 1 : 0;
        if (n_quiet == SETTLED_ROWS) {
            return row->t_s;
        }
    }
    return log->rows[log->n - 1].t_s + 1.0; /* never settled: to the end of the log */
}

static bool lock_moved(const struct nw_guide_row *row, const struct nw_guide_row *last) {
    return last &&
           hypot(row->lock_x_px - last->lock_x_px, row->lock_y_px - last->lock_y_px) > LOCK_MOVE_px;
}

/* Dithers that the log tells of. */
static enum nw_status find_told_dithers(const struct nw_guide_log *log, struct guide_cut *cut,
                                        const struct scales *scales, struct nw_err *err) {
    const struct nw_guide_row *last_lock = NULL;
    double busy_until_s = -INFINITY;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        bool is_dither = row->is_event && contains_nocase(row->event, "dither");
        if (isfinite(row->lock_x_px) && isfinite(row->lock_y_px)) {
            is_dither = is_dither || lock_moved(row, last_lock);
            last_lock = row;
        }
        if (is_dither && row->t_s >= busy_until_s) {
            busy_until_s = settled_at(log, i, scales);
            const enum nw_status status = add_span(&cut->dithers, row->t_s, busy_until_s, err);
            if (status != NW_OK) {
                return status;
            }
        }
    }
    return NW_OK;
}

/* Is the step from `last` to `row` too large for noise, and does it stay with `next`? */
static bool is_jump(const struct nw_guide_row *last, const struct nw_guide_row *row,
                    const struct nw_guide_row *next, const struct scales *s) {
    const bool in_ra = fabs(row->ra_rad - last->ra_rad) > JUMP_SIGMAS * s->step_ra &&
                       fabs(row->ra_rad) > JUMP_SIGMAS * s->ra &&
                       fabs(next->ra_rad) > SETTLED_SIGMAS * s->ra;
    const bool in_dec = fabs(row->dec_rad - last->dec_rad) > JUMP_SIGMAS * s->step_dec &&
                        fabs(row->dec_rad) > JUMP_SIGMAS * s->dec &&
                        fabs(next->dec_rad) > SETTLED_SIGMAS * s->dec;
    return in_ra || in_dec;
}

/* Dithers of a log that tells of none: jumps that stay for two samples and settle. */
static enum nw_status find_jumps(const struct nw_guide_log *log, struct guide_cut *cut,
                                 const struct scales *scales, struct nw_err *err) {
    if (!(scales->ra > 0.0 && scales->dec > 0.0 && scales->step_ra > 0.0 &&
          scales->step_dec > 0.0)) {
        return NW_OK; /* no noise to compare with */
    }
    const struct nw_guide_row *last = NULL;
    double busy_until_s = -INFINITY;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        if (!has_star(row)) {
            continue;
        }
        size_t next = i + 1;
        while (next < log->n && !has_star(&log->rows[next])) {
            next++;
        }
        if (last && next < log->n && row->t_s >= busy_until_s &&
            row->t_s - last->t_s <= GAP_STEPS * cut->interval_s &&
            is_jump(last, row, &log->rows[next], scales)) {
            const double end_s = settled_at(log, i, scales);
            if (end_s <= row->t_s + SETTLE_MAX_s) {
                const enum nw_status status = add_span(&cut->dithers, row->t_s, end_s, err);
                if (status != NW_OK) {
                    return status;
                }
                busy_until_s = end_s;
            }
        }
        last = row;
    }
    cut->are_dithers_inferred = cut->dithers.n > 0;
    return NW_OK;
}

static bool is_inside(const struct guide_spans *spans, size_t *at, double t_s) {
    while (*at < spans->n && t_s >= spans->items[*at].end_s) {
        (*at)++;
    }
    return *at < spans->n && t_s >= spans->items[*at].start_s;
}

/* Pauses that end, dithers, rows without star: out. */
static void mark_rows(const struct nw_guide_log *log, struct guide_cut *cut) {
    size_t at = 0;
    bool is_paused = false;
    bool is_broken = true;
    double last_s = NAN;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        if (row->is_event && contains_nocase(row->event, "pause")) {
            is_paused = true;
        } else if (row->is_event && contains_nocase(row->event, "resume")) {
            is_paused = false;
        }
        if (is_paused || is_inside(&cut->dithers, &at, row->t_s)) {
            is_broken = true;
            continue;
        }
        if (!has_star(row)) {
            continue;
        }
        is_broken = is_broken || row->t_s - last_s > GAP_STEPS * cut->interval_s;
        last_s = row->t_s;
        cut->keep[i] = true;
        cut->starts[i] = is_broken;
        cut->n_keep++;
        is_broken = false;
    }
}

/* Scatter of a run of rows about its own mean, both axes. */
static void scatter(const struct nw_guide_log *log, const size_t *index, double *ret_ra,
                    double *ret_dec) {
    double mean[2] = {0.0, 0.0};
    for (size_t k = 0; k < BURST_ROWS; k++) {
        mean[0] += log->rows[index[k]].ra_rad / BURST_ROWS;
        mean[1] += log->rows[index[k]].dec_rad / BURST_ROWS;
    }
    double sum[2] = {0.0, 0.0};
    for (size_t k = 0; k < BURST_ROWS; k++) {
        const double ra = log->rows[index[k]].ra_rad - mean[0];
        const double dec = log->rows[index[k]].dec_rad - mean[1];
        sum[0] += ra * ra;
        sum[1] += dec * dec;
    }
    *ret_ra = sqrt(sum[0] / BURST_ROWS);
    *ret_dec = sqrt(sum[1] / BURST_ROWS);
}

/* Windows of BURST_ROWS kept rows without a break; calls for each, twice: measure, then judge. */
static enum nw_status find_bursts(const struct nw_guide_log *log, struct guide_cut *cut,
                                  double *scratch, struct nw_err *err) {
    double limit[2] = {INFINITY, INFINITY};
    double *ra = scratch; /* at most n / BURST_ROWS windows: both halves fit */
    double *dec = scratch + log->n / 2;
    for (int pass = 0; pass < 2; pass++) {
        size_t index[BURST_ROWS];
        size_t n_in = 0;
        size_t n_windows = 0;
        for (size_t i = 0; i < log->n; i++) {
            if (!cut->keep[i]) {
                continue;
            }
            n_in = cut->starts[i] ? 0 : n_in;
            index[n_in++] = i;
            if (n_in < BURST_ROWS) {
                continue;
            }
            n_in = 0;
            double both[2];
            scatter(log, index, &both[0], &both[1]);
            if (pass == 0) {
                ra[n_windows] = both[0];
                dec[n_windows++] = both[1];
            } else if (both[0] > limit[0] && both[1] > limit[1]) {
                const double start_s = log->rows[index[0]].t_s;
                const double end_s = log->rows[index[BURST_ROWS - 1]].t_s;
                struct guide_spans *b = &cut->bursts;
                if (b->n > 0 && start_s - b->items[b->n - 1].end_s <= 2.0 * cut->interval_s) {
                    b->items[b->n - 1].end_s = end_s;
                    continue;
                }
                const enum nw_status status = add_span(b, start_s, end_s, err);
                if (status != NW_OK) {
                    return status;
                }
            }
        }
        if (pass == 0 && n_windows > 0) {
            limit[0] = BURST_FACTOR * nw_stat_median(ra, n_windows);
            limit[1] = BURST_FACTOR * nw_stat_median(dec, n_windows);
        }
    }
    return NW_OK;
}

enum nw_status nw_guide_cut(const struct nw_guide_log *log, struct guide_cut *ret,
                            struct nw_err *err) {
    struct guide_cut cut = {.n_rows = log->n};
    enum nw_status status = NW_OK;
    double *scratch = nw_calloc(log->n + 2, sizeof *scratch);
    cut.keep = nw_calloc(log->n + 1, sizeof *cut.keep);
    cut.starts = nw_calloc(log->n + 1, sizeof *cut.starts);
    if (!scratch || !cut.keep || !cut.starts) {
        status = nw_err_set(err, NW_NOMEM, "marks for %zu guide rows", log->n);
        goto done;
    }
    status = find_gaps(log, &cut, scratch, err);
    if (status != NW_OK) {
        goto done;
    }
    const struct scales scales = find_scales(log, &cut, scratch);
    status = find_told_dithers(log, &cut, &scales, err);
    if (status == NW_OK && cut.dithers.n == 0) {
        status = find_jumps(log, &cut, &scales, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    mark_rows(log, &cut);
    status = find_bursts(log, &cut, scratch, err);
    if (status != NW_OK) {
        goto done;
    }
    *ret = cut;
    cut = (struct guide_cut){0};
done:
    nw_guide_cut_done(&cut);
    free(scratch);
    return status;
}

void nw_guide_cut_done(struct guide_cut *cut) {
    if (cut) {
        free(cut->keep);
        free(cut->starts);
        free(cut->gaps.items);
        free(cut->dithers.items);
        free(cut->bursts.items);
        *cut = (struct guide_cut){0};
    }
}
