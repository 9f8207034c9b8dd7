/* live_volts.c - of the power log of a night the circuit whose volts dip deepest, minute by minute.
 * Mains is left out: what its volts do is the street's affair. */
#include <math.h>

#include "book/evidence.h"
#include "book/live_internal.h"

static const double MOST_V = 60.0, LEAST_V = 3.0, STEP_S = 60.0;

double live_usual_power(const struct nw_power_rows *rows, size_t column, double *work) {
    size_t n = 0;
    for (size_t i = 0; i < rows->n; i++) {
        const double value = rows->data[column * rows->n + i];
        if (isfinite(value)) {
            work[n++] = value;
        }
    }
    return n > 0 ? nw_stat_median(work, n) : NAN;
}

static double least_of(const struct nw_power_rows *rows, size_t column) {
    double least = INFINITY;
    for (size_t i = 0; i < rows->n; i++) {
        least = fmin(least, rows->data[column * rows->n + i]); /* NaN is passed over */
    }
    return least;
}

/* SIZE_MAX: no column of volts. */
static size_t deepest(const struct nw_power_rows *rows, double *work, double *ret_usual_V) {
    size_t found = SIZE_MAX;
    double share = INFINITY;
    for (size_t k = 0; k < rows->n_columns; k++) {
        const size_t len = strlen(rows->columns[k]);
        if (len < 3 || strcmp(rows->columns[k] + len - 2, " V") != 0) {
            continue;
        }
        const double usual = live_usual_power(rows, k, work);
        const double least = least_of(rows, k) / usual;
        if (usual > LEAST_V && usual < MOST_V && least < share) {
            share = least;
            found = k;
            *ret_usual_V = usual;
        }
    }
    return found;
}

/* Returns how many minutes; to: as long as rows. */
static size_t take_minutes(const struct nw_power_rows *rows, size_t column,
                           struct nw_live_volts *to) {
    size_t n = 0;
    for (size_t i = 0; i < rows->n; i++) {
        const double value = rows->data[column * rows->n + i];
        if (!isfinite(value)) {
            continue;
        }
        if (n > 0 && rows->t_s[i] - to[n - 1].t_utc_s < STEP_S) {
            to[n - 1].volts = fmin(to[n - 1].volts, value);
        } else {
            to[n++] = (struct nw_live_volts){rows->t_s[i], value};
        }
    }
    return n;
}

enum nw_status live_read_volts(struct nw_book *book, struct nw_live *live, struct nw_err *err) {
    struct nw_power_rows rows = {.n = 0};
    enum nw_status status = nw_book_power(book, live->date, &rows, err);
    if (status != NW_OK || rows.n == 0) {
        nw_power_rows_done(&rows);
        return status;
    }
    double *const work = nw_calloc(rows.n + 1, sizeof *work);
    struct nw_live_volts *const minutes = nw_calloc(rows.n + 1, sizeof *minutes);
    live->volts = minutes;
    if (work && minutes) {
        const size_t column = deepest(&rows, work, &live->usual_V);
        if (column != SIZE_MAX) {
            const size_t len = strlen(rows.columns[column]) - 2;
            nw_text_copy(live->volts_of,
                         len + 1 < sizeof live->volts_of ? len + 1 : sizeof live->volts_of,
                         rows.columns[column]);
            live->n_volts = take_minutes(&rows, column, minutes);
        }
    } else {
        status = nw_err_set(err, NW_NOMEM, "power log of %zu rows", rows.n);
    }
    free(work);
    nw_power_rows_done(&rows);
    return status;
}
