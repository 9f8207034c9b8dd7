/* report_truth.c - the simulator's truth beside what `check` said: the last thing to be opened. */
#include "report/report.h"

#include <math.h>

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

static void row(struct nw_buf *buf, const char *label, double truth, double ours, double sigma) {
    char text[48];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 34, label);
    nw_report_fixed(buf, 8, ARCSEC(truth), 2);
    (void)snprintf(text, sizeof text, "%.2f", ARCSEC(ours));
    nw_report_right(buf, 11, isfinite(ours) ? text : "-");
    if (isfinite(sigma)) {
        nw_buf_printf(buf, " +- %.2f", ARCSEC(sigma));
    }
    nw_buf_printf(buf, "\n");
}

void nw_report_check_truth(const struct nw_check_report *check, const struct nw_check_truth *truth,
                           struct nw_buf *buf) {
    const struct nw_star_budget *budget = check->star_width;
    nw_buf_printf(buf, "\n");
    nw_report_title(buf, "TRUTH", "of the simulated night, opened last");
    nw_buf_printf(buf, "  arcsec                               truth   said here\n");
    row(buf, "delivered width, measured", truth->delivered_rad, budget->measured_rad,
        budget->measured_sigma_rad);
    row(buf, "the same, predicted", truth->delivered_rad, budget->predicted_rad,
        budget->predicted_sigma_rad);
    if (!budget->blind.why_null[0]) {
        row(buf, "seeing at the zenith, at half time", truth->seeing_rad, budget->blind.seeing_rad,
            budget->blind.seeing_sigma_rad);
    }
    nw_buf_printf(buf, "  what each line adds to the width:\n");
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_line *line = &budget->lines[k];
        char label[64];
        if (isfinite(truth->without_rad[k]) && isfinite(line->total_without_rad)) {
            (void)snprintf(label, sizeof label, "  %s", line->label);
            row(buf, label, truth->centre_rad - truth->without_rad[k],
                budget->predicted_rad - line->total_without_rad, NAN);
        }
    }
    if (isfinite(budget->lines[NW_STAR_MOTION].measured_rad)) {
        const struct nw_star_line *line = &budget->lines[NW_STAR_MOTION];
        const double rms = hypot(truth->motion_ra_rad, truth->motion_dec_rad) / sqrt(2.0);
        row(buf, "motion in a sub, as a width", NW_FWHM_PER_SIGMA * rms, line->measured_rad,
            0.25 * (line->measured_high_rad - line->measured_low_rad));
    }
}

void nw_report_check_truth_json(const struct nw_check_truth *truth, json_t *document) {
    struct nw_json json = {.root = document};
    json_t *o = nw_json_object(&json, NULL, "truth");
    nw_json_count(&json, o, "frames", truth->n_frames);
    nw_json_number(&json, o, "delivered_arcsec", ARCSEC(truth->delivered_rad), 5);
    nw_json_number(&json, o, "middle_arcsec", ARCSEC(truth->centre_rad), 5);
    nw_json_number(&json, o, "seeing_zenith_arcsec", ARCSEC(truth->seeing_rad), 5);
    nw_json_number(&json, o, "motion_ra_arcsec", ARCSEC(truth->motion_ra_rad), 4);
    nw_json_number(&json, o, "motion_dec_arcsec", ARCSEC(truth->motion_dec_rad), 4);
    json_t *without = nw_json_object(&json, o, "total_without_arcsec");
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        nw_json_number(&json, without, nw_star_line_name((enum nw_star_line_id)k),
                       ARCSEC(truth->without_rad[k]), 5);
    }
}
