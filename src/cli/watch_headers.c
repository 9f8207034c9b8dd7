/* watch_headers.c - dew out of frame headers, where no climate log of the night is in the book:
 * air, humidity or dew point, and the sensor at the focuser, as far as the capture program writes
 * them. Idea: each header is read once, while its frame is fresh; the book keeps none of it. */
#include <math.h>

#include "air/air.h"
#include "cli/watch.h"

enum { MAX_HEADERS = 20000 };

/* The first of some cards that holds a number. */
static double number_of(const struct nw_frame *frame, const char *const *keys, size_t n) {
    double value = NAN;
    for (size_t i = 0; i < n && !isfinite(value); i++) {
        const struct nw_card *const card = nw_frame_card(frame, keys[i]);
        if (card && !nw_text_to_double(card->value, &value)) {
            value = NAN;
        }
    }
    return value;
}

static struct nw_live_climate margin_of(const struct nw_frame *frame) {
    static const char *const AIR[] = {"AMBTEMP", "AMB-TEMP", "AIRTEMP", "ENVTEMP"};
    static const char *const DEW[] = {"DEWPOINT", "DEW-PT"};
    static const char *const HUMIDITY[] = {"HUMIDITY", "RELHUM"};
    const double air_K = number_of(frame, AIR, sizeof AIR / sizeof AIR[0]) + NW_ZERO_CELSIUS_K;
    const double dew_K = number_of(frame, DEW, sizeof DEW / sizeof DEW[0]) + NW_ZERO_CELSIUS_K;
    const double share = number_of(frame, HUMIDITY, sizeof HUMIDITY / sizeof HUMIDITY[0]) / 100.0;
    const double tube_K = frame->facts.focuser_temperature_K;
    struct nw_live_climate row = {.t_utc_s = frame->facts.t_start_utc_s,
                                  .surface = tube_K < air_K || isnan(air_K) ? 0 : NW_LIVE_AIR};
    const double vapour_Pa =
        isfinite(dew_K) ? nw_air_saturation_water_Pa(dew_K) : nw_air_vapour_Pa(air_K, share);
    const double surface_K = row.surface == 0 ? tube_K : air_K;
    row.margin_K = surface_K - nw_air_wetting_point_K(vapour_Pa, &row.is_frost);
    return row;
}

static bool is_read(const struct watch *w, const char *path) {
    for (size_t i = w->headers.n; i-- > 0;) {
        if (strcmp(w->headers.items[i].path, path) == 0) {
            return true;
        }
    }
    return false;
}

static enum nw_status read_one(struct watch *w, const char *path, struct nw_err *err) {
    const struct nw_frame_opts opts = {.header_only = true};
    struct nw_frame *frame = NULL;
    enum nw_status status = nw_grow((void **)&w->headers.items, &w->headers.cap, w->headers.n + 1,
                                    sizeof *w->headers.items, MAX_HEADERS, err);
    char *const copy = status == NW_OK ? nw_strdup(path) : NULL;
    if (!copy) {
        return status == NW_OK ? nw_err_set(err, NW_NOMEM, "%s", path) : status;
    }
    struct watch_header *const header = &w->headers.items[w->headers.n++];
    *header = (struct watch_header){.path = copy, .row = {.t_utc_s = NAN, .margin_K = NAN}};
    if (nw_frame_read(path, &opts, &frame, NULL) == NW_OK) {
        if (nw_frame_use_of(&frame->facts) == NW_USE_LIGHT) {
            header->row = margin_of(frame);
        }
        nw_frame_free(frame);
    }
    return NW_OK;
}

static int by_time(const void *a, const void *b) {
    const double left = ((const struct nw_live_climate *)a)->t_utc_s;
    const double right = ((const struct nw_live_climate *)b)->t_utc_s;
    return left < right ? -1 : left > right ? 1 : 0;
}

/* Rows within the night of the book. */
static enum nw_status hand_over(const struct watch *w, struct nw_live *live, struct nw_err *err) {
    struct nw_live_climate *const rows = nw_calloc(w->headers.n + 1, sizeof *rows);
    size_t n = 0;
    if (!rows) {
        return nw_err_set(err, NW_NOMEM, "%zu headers", w->headers.n);
    }
    for (size_t i = 0; i < w->headers.n; i++) {
        const struct nw_live_climate *const row = &w->headers.items[i].row;
        if (isfinite(row->margin_K) && row->t_utc_s >= live->subs[0].t_start_utc_s &&
            row->t_utc_s <= live->t_last_end_s) {
            rows[n++] = *row;
        }
    }
    qsort(rows, n, sizeof *rows, by_time);
    free(live->climate);
    live->climate = rows;
    live->n_climate = n;
    live->has_climate = n > 0;
    live->has_humidity = n > 0;
    live->n_surfaces = 1;
    nw_text_copy(live->surfaces[0], sizeof live->surfaces[0], "focuser, by the headers,");
    return NW_OK;
}

enum nw_status watch_read_headers(struct watch *w, struct nw_err *err) {
    struct nw_paths paths = {0};
    if (w->live.has_climate || w->live.n == 0) {
        return NW_OK;
    }
    enum nw_status status = nw_book_paths(w->book, w->live.date, &paths, err);
    for (size_t i = 0; i < paths.n && status == NW_OK; i++) {
        if (!is_read(w, paths.items[i])) {
            status = read_one(w, paths.items[i], err);
        }
    }
    nw_paths_done(&paths);
    if (status == NW_OK) {
        status = hand_over(w, &w->live, err);
    }
    if (status == NW_OK) {
        nw_live_replay(&w->live);
    }
    return status;
}

void watch_drop_headers(struct watch *w) {
    for (size_t i = 0; i < w->headers.n; i++) {
        free(w->headers.items[i].path);
    }
    free(w->headers.items);
}
