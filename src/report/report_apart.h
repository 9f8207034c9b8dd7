/* report_apart.h - the star width of many nights taken apart, as text and keys. */
#ifndef NW_REPORT_APART_H
#define NW_REPORT_APART_H

#include "budget/apart.h"
#include "budget/trials.h"
#include "report/report.h"

struct nw_apart_word { /* on a trial that the book holds: what it told, or why it is not used */
    bool is_used;
    char text[200];
};
struct nw_apart_report {
    const struct nw_apart *apart; /* borrowed */
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const char *from, *to; /* dates */
    size_t n_without_log;
    const struct nw_apart_word *trials;
    /* what each change is worth with the lines as the nights leave them; or NULL */
    const struct nw_star_budget *budget;
    size_t n_unknown_filter;      /* subs left out: the rig file has no such filter */
    size_t n_trials, n_of_trials; /* n_of_trials: frames that speak through them alone */
};
void nw_report_apart_text(const struct nw_apart_report *report, struct nw_buf *buf);
/* "nightwright.check.1" with "nights" instead of budgets (docs/formats.md). */
enum nw_status nw_report_apart_json(const struct nw_apart_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

/* Before and since a change: what it did to the width in the same air. */
struct nw_change_report {
    const struct nw_apart *apart; /* with CHANGE */
    const char *date;             /* of the first night since */
    size_t n_before, n_after;
    const struct nw_star_advice *foretold; /* of a change of the rig file; or NULL */
};
/* How many nights more, on the side that has fewer, until the effect is known to 3 % of the squared
 * width, or to half of itself; 0: now; INFINITY: that side alone cannot. */
double nw_change_nights_needed(const struct nw_change_report *report);
/* Whether the prediction of `foretold` held: within two sigmas of it, and two away from nothing. */
enum nw_change_outcome { NW_CHANGE_CANNOT_TELL, NW_CHANGE_HELD, NW_CHANGE_REFUTED };
enum nw_change_outcome nw_change_outcome_of(const struct nw_change_report *report);
/* How the mean width came to change, of a star as wide as those that were judged; with its sigma.
 */
double nw_change_width_rad(const struct nw_change_report *report, double *ret_sigma_rad);
void nw_report_change_text(const struct nw_change_report *report, struct nw_buf *buf);
enum nw_status nw_report_change_json(const struct nw_change_report *report, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;

/* Cards in order; a card; a result. */
struct nw_trials_report {
    const struct nw_trial_rank *ranks;    /* NW_N_TRIALS, or NULL: no rig was given */
    const struct nw_trial *card;          /* one alone, or NULL */
    const struct nw_trial_result *result; /* of it, or NULL */
    const char *evening;                  /* "commissioning", "yearly": these alone; or NULL */
    size_t n_nights;                      /* what the order knows; 0: the rig file alone */
};
void nw_report_trials_text(const struct nw_trials_report *report, struct nw_buf *buf);
enum nw_status nw_report_trials_json(const struct nw_trials_report *report, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;

#endif
