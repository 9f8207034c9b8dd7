/* report_surface.h - a focal surface as text, as JSON and as a map. */
#ifndef NW_REPORT_SURFACE_H
#define NW_REPORT_SURFACE_H

#include "field/field.h"
#include "report/report.h"

struct nw_surface_report { /* borrowed */
    const struct nw_surface *surface;
    const struct nw_field_frame *frames; /* as given to nw_field_surface */
    double travel_factor;    /* shift at the sensor per travel of the focuser; NaN: not known */
    bool is_travel_assumed;  /* 1 for want of a rig file */
    double f_ratio, pixel_m; /* NaN: not known */
    double thermal_m_K;      /* shift at the sensor per kelvin of the tube; NaN: not known */
};
/* The document "nightwright.surface.1". */
enum nw_status nw_report_surface_json(const struct nw_surface_report *report, json_t **ret,
                                      struct nw_err *err) NW_CHECKED;
/* The same for people, 80 columns. */
void nw_report_surface_text(const struct nw_surface_report *report, struct nw_buf *text);

/* What this evidence cannot tell, in sentences; NULL past the end. */
const char *nw_report_surface_cannot_tell(const struct nw_surface *surface, size_t i);

#endif
