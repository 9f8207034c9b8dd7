/* report_plan.h - a night's plan and a season as text, JSON, calendar and timetable. */
#ifndef NW_REPORT_PLAN_H
#define NW_REPORT_PLAN_H

#include <jansson.h>

#include "light/gains.h"
#include "night/night.h"
#include "report/report.h"
#include "report/svg.h"

struct nw_plan_report {
    const struct nw_night_input *input;
    const struct nw_plan *plan;
    struct nw_time_zone zone;          /* of the clocks shown */
    const struct nw_solar_card *solar; /* NULL: not wanted */
    const char *zone_name;             /* "UTC" or as the owner wrote it */
    const struct nw_light_gain_plan *gains;
};
void nw_report_plan_text(const struct nw_plan_report *report, struct nw_buf *buf);
enum nw_status nw_report_plan_json(const struct nw_plan_report *report, json_t **ret,
                                   struct nw_err *err) NW_CHECKED;
/* RFC 5545, times in UTC: one event a block, one a switch. */
enum nw_status nw_report_plan_ics(const struct nw_plan_report *report, struct nw_buf *ret,
                                  struct nw_err *err) NW_CHECKED;
/* The night as a graphic timetable: hours along, one line of track a target, the run as a line. */
enum nw_status nw_report_plan_svg(const struct nw_plan_report *report, struct nw_buf *ret,
                                  struct nw_err *err) NW_CHECKED;

struct nw_season_report {
    const struct nw_night_input *input;
    const struct nw_season_row *rows;
    size_t n, n_days, n_dark;
};
void nw_report_season_text(const struct nw_season_report *report, struct nw_buf *buf);
enum nw_status nw_report_season_json(const struct nw_season_report *report, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;

#endif
