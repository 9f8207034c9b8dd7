/* look_words.c - what stands out in a night, in words.
 * Rule: say what is seen and what it costs; name causes only as what usually looks so; what the
 * frames cannot tell is said as well. */
#include <math.h>

#include "report/report_internal.h"

enum { SHORT = 48 };

bool report_look_stands_out(const struct nw_look_finding *finding) {
    const double cost = fmax(finding->cost_point, finding->cost_extended);
    return cost * finding->weight >= REPORT_STANDS_OUT;
}

double report_axis_deg(double angle_rad) {
    const double deg = remainder(angle_rad * NW_DEG_PER_RAD, 180.0);
    return deg > -90.0 ? deg : 90.0;
}

char *report_look_width(char *text, size_t size, double width_px, double scale_rad_px) {
    if (!isfinite(width_px)) {
        (void)snprintf(text, size, "-");
    } else if (isfinite(scale_rad_px)) {
        (void)snprintf(text, size, "%.2f arcsec", width_px * scale_rad_px * REPORT_ARCSEC_PER_RAD);
    } else {
        (void)snprintf(text, size, "%.2f px", width_px);
    }
    return text;
}

void report_look_group_name(const struct nw_look_group *group, char *text, size_t size) {
    struct nw_buf buf;
    nw_buf_init(&buf, 1024);
    const char *separator = "";
    if (group->camera[0]) {
        nw_report_clean(&buf, group->camera);
        separator = ", ";
    }
    if (group->filter[0]) {
        nw_buf_printf(&buf, "%sfilter ", separator);
        nw_report_clean(&buf, group->filter);
        separator = ", ";
    }
    if (isfinite(group->exposure_s)) {
        nw_buf_printf(&buf, "%s%g s", separator, group->exposure_s);
        separator = ", ";
    }
    if (group->channel == NW_CHANNEL_G) {
        nw_buf_printf(&buf, "%sgreen", separator);
        separator = ", ";
    }
    nw_text_copy(text, size, separator[0] ? buf.data : "frames that do not say what took them");
    nw_buf_done(&buf);
}

static const struct nw_look_group *group_of(const struct nw_look *look,
                                            const struct nw_look_finding *finding) {
    return &look->groups[finding->index];
}

char *report_look_when(const struct nw_look *look, size_t frame, char *text, size_t size) {
    const struct nw_look_frame *const f = &look->frames[frame];
    if (isfinite(f->facts.t_start_utc_s)) {
        return nw_report_clock(text, size, f->facts.t_start_utc_s);
    }
    struct nw_buf name;
    nw_buf_init(&name, 4096);
    nw_report_clean(&name, nw_file_base_name(f->path));
    nw_text_copy(text, size, name.data ? name.data : "-");
    nw_buf_done(&name);
    return text;
}

static char *clock_of(const struct nw_look *look, size_t frame, char *text) {
    return report_look_when(look, frame, text, SHORT);
}

static void say_gaps(const struct nw_look *look, const struct nw_look_finding *finding, char *text,
                     size_t size) {
    const struct nw_look_night *const night = &look->nights[finding->index];
    char share[SHORT];
    char length[SHORT];
    (void)nw_report_percent(share, sizeof share, finding->cost_point);
    if (finding->id == NW_LOOK_LONG_GAPS) {
        const struct nw_look_gap *const gap = &night->long_gaps[0];
        char longest[SHORT];
        char at[SHORT];
        (void)snprintf(text, size,
                       "%s of the night (%s) went by in %zu long gap%s between subs, the longest "
                       "%s after the sub of %s.",
                       share, nw_report_duration(length, sizeof length, night->lost_long_s),
                       night->n_long_gaps, night->n_long_gaps == 1 ? "" : "s",
                       nw_report_duration(longest, sizeof longest, gap->gap_s),
                       clock_of(look, gap->after, at));
        return;
    }
    char extra[SHORT];
    char pattern[160] = "";
    if (night->every_n > 0) {
        (void)snprintf(
            pattern, sizeof pattern, ", and every %zu subs %s more, as a dither with settling does",
            night->every_n, nw_report_duration(extra, sizeof extra, night->every_extra_s));
    }
    (void)snprintf(text, size, "Between one sub and the next pass %s as a rule%s: %s of the night.",
                   nw_report_duration(length, sizeof length, night->usual_gap_s), pattern, share);
}

static void say_step(const struct nw_look *look, const struct nw_look_width *width, char *text,
                     size_t size) {
    text[0] = '\0';
    if (width->step.is_found) {
        char at[SHORT];
        const double percent = 100.0 * fabs(width->step.ratio - 1.0);
        (void)snprintf(text, size,
                       " At %s they became %.0f %% %s from one sub to the next, as after a focus "
                       "run, a knock or a flip.",
                       clock_of(look, width->step.frame, at), percent,
                       width->step.ratio > 1.0 ? "wider" : "narrower");
    }
}

static void say_width(const struct nw_look *look, const struct nw_look_finding *finding, char *text,
                      size_t size) {
    const struct nw_look_group *const group = group_of(look, finding);
    const struct nw_look_width *const width = &group->width;
    char best[SHORT];
    char worst[SHORT];
    char share[SHORT];
    (void)nw_report_percent(share, sizeof share, finding->cost_point);
    (void)report_look_width(best, sizeof best, width->best_px, group->scale_rad_px);
    (void)report_look_width(worst, sizeof worst, width->worst_px, group->scale_rad_px);
    if (finding->id == NW_LOOK_AIRMASS) {
        (void)snprintf(text, size,
                       "Airmass ran from %.2f to %.2f; the air alone (width as X^0.6) then costs "
                       "%s for point sources.",
                       width->airmass_low, width->airmass_high, share);
        return;
    }
    char step[200];
    say_step(look, width, step, sizeof step);
    (void)snprintf(text, size,
                   "Stars were %s wide at best and %s at worst; against the best tenth of the "
                   "night this costs %s of the exposure time of point sources%s.%s",
                   best, worst, share, isfinite(width->airmass_low) ? ", airmass taken out" : "",
                   step);
}

static void say_field(const struct nw_look *look, const struct nw_look_finding *finding, char *text,
                      size_t size) {
    const struct nw_look_field *const field = &group_of(look, finding)->field;
    char share[SHORT];
    char side[160] = "";
    const bool is_right = fabs(field->right_excess) > fabs(field->top_excess);
    const double excess = is_right ? field->right_excess : field->top_excess;
    if (fabs(excess) > 3.0 * field->side_sigma && fabs(excess) > 0.03) {
        const char *const name =
            is_right ? (excess > 0.0 ? "right" : "left") : (excess > 0.0 ? "high-y" : "low-y");
        (void)snprintf(side, sizeof side,
                       "; the %s side is %.0f %% wider than the other, as with a tilted sensor",
                       name, 100.0 * fabs(excess));
    }
    (void)snprintf(text, size,
                   "Corners are %.0f %% (+- %.0f) %s than the centre%s; against the sharp part of "
                   "the field this costs %s for point sources.",
                   100.0 * fabs(field->corner_excess), 100.0 * field->corner_sigma,
                   field->corner_excess >= 0.0 ? "wider" : "narrower", side,
                   nw_report_percent(share, sizeof share, finding->cost_point));
}

static void say_elongation(const struct nw_look *look, const struct nw_look_finding *finding,
                           char *text, size_t size) {
    const struct nw_look_shape *const shape = &group_of(look, finding)->shape;
    char share[SHORT];
    (void)snprintf(
        text, size,
        "The mean star is %.0f %% longer than wide, along %.0f deg from +x towards +y%s; "
        "round stars would save up to %s for point sources.",
        100.0 * (shape->elongation - 1.0), report_axis_deg(shape->angle_rad),
        shape->n < 2 ? " in this one frame"
        : shape->share_in_direction > 0.8
            ? ", nearly always the same way: not chance, and the frames alone cannot "
              "say whether mount, optics or air"
            : ", though the direction wanders from frame to frame",
        nw_report_percent(share, sizeof share, finding->cost_point));
}

static void say_light(const struct nw_look *look, const struct nw_look_finding *finding, char *text,
                      size_t size) {
    const struct nw_look_group *const group = group_of(look, finding);
    char share[SHORT];
    char at[SHORT];
    (void)nw_report_percent(share, sizeof share, finding->cost_point);
    if (finding->id == NW_LOOK_SKY) {
        (void)snprintf(text, size,
                       "The sky was brightest at %s; its noise costs %s against the darkest tenth "
                       "of the night.",
                       clock_of(look, group->sky.highest_frame, at), share);
        return;
    }
    if (group->light.n_lost == 0) {
        (void)snprintf(text, size,
                       "The light of the stars varied a little between frames, by less than 15 %% "
                       "beyond what airmass explains; this costs %s.",
                       share);
        return;
    }
    (void)snprintf(text, size,
                   "%zu of %zu frames lost over 15 %% of their light (%.0f %% was left in the "
                   "worst, at %s): cloud, haze or dew; this costs %s.",
                   group->light.n_lost, group->light.n, 100.0 * group->light.worst,
                   clock_of(look, group->light.worst_frame, at), share);
}

void report_look_sentence(const struct nw_look *look, const struct nw_look_finding *finding,
                          char *text, size_t size) {
    switch (finding->id) {
    case NW_LOOK_LONG_GAPS:
    case NW_LOOK_USUAL_GAPS:
        say_gaps(look, finding, text, size);
        break;
    case NW_LOOK_WIDTH_VARIES:
    case NW_LOOK_AIRMASS:
        say_width(look, finding, text, size);
        break;
    case NW_LOOK_FIELD:
        say_field(look, finding, text, size);
        break;
    case NW_LOOK_ELONGATION:
        say_elongation(look, finding, text, size);
        break;
    case NW_LOOK_LIGHT:
    case NW_LOOK_SKY:
        say_light(look, finding, text, size);
        break;
    }
}

/* Settings that differ between frames are no cost, but no calibration fits both. */
static void add_changes(const struct nw_look *look, struct nw_buf *text) {
    static const char *const DISTURBING[] = {"gain",         "offset",       "set-point", "binning",
                                             "readout mode", "focal length", "telescope"};
    for (size_t i = 0; i < look->n_changes; i++) {
        const struct nw_look_change *const change = &look->changes[i];
        for (size_t k = 0; k < sizeof DISTURBING / sizeof DISTURBING[0]; k++) {
            const bool is_said =
                strcmp(change->from, "(none)") != 0 && strcmp(change->to, "(none)") != 0;
            if (strcmp(change->what, DISTURBING[k]) == 0 && is_said && !change->is_regular) {
                nw_buf_printf(text, " The %s changed from ", change->what);
                nw_report_clean(text, change->from);
                nw_buf_printf(text, " to ");
                nw_report_clean(text, change->to);
                nw_buf_printf(text, ": calibration frames have to match.");
                break;
            }
        }
    }
}

void report_look_summary(const struct nw_look *look, struct nw_buf *text) {
    size_t n = 0;
    for (size_t i = 0; i < look->n_findings; i++) {
        const struct nw_look_finding *const finding = &look->findings[i];
        if (!report_look_stands_out(finding)) {
            continue;
        }
        char sentence[REPORT_SENTENCE_SIZE];
        report_look_sentence(look, finding, sentence, sizeof sentence);
        if (look->n_groups > 1 && !finding->is_night) {
            char name[160];
            report_look_group_name(group_of(look, finding), name, sizeof name);
            nw_buf_printf(text, "%s[%s] %s", n ? " " : "", name, sentence);
        } else {
            nw_buf_printf(text, "%s%s", n ? " " : "", sentence);
        }
        n++;
    }
    size_t n_blind = 0;
    for (size_t g = 0; g < look->n_groups; g++) {
        n_blind += look->groups[g].n_without_stars;
    }
    if (n_blind > 0) {
        nw_buf_printf(text,
                      "%s%zu of %zu measured frames show no star that can be measured: "
                      "cloud, cap, a wrong exposure, or far out of focus.",
                      n ? " " : "", n_blind, look->n_measured);
        n++;
    }
    if (n == 0) {
        nw_buf_printf(text, "%s",
                      look->n_measured < 3
                          ? "Too few frames to compare: three or more of one kind are needed."
                          : "Nothing stands out: no loss above 2 % of the time was found.");
    }
    add_changes(look, text);
}

const char *report_look_cannot_tell(const struct nw_look *look, size_t i) {
    bool has_scale = false;
    bool has_airmass = false;
    for (size_t g = 0; g < look->n_groups; g++) {
        has_scale = has_scale || isfinite(look->groups[g].scale_rad_px);
        has_airmass = has_airmass || isfinite(look->groups[g].width.airmass_low);
    }
    const char *const texts[] = {
        "what widens the stars: air, focus, optics or mount look alike in frames; a rig file and "
        "the guide log part them",
        "whether the width is good for this rig: that needs apertures, pixels and what the air "
        "usually does there (rig file)",
        has_scale ? NULL
                  : "widths in arcsec: the headers give no focal length (FOCALLEN) or no pixel "
                    "size (XPIXSZ)",
        has_airmass ? NULL
                    : "what the height above the horizon did: the headers give no airmass, "
                      "altitude, or place with coordinates",
        look->n_without_time < look->n_frames ? NULL
                                              : "time between subs: the headers give no DATE-OBS",
    };
    size_t k = 0;
    for (size_t t = 0; t < sizeof texts / sizeof texts[0]; t++) {
        if (texts[t] && k++ == i) {
            return texts[t];
        }
    }
    return NULL;
}
