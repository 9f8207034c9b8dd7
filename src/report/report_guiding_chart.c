/* report_guiding_chart.c - a guide log on one page: lag, worm turn, trace.
 * Idea: axes differ in dash as well as colour, noise is shaded, what was cut out is tinted; every
 * number of the axes has its unit. */
#include <math.h>

#include "guiding/curves.h"
#include "report/report_guiding.h"
#include "report/svg.h"

#define AS NW_ARCSEC_PER_RAD
#define PAGE_WIDTH_mm 190.0
#define PAGE_HEIGHT_mm 206.0

static const struct nw_svg_style RA = {.ink = NW_SVG_BLUE, .line_mm = 0.5};
static const struct nw_svg_style DEC = {.ink = NW_SVG_RED, .line_mm = 0.5, .dash = NW_SVG_DASHED};
static const struct nw_svg_style THIN = {.ink = NW_SVG_GREY, .line_mm = 0.2};
static const struct nw_svg_style SUB = {.line_mm = 0.35, .dash = NW_SVG_DASH_DOT};
static const struct nw_svg_style NOISE[2] = {
    {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.12},  /* the larger, RA or Dec */
    {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.28}}; /* the smaller, over it */
static const struct nw_svg_style CUT = {.ink = NW_SVG_NO_INK, .fill = NW_SVG_TINT};

struct page {
    struct nw_svg svg;
    const struct nw_guide_log *log;
    const struct nw_guide_analysis *a;
    const struct nw_guide_curves *c;
};

static void heading(struct page *page, double x_mm, double y_mm, const char *text) {
    nw_svg_text(&page->svg, (double[2]){x_mm, y_mm}, NW_SVG_START, 3.6, text);
}

/* ---- Lag ---- */

/* 2 n^2 in the square of the difference. The larger band first, so that both are seen. */
static void noise_bands(struct page *page, const struct nw_svg_frame *frame) {
    const struct nw_guide_axis *const axes[2] = {&page->a->ra, &page->a->dec};
    double tops[2];
    for (int i = 0; i < 2; i++) {
        tops[i] = sqrt(2.0) * AS *
                  (isfinite(axes[i]->noise_rad) ? axes[i]->noise_rad : axes[i]->uncorrelated_rad);
    }
    const double x[] = {frame->x.low, frame->x.high};
    const int larger = isfinite(tops[1]) && !(tops[0] >= tops[1]) ? 1 : 0;
    const double y = 98.9;
    for (int i = 0; i < 2; i++) {
        const int axis = i == 0 ? larger : 1 - larger;
        const double top = tops[axis];
        if (isfinite(top)) {
            nw_svg_band(&page->svg, frame, x, (double[2]){0.0, 0.0}, (double[2]){top, top}, 2,
                        &NOISE[i]);
            (void)nw_svg_key(&page->svg, (double[2]){axis == 0 ? 20.0 : 58.0, y}, &NOISE[i],
                             isfinite(axes[axis]->noise_rad)
                                 ? (axis == 0 ? "noise, RA" : "noise, Dec")
                                 : (axis == 0 ? "noise at most, RA" : "noise at most, Dec"));
        }
    }
}

static void draw_lags(struct page *page) {
    const struct nw_guide_lags *const lags = &page->c->lags;
    double ra[NW_GUIDE_LAGS];
    double dec[NW_GUIDE_LAGS];
    double top = 0.1;
    struct nw_svg_frame frame = {.left_mm = 20.0,
                                 .top_mm = 20.0,
                                 .width_mm = 74.0,
                                 .height_mm = 62.0,
                                 .x = {.scale = NW_SVG_LOG, .label = "lag [s]", .has_grid = true},
                                 .y = {.label = "rms difference [arcsec]", .has_grid = true}};
    heading(page, 20.0, 16.5, "Motion against lag");
    if (lags->n < 2) {
        nw_svg_text(&page->svg, (double[2]){24.0, 40.0}, NW_SVG_START, NW_SVG_TEXT_mm,
                    "too few samples in a row");
        return;
    }
    for (size_t i = 0; i < lags->n; i++) {
        ra[i] = lags->ra_rad[i] * AS;
        dec[i] = lags->dec_rad[i] * AS;
        top = fmax(top, fmax(ra[i], dec[i]));
    }
    frame.x.low = lags->lag_s[0];
    frame.x.high = fmax(lags->lag_s[lags->n - 1], 1.05 * page->a->sub_length_s);
    frame.x.high =
        isfinite(frame.x.high) && frame.x.high > frame.x.low ? frame.x.high : 2.0 * frame.x.low;
    frame.y.high = 1.1 * top;
    nw_svg_axes(&page->svg, &frame);
    noise_bands(page, &frame);
    nw_svg_polyline(&page->svg, &frame, lags->lag_s, ra, lags->n, &RA);
    nw_svg_polyline(&page->svg, &frame, lags->lag_s, dec, lags->n, &DEC);
    if (isfinite(page->a->sub_length_s)) {
        nw_svg_x_line(&page->svg, &frame, page->a->sub_length_s, "sub", &SUB);
    }
    const double y = 94.5;
    (void)nw_svg_key(&page->svg, (double[2]){20.0, y}, &RA, "right ascension");
    (void)nw_svg_key(&page->svg, (double[2]){58.0, y}, &DEC, "declination");
}

/* ---- Worm ---- */

static void worm_reason(struct page *page) {
    char text[161];
    const char *c = page->a->worm.why_null;
    double y = 40.0;
    while (*c != '\0' && y < 80.0) { /* wrapped at blanks, about 42 characters a line */
        size_t n = strlen(c) < 42 ? strlen(c) : 42;
        while (n < strlen(c) && n > 1 && c[n] != ' ') {
            n--;
        }
        (void)snprintf(text, sizeof text, "%.*s", (int)n, c);
        nw_svg_text(&page->svg, (double[2]){116.0, y}, NW_SVG_START, NW_SVG_TEXT_mm, text);
        c += n + (c[n] == ' ' ? 1 : 0);
        y += 4.6;
    }
}

static double largest(const double *values, size_t n, double so_far) {
    for (size_t i = 0; i < n; i++) {
        so_far = isfinite(values[i]) ? fmax(so_far, fabs(values[i])) : so_far;
    }
    return so_far;
}

struct turn { /* in arcsec, over x */
    double x[NW_GUIDE_FOLD_BINS], mean[NW_GUIDE_FOLD_BINS], low[NW_GUIDE_FOLD_BINS];
    double high[NW_GUIDE_FOLD_BINS], without[NW_GUIDE_FOLD_BINS], left[NW_GUIDE_FOLD_BINS];
    double full; /* of x */
};

/* 1, 2 or 5 times a power of ten, not below: ticks at both ends and 0 also in a low frame. */
static double round_up(double x) {
    const double power = pow(10.0, floor(log10(x)));
    const double lead = x / power;
    return power * (lead <= 1.0 ? 1.0 : lead <= 2.0 ? 2.0 : lead <= 5.0 ? 5.0 : 10.0);
}

static struct nw_svg_frame turn_frame(const struct turn *turn, double top_mm, double high) {
    const double end = round_up(high);
    return (struct nw_svg_frame){
        .left_mm = 114.0,
        .top_mm = top_mm,
        .width_mm = 70.0,
        .height_mm = 29.0,
        .x = {.low = 0.0, .high = turn->full, .has_grid = true, .has_no_numbers = true},
        .y = {.low = -1.05 * end, .high = 1.05 * end, .label = "[arcsec]", .has_grid = true}};
}

/* Above: what the worm would do; below, on a scale of its own: what is left in the errors. */
static void draw_turn(struct page *page, const struct turn *turn) {
    enum { N = NW_GUIDE_FOLD_BINS };
    const struct nw_guide_fold *const fold = &page->c->fold;
    const struct nw_svg_style dots = {.mark = NW_SVG_DOT, .mark_mm = 1.0};
    const struct nw_svg_style line = {.line_mm = 0.3};
    struct nw_svg_frame above = turn_frame(turn, 20.0, largest(turn->without, N, 0.05));
    struct nw_svg_frame below =
        turn_frame(turn, 53.0, largest(turn->low, N, largest(turn->high, N, 0.05)));
    below.x.has_no_numbers = false;
    below.x.scale = fold->is_keyed ? NW_SVG_TURN : NW_SVG_LINEAR;
    above.x.scale = below.x.scale;
    below.x.label = fold->is_keyed ? "turn of the worm from axis angle 0 [deg]"
                                   : "turn of the worm from the log's middle [s]";
    if (fold->is_found) {
        nw_svg_axes(&page->svg, &above);
        nw_svg_y_line(&page->svg, &above, 0.0, NULL, &THIN);
        nw_svg_polyline(&page->svg, &above, turn->x, turn->without, N, &RA);
        (void)nw_svg_key(&page->svg, (double[2]){114.0, 94.5}, &RA,
                         "worm: above without the loop, below left");
    } else {
        below.top_mm = 20.0;
        below.height_mm = 62.0;
    }
    nw_svg_axes(&page->svg, &below);
    nw_svg_y_line(&page->svg, &below, 0.0, NULL, &THIN);
    if (fold->is_found) {
        nw_svg_polyline(&page->svg, &below, turn->x, turn->left, N, &RA);
    }
    nw_svg_bars(&page->svg, &below, turn->x, turn->low, turn->high, N, &line);
    nw_svg_marks(&page->svg, &below, turn->x, turn->mean, N, &dots);
    const struct nw_svg_style dot = {.line_mm = 0.1, .fill = NW_SVG_INKED};
    const double y = fold->is_found ? 98.9 : 94.5;
    (void)nw_svg_key(&page->svg, (double[2]){114.0, y}, &line,
                     "errors less their slope, mean of turns");
    nw_svg_circle(&page->svg, (double[2]){118.0, y + 1.6}, 0.5, &dot);
}

static void draw_worm(struct page *page) {
    const struct nw_guide_fold *const fold = &page->c->fold;
    struct turn turn = {.full = fold->is_keyed ? 360.0 : fold->period_s};
    char title[80];
    if (!isfinite(fold->period_s)) {
        heading(page, 114.0, 16.5, "Worm turn");
        worm_reason(page);
        return;
    }
    (void)snprintf(title, sizeof title, "Worm turn of %.1f s, RA on the sky", fold->period_s);
    heading(page, 114.0, 16.5, title);
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        turn.x[b] = fold->angle_rad[b] / (2.0 * NW_PI) * turn.full;
        turn.mean[b] = fold->mean_rad[b] * AS;
        turn.low[b] = (fold->mean_rad[b] - fold->sigma_rad[b]) * AS;
        turn.high[b] = (fold->mean_rad[b] + fold->sigma_rad[b]) * AS;
        turn.without[b] = fold->without_rad[b] * AS;
        turn.left[b] = fold->left_rad[b] * AS;
    }
    draw_turn(page, &turn);
}

/* ---- Trace ---- */

static void tint(struct page *page, const struct nw_svg_frame *frame, const struct nw_span *spans,
                 size_t n) {
    for (size_t i = 0; i < n; i++) {
        const double x0 = fmax(nw_svg_x_mm(frame, spans[i].start_s), frame->left_mm);
        const double x1 =
            fmin(nw_svg_x_mm(frame, spans[i].end_s), frame->left_mm + frame->width_mm);
        nw_svg_rect(&page->svg, (double[2]){x0, frame->top_mm},
                    (double[2]){fmax(x1 - x0, 0.15), frame->height_mm}, &CUT);
    }
}

enum { STRIP_TICKS = 4 }; /* that a strip has room for */

/* Half the height of a strip: holds 99.5 % of the samples, so that one spike does not flatten it,
 * and a number on either side of 0. */
static double reach(const double *values, size_t n, double *work) {
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(values[i])) {
            work[m++] = fabs(values[i]);
        }
    }
    double high = m > 0 ? nw_stat_quantile(work, m, 0.995) : NAN;
    high = isfinite(high) && high > 0.0 ? 1.25 * high : 1.0;
    double ticks[24];
    int decimals = 0;
    while (nw_svg_ticks(-high * AS, high * AS, NW_SVG_LINEAR, STRIP_TICKS, ticks, &decimals) < 3) {
        high *= 1.05; /* steps of 1, 2, 5: a factor of 2 brings two more at most */
    }
    return high;
}

static void draw_strip(struct page *page, bool is_dec, double top_mm, double *work) {
    const struct nw_guide_curves *const c = page->c;
    double *const values = is_dec ? c->dec_rad : c->ra_rad;
    const double high = reach(values, c->n, work) * AS;
    double *const x = work;
    double *const y = work + c->n;
    struct nw_svg_frame frame = {.left_mm = 20.0,
                                 .top_mm = top_mm,
                                 .width_mm = 164.0,
                                 .height_mm = 34.0,
                                 .x = {.has_no_numbers = !is_dec},
                                 .y = {.low = -high, .high = high, .has_grid = true}};
    const double zero_s = page->log->has_dates ? 0.0 : c->t_s[0];
    frame.y.label = is_dec ? "Dec [arcsec], + north" : "RA [arcsec], + east";
    frame.x.scale = page->log->has_dates ? NW_SVG_CLOCK : NW_SVG_LINEAR;
    frame.x.label = !is_dec                ? NULL
                    : page->log->has_dates ? "UTC"
                                           : "time of the log [s], from its first sample";
    frame.x.low = c->t_s[0] - zero_s;
    frame.x.high = fmax(c->t_s[c->n - 1] - zero_s, frame.x.low + 1.0);
    for (size_t i = 0; i < c->n; i++) {
        x[i] = c->t_s[i] - zero_s;
        y[i] = values[i] * AS;
    }
    nw_svg_axes(&page->svg, &frame);
    struct nw_svg_frame shifted = frame; /* spans are in log time */
    shifted.x.low += zero_s;
    shifted.x.high += zero_s;
    tint(page, &shifted, page->a->dithers, page->a->n_dithers);
    tint(page, &shifted, page->a->gaps, page->a->n_gaps);
    const struct nw_svg_style line = {.ink = is_dec ? NW_SVG_RED : NW_SVG_BLUE, .line_mm = 0.2};
    nw_svg_y_line(&page->svg, &frame, 0.0, NULL, &THIN);
    nw_svg_polyline(&page->svg, &frame, x, y, c->n, &line);
}

static void draw_title(struct page *page, size_t run) {
    struct nw_buf title;
    char start[48];
    char length[48];
    nw_buf_init(&title, 1000);
    nw_buf_printf(&title, "%s", nw_file_base_name(page->log->path));
    if (run > 0) {
        nw_buf_printf(&title, ", run %zu", run);
    }
    if (page->log->has_dates) {
        nw_time_write_iso(page->log->rows[0].t_s, 0, start, sizeof start);
        nw_buf_printf(&title, ", %s", start);
    }
    nw_buf_printf(&title, ", %s; logged %.2f arcsec rms in all",
                  nw_report_duration(length, sizeof length, page->a->duration_s),
                  page->a->total_rms_logged_rad * AS);
    heading(page, 20.0, 8.0, title.data ? title.data : "");
    nw_buf_done(&title);
}

enum nw_status nw_report_guiding_chart(const struct nw_guide_log *log, size_t run,
                                       const struct nw_guide_analysis *analysis, struct nw_buf *ret,
                                       struct nw_err *err) {
    struct nw_guide_curves *curves = NULL;
    struct page page = {.log = log, .a = analysis};
    enum nw_status status = nw_guide_curves_new(log, analysis, &curves, err);
    if (status != NW_OK) {
        return status;
    }
    double *const work = nw_calloc(2 * curves->n, sizeof *work);
    if (!work) {
        nw_guide_curves_free(curves);
        return nw_err_set(err, NW_NOMEM, "%zu samples of a chart", curves->n);
    }
    page.c = curves;
    nw_svg_begin(&page.svg, "guiding", PAGE_WIDTH_mm, PAGE_HEIGHT_mm, "Guide log",
                 "Above: rms difference of the errors against the time between them, with noise "
                 "and sub length; errors over one turn of the worm. Below: errors in right "
                 "ascension and declination against time; what was cut out is tinted.");
    draw_title(&page, run);
    draw_lags(&page);
    draw_worm(&page);
    heading(&page, 20.0, 111.5, "Errors as logged; tinted: cut out (dithers, gaps)");
    draw_strip(&page, false, 115.0, work);
    draw_strip(&page, true, 154.0, work);
    status = nw_svg_end(&page.svg, ret, err);
    free(work);
    nw_guide_curves_free(curves);
    return status;
}
