/* background.c - smooth sky and noise on a mesh.
 * Idea: each tile gives a clipped mode (tile.c); a median filter over the tiles drops those spoilt
 * by bright stars; a bicubic spline joins them (Bijaoui 1980, A&A 84, 81; Bertin & Arnouts 1996,
 * A&AS 117, 393, sec. 2.1). Noise is joined bilinearly, so that it stays positive.
 * Holds: 1. tile (i, j) covers columns i*w/nx .. (i+1)*w/nx-1.  2. a tile without pixels takes its
 * nearest neighbours' mean.  3. beyond the outermost tile centres the surface goes on straight; the
 * median filter sees it mirrored about the outermost tile, so a slope is left as it is. */
#include <assert.h>
#include <float.h>

#include "base/clones.h"
#include "image/measure_internal.h"

struct nw_background {
    size_t width_px, height_px, nx, ny;
    double level_adu, noise_adu;
    double *z, *zyy, *zxx, *zxxyy; /* nx * ny: value and second derivatives */
    double *noise;
    double *tiles; /* the one block all of them live in */
};

struct tile_job {
    const struct nw_image_view *image;
    struct nw_background *background;
    struct value_range *ranges; /* of every tile */
};

static size_t tile_edge(size_t i, size_t n_tiles, size_t n_px) {
    return i * n_px / n_tiles;
}

static struct nw_image_view tile_view(const struct tile_job *job, size_t i, size_t j) {
    const struct nw_background *const b = job->background;
    const struct nw_image_view *const image = job->image;
    const size_t x0 = tile_edge(i, b->nx, b->width_px);
    const size_t y0 = tile_edge(j, b->ny, b->height_px);
    const size_t first = y0 * image->stride_px + x0;
    return (struct nw_image_view){.px = image->px ? image->px + first : NULL,
                                  .px16 = image->px16 ? image->px16 + first : NULL,
                                  .width_px = tile_edge(i + 1, b->nx, b->width_px) - x0,
                                  .height_px = tile_edge(j + 1, b->ny, b->height_px) - y0,
                                  .stride_px = image->stride_px};
}

/* Asks for the pixels of a tile: its rows lie too far apart for the processor to foresee them. */
static void fetch_tile(const struct nw_image_view *tile) {
    enum { LINE_BYTES = 64 };
    const size_t bytes = tile->px ? sizeof *tile->px : sizeof *tile->px16;
    const unsigned char *row =
        tile->px ? (const unsigned char *)tile->px : (const unsigned char *)tile->px16;
    for (size_t y = 0; y < tile->height_px; y++) {
        for (size_t at = 0; at < tile->width_px * bytes; at += LINE_BYTES) {
            __builtin_prefetch(row + at);
        }
        row += tile->stride_px * bytes;
    }
}

static void measure_tile_row(void *user, size_t j) {
    const struct tile_job *const job = user;
    const struct nw_background *const b = job->background;
    struct nw_image_view next = tile_view(job, 0, j);
    for (size_t i = 0; i < b->nx; i++) {
        const struct nw_image_view tile = next;
        if (i + 1 < b->nx) {
            next = tile_view(job, i + 1, j);
            fetch_tile(&next);
        }
        const size_t index = j * b->nx + i;
        job->ranges[index] = tile_range(&tile);
        const struct tile_stat stat = tile_measure(&tile);
        const bool is_enough = stat.count > 0 && stat.count * 8 >= tile.width_px * tile.height_px;
        b->z[index] = is_enough ? stat.level_adu : (double)NAN;
        b->noise[index] = is_enough ? stat.sigma_adu : (double)NAN;
    }
}

/* Mean of the nearest ring of tiles that has values; NaN when no tile has any. */
static double nearest_mean(const double *z, const struct nw_background *b, size_t i, size_t j) {
    const size_t reach_max = b->nx > b->ny ? b->nx : b->ny;
    for (size_t reach = 1; reach <= reach_max; reach++) {
        double sum = 0.0;
        size_t n = 0;
        const size_t j0 = j > reach ? j - reach : 0;
        const size_t i0 = i > reach ? i - reach : 0;
        for (size_t jj = j0; jj <= j + reach && jj < b->ny; jj++) {
            for (size_t ii = i0; ii <= i + reach && ii < b->nx; ii++) {
                if (isfinite(z[jj * b->nx + ii])) {
                    sum += z[jj * b->nx + ii];
                    n++;
                }
            }
        }
        if (n > 0) {
            return sum / (double)n;
        }
    }
    return (double)NAN;
}

static bool fill_gaps(double *z, const struct nw_background *b, double *work) {
    const size_t n = b->nx * b->ny; /* nx, ny >= 1: tile_count */
    assert(b->nx > 0);
    memcpy(work, z, n * sizeof *z);
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(work[k])) {
            z[k] = nearest_mean(work, b, k % b->nx, k / b->nx);
            if (!isfinite(z[k])) {
                return false;
            }
        }
    }
    return true;
}

/* Value at a place that may lie outside: mirrored about the outermost tile, with or without the
 * slope (2 edge - inside, or inside). */
static double mirrored(const double *z, const struct nw_background *b, long i, long j, bool slope) {
    const long nx = (long)b->nx;
    const long ny = (long)b->ny;
    const long edge_i = i < 0 ? 0 : i >= nx ? nx - 1 : i;
    const long edge_j = j < 0 ? 0 : j >= ny ? ny - 1 : j;
    long in_i = 2 * edge_i - i;
    long in_j = 2 * edge_j - j;
    in_i = in_i < 0 ? 0 : in_i >= nx ? nx - 1 : in_i;
    in_j = in_j < 0 ? 0 : in_j >= ny ? ny - 1 : in_j;
    const double inside = z[in_j * nx + in_i];
    if (!slope || (edge_i == i && edge_j == j)) {
        return inside;
    }
    return 2.0 * z[edge_j * nx + edge_i] - inside;
}

static void median_filter(double *z, const struct nw_background *b, size_t filter, bool slope,
                          double *work) {
    enum { FILTER_MAX = 9 };
    const long half = (long)(filter > FILTER_MAX ? FILTER_MAX : filter) / 2;
    double near[FILTER_MAX * FILTER_MAX];
    for (long j = 0; j < (long)b->ny; j++) {
        for (long i = 0; i < (long)b->nx; i++) {
            size_t n = 0;
            for (long dj = -half; dj <= half; dj++) {
                for (long di = -half; di <= half; di++) {
                    near[n++] = mirrored(z, b, i + di, j + dj, slope);
                }
            }
            work[j * (long)b->nx + i] = nw_stat_median(near, n);
        }
    }
    memcpy(z, work, b->nx * b->ny * sizeof *z);
}

static void make_spline(struct nw_background *b, double *work) {
    for (size_t j = 0; j < b->ny; j++) {
        spline_second_derivatives(b->z + j * b->nx, b->nx, 1, b->zxx + j * b->nx, work);
    }
    for (size_t i = 0; i < b->nx; i++) {
        spline_second_derivatives(b->z + i, b->ny, b->nx, b->zyy + i, work);
        spline_second_derivatives(b->zxx + i, b->ny, b->nx, b->zxxyy + i, work);
    }
}

static size_t tile_count(size_t n_px, size_t mesh_px) {
    const size_t n = (n_px + mesh_px / 2) / mesh_px;
    return n > 0 ? n : 1;
}

static struct value_range joined_range(const struct value_range *ranges, size_t n) {
    struct value_range all = {.low = INFINITY, .top = -INFINITY};
    for (size_t i = 0; i < n; i++) {
        const struct value_range *const r = &ranges[i];
        all.n_finite += r->n_finite;
        all.low = r->low < all.low ? r->low : all.low;
        if (r->top > all.top) {
            all.top = r->top;
            all.n_top = 0;
        }
        all.n_top += r->top >= all.top ? r->n_top : 0;
    }
    return all;
}

/* The tiles as they are measured become a surface. */
static bool make_surface(struct nw_background *b, size_t filter, double *work) {
    const size_t n = b->nx * b->ny;
    if (!fill_gaps(b->z, b, work) || !fill_gaps(b->noise, b, work)) {
        return false;
    }
    median_filter(b->z, b, filter, true, work);
    median_filter(b->noise, b, filter, false, work);
    make_spline(b, work);
    memcpy(work, b->z, n * sizeof *work);
    b->level_adu = nw_stat_median(work, n);
    memcpy(work, b->noise, n * sizeof *work);
    b->noise_adu = nw_stat_median(work, n);
    return true;
}

static enum nw_status check_request(const struct nw_image_view *image, size_t mesh_px,
                                    size_t filter, struct nw_err *err) {
    if (image->width_px == 0 || image->height_px == 0) {
        return nw_err_set(err, NW_DOMAIN, "image of %zu x %zu px has no pixels", image->width_px,
                          image->height_px);
    }
    if (mesh_px < 4 || filter > 9 || filter % 2 == 0) {
        return nw_err_set(
            err, NW_DOMAIN,
            "background mesh of %zu px with filter %zu: expected a mesh of at least 4 "
            "px and an odd filter of at most 9",
            mesh_px, filter);
    }
    return NW_OK;
}

enum nw_status background_build(const struct nw_image_view *image,
                                const struct nw_background_opts *opts, int n_threads,
                                struct value_range *ret_range, struct nw_background **ret,
                                struct nw_err *err) {
    const size_t mesh_px = opts && opts->mesh_px > 0 ? opts->mesh_px : 64;
    const size_t filter = opts && opts->filter > 0 ? opts->filter : 3;
    enum nw_status status = check_request(image, mesh_px, filter, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_background *b = calloc(1, sizeof *b);
    const size_t nx = tile_count(image->width_px, mesh_px);
    const size_t ny = tile_count(image->height_px, mesh_px);
    const size_t n = nx * ny;
    double *tiles = nw_calloc(6 * n + nx + ny, sizeof *tiles);
    struct value_range *const ranges = nw_calloc(n, sizeof *ranges);
    if (!b || !tiles || !ranges) {
        free(tiles);
        status = nw_err_set(err, NW_NOMEM, "background of %zu x %zu tiles", nx, ny);
        goto done;
    }
    *b = (struct nw_background){.width_px = image->width_px,
                                .height_px = image->height_px,
                                .nx = nx,
                                .ny = ny,
                                .tiles = tiles,
                                .z = tiles,
                                .zyy = tiles + n,
                                .zxx = tiles + 2 * n,
                                .zxxyy = tiles + 3 * n,
                                .noise = tiles + 4 * n};
    struct tile_job job = {.image = image, .background = b, .ranges = ranges};
    (void)nw_parallel_for(ny, n_threads, measure_tile_row, &job, NULL);
    if (!make_surface(b, filter, tiles + 5 * n)) {
        status = nw_err_set(err, NW_DATA, "no finite pixel in the image of %zu x %zu px",
                            image->width_px, image->height_px);
        goto done;
    }
    if (ret_range) {
        *ret_range = joined_range(ranges, n);
    }
    *ret = b;
    b = NULL;
done:
    free(ranges);
    nw_background_free(b);
    return status;
}

enum nw_status nw_background_new(struct nw_image_view image, const struct nw_background_opts *opts,
                                 struct nw_background **ret, struct nw_err *err) {
    return background_build(&image, opts, 0, NULL, ret, err);
}

void nw_background_free(struct nw_background *background) {
    if (background) {
        free(background->tiles);
        free(background);
    }
}

double nw_background_level_adu(const struct nw_background *background) {
    return background->level_adu;
}

double nw_background_noise_adu(const struct nw_background *background) {
    return background->noise_adu;
}

void background_raise_noise(struct nw_background *background, double floor_adu) {
    for (size_t k = 0; k < background->nx * background->ny; k++) {
        background->noise[k] = fmax(background->noise[k], floor_adu);
    }
    background->noise_adu = fmax(background->noise_adu, floor_adu);
}

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

static struct row_place row_place_of(const struct nw_background *b, size_t y) {
    struct row_place place;
    double t = 0.0;
    const size_t j = interval_of(y, b->ny, b->height_px, &t);
    place.low = j * b->nx;
    place.high = (b->ny > 1 ? j + 1 : j) * b->nx;
    place.noise_t = t < 0.0 ? 0.0 : t > 1.0 ? 1.0 : t;
    spline_weights(t, place.weight);
    return place;
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

NW_CLONES static void fill_sky(const struct stretch *s, size_t n, float *sky) {
    const struct stretch c = *s;
    for (size_t k = 0; k < c.n_before; k++) { /* straight on before the first centre */
        sky[k] = c.z + (c.t + (float)(int32_t)k * c.dt) * c.c1;
    }
#pragma omp simd
    for (size_t k = c.n_before; k < c.n_all; k++) {
        const float u = c.t + (float)(int32_t)k * c.dt;
        sky[k] = c.z + u * (c.c1 + u * (c.c2 + u * c.c3));
    }
    const float end = c.z + c.c1 + c.c2 + c.c3;
    const float slope = c.c1 + 2.0F * c.c2 + 3.0F * c.c3;
    for (size_t k = c.n_all; k < n; k++) { /* and behind the last */
        sky[k] = end + (c.t + (float)(int32_t)k * c.dt - 1.0F) * slope;
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
        noise[k] = c.noise + (c.t + (float)(int32_t)k * c.dt) * c.more;
    }
    for (size_t k = c.n_all; k < n; k++) {
        noise[k] = c.noise + c.more;
    }
}

/* (px - sky) / noise; blank: 0. Between tile centres in one go, outside by way of the sky. */
NW_CLONES static void fill_significance(const struct stretch *s, size_t n, const float *px,
                                        float *ret) {
    const struct stretch c = *s;
    if (c.n_before > 0 || c.n_all < n) {
        fill_sky(s, n, ret);
    }
    for (size_t k = 0; k < c.n_before; k++) {
        ret[k] = finite_or_sky((px[k] - ret[k]) / c.noise);
    }
#pragma omp simd
    for (size_t k = c.n_before; k < c.n_all; k++) {
        const float u = c.t + (float)(int32_t)k * c.dt;
        const float sky = c.z + u * (c.c1 + u * (c.c2 + u * c.c3));
        ret[k] = finite_or_sky((px[k] - sky) / (c.noise + u * c.more));
    }
    for (size_t k = c.n_all; k < n; k++) {
        ret[k] = finite_or_sky((px[k] - ret[k]) / (c.noise + c.more));
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
}

void background_significance(const struct nw_background *b, size_t x0, size_t n, size_t y,
                             const float *px, float *ret) {
    struct walk walk = walk_begin(b, x0, n, y);
    struct stretch s;
    size_t at = 0;
    for (size_t count = walk_on(&walk, &s); count > 0; count = walk_on(&walk, &s)) {
        fill_significance(&s, count, px + at, ret + at);
        at += count;
    }
}

void nw_background_row(const struct nw_background *background, size_t y, float *sky, float *noise) {
    background_span(background, 0, background->width_px, y, sky, noise);
}
