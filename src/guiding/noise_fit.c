/* noise_fit.c - spectra of motion and noise by maximum likelihood, the noise with a memory.
 * Idea: the whitener's innovations and their variances give -2 ln L (Harvey 1989, sec. 3.4); a
 * simplex finds the walk, the memory and, unless the drift is steady, its wander. Holds: finite
 * everywhere, judged at the edge of the range outside of it. */
#include <gsl/gsl_multimin.h>
#include <math.h>

#include "guiding/whiten.h"

#define RHO_MOST 0.9
#define RHO_LEAST (-0.5)
#define WHITE_MOST 0.98

static double clamp(double x, double low, double high) {
    return fmin(fmax(x, low), high);
}

enum { PARAMETERS_MOST = 4 };

/* Order of the parameters: walk, memory, white share if free, wander unless the drift is steady. */
static struct guide_noise noise_of(const struct guide_noise_job *job, const gsl_vector *at) {
    const size_t wander = job->is_white_free ? 3 : 2;
    return (struct guide_noise){
        .ln_q = clamp(gsl_vector_get(at, 0), -18.0, 12.0),
        .rho = clamp(gsl_vector_get(at, 1), job->is_memory_signed ? RHO_LEAST : 0.0, RHO_MOST),
        .white = job->is_white_free ? clamp(gsl_vector_get(at, 2), 0.0, WHITE_MOST) : 0.0,
        .ln_qv = job->is_drift_steady ? GUIDE_LN_NONE
                                      : clamp(gsl_vector_get(at, wander), GUIDE_LN_NONE, 6.0)};
}

static double noise_score(const gsl_vector *at, void *user) {
    const struct guide_noise_job *job = user;
    const struct guide_noise noise = noise_of(job, at);
    double ln_s = 0.0;
    size_t n_told = 0;
    double sum = 0.0;
    if (job->free_x) {
        const struct guide_two two = nw_guide_noise_two(job->s, &noise, job->rest, job->free_x);
        const double xx = two.xx + job->free_precision;
        sum = two.ee - (xx > 0.0 ? two.ex * two.ex / xx : 0.0);
        ln_s = two.ln_s;
        n_told = two.n;
    } else {
        sum = nw_guide_noise_squares(job->s, &noise, job->rest, &ln_s, &n_told);
    }
    const double out = gsl_vector_get(at, 1) - noise.rho;
    const double white = job->is_white_free ? gsl_vector_get(at, 2) - noise.white : 0.0;
    const double n = (double)n_told;
    return n * log(fmax(sum, 1e-300) / n) + ln_s + 1e3 * (out * out + white * white);
}

double nw_guide_fit_noise(const struct guide_noise_job *job, struct guide_noise *noise) {
    double start[PARAMETERS_MOST] = {noise->ln_q, fabs(noise->rho) > 0.0 ? noise->rho : 0.1};
    double size[PARAMETERS_MOST] = {0.7, 0.15};
    size_t n = 2;
    if (job->is_white_free) {
        start[n] = noise->white;
        size[n++] = 0.15;
    }
    if (!job->is_drift_steady) {
        start[n] = fmax(noise->ln_qv, -14.0);
        size[n++] = 1.0;
    }
    const gsl_vector_view start_view = gsl_vector_view_array(start, n);
    const gsl_vector_view size_view = gsl_vector_view_array(size, n);
    struct guide_noise_job own = *job;
    gsl_multimin_function f = {.f = noise_score, .n = n, .params = &own};
    gsl_multimin_fminimizer *simplex =
        gsl_multimin_fminimizer_alloc(gsl_multimin_fminimizer_nmsimplex2, n);
    if (!simplex) {
        return INFINITY;
    }
    const bool is_set =
        gsl_multimin_fminimizer_set(simplex, &f, &start_view.vector, &size_view.vector) == 0;
    bool is_going = is_set;
    for (int i = 0; i < 90 && is_going; i++) {
        is_going = gsl_multimin_fminimizer_iterate(simplex) == 0 &&
                   gsl_multimin_fminimizer_size(simplex) > 0.02;
    }
    double score = INFINITY;
    if (is_set) { /* else the start has no likelihood, and the simplex no best point */
        score = simplex->fval;
        *noise = noise_of(job, simplex->x);
    }
    gsl_multimin_fminimizer_free(simplex);
    return score;
}
