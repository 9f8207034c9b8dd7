/* climate.c - climate logs into the book, cut into nights, and a night's climate out of it.
 * Idea: all series stay as rows; beside them stands what a night was like: air, humidity, wind, and
 * how near the coldest surface came to its dew or frost point while it stood open. */
#include <math.h>

#include "book/evidence.h"
#include "book/readings.h"

#define SLIPS 0.01 /* rows that may be a slip of probe or hygrometer, as in the damp budget */
static const double DAY_S = 86400.0;

static const double *series(const struct nw_air_log *log, size_t k) {
    return log->data + k * log->n;
}

/* ---- The margin ----------------------------------------------------------------------------- */

struct margin {
    double low_K, at_utc_s, wet_s;
    size_t surface; /* SIZE_MAX: none */
};

static enum nw_status find_margin(const struct nw_air_log *log, const struct book_piece *piece,
                                  struct margin *ret, struct nw_err *err) {
    double *const margins = nw_calloc(piece->n, sizeof *margins);
    size_t n = 0;
    double least_K = NAN;
    *ret = (struct margin){.low_K = NAN, .at_utc_s = NAN, .wet_s = NAN, .surface = SIZE_MAX};
    if (!margins) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", piece->n);
    }
    for (size_t i = piece->first; i < piece->first + piece->n; i++) {
        const struct book_dew_margin row = book_dew_margin_of(log, i);
        const double margin_K = row.margin_K;
        if (!isfinite(margin_K)) {
            continue;
        }
        margins[n++] = margin_K;
        ret->wet_s = isfinite(ret->wet_s) ? ret->wet_s : 0.0;
        ret->wet_s += margin_K <= 0.0 && isfinite(piece->step_s) ? piece->step_s : 0.0;
        if (!(margin_K >= least_K)) {
            least_K = margin_K;
            ret->at_utc_s = log->t_s[i];
            ret->surface = row.surface;
        }
    }
    ret->low_K = n > 0 ? nw_stat_quantile(margins, n, SLIPS) : NAN;
    free(margins);
    return NW_OK;
}

/* ---- A night ----------------------------------------------------------------------------------
 */

/* 18 to 6 h local mean solar time. */
static bool is_by_night(double t_utc_s, double longitude_rad) {
    const double local_s = fmod(t_utc_s + longitude_rad / (2.0 * NW_PI) * DAY_S, DAY_S);
    return local_s < 0.25 * DAY_S || local_s >= 0.75 * DAY_S;
}

/* The rows of the night itself, where the site is known and there are some. */
static struct book_piece dark_part(const struct nw_air_log *log, const struct book_piece *piece,
                                   double longitude_rad) {
    struct book_piece dark = *piece;
    size_t n = 0;
    for (size_t i = 0; i < piece->n && isfinite(longitude_rad); i++) {
        if (is_by_night(log->t_s[piece->first + i], longitude_rad)) {
            dark.first = n == 0 ? piece->first + i : dark.first;
            n = piece->first + i - dark.first + 1;
        }
    }
    dark.n = n > 0 ? n : piece->n;
    return dark;
}

/* Sum of a switch or of watts over time; NaN when it was never logged. */
static double integral(const struct nw_air_log *log, enum nw_air_series which,
                       const struct book_piece *piece) {
    double sum = NAN;
    for (size_t i = piece->first; i + 1 < piece->first + piece->n; i++) {
        const double value = nw_air_log_at(log, which, i);
        if (isfinite(value)) { /* holds from its row on, over a gap as long as a usual step */
            const double step_s = fmin(log->t_s[i + 1] - log->t_s[i], 5.0 * piece->step_s);
            sum = (isfinite(sum) ? sum : 0.0) + value * step_s;
        }
    }
    return sum;
}

/* Slope of the air's temperature by least squares. */
static double air_rate_K_s(const struct nw_air_log *log, const struct book_piece *piece) {
    const double *const air = series(log, NW_AIR_AIR) + piece->first;
    const double *const t = log->t_s + piece->first;
    double n = 0.0;
    double sum_t = 0.0;
    double sum_air = 0.0;
    double tt = 0.0;
    double ta = 0.0;
    for (size_t i = 0; i < piece->n; i++) {
        n += isfinite(air[i]) ? 1.0 : 0.0;
        sum_t += isfinite(air[i]) ? t[i] - t[0] : 0.0;
        sum_air += isfinite(air[i]) ? air[i] : 0.0;
    }
    for (size_t i = 0; i < piece->n; i++) {
        const double dt = t[i] - t[0] - sum_t / n;
        tt += isfinite(air[i]) ? dt * dt : 0.0;
        ta += isfinite(air[i]) ? dt * (air[i] - sum_air / n) : 0.0;
    }
    return n >= 3.0 && tt > 0.0 ? ta / tt : NAN;
}

static struct book_range humidity_of(const struct nw_air_log *log, enum nw_air_series air,
                                     enum nw_air_series vapour, const struct book_piece *piece) {
    struct book_range range = {.low = NAN, .mean = NAN, .high = NAN};
    double sum = 0.0;
    for (size_t i = piece->first; i < piece->first + piece->n; i++) {
        const double share =
            nw_air_humidity(nw_air_log_at(log, air, i), nw_air_log_at(log, vapour, i));
        if (isfinite(share)) {
            range.high = range.n == 0 ? share : fmax(range.high, share);
            sum += share;
            range.n++;
        }
    }
    range.mean = range.n > 0 ? sum / (double)range.n : NAN;
    return range;
}

static enum nw_status put_summary(struct book_row *row, const struct nw_air_log *log,
                                  const struct book_piece *piece, double longitude_rad,
                                  struct nw_err *err) {
    const struct book_piece dark = dark_part(log, piece, longitude_rad);
    const struct book_range air = book_range_of(series(log, NW_AIR_AIR), dark.first, dark.n);
    const struct book_range wind = book_range_of(series(log, NW_AIR_WIND), dark.first, dark.n);
    const struct book_range vapour = book_range_of(series(log, NW_AIR_VAPOUR), dark.first, dark.n);
    const struct book_range cloud = book_range_of(series(log, NW_AIR_CLOUD), dark.first, dark.n);
    const struct book_range outside = humidity_of(log, NW_AIR_AIR, NW_AIR_VAPOUR, &dark);
    const struct book_range room = humidity_of(log, NW_AIR_ROOM, NW_AIR_ROOM_VAPOUR, &dark);
    struct margin margin;
    const enum nw_status status = find_margin(log, piece, &margin, err);
    const struct {
        const char *name;
        double value;
    } all[] = {
        {"air_low_K", air.low},
        {"air_mean_K", air.mean},
        {"air_high_K", air.high},
        {"air_rate_K_s", air_rate_K_s(log, &dark)},
        {"humidity_mean", outside.mean},
        {"humidity_high", outside.high},
        {"dew_point_mean_K", nw_air_dew_point_K(vapour.mean)},
        {"wind_mean_m_s", wind.mean},
        {"wind_high_m_s", wind.high},
        {"cloud_mean", cloud.mean},
        {"room_humidity_high", room.high},
        {"margin_low_K", margin.low_K},
        {"margin_at_utc_s", margin.at_utc_s},
        {"wet_s", margin.wet_s},
        {"open_s", integral(log, NW_AIR_ROOF_OPEN, piece)},
        {"heater_J", integral(log, NW_AIR_HEATER, piece)},
        {"room_heater_J", integral(log, NW_AIR_ROOM_HEATER, piece)},
        {"dryer_s", integral(log, NW_AIR_DRYER, piece)},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0] && status == NW_OK; i++) {
        book_row_put(row, all[i].name, book_real(all[i].value));
    }
    book_row_put(row, "margin_of",
                 book_text(margin.surface < log->n_surfaces ? log->surface_names[margin.surface]
                           : isfinite(margin.low_K)         ? "air"
                                                            : ""));
    return status;
}

/* ---- Writing -------------------------------------------------------------------------------- */

/* What the log holds of series and surfaces; names: the field of a series, "NAME_K" of a surface.
 */
static void list_columns(const struct nw_air_log *log, struct book_columns *to) {
    to->t_s = log->t_s;
    to->n_columns = 0;
    for (size_t k = 0; k < NW_AIR_N_SERIES + log->n_surfaces; k++) {
        const bool is_series = k < NW_AIR_N_SERIES;
        if ((is_series && !log->has[k]) || to->n_columns == BOOK_COLUMNS_MAX) {
            continue;
        }
        (void)snprintf(to->names[to->n_columns], sizeof to->names[0], "%s%s",
                       is_series ? nw_air_series_word((enum nw_air_series)k)
                                 : log->surface_names[k - NW_AIR_N_SERIES],
                       is_series ? "" : "_K");
        to->data[to->n_columns++] = series(log, k);
    }
}

/* "room_vapour_Pa" -> "room vapour", "Pa"; "roof_open" -> "roof open", "1". */
static void split_name(const char *column, char name[static NW_NAME_SIZE + 2],
                       char unit[static 8]) {
    static const char *const UNITS[][2] = {
        {"_m_s", "m/s"}, {"_Pa", "Pa"}, {"_K", "K"}, {"_W", "W"}};
    size_t len = strlen(column);
    (void)snprintf(unit, 8, "1");
    for (size_t i = 0; i < sizeof UNITS / sizeof UNITS[0]; i++) {
        const size_t tail = strlen(UNITS[i][0]);
        if (len > tail && strcmp(column + len - tail, UNITS[i][0]) == 0) {
            (void)snprintf(unit, 8, "%s", UNITS[i][1]);
            len -= tail;
            break;
        }
    }
    (void)snprintf(name, NW_NAME_SIZE + 2, "%.*s", (int)len, column);
    for (char *at = name; *at != '\0'; at++) {
        *at = *at == '_' ? ' ' : *at;
    }
}

static enum nw_status write_readings(struct nw_book *book, int64_t run,
                                     const struct book_columns *columns,
                                     const struct book_piece *piece, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t k = 0; k < columns->n_columns && status == NW_OK; k++) {
        char name[NW_NAME_SIZE + 2];
        char unit[8];
        const struct book_range range = book_range_of(columns->data[k], piece->first, piece->n);
        split_name(columns->names[k], name, unit);
        const struct book_value values[] = {
            book_int(run),        book_text(name),       book_text(unit),      book_size(range.n),
            book_real(range.low), book_real(range.mean), book_real(range.high)};
        if (range.n > 0) {
            status = book_run(book,
                              "INSERT INTO climate_reading VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON "
                              "CONFLICT DO NOTHING",
                              values, 7, err);
        }
    }
    return status;
}

static enum nw_status write_piece(struct nw_book *book, const struct book_source *source,
                                  const struct nw_air_log *log, const struct book_columns *columns,
                                  const struct book_piece *piece, struct nw_err *err) {
    struct book_row row = {.table = "climate_run"};
    struct book_value night;
    char *names = NULL;
    unsigned char *bytes = NULL;
    enum nw_status status =
        book_night_id(book, log->t_s[piece->first], source->longitude_rad, &night, err);
    book_row_put(&row, "content_id", book_int(source->content_id));
    book_row_put(&row, "number", book_size(source->number));
    book_row_put(&row, "night_id", night);
    book_row_put(&row, "start_utc_s", book_real(log->t_s[piece->first]));
    book_row_put(&row, "end_utc_s", book_real(log->t_s[piece->first + piece->n - 1]));
    book_row_put(&row, "step_s", book_real(piece->step_s));
    book_row_put(&row, "n_samples", book_size(piece->n));
    book_row_put(&row, "gap_s", book_real(piece->gap_s));
    status = status == NW_OK ? put_summary(&row, log, piece, source->longitude_rad, err) : status;
    status = status == NW_OK ? book_put_samples(&row, columns, piece, &names, &bytes, err) : status;
    status = status == NW_OK ? book_row_insert(book, &row, err) : status;
    free(names);
    free(bytes);
    return status == NW_OK ? write_readings(book, book_last_id(book), columns, piece, err) : status;
}

enum nw_status book_write_climate(struct nw_book *book, struct book_source *source,
                                  const struct nw_air_log *log, struct nw_err *err) {
    struct book_columns *const columns = nw_calloc(1, sizeof *columns);
    enum nw_status status = columns ? NW_OK : nw_err_set(err, NW_NOMEM, "columns of a climate log");
    if (status == NW_OK) {
        list_columns(log, columns);
    }
    for (size_t first = 0; first < log->n && status == NW_OK;) {
        struct book_piece piece;
        source->number++;
        status = book_piece_from(log->t_s, log->n, first, true, source->longitude_rad, &piece, err);
        if (status == NW_OK) {
            status = write_piece(book, source, log, columns, &piece, err);
            first += piece.n;
        }
    }
    free(columns);
    return status;
}
