/* nights.c - the nights of the book, a line each.
 * Idea: one pass over the light frames in order of night fills the work arrays of medians; counts
 * of what is no light come from small queries of their own. */
#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"

enum { MAX_NIGHTS = 1000000, MAX_SUBS = 100000000 };

/* The subs of the night that is being gathered. */
struct gathered {
    double *fwhm_px, *fwhm_arcsec;
    size_t n_px, n_arcsec, cap_px, cap_arcsec;
};

static enum nw_status add_number(double **items, size_t *n, size_t *cap, double value,
                                 struct nw_err *err) {
    if (!isfinite(value)) {
        return NW_OK;
    }
    const enum nw_status status =
        nw_grow((void **)items, cap, *n + 1, sizeof **items, MAX_SUBS, err);
    if (status == NW_OK) {
        (*items)[(*n)++] = value;
    }
    return status;
}

/* Adds a name to "a, b" unless it is there. */
static void add_name(char *list, size_t size, const char *name) {
    const size_t n_name = strlen(name);
    if (n_name == 0) {
        return;
    }
    for (const char *at = list; (at = strstr(at, name)) != NULL; at++) {
        const bool is_start = at == list || (at >= list + 2 && at[-2] == ',' && at[-1] == ' ');
        if (is_start && (at[n_name] == '\0' || at[n_name] == ',')) {
            return;
        }
    }
    const size_t len = strlen(list);
    if (len + n_name + 3 <= size) {
        (void)snprintf(list + len, size - len, "%s%s", len ? ", " : "", name);
    }
}

static void finish(struct nw_book_night *night, struct gathered *g) {
    night->fwhm_px = g->n_px ? nw_stat_median(g->fwhm_px, g->n_px) : NAN;
    night->fwhm_arcsec = g->n_arcsec ? nw_stat_median(g->fwhm_arcsec, g->n_arcsec) : NAN;
    night->best_arcsec = g->n_arcsec ? nw_stat_quantile(g->fwhm_arcsec, g->n_arcsec, 0.1) : NAN;
    g->n_px = 0;
    g->n_arcsec = 0;
}

/* Guide runs by night: rms by samples, motion likewise. */
static enum nw_status fill_guiding(struct nw_book *book, struct nw_book_night *night,
                                   struct nw_err *err) {
    const struct book_value value = book_text(night->date);
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT count(*), sqrt(sum(samples_used * rms_logged_arcsec * rms_logged_arcsec) / "
        "sum(CASE WHEN rms_logged_arcsec IS NOT NULL THEN samples_used END)), "
        "sqrt(sum(samples_used * motion_in_sub_arcsec * motion_in_sub_arcsec) / sum(CASE WHEN "
        "motion_in_sub_arcsec IS NOT NULL THEN samples_used END)) FROM guiding WHERE night = ?1",
        &value, 1, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        night->n_runs = (size_t)sqlite3_column_int64(statement, 0);
        night->rms_arcsec = book_column_real(statement, 1);
        night->motion_arcsec = book_column_real(statement, 2);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status fill_counts(struct nw_book *book, struct nw_book_night *night,
                                  struct nw_err *err) {
    const struct book_value value = book_text(night->date);
    int64_t n = 0;
    enum nw_status status =
        book_int_of(book,
                    "SELECT count(*) FROM frame JOIN night ON night.id = night_id WHERE date = ?1 "
                    "AND use <> 'light'",
                    &value, 1, &n, err);
    night->n_calibration = (size_t)n;
    if (status == NW_OK) {
        status =
            book_int_of(book, "SELECT count(*) FROM change WHERE date = ?1", &value, 1, &n, err);
        night->n_changes = (size_t)n;
    }
    return status == NW_OK ? fill_guiding(book, night, err) : status;
}

static enum nw_status take_row(sqlite3_stmt *row, struct nw_book_night *night, struct gathered *g,
                               struct nw_err *err) {
    enum { DATE, FRAME, START, EXPOSURE, OBJECT, FILTER, FWHM, SCALE };
    char text[72];
    if (sqlite3_column_type(row, FRAME) == SQLITE_NULL) {
        return NW_OK; /* a night without lights */
    }
    const double start_s = book_column_real(row, START);
    const double exposure_s = book_column_real(row, EXPOSURE);
    const double fwhm_px = book_column_real(row, FWHM);
    night->n_lights++;
    night->exposure_s += isfinite(exposure_s) ? exposure_s : 0.0;
    night->t_first_s = fmin(night->t_first_s, start_s);
    night->t_last_s = fmax(night->t_last_s, start_s + (isfinite(exposure_s) ? exposure_s : 0.0));
    book_column_text(row, OBJECT, text, sizeof text);
    add_name(night->objects, sizeof night->objects, text);
    book_column_text(row, FILTER, text, sizeof text);
    add_name(night->filters, sizeof night->filters, text);
    const enum nw_status status = add_number(&g->fwhm_px, &g->n_px, &g->cap_px, fwhm_px, err);
    return status == NW_OK ? add_number(&g->fwhm_arcsec, &g->n_arcsec, &g->cap_arcsec,
                                        fwhm_px * book_column_real(row, SCALE), err)
                           : status;
}

static const char LIGHTS[] =
    "SELECT night.date, frame.id, t_start_utc_s, exposure_s, object, filter, fwhm_px, "
    "degrees(pixel_m / focal_length_m) * 3600 FROM night LEFT JOIN frame ON frame.night_id = "
    "night.id AND use = 'light' AND NOT is_double LEFT JOIN measure ON measure.frame_id = frame.id "
    "AND measure.channel IN ('mono', 'G') WHERE date >= ?1 AND (?2 = '' OR date <= ?2) ORDER BY "
    "night.date";

/* Nights in order, lights gathered into each. */
static enum nw_status walk(struct nw_book *book, sqlite3_stmt *statement,
                           struct nw_book_night **nights, size_t *n, struct nw_err *err) {
    struct gathered g = {0};
    enum nw_status status = NW_OK;
    size_t cap = 0;
    bool is_row = true;
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        char date[NW_BOOK_DATE];
        book_column_text(statement, 0, date, sizeof date);
        if (*n == 0 || strcmp((*nights)[*n - 1].date, date) != 0) {
            if (*n > 0) {
                finish(&(*nights)[*n - 1], &g);
            }
            status = nw_grow((void **)nights, &cap, *n + 1, sizeof **nights, MAX_NIGHTS, err);
            if (status != NW_OK) {
                break;
            }
            (*nights)[(*n)++] = (struct nw_book_night){
                .t_first_s = INFINITY, .t_last_s = -INFINITY, .fwhm_px = NAN};
            nw_text_copy((*nights)[*n - 1].date, NW_BOOK_DATE, date);
        }
        status = take_row(statement, &(*nights)[*n - 1], &g, err);
    }
    if (*n > 0) {
        finish(&(*nights)[*n - 1], &g);
    }
    free(g.fwhm_px);
    free(g.fwhm_arcsec);
    return status;
}

enum nw_status nw_book_nights(struct nw_book *book, const char *from, const char *to,
                              struct nw_book_night **ret, size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : "")};
    struct nw_book_night *nights = NULL;
    size_t n = 0;
    sqlite3_stmt *statement = NULL;
    enum nw_status status = book_prepare(book, LIGHTS, values, 2, &statement, err);
    if (status == NW_OK) {
        status = walk(book, statement, &nights, &n, err);
    }
    (void)sqlite3_finalize(statement);
    size_t n_kept = 0;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        struct nw_book_night night = nights[i];
        if (!isfinite(night.t_first_s)) {
            night.t_first_s = NAN;
            night.t_last_s = NAN;
        }
        status = fill_counts(book, &night, err);
        /* a date that only a climate log or a plan has is no night at the telescope */
        if (night.n_lights + night.n_calibration + night.n_runs + night.n_changes > 0) {
            nights[n_kept++] = night;
        }
    }
    n = n_kept;
    if (status == NW_OK) {
        *ret = nights;
        *ret_n = n;
    } else {
        free(nights);
    }
    return status;
}
