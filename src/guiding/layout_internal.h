/* layout_internal.h - shared by the files that read described logs (layout*.c, runs.c). */
#ifndef NW_GUIDING_LAYOUT_INTERNAL_H
#define NW_GUIDING_LAYOUT_INTERNAL_H

#include "guiding/guiding_internal.h"
#include "guiding/runs.h"

enum {
    LAYOUT_LINES_MAX = 2000000,
    LAYOUT_LINE_MAX = 4096, /* longer lines are no rows */
    LAYOUT_CELLS_MAX = 256
};
#define LAYOUT_BYTES_MAX ((size_t)64 << 20)

/* ---- layout_cells.c: a line and its parts ---- */

struct layout_text { /* borrowed from the file; not terminated */
    const char *at;
    size_t len;
};
struct layout_cells {
    struct layout_text items[LAYOUT_CELLS_MAX];
    size_t n;
};
void nw_layout_split(const struct nw_log_layout *layout, struct layout_text line,
                     struct layout_cells *ret);
bool nw_layout_equal(struct layout_text text, const char *word); /* case ignored */
void nw_layout_copy(char *to, size_t size, struct layout_text text);
/* A number with the layout's decimal mark; an empty cell, "-", "nan" and the layout's word for
 * missing are NaN. false: something else. */
bool nw_layout_number(const struct nw_log_layout *layout, struct layout_text text, double *ret);
/* The text behind "name:" or "name =" in a line, up to its end; len 0: not there. */
struct layout_text nw_layout_value(struct layout_text line, const char *name);

/* Columns of the file, from 0; -1 = not there. */
struct layout_columns {
    int main[NW_LOG_N_COLUMNS], minus[NW_LOG_N_COLUMNS], direction[NW_LOG_N_COLUMNS];
};
/* Finds the described columns in a line of headings. false: a needed one is missing; *ret_found
 * counts those that are there, *ret_missing the first that is not. */
bool nw_layout_bind(const struct nw_log_layout *layout, const struct layout_cells *headings,
                    struct layout_columns *ret, size_t *ret_found, const char **ret_missing);

/* ---- layout_time.c ---- */

struct layout_clock {
    const struct nw_log_layout *layout;
    struct nw_time_zone zone;
    bool has_zone;            /* the layout names one */
    bool has_start;           /* of the run */
    double start_utc_s;       /* of the run */
    bool has_day;             /* the date of the run is known */
    double day_s;             /* midnight (local) that times of day count from */
    double last_clock_s;      /* of the row before, for midnight; NaN: none */
    double last_utc_s;        /* of the row before, over all runs; -inf: none */
    bool has_dates, is_zoned; /* what the last time had */
};
enum nw_status nw_layout_clock_init(const struct nw_log_layout *layout, struct layout_clock *ret,
                                    struct nw_err *err) NW_CHECKED;
/* A new run; `start` is its date and time as written, len 0 = not known. false: not readable. */
bool nw_layout_clock_start(struct layout_clock *clock, struct layout_text start);
/* Time of a row from its cells (date: len 0 without); false with the reason. */
bool nw_layout_clock_read(struct layout_clock *clock, struct layout_text time,
                          struct layout_text date, double *ret_s, char reason[static 120]);

/* ---- layout.c ---- */

/* Lines "name: value" as written; line 0: none. */
struct layout_header {
    char text[NW_LOG_N_HEADERS][48];
    size_t line[NW_LOG_N_HEADERS];
};
struct layout_reader {
    const char *name;
    const struct nw_log_layout *layout;
    struct nw_guide_runs *runs;
    size_t runs_cap, rows_cap;
    struct nw_guide_run *run; /* the open one, or NULL */
    struct layout_header outside;
    char start[64]; /* of the run, from its first line */
    struct layout_columns columns;
    bool is_bound;
    bool is_clock_set; /* the clock has the start of this run */
    bool has_many;     /* runs begin with a pattern */
    struct layout_clock clock;
    /* for messages: the line with most of the headings */
    size_t best_found, best_line;
    size_t other_line; /* the first below the headings that is nothing; 0: none */
    char best_missing[48], best_near[48];
    size_t line;
    struct nw_err *err;
};

enum nw_status nw_layout_parse(const char *name, const char *data, size_t len,
                               const struct nw_log_layout *layout, struct nw_guide_runs **ret,
                               struct nw_err *err) NW_CHECKED;

/* ---- layout_row.c ---- */

/* Reads a line as a row; `note`: its cell in the column of notes. false with the reason. */
bool nw_layout_row(struct layout_reader *r, struct layout_text line, struct nw_guide_row *row,
                   char note[static 48], char reason[static 120]);
/* The run's start becomes the clock's when the first time is needed: lines above may say it. */
bool nw_layout_set_clock(struct layout_reader *r, char reason[static 120]);

/* ---- layout_finish.c: a run's lines and numbers into a log ---- */

/* Numbers and words of the run's header; units and signs of its rows; whatever cannot be without
 * them. run->log has its rows as the columns say (px as radians of 1 arcsec a px). */
enum nw_status nw_layout_finish(const char *name, const struct nw_log_layout *layout,
                                struct nw_guide_run *run, struct nw_err *err) NW_CHECKED;

#endif
