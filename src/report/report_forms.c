/* report_forms.c - rings, doubles and trails of a frame (image/forms.h), as JSON and text. */
#include <math.h>

#include "report/report_internal.h"

void nw_report_forms_json(struct nw_json *json, json_t *frame, const struct nw_measure *m) {
    const struct nw_forms *const f = &m->forms;
    nw_json_number(json, frame, "ring_diameter_px", f->ring_diameter_px, 4);
    nw_json_number(json, frame, "ring_hole_px", f->ring_hole_px, 4);
    nw_json_number(json, frame, "doubling_x_px", f->doubling_x_px, 4);
    nw_json_number(json, frame, "doubling_y_px", f->doubling_y_px, 4);
    nw_json_number(json, frame, "doubling_ratio", f->doubling_ratio, 3);
    nw_json_number(json, frame, "trail_length_px", f->trail_length_px, 4);
    nw_json_number(json, frame, "trail_width_px", f->trail_width_px, 4);
    nw_json_number(json, frame, "trail_angle_deg", f->trail_angle_rad * NW_DEG_PER_RAD, 4);
    if (isfinite(m->fwhm_px)) {
        return;
    }
    if (m->flags & NW_FRAME_OUT_OF_FOCUS) {
        nw_json_why(json, frame, "fwhm_px",
                    "the stars are discs or rings: see ring_diameter_px and half_light_px");
    } else if (m->flags & NW_FRAME_TRAILED) {
        nw_json_why(json, frame, "fwhm_px",
                    "the stars are trails: see trail_length_px and trail_width_px");
    }
}

void nw_report_forms_text(struct nw_buf *text, const struct nw_measure *m) {
    const struct nw_forms *const f = &m->forms;
    if (m->flags & NW_FRAME_OUT_OF_FOCUS) {
        nw_buf_printf(text, "    %s %.1f px across", f->ring_hole_px > 0.0 ? "rings" : "discs",
                      f->ring_diameter_px);
        if (f->ring_hole_px > 0.0) {
            nw_buf_printf(text, ", hole %.1f px", f->ring_hole_px);
        }
        nw_buf_printf(text, ", half of the light within %.1f px\n", m->half_light_px);
    }
    if (m->flags & NW_FRAME_DOUBLED) {
        nw_buf_printf(text,
                      "    every star again %.1f px away (%+.1f, %+.1f) with %.0f %% of the light, "
                      "%zu pairs\n",
                      hypot(f->doubling_x_px, f->doubling_y_px), f->doubling_x_px, f->doubling_y_px,
                      100.0 * f->doubling_ratio, f->n_doubled);
    }
    if (m->flags & NW_FRAME_TRAILED) {
        if (isfinite(f->trail_length_px)) {
            nw_buf_printf(text, "    trails %.1f px long", f->trail_length_px);
        } else {
            nw_buf_printf(text, "    trails longer than 81 px");
        }
        nw_buf_printf(text, ", %.1f px wide, at %.1f deg from +x to +y\n", f->trail_width_px,
                      f->trail_angle_rad * NW_DEG_PER_RAD);
    }
}
