/* live_climate.c - the climate log of a night as margins above the dew point.
 * Idea: a row with the roof shut or things covered tells nothing of the night's dew and stays
 * without a margin. */
#include <math.h>

#include "air/air.h"
#include "book/evidence.h"
#include "book/live_internal.h"

/* The computer is no surface under the sky. */
bool live_names_pc(const char *name) {
    return strncmp(name, "PC", 2) == 0 || strstr(name, " PC") || strstr(name, "computer");
}

static struct nw_live_climate margin_of(const struct nw_air_log *log, size_t n_surfaces,
                                        size_t row) {
    struct nw_live_climate margin = {
        .t_utc_s = log->t_s[row], .margin_K = NAN, .surface = NW_LIVE_AIR};
    const double point_K =
        nw_air_wetting_point_K(nw_air_log_at(log, NW_AIR_VAPOUR, row), &margin.is_frost);
    const bool is_shut = nw_air_log_at(log, NW_AIR_ROOF_OPEN, row) < 0.5 ||
                         nw_air_log_at(log, NW_AIR_COVERED, row) > 0.5;
    double coldest_K = INFINITY;
    for (size_t i = 0; i < n_surfaces; i++) {
        const double surface_K = nw_air_log_surface_K(log, i, row);
        if (surface_K < coldest_K && !live_names_pc(log->surface_names[i])) {
            coldest_K = surface_K;
            margin.surface = (int)i;
        }
    }
    if (margin.surface == NW_LIVE_AIR) {
        coldest_K = nw_air_log_at(log, NW_AIR_AIR, row);
    }
    margin.margin_K = is_shut ? NAN : coldest_K - point_K;
    return margin;
}

enum nw_status live_read_climate(struct nw_book *book, struct nw_live *live, struct nw_err *err) {
    struct nw_air_log log = {.n = 0};
    enum nw_status status = nw_book_climate(book, live->date, &log, err);
    if (status != NW_OK) {
        return status;
    }
    live->climate = nw_calloc(log.n + 1, sizeof *live->climate);
    if (!live->climate) {
        nw_air_log_done(&log);
        return nw_err_set(err, NW_NOMEM, "climate log of %zu rows", log.n);
    }
    live->has_climate = log.n > 0;
    live->has_humidity = log.has[NW_AIR_VAPOUR];
    live->n_surfaces = log.n_surfaces < NW_LIVE_SURFACES ? log.n_surfaces : NW_LIVE_SURFACES;
    for (size_t i = 0; i < live->n_surfaces; i++) {
        nw_text_copy(live->surfaces[i], sizeof live->surfaces[i], log.surface_names[i]);
    }
    for (size_t i = 0; i < log.n; i++) {
        live->climate[live->n_climate++] = margin_of(&log, live->n_surfaces, i);
    }
    nw_air_log_done(&log);
    return NW_OK;
}
