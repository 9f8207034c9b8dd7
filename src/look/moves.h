/* moves.h - third public header of look: how the field of frames of one pointing moved and turned
 * on the chip, from matched stars. No coordinates are solved. */
#ifndef NW_LOOK_MOVES_H
#define NW_LOOK_MOVES_H

#include "image/image.h"

/* A frame against the reference of its group (its first frame, which is not listed). */
struct nw_field_move {
    size_t frame, reference, group; /* indices of the frames; group 0 ... */
    double dx_px, dy_px; /* of the stars about the middle of the frame, along +x and +y */
    double turn_rad;     /* of the stars, from +x to +y; within half a turn */
    double shift_sigma_px, turn_sigma_rad; /* from the scatter of the stars */
    size_t n_stars;
};

/* Groups: the same camera (name and size), rotator within 0.1 deg, tube side, and coordinates
 * within 0.5 deg (unknown ones are taken as the same); a frame that cannot be laid over the
 * reference of an open group begins one of its own. Sigmas: n stars of scatter s per axis about a
 * similarity tell the shift to s / sqrt(n) and the turn to s / sqrt(sum of squared distances from
 * their middle) (least squares; Schoenemann 1966's problem linearised). given     measures, facts
 * n frames in order of time; measures with their stars returned  *ret, at most n, yours to free;
 * *ret_n_groups */
enum nw_status nw_look_moves(const struct nw_measure *const *measures,
                             const struct nw_frame_facts *const *facts, size_t n,
                             struct nw_field_move **ret, size_t *ret_n, size_t *ret_n_groups,
                             struct nw_err *err) NW_CHECKED;

#endif
