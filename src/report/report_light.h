/* report_light.h - the light budget of a target in one filter as text, JSON and a chart of the
 * length of a sub. */
#ifndef NW_REPORT_LIGHT_H
#define NW_REPORT_LIGHT_H

#include "light/light.h"
#include "report/report.h"

/* What one frame of that filter says. NaN: not known. */
struct nw_light_seen {
    const char *path; /* NULL: no frame was given */
    double exposure_s, sky_e_s, sky_sigma_e_s, sky_mag_arcsec2;
    double noise_e, expected_noise_e; /* of one pixel of the background */
    size_t n_saturated;
    char why_null[160];
};
struct nw_light_option { /* something else that could be done */
    char what[112];
    const char *effort;
    struct nw_light_worth worth; /* shares of the time; NaN: does not apply */
    double sub_s;
};
enum { NW_LIGHT_OPTIONS = 40 };

struct nw_light_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_light_case *what;
    const struct nw_light_wants *wants;
    const struct nw_light_budget *bands;
    size_t n_bands;
    const struct nw_light_gain *gains; /* of the band with most light */
    size_t n_gains, best_gain;         /* SIZE_MAX: none */
    struct nw_light_option options[NW_LIGHT_OPTIONS];
    size_t n_options;
    struct nw_light_seen seen[NW_LIGHT_BANDS]; /* beside the bands, each colour by its own pixels */
    size_t main;                               /* band that most of the light is in */
    char target[64], when[40];                 /* "" where not said */
    double altitude_rad, moon_lit, moon_altitude_rad, moon_separation_rad; /* NaN without a time */
    bool is_twilight; /* the Sun is not 18 deg down: noise is more than a plan would accept */
};
void nw_report_light_text(const struct nw_light_report *report, struct nw_buf *buf);
enum nw_status nw_report_light_json(const struct nw_light_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;
/* Losses of time against the length of the sub, the range and the choice. */
enum nw_status nw_report_light_svg(const struct nw_light_report *report, struct nw_buf *ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
