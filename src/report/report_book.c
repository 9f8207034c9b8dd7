/* report_book.c - the book's answers in words. */
#include <math.h>

#include "report/report_book.h"
#include "report/report_internal.h"

enum { SHOWN_SKIPPED = 6 };

static const char *plural(size_t n) {
    return n == 1 ? "" : "s";
}

void nw_report_book_added_text(const struct nw_book_added *added, struct nw_buf *buf) {
    nw_buf_printf(buf, "%zu file%s: %zu added", added->n_files, plural(added->n_files),
                  added->n_fate[NW_BOOK_ADDED]);
    for (size_t fate = NW_BOOK_KNOWN; fate <= NW_BOOK_SKIPPED; fate++) {
        if (added->n_fate[fate] > 0) {
            nw_buf_printf(buf, ", %zu %s", added->n_fate[fate],
                          nw_book_fate_word((enum nw_book_fate)fate));
        }
    }
    nw_buf_printf(buf, "\n");
    const struct {
        size_t n;
        const char *what;
    } parts[] = {
        {added->n_lights, "light frame"},       {added->n_calibration, "calibration frame"},
        {added->n_runs, "guide run"},           {added->n_climate, "climate night"},
        {added->n_power, "power night"},        {added->n_rigs, "rig file"},
        {added->n_changes, "change of setting"}};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        if (parts[i].n > 0) {
            nw_buf_printf(buf, "  %zu %s%s%s\n", parts[i].n, parts[i].what, plural(parts[i].n),
                          i == 7 ? " noticed (`book change` lists them)" : "");
        }
    }
    if (added->n_unmeasured > 0) {
        nw_buf_printf(buf, "  %zu of the light frames could not be measured\n",
                      added->n_unmeasured);
    }
    if (added->n_doubles > 0) {
        nw_buf_printf(buf, "  %zu exposure%s came from a second file too: counted once\n",
                      added->n_doubles, plural(added->n_doubles));
    }
    for (size_t i = 0; i < added->n_skipped && i < SHOWN_SKIPPED; i++) {
        nw_buf_printf(buf, "  skipped ");
        nw_report_clean(buf, added->skipped[i].path);
        nw_buf_printf(buf, ": ");
        nw_report_clean(buf, added->skipped[i].why);
        nw_buf_printf(buf, "\n");
    }
    if (added->n_skipped > SHOWN_SKIPPED) {
        nw_buf_printf(buf, "  ... and %zu more; --json lists all\n",
                      added->n_skipped - SHOWN_SKIPPED);
    }
}

/* "-" where not known. */
static void number(struct nw_buf *buf, int width, int decimals, double value) {
    if (isfinite(value)) {
        nw_buf_printf(buf, "%*.*f", width, decimals, value);
    } else {
        nw_buf_printf(buf, "%*s", width, "-");
    }
}

void nw_report_book_nights_text(const struct nw_book_night *nights, size_t n, struct nw_buf *buf) {
    if (n == 0) {
        nw_buf_printf(buf,
                      "no nights yet: `book add FOLDER` takes frames, guide logs, rig files\n");
        return;
    }
    nw_buf_printf(buf, "night       subs  hours   width, arcsec  guiding, arcsec  changed\n"
                       "                          median   best  logged  in sub\n");
    double hours = 0.0;
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_night *const night = &nights[i];
        hours += night->exposure_s / 3600.0;
        nw_buf_printf(buf, "%s  %4zu  %5.1f   ", night->date, night->n_lights,
                      night->exposure_s / 3600.0);
        number(buf, 7, 2, night->fwhm_arcsec);
        number(buf, 7, 2, night->best_arcsec);
        number(buf, 8, 2, night->rms_arcsec);
        number(buf, 8, 2, night->motion_arcsec);
        if (night->n_changes > 0) {
            nw_buf_printf(buf, "  %7zu", night->n_changes);
        }
        nw_buf_printf(buf, "\n");
        if (night->objects[0] != '\0' || night->filters[0] != '\0') {
            nw_buf_printf(buf, "            ");
            nw_report_clean(buf, night->objects);
            nw_buf_printf(buf, "%s", night->objects[0] && night->filters[0] ? "; " : "");
            nw_report_clean(buf, night->filters);
            nw_buf_printf(buf, "\n");
        }
    }
    nw_buf_printf(buf, "%zu night%s, %.1f hours\n", n, plural(n), hours);
}

void nw_report_book_changes_text(const struct nw_book_change *changes, size_t n,
                                 struct nw_buf *buf) {
    if (n == 0) {
        nw_buf_printf(buf, "no changes: none noticed in the headers, none entered\n");
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_change *const c = &changes[i];
        nw_buf_printf(buf, "%s  ", c->date);
        nw_report_clean(buf, c->what);
        if (c->old_value[0] != '\0' || c->new_value[0] != '\0') {
            nw_buf_printf(buf, ": ");
            nw_report_clean(buf, c->old_value[0] ? c->old_value : "(not said)");
            nw_buf_printf(buf, " -> ");
            nw_report_clean(buf, c->new_value[0] ? c->new_value : "(not said)");
        }
        if (c->note[0] != '\0') {
            nw_buf_printf(buf, ": ");
            nw_report_clean(buf, c->note);
        }
        if (c->is_owners) {
            nw_buf_printf(buf, "  (yours, number %lld)", (long long)c->id);
        } else if (c->camera[0] != '\0') {
            nw_buf_printf(buf, "  (");
            nw_report_clean(buf, c->camera);
            nw_buf_printf(buf, ")");
        }
        nw_buf_printf(buf, "\n");
    }
}

static enum nw_status chart(const struct nw_book_trend_opts *opts,
                            const struct nw_book_trend *trend, struct nw_buf *buf) {
    double *const values = nw_calloc(2 * trend->n, sizeof *values);
    if (!values) {
        return NW_NOMEM;
    }
    double low = INFINITY;
    double high = -INFINITY;
    for (size_t i = 0; i < trend->n; i++) {
        values[i] = trend->points[i].x;
        values[trend->n + i] = trend->points[i].y;
        low = fmin(low, values[i]);
        high = fmax(high, values[i]);
    }
    char left[40];
    char right[64];
    (void)snprintf(left, sizeof left, "%.4g", low);
    (void)snprintf(right, sizeof right, "%.4g %s", high,
                   strcmp(opts->x, "night") == 0 ? "days" : opts->x);
    report_chart(buf, &(struct report_chart){.t = values,
                                             .y = values + trend->n,
                                             .n = trend->n,
                                             .left = left,
                                             .right = right,
                                             .decimals = 2});
    free(values);
    return NW_OK;
}

void nw_report_book_trend_text(const struct nw_book_trend_opts *opts,
                               const struct nw_book_trend *trend, struct nw_buf *buf) {
    const bool is_time = strcmp(opts->x, "night") == 0;
    nw_buf_printf(buf, "%s against %s, %zu %s of %zu night%s\n\n", opts->y,
                  is_time ? "days since the first night" : opts->x, trend->n,
                  opts->is_by_night ? "medians" : "points", trend->n_nights,
                  plural(trend->n_nights));
    if (chart(opts, trend, buf) != NW_OK) {
        nw_buf_printf(buf, "  (no memory for the chart)\n");
    }
    nw_buf_printf(buf, "\n");
    if (trend->why_null[0] != '\0') {
        nw_report_entry(buf, 2, 12, "NO LINE", trend->why_null);
        return;
    }
    char text[400];
    (void)snprintf(
        text, sizeof text,
        "%+.3g per %s (95 %%: %+.3g to %+.3g), %.4g at %.4g, scatter %.2g about it; rank "
        "correlation %+.2f",
        trend->slope, is_time ? "day" : opts->x, trend->slope_low, trend->slope_high, trend->at_y,
        trend->at_x, trend->scatter, trend->rank_correlation);
    nw_report_entry(buf, 2, 12, "LINE", text);
    const bool is_told = trend->slope_low > 0.0 || trend->slope_high < 0.0;
    nw_report_entry(buf, 2, 12, "MIND",
                    is_told ? "two numbers that change together need not be cause and effect: what "
                              "else changed in these nights?"
                            : "no trend can be told: the interval holds 0");
}

void nw_report_book_health_text(const struct nw_book_health *health, struct nw_buf *buf) {
    nw_buf_printf(buf,
                  "nights %zu, frames %zu (measures %zu), guide runs %zu (samples %zu), rig files "
                  "%zu, changes %zu; %.1f MB\n",
                  health->n_nights, health->n_frames, health->n_measures, health->n_runs,
                  health->n_samples, health->n_rigs, health->n_changes,
                  (double)health->size_bytes / 1e6);
    nw_buf_printf(buf,
                  "climate nights %zu (rows %zu), power nights %zu (rows %zu), documents %zu, "
                  "calibration sets %zu\n",
                  health->n_climate, health->n_climate_rows, health->n_power, health->n_power_rows,
                  health->n_documents, health->n_sets);
    if (health->n_problems == 0) {
        nw_buf_printf(buf, "the book is sound\n");
    }
    for (size_t i = 0;
         i < health->n_problems && i < sizeof health->problems / sizeof health->problems[0]; i++) {
        nw_buf_printf(buf, "NOT SOUND: ");
        nw_report_clean(buf, health->problems[i]);
        nw_buf_printf(buf, "\n");
    }
}

/* ---- Acceptance ----------------------------------------------------------------------------- */

static void one_check(const struct nw_book_check *check, struct nw_buf *buf) {
    nw_buf_printf(buf, "  %-24s", check->what);
    number(buf, 9, 3, check->tonight);
    number(buf, 10, 3, check->usual);
    if (isfinite(check->low) && isfinite(check->high)) {
        nw_buf_printf(buf, "  %8.3f to %-8.3f", check->low, check->high);
    } else {
        nw_buf_printf(buf, "  %20s", "");
    }
    nw_buf_printf(buf, "  %s\n",
                  check->verdict == NW_BOOK_IS_SAME ? "" : nw_book_verdict_text(check->verdict));
    if (check->why[0] != '\0') {
        nw_report_paragraph(buf, 6, check->why);
    }
}

void nw_report_book_accept_text(const struct nw_book_acceptance *all, size_t n,
                                struct nw_buf *buf) {
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_acceptance *const a = &all[i];
        nw_buf_printf(buf, "%s%s  ", i ? "\n" : "", a->date);
        nw_report_clean(buf, a->camera[0] ? a->camera : "camera not said");
        nw_buf_printf(buf, ", ");
        nw_report_clean(buf, a->filter[0] ? a->filter : "no filter said");
        nw_buf_printf(buf, ": first %zu sub%s", a->n_subs, plural(a->n_subs));
        nw_buf_printf(buf, "\n\n  %-24s%9s%10s  %-20s\n", "", "tonight", "usual",
                      "if nothing changed");
        size_t n_told = 0;
        for (size_t k = 0; k < a->n_checks; k++) {
            one_check(&a->checks[k], buf);
            n_told += a->checks[k].verdict != NW_BOOK_IS_UNKNOWN ? 1 : 0;
        }
        nw_buf_printf(buf, "\n");
        if (n_told == 0) {
            nw_report_entry(buf, 2, 12, "CANNOT", "be told: too few nights to compare with");
        } else if (a->n_off == 0) {
            nw_report_entry(buf, 2, 12, "ACCEPTED", "the rig is as you left it, as far as told");
        } else {
            char text[120];
            (void)snprintf(text, sizeof text,
                           "%zu of %zu not as %s: see above before the night "
                           "is spent",
                           a->n_off, n_told, a->n_off == 1 ? "it was" : "they were");
            nw_report_entry(buf, 2, 12, "LOOK", text);
        }
    }
}
