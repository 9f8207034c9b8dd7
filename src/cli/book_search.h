/* book_search.h - shared by the files that look for trials in the book only. */
#ifndef CLI_BOOK_SEARCH_H
#define CLI_BOOK_SEARCH_H

#include "cli/book_trials.h"

/* One search. */
struct cli_search {
    struct nw_book *book;
    const struct cli_find_trials *how;
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    int64_t rig_version;
    struct cli_found_trials *found;
    double
        *apart_s; /* starts of the frames out of focus on purpose, of the night that is searched */
    size_t n_apart, apart_cap;
};
/* A row without rig, setup and origin into the book; what is new there goes to `found`. */
enum nw_status cli_search_keep(struct cli_search *s, struct nw_book_trial *row,
                               const double *starts_s, size_t n, struct nw_err *err) NW_CHECKED;
/* Trials of a night that are known by what was done: pairs about focus, whose frames go to apart_s;
 * and those with cap or card and of five seconds, which want to know what the widths found. */
enum nw_status cli_search_pairs(struct cli_search *s, const char *date,
                                struct nw_err *err) NW_CHECKED;
enum nw_status cli_search_frames(struct cli_search *s, const char *date,
                                 struct nw_err *err) NW_CHECKED;
/* Two settings of the guider by turns. */
enum nw_status cli_search_settings(struct cli_search *s, const struct nw_guide_runs *runs,
                                   struct nw_err *err) NW_CHECKED;

#endif
