/* report_clearance.c - see report_clearance.h: ranges and horizon as text. */
#include "report/report_clearance.h"

#include <math.h>

#define H_PER_RAD (12.0 / NW_PI)
#define DEG NW_DEG_PER_RAD

const char *nw_report_clearance_pair(const struct nw_clearance_report *r,
                                     const struct nw_contact *c, char *text, size_t size) {
    (void)snprintf(text, size, "%s - %s", r->bodies[c->a].name, r->bodies[c->b].name);
    return text;
}

/* "-1.73 h" with a letter for what ends the range there. */
static void cell_end(struct nw_buf *buf, double ha_rad, enum nw_end end) {
    char text[32];
    (void)snprintf(text, sizeof text, "%+.2f%s", ha_rad * H_PER_RAD,
                   end == NW_END_CONTACT   ? " !"
                   : end == NW_END_HORIZON ? " _"
                                           : "  ");
    nw_report_right(buf, 9, text);
}

static void text_limits(const struct nw_clearance_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\n  dec    tube east, h        tube west, h        near,mm  pair\n");
    for (size_t k = 0; k < NW_CLEARANCE_DECS; k += 10) {
        const struct nw_reach *const east = &r->limits[NW_SIDE_EAST][k];
        const struct nw_reach *const west = &r->limits[NW_SIDE_WEST][k];
        if (!east->is_reachable && !west->is_reachable) {
            continue;
        }
        nw_buf_printf(buf, "%+5d", (int)k - 90);
        for (int side = 0; side < 2; side++) {
            const struct nw_reach *const limit = &r->limits[side][k];
            if (limit->is_reachable) {
                cell_end(buf, limit->ha_min_rad, limit->min_end);
                cell_end(buf, limit->ha_max_rad, limit->max_end);
                nw_buf_printf(buf, "  ");
            } else {
                nw_report_right(buf, 20, "- ");
            }
        }
        const struct nw_reach *const near =
            !west->is_reachable ||
                    (east->is_reachable && east->least.distance_m <= west->least.distance_m)
                ? east
                : west;
        const struct nw_contact *const c = near->min_end == NW_END_CONTACT   ? &near->at_min
                                           : near->max_end == NW_END_CONTACT ? &near->at_max
                                                                             : &near->least;
        char pair[128];
        nw_report_fixed(buf, 6, fmax(c->distance_m, 0.0) * 1e3, 0);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 26, nw_report_clearance_pair(r, c, pair, sizeof pair));
        nw_buf_printf(buf, "\n");
    }
    nw_buf_printf(buf, "  ! contact there   _ below %.0f deg of altitude\n",
                  r->min_altitude_rad * DEG);
}

static void text_usual(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_contact c = r->usual;
    char pair[128];
    char sure[128];
    char text[600];
    if (!isfinite(c.distance_m)) {
        nw_report_paragraph(buf, 2, "Nothing can be reached: every attitude is in contact.");
        return;
    }
    (void)snprintf(text, sizeof text,
                   "With a flip on each meridian the nearest approach above %.0f deg is %.0f mm +- "
                   "%.0f (%s); 95 %% sure of %.0f mm (%s). %s",
                   r->min_altitude_rad * DEG, c.distance_m * 1e3, c.sigma_m * 1e3,
                   nw_report_clearance_pair(r, &c, pair, sizeof pair), r->usual_sure.margin_m * 1e3,
                   nw_report_clearance_pair(r, &r->usual_sure, sure, sizeof sure),
                   r->usual_sure.margin_m > 0.0 ? "Contact-free in the model."
                                                : "Not contact-free within its errors.");
    nw_report_paragraph(buf, 2, text);
}

static void text_joined(const struct nw_clearance_report *r, struct nw_buf *buf) {
    char text[600] = "";
    size_t a = 0;
    size_t b = 0;
    for (size_t i = 0; nw_clearance_joined(r->model, i, &a, &b); i++) {
        const size_t at = strlen(text);
        (void)snprintf(text + at, sizeof text - at, "%s%s with %s",
                       i ? "; " : "Taken as joined: ", r->bodies[a].name, r->bodies[b].name);
    }
    if (text[0]) {
        nw_buf_printf(buf, "\n");
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_sight(const struct nw_clearance_report *r, struct nw_buf *buf) {
    static const char *const NAMES[NW_CLEARANCE_AZIMUTHS] = {"N",  "NNE", "NE", "ENE", "E",  "ESE",
                                                             "SE", "SSE", "S",  "SSW", "SW", "WSW",
                                                             "W",  "WNW", "NW", "NNW"};
    if (r->n_apertures == 0) {
        return;
    }
    nw_buf_printf(buf, "\nHORIZON of each tube: free above this altitude, deg (half, all hidden "
                       "below)\n");
    for (size_t i = 0; i < r->n_apertures; i++) {
        nw_buf_printf(buf, "  %s\n ", r->bodies[r->apertures[i].body].name);
        for (size_t k = 0; k < NW_CLEARANCE_AZIMUTHS; k++) {
            const struct nw_sight *const s = &r->sight[i][k];
            char cell[32];
            if (s->whole_rad <= 0.0) {
                (void)snprintf(cell, sizeof cell, "%s free", NAMES[k]);
            } else {
                char half[16] = "-";
                char none[16] = "-";
                if (s->half_rad > 0.0) {
                    (void)snprintf(half, sizeof half, "%.1f", s->half_rad * DEG);
                }
                if (s->none_rad > 0.0) {
                    (void)snprintf(none, sizeof none, "%.1f", s->none_rad * DEG);
                }
                (void)snprintf(cell, sizeof cell, "%s %.1f (%s, %s)", NAMES[k], s->whole_rad * DEG,
                               half, none);
            }
            nw_buf_printf(buf, " ");
            nw_report_left(buf, 22, cell);
            nw_buf_printf(buf, "%s",
                          k + 1 == NW_CLEARANCE_AZIMUTHS ? "\n"
                          : k % 3 == 2                   ? "\n "
                                                         : "");
        }
    }
}

void nw_report_clearance_text(const struct nw_clearance_report *r, struct nw_buf *buf) {
    char aside[96];
    (void)snprintf(aside, sizeof aside, "%s%s", r->setup->name, r->is_open ? ", opened" : "");
    nw_report_title(buf, "CLEARANCE", aside);
    text_usual(r, buf);
    text_limits(r, buf);
    text_joined(r, buf);
    text_sight(r, buf);
    nw_report_clearance_ways(r, buf);
    nw_buf_printf(buf, "\nCAUTION\n");
    nw_report_paragraph(
        buf, 2,
        "This is a model of the outlines that you described: cables, loose clutches and people are "
        "not in it. It does not replace hard stops, limits in the mount, a camera that watches, or "
        "your eyes on the first slews. Keep hands away from moving axes. Never let an uncapped, "
        "unfiltered tube or finder sweep near the Sun.");
}
