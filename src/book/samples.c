/* samples.c - rows of climate and power logs as bytes, and back; where a night ends. */
#include <math.h>

#include "book/readings.h"

enum { TIME_BYTES = 8, VALUE_BYTES = 4, MAX_SAMPLES = 5000000 };
static const double GAP = 5.0; /* times the usual step, as in power_log.h */

static enum nw_status look_at_steps(const double *t_s, struct book_piece *piece,
                                    struct nw_err *err) {
    double *const steps = nw_calloc(piece->n, sizeof *steps);
    if (!steps) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", piece->n);
    }
    for (size_t i = 1; i < piece->n; i++) {
        steps[i - 1] = t_s[piece->first + i] - t_s[piece->first + i - 1];
    }
    piece->step_s = piece->n > 1 ? nw_stat_median(steps, piece->n - 1) : NAN;
    for (size_t i = 1; i < piece->n; i++) {
        const double step_s = t_s[piece->first + i] - t_s[piece->first + i - 1];
        piece->gap_s += step_s > GAP * piece->step_s ? step_s : 0.0;
    }
    free(steps);
    return NW_OK;
}

enum nw_status book_piece_from(const double *t_s, size_t n_rows, size_t first, bool is_dated,
                               double longitude_rad, struct book_piece *ret, struct nw_err *err) {
    char night[NW_BOOK_DATE];
    char date[NW_BOOK_DATE];
    size_t end = n_rows;
    if (is_dated) {
        nw_book_night_date(t_s[first], longitude_rad, night);
        for (end = first + 1; end < n_rows; end++) {
            nw_book_night_date(t_s[end], longitude_rad, date);
            if (strcmp(date, night) != 0) {
                break;
            }
        }
    }
    *ret = (struct book_piece){.first = first, .n = end - first};
    return look_at_steps(t_s, ret, err);
}

enum nw_status book_put_samples(struct book_row *row, const struct book_columns *columns,
                                const struct book_piece *piece, char **ret_names,
                                unsigned char **ret_bytes, struct nw_err *err) {
    const size_t row_bytes = TIME_BYTES + VALUE_BYTES * columns->n_columns;
    struct nw_buf names;
    nw_buf_init(&names, BOOK_COLUMNS_BYTES);
    nw_buf_printf(&names, "%s", "");
    for (size_t k = 0; k < columns->n_columns; k++) {
        nw_buf_printf(&names, "%s\n", columns->names[k]);
    }
    unsigned char *const bytes = nw_calloc(piece->n + 1, row_bytes);
    if (!bytes || nw_buf_failed(&names)) {
        free(bytes);
        nw_buf_done(&names);
        return nw_err_set(err, NW_NOMEM, "%zu rows", piece->n);
    }
    for (size_t i = 0; i < piece->n; i++) {
        unsigned char *to = bytes + row_bytes * i;
        uint64_t bits = 0;
        memcpy(&bits, &columns->t_s[piece->first + i], sizeof bits);
        book_put_bits(to, bits, TIME_BYTES);
        to += TIME_BYTES;
        for (size_t k = 0; k < columns->n_columns; k++, to += VALUE_BYTES) {
            book_put_float(to, columns->data[k][piece->first + i]);
        }
    }
    *ret_names = nw_strdup(names.data);
    nw_buf_done(&names);
    *ret_bytes = bytes;
    if (!*ret_names) {
        return nw_err_set(err, NW_NOMEM, "names of columns");
    }
    book_row_put(row, "columns", book_text(*ret_names));
    book_row_put(row, "samples", book_blob(bytes, row_bytes * piece->n));
    return NW_OK;
}

/* ---- Back ----------------------------------------------------------------------------------- */

void book_samples_done(struct book_samples *samples) {
    for (size_t k = 0; k < samples->n_columns; k++) {
        free(samples->data[k]);
    }
    free(samples->t_s);
    *samples = (struct book_samples){.n = 0};
}

static enum nw_status make_room(struct book_samples *to, size_t n, struct nw_err *err) {
    size_t cap = to->cap;
    enum nw_status status = nw_grow((void **)&to->t_s, &cap, n, sizeof *to->t_s, MAX_SAMPLES, err);
    for (size_t k = 0; k < to->n_columns && status == NW_OK; k++) {
        size_t own = to->cap;
        status = nw_grow((void **)&to->data[k], &own, n, sizeof *to->data[k], MAX_SAMPLES, err);
    }
    to->cap = status == NW_OK ? cap : to->cap;
    return status;
}

/* The column of this name, made (all NaN so far) when it is new. */
static enum nw_status find_column(struct book_samples *to, const char *name, size_t *ret,
                                  struct nw_err *err) {
    for (*ret = 0; *ret < to->n_columns; (*ret)++) {
        if (strcmp(to->names[*ret], name) == 0) {
            return NW_OK;
        }
    }
    if (to->n_columns == BOOK_COLUMNS_MAX) {
        return nw_err_set(err, NW_LIMIT, "over %d columns in the logs of a night",
                          BOOK_COLUMNS_MAX);
    }
    double *const data = nw_calloc(to->cap + 1, sizeof *data);
    if (!data) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", to->cap);
    }
    for (size_t i = 0; i < to->n; i++) {
        data[i] = NAN;
    }
    to->data[*ret] = data;
    nw_text_copy(to->names[*ret], sizeof to->names[*ret], name);
    to->n_columns++;
    return NW_OK;
}

enum nw_status book_take_samples(struct book_samples *to, const char *names, const void *bytes,
                                 size_t n_bytes, struct nw_err *err) {
    size_t at[BOOK_COLUMNS_MAX];
    size_t n_columns = 0;
    enum nw_status status = NW_OK;
    for (const char *line = names; line && *line != '\0' && status == NW_OK;) {
        const char *const end = strchr(line, '\n');
        char name[NW_NAME_SIZE + 2];
        const size_t len = end ? (size_t)(end - line) : strlen(line);
        if (n_columns == BOOK_COLUMNS_MAX) {
            return nw_err_set(err, NW_LIMIT, "over %d columns in a log", BOOK_COLUMNS_MAX);
        }
        (void)snprintf(name, sizeof name, "%.*s", (int)(len < sizeof name ? len : 0), line);
        status = find_column(to, name, &at[n_columns++], err);
        line = end ? end + 1 : NULL;
    }
    const size_t row_bytes = TIME_BYTES + VALUE_BYTES * n_columns;
    const size_t n = n_bytes / row_bytes;
    status = status == NW_OK ? make_room(to, to->n + n, err) : status;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const unsigned char *from = (const unsigned char *)bytes + row_bytes * i;
        const size_t row = to->n + i;
        to->t_s[row] = book_get_double(from);
        for (size_t k = 0; k < to->n_columns; k++) {
            to->data[k][row] = NAN;
        }
        from += TIME_BYTES;
        for (size_t k = 0; k < n_columns; k++, from += VALUE_BYTES) {
            to->data[at[k]][row] = book_get_float(from);
        }
    }
    to->n += status == NW_OK ? n : 0;
    return status;
}

struct book_range book_range_of(const double *values, size_t first, size_t n) {
    struct book_range range = {.low = NAN, .mean = NAN, .high = NAN};
    double sum = 0.0;
    for (size_t i = first; i < first + n; i++) {
        if (isfinite(values[i])) {
            range.low = range.n == 0 ? values[i] : fmin(range.low, values[i]);
            range.high = range.n == 0 ? values[i] : fmax(range.high, values[i]);
            sum += values[i];
            range.n++;
        }
    }
    range.mean = range.n > 0 ? sum / (double)range.n : NAN;
    return range;
}
