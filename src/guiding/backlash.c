/* backlash.c - how much play the declination gears have, by likelihood over the loop model.
 * Idea: for a given gap the path of the axis follows from the logged pulses (play.c); what is left
 * of the errors is walk, drift and noise, whitened by the filter. The gap is scanned, everything
 * else (place in the gap at the start, response up and down, wind-up) follows by Gauss-Newton at
 * each gap, the noise's spectra and memory at the best one. The 95 % interval is where -2 ln L lies
 * within 3.84 of its least.
 * Holds: pulses may depend on all errors so far; the likelihood of the innovations stays exact. A
 * gap that is never crossed whole leaves -2 ln L flat: high = INFINITY.
 * Paper: Harvey 1989, sec. 3.4; Cox & Hinkley 1974, Theoretical Statistics, sec. 9.3 (profile). */
#include "guiding/backlash.h"

#include <math.h>

#include "guiding/filter.h"

#define CHI2_95 3.841 /* one parameter */
#define REFUTED 40.0  /* by -2 ln L; chance fits came out up to 20 better (simulated) */
#define LEAK_SIGMA 0.1
#define LEAK_MOST 0.9
#define RESPONSE_LEAST 0.2 /* of the prior's */
#define RESPONSE_MOST 2.0

enum { GRID = 48, KEEP = 3, CLOSE = 10 };

/* Working memory of one thread. */
struct bench {
    const struct guide_moves *moves;
    const struct guide_prior *prior;
    const struct guide_whitener *w;
    const double *white; /* whitened errors */
    double *path, *slopes[PLAY_N];
};

static void bench_done(struct bench *b) {
    free(b->path);
    for (int i = 0; i < PLAY_N; i++) {
        free(b->slopes[i]);
    }
}

static enum nw_status bench_init(const struct bench *like, size_t n, struct bench *ret,
                                 struct nw_err *err) {
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
static void set_gap(struct guide_play *play, double gap_s) {
    play->gap_rad = gap_s * 0.5 * (play->up + play->down);
}

static double gap_of(const struct guide_play *play) {
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
static double rest_of(const struct bench *b, const struct guide_play *play, double *const *slopes) {
    (void)nw_guide_play_path(b->moves, play, b->path, slopes);
    nw_guide_whiten(b->w, b->path, b->path);
    double sum = 0.0;
    for (size_t k = 0; k < b->w->n; k++) {
        sum += square(b->white[k] - b->path[k]);
    }
    return sum;
}

static double score_of(const struct bench *b, const struct guide_play *play) {
    const double n = (double)b->w->n_told;
    return n * log(fmax(rest_of(b, play, NULL), 1e-300) / n) + prior_of(b->prior, play);
}

/* The prior's share of normal equations scaled by r: mean, difference, leak. */
static void add_prior(const struct bench *b, const struct guide_play *play, double r,
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
static struct guide_normal normal_at(const struct bench *b, const struct guide_play *play,
                                     bool is_gap_free) {
    const double r = rest_of(b, play, b->slopes) / (double)b->w->n_told;
    const double gap_s = gap_of(play);
    const double mean = 0.5 * (play->up + play->down);
    for (size_t k = 0; k < b->w->n; k++) {
        b->slopes[PLAY_UP][k] += 0.5 * gap_s * b->slopes[PLAY_GAP][k];
        b->slopes[PLAY_DOWN][k] += 0.5 * gap_s * b->slopes[PLAY_GAP][k];
        b->slopes[PLAY_GAP][k] *= mean;
    }
    for (int i = 0; i < PLAY_N; i++) {
        nw_guide_whiten(b->w, b->slopes[i], b->slopes[i]);
    }
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

/* Gauss-Newton with halved steps, the gap fixed or free; returns the score. */
static double improve(const struct bench *b, struct guide_play *play, int steps, bool is_gap_free) {
    const double gap_s = gap_of(play);
    double best = score_of(b, play);
    for (int i = 0; i < steps; i++) {
        const struct guide_normal normal = normal_at(b, play, is_gap_free);
        struct guide_solution fit;
        if (!nw_guide_solve(&normal, &fit)) {
            break;
        }
        const double before = best;
        double size = 1.0;
        for (int half = 0; half < 3; half++, size *= 0.4) {
            struct guide_play next = *play;
            const double least = RESPONSE_LEAST * b->prior->b;
            const double most = RESPONSE_MOST * b->prior->b;
            next.start = clamp(play->start + size * fit.c[PLAY_START], 0.0, 1.0);
            next.up = clamp(play->up + size * fit.c[PLAY_UP], least, most);
            next.down = clamp(play->down + size * fit.c[PLAY_DOWN], least, most);
            next.leak = clamp(play->leak + size * fit.c[PLAY_LEAK], 0.0, LEAK_MOST);
            set_gap(&next, is_gap_free ? fmax(0.0, gap_of(play) + size * fit.c[PLAY_GAP]) : gap_s);
            const double score = score_of(b, &next);
            if (score < best) {
                best = score;
                *play = next;
                break;
            }
        }
        if (before - best < 0.02) {
            break;
        }
    }
    return best;
}

static size_t least_of(const double *score, size_t n) {
    size_t best = 0;
    for (size_t i = 1; i < n; i++) {
        best = score[i] < score[best] ? i : best;
    }
    return best;
}

/* The best score at a gap, from what is known of a neighbour. Where in the gap the log begins has
 * many valleys, one for each early pulse that may be the one that reaches a flank: a row of places
 * is tried, the best of them are followed. */
static double place_at(const struct bench *b, double gap_s, const struct guide_play *near,
                       int n_follow, int steps, struct guide_play *ret) {
    enum { PLACES = 12 };
    const struct guide_play from = *near; /* ret may be the same */
    struct guide_play play[PLACES + 2];
    double score[PLACES + 2];
    for (int i = 0; i < PLACES + 2; i++) {
        play[i] = from;
        set_gap(&play[i], gap_s);
        play[i].start = i <= PLACES ? (double)i / PLACES : from.start;
        score[i] = score_of(b, &play[i]);
    }
    double best = INFINITY;
    for (int j = 0; j < n_follow; j++) {
        const size_t at = least_of(score, PLACES + 2);
        score[at] = INFINITY;
        const double now = improve(b, &play[at], steps, false);
        if (now < best) {
            best = now;
            *ret = play[at];
        }
    }
    return best;
}

static double score_at(const struct bench *b, double gap_s, const struct guide_play *near,
                       struct guide_play *ret) {
    (void)place_at(b, gap_s, near, 3, 3, ret);
    return improve(b, ret, 8, false);
}

/* ---- the scan over gaps, side by side ---- */
struct scan {
    struct bench *benches; /* one a gap in work: no sharing */
    double gap_s[GRID + 1], score[GRID + 1];
    struct guide_play play[GRID + 1];
    bool is_near[GRID + 1];
    struct guide_play start;
    size_t n;
};

enum { LANES = 4 };

static void coarse_lane(void *user, size_t lane) {
    struct scan *scan = user;
    for (size_t i = lane; i < scan->n; i += LANES) {
        scan->score[i] =
            place_at(&scan->benches[lane], scan->gap_s[i], &scan->start, 1, 2, &scan->play[i]);
    }
}

/* Gaps that may hold the best, and the one never crossed, are looked at closely. */
static void fine_lane(void *user, size_t lane) {
    struct scan *scan = user;
    for (size_t i = lane; i < scan->n; i += LANES) {
        if (scan->is_near[i]) {
            scan->score[i] =
                score_at(&scan->benches[lane], scan->gap_s[i], &scan->play[i], &scan->play[i]);
        }
    }
}

static void scan_gaps(struct scan *scan) {
    (void)nw_parallel_for(LANES, 0, coarse_lane, scan, NULL);
    double left[GRID + 1];
    memcpy(left, scan->score, sizeof left);
    memset(scan->is_near, 0, sizeof scan->is_near);
    scan->is_near[0] = scan->is_near[scan->n - 1] = true;
    for (int i = 0; i < CLOSE; i++) {
        const size_t at = least_of(left, scan->n);
        scan->is_near[at] = true;
        left[at] = INFINITY;
    }
    (void)nw_parallel_for(LANES, 0, fine_lane, scan, NULL);
}

/* The best gap between two of the grid: a finer grid (a valley may be narrower than the first one's
 * steps), then all parameters together. */
static double settle(const struct bench *b, double low_s, double high_s, struct guide_play *play) {
    enum { FINE = 12 };
    const struct guide_play near = *play;
    double best = improve(b, play, 6, true);
    for (int i = 1; i < FINE; i++) {
        struct guide_play at;
        (void)place_at(b, low_s + (high_s - low_s) * i / FINE, &near, 1, 2, &at);
        const double score = improve(b, &at, 8, true);
        if (score < best) {
            best = score;
            *play = at;
        }
    }
    return best;
}

/* Where the score rises by CHI2_95: outward over the grid, then halved. */
static double edge(const struct bench *b, const struct scan *scan, size_t best,
                   const struct guide_backlash_fit *fit, int way) {
    double inside = gap_of(&fit->play);
    double outside = way < 0 ? 0.0 : INFINITY;
    bool is_found = false;
    for (size_t step = 1; !is_found; step++) {
        if ((way < 0 && step > best + 1) || (way > 0 && best + step > scan->n)) {
            break;
        }
        const size_t i = way < 0 ? best + 1 - step : best + step - 1;
        const double gap = scan->gap_s[i];
        if ((way < 0 && gap >= inside) || (way > 0 && gap <= inside)) {
            continue;
        }
        is_found = scan->score[i] > fit->score + CHI2_95;
        *(is_found ? &outside : &inside) = gap;
    }
    /* many gaps fit by chance a log that never crossed its own: those stay in reach until the gap
     * that is never crossed is refuted by far */
    const bool is_refuted = scan->score[scan->n - 1] > fit->score + REFUTED;
    if (!is_found || (way > 0 && !is_refuted)) {
        return way < 0 ? outside : INFINITY;
    }
    for (int i = 0; i < 10; i++) {
        const double middle = 0.5 * (inside + outside);
        struct guide_play unused;
        const bool is_out = score_at(b, middle, &fit->play, &unused) > fit->score + CHI2_95;
        *(is_out ? &outside : &inside) = middle;
    }
    return 0.5 * (inside + outside);
}

static void find_sigmas(const struct bench *b, struct guide_backlash_fit *fit) {
    const struct guide_normal normal = normal_at(b, &fit->play, fit->play.gap_rad > 0.0);
    const double r = rest_of(b, &fit->play, NULL) / (double)b->w->n_told;
    struct guide_solution at;
    fit->b_sigma = fit->up_sigma = fit->down_sigma = NAN;
    if (nw_guide_solve(&normal, &at)) {
        fit->up_sigma = sqrt(at.cov[PLAY_UP][PLAY_UP] * r);
        fit->down_sigma = sqrt(at.cov[PLAY_DOWN][PLAY_DOWN] * r);
        fit->b_sigma = 0.5 * sqrt((at.cov[PLAY_UP][PLAY_UP] + at.cov[PLAY_DOWN][PLAY_DOWN] +
                                   2.0 * at.cov[PLAY_UP][PLAY_DOWN]) *
                                  r);
    }
    /* gap = time x response, errors of both, hardly tied */
    const double response = 0.5 * (fit->play.up + fit->play.down);
    const double own = 1.96 * fit->gap_s * fit->b_sigma;
    fit->low_rad = fmax(0.0, fit->play.gap_rad - hypot(response * (fit->gap_s - fit->low_s), own));
    fit->high_rad = fit->play.gap_rad + hypot(response * (fit->high_s - fit->gap_s), own);
}

/* Grid, the best of its valleys, the edges. fit->play comes in as the start of the scan. */
static void profile(struct scan *scan, const struct bench *b, double most_s,
                    struct guide_backlash_fit *fit) {
    scan->n = GRID + 1;
    scan->start = fit->play;
    for (size_t i = 0; i <= GRID; i++) {
        scan->gap_s[i] = most_s * pow((double)i / GRID, 1.7);
    }
    scan_gaps(scan);
    fit->score_none = scan->score[0];
    fit->score = INFINITY;
    size_t at = 0;
    double left[GRID + 1];
    memcpy(left, scan->score, sizeof left);
    for (int i = 0; i < KEEP; i++) {
        const size_t best = least_of(left, scan->n);
        if (!(left[best] < fit->score + 20.0)) {
            break;
        }
        struct guide_play play = scan->play[best];
        const double low = best > 0 ? scan->gap_s[best - 1] : 0.0;
        const double high = best + 1 < scan->n ? scan->gap_s[best + 1] : scan->gap_s[best];
        double score = settle(b, low, high, &play);
        if (!(score < left[best])) { /* also gap 0 */
            score = left[best];
            play = scan->play[best];
        }
        if (score < fit->score) {
            fit->score = score;
            fit->play = play;
            at = best;
        }
        for (size_t k = best > 0 ? best - 1 : 0; k <= best + 1 && k < scan->n; k++) {
            left[k] = INFINITY;
        }
    }
    fit->gap_s = gap_of(&fit->play);
    fit->low_s = edge(b, scan, at, fit, -1);
    fit->high_s = edge(b, scan, at, fit, 1);
    fit->crossings = nw_guide_play_path(b->moves, &fit->play, b->path, NULL);
    find_sigmas(b, fit);
}

/* The path of the fit taken out: noise, whitener and whitened errors for the next profile. */
static void refit_noise(const struct guide_series *s, const struct bench *b,
                        struct guide_whitener *w, double *rest, double *white,
                        struct guide_backlash_fit *fit) {
    (void)nw_guide_play_path(b->moves, &fit->play, b->path, NULL);
    for (size_t k = 0; k < s->n; k++) {
        rest[k] = nw_guide_error(s, k) - b->path[k];
    }
    const struct guide_noise_job job = {.s = s, .w = w, .rest = rest, .white = white};
    nw_guide_fit_noise(&job, &fit->noise);
    nw_guide_whitener_set(s, &fit->noise, w);
    for (size_t k = 0; k < s->n; k++) {
        rest[k] = nw_guide_error(s, k);
    }
    nw_guide_whiten(w, rest, white);
}

/* A first gap with its own walk: with the spectra of no gap at all the scan would run off along the
 * ridge "wider gap, stronger response" and stay there. Drift without wander, response as before. */
static void find_start(const struct guide_series *s, const struct bench *b,
                       struct guide_whitener *w, double *rest, double *white, double most_s,
                       struct guide_backlash_fit *fit) {
    enum { GAPS = 48, WALKS = 6 };
    const struct guide_play from = fit->play;
    double best = INFINITY;
    for (int j = 0; j < WALKS; j++) {
        const struct guide_noise noise = {.ln_q = -12.0 + 2.5 * j, .ln_qv = GUIDE_LN_NONE};
        nw_guide_whitener_set(s, &noise, w);
        for (size_t k = 0; k < s->n; k++) {
            rest[k] = nw_guide_error(s, k);
        }
        nw_guide_whiten(w, rest, white);
        for (int i = 0; i < 3 * (GAPS + 1); i++) {
            struct guide_play play = from;
            const int gap = i / 3;
            play.start = 0.5 * (i % 3);
            set_gap(&play, most_s * pow((double)gap / GAPS, 1.7));
            const double score = score_of(b, &play) + w->ln_s;
            if (score < best) {
                best = score;
                fit->play = play;
                fit->noise = noise;
            }
        }
    }
}

enum nw_status nw_guide_fit_backlash(const struct guide_series *s, const struct guide_moves *moves,
                                     const struct guide_prior *prior,
                                     struct guide_backlash_fit *ret, struct nw_err *err) {
    struct guide_backlash_fit fit = {.play = {.start = 0.5, .up = prior->b, .down = prior->b},
                                     .high_rad = INFINITY};
    struct scan *scan = nw_calloc(1, sizeof *scan);
    struct bench benches[LANES] = {{0}};
    struct guide_whitener w = {0};
    double *rest = nw_calloc(s->n + 1, sizeof *rest);
    double *white = nw_calloc(s->n + 1, sizeof *white);
    fit.noise = (struct guide_noise){.ln_q = -4.0, .ln_qv = GUIDE_LN_NONE};
    enum nw_status status = scan && rest && white
                                ? nw_guide_whitener_init(s, &fit.noise, &w, err)
                                : nw_err_set(err, NW_NOMEM, "backlash of %zu samples", s->n);
    const struct bench like = {.moves = moves, .prior = prior, .w = &w, .white = white};
    for (int i = 0; i < LANES && status == NW_OK; i++) {
        status = bench_init(&like, s->n, &benches[i], err);
    }
    if (status == NW_OK) {
        scan->benches = benches;
        const double most = 1.3 * nw_guide_play_most_rad(moves, 1.0, 1.0);
        find_start(s, &benches[0], &w, rest, white, most, &fit);
        double best = INFINITY;
        for (int pass = 0; pass < 2; pass++) {
            refit_noise(s, &benches[0], &w, rest, white, &fit);
            profile(scan, &benches[0], most, &fit);
            fit.total = fit.score + w.ln_s;
            if (fit.total < best) {
                best = fit.total;
                *ret = fit;
            }
        }
    }
    for (int i = 0; i < LANES; i++) {
        bench_done(&benches[i]);
    }
    nw_guide_whitener_done(&w);
    free(scan);
    free(rest);
    free(white);
    return status;
}
