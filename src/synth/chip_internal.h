/* chip_internal.h - shared by chip.c, calibration.c and their truth only. */
#ifndef NW_SYNTH_CHIP_INTERNAL_H
#define NW_SYNTH_CHIP_INTERNAL_H

#include "synth/calibration.h"
#include "synth/synth_internal.h"

#define CHIP_FAULTS(X)                                                                             \
    X(nonlinearity, 0.0, 0.2, 0.015, "share of the counts missing at full scale")                  \
    X(flicker, 0.0, 0.1, 0.005, "rms of the lamp from flat to flat, share")                        \
    X(drift, -0.5, 0.5, 0.02, "of the lamp, share an hour")                                        \
    X(wander, 0.0, 5.0, 0.15, "rms of the offset from frame to frame, electrons")                  \
    X(clamp, 0.0, 1.0, 0.0, "1: the camera takes the mean dark off itself")                        \
    X(doubling, 2.0, 20.0, 6.2, "K that double the dark current")                                  \
    X(prnu, 0.0, 0.1, 0.008, "rms of the pixels' response, share")                                 \
    X(sharing, 0.0, 0.2, 0.0, "share of the light's variance lost at full scale to neighbours")    \
    X(rows, 0.0, 20.0, 0.15, "rms of whole rows, changing, electrons")                             \
    X(columns, 0.0, 20.0, 0.2, "rms of whole columns, fixed, electrons")                           \
    X(band, 0.0, 20.0, 0.0, "amplitude of a band across the rows, electrons")                      \
    X(hot, 0.0, 0.05, 3e-4, "share of hot pixels")                                                 \
    X(telegraph, 0.0, 0.05, 0.0, "share of pixels that switch between two levels of dark charge")  \
    X(step, 0.0, 1000.0, 40.0, "electrons in 300 s between those levels, half to one and a half")  \
    X(vignetting, 0.0, 0.8, 0.2, "light missing in the corners, share")                            \
    X(well, 0.1, 10.0, 1.0, "wells against the rig's full scale")                                  \
    X(panel_power, 0.3, 2.0, 0.93, "exponent of the panel's light over its setting")               \
    X(panel_curve, -0.3, 0.3, 0.03, "bend of that: share per (ln setting)^2")                      \
    X(shutter, -0.1, 0.1, 0.0, "s that an exposure is longer than it says")                        \
    X(dust, 0.0, 5.0, 1.0, "depth of all shadows against the usual")                               \
    X(turn, 0.0, 360.0, 90.0, "degrees the rotator is turned between then and now")

struct chip_faults {
#define X(name, low, high, usual, meaning) double name;
    CHIP_FAULTS(X)
#undef X
};

/* A shadow of dust, its middle from the frame's middle in pixels, before the rotator turned. */
struct chip_dust {
    double x_px, y_px, diameter_px, depth;
    double distance_m;
    int filter;     /* -1: not on a filter */
    bool does_turn; /* it sits in front of the rotator: against the chip it turns */
    int life;       /* 0 then and now, 1 only now, 2 only then */
};
enum { CHIP_DUST = 6 };

struct chip {
    struct synth_camera camera;
    struct chip_faults f;
    uint64_t seed;
    size_t n_hot;
    struct chip_switch { /* a pixel that is up in a share of the frames */
        size_t at;
        double step_e_s, share_up;
    } * switches;
    size_t n_switches;
    float *response, *dark, *well; /* per pixel: about 1; e/s beside the common one; e */
    float *columns;
    struct chip_dust dust[CHIP_DUST];
    size_t n_dust;
};

struct chip_shot {
    char name[64];
    const char *type, *filter;
    int filter_index;
    double exposure_s, temperature_K, t_s; /* t_s: since the start of the set */
    double session_s;                      /* the lamp was switched on then */
    double rate_e_s;                       /* of light in the middle, the lamp as it should be */
    double setting, angle_rad;             /* NaN: none */
    bool is_then;
    double lamp, wander_e; /* drawn: truth */
};

enum nw_status nw_synth_chip_init(const struct nw_rig *rig, const char *setup,
                                  const struct nw_synth_chip_opts *opts, struct chip *ret,
                                  struct nw_err *err) NW_CHECKED;
void nw_synth_chip_done(struct chip *chip);
enum nw_status nw_synth_chip_shoot(const struct chip *chip, size_t index, struct chip_shot *shot,
                                   const char *folder, struct nw_err *err) NW_CHECKED;
double nw_synth_chip_dark_e_s(const struct chip *chip, double temperature_K);
enum nw_status nw_synth_chip_truth(const struct chip *chip, const struct chip_shot *shots, size_t n,
                                   const char *path, struct nw_err *err) NW_CHECKED;

#endif
