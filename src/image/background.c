/* background.c - smooth sky and noise on a mesh.
 * Idea: each tile gives a clipped mode (tile.c); a median filter over the tiles drops those spoilt
 * by bright stars; a bicubic spline joins them (Bijaoui 1980, A&A 84, 81; Bertin & Arnouts 1996,
 * A&AS 117, 393, sec. 2.1). Noise is joined bilinearly, so that it stays positive.
 * Holds: 1. tile (i, j) covers columns i*w/nx .. (i+1)*w/nx-1.  2. a tile without pixels takes its
 * nearest neighbours' mean.  3. beyond the outermost tile centres the surface goes on straight; the
 * median filter sees it mirrored about the outermost tile, so a slope is left as it is. */
#include <assert.h>

#include "image/background_internal.h"

struct tile_job {
    const struct nw_image_view *image;
    struct nw_background *background;
    struct value_range *ranges; /* of every row of tiles */
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
    struct nw_image_view row = tile_view(job, 0, j);
    row.width_px = b->width_px;
    job->ranges[j] = tile_range(&row); /* whole rows of pixels: no call for each bit of one */
    struct nw_image_view next = tile_view(job, 0, j);
    for (size_t i = 0; i < b->nx; i++) {
        const struct nw_image_view tile = next;
        if (i + 1 < b->nx) {
            next = tile_view(job, i + 1, j);
            fetch_tile(&next);
        }
        const size_t index = j * b->nx + i;
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
            work[j * (long)b->nx + i] =
                n == 9 ? rank_median_of_nine(near) : nw_stat_median(near, n);
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
    struct value_range *const ranges = nw_calloc(ny, sizeof *ranges);
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
        *ret_range = joined_range(ranges, ny);
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
        free(background->columns);
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

void background_note_cold(struct nw_background *background, double low_adu) {
    for (size_t k = 0; k < background->nx * background->ny && !background->has_cold; k++) {
        background->has_cold = low_adu < background->z[k] - COLD_SIGMA * background->noise[k];
    }
}

bool background_has_cold(const struct nw_background *background) {
    return background->has_cold;
}
