/* power_log.h - what a power log says, beside what the circuits foretell. Second public header of
 * the module, beside power.h.
 *
 * The log: a table (base/table.h) with `time` (ISO 8601) or `t_s` [s], and columns named by circuit
 * and unit: "power hub V", "power hub A", "dryer W". Of hubs and loads: what arrives; of supplies,
 * batteries and mains: what they give. Only differences of time count, so no zone is needed. What
 * is not logged is not measured. */
#ifndef NW_POWER_LOG_H
#define NW_POWER_LOG_H

#include "power/power.h"

/* Error of the meters in a hub: 2 % of current and power, 0.05 V (common practice, no source). The
 * same part of 2 % stands in every sample, so it does not average out. */
#define NW_POWER_METER_SHARE 0.02
#define NW_POWER_METER_V 0.05

struct nw_power_seen { /* of one circuit; NaN: not logged */
    bool is_logged;
    double mean_V, low_V; /* low, high: of the medians of three rows in a row, so that one wrong
                             row makes no peak */
    double mean_A, high_A;
    double mean_W, high_W, energy_J;
    /* What it takes in its usual state, set against `running`: the median of a load that is rarely
     * at its peak (cooling, slewing, roof), else the mean, set against running x duty. */
    double usual_W, foretold_W;
    double usual_off, high_off; /* measured minus foretold over the error of both; high against the
                                   peak: below it says only that the peak did not come */
    /* Of the wire that feeds it with its contacts, from how the drop goes with the current: no
     * offset of a meter enters. */
    double loop_ohm, loop_sigma_ohm, loop_off;
    double heat_W;      /* what the surplus over the foretold makes of the high current */
    char why_null[120]; /* why loop_ohm is not known */
};
struct nw_power_log {
    size_t n_rows;
    double start_s, span_s, step_s, gap_s; /* gap: time in steps of over five times the usual one,
                                              left out of the energy */
    bool has_clock;                        /* start_s is UTC, as far as the log says */
    struct nw_power_seen seen[NW_POWER_MAX];
    /* of the main source, from its own voltage and current: V = open - inner x A */
    double open_V, open_sigma_V, inner_ohm, inner_sigma_ohm;
};

/* Reads and analyses. FORMAT, NOTFOUND: no time, no column of a circuit, a column of a circuit that
 * is not described (with the nearest name), text that is no number; DATA: fewer than 10 rows or
 * times that do not rise. */
enum nw_status nw_power_log_read(const char *path, const struct nw_power_result *result,
                                 struct nw_power_log *ret, struct nw_err *err) NW_CHECKED;
enum nw_status nw_power_log_parse(const char *name, const char *data, size_t len,
                                  const struct nw_power_result *result, struct nw_power_log *ret,
                                  struct nw_err *err) NW_CHECKED;

/* The same log as rows, whatever circuits there are: for keeping it without a rig. Columns are
 * those that end in " V", " A" or " W". Rows that do not come after those before (a clock set back)
 * are left out and counted. */
struct nw_power_rows {
    size_t n, n_left_out, n_columns;
    bool has_clock; /* t_s is UTC; times without a zone by the header line `time_zone` */
    double *t_s;
    double *data;                      /* column k of row i at data[k * n + i]; NaN: not logged */
    char (*columns)[NW_NAME_SIZE + 2]; /* "power hub V" */
};
/* FORMAT, NOTFOUND: no time, no such column, text that is no number; DATA: no row. */
enum nw_status nw_power_rows_read(const struct nw_table *table, struct nw_power_rows *ret,
                                  struct nw_err *err) NW_CHECKED;
bool nw_power_rows_are_in(const struct nw_table *table); /* any such column */
void nw_power_rows_done(struct nw_power_rows *rows);
/* As the table that nw_power_log_parse reads, appended to `to`. */
void nw_power_rows_csv(const struct nw_power_rows *rows, struct nw_buf *to);

/* Least squares y = b0 + sum b_k x_k, errors from the residuals, widened by what they have in
 * common with their neighbours, (1 + r)/(1 - r) in variance for a lag-1 correlation r > 0 (Bayley &
 * Hammersley 1946, J. R. Stat. Soc. Suppl. 8, 184; from memory). x: n rows of n_x. Rows with NaN
 * are left out. false: fewer than n_x + 8 rows, or columns that go together. */
enum { NW_POWER_FIT_MAX = 6 };
struct nw_power_fit {
    double b[NW_POWER_FIT_MAX + 1], sigma[NW_POWER_FIT_MAX + 1];
    size_t n;
};
bool nw_power_fit_line(const double *y, const double *x, size_t n, size_t n_x,
                       struct nw_power_fit *ret);

#endif
