/* report_guiding_loop.c - worm as text and as JSON: parts of the page of `guiding`. */
#include "report/report_guiding_parts.h"

#include <math.h>

#define AS NW_ARCSEC_PER_RAD

/* ---- JSON ---- */

static void add_period(struct nw_json *json, json_t *array, const struct nw_guide_worm *worm,
                       const struct nw_guide_period *p) {
    json_t *o = nw_json_item(json, array);
    nw_json_text(json, o, "axis", "ra");
    nw_json_number(json, o, "period_s", p->period_s, 8);
    nw_json_number(json, o, "period_sigma_s", p->period_sigma_s, 3);
    nw_json_number(json, o, "amplitude_arcsec", p->amplitude_rad * AS, 5);
    nw_json_number(json, o, "amplitude_sigma_arcsec", p->amplitude_sigma_rad * AS, 3);
    nw_json_text(json, o, "at", worm->is_at_axis ? "axis" : "sky");
    if (p->harmonic > 0) {
        nw_json_count(json, o, "harmonic", (size_t)p->harmonic);
    } else {
        nw_json_null(json, o, "harmonic");
    }
    nw_json_number(json, o, "phase_deg", p->phase_rad * NW_DEG_PER_RAD, 5);
    nw_json_number(json, o, "phase_sigma_deg", p->phase_sigma_rad * NW_DEG_PER_RAD, 3);
    nw_json_number(json, o, "phase_at_axis_zero_deg", p->axis_phase_rad * NW_DEG_PER_RAD, 5);
    nw_json_number(json, o, "left_by_loop_arcsec", p->left_rad * AS, 4);
    nw_json_number(json, o, "false_alarm", p->false_alarm, 3);
}

void nw_report_worm_json(struct nw_json *json, const struct nw_guide_log *log,
                         const struct nw_guide_analysis *a) {
    const struct nw_guide_worm *worm = &a->worm;
    json_t *array = nw_json_array(json, NULL, "periodic");
    for (size_t i = 0; i < worm->n; i++) {
        add_period(json, array, worm, &worm->periods[i]);
    }
    if (worm->why_null[0] != '\0') {
        nw_json_why(json, NULL, "periodic", worm->why_null);
    }
    json_t *o = nw_json_object(json, NULL, "worm");
    const bool has = worm->n > 0;
    if (log->has_dates && has) {
        nw_json_time(json, o, "epoch", worm->epoch_s, 1);
    } else {
        nw_json_number(json, o, "epoch_s", has ? worm->epoch_s : NAN, 12);
    }
    nw_json_number(json, o, "axis_angle_deg", has ? worm->axis_angle_rad * NW_DEG_PER_RAD : NAN, 8);
    nw_json_number(json, o, "teeth", has ? worm->teeth : NAN, 7);
    nw_json_number(json, o, "teeth_sigma", has ? worm->teeth_sigma : NAN, 2);
    nw_json_number(json, o, "rms_without_loop_arcsec", has ? worm->rms_rad * AS : NAN, 4);
    nw_json_number(json, o, "rms_left_by_loop_arcsec", has ? worm->left_rms_rad * AS : NAN, 4);
    nw_json_number(json, o, "motion_in_sub_with_predictor_arcsec",
                   has ? worm->motion_without_rad * AS : NAN, 4);
    if (!has) {
        nw_json_why(json, o, "teeth", worm->why_null);
    } else if (worm->why_axis[0] != '\0') {
        nw_json_why(json, o, "axis_angle_deg", worm->why_axis);
    }
}

#define STAR_arcsec 3.0 /* a usual star: common practice, no source */
#define MATTERS 0.01    /* of its width, as of the guide train's noise */

/* How much wider a usual star is for the gap: FWHM^2 gains 8 ln 2 times the mean variance of both
 * axes, of which the gap's is one. NaN: not told. */
static double widened(const struct nw_guide_analysis *a) {
    const double with = a->dec.motion_in_sub_rad * AS;
    const double without = a->backlash.motion_without_rad * AS;
    const double gain =
        NW_FWHM_PER_SIGMA * NW_FWHM_PER_SIGMA * 0.5 * fmax(0.0, with * with - without * without);
    return 1.0 - sqrt(fmax(0.0, 1.0 - gain / (STAR_arcsec * STAR_arcsec)));
}

void nw_report_backlash_json(struct nw_json *json, const struct nw_guide_analysis *a) {
    const struct nw_guide_backlash *b = &a->backlash;
    json_t *o = nw_json_object(json, NULL, "backlash");
    nw_json_bool(json, o, "identified", b->is_identified);
    nw_json_number(json, o, "gap_crossings", b->crossings, 6);
    nw_json_number(json, o, "arcsec", b->gap_rad * AS, 4);
    nw_json_number(json, o, "low_arcsec", b->low_rad * AS, 4);
    nw_json_number(json, o, "high_arcsec", b->high_rad * AS, 4); /* infinite: null */
    nw_json_number(json, o, "ms", b->gap_s * 1e3, 5);
    nw_json_number(json, o, "low_ms", b->low_s * 1e3, 5);
    nw_json_number(json, o, "high_ms", b->high_s * 1e3, 5);
    nw_json_number(json, o, "windup", b->windup, 2);
    nw_json_number(json, o, "held_out_better", b->held_better, 3);
    nw_json_number(json, o, "motion_in_sub_without_arcsec", b->motion_without_rad * AS, 4);
    const double wider = b->is_identified ? widened(a) : NAN;
    nw_json_number(json, o, "widens_3_arcsec_star_percent", 100.0 * wider, 3);
    if (isfinite(wider)) {
        nw_json_bool(json, o, "matters", wider >= MATTERS);
    } else {
        nw_json_null(json, o, "matters");
    }
    if (b->is_identified) {
        nw_json_null(json, o, "why_null");
    } else {
        nw_json_text(json, o, "why_null", b->why_null);
    }
}

/* ---- text ---- */

static void period_row(struct nw_buf *text, const struct nw_guide_worm *worm,
                       const struct nw_guide_period *p) {
    char cell[64];
    char chance[48];
    (void)snprintf(cell, sizeof cell, p->harmonic > 0 ? "turn / %d" : "other", p->harmonic);
    nw_buf_printf(text, "  ");
    nw_report_left(text, 10, cell);
    nw_report_right(text, 19, nw_report_pm(cell, sizeof cell, p->period_s, p->period_sigma_s));
    nw_report_right(
        text, 17,
        nw_report_pm(cell, sizeof cell, p->amplitude_rad * AS, p->amplitude_sigma_rad * AS));
    nw_report_fixed(text, 12, p->left_rad * AS, 2);
    (void)snprintf(chance, sizeof chance, p->false_alarm < 1e-9 ? "< 1e-9" : "%.0e",
                   p->false_alarm);
    nw_report_right(text, 12, chance);
    nw_buf_printf(text, "%s\n", worm->is_at_axis ? "" : " sky");
}

void nw_report_worm_text(const struct nw_guide_analysis *a, struct nw_buf *text) {
    const struct nw_guide_worm *worm = &a->worm;
    char line[400];
    nw_buf_printf(text, "\n");
    if (worm->n == 0) {
        (void)snprintf(line, sizeof line, "Worm: %s.", worm->why_null);
        nw_report_paragraph(text, 2, line);
        return;
    }
    nw_buf_printf(text, "  ");
    nw_report_left(text, 10, "worm");
    nw_report_right(text, 19, "period s");
    nw_report_right(text, 17, worm->is_at_axis ? "arcsec, at axis" : "arcsec, on sky");
    nw_report_right(text, 12, "loop leaves");
    nw_report_right(text, 12, "chance");
    nw_buf_printf(text, "\n");
    for (size_t i = 0; i < worm->n; i++) {
        period_row(text, worm, &worm->periods[i]);
    }
    (void)snprintf(line, sizeof line,
                   "Of %.2f arcsec rms on the sky the loop leaves %.2f; without that the motion "
                   "within a sub would be %.2f.%s%s%s",
                   worm->rms_rad * AS, worm->left_rms_rad * AS, worm->motion_without_rad * AS,
                   worm->why_axis[0] ? " Phase is not keyed by the axis: " : "", worm->why_axis,
                   worm->why_axis[0] ? "." : "");
    nw_report_paragraph(text, 2, line);
    if (a->ra.is_response_assumed) {
        nw_report_paragraph(text, 2,
                            "Amplitudes rest on the guide rate as given: no dither told the "
                            "response to a pulse.");
    }
}

void nw_report_backlash_text(const struct nw_guide_analysis *a, struct nw_buf *text) {
    const struct nw_guide_backlash *b = &a->backlash;
    char line[500];
    if (b->is_identified) {
        int n = snprintf(line, sizeof line,
                         "Backlash in declination: %.2f arcsec (95 %%: %.2f to %.2f), crossed by a "
                         "pulse of %.0f ms (%.0f to %.0f); %.0f crossings.",
                         b->gap_rad * AS, b->low_rad * AS, b->high_rad * AS, b->gap_s * 1e3,
                         b->low_s * 1e3, b->high_s * 1e3, b->crossings);
        if (isfinite(b->motion_without_rad) && n > 0) {
            const double wider = widened(a);
            (void)snprintf(line + n, sizeof line - (size_t)n,
                           " The same loop without it: %.2f arcsec of motion within a sub instead "
                           "of %.2f. That %s: %.1f %% of the width of a %.0f arcsec star.",
                           b->motion_without_rad * AS, a->dec.motion_in_sub_rad * AS,
                           wider >= MATTERS ? "matters" : "does not matter", 100.0 * wider,
                           STAR_arcsec);
        }
    } else {
        (void)snprintf(line, sizeof line, "Backlash in declination: %s.", b->why_null);
    }
    nw_report_paragraph(text, 2, line);
}
