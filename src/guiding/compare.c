/* compare.c - two settings by turns, in one log or many: which of them moved the star less.
 * Idea: ln motion of blocks against setting and time; every night has its own level and slope, so
 * that only what changes within a night speaks; the nights share the difference (least squares of
 * what the night's own line leaves; Frisch & Waugh 1933, Econometrica 1, 387).
 * Holds: a sub that lies in two settings, or in none, counts for none. Paper: Box, Hunter & Hunter
 * 2005, Statistics for Experimenters, ch. 4 (blocking against trends). */
#include <assert.h>
#include <gsl/gsl_cdf.h>
#include <math.h>

#include "guiding/guiding.h"

#define SMALL 0.02
#define NIGHT_s 21600.0 /* runs that begin within 6 h of the end of another: one night */
enum { BLOCKS_LEAST = 4, SLOPE_LEAST = 4, MORE_MOST = 999 };

/* Which setting rules from a time on: 0, 1. */
struct rule {
    double from_s;
    int which;
};

struct block {
    double t_s, sum_rad2;
    size_t n, night;
    int which;
    double y, x, t; /* ln motion, setting, time: less the night's own line */
};

/* Working memory over all runs. */
struct desk {
    struct rule *rules; /* of one run */
    size_t n_rules;
    struct block *blocks;
    size_t n_blocks, n_names;
    const struct nw_guide_setting_span *spans;
    size_t n_spans;
};

/* 0 or 1; a third name is an error. */
static enum nw_status which_of(const char *name, struct desk *desk, struct nw_guide_compare *c,
                               int *ret, const char *place, struct nw_err *err) {
    char given[sizeof c->name[0]];
    nw_text_copy(given, sizeof given, name);
    size_t which = 0;
    while (which < desk->n_names && strcmp(c->name[which], given) != 0) {
        which++;
    }
    if (which == 2) {
        return nw_err_set(err, NW_DATA,
                          "%s: a third setting \"%s\" beside \"%s\" and \"%s\"; two are "
                          "compared",
                          place, given, c->name[0], c->name[1]);
    }
    if (which == desk->n_names) {
        nw_text_copy(c->name[desk->n_names++], sizeof c->name[0], given);
    }
    *ret = (int)which;
    return NW_OK;
}

static enum nw_status find_rules(const struct nw_guide_log *log, struct desk *desk,
                                 struct nw_guide_compare *c, struct nw_err *err) {
    desk->n_rules = 0;
    for (size_t i = 0; i < log->n; i++) {
        const char *name = nw_guide_setting_of(&log->rows[i]);
        if (!name) {
            continue;
        }
        char place[200];
        (void)snprintf(place, sizeof place, "%.150s:%zu", log->path, log->rows[i].line);
        int which = 0;
        const enum nw_status status = which_of(name, desk, c, &which, place, err);
        if (status != NW_OK) {
            return status;
        }
        desk->rules[desk->n_rules++] = (struct rule){log->rows[i].t_s, which};
    }
    return NW_OK;
}

/* The one setting of a stretch; -1: none or two. */
static int rule_of(const struct desk *desk, double start_s, double end_s) {
    int which = -1;
    for (size_t i = 0; i < desk->n_rules && desk->rules[i].from_s < end_s; i++) {
        if (desk->rules[i].from_s <= start_s) {
            which = desk->rules[i].which;
        } else if (desk->rules[i].which != which) {
            return -1;
        }
    }
    return which;
}

/* The same by spans given from outside; they must agree. */
static enum nw_status span_of(struct desk *desk, double start_s, double end_s,
                              struct nw_guide_compare *c, int *ret, struct nw_err *err) {
    *ret = -1;
    for (size_t i = 0; i < desk->n_spans; i++) {
        const struct nw_guide_setting_span *const span = &desk->spans[i];
        const bool is_apart = span->end_s <= start_s || span->start_s >= end_s;
        if (is_apart) {
            continue;
        }
        int which = 0;
        const enum nw_status status = which_of(span->name, desk, c, &which, "spans", err);
        if (status != NW_OK) {
            return status;
        }
        const bool is_whole = span->start_s <= start_s && end_s <= span->end_s;
        if (!is_whole || (*ret >= 0 && *ret != which)) {
            *ret = -1;
            return NW_OK;
        }
        *ret = which;
    }
    return NW_OK;
}

static void add_sub(struct desk *desk, const struct nw_guide_sub *s, int which, size_t night,
                    struct nw_guide_compare *c) {
    assert(desk->blocks);
    const double rad2 = s->ra_rad * s->ra_rad + s->dec_rad * s->dec_rad;
    if (which < 0 || !isfinite(rad2)) {
        c->n_left_out++;
        return;
    }
    const struct block *const last = desk->n_blocks > 0 ? &desk->blocks[desk->n_blocks - 1] : NULL;
    if (!last || last->which != which || last->night != night) {
        desk->blocks[desk->n_blocks++] = (struct block){.which = which, .night = night};
        c->n_blocks[which]++;
    }
    struct block *b = &desk->blocks[desk->n_blocks - 1];
    b->sum_rad2 += rad2;
    b->t_s += 0.5 * (s->start_s + s->end_s);
    b->n++;
    c->motion_rad[which] += rad2;
    c->n_subs[which]++;
}

static enum nw_status add_run(struct desk *desk, const struct nw_guide_compared *run, size_t night,
                              struct nw_guide_compare *c, struct nw_err *err) {
    enum nw_status status = desk->n_spans > 0 ? NW_OK : find_rules(run->log, desk, c, err);
    for (size_t i = 0; status == NW_OK && i < run->analysis->n_subs; i++) {
        const struct nw_guide_sub *const s = &run->analysis->subs[i];
        int which = -1;
        if (desk->n_spans > 0) {
            status = span_of(desk, s->start_s, s->end_s, c, &which, err);
        } else {
            which = rule_of(desk, s->start_s, s->end_s);
        }
        if (status == NW_OK) {
            add_sub(desk, s, which, night, c);
        }
    }
    return status;
}

/* Dated runs by their start; the others keep their place behind them. */
static void sort_runs(const struct nw_guide_compared *runs, size_t n, size_t *order) {
    for (size_t i = 0; i < n; i++) {
        size_t at = i;
        const struct nw_guide_log *const log = runs[i].log;
        while (at > 0 && log->has_dates &&
               (!runs[order[at - 1]].log->has_dates ||
                runs[order[at - 1]].log->rows[0].t_s > log->rows[0].t_s)) {
            order[at] = order[at - 1];
            at--;
        }
        order[at] = i;
    }
}

static enum nw_status add_runs(struct desk *desk, const struct nw_guide_compared *runs,
                               const size_t *order, size_t n, struct nw_guide_compare *c,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    double end_s = NAN; /* of the night so far */
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct nw_guide_log *const log = runs[order[i]].log;
        const bool is_same = log->has_dates && log->rows[0].t_s - end_s < NIGHT_s;
        c->n_nights += is_same ? 0 : 1;
        end_s = log->has_dates ? log->rows[log->n - 1].t_s : NAN;
        status = add_run(desk, &runs[order[i]], c->n_nights - 1, c, err);
    }
    for (int i = 0; i < 2; i++) {
        c->motion_rad[i] = sqrt(c->motion_rad[i] / (double)c->n_subs[i]);
    }
    return status;
}

/* ---- least squares ---- */

/* Takes the mean, and from four blocks on the slope in time, out of one night; returns how many
 * parameters that took. */
static size_t take_line_out(struct block *b, size_t n) {
    double mean[3] = {0};
    for (size_t i = 0; i < n; i++) {
        mean[0] += b[i].y / (double)n;
        mean[1] += b[i].x / (double)n;
        mean[2] += b[i].t / (double)n;
    }
    double tt = 0.0;
    double ty = 0.0;
    double tx = 0.0;
    for (size_t i = 0; i < n; i++) {
        b[i].y -= mean[0];
        b[i].x -= mean[1];
        b[i].t -= mean[2];
        tt += b[i].t * b[i].t;
        ty += b[i].t * b[i].y;
        tx += b[i].t * b[i].x;
    }
    if (n < SLOPE_LEAST || !(tt > 0.0)) {
        return 1;
    }
    for (size_t i = 0; i < n; i++) {
        b[i].y -= ty / tt * b[i].t;
        b[i].x -= tx / tt * b[i].t;
    }
    return 2;
}

/* ln motion = level and slope of the night + change [second setting]. */
static bool fit(struct desk *desk, struct nw_guide_compare *c) {
    const size_t n = desk->n_blocks;
    struct block *const b = desk->blocks;
    for (size_t i = 0; i < n; i++) {
        b[i].y = 0.5 * log(b[i].sum_rad2 / (double)b[i].n);
        b[i].x = (double)b[i].which;
        b[i].t = b[i].t_s / (double)b[i].n;
    }
    size_t taken = 0;
    for (size_t first = 0; first < n;) {
        size_t last = first;
        while (last < n && b[last].night == b[first].night) {
            last++;
        }
        taken += take_line_out(&b[first], last - first);
        first = last;
    }
    double xx = 0.0;
    double xy = 0.0;
    double yy = 0.0;
    for (size_t i = 0; i < n; i++) {
        xx += b[i].x * b[i].x;
        xy += b[i].x * b[i].y;
        yy += b[i].y * b[i].y;
    }
    if (!(xx > 1e-9) || n < taken + 2) {
        return false;
    }
    const double free_n = (double)(n - taken - 1);
    const double change = xy / xx;
    const double rss = fmax(0.0, yy - change * xy);
    const double half = gsl_cdf_tdist_Pinv(0.975, free_n) * sqrt(rss / free_n / xx);
    c->change = expm1(change);
    c->change_low = expm1(change - half);
    c->change_high = expm1(change + half);
    c->is_told = fabs(change) > half;
    const double more = (double)n * ((half / change) * (half / change) - 1.0);
    const bool matters = fabs(c->change) > SMALL || half > SMALL;
    c->n_more = c->is_told || !matters ? 0 : (size_t)fmin(ceil(more), (double)MORE_MOST);
    return true;
}

static enum nw_status desk_init(const struct nw_guide_compared *runs, size_t n, struct desk *desk,
                                size_t **ret_order, struct nw_err *err) {
    size_t n_rows = 0;
    size_t n_subs = 0;
    for (size_t i = 0; i < n; i++) {
        n_rows = runs[i].log->n > n_rows ? runs[i].log->n : n_rows;
        n_subs += runs[i].analysis->n_subs;
    }
    desk->rules = nw_calloc(n_rows + 1, sizeof *desk->rules);
    desk->blocks = nw_calloc(n_subs + 1, sizeof *desk->blocks);
    *ret_order = nw_calloc(n + 1, sizeof **ret_order);
    return desk->rules && desk->blocks && *ret_order
               ? NW_OK
               : nw_err_set(err, NW_NOMEM, "%zu subs", n_subs);
}

enum nw_status nw_guide_compare(const struct nw_guide_compared *runs, size_t n,
                                const struct nw_guide_setting_span *spans, size_t n_spans,
                                struct nw_guide_compare *ret, struct nw_err *err) {
    struct nw_guide_compare c = {.n_runs = n};
    struct desk desk = {.spans = spans, .n_spans = n_spans};
    size_t *order = NULL;
    enum nw_status status = desk_init(runs, n, &desk, &order, err);
    if (status == NW_OK) {
        sort_runs(runs, n, order);
        status = add_runs(&desk, runs, order, n, &c, err);
    }
    const char *const path = n > 0 ? runs[0].log->path : "no log";
    if (status == NW_OK && desk.n_names < 2) {
        status = nw_err_set(err, NW_DATA,
                            "%s: %zu settings named; two are needed, by event rows \"setting "
                            "NAME\" or by spans",
                            path, desk.n_names);
    }
    if (status == NW_OK) {
        const bool is_enough =
            desk.n_blocks >= BLOCKS_LEAST && c.n_blocks[0] > 0 && c.n_blocks[1] > 0;
        if (is_enough && fit(&desk, &c)) {
            *ret = c;
        } else {
            status = nw_err_set(err, NW_DATA,
                                "%s: %zu blocks of \"%s\" and \"%s\" with a motion in both axes; "
                                "%d by turns within a night are needed",
                                path, desk.n_blocks, c.name[0], c.name[1], BLOCKS_LEAST);
        }
    }
    free(order);
    free(desk.rules);
    free(desk.blocks);
    return status;
}
