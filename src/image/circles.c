/* circles.c - sums inside circles of a window, edge pixels cut exactly, and the radius that holds
 * half of the light.
 * Idea: the part of a pixel inside a circle is a rectangle, a trapezoid and a segment in closed
 * form; the pixels on an edge are listed first and cut all at once.
 * Holds: the same as pixel by pixel (circle_square_overlap) to 1e-12 (test_window.c). */
#include "base/clones.h"
#include "image/measure_internal.h"

/* Area between a chord and its arc of the unit circle; s2: square of half the chord, below
 * SEGMENT_MAX. It is asin s - s cos; with the sine, z = square, and cosine of half the angle
 * 2 (asin sqrt z - sqrt z cos (1 - 2 z)), whose series (Abramowitz & Stegun 1964, 4.4.40) leaves
 * out under 1e-13 of the whole there. */
static const double SEGMENT_MAX = 0.165;

__attribute__((always_inline)) static inline double small_segment(double s2) {
    const double z = 0.5 * s2 / (1.0 + sqrt(1.0 - s2));
    const double cosine = sqrt(1.0 - z);
    const double more =
        945.0 / 42240.0 +
        z * (10395.0 / 599040.0 + z * (135135.0 / 9676800.0 + z * (2027025.0 / 175472640.0)));
    const double rest = /* asin sqrt z / sqrt z - 1 */
        z * (1.0 / 6.0 + z * (3.0 / 40.0 + z * (15.0 / 336.0 + z * (105.0 / 3456.0 + z * more))));
    return 2.0 * sqrt(z) * (rest + z / (1.0 + cosine) + 2.0 * z * cosine);
}

static double unit_segment(double s2) {
    if (s2 < SEGMENT_MAX) {
        return small_segment(s2);
    }
    const double s = fmin(sqrt(s2), 1.0);
    return asin(s) - s * sqrt(fmax(1.0 - s2, 0.0));
}

/* Area of the disc of radius r within [x0, x1] x [y0, y1] of the first quadrant (0 <= x0, y0): a
 * rectangle as far as the arc runs above it, then the area under the arc. Closed form. */
static double quadrant_area(double x0, double x1, double y0, double y1, double r) {
    const double r2 = r * r;
    if (x0 * x0 + y0 * y0 >= r2) {
        return 0.0;
    }
    if (x1 * x1 + y1 * y1 <= r2) {
        return (x1 - x0) * (y1 - y0);
    }
    const double upper = r2 > y1 * y1 ? sqrt(r2 - y1 * y1) : 0.0; /* the arc leaves through y1 */
    const double lower = sqrt(r2 - y0 * y0);
    const double a = upper < x0 ? x0 : upper > x1 ? x1 : upper;
    const double b = lower > x1 ? x1 : lower;
    const double height_a = r2 > a * a ? sqrt(r2 - a * a) : 0.0;
    const double height_b = r2 > b * b ? sqrt(r2 - b * b) : 0.0;
    /* a trapezoid below the chord, and the segment above it */
    const double chord2 = (b - a) * (b - a) + (height_a - height_b) * (height_a - height_b);
    const double under_arc =
        0.5 * (b - a) * (height_a + height_b) + r2 * unit_segment(0.25 * chord2 / r2);
    return (a - x0) * (y1 - y0) + under_arc - y0 * (b - a);
}

double circle_square_overlap(double x, double y, double r) {
    if (!(r > 0.0)) {
        return 0.0;
    }
    /* a pixel across an axis is cut there, and its parts laid into the first quadrant */
    const double px = fabs(x);
    const double py = fabs(y);
    const double x0 = px > 0.5 ? px - 0.5 : 0.0;
    const double y0 = py > 0.5 ? py - 0.5 : 0.0;
    double area = quadrant_area(x0, px + 0.5, y0, py + 0.5, r);
    if (px < 0.5) {
        area += quadrant_area(0.0, 0.5 - px, y0, py + 0.5, r);
    }
    if (py < 0.5) {
        area += quadrant_area(x0, px + 0.5, 0.0, 0.5 - py, r);
    }
    if (px < 0.5 && py < 0.5) {
        area += quadrant_area(0.0, 0.5 - px, 0.0, 0.5 - py, r);
    }
    return area;
}

static int inside(double at, int side) {
    return at < 0.0 ? 0 : at > side - 1.0 ? side - 1 : (int)at;
}

/* Pixels on a circle, cut at the axes and laid into the first quadrant, with their values. */
enum { EDGES = 128 };
struct edges {
    size_t n;
    double x0[EDGES], x1[EDGES], y0[EDGES], y1[EDGES], value[EDGES], area[EDGES];
};

/* quadrant_area of all of them at once, without branches: for circles whose segments are small. */
NW_CLONES static void edge_areas(struct edges *e, double r) {
    const double r2 = r * r;
    const double per_r2 = 0.25 / r2;
    const size_t n = e->n;
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        const double x0 = e->x0[i];
        const double x1 = e->x1[i];
        const double y0 = e->y0[i];
        const double y1 = e->y1[i];
        const double under_y1 = r2 - y1 * y1;
        const double under_y0 = r2 - y0 * y0;
        const double upper = sqrt(under_y1 > 0.0 ? under_y1 : 0.0);
        const double lower = sqrt(under_y0 > 0.0 ? under_y0 : 0.0);
        const double not_left = upper < x0 ? x0 : upper;
        const double a = not_left > x1 ? x1 : not_left;
        const double not_right = lower > x1 ? x1 : lower;
        const double b = not_right < a ? a : not_right;
        const double under_a = r2 - a * a;
        const double under_b = r2 - b * b;
        const double height_a = sqrt(under_a > 0.0 ? under_a : 0.0);
        const double height_b = sqrt(under_b > 0.0 ? under_b : 0.0);
        const double fall = height_a - height_b;
        const double chord2 = (b - a) * (b - a) + fall * fall;
        const double under_arc =
            0.5 * (b - a) * (height_a + height_b) + r2 * small_segment(chord2 * per_r2);
        e->area[i] = (a - x0) * (y1 - y0) + under_arc - y0 * (b - a);
    }
}

static void add_edge(struct edges *e, double x0, double x1, double y0, double y1) {
    e->x0[e->n] = x0;
    e->x1[e->n] = x1;
    e->y0[e->n] = y0;
    e->y1[e->n] = y1;
    e->n++;
}

static void add_pixel(struct edges *e, double dx, double dy, double value) {
    const size_t first = e->n;
    const double x = fabs(dx);
    const double y = fabs(dy);
    const double x0 = x > 0.5 ? x - 0.5 : 0.0;
    const double y0 = y > 0.5 ? y - 0.5 : 0.0;
    add_edge(e, x0, x + 0.5, y0, y + 0.5);
    if (x < 0.5) { /* on a circle this large no pixel holds the centre */
        add_edge(e, 0.0, 0.5 - x, y0, y + 0.5);
    }
    if (y < 0.5) {
        add_edge(e, x0, x + 0.5, 0.0, 0.5 - y);
    }
    for (size_t i = first; i < e->n; i++) {
        e->value[i] = value;
    }
}

struct disc {
    double x, y, r, sum, area;
};

static void take_edges(struct edges *e, struct disc *disc) {
    edge_areas(e, disc->r);
    for (size_t i = 0; i < e->n; i++) {
        disc->sum += e->area[i] * e->value[i];
        disc->area += e->area[i];
    }
    e->n = 0;
}

/* Pixels on the edge of a disc one by one, where it is too small for the series. */
static void take_pixel(struct disc *disc, double dx, double dy, double value) {
    const double share = circle_square_overlap(dx, dy, disc->r);
    disc->sum += share * value;
    disc->area += share;
}

double window_aperture(const struct window *w, double x, double y, double r_px, double *ret_area) {
    static const double HALF_DIAGONAL = 0.7072; /* of a pixel: sqrt(1/2), rounded up */
    struct disc disc = {.x = x - w->x0, .y = y - w->y0, .r = r_px};
    struct edges edges;
    edges.n = 0;
    const bool is_large = 0.5 < SEGMENT_MAX * r_px * r_px; /* a chord is at most a diagonal */
    const double in = r_px > HALF_DIAGONAL ? r_px - HALF_DIAGONAL : 0.0;
    const double out = r_px + HALF_DIAGONAL;
    const int i0 = inside(floor(disc.x - out), w->side);
    const int i1 = inside(ceil(disc.x + out), w->side);
    const int j1 = inside(ceil(disc.y + out), w->side);
    for (int j = inside(floor(disc.y - out), w->side); j <= j1; j++) {
        const float *const row = w->px + (size_t)j * (size_t)w->side;
        const double dy = j - disc.y;
        for (int i = i0; i <= i1; i++) {
            const double dx = i - disc.x;
            const double r2 = dx * dx + dy * dy;
            if (r2 < in * in) {
                disc.sum += (double)row[i];
                disc.area += 1.0;
            } else if (r2 < out * out && is_large) {
                add_pixel(&edges, dx, dy, (double)row[i]);
                if (edges.n + 3 > EDGES) {
                    take_edges(&edges, &disc);
                }
            } else if (r2 < out * out) {
                take_pixel(&disc, dx, dy, (double)row[i]);
            }
        }
    }
    take_edges(&edges, &disc);
    if (ret_area) {
        *ret_area = disc.area;
    }
    return disc.sum;
}

/* The next radius to try: the first time as if light grew like that of a Gaussian, which it does
 * nearly at its half; then by the secant; within the limits always. */
struct growth {
    double low, high, f_low, f_high; /* f: light inside, less half */
    double at, f, at_before, f_before;
};

static double next_radius(const struct growth *g, double half, bool is_first) {
    const double inside_share = 0.5 + 0.5 * g->f / half;
    double next = NAN;
    if (!is_first) {
        next = g->at - g->f * (g->at - g->at_before) / (g->f - g->f_before);
    } else if (inside_share > 0.0 && inside_share < 1.0) {
        next = g->at * sqrt(log(0.5) / log1p(-inside_share));
    }
    if (next > g->low && next < g->high) {
        return next;
    }
    const double span = g->high - g->low; /* false position, a tenth away from the ends */
    const double by_line = g->low + span * g->f_low / (g->f_low - g->f_high);
    return fmin(fmax(by_line, g->low + 0.1 * span), g->high - 0.1 * span);
}

double window_half_light(const struct window *w, double x, double y, double r_px,
                         double inside_adu) {
    const double half = 0.5 * inside_adu;
    if (!(half > 0.0)) {
        return NAN;
    }
    struct growth g = {.high = r_px, .f_low = -half, .f_high = half, .at = 0.25 * r_px};
    for (int round = 0; round < 24; round++) {
        g.f = window_aperture(w, x, y, g.at, NULL) - half;
        if (g.f > 0.0) {
            g.high = g.at;
            g.f_high = g.f;
        } else {
            g.low = g.at;
            g.f_low = g.f;
        }
        const double next = next_radius(&g, half, round == 0);
        g.at_before = g.at;
        g.f_before = g.f;
        g.at = next;
        if (fabs(g.at - g.at_before) < 2e-4 * r_px) {
            break;
        }
    }
    return g.at;
}
