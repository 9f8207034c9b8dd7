/* about.h - what a document is about: rig, setup, and the frames it rests on. A public header of
 * report of its own.
 *
 * `about` stands in the documents of surface, trial, sensor, flats and plan, so that the book can
 * tell which night, camera and frames they belong to. */
#ifndef NW_REPORT_ABOUT_H
#define NW_REPORT_ABOUT_H

#include "report/report.h"

struct nw_about {
    const char *rig; /* names; NULL: none given */
    const char *setup, *setup_camera;
    size_t n_frames;
    double start_utc_s, end_utc_s; /* first start, last end; NaN: not said */
    double longitude_rad;          /* of the site, where nights turn; NaN: not known */
    struct nw_frame_facts first;   /* of the first frame; words that frames differ in are "" */
};
/* Either may be NULL. */
void nw_about_init(struct nw_about *about, const struct nw_rig *rig, const struct nw_setup *setup);
/* One more frame that it rests on. */
void nw_about_add(struct nw_about *about, const struct nw_frame_facts *facts);
/* "about": {...} into a finished document. NOMEM. */
enum nw_status nw_about_put(const struct nw_about *about, json_t *document,
                            struct nw_err *err) NW_CHECKED;

#endif
