/* report_sensor.c - the page of `sensor`, and its patch for the rig file. */
#include "report/report_sensor.h"

#include <math.h>

static void set_value(struct nw_sensor_set *sets, size_t *n, const char *key,
                      const struct nw_sensor_value *v, const char *unit) {
    struct nw_sensor_set *const set = &sets[*n];
    if (!isfinite(v->v) || !(v->v > 0.0)) {
        return;
    }
    *set = (struct nw_sensor_set){.key = ""};
    nw_text_copy(set->key, sizeof set->key, key);
    if (isfinite(v->sigma)) {
        (void)snprintf(set->value, sizeof set->value,
                       "{value: %.5g %s, sigma: %.2g %s, from: measured}", v->v, unit, v->sigma,
                       unit);
    } else {
        (void)snprintf(set->value, sizeof set->value, "{value: %.5g %s, from: measured}", v->v,
                       unit);
    }
    (*n)++;
}

static void set_before(struct nw_sensor_set *set, const struct nw_val *val, const char *unit) {
    if (isfinite(val->v)) {
        char number[32];
        (void)snprintf(set->before, sizeof set->before, "%s %s, %s",
                       nw_report_number(number, sizeof number, val->v, 4), unit,
                       nw_from_name(val->from));
    }
}

size_t nw_report_sensor_sets(const struct nw_sensor_report *r,
                             struct nw_sensor_set sets[static NW_SENSOR_SETS]) {
    const struct nw_sensor *const s = r->sensor;
    const struct nw_camera *const c = r->camera;
    const struct nw_sensor_value none = {.v = NAN};
    const struct {
        const char *key, *unit;
        const struct nw_sensor_value *value;
        const struct nw_val *before;
    } rows[] = {
        {"gain", "e/adu", &s->gain_e_per_adu, c ? &c->gain_e_per_adu : NULL},
        {"read_noise", "e", &s->read_noise_e, c ? &c->read_noise_e : NULL},
        {"full_scale", "e", &s->full_scale_e, c ? &c->full_scale_e : NULL},
        {"offset", "adu", &s->offset_adu, c ? &c->offset_adu : NULL},
        {"dark_current", "e/s", s->n_darks ? &s->darks[s->main_dark].dark_e_s : &none,
         c ? &c->dark_e_per_s : NULL},
    };
    size_t n = 0;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const size_t at = n;
        set_value(sets, &n, rows[i].key, rows[i].value, rows[i].unit);
        if (n > at && rows[i].before) {
            set_before(&sets[at], rows[i].before, rows[i].unit);
        }
    }
    return n;
}

/* ---- Text ---- */

static void row(struct nw_buf *buf, const char *label, const struct nw_sensor_value *v,
                const char *unit, const char *aside) {
    char text[64];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 22, label);
    if (!isfinite(v->v)) {
        nw_report_right(buf, 20, "-");
        nw_buf_printf(buf, "\n");
        return;
    }
    nw_report_right(buf, 20,
                    isfinite(v->sigma) ? nw_report_pm(text, sizeof text, v->v, v->sigma)
                                       : nw_report_number(text, sizeof text, v->v, 4));
    nw_buf_printf(buf, " %s%s%s\n", unit, aside[0] ? "  " : "", aside);
}

static void head(const struct nw_sensor *s, struct nw_buf *buf) {
    char aside[160];
    (void)snprintf(aside, sizeof aside, "%zu bias, %zu dark, %zu flat%s", s->n_bias, s->n_dark,
                   s->n_flat, s->n_left_out ? " (others left out)" : "");
    nw_report_title(buf, "SENSOR", aside);
    nw_buf_printf(buf, "%zu x %zu px, %s", s->width_px, s->height_px,
                  s->pattern[0] ? s->pattern : "mono");
    if (isfinite(s->gain_setting)) {
        nw_buf_printf(buf, ", gain setting %g", s->gain_setting);
    }
    if (isfinite(s->offset_setting)) {
        nw_buf_printf(buf, ", offset setting %g", s->offset_setting);
    }
    if (isfinite(s->temperature_K)) {
        nw_buf_printf(buf, ", darks at %.1f degC", s->temperature_K - NW_ZERO_CELSIUS_K);
    }
    nw_buf_printf(buf, "\n\n");
}

static void camera_rows(const struct nw_sensor *s, struct nw_buf *buf) {
    char aside[80] = "";
    row(buf, "gain", &s->gain_e_per_adu, "e/adu", "at small signals");
    row(buf, "read noise", &s->read_noise_e, "e", "rounding taken off");
    row(buf, "offset", &s->offset_adu, "adu", "");
    row(buf, "offset, wander", &s->offset_drift_e, "e", "rms, frame to frame");
    row(buf, "full scale", &s->full_scale_e, "e",
        !s->full_scale_limit                      ? ""
        : strcmp(s->full_scale_limit, "adc") == 0 ? "where the converter's counts end"
                                                  : "where the wells are full");
    if (!isfinite(s->full_scale_e.v) && isfinite(s->brightest_e)) {
        nw_buf_printf(buf, "  %-22s more than %.0f e, the brightest flat\n", "", s->brightest_e);
    }
    if (s->nonlinearity_from) {
        (void)snprintf(aside, sizeof aside, "5 to 95 %%, by the %s", s->nonlinearity_from);
    }
    row(buf, "nonlinearity", &s->nonlinearity_percent, "%", aside);
    row(buf, "pixels' response", &s->prnu_percent, "%", "rms");
    row(buf, "lamp, flat to flat", &s->lamp_scatter_percent, "%", "rms");
    row(buf, "lamp, drift", &s->lamp_drift_percent_h, "%/h", "");
    (void)snprintf(aside, sizeof aside, "above %.3g e/s in both darks", s->hot_above_e_s);
    row(buf, "hot pixels", &s->hot_pixels, "", isfinite(s->hot_pixels.v) ? aside : "");
    (void)snprintf(aside, sizeof aside, "%zu darks of %.0f s; steps %.3g e, to %.3g e",
                   s->telegraph_darks, s->telegraph_exposure_s, s->telegraph_step_e,
                   s->telegraph_largest_e);
    if (isfinite(s->telegraph_pixels.v)) {
        row(buf, "telegraph pixels", &s->telegraph_pixels, "",
            isfinite(s->telegraph_step_e) ? aside : "none in these darks");
    }
    row(buf, "rows, changing", &s->row_noise_e, "e", "rms beyond white noise");
    row(buf, "columns, changing", &s->column_noise_e, "e", "");
    row(buf, "rows, fixed", &s->fixed_rows_e, "e", "");
    row(buf, "columns, fixed", &s->fixed_columns_e, "e", "");
    (void)snprintf(aside, sizeof aside, "every %.2f rows", s->band_period_px.v);
    row(buf, "band across the rows", &s->band_amplitude_e, "e",
        isfinite(s->band_period_px.v) ? aside : "");
    nw_buf_printf(buf, "\n");
}

static void plane_rows(const struct nw_sensor *s, struct nw_buf *buf) {
    char text[64];
    if (s->n_planes < 2) {
        return;
    }
    nw_buf_printf(buf, "  colour             gain, e/adu        read noise, e   offset, adu\n");
    for (size_t i = 0; i < s->n_planes; i++) {
        const struct nw_sensor_plane *const p = &s->planes[i];
        nw_buf_printf(buf, "  %c", p->name);
        nw_report_right(
            buf, 27, nw_report_pm(text, sizeof text, p->gain_e_per_adu.v, p->gain_e_per_adu.sigma));
        nw_report_right(buf, 21,
                        nw_report_pm(text, sizeof text, p->read_noise_e.v, p->read_noise_e.sigma));
        nw_report_fixed(buf, 14, p->offset_adu.v, 2);
        nw_buf_printf(buf, "\n");
    }
    nw_buf_printf(buf, "\n");
}

static void dark_rows(const struct nw_sensor *s, struct nw_buf *buf) {
    char text[64];
    if (s->n_darks == 0) {
        return;
    }
    nw_buf_printf(buf, "  dark     frames  longest    by the level, e/s    by the noise, e/s   "
                       "taken\n");
    for (size_t i = 0; i < s->n_darks; i++) {
        const struct nw_sensor_dark *const d = &s->darks[i];
        nw_buf_printf(buf, "  ");
        nw_report_fixed(buf, 5, d->temperature_K - NW_ZERO_CELSIUS_K, 1);
        nw_buf_printf(buf, " C%7zu%7.0f s", d->n_frames, d->longest_s);
        nw_report_right(buf, 21,
                        nw_report_pm(text, sizeof text, d->slope_e_s.v, d->slope_e_s.sigma));
        nw_report_right(buf, 21,
                        nw_report_pm(text, sizeof text, d->variance_e_s.v, d->variance_e_s.sigma));
        nw_buf_printf(buf, "   %s\n",
                      !isfinite(d->dark_e_s.v) ? "-"
                      : d->is_from_variance    ? "noise"
                                               : "level");
    }
    row(buf, "doubles every", &s->doubling_K, "K", "");
    nw_buf_printf(buf, "\n");
}

static void curve_rows(const struct nw_sensor *s, struct nw_buf *buf) {
    char text[64];
    if (s->n_levels == 0) {
        return;
    }
    nw_buf_printf(buf,
                  "  flats   exposure    level, adu   gain of the pair, e/adu   lamp    used\n");
    for (size_t i = 0; i < s->n_levels; i++) {
        const struct nw_sensor_level *const l = &s->levels[i];
        nw_buf_printf(buf, "  %14.4g s%14.0f", l->exposure_s, l->mean_adu);
        nw_report_right(
            buf, 26, nw_report_pm(text, sizeof text, l->gain_e_per_adu, l->gain_sigma_e_per_adu));
        nw_buf_printf(buf, "%+8.2f %%   %s\n", 100.0 * l->lamp_change, l->is_used ? "yes" : "no");
    }
    nw_buf_printf(buf, "\n");
}

static void reasons(const struct nw_sensor *s, struct nw_buf *buf) {
    const struct {
        const char *what;
        const struct nw_sensor_value *v;
    } rows[] = {
        {"gain", &s->gain_e_per_adu},
        {"read noise", &s->read_noise_e},
        {"offset", &s->offset_adu},
        {"wander of the offset", &s->offset_drift_e},
        {"full scale", &s->full_scale_e},
        {"nonlinearity", &s->nonlinearity_percent},
        {"pixels' response", &s->prnu_percent},
        {"lamp", &s->lamp_scatter_percent},
        {"hot pixels", &s->hot_pixels},
        {"telegraph pixels", &s->telegraph_pixels},
        {"rows and columns", &s->row_noise_e},
    };
    char text[300];
    const char *title = "NOT MEASURED";
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (!isfinite(rows[i].v->v)) {
            (void)snprintf(text, sizeof text, "%s: %s", rows[i].what, rows[i].v->why_null);
            nw_report_entry(buf, 2, 16, title, text);
            title = "";
        }
    }
    const bool has_dark = s->n_darks > 0;
    const struct nw_sensor_value *const dark = &s->darks[s->main_dark].dark_e_s;
    if (!has_dark || !isfinite(dark->v)) {
        (void)snprintf(text, sizeof text, "dark current: %s",
                       has_dark ? dark->why_null : "no dark among the files");
        nw_report_entry(buf, 2, 16, title, text);
        title = "";
    }
    if (!isfinite(s->doubling_K.v)) {
        (void)snprintf(text, sizeof text, "doubling of the dark: %s", s->doubling_K.why_null);
        nw_report_entry(buf, 2, 16, title, text);
    }
}

static void patch(const struct nw_sensor_report *r, struct nw_buf *buf) {
    struct nw_sensor_set sets[NW_SENSOR_SETS];
    const size_t n = nw_report_sensor_sets(r, sets);
    if (n == 0) {
        return;
    }
    nw_buf_printf(buf, "FOR THE RIG FILE\ncameras:\n  %s:\n", r->camera ? r->camera->name : "NAME");
    for (size_t i = 0; i < n; i++) {
        nw_buf_printf(buf, "    %s: %s", sets[i].key, sets[i].value);
        if (strcmp(sets[i].key, "dark_current") == 0 && isfinite(r->sensor->temperature_K)) {
            nw_buf_printf(buf, " # at %.1f degC%s%s", r->sensor->temperature_K - NW_ZERO_CELSIUS_K,
                          sets[i].before[0] ? "; was " : "", sets[i].before);
        } else if (sets[i].before[0]) {
            nw_buf_printf(buf, " # was %s", sets[i].before);
        }
        nw_buf_printf(buf, "\n");
    }
}

void nw_report_sensor_text(const struct nw_sensor_report *r, struct nw_buf *buf) {
    const struct nw_sensor *const s = r->sensor;
    head(s, buf);
    camera_rows(s, buf);
    plane_rows(s, buf);
    dark_rows(s, buf);
    curve_rows(s, buf);
    for (size_t i = 0; i < s->n_notes; i++) {
        nw_report_entry(buf, 2, 16, i == 0 ? "MIND" : "", s->notes[i]);
    }
    reasons(s, buf);
    nw_buf_printf(buf, "\n");
    patch(r, buf);
}
