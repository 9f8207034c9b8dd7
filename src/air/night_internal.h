/* night_internal.h - shared by the files of one night: night.c, close.c. */
#ifndef NW_AIR_NIGHT_INTERNAL_H
#define NW_AIR_NIGHT_INTERNAL_H

#include "air/night.h"

#define NW_AIR_CLEAR_K                                                                             \
    0.3 /* above the dew point before something is called dry (common practice) */

/* A row of records that a run fills. */
struct air_tape {
    const struct nw_air_model *model;
    const struct nw_air_log *log;
    struct nw_air_night_record *items;
    size_t n, cap;
    bool is_full;
};

/* What all runs of one night share. */
struct air_desk {
    const struct nw_rig *rig;
    const struct nw_air_log *log;
    const struct nw_air_times *times;
    struct nw_air_heat_state start;
    struct nw_air_night *night;
    struct air_tape tape;
    struct nw_err *err;
};

/* Runs a phase; its records go to the end of the tape. */
enum nw_status air_night_run(struct air_desk *desk, const struct nw_air_model *model,
                             const struct nw_air_log *log, const struct nw_air_phase *phase,
                             struct nw_air_heat_state *state) NW_CHECKED;
/* Above the dew or frost point of the air around it. */
double air_night_margin_K(const struct nw_air_night_record *record, size_t part);
/* All surfaces warm enough to stay dry at that moment. */
bool air_night_is_safe(const struct nw_air_model *model, const struct nw_air_night_record *record);
/* When the first lens wets in spite of its strap; else dawn. */
void air_night_choose_closing(struct air_desk *desk);
/* Closed and uncovered, straps on, until all is dry; then covered. From the state at closing; the
 * tape goes on. */
enum nw_status air_night_close(struct air_desk *desk, struct nw_air_heat_state state) NW_CHECKED;

#endif
