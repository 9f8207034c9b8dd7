/* gaps_read.c - the tracks of a night out of the book; what was found, kept for months. */
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/evidence.h"
#include "book/gaps_internal.h"
#include "book/live_internal.h"
#include "book/readings.h"

enum { MAX_ROWS = 5000000 };
static const double HOT_K = 343.15, HOT_BEFORE_S = 900.0; /* of a PC: common practice, no source */

/* ---- Guide log ------------------------------------------------------------------------------ */

struct guide {
    double *t_s, *pauses;
    bool *has_star;
    size_t n, n_pauses, caps[3];
};

static enum nw_status take_samples(struct guide *guide, const unsigned char *bytes, size_t n_bytes,
                                   struct nw_err *err) {
    const size_t n = n_bytes / BOOK_SAMPLE_BYTES;
    enum nw_status status = nw_grow((void **)&guide->t_s, &guide->caps[0], guide->n + n + 1,
                                    sizeof *guide->t_s, MAX_ROWS, err);
    if (status == NW_OK) {
        status = nw_grow((void **)&guide->has_star, &guide->caps[1], guide->n + n + 1,
                         sizeof *guide->has_star, MAX_ROWS, err);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const unsigned char *const row = bytes + BOOK_SAMPLE_BYTES * i;
        guide->t_s[guide->n] = book_get_double(row);
        guide->has_star[guide->n++] =
            isfinite(book_get_float(row + 8)) && isfinite(book_get_float(row + 12));
    }
    return status;
}

/* "t pause" ... "t resume" among the events. */
static enum nw_status take_pauses(struct guide *guide, const char *events, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (const char *at = events; at && *at != '\0' && status == NW_OK;) {
        double t_s = NAN;
        const char *const word = nw_text_scan_double(at, &t_s);
        const bool is_open = guide->n_pauses % 2 == 1;
        const char *const wanted = is_open ? " resume" : " pause";
        if (word && strncmp(word, wanted, strlen(wanted)) == 0) {
            status = nw_grow((void **)&guide->pauses, &guide->caps[2], guide->n_pauses + 1,
                             sizeof *guide->pauses, MAX_ROWS, err);
            if (status == NW_OK) {
                guide->pauses[guide->n_pauses++] = t_s;
            }
        }
        at += strcspn(at, "\n");
        at += *at == '\n' ? 1 : 0;
    }
    return status;
}

static enum nw_status take_run(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct guide *const guide = to;
    const enum nw_status status =
        take_samples(guide, sqlite3_column_blob(row, 1), (size_t)sqlite3_column_bytes(row, 1), err);
    return status == NW_OK ? take_pauses(guide, (const char *)sqlite3_column_text(row, 0), err)
                           : status;
}

static enum nw_status read_guide(struct nw_book *book, const char *date, struct guide *guide,
                                 struct nw_err *err) {
    const struct book_value value = book_text(date);
    return book_each_row(
        book,
        "SELECT events, samples FROM guide_run JOIN night ON night.id = night_id WHERE date = ?1 "
        "AND start_utc_s IS NOT NULL ORDER BY start_utc_s",
        &value, 1, take_run, guide, err);
}

/* ---- Together ------------------------------------------------------------------------------- */

/* A PC that was hot before it fell silent; the owner's name of the column says which it is. */
static void add_heat(const struct nw_air_log *climate, struct nw_gap *gap) {
    double hottest_K = -INFINITY;
    for (size_t k = 0; k < climate->n_surfaces; k++) {
        for (size_t i = 0; i < climate->n && book_names_pc(climate->surface_names[k]); i++) {
            const double value = nw_air_log_surface_K(climate, k, i);
            const double before_s = gap->from_s - climate->t_s[i];
            if (before_s >= 0.0 && before_s <= HOT_BEFORE_S && value > hottest_K) {
                hottest_K = value;
            }
        }
    }
    if (hottest_K > HOT_K && (gap->cause == NW_GAP_PC || gap->cause == NW_GAP_CAMERA)) {
        const size_t len = strlen(gap->evidence);
        (void)snprintf(gap->evidence + len, sizeof gap->evidence - len,
                       "; the PC had %.0f degC before it", hottest_K - 273.15);
    }
}

enum nw_status nw_gaps_of_night(struct nw_book *book, const struct nw_live *live,
                                struct nw_gap **ret, size_t *ret_n, struct nw_err *err) {
    struct nw_air_log climate = {.n = 0};
    struct nw_power_rows power = {.n = 0};
    struct guide guide = {.n = 0};
    enum nw_status status = read_guide(book, live->date, &guide, err);
    status = status == NW_OK ? nw_book_climate(book, live->date, &climate, err) : status;
    status = status == NW_OK ? nw_book_power(book, live->date, &power, err) : status;
    if (status == NW_OK) {
        const struct nw_gap_track pauses = {guide.pauses, guide.n_pauses - guide.n_pauses % 2};
        const struct nw_gap_evidence evidence = {
            .live = live,
            .guide = {guide.t_s, guide.n},
            .climate = {climate.t_s, climate.n},
            .has_star = guide.has_star,
            .roof_open = climate.has[NW_AIR_ROOF_OPEN]
                             ? climate.data + (size_t)NW_AIR_ROOF_OPEN * climate.n
                             : NULL,
            .power = power.n > 0 ? &power : NULL,
            .pauses = &pauses,
        };
        status = nw_gaps_find(&evidence, ret, ret_n, err);
    }
    for (size_t i = 0; status == NW_OK && i < *ret_n; i++) {
        add_heat(&climate, &(*ret)[i]);
    }
    free(guide.t_s);
    free(guide.pauses);
    free(guide.has_star);
    nw_air_log_done(&climate);
    nw_power_rows_done(&power);
    return status;
}
