/* backlash.c - how much play the declination gears have, by likelihood over the loop model.
 * Idea: for a given gap the path of the axis follows from the logged pulses (play.c); what is left
 * of the errors is walk, drift and noise, whitened by the filter. The gap is scanned, everything
 * else (place in the gap at the start, response up and down, wind-up) follows by Gauss-Newton at
 * each gap, the noise's spectra and memory at the best one. The 95 % interval is where -2 ln L lies
 * within 4.61 of its least (below).
 * Holds: pulses may depend on all errors so far; the likelihood of the innovations stays exact. A
 * gap that is never crossed whole leaves -2 ln L flat: high = INFINITY.
 * Paper: Harvey 1989, sec. 3.4; Cox & Hinkley 1974, Theoretical Statistics, sec. 9.3 (profile). */
#include "guiding/gap_fit.h"

#include <math.h>

#include "guiding/filter.h"

/* The 95 % point of chi^2 of one degree, times a Bartlett factor: response, wind-up, place and
 * spectra are fitted to the same few crossings, and the path has corners, so that -2 ln L at the
 * true gap lies above that of the best by 1.18 +- 0.06 on the mean (609 simulated nights of six
 * kinds) instead of by 1; with all but gap and place known by 1.02 +- 0.02. The factor alone puts
 * the whole distribution right (Bartlett 1937, Proc. R. Soc. A 160, 268; Lawley 1956, Biometrika
 * 43, 295). */
#define RISE_95 (3.841 * 1.20)
#define REFUTED 40.0 /* by -2 ln L; chance fits came out up to 20 better (simulated) */

enum { GRID = 48, KEEP = 3, CLOSE = 10, TURNS = 3 };

/* ---- the scan over gaps, side by side ---- */
struct scan {
    struct guide_gap_bench *benches; /* one a gap in work: no sharing */
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
        scan->score[i] = nw_guide_gap_place(&scan->benches[lane], scan->gap_s[i], &scan->start, 1,
                                            2, &scan->play[i]);
    }
}

/* Gaps that may hold the best, and the one never crossed, are looked at closely. */
static void fine_lane(void *user, size_t lane) {
    struct scan *scan = user;
    for (size_t i = lane; i < scan->n; i += LANES) {
        if (scan->is_near[i]) {
            scan->score[i] = nw_guide_gap_at(&scan->benches[lane], scan->gap_s[i], &scan->play[i],
                                             &scan->play[i]);
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
        const size_t at = nw_guide_gap_least(left, scan->n);
        scan->is_near[at] = true;
        left[at] = INFINITY;
    }
    (void)nw_parallel_for(LANES, 0, fine_lane, scan, NULL);
}

/* The best gap between two of the grid: a finer grid (a valley may be narrower than the first one's
 * steps), then all parameters together. */
enum { FINE = 12 };
struct settling {
    struct guide_gap_bench *benches;
    double low_s, high_s;
    struct guide_play near, play[FINE];
    double score[FINE];
};

static void settle_lane(void *user, size_t lane) {
    struct settling *const job = user;
    const struct guide_gap_bench *const b = &job->benches[lane];
    for (size_t i = lane; i < FINE; i += LANES) {
        job->play[i] = job->near;
        if (i == 0) {
            job->score[i] = nw_guide_gap_improve(b, &job->play[i], 6, true);
            continue;
        }
        const double gap_s = job->low_s + (job->high_s - job->low_s) * (double)i / FINE;
        (void)nw_guide_gap_place(b, gap_s, &job->near, 1, 2, &job->play[i]);
        job->score[i] = nw_guide_gap_improve(b, &job->play[i], 8, true);
    }
}

static double settle(struct guide_gap_bench *benches, double low_s, double high_s,
                     struct guide_play *play) {
    struct settling job = {.benches = benches, .low_s = low_s, .high_s = high_s, .near = *play};
    (void)nw_parallel_for(LANES, 0, settle_lane, &job, NULL);
    const size_t best = nw_guide_gap_least(job.score, FINE);
    *play = job.play[best];
    return job.score[best];
}

/* A gap that is never crossed needs a wind-up that lets all through, and a strong response for it:
 * the rate given speaks against that, though it is not let near the intervals. */
static double never_score(const struct guide_gap_bench *b, const struct scan *scan) {
    const struct guide_play *const play = &scan->play[scan->n - 1];
    const double off = 0.5 * (play->up + play->down) - b->prior->b;
    const double near = GUIDE_SIGMA_RATE * b->prior->b;
    const double more = 1.0 / (near * near) - 1.0 / (b->prior->sigma * b->prior->sigma);
    return scan->score[scan->n - 1] + off * off * fmax(0.0, more);
}

/* Where the score rises by RISE_95: outward over the grid, then halved. */
static double edge(const struct guide_gap_bench *b, const struct scan *scan, size_t best,
                   const struct guide_backlash_fit *fit, int way) {
    double inside = nw_guide_gap_of(&fit->play);
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
        is_found = scan->score[i] > fit->score + RISE_95;
        *(is_found ? &outside : &inside) = gap;
    }
    /* many gaps fit by chance a log that never crossed its own: those stay in reach until the gap
     * that is never crossed is refuted by far */
    const bool is_refuted = never_score(b, scan) > fit->score + REFUTED;
    if (!is_found || (way > 0 && !is_refuted)) {
        return way < 0 ? outside : INFINITY;
    }
    for (int i = 0; i < 10; i++) {
        const double middle = 0.5 * (inside + outside);
        struct guide_play unused;
        const bool is_out = nw_guide_gap_at(b, middle, &fit->play, &unused) > fit->score + RISE_95;
        *(is_out ? &outside : &inside) = middle;
    }
    return 0.5 * (inside + outside);
}

/* Both edges at once. */
struct edges {
    const struct scan *scan;
    const struct guide_backlash_fit *fit;
    size_t best;
    double at_s[2];
};

static void one_edge(void *user, size_t i) {
    struct edges *const job = user;
    job->at_s[i] = edge(&job->scan->benches[i], job->scan, job->best, job->fit, i == 0 ? -1 : 1);
}

static void find_sigmas(const struct guide_gap_bench *b, struct guide_backlash_fit *fit) {
    const struct guide_normal normal = nw_guide_gap_normal(b, &fit->play, fit->play.gap_rad > 0.0);
    const double r = nw_guide_gap_rest(b, &fit->play, NULL) / (double)b->w->n_told;
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

/* Where the score has risen by RISE_95 with the angle held. The curvature at the best fit promises
 * too much of the response: its valley bends with the path. */
static double angle_edge(struct guide_gap_bench *b, const struct guide_backlash_fit *fit, int way,
                         struct guide_gap_edge *ret) {
    const double gap_rad = fit->play.gap_rad;
    const double step_rad = 1.96 * fit->gap_s * fit->b_sigma;
    double inside = gap_rad;
    double outside = NAN;
    struct guide_play last = fit->play;
    double rise = 0.0;
    b->is_angle_held = true;
    for (int i = 0; i < 12 && !(fabs(outside - inside) < 0.05 * step_rad); i++) {
        const double at = isnan(outside) ? inside + way * step_rad : 0.5 * (inside + outside);
        struct guide_play play = last;
        play.gap_rad = fmax(at, 0.02 * gap_rad);
        play.up *= play.gap_rad / last.gap_rad;
        play.down *= play.gap_rad / last.gap_rad;
        const double score = nw_guide_gap_improve(b, &play, 8, false);
        if (score > fit->score + RISE_95) {
            outside = at;
        } else {
            inside = at;
            last = play;
            rise = score - fit->score;
        }
    }
    b->is_angle_held = false;
    *ret = (struct guide_gap_edge){.play = last, .is_angle = true, .rise = rise, .factor = 1.0};
    return 0.5 * (inside + (isnan(outside) ? inside : outside));
}

static struct guide_gap_edge time_edge(const struct guide_gap_bench *b,
                                       const struct guide_backlash_fit *fit, double at_s) {
    struct guide_gap_edge edge = {.factor = 1.0};
    edge.rise = nw_guide_gap_at(b, at_s, &fit->play, &edge.play) - fit->score;
    return edge;
}

/* The profile over the angle, and both intervals with the noise free at their edges; widens, never
 * narrows. b stands under the noise of the fit. */
static enum nw_status find_angle(const struct guide_series *s, struct guide_gap_bench *b,
                                 struct guide_backlash_fit *fit, struct nw_err *err) {
    if (!(fit->play.gap_rad > 0.0) || !(fit->b_sigma > 0.0) || !isfinite(fit->high_s)) {
        return NW_OK;
    }
    struct guide_gap_edge edges[4];
    double low = angle_edge(b, fit, -1, &edges[0]);
    double high = angle_edge(b, fit, 1, &edges[1]);
    edges[2] = time_edge(b, fit, fit->low_s);
    edges[3] = time_edge(b, fit, fit->high_s);
    const enum nw_status status = nw_guide_gap_loosen(s, b, fit, edges, 4, err);
    if (status != NW_OK) {
        return status;
    }
    low = fmax(0.0, fit->play.gap_rad - edges[0].factor * (fit->play.gap_rad - low));
    high = fit->play.gap_rad + edges[1].factor * (high - fit->play.gap_rad);
    fit->low_s = fmax(0.0, fit->gap_s - edges[2].factor * (fit->gap_s - fit->low_s));
    fit->high_s = fit->gap_s + edges[3].factor * (fit->high_s - fit->gap_s);
    const double time_rad =
        0.5 * (fit->play.up + fit->play.down) * 0.5 * (fit->high_s - fit->low_s);
    const double half = 0.5 * (high - low);
    if (half > time_rad) {
        const double sigma = sqrt(half * half - time_rad * time_rad) / (1.96 * fit->gap_s);
        fit->b_sigma = fmax(fit->b_sigma, sigma);
    }
    fit->low_rad = fmin(fit->low_rad, low);
    fit->high_rad = fmax(fit->high_rad, high);
    return NW_OK;
}

/* Grid, the best of its valleys, the edges. fit->play comes in as the start of the scan. */
static void profile(struct scan *scan, const struct guide_gap_bench *b, double most_s,
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
        const size_t best = nw_guide_gap_least(left, scan->n);
        if (!(left[best] < fit->score + 20.0)) {
            break;
        }
        struct guide_play play = scan->play[best];
        const double low = best > 0 ? scan->gap_s[best - 1] : 0.0;
        const double high = best + 1 < scan->n ? scan->gap_s[best + 1] : scan->gap_s[best];
        double score = settle(scan->benches, low, high, &play);
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
    fit->gap_s = nw_guide_gap_of(&fit->play);
    struct edges edges = {.scan = scan, .fit = fit, .best = at};
    (void)nw_parallel_for(2, 0, one_edge, &edges, NULL);
    fit->low_s = edges.at_s[0];
    fit->high_s = edges.at_s[1];
    fit->crossings = nw_guide_play_path(b->moves, &fit->play, b->path, NULL);
    find_sigmas(b, fit);
}

/* What a fit works on: errors, whitener, a bench a lane (one will do where nothing is scanned). */
struct desk {
    const struct guide_series *s;
    double *rest, *white;
    struct guide_whitener w;
    struct guide_gap_bench benches[LANES];
};

static enum nw_status desk_init(const struct guide_series *s, const struct guide_gap_bench *like,
                                int n_benches, struct desk *desk, struct nw_err *err) {
    static const struct guide_noise any = {.ln_q = -4.0, .ln_qv = GUIDE_LN_NONE};
    desk->s = s;
    desk->rest = nw_calloc(s->n + 1, sizeof *desk->rest);
    desk->white = nw_calloc(s->n + 1, sizeof *desk->white);
    enum nw_status status = desk->rest && desk->white
                                ? nw_guide_whitener_init(s, &any, &desk->w, err)
                                : nw_err_set(err, NW_NOMEM, "backlash of %zu samples", s->n);
    struct guide_gap_bench own = *like;
    own.w = &desk->w;
    own.white = desk->white;
    for (int i = 0; i < n_benches && status == NW_OK; i++) {
        status = nw_guide_gap_bench_init(&own, s->n, &desk->benches[i], err);
    }
    return status;
}

static void desk_done(struct desk *desk) {
    for (int i = 0; i < LANES; i++) {
        nw_guide_gap_bench_done(&desk->benches[i]);
    }
    nw_guide_whitener_done(&desk->w);
    free(desk->rest);
    free(desk->white);
}

/* The errors through the whitener of a noise. */
static void whiten_under(struct desk *desk, const struct guide_noise *noise) {
    nw_guide_whitener_set(desk->s, noise, &desk->w);
    for (size_t k = 0; k < desk->s->n; k++) {
        desk->rest[k] = nw_guide_error(desk->s, k);
    }
    nw_guide_whiten(&desk->w, desk->rest, desk->white);
}

/* The path of the fit taken out: noise, whitener and whitened errors for the next profile. */
static void refit_noise(struct desk *desk, struct guide_backlash_fit *fit) {
    double *const path = desk->benches[0].path;
    (void)nw_guide_play_path(desk->benches[0].moves, &fit->play, path, NULL);
    for (size_t k = 0; k < desk->s->n; k++) {
        desk->rest[k] = nw_guide_error(desk->s, k) - path[k];
    }
    const struct guide_noise_job job = {.s = desk->s, .rest = desk->rest, .is_memory_signed = true};
    (void)nw_guide_fit_noise(&job, &fit->noise);
    whiten_under(desk, &fit->noise);
}

/* A first gap with its own walk: with the spectra of no gap at all the scan would run off along the
 * ridge "wider gap, stronger response" and stay there. Drift without wander, response as before. */
static void find_start(struct desk *desk, double most_s, struct guide_backlash_fit *fit) {
    enum { GAPS = 48, WALKS = 6, TRIED = 3 * (GAPS + 1) };
    struct guide_play plays[TRIED];
    double score[TRIED];
    double best = INFINITY;
    for (int i = 0; i < TRIED; i++) {
        const int gap = i / 3;
        plays[i] = fit->play;
        plays[i].start = 0.5 * (i % 3);
        nw_guide_gap_set(&plays[i], most_s * pow((double)gap / GAPS, 1.7));
    }
    for (int j = 0; j < WALKS; j++) {
        const struct guide_noise noise = {.ln_q = -12.0 + 2.5 * j, .ln_qv = GUIDE_LN_NONE};
        whiten_under(desk, &noise);
        nw_guide_gap_scores(&desk->benches[0], plays, TRIED, score);
        for (size_t i = 0; i < TRIED; i++) {
            if (score[i] + desk->w.ln_s < best) {
                best = score[i] + desk->w.ln_s;
                fit->play = plays[i];
                fit->noise = noise;
            }
        }
    }
}

/* Noise and response lean on each other: spectra found under the rate as given would hold a weaker
 * response back. */
static void settle_noise(struct desk *desk, int turns, struct guide_backlash_fit *fit) {
    for (int turn = 0; turn < turns; turn++) {
        refit_noise(desk, fit);
        fit->score =
            nw_guide_gap_improve(&desk->benches[0], &fit->play, 8, fit->play.gap_rad > 0.0);
    }
}

/* To a fifth of what 2 h at 2 s tell of them. */
static bool is_same_noise(const struct guide_noise *a, const struct guide_noise *b) {
    return fabs(a->ln_q - b->ln_q) < 0.03 && fabs(a->rho - b->rho) < 0.006;
}

static struct guide_backlash_fit fit_of(const struct guide_prior *prior) {
    return (struct guide_backlash_fit){.play = {.start = 0.5, .up = prior->b, .down = prior->b},
                                       .noise = {.ln_q = -4.0, .ln_qv = GUIDE_LN_NONE},
                                       .high_rad = INFINITY};
}

static double most_of(const struct guide_moves *moves) {
    return 1.3 * nw_guide_play_most_rad(moves, 1.0, 1.0);
}

/* Another gap that is better under the same noise: a wide one has many valleys. */
static void look_around(const struct guide_gap_bench *b, double most_s,
                        struct guide_backlash_fit *fit) {
    enum { AROUND = 24 };
    for (int i = 1; i <= AROUND; i++) {
        struct guide_play play;
        const double gap_s = most_s * pow((double)i / AROUND, 1.7);
        const double score = nw_guide_gap_place(b, gap_s, &fit->play, 1, 2, &play);
        if (score < fit->score) {
            fit->score = score;
            fit->play = play;
        }
    }
}

enum nw_status nw_guide_guess_gap(const struct guide_series *s, const struct guide_moves *moves,
                                  const struct guide_prior *prior, struct guide_backlash_fit *ret,
                                  struct nw_err *err) {
    struct guide_backlash_fit fit = fit_of(prior);
    const struct guide_gap_bench like = {.moves = moves, .prior = prior};
    struct desk desk = {.s = NULL};
    const enum nw_status status = desk_init(s, &like, 1, &desk, err);
    if (status == NW_OK) {
        const double most_s = most_of(moves);
        find_start(&desk, most_s, &fit);
        settle_noise(&desk, TURNS - 1, &fit);
        look_around(&desk.benches[0], most_s, &fit);
        settle_noise(&desk, 1, &fit);
        fit.r_rad2 = nw_guide_gap_rest(&desk.benches[0], &fit.play, NULL) / (double)desk.w.n_told;
        fit.total = fit.score + desk.w.ln_s;
        *ret = fit;
    }
    desk_done(&desk);
    return status;
}

enum nw_status nw_guide_fit_backlash(const struct guide_series *s, const struct guide_moves *moves,
                                     const struct guide_prior *prior,
                                     struct guide_backlash_fit *ret, struct nw_err *err) {
    struct guide_backlash_fit fit = fit_of(prior);
    const struct guide_gap_bench like = {.moves = moves, .prior = prior};
    struct desk desk = {.s = NULL};
    struct scan *scan = nw_calloc(1, sizeof *scan);
    enum nw_status status = scan ? desk_init(s, &like, LANES, &desk, err)
                                 : nw_err_set(err, NW_NOMEM, "backlash of %zu samples", s->n);
    if (status == NW_OK) {
        scan->benches = desk.benches;
        const double most_s = most_of(moves);
        find_start(&desk, most_s, &fit);
        double best = INFINITY;
        for (int pass = 0; pass < 2; pass++) {
            settle_noise(&desk, TURNS, &fit);
            profile(scan, &desk.benches[0], most_s, &fit);
            fit.total = fit.score + desk.w.ln_s;
            if (fit.total < best) {
                best = fit.total;
                *ret = fit;
            }
            struct guide_backlash_fit next = fit;
            settle_noise(&desk, 1, &next);
            if (is_same_noise(&next.noise, &fit.noise)) {
                break; /* another scan would say the same */
            }
        }
        whiten_under(&desk, &ret->noise);
        status = find_angle(s, &desk.benches[0], ret, err);
    }
    desk_done(&desk);
    free(scan);
    return status;
}
