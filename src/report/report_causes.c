/* report_causes.c - common elongation: what is seen, what dispersion explains, likely causes in
 * order, each with its evidence; JSON and text, of a frame and of a night alike. */
#include <math.h>

#include "report/report_internal.h"

static void put_reasons(struct nw_json *json, json_t *cause, const char *key,
                        const char *const *texts, size_t n) {
    json_t *const list = nw_json_array(json, cause, key);
    for (size_t i = 0; i < n; i++) {
        nw_json_add_text(json, list, texts[i]);
    }
}

static double degrees(double angle_rad) {
    return isfinite(angle_rad) ? report_axis_deg(angle_rad) : (double)NAN;
}

void nw_report_causes_json(struct nw_json *json, json_t *parent,
                           const struct nw_elongation_causes *c) {
    json_t *const o = nw_json_object(json, parent, "elongation_causes");
    nw_json_number(json, o, "elongation", c->seen, 5);
    nw_json_number(json, o, "angle_deg", degrees(c->angle_rad), 4);
    nw_json_number(json, o, "dispersion_e", c->dispersion_e, 3);
    nw_json_number(json, o, "rest_elongation", c->rest, 5);
    nw_json_number(json, o, "rest_angle_deg", degrees(c->rest_angle_rad), 4);
    nw_json_number(json, o, "rest_e_sigma", c->rest_sigma, 2);
    nw_json_number(json, o, "rest_to_right_ascension_deg", c->to_east_rad * NW_DEG_PER_RAD, 3);
    nw_json_number(json, o, "to_vertical_deg", c->to_up_rad * NW_DEG_PER_RAD, 3);
    nw_json_number(json, o, "constant_e", c->constant_e, 3);
    nw_json_number(json, o, "pattern_e", c->pattern_e, 3);
    nw_json_number(json, o, "pattern_e_sigma", c->pattern_sigma, 2);
    nw_json_bool(json, o, "first_is_likely", c->is_first_likely);
    if (!isfinite(c->to_east_rad)) {
        nw_json_why(json, o, "rest_to_right_ascension_deg",
                    "orientation not known: the header has no world coordinates");
    }
    if (!isfinite(c->to_up_rad)) {
        nw_json_why(json, o, "to_vertical_deg",
                    "needs world coordinates, time, site and place in the header");
    }
    if (!isfinite(c->dispersion_e)) {
        nw_json_why(json, o, "dispersion_e",
                    "needs airmass or altitude, pixel scale and a filter whose name says its "
                    "passband");
    }
    json_t *const list = nw_json_array(json, o, "causes");
    for (int k = 0; k < NW_N_CAUSES; k++) {
        const struct nw_cause *const cause = &c->causes[k];
        json_t *const item = nw_json_item(json, list);
        nw_json_text(json, item, "cause", nw_cause_word(cause->id));
        nw_json_text(json, item, "text", nw_cause_text(cause->id));
        nw_json_put(json, item, "points", json_integer(cause->points));
        put_reasons(json, item, "for", cause->for_it, cause->n_for);
        put_reasons(json, item, "against", cause->against, cause->n_against);
        nw_json_text(json, item, "decides", nw_cause_decides(cause->id));
    }
}

static void say_seen(struct nw_buf *line, const struct nw_elongation_causes *c) {
    nw_buf_printf(line, "%.2f along %.0f deg", c->seen, report_axis_deg(c->angle_rad));
    if (isfinite(c->dispersion_e)) {
        const double d = c->dispersion_e;
        nw_buf_printf(line, "; dispersion alone would make %.2f", sqrt((1.0 + d) / (1.0 - d)));
        if (isfinite(c->to_up_rad)) {
            nw_buf_printf(line, ", without it %.2f along %.0f deg", c->rest,
                          report_axis_deg(c->rest_angle_rad));
        }
    }
    if (isfinite(c->to_east_rad)) {
        nw_buf_printf(line, "; %.0f deg from right ascension", c->to_east_rad * NW_DEG_PER_RAD);
    } else {
        nw_buf_printf(line, "; orientation not known, so neither axis nor vertical can be held "
                            "against it");
    }
    if (isfinite(c->to_up_rad)) {
        nw_buf_printf(line, ", %.0f deg from the vertical", c->to_up_rad * NW_DEG_PER_RAD);
    }
    nw_buf_printf(line, ".");
}

static void say_cause(struct nw_buf *line, const struct nw_cause *cause) {
    nw_buf_printf(line, "%s.", nw_cause_text(cause->id));
    for (size_t i = 0; i < cause->n_for; i++) {
        nw_buf_printf(line, "%s%s", i ? "; " : " For it: ", cause->for_it[i]);
    }
    nw_buf_printf(line, cause->n_for > 0 ? "." : "");
    for (size_t i = 0; i < cause->n_against; i++) {
        nw_buf_printf(line, "%s%s", i ? "; " : " Against: ", cause->against[i]);
    }
    nw_buf_printf(line, cause->n_against > 0 ? "." : "");
    nw_buf_printf(line, " Would decide: %s.", nw_cause_decides(cause->id));
}

void nw_report_causes_text(struct nw_buf *text, int indent, int column,
                           const struct nw_elongation_causes *c) {
    enum { SHOWN = 3 };
    struct nw_buf line;
    nw_buf_init(&line, 8192);
    say_seen(&line, c);
    nw_report_entry(text, indent, column, "long", line.data ? line.data : "?");
    for (int k = 0; k < SHOWN; k++) {
        if (k > 0 && (c->causes[k].points < 0 || (c->is_first_likely && k > 1))) {
            break;
        }
        nw_buf_done(&line);
        nw_buf_init(&line, 8192);
        say_cause(&line, &c->causes[k]);
        nw_report_entry(text, indent, column, k == 0 && c->is_first_likely ? "likely" : "possible",
                        line.data ? line.data : "?");
    }
    nw_buf_done(&line);
}
