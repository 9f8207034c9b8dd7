/* dew_margin.c - how near a row of a climate log is to dew: one meaning for nights, watch and
 * report.
 */
#include <math.h>

#include "air/air.h"
#include "book/readings.h"

bool book_names_pc(const char *name) {
    return strncmp(name, "PC", 2) == 0 || strstr(name, " PC") || strstr(name, "computer");
}

struct book_dew_margin book_dew_margin_of(const struct nw_air_log *log, size_t row) {
    struct book_dew_margin margin = {.margin_K = NAN, .surface = SIZE_MAX};
    const double point_K =
        nw_air_wetting_point_K(nw_air_log_at(log, NW_AIR_VAPOUR, row), &margin.is_frost);
    const bool is_shut = nw_air_log_at(log, NW_AIR_ROOF_OPEN, row) < 0.5 ||
                         nw_air_log_at(log, NW_AIR_COVERED, row) >= 0.5;
    double coldest_K = INFINITY;
    for (size_t i = 0; i < log->n_surfaces; i++) {
        const double surface_K = nw_air_log_surface_K(log, i, row);
        if (surface_K < coldest_K && !book_names_pc(log->surface_names[i])) {
            coldest_K = surface_K;
            margin.surface = i;
        }
    }
    if (margin.surface == SIZE_MAX) {
        coldest_K = nw_air_log_at(log, NW_AIR_AIR, row);
    }
    margin.margin_K = is_shut ? NAN : coldest_K - point_K;
    return margin;
}
