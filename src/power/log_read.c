/* log_read.c - a power log as columns of circuits; see power_log.h. */
#include <math.h>

#include "power/log_internal.h"

#define GAP 5.0 /* times the usual step */
enum { LEAST_ROWS = 10 };

/* "power hub V" -> its circuit and unit. */
static bool split(const char *column, char name[static NW_NAME_SIZE], char *ret_unit) {
    const size_t len = strlen(column);
    if (len < 3 || column[len - 2] != ' ' || !strchr("VAW", column[len - 1])) {
        return false;
    }
    (void)snprintf(name, NW_NAME_SIZE, "%.*s", (int)(len - 2), column);
    *ret_unit = column[len - 1];
    return true;
}

static enum nw_status no_such(const struct nw_power *power, const char *file, const char *name,
                              struct nw_err *err) {
    const char *names[NW_POWER_MAX];
    for (size_t i = 0; i < power->n; i++) {
        names[i] = power->nodes[i].circuit->name;
    }
    const char *const near = nw_text_nearest(name, names, power->n);
    return nw_err_set(err, NW_NOTFOUND, "%s: column of '%.48s', which is not under circuits%s%s%s",
                      file, name, near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
}

static enum nw_status take_column(const struct nw_table *table, const char *column,
                                  struct power_columns *ret, struct nw_err *err) {
    char name[NW_NAME_SIZE];
    char unit = '\0';
    if (!split(column, name, &unit)) {
        return NW_OK; /* states, temperatures, remarks */
    }
    size_t i = 0;
    while (i < ret->power->n && !nw_text_equal_nocase(ret->power->nodes[i].circuit->name, name)) {
        i++;
    }
    if (i == ret->power->n) {
        return no_such(ret->power, nw_table_name(table), name, err);
    }
    const struct nw_column_map map = {.name = column, .dim = NW_DIM_NUMBER};
    double **const to = unit == 'V' ? &ret->volts[i] : unit == 'A' ? &ret->amps[i] : &ret->watts[i];
    free(*to);
    *to = nw_calloc(ret->n, sizeof **to);
    if (!*to) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", ret->n);
    }
    ret->n_columns++;
    return nw_table_numbers(table, &map, *to, NULL, err);
}

static enum nw_status read_clock(const struct nw_table *table, int column,
                                 struct power_columns *ret, struct nw_err *err) {
    for (size_t i = 0; i < ret->n; i++) {
        const char *const cell = nw_table_cell(table, i, (size_t)column);
        const enum nw_status status = nw_time_read_iso(cell, 0.0, &ret->t_s[i], err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "%s:%zu: time", nw_table_name(table),
                             nw_table_line(table, i));
        }
    }
    ret->has_clock = true;
    return NW_OK;
}

static enum nw_status read_time(const struct nw_table *table, struct power_columns *ret,
                                struct nw_err *err) {
    ret->t_s = nw_calloc(ret->n, sizeof *ret->t_s);
    if (!ret->t_s) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", ret->n);
    }
    const int time = nw_table_column(table, "time");
    const struct nw_column_map t_s = {.name = "t_s", .dim = NW_DIM_NUMBER};
    enum nw_status status =
        time >= 0 ? read_clock(table, time, ret, err)
        : nw_table_column(table, "t_s") >= 0
            ? nw_table_numbers(table, &t_s, ret->t_s, NULL, err)
            : nw_err_set(err, NW_NOTFOUND, "%s: no column time (ISO 8601) or t_s (seconds)",
                         nw_table_name(table));
    for (size_t i = 1; i < ret->n && status == NW_OK; i++) {
        if (!(ret->t_s[i] > ret->t_s[i - 1])) {
            status = nw_err_set(err, NW_DATA, "%s:%zu: time does not rise", nw_table_name(table),
                                nw_table_line(table, i));
        }
    }
    return status;
}

/* Usual step, span, gaps. */
static enum nw_status look_at_time(const struct power_columns *c, struct nw_power_log *ret,
                                   struct nw_err *err) {
    double *const steps = nw_calloc(c->n, sizeof *steps);
    if (!steps) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", c->n);
    }
    for (size_t i = 1; i < c->n; i++) {
        steps[i - 1] = c->t_s[i] - c->t_s[i - 1];
    }
    ret->step_s = nw_stat_median(steps, c->n - 1);
    ret->gap_s = 0.0;
    for (size_t i = 1; i < c->n; i++) {
        const double step_s = c->t_s[i] - c->t_s[i - 1];
        ret->gap_s += step_s > GAP * ret->step_s ? step_s : 0.0;
    }
    ret->n_rows = c->n;
    ret->start_s = c->t_s[0];
    ret->span_s = c->t_s[c->n - 1] - c->t_s[0];
    ret->has_clock = c->has_clock;
    free(steps);
    return NW_OK;
}

/* Trapezia between neighbours, gaps left out. */
double power_energy_J(const struct power_columns *c, const double *watts, double step_s) {
    double sum = 0.0;
    for (size_t i = 1; i < c->n; i++) {
        const double dt_s = c->t_s[i] - c->t_s[i - 1];
        const double both = watts[i] + watts[i - 1];
        sum += dt_s <= GAP * step_s && isfinite(both) ? 0.5 * both * dt_s : 0.0;
    }
    return sum;
}

void power_columns_done(struct power_columns *c) {
    for (size_t i = 0; i < NW_POWER_MAX; i++) {
        free(c->volts[i]);
        free(c->amps[i]);
        free(c->watts[i]);
    }
    free(c->t_s);
    free(c->scratch);
}

static enum nw_status take_all(const struct nw_table *table, struct power_columns *ret,
                               struct nw_err *err) {
    enum nw_status status = read_time(table, ret, err);
    for (size_t k = 0; k < nw_table_n_columns(table) && status == NW_OK; k++) {
        status = take_column(table, nw_table_column_name(table, k), ret, err);
    }
    if (status == NW_OK && ret->n_columns == 0) {
        status =
            nw_err_set(err, NW_NOTFOUND, "%s: no column of a circuit, such as \"%s V\" or \"%s A\"",
                       nw_table_name(table), ret->power->nodes[0].circuit->name,
                       ret->power->nodes[0].circuit->name);
    }
    return status;
}

static enum nw_status analyse(const struct nw_table *table, const struct nw_power_result *result,
                              struct nw_power_log *ret, struct nw_err *err) {
    struct power_columns columns = {.power = &result->model, .n = nw_table_n_rows(table)};
    enum nw_status status = NW_OK;
    if (columns.n < LEAST_ROWS) {
        return nw_err_set(err, NW_DATA, "%s: %zu rows, at least %d are needed",
                          nw_table_name(table), columns.n, LEAST_ROWS);
    }
    columns.scratch = nw_calloc(columns.n * (NW_POWER_FIT_MAX + 2), sizeof *columns.scratch);
    status = columns.scratch ? take_all(table, &columns, err)
                             : nw_err_set(err, NW_NOMEM, "%zu rows", columns.n);
    if (status == NW_OK) {
        status = look_at_time(&columns, ret, err);
    }
    if (status == NW_OK) {
        power_look(&columns, result, ret);
    }
    power_columns_done(&columns);
    return status;
}

enum nw_status nw_power_log_parse(const char *name, const char *data, size_t len,
                                  const struct nw_power_result *result, struct nw_power_log *ret,
                                  struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_parse(name, data, len, &table, err);
    if (status == NW_OK) {
        memset(ret, 0, sizeof *ret);
        status = analyse(table, result, ret, err);
    }
    nw_table_free(table);
    return status;
}

enum nw_status nw_power_log_read(const char *path, const struct nw_power_result *result,
                                 struct nw_power_log *ret, struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_read(path, &table, err);
    if (status == NW_OK) {
        memset(ret, 0, sizeof *ret);
        status = analyse(table, result, ret, err);
    }
    nw_table_free(table);
    return status;
}
