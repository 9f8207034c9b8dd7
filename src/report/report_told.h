/* report_told.h - what trials told, what was advised and came of it, as text and keys. A public
 * header of report of its own. */
#ifndef NW_REPORT_TOLD_H
#define NW_REPORT_TOLD_H

#include "book/told.h"
#include "budget/trials.h"
#include "report/report.h"

/* One entry a trial; nothing where there is none. */
void nw_report_told_text(const struct nw_book_trial *trials, size_t n, struct nw_buf *buf);
/* The array "trials" into a document that is there. */
void nw_report_told_json(const struct nw_book_trial *trials, size_t n, json_t *document);

/* Those of a book, with their numbers; those taken back say so. nightwright.book.1 with "trials".
 */
void nw_report_trials_kept_text(const struct nw_book_trial *trials, size_t n, struct nw_buf *buf);
enum nw_status nw_report_trials_kept_json(const struct nw_book_trial *trials, size_t n,
                                          json_t **ret, struct nw_err *err) NW_CHECKED;

/* A trial that is no difference of widths. */
struct nw_trial_told {
    const struct nw_trial *card;
    const char *quantity, *unit;
    double value, sigma, low, high; /* NaN where there is none */
    size_t n_frames;
    char from[200], verdict[400];
    char why_null[400]; /* of a value that is NaN */
};
void nw_report_trial_told_text(const struct nw_trial_told *told, struct nw_buf *buf);
/* nightwright.trial.1 with quantity, unit and value in "result". */
enum nw_status nw_report_trial_told_json(const struct nw_trial_told *told, json_t **ret,
                                         struct nw_err *err) NW_CHECKED;

/* Advice of earlier looks whose change was made: held, refuted or cannot tell yet; and what is
 * still open, in one line. Nothing where nothing was advised. */
void nw_report_outcomes_text(const struct nw_book_advice *advice, size_t n, struct nw_buf *buf);
/* The array "advice_before". */
void nw_report_outcomes_json(const struct nw_book_advice *advice, size_t n, json_t *document);

#endif
