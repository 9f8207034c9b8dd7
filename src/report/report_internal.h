/* report_internal.h - shared by the files of report only. */
#ifndef NW_REPORT_INTERNAL_H
#define NW_REPORT_INTERNAL_H

#include "look/causes.h"
#include "report/report.h"

#define REPORT_ARCSEC_PER_RAD (180.0 * 3600.0 / NW_PI)

/* A series as a chart of stars on a grid of text. t in any unit, ascending or not; y finite. Marks
 * on the left are values, labels below the caller's. Columns without a value stay empty. */
struct report_chart {
    const double *t, *y;
    size_t n;
    const char *left, *right; /* labels of the axis below, at its ends */
    int decimals;             /* of the marks on the left */
};
void report_chart(struct nw_buf *buf, const struct report_chart *chart);

/* What a frame tells beyond its stars: keys of its object, lines under its row. */
void nw_report_aspects_json(struct nw_json *json, json_t *frame, const struct nw_measure *m);
void nw_report_aspects_text(struct nw_buf *text, const struct nw_measure *m);
void nw_report_streaks_text(struct nw_buf *text, const struct nw_aspects *aspects);
/* Rings, doubles, trails; after the other reasons, whose place its own take. */
void nw_report_forms_json(struct nw_json *json, json_t *frame, const struct nw_measure *m);
void nw_report_forms_text(struct nw_buf *text, const struct nw_measure *m);
const char *nw_report_noise_says(const struct nw_noise *noise); /* NULL: nothing to say */

/* Colour k of a frame against green; nothing for mono frames and green itself. */
void nw_report_colours_json(struct nw_json *json, json_t *frame, const struct nw_series_item *item,
                            size_t k);
void nw_report_colours_text(struct nw_buf *text, const struct nw_series_item *item);

/* Common elongation and its likely causes. */
void nw_report_causes_json(struct nw_json *json, json_t *parent,
                           const struct nw_elongation_causes *causes);
void nw_report_causes_text(struct nw_buf *text, int indent, int column,
                           const struct nw_elongation_causes *causes);

void report_look_aspects_json(struct nw_json *json, json_t *group_object,
                              const struct nw_look_group *group);
void report_look_aspects_text(const struct nw_look_group *group, struct nw_buf *text);

/* Which of dew, haze, cloud, dust took the light: a row each where any was lost. */
void report_look_losses_json(struct nw_json *json, json_t *light_object,
                             const struct nw_losses *losses);
void report_look_losses_text(struct nw_buf *text, const struct nw_losses *losses);

/* look in words */
enum { REPORT_SENTENCE_SIZE = 480 };
#define REPORT_STANDS_OUT 0.02 /* share of the time: less is not worth a sentence */
bool report_look_stands_out(const struct nw_look_finding *finding);
/* One finding as a sentence, cost included. */
void report_look_sentence(const struct nw_look *look, const struct nw_look_finding *finding,
                          char *text, size_t size);
/* What stands out, dearest first, as one paragraph. */
void report_look_summary(const struct nw_look *look, struct nw_buf *text);
/* What the folder alone cannot tell: NULL past the end. */
const char *report_look_cannot_tell(const struct nw_look *look, size_t i);

/* "2.71 px" or, with a scale, "3.25 arcsec". */
char *report_look_width(char *text, size_t size, double width_px, double scale_rad_px);
/* "21:40", or the file's name where a frame says no time. */
char *report_look_when(const struct nw_look *look, size_t frame, char *text, size_t size);
/* "refractor camera, L, 300 s": what a group is called; parts that are not known are left out. */
void report_look_group_name(const struct nw_look_group *group, char *text, size_t size);
/* -90 < angle <= 90: an axis has no direction. */
double report_axis_deg(double angle_rad);

/* WORTH DOING and LEAVE IT of a star-width budget, text from column `indent` on; the same as keys.
 */
void nw_report_advice_text(const struct nw_star_budget *budget, int indent, struct nw_buf *buf);
void nw_report_advice_json(struct nw_json *json, const struct nw_star_budget *budget, json_t *to_do,
                           json_t *leave);
/* What a replay of the guide loop says in one line of `check`; false: nothing. 200 bytes. */
bool nw_report_loop_words(const struct nw_star_loop *loop, char *text, size_t size);

#endif
