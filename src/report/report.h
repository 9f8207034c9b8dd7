/* report.h - results as text for people and as JSON for scripts.
 *
 * Nothing here prints: text goes into a nw_buf, JSON becomes a json_t. The page (serve) and the
 * command line (cli) call the same functions, so both give the same document.
 * Rules: SI and radians come in, the unit of a number leaves in its key or beside it; unknown is
 * null in JSON ("why_null" beside it) and "-" in text, never 0; text is at most 80 columns wide. */
#ifndef NW_REPORT_H
#define NW_REPORT_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "budget/budget.h"
#include "budget/ledger.h"
#include "image/image.h"
#include "look/look.h"
#include "rig/rig.h"

#define NW_REPORT_MAX_BYTES ((size_t)256 << 20) /* of one document */
#define NW_REPORT_WIDTH 80

/* ---- JSON --------------------------------------------------------------------------------- */

/* A document under construction. Running out of memory is sticky: calls go on doing nothing and
 * nw_json_end says so once. In all calls `object` or `array` NULL means the root. Keys are plain
 * ASCII. Usage:
 *     struct nw_json json;
 *     nw_json_begin(&json, "measure", 1);
 *     json_t *frames = nw_json_array(&json, NULL, "frames");
 *     json_t *frame = nw_json_item(&json, frames);
 *     nw_json_number(&json, frame, "fwhm_px", fwhm_px, 6);
 *     return nw_json_end(&json, ret, err);                                                     */
struct nw_json {
    json_t *root;
    bool is_failed;
};
/* A new root object with "schema": "nightwright.<command>.<version>". */
void nw_json_begin(struct nw_json *json, const char *command, int version);
/* Hands the root over (json_decref it); NOMEM when something failed on the way. */
enum nw_status nw_json_end(struct nw_json *json, json_t **ret, struct nw_err *err) NW_CHECKED;
void nw_json_drop(struct nw_json *json); /* instead of nw_json_end, after an error elsewhere */

/* New children: borrowed, or NULL after a failure (which the calls here accept). */
json_t *nw_json_object(struct nw_json *json, json_t *object, const char *key);
json_t *nw_json_array(struct nw_json *json, json_t *object, const char *key);
json_t *nw_json_item(struct nw_json *json, json_t *array); /* object at the end of an array */
json_t *nw_json_item_array(struct nw_json *json, json_t *array);

/* Any value made by jansson; its reference is taken. */
void nw_json_put(struct nw_json *json, json_t *object, const char *key, json_t *value);
/* null unless finite; rounded to `digits` significant digits, 1 to 15 (0 = 6). */
void nw_json_number(struct nw_json *json, json_t *object, const char *key, double value,
                    int digits);
void nw_json_count(struct nw_json *json, json_t *object, const char *key, size_t count);
/* NULL and "" become null; bytes that are not UTF-8 become U+FFFD. */
void nw_json_text(struct nw_json *json, json_t *object, const char *key, const char *text);
void nw_json_bool(struct nw_json *json, json_t *object, const char *key, bool value);
/* ISO 8601 in UTC with `decimals` of the second; null unless finite. */
void nw_json_time(struct nw_json *json, json_t *object, const char *key, double t_utc_s,
                  int decimals);
void nw_json_null(struct nw_json *json, json_t *object, const char *key);
/* The reason why `key` of this object is null: an entry of its map "why_null". */
void nw_json_why(struct nw_json *json, json_t *object, const char *key, const char *reason);
/* At the end of an array. */
void nw_json_add(struct nw_json *json, json_t *array, json_t *value);
void nw_json_add_number(struct nw_json *json, json_t *array, double value, int digits);
void nw_json_add_text(struct nw_json *json, json_t *array, const char *text);

/* Serialises a document, keys in the order of insertion, a line feed at the end. */
enum nw_status nw_json_write(const json_t *document, struct nw_buf *ret,
                             struct nw_err *err) NW_CHECKED;

/* `value` rounded to `digits` significant digits; 0, NaN and infinite stay. */
double nw_report_round(double value, int digits);

/* ---- Text --------------------------------------------------------------------------------- */

/* Text as it may be shown: control characters and bytes that are not UTF-8 become '?'. File names
 * and header texts pass through here. */
void nw_report_clean(struct nw_buf *buf, const char *text);

/* Columns on a terminal, counted in characters (each one column wide). */
size_t nw_report_width(const char *text);

/* A paragraph wrapped at 80 columns, every line indented; a word longer than a line stands alone.
 * Ends with a line feed. */
void nw_report_paragraph(struct nw_buf *buf, int indent, const char *text);
/* A head word with an explanation beside it, wrapped in its own column: lists of options, keys.
 * A head that does not fit in front of `column` gets a line of its own. */
void nw_report_entry(struct nw_buf *buf, int indent, int column, const char *head,
                     const char *text);
/* "TITLE" or "TITLE      aside" with the aside flush right at 80 columns. */
void nw_report_title(struct nw_buf *buf, const char *title, const char *aside);
void nw_report_rule(struct nw_buf *buf, int indent); /* a line of dashes up to column 80 */

/* One cell: text padded to `width` columns, right-aligned or left-aligned; cut with '~' when too
 * long. */
void nw_report_right(struct nw_buf *buf, int width, const char *text);
void nw_report_left(struct nw_buf *buf, int width, const char *text);
/* A number with so many decimals, right-aligned (width 0: as long as it is); "-" unless finite. */
void nw_report_fixed(struct nw_buf *buf, int width, double value, int decimals);

/* Short texts into the caller's memory; 48 bytes suffice. All return `text`. "-" unless finite. */
char *nw_report_number(char *text, size_t size, double value, int digits); /* significant digits */
/* "3.29 +- 0.17": decimals from two digits of sigma; without a finite sigma the value alone, with
 * three significant digits. */
char *nw_report_pm(char *text, size_t size, double value, double sigma);
char *nw_report_duration(char *text, size_t size, double duration_s); /* "4.2 s", "3 min 20 s",
                                                                         "1 h 05 min" */
char *nw_report_clock(char *text, size_t size, double t_utc_s);       /* "21:40" */
char *nw_report_percent(char *text, size_t size, double fraction);    /* 0.083: "8 %" */

/* ---- look ---------------------------------------------------------------------------------- */

enum nw_status nw_report_look_json(const struct nw_look *look, const char *folder, json_t **ret,
                                   struct nw_err *err) NW_CHECKED;
void nw_report_look_text(const struct nw_look *look, const char *folder, struct nw_buf *text);

/* ---- measure ------------------------------------------------------------------------------ */

/* transmission: NULL, or 3 * series->n entries, of frame i and its channel k at 3 * i + k.
 * elapsed_s is the time that all frames took together; each is given its share. All items have
 * measures. */
enum nw_status nw_report_measure_json(const struct nw_series *series,
                                      const struct nw_transmission *transmission, double elapsed_s,
                                      json_t **ret, struct nw_err *err) NW_CHECKED;
void nw_report_measure_text(const struct nw_series *series,
                            const struct nw_transmission *transmission, struct nw_buf *text);
/* The stars of all frames as CSV. */
void nw_report_stars_csv(const struct nw_series *series, struct nw_buf *csv);

/* ---- check -------------------------------------------------------------------------------- */

struct nw_focus_interval; /* budget/focus_interval.h */
/* The budgets of one setup, borrowed. */
struct nw_check_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_star_budget *star_width; /* NULL: another budget alone was wanted */
    const struct nw_ledger *const *ledgers;  /* the other budgets that the rig describes */
    size_t n_ledgers;
    const struct nw_focus_interval *focus_interval; /* NULL: not worked out */
    double exposure_s;                              /* of the frames; NaN without */
    char remark[400]; /* on the frames that were left out; "" = none */
};
void nw_report_check_text(const struct nw_check_report *check, struct nw_buf *buf);
enum nw_status nw_report_check_json(const struct nw_check_report *check, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

/* A simulated night's truth, means over its frames; NaN where it does not say. */
struct nw_check_truth {
    size_t n_frames;
    double delivered_rad, centre_rad, motion_ra_rad, motion_dec_rad;
    double seeing_rad;                   /* zenith, 500 nm, middle third of the night */
    double without_rad[NW_STAR_N_LINES]; /* width in the middle without a line */
};
void nw_report_check_truth(const struct nw_check_report *check, const struct nw_check_truth *truth,
                           struct nw_buf *buf);
/* Adds "truth" to a finished document. */
void nw_report_check_truth_json(const struct nw_check_truth *truth, json_t *document);

#endif
