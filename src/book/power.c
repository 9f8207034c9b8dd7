/* power.c - power logs into the book, cut into nights. */
#include <math.h>

#include "book/readings.h"

enum { MEASURES = 3 };

/* The columns of one circuit: volts, amps, watts; SIZE_MAX: not logged. */
struct circuit {
    char name[NW_NAME_SIZE];
    size_t at[MEASURES];
};

static size_t list_circuits(const struct nw_power_rows *rows, struct circuit *ret) {
    static const char UNITS[] = "VAW";
    size_t n = 0;
    for (size_t k = 0; k < rows->n_columns; k++) {
        char name[NW_NAME_SIZE];
        const char *const column = rows->columns[k];
        const size_t len = strlen(column) - 2;
        size_t i = 0;
        (void)snprintf(name, sizeof name, "%.*s", (int)len, column);
        while (i < n && !nw_text_equal_nocase(ret[i].name, name)) {
            i++;
        }
        if (i == n) {
            nw_text_copy(ret[n].name, sizeof ret[n].name, name);
            memset(ret[n].at, 0xff, sizeof ret[n].at);
            n++;
        }
        ret[i].at[strchr(UNITS, column[len + 1]) - UNITS] = k;
    }
    return n;
}

static double value_at(const struct nw_power_rows *rows, const struct circuit *c, size_t which,
                       size_t row) {
    if (c->at[which] != SIZE_MAX) {
        return rows->data[c->at[which] * rows->n + row];
    }
    return which == 2 && c->at[0] != SIZE_MAX && c->at[1] != SIZE_MAX
               ? rows->data[c->at[0] * rows->n + row] * rows->data[c->at[1] * rows->n + row]
               : NAN;
}

static double median3(double a, double b, double c) {
    return fmax(fmin(a, b), fmin(fmax(a, b), c));
}

struct extremes {
    double low, low_t_s, mean, high;
};

/* Low and high of medians of three neighbours, so that one wrong row makes none. */
static struct extremes look(const struct nw_power_rows *rows, const struct circuit *c, size_t which,
                            const struct book_piece *piece) {
    struct extremes e = {.low = NAN, .low_t_s = NAN, .mean = NAN, .high = NAN};
    double last[2] = {NAN, NAN};
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = piece->first; i < piece->first + piece->n; i++) {
        const double value = value_at(rows, c, which, i);
        if (!isfinite(value)) {
            continue;
        }
        sum += value;
        n++;
        const double middle = n < 3 ? value : median3(last[0], last[1], value);
        if (n >= 3 || piece->n < 3) {
            e.high = e.high >= middle ? e.high : middle;
            if (!(e.low <= middle)) {
                e.low = middle;
                e.low_t_s = rows->t_s[i];
            }
        }
        last[0] = last[1];
        last[1] = value;
    }
    e.mean = n > 0 ? sum / (double)n : NAN;
    return e;
}

static double energy_J(const struct nw_power_rows *rows, const struct circuit *c,
                       const struct book_piece *piece) {
    double sum = NAN;
    for (size_t i = piece->first + 1; i < piece->first + piece->n; i++) {
        const double dt_s = rows->t_s[i] - rows->t_s[i - 1];
        const double both = value_at(rows, c, 2, i) + value_at(rows, c, 2, i - 1);
        if (isfinite(both) && dt_s <= 5.0 * piece->step_s) {
            sum = (isfinite(sum) ? sum : 0.0) + 0.5 * both * dt_s;
        }
    }
    return sum;
}

static enum nw_status write_readings(struct nw_book *book, int64_t run,
                                     const struct nw_power_rows *rows,
                                     const struct book_piece *piece, struct nw_err *err) {
    struct circuit *const circuits = nw_calloc(rows->n_columns, sizeof *circuits);
    enum nw_status status = circuits ? NW_OK : nw_err_set(err, NW_NOMEM, "circuits of a power log");
    const size_t n = circuits ? list_circuits(rows, circuits) : 0;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct circuit *const c = &circuits[i];
        const struct extremes volts = look(rows, c, 0, piece);
        const struct extremes amps = look(rows, c, 1, piece);
        const struct extremes watts = look(rows, c, 2, piece);
        struct book_row row = {.table = "power_reading"};
        book_row_put(&row, "run_id", book_int(run));
        book_row_put(&row, "circuit", book_text(c->name));
        book_row_put(&row, "low_V", book_real(volts.low));
        book_row_put(&row, "mean_V", book_real(volts.mean));
        book_row_put(&row, "high_V", book_real(volts.high));
        book_row_put(&row, "low_A", book_real(amps.low));
        book_row_put(&row, "mean_A", book_real(amps.mean));
        book_row_put(&row, "high_A", book_real(amps.high));
        book_row_put(&row, "mean_W", book_real(watts.mean));
        book_row_put(&row, "high_W", book_real(watts.high));
        book_row_put(&row, "energy_J", book_real(energy_J(rows, c, piece)));
        book_row_put(&row, "low_V_utc_s", book_real(rows->has_clock ? volts.low_t_s : NAN));
        status = book_row_insert(book, &row, err);
    }
    free(circuits);
    return status;
}

static enum nw_status write_piece(struct nw_book *book, const struct book_source *source,
                                  const struct nw_power_rows *rows,
                                  const struct book_columns *columns,
                                  const struct book_piece *piece, struct nw_err *err) {
    const double start_s = rows->t_s[piece->first];
    struct book_row row = {.table = "power_run"};
    struct book_value night;
    char *names = NULL;
    unsigned char *bytes = NULL;
    enum nw_status status =
        book_night_id(book, rows->has_clock ? start_s : NAN, source->longitude_rad, &night, err);
    book_row_put(&row, "content_id", book_int(source->content_id));
    book_row_put(&row, "number", book_size(source->number));
    book_row_put(&row, "night_id", night);
    book_row_put(&row, "start_utc_s", book_real(rows->has_clock ? start_s : NAN));
    book_row_put(&row, "duration_s", book_real(rows->t_s[piece->first + piece->n - 1] - start_s));
    book_row_put(&row, "step_s", book_real(piece->step_s));
    book_row_put(&row, "n_samples", book_size(piece->n));
    book_row_put(&row, "gap_s", book_real(piece->gap_s));
    status = status == NW_OK ? book_put_samples(&row, columns, piece, &names, &bytes, err) : status;
    status = status == NW_OK ? book_row_insert(book, &row, err) : status;
    free(names);
    free(bytes);
    return status == NW_OK ? write_readings(book, book_last_id(book), rows, piece, err) : status;
}

enum nw_status book_write_power(struct nw_book *book, struct book_source *source,
                                const struct nw_power_rows *rows, struct nw_err *err) {
    struct book_columns *const columns = nw_calloc(1, sizeof *columns);
    enum nw_status status = columns ? NW_OK : nw_err_set(err, NW_NOMEM, "columns of a power log");
    for (size_t k = 0; status == NW_OK && k < rows->n_columns && k < BOOK_COLUMNS_MAX; k++) {
        columns->data[k] = rows->data + k * rows->n;
        nw_text_copy(columns->names[k], sizeof columns->names[k], rows->columns[k]);
        columns->n_columns = k + 1;
        columns->t_s = rows->t_s;
    }
    for (size_t first = 0; first < rows->n && status == NW_OK;) {
        struct book_piece piece;
        source->number++;
        status = book_piece_from(rows->t_s, rows->n, first, rows->has_clock, source->longitude_rad,
                                 &piece, err);
        if (status == NW_OK) {
            status = write_piece(book, source, rows, columns, &piece, err);
            first += piece.n;
        }
    }
    free(columns);
    return status;
}
