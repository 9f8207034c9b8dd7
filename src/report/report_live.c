/* report_live.c - the night as it goes, in lines and as JSON. */
#include <math.h>

#include "report/report_live.h"

#define AS NW_ARCSEC_PER_RAD

void nw_report_live_alert(const struct nw_live_alert *alert, bool is_cleared, struct nw_buf *buf) {
    char when[48];
    (void)nw_report_clock(when, sizeof when, is_cleared ? alert->t_cleared_s : alert->t_raised_s);
    nw_buf_printf(buf, "%s  %-8s %-9s ", when, is_cleared ? "OVER" : "ALERT",
                  nw_live_kind_word(alert->kind));
    nw_report_clean(buf, is_cleared ? nw_live_kind_text(alert->kind) : alert->text);
    nw_buf_printf(buf, "\n");
}

void nw_report_live_sub(const struct nw_live *live, struct nw_buf *buf) {
    if (live->n == 0) {
        return;
    }
    const struct nw_live_sub *const sub = &live->subs[live->n - 1];
    char when[48];
    (void)nw_report_clock(when, sizeof when, sub->t_start_utc_s);
    nw_buf_printf(buf, "%s  sub %-4zu ", when, live->n);
    if (!isfinite(sub->fwhm_px)) {
        nw_buf_printf(buf, "no width");
    } else if (isfinite(sub->scale_rad_px)) {
        nw_buf_printf(buf, "%.2f arcsec", sub->fwhm_px * sub->scale_rad_px * AS);
    } else {
        nw_buf_printf(buf, "%.2f px", sub->fwhm_px);
    }
    if (isfinite(sub->foretold_px)) {
        nw_buf_printf(buf, " (foretold %.2f +- %.2f)", sub->foretold_px * sub->scale_rad_px * AS,
                      sub->foretold_sigma_px * sub->scale_rad_px * AS);
    }
    if (isfinite(sub->transmission)) {
        nw_buf_printf(buf, ", light %.0f %%", 100.0 * sub->transmission);
    }
    nw_buf_printf(buf, ", %zu stars", sub->n_stars);
    if (live->n_guiding > 0) {
        nw_buf_printf(buf, ", guiding %.2f arcsec as logged",
                      live->guiding[live->n_guiding - 1].rms_rad * AS);
    }
    nw_buf_printf(buf, "\n");
}

void nw_report_live_contact(const struct nw_live *live, char *to, size_t size) {
    const struct nw_live_contact *const c = &live->contact;
    char at[48];
    char sure[48];
    if (!live->has_contact || c->why_null[0] != '\0') {
        (void)snprintf(to, size, "not known: %s", live->has_contact ? c->why_null : "not asked");
    } else if (isfinite(c->contact_s)) {
        (void)snprintf(to, size, "%s at %s, 95 %% sure of none until %s (tube %s%s)", c->meets,
                       nw_report_clock(at, sizeof at, c->contact_s),
                       nw_report_clock(sure, sizeof sure, c->sure_s), c->is_east ? "east" : "west",
                       c->is_side_assumed ? ", assumed" : "");
    } else if (isfinite(c->sure_s)) {
        (void)snprintf(to, size, "none in the model, but sure only until %s (%s, tube %s%s)",
                       nw_report_clock(sure, sizeof sure, c->sure_s), c->meets,
                       c->is_east ? "east" : "west", c->is_side_assumed ? ", assumed" : "");
    } else {
        (void)snprintf(to, size, "none in the model until the target sets (tube %s%s)",
                       c->is_east ? "east" : "west", c->is_side_assumed ? ", assumed" : "");
    }
}

void nw_report_live_dew(const struct nw_live *live, char *to, size_t size) {
    struct nw_live_dew dew;
    char at[48];
    nw_live_dew_of(live, &dew);
    if (dew.why_null[0] != '\0') {
        (void)snprintf(to, size, "not known: %s", dew.why_null);
        return;
    }
    const int n =
        snprintf(to, size, "%s %.1f K above the %s point at %s", dew.of, dew.margin_K,
                 dew.is_frost ? "frost" : "dew", nw_report_clock(at, sizeof at, dew.t_utc_s));
    const size_t used = n > 0 && (size_t)n < size ? (size_t)n : size - 1;
    if (isfinite(dew.dew_s)) {
        (void)snprintf(to + used, size - used, ", %+.1f K an hour: reached at about %s",
                       dew.rate_K_s * 3600.0, nw_report_clock(at, sizeof at, dew.dew_s));
    } else if (isfinite(dew.rate_K_s)) {
        (void)snprintf(to + used, size - used, ", %+.1f +- %.1f K an hour", dew.rate_K_s * 3600.0,
                       dew.rate_sigma_K_s * 3600.0);
    }
}

static void put_dew(struct nw_json *json, const struct nw_live *live) {
    struct nw_live_dew dew;
    nw_live_dew_of(live, &dew);
    if (dew.why_null[0] != '\0') {
        nw_json_null(json, NULL, "dew");
        nw_json_why(json, NULL, "dew", dew.why_null);
        return;
    }
    json_t *const item = nw_json_object(json, NULL, "dew");
    nw_json_text(json, item, "of", dew.of);
    nw_json_bool(json, item, "is_surface_logged", !dew.is_air);
    nw_json_bool(json, item, "is_frost", dew.is_frost);
    nw_json_time(json, item, "time_utc", dew.t_utc_s, 0);
    nw_json_number(json, item, "margin_k", dew.margin_K, 4);
    nw_json_number(json, item, "rate_k_per_h", dew.rate_K_s * 3600.0, 4);
    nw_json_number(json, item, "rate_sigma_k_per_h", dew.rate_sigma_K_s * 3600.0, 3);
    nw_json_time(json, item, "reached_utc", dew.dew_s, 0);
    nw_json_time(json, item, "reached_from_utc", dew.dew_from_s, 0);
    nw_json_time(json, item, "reached_until_utc", isfinite(dew.dew_until_s) ? dew.dew_until_s : NAN,
                 0);
}

static void put_contact(struct nw_json *json, const struct nw_live *live) {
    const struct nw_live_contact *const c = &live->contact;
    if (!live->has_contact || c->why_null[0] != '\0') {
        nw_json_null(json, NULL, "contact");
        nw_json_why(json, NULL, "contact", live->has_contact ? c->why_null : "not asked");
        return;
    }
    json_t *const contact = nw_json_object(json, NULL, "contact");
    nw_json_text(json, contact, "tube_side", c->is_east ? "east" : "west");
    nw_json_bool(json, contact, "is_side_assumed", c->is_side_assumed);
    nw_json_number(json, contact, "hour_angle_h", c->ha_rad * NW_DEG_PER_RAD / 15.0, 5);
    nw_json_time(json, contact, "contact_utc", c->contact_s, 0);
    nw_json_number(json, contact, "contact_hour_angle_h", c->contact_ha_rad * NW_DEG_PER_RAD / 15.0,
                   5);
    nw_json_time(json, contact, "sure_until_utc", c->sure_s, 0);
    nw_json_bool(json, contact, "does_flip_clear_it", !isnan(c->flipped_free_s));
    nw_json_text(json, contact, "meets", c->meets);
}

static void put_alert(struct nw_json *json, json_t *list, const struct nw_live_alert *alert) {
    json_t *const item = nw_json_item(json, list);
    nw_json_text(json, item, "kind", nw_live_kind_word(alert->kind));
    nw_json_time(json, item, "raised_utc", alert->t_raised_s, 0);
    nw_json_time(json, item, "cleared_utc", alert->t_cleared_s, 0);
    nw_json_bool(json, item, "is_on", !isfinite(alert->t_cleared_s));
    nw_json_number(json, item, "value", alert->value, 6);
    nw_json_number(json, item, "limit", alert->limit, 6);
    nw_json_text(json, item, "text", alert->text);
}

enum nw_status nw_report_live_json(const struct nw_live *live, double now_utc_s, json_t **ret,
                                   struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "watch", 1);
    nw_json_text(&json, NULL, "night", live->date);
    nw_json_time(&json, NULL, "now_utc", now_utc_s, 0);
    nw_json_number(&json, NULL, "exposure_h", live->exposure_h, 6);
    nw_json_number(&json, NULL, "gb_per_h", live->bytes_per_s * 3600.0 / 1e9, 6);
    put_contact(&json, live);
    put_dew(&json, live);
    json_t *const alerts = nw_json_array(&json, NULL, "alerts");
    for (size_t i = 0; i < live->n_alerts; i++) {
        put_alert(&json, alerts, &live->alerts[i]);
    }
    json_t *const subs = nw_json_array(&json, NULL, "subs");
    for (size_t i = 0; i < live->n; i++) {
        const struct nw_live_sub *const sub = &live->subs[i];
        json_t *const item = nw_json_item(&json, subs);
        nw_json_time(&json, item, "start_utc", sub->t_start_utc_s, 3);
        nw_json_number(&json, item, "exposure_s", sub->exposure_s, 6);
        nw_json_text(&json, item, "filter", sub->filter);
        nw_json_text(&json, item, "object", sub->object);
        nw_json_number(&json, item, "fwhm_px", sub->fwhm_px, 5);
        nw_json_number(&json, item, "fwhm_arcsec", sub->fwhm_px * sub->scale_rad_px * AS, 5);
        nw_json_number(&json, item, "foretold_arcsec", sub->foretold_px * sub->scale_rad_px * AS,
                       5);
        nw_json_number(&json, item, "foretold_sigma_arcsec",
                       sub->foretold_sigma_px * sub->scale_rad_px * AS, 5);
        nw_json_number(&json, item, "elongation", sub->elongation, 5);
        nw_json_number(&json, item, "relative_transmission", sub->transmission, 5);
        nw_json_count(&json, item, "stars", sub->n_stars);
    }
    return nw_json_end(&json, ret, err);
}
