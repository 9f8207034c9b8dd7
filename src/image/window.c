/* window.c - small cut-outs around stars, and what needs no model: centroid, sums in circles.
 * Holds: a window lives on the stack; NaN marks pixels outside the image, blank, or a neighbour's.
 */
#include "base/clones.h"
#include "image/measure_internal.h"
#include "image/power.h"

NW_CLONES static uint32_t count_from_floats(const float *px, size_t n, float level) {
    uint32_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t i = 0; i < n; i++) {
        count += px[i] >= level;
    }
    return count;
}

NW_CLONES static uint32_t count_from_whole(const uint16_t *px, size_t n, float level) {
    uint32_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t i = 0; i < n; i++) {
        count += (float)px[i] >= level;
    }
    return count;
}

/* Of the pixels of the inner half those at or above the saturation level. */
static size_t count_saturated(const struct field *field, const struct box *box, int cx, int cy,
                              int r) {
    const struct nw_image_view *const image = &field->image;
    const long half = r / 2;
    const long end_x = (long)(box->x0 + box->n_x);
    const long end_y = (long)(box->y0 + box->n_y);
    const size_t x0 = (size_t)(cx - half > (long)box->x0 ? cx - half : (long)box->x0);
    const size_t y0 = (size_t)(cy - half > (long)box->y0 ? cy - half : (long)box->y0);
    const long last_x = cx + half < end_x ? cx + half : end_x - 1;
    const long last_y = cy + half < end_y ? cy + half : end_y - 1;
    const size_t n = last_x >= (long)x0 ? (size_t)(last_x - (long)x0) + 1 : 0;
    const float level = (float)field->saturation_adu;
    size_t count = 0;
    for (size_t y = y0; (long)y <= last_y && n > 0; y++) {
        const size_t first = y * image->stride_px + x0;
        count += image->px ? count_from_floats(image->px + first, n, level)
                           : count_from_whole(image->px16 + first, n, level);
    }
    return count;
}

static size_t count_blank(const float *px, size_t n) {
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        count += isfinite(px[i]) ? 0 : 1;
    }
    return count;
}

/* Part of a window's side, from `first` on, that lies within n pixels. */
static size_t part_inside(int first, int side, size_t n, size_t *ret_first) {
    const long from = first > 0 ? first : 0;
    const long past = (long)first + side;
    const long to = past < (long)n ? past : (long)n;
    *ret_first = (size_t)from;
    return to > from ? (size_t)(to - from) : 0;
}

void window_cut(const struct field *field, double x, double y, int radius, struct window *ret) {
    const struct nw_image_view *const image = &field->image;
    const int r = radius < 2 ? 2 : radius > WINDOW_MAX_RADIUS ? WINDOW_MAX_RADIUS : radius;
    const int cx = (int)lround(x);
    const int cy = (int)lround(y);
    const size_t side = 2 * (size_t)r + 1;
    ret->x0 = cx - r;
    ret->y0 = cy - r;
    ret->side = (int)side;
    ret->n_lost = ret->n_masked = ret->n_saturated = ret->n_hits = 0;
    ret->noise_adu = NAN;
    struct box box;
    box.n_x = part_inside(ret->x0, ret->side, image->width_px, &box.x0);
    box.n_y = part_inside(ret->y0, ret->side, image->height_px, &box.y0);
    if (box.n_x < side || box.n_y < side) {
        for (size_t k = 0; k < side * side; k++) {
            ret->px[k] = NAN;
        }
    }
    if (box.n_x == 0 || box.n_y == 0) {
        ret->n_lost = side * side;
        return;
    }
    const size_t at_x = (size_t)((long)box.x0 - ret->x0);
    const size_t at_y = (size_t)((long)box.y0 - ret->y0);
    background_take_off(field->background, image, &box, ret->px + at_y * side + at_x, side);
    ret->n_lost = image->px ? count_blank(ret->px, side * side) : side * side - box.n_x * box.n_y;
    if (isfinite(field->saturation_adu)) {
        ret->n_saturated = count_saturated(field, &box, cx, cy, r);
    }
    if (cx >= 0 && cy >= 0 && cx < (int)image->width_px && cy < (int)image->height_px) {
        float noise = NAN;
        background_span(field->background, (size_t)cx, 1, (size_t)cy, NULL, &noise);
        ret->noise_adu = (double)noise;
    }
}

void window_copy(const struct window *from, struct window *to) {
    memcpy(to, from, offsetof(struct window, px));
    memcpy(to->px, from->px, (size_t)from->side * (size_t)from->side * sizeof *to->px);
}

void window_mask(struct window *w, double x, double y, double nx, double ny) {
    for (int j = 0; j < w->side; j++) {
        for (int i = 0; i < w->side; i++) {
            const double px = w->x0 + i;
            const double py = w->y0 + j;
            const double there2 = (px - nx) * (px - nx) + (py - ny) * (py - ny);
            const double here2 = (px - x) * (px - x) + (py - y) * (py - y);
            if (there2 < here2) {
                float *const value = &w->px[(size_t)j * (size_t)w->side + (size_t)i];
                w->n_masked += isfinite(*value) ? 1 : 0;
                *value = NAN;
            }
        }
    }
}

void window_fill(struct window *w, double x, double y) {
    if (w->n_lost + w->n_masked + w->n_hits == 0) {
        return;
    }
    const int mirror_x = (int)lround(2.0 * (x - w->x0));
    const int mirror_y = (int)lround(2.0 * (y - w->y0));
    for (int j = 0; j < w->side; j++) {
        for (int i = 0; i < w->side; i++) {
            float *const value = &w->px[(size_t)j * (size_t)w->side + (size_t)i];
            if (isfinite(*value)) {
                continue;
            }
            const int mi = mirror_x - i;
            const int mj = mirror_y - j;
            const bool is_inside = mi >= 0 && mj >= 0 && mi < w->side && mj < w->side;
            const float other = is_inside ? w->px[(size_t)mj * (size_t)w->side + (size_t)mi] : 0.0F;
            *value = isfinite(other) ? other : 0.0F;
        }
    }
}

/* Gaussian weights about a place, a product of both directions; beyond four sigmas there are none.
 */
struct weights {
    int first[2], end[2];
    double offset[2][WINDOW_MAX_SIDE], value[2][WINDOW_MAX_SIDE];
};

NW_CLONES static void gauss_along(double at, double per_sigma2, int first, int end, double *offset,
                                  double *value) {
#pragma omp simd
    for (int i = first; i < end; i++) {
        const double d = (double)i - at;
        offset[i] = d;
        value[i] = power_exp_minus(per_sigma2 * d * d);
    }
}

static void weights_about(const struct window *w, double x, double y, double sigma,
                          struct weights *ret) {
    const double at[2] = {x - w->x0, y - w->y0};
    for (int k = 0; k < 2; k++) {
        const double low = fmin(fmax(ceil(at[k] - 4.0 * sigma), 0.0), w->side);
        const double high = fmin(fmax(floor(at[k] + 4.0 * sigma) + 1.0, low), w->side);
        ret->first[k] = (int)low;
        ret->end[k] = (int)high;
        gauss_along(at[k], 0.5 / (sigma * sigma), ret->first[k], ret->end[k], ret->offset[k],
                    ret->value[k]);
    }
}

/* Sums of weight * light and of the same times the offsets. */
struct moments3 {
    double sum, x, y;
};

/* Down the columns first: all of them at once. */
NW_CLONES static void add_weighed(const float *px, size_t side, const struct weights *g,
                                  double *light, double *down) {
    const int from = g->first[0];
    const int to = g->end[0];
    for (int j = g->first[1]; j < g->end[1]; j++) {
        const float *const row = px + (size_t)j * side;
        const double weight = g->value[1][j];
        const double lever = weight * g->offset[1][j];
#pragma omp simd
        for (int i = from; i < to; i++) {
            light[i] += weight * (double)row[i];
            down[i] += lever * (double)row[i];
        }
    }
}

static struct moments3 weigh_light(const struct window *w, const struct weights *g) {
    struct moments3 m = {0.0, 0.0, 0.0};
    double light[WINDOW_MAX_SIDE];
    double down[WINDOW_MAX_SIDE];
    for (int i = g->first[0]; i < g->end[0]; i++) {
        light[i] = down[i] = 0.0;
    }
    add_weighed(w->px, (size_t)w->side, g, light, down);
    for (int i = g->first[0]; i < g->end[0]; i++) {
        const double value = g->value[0][i] * light[i];
        m.sum += value;
        m.x += g->offset[0][i] * value;
        m.y += g->value[0][i] * down[i];
    }
    return m;
}

/* Variances of the sums .x and .y: sky noise, and the photons where the gain is known. */
static void weigh_noise(const struct window *w, const struct weights *g, double variance_per_adu,
                        double *ret_x, double *ret_y) {
    double vx = 0.0;
    double vy = 0.0;
    for (int j = g->first[1]; j < g->end[1]; j++) {
        const float *const row = w->px + (size_t)j * (size_t)w->side;
        for (int i = g->first[0]; i < g->end[0]; i++) {
            const double light = row[i] > 0.0F ? (double)row[i] : 0.0;
            const double variance = w->noise_adu * w->noise_adu + light * variance_per_adu;
            const double weight = g->value[0][i] * g->value[1][j];
            const double dx = weight * g->offset[0][i];
            const double dy = weight * g->offset[1][j];
            vx += dx * dx * variance;
            vy += dy * dy * variance;
        }
    }
    *ret_x = vx;
    *ret_y = vy;
}

struct centroid window_centroid(const struct window *w, const struct field *field, double x,
                                double y, double fwhm_px) {
    /* Weight of the star's own width: within 10 % of the Cramer-Rao bound (Bertin's windowed
     * positions; Winick 1986, JOSA A 3, 1809, for the bound). Fixed point: step doubled, since the
     * weight pulls back half of the shift when it has the star's width. */
    const double sigma = fmax(fwhm_px, 1.5) / NW_FWHM_PER_SIGMA;
    struct centroid c = {.x = x, .y = y, .x_sigma_px = NAN, .y_sigma_px = NAN};
    for (int round = 0; round < 30; round++) {
        struct weights g;
        weights_about(w, c.x, c.y, sigma, &g);
        const struct moments3 m = weigh_light(w, &g);
        if (!(m.sum > 0.0)) {
            return c;
        }
        const double step_x = 2.0 * m.x / m.sum;
        const double step_y = 2.0 * m.y / m.sum;
        c.x += step_x;
        c.y += step_y;
        if (!(hypot(c.x - x, c.y - y) < fmax(2.0, fwhm_px))) {
            return c; /* wandered off to a neighbour */
        }
        if (hypot(step_x, step_y) < 1e-4) {
            double vx = 0.0;
            double vy = 0.0;
            weigh_noise(w, &g, field->variance_per_adu, &vx, &vy);
            c.x_sigma_px = 2.0 * sqrt(vx) / m.sum;
            c.y_sigma_px = 2.0 * sqrt(vy) / m.sum;
            c.is_good = true;
            return c;
        }
    }
    return c;
}

double window_matched_snr(const struct window *w, double x, double y, double fwhm_px) {
    const double s2 = pow(fmax(fwhm_px, 1.2) / NW_FWHM_PER_SIGMA, 2.0);
    double along_x[WINDOW_MAX_SIDE];
    for (int i = 0; i < w->side; i++) {
        const double dx = w->x0 + i - x;
        along_x[i] = exp(-0.5 * dx * dx / s2);
    }
    double sum = 0.0;
    double weight2 = 0.0;
    for (int j = 0; j < w->side; j++) {
        const double dy = w->y0 + j - y;
        const double along_y = exp(-0.5 * dy * dy / s2);
        for (int i = 0; i < w->side; i++) {
            const double value = (double)w->px[(size_t)j * (size_t)w->side + (size_t)i];
            if (isfinite(value)) {
                const double weight = along_x[i] * along_y;
                sum += weight * value;
                weight2 += weight * weight;
            }
        }
    }
    return weight2 > 0.0 ? sum / (w->noise_adu * sqrt(weight2)) : 0.0;
}

/* The highest pixel within TOP_REACH of the middle, -1 without any above 0. */
static int top_pixel(const struct window *w) {
    enum { TOP_REACH = 3 };
    const int mid = w->side / 2;
    const int reach = mid < TOP_REACH ? mid : TOP_REACH;
    float top = 0.0F;
    int at = -1;
    for (int j = mid - reach; j <= mid + reach; j++) {
        for (int i = mid - reach; i <= mid + reach; i++) {
            const float value = w->px[(size_t)j * (size_t)w->side + (size_t)i];
            at = value > top ? j * w->side + i : at; /* NaN compares false */
            top = value > top ? value : top;
        }
    }
    return at;
}

double window_half_area_fwhm(const struct window *w) {
    const int first = top_pixel(w);
    if (first < 0) {
        return NAN;
    }
    const float half = 0.5F * w->px[first];
    bool is_seen[WINDOW_MAX_SIDE * WINDOW_MAX_SIDE];
    uint16_t stack[WINDOW_MAX_SIDE * WINDOW_MAX_SIDE];
    memset(is_seen, 0, (size_t)w->side * (size_t)w->side * sizeof *is_seen);
    size_t n = 0;
    size_t count = 0;
    stack[n++] = (uint16_t)first;
    is_seen[first] = true;
    while (n > 0) { /* each pixel is put there once */
        const int at = stack[--n];
        const int x = at % w->side;
        const int y = at / w->side;
        count++;
        for (int k = 0; k < 9; k++) {
            const int i = x - 1 + k % 3;
            const int j = y - 1 + k / 3;
            const bool is_inside = i >= 0 && j >= 0 && i < w->side && j < w->side;
            const int next = is_inside ? j * w->side + i : at;
            if (!is_seen[next] && w->px[next] > half) {
                is_seen[next] = true;
                stack[n++] = (uint16_t)next;
            }
        }
    }
    return 2.0 * sqrt((double)count / NW_PI);
}
