/* book_internal.h - shared by the files of book only: one statement in one call.
 * Texts of SQL are constants; what comes from files is bound, never pasted in. */
#ifndef NW_BOOK_INTERNAL_H
#define NW_BOOK_INTERNAL_H

#include <math.h>
#include <sqlite3.h>

#include "book/book.h"

struct nw_book {
    char *path;
    sqlite3 *db;
    bool can_write;
};

extern const char *const BOOK_SCHEMA[]; /* schema/, in order, NULL at the end */

/* What is bound to the ?1, ?2 ... of a statement. NaN becomes NULL. */
struct book_value {
    enum { BOOK_NULL, BOOK_INT, BOOK_REAL, BOOK_TEXT, BOOK_BLOB } type;
    int64_t whole;
    double real;
    const void *bytes; /* of a text: terminated; NULL becomes NULL */
    size_t len;
};
static inline struct book_value book_int(int64_t value) {
    return (struct book_value){.type = BOOK_INT, .whole = value};
}
static inline struct book_value book_size(size_t value) {
    return book_int((int64_t)value);
}
static inline struct book_value book_real(double value) {
    return (struct book_value){.type = BOOK_REAL, .real = value};
}
static inline struct book_value book_text(const char *text) {
    return (struct book_value){.type = BOOK_TEXT, .bytes = text, .len = text ? strlen(text) : 0};
}
static inline struct book_value book_blob(const void *bytes, size_t len) {
    return (struct book_value){.type = BOOK_BLOB, .bytes = bytes, .len = len};
}

/* The error of the last failed call, with path and what was being done. */
enum nw_status book_fail(struct nw_book *book, const char *what, struct nw_err *err);
enum nw_status book_prepare(struct nw_book *book, const char *sql, const struct book_value *values,
                            size_t n, sqlite3_stmt **ret, struct nw_err *err) NW_CHECKED;
/* Steps once: *ret_is_row says if there is a row. */
enum nw_status book_step(struct nw_book *book, sqlite3_stmt *statement, bool *ret_is_row,
                         struct nw_err *err) NW_CHECKED;
/* Runs a statement that gives no rows, or whose rows do not matter. */
enum nw_status book_run(struct nw_book *book, const char *sql, const struct book_value *values,
                        size_t n, struct nw_err *err) NW_CHECKED;
/* First column of the first row; *ret stays as it is when there is none. */
enum nw_status book_int_of(struct nw_book *book, const char *sql, const struct book_value *values,
                           size_t n, int64_t *ret, struct nw_err *err) NW_CHECKED;
/* All rows of a statement, each to `take`. */
typedef enum nw_status book_take_row(sqlite3_stmt *row, void *to, struct nw_err *err);
enum nw_status book_each_row(struct nw_book *book, const char *sql, const struct book_value *values,
                             size_t n, book_take_row *take, void *to,
                             struct nw_err *err) NW_CHECKED;
/* All rows of a statement as an array: give size, max and take. */
struct book_list {
    size_t size, max; /* of an item in bytes; of items */
    void (*take)(sqlite3_stmt *row, void *item);
    void *items; /* yours to free; NULL after an error */
    size_t n, cap;
};
enum nw_status book_list_rows(struct nw_book *book, const char *sql,
                              const struct book_value *values, size_t n, struct book_list *list,
                              struct nw_err *err) NW_CHECKED;
int64_t book_last_id(const struct nw_book *book);

/* A row for a table of the schema; text and bytes are borrowed until it is inserted. */
enum { BOOK_ROW_MAX = 64 };
struct book_row {
    const char *table;
    const char *names[BOOK_ROW_MAX];
    struct book_value values[BOOK_ROW_MAX];
    size_t n;
};
void book_row_put(struct book_row *row, const char *name, struct book_value value);
enum nw_status book_row_insert(struct nw_book *book, const struct book_row *row,
                               struct nw_err *err) NW_CHECKED;

/* The rows of a statement with one column, as paths. */
enum nw_status book_take_paths(struct nw_book *book, sqlite3_stmt *statement, struct nw_paths *ret,
                               struct nw_err *err) NW_CHECKED;
/* NOTFOUND: no night and no target of that name, with the nearest. */
enum nw_status book_fail_unknown(struct nw_book *book, const char *wanted,
                                 struct nw_err *err) NW_CHECKED;

enum nw_status book_begin(struct nw_book *book, struct nw_err *err) NW_CHECKED;
enum nw_status book_commit(struct nw_book *book, struct nw_err *err) NW_CHECKED;
void book_rollback(struct nw_book *book);

/* Columns of a row: NaN and "" where NULL. */
double book_column_real(sqlite3_stmt *statement, int column);
void book_column_text(sqlite3_stmt *statement, int column, char *to, size_t size);
enum nw_frame_use book_use_of(const char *word); /* of the column `use` */

/* Light brought to the zenith by an extinction of 0.2 mag an airmass (common practice, no source);
 * NaN where the airmass is not known. */
static inline double book_zenith_light(double light, double airmass) {
    static const double EXTINCTION_MAG = 0.2;
    return light * pow(10.0, 0.4 * EXTINCTION_MAG * (airmass - 1.0));
}

/* Verdict of a trial that the owner took back: told.h. */
#define BOOK_TAKEN_BACK "taken back"

/* ---- Packed numbers ------------------------------------------------------------------------- */

enum { BOOK_STAR_BYTES = 20, BOOK_LISTED_STARS = 100, BOOK_SAMPLE_BYTES = 32 };
/* Little-endian, whatever the machine. */
void book_put_bits(unsigned char *to, uint64_t bits, unsigned n_bytes);
void book_put_float(unsigned char *to, double value); /* 32 bits */
uint32_t book_get_bits(const unsigned char *from);    /* 32 bits */
double book_get_float(const unsigned char *from);
double book_get_double(const unsigned char *from); /* 64 bits */
/* Among the events of a guide run: what its header says, "0.0 header aggression=0.7". */
#define BOOK_HEADER_EVENT "header "
/* The listed stars of a frame as those of a measure (stars yours to free; none: NULL): enough of
 * one to be matched and to solve transmission. */
enum nw_status book_read_stars(struct nw_book *book, int64_t frame, const char *channel,
                               struct nw_measure *to, struct nw_err *err) NW_CHECKED;

/* ---- Files -------------------------------------------------------------------------------- */

enum book_kind {
    BOOK_FRAME,
    BOOK_LOG,
    BOOK_CLIMATE,
    BOOK_POWER,
    BOOK_RIG,
    BOOK_DOCUMENT,
    BOOK_FOCUS, /* focus runs as a table: `focus` reads it, the book does not keep it */
    BOOK_NOTHING
};
const char *book_kind_word(enum book_kind kind); /* of content.kind */
/* By its name alone: a table of any kind is a LOG. */
enum book_kind book_kind_of(const char *path);
/* A table by its headings: LOG (of guiding, or unknown), CLIMATE (it may hold volts and amps as
 * well), POWER or FOCUS. */
enum book_kind book_table_kind(const struct nw_table *table);
/* By its name, and of tables by their headings. */
enum book_kind book_look_kind(const char *path);

/* One file on its way into the book. */
struct book_file {
    char *path; /* absolute; owned */
    enum book_kind kind;
    struct nw_file_id id;
    int64_t replaces; /* content id of the log that this one has grown from; 0: none */
};

/* One call of nw_book_add. */
enum { BOOK_BATCH = 8 };
struct book_adding {
    struct nw_book *book;
    const struct nw_book_add_opts *opts;
    struct nw_book_added *added;
    struct book_file frames[BOOK_BATCH]; /* waiting */
    size_t n_frames;
};
/* Lists a file as skipped; `why` may begin with the path. */
enum nw_status book_skip(struct book_adding *a, const char *path, const char *why,
                         struct nw_err *err) NW_CHECKED;
bool book_has_changed(const struct book_file *file); /* since its content was looked at */
enum nw_status book_add_log(struct book_adding *a, struct book_file *file,
                            struct nw_err *err) NW_CHECKED;
enum nw_status book_add_readings(struct book_adding *a, struct book_file *file,
                                 struct nw_err *err) NW_CHECKED; /* climate and power logs */
/* Did this log begin with what the book has of its place? Sets file->replaces. */
enum nw_status book_find_grown(struct nw_book *book, struct book_file *file,
                               struct nw_err *err) NW_CHECKED;
/* The site's, for logs, which do not say it: that given, else of the newest frame. */
enum nw_status book_longitude(struct nw_book *book, const struct nw_book_add_opts *opts,
                              double *ret_rad, struct nw_err *err) NW_CHECKED;
bool book_is_document(const char *path);
enum nw_status book_add_document(struct book_adding *a, const struct book_file *file,
                                 struct nw_err *err) NW_CHECKED;
enum nw_status book_add_rig(struct book_adding *a, const struct book_file *file,
                            struct nw_err *err) NW_CHECKED;

/* Writes content and place; inside a transaction. */
enum nw_status book_add_content(struct nw_book *book, const struct book_file *file,
                                const struct nw_book_add_opts *opts, int64_t *ret_id,
                                struct nw_err *err) NW_CHECKED;
enum nw_status book_set_place(struct nw_book *book, const char *path, int64_t content_id,
                              const struct nw_file_id *id, struct nw_err *err) NW_CHECKED;
/* Noon UTC of "2026-05-14"; NaN: no date. */
double book_date_s(const char *date);
/* The night of this date, made when it is not there, marked stale; NULL for a time unknown. */
enum nw_status book_night_id(struct nw_book *book, double t_utc_s, double longitude_rad,
                             struct book_value *ret, struct nw_err *err) NW_CHECKED;

/* A frame whose header was read and, when a light, measured. */
enum nw_status book_write_frame(struct nw_book *book, int64_t content_id,
                                const struct nw_series_item *item,
                                const struct nw_book_add_opts *opts, struct nw_book_added *added,
                                struct nw_err *err) NW_CHECKED;
/* All runs of a log, analysed. */
struct book_log {
    struct nw_guide_runs *runs;
    struct nw_guide_result *results; /* as many as runs */
};
enum nw_status book_read_log(const char *path, const struct nw_book_add_opts *opts,
                             struct book_log *ret, struct nw_err *err) NW_CHECKED;
void book_log_done(struct book_log *log);
enum nw_status book_write_log(struct nw_book *book, int64_t content_id, const struct book_log *log,
                              const struct nw_book_add_opts *opts, struct nw_book_added *added,
                              struct nw_err *err) NW_CHECKED;

/* Holes of all stale nights, found anew. */
enum nw_status book_refresh_gaps(struct nw_book *book, struct nw_err *err) NW_CHECKED;
/* Looks for changes in all stale nights and those that follow them. */
enum nw_status book_refresh_changes(struct nw_book *book, size_t *ret_n_new,
                                    struct nw_err *err) NW_CHECKED;

#endif
