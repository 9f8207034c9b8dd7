/* report_gains.c - gain settings by filter. */
#include "report/report_gains.h"

#include <math.h>

/* Where one setting does: what it costs in full stars stands beside. */
void nw_report_gains_text(const struct nw_light_gain_plan *p, const struct nw_camera *camera,
                          struct nw_buf *buf) {
    char text[320];
    if (p->one == SIZE_MAX || p->n == 0) {
        return;
    }
    nw_buf_printf(buf, "\nGAIN\n");
    if (p->is_one_enough) {
        (void)snprintf(text, sizeof text,
                       "\"%s\" for all filters: one for each would save %.1f %% of the time, and "
                       "want darks and biases of its own.",
                       camera->settings[p->one].name, 100.0 * p->lost_by_one);
        nw_report_paragraph(buf, 2, text);
        for (size_t i = 0; i < p->n; i++) {
            const struct nw_light_gain_of_filter *const f = &p->filters[i];
            if (f->full_one > 1.5 * f->full_own + 1.0) {
                (void)snprintf(text, sizeof text,
                               "%.40s: about %.0f stars of the field are full with it, %.0f with "
                               "\"%.40s\" in subs of %.0f s, for the same time.",
                               f->filter->name, f->full_one, f->full_own,
                               camera->settings[f->own].name, f->own_sub_s);
                nw_report_paragraph(buf, 2, text);
            }
        }
        return;
    }
    (void)snprintf(text, sizeof text,
                   "one for each filter: \"%s\" for all would lose %.1f %% of the time. Every gain "
                   "wants darks and biases of its own.",
                   camera->settings[p->one].name, 100.0 * p->lost_by_one);
    nw_report_paragraph(buf, 2, text);
    for (size_t i = 0; i < p->n; i++) {
        const struct nw_light_gain_of_filter *const f = &p->filters[i];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 18, f->filter->name[0] ? f->filter->name : "no filter");
        nw_report_left(buf, 18, camera->settings[f->own].name);
        nw_buf_printf(buf, "subs of %.0f s", f->own_sub_s);
        if (f->own != f->one) {
            nw_buf_printf(buf, "; saves %.1f %%", 100.0 * f->lost_by_one);
        }
        nw_buf_printf(buf, "\n");
    }
}

void nw_report_gains_json(const struct nw_light_gain_plan *p, const struct nw_camera *camera,
                          struct nw_json *json) {
    if (p->one == SIZE_MAX || p->n == 0) {
        nw_json_null(json, NULL, "gain");
        nw_json_why(json, NULL, "gain", "no gain settings in the rig file (cameras.*.settings)");
        return;
    }
    json_t *const o = nw_json_object(json, NULL, "gain");
    nw_json_text(json, o, "one_for_all", camera->settings[p->one].name);
    nw_json_number(json, o, "lost_by_one_percent", 100.0 * p->lost_by_one, 4);
    nw_json_bool(json, o, "one_is_enough", p->is_one_enough);
    json_t *const list = nw_json_array(json, o, "filters");
    for (size_t i = 0; i < p->n; i++) {
        const struct nw_light_gain_of_filter *const f = &p->filters[i];
        json_t *const item = nw_json_item(json, list);
        nw_json_text(json, item, "filter", f->filter->name);
        nw_json_text(json, item, "setting", camera->settings[f->own].name);
        nw_json_number(json, item, "sub_s", f->own_sub_s, 5);
        nw_json_number(json, item, "lost_by_one_percent", 100.0 * f->lost_by_one, 4);
        nw_json_number(json, item, "stars_full", f->full_own, 4);
        nw_json_number(json, item, "stars_full_with_one", f->full_one, 4);
    }
}
