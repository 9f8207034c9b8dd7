/* report_focus.c - the page of `focus`. */
#include "report/report_focus.h"

#include <math.h>

#define UM 1e6

static void minutes(char *text, size_t size, double t_s) {
    (void)snprintf(text, size, "%.0f min", t_s / 60.0);
}

bool nw_report_interval_words(const struct nw_focus_interval *f, char *text, size_t size) {
    char best[32];
    char low[32];
    char high[32];
    char now[32];
    minutes(best, sizeof best, f->best_s);
    minutes(low, sizeof low, f->low_s);
    minutes(high, sizeof high, f->high_s);
    minutes(now, sizeof now, f->now_s);
    const bool is_worth = f->worth_percent >= 1.0 && f->worth_percent > f->worth_sigma_percent;
    if (!is_worth) {
        (void)snprintf(text, size,
                       "every %s as today loses %.1f +- %.1f %% of the time against the best, %s; "
                       "anything from %s to %s is the same within half a percent",
                       now, fmax(0.0, f->worth_percent), f->worth_sigma_percent, best, low, high);
        return false;
    }
    (void)snprintf(text, size,
                   "every %s or %.1f degC (now %s): %.1f +- %.1f %% of the time on stars, %+.1f %% "
                   "on nebulae; from %s to %s it is the same within half a percent",
                   best, f->best_K, now, f->worth_percent, f->worth_sigma_percent,
                   f->extended_percent, low, high);
    return true;
}

/* ---- Keys of the rig file ---- */

/* value +- sigma of a term in steps as a length; the error of the step itself is in it. */
static bool set_length(struct nw_focus_set *set, const struct nw_focus_report *r,
                       const struct nw_focus_term *term, double factor, const char *unit) {
    const double v = term->value * r->step_m;
    const double sigma = hypot(term->sigma * r->step_m, v * r->step_sigma);
    if (!isfinite(v) || !isfinite(sigma)) {
        return false;
    }
    (void)snprintf(set->value, sizeof set->value,
                   "{value: %.4g %s, sigma: %.2g %s, from: measured}", factor * v * UM, unit,
                   sigma * UM, unit);
    return true;
}

/* Worth a place in the rig file: of what could as well be nil nobody should make a rule. */
static bool is_known_well(const struct nw_focus_term *term) {
    return isfinite(term->sigma) && term->sigma < 0.5 * fabs(term->value);
}

size_t nw_report_focus_sets(const struct nw_focus_report *r,
                            struct nw_focus_set sets[static NW_FOCUS_SETS]) {
    size_t n = 0;
    if (!r->setup || !isfinite(r->step_m)) {
        return 0;
    }
    const char *const name = r->setup->focuser.name;
    const struct nw_focus_job *const job = r->job;
    const struct {
        const char *key, *unit;
        const struct nw_focus_term *term;
        double sign;
    } rows[] = {{"temperature_coefficient", "um/K", &job->per_K, 1.0},
                {"repeatability", "um", &job->repeatability, 1.0},
                {"backlash", "um", &job->backlash, job->backlash.value < 0.0 ? -1.0 : 1.0}};
    for (size_t i = 0; r->setup->has_focuser && i < sizeof rows / sizeof rows[0]; i++) {
        const bool is_wanted = rows[i].term == &job->backlash || is_known_well(rows[i].term);
        if (is_wanted && set_length(&sets[n], r, rows[i].term, rows[i].sign, rows[i].unit)) {
            (void)snprintf(sets[n].path, sizeof sets[n].path, "focusers.%.48s.%s", name,
                           rows[i].key);
            n++;
        }
    }
    if (r->setup->has_focuser && is_known_well(&job->lag_s)) {
        (void)snprintf(sets[n].path, sizeof sets[n].path, "focusers.%.48s.thermal_lag", name);
        (void)snprintf(sets[n].value, sizeof sets[n].value,
                       "{value: %.1f min, sigma: %.1f min, from: measured}",
                       job->lag_s.value / 60.0, job->lag_s.sigma / 60.0);
        n++;
    }
    for (size_t i = 0; i < job->n_offsets && n < NW_FOCUS_SETS; i++) {
        bool is_described = false;
        for (size_t k = 0; k < r->setup->n_filters; k++) {
            is_described =
                is_described || strcmp(r->setup->filters[k].name, job->offsets[i].filter) == 0;
        }
        if (is_described && set_length(&sets[n], r, &job->offsets[i].steps, 1.0, "um")) {
            (void)snprintf(sets[n].path, sizeof sets[n].path, "filters.%.32s.focus_offset",
                           job->offsets[i].filter);
            n++;
        }
    }
    return n;
}

/* ---- Text ---- */

static void row(const struct nw_focus_report *r, const char *label,
                const struct nw_focus_term *term, const char *per, struct nw_buf *buf) {
    char text[64];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 23, label);
    if (isfinite(term->sigma)) {
        (void)nw_report_pm(text, sizeof text, term->value, term->sigma);
    } else {
        (void)nw_report_number(text, sizeof text, term->value, 3);
    }
    nw_report_right(buf, 17, text);
    const double travel_um = r->step_m * UM;
    nw_report_fixed(buf, 13, term->value * travel_um, 1);
    nw_report_fixed(buf, 13, term->value * travel_um * r->per_travel, 1);
    nw_buf_printf(buf, "%s%s\n", *per ? "  " : "", per);
}

static void head(const struct nw_focus_report *r, struct nw_buf *buf) {
    const struct nw_focus_job *const job = r->job;
    char aside[120];
    (void)snprintf(aside, sizeof aside, "%s%s%zu runs, %zu night%s",
                   r->setup ? r->setup->focuser.name : "", r->setup ? ", " : "", job->n_used,
                   job->n_nights, job->n_nights == 1 ? "" : "s");
    nw_report_title(buf, "FOCUS", aside);
    nw_buf_printf(buf, "%.1f to %.1f degC", job->temperature_low_K - NW_ZERO_CELSIUS_K,
                  job->temperature_high_K - NW_ZERO_CELSIUS_K);
    if (isfinite(job->rate_K_s)) {
        nw_buf_printf(buf, ", %.1f degC an hour", job->rate_K_s * 3600.0);
    }
    if (isfinite(job->run_time_s)) {
        nw_buf_printf(buf, ", a run takes %.0f s", job->run_time_s);
    }
    nw_buf_printf(buf, "; outwards is +\n\n");
}

static void table(const struct nw_focus_report *r, struct nw_buf *buf) {
    const struct nw_focus_job *const job = r->job;
    char label[64];
    nw_buf_printf(buf, "  what moves best focus            steps   travel, um   sensor, um\n");
    row(r, "temperature", &job->per_K, "per degC", buf);
    for (size_t i = 0; i < job->n_offsets; i++) {
        (void)snprintf(label, sizeof label, "%.16s against %.12s", job->offsets[i].filter,
                       job->reference[0] ? job->reference : "no filter");
        row(r, label, &job->offsets[i].steps, "", buf);
    }
    row(r, "tube west against east", &job->flip, "", buf);
    row(r, "backlash", &job->backlash, "", buf);
    row(r, "one run, repeatability", &job->repeatability, "rms", buf);
    row(r, "beside the temperature", &job->per_hour, "per hour", buf);
    row(r, "zenith against horizon", &job->sag, "", buf);
    if (job->n_nights > 1) {
        row(r, "from night to night", &job->per_night, "rms", buf);
    }
    nw_buf_printf(buf, "\n");
}

static void lag(const struct nw_focus_job *job, struct nw_buf *buf) {
    char text[240];
    if (isfinite(job->lag_s.value)) {
        (void)snprintf(
            text, sizeof text,
            "the focus follows the sensor's temperature by %.0f min (95 %%: %.0f to %.0f)",
            job->lag_s.value / 60.0, job->lag_s.low / 60.0, job->lag_s.high / 60.0);
        nw_report_entry(buf, 2, 15, "LAG", text);
    }
    if (isfinite(job->warm.value)) {
        const double tube_K = job->warm.value / job->per_K.value;
        (void)snprintf(text, sizeof text,
                       "the tube is not at the air's temperature when the nights begin: the first "
                       "runs lie %+.0f +- %.0f steps off (mean of the nights%s), which goes with "
                       "the lag; put it out an hour earlier, or run more often at first",
                       job->warm.value, job->warm.sigma,
                       !(fabs(job->per_K.value) > 2.0 * job->per_K.sigma) ? ""
                       : tube_K > 0.0                                     ? ", a tube too warm"
                                                                          : ", a tube too cold");
        nw_report_entry(buf, 2, 15, "FIRST RUNS", text);
    }
}

static void how_often(const struct nw_focus_report *r, struct nw_buf *buf) {
    char text[700];
    char words[400];
    if (!r->interval) {
        if (r->why_no_interval[0]) {
            nw_report_entry(buf, 2, 15, "HOW OFTEN", r->why_no_interval);
        }
        return;
    }
    const struct nw_focus_interval *const f = r->interval;
    (void)nw_report_interval_words(f, words, sizeof words);
    (void)snprintf(text, sizeof text,
                   "%s. Today runs take %.1f %% of the time and drift %.1f %%; focus leaves its "
                   "depth of %.0f um after %.1f degC",
                   words, f->now_runs_percent, f->now_blur_percent, f->depth_m * UM,
                   f->depth_m / fmax(1e-12, f->drift_m_per_K));
    nw_report_entry(buf, 2, 15, "HOW OFTEN", text);
}

static void after(const struct nw_focus_after *moves, const char *what, struct nw_buf *buf) {
    char text[240];
    if (!moves || moves->n == 0) {
        return;
    }
    if (isfinite(moves->sigma)) {
        (void)snprintf(text, sizeof text,
                       "%zu %s without a new run: width %+.1f +- %.1f %%, airmass taken off; %s",
                       moves->n, what, 100.0 * moves->change, 100.0 * moves->sigma,
                       moves->change > 2.0 * moves->sigma && moves->change > 0.02
                           ? "a run after it is worth its time"
                           : "no sign that a run after it would help");
    } else {
        (void)snprintf(text, sizeof text,
                       "one %s without a new run: width %+.1f %%; one alone tells nothing", what,
                       100.0 * moves->change);
    }
    nw_report_entry(buf, 2, 15, "AFTER MOVES", text);
}

static void cannot_tell(const struct nw_focus_job *job, struct nw_buf *buf) {
    const struct {
        const char *what;
        const struct nw_focus_term *term;
    } rows[] = {{"temperature", &job->per_K},
                {"lag", &job->lag_s},
                {"flip", &job->flip},
                {"backlash", &job->backlash},
                {"a drift with time", &job->per_hour},
                {"sag with altitude", &job->sag}};
    const char *head = "CANNOT TELL";
    char text[260];
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (!isfinite(rows[i].term->value)) {
            (void)snprintf(text, sizeof text, "%s: %s", rows[i].what, rows[i].term->why_null);
            nw_report_entry(buf, 2, 15, head, text);
            head = "";
        }
    }
    for (size_t i = 0; i < job->n_offsets; i++) {
        if (!isfinite(job->offsets[i].steps.value)) {
            (void)snprintf(text, sizeof text, "filter %s: %s", job->offsets[i].filter,
                           job->offsets[i].steps.why_null);
            nw_report_entry(buf, 2, 15, head, text);
            head = "";
        }
    }
    if (isfinite(job->per_K.value) && !job->is_time_separable && isfinite(job->correlation_time)) {
        (void)snprintf(text, sizeof text,
                       "temperature against time: they ran together (correlation %.2f), so a "
                       "focuser that slips would pass for temperature; a night that turns warmer, "
                       "or falls at another rate, would tell",
                       job->correlation_time);
        nw_report_entry(buf, 2, 15, head, text);
    }
}

static void remarks(const struct nw_focus_report *r, struct nw_buf *buf) {
    char text[300];
    const char *head = "REFUSED";
    for (size_t i = 0; i < r->runs->n; i++) {
        const struct nw_focus_run *const run = &r->runs->items[i];
        if (run->is_refused) {
            char when[32];
            nw_time_write_iso(run->t_s, 0, when, sizeof when);
            (void)snprintf(text, sizeof text, "the run at %s, %+.0f steps off (over 5 sigma)", when,
                           run->residual_steps);
            nw_report_entry(buf, 2, 15, head, text);
            head = "";
        }
    }
    if (r->n_frames > 0) {
        (void)snprintf(
            text, sizeof text,
            "%zu frames; a jump of the focuser is taken for a run, and the first position "
            "of a night too%s; a run that returned to its place is not seen",
            r->n_frames,
            r->runs->is_following ? " (it follows the temperature: only jumps with time for a run)"
                                  : "");
        nw_report_entry(buf, 2, 15, "FRAMES", text);
    }
    if (r->runs->n_offset_moves > 0) {
        (void)snprintf(text, sizeof text,
                       "%zu moves came with a change of filter and no time for a run: stored "
                       "offsets, nothing was measured there",
                       r->runs->n_offset_moves);
        nw_report_entry(buf, 2, 15, "", text);
    }
}

void nw_report_focus_text(const struct nw_focus_report *r, struct nw_buf *buf) {
    struct nw_focus_set sets[NW_FOCUS_SETS];
    head(r, buf);
    table(r, buf);
    lag(r->job, buf);
    how_often(r, buf);
    after(r->flips, r->flips && r->flips->n == 1 ? "flip" : "flips", buf);
    after(r->slews, r->slews && r->slews->n == 1 ? "long slew" : "long slews", buf);
    cannot_tell(r->job, buf);
    remarks(r, buf);
    const size_t n = nw_report_focus_sets(r, sets);
    for (size_t i = 0; i < n; i++) {
        char text[300];
        (void)snprintf(text, sizeof text, "--set \"%.120s=%.127s\"", sets[i].path, sets[i].value);
        nw_report_entry(buf, 2, 15, i == 0 ? "FOR THE RIG" : "", text);
    }
    if (!r->setup) {
        nw_report_entry(buf, 2, 15, "NO RIG",
                        "without --rig all is in steps; with it travel, the sensor, how often to "
                        "focus, and what to write into the rig file");
    }
}
