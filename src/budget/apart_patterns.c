/* apart_patterns.c - what is left over is searched for patterns that no line makes.
 * Generalised least squares of all subs' air on one more column, beside a column for every sampled
 * term with its prior, so that a pattern that a term could make is not counted twice (augmented
 * Kalman filter, de Jong 1991, Ann. Stat. 19, 1073). What a focus run was off is a second state of
 * the filter, begun anew with each run. */
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum along {
    ALONG_FOCUS,
    ALONG_CHANGE,
    ALONG_AIRMASS,
    ALONG_POWER,
    ALONG_NIGHT,
    ALONG_LENGTH,
    ALONG_MOTION
};
static const struct {
    const char *along, *hint;
} ALONG[] = {
    [ALONG_FOCUS] = {"time since the focus run",
                     "a focuser that slips, a wrong step size, a tube that is not where the "
                     "sensor is"},
    [ALONG_CHANGE] = {"kelvins since the focus run",
                      "a wrong coefficient of temperature, a wrong step size"},
    [ALONG_AIRMASS] = {"airmass",
                       "sag of focus or tube with altitude, air that does not follow X^0.6, heat "
                       "of roofs near the horizon"},
    [ALONG_POWER] = {"the power of the airmass",
                     "air that does not follow X^0.6: heat of roofs near the horizon, haze, "
                     "another outer scale"},
    [ALONG_NIGHT] = {"hours into the night",
                     "dew, a lens that is still cooling, a pinch that comes "
                     "with the cold"},
    [ALONG_LENGTH] = {"length of the sub", "bending of guide tube against main tube, field "
                                           "rotation"},
    [ALONG_MOTION] = {"motion in the log", "shake that is faster than the guide exposure"},
};
enum { N_ALONG = sizeof ALONG / sizeof *ALONG };

static double along(const struct apart_model *model, size_t i, enum along which) {
    const struct apart_sub *sub = &model->subs[i];
    switch (which) {
    case ALONG_FOCUS:
        return sub->since_focus_s / 3600.0;
    case ALONG_CHANGE:
        return sub->focus_change_K * sub->focus_change_K; /* defocus adds as a square */
    case ALONG_AIRMASS:
        return sub->airmass;
    case ALONG_POWER:
        return log(sub->airmass);
    case ALONG_NIGHT:
        return sub->t_open_s / 3600.0;
    case ALONG_LENGTH:
        return sub->exposure_s / 60.0;
    case ALONG_MOTION:
        return sub->motion_rad2 * NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD;
    }
    return NAN;
}

enum { MAX_COLUMNS = NW_APART_N_TERMS + 2 };

/* The normal equations of whitened columns: 0 the air, then a column a coefficient. */
struct normal {
    size_t n;
    double sum[MAX_COLUMNS][MAX_COLUMNS];
};

/* The state of a night's filter: the air's level and the error of the focus run that is left, both
 * of every column; gains and covariance are the same for all. */
struct whitener {
    double level[MAX_COLUMNS], error[MAX_COLUMNS];
    double level_var, error_var, both;
};

static void to_next(const struct apart_model *model, const struct apart_air_law *law, size_t last,
                    size_t i, size_t n_columns, struct whitener *w) {
    const struct apart_sub *const sub = &model->subs[i];
    const bool is_first = last == SIZE_MAX || model->subs[last].night != sub->night;
    const double keep = is_first ? 0.0 : apart_keep(law, sub->t_h - model->subs[last].t_h);
    w->level_var = keep * keep * w->level_var + (1.0 - keep * keep) * law->night;
    w->both *= keep;
    for (size_t c = 0; c < n_columns; c++) {
        w->level[c] *= keep;
    }
    if (is_first || sub->run != model->subs[last].run) {
        w->error_var = 1.0;
        w->both = 0.0;
        memset(w->error, 0, sizeof w->error);
    }
}

/* A sub is level - bend x error + noise: all columns of it, with their own error of the run. */
static double take_row(const double *row, double bend, double noise, size_t n_columns,
                       struct whitener *w, double *z) {
    const double with_level = w->level_var - bend * w->both;
    const double with_error = w->both - bend * w->error_var;
    const double spread = with_level - bend * with_error + noise;
    for (size_t c = 0; c < n_columns; c++) {
        const double off = row[c] - (w->level[c] - bend * w->error[c]);
        z[c] = off / sqrt(spread);
        w->level[c] += with_level / spread * off;
        w->error[c] += with_error / spread * off;
    }
    w->level_var -= with_level * with_level / spread;
    w->both -= with_level * with_error / spread;
    w->error_var -= with_error * with_error / spread;
    return fabs(z[0]);
}

/* One night's filter over all columns at once; column 0 is the air. */
static void whiten(const struct apart_model *model, const struct apart_air_law *law,
                   const struct apart_airs *airs, const double *columns, size_t n_columns,
                   struct normal *normal) {
    struct whitener w = {.level_var = 0.0};
    size_t last = SIZE_MAX;
    for (size_t i = 0; i < model->n; i++) {
        const double *row = columns + i * n_columns;
        double z[MAX_COLUMNS] = {0};
        if (!isfinite(row[0])) {
            continue;
        }
        to_next(model, law, last, i, n_columns, &w);
        last = i;
        const double miss =
            take_row(row, airs->bend[i], apart_noise(model, law, airs, i), n_columns, &w, z);
        const double weight = miss > 3.0 ? 3.0 / miss : 1.0; /* a bad sub says little */
        for (size_t a = 0; a < n_columns; a++) {
            for (size_t b = 0; b < n_columns; b++) {
                normal->sum[a][b] += weight * z[a] * z[b];
            }
        }
    }
    normal->n = n_columns;
}

/* What all patterns are laid beside. */
struct scan {
    double *columns;
    size_t n_columns; /* with the air and the pattern */
    double precision[MAX_COLUMNS][MAX_COLUMNS], pull[MAX_COLUMNS];
    size_t extra; /* coefficient of the constant that no line has; 0: there is none */
    double extra_best;
};

/* Coefficient of the last column and its standard error, with prior precision on the others.
 * Nothing makes stars narrower: where the constant comes out below nothing (what no line has; the
 * lines have their own errors), `is_one_sided` takes it as nothing. */
static bool last_coefficient(const struct normal *normal, const struct scan *scan,
                             bool is_one_sided, double *ret, double *ret_sigma) {
    const size_t n = normal->n - 1;
    gsl_matrix *m = gsl_matrix_alloc(n, n);
    gsl_vector *b = gsl_vector_alloc(n);
    bool is_good = m && b;
    for (size_t i = 0; is_good && i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            gsl_matrix_set(m, i, j, normal->sum[i + 1][j + 1] + scan->precision[i][j]);
        }
        gsl_vector_set(b, i, normal->sum[i + 1][0] + scan->pull[i]);
    }
    is_good = is_good && gsl_linalg_cholesky_decomp1(m) == 0 &&
              gsl_linalg_cholesky_svx(m, b) == 0 && gsl_linalg_cholesky_invert(m) == 0;
    if (is_good) {
        const size_t e = scan->extra;
        const double extra = scan->extra_best + gsl_vector_get(b, e);
        const bool is_held = is_one_sided && e > 0 && extra < 0.0;
        const double both = is_held ? gsl_matrix_get(m, n - 1, e) : 0.0;
        const double share = both / gsl_matrix_get(m, e, e);
        *ret = gsl_vector_get(b, n - 1) - share * (is_held ? extra : 0.0);
        *ret_sigma = sqrt(gsl_matrix_get(m, n - 1, n - 1) - share * both);
    }
    gsl_matrix_free(m);
    gsl_vector_free(b);
    return is_good;
}

/* How the air of each sub changes with a sampled term, by a small step of it. */
static void term_column(const struct apart_model *model, const struct apart_x *best,
                        const struct apart_airs *airs, int term, size_t column, size_t n_columns,
                        double *columns) {
    struct apart_x moved = *best;
    const double step = 0.05 * model->prior[term].sigma;
    moved.v[term] += step;
    for (size_t i = 0; i < model->n; i++) {
        double air = airs->air[i];
        double slope;
        double *const cell = &columns[i * n_columns + column];
        *cell = 0.0;
        const struct apart_sub *const sub = &model->subs[i];
        if (isfinite(air) &&
            apart_air_of(model, sub, &moved, apart_run_error(airs, sub), &air, &slope)) {
            *cell = -(air - airs->air[i]) / step;
        }
    }
}

static bool is_width_term(int k) {
    return k != NW_APART_AIR && k != NW_APART_NIGHTS && k != NW_APART_WANDER &&
           k != NW_APART_SCATTER;
}

/* What the prior says of the term of a column. */
static void hold(const struct apart_model *model, const struct apart_x *best, int term, size_t at,
                 struct scan *scan) {
    const double precision = pow(model->prior[term].sigma, -2.0);
    scan->precision[at][at] = precision;
    scan->pull[at] = -(best->v[term] - model->prior[term].mean) * precision;
}

/* What trials, zones and axes say, linear about the best point. Terms without an error of their own
 * (at[] 0, that of the air) move nothing. */
static void hold_told(const struct apart_model *model, const struct apart_x *best,
                      const size_t at[NW_APART_N_TERMS], struct scan *scan) {
    for (size_t i = 0; i < model->n_told; i++) {
        const struct apart_told *const told = &model->told[i];
        const double off = apart_told_off(told, best);
        for (int a = 0; a < NW_APART_N_TERMS; a++) {
            const double slope_a = at[a] > 0 ? apart_told_slope(told, best, a) : 0.0;
            if (slope_a == 0.0) {
                continue;
            }
            scan->pull[at[a]] -= slope_a * off;
            for (int b = 0; b < NW_APART_N_TERMS; b++) {
                if (at[b] > 0) {
                    scan->precision[at[a]][at[b]] += slope_a * apart_told_slope(told, best, b);
                }
            }
        }
    }
}

static void lay_out(const struct apart_model *model, const struct apart_x *best,
                    const struct apart_airs *airs, struct scan *scan) {
    size_t at[NW_APART_N_TERMS] = {0}; /* coefficient of each term; the column is one further */
    size_t n = 1;
    for (size_t i = 0; i < model->n; i++) {
        scan->columns[i * scan->n_columns] = airs->air[i] - best->v[NW_APART_AIR];
        scan->columns[i * scan->n_columns + 1] = 1.0;
    }
    hold(model, best, NW_APART_AIR, 0, scan);
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (model->prior[k].is_active && is_width_term(k)) {
            term_column(model, best, airs, k, n + 1, scan->n_columns, scan->columns);
            hold(model, best, k, n, scan);
            at[k] = n++;
        }
    }
    scan->extra = at[NW_APART_EXTRA];
    scan->extra_best = best->v[NW_APART_EXTRA];
    hold_told(model, best, at, scan);
}

/* The pattern as a column: what one unit of width^2 along it does to the air; rows that do not know
 * it are at its mean. False when it hardly varies. */
static bool pattern_column(const struct apart_model *model, const struct apart_airs *airs,
                           enum along which, double *work, struct scan *scan, double *ret_range) {
    size_t n = 0;
    double sum = 0.0;
    for (size_t i = 0; i < model->n; i++) {
        const double value = along(model, i, which);
        if (isfinite(value) && isfinite(airs->air[i])) {
            work[n++] = value;
            sum += value;
        }
    }
    if (n < 12 || 2 * n < model->n) {
        return false;
    }
    const double mean = sum / (double)n;
    const double range = nw_stat_quantile(work, n, 0.95) - nw_stat_quantile(work, n, 0.05);
    if (!(range > 0.02 * fabs(mean)) || (which == ALONG_POWER && range < 0.05)) {
        return false;
    }
    for (size_t i = 0; i < model->n; i++) {
        const double value = along(model, i, which);
        const double w = model->subs[i].width_rad;
        /* width^2 + d = width'^2: d ln width = d / (2 width^2) */
        const double d = isfinite(value) ? (value - mean) / range : 0.0;
        /* the power acts on the air itself, whose value is a logarithm */
        const double scale = which == ALONG_POWER ? 1.0
                                                  : 2.0 * w * w * airs->slope[i] *
                                                        NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD;
        scan->columns[(i + 1) * scan->n_columns - 1] = isfinite(airs->air[i]) ? d / scale : 0.0;
    }
    *ret_range = range;
    return true;
}

static int by_significance(const void *a, const void *b) {
    const double x = fabs(((const struct nw_apart_pattern *)a)->significance);
    const double y = fabs(((const struct nw_apart_pattern *)b)->significance);
    return (x < y) - (x > y);
}

/* Columns are those of a sub as wide as its night has it: with each sub's own width in them, wide
 * subs would weigh little, and noise would look like a pattern. */
static void level_subs(const struct apart_model *model, const struct apart_airs *airs,
                       struct apart_model *level) {
    for (size_t i = 0; i < model->n;) {
        double sum = 0.0;
        size_t n = 0;
        size_t end = i;
        for (; end < model->n && model->subs[end].night == model->subs[i].night; end++) {
            sum += isfinite(airs->air[end]) ? airs->air[end] : 0.0;
            n += isfinite(airs->air[end]) ? 1 : 0;
        }
        for (; i < end; i++) {
            level->subs[i] = model->subs[i];
            if (isfinite(airs->air[i])) {
                struct apart_sub *const sub = &level->subs[i];
                sub->width_rad *= exp(airs->slope[i] * (sum / (double)n - airs->air[i]));
                apart_weigh(model, sub->width_rad, sub);
            }
        }
    }
}

static void scan_for_patterns(const struct apart_model *level, const struct apart_x *best,
                              const struct apart_airs *seen, const struct apart_airs *airs,
                              double *work, struct scan *scan, struct nw_apart *apart) {
    const struct apart_air_law law = apart_law(best);
    const double unit = NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD;
    lay_out(level, best, airs, scan);
    for (size_t i = 0; i < level->n; i++) { /* the air as it was seen, beside level columns */
        scan->columns[i * scan->n_columns] =
            isfinite(airs->air[i]) ? apart_air_at_none(level, seen, i) - best->v[NW_APART_AIR]
                                   : NAN;
    }
    for (size_t k = 0; k < N_ALONG; k++) {
        struct normal normal = {.n = 0};
        double value;
        double sigma;
        double range;
        if (!pattern_column(level, airs, (enum along)k, work, scan, &range)) {
            continue;
        }
        whiten(level, &law, airs, scan->columns, scan->n_columns, &normal);
        const bool is_power = (enum along)k == ALONG_POWER;
        if (last_coefficient(&normal, scan, is_power, &value, &sigma)) {
            apart->patterns[apart->n_patterns++] =
                (struct nw_apart_pattern){.along = ALONG[k].along,
                                          .hint = ALONG[k].hint,
                                          .rad2 = is_power ? NAN : value / unit,
                                          .sigma_rad2 = is_power ? NAN : sigma / unit,
                                          .power = is_power ? 0.6 + value / range : NAN,
                                          .power_sigma = is_power ? sigma / range : NAN,
                                          .significance = value / sigma};
        }
    }
    qsort(apart->patterns, apart->n_patterns, sizeof *apart->patterns, by_significance);
}

enum nw_status apart_patterns(const struct apart_model *model, const struct apart_x *best,
                              struct nw_apart *apart, struct nw_err *err) {
    struct scan scan = {.n_columns = 3}; /* the air, its usual value, the pattern */
    struct apart_model level = *model;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        scan.n_columns += model->prior[k].is_active && is_width_term(k);
    }
    struct apart_airs seen = {.air = NULL};
    struct apart_airs airs = {.air = NULL};
    double *work = nw_calloc(model->n + 1, sizeof *work);
    level.subs = nw_calloc(model->n + 1, sizeof *level.subs);
    scan.columns = nw_calloc(model->n * scan.n_columns + 1, sizeof *scan.columns);
    enum nw_status status = NW_OK;
    if (work && scan.columns && level.subs) {
        status = apart_airs_new(model, best, &seen, err);
        if (status == NW_OK) {
            level_subs(model, &seen, &level);
            status = apart_airs_new(&level, best, &airs, err);
        }
        if (status == NW_OK) {
            memcpy(airs.error, seen.error, model->n_runs * sizeof *airs.error);
            apart_look_at(&level, best, &airs);
            scan_for_patterns(&level, best, &seen, &airs, work, &scan, apart);
        }
    } else {
        status = nw_err_set(err, NW_NOMEM, "%zu subs of a season", model->n);
    }
    apart_airs_done(&seen);
    apart_airs_done(&airs);
    free(work);
    free(level.subs);
    free(scan.columns);
    return status;
}
