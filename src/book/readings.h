/* readings.h - shared by the files of book that keep climate and power logs: rows as bytes, and
 * where a log is cut into nights. */
#ifndef NW_BOOK_READINGS_H
#define NW_BOOK_READINGS_H

#include "air/log.h"
#include "book/book_internal.h"
#include "power/power_log.h"

enum { BOOK_COLUMNS_MAX = 280, BOOK_COLUMNS_BYTES = 1 << 16 };

/* Some columns of a log; borrowed. */
struct book_columns {
    const double *t_s;
    size_t n_columns;
    const double *data[BOOK_COLUMNS_MAX]; /* each as long as t_s */
    char names[BOOK_COLUMNS_MAX][NW_NAME_SIZE + 2];
};
/* One night of them: rows first to first + n - 1. */
struct book_piece {
    size_t first, n;
    double step_s, gap_s; /* NaN: one row */
};
/* The piece that begins at row `first` and ends with its night (with the log when is_dated is
 * false). NOMEM. */
enum nw_status book_piece_from(const double *t_s, size_t n_rows, size_t first, bool is_dated,
                               double longitude_rad, struct book_piece *ret,
                               struct nw_err *err) NW_CHECKED;
/* Puts columns and samples; both are the caller's to free after the insert. NOMEM. */
enum nw_status book_put_samples(struct book_row *row, const struct book_columns *columns,
                                const struct book_piece *piece, char **ret_names,
                                unsigned char **ret_bytes, struct nw_err *err) NW_CHECKED;
/* Of a row that holds `columns` and `samples` at these places: appends its rows to those of
 * `table`, by name; t_s and data grow. */
struct book_samples {
    size_t n, cap, n_columns;
    double *t_s;
    double *data[BOOK_COLUMNS_MAX]; /* NaN where a piece has no such column */
    char names[BOOK_COLUMNS_MAX][NW_NAME_SIZE + 2];
};
enum nw_status book_take_samples(struct book_samples *to, const char *names, const void *bytes,
                                 size_t n_bytes, struct nw_err *err) NW_CHECKED;
void book_samples_done(struct book_samples *samples);

/* Mean, low and high of what is finite; NaN when nothing is. */
struct book_range {
    size_t n;
    double low, mean, high;
};
struct book_range book_range_of(const double *values, size_t first, size_t n);

/* From which file a log is, and for which site its nights turn. */
struct book_source {
    int64_t content_id;
    size_t number; /* pieces written so far */
    double longitude_rad;
};
enum nw_status book_write_climate(struct nw_book *book, struct book_source *source,
                                  const struct nw_air_log *log, struct nw_err *err) NW_CHECKED;
enum nw_status book_write_power(struct nw_book *book, struct book_source *source,
                                const struct nw_power_rows *rows, struct nw_err *err) NW_CHECKED;

/* How far the coldest surface under the sky that a row of a climate log names stands above the dew
 * or frost point of the air; where it names none the air itself (glass under the open sky is
 * colder). NaN: roof shut, things covered, or not known. The computer is no surface. */
struct book_dew_margin {
    double margin_K;
    size_t surface; /* of the log; SIZE_MAX: the air */
    bool is_frost;
};
struct book_dew_margin book_dew_margin_of(const struct nw_air_log *log, size_t row);
bool book_names_pc(const char *name); /* of a column of the climate log */

#endif
