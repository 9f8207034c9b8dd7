/* calibration.h - simulated bias, dark and flat frames with their truth: the chip as it would be in
 * front of a lamp that flickers and drifts, and flats of a light panel at several settings, with
 * dust that stays, goes, or turns with the rotator. A public header of synth of its own; the night:
 * synth.h. Shares nothing with the analysers of light but the rig and the FITS writer. */
#ifndef NW_SYNTH_CALIBRATION_H
#define NW_SYNTH_CALIBRATION_H

#include "base/base.h"
#include "rig/rig.h"

enum nw_synth_set {
    NW_SYNTH_SET_SENSOR, /* biases, darks at four temperatures, pairs of flats faint to full */
    NW_SYNTH_SET_DARKS,  /* biases, two pairs of flats, 24 darks of 300 s; pixels that switch */
    NW_SYNTH_SET_PANEL   /* biases, flats of each filter at settings; folder then/ before */
};

struct nw_synth_chip_opts {
    uint64_t seed;
    size_t width_px, height_px; /* 0: the rig's */
    int n_threads;
    /* "NAME=NUMBER", nw_synth_chip_fault_at */
    const char *const *inject;
    size_t n_inject;
};

/* What can be given, with its range and what it is without; false past the end. */
struct nw_synth_chip_fault {
    const char *name;
    double low, high, usual;
    const char *meaning;
};
bool nw_synth_chip_fault_at(size_t i, struct nw_synth_chip_fault *ret);

/* Writes frames and truth.json into a new or empty folder; *ret_n: how many frames. */
enum nw_status nw_synth_calibration(const struct nw_rig *rig, const char *setup_name,
                                    enum nw_synth_set kind, const struct nw_synth_chip_opts *opts,
                                    const char *folder, size_t *ret_n,
                                    struct nw_err *err) NW_CHECKED;

#endif
