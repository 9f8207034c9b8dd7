/* look_aspects.c - halo, faintest star, slope of the sky, noise, streaks and why stars are long: of
 * a group of frames, as JSON and text. */
#include <math.h>

#include "report/report_internal.h"

static void put_trend(struct nw_json *json, json_t *parent, const char *key,
                      const struct nw_look_trend *t, double unit) {
    json_t *const o = nw_json_object(json, parent, key);
    nw_json_count(json, o, "frames", t->n);
    nw_json_number(json, o, "first", unit * t->first, 5);
    nw_json_number(json, o, "last", unit * t->last, 5);
    nw_json_number(json, o, "lowest", unit * t->lowest, 5);
    nw_json_number(json, o, "highest", unit * t->highest, 5);
    nw_json_number(json, o, "change_per_h", unit * t->per_hour.slope, 4);
    nw_json_number(json, o, "change_per_h_sigma", unit * t->per_hour.slope_sigma, 2);
}

void report_look_aspects_json(struct nw_json *json, json_t *group_object,
                              const struct nw_look_group *group) {
    const struct nw_look_aspects *const a = &group->aspects;
    put_trend(json, group_object, "halo_percent", &a->halo, 100.0);
    put_trend(json, group_object, "limit_magnitude_instrumental", &a->limit_mag, 1.0);
    put_trend(json, group_object, "sky_slope_adu_per_half_diagonal", &a->slope_adu, 1.0);
    nw_json_number(json, group_object, "gain_from_sky_e_per_adu", a->gain_e_per_adu, 4);
    nw_json_number(json, group_object, "gain_from_sky_e_per_adu_sigma", a->gain_sigma, 2);
    if (!isfinite(a->gain_e_per_adu)) {
        nw_json_why(json, group_object, "gain_from_sky_e_per_adu",
                    "needs 6 frames and a sky that changed enough");
    }
    nw_json_count(json, group_object, "streaks", a->n_streaks);
    nw_json_count(json, group_object, "frames_with_streaks", a->n_frames_with_streaks);
    if (a->has_causes) {
        nw_report_causes_json(json, group_object, &a->causes);
    }
}

static bool changes(const struct nw_look_trend *t) {
    return fabs(t->per_hour.slope) > 4.0 * t->per_hour.slope_sigma;
}

static void say(struct nw_buf *text, const char *label, const char *words) {
    nw_report_entry(text, 2, 14, label, words);
}

void report_look_aspects_text(const struct nw_look_group *group, struct nw_buf *text) {
    const struct nw_look_aspects *const a = &group->aspects;
    char line[480];
    char pm[48];
    if (a->has_causes && group->shape.elongation > 1.05) {
        nw_report_causes_text(text, 2, 14, &a->causes);
    }
    if (a->limit_mag.n > 1) {
        (void)snprintf(line, sizeof line,
                       "%.2f at first, %.2f at last, %.2f to %.2f (5 sigma point source, "
                       "instrumental magnitude: only differences count)%s",
                       a->limit_mag.first, a->limit_mag.last, a->limit_mag.lowest,
                       a->limit_mag.highest,
                       !changes(&a->limit_mag)             ? ""
                       : a->limit_mag.per_hour.slope < 0.0 ? "; getting worse"
                                                           : "; getting better");
        say(text, "faintest", line);
    }
    if (a->halo.n > 1) {
        const bool is_more = changes(&a->halo) && a->halo.per_hour.slope > 0.0;
        (void)snprintf(line, sizeof line,
                       "%.2f %% of the core's light at 3 to 10 FWHM at first, %.2f %% at last%s%s",
                       100.0 * a->halo.first, 100.0 * a->halo.last,
                       is_more ? "; growing: dew, haze or thin cloud; it is dew if it goes with "
                                 "heat and the light comes back"
                               : "",
                       changes(&a->halo) && !is_more ? "; shrinking" : "");
        say(text, "halo", line);
    }
    if (a->slope_adu.n > 1) {
        (void)snprintf(
            line, sizeof line, "%.3g ADU per half diagonal at first, %.3g at last, %.3g to %.3g",
            a->slope_adu.first, a->slope_adu.last, a->slope_adu.lowest, a->slope_adu.highest);
        say(text, "sky slope", line);
    }
    if (isfinite(a->gain_e_per_adu)) {
        (void)snprintf(line, sizeof line,
                       "noise grows with the sky as %s e/ADU would make it (offset and read noise "
                       "do not enter)",
                       nw_report_pm(pm, sizeof pm, a->gain_e_per_adu, a->gain_sigma));
        say(text, "noise", line);
    }
    if (a->n_streaks > 0) {
        (void)snprintf(line, sizeof line, "%zu in %zu of %zu frames (their lines: measure)",
                       a->n_streaks, a->n_frames_with_streaks, group->n_measured);
        say(text, "streaks", line);
    }
}

/* ---- Light that was lost ---- */

void report_look_losses_json(struct nw_json *json, json_t *light_object,
                             const struct nw_losses *losses) {
    json_t *const list = nw_json_array(json, light_object, "losses");
    for (size_t i = 0; i < NW_N_LOSSES; i++) {
        const struct nw_loss *const l = &losses->items[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "cause", nw_loss_word(l->id));
        nw_json_text(json, o, "rule", nw_loss_rule(l->id));
        nw_json_bool(json, o, "told_by_this_night", l->is_told);
        nw_json_number(json, o, "score", l->score, 3);
        nw_json_text(json, o, "evidence", l->evidence);
        nw_json_text(json, o, "decides", nw_loss_decides(l->id));
    }
    nw_json_text(json, light_object, "likely_loss",
                 losses->has_any && losses->is_clear ? nw_loss_word(losses->items[0].id) : NULL);
    if (!losses->has_any || !losses->is_clear) {
        nw_json_why(json, light_object, "likely_loss",
                    losses->has_any ? "no cause is two rules ahead" : "under 3 % was lost");
    }
}

void report_look_losses_text(struct nw_buf *text, const struct nw_losses *losses) {
    char line[480];
    for (size_t i = 0; losses->has_any && i < NW_N_LOSSES; i++) {
        const struct nw_loss *const l = &losses->items[i];
        (void)snprintf(line, sizeof line, "%s%s: %s. Would show as: %s", nw_loss_text(l->id),
                       i == 0 && losses->is_clear ? " (likely)" : "", l->evidence,
                       nw_loss_rule(l->id));
        say(text, i == 0 ? "lost to" : "", line);
    }
}
