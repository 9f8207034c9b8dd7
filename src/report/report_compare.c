/* report_compare.c - two settings of the guide loop by turns, as text and as JSON. */
#include <math.h>

#include "report/report_guiding.h"

#define AS NW_ARCSEC_PER_RAD

enum nw_status nw_report_guide_compare_json(const struct nw_guide_compare *c, json_t **ret,
                                            struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "guiding-compare", 1);
    json_t *settings = nw_json_array(&json, NULL, "settings");
    for (int i = 0; i < 2; i++) {
        json_t *o = nw_json_item(&json, settings);
        nw_json_text(&json, o, "name", c->name[i]);
        nw_json_count(&json, o, "blocks", c->n_blocks[i]);
        nw_json_count(&json, o, "subs", c->n_subs[i]);
        nw_json_number(&json, o, "motion_in_sub_arcsec", c->motion_rad[i] * AS, 5);
    }
    nw_json_count(&json, NULL, "runs", c->n_runs);
    nw_json_count(&json, NULL, "nights", c->n_nights);
    nw_json_count(&json, NULL, "subs_left_out", c->n_left_out);
    nw_json_number(&json, NULL, "change_percent", c->change * 100.0, 4);
    nw_json_number(&json, NULL, "change_low_percent", c->change_low * 100.0, 4);
    nw_json_number(&json, NULL, "change_high_percent", c->change_high * 100.0, 4);
    nw_json_bool(&json, NULL, "told", c->is_told);
    nw_json_count(&json, NULL, "blocks_needed", c->n_more);
    return nw_json_end(&json, ret, err);
}

void nw_report_guide_compare_text(const struct nw_guide_compare *c, struct nw_buf *text) {
    struct nw_buf line;
    nw_buf_init(&line, 4096);
    for (int i = 0; i < 2; i++) {
        nw_buf_printf(&line, "%s\"", i == 0 ? "" : " ");
        nw_report_clean(&line, c->name[i]);
        nw_buf_printf(&line, "\": %.2f arcsec of motion in a sub, %zu subs in %zu blocks%s",
                      c->motion_rad[i] * AS, c->n_subs[i], c->n_blocks[i], i == 0 ? ";" : ".");
    }
    if (c->n_runs > 1 || c->n_left_out > 0) {
        nw_buf_printf(&line,
                      " From %zu run%s of %zu night%s; %zu subs left out (no setting, two, or no "
                      "motion).",
                      c->n_runs, c->n_runs == 1 ? "" : "s", c->n_nights,
                      c->n_nights == 1 ? "" : "s", c->n_left_out);
    }
    nw_buf_printf(&line, " The second against the first: %+.1f %% (95 %%: %+.1f to %+.1f).",
                  c->change * 100.0, c->change_low * 100.0, c->change_high * 100.0);
    if (c->is_told) {
        nw_buf_printf(&line, " The %s moves the star less.", c->change < 0.0 ? "second" : "first");
    } else if (c->n_more > 0) {
        nw_buf_printf(&line, " Cannot tell yet: about %zu more blocks at this difference.",
                      c->n_more);
    } else {
        nw_buf_printf(&line, " The same for all purposes.");
    }
    if (!nw_buf_failed(&line)) {
        nw_report_paragraph(text, 2, line.data);
    }
    nw_buf_done(&line);
}
