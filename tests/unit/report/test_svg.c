/* test_svg.c - drawings: escaping, ticks, mapping, thinning, limits. Every document is read back by
 * a small reader of our own that checks that elements nest. */
#include <stdlib.h>
#include <string.h>

#include "check.h"
#include "report/svg.h"

#define CLOSED "closed form"

/* Elements open and close in order; no bare '<' or '&'. */
static void check_well_formed(const char *text) {
    char open[64][16];
    size_t depth = 0;
    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '&') {
            assert_true(strncmp(c, "&amp;", 5) == 0 || strncmp(c, "&lt;", 4) == 0 ||
                        strncmp(c, "&gt;", 4) == 0 || strncmp(c, "&quot;", 6) == 0 ||
                        strncmp(c, "&#39;", 5) == 0);
        }
        if (*c != '<') {
            continue;
        }
        const bool is_end = c[1] == '/';
        const char *name = c + (is_end ? 2 : 1);
        const char *const stop = strchr(c, '>');
        assert_non_null(stop);
        const size_t len = strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ");
        assert_true(len > 0 && len < 16);
        if (is_end) {
            assert_true(depth > 0);
            depth--;
            assert_int_equal(strlen(open[depth]), len);
            assert_memory_equal(open[depth], name, len);
        } else if (stop[-1] != '/') {
            assert_true(depth < 64);
            memcpy(open[depth], name, len);
            open[depth][len] = '\0';
            depth++;
        }
        c = stop;
    }
    assert_int_equal(depth, 0);
}

static size_t count(const char *text, const char *what) {
    size_t n = 0;
    for (const char *c = strstr(text, what); c; c = strstr(c + 1, what)) {
        n++;
    }
    return n;
}

static void test_text_is_escaped_and_elements_nest(void **state) {
    (void)state;
    struct nw_svg svg;
    struct nw_buf out = {0};
    nw_svg_begin(&svg, "t", 100.0, 50.0, "a <b> & \"c\" 'd'", "x\x01y\xff");
    nw_svg_text(&svg, (double[2]){1.0, 2.0}, NW_SVG_START, 3.0, "</svg><script>");
    nw_svg_text_turned(&svg, (double[2]){1.0, 2.0}, -90.0, NW_SVG_END, 3.0, "up");
    nw_svg_circle(&svg, (double[2]){NAN, 2.0}, -1.0, &(struct nw_svg_style){0});
    for (int fill = NW_SVG_NO_FILL; fill <= NW_SVG_INKED; fill++) {
        nw_svg_rect(&svg, (double[2]){0.0, 0.0}, (double[2]){1.0, 1.0},
                    &(struct nw_svg_style){
                        .fill = (enum nw_svg_fill)fill, .dash = NW_SVG_DASH_DOT, .shade = 2.0});
    }
    assert_int_equal(nw_svg_end(&svg, &out, NULL), NW_OK);
    check_well_formed(out.data);
    assert_non_null(strstr(out.data, "a &lt;b&gt; &amp; &quot;c&quot; &#39;d&#39;"));
    assert_null(strstr(out.data, "<script"));
    assert_null(strstr(out.data, "nan"));
    assert_non_null(strstr(out.data, "x?y?"));
    assert_non_null(strstr(out.data, "fill=\"#000000\"")); /* shade 2 is black, not more */
    nw_buf_done(&out);
}

static void test_ticks_are_round_and_inside(void **state) {
    (void)state;
    static const struct {
        double low, high;
        enum nw_svg_scale scale;
        size_t max, n;
        double first, step;
        int decimals;
    } rows[] = {
        {0.0, 1.0, NW_SVG_LINEAR, 5, 6, 0.0, 0.2, 1},
        {-0.31, 0.29, NW_SVG_LINEAR, 6, 6, -0.3, 0.1, 1},
        {3.0, 3.004, NW_SVG_LINEAR, 4, 5, 3.0, 0.001, 3},
        {0.0, 36000.0, NW_SVG_LINEAR, 8, 8, 0.0, 5000.0, 0},
        {86400.0, 86400.0 + 7000.0, NW_SVG_CLOCK, 8, 8, 86400.0, 900.0, 0},
        {100.0, 160.0, NW_SVG_CLOCK, 6, 7, 100.0, 10.0, 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double ticks[24];
        int decimals = -1;
        const size_t n =
            nw_svg_ticks(rows[i].low, rows[i].high, rows[i].scale, rows[i].max, ticks, &decimals);
        assert_int_equal(n, rows[i].n);
        assert_int_equal(decimals, rows[i].decimals);
        check_near(ticks[0], rows[i].first, 1e-9, CLOSED);
        check_near(ticks[1] - ticks[0], rows[i].step, 1e-9, CLOSED);
    }
    double ticks[24];
    int decimals = 0;
    assert_int_equal(nw_svg_ticks(1.0, 300.0, NW_SVG_LOG, 10, ticks, &decimals), 8);
    check_near(ticks[0], 1.0, 1e-12, "1 2 5 10 20 50 100 200");
    check_near(ticks[7], 200.0, 1e-9, "1 2 5 10 20 50 100 200");
    assert_true(nw_svg_ticks(1e-9, 1e9, NW_SVG_LOG, 6, ticks, &decimals) <= 7);
}

static void test_frame_maps_corners_and_middles(void **state) {
    (void)state;
    const struct nw_svg_frame frame = {.left_mm = 10.0,
                                       .top_mm = 20.0,
                                       .width_mm = 100.0,
                                       .height_mm = 40.0,
                                       .x = {.low = 1.0, .high = 100.0, .scale = NW_SVG_LOG},
                                       .y = {.low = -1.0, .high = 1.0}};
    check_near(nw_svg_x_mm(&frame, 1.0), 10.0, 1e-9, CLOSED);
    check_near(nw_svg_x_mm(&frame, 10.0), 60.0, 1e-9, CLOSED);
    check_near(nw_svg_x_mm(&frame, 100.0), 110.0, 1e-9, CLOSED);
    check_near(nw_svg_y_mm(&frame, 1.0), 20.0, 1e-9, "up is up");
    check_near(nw_svg_y_mm(&frame, -1.0), 60.0, 1e-9, CLOSED);
    assert_true(isnan(nw_svg_x_mm(&frame, -3.0))); /* no logarithm */
    assert_true(isfinite(nw_svg_y_mm(&frame, 1e300)));
    struct nw_svg_frame turned = frame;
    turned.x.is_reversed = true;
    check_near(nw_svg_x_mm(&turned, 1.0), 110.0, 1e-9, CLOSED);
}

enum { N = 36000 };

static void test_long_series_keep_their_extremes(void **state) {
    (void)state;
    double *x = calloc(N, sizeof *x);
    double *y = calloc(N, sizeof *y);
    assert_true(x && y);
    for (int i = 0; i < N; i++) {
        x[i] = i;
        y[i] = 0.0;
    }
    y[17777] = 1.0; /* one sample among 36000: 12 mm high on paper */
    y[20000] = NAN;
    struct nw_svg svg;
    struct nw_buf out = {0};
    struct nw_svg_frame frame = {.left_mm = 0.0,
                                 .top_mm = 0.0,
                                 .width_mm = 100.0,
                                 .height_mm = 12.0,
                                 .x = {.low = 0.0, .high = N},
                                 .y = {.low = 0.0, .high = 1.0}};
    nw_svg_begin(&svg, "t", 110.0, 20.0, "t", "d");
    nw_svg_axes(&svg, &frame);
    nw_svg_polyline(&svg, &frame, x, y, N, &(struct nw_svg_style){0});
    assert_int_equal(nw_svg_end(&svg, &out, NULL), NW_OK);
    check_well_formed(out.data);
    assert_non_null(strstr(out.data, ",0.00L")); /* the spike reaches the top */
    const char *const path = strstr(out.data, "<path fill-rule");
    assert_non_null(path);
    assert_int_equal(count(path, "M"), 2); /* broken once by NaN */
    assert_true(count(path, "L") < 4 * 1000 + 10);
    nw_buf_done(&out);
    free(x);
    free(y);
}

static void test_band_breaks_at_missing_points(void **state) {
    (void)state;
    const double x[] = {0.0, 1.0, 2.0, 3.0, 4.0};
    const double low[] = {0.0, 0.1, NAN, 0.1, 0.0};
    const double high[] = {1.0, 0.9, 0.9, 0.9, 1.0};
    struct nw_svg svg;
    struct nw_buf out = {0};
    struct nw_svg_frame frame = {.width_mm = 40.0,
                                 .height_mm = 10.0,
                                 .x = {.low = 0.0, .high = 4.0, .label = "x"},
                                 .y = {.low = 0.0, .high = 1.0, .label = "y"}};
    nw_svg_begin(&svg, "t", 60.0, 20.0, "t", "d");
    nw_svg_axes(&svg, &frame);
    nw_svg_band(&svg, &frame, x, low, high, 5, &(struct nw_svg_style){.fill = NW_SVG_HATCH});
    nw_svg_marks(&svg, &frame, x, low, 5, &(struct nw_svg_style){.mark = NW_SVG_TRIANGLE});
    nw_svg_bars(&svg, &frame, x, low, high, 5, &(struct nw_svg_style){0});
    nw_svg_x_line(&svg, &frame, 3.9, "far", &(struct nw_svg_style){.dash = NW_SVG_DASHED});
    nw_svg_y_line(&svg, &frame, 7.0, "outside", &(struct nw_svg_style){0});
    assert_true(nw_svg_key(&svg, (double[2]){1.0, 1.0}, &(struct nw_svg_style){0}, "k") > 0.0);
    assert_int_equal(nw_svg_end(&svg, &out, NULL), NW_OK);
    check_well_formed(out.data);
    assert_non_null(strstr(out.data, "M0.00,0.00L10.00,1.00L10.00,9.00L0.00,10.00ZM30.00"));
    assert_null(strstr(out.data, "outside"));
    nw_buf_done(&out);
}

static void test_a_drawing_over_the_limit_is_refused(void **state) {
    (void)state;
    struct nw_svg svg;
    struct nw_buf out = {0};
    struct nw_err err = {0};
    nw_svg_begin(&svg, "t", 10.0, 10.0, "t", "d");
    svg.buf.max = 1000;
    for (int i = 0; i < 100; i++) {
        nw_svg_text(&svg, (double[2]){0.0, 0.0}, NW_SVG_START, 3.0, "many words");
    }
    assert_int_equal(nw_svg_end(&svg, &out, &err), NW_LIMIT);
    assert_null(out.data);
}

static void test_range_opens_what_is_empty(void **state) {
    (void)state;
    double low = NAN;
    double high = NAN;
    nw_svg_range((const double[]){2.0, NAN, 4.0}, 3, 0.1, &low, &high);
    check_near(low, 1.8, 1e-12, CLOSED);
    check_near(high, 4.2, 1e-12, CLOSED);
    nw_svg_range((const double[]){5.0, 5.0}, 2, 0.1, &low, &high);
    assert_true(high > low);
    nw_svg_range(NULL, 0, 0.1, &low, &high);
    assert_true(high > low);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_text_is_escaped_and_elements_nest),
        cmocka_unit_test(test_ticks_are_round_and_inside),
        cmocka_unit_test(test_frame_maps_corners_and_middles),
        cmocka_unit_test(test_long_series_keep_their_extremes),
        cmocka_unit_test(test_band_breaks_at_missing_points),
        cmocka_unit_test(test_a_drawing_over_the_limit_is_refused),
        cmocka_unit_test(test_range_opens_what_is_empty),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
