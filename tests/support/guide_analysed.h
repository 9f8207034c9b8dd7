/* guide_analysed.h - the analysis of a guide log in a test that rests on it: fails with its message
 * where there is none. For nw_guide_analysis_free. */
#ifndef NW_TEST_GUIDE_ANALYSED_H
#define NW_TEST_GUIDE_ANALYSED_H

#include "check.h"
#include "guiding/guiding.h"

/* opts NULL: everything, gears and replay too. */
static inline struct nw_guide_analysis *analysed(const struct nw_guide_log *log,
                                                 const struct nw_guide_opts *opts) {
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    if (nw_guide_analyse(log, opts, &a, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return a;
}

/* Motion, noise, drift and worm only. */
static inline struct nw_guide_analysis *analysed_loop(const struct nw_guide_log *log) {
    const struct nw_guide_opts opts = {.noise_floor_rad = NAN, .is_loop_only = true};
    return analysed(log, &opts);
}

#endif
