/* report_season.c - hours available against hours needed, for people and for scripts. */
#include <math.h>

#include "report/report_plan.h"

static void date_text(double t_s, char text[40]) {
    nw_time_write_iso(t_s, 0, text, 40);
    text[isfinite(t_s) ? 10 : 1] = '\0';
}

/* The target whose season ends first among those that still need light; NULL: none ends. */
static const struct nw_season_row *first_to_go(const struct nw_season_report *r) {
    const struct nw_season_row *out = NULL;
    for (size_t i = 0; i < r->n; i++) {
        const struct nw_season_row *const row = &r->rows[i];
        if (!row->is_all_year && row->need_s > 0.0 && isfinite(row->last_s) &&
            (!out || row->last_s < out->last_s)) {
            out = row;
        }
    }
    return out;
}

void nw_report_season_text(const struct nw_season_report *r, struct nw_buf *buf) {
    char a[40];
    char b[40];
    char aside[120];
    char text[400];
    date_text(r->input->date_s, a);
    (void)snprintf(aside, sizeof aside, "%zu nights from %s, %zu of them dark", r->n_days, a,
                   r->n_dark);
    nw_report_title(buf, "SEASON", aside);
    nw_buf_printf(buf, "  TARGET              HOURS  NEEDS  NIGHTS  MOONLESS  BEST NIGHT    LAST "
                       "NIGHT\n");
    for (size_t i = 0; i < r->n; i++) {
        const struct nw_season_row *const row = &r->rows[i];
        date_text(row->best_s, a);
        date_text(row->last_s, b);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 18, row->target->name);
        nw_report_fixed(buf, 7, row->available_s / 3600.0, 1);
        nw_report_fixed(buf, 7, row->need_s / 3600.0, 1);
        nw_buf_printf(buf, "%8zu%10zu  %s  %s\n", row->nights, row->moonless,
                      row->nights ? a : "-         ",
                      row->nights == 0   ? "never an hour"
                      : row->is_all_year ? "goes on"
                                         : b);
    }
    const struct nw_season_row *const first = first_to_go(r);
    if (first) {
        date_text(first->last_s, a);
        (void)snprintf(text, sizeof text,
                       "%s loses its season first: the last night with an hour is %s.",
                       first->target->name, a);
        nw_report_paragraph(buf, 2, text);
    }
    nw_report_paragraph(buf, 2,
                        "Hours are dark, clear and without overheads; needs are exposure under the "
                        "dark sky at the zenith. Nights count with at least one hour.");
}

enum nw_status nw_report_season_json(const struct nw_season_report *r, json_t **ret,
                                     struct nw_err *err) {
    struct nw_json json;
    char text[40];
    nw_json_begin(&json, "season", 1);
    date_text(r->input->date_s, text);
    nw_json_text(&json, NULL, "from", text);
    nw_json_count(&json, NULL, "nights", r->n_days);
    nw_json_count(&json, NULL, "dark_nights", r->n_dark);
    json_t *const list = nw_json_array(&json, NULL, "targets");
    for (size_t i = 0; i < r->n; i++) {
        const struct nw_season_row *const row = &r->rows[i];
        json_t *const o = nw_json_item(&json, list);
        nw_json_text(&json, o, "target", row->target->name);
        nw_json_number(&json, o, "available_h", row->available_s / 3600.0, 5);
        nw_json_number(&json, o, "needed_h", row->need_s / 3600.0, 5);
        nw_json_count(&json, o, "nights", row->nights);
        nw_json_count(&json, o, "moonless_nights", row->moonless);
        date_text(row->best_s, text);
        nw_json_text(&json, o, "best_night", row->nights ? text : NULL);
        date_text(row->last_s, text);
        nw_json_text(&json, o, "last_night", row->nights && !row->is_all_year ? text : NULL);
        if (row->is_all_year || row->nights == 0) {
            nw_json_why(&json, o, "last_night",
                        row->nights ? "goes on past the nights looked at" : "never an hour");
        }
    }
    const struct nw_season_row *const first = first_to_go(r);
    nw_json_text(&json, NULL, "loses_first", first ? first->target->name : NULL);
    return nw_json_end(&json, ret, err);
}
