/* report_sun.c - see report_sun.h: text to print and tick by hand, and JSON. */
#include "report/report_sun.h"

#include <math.h>

#define DEG NW_DEG_PER_RAD
#define H_PER_RAD (12.0 / NW_PI)

static const char *const SIDES[] = {"east", "west"};

static void tick(struct nw_buf *buf, const char *text) {
    nw_report_entry(buf, 2, 7, "[ ]", text);
}

static void text_tubes(const struct nw_sun_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\nTUBES\n");
    for (size_t i = 0; i < r->n_apertures; i++) {
        const struct nw_aperture *const a = &r->apertures[i];
        char text[200];
        (void)snprintf(text, sizeof text, "%s: %s", r->bodies[a->body].name,
                       a->front == NW_FRONT_FILTERED
                           ? "FRONT FILTER on, over all of its front"
                           : "CAP on, of metal or thick plastic, taped so that it cannot fall");
        tick(buf, text);
    }
    tick(buf, "every finder, sight and guide tube that is not named here: capped, or taken off");
}

static void text_before(const struct nw_sun_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\nBEFORE THE MOUNT LEAVES ITS PARK POSITION\n");
    tick(buf,
         "front filter inspected by day, off the telescope, against a bright lamp: no pinhole, "
         "no scratch, no crease that lets light through; with any of them it is thrown away");
    tick(buf, "it is made for looking at the Sun with this kind of telescope, and sits in FRONT of "
              "the tube, never at the eyepiece or camera alone");
    tick(buf, "wind and a knocking hand cannot take it off: screwed, or taped on three sides");
    bool has_panel = false;
    for (size_t i = 0; i < r->n_bodies; i++) {
        if (r->bodies[i].hinge >= 0) {
            char text[200];
            (void)snprintf(text, sizeof text,
                           "%s: motor unplugged, opened by hand and held open, clear of the filter",
                           r->bodies[i].name);
            tick(buf, text);
            has_panel = true;
        }
    }
    if (!has_panel) {
        tick(buf, "no motor can move anything in front of the tubes: flat panel and dust cover "
                  "unplugged");
    }
    tick(buf,
         "no automation: no sequence, no scheduled slew, no automatic flip or park; one person "
         "stands at the mount and can reach its switch");
    tick(buf, "date, time, place and zone of the mount are right: else it points elsewhere");
    tick(buf, "nobody else is at the telescope, or everybody has been told");
}

static void text_pointing(const struct nw_sun_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\nTO POINT, AND TO END\n");
    tick(buf,
         "slew with filter and caps on; find the Sun by the shadow of the tube, which is least "
         "when it points there, never by looking along it");
    tick(buf, "first hold a sheet of paper, not hand or eye, behind the open focuser: a bright "
              "spot on it means stop, cap, park");
    tick(buf, "to end: back to the park position first, cap second, filter off last");
    for (size_t i = 0; i < r->n_apertures; i++) {
        const struct nw_aperture *const a = &r->apertures[i];
        char text[240];
        (void)snprintf(text, sizeof text,
                       "STAY AWAY if what covers %s comes off: sunlight reaches its lens within "
                       "%.0f deg of the Sun%s. Cover it with a board, then park.",
                       r->bodies[a->body].name, a->stay_away_rad * DEG,
                       a->is_depth_known ? "" : " (its depth behind the edge is not described)");
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_rows(const struct nw_sun_report *r, struct nw_buf *buf) {
    if (r->n_rows == 0) {
        nw_buf_printf(buf, "\nWHERE THE SUN IS\n");
        nw_report_paragraph(buf, 2, "Not asked: --at TIME lists it hour by hour.");
        return;
    }
    nw_buf_printf(buf,
                  "\nWHERE THE SUN IS, UTC   altitude  azimuth  hour angle  tube  free, mm (95 "
                  "%%)\n");
    for (size_t i = 0; i < r->n_rows; i++) {
        const struct nw_sun_row *const row = &r->rows[i];
        char time[40];
        nw_time_write_iso(row->t_utc_s, 0, time, sizeof time);
        nw_buf_printf(buf, "  %-21s %8.1f %8.1f %+10.2f h  %s", time, row->altitude_rad * DEG,
                      row->azimuth_rad * DEG, row->pose.ha_rad * H_PER_RAD, SIDES[row->pose.side]);
        if (row->altitude_rad > 0.0) {
            nw_buf_printf(buf, "%8.0f%s\n", row->nearest.margin_m * 1e3,
                          row->nearest.margin_m <= 0.0 ? "  do not go there" : "");
        } else {
            nw_buf_printf(buf, "  below the horizon\n");
        }
    }
    nw_report_paragraph(buf, 2,
                        "At hour angle 0 the tube changes sides: stop before it and turn by hand, "
                        "with the filter on.");
}

void nw_report_sun_text(const struct nw_sun_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "START CARD FOR THE SUN", r->setup->name);
    nw_report_paragraph(buf, 2,
                        "Valid for one day. Print it, tick it by hand, in this order; with one box "
                        "empty the telescope stays parked. An unfiltered telescope burns eyes and "
                        "cameras within a second and can set fire to what is behind it.");
    text_tubes(r, buf);
    text_before(r, buf);
    text_pointing(r, buf);
    text_rows(r, buf);
    nw_buf_printf(buf, "\n  Date ______________   Name ______________________________\n");
}

enum nw_status nw_report_sun_json(const struct nw_sun_report *r, json_t **ret, struct nw_err *err) {
    static const char *const FRONTS[] = {"open", "capped", "filtered"};
    struct nw_json json;
    nw_json_begin(&json, "sun", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    json_t *const tubes = nw_json_array(&json, NULL, "apertures");
    for (size_t i = 0; i < r->n_apertures; i++) {
        json_t *const o = nw_json_item(&json, tubes);
        nw_json_text(&json, o, "tube", r->bodies[r->apertures[i].body].name);
        nw_json_text(&json, o, "front", FRONTS[r->apertures[i].front]);
        nw_json_number(&json, o, "sun_stay_away_deg", r->apertures[i].stay_away_rad * DEG, 4);
    }
    json_t *const rows = nw_json_array(&json, NULL, "sun");
    for (size_t i = 0; i < r->n_rows; i++) {
        const struct nw_sun_row *const row = &r->rows[i];
        json_t *const o = nw_json_item(&json, rows);
        nw_json_time(&json, o, "time", row->t_utc_s, 0);
        nw_json_number(&json, o, "altitude_deg", row->altitude_rad * DEG, 6);
        nw_json_number(&json, o, "azimuth_deg", row->azimuth_rad * DEG, 6);
        nw_json_number(&json, o, "ha_deg", row->pose.ha_rad * DEG, 6);
        nw_json_number(&json, o, "dec_deg", row->pose.dec_rad * DEG, 6);
        nw_json_text(&json, o, "tube_side", SIDES[row->pose.side]);
        nw_json_number(&json, o, "margin_95_mm", row->nearest.margin_m * 1e3, 5);
    }
    return nw_json_end(&json, ret, err);
}
