/* report_guiding_check.c - self-check and habits of the loop: parts of the page of `guiding`. */
#include <math.h>

#include "report/report_guiding_parts.h"

#define AS NW_ARCSEC_PER_RAD

/* ---- JSON ---- */

static void add_habits(struct nw_json *json, json_t *axis, const struct nw_guide_habits *h) {
    json_t *o = nw_json_object(json, axis, "habits");
    nw_json_number(json, o, "memory", h->memory, 3);
    nw_json_number(json, o, "memory_sigma", h->memory_sigma, 2);
    nw_json_number(json, o, "forget_s", h->forget_s, 3);
    nw_json_bool(json, o, "sluggish", h->is_sluggish);
    nw_json_bool(json, o, "eager", h->is_eager);
    nw_json_bool(json, o, "biased", h->is_biased);
    nw_json_bool(json, o, "one_sided", h->is_one_sided);
    nw_json_count(json, o, "pulses_plus", h->n_pulses[1]);
    nw_json_count(json, o, "pulses_minus", h->n_pulses[0]);
    nw_json_number(json, o, "share_plus", h->plus_share, 3);
    nw_json_number(json, o, "mean_after_plus_arcsec", h->plus_rad * AS, 4);
    nw_json_number(json, o, "mean_after_plus_sigma_arcsec", h->plus_sigma_rad * AS, 2);
    nw_json_number(json, o, "mean_after_minus_arcsec", h->minus_rad * AS, 4);
    nw_json_number(json, o, "mean_after_minus_sigma_arcsec", h->minus_sigma_rad * AS, 2);
}

void nw_report_selfcheck_json(struct nw_json *json, json_t *axis, const struct nw_guide_axis *a) {
    const struct nw_guide_check *c = &a->check;
    const bool has = c->n > 0;
    json_t *o = nw_json_object(json, axis, "self_check");
    nw_json_count(json, o, "samples_foretold", c->n);
    nw_json_number(json, o, "rms_foretold_arcsec", c->foretold_rms_rad * AS, 4);
    nw_json_number(json, o, "scatter", c->scatter, 4);
    nw_json_number(json, o, "scatter_sigma", c->scatter_sigma, 2);
    nw_json_number(json, o, "memory", c->memory, 3);
    nw_json_number(json, o, "memory_sigma", c->memory_sigma, 2);
    nw_json_number(json, o, "pulses", c->pulses, 3);
    nw_json_number(json, o, "pulses_sigma", c->pulses_sigma, 2);
    nw_json_number(json, o, "pulses_chance", c->pulses_chance, 2);
    if (has && isfinite(c->pulses)) {
        nw_json_text(json, o, "pulses_at",
                     c->pulse_steps == 0   ? "turned round"
                     : c->pulse_steps == 1 ? "1 sample"
                     : c->pulse_steps == 2 ? "2 samples"
                                           : "3 samples");
    } else {
        nw_json_null(json, o, "pulses_at");
    }
    nw_json_number(json, o, "gap_better", c->gap_better, 3);
    nw_json_number(json, o, "gap_chance", c->gap_chance, 2);
    nw_json_bool(json, o, "scatter_off", c->is_scatter_off);
    nw_json_bool(json, o, "memory_off", c->is_memory_off);
    nw_json_bool(json, o, "pulses_off", c->are_pulses_off);
    nw_json_bool(json, o, "gap_seen", c->is_gap_seen);
    nw_json_bool(json, o, "gap_instead_of_worm", c->is_gap_worm);
    if (!has) {
        nw_json_text(json, o, "why_null", c->why_null[0] ? c->why_null : "not asked for");
    } else {
        nw_json_null(json, o, "why_null");
    }
    add_habits(json, axis, &a->habits);
}

/* ---- text ---- */

static void say(struct nw_buf *text, const char *words) {
    nw_report_paragraph(text, 2, words);
}

/* Seen on held-out samples, size not told. */
static void say_gap(struct nw_buf *text, const struct nw_guide_check *c) {
    char line[400];
    (void)snprintf(line, sizeof line,
                   "  There is a gap between pulses and axis: what was held out is foretold better "
                   "with one (chance of that without any: %s). The first pulses after a turn move "
                   "nothing, and this axis is not replayed.%s",
                   c->gap_chance < 1e-9 ? "below 1e-9" : "below 0.001",
                   c->is_gap_worm ? " The lines of the worm below may be the loop that hunts "
                                    "through it: they fit worse than the gap alone."
                                  : "");
    say(text, line);
}

static void say_check(struct nw_buf *text, const char *name, const struct nw_guide_check *c) {
    char line[500];
    if (c->n == 0) {
        (void)snprintf(line, sizeof line, "Self-check, %s: %s.", name,
                       c->why_null[0] ? c->why_null : "not asked for");
        say(text, line);
        return;
    }
    const bool is_sound =
        !c->is_scatter_off && !c->is_memory_off && !c->are_pulses_off && !c->is_gap_seen;
    int n = snprintf(line, sizeof line,
                     "Self-check, %s: %s. Half of the log foretold by the other, sample by sample: "
                     "scatter %.2f +- %.2f of the foretold, memory %+.2f +- %.2f",
                     name, is_sound ? "the model holds" : "the model does not hold", c->scatter,
                     c->scatter_sigma, c->memory, c->memory_sigma);
    if (isfinite(c->pulses) && n > 0) {
        n += snprintf(line + n, sizeof line - (size_t)n, ", with earlier pulses %+.2f +- %.2f",
                      c->pulses, c->pulses_sigma);
    }
    if (n > 0) {
        (void)snprintf(line + n, sizeof line - (size_t)n, ".");
    }
    say(text, line);
    if (c->is_scatter_off) {
        say(text, c->scatter > 1.0
                      ? "  More scatter than foretold: air or mount changed in the night; the "
                        "motion is a mean over unlike hours."
                      : "  Less scatter than foretold: air or mount changed in the night.");
    }
    if (c->is_memory_off) {
        say(text, c->memory > 0.0
                      ? "  What is left outlasts a sample: seeing, or motion that the model does "
                        "not know; trust the bounds before the value."
                      : "  What is left swings from sample to sample: a period that was not found, "
                        "or a delay.");
    }
    if (c->are_pulses_off) {
        say(text, "  What is left knows of earlier pulses: their response, delay or the gap of the "
                  "gears is not as assumed. Drift, worm and replay are not to be trusted.");
    }
    if (c->is_gap_seen) {
        say_gap(text, c);
    }
}

static void say_habits(struct nw_buf *text, const char *name, bool is_dec,
                       const struct nw_guide_axis *a) {
    const struct nw_guide_habits *h = &a->habits;
    char line[400];
    if (h->is_sluggish) {
        int n = snprintf(line, sizeof line,
                         "%s is sluggish: an error resembles the one before (%+.2f +- %.2f; 0 is "
                         "best)",
                         name, h->memory, h->memory_sigma);
        if (isfinite(h->forget_s) && n > 0) {
            n += snprintf(line + n, sizeof line - (size_t)n, " and takes %.0f s to fade",
                          h->forget_s);
        }
        if (n > 0) {
            (void)snprintf(line + n, sizeof line - (size_t)n,
                           ": too little is corrected, or a gap or a period is met late.");
        }
        say(text, line);
    }
    if (h->is_eager) {
        (void)snprintf(line, sizeof line,
                       "%s is eager: an error contradicts the one before (%+.2f +- %.2f; 0 is "
                       "best): noise is chased.",
                       name, h->memory, h->memory_sigma);
        say(text, line);
    }
    if (is_dec && isfinite(h->plus_rad) && isfinite(h->minus_rad)) {
        (void)snprintf(line, sizeof line,
                       "Dec by direction: %.0f %% of the pulses' time north; mean error %+.2f +- "
                       "%.2f arcsec after a pulse north, %+.2f +- %.2f after one south.%s",
                       h->plus_share * 100.0, h->plus_rad * AS, h->plus_sigma_rad * AS,
                       h->minus_rad * AS, h->minus_sigma_rad * AS,
                       h->is_one_sided ? " The drift holds one flank of the gears." : "");
        say(text, line);
    }
    if (h->is_biased) {
        (void)snprintf(line, sizeof line,
                       "%s stands off its lock point by %+.2f arcsec on the mean: a drift that the "
                       "gain does not quite hold, or pulses that fail one way.",
                       name, a->mean_rad * AS);
        say(text, line);
    }
}

void nw_report_selfcheck_text(const struct nw_guide_analysis *a, struct nw_buf *text) {
    say_habits(text, "RA", false, &a->ra);
    say_habits(text, "Dec", true, &a->dec);
    say_check(text, "RA", &a->ra.check);
    say_check(text, "Dec", &a->dec.check);
}
