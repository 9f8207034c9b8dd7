/* book_trials.h - trials found among what came into the book: evaluated and kept there. */
#ifndef CLI_BOOK_TRIALS_H
#define CLI_BOOK_TRIALS_H

#include "book/told.h"
#include "budget/trials.h"
#include "cli/cli.h"
#include "rig/rig.h"

struct cli_found_trials {
    struct nw_book_trial *items;
    size_t n, cap;
};
struct cli_find_trials {
    const struct nw_rig *rig; /* NULL: the rig file that the book took last; without one nothing is
                                 evaluated */
    const char *rig_path;     /* of rig: becomes part of the book when a trial is found; or NULL */
    const char *setup;        /* NULL: the first */
    enum nw_book_origin origin;
    double since_utc_s; /* frames and logs that came then or later: now_utc_s of the nw_book_add */
    const char *from, *to; /* nights between these dates, whenever they came, when `is_all` */
    bool is_all;
    bool is_going_on; /* frames are being taken: darks and flats are looked at later */
};
/* Looks through the nights that anything came to. What cannot be evaluated is no trial: no error.
 * *ret: what was told for the first time, yours: cli_found_trials_done. */
enum nw_status cli_book_find_trials(struct nw_book *book, const struct cli_find_trials *how,
                                    struct cli_found_trials *ret, struct nw_err *err) NW_CHECKED;
/* The rig file that the book took last: NULL where there is none, or none that can be read. */
enum nw_status cli_book_last_rig(struct nw_book *book, struct nw_rig **ret, int64_t *ret_version,
                                 struct nw_err *err) NW_CHECKED;
/* The rig of --rig, else that of the book (NULL: none); yours. Refused where --setup is not in it.
 */
enum nw_status cli_book_rig(struct nw_book *book, const struct cli_args *args, struct nw_rig **ret,
                            struct nw_err *err) NW_CHECKED;
void cli_found_trials_done(struct cli_found_trials *found);
/* A result as a row of the book, without rig version, origin and filter. */
void cli_trial_row(const struct nw_trial_result *result, struct nw_book_trial *ret);

/* `book trials`: those kept; --forget N, --restore N: was none, is one; --look: the nights from
 * --from to --to once more. */
enum nw_status cli_book_trials(struct nw_book *book, const struct cli_args *args,
                               struct cli_result *result, struct nw_err *err) NW_CHECKED;

#endif
