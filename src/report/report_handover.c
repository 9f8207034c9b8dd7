/* report_handover.c - the page and the CSV of `handover`. */
#include "report/report_handover.h"

#include <math.h>

static const char *const COLOURS[NW_HAND_COLOURS] = {"red", "green", "blue"};

static void group_head(const struct nw_hand_group *g, struct nw_buf *buf) {
    char text[240];
    nw_buf_printf(buf, "\n");
    (void)snprintf(text, sizeof text, "%s%s%s%s%s", g->object[0] ? g->object : "no target named",
                   g->filter[0] ? ", " : "", g->filter, g->camera[0] ? ", " : "", g->camera);
    nw_report_clean(buf, text);
    char all[32];
    char kept[32];
    nw_buf_printf(buf, "\n");
    (void)snprintf(text, sizeof text, "%zu of %zu subs, %s of %s", g->n_kept, g->n,
                   nw_report_duration(kept, sizeof kept, g->kept_s),
                   nw_report_duration(all, sizeof all, g->exposure_s));
    nw_report_entry(buf, 2, 15, "kept", text);
    if (isfinite(g->kept_extended)) {
        (void)snprintf(text, sizeof text,
                       "%.1f %% of all the light for its noise that was taken for extended light, "
                       "%.1f %% for points; the stack's star %.2f px instead of %.2f px%s",
                       100.0 * g->kept_extended, 100.0 * g->kept_point, g->planes[g->main].fwhm_px,
                       g->planes[g->main].fwhm_all_px, g->n_planes > 1 ? " in green" : "");
        nw_report_entry(buf, 2, 15, "they hold", text);
    }
    if (isfinite(g->equal_extended)) {
        (void)snprintf(text, sizeof text,
                       "worth %.1f %% of the time for extended light, %.1f %% for points, against "
                       "the plain mean of subs scaled to the same star flux",
                       100.0 * (1.0 - g->equal_extended), 100.0 * (1.0 - g->equal_point));
        nw_report_entry(buf, 2, 15, "weights", text);
    }
}

/* What each colour holds, and what one weight for all of them costs. */
static void colours_head(const struct nw_hand_group *g, struct nw_buf *buf) {
    char text[320];
    for (size_t k = 0; k < NW_HAND_COLOURS && g->n_planes == NW_HAND_COLOURS; k++) {
        const struct nw_hand_group_plane *const p = &g->planes[k];
        (void)snprintf(text, sizeof text,
                       "%.1f %% for extended light, %.1f %% for points; star %.2f px; weights "
                       "worth %.1f %% and %.1f %%",
                       100.0 * p->kept_extended, 100.0 * p->kept_point, p->fwhm_px,
                       100.0 * (1.0 - p->equal_extended), 100.0 * (1.0 - p->equal_point));
        nw_report_entry(buf, 2, 15, COLOURS[k], isfinite(p->kept_extended) ? text : "not measured");
    }
    if (g->n_planes > 1 && isfinite(g->common_extended)) {
        (void)snprintf(text, sizeof text,
                       "one weight a sub for all colours costs %.1f %% of the time for extended "
                       "light, %.1f %% for points, against a weight for each colour",
                       100.0 * (1.0 - g->common_extended), 100.0 * (1.0 - g->common_point));
        nw_report_entry(buf, 2, 15, "all colours", text);
    }
}

static void colour_row(const struct nw_hand_sub *s, struct nw_buf *buf) {
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 25, nw_file_base_name(s->path));
    for (size_t k = 0; k < NW_HAND_COLOURS; k++) {
        nw_report_fixed(buf, 6, s->planes[k].transmission.value, 2);
    }
    nw_buf_printf(buf, " ");
    for (size_t k = 0; k < NW_HAND_COLOURS; k++) {
        nw_report_fixed(buf, 6, s->planes[k].weight_extended, 2);
    }
    nw_buf_printf(buf, " ");
    for (size_t k = 0; k < NW_HAND_COLOURS; k++) {
        nw_report_fixed(buf, 6, s->planes[k].weight_point, 2);
    }
    nw_buf_printf(buf, "\n");
}

static void sub_row(const struct nw_hand_sub *s, struct nw_buf *buf) {
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 25, nw_file_base_name(s->path));
    nw_report_fixed(buf, 6, s->facts->exposure_s, 0);
    nw_report_fixed(buf, 7, s->transmission.value, 3);
    nw_report_fixed(buf, 7, s->measure ? s->measure->fwhm_px : NAN, 2);
    nw_report_fixed(buf, 9, s->weight_extended, 3);
    nw_report_fixed(buf, 8, s->weight_point, 3);
    nw_buf_printf(buf, "  %s\n", nw_hand_reason_word(s->reason));
}

static void left_out(const struct nw_handover_report *r, size_t group, struct nw_buf *buf) {
    char text[400];
    bool is_first = true;
    for (size_t i = 0; i < r->n_subs; i++) {
        const struct nw_hand_sub *const s = &r->subs[i];
        if (s->group != group || s->reason == NW_HAND_KEPT) {
            continue;
        }
        char effect[120] = "";
        if (isfinite(s->brings_extended)) {
            (void)snprintf(effect, sizeof effect,
                           "; it would add %.1f %% to extended light, %.1f %% to points",
                           100.0 * s->brings_extended, 100.0 * s->brings_point);
        }
        (void)snprintf(text, sizeof text, "%.60s: %s%s%.120s%s%s", nw_file_base_name(s->path),
                       nw_hand_reason_text(s->reason), s->detail[0] ? " (" : "", s->detail,
                       s->detail[0] ? ")" : "", effect);
        nw_report_entry(buf, 2, 15, is_first ? "left out" : "", text);
        is_first = false;
    }
}

static void set_name(const struct nw_hand_set *s, char *text, size_t size) {
    if (s->need == NW_HAND_NEED_DARK) {
        char kelvin[32] = "";
        if (isfinite(s->temperature_K)) {
            (void)snprintf(kelvin, sizeof kelvin, ", %.0f degC",
                           s->temperature_K - NW_ZERO_CELSIUS_K);
        }
        (void)snprintf(text, size, "darks of %.0f s%s", s->exposure_s, kelvin);
    } else if (s->need == NW_HAND_NEED_FLAT && s->has_turn && fabs(s->turn_rad) > 0.005) {
        (void)snprintf(text, size, "flats, camera turned by %.1f deg",
                       s->turn_rad * NW_DEG_PER_RAD);
    } else if (s->need == NW_HAND_NEED_FLAT && isfinite(s->angle_rad)) {
        (void)snprintf(text, size, "flats at %.1f deg", s->angle_rad * NW_DEG_PER_RAD);
    } else {
        nw_text_copy(text, size, s->need == NW_HAND_NEED_FLAT ? "flats" : "bias");
    }
}

/* "a.fits ... z.fits (24)": all names when they are few. */
static void names_of(const struct nw_handover_report *r, const struct nw_hand_set *s, char *text,
                     size_t size) {
    const char *const first = nw_file_base_name(r->frames[s->items[0]].path);
    const char *const last = nw_file_base_name(r->frames[s->items[s->n - 1]].path);
    if (s->n == 1) {
        (void)snprintf(text, size, "%.80s", first);
    } else {
        (void)snprintf(text, size, "%.60s to %.60s (%zu)", first, last, s->n);
    }
}

static void calibration(const struct nw_handover_report *r, size_t group, struct nw_buf *buf) {
    char name[64];
    char names[200];
    char text[500];
    for (size_t i = 0; i < r->n_sets; i++) {
        const struct nw_hand_set *const s = &r->sets[i];
        if (s->group != group) {
            continue;
        }
        set_name(s, name, sizeof name);
        if (s->is_missing) {
            (void)snprintf(text, sizeof text, "%s for %zu subs: MISSING%s%.200s", name, s->n_subs,
                           s->nearest[0] ? "; the nearest, " : "", s->nearest);
        } else {
            names_of(r, s, names, sizeof names);
            char age[64] = "";
            if (s->is_stale) {
                (void)snprintf(age, sizeof age, "; STALE, %.0f days apart", s->age_s / 86400.0);
            }
            (void)snprintf(text, sizeof text, "%s: %s%s%s", name, names, age,
                           s->is_few ? "; fewer than 20" : "");
        }
        nw_report_entry(buf, 2, 15, nw_hand_need_word(s->need), text);
    }
}

static void audit_plane(const struct nw_handover_report *r, const struct nw_hand_audit *audit,
                        size_t plane, struct nw_buf *buf) {
    const struct nw_hand_audit_plane *const a = &audit->planes[plane];
    char text[500];
    char b[48];
    char c[48];
    if (audit->n_planes > 1) {
        nw_buf_printf(buf, "  %s\n", COLOURS[plane]);
    }
    if (a->why_null[0]) {
        nw_report_entry(buf, 2, 15, "not audited", a->why_null);
        return;
    }
    const struct nw_hand_group *const g = &r->groups[a->group];
    (void)snprintf(text, sizeof text, "%zu subs of %s%s%s%s%s, by %zu stars", a->n_subs, g->object,
                   g->filter[0] ? ", " : "", g->filter, g->n_planes > 1 ? ", " : "",
                   g->n_planes > 1 ? COLOURS[a->colour] : "", a->n_pairs);
    nw_report_entry(buf, 2, 15, "against", text);
    (void)snprintf(text, sizeof text,
                   "%.3g ADU of the best sub a pixel, %.3g as areas see it (neighbours alike by "
                   "%.2f); sqrt(N) of the plain mean %.3g, of the weighed one %.3g",
                   a->noise_adu, a->noise_area_adu, a->correlation, a->expected_equal_adu,
                   a->expected_adu);
    nw_report_entry(buf, 2, 15, "noise", text);
    (void)snprintf(text, sizeof text, "%s: %s %% of the time that the plain mean would have used",
                   !a->is_told         ? "cannot be told, the field's own faint stars and nebula "
                                         "make more noise of an area than the stack"
                   : a->reached_root_n ? "reached sqrt(N)"
                                       : "did NOT reach sqrt(N)",
                   nw_report_pm(b, sizeof b, 100.0 * a->efficiency, 100.0 * a->efficiency_sigma));
    nw_report_entry(buf, 2, 15, "stack", text);
    (void)snprintf(text, sizeof text, "%s px against %s px of the subs: %+.1f +- %.1f %%%s",
                   nw_report_pm(b, sizeof b, a->fwhm_px, a->fwhm_sigma_px),
                   nw_report_pm(c, sizeof c, a->subs_fwhm_px, a->subs_fwhm_sigma_px),
                   100.0 * a->wider, 100.0 * a->wider_sigma,
                   !a->is_widened ? ""
                   : g->is_grid   ? ": registration, or filling in the colours, widened the star"
                                  : ": registration widened the star");
    nw_report_entry(buf, 2, 15, "star", text);
    if (a->is_told && !a->reached_root_n) {
        nw_report_entry(buf, 2, 15, "look at",
                        "subs that were rejected or not registered; darks or flats with too few "
                        "frames; a pattern that dithers did not move; sky gradients left in");
    }
}

static void audit(const struct nw_handover_report *r, const struct nw_hand_master *m,
                  struct nw_buf *buf) {
    nw_buf_printf(buf, "\n");
    nw_report_title(buf, "MASTER", nw_file_base_name(m->path));
    if (m->why_null[0]) {
        nw_report_entry(buf, 2, 15, "not audited", m->why_null);
        return;
    }
    for (size_t k = 0; k < m->audit.n_planes; k++) {
        audit_plane(r, &m->audit, k, buf);
    }
}

void nw_report_handover_text(const struct nw_handover_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "HAND-OVER", r->what);
    for (size_t g = 0; g < r->n_groups; g++) {
        group_head(&r->groups[g], buf);
        colours_head(&r->groups[g], buf);
        nw_buf_printf(buf, "\n  sub                         s    light   FWHM  weight: extended "
                           "points\n");
        for (size_t i = 0; i < r->n_subs; i++) {
            if (r->subs[i].group == g) {
                sub_row(&r->subs[i], buf);
            }
        }
        nw_buf_printf(buf, "\n");
        if (r->groups[g].n_planes > 1) {
            nw_buf_printf(buf, "  by colour                  light R, G, B      extended R, G, B   "
                               "   points R, G, B\n");
        }
        for (size_t i = 0; i < r->n_subs && r->groups[g].n_planes > 1; i++) {
            if (r->subs[i].group == g) {
                colour_row(&r->subs[i], buf);
            }
        }
        nw_buf_printf(buf, r->groups[g].n_planes > 1 ? "\n" : "");
        left_out(r, g, buf);
        calibration(r, g, buf);
    }
    for (size_t i = 0; i < r->n_masters; i++) {
        audit(r, &r->masters[i], buf);
    }
    nw_buf_printf(buf, "\n");
    nw_report_paragraph(buf, 2,
                        "Weights are for subs scaled to the same star flux, against the best: "
                        "(light x exposure)^2 / sky variance for extended light, over the star's "
                        "noise area for points. Subs that are left out are not touched.");
    if (r->n_unreadable) {
        nw_buf_printf(buf, "  %zu files could not be read.\n", r->n_unreadable);
    }
}

/* ---- CSV ---- */

static void cell(struct nw_buf *csv, const char *text) {
    nw_buf_quoted(csv, text);
    nw_buf_printf(csv, ",");
}

static void number(struct nw_buf *csv, double value, int digits) {
    if (isfinite(value)) {
        nw_buf_printf(csv, "%.*g", digits, value);
    }
    nw_buf_printf(csv, ",");
}

static void file_cells(const struct nw_handover_report *r, size_t i, const char *path,
                       struct nw_buf *csv) {
    const struct nw_hand_file *const f = r->files ? &r->files[i] : NULL;
    cell(csv, path);
    cell(csv, nw_file_base_name(path));
    nw_buf_printf(csv, "%s,", f ? f->sha256 : "");
    if (f) {
        nw_buf_printf(csv, "%lld", (long long)f->size_bytes);
    }
    nw_buf_printf(csv, ",");
}

/* By the stars where both tell, else by the headers' rotator. */
static bool is_of_angle(const struct nw_hand_set *set, const struct nw_hand_sub *s) {
    const bool is_measured = set->has_turn && s->has_turn && set->turn_of == s->turn_of;
    const double off =
        is_measured ? set->turn_rad - s->turn_rad : set->angle_rad - s->facts->rotator_rad;
    return !(fabs(remainder(off, 2.0 * NW_PI)) > 0.02);
}

/* "dark 1": the number of the set among all. */
static void set_cell(const struct nw_handover_report *r, const struct nw_hand_sub *s,
                     enum nw_hand_need need, struct nw_buf *csv) {
    for (size_t k = 0; k < r->n_sets; k++) {
        const struct nw_hand_set *const set = &r->sets[k];
        const bool is_its =
            set->group == s->group && set->need == need &&
            (need != NW_HAND_NEED_DARK ||
             !(fabs(set->exposure_s - s->facts->exposure_s) > 0.02 * set->exposure_s)) &&
            (need != NW_HAND_NEED_FLAT || is_of_angle(set, s));
        if (is_its && s->reason == NW_HAND_KEPT) {
            nw_buf_printf(csv, "%zu", k + 1);
            break;
        }
    }
    nw_buf_printf(csv, ",");
}

static void sub_csv(const struct nw_handover_report *r, size_t i, struct nw_buf *csv) {
    const struct nw_hand_sub *const s = &r->subs[i];
    const struct nw_measure *const m = s->measure;
    char start[40];
    nw_time_write_iso(s->facts->t_start_utc_s, 3, start, sizeof start);
    file_cells(r, i, s->path, csv);
    nw_buf_printf(csv, "light,");
    cell(csv, s->facts->object);
    cell(csv, s->facts->filter);
    number(csv, s->facts->exposure_s, 9);
    cell(csv, isfinite(s->facts->t_start_utc_s) ? start : "");
    nw_buf_printf(csv, "%s,%s,", s->reason == NW_HAND_KEPT ? "yes" : "no",
                  nw_hand_reason_word(s->reason));
    number(csv, s->weight_extended, 6);
    number(csv, s->weight_point, 6);
    number(csv, 100.0 * s->brings_extended, 5);
    number(csv, 100.0 * s->brings_point, 5);
    number(csv, s->transmission.value, 6);
    number(csv, m ? m->fwhm_px : NAN, 5);
    number(csv, m ? m->elongation : NAN, 5);
    number(csv, m ? m->background_adu : NAN, 7);
    number(csv, m ? m->noise_adu : NAN, 6);
    set_cell(r, s, NW_HAND_NEED_DARK, csv);
    set_cell(r, s, NW_HAND_NEED_FLAT, csv);
    set_cell(r, s, NW_HAND_NEED_BIAS, csv);
    for (size_t k = 0; k < NW_HAND_COLOURS; k++) { /* of_set is empty; then each colour */
        const bool is_there = k < r->groups[s->group].n_planes && s->n_colours > 0;
        const double v[3] = {s->planes[k].transmission.value, s->planes[k].weight_extended,
                             s->planes[k].weight_point};
        for (size_t c = 0; c < 3; c++) {
            nw_buf_printf(csv, ",");
            if (is_there && isfinite(v[c])) {
                nw_buf_printf(csv, "%.6g", v[c]);
            }
        }
    }
    nw_buf_printf(csv, "\n");
}

void nw_report_handover_csv(const struct nw_handover_report *r, struct nw_buf *csv) {
    nw_buf_printf(csv, "path,name,sha256,size_bytes,use,object,filter,exposure_s,start_utc,kept,"
                       "reason,weight_extended,weight_point,brings_extended_percent,"
                       "brings_point_percent,transmission,fwhm_px,elongation,background_adu,"
                       "noise_adu,dark_set,flat_set,bias_set,of_set,transmission_r,"
                       "weight_extended_r,weight_point_r,transmission_g,weight_extended_g,"
                       "weight_point_g,transmission_b,weight_extended_b,weight_point_b\n");
    for (size_t i = 0; i < r->n_subs; i++) {
        sub_csv(r, i, csv);
    }
    for (size_t k = 0; k < r->n_sets; k++) {
        for (size_t j = 0; j < r->sets[k].n; j++) {
            const size_t i = r->sets[k].items[j];
            const struct nw_frame_facts *const f = r->frames[i].facts;
            char start[40];
            nw_time_write_iso(f->t_start_utc_s, 3, start, sizeof start);
            file_cells(r, r->n_subs + i, r->frames[i].path, csv);
            nw_buf_printf(csv, "%s,,", nw_frame_use_word(r->frames[i].use));
            cell(csv, f->filter);
            number(csv, f->exposure_s, 9);
            cell(csv, isfinite(f->t_start_utc_s) ? start : "");
            nw_buf_printf(csv, ",,,,,,,,,,,,,,%zu,,,,,,,,,\n", k + 1);
        }
    }
}
