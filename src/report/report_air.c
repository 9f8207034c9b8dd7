/* report_air.c - the page of `air`: when to open, dew and straps, cover, room, claims. */
#include "report/report_air.h"

#include <math.h>

#define CELSIUS(t_K) ((t_K)-NW_ZERO_CELSIUS_K)
#define PER_HOUR 3600.0
#define WH 3600.0
#define GRAM 1e3
enum { TEXT = 480 };

/* "21:40" UTC, or "-". */
static const char *clock_of(char text[48], double t_s) {
    return nw_report_clock(text, 48, t_s);
}

static void text_weather(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    const double at_s[] = {n->times.sunset_s, n->times.dark_s, n->times.dawn_s};
    static const char *const NAMES[] = {"sunset", "dark", "dawn"};
    char when[48];
    nw_buf_printf(buf,
                  "  all times UTC                 air, C  dew point  humidity  clear sky, C\n");
    for (int i = 0; i < 3; i++) {
        const struct nw_air_weather w = nw_air_log_weather(r->log, at_s[i]);
        bool is_frost = false;
        const double dew_K = nw_air_dew_point_K(w.vapour_Pa);
        const double wetting_K = nw_air_wetting_point_K(w.vapour_Pa, &is_frost);
        const double sky_K =
            nw_air_sky_temperature_K(w.air_K, nw_air_sky_emissivity(n->model.sky, dew_K, w.cloud));
        nw_buf_printf(buf, "  %-7s %s %25.1f %10.1f%s %7.0f %% %13.1f\n", NAMES[i],
                      clock_of(when, at_s[i]), CELSIUS(w.air_K), CELSIUS(wetting_K),
                      is_frost ? "*" : " ", 100.0 * nw_air_humidity(w.air_K, w.vapour_Pa),
                      CELSIUS(sky_K));
        if (is_frost && i == 2) {
            nw_buf_printf(buf, "  * frost point, over ice; the rest are dew points, over water\n");
        }
    }
}

static void text_opening(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    char text[TEXT];
    char a[48];
    char b[48];
    double last_s = n->open_s;
    size_t slowest = n->model.n_parts;
    for (size_t i = 0; i < n->model.n_parts; i++) {
        if (!(n->parts[i].settled_s <= last_s)) {
            last_s = n->parts[i].settled_s;
            slowest = i;
            if (isnan(last_s)) {
                break;
            }
        }
    }
    if (isnan(n->open_s)) {
        nw_report_entry(buf, 2, 12, "OPEN",
                        "not tonight: at every time from sunset on a surface "
                        "is colder than the dew point outside and would be "
                        "wet at once. Below: as if opened when it is dark.");
        return;
    }
    (void)snprintf(text, sizeof text, "%s: %s%s", clock_of(a, n->open_s),
                   n->is_late ? "as early as can be; it is not settled when it is dark. "
                              : "the latest time after which all is settled when it is dark. ",
                   n->was_damp ? "Earlier a surface is colder than the dew point outside." : "");
    nw_report_entry(buf, 2, 12, "OPEN", text);
    (void)snprintf(text, sizeof text, "%s: less than %.2g K is left of the cooling%s%s",
                   isnan(last_s) ? "not before dawn" : clock_of(b, last_s),
                   r->rig->damp.settled_K.v, slowest < n->model.n_parts ? "; slowest is " : "",
                   slowest < n->model.n_parts ? r->rig->damp.surfaces[slowest].name : "");
    nw_report_entry(buf, 2, 12, "SETTLED", text);
}

static void text_closing(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    char text[TEXT];
    char a[48];
    if (n->wet_part < n->model.n_parts) {
        const struct nw_air_night_part *const p = &n->parts[n->wet_part];
        (void)snprintf(text, sizeof text,
                       "%s: %s sets in on %s in spite of its strap of %.0f W; %.1f W would keep "
                       "it %.1f K above",
                       clock_of(a, n->close_s), p->is_frost ? "frost" : "dew",
                       r->rig->damp.surfaces[n->wet_part].name, p->given_W, p->needed_W,
                       r->rig->damp.margin_K.v);
    } else {
        (void)snprintf(text, sizeof text, "%s: dawn; every lens stays dry until then",
                       clock_of(a, n->close_s));
    }
    nw_report_entry(buf, 2, 12, "CLOSE", text);
    if (isnan(n->cover_s)) {
        nw_report_entry(buf, 2, 12, "COVER",
                        "not before noon: something is still wet, or colder than the room's dew "
                        "point. Leave it uncovered, straps on: water under a cover stays there.");
    } else {
        const double wait_s = n->cover_s - n->close_s;
        char wait[48];
        (void)snprintf(text, sizeof text, "%s: %s%s", clock_of(a, n->cover_s),
                       wait_s > NW_AIR_STEP_S + 1.0 ? nw_report_duration(wait, sizeof wait, wait_s)
                                                    : "at once",
                       wait_s > NW_AIR_STEP_S + 1.0
                           ? " after closing, straps on, when every surface is dry. Never over a "
                             "wet lens."
                           : ", everything is dry. Look before you do: never over a wet lens.");
        nw_report_entry(buf, 2, 12, "COVER", text);
    }
}

static void text_surfaces(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    if (n->model.n_parts == 0) {
        return;
    }
    nw_buf_printf(buf, "\nSURFACES, roof open, without straps      K above dew point\n"
                       "                      settled  below air   least  at     wets at     most "
                       "g/m2\n");
    for (size_t i = 0; i < n->model.n_parts; i++) {
        const struct nw_air_night_part *const p = &n->parts[i];
        char settled[48];
        char at[48];
        char wets[48];
        char margin[48];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 20, r->rig->damp.surfaces[i].name);
        nw_buf_printf(buf, "%7s %8.1f K  %10s  %s  %-5s %-6s %7.1f\n",
                      clock_of(settled, p->settled_s), p->below_air_K,
                      nw_report_pm(margin, sizeof margin, p->margin_K, p->margin_sigma_K),
                      clock_of(at, p->margin_s), clock_of(wets, p->wets_s),
                      isnan(p->wets_s) ? ""
                      : p->is_frost    ? "frost"
                                       : "dew",
                      p->water_kg_m2 * GRAM);
    }
}

static void text_straps(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    char text[TEXT];
    if (n->model.n_parts == 0) {
        return;
    }
    (void)snprintf(text, sizeof text, "\nSTRAPS, to stay %.1f K above the dew point",
                   r->rig->damp.margin_K.v);
    nw_buf_printf(buf,
                  "%s\n                       needs W, worst   mean   has W   wasted Wh   "
                  "missing Wh   then K\n",
                  text);
    for (size_t i = 0; i < n->model.n_parts; i++) {
        const struct nw_air_night_part *const p = &n->parts[i];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 20, r->rig->damp.surfaces[i].name);
        const bool has = p->given_W > 0.0;
        nw_buf_printf(buf, "%16.1f %6.1f", p->needed_W, p->needed_mean_W);
        nw_report_fixed(buf, 8, has ? p->given_W : NAN, 1);
        nw_report_fixed(buf, 12, has ? p->wasted_J / WH : NAN, 1);
        nw_report_fixed(buf, 13, has ? p->missing_J / WH : NAN, 1);
        nw_report_fixed(buf, 9, has ? p->strapped_margin_K : NAN, 1);
        nw_buf_printf(buf, "\n");
    }
    nw_report_paragraph(buf, 2,
                        "Of a strap's watts only a share reaches the glass (surfaces.*."
                        "strap_share): the needs are as uncertain as that.");
}

static void text_focus(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_focus *const f = r->focus;
    char text[TEXT];
    char shift[48];
    if (!isfinite(f->shift_m)) {
        return;
    }
    const bool has_tube = f->part < r->night->model.n_parts;
    (void)snprintf(text, sizeof text,
                   "%s changes by %+.1f K from dark to closing%s; best focus moves by %s um at "
                   "the sensor, %.1f depths of focus (%.0f um), %+.1f um/K, before compensation",
                   has_tube ? r->rig->damp.surfaces[f->part].name : "the air", f->change_K,
                   has_tube ? "" : " (no tube is described)",
                   nw_report_pm(shift, sizeof shift, f->shift_m * 1e6, f->shift_sigma_m * 1e6),
                   fabs(f->shift_m) / f->depth_m, f->depth_m * 1e6, f->per_K_m * 1e6);
    nw_buf_printf(buf, "\n");
    nw_report_entry(buf, 2, 12, "FOCUS", text);
    if (has_tube) {
        (void)snprintf(text, sizeof text,
                       "the air changes by %+.1f K: a tube under the sky does "
                       "not follow it exactly",
                       f->air_change_K);
        nw_report_entry(buf, 2, 12, "", text);
    }
}

static void text_cover(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    char text[TEXT];
    if (!n->model.has_cover || isnan(n->cover_s)) {
        return;
    }
    const struct nw_air_box *const c = &n->model.cover;
    (void)snprintf(text, sizeof text,
                   "%.1f m2, %.2f m2 K/W, films %.2f, %.1f changes of air an hour: loses %.1f W/K. "
                   "Heater %.0f W: %.1f K above its surroundings for good",
                   c->area_m2, c->insulation_m2_K_W, c->films_m2_K_W,
                   c->air_changes_per_s * PER_HOUR, n->cover_loss_W_K, n->model.cover_heater_W,
                   n->cover_rise_K);
    nw_buf_printf(buf, "\n");
    nw_report_entry(buf, 2, 12, "UNDER COVER", text);
    (void)snprintf(text, sizeof text,
                   "least margin of a surface %.1f K until %.0f h after closing; %.0f W suffice "
                   "for %.1f K",
                   n->cover_margin_K, (n->times.end_s - n->close_s) / PER_HOUR, n->cover_needed_W,
                   r->rig->damp.margin_K.v);
    nw_report_entry(buf, 2, 12, "", text);
}

static void text_room(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_night *const n = r->night;
    char text[TEXT];
    if (!n->model.has_room) {
        return;
    }
    (void)snprintf(text, sizeof text,
                   "at closing %.0f g of water in its air and %.0f g in walls and things; %s %.0f "
                   "g/h on average while closed; %.0f %% at the end",
                   n->room_air_water_kg * GRAM, n->room_wall_water_kg * GRAM,
                   n->leak_kg_s < 0.0 ? "gives off" : "leaks in",
                   fabs(n->leak_kg_s) * GRAM * PER_HOUR, 100.0 * n->room_humidity_end);
    nw_buf_printf(buf, "\n");
    nw_report_entry(buf, 2, 12, "ROOM", text);
    if (n->dryer_kg_s > 0.0) {
        char reached[96] = "not reached";
        char time[48];
        if (isfinite(n->dryer_target_s)) {
            (void)snprintf(reached, sizeof reached, "%s after closing",
                           nw_report_duration(time, sizeof time, n->dryer_target_s));
        }
        (void)snprintf(text, sizeof text,
                       "takes %.0f g/h; %.0f %% %s; runs %.1f h of %.1f, %.2f kWh; without it %.0f "
                       "%% at the end",
                       n->dryer_kg_s * GRAM * PER_HOUR, 100.0 * n->model.dryer_target, reached,
                       n->dryer_on_s / PER_HOUR, (n->times.end_s - n->close_s) / PER_HOUR,
                       n->dryer_on_s * r->rig->damp.dryer.power_W.v / 3.6e6,
                       100.0 * n->undried_humidity_end);
        nw_report_entry(buf, 2, 12, "DRYER", text);
    }
}

static void text_claims(const struct nw_air_report *r, struct nw_buf *buf) {
    if (r->n_claims == 0) {
        return;
    }
    nw_buf_printf(buf, "\nWHAT IS CLAIMED\n");
    for (size_t i = 0; i < r->n_claims; i++) {
        const struct nw_air_claim *const c = &r->claims[i].claim;
        char text[TEXT];
        (void)snprintf(text, sizeof text, "%s %.3g %s: %s", r->claims[i].what,
                       (c->claimed - r->claims[i].zero) * r->claims[i].scale, r->claims[i].unit,
                       c->reason);
        nw_report_entry(buf, 2, 12, nw_air_verdict_word(c->verdict), text);
    }
}

static void text_ends(const struct nw_air_report *r, struct nw_buf *buf) {
    char text[TEXT];
    char from[48];
    char until[48];
    const double first_s = r->log->t_s[0];
    const double last_s = r->log->t_s[r->log->n - 1];
    if (r->log_name && (last_s < r->night->times.end_s || first_s > r->night->times.begin_s)) {
        (void)snprintf(text, sizeof text,
                       "%s goes from %s to %s; outside of that its first and last rows are held.",
                       r->log_name, clock_of(from, first_s), clock_of(until, last_s));
        nw_buf_printf(buf, "\n");
        nw_report_paragraph(buf, 2, text);
    }
    nw_buf_printf(buf, "\nMODEL\n");
    (void)snprintf(text, sizeof text,
                   "vapour: WMO-No. 8; clear sky: %s; balances of heat and water integrated. The "
                   "+- holds humidity, wind and share of the sky; docs/air.md has the rest.",
                   nw_air_sky_source(r->night->model.sky));
    nw_report_paragraph(buf, 2, text);
    nw_buf_printf(buf, "\nCAUTION\n");
    nw_report_paragraph(
        buf, 2,
        "Mains in a damp room: sockets behind a residual-current device of 30 mA, fixed wiring by "
        "an electrician; local rules decide. Heaters and dryers that run unattended need a "
        "thermostat and an over-temperature cut-out, nothing on or over their outlet, a smoke "
        "alarm. Hot damp air of a dryer goes outside. Never cover a wet lens.");
}

void nw_report_air_text(const struct nw_air_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "DAMP OF A NIGHT", r->log_name ? r->log_name : "the rig's usual night");
    text_weather(r, buf);
    nw_buf_printf(buf, "\n");
    text_opening(r, buf);
    text_closing(r, buf);
    text_surfaces(r, buf);
    text_straps(r, buf);
    text_focus(r, buf);
    text_cover(r, buf);
    text_room(r, buf);
    text_claims(r, buf);
    nw_report_air_fit_text(r, buf);
    text_ends(r, buf);
}

void nw_report_air_csv(const struct nw_air_report *r, struct nw_buf *csv) {
    const struct nw_air_night *const n = r->night;
    nw_buf_printf(csv, "time,air_c,dew_point_c,roof_open,covered,room_c,room_humidity_percent,"
                       "cover_c");
    for (size_t i = 0; i < n->model.n_parts; i++) {
        const char *const name = r->rig->damp.surfaces[i].name;
        nw_buf_printf(csv, ",%s_c,%s_margin_k,%s_water_g_per_m2", name, name, name);
    }
    nw_buf_printf(csv, "\n");
    for (size_t k = 0; k < n->n_records; k++) {
        const struct nw_air_night_record *const rec = &n->records[k];
        const struct nw_air_heat_state *const s = &rec->state;
        char time[40];
        nw_time_write_iso(s->t_s, 0, time, sizeof time);
        nw_buf_printf(csv, "%s,%.3f,%.3f,%d,%d,%.3f,%.2f,%.3f", time, CELSIUS(rec->weather.air_K),
                      CELSIUS(nw_air_dew_point_K(rec->weather.vapour_Pa)), rec->phase.is_roof_open,
                      rec->phase.is_covered, CELSIUS(s->room_K),
                      100.0 * nw_air_humidity(
                                  s->room_K, nw_air_vapour_of_density_Pa(s->room_K, s->room_kg_m3)),
                      CELSIUS(s->cover_K));
        for (size_t i = 0; i < n->model.n_parts; i++) {
            nw_buf_printf(csv, ",%.3f,%.3f,%.3f", CELSIUS(s->part_K[i]),
                          s->part_K[i] - rec->wetting_K[i], s->water_kg_m2[i] * GRAM);
        }
        nw_buf_printf(csv, "\n");
    }
}

void nw_report_air_log_csv(const struct nw_air_log *log, struct nw_buf *csv) {
    nw_buf_printf(csv, "time,temperature_c,humidity_percent,dew_point_c,frost_point_c,"
                       "vapour_g_per_m3,mixing_ratio_g_per_kg\n");
    for (size_t i = 0; i < log->n; i++) {
        const double air_K = nw_air_log_at(log, NW_AIR_AIR, i);
        const double vapour_Pa = nw_air_log_at(log, NW_AIR_VAPOUR, i);
        const double frost_K = nw_air_frost_point_K(vapour_Pa);
        char time[40];
        char frost[24] = "";
        if (isfinite(frost_K)) {
            (void)snprintf(frost, sizeof frost, "%.4f", CELSIUS(frost_K));
        }
        nw_time_write_iso(log->t_s[i], 0, time, sizeof time);
        nw_buf_printf(
            csv, "%s,%.4f,%.4f,%.4f,%s,%.5f,%.5f\n", time, CELSIUS(air_K),
            100.0 * nw_air_humidity(air_K, vapour_Pa), CELSIUS(nw_air_dew_point_K(vapour_Pa)),
            frost, GRAM * nw_air_vapour_density_kg_m3(air_K, vapour_Pa),
            GRAM * nw_air_mixing_ratio(vapour_Pa, nw_air_log_at(log, NW_AIR_PRESSURE, i)));
    }
}
