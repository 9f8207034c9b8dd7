/* gap_loose.c - how far the edges of the gap's intervals lie when the noise is free as well.
 * Idea: the profile over the gap holds the spectra of motion and noise as the best fit has them.
 * At an edge of the interval they would rather be others (a weaker response looks like more walk):
 * the rise there is less than it seems, by 30 % on the mean for the angle, and the edge moves out
 * by the root of that. Paper: Cox & Hinkley 1974, sec. 9.3 (all that is not of interest is fitted
 * anew at each place of a profile). */
#include "guiding/gap_fit.h"

#include <math.h>

#include "guiding/filter.h"

#define FACTOR_MOST 2.0

struct loose_job {
    const struct guide_series *s;
    const struct guide_gap_bench *like;
    const struct guide_backlash_fit *fit;
    struct guide_gap_edge *edges;
};

/* -2 ln L at an edge, gap or angle held, spectra included and free. */
static double score_at(const struct loose_job *job, const struct guide_gap_edge *edge,
                       struct guide_gap_bench *b, struct guide_whitener *w, double *const work[2]) {
    const struct guide_series *const s = job->s;
    struct guide_play play = edge->play;
    struct guide_noise noise = job->fit->noise;
    (void)nw_guide_play_path(b->moves, &play, b->path, NULL);
    for (size_t k = 0; k < s->n; k++) {
        work[0][k] = nw_guide_error(s, k) - b->path[k];
    }
    const struct guide_noise_job refit = {.s = s, .rest = work[0], .is_memory_signed = true};
    (void)nw_guide_fit_noise(&refit, &noise);
    nw_guide_whitener_set(s, &noise, w);
    for (size_t k = 0; k < s->n; k++) {
        work[0][k] = nw_guide_error(s, k);
    }
    nw_guide_whiten(w, work[0], work[1]);
    return nw_guide_gap_improve(b, &play, 8, false) + w->ln_s;
}

static void loosen_one(void *user, size_t i) {
    const struct loose_job *const job = user;
    struct guide_gap_edge *const edge = &job->edges[i];
    struct nw_err unused = {0};
    struct guide_whitener w = {0};
    struct guide_gap_bench bench = {0};
    double *const work[2] = {nw_calloc(job->s->n + 1, sizeof *work[0]),
                             nw_calloc(job->s->n + 1, sizeof *work[1])};
    edge->status = NW_NOMEM;
    if (work[0] && work[1]) {
        struct guide_gap_bench like = *job->like;
        like.w = &w;
        like.white = work[1];
        edge->status = nw_guide_whitener_init(job->s, &job->fit->noise, &w, &unused);
        if (edge->status == NW_OK) {
            edge->status = nw_guide_gap_bench_init(&like, job->s->n, &bench, &unused);
        }
    }
    if (edge->status == NW_OK) {
        bench.is_angle_held = edge->is_angle;
        const double rise = score_at(job, edge, &bench, &w, work) - job->fit->total;
        edge->factor =
            sqrt(fmin(fmax(edge->rise / fmax(rise, 1e-9), 1.0), FACTOR_MOST * FACTOR_MOST));
    }
    nw_guide_gap_bench_done(&bench);
    nw_guide_whitener_done(&w);
    free(work[0]);
    free(work[1]);
}

enum nw_status nw_guide_gap_loosen(const struct guide_series *s, const struct guide_gap_bench *like,
                                   const struct guide_backlash_fit *fit,
                                   struct guide_gap_edge *edges, size_t n, struct nw_err *err) {
    struct loose_job job = {.s = s, .like = like, .fit = fit, .edges = edges};
    (void)nw_parallel_for(n, 0, loosen_one, &job, NULL);
    for (size_t i = 0; i < n; i++) {
        if (edges[i].status != NW_OK) {
            return nw_err_set(err, edges[i].status, "backlash of %zu samples", s->n);
        }
    }
    return NW_OK;
}
