/* report_night.c - one page on a night, in words. */
#include <math.h>

#include "report/night_words.h"
#include "report/report_live.h"

#define AS NW_ARCSEC_PER_RAD

static void heading(const struct nw_night_report *r, struct nw_buf *buf) {
    const struct nw_live *const live = &r->night->live;
    char title[64];
    (void)snprintf(title, sizeof title, "NIGHT OF %s", live->date);
    nw_report_title(buf, title, r->rig && !r->is_without_site ? r->setup->name : "");
    nw_buf_printf(buf, "%zu subs, %.1f hours of exposure; ", live->n, live->exposure_h);
    for (size_t i = 0; i < live->n; i++) { /* each target once, in order */
        bool is_first = true;
        for (size_t k = 0; k < i; k++) {
            is_first = is_first && strcmp(live->subs[k].object, live->subs[i].object) != 0;
        }
        if (is_first) {
            nw_buf_printf(buf, "%s", i > 0 ? ", " : "");
            nw_report_clean(buf, live->subs[i].object[0] ? live->subs[i].object : "no target said");
        }
    }
    nw_buf_printf(buf, "\n%s\n",
                  r->is_without_site ? "times count from the first sub" : "times are UTC");
}

static void hours(const struct nw_night_report *r, struct nw_buf *buf) {
    double value = NAN;
    char note[NIGHT_WORDS];
    nw_buf_printf(buf, "\nWHERE THE HOURS WENT\n");
    for (size_t i = 0;; i++) {
        const char *const label = night_hours(r, i, &value, note, sizeof note);
        if (!label) {
            break;
        }
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 22, label);
        nw_report_fixed(buf, 7, value, 2);
        nw_buf_printf(buf, "%s%s\n", note[0] ? "   " : "", note);
    }
    for (size_t i = 0; i < r->night->n_gaps; i++) {
        char text[NIGHT_WORDS];
        night_gap_words(r, &r->night->gaps[i], text, sizeof text);
        nw_report_paragraph(buf, 2, text);
    }
}

static void room(const struct nw_night_report *r, struct nw_buf *buf) {
    char text[NIGHT_WORDS];
    for (size_t i = 0; night_room_words(r, i, text, sizeof text); i++) {
        nw_buf_printf(buf, "%s", i == 0 ? "\nDAMP AND POWER\n" : "");
        nw_report_paragraph(buf, 2, text);
    }
}

static void width(const struct nw_night_report *r, struct nw_buf *buf) {
    const struct nw_star_budget *const b = r->budget;
    nw_buf_printf(buf, "\nSTAR WIDTH, arcsec FWHM\n");
    if (!b) {
        nw_report_paragraph(buf, 2, r->why_no_budget);
        return;
    }
    nw_buf_printf(buf, "  %-22s%9s%11s%8s\n", "", "predicted", "measured", "share");
    for (size_t i = 0; i < NW_STAR_N_LINES; i++) {
        const struct nw_star_line *const line = &b->lines[i];
        if (!line->is_present || !(line->share >= 0.01)) {
            continue;
        }
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 22, line->label);
        nw_report_fixed(buf, 9, line->predicted_rad * AS, 2);
        nw_report_fixed(buf, 11, line->measured_rad * AS, 2);
        nw_buf_printf(buf, "%6.0f %%\n", 100.0 * line->share);
    }
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 22, "together");
    nw_report_fixed(buf, 9, b->predicted_rad * AS, 2);
    nw_report_fixed(buf, 11, b->measured_rad * AS, 2);
    nw_buf_printf(buf, "\n  what limits: %s. Not explained: %+.2f +- %.2f arcsec^2\n",
                  b->lines[b->limiting].label, b->unexplained_rad2 * AS * AS,
                  b->unexplained_sigma_rad2 * AS * AS);
    if (r->remark[0] != '\0') {
        nw_report_paragraph(buf, 2, r->remark);
    }
}

static void one_sub(const struct nw_night_report *r, const struct nw_nightly_sub *sub,
                    struct nw_buf *buf) {
    char when[48];
    char words[NIGHT_WORDS];
    night_sub_words(r, sub, words, sizeof words);
    nw_buf_printf(buf, "  %5s  sub %-4zu %s\n",
                  night_clock(r, r->night->live.subs[sub->sub].t_start_utc_s, when, sizeof when),
                  sub->sub + 1, words);
}

static void subs(const struct nw_night_report *r, struct nw_buf *buf) {
    const size_t n = r->night->n_worth;
    nw_buf_printf(buf, "\nBEST AND WORST SUBS, worth against the best for point sources\n");
    if (n == 0) {
        nw_buf_printf(buf, "  cannot be told: width, light or noise is not known\n");
        return;
    }
    const size_t n_shown = n < NIGHT_TWICE ? (n + 1) / 2 : NIGHT_SUBS;
    for (size_t i = 0; i < n_shown; i++) {
        one_sub(r, &r->night->subs[n - 1 - i], buf);
    }
    for (size_t i = n - n_shown < n_shown ? n - n_shown : n_shown; i-- > 0;) {
        one_sub(r, &r->night->subs[i], buf);
    }
}

static void events(const struct nw_night_report *r, struct nw_buf *buf) {
    const struct nw_live *const live = &r->night->live;
    nw_buf_printf(buf, "\nWHAT WENT OFF\n");
    for (size_t i = 0; i < live->n_alerts; i++) {
        const struct nw_live_alert *const alert = &live->alerts[i];
        char text[NIGHT_WORDS];
        char from[48];
        char to[48];
        nw_buf_printf(buf, "  %s to %s  %s: ", night_clock(r, alert->t_raised_s, from, sizeof from),
                      isfinite(alert->t_cleared_s)
                          ? night_clock(r, alert->t_cleared_s, to, sizeof to)
                          : "the end",
                      nw_live_kind_text(alert->kind));
        night_alert_words(r, alert, text, sizeof text);
        nw_report_clean(buf, text);
        nw_buf_printf(buf, "\n");
    }
    if (live->n_alerts == 0) {
        nw_buf_printf(buf, "  nothing that `watch` would have told you of\n");
    }
    for (size_t i = 0; i < r->night->n_changes; i++) {
        const struct nw_book_change *const c = &r->night->changes[i];
        nw_buf_printf(buf, "  changed: ");
        nw_report_clean(buf, c->what);
        if (!c->is_owners) {
            nw_buf_printf(buf, ", ");
            nw_report_clean(buf, c->old_value[0] ? c->old_value : "(not said)");
            nw_buf_printf(buf, " -> ");
            nw_report_clean(buf, c->new_value[0] ? c->new_value : "(not said)");
        }
        nw_buf_printf(buf, "\n");
    }
}

void nw_report_night_text(const struct nw_night_report *report, struct nw_buf *buf) {
    heading(report, buf);
    hours(report, buf);
    room(report, buf);
    width(report, buf);
    subs(report, buf);
    events(report, buf);
    nw_buf_printf(buf, "\nTOMORROW\n");
    char text[NIGHT_WORDS];
    size_t i = 0;
    for (; i < NIGHT_TOMORROW && night_tomorrow(report, i, text, sizeof text); i++) {
        char number[8];
        (void)snprintf(number, sizeof number, "%zu", i + 1);
        nw_report_entry(buf, 2, 5, number, text);
    }
    if (i == 0) {
        nw_buf_printf(buf, "  leave it as it is: nothing found that is worth a change\n");
    }
}
