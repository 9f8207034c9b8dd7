/* guide_frames.h - main frames beside the guide logs of a call: turns of the field for the polar
 * axis, flexure between main and guide telescope. */
#ifndef NW_CLI_GUIDE_FRAMES_H
#define NW_CLI_GUIDE_FRAMES_H

#include "cli/guide_files.h"
#include "report/report_polar.h"

/* Where the guide star stands beside the middle of the frames. */
struct guide_star {
    bool is_given; /* false: within half a degree or so */
    double east_rad, north_rad;
};
/* The air above the site, and whose it is. */
struct guide_air {
    struct nw_air_state state;
    const char *from; /* "rig", "log", "frames"; "assumed": nobody names the site's height */
    char words[96];
};
/* Standard air at a height (ISO 2533:1975): what refraction asks for, where nobody measured it. */
struct guide_air guide_air_at(double elevation_m, const char *from);

struct guide_frames {
    size_t n_frames, n_in_runs, n_moves; /* given; within a run; laid over another frame */
    struct nw_polar_turn *turns;
    size_t n_turns;
    struct nw_flexure_report *flexures;
    size_t n_flexures;
    bool has_place; /* latitude, hour angle and declination were filled in from the frames */
    char why_null[200];
};
/* Light frames in order of time, each with start and exposure; measures with their stars. */
struct guide_frame_set {
    const struct nw_measure **measures;
    const struct nw_frame_facts **facts;
    size_t n;
};
/* From frames measured already, the rest as guide_frames_read. */
enum nw_status guide_frames_solve(const struct guide_frame_set *set, const struct nw_air_state *air,
                                  struct guide_star guide, struct guide_files *files,
                                  struct guide_frames *ret, struct nw_err *err) NW_CHECKED;
/* Measures the frames, lays each file's runs beside them (nw_guide_join) and works out moves. What
 * a log does not say (declination, hour angle, latitude) is filled in from the frames' headers; so
 * is air that was assumed, where they name the site's height.
 * Errors: frames that cannot be read, no dither join; what else is missing is said in the parts. */
enum nw_status guide_frames_read(const char *const *given, size_t n_given, struct guide_air *air,
                                 struct guide_star guide, struct guide_files *files,
                                 struct guide_frames *ret, struct nw_err *err) NW_CHECKED;
void guide_frames_done(struct guide_frames *frames);

#endif
