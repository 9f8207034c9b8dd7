/* report_replay.c - other settings on the same night, as text and as JSON. */
#include <math.h>

#include "report/report_guiding_parts.h"
#include "report/report_internal.h"

#define AS NW_ARCSEC_PER_RAD

static void add_range(struct nw_json *json, json_t *o, const char *key, double low, double high) {
    json_t *range = nw_json_array(json, o, key);
    nw_json_add_number(json, range, low, 2);
    nw_json_add_number(json, range, high, 2);
}

void nw_report_replay_json(struct nw_json *json, const struct nw_guide_analysis *a) {
    const struct nw_guide_replay *r = &a->replay;
    const bool has = r->why_null[0] == '\0';
    json_t *o = nw_json_object(json, NULL, "replay");
    nw_json_text(json, o, "objective", "motion_in_sub");
    nw_json_number(json, o, "holdout_error_percent", r->holdout_error * 100.0, 3);
    nw_json_bool(json, o, "dec_allowed", r->is_dec_allowed);
    json_t *current = nw_json_object(json, o, "current");
    nw_json_number(json, current, "motion_in_sub_arcsec", r->current_rad * AS, 5);
    nw_json_number(json, current, "gain_ra", a->ra.pulse_gain, 3);
    nw_json_number(json, current, "gain_dec", a->dec.pulse_gain, 3);
    nw_json_number(json, current, "exposure_s", a->interval_s, 5);
    json_t *best = nw_json_object(json, o, "best");
    nw_json_number(json, best, "gain_ra", r->is_ra_flat ? NAN : r->gain_ra, 2);
    nw_json_number(json, best, "gain_dec", r->is_dec_flat ? NAN : r->gain_dec, 2);
    add_range(json, best, "equivalent_gain_ra", r->gain_ra_low, r->gain_ra_high);
    add_range(json, best, "equivalent_gain_dec", r->gain_dec_low, r->gain_dec_high);
    nw_json_number(json, best, "deadband_ra_arcsec", r->is_ra_flat ? NAN : r->deadband_ra_rad * AS,
                   3);
    nw_json_number(json, best, "deadband_dec_arcsec",
                   r->is_dec_flat ? NAN : r->deadband_dec_rad * AS, 3);
    nw_json_number(json, best, "exposure_s", r->is_flat ? NAN : r->exposure_s, 5);
    nw_json_bool(json, best, "predictor", false);
    nw_json_number(json, best, "motion_in_sub_arcsec", r->motion_rad * AS, 5);
    nw_json_number(json, best, "sigma_arcsec", r->motion_sigma_rad * AS, 3);
    nw_json_number(json, o, "with_predictor_motion_in_sub_arcsec",
                   r->motion_with_predictor_rad * AS, 5);
    if (has) {
        nw_json_bool(json, o, "worth_changing", !r->is_flat);
        nw_json_bool(json, o, "leave_ra", r->is_ra_flat);
        nw_json_bool(json, o, "leave_dec", r->is_dec_flat);
        nw_json_null(json, o, "why_null");
    } else {
        nw_json_null(json, o, "worth_changing");
        nw_json_null(json, o, "leave_ra");
        nw_json_null(json, o, "leave_dec");
        nw_json_text(json, o, "why_null", r->why_null);
    }
    if (has && !r->is_dec_allowed) {
        nw_json_text(json, o, "why_dec_not_allowed", r->why_dec);
    }
}

static void say_axis(const char *name, bool is_flat, double gain, double deadband_rad,
                     struct nw_buf *line) {
    if (is_flat) {
        nw_buf_printf(line, "%s as it is", name);
    } else {
        nw_buf_printf(line, "%s gain %.1f, dead band %.2f", name, gain, deadband_rad * AS);
    }
}

/* " Gain RA 0.7 to 0.9 is the same within 2 %." A range of one step is none to tell of. */
static void say_range_of(const char *name, double low, double high, bool *is_said,
                         struct nw_buf *line) {
    if (high - low > 0.05) {
        nw_buf_printf(line, "%s %s %.1f to %.1f", *is_said ? "," : " Gain", name, low, high);
        *is_said = true;
    }
}

/* The flat range of gains, and how far what was chosen on some subs held on the others. */
static void say_range(const struct nw_guide_replay *r, struct nw_buf *line) {
    bool is_said = false;
    say_range_of("RA", r->gain_ra_low, r->gain_ra_high, &is_said, line);
    if (r->is_dec_allowed) {
        say_range_of("Dec", r->gain_dec_low, r->gain_dec_high, &is_said, line);
    }
    nw_buf_printf(line, "%s Chosen on half of the subs it was off by %.0f %% on the others.",
                  is_said ? " is the same within 2 %." : "", r->holdout_error * 100.0);
}

static void say_best(const struct nw_guide_analysis *a, struct nw_buf *line) {
    const struct nw_guide_replay *r = &a->replay;
    nw_buf_printf(line, "Replay, motion within a sub, both axes: %.2f arcsec now",
                  r->current_rad * AS);
    if (r->is_flat) {
        nw_buf_printf(line, "; no other setting would have won 2 %% and two sigmas.");
    } else {
        nw_buf_printf(line, "; on this night %.2f +- %.2f with ", r->motion_rad * AS,
                      r->motion_sigma_rad * AS);
        say_axis("RA", r->is_ra_flat, r->gain_ra, r->deadband_ra_rad, line);
        if (r->is_dec_allowed) {
            nw_buf_printf(line, "; ");
            say_axis("Dec", r->is_dec_flat, r->gain_dec, r->deadband_dec_rad, line);
        }
        nw_buf_printf(line, "; exposure %.1f s.", r->exposure_s);
    }
    say_range(r, line);
    if (isfinite(r->motion_with_predictor_rad)) {
        nw_buf_printf(line, " With the worm foretold: %.2f.", r->motion_with_predictor_rad * AS);
    }
}

void nw_report_replay_text(const struct nw_guide_analysis *a, struct nw_buf *text) {
    const struct nw_guide_replay *r = &a->replay;
    struct nw_buf line;
    nw_buf_init(&line, 8192);
    if (r->why_null[0] != '\0') {
        nw_buf_printf(&line, "Replay of other settings: %s.", r->why_null);
    } else {
        say_best(a, &line);
        if (!r->is_dec_allowed) {
            nw_buf_printf(&line, " Declination is not replayed: %s.", r->why_dec);
        }
        nw_buf_printf(&line, "%s",
                      r->is_flat ? " Nothing to win there: leave the settings."
                                 : " Worth a night with both settings by turns, 20 minutes each: "
                                   "that decides. Shorter exposures are not known from this log.");
    }
    if (!nw_buf_failed(&line)) {
        nw_report_paragraph(text, 2, line.data);
    }
    nw_buf_done(&line);
}

bool nw_report_loop_words(const struct nw_star_loop *loop, char *text, size_t size) {
    if (!loop->is_replayed) {
        return false;
    }
    if (loop->is_flat) {
        (void)snprintf(
            text, size,
            "guide gains: RA %.1f to %.1f is the same within 2 %%, %.2f arcsec of motion "
            "in a sub; nothing to win there",
            loop->gain_ra_low, loop->gain_ra_high, loop->now_rad * AS);
        return true;
    }
    int n = snprintf(text, size, "guide gain RA %.1f", loop->gain_ra);
    if (isfinite(loop->gain_dec) && n > 0 && (size_t)n < size) {
        n += snprintf(text + n, size - (size_t)n, ", Dec %.1f", loop->gain_dec);
    }
    if (n > 0 && (size_t)n < size) {
        (void)snprintf(
            text + n, size - (size_t)n,
            ": %.2f +- %.2f arcsec of motion in a sub instead of %.2f (replayed); settings "
            "by turns, 20 min each, decide",
            loop->best_rad * AS, loop->sigma_rad * AS, loop->now_rad * AS);
    }
    return true;
}
