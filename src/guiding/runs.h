/* runs.h - second public header of guiding: files with many runs, logs that the owner described.
 *
 * A file is either the CSV of docs/formats.md (one run) or a text log laid out as a
 * struct nw_log_layout says; each run becomes a nw_guide_log in our units and signs. Rows that
 * cannot be read are left out one by one, counted, and the first kept with their reason; a file of
 * which nothing can be used is an error that says what came nearest. */
#ifndef NW_GUIDING_RUNS_H
#define NW_GUIDING_RUNS_H

#include "guiding/guiding.h"
#include "rig/logs.h"

enum { NW_GUIDE_MAX_REJECTS = 8, NW_GUIDE_MAX_RUNS = 2000 };

struct nw_guide_reject {
    size_t line;
    char reason[120];
};
struct nw_guide_run {
    struct nw_guide_log *log;
    size_t first_line, last_line;
    double start_s;            /* as the start says, in UTC before clock_offset_s; NaN: not told */
    size_t n_rows, n_rejected; /* read into log->rows, events among them; left out */
    size_t n_events, n_no_star;
    struct nw_guide_reject rejects[NW_GUIDE_MAX_REJECTS];
    size_t n_rejects;
    /* lines "name: value" that hold for this run: as written, "" = none; line 0: from the layout */
    char header_text[NW_LOG_N_HEADERS][48];
    size_t header_line[NW_LOG_N_HEADERS];
    char note[200]; /* what the reader had to settle for; "" = nothing */
};
struct nw_guide_column_use { /* how a column was understood */
    bool is_used;
    size_t number;    /* from 1 */
    char heading[48]; /* "" when the log has no headings */
    char unit[24];
    double factor;
};
struct nw_guide_runs {
    char *path;
    char layout[NW_NAME_SIZE]; /* "" = the CSV of docs/formats.md */
    struct nw_guide_run *items;
    size_t n;
    size_t n_empty;            /* runs without a usable row, left out */
    size_t names_line;         /* line of the headings; 0 = none */
    size_t n_lines, n_outside; /* lines of the file; rows that stand outside of all runs */
    struct nw_guide_column_use columns[NW_LOG_N_COLUMNS]; /* of the last run */
};

/* The layouts to try; none: only CSV. */
struct nw_guide_layouts {
    const struct nw_log_layout *items;
    size_t n;
    const char *which; /* by name; NULL: the one that reads most rows */
};

/* Reads all runs of a file. A file that holds the CSV's headings is read so, unless `which` says
 * otherwise; any other by a layout. layouts NULL: only CSV. Errors: as nw_guide_read for CSV; else
 * FORMAT or DATA with file and line: no line of headings (with those found and the nearest), no
 * start of a run, no usable row (with the first reason), text in header numbers, pixels without a
 * scale, errors at the axis without declination, layouts that fit alike; NOTFOUND: no layout of
 * that name. */
enum nw_status nw_guide_read_runs(const char *path, const struct nw_guide_layouts *layouts,
                                  struct nw_guide_runs **ret, struct nw_err *err) NW_CHECKED;
enum nw_status nw_guide_parse_runs(const char *name, const char *data, size_t len,
                                   const struct nw_guide_layouts *layouts,
                                   struct nw_guide_runs **ret, struct nw_err *err) NW_CHECKED;
void nw_guide_runs_free(struct nw_guide_runs *runs);

/* A climate or power log as the layout's `readings` say it: CSV as of docs/formats.md, `time` in
 * UTC and our columns, appended to `to`; rows whose time cannot be read are left out. NOTFOUND: its
 * headings are not there; FORMAT: what `readings` say makes no sense (which), DATA: no row. */
enum nw_status nw_log_readings(const char *name, const char *data, size_t len,
                               const struct nw_log_layout *layout, struct nw_buf *to,
                               struct nw_err *err) NW_CHECKED;

/* Do the pulses fight the errors, as those of a working loop must? Share of pulses whose sign is
 * opposite to that of the error they answer: that of their own row or of the row before, whichever
 * is clearer. Near 1: signs agree; near 0: one of the two is turned over; between: cannot tell. NaN
 * with fewer than 10. What is east and north no log can say by itself. */
struct nw_guide_signs {
    size_t n_ra, n_dec; /* pulses looked at */
    double opposed_ra, opposed_dec;
    size_t first,
        last; /* rows first .. last - 1: the `window_s` with most pulses, else the first */
};
struct nw_guide_signs nw_guide_check_signs(const struct nw_guide_log *log, double window_s);

/* ---- Many runs together (joined.c) ---- */

/* One run and what became of it. */
struct nw_guide_result {
    const struct nw_guide_runs *file;
    size_t number;                      /* of the run in its file, from 1 */
    struct nw_guide_analysis *analysis; /* NULL: `why` says why there is none */
    char why[160];
};
/* Pooled over runs: what was logged and the noise by samples, motion by subs, bounds alike; NaN
 * where no run has it. Runs without an analysis do not count. */
struct nw_guide_joined_axis {
    double rms_logged_rad, noise_rad, motion_in_sub_rad, motion_low_rad, motion_high_rad;
};
struct nw_guide_joined {
    size_t n_runs, n_samples, n_used, n_subs;
    double duration_s; /* sum */
    struct nw_guide_joined_axis ra, dec;
    double total_rms_logged_rad;
};
struct nw_guide_joined nw_guide_pool(const struct nw_guide_result *results, size_t n);

/* The worm of several runs, by its phase at axis angle 0 (worm_nights.c): the same as long as the
 * clutches stay closed. First turn only; runs with another number of teeth count as not keyed. */
enum { NW_GUIDE_WORM_NIGHTS = 1000 };
struct nw_guide_worm_nights {
    size_t n, n_unkeyed;                       /* runs compared; with a worm that cannot be */
    double teeth;                              /* a whole number */
    double amplitude_rad, amplitude_sigma_rad; /* at the axis, weighted mean */
    double phase_rad, phase_sigma_rad;         /* at axis angle 0, likewise */
    double farthest_rad;                       /* of a run from that phase */
    double chance; /* of phases so unlike if the worm is one (chi^2); errors of the phases and 0.05
                      deg of the axis, times the teeth */
    double foretold; /* share of a run's first turn that the mean of the others takes away;
                        negative: it would add */
    bool is_same;    /* chance over 1e-3 */
    char why_null[160];
};
void nw_guide_compare_worms(const struct nw_guide_result *results, size_t n,
                            struct nw_guide_worm_nights *ret);

/* All runs of a file as one log in order of time, for the join with frames: rows, events and dates
 * only; what holds for one run alone (rates, declination) is NaN. Rows that would run backwards are
 * left out. DATA: a run without dates among several. */
enum nw_status nw_guide_concat(const struct nw_guide_runs *runs, struct nw_guide_log **ret,
                               struct nw_err *err) NW_CHECKED;

#endif
