/* report_log.c - see report_log.h
 * Idea: everything that decides signs and units is shown as it was understood, so that one look at
 * the drawing tells whether it is right; what no log can tell by itself is said to be so. */
#include "report/report_log.h"

#include <math.h>

#include "report/report_internal.h"

#define AS NW_ARCSEC_PER_RAD
#define WINDOW_s 60.0
enum { ROWS_SHOWN = 6, CHART_COLUMNS = 66, CHART_LEFT = 10, RUNS_SHOWN = 40 };

/* ---- What was understood ---- */

static void show_columns(const struct nw_guide_runs *runs, struct nw_buf *text) {
    bool is_first_missing = true;
    nw_buf_printf(text, "\n  column      in the log                         unit    factor\n");
    for (int c = 0; c < NW_LOG_N_COLUMNS; c++) {
        const struct nw_guide_column_use *const use = &runs->columns[c];
        char place[96];
        char heading[48];
        struct nw_buf clean;
        if (!use->is_used) {
            continue;
        }
        nw_buf_init(&clean, 200);
        nw_report_clean(&clean, use->heading);
        nw_text_copy(heading, sizeof heading, clean.data ? clean.data : "");
        nw_buf_done(&clean);
        if (use->number > 0) {
            (void)snprintf(place, sizeof place, "%zu%s%s%s", use->number,
                           heading[0] != '\0' ? " \"" : "", heading,
                           heading[0] != '\0' ? "\"" : "");
        } else {
            (void)snprintf(place, sizeof place, "\"%s\"", heading);
        }
        nw_buf_printf(text, "  ");
        nw_report_left(text, 12, nw_log_column_key((enum nw_log_column)c));
        nw_report_left(text, 35, place);
        nw_report_left(text, 8, use->unit[0] != '\0' ? use->unit : "-");
        nw_buf_printf(text, "%g\n", use->factor);
    }
    for (int c = 0; c < NW_LOG_N_COLUMNS; c++) {
        if (!runs->columns[c].is_used && c != NW_LOG_COLUMN_DATE) {
            nw_buf_printf(text, "%s%s", is_first_missing ? "  not there: " : ", ",
                          nw_log_column_key((enum nw_log_column)c));
            is_first_missing = false;
        }
    }
    nw_buf_printf(text, "%s", is_first_missing ? "" : "\n");
}

static void start_text(const struct nw_guide_log *log, char text[static 48]) {
    if (log->has_dates) {
        nw_time_write_iso(log->rows[0].t_s, 0, text, 48);
    } else {
        (void)snprintf(text, 48, "%.1f s", log->rows[0].t_s);
    }
}

static void show_runs(const struct nw_guide_runs *runs, struct nw_buf *text) {
    nw_buf_printf(
        text,
        "\n  run  lines         starts                length       rows no-star events left\n");
    for (size_t i = 0; i < runs->n && i < RUNS_SHOWN; i++) {
        const struct nw_guide_run *const run = &runs->items[i];
        char lines[48];
        char start[48];
        char length[48];
        (void)snprintf(lines, sizeof lines, "%zu-%zu", run->first_line, run->last_line);
        start_text(run->log, start);
        nw_report_duration(length, sizeof length,
                           run->log->rows[run->log->n - 1].t_s - run->log->rows[0].t_s);
        nw_buf_printf(text, "  %3zu  ", i + 1);
        nw_report_left(text, 14, lines);
        nw_report_left(text, 22, start);
        nw_report_left(text, 12, length);
        nw_buf_printf(text, "%5zu %7zu %6zu %4zu\n", run->n_rows, run->n_no_star, run->n_events,
                      run->n_rejected);
    }
    if (runs->n > RUNS_SHOWN) {
        nw_buf_printf(text, "  and %zu more\n", runs->n - RUNS_SHOWN);
    }
}

/* Numbers of the header with our units, as they came out. */
static void header_value(const struct nw_guide_log *log, enum nw_log_header header, char *text,
                         size_t size) {
    const struct {
        double value;
        const char *unit;
    } shown[NW_LOG_N_HEADERS] = {
        [NW_LOG_START] = {NAN, ""},
        [NW_LOG_EXPOSURE] = {log->exposure_s, "s"},
        [NW_LOG_GUIDE_SCALE] = {log->guide_scale_rad_px * AS, "arcsec/px"},
        [NW_LOG_RA_RATE] = {log->ra_rate_rad_s * AS, "arcsec/s at the axis"},
        [NW_LOG_DEC_RATE] = {log->dec_rate_rad_s * AS, "arcsec/s"},
        [NW_LOG_DECLINATION] = {log->declination_rad / NW_RAD_PER_DEG, "deg"},
        [NW_LOG_HOUR_ANGLE] = {log->hour_angle_rad / (15.0 * NW_RAD_PER_DEG), "h"},
        [NW_LOG_LATITUDE] = {log->latitude_rad / NW_RAD_PER_DEG, "deg"},
        [NW_LOG_ELEVATION] = {log->elevation_m, "m"},
        [NW_LOG_WORM_PERIOD] = {log->worm_period_s, "s"},
        [NW_LOG_TUBE_SIDE] = {NAN, ""},
    };
    char number[48];
    if (header == NW_LOG_TUBE_SIDE) {
        nw_text_copy(text, size, log->tube_side);
    } else if (header == NW_LOG_START || !isfinite(shown[header].value)) {
        nw_text_copy(text, size, "");
    } else {
        (void)snprintf(text, size, "%s %s",
                       nw_report_number(number, sizeof number, shown[header].value, 4),
                       shown[header].unit);
    }
}

static void show_header(const struct nw_guide_run *run, size_t index, struct nw_buf *text) {
    struct nw_buf missing;
    nw_buf_init(&missing, 1000);
    nw_buf_printf(text, "\n  run %zu: what holds for all its rows\n", index + 1);
    for (int h = NW_LOG_EXPOSURE; h < NW_LOG_N_HEADERS; h++) {
        char value[80];
        header_value(run->log, (enum nw_log_header)h, value, sizeof value);
        if (value[0] == '\0') {
            nw_buf_printf(&missing, "%s%s", missing.len > 0 ? ", " : "",
                          nw_log_header_key((enum nw_log_header)h));
            continue;
        }
        nw_buf_printf(text, "    ");
        nw_report_left(text, 13, nw_log_header_key((enum nw_log_header)h));
        if (run->header_line[h] > 0) {
            nw_report_left(text, 30, value);
            nw_buf_printf(text, "line %zu\n", run->header_line[h]);
        } else if (run->header_text[h][0] != '\0') {
            nw_report_left(text, 30, value);
            nw_buf_printf(text, "of the layout\n");
        } else {
            nw_buf_printf(text, "%s\n", value);
        }
    }
    nw_buf_printf(text, "    axes         %s\n",
                  run->log->axes_mount ? "of the mount, turned to the sky" : "of the sky");
    nw_buf_printf(text, "    pulses act   %s\n",
                  run->log->pulse_acts == NW_PULSE_ACTS_BEFORE  ? "before their row's error"
                  : run->log->pulse_acts == NW_PULSE_ACTS_AFTER ? "after their row's error"
                                                                : "before or after: not said");
    nw_buf_printf(text, "    clock        %s\n",
                  !run->log->has_dates ? "no dates: seconds of the log's own"
                  : run->log->has_zone ? "UTC, from the zone that was said"
                                       : "taken as UTC: no zone was said");
    if (missing.len > 0) {
        nw_buf_printf(text, "    not known    ");
        nw_buf_printf(text, "%.60s\n", missing.data);
    }
    nw_buf_done(&missing);
    if (!run->log->is_dec_sign_known) {
        nw_report_paragraph(text, 4, "Without tube_side the sign of the declination is not known.");
    }
    if (run->note[0] != '\0') {
        nw_report_paragraph(text, 4, run->note);
    }
}

static void show_rejects(const struct nw_guide_run *run, size_t index, struct nw_buf *text) {
    if (run->n_rejected == 0) {
        return;
    }
    nw_buf_printf(text, "\n  run %zu: %zu line%s left out%s\n", index + 1, run->n_rejected,
                  run->n_rejected == 1 ? "" : "s",
                  run->n_rejected > run->n_rejects ? "; the first" : "");
    for (size_t i = 0; i < run->n_rejects; i++) {
        struct nw_buf line;
        nw_buf_init(&line, 1000);
        nw_buf_printf(&line, "line %zu: ", run->rejects[i].line);
        nw_report_clean(&line, run->rejects[i].reason);
        nw_report_paragraph(text, 4, line.data ? line.data : "");
        nw_buf_done(&line);
    }
}

/* ---- Rows and drawing ---- */

static void show_rows(const struct nw_guide_log *log, struct nw_buf *text) {
    nw_buf_printf(text, "\n  first rows (arcsec on the sky, pulses in ms)\n");
    nw_buf_printf(text, "    line          t      RA     Dec  RA pulse Dec pulse     snr  event\n");
    for (size_t i = 0; i < log->n && i < ROWS_SHOWN; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        char when[48];
        if (log->has_dates) {
            nw_time_write_iso(row->t_s, 1, when, sizeof when);
            (void)memmove(when, when + 11, strlen(when + 11) + 1); /* the time of day */
        } else {
            (void)snprintf(when, sizeof when, "%.1f", row->t_s);
        }
        nw_buf_printf(text, "  %6zu ", row->line);
        nw_report_right(text, 11, when);
        nw_report_fixed(text, 8, row->ra_rad * AS, 2);
        nw_report_fixed(text, 8, row->dec_rad * AS, 2);
        nw_report_fixed(text, 10, row->ra_pulse_s * 1e3, 0);
        nw_report_fixed(text, 10, row->dec_pulse_s * 1e3, 0);
        nw_report_fixed(text, 8, row->snr, 1);
        if (row->is_event) {
            nw_buf_printf(text, "  ");
            nw_report_clean(text, row->event);
        }
        nw_buf_printf(text, "\n");
    }
}

static int column_of(double t_s, double low_s, double high_s) {
    const double share = high_s > low_s ? (t_s - low_s) / (high_s - low_s) : 0.0;
    const int column = (int)floor(share * CHART_COLUMNS);
    return column < 0 ? 0 : column >= CHART_COLUMNS ? CHART_COLUMNS - 1 : column;
}

/* One axis of the window: the error above, the signs of the pulses below. */
static void draw_axis(const struct nw_guide_log *log, const struct nw_guide_signs *signs,
                      bool is_dec, double work[2][2000], struct nw_buf *text) {
    char pulses[CHART_COLUMNS + 1];
    size_t n = 0;
    const double low_s = log->rows[signs->first].t_s;
    double high_s = low_s;
    memset(pulses, '.', CHART_COLUMNS);
    pulses[CHART_COLUMNS] = '\0';
    for (size_t i = signs->first; i < signs->last && n < 2000; i++) {
        const double e = is_dec ? log->rows[i].dec_rad : log->rows[i].ra_rad;
        if (isfinite(e)) {
            work[0][n] = log->rows[i].t_s - low_s;
            work[1][n++] = e * AS;
            high_s = log->rows[i].t_s;
        }
    }
    if (n == 0) {
        return;
    }
    for (size_t i = signs->first; i < signs->last; i++) {
        const double pulse = is_dec ? log->rows[i].dec_pulse_s : log->rows[i].ra_pulse_s;
        if (fabs(pulse) > 0.0) {
            pulses[column_of(log->rows[i].t_s, low_s, high_s)] = pulse > 0.0 ? '+' : '-';
        }
    }
    char right[48];
    (void)snprintf(right, sizeof right, "%.0f s", high_s - low_s);
    const struct report_chart chart = {
        .t = work[0], .y = work[1], .n = n, .left = "0", .right = right, .decimals = 2};
    nw_buf_printf(text, "\n  %s error, arcsec: up is %s\n",
                  is_dec ? "declination" : "right ascension", is_dec ? "north" : "east");
    report_chart(text, &chart);
    nw_buf_printf(text, "  pulses  %s\n", pulses);
}

static void say_signs(const char *axis, size_t n, double share, struct nw_buf *text) {
    struct nw_buf line;
    nw_buf_init(&line, 1000);
    if (!isfinite(share)) {
        nw_buf_printf(&line, "%s: %zu pulses, too few to judge their sign.", axis, n);
    } else if (share >= 0.8) {
        nw_buf_printf(&line, "%s: %.0f %% of %zu pulses push against the error: their signs agree.",
                      axis, 100.0 * share, n);
    } else if (share <= 0.2) {
        nw_buf_printf(&line,
                      "%s: %.0f %% of %zu pulses push along with the error, which no loop would "
                      "survive: either the error or the pulse is turned over. Give one of them "
                      "factor: -1, or exchange plus and minus.",
                      axis, 100.0 * (1.0 - share), n);
    } else {
        nw_buf_printf(&line,
                      "%s: %.0f %% of %zu pulses push against the error: not clear. Pulses of "
                      "another program, or columns that do not belong together?",
                      axis, 100.0 * share, n);
    }
    nw_report_paragraph(text, 2, line.data ? line.data : "");
    nw_buf_done(&line);
}

static void show_signs(const struct nw_guide_log *log, struct nw_buf *text) {
    double(*work)[2000] = nw_calloc(2, sizeof *work);
    const struct nw_guide_signs signs = nw_guide_check_signs(log, WINDOW_s);
    if (work) {
        nw_buf_printf(text, "\n  the %sminute%s, from line %zu; + pulse moves the star up\n",
                      signs.n_ra + signs.n_dec > 0 ? "" : "first ",
                      signs.n_ra + signs.n_dec > 0 ? " with most pulses" : "",
                      log->rows[signs.first].line);
        draw_axis(log, &signs, false, work, text);
        draw_axis(log, &signs, true, work, text);
    }
    free(work);
    nw_buf_printf(text, "\n");
    say_signs("Right ascension", signs.n_ra, signs.opposed_ra, text);
    say_signs("Declination", signs.n_dec, signs.opposed_dec, text);
    nw_report_paragraph(
        text, 2,
        "No log says by itself what is east and north. To see it, switch the corrections off and "
        "let the log run: with the drive stopped the star goes west, so the right-ascension error "
        "must fall; and when the telescope is nudged south, the star goes north, so the "
        "declination error must rise. If not, give that error and its pulse factor: -1.");
}

void nw_report_log_text(const struct nw_guide_runs *runs, size_t run, struct nw_buf *text) {
    nw_report_clean(text, runs->path);
    nw_buf_printf(text, "\n  read %s%s%s: %zu run%s",
                  runs->layout[0] != '\0' ? "by layout \"" : "as the CSV of docs/formats.md",
                  runs->layout, runs->layout[0] != '\0' ? "\"" : "", runs->n,
                  runs->n == 1 ? "" : "s");
    if (runs->names_line > 0) {
        nw_buf_printf(text, ", headings on line %zu", runs->names_line);
    }
    nw_buf_printf(text, "\n");
    if (runs->n_empty > 0 || runs->n_outside > 0) {
        nw_buf_printf(text,
                      "  left aside: %zu runs without a usable row, %zu rows outside of runs\n",
                      runs->n_empty, runs->n_outside);
    }
    show_columns(runs, text);
    show_runs(runs, text);
    for (size_t i = 0; i < runs->n && i < RUNS_SHOWN; i++) {
        show_rejects(&runs->items[i], i, text);
    }
    show_header(&runs->items[run], run, text);
    show_rows(runs->items[run].log, text);
    show_signs(runs->items[run].log, text);
}

/* ---- JSON ---- */

static void add_run(struct nw_json *json, json_t *array, const struct nw_guide_run *run) {
    const struct nw_guide_log *const log = run->log;
    const struct nw_guide_signs signs = nw_guide_check_signs(log, WINDOW_s);
    json_t *o = nw_json_item(json, array);
    nw_json_count(json, o, "first_line", run->first_line);
    nw_json_count(json, o, "last_line", run->last_line);
    if (log->has_dates) {
        nw_json_time(json, o, "start", log->rows[0].t_s, 1);
    }
    nw_json_number(json, o, "duration_s", log->rows[log->n - 1].t_s - log->rows[0].t_s, 9);
    nw_json_bool(json, o, "zone_said", log->has_zone);
    nw_json_count(json, o, "rows", run->n_rows);
    nw_json_count(json, o, "without_star", run->n_no_star);
    nw_json_count(json, o, "events", run->n_events);
    nw_json_count(json, o, "left_out", run->n_rejected);
    json_t *rejects = nw_json_array(json, o, "left_out_first");
    for (size_t i = 0; i < run->n_rejects; i++) {
        json_t *item = nw_json_item(json, rejects);
        nw_json_count(json, item, "line", run->rejects[i].line);
        nw_json_text(json, item, "reason", run->rejects[i].reason);
    }
    nw_json_number(json, o, "exposure_s", log->exposure_s, 6);
    nw_json_number(json, o, "guide_scale_arcsec_per_px", log->guide_scale_rad_px * AS, 6);
    nw_json_number(json, o, "ra_rate_arcsec_per_s", log->ra_rate_rad_s * AS, 6);
    nw_json_number(json, o, "dec_rate_arcsec_per_s", log->dec_rate_rad_s * AS, 6);
    nw_json_number(json, o, "declination_deg", log->declination_rad / NW_RAD_PER_DEG, 7);
    nw_json_number(json, o, "hour_angle_h", log->hour_angle_rad / (15.0 * NW_RAD_PER_DEG), 7);
    nw_json_number(json, o, "latitude_deg", log->latitude_rad / NW_RAD_PER_DEG, 7);
    nw_json_number(json, o, "elevation_m", log->elevation_m, 5);
    nw_json_number(json, o, "worm_period_s", log->worm_period_s, 7);
    nw_json_text(json, o, "tube_side", log->tube_side);
    nw_json_number(json, o, "ra_pulses_opposed", signs.opposed_ra, 4);
    nw_json_number(json, o, "dec_pulses_opposed", signs.opposed_dec, 4);
    nw_json_text(json, o, "note", run->note);
}

enum nw_status nw_report_log_json(const struct nw_guide_runs *runs, json_t **ret,
                                  struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "log", 1);
    nw_json_text(&json, NULL, "path", runs->path);
    nw_json_text(&json, NULL, "layout", runs->layout);
    nw_json_count(&json, NULL, "headings_line", runs->names_line);
    nw_json_count(&json, NULL, "runs_without_rows", runs->n_empty);
    nw_json_count(&json, NULL, "rows_outside", runs->n_outside);
    json_t *columns = nw_json_array(&json, NULL, "columns");
    for (int c = 0; c < NW_LOG_N_COLUMNS; c++) {
        const struct nw_guide_column_use *const use = &runs->columns[c];
        if (use->is_used) {
            json_t *o = nw_json_item(&json, columns);
            nw_json_text(&json, o, "column", nw_log_column_key((enum nw_log_column)c));
            nw_json_text(&json, o, "heading", use->heading);
            nw_json_put(&json, o, "number",
                        use->number > 0 ? json_integer((json_int_t)use->number) : json_null());
            nw_json_text(&json, o, "unit", use->unit);
            nw_json_number(&json, o, "factor", use->factor, 12);
        }
    }
    json_t *array = nw_json_array(&json, NULL, "runs");
    for (size_t i = 0; i < runs->n; i++) {
        add_run(&json, array, &runs->items[i]);
    }
    return nw_json_end(&json, ret, err);
}
