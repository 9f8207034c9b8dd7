/* selfcheck.c - the loop model put to the test on samples it was not fitted to.
 * Idea: errors less pulses, run again with the same pulses, give the log back whatever the model
 * says: no test at all. Instead blocks by turns: the spectra of motion and noise from the first,
 * third ... block, then every sample of the others is foretold from those before it. Under a true
 * model what is left is white, scatters as foretold and knows nothing of earlier pulses, although
 * pulses follow from errors (Harvey 1989, sec. 5.4; Ljung 1999, System Identification, sec. 16.6).
 * Holds: 1. noise with a memory alone does not speak against the response: what follows the last
 * two rests is taken out first (partial correlation).  2. worm, gap and response come from the
 * whole log: few numbers against thousands of samples, but not held out. */
#include "guiding/selfcheck.h"

#include <math.h>

#include "guiding/filter.h"

#define SCATTER_MATTERS 0.10
#define MEMORY_MATTERS 0.10
#define SIGMAS 3.0
#define FADE 0.2          /* of the slow mean of earlier rests, per sample */
#define SETTLED 1.05      /* of the least variance of a rest */
#define CHANCE_LEAST 1e-3 /* below, the rests know of the pulses */

enum { BLOCKS = 12, BLOCK_LEAST = 20, LAGS = 3, TURN = LAGS, TESTS = LAGS + 1, BASE = 3 };

/* Working memory: one half of the log, and columns over its samples. */
struct bench {
    struct guide_series half;
    double *rest;          /* standardised; NaN: nothing was foretold */
    double *column[TESTS]; /* pulse 1, 2, 3 steps ago; the last one where it turned round */
};

void nw_guide_half_done(struct guide_series *half) {
    free(half->t_s);
    free(half->e_rad);
    free(half->x);
    free(half->known);
    free(half->starts);
}

enum nw_status nw_guide_half_init(size_t n, struct guide_series *half, struct nw_err *err) {
    *half = (struct guide_series){.n = 0};
    const bool is_ok = (half->t_s = nw_calloc(n, sizeof *half->t_s)) &&
                       (half->e_rad = nw_calloc(n, sizeof *half->e_rad)) &&
                       (half->x = nw_calloc(n, sizeof *half->x)) &&
                       (half->known = nw_calloc(n, sizeof *half->known)) &&
                       (half->starts = nw_calloc(n, sizeof *half->starts));
    return is_ok ? NW_OK : nw_err_set(err, NW_NOMEM, "self-check of %zu guide samples", n);
}

static void bench_done(struct bench *b) {
    nw_guide_half_done(&b->half);
    free(b->rest);
    for (int i = 0; i < TESTS; i++) {
        free(b->column[i]);
    }
}

static enum nw_status bench_init(size_t n, struct bench *b, struct nw_err *err) {
    enum nw_status status = nw_guide_half_init(n, &b->half, err);
    bool is_ok = status == NW_OK && (b->rest = nw_calloc(n, sizeof *b->rest));
    for (int i = 0; i < TESTS && is_ok; i++) {
        is_ok = (b->column[i] = nw_calloc(n, sizeof *b->column[i])) != NULL;
    }
    return is_ok ? NW_OK : nw_err_set(err, NW_NOMEM, "self-check of %zu guide samples", n);
}

size_t nw_guide_half_of(const struct guide_series *s, size_t k) {
    return k * BLOCKS / s->n % 2;
}

/* The first sample of each block starts anew. */
void nw_guide_take_half(const struct guide_series *s, size_t which, struct guide_series *half) {
    half->n = 0;
    half->dt0_s = s->dt0_s;
    for (size_t k = 0; k < s->n; k++) {
        if (nw_guide_half_of(s, k) != which) {
            continue;
        }
        half->t_s[half->n] = s->t_s[k];
        half->e_rad[half->n] = s->e_rad[k];
        half->x[half->n] = s->x[k];
        half->known[half->n] = s->known[k];
        half->starts[half->n++] = s->starts[k] || (k > 0 && nw_guide_half_of(s, k - 1) != which);
    }
}

/* One pass: every sample from all before it. rests over their foretold sigma go to rest, NaN in the
 * blocks that taught and after a start while the variance is over most_var: there the filter takes
 * the level of the first sample as all it knows, while the loop holds it near 0, and rests would
 * know of pulses. */
static double pass(const struct guide_series *s, const struct guide_fit *fit, double most_var,
                   double *rest, double *ret_rms_rad) {
    const double q = exp(fit->ln_q);
    const double qv = kalman_wander_of(fit->ln_qv);
    struct kalman f = {.p11 = KALMAN_V_UNKNOWN};
    double least = INFINITY;
    double sum = 0.0;
    double n = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        const double dt = kalman_step_of(s, k);
        const double e = nw_guide_error(s, k) - fit->b * s->x[k];
        rest[k] = NAN;
        if (s->starts[k] || k == 0) {
            kalman_restart(&f, e, 0.0, dt, qv);
            continue;
        }
        double nu[2];
        kalman_predict(&f, dt, q, qv);
        const double var = kalman_update(&f, e, 0.0, nu);
        least = fmin(least, var);
        if (var < most_var && nw_guide_half_of(s, k) == 1) {
            rest[k] = nu[0] / sqrt(var * fit->r_rad2);
            sum += nu[0] * nu[0];
            n += 1.0;
        }
    }
    *ret_rms_rad = sqrt(sum / n);
    return least;
}

static void find_scatter(const double *rest, size_t n, struct nw_guide_check *ret) {
    double sum2 = 0.0;
    double sum4 = 0.0;
    double count = 0.0;
    for (size_t k = 0; k < n; k++) {
        if (isfinite(rest[k])) {
            const double z2 = rest[k] * rest[k];
            sum2 += z2;
            sum4 += z2 * z2;
            count += 1.0;
        }
    }
    const double mean = sum2 / count;
    ret->n = (size_t)count;
    ret->scatter = sqrt(mean);
    /* that of the half the spectra come from is as large again */
    ret->scatter_sigma =
        sqrt(2.0 * fmax(0.0, sum4 / count - mean * mean) / count) / (2.0 * ret->scatter);
    ret->is_scatter_off =
        fabs(ret->scatter - 1.0) > fmax(SCATTER_MATTERS, SIGMAS * ret->scatter_sigma);
}

static void find_memory(const double *rest, size_t n, struct nw_guide_check *ret) {
    double here = 0.0;
    double both = 0.0;
    double count = 0.0;
    for (size_t k = 1; k < n; k++) {
        if (isfinite(rest[k]) && isfinite(rest[k - 1])) {
            here += rest[k] * rest[k];
            both += rest[k] * rest[k - 1];
            count += 1.0;
        }
    }
    ret->memory = both / here;
    ret->memory_sigma = 1.0 / sqrt(count);
    ret->is_memory_off = fabs(ret->memory) > fmax(MEMORY_MATTERS, SIGMAS * ret->memory_sigma);
}

/* The pulse between two neighbours of the log, `back` steps before sample k; 0 before the first. */
static double pulse_back(const struct guide_checked *in, size_t k, size_t back) {
    return k >= back ? in->sent_s[k - back + 1] - in->sent_s[k - back] : 0.0;
}

/* Compacts rests and columns to the samples where all are told; returns their number. Into base go
 * the rests one and two steps ago, and a slow mean of all before: what a walk that was fitted a
 * little wrong leaves over is of that kind. */
static size_t fill_columns(const struct guide_checked *in, struct bench *b, double *const *base) {
    size_t n = 0;
    double slow = 0.0;
    double way = 0.0; /* of the last pulse before the one in question */
    size_t at = 1;
    for (size_t k = 0; k < in->s->n; k++) {
        slow += (k > 0 && isfinite(b->rest[k - 1]) ? b->rest[k - 1] : 0.0) - FADE * slow;
        double turned = 0.0;
        for (; at <= k; at++) {
            const double p = pulse_back(in, at, 1);
            turned = p * way < 0.0 && at == k ? p : 0.0;
            way = fabs(p) > 0.0 ? p : way;
        }
        if (k < LAGS || !isfinite(b->rest[k]) || !isfinite(b->rest[k - 1]) ||
            !isfinite(b->rest[k - 2])) {
            continue;
        }
        base[0][n] = b->rest[k - 1];
        base[1][n] = b->rest[k - 2];
        base[2][n] = slow;
        for (size_t lag = 1; lag <= LAGS; lag++) {
            b->column[lag - 1][n] = pulse_back(in, k, lag);
        }
        b->column[TURN][n] = turned;
        b->half.e_rad[n++] = b->rest[k]; /* the errors are not needed any more */
    }
    return n;
}

static double dot(const double *a, const double *b, size_t n) {
    double sum = 0.0;
    for (size_t k = 0; k < n; k++) {
        sum += a[k] * b[k];
    }
    return sum;
}

static void take_out(const double *base, double *column, size_t n) {
    const double part = dot(base, column, n) / fmax(dot(base, base, n), 1e-300);
    for (size_t k = 0; k < n; k++) {
        column[k] -= part * base[k];
    }
}

/* Partial correlations with earlier pulses; the most telling one, and the chance of so much. */
static void find_pulses(const struct guide_checked *in, struct bench *b,
                        struct nw_guide_check *ret) {
    double *const base[BASE] = {b->half.x, b->half.known, b->half.t_s}; /* likewise not needed */
    const size_t n = fill_columns(in, b, base);
    if (n < BLOCK_LEAST) {
        return;
    }
    double *rest = b->half.e_rad;
    for (int i = 0; i < BASE; i++) {
        for (int j = i + 1; j < BASE; j++) {
            take_out(base[i], base[j], n);
        }
    }
    double most = -1.0;
    for (int back = 0; back < TESTS; back++) { /* the turn first, without the slow mean */
        const int j = TESTS - 1 - back;
        const int n_base = j == TURN ? BASE - 1 : BASE;
        double *const column = b->column[j];
        const double whole = dot(column, column, n);
        for (int i = 0; i < n_base; i++) {
            take_out(base[i], column, n);
            take_out(base[i], rest, n);
        }
        const double size = dot(column, column, n);
        if (!(size > 1e-6 * whole)) {
            continue; /* no such pulse, or it is all in the rests before */
        }
        const double r = dot(rest, column, n) / sqrt(dot(rest, rest, n) * size);
        if (fabs(r) > most) {
            most = fabs(r);
            ret->pulses = r;
            ret->pulse_steps = j < LAGS ? j + 1 : 0;
        }
    }
    if (most >= 0.0) {
        ret->pulses_sigma = 1.0 / sqrt((double)n);
        const double one = erfc(most / ret->pulses_sigma / sqrt(2.0)); /* two-sided, normal */
        ret->pulses_chance = 1.0 - pow(1.0 - one, TESTS);              /* of several tests */
        ret->are_pulses_off = ret->pulses_chance < CHANCE_LEAST;
    }
}

enum nw_status nw_guide_check_model(const struct guide_checked *in, struct nw_guide_check *ret,
                                    struct nw_err *err) {
    if (in->s->n < (size_t)BLOCKS * BLOCK_LEAST) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu undisturbed samples; two halves of six blocks need %d", in->s->n,
                       BLOCKS * BLOCK_LEAST);
        return NW_OK;
    }
    struct bench b = {0};
    enum nw_status status = bench_init(in->s->n, &b, err);
    if (status == NW_OK) {
        nw_guide_take_half(in->s, 0, &b.half);
        const struct guide_fit_opts opts = {.b_fixed = in->b};
        const struct guide_fit fit = nw_guide_fit_loop(&b.half, &opts);
        const double least = pass(in->s, &fit, 0.0, b.rest, &ret->foretold_rms_rad);
        (void)pass(in->s, &fit, SETTLED * least, b.rest, &ret->foretold_rms_rad);
        find_scatter(b.rest, in->s->n, ret);
        find_memory(b.rest, in->s->n, ret);
        if (in->sent_s) {
            find_pulses(in, &b, ret);
        }
    }
    bench_done(&b);
    return status;
}
