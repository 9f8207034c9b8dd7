/* night_internal.h - what the files of this folder share. */
#ifndef NW_NIGHT_INTERNAL_H
#define NW_NIGHT_INTERNAL_H

#include "night/night.h"

/* Worth of slots of one target; [goal][slot], 0 where barred. */
struct night_table {
    float worth[NW_MAX_GOALS][NW_NIGHT_SLOTS];
    unsigned char bar[NW_NIGHT_SLOTS];
    double mean[NW_NIGHT_SLOTS]; /* over the goals by what is left of them, with the forecast */
    double need_s[NW_MAX_GOALS]; /* left, all panels */
    double total_need_s;
    size_t flip_slot; /* first slot past the meridian; SIZE_MAX: none in the night */
    double altitude_rad[NW_NIGHT_SLOTS], ha_rad[NW_NIGHT_SLOTS], azimuth_rad[NW_NIGHT_SLOTS];
    double sky_nl[NW_NIGHT_SLOTS];
    bool west_stays[NW_NIGHT_SLOTS]; /* past the meridian, contact-free without a flip */
};
void night_fill_table(const struct nw_night_input *input, const struct nw_plan *plan, size_t i,
                      const struct nw_reach reach[static 2], struct night_table *ret);
const struct nw_filter *night_filter(const struct nw_setup *setup, const char *name);
void night_order(const struct nw_night_input *input, const struct night_table *tables,
                 struct nw_plan *plan);
void night_blocks(const struct nw_night_input *input, const struct night_table *tables,
                  struct nw_plan *plan);
void night_turns(const struct nw_night_input *input, struct nw_plan *plan);
void night_switches(const struct nw_night_input *input, struct nw_plan *plan);
bool night_has_panel(const struct nw_rig *rig);
/* Directions of the bright planets at the middle of the plan's moments. */
enum nw_status night_planets(struct nw_plan *plan, struct nw_err *err) NW_CHECKED;
double night_clear(const struct nw_forecast *forecast, double t_s);

#endif
