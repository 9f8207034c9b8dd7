/* report_surface.h - a focal surface as text, as JSON and as a map. */
#ifndef NW_REPORT_SURFACE_H
#define NW_REPORT_SURFACE_H

#include "field/field.h"
#include "field/sets.h"
#include "field/shims.h"
#include "report/report.h"

struct nw_surface_report { /* borrowed */
    const struct nw_surface *surface;
    const struct nw_field_frame *frames; /* as given to nw_field_surface */
    double travel_factor;    /* shift at the sensor per travel of the focuser; NaN: not known */
    bool is_travel_assumed;  /* 1 for want of a rig file */
    double f_ratio, pixel_m; /* NaN: not known */
    double thermal_m_K;      /* shift at the sensor per kelvin of the tube; NaN: not known */
    const struct nw_field_baseline *baseline; /* compared with; NULL: none */
    const struct nw_field_set *sets;          /* separated; the surface is that of the first one */
    size_t n_sets;
    const struct nw_field_split *split; /* NULL: none */
    const struct nw_screw *screws;      /* of the rig */
    size_t n_screws;
    const struct nw_shims *shims; /* NULL: none, for the reason in why_no_shims */
    char why_no_shims[200];
    const struct nw_shim_response *response; /* of a known turn; NULL: none */
    const struct nw_shims *shims_mirrored;   /* shims is then of the plain reading */
};
/* The document "nightwright.surface.1". */
enum nw_status nw_report_surface_json(const struct nw_surface_report *report, json_t **ret,
                                      struct nw_err *err) NW_CHECKED;
/* The same for people, 80 columns. */
void nw_report_surface_text(const struct nw_surface_report *report, struct nw_buf *text);

/* Shims in words and in JSON (an array of the document). */
void nw_report_shims_text(const struct nw_surface_report *report, struct nw_buf *text);
void nw_report_shims_json(const struct nw_surface_report *report, struct nw_json *json);

/* Camera, focuser and sag, of several sets. */
void nw_report_parts_text(const struct nw_surface_report *report, struct nw_buf *text);
void nw_report_parts_json(const struct nw_surface_report *report, struct nw_json *json);

/* Heights over the chip's outline with the screws, whiskers of star shapes, heights of the cells
 * against the depth of focus: one page, SVG. */
enum nw_status nw_report_surface_map(const struct nw_surface_report *report, struct nw_buf *ret,
                                     struct nw_err *err) NW_CHECKED;

/* A baseline as a file of its own ("nightwright.field_baseline.1"), and back. DATA: a surface whose
 * heights are not in metres or whose sign is not known makes none. FORMAT: no such document. */
enum nw_status nw_report_baseline_json(const struct nw_surface_report *report, const char *setup,
                                       json_t **ret, struct nw_err *err) NW_CHECKED;
enum nw_status nw_report_baseline_read(const char *path, struct nw_field_baseline *ret,
                                       struct nw_err *err) NW_CHECKED;

/* What this evidence cannot tell, in sentences; NULL past the end. */
const char *nw_report_surface_cannot_tell(const struct nw_surface_report *r, size_t i);

#endif
