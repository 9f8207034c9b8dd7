/* gap_fit.c - the fit at one gap: see gap_fit.h.
 * Idea: Gauss-Newton with halved steps on whitened columns; the path is piecewise linear in all
 * five parameters (play.c), so that a few steps suffice, but each early pulse that may be the one
 * that reaches a flank makes a valley of its own: many places to begin at are tried. */
#include "guiding/gap_fit.h"

#include <math.h>

#define LEAK_SIGMA 0.1
#define LEAK_LEAST (-0.2) /* none has that; but held at 0 it would pull the response up */
#define LEAK_MOST 0.9
#define RESPONSE_LEAST 0.2 /* of the prior's */
#define RESPONSE_MOST 2.0

enum { HALVED = 3 }; /* sizes of a step that are tried: 1, 0.4, 0.16 */

void nw_guide_gap_bench_done(struct guide_gap_bench *b) {
    free(b->path);
    for (int i = 0; i < PLAY_N; i++) {
        free(b->slopes[i]);
    }
}

enum nw_status nw_guide_gap_bench_init(const struct guide_gap_bench *like, size_t n,
                                       struct guide_gap_bench *ret, struct nw_err *err) {
    *ret = *like;
    bool is_ok = (ret->path = nw_calloc(n + 1, sizeof *ret->path)) != NULL;
    for (int i = 0; i < PLAY_N; i++) {
        ret->slopes[i] = nw_calloc(n + 1, sizeof *ret->slopes[i]);
        is_ok = is_ok && ret->slopes[i];
    }
    return is_ok ? NW_OK : nw_err_set(err, NW_NOMEM, "backlash of %zu guide samples", n);
}

/* The gap is scanned as the pulse that crosses it: a wider gap with a stronger response looks
 * nearly the same, their quotient does not. */
void nw_guide_gap_set(struct guide_play *play, double gap_s) {
    play->gap_rad = gap_s * 0.5 * (play->up + play->down);
}

double nw_guide_gap_of(const struct guide_play *play) {
    return play->gap_rad / (0.5 * (play->up + play->down));
}

static double square(double x) {
    return x * x;
}

/* -2 ln of the prior. */
static double prior_of(const struct guide_prior *p, const struct guide_play *play) {
    return square((0.5 * (play->up + play->down) - p->b) / p->sigma) +
           square((play->up - play->down) / p->difference_sigma) + square(play->leak / LEAK_SIGMA);
}

/* Sum of squares of the whitened rest; b->path is left as the whitened path. */
double nw_guide_gap_rest(const struct guide_gap_bench *b, const struct guide_play *play,
                         double *const *slopes) {
    (void)nw_guide_play_path(b->moves, play, b->path, slopes);
    nw_guide_whiten(b->w, b->path, b->path);
    double sum = 0.0;
    for (size_t k = 0; k < b->w->n; k++) {
        sum += square(b->white[k] - b->path[k]);
    }
    return sum;
}

static double score_of(const struct guide_gap_bench *b, const struct guide_play *play,
                       double rest) {
    const double n = (double)b->w->n_told;
    return n * log(fmax(rest, 1e-300) / n) + prior_of(b->prior, play);
}

double nw_guide_gap_score(const struct guide_gap_bench *b, const struct guide_play *play) {
    double score = 0.0;
    nw_guide_gap_scores(b, play, 1, &score);
    return score;
}

void nw_guide_gap_scores(const struct guide_gap_bench *b, const struct guide_play *plays, size_t n,
                         double *ret) {
    nw_guide_gap_rests(b, plays, n, ret);
    for (size_t i = 0; i < n; i++) {
        ret[i] = score_of(b, &plays[i], ret[i]);
    }
}

/* The prior's share of normal equations scaled by r: mean, difference, leak. */
static void add_prior(const struct guide_gap_bench *b, const struct guide_play *play, double r,
                      struct guide_normal *normal) {
    const struct guide_prior *p = b->prior;
    const double mean = r / square(p->sigma);
    const double difference = r / square(p->difference_sigma);
    const double off_mean = 0.5 * (play->up + play->down) - p->b;
    const double off = play->up - play->down;
    normal->xx[PLAY_UP][PLAY_UP] += 0.25 * mean + difference;
    normal->xx[PLAY_DOWN][PLAY_DOWN] += 0.25 * mean + difference;
    normal->xx[PLAY_UP][PLAY_DOWN] += 0.25 * mean - difference;
    normal->xx[PLAY_DOWN][PLAY_UP] += 0.25 * mean - difference;
    normal->xy[PLAY_UP] -= 0.5 * mean * off_mean + difference * off;
    normal->xy[PLAY_DOWN] -= 0.5 * mean * off_mean - difference * off;
    normal->xx[PLAY_LEAK][PLAY_LEAK] += r / square(LEAK_SIGMA);
    normal->xy[PLAY_LEAK] -= r / square(LEAK_SIGMA) * play->leak;
}

/* Normal equations of all five at a point, the gap in seconds of pulse. A column that is zero
 * (start, once there is no gap) is held by a one on the diagonal. */
struct guide_normal nw_guide_gap_normal(const struct guide_gap_bench *b,
                                        const struct guide_play *play, bool is_gap_free) {
    const double r = nw_guide_gap_rest(b, play, b->slopes) / (double)b->w->n_told;
    const double gap_s = nw_guide_gap_of(play);
    const double mean = 0.5 * (play->up + play->down);
    for (size_t k = 0; k < b->w->n && !b->is_angle_held; k++) {
        b->slopes[PLAY_UP][k] += 0.5 * gap_s * b->slopes[PLAY_GAP][k];
        b->slopes[PLAY_DOWN][k] += 0.5 * gap_s * b->slopes[PLAY_GAP][k];
        b->slopes[PLAY_GAP][k] *= mean;
    }
    nw_guide_whiten_all(b->w, b->slopes, PLAY_N);
    for (size_t k = 0; k < b->w->n; k++) {
        b->path[k] = b->white[k] - b->path[k];
    }
    struct guide_normal normal =
        nw_guide_normal(b->path, (const double *const *)b->slopes, PLAY_N, b->w->n);
    add_prior(b, play, r, &normal);
    for (int i = 0; i < PLAY_N; i++) {
        const bool is_held = (i == PLAY_GAP && !is_gap_free) || !(normal.xx[i][i] > 1e-30);
        for (int j = 0; j < PLAY_N && is_held; j++) {
            normal.xx[i][j] = normal.xx[j][i] = i == j ? 1.0 : 0.0;
        }
        normal.xy[i] = is_held ? 0.0 : normal.xy[i];
    }
    return normal;
}

static double clamp(double x, double low, double high) {
    return fmin(fmax(x, low), high);
}

/* A step of some size from here, within bounds; held_s: the gap that stays, NaN: it is free. */
static struct guide_play step_from(const struct guide_gap_bench *b, const struct guide_play *play,
                                   const struct guide_solution *step, double size, double held_s) {
    struct guide_play next = *play;
    const double least = RESPONSE_LEAST * b->prior->b;
    const double most = RESPONSE_MOST * b->prior->b;
    next.start = clamp(play->start + size * step->c[PLAY_START], 0.0, 1.0);
    next.up = clamp(play->up + size * step->c[PLAY_UP], least, most);
    next.down = clamp(play->down + size * step->c[PLAY_DOWN], least, most);
    next.leak = clamp(play->leak + size * step->c[PLAY_LEAK], LEAK_LEAST, LEAK_MOST);
    if (!b->is_angle_held) {
        nw_guide_gap_set(&next, isnan(held_s)
                                    ? fmax(0.0, nw_guide_gap_of(play) + size * step->c[PLAY_GAP])
                                    : held_s);
    }
    return next;
}

/* Gauss-Newton with halved steps, the gap fixed or free; returns the score. */
double nw_guide_gap_improve(const struct guide_gap_bench *b, struct guide_play *play, int steps,
                            bool is_gap_free) {
    const double gap_s = nw_guide_gap_of(play);
    double best = nw_guide_gap_score(b, play);
    for (int i = 0; i < steps; i++) {
        const struct guide_normal normal = nw_guide_gap_normal(b, play, is_gap_free);
        struct guide_solution fit;
        if (!nw_guide_solve(&normal, &fit)) {
            break;
        }
        const double before = best;
        struct guide_play next[HALVED];
        double score[HALVED];
        double size = 1.0;
        for (int half = 0; half < HALVED; half++, size *= 0.4) {
            next[half] = step_from(b, play, &fit, size, is_gap_free ? NAN : gap_s);
        }
        nw_guide_gap_scores(b, next, HALVED, score);
        for (int half = 0; half < HALVED && !(best < before); half++) {
            if (score[half] < best) {
                best = score[half];
                *play = next[half];
            }
        }
        if (before - best < 0.02) {
            break;
        }
    }
    return best;
}

size_t nw_guide_gap_least(const double *score, size_t n) {
    size_t best = 0;
    for (size_t i = 1; i < n; i++) {
        best = score[i] < score[best] ? i : best;
    }
    return best;
}

/* The best score at a gap, from what is known of a neighbour. Where in the gap the log begins has
 * many valleys, one for each early pulse that may be the one that reaches a flank: a row of places
 * is tried, the best of them are followed. */
double nw_guide_gap_place(const struct guide_gap_bench *b, double gap_s,
                          const struct guide_play *near, int n_follow, int steps,
                          struct guide_play *ret) {
    enum { PLACES = 12 };
    const struct guide_play from = *near; /* ret may be the same */
    struct guide_play play[PLACES + 2];
    double score[PLACES + 2];
    for (int i = 0; i < PLACES + 2; i++) {
        play[i] = from;
        nw_guide_gap_set(&play[i], gap_s);
        play[i].start = i <= PLACES ? (double)i / PLACES : from.start;
    }
    nw_guide_gap_scores(b, play, PLACES + 2, score);
    double best = INFINITY;
    for (int j = 0; j < n_follow; j++) {
        const size_t at = nw_guide_gap_least(score, PLACES + 2);
        score[at] = INFINITY;
        const double now = nw_guide_gap_improve(b, &play[at], steps, false);
        if (now < best) {
            best = now;
            *ret = play[at];
        }
    }
    return best;
}

double nw_guide_gap_at(const struct guide_gap_bench *b, double gap_s, const struct guide_play *near,
                       struct guide_play *ret) {
    (void)nw_guide_gap_place(b, gap_s, near, 3, 3, ret);
    return nw_guide_gap_improve(b, ret, 8, false);
}
