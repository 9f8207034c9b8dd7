/* report_flats.c - the page of `flats`. */
#include "report/report_flats.h"

#include <math.h>

struct nw_panel_line nw_report_flats_line(const struct nw_flats_report *r,
                                          const struct nw_filter *filter) {
    const struct nw_panel *const p = r->panel;
    const size_t own = nw_panel_find(p, filter->name);
    if (own < p->n_filters) {
        return nw_panel_line_for(p, own, NAN, &r->opts);
    }
    const double light = filter->width_m.v * filter->transmission.v;
    size_t best = 0;
    double best_share = NAN;
    for (size_t i = 0; i < r->setup->n_filters; i++) { /* the one most like it in width */
        const struct nw_filter *const f = &r->setup->filters[i];
        const size_t k = nw_panel_find(p, f->name);
        const double share = light / (f->width_m.v * f->transmission.v);
        if (k < p->n_filters && share > 0.0 && !(fabs(log(best_share)) <= fabs(log(share)))) {
            best = k;
            best_share = share;
        }
    }
    return isfinite(best_share) ? nw_panel_line_for(p, best, best_share, &r->opts)
                                : (struct nw_panel_line){NAN, NAN, NAN, NW_PANEL_ESTIMATED};
}

double nw_report_flats_distance_m(const struct nw_flats_report *r, const struct nw_shadow *shadow,
                                  double *ret_sigma_m) {
    *ret_sigma_m = NAN;
    if (!r->setup) {
        return NAN;
    }
    const struct nw_setup *const s = r->setup;
    const double f_ratio = s->focal_length_m.v / s->telescope.aperture_m.v;
    const double binning = isfinite(s->binning.v) ? s->binning.v : 1.0;
    const double metres = s->camera.pixel_m.v * binning * f_ratio;
    const double focal = s->focal_length_m.sigma / s->focal_length_m.v;
    *ret_sigma_m = metres * hypot(shadow->diameter_sigma_px,
                                  shadow->diameter_px * (isfinite(focal) ? focal : 0.0));
    return metres * shadow->diameter_px;
}

static const struct nw_flat *flat_of(const struct nw_flats_report *r, size_t group) {
    return &r->flats[r->groups[group].first];
}

static bool is_same_angle(const struct nw_flats_report *r, size_t a, size_t b) {
    const double off =
        nw_flat_angle_between(flat_of(r, a)->rotator_rad, flat_of(r, b)->rotator_rad);
    return !isfinite(off) || off <= r->tolerance_rad;
}

int nw_report_flats_elsewhere(const struct nw_flats_report *r, size_t group, size_t shadow) {
    const struct nw_shadow *const s = &r->groups[group].shadows[shadow];
    int answer = -1;
    for (size_t g = 0; g < r->n_groups; g++) {
        if (g == group || flat_of(r, g)->is_then != flat_of(r, group)->is_then ||
            strcmp(flat_of(r, g)->filter, flat_of(r, group)->filter) == 0 ||
            !is_same_angle(r, g, group)) {
            continue;
        }
        answer = answer < 0 ? 0 : answer;
        for (size_t k = 0; k < r->groups[g].n_shadows; k++) {
            const struct nw_shadow *const o = &r->groups[g].shadows[k];
            if (hypot(o->x_px - s->x_px, o->y_px - s->y_px) < fmax(20.0, 0.3 * s->diameter_px)) {
                return 1;
            }
        }
    }
    return answer;
}

size_t nw_report_flats_then(const struct nw_flats_report *r, size_t group) {
    for (size_t g = 0; g < r->n_groups && !flat_of(r, group)->is_then; g++) {
        if (flat_of(r, g)->is_then &&
            strcmp(flat_of(r, g)->filter, flat_of(r, group)->filter) == 0) {
            return g;
        }
    }
    return SIZE_MAX;
}

/* ---- Text ---- */

static void head(const struct nw_flats_report *r, struct nw_buf *buf) {
    char aside[120];
    (void)snprintf(aside, sizeof aside, "%zu flats, %zu filters, offset %.1f adu (%s)", r->n_flats,
                   r->panel->n_filters, r->offset_adu, r->offset_from);
    nw_report_title(buf, "FLATS", aside);
}

static void table(const struct nw_flats_report *r, struct nw_buf *buf) {
    const struct nw_filter *const filters =
        r->setup->n_filters ? r->setup->filters : &r->setup->filter;
    const size_t n = r->setup->n_filters ? r->setup->n_filters : 1;
    uint32_t seen = 0;
    nw_buf_printf(buf, "for %.0f adu above the offset", r->opts.level_adu);
    if (isfinite(r->level_share)) {
        nw_buf_printf(buf, " (%.0f %% of full scale)", 100.0 * r->level_share);
    }
    nw_buf_printf(buf, ", exposures from %.3g to %.3g s\n\n",
                  fmax(r->opts.shortest_s, r->panel->shortest_s), r->opts.longest_s);
    nw_buf_printf(buf, "  filter                  setting  exposure, s   level within   flats\n");
    for (size_t i = 0; i < n; i++) {
        const struct nw_panel_line line = nw_report_flats_line(r, &filters[i]);
        const size_t own = nw_panel_find(r->panel, filters[i].name);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 22, filters[i].name);
        nw_report_fixed(buf, 9, line.setting, line.setting < 10.0 ? 1 : 0);
        nw_report_fixed(buf, 13, line.exposure_s, line.exposure_s < 10.0 ? 3 : 1);
        nw_report_fixed(buf, 11, 100.0 * line.sigma, 1);
        nw_buf_printf(buf, isfinite(line.sigma) ? " %%" : "  ");
        nw_buf_printf(buf, "%8zu", own < r->panel->n_filters ? r->panel->filters[own].n : 0);
        for (unsigned bit = 0; nw_panel_flag_text(bit); bit++) {
            if (line.flags & (1U << bit)) {
                nw_buf_printf(buf, " (%u)", bit + 1);
            }
        }
        seen |= line.flags;
        nw_buf_printf(buf, "\n");
    }
    for (unsigned bit = 0; nw_panel_flag_text(bit); bit++) {
        if (seen & (1U << bit)) {
            nw_buf_printf(buf, "  (%u) %s\n", bit + 1, nw_panel_flag_text(bit));
        }
    }
    nw_buf_printf(buf, "\n");
}

static void law(const struct nw_flats_report *r, struct nw_buf *buf) {
    const struct nw_panel *const p = r->panel;
    char text[400];
    if (p->has_power) {
        (void)snprintf(text, sizeof text,
                       "light goes with the setting to the power %.3f +- %.3f%s; settings %.4g to "
                       "%.4g were measured, %zu of them",
                       p->power, sqrt(p->covariance[0][0]),
                       p->has_curve ? " about the middle one, and bends" : "", p->setting_low,
                       p->setting_high, p->n_settings);
    } else {
        (void)snprintf(text, sizeof text,
                       "one setting alone: exposures scale, how the panel "
                       "answers its setting is not known");
    }
    nw_report_entry(buf, 2, 14, "PANEL", text);
    if (isfinite(p->scatter)) {
        (void)snprintf(text, sizeof text,
                       "flats scatter %.2f %% about that: flicker, and what the "
                       "law leaves out",
                       100.0 * p->scatter);
        nw_report_entry(buf, 2, 14, "", text);
    } else {
        nw_report_entry(buf, 2, 14, "",
                        "too few flats to see their scatter: 2 % is taken (common practice, no "
                        "source)");
    }
    if (p->has_power && !isfinite(p->lack)) {
        nw_report_entry(buf, 2, 14, "",
                        "what the law itself misses is not told and not in \"level within\": flats "
                        "at four settings tell it, two of them at one");
    }
    if (p->has_shutter) {
        (void)snprintf(text, sizeof text,
                       "exposures are %+.4f +- %.4f s longer than they say: below %.2g s that is "
                       "over 2 %%",
                       p->shutter_s, sqrt(p->covariance[2][2]), 50.0 * fabs(p->shutter_s));
        nw_report_entry(buf, 2, 14, "SHUTTER", text);
    }
    if (p->shortest_s > 0.0 && !p->has_shutter) {
        (void)snprintf(text, sizeof text,
                       "flats shorter than %.1f s scatter much more than longer "
                       "ones",
                       p->shortest_s);
        nw_report_entry(buf, 2, 14, "FLICKER", text);
    }
    if (r->n_clipped) {
        (void)snprintf(text, sizeof text, "%zu flats stand at the top and are left out",
                       r->n_clipped);
        nw_report_entry(buf, 2, 14, "CLIPPED", text);
    }
    nw_buf_printf(buf, "\n");
}

void nw_flats_group_add(struct nw_flats_group *group, const struct nw_flat *flat) {
    for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
        group->zones[z] += flat->zones[z];
        for (size_t c = 0; c < 3; c++) {
            group->colour_zones[c][z] += flat->colour_zones[c][z];
        }
    }
    for (size_t c = 0; c < 3; c++) {
        group->colour_share[c] += flat->colour_adu[c] / flat->level_adu;
    }
    group->n++;
}

void nw_flats_group_end(struct nw_flats_group *group) {
    const double n = (double)group->n;
    for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
        group->zones[z] /= n;
        for (size_t c = 0; c < 3; c++) {
            group->colour_zones[c][z] /= n;
        }
    }
    for (size_t c = 0; c < 3; c++) {
        group->colour_share[c] /= n;
    }
}

static const char *const COLOURS[3] = {"red", "green", "blue"};

static void zones_row(const double *z, struct nw_buf *buf) {
    double least = INFINITY;
    for (size_t i = 0; i < NW_FLAT_N_ZONES; i++) {
        least = fmin(least, z[i]);
    }
    nw_buf_printf(buf, "%10.1f%9.1f%9.1f%7.1f\n", 25.0 * (z[0] + z[4] + z[20] + z[24]),
                  50.0 * (z[10] + z[14]), 50.0 * (z[2] + z[22]), 100.0 * least);
}

static void evenness(const struct nw_flats_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "  light, %% of the middle     flats  rotator   corners  sides x  sides y  "
                       "least\n");
    for (size_t g = 0; g < r->n_groups; g++) {
        const struct nw_flats_group *const group = &r->groups[g];
        char name[64];
        (void)snprintf(name, sizeof name, "%.31s%s", flat_of(r, g)->filter,
                       flat_of(r, g)->is_then ? ", then" : "");
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 24, name);
        nw_buf_printf(buf, "%8zu", group->n);
        nw_report_fixed(buf, 9, flat_of(r, g)->rotator_rad * NW_DEG_PER_RAD, 1);
        zones_row(group->zones, buf);
        for (size_t c = 0; c < 3 && isfinite(group->colour_share[c]); c++) {
            nw_buf_printf(buf, "    ");
            nw_report_left(buf, 39, COLOURS[c]);
            zones_row(group->colour_zones[c], buf);
        }
    }
    nw_buf_printf(buf, "\n");
}

/* Of a colour pattern: what the other colours get when the brightest has the wanted level. */
static void colour_levels(const struct nw_flats_report *r, struct nw_buf *buf) {
    char text[300];
    for (size_t g = 0; g < r->n_groups; g++) {
        const double *const share = r->groups[g].colour_share;
        if (flat_of(r, g)->is_then || !isfinite(share[0] + share[1] + share[2])) {
            continue;
        }
        const double least = fmin(share[0], fmin(share[1], share[2]));
        (void)snprintf(text, sizeof text,
                       "%.31s: red %.0f adu, green %.0f, blue %.0f: the brightest fills first, and "
                       "its level is the wanted one%s",
                       flat_of(r, g)->filter, share[0] * r->opts.level_adu,
                       share[1] * r->opts.level_adu, share[2] * r->opts.level_adu,
                       least < 0.1 ? "; the faintest gets less than a tenth: more flats, or a "
                                     "panel of another colour"
                                   : "");
        nw_report_entry(buf, 2, 14, "COLOURS", text);
    }
}

static void shadow_row(const struct nw_flats_report *r, size_t g, size_t k, const char *fate,
                       struct nw_buf *buf) {
    const struct nw_shadow *const s = &r->groups[g].shadows[k];
    char text[64];
    double sigma_m = NAN;
    const double distance_m = nw_report_flats_distance_m(r, s, &sigma_m);
    const int elsewhere = nw_report_flats_elsewhere(r, g, k);
    nw_buf_printf(buf, "  %7.0f %7.0f%9.0f%s%8.2f %%", s->x_px + 1.0, s->y_px + 1.0, s->diameter_px,
                  s->is_cut    ? "+"
                  : s->is_ring ? "o"
                               : " ",
                  100.0 * s->depth);
    nw_report_right(buf, 16, nw_report_pm(text, sizeof text, distance_m * 1e3, sigma_m * 1e3));
    nw_buf_printf(buf, "%s  %s%s\n", s->is_cut ? "+" : " ", fate,
                  elsewhere == 0 ? ", on the filter" : "");
}

double nw_report_flats_turn_rad(const struct nw_flats_report *r, size_t g, size_t then) {
    const double by_header =
        remainder(flat_of(r, g)->rotator_rad - flat_of(r, then)->rotator_rad, 2.0 * NW_PI);
    return isfinite(r->groups[g].turn_rad) ? r->groups[g].turn_rad : by_header;
}

static void dust_of(const struct nw_flats_report *r, size_t g, struct nw_buf *buf) {
    const struct nw_flats_group *const group = &r->groups[g];
    const size_t then = nw_report_flats_then(r, g);
    struct nw_shadow_change changes[2 * NW_FLAT_SHADOWS];
    size_t n_changes = 0;
    double turn = NAN;
    if (then != SIZE_MAX) {
        turn = nw_report_flats_turn_rad(r, g, then);
        const double size[2] = {(double)r->width_px, (double)r->height_px};
        n_changes = nw_flat_compare(r->groups[then].shadows, r->groups[then].n_shadows,
                                    group->shadows, group->n_shadows, turn, size, changes);
    }
    nw_buf_printf(buf, "  dust, %s%s\n", flat_of(r, g)->filter,
                  group->n_shadows ? "" : ": none deeper than 0.4 % and the noise");
    if (group->n_shadows || n_changes) {
        nw_buf_printf(buf, "     x, px   y, px  across    depth    from sensor, mm\n");
    }
    for (size_t k = 0; k < group->n_shadows; k++) {
        const char *fate = "";
        for (size_t c = 0; c < n_changes; c++) {
            fate = changes[c].now == k ? nw_shadow_fate_word(changes[c].fate) : fate;
        }
        shadow_row(r, g, k, fate, buf);
    }
    for (size_t c = 0; c < n_changes; c++) {
        if (changes[c].fate == NW_SHADOW_GONE) {
            shadow_row(r, then, changes[c].then, "gone", buf);
        }
    }
    if (then != SIZE_MAX && !(fabs(turn) > 0.02)) {
        nw_report_paragraph(buf, 2,
                            "The rotator stood alike both times: what stayed may lie on "
                            "either side of it.");
    }
    nw_buf_printf(buf, "\n");
}

/* Of a light without a fitting flat, or whose header and stars differ. */
static void light_line(const struct nw_flats_light *l, struct nw_buf *buf) {
    char text[400];
    const double off = l->off_rad * NW_DEG_PER_RAD;
    const double turn = fabs(l->turn_rad) * NW_DEG_PER_RAD;
    const bool is_odd = isfinite(turn) && isfinite(off) && fabs(turn - off) > 1.0;
    if (l->is_within && !is_odd) {
        return;
    }
    if (l->group == SIZE_MAX) {
        (void)snprintf(text, sizeof text, "%.120s: no flat of its filter", l->path);
    } else if (isfinite(turn)) {
        char header[80] = "";
        if (is_odd) {
            (void)snprintf(header, sizeof header, "; its header says %.1f deg: do not trust it",
                           off);
        }
        (void)snprintf(text, sizeof text,
                       "%.120s: by its stars the camera turned by %.2f deg since the flats (%s "
                       "%.80s)%s",
                       l->path, turn, l->is_by_catalogue ? "catalogue, against" : "laid over",
                       nw_file_base_name(l->taken_with), header);
    } else if (!isfinite(off)) {
        (void)snprintf(text, sizeof text,
                       "%.120s: no rotator angle in its header or its flat's, and no light of the "
                       "flats' night (--taken-with)",
                       l->path);
    } else {
        (void)snprintf(text, sizeof text, "%.120s: the nearest flat of its filter is %.1f deg off",
                       l->path, off);
    }
    nw_report_entry(buf, 2, 14, "", text);
}

static void lights(const struct nw_flats_report *r, struct nw_buf *buf) {
    char text[400];
    size_t n_within = 0;
    size_t n_measured = 0;
    for (size_t i = 0; i < r->n_lights; i++) {
        n_within += r->lights[i].is_within;
        n_measured += r->lights[i].is_within && isfinite(r->lights[i].turn_rad);
    }
    if (r->n_lights == 0) {
        return;
    }
    (void)snprintf(text, sizeof text,
                   "%zu of %zu lights have a flat of their filter within %.1f deg of the camera's "
                   "angle: %zu by their stars, %zu by the header's rotator angle",
                   n_within, r->n_lights, r->tolerance_rad * NW_DEG_PER_RAD, n_measured,
                   n_within - n_measured);
    nw_report_entry(buf, 2, 14, "FOR LIGHTS", text);
    for (size_t i = 0; i < r->n_lights; i++) {
        light_line(&r->lights[i], buf);
    }
    const struct nw_flat_error *const e = r->error;
    if (!e || !e->is_told) {
        (void)snprintf(text, sizeof text, "cannot tell: %s", e ? e->why_null : "no lights");
    } else {
        char sigma[32] = "";
        if (isfinite(e->chip_sigma)) {
            (void)snprintf(sigma, sizeof sigma, " +- %.2f", 100.0 * e->chip_sigma);
        }
        (void)snprintf(text, sizeof text,
                       "%+.2f %% along x, %+.2f %%%s along y from the middle to the edge stay on "
                       "the chip: the flat's error, by %s",
                       100.0 * e->chip_x, 100.0 * e->chip_y, sigma, e->by);
    }
    nw_report_entry(buf, 2, 14, "FLAT ERROR", text);
}

void nw_report_flats_text(const struct nw_flats_report *r, struct nw_buf *buf) {
    head(r, buf);
    table(r, buf);
    law(r, buf);
    colour_levels(r, buf);
    evenness(r, buf);
    for (size_t g = 0; g < r->n_groups; g++) {
        if (!flat_of(r, g)->is_then) {
            dust_of(r, g, buf);
        }
    }
    lights(r, buf);
    nw_report_paragraph(buf, 0,
                        "A bright panel, like the Sun, does not belong before an eyepiece; "
                        "mains-driven panels are for dry places only.");
}
