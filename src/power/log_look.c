/* log_look.c - what the columns of a power log say of loads, wires and the source; see power_log.h.
 * Idea: the drop between two voltmeters is a sum of currents times resistances plus what the meters
 * differ by; where the currents move and do not go together, least squares tells each wire. */
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <math.h>

#include "power/log_internal.h"

#define LEAST_SD_A 0.15 /* a current that moves less says nothing against meters of 0.05 V */

/* ---- Least squares ---- */

/* Correlation of neighbouring residuals. */
static double neighbours(const gsl_vector *residuals) {
    double top = 0.0;
    double bottom = 0.0;
    for (size_t i = 0; i < residuals->size; i++) {
        const double r = gsl_vector_get(residuals, i);
        bottom += r * r;
        top += i > 0 ? r * gsl_vector_get(residuals, i - 1) : 0.0;
    }
    return bottom > 0.0 ? fmin(0.98, fmax(0.0, top / bottom)) : 0.0;
}

struct desk {
    gsl_matrix *x, *cov;
    gsl_vector *y, *b, *r;
    gsl_multifit_linear_workspace *work;
};

static void desk_done(struct desk *d) {
    gsl_matrix_free(d->x);
    gsl_matrix_free(d->cov);
    gsl_vector_free(d->y);
    gsl_vector_free(d->b);
    gsl_vector_free(d->r);
    if (d->work) {
        gsl_multifit_linear_free(d->work);
    }
}

static bool desk_new(size_t n, size_t p, struct desk *d) {
    *d = (struct desk){gsl_matrix_alloc(n, p), gsl_matrix_alloc(p, p),
                       gsl_vector_alloc(n),    gsl_vector_alloc(p),
                       gsl_vector_alloc(n),    gsl_multifit_linear_alloc(n, p)};
    return d->x && d->cov && d->y && d->b && d->r && d->work;
}

static bool is_whole(const double *y, const double *x, size_t n_x) {
    bool ok = isfinite(*y);
    for (size_t k = 0; k < n_x; k++) {
        ok = ok && isfinite(x[k]);
    }
    return ok;
}

static size_t fill(struct desk *d, const double *y, const double *x, size_t n, size_t n_x) {
    size_t row = 0;
    for (size_t i = 0; i < n; i++) {
        if (is_whole(&y[i], &x[i * n_x], n_x)) {
            gsl_vector_set(d->y, row, y[i]);
            gsl_matrix_set(d->x, row, 0, 1.0);
            for (size_t k = 0; k < n_x; k++) {
                gsl_matrix_set(d->x, row, k + 1, x[i * n_x + k]);
            }
            row++;
        }
    }
    return row;
}

bool nw_power_fit_line(const double *y, const double *x, size_t n, size_t n_x,
                       struct nw_power_fit *ret) {
    size_t n_whole = 0;
    for (size_t i = 0; i < n; i++) {
        n_whole += is_whole(&y[i], &x[i * n_x], n_x);
    }
    if (n_whole < n_x + 8 || n_x > NW_POWER_FIT_MAX) {
        return false;
    }
    struct desk d;
    bool is_ok = desk_new(n_whole, n_x + 1, &d);
    if (is_ok) {
        (void)fill(&d, y, x, n, n_x);
        double chi2 = 0.0;
        is_ok = gsl_multifit_linear(d.x, d.y, d.b, d.cov, &chi2, d.work) == GSL_SUCCESS;
    }
    if (is_ok) {
        (void)gsl_multifit_linear_residuals(d.x, d.y, d.b, d.r);
        const double r = neighbours(d.r);
        const double wider = sqrt((1.0 + r) / (1.0 - r));
        ret->n = n_whole;
        for (size_t k = 0; k <= n_x; k++) {
            ret->b[k] = gsl_vector_get(d.b, k);
            ret->sigma[k] = wider * sqrt(fmax(0.0, gsl_matrix_get(d.cov, k, k)));
        }
        is_ok = gsl_multifit_linear_rcond(d.work) > 0.0;
    }
    desk_done(&d);
    return is_ok;
}

/* ---- Currents ---- */

/* The column of the current in the wire that feeds a circuit: its own; of a battery that is all its
 * supply feeds, what the supply gives. */
static const double *current_of(const struct power_columns *c, size_t i) {
    const struct nw_power_node *const node = &c->power->nodes[i];
    if (c->amps[i]) {
        return c->amps[i];
    }
    if (node->feeder == SIZE_MAX) {
        return NULL;
    }
    const enum nw_circuit_kind above = c->power->nodes[node->feeder].circuit->kind;
    size_t n_beside = 0;
    for (size_t k = 0; k < c->power->n; k++) {
        n_beside += c->power->nodes[k].feeder == node->feeder;
    }
    return n_beside == 1 && above != NW_CIRCUIT_MAINS ? c->amps[node->feeder] : NULL;
}

static double sd_of(const double *values, size_t n) {
    double sum = 0.0;
    double squares = 0.0;
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(values[i])) {
            sum += values[i];
            squares += values[i] * values[i];
            m++;
        }
    }
    return m > 1 ? sqrt(fmax(0.0, squares / (double)m - (sum / (double)m) * (sum / (double)m)))
                 : 0.0;
}

static double correlation(const double *x, size_t n, size_t n_x, size_t a, size_t b) {
    double s[5] = {0.0, 0.0, 0.0, 0.0, 0.0};
    double m = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double u = x[i * n_x + a];
        const double v = x[i * n_x + b];
        if (isfinite(u) && isfinite(v)) {
            m += 1.0;
            s[0] += u;
            s[1] += v;
            s[2] += u * u;
            s[3] += v * v;
            s[4] += u * v;
        }
    }
    const double uu = s[2] / m - (s[0] / m) * (s[0] / m);
    const double vv = s[3] / m - (s[1] / m) * (s[1] / m);
    return uu > 0.0 && vv > 0.0 ? (s[4] / m - s[0] / m * s[1] / m) / sqrt(uu * vv) : 1.0;
}

/* ---- Wires ---- */

struct path {
    size_t at[NW_POWER_FIT_MAX]; /* circuits whose wires lie between the two voltmeters */
    size_t n;
    size_t top; /* the circuit whose voltage is logged above */
};

/* Up from a circuit to the next one whose voltage is logged. false, and why: none. */
static bool path_of(const struct power_columns *c, size_t i, struct path *ret, char *why,
                    size_t size) {
    *ret = (struct path){.n = 0};
    for (size_t k = i; k != SIZE_MAX; k = c->power->nodes[k].feeder) {
        if (k != i && c->volts[k]) {
            ret->top = k;
            return ret->n > 0;
        }
        if (k != i && c->power->nodes[k].circuit->kind == NW_CIRCUIT_SUPPLY) {
            break;
        }
        if (c->power->nodes[k].ohm > 0.0 && ret->n < NW_POWER_FIT_MAX) {
            if (!current_of(c, k)) {
                (void)snprintf(why, size, "the current to %.48s is not logged",
                               c->power->nodes[k].circuit->name);
                return false;
            }
            ret->at[ret->n++] = k;
        }
    }
    (void)snprintf(why, size, "no voltage is logged above it");
    return false;
}

/* Two currents that go together cannot be told apart; NULL when all can. */
static const char *why_not(const struct power_columns *c, const struct path *path, const double *x,
                           char *text, size_t size) {
    for (size_t a = 0; a < path->n; a++) {
        const char *const name = c->power->nodes[path->at[a]].circuit->name;
        if (sd_of(current_of(c, path->at[a]), c->n) < LEAST_SD_A) {
            (void)snprintf(text, size, "the current to %.48s hardly moves", name);
            return text;
        }
        for (size_t b = 0; b < a; b++) {
            if (fabs(correlation(x, c->n, path->n, a, b)) > 0.98) {
                (void)snprintf(text, size, "the currents to %.40s and %.40s go together", name,
                               c->power->nodes[path->at[b]].circuit->name);
                return text;
            }
        }
    }
    return NULL;
}

static void look_at_wire(const struct power_columns *c, size_t i, struct nw_power_log *ret) {
    struct nw_power_seen *const seen = &ret->seen[i];
    struct path path;
    struct nw_power_fit fit;
    if (!c->volts[i]) {
        nw_text_copy(seen->why_null, sizeof seen->why_null, "its voltage is not logged");
        return;
    }
    if (!path_of(c, i, &path, seen->why_null, sizeof seen->why_null)) {
        return;
    }
    double *const y = c->scratch;
    double *const x = c->scratch + c->n;
    for (size_t row = 0; row < c->n; row++) {
        y[row] = c->volts[path.top][row] - c->volts[i][row];
        for (size_t k = 0; k < path.n; k++) {
            x[row * path.n + k] = current_of(c, path.at[k])[row];
        }
    }
    if (why_not(c, &path, x, seen->why_null, sizeof seen->why_null)) {
        return;
    }
    if (!nw_power_fit_line(y, x, c->n, path.n, &fit)) {
        nw_text_copy(seen->why_null, sizeof seen->why_null, "too few rows with all its columns");
        return;
    }
    for (size_t k = 0; k < path.n; k++) { /* of wires in between, unless they have their own */
        struct nw_power_seen *const one = &ret->seen[path.at[k]];
        if (path.at[k] == i || !isfinite(one->loop_ohm)) {
            const struct nw_power_node *const node = &c->power->nodes[path.at[k]];
            one->loop_ohm = fit.b[k + 1];
            one->loop_sigma_ohm =
                hypot(fit.sigma[k + 1], NW_POWER_METER_SHARE * fabs(fit.b[k + 1]));
            one->loop_off =
                (one->loop_ohm - node->ohm) / hypot(one->loop_sigma_ohm, node->sigma.ohm);
            one->why_null[0] = '\0';
        }
    }
}

/* ---- Watts and the rest ---- */

enum pick { MEAN, MEDIAN, LOW, HIGH };
static double pick(double *scratch, const double *values, size_t n, enum pick which) {
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(values[i])) {
            scratch[m++] = values[i];
        }
    }
    if (m == 0) {
        return NAN;
    }
    if (which == MEAN || which == MEDIAN) {
        return which == MEAN ? nw_stat_mean(scratch, m) : nw_stat_median(scratch, m);
    }
    double most = -INFINITY;
    for (size_t i = 1; i + 1 < m; i++) {
        const double sign = which == LOW ? -1.0 : 1.0;
        const double a = sign * scratch[i - 1];
        const double b = sign * scratch[i];
        const double c = sign * scratch[i + 1];
        most = fmax(most, fmax(fmin(a, b), fmin(fmax(a, b), c))); /* median of three */
    }
    return m < 3 ? NAN : which == LOW ? -most : most;
}

/* Watts of every row: as logged, or volts times amps with its own voltage or the nearest one logged
 * above it on the same voltage. false: no current, or no voltage. */
static bool watts_of(const struct power_columns *c, size_t i, double *ret) {
    size_t v = i;
    while (v != SIZE_MAX && !c->volts[v]) {
        v = c->power->nodes[v].circuit->kind == NW_CIRCUIT_SUPPLY && v != i
                ? SIZE_MAX
                : c->power->nodes[v].feeder;
    }
    if (!c->watts[i] && (!c->amps[i] || v == SIZE_MAX)) {
        return false;
    }
    const double pf = c->power->nodes[i].is_on_mains ? c->power->nodes[i].power_factor : 1.0;
    for (size_t row = 0; row < c->n; row++) {
        ret[row] = c->watts[i] ? c->watts[i][row] : pf * c->volts[v][row] * c->amps[i][row];
    }
    return true;
}

static double off_by(double measured, double foretold, double sigma) {
    return (measured - foretold) / hypot(sigma, NW_POWER_METER_SHARE * measured);
}

static void look_at_watts(const struct power_columns *c, size_t i, struct nw_power_log *ret) {
    struct nw_power_seen *const seen = &ret->seen[i];
    const struct nw_power_node *const node = &c->power->nodes[i];
    double *const watts = c->scratch;
    double *const sorted = c->scratch + c->n;
    if (!watts_of(c, i, watts)) {
        return;
    }
    seen->mean_W = pick(sorted, watts, c->n, MEAN);
    seen->high_W = pick(sorted, watts, c->n, HIGH);
    seen->energy_J = power_energy_J(c, watts, ret->step_s);
    if (node->circuit->kind == NW_CIRCUIT_LOAD) {
        const enum nw_peaks peaks = node->circuit->peaks;
        const bool is_rare =
            peaks == NW_PEAKS_COOLING || peaks == NW_PEAKS_SLEWING || peaks == NW_PEAKS_ROOF;
        seen->usual_W = is_rare ? pick(sorted, watts, c->n, MEDIAN) : seen->mean_W;
        seen->foretold_W = node->running_W * (is_rare ? 1.0 : node->duty);
        const double sigma_W =
            is_rare ? node->sigma.running_W
                    : hypot(node->sigma.running_W * node->duty, node->sigma.duty * node->running_W);
        seen->usual_off = off_by(seen->usual_W, seen->foretold_W, sigma_W);
        seen->high_off = off_by(seen->high_W, node->peak_W, node->sigma.peak_W);
    }
}

static void look_at_source(const struct power_columns *c, const struct nw_power_result *r,
                           struct nw_power_log *ret) {
    const size_t s = r->main_source;
    struct nw_power_fit fit;
    ret->open_V = ret->open_sigma_V = ret->inner_ohm = ret->inner_sigma_ohm = NAN;
    if (c->volts[s] && c->amps[s] && sd_of(c->amps[s], c->n) > LEAST_SD_A &&
        nw_power_fit_line(c->volts[s], c->amps[s], c->n, 1, &fit)) {
        ret->open_V = fit.b[0];
        ret->open_sigma_V = hypot(fit.sigma[0], NW_POWER_METER_V);
        ret->inner_ohm = -fit.b[1];
        ret->inner_sigma_ohm = fit.sigma[1];
    }
}

void power_look(const struct power_columns *c, const struct nw_power_result *r,
                struct nw_power_log *ret) {
    for (size_t i = 0; i < c->power->n; i++) {
        struct nw_power_seen *const s = &ret->seen[i];
        s->is_logged = c->volts[i] || c->amps[i] || c->watts[i];
        s->mean_V = c->volts[i] ? pick(c->scratch, c->volts[i], c->n, MEAN) : NAN;
        s->low_V = c->volts[i] ? pick(c->scratch, c->volts[i], c->n, LOW) : NAN;
        s->mean_A = c->amps[i] ? pick(c->scratch, c->amps[i], c->n, MEAN) : NAN;
        s->high_A = c->amps[i] ? pick(c->scratch, c->amps[i], c->n, HIGH) : NAN;
        s->mean_W = s->high_W = s->energy_J = NAN;
        s->usual_W = s->foretold_W = s->usual_off = s->high_off = NAN;
        s->loop_ohm = s->loop_sigma_ohm = s->loop_off = s->heat_W = NAN;
        look_at_watts(c, i, ret);
    }
    for (size_t i = 0; i < c->power->n; i++) {
        if (c->power->nodes[i].feeder != SIZE_MAX && c->power->nodes[i].ohm > 0.0 &&
            c->power->nodes[i].circuit->kind != NW_CIRCUIT_SUPPLY) {
            look_at_wire(c, i, ret);
        }
    }
    for (size_t i = 0; i < c->power->n; i++) {
        struct nw_power_seen *const s = &ret->seen[i];
        const double surplus_ohm = s->loop_ohm - c->power->nodes[i].ohm;
        const double *const amps = current_of(c, i);
        const double high_A = amps ? pick(c->scratch, amps, c->n, HIGH) : NAN;
        s->heat_W = fmax(0.0, surplus_ohm) * high_A * high_A;
        if (!isfinite(s->loop_ohm)) {
            s->heat_W = NAN;
        }
    }
    look_at_source(c, r, ret);
}
