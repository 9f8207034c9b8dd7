/* panel.h - flat frames: how bright a light panel is at which setting, how even the light, where
 * dust lies, which flat belongs to which light frame. A public header of light of its own.
 *
 * Pure: a frame's pixels come in, are measured, and may go; the rest works on what was measured.
 *   source    shadow of a mote at distance d in a beam of f-ratio N: a disc of diameter d / N
 *             (geometry of the cone of light; the mote itself is small against it)
 *   accuracy  bench/sensor.py: the level that the table promises is met within 3 % */
#ifndef NW_LIGHT_PANEL_H
#define NW_LIGHT_PANEL_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "image/image.h"

enum {
    NW_FLAT_ZONES = 5,
    NW_FLAT_N_ZONES = 25,
    NW_FLAT_SHADOWS = 40,
    NW_FLAT_GROUPS = 64,
    NW_FLAT_FILTERS = 24
};

/* One flat, measured. Levels above the offset. */
struct nw_flat {
    char filter[32];
    double setting;    /* of the panel; NaN: unsaid */
    double exposure_s; /* NaN: unsaid */
    double t_utc_s, rotator_rad;
    double level_adu; /* middle fifth of the frame; of a colour pattern the brightest colour */
    double colour_adu[3];
    bool is_clipped;               /* more than 0.1 % of the pixels stand at the top */
    double zones[NW_FLAT_N_ZONES]; /* against the middle one; rows from low y */
    /* of a colour pattern the same for red, green, blue, each by its own pixels; NaN: mono */
    double colour_zones[3][NW_FLAT_N_ZONES];
    bool is_then; /* of the older flats that are compared with */
};

/* The light of several flats alike, binned, each divided by its mean: shadows are sought in it. */
struct nw_flat_map {
    float *px;
    size_t width, height, bin_px; /* bins, not pixels */
    size_t n_frames;
};
void nw_flat_map_done(struct nw_flat_map *map);

/* Measures one frame and adds it to `map` (NULL: no map wanted). offset_adu: level without light.
 * pattern "": mono. DATA: fewer than 40 px a side, or no light. */
enum nw_status nw_flat_measure(const struct nw_frame *frame, double offset_adu, const char *pattern,
                               struct nw_flat_map *map, struct nw_flat *ret,
                               struct nw_err *err) NW_CHECKED;

/* ---- The panel ---- */

/* ln(level / exposure) = ln rate(filter) + power ln s + curve (ln s)^2 + shutter / exposure, s the
 * setting against the middle one; terms that the frames do not tell stay 0. */
struct nw_panel {
    struct nw_panel_filter {
        char name[32];
        double ln_rate; /* at the middle setting, adu/s */
        double mean[2]; /* of ln s and (ln s)^2 over its flats */
        size_t n;
        double setting_low, setting_high; /* that were measured with it */
    } filters[NW_FLAT_FILTERS];
    size_t n_filters;
    double middle_setting, setting_low, setting_high;
    size_t n_settings, n_frames, n_exposures;
    double power, curve, shutter_s;
    double covariance[3][3]; /* of power, curve, shutter */
    bool has_power, has_curve, has_shutter;
    double scatter; /* rms of a flat about the law, share: flicker, and what it does not know; NaN:
                       too few flats, 0.02 is then taken for the error of a line */
    double lack;    /* rms of the law itself at a setting, share: more flats do not help; NaN: not
                       told, no more settings than terms or one flat at each */
    double shortest_s; /* below it flats scatter more, or the shutter counts; 0: nothing seen */
};
/* DATA: no flat with an exposure that is not clipped. Flats that are clipped are left out. */
enum nw_status nw_panel_fit(const struct nw_flat *flats, size_t n, struct nw_panel *ret,
                            struct nw_err *err) NW_CHECKED;

struct nw_panel_opts {
    double level_adu;             /* wanted, above the offset */
    double shortest_s, longest_s; /* of an exposure */
};
#define NW_PANEL_FLAG_LIST(X)                                                                      \
    X(SHORT, 0, "short",                                                                           \
      "shorter than the shutter and flicker limit: dim the panel below what was "                  \
      "measured")                                                                                  \
    X(LONG, 1, "long", "longer than wanted at the brightest setting that was measured")            \
    X(ESTIMATED, 2, "estimated", "no flat of this filter: by its width from another, roughly")
enum nw_panel_flag {
#define X(name, bit, word, text) NW_PANEL_##name = 1 << (bit),
    NW_PANEL_FLAG_LIST(X)
#undef X
};
const char *nw_panel_flag_text(unsigned bit); /* NULL past the end */

/* A line of the table. */
struct nw_panel_line {
    double setting, exposure_s; /* setting NaN: the panel has none */
    double sigma; /* of the level, share: of the law, its lack included where it is told */
    uint32_t flags;
};
/* `share_of`: light through this filter against filter `like` of the panel when it has no flats of
 * its own; NaN: `like` is the filter itself. */
struct nw_panel_line nw_panel_line_for(const struct nw_panel *panel, size_t like, double share_of,
                                       const struct nw_panel_opts *opts);
/* Index by name, n_filters when there is none. */
size_t nw_panel_find(const struct nw_panel *panel, const char *filter);

/* ---- Dust ---- */

struct nw_shadow {
    double x_px, y_px, diameter_px, diameter_sigma_px;
    double depth; /* share of the light that is missing */
    bool is_ring; /* a central obstruction */
    bool is_cut;  /* by the frame's edge: the diameter is a lower bound */
};
/* Shadows in a map, deepest first; at most NW_FLAT_SHADOWS. */
enum nw_status nw_flat_shadows(const struct nw_flat_map *map, struct nw_shadow *ret, size_t *ret_n,
                               struct nw_err *err) NW_CHECKED;

#define NW_SHADOW_FATE_LIST(X)                                                                     \
    X(STAYED, "stayed")                                                                            \
    X(MOVED, "moved") X(TURNED, "turned with the rotator") X(NEW, "new") X(GONE, "gone")
enum nw_shadow_fate {
#define X(name, word) NW_SHADOW_##name,
    NW_SHADOW_FATE_LIST(X)
#undef X
};
const char *nw_shadow_fate_word(enum nw_shadow_fate fate);

struct nw_shadow_change {
    size_t then, now; /* places in the lists; SIZE_MAX: none */
    enum nw_shadow_fate fate;
    double moved_px;
};
/* Two lists of one filter; turn: of the rotator between them (NaN or 0: not turned), of either
 * sense, about the frame's middle. `ret` has room for n_then + n_now. */
size_t nw_flat_compare(const struct nw_shadow *then, size_t n_then, const struct nw_shadow *now,
                       size_t n_now, double turn_rad, const double size_px[static 2],
                       struct nw_shadow_change *ret);

/* ---- Which flat for which light ---- */

/* Smallest difference of two angles, 0 to pi. */
double nw_flat_angle_between(double a_rad, double b_rad);
/* Turn of the camera in its tube between two lights whose stars lie over each other at that
 * rotation: less half a turn when the tube changed side; where a side is not known, up to half a
 * turn (-90 to 90 deg). */
double nw_flat_turn_of(double rotation_rad, const char *side_a, const char *side_b);
/* The flat of this filter nearest in rotator angle; SIZE_MAX: none of this filter. *ret_off_rad NaN
 * when either angle is unsaid. */
size_t nw_flat_for(const struct nw_flat *flats, size_t n, const char *filter, double rotator_rad,
                   double *ret_off_rad);

/* Slope of a light frame that was divided by its flat, in the chip's x and y: share of the sky from
 * the middle to the edge. */
struct nw_flat_slope {
    double x, y;
    double turn_rad; /* of the chip on the sky: rotator, and half a turn for the other tube side */
    double ra_rad, dec_rad;
};
/* From the medians of the light's zones above the offset (stars do not count) over those of its
 * flats. One plane; NOMEM. */
enum nw_status nw_flat_slope_of(const struct nw_frame *light, double offset_adu,
                                const double flat_zones[NW_FLAT_N_ZONES], struct nw_flat_slope *ret,
                                struct nw_err *err) NW_CHECKED;
struct nw_flat_error {
    bool is_told;                      /* else why_null */
    double chip_x, chip_y, chip_sigma; /* stays on the chip: an error of the flat */
    double sky_x, sky_y;               /* turns with the sky: a gradient; NaN: averaged out */
    char why_null[200], by[48];
};
/* A flat's error stays on the chip, a gradient turns with the sky: told only from frames of which
 * some are turned (both tube sides, or the rotator), or of four fields and more. */
void nw_flat_error_of(const struct nw_flat_slope *slopes, size_t n, struct nw_flat_error *ret);

#endif
