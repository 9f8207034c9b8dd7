/* report_measure.c - what `measure` found, as JSON (docs/formats.md), text and a table of stars.
 * Holds: positions leave as FITS counts them, ours + 1; angles in degrees. */
#include <math.h>

#include "report/report_internal.h"

static double scale_arcsec_px(const struct nw_frame_facts *facts) {
    /* pixel and focal length as the header gives them: definition, REFERENCES IMG-02 */
    return facts->pixel_m > 0.0 && facts->focal_length_m > 0.0
               ? NW_ARCSEC_PER_RAD * atan(facts->pixel_m / facts->focal_length_m)
               : NAN;
}

static void put_zones(struct nw_json *json, json_t *frame, const struct nw_measure *m) {
    json_t *const zones = nw_json_array(json, frame, "zones");
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        const struct nw_zone *const z = &m->zones[k];
        json_t *const zone = nw_json_item(json, zones);
        nw_json_number(json, zone, "u", z->u, 4);
        nw_json_number(json, zone, "v", z->v, 4);
        nw_json_count(json, zone, "n", z->n);
        nw_json_number(json, zone, "fwhm_px", z->fwhm_px, 5);
        nw_json_number(json, zone, "fwhm_px_sigma", z->fwhm_sigma_px, 2);
        nw_json_number(json, zone, "half_light_px", z->half_light_px, 5);
        nw_json_number(json, zone, "e1", z->e1, 4);
        nw_json_number(json, zone, "e2", z->e2, 4);
        nw_json_number(json, zone, "e_sigma", z->e_sigma, 2);
    }
}

static void put_flags(struct nw_json *json, json_t *frame, const struct nw_measure *m) {
    json_t *const flags = nw_json_array(json, frame, "flags");
    for (unsigned bit = 0; nw_frame_flag_word(bit); bit++) {
        if (m->flags & (1U << bit)) {
            nw_json_add_text(json, flags, nw_frame_flag_word(bit));
        }
    }
}

static void put_shape(struct nw_json *json, json_t *frame, const struct nw_measure *m,
                      double scale) {
    nw_json_number(json, frame, "fwhm_px", m->fwhm_px, 5);
    nw_json_number(json, frame, "fwhm_px_sigma", m->fwhm_sigma_px, 2);
    nw_json_number(json, frame, "fwhm_optical_px", m->fwhm_optical_px, 5);
    nw_json_number(json, frame, "fwhm_arcsec", m->fwhm_px * scale, 5);
    nw_json_number(json, frame, "half_light_px", m->half_light_px, 5);
    nw_json_number(json, frame, "moffat_beta", m->moffat_beta, 3);
    nw_json_number(json, frame, "equivalent_noise_area_px2", m->neq_area_px2, 4);
    nw_json_number(json, frame, "elongation", m->elongation, 5);
    nw_json_number(json, frame, "elongation_angle_deg", m->elongation_angle_rad * NW_DEG_PER_RAD,
                   4);
    nw_json_number(json, frame, "e1", m->e1, 4);
    nw_json_number(json, frame, "e2", m->e2, 4);
    nw_json_number(json, frame, "e_sigma", m->e_sigma, 2);
    nw_json_text(json, frame, "elongation_from", "mean e1,e2");
}

static void put_reasons(struct nw_json *json, json_t *frame, const struct nw_measure *m,
                        double scale, const struct nw_transmission *t) {
    if (!isfinite(m->fwhm_px)) {
        nw_json_why(json, frame, "fwhm_px", "fewer than 3 clean stars above SNR 20");
    } else if (!isfinite(m->fwhm_optical_px)) {
        nw_json_why(json, frame, "fwhm_optical_px", "under 1.3 px the pixel cannot be taken off");
    }
    if (!isfinite(scale)) {
        nw_json_why(json, frame, "fwhm_arcsec",
                    "the header gives no pixel size (XPIXSZ) or no focal length (FOCALLEN)");
    }
    if (!t || !isfinite(t->value)) {
        nw_json_why(json, frame, "relative_transmission",
                    t ? "its stars could not be matched with those of the other frames"
                      : "needs several frames of one field");
    }
}

static void put_frame(struct nw_json *json, json_t *frames, const struct nw_series_item *item,
                      const struct nw_measure *m, const struct nw_transmission *t,
                      double elapsed_s) {
    const struct nw_frame_facts *const facts = &item->frame->facts;
    const double scale = scale_arcsec_px(facts);
    json_t *const frame = nw_json_item(json, frames);
    nw_json_text(json, frame, "path", item->path);
    nw_json_count(json, frame, "width_px", m->width_px);
    nw_json_count(json, frame, "height_px", m->height_px);
    nw_json_text(json, frame, "channel", nw_channel_name(m->channel));
    nw_json_number(json, frame, "exposure_s", facts->exposure_s, 6);
    nw_json_time(json, frame, "date_obs", facts->t_start_utc_s, 3);
    nw_json_count(json, frame, "stars_detected", m->n_stars);
    nw_json_count(json, frame, "stars_used", m->n_used);
    nw_json_count(json, frame, "stars_saturated", m->n_saturated);
    nw_json_number(json, frame, "background_adu", m->background_adu, 7);
    nw_json_number(json, frame, "noise_adu", m->noise_adu, 5);
    put_shape(json, frame, m, scale);
    nw_json_number(json, frame, "relative_transmission", t ? t->value : NAN, 4);
    nw_json_number(json, frame, "relative_transmission_sigma", t ? t->sigma : NAN, 2);
    put_zones(json, frame, m);
    nw_report_aspects_json(json, frame, m);
    put_flags(json, frame, m);
    nw_json_number(json, frame, "elapsed_s", elapsed_s, 3);
    put_reasons(json, frame, m, scale, t);
    nw_report_forms_json(json, frame, m);
}

static bool explain(const struct nw_series_item *item, size_t k, struct nw_elongation_causes *ret) {
    struct nw_elongation_facts facts;
    nw_elongation_facts_of_frame(item->frame, item->measures[k], &facts);
    return nw_elongation_explain(&facts, ret);
}

enum nw_status nw_report_measure_json(const struct nw_series *series,
                                      const struct nw_transmission *transmission, double elapsed_s,
                                      json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "measure", 1);
    json_t *const frames = nw_json_array(&json, NULL, "frames");
    for (size_t i = 0; i < series->n; i++) {
        for (size_t k = 0; k < series->items[i].n_measures; k++) {
            put_frame(&json, frames, &series->items[i], series->items[i].measures[k],
                      transmission ? &transmission[3 * i + k] : NULL,
                      elapsed_s / (double)series->n);
            json_t *const frame = json_array_get(frames, json_array_size(frames) - 1);
            nw_report_colours_json(&json, frame, &series->items[i], k);
            struct nw_elongation_causes causes;
            if (explain(&series->items[i], k, &causes)) {
                nw_report_causes_json(&json, frame, &causes);
            }
        }
    }
    return nw_json_end(&json, ret, err);
}

static void text_row(struct nw_buf *text, const struct nw_series_item *item,
                     const struct nw_measure *m, const struct nw_transmission *t) {
    struct nw_buf name;
    nw_buf_init(&name, 4096);
    nw_report_clean(&name, nw_file_base_name(item->path));
    nw_report_left(text, 22, name.data ? name.data : "?");
    nw_buf_done(&name);
    const double scale = scale_arcsec_px(&item->frame->facts);
    const double sigma_px = m->fwhm_sigma_px < 0.001 ? 0.001 : m->fwhm_sigma_px;
    char pm[48];
    nw_report_right(text, 5, m->channel == NW_CHANNEL_MONO ? "" : nw_channel_name(m->channel));
    nw_report_fixed(text, 7, (double)m->n_used, 0);
    nw_report_fixed(text, 9, m->background_adu, 1);
    nw_report_right(text, 17, nw_report_pm(pm, sizeof pm, m->fwhm_px, sigma_px));
    nw_report_fixed(text, 7, m->fwhm_px * scale, 2);
    nw_report_fixed(text, 6, m->elongation, 2);
    nw_report_fixed(text, 7, t ? t->value : NAN, 3);
    nw_buf_printf(text, "\n");
}

void nw_report_measure_text(const struct nw_series *series,
                            const struct nw_transmission *transmission, struct nw_buf *text) {
    nw_buf_printf(text, "%-27s%7s%9s%17s%7s%6s%7s\n", "frame", "stars", "sky", "FWHM px", "arcsec",
                  "long", "light");
    for (size_t i = 0; i < series->n; i++) {
        const struct nw_series_item *const item = &series->items[i];
        for (size_t k = 0; k < item->n_measures; k++) {
            const struct nw_measure *const m = item->measures[k];
            text_row(text, item, m, transmission ? &transmission[3 * i + k] : NULL);
            for (unsigned bit = 0; nw_frame_flag_word(bit); bit++) {
                if (m->flags & (1U << bit)) {
                    nw_buf_printf(text, "    %s\n", nw_frame_flag_word(bit));
                }
            }
            nw_report_forms_text(text, m);
            if (series->n == 1) {
                struct nw_elongation_causes causes;
                if ((m->flags & NW_FRAME_COMMON_ELONGATION) && explain(item, k, &causes)) {
                    nw_report_causes_text(text, 4, 14, &causes);
                }
                nw_report_aspects_text(text, m);
            } else {
                nw_report_streaks_text(text, &m->aspects);
            }
        }
        nw_report_colours_text(text, item);
    }
    nw_report_paragraph(text, 0,
                        "FWHM as delivered, pixel included. long: major over minor axis of the "
                        "mean shape. light: transmission against the best frame. - : not known; "
                        "--json says why.");
}

static void star_row(struct nw_buf *csv, const struct nw_star *s) {
    nw_buf_printf(csv, "%.3f,%.3f,%.6g,%.6g,%.5g", s->x_px + 1.0, s->y_px + 1.0, s->flux_adu,
                  s->peak_adu, s->snr);
    const double rest[] = {
        s->fwhm_px, s->fwhm_major_px, s->fwhm_minor_px, s->theta_rad * NW_DEG_PER_RAD, s->e1,
        s->e2};
    for (size_t i = 0; i < sizeof rest / sizeof rest[0]; i++) {
        if (isfinite(rest[i])) {
            nw_buf_printf(csv, ",%.5g", rest[i]);
        } else {
            nw_buf_printf(csv, ",");
        }
    }
    const char *mark = ",";
    for (unsigned bit = 0; nw_star_flag_word(bit); bit++) {
        if (s->flags & (1U << bit)) {
            nw_buf_printf(csv, "%s%s", mark, nw_star_flag_word(bit));
            mark = " ";
        }
    }
    nw_buf_printf(csv, "%s\n", s->flags ? "" : ",");
}

void nw_report_stars_csv(const struct nw_series *series, struct nw_buf *csv) {
    nw_buf_printf(csv, "frame,channel,x_px,y_px,flux_adu,peak_adu,snr,fwhm_px,fwhm_major_px,"
                       "fwhm_minor_px,theta_deg,e1,e2,flags\n");
    for (size_t i = 0; i < series->n; i++) {
        const struct nw_series_item *const item = &series->items[i];
        for (size_t k = 0; k < item->n_measures; k++) {
            const struct nw_measure *const m = item->measures[k];
            for (size_t j = 0; j < m->n_stars; j++) {
                nw_buf_printf(csv, "%zu,%s,", i + 1, nw_channel_name(m->channel));
                star_row(csv, &m->stars[j]);
            }
        }
    }
}
