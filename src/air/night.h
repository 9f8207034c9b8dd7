/* night.h - one night of damp: when to open, when settled, when it dews, what straps must give,
 * when to close and to cover, what cover, heater and dryer then do. A public header of air.
 *
 * Idea: the same model (model.h) is run with different switches: surfaces that were outside all
 * along tell what is left of a cooling; without straps when it would dew, with them what they
 * waste; closed and uncovered until every surface is dry, then covered. Never covered while wet. */
#ifndef NW_AIR_NIGHT_H
#define NW_AIR_NIGHT_H

#include "air/model.h"

/* Given by the caller, UTC [s]; NaN is not allowed. begin <= sunset <= dark < dawn < end. */
struct nw_air_times {
    double begin_s;  /* of the run, roof closed */
    double sunset_s; /* not opened before */
    double dark_s, dawn_s;
    double end_s; /* of the time under the cover */
};

enum { NW_AIR_STEP_S = 300 };

struct nw_air_night_part {
    double settled_s;      /* less than damp.settled is left of its cooling; NaN: not until dawn */
    double below_air_K;    /* how much colder than the air it is, mean from dark to dawn, bare */
    double wets_s;         /* first dew or frost without strap, roof open; NaN: none */
    bool is_frost;         /* what it is, or what is nearest */
    double margin_K;       /* least above the dew or frost point, bare, roof open */
    double margin_sigma_K; /* from humidity, wind, share of the sky */
    double margin_s;       /* when */
    double water_kg_m2;    /* most that has settled on it, bare */
    double needed_W;       /* of strap power, at the worst moment, for damp.margin */
    double needed_mean_W;  /* the same, mean while open */
    double given_W, wasted_J, missing_J; /* what the strap gives; over and under what is needed */
    double strapped_margin_K, strapped_wets_s; /* with the strap on */
};

struct nw_air_night_record {
    struct nw_air_heat_state state;
    struct nw_air_phase phase;
    struct nw_air_weather weather;
    double wetting_K[NW_AIR_MAX_SURFACES]; /* of the air around each surface */
};

struct nw_air_night {
    struct nw_air_times times;
    struct nw_air_model model;
    struct nw_air_night_part parts[NW_AIR_MAX_SURFACES];
    double open_s;   /* NaN: not at all */
    double close_s;  /* as late as it is dry; dawn, if that comes first */
    double cover_s;  /* NaN: nothing dries in time: leave it uncovered */
    size_t wet_part; /* that makes it close; n_parts: dawn does */
    bool is_late;    /* opened at sunset it would still not be settled when it is dark */
    bool was_damp;   /* opening had to wait: a surface was colder than the dew point outside */
    /* under the cover, from cover_s to end_s */
    double cover_loss_W_K, cover_rise_K; /* rise: steady */
    double cover_margin_K;               /* least of a surface above the dew point in there */
    double cover_needed_W;               /* heater for damp.margin */
    /* the room, from close_s to end_s */
    double room_air_water_kg, room_wall_water_kg;  /* at closing */
    double leak_kg_s;                              /* mean of what leaks in; negative: out */
    double dryer_kg_s, dryer_on_s, dryer_target_s; /* target: after closing; NaN: not reached */
    double room_humidity_end;
    double undried_humidity_end;         /* without dryer */
    struct nw_air_night_record *records; /* the advised night, straps on */
    size_t n_records;
};

/* `start`: state of the room at begin_s, or NULL: room.warmer_at_sunset above the air. The pointer
 * in *ret is freed by nw_air_night_done. Errors of nw_air_run; DOMAIN for times out of order. */
enum nw_status nw_air_night_of(const struct nw_rig *rig, const struct nw_air_log *log,
                               const struct nw_air_times *times,
                               const struct nw_air_heat_state *start, struct nw_air_night *ret,
                               struct nw_err *err) NW_CHECKED;
void nw_air_night_done(struct nw_air_night *night);

/* The focus shift that follows the tube, between dark and dawn. */
struct nw_air_focus {
    size_t part;     /* the tube; n_parts: none is named, the air stands in */
    double change_K; /* of the tube; of the air where there is no tube */
    double air_change_K;
    double shift_m; /* at the sensor, + away from the telescope; compensation not counted */
    double shift_sigma_m;
    double depth_m; /* of focus, to each side */
    double per_K_m;
};
void nw_air_focus_of(const struct nw_rig *rig, const struct nw_setup *setup,
                     const struct nw_air_night *night, struct nw_air_focus *ret);

#endif
