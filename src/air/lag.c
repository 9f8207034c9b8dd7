/* lag.c - a first-order lag fitted by variable projection; see fit.h.
 * Idea: for one k every column (response to x, to each input) is run through the exact recursion
 * with a state of 0 at the beginning of each stretch; the free beginning of a stretch is the decay
 * e^(-k t), taken out of all columns stretch by stretch. What is left are at most three gains:
 * normal equations. k by a scan over its logarithm and a golden section. */
#include <math.h>

#include "air/fit.h"

enum {
    COLUMNS = 1 + NW_AIR_LAG_INPUTS, /* also: unknowns */
    SCAN = 90,
    SECTIONS = 60
};
#define SHORTEST_s 120.0
#define LONGEST_s 720000.0
#define GAP_s 3601.0
#define NEAR 1.4 /* of ln k */
enum { LEAST_IN_STRETCH = 4, LEAST_ROWS = 8, MOST_NEIGHBOURS = 200 };

struct stretch {
    size_t from, n; /* in the packed arrays */
};
struct bench {
    double *t_s, *y, *x, *store, *u[NW_AIR_LAG_INPUTS];
    double *column[COLUMNS], *decay, *derivative; /* work */
    struct stretch *stretches;
    size_t n, n_stretches, n_inputs;
};
struct solution {
    double rss, gain[NW_AIR_LAG_INPUTS];
};

/* ---- Rows that are used --------------------------------------------------------------------- */

static bool is_usable(const struct nw_air_lag_data *d, size_t i) {
    bool ok = (!d->use || d->use[i]) && isfinite(d->y[i]) && isfinite(d->x[i]);
    for (int k = 0; k < NW_AIR_LAG_INPUTS; k++) {
        ok = ok && (!d->inputs[k] || isfinite(d->inputs[k][i]));
    }
    return ok;
}

/* A heater that was switched between two rows: nobody knows when. */
static bool is_switched(const struct nw_air_lag_data *d, size_t i) {
    bool is = false;
    for (int k = 0; k < NW_AIR_LAG_INPUTS; k++) {
        is = is ||
             (d->inputs[k] && d->is_switch[k] && fabs(d->inputs[k][i] - d->inputs[k][i - 1]) > 0.0);
    }
    return is;
}

static void pack(const struct nw_air_lag_data *d, struct bench *b) {
    size_t i = 0;
    while (i < d->n) {
        const size_t begin = b->n;
        double last_s = NAN;
        for (; i < d->n && is_usable(d, i) && !(d->t_s[i] - last_s > GAP_s); i++) {
            if (b->n > begin && is_switched(d, i)) {
                break;
            }
            last_s = b->t_s[b->n] = d->t_s[i];
            b->y[b->n] = d->y[i];
            b->x[b->n] = d->x[i];
            b->store[b->n] = d->store ? d->store[i] : 1.0;
            for (size_t k = 0; k < b->n_inputs; k++) {
                b->u[k][b->n] = d->inputs[k][i];
            }
            b->n++;
        }
        if (b->n - begin >= LEAST_IN_STRETCH) {
            b->stretches[b->n_stretches++] = (struct stretch){begin, b->n - begin};
        } else {
            b->n = begin;
        }
        i += i < d->n && !is_usable(d, i);
    }
}

/* ---- One k ---------------------------------------------------------------------------------- */

/* Takes the share of `decay` out of a column of a stretch. */
static void project(double *column, const double *decay, size_t n) {
    double cd = 0.0;
    double dd = 0.0;
    for (size_t i = 0; i < n; i++) {
        cd += column[i] * decay[i];
        dd += decay[i] * decay[i];
    }
    for (size_t i = 0; i < n; i++) {
        column[i] -= cd / dd * decay[i];
    }
}

/* Column 0: what x leaves of y; columns 1 on: responses to the inputs. x is linear between rows,
 * inputs are held; the recursions are exact. */
static void respond(struct bench *b, double k_per_s) {
    for (size_t s = 0; s < b->n_stretches; s++) {
        const size_t from = b->stretches[s].from;
        const size_t n = b->stretches[s].n;
        double w = b->store[from] * b->x[from];
        double r[NW_AIR_LAG_INPUTS] = {0.0};
        double decay = 1.0;
        for (size_t i = from; i < from + n; i++) {
            if (i > from) {
                const double store = 0.5 * (b->store[i] + b->store[i - 1]);
                const double dt_s = b->t_s[i] - b->t_s[i - 1];
                const double k = k_per_s / store;
                const double e = exp(-k * dt_s);
                const double slope = (b->x[i] - b->x[i - 1]) / dt_s;
                w = e * w + store * (b->x[i] - e * b->x[i - 1] - slope / k * (1.0 - e));
                for (size_t c = 0; c < b->n_inputs; c++) {
                    r[c] = e * r[c] + (1.0 - e) * store * b->u[c][i - 1];
                }
                decay *= e;
            }
            b->decay[i] = decay / b->store[i];
            b->column[0][i] = b->y[i] - w / b->store[i];
            for (size_t c = 0; c < b->n_inputs; c++) {
                b->column[1 + c][i] = r[c] / b->store[i];
            }
        }
        for (size_t c = 0; c < 1 + b->n_inputs; c++) {
            project(b->column[c] + from, b->decay + from, n);
        }
    }
}

static double dot(const double *a, const double *b, size_t n) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += a[i] * b[i];
    }
    return sum;
}

/* Inverse of a symmetric positive matrix of order n <= COLUMNS by Gauss and Jordan; false:
 * singular.
 */
static bool invert(double m[COLUMNS][COLUMNS], size_t n, double ret[COLUMNS][COLUMNS]) {
    double whole[COLUMNS] = {0.0};
    for (size_t i = 0; i < n; i++) {
        whole[i] = m[i][i];
        for (size_t k = 0; k < n; k++) {
            ret[i][k] = i == k ? 1.0 : 0.0;
        }
    }
    for (size_t c = 0; c < n; c++) {
        if (!(m[c][c] > 1e-11 * whole[c])) { /* nothing of its own beside the columns before */
            return false;
        }
        const double pivot = m[c][c];
        for (size_t k = 0; k < n; k++) {
            m[c][k] /= pivot;
            ret[c][k] /= pivot;
        }
        for (size_t i = 0; i < n; i++) {
            const double f = m[i][c];
            for (size_t k = 0; k < n && i != c; k++) {
                m[i][k] -= f * m[c][k];
                ret[i][k] -= f * ret[c][k];
            }
        }
    }
    return true;
}

static struct solution solve(struct bench *b, double ln_k) {
    struct solution s = {0};
    respond(b, exp(ln_k));
    double a[COLUMNS] = {0.0};
    double m[COLUMNS][COLUMNS] = {{0.0}};
    double inverse[COLUMNS][COLUMNS] = {{0.0}};
    s.rss = dot(b->column[0], b->column[0], b->n);
    for (size_t i = 0; i < b->n_inputs; i++) {
        a[i] = dot(b->column[1 + i], b->column[0], b->n);
        for (size_t k = 0; k < b->n_inputs; k++) {
            m[i][k] = dot(b->column[1 + i], b->column[1 + k], b->n);
        }
    }
    if (b->n_inputs > 0 && invert(m, b->n_inputs, inverse)) {
        for (size_t i = 0; i < b->n_inputs; i++) {
            for (size_t k = 0; k < b->n_inputs; k++) {
                s.gain[i] += inverse[i][k] * a[k];
            }
            s.rss -= s.gain[i] * a[i];
        }
    }
    return s;
}

/* ---- Errors --------------------------------------------------------------------------------- */

/* Residuals at a solution, into `ret`. */
static void residuals(struct bench *b, double ln_k, const double gain[], double *ret) {
    respond(b, exp(ln_k));
    for (size_t i = 0; i < b->n; i++) {
        ret[i] = b->column[0][i];
        for (size_t k = 0; k < b->n_inputs; k++) {
            ret[i] -= gain[k] * b->column[1 + k][i];
        }
    }
}

static double row_correlation(const struct bench *b, const double *r, double rss) {
    double sum = 0.0;
    for (size_t s = 0; s < b->n_stretches; s++) {
        const size_t from = b->stretches[s].from;
        for (size_t i = from + 1; i < from + b->stretches[s].n; i++) {
            sum += r[i] * r[i - 1];
        }
    }
    return rss > 0.0 ? fmin(0.95, fmax(0.0, sum / rss)) : 0.0;
}

/* Variance of parameter p from its influence on each row, sums over neighbours tapered (Bartlett).
 */
static double neighbour_variance(const struct bench *b, const double *influence) {
    double sum = 0.0;
    double reached = 0.0;
    for (size_t s = 0; s < b->n_stretches; s++) {
        const size_t from = b->stretches[s].from;
        const size_t n = b->stretches[s].n;
        const size_t reach = n / 4 < MOST_NEIGHBOURS ? n / 4 : MOST_NEIGHBOURS;
        reached += (double)reach;
        for (size_t i = from; i < from + n; i++) {
            sum += influence[i] * influence[i];
            for (size_t l = 1; l <= reach && i + l < from + n; l++) {
                const double taper = 1.0 - (double)l / (double)(reach + 1);
                sum += 2.0 * taper * influence[i] * influence[i + l];
            }
        }
    }
    /* what tapered sums fall short of with a finite reach: critical values at 90 % against 1.645
     * (Kiefer & Vogelsang 2005, Econometric Theory 21, 1130, table 1, Bartlett; from memory) */
    const double b_share = reached / ((double)b->n_stretches * (double)b->n);
    const double factor = 1.0 + b_share * (1.329 + b_share * (0.191 - 0.208 * b_share));
    return sum * factor * factor;
}

/* variance[p]: the larger of `widened` and what neighbours say. */
static void widen(struct bench *b, const double *const columns[COLUMNS],
                  double inverse[COLUMNS][COLUMNS], const double *residual, double widened,
                  double variance[COLUMNS]) {
    for (size_t p = 0; p < 1 + b->n_inputs; p++) {
        for (size_t i = 0; i < b->n; i++) {
            double influence = 0.0;
            for (size_t q = 0; q < 1 + b->n_inputs; q++) {
                influence += inverse[p][q] * columns[q][i];
            }
            b->t_s[i] = influence * residual[i]; /* times are not needed any more */
        }
        variance[p] = fmax(widened, neighbour_variance(b, b->t_s) / inverse[p][p]);
    }
}

static bool find_errors(struct bench *b, double ln_k, const struct solution *best,
                        struct nw_air_lag *ret) {
    const double step = 1e-4;
    double m[COLUMNS][COLUMNS] = {{0.0}};
    double inverse[COLUMNS][COLUMNS] = {{0.0}};
    const double *columns[COLUMNS] = {NULL};
    const size_t order = 1 + b->n_inputs;
    /* derivative of the residuals by ln k at fixed gains; the decay is projected out of both */
    residuals(b, ln_k + step, best->gain, b->derivative);
    double *const lower = b->decay; /* free once respond() has run for the last time below */
    double *const keep = b->x;      /* x is not needed after the three runs */
    residuals(b, ln_k - step, best->gain, lower);
    for (size_t i = 0; i < b->n; i++) {
        b->derivative[i] = (b->derivative[i] - lower[i]) / (2.0 * step);
    }
    respond(b, exp(ln_k));
    for (size_t s = 0; s < b->n_stretches; s++) {
        project(b->derivative + b->stretches[s].from, b->decay + b->stretches[s].from,
                b->stretches[s].n);
    }
    for (size_t i = 0; i < b->n; i++) {
        keep[i] = b->column[0][i];
        for (size_t k = 0; k < b->n_inputs; k++) {
            keep[i] -= best->gain[k] * b->column[1 + k][i];
        }
    }
    columns[0] = b->derivative;
    for (size_t k = 0; k < b->n_inputs; k++) {
        columns[1 + k] = b->column[1 + k];
    }
    for (size_t i = 0; i < order; i++) {
        for (size_t k = 0; k < order; k++) {
            m[i][k] = dot(columns[i], columns[k], b->n);
        }
    }
    const double free_rows = fmax(1.0, (double)b->n - (double)b->n_stretches - (double)order);
    const double rss = dot(keep, keep, b->n);
    ret->correlation = row_correlation(b, keep, rss);
    ret->rms = sqrt(rss / free_rows);
    const double white = rss / free_rows;
    const double widened = white * (1.0 + ret->correlation) / (1.0 - ret->correlation);
    /* rounding of the numerical derivative alone: nothing that k acts upon */
    if (m[0][0] <= 1e-20 * dot(b->y, b->y, b->n) || !invert(m, order, inverse)) {
        return false;
    }
    double variance[COLUMNS] = {0.0}; /* of every parameter, over its element of the inverse */
    widen(b, columns, inverse, keep, widened, variance);
    ret->rss = rss;
    ret->inflation = variance[0] / fmax(white, 1e-300);
    ret->ln_rate_sigma = sqrt(variance[0] * inverse[0][0]);
    for (size_t k = 0; k < b->n_inputs; k++) {
        ret->gain[k] = best->gain[k];
        ret->gain_sigma[k] = sqrt(variance[1 + k] * inverse[1 + k][1 + k]);
        /* the inputs' columns enter the residuals with minus */
        ret->gain_ln_rate_cov[k] = -sqrt(variance[0] * variance[1 + k]) * inverse[0][1 + k];
    }
    return true;
}

/* ---- All of it ------------------------------------------------------------------------------ */

static double search(struct bench *b, double near, bool *ret_is_at_end) {
    const bool is_near = isfinite(near);
    const double low = is_near ? near - NEAR : log(1.0 / LONGEST_s);
    const double high = is_near ? near + NEAR : log(1.0 / SHORTEST_s);
    const size_t n_scan = is_near ? 8 : SCAN;
    const double step = (high - low) / (double)(n_scan - 1);
    const double golden = 0.6180339887498949;
    size_t at = 0;
    double least = INFINITY;
    for (size_t i = 0; i < n_scan; i++) {
        const double rss = solve(b, low + step * (double)i).rss;
        if (rss < least) {
            least = rss;
            at = i;
        }
    }
    *ret_is_at_end = at == 0 || at == n_scan - 1;
    double a = low + step * ((double)at - 1.0);
    double d = low + step * ((double)at + 1.0);
    double p = d - golden * (d - a);
    double q = a + golden * (d - a);
    double at_p = solve(b, p).rss;
    double at_q = solve(b, q).rss;
    for (int i = 0; i < SECTIONS; i++) {
        if (at_p < at_q) {
            d = q;
            q = p;
            at_q = at_p;
            p = d - golden * (d - a);
            at_p = solve(b, p).rss;
        } else {
            a = p;
            p = q;
            at_p = at_q;
            q = a + golden * (d - a);
            at_q = solve(b, q).rss;
        }
    }
    return 0.5 * (a + d);
}

static void bench_done(struct bench *b, double *store) {
    free(store);
    free(b->stretches);
}

enum nw_status nw_air_lag_fit(const struct nw_air_lag_data *data, struct nw_air_lag *ret,
                              struct nw_err *err) {
    enum { ARRAYS = 4 + NW_AIR_LAG_INPUTS + COLUMNS + 2 };
    struct bench b = {0};
    double *const store = nw_calloc(data->n * ARRAYS, sizeof *store);
    b.stretches = nw_calloc(data->n / LEAST_IN_STRETCH + 1, sizeof *b.stretches);
    if (!store || !b.stretches) {
        bench_done(&b, store);
        return nw_err_set(err, NW_NOMEM, "fit of %zu rows", data->n);
    }
    double **const arrays[ARRAYS] = {
        &b.store, &b.u[2],      &b.column[3], &b.t_s,       &b.y,     &b.x,         &b.u[0],
        &b.u[1],  &b.column[0], &b.column[1], &b.column[2], &b.decay, &b.derivative};
    for (size_t k = 0; k < ARRAYS; k++) {
        *arrays[k] = store + k * data->n;
    }
    while (b.n_inputs < NW_AIR_LAG_INPUTS && data->inputs[b.n_inputs]) {
        b.n_inputs++;
    }
    pack(data, &b);
    enum nw_status status = NW_OK;
    struct nw_air_lag lag = {.n_used = b.n, .n_stretches = b.n_stretches};
    if (b.n < LEAST_ROWS + b.n_stretches) {
        status = nw_err_set(err, NW_DATA, "%zu rows in stretches of at least %d, %d are needed",
                            b.n, LEAST_IN_STRETCH, LEAST_ROWS);
    }
    if (status == NW_OK) {
        const double ln_k = search(&b, data->ln_rate_near, &lag.is_at_end);
        const struct solution best = solve(&b, ln_k);
        lag.rate_per_s = exp(ln_k);
        if (!find_errors(&b, ln_k, &best, &lag)) {
            status = nw_err_set(err, NW_DATA, "nothing changes in these rows");
        }
    }
    if (status == NW_OK) {
        *ret = lag;
    }
    bench_done(&b, store);
    return status;
}
