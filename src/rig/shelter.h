/* shelter.h - what the rig file says about damp: surfaces that dew, cover, room, dryer. Part of a
 * struct nw_rig (rig.h); the models are in src/air. */
#ifndef NW_RIG_SHELTER_H
#define NW_RIG_SHELTER_H

#include "rig/values.h"

/* Something that cools under the sky and collects water. */
struct nw_dew_surface {
    char name[NW_NAME_SIZE];
    char kind[8];                 /* lens | tube | other */
    char telescope[NW_NAME_SIZE]; /* "" or the telescope it is a part of */
    struct nw_val area_m2;        /* that faces sky and air */
    struct nw_val heat_capacity_J_K;
    struct nw_val emissivity;  /* thermal infrared */
    struct nw_val sky_share;   /* of what it sees, while the roof is open */
    struct nw_val wind_share;  /* of the wind that is felt there */
    struct nw_val strap_W;     /* of its heater; 0: none */
    struct nw_val strap_share; /* of those watts that reach it */
};

struct nw_cover {
    bool is_there;
    char stands[12]; /* sheltered | open */
    struct nw_val area_m2, insulation_m2_K_W, volume_m3, air_changes_per_s;
    struct nw_val heat_capacity_J_K; /* of what stands under it, surfaces not counted */
    struct nw_val heater_W, claimed_rise_K;
};

struct nw_room {
    bool is_there;
    struct nw_val area_m2, insulation_m2_K_W, volume_m3;
    struct nw_val air_changes_per_s, open_air_changes_per_s; /* roof closed, open */
    struct nw_val heat_capacity_J_K, water_buffer_kg, heater_W;
    struct nw_val warmer_at_sunset_K; /* than the air */
};

struct nw_dryer {
    bool is_there;
    char kind[12]; /* desiccant | compressor */
    struct nw_val power_W, claimed_rate_kg_s, energy_J_kg, lowest_K, target_humidity;
};

struct nw_damp {
    bool is_there; /* one of its sections is in the file */
    struct nw_dew_surface *surfaces;
    size_t n_surfaces;
    struct nw_cover cover;
    struct nw_room room;
    struct nw_dryer dryer;
    char sky[20];                        /* coefficients: words of src/air/air.h */
    struct nw_val margin_K, settled_K;   /* wanted above the dew point; left of the cooling */
    struct nw_val wind_m_s, cloud_share; /* at the ground, in a usual night */
};

#endif
