/* look_json.c - one night's folder as JSON, "nightwright.look.1". */
#include <math.h>

#include "report/report_internal.h"

static void path_at(struct nw_json *json, json_t *object, const char *key,
                    const struct nw_look *look, size_t frame, bool is_known) {
    nw_json_text(json, object, key, is_known ? look->frames[frame].path : NULL);
}

static void time_at(struct nw_json *json, json_t *object, const char *key,
                    const struct nw_look *look, size_t frame, bool is_known) {
    nw_json_time(json, object, key, is_known ? look->frames[frame].facts.t_start_utc_s : NAN, 0);
}

static void line_json(struct nw_json *json, json_t *object, const char *key,
                      const struct nw_look_line *line, double unit) {
    nw_json_number(json, object, key, line->slope * unit, 4);
    char sigma_key[64];
    (void)snprintf(sigma_key, sizeof sigma_key, "%s_sigma", key);
    nw_json_number(json, object, sigma_key, line->slope_sigma * unit, 2);
}

static void width_json(struct nw_json *json, json_t *parent, const struct nw_look *look,
                       const struct nw_look_group *group) {
    const struct nw_look_width *const width = &group->width;
    const double arcsec = group->scale_rad_px * REPORT_ARCSEC_PER_RAD;
    const bool is_known = width->n > 0;
    json_t *const o = nw_json_object(json, parent, "star_width");
    if (!o) {
        return;
    }
    nw_json_count(json, o, "frames", width->n);
    nw_json_number(json, o, "best_px", width->best_px, 5);
    nw_json_number(json, o, "median_px", width->median_px, 5);
    nw_json_number(json, o, "worst_px", width->worst_px, 5);
    nw_json_number(json, o, "best_arcsec", width->best_px * arcsec, 5);
    nw_json_number(json, o, "median_arcsec", width->median_px * arcsec, 5);
    nw_json_number(json, o, "worst_arcsec", width->worst_px * arcsec, 5);
    time_at(json, o, "best_time", look, width->best_frame, is_known);
    time_at(json, o, "worst_time", look, width->worst_frame, is_known);
    path_at(json, o, "best_path", look, width->best_frame, is_known);
    path_at(json, o, "worst_path", look, width->worst_frame, is_known);
    nw_json_number(json, o, "airmass_low", width->airmass_low, 4);
    nw_json_number(json, o, "airmass_high", width->airmass_high, 4);
    nw_json_number(json, o, "airmass_exponent", width->exponent, 3);
    nw_json_number(json, o, "airmass_exponent_sigma", width->exponent_sigma, 2);
    nw_json_number(json, o, "at_zenith_px", width->zenith_px, 5);
    nw_json_number(json, o, "scatter_percent", 100.0 * width->zenith_scatter, 3);
    line_json(json, o, "change_percent_per_h", &width->per_hour, 100.0);
    if (width->step.is_found) {
        json_t *const step = nw_json_object(json, o, "step");
        time_at(json, step, "time", look, width->step.frame, true);
        path_at(json, step, "path", look, width->step.frame, true);
        nw_json_number(json, step, "change_percent", 100.0 * (width->step.ratio - 1.0), 3);
        nw_json_number(json, step, "significance_sigma", width->step.significance, 3);
    } else {
        nw_json_null(json, o, "step");
    }
    if (!isfinite(arcsec)) {
        nw_json_why(json, o, "median_arcsec",
                    "the headers give no focal length (FOCALLEN) or no pixel size (XPIXSZ)");
    }
    if (!isfinite(width->exponent)) {
        nw_json_why(json, o, "airmass_exponent",
                    "needs 6 frames with a known airmass that spans 0.15");
    }
}

static void shape_json(struct nw_json *json, json_t *parent, const struct nw_look_shape *shape) {
    json_t *const o = nw_json_object(json, parent, "shape");
    if (!o) {
        return;
    }
    nw_json_count(json, o, "frames", shape->n);
    nw_json_number(json, o, "elongation", shape->elongation, 4);
    nw_json_number(json, o, "elongation_angle_deg",
                   isfinite(shape->angle_rad) ? report_axis_deg(shape->angle_rad) : NAN, 4);
    nw_json_number(json, o, "e1", shape->e1, 4);
    nw_json_number(json, o, "e2", shape->e2, 4);
    nw_json_number(json, o, "e_sigma", shape->e_sigma, 2);
    nw_json_number(json, o, "e_scatter", shape->scatter, 3);
    nw_json_number(json, o, "median_elongation_of_frames", shape->median_elongation, 4);
    nw_json_number(json, o, "share_in_direction_percent", 100.0 * shape->share_in_direction, 3);
}

static void field_json(struct nw_json *json, json_t *parent, const struct nw_look_field *field) {
    json_t *const o = nw_json_object(json, parent, "field");
    if (!o) {
        return;
    }
    nw_json_count(json, o, "frames", field->n);
    nw_json_number(json, o, "corners_percent", 100.0 * field->corner_excess, 3);
    nw_json_number(json, o, "corners_sigma_percent", 100.0 * field->corner_sigma, 2);
    nw_json_number(json, o, "right_minus_left_percent", 100.0 * field->right_excess, 3);
    nw_json_number(json, o, "high_minus_low_y_percent", 100.0 * field->top_excess, 3);
    nw_json_number(json, o, "sides_sigma_percent", 100.0 * field->side_sigma, 2);
    json_t *const zones = nw_json_array(json, o, "zones");
    for (size_t z = 0; z < (size_t)NW_ZONES_X * NW_ZONES_Y && zones; z++) {
        json_t *const zone = nw_json_item(json, zones);
        if (zone) {
            nw_json_number(json, zone, "u", field->u[z], 4);
            nw_json_number(json, zone, "v", field->v[z], 4);
            nw_json_number(json, zone, "width_ratio", field->ratio[z], 4);
            nw_json_number(json, zone, "width_ratio_sigma", field->sigma[z], 2);
        }
    }
}

static void light_json(struct nw_json *json, json_t *parent, const struct nw_look *look,
                       const struct nw_look_group *group) {
    const struct nw_look_light *const light = &group->light;
    const struct nw_look_sky *const sky = &group->sky;
    json_t *const o = nw_json_object(json, parent, "light");
    if (!o) {
        return;
    }
    nw_json_count(json, o, "frames", light->n);
    nw_json_count(json, o, "frames_unmatched", light->n_unmatched);
    nw_json_number(json, o, "median_transmission", light->median, 4);
    nw_json_number(json, o, "worst_transmission", light->worst, 4);
    time_at(json, o, "worst_time", look, light->worst_frame, light->n > 0);
    nw_json_number(json, o, "extinction_mag_per_airmass", light->slope_mag, 3);
    json_t *const lost = nw_json_array(json, o, "lost");
    for (size_t i = 0; i < light->n_lost && lost; i++) {
        json_t *const item = nw_json_item(json, lost);
        const size_t frame = light->lost[i];
        if (item) {
            path_at(json, item, "path", look, frame, true);
            time_at(json, item, "time", look, frame, true);
            nw_json_number(json, item, "relative_transmission",
                           look->frames[frame].transmission.value, 4);
        }
    }
    json_t *const s = nw_json_object(json, parent, "sky");
    if (!s) {
        return;
    }
    nw_json_count(json, s, "frames", sky->n);
    nw_json_number(json, s, "first_adu", sky->first_adu, 6);
    nw_json_number(json, s, "last_adu", sky->last_adu, 6);
    nw_json_number(json, s, "lowest_adu", sky->lowest_adu, 6);
    nw_json_number(json, s, "highest_adu", sky->highest_adu, 6);
    line_json(json, s, "change_adu_per_h", &sky->per_hour, 1.0);
    report_look_losses_json(json, o, &group->losses);
}

static void series_json(struct nw_json *json, json_t *parent, const struct nw_look *look,
                        const struct nw_look_group *group) {
    json_t *const series = nw_json_array(json, parent, "series");
    for (size_t i = 0; i < group->n_frames && series; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        const struct nw_measure *const m = frame->measure;
        json_t *const o = nw_json_item(json, series);
        if (!o) {
            return;
        }
        nw_json_text(json, o, "path", frame->path);
        nw_json_time(json, o, "date_obs", frame->facts.t_start_utc_s, 3);
        nw_json_text(json, o, "target", frame->facts.object);
        nw_json_number(json, o, "airmass", frame->airmass, 5);
        nw_json_bool(json, o, "measured", m != NULL);
        nw_json_put(json, o, "stars_detected",
                    m ? json_integer((json_int_t)m->n_stars) : json_null());
        nw_json_number(json, o, "fwhm_px", m ? m->fwhm_px : NAN, 5);
        nw_json_number(json, o, "fwhm_px_sigma", m ? m->fwhm_sigma_px : NAN, 2);
        nw_json_number(json, o, "fwhm_arcsec",
                       m ? m->fwhm_px * group->scale_rad_px * REPORT_ARCSEC_PER_RAD : NAN, 5);
        nw_json_number(json, o, "elongation", m ? m->elongation : NAN, 4);
        nw_json_number(json, o, "elongation_angle_deg",
                       m ? report_axis_deg(m->elongation_angle_rad) : NAN, 4);
        nw_json_number(json, o, "background_adu", m ? m->background_adu : NAN, 6);
        nw_json_number(json, o, "noise_adu", m ? m->noise_adu : NAN, 4);
        nw_json_number(json, o, "relative_transmission", frame->transmission.value, 4);
        nw_json_number(json, o, "relative_transmission_sigma", frame->transmission.sigma, 2);
    }
}

static void group_json(struct nw_json *json, json_t *groups, const struct nw_look *look,
                       const struct nw_look_group *group) {
    json_t *const o = nw_json_item(json, groups);
    if (!o) {
        return;
    }
    nw_json_text(json, o, "camera", group->camera);
    nw_json_text(json, o, "filter", group->filter);
    nw_json_number(json, o, "exposure_s", group->exposure_s, 9);
    nw_json_number(json, o, "gain_setting", group->gain_setting, 6);
    nw_json_text(json, o, "channel", nw_channel_name(group->channel));
    nw_json_count(json, o, "width_px", group->width_px);
    nw_json_count(json, o, "height_px", group->height_px);
    nw_json_number(json, o, "scale_arcsec_per_px", group->scale_rad_px * REPORT_ARCSEC_PER_RAD, 6);
    nw_json_count(json, o, "frames", group->n_frames);
    nw_json_count(json, o, "frames_measured", group->n_measured);
    nw_json_count(json, o, "frames_without_stars", group->n_without_stars);
    width_json(json, o, look, group);
    shape_json(json, o, &group->shape);
    field_json(json, o, &group->field);
    light_json(json, o, look, group);
    report_look_aspects_json(json, o, group);
    series_json(json, o, look, group);
}

static void night_json(struct nw_json *json, json_t *nights, const struct nw_look *look,
                       const struct nw_look_night *night) {
    json_t *const o = nw_json_item(json, nights);
    if (!o) {
        return;
    }
    const double whole_s = night->t_last_s - night->t_first_s;
    nw_json_text(json, o, "camera", night->camera);
    nw_json_count(json, o, "subs", night->n_subs);
    nw_json_count(json, o, "subs_overlapping", night->n_overlaps);
    nw_json_time(json, o, "start", night->t_first_s, 0);
    nw_json_time(json, o, "end", night->t_last_s, 0);
    nw_json_number(json, o, "elapsed_s", whole_s, 8);
    nw_json_number(json, o, "exposing_s", night->exposing_s, 8);
    nw_json_number(json, o, "exposing_percent", 100.0 * night->exposing_s / whole_s, 4);
    nw_json_number(json, o, "between_subs_s", night->between_s, 6);
    nw_json_number(json, o, "usual_gap_s", night->usual_gap_s, 4);
    nw_json_number(json, o, "lost_in_usual_gaps_s", night->lost_usual_s, 6);
    nw_json_number(json, o, "lost_in_long_gaps_s", night->lost_long_s, 6);
    json_t *const gaps = nw_json_array(json, o, "long_gaps");
    for (size_t i = 0; i < night->n_long_gaps && gaps; i++) {
        const struct nw_look_gap *const gap = &night->long_gaps[i];
        json_t *const item = nw_json_item(json, gaps);
        if (item) {
            const double end_s = look->frames[gap->before].facts.t_start_utc_s;
            nw_json_time(json, item, "start", end_s - gap->gap_s, 0);
            nw_json_time(json, item, "end", end_s, 0);
            nw_json_number(json, item, "gap_s", gap->gap_s, 6);
            path_at(json, item, "after", look, gap->after, true);
        }
    }
    if (night->every_n > 0) {
        json_t *const pattern = nw_json_object(json, o, "pattern");
        nw_json_count(json, pattern, "every_subs", night->every_n);
        nw_json_number(json, pattern, "extra_s", night->every_extra_s, 3);
    } else {
        nw_json_null(json, o, "pattern");
    }
}

static void changes_json(struct nw_json *json, const struct nw_look *look) {
    json_t *const changes = nw_json_array(json, NULL, "changes");
    for (size_t i = 0; i < look->n_changes && changes; i++) {
        const struct nw_look_change *const change = &look->changes[i];
        json_t *const o = nw_json_item(json, changes);
        if (o) {
            nw_json_text(json, o, "what", change->what);
            nw_json_text(json, o, "key", change->key);
            nw_json_text(json, o, "camera", change->camera);
            nw_json_text(json, o, "from", change->from);
            nw_json_text(json, o, "to", change->to);
            time_at(json, o, "time", look, change->frame, true);
            path_at(json, o, "path", look, change->frame, true);
            nw_json_count(json, o, "changes", change->n_changes);
            nw_json_bool(json, o, "in_rotation", change->is_regular);
        }
    }
}

static void findings_json(struct nw_json *json, const struct nw_look *look) {
    json_t *const findings = nw_json_array(json, NULL, "findings");
    for (size_t i = 0; i < look->n_findings && findings; i++) {
        const struct nw_look_finding *const finding = &look->findings[i];
        json_t *const o = nw_json_item(json, findings);
        if (!o) {
            return;
        }
        nw_json_text(json, o, "id", nw_look_finding_word(finding->id));
        nw_json_text(json, o, "what", nw_look_finding_text(finding->id));
        nw_json_bool(json, o, "stands_out", report_look_stands_out(finding));
        nw_json_text(json, o, "of", finding->is_night ? "nights" : "groups");
        nw_json_count(json, o, "index", finding->index);
        nw_json_number(json, o, "time_percent_point", 100.0 * finding->cost_point, 3);
        nw_json_number(json, o, "time_percent_extended", 100.0 * finding->cost_extended, 3);
        nw_json_number(json, o, "weight", finding->weight, 3);
        char sentence[REPORT_SENTENCE_SIZE];
        report_look_sentence(look, finding, sentence, sizeof sentence);
        nw_json_text(json, o, "text", sentence);
    }
}

static void head_json(struct nw_json *json, const struct nw_look *look, const char *folder) {
    nw_json_text(json, NULL, "folder", folder);
    nw_json_count(json, NULL, "files", look->n_files);
    nw_json_count(json, NULL, "frames", look->n_frames);
    nw_json_count(json, NULL, "frames_measured", look->n_measured);
    nw_json_count(json, NULL, "frames_without_time", look->n_without_time);
    nw_json_bool(json, NULL, "subset", look->is_subset);
    json_t *const left_out = nw_json_object(json, NULL, "left_out");
    nw_json_count(json, left_out, "bias", look->n_bias);
    nw_json_count(json, left_out, "dark", look->n_dark);
    nw_json_count(json, left_out, "flat", look->n_flat);
    nw_json_count(json, left_out, "other", look->n_other);
    json_t *const skipped = nw_json_array(json, NULL, "skipped");
    for (size_t i = 0; i < look->n_skipped && skipped; i++) {
        json_t *const o = nw_json_item(json, skipped);
        if (o) {
            nw_json_text(json, o, "path", look->skipped[i].path);
            nw_json_text(json, o, "why", look->skipped[i].why);
        }
    }
}

enum nw_status nw_report_look_json(const struct nw_look *look, const char *folder, json_t **ret,
                                   struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "look", 1);
    head_json(&json, look, folder);
    json_t *const groups = nw_json_array(&json, NULL, "groups");
    for (size_t g = 0; g < look->n_groups && groups; g++) {
        group_json(&json, groups, look, &look->groups[g]);
    }
    json_t *const nights = nw_json_array(&json, NULL, "nights");
    for (size_t i = 0; i < look->n_nights && nights; i++) {
        night_json(&json, nights, look, &look->nights[i]);
    }
    changes_json(&json, look);
    findings_json(&json, look);
    struct nw_buf summary;
    nw_buf_init(&summary, 65536);
    report_look_summary(look, &summary);
    nw_json_text(&json, NULL, "summary", summary.data);
    nw_buf_done(&summary);
    json_t *const cannot = nw_json_array(&json, NULL, "cannot_tell");
    const char *reason = NULL;
    for (size_t i = 0; (reason = report_look_cannot_tell(look, i)); i++) {
        nw_json_add_text(&json, cannot, reason);
    }
    return nw_json_end(&json, ret, err);
}
