/* background_rows.c - sky and noise at pixels, from the mesh: of parts of rows, and of windows.
 * Idea: along a row the surface is a cubic between two tile columns; its coefficients are made once
 * for each such stretch, then pixels follow without calls, several at a time. In a window the
 * stretches of all its rows begin and end at the same columns.
 * Holds: beyond the outermost tile centres the surface goes on straight, noise stays constant. */
#include <float.h>

#include "base/clones.h"
#include "image/background_internal.h"

/* Which interval between tile centres a pixel lies in, and where in it: at = (px + 1/2) n_tiles /
 * n_px - 1/2, its whole part in whole numbers. */
static size_t interval_of(size_t px, size_t n_tiles, size_t n_px, double *ret_t) {
    if (n_tiles < 2) {
        *ret_t = 0.0;
        return 0;
    }
    const size_t doubled = (2 * px + 1) * n_tiles;
    size_t index = doubled > n_px ? (doubled - n_px) / (2 * n_px) : 0;
    index = index < n_tiles - 2 ? index : n_tiles - 2;
    *ret_t = 0.5 * (double)doubled / (double)n_px - 0.5 - (double)index;
    return index;
}

/* Value and second derivative along x at one tile column on row y. */
struct node {
    double z, zxx, noise;
};

struct row_place {
    size_t low, high; /* offsets of the two rows of tiles */
    double weight[4], noise_t;
};

static struct node row_node(const struct nw_background *b, const struct row_place *p, size_t i) {
    const size_t l = p->low + i;
    const size_t h = p->high + i;
    const double *w = p->weight;
    return (struct node){
        .z = w[0] * b->z[l] + w[1] * b->z[h] + w[2] * b->zyy[l] + w[3] * b->zyy[h],
        .zxx = w[0] * b->zxx[l] + w[1] * b->zxx[h] + w[2] * b->zxxyy[l] + w[3] * b->zxxyy[h],
        .noise = (1.0 - p->noise_t) * b->noise[l] + p->noise_t * b->noise[h],
    };
}

/* First pixel whose centre lies in interval i + 1 or later: (2 x + 1) nx >= (2 i + 3) w. */
static size_t interval_end(const struct nw_background *b, size_t i) {
    if (i + 2 >= b->nx) {
        return b->width_px;
    }
    return ((2 * i + 3) * b->width_px + b->nx - 1) / (2 * b->nx);
}

static struct row_place row_place_at(const struct nw_background *b, size_t j, double t) {
    struct row_place place = {.low = j * b->nx, .high = (b->ny > 1 ? j + 1 : j) * b->nx};
    place.noise_t = t < 0.0 ? 0.0 : t > 1.0 ? 1.0 : t;
    spline_weights(t, place.weight);
    return place;
}

static struct row_place row_place_of(const struct nw_background *b, size_t y) {
    double t = 0.0;
    const size_t j = interval_of(y, b->ny, b->height_px, &t);
    return row_place_at(b, j, t);
}

/* Sky and noise between two tile columns: a cubic (Numerical Recipes eq. 3.3.3 sorted by powers)
 * and a straight line in t. */
struct stretch {
    float t, dt;            /* of the first pixel; from pixel to pixel */
    float z, c1, c2, c3;    /* sky */
    float noise, more;      /* at t = 0, and what is added up to t = 1 */
    size_t n_before, n_all; /* pixels with t < 0; all before t > 1 */
};

/* How many of n pixels, the first at t, lie below `limit`. */
static size_t count_until(double t, double dt, double limit, size_t n) {
    if (!(dt > 0.0) || t + (double)n * dt < limit) {
        return n;
    }
    const double count = (limit - t) / dt;
    return count > 0.0 ? (size_t)count + 1 : 0;
}

static struct stretch stretch_of(const struct node *a, const struct node *c, double t, double dt,
                                 size_t n) {
    struct stretch s = {.t = (float)t,
                        .dt = (float)dt,
                        .z = (float)a->z,
                        .c1 = (float)(c->z - a->z - a->zxx / 3.0 - c->zxx / 6.0),
                        .c2 = (float)(a->zxx / 2.0),
                        .c3 = (float)((c->zxx - a->zxx) / 6.0),
                        .noise = (float)a->noise,
                        .more = (float)(c->noise - a->noise),
                        .n_before = t < 0.0 ? count_until(t, dt, 0.0, n) : 0,
                        .n_all = count_until(t, dt, 1.0, n)};
    s.n_all = s.n_all < n ? s.n_all : n;
    s.n_before = s.n_before < s.n_all ? s.n_before : s.n_all;
    return s;
}

/* Inlined, so that each version of a loop has its own. */
__attribute__((always_inline)) static inline float place_of(const struct stretch *s, size_t k) {
    return s->t + (float)(int32_t)k * s->dt;
}

__attribute__((always_inline)) static inline float sky_at(const struct stretch *s, float u) {
    return s->z + u * (s->c1 + u * (s->c2 + u * s->c3));
}

NW_CLONES static void fill_sky(const struct stretch *s, size_t n, float *sky) {
    const struct stretch c = *s;
    for (size_t k = 0; k < c.n_before; k++) { /* straight on before the first centre */
        sky[k] = c.z + place_of(&c, k) * c.c1;
    }
#pragma omp simd
    for (size_t k = c.n_before; k < c.n_all; k++) {
        const float u = place_of(&c, k);
        sky[k] = sky_at(&c, u);
    }
    const float end = c.z + c.c1 + c.c2 + c.c3;
    const float slope = c.c1 + 2.0F * c.c2 + 3.0F * c.c3;
    for (size_t k = c.n_all; k < n; k++) { /* and behind the last */
        sky[k] = end + (place_of(&c, k) - 1.0F) * slope;
    }
}

static inline float finite_or_sky(float significance) {
    return fabsf(significance) <= FLT_MAX ? significance : 0.0F;
}

NW_CLONES static void fill_noise(const struct stretch *s, size_t n, float *noise) {
    const struct stretch c = *s;
    for (size_t k = 0; k < c.n_before; k++) {
        noise[k] = c.noise;
    }
#pragma omp simd
    for (size_t k = c.n_before; k < c.n_all; k++) {
        noise[k] = c.noise + place_of(&c, k) * c.more;
    }
    for (size_t k = c.n_all; k < n; k++) {
        noise[k] = c.noise + c.more;
    }
}

/* (px - sky) / noise between tile centres; blank: 0. */
NW_CLONES static void fill_significance(const struct stretch *s, size_t n, const float *px,
                                        float *ret) {
    const struct stretch c = *s;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float u = place_of(&c, k);
        const float sky = sky_at(&c, u);
        ret[k] = finite_or_sky((px[k] - sky) / (c.noise + u * c.more));
    }
}

/* The same of whole numbers, which are all finite. */
NW_CLONES static void fill_whole_significance(const struct stretch *s, size_t n, const uint16_t *px,
                                              float *ret) {
    const struct stretch c = *s;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float u = place_of(&c, k);
        const float sky = sky_at(&c, u);
        ret[k] = ((float)px[k] - sky) / (c.noise + u * c.more);
    }
}

/* Where a stretch reaches beyond the outermost tile centres: by way of the sky. */
static void fill_outer_significance(const struct stretch *s, size_t n,
                                    const struct nw_image_view *image, size_t first, float *ret) {
    fill_sky(s, n, ret);
    for (size_t k = 0; k < n; k++) {
        const float px = image->px ? image->px[first + k] : (float)image->px16[first + k];
        const float u = place_of(s, k);
        const float share = k < s->n_before ? 0.0F : k < s->n_all ? u : 1.0F;
        ret[k] = finite_or_sky((px - ret[k]) / (s->noise + share * s->more));
    }
}

/* Along part of a row, from one stretch between tile columns to the next. */
struct walk {
    const struct nw_background *background;
    struct row_place place;
    struct node left;
    size_t left_at, x, end; /* where the next stretch begins; where all end */
};

static struct walk walk_begin(const struct nw_background *b, size_t x0, size_t n, size_t y) {
    return (struct walk){
        .background = b, .place = row_place_of(b, y), .left_at = SIZE_MAX, .x = x0, .end = x0 + n};
}

/* The next stretch and its number of pixels, 0 at the end. */
static size_t walk_on(struct walk *w, struct stretch *ret) {
    const struct nw_background *const b = w->background;
    if (w->x >= w->end) {
        return 0;
    }
    double t = 0.0;
    const size_t i = interval_of(w->x, b->nx, b->width_px, &t);
    const size_t stop = interval_end(b, i);
    const size_t n = (stop < w->end ? stop : w->end) - w->x;
    if (w->left_at != i) {
        w->left = row_node(b, &w->place, i);
    }
    const struct node right = row_node(b, &w->place, b->nx > 1 ? i + 1 : i);
    const double dt = b->nx > 1 ? (double)b->nx / (double)b->width_px : 0.0;
    *ret = stretch_of(&w->left, &right, t, dt, n);
    w->left = right;
    w->left_at = i + 1;
    w->x += n;
    return n;
}

/* ---- warm columns ---- */

/* The first warm column at x or to the right of it. */
static size_t first_column(const struct nw_background *b, size_t x) {
    size_t low = 0;
    size_t high = b->n_columns;
    while (low < high) {
        const size_t middle = (low + high) / 2;
        if (b->columns[middle].x < x) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

static void add_columns(const struct nw_background *b, size_t x0, size_t n, size_t y, float *sky) {
    for (size_t k = first_column(b, x0); k < b->n_columns && b->columns[k].x < x0 + n; k++) {
        const struct warm_column *const c = &b->columns[k];
        sky[c->x - x0] += y >= c->y0 && y < c->y1 ? c->adu : 0.0F;
    }
}

static void take_columns_off(const struct nw_background *b, size_t x0, size_t n, size_t y,
                             float *significance) {
    for (size_t k = first_column(b, x0); k < b->n_columns && b->columns[k].x < x0 + n; k++) {
        const struct warm_column *const c = &b->columns[k];
        if (y >= c->y0 && y < c->y1) {
            float noise = NAN;
            background_span(b, c->x, 1, y, NULL, &noise);
            significance[c->x - x0] -= noise > 0.0F ? c->adu / noise : 0.0F;
        }
    }
}

/* What is colder than noise makes it, dead pixels, is as good as blank. */
NW_CLONES static void drop_cold(size_t n, float *significance) {
    const float cold = -(float)COLD_SIGMA;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        significance[k] = significance[k] < cold ? 0.0F : significance[k];
    }
}

void background_span(const struct nw_background *b, size_t x0, size_t n, size_t y, float *sky,
                     float *noise) {
    struct walk walk = walk_begin(b, x0, n, y);
    struct stretch s;
    size_t at = 0;
    for (size_t count = walk_on(&walk, &s); count > 0; count = walk_on(&walk, &s)) {
        if (sky) {
            fill_sky(&s, count, sky + at);
        }
        if (noise) {
            fill_noise(&s, count, noise + at);
        }
        at += count;
    }
    if (sky && b->n_columns > 0) {
        add_columns(b, x0, n, y, sky);
    }
}

void background_significance(const struct nw_background *b, const struct nw_image_view *image,
                             size_t x0, size_t n, size_t y, float *ret) {
    struct walk walk = walk_begin(b, x0, n, y);
    struct stretch s;
    size_t first = y * image->stride_px + x0;
    float *const all = ret;
    for (size_t count = walk_on(&walk, &s); count > 0; count = walk_on(&walk, &s)) {
        if (s.n_before > 0 || s.n_all < count) {
            fill_outer_significance(&s, count, image, first, ret);
        } else if (image->px) {
            fill_significance(&s, count, image->px + first, ret);
        } else {
            fill_whole_significance(&s, count, image->px16 + first, ret);
        }
        first += count;
        ret += count;
    }
    if (b->n_columns > 0) {
        take_columns_off(b, x0, n, y, all);
    }
    if (b->has_cold) {
        drop_cold(n, all);
    }
}

void nw_background_row(const struct nw_background *background, size_t y, float *sky, float *noise) {
    background_span(background, 0, background->width_px, y, sky, noise);
}

/* ---- windows ---- */

NW_CLONES static void take_off_floats(const struct stretch *s, size_t n, const float *px,
                                      float *ret) {
    const struct stretch c = *s;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float u = place_of(&c, k);
        ret[k] = px[k] - sky_at(&c, u);
    }
}

NW_CLONES static void take_off_whole(const struct stretch *s, size_t n, const uint16_t *px,
                                     float *ret) {
    const struct stretch c = *s;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float u = place_of(&c, k);
        ret[k] = (float)px[k] - sky_at(&c, u);
    }
}

/* Between two tile columns and two tile rows the sky is a sum of four stretches, with weights that
 * follow the row: sky and second derivative of the lower and of the upper tiles. */
struct cell {
    double c[4][4]; /* of each the powers of t */
};

static struct cell cell_of(const struct nw_background *b, size_t i, size_t j) {
    const size_t right = b->nx > 1 ? 1 : 0;
    const size_t low = j * b->nx + i;
    const size_t high = (b->ny > 1 ? j + 1 : j) * b->nx + i;
    const double *const z[4] = {b->z + low, b->z + high, b->zyy + low, b->zyy + high};
    const double *const zxx[4] = {b->zxx + low, b->zxx + high, b->zxxyy + low, b->zxxyy + high};
    struct cell cell;
    for (size_t m = 0; m < 4; m++) {
        cell.c[m][0] = z[m][0];
        cell.c[m][1] = z[m][right] - z[m][0] - zxx[m][0] / 3.0 - zxx[m][right] / 6.0;
        cell.c[m][2] = zxx[m][0] / 2.0;
        cell.c[m][3] = (zxx[m][right] - zxx[m][0]) / 6.0;
    }
    return cell;
}

/* The sky along a row of a cell, t of the way up. */
static void cell_row(const struct cell *cell, double t, struct stretch *s) {
    double w[4];
    double power[4];
    spline_weights(t, w);
    for (size_t k = 0; k < 4; k++) {
        power[k] = w[0] * cell->c[0][k] + w[1] * cell->c[1][k] + w[2] * cell->c[2][k] +
                   w[3] * cell->c[3][k];
    }
    s->z = (float)power[0];
    s->c1 = (float)power[1];
    s->c2 = (float)power[2];
    s->c3 = (float)power[3];
}

/* The same columns of all rows, from one tile column to the next. */
static void take_off_stretch(const struct nw_background *b, const struct nw_image_view *image,
                             const struct box *box, float *ret, size_t stride) {
    double t = 0.0;
    double down_t = 0.0; /* how far a row lies between two rows of tiles, j and the next */
    size_t j = interval_of(box->y0, b->ny, b->height_px, &down_t);
    const double down = b->ny > 1 ? (double)b->ny / (double)b->height_px : 0.0;
    const size_t i = interval_of(box->x0, b->nx, b->width_px, &t);
    const double dt = b->nx > 1 ? (double)b->nx / (double)b->width_px : 0.0;
    const bool is_between = t >= 0.0 && t + (double)box->n_x * dt < 1.0 + dt;
    const struct node level = {.z = 0.0};
    struct stretch s = stretch_of(&level, &level, t, dt, box->n_x);
    struct cell cell = cell_of(b, i, j);
    for (size_t k = 0; k < box->n_y; k++) {
        if (down_t > 1.0 && j + 2 < b->ny) {
            down_t -= 1.0;
            j++;
            cell = cell_of(b, i, j);
        }
        cell_row(&cell, down_t, &s);
        down_t += down;
        const size_t first = (box->y0 + k) * image->stride_px + box->x0;
        float *const to = ret + k * stride;
        if (!is_between) {
            float work[WINDOW_MAX_SIDE];
            fill_sky(&s, box->n_x, to);
            const float *const px = nw_image_span(image, box->x0, box->n_x, box->y0 + k, work);
            for (size_t x = 0; x < box->n_x; x++) {
                to[x] = px[x] - to[x];
            }
        } else if (image->px) {
            take_off_floats(&s, box->n_x, image->px + first, to);
        } else {
            take_off_whole(&s, box->n_x, image->px16 + first, to);
        }
    }
}

void background_take_off(const struct nw_background *b, const struct nw_image_view *image,
                         const struct box *box, float *ret, size_t stride) {
    size_t done = 0;
    while (done < box->n_x) {
        struct box part = *box;
        part.x0 += done;
        double t = 0.0;
        const size_t stop = interval_end(b, interval_of(part.x0, b->nx, b->width_px, &t));
        const size_t left = box->n_x - done;
        part.n_x = stop - part.x0 < left ? stop - part.x0 : left;
        take_off_stretch(b, image, &part, ret + done, stride);
        done += part.n_x;
    }
    for (size_t k = first_column(b, box->x0);
         k < b->n_columns && b->columns[k].x < box->x0 + box->n_x; k++) {
        const struct warm_column *const c = &b->columns[k];
        const size_t from = c->y0 > box->y0 ? c->y0 : box->y0;
        for (size_t y = from; y < c->y1 && y < box->y0 + box->n_y; y++) {
            ret[(y - box->y0) * stride + c->x - box->x0] -= c->adu;
        }
    }
}
