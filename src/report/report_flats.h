/* report_flats.h - flat frames: table of panel settings, evenness, dust, which flat for which
 * light, as text of 80 columns and as nightwright.flats.1. A public header of report of its own. */
#ifndef NW_REPORT_FLATS_H
#define NW_REPORT_FLATS_H

#include "light/panel.h"
#include "report/report.h"
#include "rig/rig.h"

/* Flats of one filter and rotator angle. */
struct nw_flats_group {
    size_t first, n; /* the first of its flats in the list, and how many there are */
    struct nw_shadow shadows[NW_FLAT_SHADOWS];
    size_t n_shadows;
    double zones[NW_FLAT_N_ZONES];
    double colour_zones[3][NW_FLAT_N_ZONES], colour_share[3]; /* of a pattern; share of its level */
    struct nw_flat_map map;
    double
        turn_rad; /* of the camera since the older flats of its filter, by stars; NaN: unmeasured */
};

/* A light frame's flat. */
struct nw_flats_light {
    const char *path;
    size_t group;   /* SIZE_MAX: none of its filter */
    double off_rad; /* by the headers' rotator angles */
    /* measured: turn of the camera since the flats, by the stars of a light of their night; NaN:
     * not measured. It counts before the headers. */
    double turn_rad;
    bool is_by_catalogue;   /* else that light's stars were laid over this one's */
    const char *taken_with; /* that light */
    bool is_within;         /* the tolerance, and of the same filter */
};

struct nw_flats_report {
    const struct nw_setup *setup;
    const struct nw_flat *flats;
    size_t n_flats, n_clipped;
    const char *const *paths; /* of the flats */
    double offset_adu;
    const char *offset_from;
    size_t width_px, height_px;
    const struct nw_panel *panel;
    struct nw_panel_opts opts;
    double level_share; /* of full scale; NaN: given in adu */
    struct nw_flats_group *groups;
    size_t n_groups;
    double tolerance_rad;
    const struct nw_flats_light *lights;
    size_t n_lights;
    const struct nw_flat_error *error; /* NULL: no lights */
};
void nw_report_flats_text(const struct nw_flats_report *report, struct nw_buf *buf);
enum nw_status nw_report_flats_json(const struct nw_flats_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

/* One more flat into the means of its group; after the last one nw_flats_group_end. */
void nw_flats_group_add(struct nw_flats_group *group, const struct nw_flat *flat);
void nw_flats_group_end(struct nw_flats_group *group);

/* A filter of the rig in the table: from its own flats, else from the one most like it. */
struct nw_panel_line nw_report_flats_line(const struct nw_flats_report *report,
                                          const struct nw_filter *filter);
/* Distance of a mote from the sensor and its error [m]; NaN without the rig's f-ratio. */
double nw_report_flats_distance_m(const struct nw_flats_report *report,
                                  const struct nw_shadow *shadow, double *ret_sigma_m);
/* Is the shadow at its place in the flats of another filter of the same time and angle?
 * 1 yes, 0 no: it lies on the filter, -1: no other filter to look at. */
int nw_report_flats_elsewhere(const struct nw_flats_report *report, size_t group, size_t shadow);
/* Turn of the camera from those older flats to the group's: by stars, else by the headers' rotator;
 * NaN: neither says. */
double nw_report_flats_turn_rad(const struct nw_flats_report *report, size_t group, size_t then);
/* Older flats of the same filter: their group, SIZE_MAX: none. */
size_t nw_report_flats_then(const struct nw_flats_report *report, size_t group);

#endif
