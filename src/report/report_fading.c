/* report_fading.c - light lost over the months, in words and as JSON; see report_upkeep.h. */
#include <math.h>

#include "report/report_upkeep.h"

static const double MONTH_S = 30.0 * 86400.0, WEEK_S = 7.0 * 86400.0;

static void due_words(const struct nw_fading *f, double now_utc_s, char *to, size_t size) {
    if (!(f->low_per_s > 0.0)) {
        nw_text_copy(to, size, "not told: the interval holds 0. Leave the glass alone");
        return;
    }
    const double weeks = (f->due_s - now_utc_s) / WEEK_S;
    const double spread = (f->due_until_s - f->due_from_s) / (2.0 * WEEK_S);
    if (weeks < 0.0) {
        (void)snprintf(to, size,
                       "for about %.0f weeks +- %.0f %.0f %% have been gone since the first night",
                       -weeks, spread, 100.0 * NW_FADING_ALLOWED);
        return;
    }
    (void)snprintf(to, size,
                   "in about %.0f weeks +- %.0f %.0f %% are gone since the first night; cleaning "
                   "risks the coating, so not much before",
                   weeks, spread, 100.0 * NW_FADING_ALLOWED);
}

void nw_report_fading_text(const struct nw_fading *f, double now_utc_s, struct nw_buf *buf) {
    char text[300];
    nw_buf_printf(buf, "light of the same stars, %zu nights on %zu targets that come back\n\n",
                  f->n_nights, f->n_groups);
    if (f->why_null[0] != '\0') {
        nw_report_entry(buf, 2, 12, "NO LINE", f->why_null);
        return;
    }
    (void)snprintf(text, sizeof text,
                   "%+.2f %% a month (95 %%: %+.2f to %+.2f), %.1f %% lost over all of it; scatter "
                   "%.1f %% about it",
                   -100.0 * f->loss_per_s * MONTH_S, -100.0 * f->high_per_s * MONTH_S,
                   -100.0 * f->low_per_s * MONTH_S, 100.0 * f->lost, 100.0 * f->scatter);
    nw_report_entry(buf, 2, 12, "LINE", text);
    due_words(f, now_utc_s, text, sizeof text);
    nw_report_entry(buf, 2, 12, "CLEAN", text);
    nw_report_entry(buf, 2, 12, "MIND",
                    "a season's haze looks like dust until a year is over; a loss on one night is "
                    "dew or cloud and not in it");
}

enum nw_status nw_report_fading_json(const struct nw_fading *f, json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "book", 1);
    nw_json_text(&json, NULL, "verb", "trend");
    nw_json_text(&json, NULL, "y", "light");
    nw_json_count(&json, NULL, "nights", f->n_nights);
    nw_json_count(&json, NULL, "targets", f->n_groups);
    nw_json_number(&json, NULL, "loss_percent_per_month", 100.0 * f->loss_per_s * MONTH_S, 5);
    nw_json_number(&json, NULL, "loss_low_percent_per_month", 100.0 * f->low_per_s * MONTH_S, 5);
    nw_json_number(&json, NULL, "loss_high_percent_per_month", 100.0 * f->high_per_s * MONTH_S, 5);
    nw_json_number(&json, NULL, "lost_percent", 100.0 * f->lost, 5);
    nw_json_time(&json, NULL, "clean_utc", f->low_per_s > 0.0 ? f->due_s : NAN, 0);
    nw_json_time(&json, NULL, "clean_from_utc", f->low_per_s > 0.0 ? f->due_from_s : NAN, 0);
    nw_json_time(&json, NULL, "clean_until_utc", f->low_per_s > 0.0 ? f->due_until_s : NAN, 0);
    if (f->why_null[0] != '\0') {
        nw_json_why(&json, NULL, "loss_percent_per_month", f->why_null);
    }
    json_t *const points = nw_json_array(&json, NULL, "points");
    for (size_t i = 0; i < f->n; i++) {
        json_t *const item = nw_json_item(&json, points);
        nw_json_text(&json, item, "night", f->points[i].date);
        nw_json_count(&json, item, "target", f->points[i].group + 1);
        nw_json_number(&json, item, "light_percent", 100.0 * exp(f->points[i].ln_light), 5);
    }
    return nw_json_end(&json, ret, err);
}
