/* polar.h - where the polar axis points: from drift in declination and from field rotation.
 *
 * Second public header of this module, beside guiding.h. An axis whose north end lies off the pole
 * by x towards the meridian (hour angle 0) and y towards the east makes a star at hour angle H and
 * declination d drift by
 *     north(H) = x cos H - y sin H
 * and turns the position angle of the axis, seen from the star, by
 *     angle(H) = (x sin H + y cos H) / cos d
 * (Hook 1989, JBAA 99, 19; the pointing terms ME, MA: REFERENCES 6). Drift at one hour angle is one
 * component, rotation there the other one. Right ascension is not used: worm and drive rate hide
 * it. The air does both too: it lifts every star by R(z) and is taken off as a model (unmodelled it
 * passes for 0.3 to 1 arcmin). A guide telescope that bends drifts as well; its rate is a free
 * number of every pointing with a prior.
 *
 * Reported is the **upper** end of the axis against the true pole on that side: azimuth = turn
 * about the vertical, + too far east (on the sky it is cos latitude of that), altitude + too high;
 * in the southern hemisphere the upper end is the south one. The refracted pole stands higher by
 * refraction_rad; an axis that points there is that much too high against the true pole.
 * First order in x and y: 1 % at 1 deg. Valid to |declination| 80 deg. */
#ifndef NW_GUIDING_POLAR_H
#define NW_GUIDING_POLAR_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "guiding/guiding.h"
#include "sky/sky.h"

/* A stretch of a guide log without dithers and gaps: how far the star went north beyond what pulses
 * did. Angles of hour from the sky, west +. */
struct nw_polar_drift {
    size_t pointing; /* 0 ... : the same one shares the bend of the guide telescope */
    double dec_rad, hour_start_rad, hour_end_rad;
    double moved_rad, sigma_rad; /* open loop, + north */
    double pulsed_rad;           /* of it, what pulses took away: their response is known to ... */
    double response_sigma;       /* ... this share */
};

/* Turn of one frame's field against another frame of the same group, as seen on the sky. */
struct nw_polar_turn {
    size_t group; /* frames with one reference frame: 0 ... */
    double dec_rad, hour_rad, reference_hour_rad;
    double turn_rad, sigma_rad; /* of the stars in the camera, north through east */
    double shift_rad[2];        /* of the field against the reference frame, along +x and +y */
    double angle_rad;           /* position angle of the frame's +y; NaN: unknown, then the shift */
    /* takes part in an unknown direction. Frames are not mirrored: +x */
    /* lies a quarter turn from +y towards west */
    double width_px, height_px;
};

struct nw_polar_opts {
    double latitude_rad;
    const struct nw_air_state *air; /* NULL: no refraction is taken off */
    double flexure_sigma_rad_s;     /* prior of the guide telescope's bend in declination */
};

struct nw_polar {
    size_t n_drifts, n_turns, n_pointings;
    bool has_axis; /* both components within NW_POLAR_TELLS_RAD */
    /* upper end of the axis; each NaN when its sigma is above NW_POLAR_TELLS_RAD */
    double azimuth_rad, altitude_rad, azimuth_sigma_rad, altitude_sigma_rad;
    double covariance_rad2;            /* of azimuth and altitude; NaN unless both are told */
    double total_rad, total_sigma_rad; /* distance on the sky from the true pole */
    double refraction_rad;             /* how much higher the refracted pole stands */
    double altitude_refracted_rad;     /* altitude against that one */
    /* the combination told best: this much towards a direction about the pole, counted at the upper
     * end from up through east; always there when anything was measured */
    double best_rad, best_sigma_rad, best_direction_rad;
    double drift_scale,
        turn_scale; /* residuals over their sigmas: what the sigmas were raised by */
    double bend_rad_s, bend_sigma_rad_s; /* mean of the pointings */
    char why_azimuth[160], why_altitude[160];
};
#define NW_POLAR_TELLS_RAD (2.0 / 3437.746770784939) /* 2 arcmin: above it nothing is told */

/* Fits the axis. DOMAIN: latitude within 2 deg of the equator (the axis lies flat: azimuth and
 * altitude mean nothing there) or none; declinations past 80 deg. DATA: neither drifts nor turns.
 */
enum nw_status nw_polar_solve(const struct nw_polar_drift *drifts, size_t n_drifts,
                              const struct nw_polar_turn *turns, size_t n_turns,
                              const struct nw_polar_opts *opts, struct nw_polar *ret,
                              struct nw_err *err) NW_CHECKED;

/* Undisturbed stretches of a log, at most 10 min each: open-loop motion in declination, from the
 * filter of a random walk with drift (its sigma holds walk and noise). Pulses count with the
 * response that the analysis learnt, else as the rate says with a response known to 15 %; behind a
 * play of `gap_rad` (0: none known) the axis follows them as a play operator. hour_at_zero_rad:
 * hour angle at log time 0, of which the log's rows are ahead by t_s. Yours to free. n 0 with the
 * reason in `why` when the log has no pulses, no rate, no declination or no north. */
struct nw_polar_stretch_opts {
    double gap_rad, hour_at_zero_rad;
};
enum nw_status nw_polar_stretches(const struct nw_guide_log *log,
                                  const struct nw_guide_analysis *analysis,
                                  const struct nw_polar_stretch_opts *how,
                                  struct nw_polar_drift **ret, size_t *ret_n, char why[160],
                                  struct nw_err *err) NW_CHECKED;

/* How the lock point went at each dither, on the sky: the jump of the error, + north and + east of
 * the star in the frame of a camera that follows. One for each of analysis->dithers; NaN where no
 * star stands on both sides of it. */
struct nw_guide_move {
    double t_s, east_rad, north_rad, sigma_rad;
};
void nw_guide_moves(const struct nw_guide_log *log, const struct nw_guide_analysis *analysis,
                    struct nw_guide_move *ret);

/* What the air does to a star tracked about the true pole: how far north of its true place it
 * stands, and the derivative of the field about it (rows east, north). NaN below altitude 10 deg.
 * R(z): nw_sky_refraction_rad at 550 nm; derivatives by differences. */
struct nw_polar_lift {
    double north_rad, stretch[4];
};
struct nw_polar_lift nw_polar_air(double latitude_rad, double dec_rad, double hour_rad,
                                  const struct nw_air_state *air);

#endif
