/* report_air.h - damp, temperatures, heater, dryer of a night: text of 80 columns and the document
 * nightwright.air.1. One more public header of report; the rest: report.h. */
#ifndef NW_REPORT_AIR_H
#define NW_REPORT_AIR_H

#include "air/fit.h"
#include "air/night.h"
#include "report/report.h"

enum { NW_REPORT_AIR_CLAIMS = 4 };

/* Borrowed. */
struct nw_air_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_air_log *log;
    const char *log_name; /* NULL: the rig's usual night */
    const struct nw_air_night *night;
    const struct nw_air_focus *focus;
    struct {
        const char *what, *unit;
        double scale; /* from SI to the unit */
        double zero;  /* taken off before */
        struct nw_air_claim claim;
    } claims[NW_REPORT_AIR_CLAIMS];
    size_t n_claims;
    const struct nw_air_fit *fit; /* NULL: LOG measured nothing inside */
    bool is_dark_reached;         /* else dark and dawn are sunset and sunrise */
};
void nw_report_air_text(const struct nw_air_report *r, struct nw_buf *buf);
enum nw_status nw_report_air_json(const struct nw_air_report *r, json_t **ret,
                                  struct nw_err *err) NW_CHECKED;
/* What the log says of loss, air changes, time constants (report_air_fit.c). */
void nw_report_air_fit_text(const struct nw_air_report *r, struct nw_buf *buf);
void nw_report_air_fit_json(const struct nw_air_report *r, struct nw_json *json);
/* Every record of the advised night as CSV: what the model says, hour by hour. */
void nw_report_air_csv(const struct nw_air_report *r, struct nw_buf *csv);
/* The log with dew and frost points, density of vapour and mixing ratio worked out, as CSV. */
void nw_report_air_log_csv(const struct nw_air_log *log, struct nw_buf *csv);

#endif
