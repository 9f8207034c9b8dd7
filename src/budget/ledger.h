/* ledger.h - budgets that are lists of lines in one unit: back focus, and those like it.
 *
 * Idea: every such budget is one file that fills the same form, a ledger, and one row in
 * NW_LEDGER_LIST; `check`, its text and its JSON know the form only. The star width, whose lines
 * are profiles and not numbers, has its own (budget.h). Pure: all that is known comes in. To add
 * one: its row in NW_LEDGER_LIST, its file with nw_ledger_<name>, its section in docs/models.md. */
#ifndef NW_LEDGER_H
#define NW_LEDGER_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "rig/rig.h"

/* name, unit, title */
#define NW_LEDGER_LIST(X)                                                                          \
    X(back_focus, "mm", "BACK FOCUS")                                                              \
    X(balance, "N m", "BALANCE")                                                                   \
    X(clearance, "mm", "CLEARANCE")                                                                \
    X(damp, "K", "DAMP")                                                                           \
    X(guide_train, "arcsec2", "GUIDE TRAIN")                                                       \
    X(light, "%", "LIGHT")                                                                         \
    X(power, "W", "POWER")                                                                         \
    X(storage, "GB", "STORAGE")                                                                    \
    X(time, "min", "TIME")

/* "star_width|back_focus|...": all budgets, for the choice on the command line */
#define NW_LEDGER_BAR_NAME(name, unit, title) "|" #name
#define NW_BUDGET_NAMES "star_width" NW_LEDGER_LIST(NW_LEDGER_BAR_NAME)

/* One contributor. Numbers are in the line's unit; NaN is not known, and why_null says why. */
struct nw_ledger_line {
    char id[72], label[72];
    const char *unit; /* the budget's for lines that are summed; its own for those beside */
    bool is_summed;   /* false: stands beside the sum */
    double allowed;   /* to each side, for what may have either sign */
    double predicted, predicted_sigma;
    double measured, measured_sigma, measured_low, measured_high;
    double attainable;
    double time_percent_point, time_percent_extended; /* saved by it; NaN: not counted in time */
    const char *basis;                                /* model and source */
    char detail[200];                                 /* the numbers that went in */
    enum nw_from provenance;
    char why_null[160]; /* why nothing was measured, and what would measure it */
};

struct nw_ledger_advice {
    char change[160];
    char path[96], value[320]; /* what it would be in the rig file; "" = nothing there */
    const char *effort;        /* setting, adjustment, purchase */
    double time_percent_point, time_percent_extended; /* NaN: counted in margin, not in time */
    char prediction[240], why[240];
};
struct nw_ledger_unknown {
    char what[240];
    char trial[120], settles_to[96];
    int minutes; /* 0: no time under the stars */
};

#define NW_LEDGER_LINES 64
struct nw_ledger {
    const char *name, *unit, *title;
    char aside[80];     /* beside the title: what it is about */
    char sum_label[56]; /* what the lines add up to */
    struct nw_ledger_line lines[NW_LEDGER_LINES];
    size_t n_lines;
    double allowed; /* of the sum, to each side where it has either sign */
    bool is_floor;  /* allowed is the least that is wanted, not the most; nothing adds up */
    double predicted, predicted_sigma, measured, measured_sigma;
    double over_probability; /* P(|predicted| > allowed) */
    bool is_over;
    double margin_percent; /* of what is allowed, still free; negative: over */
    char why_null[200];    /* why the sum was not measured */
    char verdict[240];     /* one sentence */
    size_t limiting;       /* the line with the largest part in the error; n_lines: none */
    struct nw_ledger_unknown unknown[8];
    size_t n_unknown;
    struct nw_ledger_advice advice[4], leave[4];
    size_t n_advice, n_leave;
    char cautions[4][200];
    size_t n_cautions;
};

/* The budget of that name for one setup.
 *   errors  NOTFOUND: no such budget, or the rig does not describe what it needs (which key);
 *           DOMAIN: values that make no sense together; NOMEM */
enum nw_status nw_ledger_new(const char *name, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct nw_ledger **ret,
                             struct nw_err *err) NW_CHECKED;
void nw_ledger_free(struct nw_ledger *ledger);
const char *nw_ledger_name(size_t i); /* NULL past the end */

/* ---- For the files that fill a ledger ------------------------------------------------------ */

#define X(name, unit, title)                                                                       \
    enum nw_status nw_ledger_##name(const struct nw_rig *rig, const struct nw_setup *setup,        \
                                    struct nw_ledger *ret, struct nw_err *err) NW_CHECKED;
NW_LEDGER_LIST(X)
#undef X

/* A new line, summed, in the budget's unit, all numbers NaN; the last one again when it is full. */
struct nw_ledger_line *nw_ledger_add(struct nw_ledger *ledger, const char *id, const char *label);
struct nw_ledger_unknown *nw_ledger_add_unknown(struct nw_ledger *ledger);
struct nw_ledger_advice *nw_ledger_add_advice(struct nw_ledger *ledger);
struct nw_ledger_advice *nw_ledger_add_leave(struct nw_ledger *ledger);
void nw_ledger_caution(struct nw_ledger *ledger, const char *text);
/* Sum, its error (lines are independent), the limiting line, probability and margin against
 * `allowed` as a band about 0. NaN lines make the sum NaN. */
void nw_ledger_sum(struct nw_ledger *ledger);

/* The line of that id; NULL: none. */
struct nw_ledger_line *nw_ledger_find(struct nw_ledger *ledger, const char *id);

struct nw_air_log;
/* What a climate log of a night says (air/log.h), into the lines of a damp budget: how far each
 * surface, while the roof was open, and the space under the cover stayed above the dew or frost
 * point in 99 of 100 rows; the room's humidity in its last closed row. Errors: those of usual
 * probes and hygrometers, 0.3 K and 2 % (common practice, no source). */
void nw_ledger_damp_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                             const struct nw_air_log *log);

struct nw_power_result;
struct nw_power_log;
/* What a power log says (power/power_log.h), into the lines of a power budget: the most that each
 * load took, each fuse carried and each drop came to in 99 of 100 samples, and the source's sum.
 * The most that was seen is not the most that can be: nothing says that all came together. */
void nw_ledger_power_measured(struct nw_ledger *ledger, const struct nw_power_result *result,
                              const struct nw_power_log *log);

/* The frames of a night as they lie on the disk. */
void nw_ledger_storage_measured(struct nw_ledger *ledger, size_t n_frames, double bytes);

/* Bytes of one frame of that setup as FITS: header and pixels in blocks of 2880 (Standard 4.0). */
double nw_storage_frame_B(const struct nw_setup *setup);

#endif
