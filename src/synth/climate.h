/* climate.h - a simulated climate log: what sensors in a shed would have written, and the truth.
 *
 * Independent of the analyser: other formulas for vapour and sky (Sonntag 1990; Brunt 1932), water
 * counted as one store of room and walls, fixed steps of three seconds. Everything follows from the
 * seed. Second public header of synth. */
#ifndef NW_SYNTH_CLIMATE_H
#define NW_SYNTH_CLIMATE_H

#include "base/base.h"
#include "rig/rig.h"

struct nw_synth_climate_opts {
    uint64_t seed;
    double begin_s, open_s, close_s, end_s; /* UTC; open >= close: never open */
    double step_s;                          /* between rows */
    double cover_s;                         /* covered from then on; NaN: never */
    double switch_s;                        /* heaters and dryer go on and off after so long */
    double room_heater_W;                   /* NaN: the rig's */
    double temperature_noise_K, humidity_noise;
    /* temperature of the air; NULL: the site's usual night with a wander of its own */
    double (*air_K)(const void *context, double t_utc_s);
    const void *context;
};
/* Drawn from the rig's values and standard errors. */
struct nw_synth_climate_truth {
    double room_loss_W_K, room_capacity_J_K, air_changes_per_s, water_buffer_kg;
    double cover_loss_W_K, cover_capacity_J_K, dryer_kg_s;
};
/* The log as CSV (docs/formats.md), added to `csv`. DATA: the rig describes no room. */
enum nw_status nw_synth_climate(const struct nw_rig *rig, const struct nw_synth_climate_opts *opts,
                                struct nw_buf *csv, struct nw_synth_climate_truth *ret,
                                struct nw_err *err) NW_CHECKED;

#endif
