/* report_check_json.c - the budgets as the document nightwright.check.1 (docs/formats.md). */
#include "report/report_focus.h"
#include "report/report_internal.h"
#include "report/report_ledger.h"

#include <math.h>

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
#define ARCSEC2(x) ((x)*NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD)

static void total(struct nw_json *json, json_t *object, const struct nw_star_budget *budget) {
    json_t *t = nw_json_object(json, object, "total");
    nw_json_number(json, t, "allowed", ARCSEC(budget->allowed_rad), 4);
    nw_json_number(json, t, "predicted", ARCSEC(budget->predicted_rad), 5);
    nw_json_number(json, t, "predicted_sigma", ARCSEC(budget->predicted_sigma_rad), 3);
    nw_json_number(json, t, "measured", ARCSEC(budget->measured_rad), 5);
    nw_json_number(json, t, "measured_sigma", ARCSEC(budget->measured_sigma_rad), 3);
    nw_json_number(json, t, "over_probability", budget->over_probability, 3);
    nw_json_number(json, t, "equivalent_noise_area_arcsec2", ARCSEC2(budget->whole.neq_area_rad2),
                   5);
    nw_json_number(json, t, "elongation", budget->elongation, 4);
    nw_json_number(json, t, "elongation_by_motion", budget->elongation_motion, 4);
    nw_json_number(json, t, "elongation_measured", budget->elongation_measured, 4);
    nw_json_number(json, t, "middle_predicted", ARCSEC(budget->centre_rad), 4);
    nw_json_number(json, t, "worst_corner_predicted", ARCSEC(budget->corner_rad), 4);
    nw_json_number(json, t, "middle_measured", ARCSEC(budget->centre_measured_rad), 4);
    nw_json_number(json, t, "corners_measured", ARCSEC(budget->corner_measured_rad), 4);
    if (!isfinite(budget->measured_rad)) {
        nw_json_why(json, t, "measured", "no frames given (--frames)");
    }
    if (!isfinite(budget->allowed_rad)) {
        nw_json_why(json, t, "allowed", "the rig file allots no total");
    }
}

static void one_line(struct nw_json *json, json_t *array, const struct nw_star_line *line) {
    json_t *o = nw_json_item(json, array);
    nw_json_text(json, o, "id", line->name);
    nw_json_text(json, o, "label", line->label);
    nw_json_number(json, o, "allowed", ARCSEC(line->allowed_rad), 4);
    nw_json_number(json, o, "predicted", ARCSEC(line->predicted_rad), 4);
    nw_json_number(json, o, "predicted_sigma", ARCSEC(line->predicted_sigma_rad), 3);
    nw_json_number(json, o, "measured", ARCSEC(line->measured_rad), 4);
    nw_json_number(json, o, "measured_low", ARCSEC(line->measured_low_rad), 4);
    nw_json_number(json, o, "measured_high", ARCSEC(line->measured_high_rad), 4);
    nw_json_number(json, o, "alone", ARCSEC(line->alone_rad), 4);
    nw_json_number(json, o, "alone_sigma", ARCSEC(line->alone_sigma_rad), 3);
    nw_json_number(json, o, "total_without", ARCSEC(line->total_without_rad), 5);
    nw_json_number(json, o, "share_percent", 100.0 * line->share, 4);
    nw_json_number(json, o, "attainable", ARCSEC(line->attainable_rad), 4);
    nw_json_number(json, o, "time_percent_point", line->time_percent_point, 4);
    nw_json_number(json, o, "time_percent_extended", line->time_percent_extended, 4);
    nw_json_null(json, o, "margin_percent");
    nw_json_text(json, o, "basis", line->basis);
    nw_json_text(json, o, "detail", line->detail);
    nw_json_text(json, o, "provenance", nw_from_name(line->provenance));
    json_t *evidence = nw_json_array(json, o, "evidence");
    if (isfinite(line->measured_rad)) {
        nw_json_add_text(json, evidence, "guide log");
        if (line->id != NW_STAR_MOTION) {
            nw_json_add_text(json, evidence, "frames");
        }
    } else {
        nw_json_why(json, o, "measured", line->why_null);
    }
    if (!isfinite(line->attainable_rad)) {
        nw_json_why(json, o, "attainable", "no change in the rig file would make it smaller");
    }
    nw_json_why(json, o, "margin_percent", "widths have the two time percentages");
}

static void blind(struct nw_json *json, const struct nw_star_blind *blind) {
    json_t *o = nw_json_object(json, NULL, "blind");
    char text[80];
    if (blind->why_null[0]) {
        nw_json_null(json, o, "fitted_on");
        nw_json_null(json, o, "judged_on");
        nw_json_null(json, o, "inside_90_percent");
        nw_json_why(json, o, "inside_90_percent", blind->why_null);
        return;
    }
    (void)snprintf(text, sizeof text, "first half: %zu subs", blind->n_fitted);
    nw_json_text(json, o, "fitted_on", text);
    (void)snprintf(text, sizeof text, "second half: %zu subs", blind->n_judged);
    nw_json_text(json, o, "judged_on", text);
    json_t *inside = nw_json_array(json, o, "inside_90_percent");
    nw_json_add(json, inside, json_integer((json_int_t)blind->n_inside));
    nw_json_add(json, inside, json_integer((json_int_t)blind->n_judged));
    nw_json_number(json, o, "foretold_arcsec", ARCSEC(blind->foretold_rad), 4);
    nw_json_number(json, o, "foretold_sigma_arcsec", ARCSEC(blind->foretold_sigma_rad), 3);
    nw_json_number(json, o, "came_arcsec", ARCSEC(blind->came_rad), 4);
    nw_json_number(json, o, "worst_arcsec", ARCSEC(blind->worst_rad), 3);
    nw_json_number(json, o, "latent_seeing_arcsec", ARCSEC(blind->seeing_rad), 4);
    nw_json_number(json, o, "latent_seeing_sigma_arcsec", ARCSEC(blind->seeing_sigma_rad), 3);
    nw_json_number(json, o, "scatter_percent", 100.0 * blind->scatter, 3);
    nw_json_number(json, o, "wander_percent_per_sqrt_h", 100.0 * blind->wander_per_sqrt_h, 3);
    json_t *subs = nw_json_array(json, o, "subs");
    for (size_t i = 0; i < blind->n_judged; i++) {
        json_t *s = nw_json_item(json, subs);
        nw_json_time(json, s, "time", blind->subs[i].t_start_utc_s, 0);
        nw_json_number(json, s, "low_arcsec", ARCSEC(blind->subs[i].low_rad), 4);
        nw_json_number(json, s, "foretold_arcsec", ARCSEC(blind->subs[i].mid_rad), 4);
        nw_json_number(json, s, "high_arcsec", ARCSEC(blind->subs[i].high_rad), 4);
        nw_json_number(json, s, "came_arcsec", ARCSEC(blind->subs[i].came_rad), 4);
    }
}

static void advice(struct nw_json *json, const struct nw_star_budget *budget, json_t *array) {
    for (size_t i = 0; i < budget->n_advice; i++) {
        const struct nw_star_advice *a = &budget->advice[i];
        json_t *o = nw_json_item(json, array);
        nw_json_text(json, o, "change", a->change->name);
        json_t *set = nw_json_object(json, o, "set");
        for (size_t k = 0; k < a->change->n_settings; k++) {
            nw_json_text(json, set, a->change->settings[k].path, a->change->settings[k].value);
        }
        nw_json_text(json, o, "budget", "star_width");
        nw_json_text(json, o, "line", nw_star_line_name(a->line));
        nw_json_number(json, o, "time_percent_point", a->time_percent_point, 3);
        nw_json_number(json, o, "time_percent_extended", a->time_percent_extended, 3);
        nw_json_number(json, o, "sigma_percent", a->sigma_percent, 3);
        nw_json_number(json, o, "total_then_arcsec", ARCSEC(a->total_then_rad), 4);
        nw_json_text(json, o, "effort", a->change->effort);
        nw_json_text(json, o, "prediction", a->prediction);
        nw_json_text(json, o, "why", a->why);
    }
}

static void leave_it(struct nw_json *json, const struct nw_star_budget *budget, json_t *leave) {
    for (size_t i = 0; i < budget->n_leave; i++) {
        const struct nw_star_advice *a = &budget->leave[i];
        json_t *o = nw_json_item(json, leave);
        char why[120];
        (void)snprintf(why, sizeof why, "worth %.1f +- %.1f %% of exposure time on point sources",
                       a->time_percent_point, a->sigma_percent);
        nw_json_text(json, o, "what", a->change->name);
        nw_json_text(json, o, "why", why);
    }
}

void nw_report_advice_json(struct nw_json *json, const struct nw_star_budget *budget, json_t *to_do,
                           json_t *leave) {
    advice(json, budget, to_do);
    leave_it(json, budget, leave);
}

/* Other settings of the guide loop, where they promise nothing. */
static void guide_loop(struct nw_json *json, const struct nw_star_loop *loop, json_t *leave) {
    char why[200];
    if (nw_report_loop_words(loop, why, sizeof why) && loop->is_flat) {
        json_t *const o = nw_json_item(json, leave);
        nw_json_text(json, o, "what", "settings of the guide loop");
        nw_json_text(json, o, "why", why);
    }
}

/* How often to focus, runs counted; into "advice" or "leave". */
static void focus_interval(struct nw_json *json, const struct nw_check_report *check, json_t *to_do,
                           json_t *leave) {
    const struct nw_focus_interval *const f = check->focus_interval;
    char text[400];
    char path[96];
    if (!f) {
        return;
    }
    if (!nw_report_interval_words(f, text, sizeof text)) {
        json_t *const o = nw_json_item(json, leave);
        nw_json_text(json, o, "what", "another time between focus runs");
        nw_json_text(json, o, "why", text);
        return;
    }
    json_t *const o = nw_json_item(json, to_do);
    nw_json_text(json, o, "change", "another time between focus runs");
    json_t *const set = nw_json_object(json, o, "set");
    (void)snprintf(path, sizeof path, "setups.%.48s.habits.focus_interval", check->setup->name);
    char value[32];
    (void)snprintf(value, sizeof value, "%.0f min", f->best_s / 60.0);
    nw_json_text(json, set, path, value);
    nw_json_text(json, o, "budget", "star_width");
    nw_json_text(json, o, "line", "focus");
    nw_json_number(json, o, "time_percent_point", f->worth_percent, 3);
    nw_json_number(json, o, "time_percent_extended", f->extended_percent, 3);
    nw_json_number(json, o, "sigma_percent", f->worth_sigma_percent, 3);
    nw_json_text(json, o, "effort", "setting");
    (void)snprintf(path, sizeof path, "the mean width goes from %.2f to %.2f arcsec",
                   ARCSEC(f->fwhm_now_rad), ARCSEC(f->fwhm_best_rad));
    nw_json_text(json, o, "prediction", path);
    nw_json_text(json, o, "why", text);
}

static void star_width(struct nw_json *json, const struct nw_star_budget *budget, json_t *budgets) {
    json_t *o = nw_json_item(json, budgets);
    nw_json_text(json, o, "name", "star_width");
    nw_json_text(json, o, "unit", "arcsec");
    total(json, o, budget);
    nw_json_number(json, o, "unexplained_arcsec2", ARCSEC2(budget->unexplained_rad2), 4);
    nw_json_number(json, o, "unexplained_sigma_arcsec2", ARCSEC2(budget->unexplained_sigma_rad2),
                   3);
    nw_json_number(json, o, "could_hide_arcsec", ARCSEC(budget->could_hide_rad), 3);
    nw_json_text(json, o, "limiting", nw_star_line_name(budget->limiting));
    json_t *lines = nw_json_array(json, o, "lines");
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        one_line(json, lines, &budget->lines[k]);
    }
}

static void unknown(struct nw_json *json, const struct nw_star_budget *budget, json_t *array) {
    for (size_t i = 0; i < budget->n_unknown; i++) {
        json_t *u = nw_json_item(json, array);
        nw_json_text(json, u, "what", budget->unknown[i].what);
        nw_json_text(json, u, "trial", budget->unknown[i].trial);
        nw_json_count(json, u, "minutes", (size_t)budget->unknown[i].minutes);
        nw_json_text(json, u, "settles_to", budget->unknown[i].settles_to);
        nw_json_text(json, u, "budget", "star_width");
    }
}

static void cautions(struct nw_json *json, const struct nw_check_report *check, json_t *array) {
    for (size_t i = 0; check->star_width && i < check->star_width->n_cautions; i++) {
        nw_json_add_text(json, array, check->star_width->cautions[i]);
    }
    for (size_t k = 0; k < check->n_ledgers; k++) {
        for (size_t i = 0; i < check->ledgers[k]->n_cautions; i++) {
            nw_json_add_text(json, array, check->ledgers[k]->cautions[i]);
        }
    }
}

enum nw_status nw_report_check_json(const struct nw_check_report *check, json_t **ret,
                                    struct nw_err *err) {
    const struct nw_star_budget *budget = check->star_width;
    struct nw_json json;
    nw_json_begin(&json, "check", 1);
    nw_json_text(&json, NULL, "rig", check->rig->name);
    nw_json_text(&json, NULL, "setup", check->setup->name);
    nw_json_count(&json, NULL, "frames", budget ? budget->n_frames : 0);
    json_t *const budgets = nw_json_array(&json, NULL, "budgets");
    if (budget) {
        star_width(&json, budget, budgets);
        blind(&json, &budget->blind);
    }
    json_t *const cannot_tell = nw_json_array(&json, NULL, "cannot_tell");
    json_t *const to_do = nw_json_array(&json, NULL, "advice");
    json_t *const leave = nw_json_array(&json, NULL, "leave");
    if (budget) {
        unknown(&json, budget, cannot_tell);
        nw_report_advice_json(&json, budget, to_do, leave);
        guide_loop(&json, &budget->loop, leave);
        focus_interval(&json, check, to_do, leave);
    }
    for (size_t i = 0; i < check->n_ledgers; i++) {
        nw_report_ledger_json(check->ledgers[i], &json, budgets);
        nw_report_ledger_unknown_json(check->ledgers[i], &json, cannot_tell);
        nw_report_ledger_advice_json(check->ledgers[i], &json, to_do);
        nw_report_ledger_leave_json(check->ledgers[i], &json, leave);
    }
    cautions(&json, check, nw_json_array(&json, NULL, "cautions"));
    return nw_json_end(&json, ret, err);
}
