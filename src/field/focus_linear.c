/* focus_linear.c - the columns of the model of focus runs, factored and solved.
 * Idea: modified Gram-Schmidt (Bjorck 1967, BIT 7, 1); a column that those before it nearly make up
 * is left out, and its term is null: that is how "not separable" is found. */
#include <math.h>

#include "field/focus_internal.h"

void nw_focus_lagged(const double *t_s, const double *temperature_K, size_t n, double lag_s,
                     double *ret_K) {
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || !(lag_s > 0.0)) {
            ret_K[i] = temperature_K[i];
            continue;
        }
        const double dt = t_s[i] - t_s[i - 1];
        const double a = dt > 0.0 ? (temperature_K[i] - temperature_K[i - 1]) / dt : 0.0;
        /* T' = T - a lag + (T'_0 - T_0 + a lag) exp(-t/lag) on a straight stretch */
        ret_K[i] = temperature_K[i] - a * lag_s +
                   (ret_K[i - 1] - temperature_K[i - 1] + a * lag_s) * exp(-dt / lag_s);
    }
}

/* Each night by itself: a tube that stood in the shed all day begins anew. */
void focus_lag_nights(struct focus_work *w, double lag_s, double *ret) {
    size_t from = 0;
    w->lag_s = lag_s;
    for (size_t i = 1; i <= w->n_t; i++) {
        if (i == w->n_t || w->t[i] - w->t[i - 1] > FOCUS_NIGHT_GAP_S) {
            nw_focus_lagged(w->t + from, w->temperature + from, i - from, lag_s, w->smooth + from);
            from = i;
        }
    }
    for (size_t i = 0; i < w->n; i++) {
        ret[i] = w->smooth[w->reading[i]];
    }
}

double focus_age_lags(const struct focus_work *w, size_t i) {
    const double age_s = w->runs->items[w->run[i]].t_s - w->night_start_s[w->night[i]];
    return w->lag_s > 0.0 ? age_s / w->lag_s : INFINITY;
}

static double entry(const struct focus_work *w, const struct focus_column *c, size_t i) {
    const struct nw_focus_run *const run = &w->runs->items[w->run[i]];
    switch (c->kind) {
    case FOCUS_NIGHT:
        return w->night[i] == c->which ? 1.0 : 0.0;
    case FOCUS_TEMPERATURE:
        return w->lagged[i];
    case FOCUS_WARM:
        return w->night[i] == c->which ? exp(-focus_age_lags(w, i)) : 0.0;
    case FOCUS_LAG:
        return w->slope[i];
    case FOCUS_FILTER:
        return strcmp(run->filter, w->filters[c->which]) == 0 ? 1.0 : 0.0;
    case FOCUS_WAY:
        return run->way == NW_FOCUS_WAY_IN ? 0.5 : -0.5;
    case FOCUS_SIDE:
        return run->side == NW_FOCUS_WEST ? 0.5 : -0.5;
    case FOCUS_HOURS:
        return (run->t_s - w->night_start_s[w->night[i]]) / 3600.0;
    case FOCUS_ALTITUDE:
        return sin(run->altitude_rad);
    }
    return 0.0;
}

/* A column counts when what the others leave of it is more than this, rms; in its own unit. */
static double least_of(enum focus_kind kind) {
    return kind == FOCUS_TEMPERATURE ? 0.05
           : kind == FOCUS_LAG       ? 1e-9
           : kind == FOCUS_HOURS     ? 0.02
                                     : 0.01;
}

/* Takes one column, orthogonal to those before it; false: it is made up of them. */
static bool take(struct focus_work *w, struct focus_column *c) {
    double *const q = w->q + w->n_taken * w->n;
    double sum = 0.0;
    double before = 0.0;
    c->is_taken = false;
    for (size_t i = 0; i < w->n; i++) {
        q[i] = sqrt(w->weight[i]) * entry(w, c, i);
        before += q[i] * q[i];
    }
    for (size_t k = 0; k < w->n_taken; k++) {
        const double *const p = w->q + k * w->n;
        double dot = 0.0;
        for (size_t i = 0; i < w->n; i++) {
            dot += p[i] * q[i];
        }
        for (size_t i = 0; i < w->n; i++) {
            q[i] -= dot * p[i];
        }
        w->r[k][w->n_taken] = dot;
    }
    for (size_t i = 0; i < w->n; i++) {
        sum += q[i] * q[i];
    }
    const bool is_new = sum > 1e-10 * before && c->kind == FOCUS_NIGHT;
    if (!is_new && !(sqrt(sum / (double)w->n) > least_of(c->kind) && sum > 1e-8 * before)) {
        return false;
    }
    for (size_t i = 0; i < w->n; i++) {
        q[i] /= sqrt(sum);
    }
    w->r[w->n_taken][w->n_taken] = sqrt(sum);
    c->at = w->n_taken++;
    c->is_taken = true;
    return true;
}

/* Solves R beta = Q'y; residuals, their sum of squares. */
static void solve(struct focus_work *w) {
    const size_t p = w->n_taken;
    double rest[FOCUS_COLUMNS];
    for (size_t i = 0; i < w->n; i++) {
        w->residual[i] = sqrt(w->weight[i]) * w->y[i];
    }
    for (size_t k = 0; k < p; k++) {
        const double *const q = w->q + k * w->n;
        rest[k] = 0.0;
        for (size_t i = 0; i < w->n; i++) {
            rest[k] += q[i] * w->residual[i];
        }
        for (size_t i = 0; i < w->n; i++) {
            w->residual[i] -= rest[k] * q[i];
        }
    }
    for (size_t k = p; k-- > 0;) {
        double v = rest[k];
        for (size_t j = k + 1; j < p; j++) {
            v -= w->r[k][j] * w->beta[j];
        }
        w->beta[k] = v / w->r[k][k];
    }
    w->rss = 0.0;
    for (size_t i = 0; i < w->n; i++) {
        w->rss += w->residual[i] * w->residual[i];
        w->residual[i] /= sqrt(w->weight[i]);
    }
}

/* (X'WX)^-1 = R^-1 R^-T, times sigma^2. */
void focus_covariance(struct focus_work *w) {
    const size_t p = w->n_taken;
    double inverse[FOCUS_COLUMNS][FOCUS_COLUMNS] = {{0.0}};
    for (size_t j = 0; j < p; j++) {
        for (size_t k = j + 1; k-- > 0;) {
            double v = k == j ? 1.0 : 0.0;
            for (size_t m = k + 1; m <= j; m++) {
                v -= w->r[k][m] * inverse[m][j];
            }
            inverse[k][j] = v / w->r[k][k];
        }
    }
    w->sigma = w->n > p ? sqrt(w->rss / (double)(w->n - p)) : NAN;
    for (size_t i = 0; i < p; i++) {
        for (size_t j = 0; j < p; j++) {
            double v = 0.0;
            for (size_t m = i > j ? i : j; m < p; m++) {
                v += inverse[i][m] * inverse[j][m];
            }
            w->covariance[i][j] = v * w->sigma * w->sigma;
        }
    }
}

void focus_solve(struct focus_work *w) {
    w->n_taken = 0;
    for (size_t k = 0; k < w->n_columns; k++) {
        (void)take(w, &w->columns[k]);
    }
    solve(w);
}

struct focus_column *focus_add_column(struct focus_work *w, enum focus_kind kind, size_t which) {
    struct focus_column *const c = &w->columns[w->n_columns++];
    *c = (struct focus_column){.kind = kind, .which = which};
    return c;
}

const struct focus_column *focus_find(const struct focus_work *w, enum focus_kind kind,
                                      size_t which) {
    for (size_t k = 0; k < w->n_columns; k++) {
        if (w->columns[k].kind == kind && w->columns[k].which == which) {
            return &w->columns[k];
        }
    }
    return NULL;
}

/* Direction and side as columns need it of every run; of those without, nothing is known. */
bool focus_all_have(const struct focus_work *w, bool is_way) {
    for (size_t i = 0; i < w->n; i++) {
        const struct nw_focus_run *const run = &w->runs->items[w->run[i]];
        if (is_way ? run->way == NW_FOCUS_WAY_UNKNOWN : run->side == NW_FOCUS_SIDE_UNKNOWN) {
            return false;
        }
    }
    return true;
}
