/* report_throughput.h - absolute throughput of frames as text and JSON. */
#ifndef NW_REPORT_THROUGHPUT_H
#define NW_REPORT_THROUGHPUT_H

#include "light/throughput.h"
#include "report/report.h"

struct nw_throughput_row {
    const char *path;
    double t_start_utc_s, exposure_s, airmass;
    char filter[NW_NAME_SIZE]; /* of the rig */
    char colour[8];            /* "R", "G", "B" of a colour frame, each with a row; "" of mono */
    struct nw_throughput value;
    char why_null[300]; /* "" when it was told */
};
void nw_report_throughput_text(const struct nw_throughput_row *rows, size_t n, struct nw_buf *buf);
enum nw_status nw_report_throughput_json(const struct nw_throughput_row *rows, size_t n,
                                         json_t **ret, struct nw_err *err) NW_CHECKED;

#endif
