/* gaps_internal.h - shared by the files of gaps only. */
#ifndef NW_BOOK_GAPS_INTERNAL_H
#define NW_BOOK_GAPS_INTERNAL_H

#include <math.h>

#include "book/gaps.h"

/* A hole of one source, or of several at one time. */
struct gap_hole {
    double start_s, end_s;
    double from_s[NW_GAP_N_SOURCES], to_s[NW_GAP_N_SOURCES]; /* of those that are silent */
    unsigned sources;
    size_t before; /* of frames: the sub before it */
};

static inline struct nw_gap_track gap_power_track(const struct nw_gap_evidence *evidence) {
    return evidence->power ? (struct nw_gap_track){evidence->power->t_s, evidence->power->n}
                           : (struct nw_gap_track){NULL, 0};
}

void gap_explain(const struct nw_gap_evidence *evidence, const struct gap_hole *hole,
                 struct nw_gap *ret);

#endif
