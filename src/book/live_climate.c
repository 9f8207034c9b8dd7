/* live_climate.c - the climate log of a night as margins above the dew point.
 * Idea: a row with the roof shut or things covered tells nothing of the night's dew and stays
 * without a margin. */
#include <math.h>

#include "book/evidence.h"
#include "book/live_internal.h"
#include "book/readings.h"

static struct nw_live_climate margin_at(const struct nw_air_log *log, size_t row) {
    const struct book_dew_margin margin = book_dew_margin_of(log, row);
    return (struct nw_live_climate){
        .t_utc_s = log->t_s[row],
        .margin_K = margin.margin_K,
        .is_frost = margin.is_frost,
        .surface = margin.surface < NW_LIVE_SURFACES ? (int)margin.surface : NW_LIVE_AIR};
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
        live->climate[live->n_climate++] = margin_at(&log, i);
    }
    nw_air_log_done(&log);
    return NW_OK;
}
