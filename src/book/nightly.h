/* nightly.h - fourth public header of book: a night looked back on. Where the hours went, which
 * subs were worth least and why, what changed. */
#ifndef NW_BOOK_NIGHTLY_H
#define NW_BOOK_NIGHTLY_H

#include "book/gaps.h"

#define NW_SUB_FAULT_LIST(X)                                                                       \
    X(WIDTH, "wider stars")                                                                        \
    X(LIGHT, "light lost")                                                                         \
    X(SKY, "brighter sky")
enum nw_sub_fault {
#define X(name, text) NW_FAULT_##name,
    NW_SUB_FAULT_LIST(X)
#undef X
        NW_N_FAULTS
};
const char *nw_sub_fault_text(enum nw_sub_fault fault);

/* What a sub was worth for point sources, as a share of exposure time against a sub with the best
 * width, light and sky of its filter and exposure (each the better tenth): T^2 / (A_neq
 * sigma_sky^2) (King 1983, PASP 95, 163: variance of a flux is sigma^2 A_neq; time goes with its
 * inverse). */
struct nw_nightly_sub {
    size_t sub;                 /* in live.subs */
    double worth;               /* NaN: something is not known */
    double factor[NW_N_FAULTS]; /* whose product it is */
    enum nw_sub_fault worst;
};

enum { NW_NIGHTLY_GAPS = 5 };
struct nw_nightly {
    struct nw_live live;
    bool is_dark_known; /* the Sun 18 deg down, from the site */
    double dark_h, dark_start_s, dark_end_s;
    char why_no_dark[120];
    /* hours; NaN where not known */
    double exposing_h, usual_gaps_h, long_gaps_h, overlap_h;
    double before_h, after_h; /* dark, before the first sub and after the last */
    double worthless_h;       /* exposure that the subs' worth takes away; point sources */
    double usual_gap_s;
    struct nw_gap gaps[NW_NIGHTLY_GAPS]; /* the longest */
    size_t n_gaps, n_long;               /* shown; all, of which n_faults are a fault's */
    size_t n_faults;
    struct nw_nightly_sub *subs; /* least worth first; without a worth last */
    size_t n_worth;
    struct nw_book_change *changes;
    size_t n_changes;
};
/* date "" or NULL: the last night. rig NULL: site from the frames. */
struct nw_rig;
enum nw_status nw_nightly_read(struct nw_book *book, const char *date, const struct nw_rig *rig,
                               const struct nw_live_foretold *foretold, struct nw_nightly *ret,
                               struct nw_err *err) NW_CHECKED;
void nw_nightly_done(struct nw_nightly *night);

#endif
