/* live_climate.c - the climate log of a night out of the book, as margins above the dew point.
 * Idea: what the log has is in the lines of `columns`: series of air/log.h by name, then surfaces
 * of the rig as "NAME_K"; a row with the roof shut or things covered tells nothing of the night's
 * dew and is left out. */
#include <math.h>

#include "air/air.h"
#include "book/book_internal.h"
#include "book/live_internal.h"

enum { MAX_COLUMNS = 64, MAX_LIVE_ROWS = 200000 };

enum role { AIR, VAPOUR, ROOF_OPEN, COVERED, N_ROLES };
static const char *const ROLES[N_ROLES] = {"air_K", "vapour_Pa", "roof_open", "covered"};
/* Temperatures that are of no surface under the sky. */
static const char *const INSIDE[] = {"room_K", "cover_K"};

struct columns {
    int of_role[N_ROLES]; /* -1: not there */
    int of_surface[NW_LIVE_SURFACES];
    size_t n;
};

static size_t surface_of(struct nw_live *live, const char *name) {
    for (size_t i = 0; i < live->n_surfaces; i++) {
        if (strcmp(live->surfaces[i], name) == 0) {
            return i;
        }
    }
    if (live->n_surfaces < NW_LIVE_SURFACES) {
        nw_text_copy(live->surfaces[live->n_surfaces], sizeof live->surfaces[0], name);
        return live->n_surfaces++;
    }
    return NW_LIVE_SURFACES;
}

static void take_column(struct nw_live *live, const char *name, struct columns *columns) {
    const int at = (int)columns->n;
    const size_t len = strlen(name);
    for (size_t i = 0; i < N_ROLES; i++) {
        if (strcmp(name, ROLES[i]) == 0) {
            columns->of_role[i] = at;
            return;
        }
    }
    const bool is_inside = strcmp(name, INSIDE[0]) == 0 || strcmp(name, INSIDE[1]) == 0;
    if (len > 2 && strcmp(name + len - 2, "_K") == 0 && !is_inside) {
        char surface[48];
        nw_text_copy(surface, len - 1 < sizeof surface ? len - 1 : sizeof surface, name);
        const size_t i = surface_of(live, surface);
        if (i < NW_LIVE_SURFACES) {
            columns->of_surface[i] = at;
        }
    }
}

static struct columns read_columns(struct nw_live *live, const char *text) {
    struct columns columns = {.n = 0};
    for (size_t i = 0; i < N_ROLES; i++) {
        columns.of_role[i] = -1;
    }
    for (size_t i = 0; i < NW_LIVE_SURFACES; i++) {
        columns.of_surface[i] = -1;
    }
    while (text && *text != '\0' && columns.n < MAX_COLUMNS) {
        const size_t len = strcspn(text, "\n");
        char name[64];
        nw_text_copy(name, len + 1 < sizeof name ? len + 1 : sizeof name, text);
        take_column(live, name, &columns);
        columns.n++;
        text += len + (text[len] == '\n' ? 1 : 0);
    }
    return columns;
}

static double value_of(const unsigned char *row, int column) {
    return column < 0 ? NAN : book_get_float(row + 8 + 4 * (size_t)column);
}

static struct nw_live_climate margin_of(const struct columns *columns, const unsigned char *row) {
    struct nw_live_climate margin = {.t_utc_s = book_get_double(row), .margin_K = NAN};
    const double point_K =
        nw_air_wetting_point_K(value_of(row, columns->of_role[VAPOUR]), &margin.is_frost);
    const bool is_shut = value_of(row, columns->of_role[ROOF_OPEN]) < 0.5 ||
                         value_of(row, columns->of_role[COVERED]) > 0.5;
    double coldest_K = INFINITY;
    margin.surface = NW_LIVE_AIR;
    for (int i = 0; i < NW_LIVE_SURFACES; i++) {
        const double surface_K = value_of(row, columns->of_surface[i]);
        if (surface_K < coldest_K) {
            coldest_K = surface_K;
            margin.surface = i;
        }
    }
    if (margin.surface == NW_LIVE_AIR) {
        coldest_K = value_of(row, columns->of_role[AIR]);
    }
    margin.margin_K = is_shut ? NAN : coldest_K - point_K;
    return margin;
}

static enum nw_status take_run(struct nw_live *live, size_t *cap, const char *names,
                               const unsigned char *bytes, size_t n_bytes, struct nw_err *err) {
    const struct columns columns = read_columns(live, names);
    const size_t step = 8 + 4 * columns.n;
    enum nw_status status = NW_OK;
    live->has_climate = true;
    live->has_humidity |= columns.of_role[VAPOUR] >= 0;
    for (size_t i = 0; i + step <= n_bytes && status == NW_OK; i += step) {
        status = nw_grow((void **)&live->climate, cap, live->n_climate + 1, sizeof *live->climate,
                         MAX_LIVE_ROWS, err);
        if (status == NW_OK) {
            live->climate[live->n_climate++] = margin_of(&columns, bytes + i);
        }
    }
    return status;
}

enum nw_status live_read_climate(struct nw_book *book, struct nw_live *live, struct nw_err *err) {
    const struct book_value value = book_text(live->date);
    sqlite3_stmt *statement = NULL;
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status =
        book_prepare(book,
                     "SELECT columns, samples FROM climate_run JOIN night ON night.id = night_id "
                     "WHERE date = ?1 ORDER BY start_utc_s",
                     &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = take_run(live, &cap, (const char *)sqlite3_column_text(statement, 0),
                          sqlite3_column_blob(statement, 1),
                          (size_t)sqlite3_column_bytes(statement, 1), err);
    }
    (void)sqlite3_finalize(statement);
    return status;
}
