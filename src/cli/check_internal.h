/* check_internal.h - shared by the files of the command `check`. */
#ifndef NW_CHECK_INTERNAL_H
#define NW_CHECK_INTERNAL_H

#include "book/evidence.h"
#include "budget/apart.h"
#include "budget/budget.h"
#include "budget/ledger.h"
#include "budget/ledger_seen.h"
#include "cli/cli.h"
#include "guiding/runs.h"
#include "image/image.h"
#include "report/report.h"
#include "report/report_apart.h"
#include "rig/rig.h"

/* What frames and guide log of one night say. */
struct check_night {
    struct nw_star_frame *stars; /* in order of time */
    size_t n;
    struct nw_measure *measures;  /* beside them: sizes and the brightest stars alone */
    struct nw_frame_facts *facts; /* likewise */
    bool is_interpolated;
    struct nw_seen_sub *seen; /* all light frames, in order of time */
    size_t n_seen;
    char date[NW_BOOK_DATE]; /* of a night out of the book */
    size_t n_of_trials;      /* frames of the book left out: they speak through their trial alone */
    struct nw_buf remark;    /* on the frames that were left out */
};

void check_night_done(struct check_night *night); /* zeroed allowed */
/* Measures files, and the frames in folders. DATA: none has a usable star. */
enum nw_status check_frames(const char *const *given, size_t n_given, const struct nw_rig *rig,
                            const struct nw_setup *setup, struct check_night *night,
                            struct nw_err *err) NW_CHECKED;
/* Lays the log beside the frames of the night and fills their motions and `evidence`. */
enum nw_status check_guiding(const char *path, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct check_night *night,
                             struct nw_star_evidence *evidence, struct nw_err *err) NW_CHECKED;
enum nw_status check_guiding_runs(struct nw_guide_runs *runs, const struct nw_rig *rig,
                                  const struct nw_setup *setup, struct check_night *night,
                                  struct nw_star_evidence *evidence, struct nw_err *err) NW_CHECKED;
/* Frames and guide runs of a night out of the book (date "" or NULL: its last); ret_date says
 * which. Guide runs that cannot be laid beside the frames are left out with a remark. */
enum nw_status check_book(struct nw_book *book, const char *date, const struct nw_rig *rig,
                          const struct nw_setup *setup, struct check_night *night,
                          struct nw_star_evidence *evidence, struct nw_err *err) NW_CHECKED;
struct check_told { /* what trials say */
    struct nw_star_known *known;
    struct nw_apart_witness *witnesses;
    struct nw_apart_told *sums;
    struct nw_apart_word *words;
    size_t n_known, n_witnesses, n_sums, n_words, caps[4];
};
void check_told_done(struct check_told *told);
struct check_apart {
    struct nw_apart *apart;
    struct check_told told;
    struct nw_star_frame mean; /* of the subs through the setup's own filter, else of all */
    size_t n_unknown_filter;   /* subs left out: the rig file has no such filter */
    size_t n_of_trials;        /* frames left out: a trial is made of them */
    size_t n_before, n_after;  /* nights on either side of the change */
    char from[NW_BOOK_DATE], to[NW_BOOK_DATE];
    size_t n_without_log; /* nights without a guide log beside the frames */
};
void check_apart_done(struct check_apart *nights); /* zeroed allowed */
struct check_nights_opts {
    const char *range;       /* "all", "2026-05-01..2026-07-31" */
    const char *changed_on;  /* date of the first night with something changed, whose effect is a
                                term then; or NULL */
    const char *const *told; /* what trials say, "LINE=WIDTH+-SIGMA UNIT" or
                                "TIME=SEEING+-SIGMA UNIT" (--told) */
    size_t n_told;
    /* the change acts on this line: what frames and logs say of it themselves (airmass, time since
     * the focus run, motion, length of the sub) is not used, else it would explain the change away
     */
    bool has_own_line;
    enum nw_star_line_id own_line;
};
/* The nights of a range taken apart together. *ret zeroed before; check_apart_done, also after an
 * error. */
enum nw_status check_nights(struct nw_book *book, const struct check_nights_opts *opts,
                            const struct nw_rig *rig, const struct nw_setup *setup,
                            struct check_apart *ret, struct nw_err *err) NW_CHECKED;
/* The rig as each of its changes would make it: overrides of the caller, then those of the change.
 */
struct check_changed {
    struct nw_star_alternative *items;
    struct changed_rig {
        struct nw_rig *rig;
    } * rigs;
    size_t n;
};
enum nw_status check_alternatives(const char *path, const char *const *sets, size_t n_sets,
                                  const struct nw_setup *setup, struct check_changed *ret,
                                  struct nw_err *err) NW_CHECKED;
void check_changed_done(struct check_changed *changed);
/* The budgets beside the star width: `name` alone, which must apply then, or all that the rig
 * describes (NULL). */
enum { CHECK_LEDGERS = 16 };
struct check_ledgers {
    struct nw_ledger *items[CHECK_LEDGERS];
    size_t n;
};
enum nw_status check_ledgers(const char *name, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct check_ledgers *ret,
                             struct nw_err *err) NW_CHECKED;
/* The one of that name; NULL: the rig does not describe it. */
struct nw_ledger *check_ledger_of(const struct check_ledgers *ledgers, const char *name);
/* What the climate and power logs of a night of the book say to them; a log that does not fit the
 * rig is told beside its budget. */
enum nw_status check_book_logs(struct nw_book *book, const char *date, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct check_ledgers *ledgers,
                               struct nw_err *err) NW_CHECKED;
/* What --power, --climate and --frames say to them, else the book's logs of the night. */
enum nw_status check_measured(const struct cli_args *args, const struct nw_rig *rig,
                              const struct nw_setup *setup, const struct check_ledgers *ledgers,
                              struct nw_err *err) NW_CHECKED;
/* A light frame for those budgets; measure NULL: its header alone. */
void check_seen_sub(const struct nw_frame_facts *facts, const struct nw_measure *measure,
                    struct nw_seen_sub *ret);
/* What the night's light frames say to the budgets of light and time. */
void check_seen(const struct check_night *night, const struct nw_rig *rig,
                const struct nw_setup *setup, const struct check_ledgers *ledgers);
void check_ledgers_done(struct check_ledgers *ledgers);
/* Reads the truth of a simulated night. FORMAT for anything else. */
enum nw_status check_truth(const char *path, struct nw_check_truth *ret,
                           struct nw_err *err) NW_CHECKED;

#endif
