/* report_look.c - one night's folder as text of 80 columns. */
#include <math.h>

#include "report/report_internal.h"

enum { SHORT = 48, DETAILED_GROUPS = 4, GAPS_SHOWN = 5, LOST_SHOWN = 6 };

enum { LABEL_INDENT = 2, LABEL_COLUMN = 14, LINE_MAX_BYTES = 8192 };

static char *clock_of(const struct nw_look *look, size_t frame, char *text) {
    return report_look_when(look, frame, text, SHORT);
}

/* One labelled line, wrapped; empties the buffer for the next. */
static void labelled(struct nw_buf *text, const char *label, struct nw_buf *line) {
    nw_report_entry(text, LABEL_INDENT, LABEL_COLUMN, label, line->data ? line->data : "-");
    nw_buf_done(line);
    nw_buf_init(line, LINE_MAX_BYTES);
}

static void head(const struct nw_look *look, const char *folder, struct nw_buf *text) {
    struct nw_buf line;
    nw_buf_init(&line, 8192);
    nw_report_clean(&line, folder);
    nw_report_title(text, "THE NIGHT AT A GLANCE", line.data);
    nw_buf_done(&line);
    nw_buf_init(&line, 4096);
    nw_buf_printf(&line, "%zu light frame%s", look->n_frames, look->n_frames == 1 ? "" : "s");
    char first[SHORT];
    char last[SHORT];
    if (look->n_nights > 0) {
        nw_time_write_iso(look->nights[0].t_first_s, 0, first, sizeof first);
        nw_buf_printf(
            &line, ", %.10s %.5s to %s UTC", first, first + 11,
            nw_report_clock(last, sizeof last, look->nights[look->n_nights - 1].t_last_s));
    }
    nw_buf_printf(&line, ".");
    if (look->is_subset) {
        nw_buf_printf(&line,
                      " To answer quickly %zu of them were measured, evenly spread (--all measures "
                      "every one); times and headers are those of all.",
                      look->n_measured);
    }
    const size_t n_left = look->n_bias + look->n_dark + look->n_flat + look->n_other;
    if (n_left > 0) {
        nw_buf_printf(&line, " Left out: %zu bias, %zu dark, %zu flat, %zu of other types.",
                      look->n_bias, look->n_dark, look->n_flat, look->n_other);
    }
    if (look->n_skipped > 0) {
        nw_buf_printf(&line, " %zu file%s could not be read.", look->n_skipped,
                      look->n_skipped == 1 ? "" : "s");
    }
    nw_report_paragraph(text, 0, line.data);
    nw_buf_done(&line);
}

/* The chart's own copy of the numbers: time in hours, or the order where a time is missing. */
static void width_chart(const struct nw_look *look, const struct nw_look_group *group,
                        struct nw_buf *text) {
    const bool has_scale = isfinite(group->scale_rad_px);
    const double unit = has_scale ? group->scale_rad_px * REPORT_ARCSEC_PER_RAD : 1.0;
    double *const t = nw_calloc(group->n_frames, sizeof *t);
    double *const y = nw_calloc(group->n_frames, sizeof *y);
    size_t n = 0;
    bool is_timed = look->n_nights == 1;
    size_t ends[2] = {0, 0};
    for (size_t i = 0; t && y && i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        if (frame->measure && isfinite(frame->measure->fwhm_px)) {
            is_timed = is_timed && isfinite(frame->t_mid_s);
            ends[0] = n == 0 ? group->frames[i] : ends[0];
            ends[1] = group->frames[i];
            t[n] = frame->t_mid_s;
            y[n++] = frame->measure->fwhm_px * unit;
        }
    }
    is_timed = is_timed && t && n > 0 && t[n - 1] > t[0];
    for (size_t i = 0; i < n && !is_timed; i++) {
        t[i] = (double)i;
    }
    if (n >= 3) {
        char left[SHORT] = "first sub";
        char right[SHORT] = "last sub";
        if (is_timed) {
            (void)clock_of(look, ends[0], left);
            (void)snprintf(right, sizeof right, "%.40s UTC",
                           clock_of(look, ends[1], (char[SHORT]){0}));
        }
        nw_buf_printf(text, "  %s\n", has_scale ? "FWHM, arcsec" : "FWHM, px");
        const struct report_chart chart = {t, y, n, left, right, 2};
        report_chart(text, &chart);
    }
    free(t);
    free(y);
}

static void airmass_line(const struct nw_look_width *width, struct nw_buf *text) {
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    if (isfinite(width->exponent)) {
        char power[SHORT];
        nw_buf_printf(&line,
                      "%.2f to %.2f; width goes as X to the power %s, where air alone gives 0.6",
                      width->airmass_low, width->airmass_high,
                      nw_report_pm(power, SHORT, width->exponent, width->exponent_sigma));
        labelled(text, "airmass", &line);
    } else if (isfinite(width->airmass_low) && width->n > 1) {
        nw_buf_printf(&line, "%.2f to %.2f: too %s for a trend", width->airmass_low,
                      width->airmass_high, width->n < 6 ? "few frames" : "narrow a range");
        labelled(text, "airmass", &line);
    }
    nw_buf_done(&line);
}

static void width_section(const struct nw_look *look, const struct nw_look_group *group,
                          struct nw_buf *text) {
    const struct nw_look_width *const width = &group->width;
    if (width->n == 0) {
        nw_report_paragraph(
            text, 2, group->n_measured == 0 ? "Not measured." : "No star that can be measured.");
        return;
    }
    char value[SHORT];
    char at[SHORT];
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    const double scale = group->scale_rad_px;
    if (width->n == 1) {
        nw_buf_printf(&line, "%s", report_look_width(value, SHORT, width->best_px, scale));
    } else {
        nw_buf_printf(&line, "best %s at %s, ",
                      report_look_width(value, SHORT, width->best_px, scale),
                      clock_of(look, width->best_frame, at));
        nw_buf_printf(&line, "median %s, ",
                      report_look_width(value, SHORT, width->median_px, scale));
        nw_buf_printf(&line, "worst %s at %s",
                      report_look_width(value, SHORT, width->worst_px, scale),
                      clock_of(look, width->worst_frame, at));
    }
    labelled(text, "star width", &line);
    nw_buf_done(&line);
    width_chart(look, group, text);
    airmass_line(width, text);
}

static void shape_line(const struct nw_look_group *group, struct nw_buf *text) {
    const struct nw_look_shape *const shape = &group->shape;
    if (shape->n == 0) {
        return;
    }
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    nw_buf_printf(&line, "%.2f", shape->elongation);
    const double e = hypot(shape->e1, shape->e2);
    if (shape->n > 1 && e <= 3.0 * shape->e_sigma) {
        nw_buf_printf(&line, ", no common direction beyond chance");
    } else {
        nw_buf_printf(&line, " along %.0f deg (from +x towards +y)",
                      report_axis_deg(shape->angle_rad));
        if (shape->n > 1) {
            nw_buf_printf(&line, ", within 22 deg of it in %.0f %% of %zu frames",
                          100.0 * shape->share_in_direction, shape->n);
        }
    }
    labelled(text, "elongation", &line);
    nw_buf_done(&line);
}

static void field_section(const struct nw_look_group *group, struct nw_buf *text) {
    const struct nw_look_field *const field = &group->field;
    if (field->n == 0) {
        return;
    }
    const bool has_scale = isfinite(group->scale_rad_px);
    const double unit =
        group->width.median_px * (has_scale ? group->scale_rad_px * REPORT_ARCSEC_PER_RAD : 1.0);
    nw_buf_printf(text, "  over the field (%s, +y up, +x right)\n", has_scale ? "arcsec" : "px");
    for (size_t row = NW_ZONES_Y; row-- > 0;) {
        nw_buf_printf(text, "            ");
        for (size_t column = 0; column < NW_ZONES_X; column++) {
            nw_report_fixed(text, 8, field->ratio[row * NW_ZONES_X + column] * unit, 2);
        }
        nw_buf_printf(text, "\n");
    }
    if (isfinite(field->corner_excess)) {
        struct nw_buf line;
        nw_buf_init(&line, LINE_MAX_BYTES);
        nw_buf_printf(&line,
                      "corners %+.0f %% against the centre (+- %.0f), right against left %+.0f %%, "
                      "top against bottom %+.0f %% (+- %.0f)",
                      100.0 * field->corner_excess, 100.0 * field->corner_sigma,
                      100.0 * field->right_excess, 100.0 * field->top_excess,
                      100.0 * field->side_sigma);
        labelled(text, "", &line);
        nw_buf_done(&line);
    }
}

static void lost_line(const struct nw_look *look, const struct nw_look_light *light,
                      struct nw_buf *text) {
    char at[SHORT];
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    nw_buf_printf(&line, "%zu frame%s lost over 15 %%:", light->n_lost,
                  light->n_lost == 1 ? "" : "s");
    for (size_t i = 0; i < light->n_lost && i < LOST_SHOWN; i++) {
        const struct nw_look_frame *const frame = &look->frames[light->lost[i]];
        nw_buf_printf(&line, "%s %s (%.0f %% left)", i ? "," : "",
                      clock_of(look, light->lost[i], at), 100.0 * frame->transmission.value);
    }
    nw_buf_printf(&line, "%s", light->n_lost > LOST_SHOWN ? ", ... (all: --json)" : "");
    labelled(text, "", &line);
    nw_buf_done(&line);
}

static void light_section(const struct nw_look *look, const struct nw_look_group *group,
                          struct nw_buf *text) {
    const struct nw_look_light *const light = &group->light;
    const struct nw_look_sky *const sky = &group->sky;
    char at[SHORT];
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    if (light->n > 1) {
        nw_buf_printf(&line, "%.0f %% of the best frame in the median, %.0f %% in the worst (%s)",
                      100.0 * light->median, 100.0 * light->worst,
                      clock_of(look, light->worst_frame, at));
        if (isfinite(light->slope_mag)) {
            nw_buf_printf(&line, "; %.2f mag lost per airmass", light->slope_mag);
        }
        labelled(text, "light", &line);
    } else if (group->n_measured > 1) {
        nw_buf_printf(&line, "- (the stars of these frames could not be matched)");
        labelled(text, "light", &line);
    }
    if (light->n_lost > 0) {
        lost_line(look, light, text);
    }
    report_look_losses_text(text, &group->losses);
    if (sky->n > 1) {
        nw_buf_printf(&line,
                      "%.0f ADU at first, %.0f at last, lowest %.0f, highest %.0f (camera offset "
                      "included)",
                      sky->first_adu, sky->last_adu, sky->lowest_adu, sky->highest_adu);
        labelled(text, "sky", &line);
    }
    nw_buf_done(&line);
}

static void group_section(const struct nw_look *look, const struct nw_look_group *group,
                          struct nw_buf *text) {
    char name[160];
    char aside[80];
    report_look_group_name(group, name, sizeof name);
    (void)snprintf(aside, sizeof aside, "%zu sub%s, %.0f stars", group->n_frames,
                   group->n_frames == 1 ? "" : "s",
                   isfinite(group->stars_median) ? group->stars_median : 0.0);
    nw_buf_printf(text, "\n");
    nw_report_title(text, name, aside);
    width_section(look, group, text);
    shape_line(group, text);
    field_section(group, text);
    light_section(look, group, text);
    report_look_aspects_text(group, text);
}

static void group_row(const struct nw_look_group *group, struct nw_buf *text) {
    char name[160];
    char median[SHORT];
    report_look_group_name(group, name, sizeof name);
    nw_buf_printf(text, "  ");
    nw_report_left(text, 48, name);
    nw_buf_printf(text, " %4zu subs  %s\n", group->n_frames,
                  report_look_width(median, SHORT, group->width.median_px, group->scale_rad_px));
}

static void night_section(const struct nw_look *look, const struct nw_look_night *night,
                          struct nw_buf *text) {
    const double whole_s = night->t_last_s - night->t_first_s;
    char length[SHORT];
    char usual[SHORT];
    char share[SHORT];
    char between[SHORT];
    nw_buf_printf(text, "\n");
    struct nw_buf camera;
    nw_buf_init(&camera, 1024);
    nw_report_clean(&camera, night->camera);
    nw_report_title(text, "TIME", camera.data);
    nw_buf_done(&camera);
    nw_buf_printf(text, "  %zu sub%s in %s, %s of it exposing\n", night->n_subs,
                  night->n_subs == 1 ? "" : "s", nw_report_duration(length, SHORT, whole_s),
                  nw_report_percent(share, SHORT, night->exposing_s / whole_s));
    if (isfinite(night->usual_gap_s)) {
        nw_buf_printf(text, "  between subs %s in all, %s as a rule",
                      nw_report_duration(between, SHORT, night->between_s),
                      nw_report_duration(usual, SHORT, night->usual_gap_s));
        if (night->every_n > 0) {
            nw_buf_printf(text, ", every %zu subs %s more", night->every_n,
                          nw_report_duration(length, SHORT, night->every_extra_s));
        }
        nw_buf_printf(text, "\n");
    }
    for (size_t i = 0; i < night->n_long_gaps && i < GAPS_SHOWN; i++) {
        const struct nw_look_gap *const gap = &night->long_gaps[i];
        char at[SHORT];
        const double end_s = look->frames[gap->before].facts.t_start_utc_s - gap->gap_s;
        nw_buf_printf(text, "  long gap of %s from %s\n",
                      nw_report_duration(length, SHORT, gap->gap_s),
                      nw_report_clock(at, sizeof at, end_s));
    }
    if (night->n_long_gaps > GAPS_SHOWN) {
        nw_buf_printf(text, "  and %zu shorter ones (all: --json)\n",
                      night->n_long_gaps - GAPS_SHOWN);
    }
    if (night->n_overlaps > 0) {
        nw_buf_printf(text,
                      "  %zu subs begin before the one before has ended: copies, or clocks "
                      "that disagree\n",
                      night->n_overlaps);
    }
}

static void changes_section(const struct nw_look *look, struct nw_buf *text) {
    nw_buf_printf(text, "\n");
    nw_report_title(text, "CHANGED IN THE HEADERS", NULL);
    if (look->n_changes == 0) {
        nw_report_paragraph(text, 2,
                            look->n_frames > 1 ? "Nothing that should stay has changed."
                                               : "One frame alone: nothing to compare.");
    }
    size_t n_others = 0;
    for (size_t i = 0; i < look->n_changes; i++) {
        const struct nw_look_change *const change = &look->changes[i];
        if (!change->is_named) {
            n_others++;
            continue;
        }
        char at[SHORT];
        struct nw_buf line;
        nw_buf_init(&line, 4096);
        nw_report_clean(&line, change->from);
        nw_buf_printf(&line, " -> ");
        nw_report_clean(&line, change->to);
        nw_buf_printf(&line, " at %s", clock_of(look, change->frame, at));
        if (change->is_regular) {
            nw_buf_printf(&line, ", in rotation");
        } else if (change->n_changes > 1) {
            nw_buf_printf(&line, ", %zu changes in all", change->n_changes);
        }
        nw_report_entry(text, 2, 22, change->what, line.data);
        nw_buf_done(&line);
    }
    if (n_others > 0) {
        nw_buf_printf(text, "  and %zu keyword%s without a meaning here (all: --json)\n", n_others,
                      n_others == 1 ? "" : "s");
    }
}

static void last_section(const struct nw_look *look, const char *folder, struct nw_buf *text) {
    struct nw_buf words;
    nw_buf_init(&words, 65536);
    report_look_summary(look, &words);
    nw_buf_printf(text, "\n");
    nw_report_title(text, "WHAT STANDS OUT", "dearest first");
    nw_report_paragraph(text, 2, words.data ? words.data : "");
    nw_buf_done(&words);
    nw_buf_printf(text, "\n");
    nw_report_title(text, "CANNOT BE TOLD from frames alone", NULL);
    const char *reason = NULL;
    for (size_t i = 0; (reason = report_look_cannot_tell(look, i)); i++) {
        nw_report_entry(text, 2, 5, "-", reason);
    }
    nw_buf_printf(text, "\nNEXT a rig file to fill in, and its budgets beside these frames\n"
                        "  nightwright rig --draft ");
    nw_report_clean(text, folder);
    nw_buf_printf(text, " -o rig.yaml\n"
                        "  nightwright check rig.yaml --frames FRAME... --guiding LOG\n");
}

void nw_report_look_text(const struct nw_look *look, const char *folder, struct nw_buf *text) {
    head(look, folder, text);
    for (size_t g = 0; g < look->n_groups && g < DETAILED_GROUPS; g++) {
        group_section(look, &look->groups[g], text);
    }
    if (look->n_groups > DETAILED_GROUPS) {
        nw_buf_printf(text, "\nOTHER GROUPS (in full: --json)\n");
        for (size_t g = DETAILED_GROUPS; g < look->n_groups; g++) {
            group_row(&look->groups[g], text);
        }
    }
    size_t n_single = 0;
    for (size_t i = 0; i < look->n_nights; i++) {
        if (look->nights[i].n_subs > 1 || look->n_nights == 1) {
            night_section(look, &look->nights[i], text);
        } else {
            n_single++;
        }
    }
    if (n_single > 0) {
        nw_buf_printf(text,
                      "\n  and %zu sub%s that no other of its camera follows within 4 hours\n",
                      n_single, n_single == 1 ? "" : "s");
    }
    changes_section(look, text);
    last_section(look, folder, text);
}
