/* night_words.h - sentences on a night, shared by its text and its page. Private to report. */
#ifndef NW_REPORT_NIGHT_WORDS_H
#define NW_REPORT_NIGHT_WORDS_H

#include "report/report_night.h"

enum { NIGHT_WORDS = 480, NIGHT_TOMORROW = 4, NIGHT_SUBS = 3, NIGHT_TWICE = 6 };

/* A moment: "21:40", or from the first sub on "+0:40" where the site is left out. */
char *night_clock(const struct nw_night_report *report, double t_s, char *text, size_t size);
/* Rows of the hours: NULL label past the end; hours may be NaN. */
const char *night_hours(const struct nw_night_report *report, size_t i, double *ret_hours,
                        char *note, size_t note_size);
/* "gap at 23:10, 14 min: flip (tube east before, tube west after)". */
void night_gap_words(const struct nw_night_report *report, const struct nw_gap *gap, char *text,
                     size_t size);
/* What an alert said; where the site is left out, without the times in it. */
void night_alert_words(const struct nw_night_report *report, const struct nw_live_alert *alert,
                       char *text, size_t size);
/* Damp and power, a line each; false past the end, at once where there is no log. */
bool night_room_words(const struct nw_night_report *report, size_t i, char *text, size_t size);
/* "27 % worth: wider stars (3.38 against 2.61 arcsec)". */
void night_sub_words(const struct nw_night_report *report, const struct nw_nightly_sub *sub,
                     char *text, size_t size);
/* What to do tomorrow, dearest first; false past the end. */
bool night_tomorrow(const struct nw_night_report *report, size_t i, char *text, size_t size);

#endif
