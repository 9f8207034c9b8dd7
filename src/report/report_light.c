/* report_light.c - the page of `light`. */
#include "report/report_light.h"

#include <math.h>

#include "report/report_internal.h"

#define DEG NW_DEG_PER_RAD

static void head(const struct nw_light_report *r, struct nw_buf *buf) {
    char aside[160];
    char text[240];
    const struct nw_light_case *const w = r->what;
    (void)snprintf(aside, sizeof aside, "%s%s%.40s", r->target, r->target[0] ? ", " : "",
                   w->filter->name);
    nw_report_title(buf, "LIGHT", aside);
    nw_buf_printf(buf, "setup %s\n\n", r->setup->name);
    const double total = w->glow.dark_nl + w->glow.moon_nl + w->glow.twilight_nl;
    (void)snprintf(text, sizeof text, "%.2f mag/arcsec2 at the target, airmass %.2f",
                   nw_sky_mag_of_nl(total), w->airmass);
    nw_report_entry(buf, 2, 17, "sky", text);
    if (isfinite(r->altitude_rad)) {
        (void)snprintf(text, sizeof text,
                       "%s: altitude %.0f deg; Moon %.0f %% lit, %s, %.0f deg away%s", r->when,
                       r->altitude_rad * DEG, 100.0 * r->moon_lit,
                       r->moon_altitude_rad > 0.0 ? "up" : "down", r->moon_separation_rad * DEG,
                       r->is_twilight ? "; twilight" : "");
        nw_report_entry(buf, 2, 17, "minute", text);
    }
    if (isfinite(w->surface_mag_arcsec2)) {
        (void)snprintf(text, sizeof text, "%.2f mag/arcsec2 of flat light", w->surface_mag_arcsec2);
        nw_report_entry(buf, 2, 17, "target", text);
    }
    if (isfinite(w->rayleigh)) {
        (void)snprintf(text, sizeof text, "%.3g rayleigh in one line of the passband", w->rayleigh);
        nw_report_entry(buf, 2, 17, "target", text);
    }
    if (isfinite(w->magnitude)) {
        (void)snprintf(text, sizeof text, "a point source of %.2f mag", w->magnitude);
        nw_report_entry(buf, 2, 17, "target", text);
    }
}

static void pm(struct nw_buf *buf, int width, double value, double sigma) {
    char text[48];
    nw_report_right(buf, width, nw_report_pm(text, sizeof text, value, sigma));
}

static void rates(const struct nw_light_budget *b, struct nw_buf *buf) {
    const struct {
        const char *text;
        double rate;
    } rows[] = {{"target, extended", b->rates.surface_e_s},
                {"dark sky", b->rates.dark_sky_e_s},
                {"moonlight", b->rates.moon_e_s},
                {"twilight", b->rates.twilight_e_s},
                {"dark current", b->rates.dark_e_s}};
    nw_buf_printf(buf, "\nin one pixel of %.2f arcsec%s%s          e/s\n",
                  sqrt(b->rates.pixel_arcsec2), b->band.name[0] ? ", colour " : "", b->band.name);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (rows[i].rate > 0.0) {
            nw_buf_printf(buf, "  ");
            nw_report_left(buf, 28, rows[i].text);
            nw_buf_printf(buf, "%12.4g\n", rows[i].rate);
        }
    }
    nw_buf_printf(buf,
                  "  of a target's light %.0f %% come through the air; against V the dark sky is",
                  100.0 * b->rates.air_share);
    nw_buf_printf(buf, " %.2f,\n  moonlight %.2f here\n", b->rates.dark_factor,
                  b->rates.moon_factor);
    if (b->rates.star_e_s > 0.0) {
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 28, "point source, all of it");
        nw_buf_printf(buf, "%12.4g  (%.1f px of noise, %.0f %% in the middle one)\n",
                      b->rates.star_e_s, b->rates.neq_px, 100.0 * b->rates.peak_share);
    }
}

/* Shares: two decimals are enough of a percent. */
static void percent_pm(struct nw_buf *buf, int width, double share, double sigma) {
    char text[48];
    (void)snprintf(text, sizeof text, "%.2f +- %.2f", 100.0 * share, 100.0 * sigma);
    nw_report_right(buf, width, text);
}

static void variance(const struct nw_light_budget *b, struct nw_buf *buf) {
    const bool has_star = b->rates.star_e_s > 0.0;
    nw_buf_printf(buf, "\nshare of the noise variance       extended%s   (sub of %.0f s)\n",
                  has_star ? "           point" : "", b->sub.sub_s);
    for (int i = 0; i < NW_LIGHT_N_SHARES; i++) {
        if (!(b->value.share_surface[i] > 0.0) && !(b->value.share_point[i] > 0.0)) {
            continue;
        }
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 24, nw_light_share_text((enum nw_light_share_id)i));
        percent_pm(buf, 15, b->value.share_surface[i], b->sigma.share_surface[i]);
        if (has_star) {
            percent_pm(buf, 16, b->value.share_point[i], b->sigma.share_point[i]);
        }
        nw_buf_printf(buf, " %%\n");
    }
}

static void snr_row(const struct nw_light_report *r, const char *name, const double *value,
                    const double *sigma, struct nw_buf *buf) {
    if (!isfinite(value[NW_LIGHT_SUB])) {
        return;
    }
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 24, name);
    for (int i = 0; i < NW_LIGHT_SPANS; i++) {
        if (i != NW_LIGHT_NIGHT || isfinite(r->wants->night_s)) {
            pm(buf, 16, value[i], sigma[i]);
        }
    }
    nw_buf_printf(buf, "\n");
}

static void signal(const struct nw_light_report *r, const struct nw_light_budget *b,
                   struct nw_buf *buf) {
    char text[240];
    char name[40];
    const struct nw_light_wants *const w = r->wants;
    const struct nw_light_numbers *const v = &b->value;
    const bool has_target =
        isfinite(v->snr_surface[NW_LIGHT_SUB]) || isfinite(v->snr_point[NW_LIGHT_SUB]);
    nw_buf_printf(buf, "\n");
    if (has_target) {
        nw_buf_printf(buf, "signal over noise             a sub of %3.0f s          1 h",
                      b->sub.sub_s);
    }
    if (has_target && isfinite(w->night_s)) {
        nw_buf_printf(buf, "    night, %.1f h", w->night_s / 3600.0);
    }
    if (has_target) {
        nw_buf_printf(buf, "\n");
    }
    (void)snprintf(name, sizeof name, "in %.3g arcsec2", w->area_arcsec2);
    snr_row(r, name, v->snr_surface, b->sigma.snr_surface, buf);
    snr_row(r, "point source", v->snr_point, b->sigma.snr_point, buf);
    const double hours[2] = {v->time_surface_s / 3600.0, v->time_point_s / 3600.0};
    const double sigmas[2] = {b->sigma.time_surface_s / 3600.0, b->sigma.time_point_s / 3600.0};
    for (int i = 0; i < 2; i++) {
        char number[48];
        if (isfinite(hours[i])) {
            (void)snprintf(text, sizeof text, "%s h of exposure to SNR %.3g%s",
                           nw_report_pm(number, sizeof number, hours[i], sigmas[i]), w->snr,
                           i ? " of the point source" : "");
            nw_report_entry(buf, 2, 17, i ? "" : "goal", text);
        }
    }
    char a[48];
    char c[48];
    (void)snprintf(text, sizeof text,
                   "after %.3g h: %s mag/arcsec2 (%.3g sigma in %.3g x %.3g arcsec), points of %s "
                   "mag (%.3g sigma)",
                   w->exposure_s / 3600.0,
                   nw_report_pm(a, sizeof a, v->limit_surface_mag, b->sigma.limit_surface_mag),
                   w->limit_sigma, w->limit_side_arcsec, w->limit_side_arcsec,
                   nw_report_pm(c, sizeof c, v->limit_point_mag, b->sigma.limit_point_mag),
                   w->limit_point_sigma);
    nw_report_entry(buf, 2, 17, "faintest", text);
}

static void length(const struct nw_light_report *r, const struct nw_light_budget *b,
                   struct nw_buf *buf) {
    const struct nw_light_subs *const s = &b->subs;
    char text[320];
    nw_buf_printf(buf, "\nlength of a sub   lost to: reads   pauses     yield   full from V   "
                       "stars full    sky\n");
    for (size_t i = 0; i < s->n; i++) {
        const struct nw_light_sub *const p = &s->curve[i];
        nw_buf_printf(buf, "  %6.0f s %s%14.1f %%%7.1f %%%8.1f %%%12.1f%13.0f%6.1f %%\n", p->sub_s,
                      i == s->best                 ? "<-"
                      : i >= s->from && i <= s->to ? " ="
                                                   : "  ",
                      100.0 * p->read_loss, 100.0 * p->between_loss, 100.0 * p->yield,
                      p->saturated_mag, p->saturated, 100.0 * p->sky_full);
    }
    if (s->is_empty) {
        (void)snprintf(text, sizeof text,
                       "none: read noise asks for %.0f s (%.3g %% of the time), %s for %.0f s at "
                       "most; the longest allowed is taken",
                       s->least_s, 100.0 * r->wants->wishes.read_loss,
                       strcmp(s->most_by, "longest") == 0 ? "the longest sub stands" : s->most_by,
                       s->most_s);
    } else {
        (void)snprintf(text, sizeof text,
                       "%.0f s (reads cost %.3g %% of the time) to %.0f s (%s); take %.0f s: up to "
                       "%.0f s is the same within 3 %%",
                       s->least_s, 100.0 * r->wants->wishes.read_loss, s->most_s,
                       strcmp(s->most_by, "stars") == 0 ? "stars full"
                       : strcmp(s->most_by, "sky") == 0 ? "sky fills the pixel"
                                                        : "the longest wanted",
                       s->curve[s->best].sub_s, s->curve[s->to].sub_s);
    }
    nw_report_entry(buf, 2, 17, "range", text);
}

static void gains(const struct nw_light_report *r, struct nw_buf *buf) {
    if (r->best_gain == SIZE_MAX) {
        nw_report_entry(buf, 2, 17, "gain",
                        "no settings are documented (cameras.*.settings): nothing to choose from");
        return;
    }
    nw_buf_printf(buf, "\ngain setting            e/ADU   read e   full e     sub    yield   full "
                       "from V\n");
    for (size_t i = 0; i < r->n_gains; i++) {
        const struct nw_light_gain *const g = &r->gains[i];
        const struct nw_light_sub *const p = &g->subs.curve[g->subs.best];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 20, g->setting->name);
        nw_buf_printf(buf, "%7.3g%9.3g%9.0f%6.0f s%8.1f %%%12.1f %s\n",
                      g->setting->gain_e_per_adu.v, g->setting->read_noise_e.v,
                      g->setting->full_scale_e.v, p->sub_s, 100.0 * p->yield, p->saturated_mag,
                      i == r->best_gain ? "<-" : "");
    }
}

static void options(const struct nw_light_report *r, struct nw_buf *buf) {
    if (r->n_options == 0) {
        return;
    }
    nw_buf_printf(buf, "\nwhat else, worth in time                        extended     points\n");
    for (size_t i = 0; i < r->n_options; i++) {
        const struct nw_light_option *const o = &r->options[i];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 43, o->what);
        nw_report_fixed(buf, 9, 100.0 * o->worth.extended, 1);
        nw_buf_printf(buf, " %%");
        nw_report_fixed(buf, 9, 100.0 * o->worth.point, 1);
        nw_buf_printf(buf, " %%  %s\n", o->effort);
    }
}

static void seen(const struct nw_light_report *r, struct nw_buf *buf) {
    char a[48];
    char b[48];
    char text[320];
    for (size_t i = 0; i < r->n_bands; i++) {
        const struct nw_light_seen *const s = &r->seen[i];
        const struct nw_light_budget *const of = &r->bands[i];
        if (!s->path) {
            continue;
        }
        (void)snprintf(text, sizeof text,
                       "%s%ssky %s e/s a pixel where %s are foretold: with the rig's throughput "
                       "V %.2f mag/arcsec2",
                       of->band.name, of->band.name[0] ? ": " : "",
                       nw_report_pm(a, sizeof a, s->sky_e_s, s->sky_sigma_e_s),
                       nw_report_pm(b, sizeof b, of->value.sky_e_s, of->sigma.sky_e_s),
                       s->sky_mag_arcsec2);
        nw_buf_printf(buf, "\n");
        nw_report_entry(buf, 2, 17, "measured", isfinite(s->sky_e_s) ? text : s->why_null);
        if (isfinite(s->expected_noise_e)) {
            (void)snprintf(text, sizeof text,
                           "noise %.2f e a pixel, %.2f e expected of that sky (ratio %.2f); %zu "
                           "stars full in %.0f s",
                           s->noise_e, s->expected_noise_e, s->noise_e / s->expected_noise_e,
                           s->n_saturated, s->exposure_s);
            nw_report_entry(buf, 2, 17, "", text);
        }
    }
}

void nw_report_light_text(const struct nw_light_report *r, struct nw_buf *buf) {
    head(r, buf);
    for (size_t i = 0; i < r->n_bands; i++) {
        rates(&r->bands[i], buf);
        variance(&r->bands[i], buf);
        signal(r, &r->bands[i], buf);
        length(r, &r->bands[i], buf);
    }
    gains(r, buf);
    options(r, buf);
    seen(r, buf);
    nw_buf_printf(buf, "\n");
    nw_report_paragraph(
        buf, 2,
        "Errors are those of the rig's values; the target is V brightness taken as flat over the "
        "passband, sky and air have usual colours, and stars are counted from a mean law: a field "
        "differs by half its count "
        "and more (--frame counts its own). Extended light does not care how wide stars are.");
}
