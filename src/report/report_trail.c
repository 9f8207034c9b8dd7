/* report_trail.c - seeing from frames with the drive off: result, its fall-off, what was left out.
 */
#include "report/report_trail.h"

#include <math.h>

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
static const char UNCHECKED[] = "not checked: neither world coordinates in the header nor "
                                "camera_angle in the rig file say how the frame lies";

static void entry(struct nw_buf *buf, const char *head, const char *text) {
    nw_report_entry(buf, 2, 12, head, text);
}

static const struct nw_trail_seeing *first_told(const struct nw_trail_report *report) {
    for (size_t i = 0; i < report->n; i++) {
        if (report->frames[i].is_told) {
            return &report->frames[i].seeing;
        }
    }
    return NULL;
}

static void frame_line(const struct nw_trail_frame *frame, struct nw_buf *buf) {
    const struct nw_trail_seeing *s = &frame->seeing;
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 26, nw_file_base_name(frame->path));
    if (!frame->is_told) {
        nw_buf_printf(buf, "  left out: %s\n", frame->why_null);
        return;
    }
    nw_report_fixed(buf, 6, ARCSEC(s->seeing_rad), 2);
    nw_buf_printf(buf, " +- %.2f", ARCSEC(s->seeing_sigma_rad));
    nw_report_fixed(buf, 7, s->wind_m_s, 1);
    nw_buf_printf(buf, " +- %3.1f", s->wind_sigma_m_s);
    nw_report_fixed(buf, 8, ARCSEC(s->wobble_rad), 2);
    nw_report_fixed(buf, 7, ARCSEC(s->noise_rad), 2);
    nw_buf_printf(buf, "%7zu\n", s->n_stars);
}

static void fall_off(const struct nw_trail_seeing *s, struct nw_buf *buf) {
    nw_buf_printf(buf, "\n  %-16s", "averaged over");
    for (size_t k = 0; k < s->n_lengths; k++) {
        nw_buf_printf(buf, "%7.2f", s->lengths[k].averaging_s);
    }
    nw_buf_printf(buf, " s\n  %-16s", "wobble");
    for (size_t k = 0; k < s->n_lengths; k++) {
        nw_report_fixed(buf, 7, ARCSEC(s->lengths[k].measured_rad), 2);
    }
    nw_buf_printf(buf, " arcsec rms, first frame\n  %-16s", "of this result");
    for (size_t k = 0; k < s->n_lengths; k++) {
        nw_report_fixed(buf, 7, ARCSEC(s->lengths[k].model_rad), 2);
    }
    nw_buf_printf(buf, "\n\n");
}

static void verdict(const struct nw_trail_report *report, struct nw_buf *buf) {
    char text[400];
    const struct nw_trail_seeing_mean *m = &report->mean;
    (void)snprintf(text, sizeof text,
                   "%.2f +- %.2f arcsec FWHM at the zenith and 500 nm, from %zu frame%s; no mount "
                   "error is in it",
                   ARCSEC(m->seeing_rad), ARCSEC(m->seeing_sigma_rad), report->n_told,
                   report->n_told == 1 ? "" : "s");
    entry(buf, "SEEING", text);
    if (isfinite(report->assumed_rad.v)) {
        const double off = (m->seeing_rad - report->assumed_rad.v) /
                           hypot(m->seeing_sigma_rad, report->assumed_rad.sigma);
        (void)snprintf(text, sizeof text, "%.2f +- %.2f arcsec usual by the rig file: %s",
                       ARCSEC(report->assumed_rad.v), ARCSEC(report->assumed_rad.sigma),
                       fabs(off) < 2.0 ? "they agree"
                       : off > 0.0     ? "the air was worse than usual"
                                       : "the air was better than usual");
        entry(buf, "FORETOLD", text);
    }
    const struct nw_trail_seeing *s = first_told(report);
    nw_text_copy(text, sizeof text, UNCHECKED);
    if (s->off_by) {
        (void)snprintf(text, sizeof text, "%.1f +- %.1f deg from right ascension, by %s",
                       fabs(s->off_rad) * NW_DEG_PER_RAD, s->off_sigma_rad * NW_DEG_PER_RAD,
                       s->off_by);
    }
    entry(buf, "LINES", text);
    entry(buf, "WIND",
          s->wind_is_told ? "narrowed by the fall-off; of all layers together"
                          : "not told apart from what the rig file says: one frame knows the "
                            "seeing better than the wind");
    (void)snprintf(
        text, sizeof text,
        "the %zu brightest that can be used, of %zu trails of the first frame; left out: "
        "%zu at the edge, %zu blended, %zu saturated, %zu faint, %zu of another length, "
        "%zu aslant",
        s->n_stars, s->n_seen, s->n_edge, s->n_blended, s->n_saturated, s->n_faint, s->n_odd_length,
        s->n_slanted);
    entry(buf, "STARS", text);
}

void nw_report_trail_text(const struct nw_trail_report *report, struct nw_buf *buf) {
    nw_report_title(buf, nw_trial_name(report->card->id), "what came of it");
    nw_buf_printf(buf, "  %-26s%14s%14s%8s%7s%7s\n", "frame", "seeing \"", "wind m/s", "wobble\"",
                  "noise\"", "stars");
    for (size_t i = 0; i < report->n; i++) {
        frame_line(&report->frames[i], buf);
    }
    fall_off(first_told(report), buf);
    verdict(report, buf);
}

/* ---- JSON ----------------------------------------------------------------------------------- */

static void left_out_json(struct nw_json *json, json_t *item, const struct nw_trail_seeing *s) {
    json_t *o = nw_json_object(json, item, "left_out");
    nw_json_count(json, o, "edge", s->n_edge);
    nw_json_count(json, o, "blended", s->n_blended);
    nw_json_count(json, o, "saturated", s->n_saturated);
    nw_json_count(json, o, "faint", s->n_faint);
    nw_json_count(json, o, "odd_length", s->n_odd_length);
    nw_json_count(json, o, "slanted", s->n_slanted);
}

static void frame_json(struct nw_json *json, json_t *item, const struct nw_trail_frame *frame) {
    const struct nw_trail_seeing *s = &frame->seeing;
    nw_json_text(json, item, "path", frame->path);
    if (!frame->is_told) {
        nw_json_null(json, item, "seeing_arcsec");
        nw_json_why(json, item, "seeing_arcsec", frame->why_null);
        return;
    }
    nw_json_number(json, item, "seeing_arcsec", ARCSEC(s->seeing_rad), 4);
    nw_json_number(json, item, "seeing_sigma_arcsec", ARCSEC(s->seeing_sigma_rad), 3);
    nw_json_number(json, item, "r0_m", s->r0_m, 4);
    nw_json_number(json, item, "r0_sigma_m", s->r0_sigma_m, 3);
    nw_json_number(json, item, "wind_m_s", s->wind_m_s, 3);
    nw_json_number(json, item, "wind_sigma_m_s", s->wind_sigma_m_s, 3);
    nw_json_number(json, item, "seeing_wind_correlation", s->seeing_wind_correlation, 3);
    nw_json_bool(json, item, "wind_told", s->wind_is_told);
    nw_json_number(json, item, "airmass", s->airmass, 4);
    nw_json_number(json, item, "off_right_ascension_deg", s->off_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(json, item, "off_right_ascension_sigma_deg", s->off_sigma_rad * NW_DEG_PER_RAD,
                   3);
    if (!s->off_by) {
        nw_json_why(json, item, "off_right_ascension_deg", UNCHECKED);
    }
    nw_json_number(json, item, "wobble_arcsec", ARCSEC(s->wobble_rad), 4);
    nw_json_number(json, item, "noise_arcsec", ARCSEC(s->noise_rad), 3);
    nw_json_number(json, item, "shared", s->shared, 3);
    nw_json_count(json, item, "stars", s->n_stars);
    nw_json_count(json, item, "trails_seen", s->n_seen);
    left_out_json(json, item, s);
    json_t *lengths = nw_json_array(json, item, "fall_off");
    for (size_t k = 0; k < s->n_lengths; k++) {
        json_t *o = nw_json_item(json, lengths);
        nw_json_number(json, o, "averaging_s", s->lengths[k].averaging_s, 4);
        nw_json_number(json, o, "measured_arcsec", ARCSEC(s->lengths[k].measured_rad), 4);
        nw_json_number(json, o, "model_arcsec", ARCSEC(s->lengths[k].model_rad), 4);
    }
}

enum nw_status nw_report_trail_json(const struct nw_trail_report *report, json_t **ret,
                                    struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "trial", 1);
    nw_json_text(&json, NULL, "trial", nw_trial_name(report->card->id));
    json_t *result = nw_json_object(&json, NULL, "result");
    nw_json_text(&json, result, "quantity", report->card->quantity);
    nw_json_number(&json, result, "seeing_arcsec", ARCSEC(report->mean.seeing_rad), 4);
    nw_json_number(&json, result, "seeing_sigma_arcsec", ARCSEC(report->mean.seeing_sigma_rad), 3);
    nw_json_number(&json, result, "scatter", report->mean.scatter, 3);
    nw_json_number(&json, result, "foretold_arcsec", ARCSEC(report->assumed_rad.v), 4);
    nw_json_number(&json, result, "foretold_sigma_arcsec", ARCSEC(report->assumed_rad.sigma), 3);
    nw_json_count(&json, result, "frames_told", report->n_told);
    json_t *frames = nw_json_array(&json, result, "frames");
    for (size_t i = 0; i < report->n; i++) {
        frame_json(&json, nw_json_item(&json, frames), &report->frames[i]);
    }
    return nw_json_end(&json, ret, err);
}
