/* flexure.h - main frames beside the guide log: how the camera lies on the sky, and how far the
 * main telescope moves against the guide star.
 *
 * Third public header of this module. Between two frames the field's middle shifts by
 *     what the lock point did + what the loop left + (how the field turned and was squeezed by the
 *     air about the guide star) + flexure x time.
 * Lock points are those of the log; their way onto the frame (scale, angle, mirror) is fitted with
 * the rest. Without lock points only frames between two dithers are compared. The guide star's
 * place against the middle comes with a standard error, which is part of the flexure's, and so is
 * that of how the frames lie; the turn is taken as a smooth curve of time: 1 deg at
 * zenith distances of 55 to 60 deg makes 1.0 to 1.6 arcsec in 25 min by the air alone
 * (OBSERVABILITY 14). Flexure is taken as even in time. */
#ifndef NW_GUIDING_FLEXURE_H
#define NW_GUIDING_FLEXURE_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "guiding/guiding.h"
#include "guiding/polar.h"
#include "sky/sky.h"

/* One frame of a pointing against the first frame of it (which is one of them: zero). */
struct nw_guided_frame {
    double start_s, end_s;    /* in log time */
    double hour_rad, dec_rad; /* at mid-exposure */
    double shift_px[2];       /* of the field */
    double turn_rad;          /* of the field in the frame, from +x to +y */
};

/* How the main frame lies: from the moves of the lock point at dithers (log, on the sky) and the
 * shifts of the frames before and after. */
struct nw_camera_lie {
    double angle_rad, angle_sigma_rad; /* position angle of +y */
    double scale_rad_px;               /* of the main frame, as the dithers say */
    bool is_mirrored; /* +x lies a quarter turn from +y towards east: an odd number of mirrors */
    size_t n_moves;
    char why_null[160]; /* "" when it was found */
};
/* frames in order of time. moves: as nw_guide_moves gives them. */
void nw_camera_lie(const struct nw_guided_frame *frames, size_t n_frames,
                   const struct nw_guide_move *moves, size_t n_moves, struct nw_camera_lie *ret);

struct nw_flexure_opts {
    double latitude_rad;
    const struct nw_air_state *air; /* NULL: no air */
    double angle_rad, scale_rad_px; /* of the frames */
    double lie_sigma;               /* error of the angle [rad] and share of the scale; NaN: none */
    bool is_mirrored;
    double guide_east_rad, guide_north_rad; /* guide star against the middle */
    double guide_sigma_rad;                 /* of each */
};

struct nw_flexure {
    double east_rad_s, north_rad_s, east_sigma_rad_s, north_sigma_rad_s;
    double rate_rad_s, rate_sigma_rad_s, direction_rad; /* position angle in which the field goes */
    double air_rad_s, turn_rad_s; /* taken off: sizes, for a guide star at its place or, where that
                                     is uncertain, one sigma from it */
    double scatter_rad;           /* of one frame about the fit, each axis */
    size_t n_frames, n_blocks;    /* blocks: 1, or stretches between dithers */
    bool has_lock;
    char why_null[200];
};
/* From frames of one pointing; log and analysis as they were joined. NOMEM is the only error; what
 * cannot be told is NaN with the reason. */
enum nw_status nw_flexure_solve(const struct nw_guide_log *log,
                                const struct nw_guide_analysis *analysis,
                                const struct nw_guided_frame *frames, size_t n_frames,
                                const struct nw_flexure_opts *opts, struct nw_flexure *ret,
                                struct nw_err *err) NW_CHECKED;

#endif
