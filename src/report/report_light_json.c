/* report_light_json.c - the document nightwright.light.1 and the chart of sub lengths. */
#include "report/report_light.h"

#include <math.h>

#include "report/svg.h"

static void with_sigma(struct nw_json *j, json_t *o, const char *key, const char *sigma_key,
                       const double *pair) {
    nw_json_number(j, o, key, pair[0], 6);
    nw_json_number(j, o, sigma_key, pair[1], 3);
}

static void shares(struct nw_json *j, json_t *o, const char *key, const double *value,
                   const double *sigma) {
    json_t *const list = nw_json_array(j, o, key);
    for (int i = 0; i < NW_LIGHT_N_SHARES; i++) {
        json_t *const item = nw_json_item(j, list);
        nw_json_text(j, item, "id", nw_light_share_name((enum nw_light_share_id)i));
        nw_json_number(j, item, "share_percent", 100.0 * value[i], 5);
        nw_json_number(j, item, "share_sigma_percent", 100.0 * sigma[i], 3);
    }
}

static void one_sub(struct nw_json *j, json_t *o, const struct nw_light_sub *p) {
    nw_json_number(j, o, "sub_s", p->sub_s, 6);
    nw_json_number(j, o, "read_noise_time_percent", 100.0 * p->read_loss, 4);
    nw_json_number(j, o, "pauses_time_percent", 100.0 * p->between_loss, 4);
    nw_json_number(j, o, "yield_percent", 100.0 * p->yield, 4);
    nw_json_number(j, o, "saturated_from_mag", p->saturated_mag, 4);
    nw_json_number(j, o, "stars_saturated", p->saturated, 4);
    nw_json_number(j, o, "sky_of_full_scale_percent", 100.0 * p->sky_full, 4);
}

static void subs_json(struct nw_json *j, json_t *o, const struct nw_light_budget *b) {
    const struct nw_light_subs *const s = &b->subs;
    nw_json_number(j, o, "least_s", s->least_s, 5);
    nw_json_number(j, o, "least_sigma_s", b->sigma.least_s, 3);
    nw_json_number(j, o, "most_s", s->most_s, 5);
    nw_json_text(j, o, "most_by", s->most_by);
    nw_json_bool(j, o, "range_is_empty", s->is_empty);
    nw_json_number(j, o, "recommended_s", s->curve[s->best].sub_s, 5);
    nw_json_number(j, o, "equal_to_s", s->curve[s->to].sub_s, 5);
    json_t *const curve = nw_json_array(j, o, "curve");
    for (size_t i = 0; i < s->n; i++) {
        one_sub(j, nw_json_item(j, curve), &s->curve[i]);
    }
}

static void band_json(struct nw_json *j, json_t *list, const struct nw_light_report *r,
                      const struct nw_light_budget *b) {
    static const char *const SPANS[] = {"sub", "hour", "night"};
    json_t *const o = nw_json_item(j, list);
    nw_json_text(j, o, "colour", b->band.name);
    nw_json_number(j, o, "centre_nm", b->band.centre_m * 1e9, 5);
    nw_json_number(j, o, "width_nm", b->band.width_m * 1e9, 5);
    nw_json_number(j, o, "share_of_pixels", b->band.pixel_share, 3);
    json_t *const rates = nw_json_object(j, o, "rates");
    nw_json_number(j, rates, "target_e_per_s_px", b->rates.surface_e_s, 6);
    nw_json_number(j, rates, "star_e_per_s", b->rates.star_e_s, 6);
    nw_json_number(j, rates, "dark_sky_e_per_s_px", b->rates.dark_sky_e_s, 6);
    nw_json_number(j, rates, "moon_e_per_s_px", b->rates.moon_e_s, 6);
    nw_json_number(j, rates, "twilight_e_per_s_px", b->rates.twilight_e_s, 6);
    nw_json_number(j, rates, "dark_current_e_per_s_px", b->rates.dark_e_s, 6);
    nw_json_number(j, rates, "read_noise_e", sqrt(b->rates.read_e2), 6);
    nw_json_number(j, rates, "quantisation_e", sqrt(b->rates.rounding_e2), 6);
    nw_json_number(j, rates, "full_scale_e", b->rates.full_scale_e, 6);
    nw_json_number(j, rates, "noise_area_px", b->rates.neq_px, 5);
    nw_json_number(j, rates, "air_share", b->rates.air_share, 6);
    nw_json_number(j, rates, "dark_sky_against_v", b->rates.dark_factor, 6);
    nw_json_number(j, rates, "moon_against_v", b->rates.moon_factor, 6);
    nw_json_number(j, rates, "twilight_against_v", b->rates.twilight_factor, 6);
    nw_json_number(j, rates, "peak_share", b->rates.peak_share, 4);
    shares(j, o, "variance_extended", b->value.share_surface, b->sigma.share_surface);
    shares(j, o, "variance_point", b->value.share_point, b->sigma.share_point);
    json_t *const snr = nw_json_object(j, o, "snr");
    for (int i = 0; i < NW_LIGHT_SPANS; i++) {
        json_t *const span = nw_json_object(j, snr, SPANS[i]);
        with_sigma(j, span, "extended", "extended_sigma",
                   (double[]){b->value.snr_surface[i], b->sigma.snr_surface[i]});
        with_sigma(j, span, "point", "point_sigma",
                   (double[]){b->value.snr_point[i], b->sigma.snr_point[i]});
    }
    with_sigma(j, o, "goal_extended_h", "goal_extended_sigma_h",
               (double[]){b->value.time_surface_s / 3600.0, b->sigma.time_surface_s / 3600.0});
    with_sigma(j, o, "goal_point_h", "goal_point_sigma_h",
               (double[]){b->value.time_point_s / 3600.0, b->sigma.time_point_s / 3600.0});
    with_sigma(j, o, "limit_mag_arcsec2", "limit_sigma_mag_arcsec2",
               (double[]){b->value.limit_surface_mag, b->sigma.limit_surface_mag});
    with_sigma(j, o, "limit_point_mag", "limit_point_sigma_mag",
               (double[]){b->value.limit_point_mag, b->sigma.limit_point_mag});
    subs_json(j, nw_json_object(j, o, "sub_length"), b);
    one_sub(j, nw_json_object(j, o, "sub"), &b->sub);
    if (!isfinite(b->value.snr_surface[0])) {
        nw_json_why(j, o, "goal_extended_h", "no --brightness and no --rayleigh was given");
    }
    if (!isfinite(b->value.snr_point[0])) {
        nw_json_why(j, o, "goal_point_h", "no --magnitude was given");
    }
    if (!isfinite(r->wants->night_s)) {
        nw_json_why(j, o, "snr", "night: needs --target with --at, or --hours");
    }
}

static void wants_json(struct nw_json *j, const struct nw_light_report *r) {
    const struct nw_light_wants *const w = r->wants;
    json_t *const o = nw_json_object(j, NULL, "wants");
    nw_json_number(j, o, "snr", w->snr, 5);
    nw_json_number(j, o, "area_arcsec2", w->area_arcsec2, 5);
    nw_json_number(j, o, "limit_after_h", w->exposure_s / 3600.0, 5);
    nw_json_number(j, o, "limit_sigma", w->limit_sigma, 4);
    nw_json_number(j, o, "limit_side_arcsec", w->limit_side_arcsec, 4);
    nw_json_number(j, o, "limit_point_sigma", w->limit_point_sigma, 4);
    nw_json_number(j, o, "night_h", w->night_s / 3600.0, 4);
    nw_json_number(j, o, "read_noise_time_percent", 100.0 * w->wishes.read_loss, 4);
    nw_json_number(j, o, "stars_saturated_most", w->wishes.saturated_most, 6);
    nw_json_number(j, o, "longest_s", w->wishes.longest_s, 5);
    nw_json_number(j, o, "between_s", w->wishes.between_s, 4);
}

static void sky_json(struct nw_json *j, const struct nw_light_report *r) {
    const struct nw_sky_glow *const g = &r->what->glow;
    json_t *const o = nw_json_object(j, NULL, "sky");
    nw_json_number(j, o, "total_mag_arcsec2",
                   nw_sky_mag_of_nl(g->dark_nl + g->moon_nl + g->twilight_nl), 5);
    nw_json_number(j, o, "airmass", r->what->airmass, 4);
    nw_json_text(j, o, "time", r->when);
    nw_json_number(j, o, "altitude_deg", r->altitude_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(j, o, "moon_lit", r->moon_lit, 3);
    nw_json_number(j, o, "moon_altitude_deg", r->moon_altitude_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(j, o, "moon_separation_deg", r->moon_separation_rad * NW_DEG_PER_RAD, 4);
    nw_json_bool(j, o, "twilight", r->is_twilight);
}

static void choices_json(struct nw_json *j, const struct nw_light_report *r) {
    json_t *const list = nw_json_array(j, NULL, "gain_settings");
    for (size_t i = 0; i < r->n_gains; i++) {
        const struct nw_light_gain *const g = &r->gains[i];
        json_t *const o = nw_json_item(j, list);
        nw_json_text(j, o, "name", g->setting->name);
        nw_json_number(j, o, "gain_e_per_adu", g->setting->gain_e_per_adu.v, 5);
        nw_json_number(j, o, "read_noise_e", g->setting->read_noise_e.v, 5);
        nw_json_number(j, o, "full_scale_e", g->setting->full_scale_e.v, 6);
        nw_json_bool(j, o, "recommended", i == r->best_gain);
        nw_json_bool(j, o, "range_is_empty", g->subs.is_empty);
        one_sub(j, nw_json_object(j, o, "sub"), &g->subs.curve[g->subs.best]);
    }
    json_t *const options = nw_json_array(j, NULL, "options");
    for (size_t i = 0; i < r->n_options; i++) {
        json_t *const o = nw_json_item(j, options);
        nw_json_text(j, o, "what", r->options[i].what);
        nw_json_text(j, o, "effort", r->options[i].effort);
        nw_json_number(j, o, "time_percent_extended", 100.0 * r->options[i].worth.extended, 4);
        nw_json_number(j, o, "time_percent_point", 100.0 * r->options[i].worth.point, 4);
    }
}

static void seen_plane(struct nw_json *j, json_t *o, const struct nw_light_seen *s) {
    nw_json_text(j, o, "path", s->path);
    nw_json_number(j, o, "exposure_s", s->path ? s->exposure_s : NAN, 6);
    nw_json_number(j, o, "sky_e_per_s_px", s->path ? s->sky_e_s : NAN, 6);
    nw_json_number(j, o, "sky_sigma_e_per_s_px", s->path ? s->sky_sigma_e_s : NAN, 3);
    nw_json_number(j, o, "sky_mag_arcsec2", s->path ? s->sky_mag_arcsec2 : NAN, 5);
    nw_json_number(j, o, "noise_e", s->path ? s->noise_e : NAN, 5);
    nw_json_number(j, o, "expected_noise_e", s->path ? s->expected_noise_e : NAN, 5);
    if (s->path) {
        nw_json_count(j, o, "stars_saturated", s->n_saturated);
    }
    if (!s->path || !isfinite(s->sky_e_s)) {
        nw_json_why(j, o, "sky_e_per_s_px", s->path ? s->why_null : "no --frame was given");
    }
}

/* The keys of the band with most light; of a colour camera every colour in `colours`. */
static void seen_json(struct nw_json *j, const struct nw_light_report *r) {
    json_t *const o = nw_json_object(j, NULL, "measured");
    seen_plane(j, o, &r->seen[r->main]);
    json_t *const list = nw_json_array(j, o, "colours");
    for (size_t i = 0; i < r->n_bands && r->bands[i].band.name[0]; i++) {
        json_t *const colour = nw_json_item(j, list);
        nw_json_text(j, colour, "colour", r->bands[i].band.name);
        seen_plane(j, colour, &r->seen[i]);
    }
}

enum nw_status nw_report_light_json(const struct nw_light_report *r, json_t **ret,
                                    struct nw_err *err) {
    struct nw_json j;
    nw_json_begin(&j, "light", 1);
    nw_json_text(&j, NULL, "rig", r->rig->name);
    nw_json_text(&j, NULL, "setup", r->setup->name);
    nw_json_text(&j, NULL, "filter", r->what->filter->name);
    json_t *const target = nw_json_object(&j, NULL, "target");
    nw_json_text(&j, target, "name", r->target);
    nw_json_number(&j, target, "brightness_mag_arcsec2", r->what->surface_mag_arcsec2, 6);
    nw_json_number(&j, target, "rayleigh", r->what->rayleigh, 6);
    nw_json_number(&j, target, "magnitude", r->what->magnitude, 6);
    sky_json(&j, r);
    wants_json(&j, r);
    json_t *const bands = nw_json_array(&j, NULL, "bands");
    for (size_t i = 0; i < r->n_bands; i++) {
        band_json(&j, bands, r, &r->bands[i]);
    }
    choices_json(&j, r);
    seen_json(&j, r);
    return nw_json_end(&j, ret, err);
}

enum nw_status nw_report_light_svg(const struct nw_light_report *r, struct nw_buf *ret,
                                   struct nw_err *err) {
    const struct nw_light_subs *const s = &r->bands[0].subs;
    struct nw_svg svg;
    double t[NW_LIGHT_SUBS];
    double lost[3][NW_LIGHT_SUBS];
    for (size_t i = 0; i < s->n; i++) {
        t[i] = s->curve[i].sub_s;
        lost[0][i] = 100.0 * s->curve[i].read_loss;
        lost[1][i] = 100.0 * s->curve[i].between_loss;
        lost[2][i] = 100.0 * (1.0 - s->curve[i].yield);
    }
    const struct nw_svg_style styles[3] = {{.ink = NW_SVG_BLUE, .dash = NW_SVG_DASHED},
                                           {.ink = NW_SVG_ORANGE, .dash = NW_SVG_DOTTED},
                                           {.line_mm = 0.6}};
    static const char *const NAMES[3] = {"lost to read noise", "lost to pauses", "lost in all"};
    struct nw_svg_frame frame = {
        .left_mm = 22,
        .top_mm = 14,
        .width_mm = 110,
        .height_mm = 80,
        .x = {.low = 1,
              .high = 1200,
              .scale = NW_SVG_LOG,
              .label = "length of a sub [s]",
              .has_grid = true},
        .y = {.low = 0, .high = 100, .label = "share of the time lost [%]", .has_grid = true}};
    nw_svg_begin(&svg, "light", 190.0, 115.0, "Length of a sub",
                 "Share of time lost to read noise and to pauses against the length of a sub");
    nw_svg_text(&svg, (double[]){22, 9}, NW_SVG_START, NW_SVG_TEXT_mm, r->what->filter->name);
    nw_svg_axes(&svg, &frame);
    for (int i = 0; i < 3; i++) {
        nw_svg_polyline(&svg, &frame, t, lost[i], s->n, &styles[i]);
        (void)nw_svg_key(&svg, (double[]){137, 20.0 + 7.0 * i}, &styles[i], NAMES[i]);
    }
    const struct nw_svg_style line = {.ink = NW_SVG_GREY};
    nw_svg_x_line(&svg, &frame, fmin(1200.0, fmax(1.0, s->least_s)), "least", &line);
    nw_svg_x_line(&svg, &frame, fmin(1200.0, fmax(1.0, s->most_s)), "most", &line);
    nw_svg_marks(&svg, &frame, &t[s->best], &lost[2][s->best], 1,
                 &(struct nw_svg_style){.mark = NW_SVG_RING, .mark_mm = 3.0});
    return nw_svg_end(&svg, ret, err);
}
