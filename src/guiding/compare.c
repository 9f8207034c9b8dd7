/* compare.c - two settings by turns in one night: which of them moved the star less.
 * Idea: ln motion of blocks against setting and time; a slow trend of the air goes into the slope.
 * Holds: a sub that lies in two settings counts for none. Paper: Box, Hunter & Hunter 2005,
 * Statistics for Experimenters, ch. 4 (blocking against trends). */
#include <gsl/gsl_cdf.h>
#include <math.h>

#include "guiding/whiten.h"

#define SMALL 0.02
enum { BLOCKS_LEAST = 4, MORE_MOST = 999 };

/* Which setting rules at a time: 0, 1, or -1 before the first event. */
struct rule {
    double from_s;
    int which;
};

struct block {
    double t_s, sum_rad2;
    size_t n;
    int which;
};

/* The name behind "setting", or NULL. */
static const char *setting_in(const struct nw_guide_row *row) {
    static const char word[] = "setting";
    if (!row->is_event || strncasecmp(row->event, word, sizeof word - 1) != 0) {
        return NULL;
    }
    const char *at = row->event + sizeof word - 1;
    while (*at == ' ' || *at == ':' || *at == '=') {
        at++;
    }
    return *at ? at : NULL;
}

static enum nw_status find_rules(const struct nw_guide_log *log, struct rule *rules, size_t *ret_n,
                                 struct nw_guide_compare *c, struct nw_err *err) {
    size_t n_names = 0;
    *ret_n = 0;
    for (size_t i = 0; i < log->n; i++) {
        const char *name = setting_in(&log->rows[i]);
        if (!name) {
            continue;
        }
        char given[sizeof c->name[0]];
        nw_text_copy(given, sizeof given, name);
        size_t which = 0;
        while (which < n_names && strcmp(c->name[which], given) != 0) {
            which++;
        }
        if (which == 2) {
            return nw_err_set(err, NW_DATA,
                              "%s:%zu: a third setting \"%s\" beside \"%s\" and \"%s\"; two are "
                              "compared",
                              log->path, log->rows[i].line, given, c->name[0], c->name[1]);
        }
        if (which == n_names) {
            nw_text_copy(c->name[n_names++], sizeof c->name[0], given);
        }
        rules[(*ret_n)++] = (struct rule){log->rows[i].t_s, (int)which};
    }
    if (n_names < 2) {
        return nw_err_set(err, NW_DATA,
                          "%s: %zu settings named; two are needed, by event rows \"setting NAME\"",
                          log->path, n_names);
    }
    return NW_OK;
}

/* The one setting of a stretch; -1: none or two. */
static int rule_of(const struct rule *rules, size_t n, double start_s, double end_s) {
    int which = -1;
    for (size_t i = 0; i < n && rules[i].from_s < end_s; i++) {
        if (rules[i].from_s <= start_s) {
            which = rules[i].which;
        } else if (rules[i].which != which) {
            return -1;
        }
    }
    return which;
}

static size_t find_blocks(const struct nw_guide_analysis *a, const struct rule *rules,
                          size_t n_rules, struct block *blocks, struct nw_guide_compare *c) {
    size_t n = 0;
    for (size_t i = 0; i < a->n_subs; i++) {
        const struct nw_guide_sub *s = &a->subs[i];
        const int which = rule_of(rules, n_rules, s->start_s, s->end_s);
        const double rad2 = s->ra_rad * s->ra_rad + s->dec_rad * s->dec_rad;
        if (which < 0 || !isfinite(rad2)) {
            continue;
        }
        if (n == 0 || blocks[n - 1].which != which) {
            blocks[n++] = (struct block){.which = which};
            c->n_blocks[which]++;
        }
        struct block *b = &blocks[n - 1];
        b->sum_rad2 += rad2;
        b->t_s += 0.5 * (s->start_s + s->end_s);
        b->n++;
        c->motion_rad[which] += rad2;
        c->n_subs[which]++;
    }
    for (int i = 0; i < 2; i++) {
        c->motion_rad[i] = sqrt(c->motion_rad[i] / (double)c->n_subs[i]);
    }
    return n;
}

/* ln motion = level + trend t + change [second setting]. */
static bool fit(const struct block *blocks, size_t n, struct nw_guide_compare *c) {
    struct guide_normal normal = {.n_cols = 3};
    const double t0_s = blocks[0].t_s / (double)blocks[0].n;
    const double span_s = blocks[n - 1].t_s / (double)blocks[n - 1].n - t0_s;
    for (size_t i = 0; i < n; i++) {
        const struct block *b = &blocks[i];
        const double t = (b->t_s / (double)b->n - t0_s) / span_s - 0.5;
        const double x[3] = {1.0, t, (double)b->which};
        const double y = 0.5 * log(b->sum_rad2 / (double)b->n);
        normal.yy += y * y;
        for (int j = 0; j < 3; j++) {
            normal.xy[j] += x[j] * y;
            for (int k = 0; k < 3; k++) {
                normal.xx[j][k] += x[j] * x[k];
            }
        }
    }
    struct guide_solution at;
    if (!nw_guide_solve(&normal, &at)) {
        return false;
    }
    const double free_n = (double)n - 3.0;
    const double half = gsl_cdf_tdist_Pinv(0.975, free_n) * sqrt(at.cov[2][2] * at.rss / free_n);
    c->change = expm1(at.c[2]);
    c->change_low = expm1(at.c[2] - half);
    c->change_high = expm1(at.c[2] + half);
    c->is_told = fabs(at.c[2]) > half;
    const double more = (double)n * ((half / at.c[2]) * (half / at.c[2]) - 1.0);
    const bool matters = fabs(c->change) > SMALL || half > SMALL;
    c->n_more = c->is_told || !matters ? 0 : (size_t)fmin(ceil(more), (double)MORE_MOST);
    return true;
}

enum nw_status nw_guide_compare(const struct nw_guide_log *log,
                                const struct nw_guide_analysis *analysis,
                                struct nw_guide_compare *ret, struct nw_err *err) {
    struct nw_guide_compare c = {0};
    struct rule *rules = nw_calloc(log->n + 1, sizeof *rules);
    struct block *blocks = nw_calloc(analysis->n_subs + 1, sizeof *blocks);
    size_t n_rules = 0;
    enum nw_status status = rules && blocks
                                ? find_rules(log, rules, &n_rules, &c, err)
                                : nw_err_set(err, NW_NOMEM, "%zu blocks", analysis->n_subs);
    if (status == NW_OK) {
        const size_t n = find_blocks(analysis, rules, n_rules, blocks, &c);
        if (n < BLOCKS_LEAST || c.n_blocks[0] == 0 || c.n_blocks[1] == 0 || !fit(blocks, n, &c)) {
            status = nw_err_set(err, NW_DATA,
                                "%s: %zu blocks of \"%s\" and \"%s\" with a motion in both axes; "
                                "%d by turns are needed",
                                log->path, n, c.name[0], c.name[1], BLOCKS_LEAST);
        } else {
            *ret = c;
        }
    }
    free(rules);
    free(blocks);
    return status;
}
