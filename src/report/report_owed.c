/* report_owed.c - the page of `owed`. */
#include "report/report_owed.h"

#include <math.h>

static const char *const MONTHS[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                     "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
#define C(kelvin) ((kelvin)-NW_ZERO_CELSIUS_K)

static const char *state_of(const struct nw_hand_set *s) {
    return s->is_missing ? "missing" : s->is_stale ? "stale" : s->is_few ? "few" : "there";
}

static void name_of(const struct nw_owed_report *r, const struct nw_hand_set *s, char *text,
                    size_t size) {
    const struct nw_hand_group *const g = &r->list->groups[s->group];
    char more[64] = "";
    if (s->need == NW_HAND_NEED_DARK) {
        (void)snprintf(more, sizeof more, " %.0f s", s->exposure_s);
    }
    if (s->need == NW_HAND_NEED_DARK && isfinite(s->temperature_K)) {
        const size_t len = strlen(more);
        (void)snprintf(more + len, sizeof more - len, ", %.0f degC", C(s->temperature_K));
    }
    if (s->need == NW_HAND_NEED_FLAT) {
        (void)snprintf(more, sizeof more, " %.30s", g->filter);
    }
    if (s->need == NW_HAND_NEED_FLAT && isfinite(s->angle_rad)) {
        const size_t len = strlen(more);
        (void)snprintf(more + len, sizeof more - len, ", %.1f deg", s->angle_rad * NW_DEG_PER_RAD);
    }
    (void)snprintf(text, size, "%s%s", nw_hand_need_word(s->need), more);
}

static void rows(const struct nw_owed_report *r, struct nw_buf *buf) {
    char name[96];
    nw_buf_printf(buf,
                  "\n  set                              subs  have  state     owed      time\n");
    for (size_t i = 0; i < r->list->n; i++) {
        const struct nw_owed *const o = &r->list->owed[i];
        const struct nw_hand_set *const s = &r->list->sets[o->set];
        name_of(r, s, name, sizeof name);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 32, name);
        nw_buf_printf(buf, "%5zu%6zu  ", s->n_subs, s->n);
        nw_report_left(buf, 8, state_of(s));
        nw_buf_printf(buf, "%6zu  ", o->wanted);
        nw_report_fixed(buf, 6, o->wanted ? o->minutes : NAN, 0);
        nw_buf_printf(buf, " min\n");
        if (s->nearest[0]) {
            nw_report_entry(buf, 4, 15, "nearest", s->nearest);
        }
    }
}

static void under_cloud(const struct nw_owed_report *r, struct nw_buf *buf) {
    char name[96];
    char text[400];
    char a[32];
    double sum = 0.0;
    bool is_first = true;
    for (size_t i = 0; i < r->list->n; i++) {
        const struct nw_owed *const o = &r->list->owed[i];
        if (!o->is_capped || o->wanted == 0) {
            continue;
        }
        sum += o->minutes;
        name_of(r, &r->list->sets[o->set], name, sizeof name);
        (void)snprintf(text, sizeof text, "%zu x %s: done after %s", o->wanted, name,
                       nw_report_duration(a, sizeof a, 60.0 * sum));
        nw_report_entry(buf, 2, 15, is_first ? "under cloud" : "", text);
        is_first = false;
    }
    nw_report_entry(
        buf, 2, 15, is_first ? "under cloud" : "",
        r->n_subs == 0 ? "no sub was given that could want frames: name folders of subs, or "
                         "--targets and --night"
        : is_first     ? "nothing is owed: sets of darks at three temperatures (`sensor`) "
                         "tell how the dark current doubles; a panel on the tube makes flats"
                       : "cap on, panel off, no light in the room; a panel on the tube makes "
                         "the flats meanwhile, but not with the cap on");
}

static void cooling(const struct nw_owed_report *r, struct nw_buf *buf) {
    char text[400];
    if (!r->cooling) {
        nw_report_entry(buf, 2, 15, "cooling", r->why_no_cooling);
        return;
    }
    const struct nw_cooling *const c = r->cooling;
    nw_buf_printf(buf, "\n  cooling, set to %.0f degC", C(r->camera->set_temperature_K.v));
    nw_buf_printf(buf, "   night air   reached   headroom   dark current\n");
    for (int m = 0; m < 12; m++) {
        const struct nw_cooling_month *const x = &c->months[m];
        nw_buf_printf(buf, "  %s%31.0f degC%5.0f degC%9.0f K%13.1f x%s\n", MONTHS[m], C(x->air_K),
                      C(x->reach_K), x->headroom_K, x->dark_factor,
                      x->headroom_K < 0.0   ? "  not held"
                      : x->headroom_K < 3.0 ? "  hardly"
                                            : "");
    }
    (void)snprintf(text, sizeof text,
                   "%.0f degC is held all year with 3 K in hand (+- %.0f K); one set point spares "
                   "a second set of darks%s",
                   ceil(C(c->warmest_hold_K)), c->sigma_K,
                   c->is_assumed ? ". Summer and winter nights are taken 8 K about "
                                   "site.temperature: give site.summer_temperature and "
                                   "site.winter_temperature"
                                 : "");
    nw_report_entry(buf, 2, 15, "hold", text);
}

void nw_report_owed_text(const struct nw_owed_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "CALIBRATION OWED", r->what);
    if (r->list->n) {
        rows(r, buf);
        nw_buf_printf(buf, "\n");
    }
    under_cloud(r, buf);
    cooling(r, buf);
    nw_buf_printf(buf, "\n");
    nw_report_paragraph(buf, 2,
                        "Sets of 20; darks are stale after 180, flats after 14, bias after 365 "
                        "days (common practice, no source). The dark current doubles in 6 K (rule "
                        "of thumb): `sensor` measures yours.");
}

enum nw_status nw_report_owed_json(const struct nw_owed_report *r, json_t **ret,
                                   struct nw_err *err) {
    struct nw_json j;
    nw_json_begin(&j, "owed", 1);
    nw_json_text(&j, NULL, "of", r->what);
    nw_json_number(&j, NULL, "capped_min", r->list->capped_min, 5);
    json_t *const list = nw_json_array(&j, NULL, "sets");
    for (size_t i = 0; i < r->list->n; i++) {
        const struct nw_owed *const o = &r->list->owed[i];
        const struct nw_hand_set *const s = &r->list->sets[o->set];
        json_t *const item = nw_json_item(&j, list);
        nw_json_text(&j, item, "kind", nw_hand_need_word(s->need));
        nw_json_text(&j, item, "filter", r->list->groups[s->group].filter);
        nw_json_number(&j, item, "exposure_s", s->exposure_s, 6);
        nw_json_number(&j, item, "temperature_c", C(s->temperature_K), 4);
        nw_json_number(&j, item, "rotator_deg", s->angle_rad * NW_DEG_PER_RAD, 6);
        nw_json_count(&j, item, "subs", s->n_subs);
        nw_json_count(&j, item, "have", s->n);
        nw_json_text(&j, item, "state", state_of(s));
        nw_json_count(&j, item, "owed", o->wanted);
        nw_json_number(&j, item, "minutes", o->minutes, 4);
        nw_json_bool(&j, item, "with_cap_on", o->is_capped);
        nw_json_number(&j, item, "age_days", s->age_s / 86400.0, 4);
        nw_json_text(&j, item, "nearest", s->nearest);
    }
    json_t *const cool = nw_json_object(&j, NULL, "cooling");
    json_t *const months = nw_json_array(&j, cool, "months");
    for (int m = 0; r->cooling && m < 12; m++) {
        const struct nw_cooling_month *const x = &r->cooling->months[m];
        json_t *const item = nw_json_item(&j, months);
        nw_json_text(&j, item, "month", MONTHS[m]);
        nw_json_number(&j, item, "night_air_c", C(x->air_K), 4);
        nw_json_number(&j, item, "reached_c", C(x->reach_K), 4);
        nw_json_number(&j, item, "headroom_k", x->headroom_K, 4);
        nw_json_number(&j, item, "dark_current_factor", x->dark_factor, 4);
    }
    nw_json_number(&j, cool, "held_all_year_c", r->cooling ? C(r->cooling->warmest_hold_K) : NAN,
                   4);
    if (!r->cooling) {
        nw_json_why(&j, cool, "held_all_year_c", r->why_no_cooling);
    }
    return nw_json_end(&j, ret, err);
}
