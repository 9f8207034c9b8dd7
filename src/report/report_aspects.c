/* report_aspects.c - slope of the sky, noise, halo, faintest star and streaks of a measured frame,
 * as JSON (docs/formats.md) and text. Positions leave as FITS counts them, ours + 1. */
#include <math.h>

#include "report/report_internal.h"

static void put_gradient(struct nw_json *json, json_t *frame, const struct nw_measure *m) {
    const struct nw_gradient *const g = &m->aspects.gradient;
    json_t *const o = nw_json_object(json, frame, "gradient");
    nw_json_number(json, o, "adu_per_half_diagonal", g->adu, 4);
    nw_json_number(json, o, "adu_per_half_diagonal_sigma", g->sigma_adu, 2);
    nw_json_number(json, o, "percent_of_level", 100.0 * g->adu / m->background_adu, 3);
    nw_json_number(json, o, "direction_deg", g->direction_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(json, o, "u_adu", g->u_adu, 4);
    nw_json_number(json, o, "u_adu_sigma", g->u_sigma_adu, 2);
    nw_json_number(json, o, "v_adu", g->v_adu, 4);
    nw_json_number(json, o, "v_adu_sigma", g->v_sigma_adu, 2);
    nw_json_number(json, o, "bend_adu", g->bend_adu, 3);
    if (!isfinite(g->adu)) {
        nw_json_why(json, o, "adu_per_half_diagonal", "the frame is smaller than 32 px");
    }
}

static void put_noise(struct nw_json *json, json_t *frame, const struct nw_noise *n) {
    json_t *const o = nw_json_object(json, frame, "noise");
    nw_json_number(json, o, "pixel_adu", n->pixel_adu, 5);
    nw_json_number(json, o, "pixel_adu_sigma", n->pixel_sigma_adu, 2);
    nw_json_number(json, o, "expected_adu", n->expected_adu, 5);
    nw_json_number(json, o, "expected_low_adu", n->expected_low_adu, 5);
    nw_json_number(json, o, "expected_high_adu", n->expected_high_adu, 5);
    nw_json_number(json, o, "ratio", n->ratio, 5);
    nw_json_number(json, o, "ratio_sigma", n->ratio_sigma, 2);
    nw_json_number(json, o, "x_correlation", n->x_correlation, 3);
    nw_json_number(json, o, "y_correlation", n->y_correlation, 3);
    nw_json_number(json, o, "correlation_sigma", n->correlation_sigma, 2);
    nw_json_number(json, o, "coarse_ratio", n->coarse_ratio, 4);
    nw_json_number(json, o, "coarse_ratio_sigma", n->coarse_sigma, 2);
    nw_json_text(json, o, "says", nw_report_noise_says(n));
    if (!isfinite(n->pixel_adu)) {
        nw_json_why(json, o, "pixel_adu", "the frame has too few pixels with a value");
    }
    if (!isfinite(n->expected_adu)) {
        nw_json_why(json, o, "expected_adu",
                    isfinite(n->expected_high_adu)
                        ? "the camera's offset is not known (--offset): only its ends are"
                        : "gain (EGAIN, --gain) or read noise (RDNOISE, --read-noise) is not "
                          "known");
    }
}

static void put_streaks(struct nw_json *json, json_t *frame, const struct nw_aspects *a) {
    json_t *const streaks = nw_json_array(json, frame, "streaks");
    for (size_t i = 0; i < a->n_streaks; i++) {
        const struct nw_streak *const s = &a->streaks[i];
        json_t *const o = nw_json_item(json, streaks);
        nw_json_number(json, o, "x0_px", s->x0_px + 1.0, 6);
        nw_json_number(json, o, "y0_px", s->y0_px + 1.0, 6);
        nw_json_number(json, o, "x1_px", s->x1_px + 1.0, 6);
        nw_json_number(json, o, "y1_px", s->y1_px + 1.0, 6);
        nw_json_number(json, o, "length_px", s->length_px, 5);
        nw_json_number(json, o, "angle_deg", s->angle_rad * NW_DEG_PER_RAD, 5);
        nw_json_number(json, o, "width_px", s->width_px, 3);
        nw_json_number(json, o, "adu_per_px", s->adu_per_px, 4);
        nw_json_number(json, o, "adu_per_px_sigma", s->adu_per_px_sigma, 2);
        nw_json_number(json, o, "snr", s->snr, 3);
        nw_json_bool(json, o, "crosses_frame", s->is_crossing);
    }
}

void nw_report_aspects_json(struct nw_json *json, json_t *frame, const struct nw_measure *m) {
    const struct nw_aspects *const a = &m->aspects;
    put_gradient(json, frame, m);
    put_noise(json, frame, &a->noise);
    nw_json_number(json, frame, "halo_ratio", a->halo.ratio, 4);
    nw_json_number(json, frame, "halo_ratio_sigma", a->halo.sigma, 2);
    nw_json_count(json, frame, "halo_stars", a->halo.n_stars);
    nw_json_number(json, frame, "limit_flux_adu", a->limit.flux_adu, 4);
    nw_json_number(json, frame, "limit_magnitude_instrumental", a->limit.magnitude, 5);
    nw_json_number(json, frame, "limit_magnitude_sigma", a->limit.sigma_mag, 2);
    put_streaks(json, frame, a);
    if (!isfinite(a->halo.ratio)) {
        nw_json_why(json, frame, "halo_ratio",
                    "fewer than 5 bright stars (SNR 150) that stand free, or stars too wide");
    }
    if (!isfinite(a->limit.magnitude)) {
        nw_json_why(json, frame, "limit_magnitude_instrumental",
                    isfinite(a->limit.flux_adu) ? "the header gives no exposure time (EXPTIME)"
                                                : "the width of the stars is not known");
    }
}

/* Likeness of neighbours counts from 5 % on: raw frames stay under 2 % (common practice, no
 * source; the demo night's frames show 0.3 %). */
static bool is_alike(const struct nw_noise *n) {
    const double r = fmax(n->x_correlation, n->y_correlation);
    return r > 0.05 && r > 5.0 * n->correlation_sigma;
}

const char *nw_report_noise_says(const struct nw_noise *n) {
    const bool is_above = n->ratio > 1.03 && n->ratio - 1.0 > 3.0 * n->ratio_sigma;
    const bool is_below = n->ratio < 0.97 && 1.0 - n->ratio > 3.0 * n->ratio_sigma;
    const bool is_over_all = n->pixel_adu > 1.03 * n->expected_high_adu;
    const bool is_under_all = n->pixel_adu < 0.97 * n->expected_low_adu;
    if (is_alike(n)) {
        return "neighbouring pixels are alike: resampled, debayered, smoothed, or crowded with "
               "faint stars; the noise of one pixel says too little";
    }
    if (is_above || is_over_all) {
        return "more noise than electrons give: pattern or radio noise, dark current, faint stars "
               "or nebula, a frame that was scaled, or gain or read noise other than stated";
    }
    if (is_below || is_under_all) {
        return "less noise than electrons give: averaged, binned or scaled pixels, or gain or read "
               "noise other than stated";
    }
    return isfinite(n->ratio)               ? "as electrons give it"
           : isfinite(n->expected_high_adu) ? "between what no sky and all of the level would give"
                                            : NULL;
}

static void say_noise(struct nw_buf *text, const struct nw_noise *n) {
    char pm[48];
    struct nw_buf line;
    nw_buf_init(&line, 2048);
    nw_buf_printf(&line, "%s ADU a pixel",
                  nw_report_pm(pm, sizeof pm, n->pixel_adu, n->pixel_sigma_adu));
    if (isfinite(n->ratio)) {
        nw_buf_printf(&line, ", %s times what electrons give",
                      nw_report_pm(pm, sizeof pm, n->ratio, n->ratio_sigma));
    } else if (isfinite(n->expected_high_adu)) {
        nw_buf_printf(&line,
                      "; electrons give %.3g (no sky) to %.3g (all of the level); --offset "
                      "would tell",
                      n->expected_low_adu, n->expected_high_adu);
    }
    nw_buf_printf(&line, ". Next pixel alike: %.3f right, %.3f up (+- %.3f)", n->x_correlation,
                  n->y_correlation, n->correlation_sigma);
    const char *const says = nw_report_noise_says(n);
    nw_buf_printf(&line, "%s%s.", says ? ". In short: " : "", says ? says : "");
    nw_report_entry(text, 4, 14, "noise", line.data ? line.data : "?");
    nw_buf_done(&line);
}

void nw_report_streaks_text(struct nw_buf *text, const struct nw_aspects *a) {
    for (size_t i = 0; i < a->n_streaks; i++) {
        const struct nw_streak *const s = &a->streaks[i];
        char line[240];
        char pm[48];
        (void)snprintf(line, sizeof line,
                       "(%.0f, %.0f) to (%.0f, %.0f), %.1f deg, %.1f px wide, %s ADU a pixel of "
                       "length%s",
                       s->x0_px + 1.0, s->y0_px + 1.0, s->x1_px + 1.0, s->y1_px + 1.0,
                       s->angle_rad * NW_DEG_PER_RAD, s->width_px,
                       nw_report_pm(pm, sizeof pm, s->adu_per_px, s->adu_per_px_sigma),
                       s->is_crossing ? ", from edge to edge" : "");
        nw_report_entry(text, 4, 14, "streak", line);
    }
}

void nw_report_aspects_text(struct nw_buf *text, const struct nw_measure *m) {
    const struct nw_aspects *const a = &m->aspects;
    char line[240];
    char pm[48];
    if (isfinite(a->gradient.adu)) {
        const bool is_sure = a->gradient.adu > 3.0 * a->gradient.sigma_adu;
        (void)snprintf(line, sizeof line, "slope %s ADU per half diagonal (%.2g %% of the level)%s",
                       nw_report_pm(pm, sizeof pm, a->gradient.adu, a->gradient.sigma_adu),
                       100.0 * a->gradient.adu / m->background_adu, is_sure ? "" : ", not certain");
        if (is_sure) {
            const size_t used = strlen(line);
            (void)snprintf(line + used, sizeof line - used, ", brighter towards %.0f deg",
                           a->gradient.direction_rad * NW_DEG_PER_RAD);
        }
        nw_report_entry(text, 4, 14, "sky", line);
    }
    if (isfinite(a->noise.pixel_adu)) {
        say_noise(text, &a->noise);
    }
    if (isfinite(a->halo.ratio)) {
        (void)snprintf(line, sizeof line,
                       "%s %% of the core's light at 3 to 10 FWHM, from %zu stars",
                       nw_report_pm(pm, sizeof pm, 100.0 * a->halo.ratio, 100.0 * a->halo.sigma),
                       a->halo.n_stars);
        nw_report_entry(text, 4, 14, "halo", line);
    }
    if (isfinite(a->limit.magnitude)) {
        (void)snprintf(line, sizeof line,
                       "%s instrumental (5 sigma point source, -2.5 log10 of ADU/s): compare "
                       "frames with it; its zero point is not known",
                       nw_report_pm(pm, sizeof pm, a->limit.magnitude, a->limit.sigma_mag));
        nw_report_entry(text, 4, 14, "faintest", line);
    }
    nw_report_streaks_text(text, a);
}
