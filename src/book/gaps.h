/* gaps.h - eighth public header of book: where a night has holes, and what made them.
 *
 * Frames, guide log, climate log and power log are laid on one clock. A hole is time in which rows
 * or subs were to be expected and did not come; holes of several at one time are one. The cause
 * follows from evidence only: what changed between the subs, what went on writing, what the volts
 * did just before. Where evidence does not separate causes, they are named together with what would
 * tell them apart. */
#ifndef NW_BOOK_GAPS_H
#define NW_BOOK_GAPS_H

#include "book/live.h"
#include "power/power_log.h"

/* symbol, word that is counted, what is said, is it a fault */
#define NW_GAP_CAUSE_LIST(X)                                                                       \
    X(TARGET, "target", "new target", false)                                                       \
    X(FLIP, "flip", "flip", false)                                                                 \
    X(FOCUS, "focus", "focuser moved: a focus run", false)                                         \
    X(FILTER, "filter", "filter changed", false)                                                   \
    X(ROOF, "roof", "roof closed", false)                                                          \
    X(CLOUD, "cloud", "cloud", false)                                                              \
    X(PAUSE, "pause", "guiding paused", false)                                                     \
    X(SUPPLY, "supply", "supply, wire or plug", true)                                              \
    X(PC, "pc", "PC, its USB or its programs", true)                                               \
    X(CAMERA, "camera", "camera, its cable, or the sequence", true)                                \
    X(GUIDER, "guider", "guide camera or guide program", true)                                     \
    X(LOGGER, "logger", "the logger alone", true)                                                  \
    X(UNTOLD, "untold", "cannot be told", false)
enum nw_gap_cause {
#define X(name, word, text, is_fault) NW_GAP_##name,
    NW_GAP_CAUSE_LIST(X)
#undef X
        NW_GAP_N_CAUSES
};
const char *nw_gap_cause_word(enum nw_gap_cause cause);
const char *nw_gap_cause_text(enum nw_gap_cause cause);
bool nw_gap_is_fault(enum nw_gap_cause cause);

enum nw_gap_source { NW_GAP_FRAMES, NW_GAP_GUIDE, NW_GAP_CLIMATE, NW_GAP_POWER, NW_GAP_N_SOURCES };
const char *nw_gap_source_word(enum nw_gap_source source); /* "frames", "guide-log" ... */

struct nw_gap {
    char date[NW_BOOK_DATE];
    double from_s, to_s;
    unsigned sources; /* bit i: source i fell silent */
    enum nw_gap_cause cause;
    char evidence[240], would_tell[200];
};

/* The moments at which one source wrote, in order; n 0: there is no such log. */
struct nw_gap_track {
    const double *t_s;
    size_t n;
};
struct nw_gap_evidence {
    const struct nw_live *live; /* subs; climate rows with the roof open */
    struct nw_gap_track guide, climate;
    const bool *has_star;              /* beside guide; NULL: not known */
    const double *roof_open;           /* beside climate, 0 or 1 or NaN; NULL */
    const struct nw_power_rows *power; /* NULL: no such log */
    const struct nw_gap_track *pauses; /* begin and end of pauses of guiding, alternately; NULL */
};
/* Finds and explains the holes between the first sub and the last. *ret yours to free. */
enum nw_status nw_gaps_find(const struct nw_gap_evidence *evidence, struct nw_gap **ret,
                            size_t *ret_n, struct nw_err *err) NW_CHECKED;

/* Those of one night, out of its frames and logs. */
enum nw_status nw_gaps_of_night(struct nw_book *book, const struct nw_live *live,
                                struct nw_gap **ret, size_t *ret_n, struct nw_err *err) NW_CHECKED;
/* Those of many nights, as they were found when the nights were added. */
enum nw_status nw_gaps_list(struct nw_book *book, const char *from, const char *to,
                            struct nw_gap **ret, size_t *ret_n, struct nw_err *err) NW_CHECKED;

#endif
