/* book.h - every night kept: one SQLite file that holds frames with their measures, guide logs with
 * their analyses, rig files and what changed.
 *
 * A file is known by what it holds (SHA-256): copied, moved or renamed it is not taken twice; the
 * same name with new content is taken anew. A batch of files is one transaction (write-ahead log,
 * synced): killed at any moment the book is sound, and adding again goes on where it stopped. No
 * pixel is kept. The book never changes the files that it reads.
 *
 * Errors of the calls: IO (the operating system or the disk refused; the text is sqlite's), FORMAT
 * (not a book), LIMIT (written by a newer version, or too much), NOTFOUND, NOMEM. Inside SI and
 * radians; the views `sub` and `guiding` (schema/) give degrees and arcseconds. */
#ifndef NW_BOOK_H
#define NW_BOOK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/base.h"
#include "guiding/runs.h"
#include "image/image.h"

struct nw_book;

enum nw_book_access {
    NW_BOOK_READ,  /* must be there; nothing is written */
    NW_BOOK_WRITE, /* must be there */
    NW_BOOK_CREATE /* made when it is not there; its folder must be */
};
/* Opens and brings an older book up to this version (numbered migrations, each one transaction; not
 * with READ: LIMIT, says to open it for writing once). */
enum nw_status nw_book_open(const char *path, enum nw_book_access access, struct nw_book **ret,
                            struct nw_err *err) NW_CHECKED;
void nw_book_close(struct nw_book *book); /* NULL allowed */

/* "2026-05-14": a date as it stands in the book, NUL included. */
enum { NW_BOOK_DATE = 11 };
/* The evening on which the night of this moment began, local mean solar time of the longitude
 * (east +, NaN: Greenwich): nights turn at noon. t NaN gives "". */
void nw_book_night_date(double t_utc_s, double longitude_rad, char ret_date[NW_BOOK_DATE]);

/* ---- Adding ------------------------------------------------------------------------------- */

#define NW_BOOK_FATE_LIST(X)                                                                       \
    X(ADDED, "added")                                                                              \
    X(KNOWN, "known")       /* the book has this content */                                        \
    X(REPLACED, "replaced") /* a log that has grown, a header edited */                            \
    X(SKIPPED, "skipped")   /* with the reason: unreadable, still being written, nothing of ours */
enum nw_book_fate {
#define X(name, word) NW_BOOK_##name,
    NW_BOOK_FATE_LIST(X)
#undef X
};
const char *nw_book_fate_word(enum nw_book_fate fate);

struct nw_book_skipped {
    char *path;
    char why[320];
};
struct nw_book_added {
    size_t n_files; /* looked at */
    size_t n_fate[4];
    size_t n_lights, n_calibration, n_unmeasured, n_doubles; /* among the added frames */
    size_t n_runs;                                           /* of added and replaced logs */
    size_t n_climate, n_power; /* nights of added and replaced climate and power logs */
    size_t n_documents;        /* of our commands: surfaces, trials, sensors, flats, plans */
    size_t n_rigs, n_changes;
    struct nw_book_skipped *skipped;
    size_t n_skipped, skipped_cap;
};
void nw_book_added_done(struct nw_book_added *added);

struct nw_book_add_opts {
    double now_utc_s;                       /* written beside each content, nothing depends on it */
    const char *program_version;            /* likewise */
    const struct nw_guide_layouts *layouts; /* of text logs; NULL: only CSV */
    const char *pattern_if_unsaid;          /* colour filters of frames that do not say */
    double longitude_rad;                   /* of the site, where frames do not say; NaN */
    double sub_length_s;                    /* for guide logs; NaN or 0: 300 s */
    int n_threads;                          /* 0 = all cores */
};
/* Files as named, folders with what is in them (8 deep; hidden names and what no reader knows by
 * its ending is passed over). FITS frames: lights are measured, bias, dark and flat frames kept by
 * their headers. CSV and text logs, rig files. One that cannot be read is skipped with its reason
 * and stops nobody; a named path that is not there is an error before anything is read. A stop
 * asked for by `progress` leaves what is done so far. *ret holds what was done on failure too. */
enum nw_status nw_book_add(struct nw_book *book, const char *const *paths, size_t n_paths,
                           const struct nw_book_add_opts *opts, const struct nw_progress *progress,
                           struct nw_book_added *ret, struct nw_err *err) NW_CHECKED;

/* ---- Reading ------------------------------------------------------------------------------ */

struct nw_book_night {
    char date[NW_BOOK_DATE];
    size_t n_lights, n_calibration, n_runs, n_changes;
    double exposure_s;               /* sum over the lights */
    double t_first_s, t_last_s;      /* first start, last end */
    double fwhm_arcsec, best_arcsec; /* median and lowest tenth; NaN without scale */
    double fwhm_px;                  /* median */
    double rms_arcsec;               /* guide, as logged, by samples */
    double motion_arcsec;            /* within a sub, both axes */
    char objects[120], filters[64];  /* joined by ", ", cut */
};
/* In order of date, oldest first; from and to "" or NULL: no bound. *ret yours to free. */
enum nw_status nw_book_nights(struct nw_book *book, const char *from, const char *to,
                              struct nw_book_night **ret, size_t *ret_n,
                              struct nw_err *err) NW_CHECKED;

/* The night asked for, "" or NULL: the last; of those with light frames. NOTFOUND. */
enum nw_status nw_book_find_night(struct nw_book *book, const char *wanted, char date[NW_BOOK_DATE],
                                  struct nw_err *err) NW_CHECKED;

/* Where the frames of a night (a date) or of a target (its name in the headers) were last seen, in
 * order of time, doubles left out, and after them all bias, dark and flat frames of the trains that
 * took them. NOTFOUND: no such night or target, with the nearest name. */
enum nw_status nw_book_paths(struct nw_book *book, const char *night_or_target,
                             struct nw_paths *ret, struct nw_err *err) NW_CHECKED;

struct nw_book_change {
    int64_t id;
    bool is_owners; /* else noticed in the headers */
    char date[NW_BOOK_DATE];
    char camera[72], what[160], old_value[80], new_value[80], note[400];
};
enum nw_status nw_book_changes(struct nw_book *book, const char *from, const char *to,
                               struct nw_book_change **ret, size_t *ret_n,
                               struct nw_err *err) NW_CHECKED;
/* The owner's own entry. DOMAIN: no date, no words. */
enum nw_status nw_book_note(struct nw_book *book, const char *date, const char *what,
                            const char *note, int64_t *ret_id, struct nw_err *err) NW_CHECKED;
enum nw_status nw_book_forget_note(struct nw_book *book, int64_t id, struct nw_err *err) NW_CHECKED;

/* ---- Trends ------------------------------------------------------------------------------- */

/* One number against another: columns of the views (those of nw_book_export_csv), "dew_margin_k" or
 * with its table "climate.dew_margin_k"; "night" counts days since the first night of the data. Of
 * two tables the medians of nights are set against each other. */
struct nw_book_trend_opts {
    const char *y, *x;
    const char *filter, *object, *camera; /* NULL or "": all; where the table has them */
    const char *const *filter_names;      /* what else headers call that filter */
    size_t n_filter_names;
    const char *const *where; /* "COLUMN=VALUE" */
    size_t n_where;
    const char *from, *to; /* dates */
    bool is_by_night;      /* medians of nights, else every row */
};
struct nw_book_point {
    double x, y;
    char date[NW_BOOK_DATE];
};
struct nw_book_trend {
    struct nw_book_point *points;
    size_t n, n_nights;
    double slope, slope_low, slope_high; /* 95 %; NaN under 3 nights or 8 points */
    double at_x, at_y;                   /* the line goes through here */
    double scatter;                      /* robust sigma about the line */
    double rank_correlation;             /* Spearman */
    char why_null[120];
};
/* Straight line by a robust M-estimate (Beaton & Tukey 1974, Technometrics 16, 147: bisquare, c =
 * 4.685 robust sigmas). Interval: 95 % of 400 resamplings of whole nights, seeded, which keep the
 * frames of one night together (they share their air). Over 4000 rows the medians of up to that
 * many groups of neighbours within nights stand for them. NOTFOUND: a column that is not there
 * (with the nearest); DATA: no row has both, or rows of several kinds (circuits,
 * trials, limits of hot pixels), which `where` must choose from; USAGE: no condition. */
enum nw_status nw_book_trend(struct nw_book *book, const struct nw_book_trend_opts *opts,
                             struct nw_book_trend *ret, struct nw_err *err) NW_CHECKED;
void nw_book_trend_done(struct nw_book_trend *trend);

struct nw_rig;
/* What frame headers call a filter: `wanted` itself first, then its name and `also` in the rig, or
 * (NULL) in the newest rig files of the book. nw_paths_done. */
enum nw_status nw_book_filter_names(struct nw_book *book, const struct nw_rig *rig,
                                    const char *wanted, struct nw_paths *ret,
                                    struct nw_err *err) NW_CHECKED;

/* ---- Acceptance --------------------------------------------------------------------------- */

#define NW_BOOK_VERDICT_LIST(X)                                                                    \
    X(SAME, "as it was")                                                                           \
    X(WORSE, "not as it was")                                                                      \
    X(BETTER, "better than it was")                                                                \
    X(UNKNOWN, "cannot be told")
enum nw_book_verdict {
#define X(name, text) NW_BOOK_IS_##name,
    NW_BOOK_VERDICT_LIST(X)
#undef X
};
const char *nw_book_verdict_text(enum nw_book_verdict verdict);

struct nw_book_check { /* one quantity tonight against the nights before */
    const char *what, *unit;
    double tonight, usual, low, high; /* band of unchanged nights: all checks of a night inside in
                                         19 of 20 */
    size_t n_nights;
    enum nw_book_verdict verdict;
    char why[160]; /* of UNKNOWN, or what it means */
};
enum { NW_BOOK_CHECKS = 20 };
struct nw_book_acceptance { /* of one train and filter */
    char date[NW_BOOK_DATE], camera[72], filter[32], object[72];
    size_t n_subs; /* looked at: the first three of the night */
    struct nw_book_check checks[NW_BOOK_CHECKS];
    size_t n_checks, n_off;
};
/* The first three subs of each train and filter of a night against that train's nights before with
 * the same filter. date NULL or "": the last night. NOTFOUND: no such night. */
enum nw_status nw_book_accept(struct nw_book *book, const char *date,
                              struct nw_book_acceptance **ret, size_t *ret_n,
                              struct nw_err *err) NW_CHECKED;

/* ---- Upkeep ------------------------------------------------------------------------------- */

struct nw_book_health {
    size_t n_contents, n_frames, n_measures, n_runs, n_samples, n_nights, n_changes, n_rigs;
    size_t n_climate, n_climate_rows, n_power, n_power_rows; /* nights of logs and their rows */
    size_t n_documents, n_sets;
    int64_t size_bytes;
    size_t n_problems;
    char problems[8][160];
};
/* sqlite's integrity check, foreign keys, and what only we know: every frame has its content, every
 * measured light its measure, no exposure twice. */
enum nw_status nw_book_check(struct nw_book *book, struct nw_book_health *ret,
                             struct nw_err *err) NW_CHECKED;

/* Tables as the views show them: "sub", "guiding", "climate", "power", "surface", "trial",
 * "calibration", "sensor", "hot_pixel", "plan", "change", "file". Rows to CSV (RFC 4180; empty: not
 * known). NOTFOUND: no such table, with the names. */
enum nw_status nw_book_export_csv(struct nw_book *book, const char *table, struct nw_buf *ret,
                                  struct nw_err *err) NW_CHECKED;
/* A whole copy while others may go on writing (sqlite's VACUUM INTO), atomically in its place. */
enum nw_status nw_book_backup(struct nw_book *book, const char *path,
                              struct nw_err *err) NW_CHECKED;

#endif
