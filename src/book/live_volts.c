/* live_volts.c - of the power log of a night the circuit whose volts dip deepest, minute by minute.
 * Mains is left out: what its volts do is the street's affair. */
#include <math.h>

#include "book/evidence.h"
#include "book/live_internal.h"

static const double MOST_V = 60.0, LEAST_V = 3.0, STEP_S = 60.0;

static double usual_of(const struct nw_power_rows *rows, size_t column, double *work) {
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
        const double usual = usual_of(rows, k, work);
        const double least = least_of(rows, k) / usual;
        if (usual > LEAST_V && usual < MOST_V && least < share) {
            share = least;
            found = k;
            *ret_usual_V = usual;
        }
    }
    return found;
}

static void take_minutes(const struct nw_power_rows *rows, size_t column, struct nw_live *live) {
    for (size_t i = 0; i < rows->n; i++) {
        const double value = rows->data[column * rows->n + i];
        struct nw_live_volts *const last =
            live->n_volts > 0 ? &live->volts[live->n_volts - 1] : NULL;
        if (!isfinite(value)) {
            continue;
        }
        if (last && rows->t_s[i] - last->t_utc_s < STEP_S) {
            last->volts = fmin(last->volts, value);
        } else {
            live->volts[live->n_volts++] = (struct nw_live_volts){rows->t_s[i], value};
        }
    }
}

enum nw_status live_read_volts(struct nw_book *book, struct nw_live *live, struct nw_err *err) {
    struct nw_power_rows rows = {.n = 0};
    enum nw_status status = nw_book_power(book, live->date, &rows, err);
    if (status != NW_OK || rows.n == 0) {
        return status;
    }
    double *const work = nw_calloc(rows.n + 1, sizeof *work);
    live->volts = nw_calloc(rows.n + 1, sizeof *live->volts);
    if (work && live->volts) {
        const size_t column = deepest(&rows, work, &live->usual_V);
        if (column != SIZE_MAX) {
            const size_t len = strlen(rows.columns[column]) - 2;
            nw_text_copy(live->volts_of,
                         len + 1 < sizeof live->volts_of ? len + 1 : sizeof live->volts_of,
                         rows.columns[column]);
            take_minutes(&rows, column, live);
        }
    } else {
        status = nw_err_set(err, NW_NOMEM, "power log of %zu rows", rows.n);
    }
    free(work);
    nw_power_rows_done(&rows);
    return status;
}
