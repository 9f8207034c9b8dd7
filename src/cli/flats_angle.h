/* flats_angle.h - the camera's angle as the stars of lights show it, for `flats`. */
#ifndef NW_CLI_FLATS_ANGLE_H
#define NW_CLI_FLATS_ANGLE_H

#include "cli/cli.h"
#include "image/image.h"
#include "rig/rig.h"

struct cli_turns {
    struct nw_series series; /* of the lights, in the order of the paths */
    const struct nw_setup *setup;
    struct nw_catalogue *catalogue; /* NULL: none */
};
/* Measures lights. Without --catalogue the one beside the program is used when it is there. */
enum nw_status cli_turns_measure(const struct cli_args *args, const struct nw_paths *lights,
                                 const struct nw_setup *setup, struct cli_turns *ret,
                                 struct nw_err *err) NW_CHECKED;
void cli_turns_done(struct cli_turns *turns);

/* The light nearest in time, within 18 h: it shows the angle that flats of that time were taken at.
 * SIZE_MAX: none. */
size_t cli_turns_nearest(const struct cli_turns *turns, double t_utc_s);

/* Turn of the camera in its tube from one light to another, less half a turn of the tube side: by
 * laying their stars over each other, else, of another field, by the catalogue's stars in both.
 * NaN: neither tells. *ret_by_catalogue. */
double cli_turn_between(const struct cli_turns *turns, size_t from, size_t to,
                        bool *ret_by_catalogue);

#endif
