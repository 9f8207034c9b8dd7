/* report_surface.c - see report_surface.h: the page of `surface`. */
#include "report/report_surface.h"

#include <math.h>
#include <stdarg.h>

#define UM 1e6

const char *nw_report_surface_cannot_tell(const struct nw_surface_report *r, size_t i) {
    const struct nw_surface *const s = r->surface;
    static const char *const SINGLE[] = {
        "the overall sign: the same stars would be seen with the sensor as far on the other side "
        "of "
        "focus and the tilt turned round; a second frame on the other side of focus settles it",
        "curvature: stars grow towards the corners for other reasons, too (coma, lateral colour), "
        "and 5 % of that looks like 4 to 13 um; a pair of frames about focus is free of it",
    };
    static const char *const PAIR[] = {
        "how far the middle of the pair is from best focus better than the seeing held still "
        "between the two frames; a sweep is free of it",
    };
    static const char *const ALL[] = {
        "whether the plane is a tilted sensor, a tilted focuser or a curved field off its centre: "
        "all three look alike; the rotator turned by 90 to 180 degrees separates camera and "
        "focuser",
        "whether what turns against the chip is a tilted focuser or a curved field off its centre: "
        "both look alike",
    };
    const bool is_split = r->split && r->split->camera.is_known && r->split->focuser.is_known;
    const bool is_single = s->method == NW_SURFACE_SINGLE;
    const size_t skip = is_single && s->is_sign_known ? 1 : 0; /* a baseline told the sign */
    const size_t n_single = s->is_baseline_used ? 1 : 2;       /* and the curvature */
    const size_t n_own = is_single                      ? (n_single > skip ? n_single - skip : 0)
                         : s->method == NW_SURFACE_PAIR ? 1
                                                        : 0;
    if (i < n_own) {
        return is_single ? SINGLE[i + skip] : PAIR[i];
    }
    return i == n_own ? ALL[is_split ? 1 : 0] : NULL;
}

static const char *unit_of(const struct nw_surface *s) {
    return s->is_metric ? "um" : s->is_scale_known ? "steps" : "";
}

static double shown(const struct nw_surface *s, double height) {
    return s->is_metric ? height * UM : s->is_scale_known ? height : NAN;
}

static void row(struct nw_buf *text, const char *label, const char *format, ...) NW_PRINTF(3, 4);
static void row(struct nw_buf *text, const char *label, const char *format, ...) {
    char line[240];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(line, sizeof line, format, args);
    va_end(args);
    nw_report_entry(text, 2, 24, label, line);
}

static void say_tilt(const struct nw_surface *s, struct nw_buf *text) {
    char value[48];
    char where[120] = "";
    if (isfinite(s->tilt_direction_rad)) {
        (void)snprintf(where, sizeof where,
                       "; best focus lies farther out towards %s deg (+x to +y)%s",
                       nw_report_pm(value, sizeof value, s->tilt_direction_rad * NW_DEG_PER_RAD,
                                    s->tilt_direction_sigma_rad * NW_DEG_PER_RAD),
                       s->is_sign_known ? "" : ", or opposite");
    }
    if (isfinite(shown(s, s->tilt))) {
        row(text, "tilt", "%s %s corner to corner%s",
            nw_report_pm(value, sizeof value, shown(s, s->tilt), shown(s, s->tilt_sigma)),
            unit_of(s), where);
    } else {
        row(text, "tilt", "size not known%s", where);
    }
}

static void say_heights(const struct nw_surface *s, struct nw_buf *text) {
    static const char *const NAMES[] = {"a (along x)", "b (along y)", "c (curvature)"};
    char value[48];
    if (!s->is_scale_known) {
        return;
    }
    for (size_t i = 0; i < 3; i++) {
        const bool is_weak = i == 2 && s->method == NW_SURFACE_SINGLE && !s->is_baseline_used;
        row(text, NAMES[i], "%s %s per half diagonal%s%s",
            nw_report_pm(value, sizeof value, shown(s, s->z[i + 1]),
                         shown(s, sqrt(s->cov[i + 1][i + 1]))),
            unit_of(s), i == 2 ? " squared" : "",
            is_weak ? "; not to be relied on from one frame" : "");
    }
    if (s->scale_sigma > 0.0) {
        row(text, "", "all of these share an error of scale of %.1f %%", 100.0 * s->scale_sigma);
    }
    if (s->method == NW_SURFACE_SINGLE) {
        row(text, "from best focus", "%s um in the middle, %s",
            nw_report_pm(value, sizeof value, fabs(shown(s, s->z[0])),
                         shown(s, sqrt(s->cov[0][0]))),
            !s->is_sign_known ? "on either side"
            : s->z[0] > 0.0   ? "the sensor stands too near the telescope"
                              : "the sensor stands too far from the telescope");
    }
}

static void say_focuser(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_surface *const s = r->surface;
    char value[48];
    if (isfinite(s->best_position)) {
        row(text, "best position", "%s steps, mean over the frame",
            nw_report_pm(value, sizeof value, s->best_position, s->best_position_sigma));
    }
    if (s->step_m > 0.0 && s->method != NW_SURFACE_SINGLE) {
        row(text, "one step", "%.3g um at the sensor%s", s->step_m * UM,
            r->is_travel_assumed ? " (as given; a corrector that rides on the focuser makes it m^2 "
                                   "of the travel: --rig)"
                                 : "");
    }
    if (isfinite(s->step_measured_m) && s->step_m > 0.0 && s->scale_sigma >= 0.0) {
        const double off = s->step_measured_m / s->step_m - 1.0;
        const double sigma = hypot(s->step_measured_sigma_m / s->step_measured_m, s->scale_sigma);
        row(text, "", "the blur itself says %s um%s",
            nw_report_pm(value, sizeof value, s->step_measured_m * UM,
                         s->step_measured_sigma_m * UM),
            fabs(off) > 3.0 * fmax(sigma, 0.03)
                ? ": they disagree; is the step, or what the focuser carries, as the rig says?"
                : "");
    }
    if (isfinite(s->backlash)) {
        row(text, "focuser backlash",
            "%s %s at the sensor: frames reached from outside stand so "
            "much farther out",
            nw_report_pm(value, sizeof value, shown(s, s->backlash), shown(s, s->backlash_sigma)),
            unit_of(s));
    }
    if (s->misfit > 3.0) {
        row(text, "caution",
            "the cells miss the surface by %.1f times their errors: is it one field of single "
            "stars, not resampled, not a mosaic?",
            s->misfit);
    }
    if (s->compensation == NW_COMPENSATION_ACTING) {
        row(text, "caution",
            "positions are off a regular row by %.1f steps: temperature compensation was acting "
            "during the sweep; switch it off for a sweep",
            s->compensation_steps);
    }
    if (s->temperature_range_K * fabs(r->thermal_m_K) > 0.25 * s->depth_of_focus_m) {
        row(text, "caution", "the temperature changed by %.2f K: the tube moved focus by %.0f um",
            s->temperature_range_K, s->temperature_range_K * fabs(r->thermal_m_K) * UM);
    }
}

static void say_depth(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_surface *const s = r->surface;
    if (!isfinite(s->depth_of_focus_m)) {
        return;
    }
    char travel[80] = "";
    if (isfinite(r->travel_factor) && fabs(r->travel_factor - 1.0) > 1e-9) {
        (void)snprintf(travel, sizeof travel, " = +- %.0f um of focuser travel (m^2 = %.3f)",
                       s->depth_of_focus_m / r->travel_factor * UM, r->travel_factor);
    }
    row(text, "depth of focus", "+- %.0f um at the sensor%s; quarter wave, 2 lambda N^2",
        s->depth_of_focus_m * UM, travel);
}

/* Against what the setup did before. */
static void say_baseline(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_surface *const s = r->surface;
    const struct nw_field_baseline *const base = r->baseline;
    if (!base || !s->is_metric) {
        return;
    }
    if (!s->is_sign_known) {
        row(text, "baseline", "curvature taken from it; it does not tell this frame's sign");
        return;
    }
    const double da = s->z[NW_SURFACE_A] - base->a_m;
    const double db = s->z[NW_SURFACE_B] - base->b_m;
    const double own2 =
        fmax(s->cov[NW_SURFACE_A][NW_SURFACE_A], s->cov[NW_SURFACE_B][NW_SURFACE_B]);
    const double sigma = hypot(base->slope_sigma_m, sqrt(own2));
    row(text, "since the baseline", "a %+.1f, b %+.1f, +- %.1f um: %s", da * UM, db * UM,
        sigma * UM,
        hypot(da, db) > 3.0 * sigma ? "the plane has changed" : "nothing has changed that is seen");
}

static void say_wavefront(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_wavefront *const w = &r->surface->wavefront;
    char value[48];
    char centre[80] = "";
    if (!isfinite(w->astigmatism_m)) {
        return;
    }
    if (isfinite(w->centre_sigma)) {
        (void)snprintf(centre, sizeof centre, "; its centre at x %+.3f, y %+.3f, +- %.3f",
                       w->centre[0], w->centre[1], w->centre_sigma);
    }
    row(text, "astigmatism", "%s um between the line foci at the corner%s",
        nw_report_pm(value, sizeof value, w->astigmatism_m * UM, w->astigmatism_sigma_m * UM),
        centre);
    if (w->coma_m > 2.0 * w->coma_sigma_m) {
        row(text, "radial elongation", "as coma of %s um, or lateral colour, at the corner",
            nw_report_pm(value, sizeof value, w->coma_m * UM, w->coma_sigma_m * UM));
    }
    if (isfinite(w->decentre_a)) {
        row(text, "of the plane",
            "a %+.1f, b %+.1f, +- %.1f um is what the curvature about that "
            "centre looks like; the rest is tilt, as far as the optics are "
            "round about one centre",
            w->decentre_a * UM, w->decentre_b * UM, w->decentre_sigma * UM);
    }
}

/* Which cells of one row of the grid: those whose v is nearest to the row's. */
static void say_cells(const struct nw_surface *s, struct nw_buf *text) {
    if (!s->is_scale_known) {
        return;
    }
    nw_buf_printf(
        text, "\n  best focus over the frame, %s at the sensor, + away from the telescope\n%s\n",
        unit_of(s), s->is_sign_known ? "" : "  (or all signs turned)\n");
    size_t end = s->n_cells;
    while (end > 0) { /* rows from the top: y upwards */
        size_t first = end - 1;
        while (first > 0 && s->cells[first - 1].u < s->cells[first].u) {
            first--;
        }
        nw_buf_printf(text, "    y %+5.2f ", s->cells[first].v);
        for (size_t k = first; k < end; k++) {
            nw_report_fixed(text, 7, shown(s, s->cells[k].best), 0);
        }
        nw_buf_printf(text, "\n      +-    ");
        for (size_t k = first; k < end; k++) {
            nw_report_fixed(text, 7, shown(s, s->cells[k].sigma), 1);
        }
        nw_buf_printf(text, "\n");
        end = first;
    }
    nw_buf_printf(text, "    x to the right, y upwards, in half diagonals\n");
}

static void say_frames(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_surface *const s = r->surface;
    nw_buf_printf(text, "\n  position    place um  width px  misfit  frame\n");
    for (size_t i = 0; i < s->n_frames; i++) {
        const struct nw_surface_frame *const f = &s->frames[i];
        nw_report_fixed(text, 10, r->frames[f->index].position_steps, 0);
        nw_report_fixed(text, 12, s->is_metric ? f->place * UM : NAN, 1);
        nw_report_fixed(text, 10, f->width_px, 2);
        nw_report_fixed(text, 8, f->misfit, 1);
        nw_buf_printf(text, "  ");
        nw_report_clean(text, nw_file_base_name(r->frames[f->index].path));
        nw_buf_printf(text, "\n");
        if (!f->is_used) {
            char why[160];
            (void)snprintf(why, sizeof why, "not used: %s", f->why);
            nw_report_paragraph(text, 12, why);
        }
    }
    nw_buf_printf(text, "  width: FWHM of all but the defocus; misfit in sigmas, 1 is good\n");
}

void nw_report_surface_text(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_surface *const s = r->surface;
    char aside[60];
    (void)snprintf(aside, sizeof aside, "%s, %zu frame%s", nw_surface_method_name(s->method),
                   s->n_used, s->n_used == 1 ? "" : "s");
    nw_report_title(text, "FOCAL SURFACE", aside);
    nw_buf_printf(text, "\n");
    say_tilt(s, text);
    say_heights(s, text);
    say_focuser(r, text);
    say_depth(r, text);
    say_wavefront(r, text);
    say_baseline(r, text);
    say_cells(s, text);
    say_frames(r, text);
    nw_report_parts_text(r, text);
    nw_report_shims_text(r, text);
    nw_buf_printf(text, "\n  cannot be told from this\n");
    const char *sentence = NULL;
    for (size_t i = 0; (sentence = nw_report_surface_cannot_tell(r, i)); i++) {
        nw_report_entry(text, 2, 5, "-", sentence);
    }
}
