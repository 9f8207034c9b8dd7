/* report_colours.c - colours of one frame side by side: widths, shifts split into what the air and
 * what the optics do, and the prediction beside them. */
#include <math.h>

#include "look/causes.h"
#include "report/report_internal.h"

struct row { /* one colour against green */
    struct nw_colour_shift shift;
    struct nw_dispersion predicted; /* of this colour against green; > 0 nearer the zenith */
    double up_px, side_px;          /* of the shift; NaN without the vertical */
    bool is_known;
    bool is_coarse; /* stars narrower than two pixels of their colour */
    char why[200];
};

static struct row compare(const struct nw_series_item *item, size_t k) {
    struct row r = {.up_px = NAN, .side_px = NAN};
    struct nw_err err = {NW_OK, ""};
    const struct nw_frame_air air = nw_frame_air_of(item->frame);
    const enum nw_status status =
        nw_colours_compare(item->measures[1], item->measures[k], &r.shift, &err);
    r.is_known = status == NW_OK;
    /* a mosaic has a pitch of 2 px: places of stars that narrow depend on where they fall on it;
     * seen on simulated frames of 1.2 px: 0.02 to 0.05 px (docs/models.md) */
    r.is_coarse = item->frame->n_planes == 1 && item->measures[k]->fwhm_px < 4.0;
    nw_text_copy(r.why, sizeof r.why, err.text);
    r.predicted = nw_dispersion_between(&air, nw_colour_wavelength_m(item->measures[k]->channel),
                                        nw_colour_wavelength_m(NW_CHANNEL_G));
    if (r.is_known) {
        r.up_px = r.shift.x_px * cos(air.up_rad) + r.shift.y_px * sin(air.up_rad);
        r.side_px = r.shift.y_px * cos(air.up_rad) - r.shift.x_px * sin(air.up_rad);
    }
    return r;
}

static void put_row(struct nw_json *json, json_t *list, const char *name, const struct row *r) {
    json_t *const o = nw_json_item(json, list);
    const struct nw_colour_shift *const s = &r->shift;
    const double none = r->is_known ? 0.0 : NAN;
    nw_json_text(json, o, "channel", name);
    nw_json_text(json, o, "against", "G");
    nw_json_count(json, o, "stars", s->n_stars);
    nw_json_number(json, o, "x_px", s->x_px + none, 4);
    nw_json_number(json, o, "y_px", s->y_px + none, 4);
    nw_json_number(json, o, "shift_px_sigma", s->shift_sigma_px + none, 2);
    nw_json_number(json, o, "magnification_ppm", 1e6 * s->magnification + none, 4);
    nw_json_number(json, o, "magnification_ppm_sigma", 1e6 * s->magnification_sigma + none, 2);
    nw_json_number(json, o, "rotation_arcsec", NW_ARCSEC_PER_RAD * s->rotation_rad + none, 4);
    nw_json_number(json, o, "rotation_arcsec_sigma",
                   NW_ARCSEC_PER_RAD * s->rotation_sigma_rad + none, 2);
    nw_json_number(json, o, "star_rms_px", s->rms_px + none, 3);
    nw_json_number(json, o, "width_ratio", s->width_ratio + none, 4);
    nw_json_number(json, o, "width_ratio_sigma", s->width_ratio_sigma + none, 2);
    nw_json_number(json, o, "up_px", r->up_px, 4);
    nw_json_number(json, o, "sideways_px", r->side_px, 4);
    nw_json_number(json, o, "predicted_up_px", r->predicted.px, 4);
    nw_json_number(json, o, "predicted_up_px_sigma", r->predicted.sigma_px, 2);
    nw_json_bool(json, o, "undersampled", r->is_coarse);
    if (!r->is_known) {
        nw_json_why(json, o, "x_px", r->why);
    }
    if (!isfinite(r->up_px)) {
        nw_json_why(json, o, "up_px",
                    "the header does not say where up is: it needs world coordinates (CD matrix or "
                    "CROTA2), time, place on Earth and in the sky");
    }
    if (!isfinite(r->predicted.px)) {
        nw_json_why(json, o, "predicted_up_px",
                    "the header gives no altitude or airmass, or no pixel scale");
    }
}

void nw_report_colours_json(struct nw_json *json, json_t *frame, const struct nw_series_item *item,
                            size_t k) {
    if (item->n_measures != 3 || k == 1) {
        return;
    }
    json_t *const list = nw_json_array(json, frame, "colour_shift");
    const struct row r = compare(item, k);
    put_row(json, list, nw_channel_name(item->measures[k]->channel), &r);
}

static void say_row(struct nw_buf *text, const char *name, const struct row *r) {
    struct nw_buf line;
    char head[24];
    char pm[48];
    const struct nw_colour_shift *const s = &r->shift;
    nw_buf_init(&line, 4096);
    (void)snprintf(head, sizeof head, "%s - G", name);
    if (!r->is_known) {
        nw_buf_printf(&line, "not compared: %s", r->why);
    } else {
        const double length = hypot(s->x_px, s->y_px);
        nw_buf_printf(&line, "all stars shifted by %s px towards %.0f deg",
                      nw_report_pm(pm, sizeof pm, length, s->shift_sigma_px),
                      atan2(s->y_px, s->x_px) * NW_DEG_PER_RAD);
        if (isfinite(r->predicted.px)) {
            nw_buf_printf(
                &line, "; air predicts %s px",
                nw_report_pm(pm, sizeof pm, fabs(r->predicted.px), r->predicted.sigma_px));
            nw_buf_printf(&line, r->predicted.px > 0.0 ? " upwards" : " downwards");
        }
        if (isfinite(r->up_px)) {
            nw_buf_printf(&line, ", seen %s px upwards",
                          nw_report_pm(pm, sizeof pm, r->up_px, s->shift_sigma_px));
            nw_buf_printf(&line, " and %s px sideways",
                          nw_report_pm(pm, sizeof pm, r->side_px, s->shift_sigma_px));
        }
        nw_buf_printf(
            &line, ". Image scale %s ppm (lateral colour)",
            nw_report_pm(pm, sizeof pm, 1e6 * s->magnification, 1e6 * s->magnification_sigma));
        nw_buf_printf(&line, ", turned %s arcsec (should be 0)",
                      nw_report_pm(pm, sizeof pm, NW_ARCSEC_PER_RAD * s->rotation_rad,
                                   NW_ARCSEC_PER_RAD * s->rotation_sigma_rad));
        nw_buf_printf(&line, ". Width %s of G's",
                      nw_report_pm(pm, sizeof pm, s->width_ratio, s->width_ratio_sigma));
        nw_buf_printf(&line, ". %zu stars.", s->n_stars);
        nw_buf_printf(&line, r->is_coarse
                                 ? " Stars are narrower than two pixels of their colour: shifts "
                                   "under 0.05 px are not certain."
                                 : "");
    }
    nw_report_entry(text, 4, 14, head, line.data ? line.data : "?");
    nw_buf_done(&line);
}

void nw_report_colours_text(struct nw_buf *text, const struct nw_series_item *item) {
    for (size_t k = 0; item->n_measures == 3 && k < 3; k += 2) {
        const struct row r = compare(item, k);
        say_row(text, nw_channel_name(item->measures[k]->channel), &r);
    }
}
