/* report_catalogue.h - entries of the catalogue as text and JSON. */
#ifndef NW_REPORT_CATALOGUE_H
#define NW_REPORT_CATALOGUE_H

#include <jansson.h>

#include "report/report.h"
#include "sky/catalogue.h"

#define NW_CATALOGUE_ROWS 200
struct nw_catalogue_report {
    struct nw_catalogue_row {
        struct nw_entry entry;
        double distance_rad; /* from near_rad; NaN: found by name */
    } rows[NW_CATALOGUE_ROWS];
    size_t n;
    bool has_near, is_full, wants_query;
    double near_rad[2], radius_rad, limit_mag;
    const char *note;
};
void nw_report_catalogue_text(const struct nw_catalogue_report *report, struct nw_buf *buf);
enum nw_status nw_report_catalogue_json(const struct nw_catalogue_report *report, json_t **ret,
                                        struct nw_err *err) NW_CHECKED;
enum nw_status nw_report_import_json(const char *path, size_t n, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;

#endif
