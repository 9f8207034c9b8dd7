/* sensor_pair.c - means and variances of one frame or of two, tile by tile.
 * Idea: what is common to two frames (vignetting, dust, pattern, hot pixels) goes away in their
 * difference (Janesick 2007, ch. 5); the second is scaled to the first, for a lamp that drifts.
 * Within a tile values beyond 5 sigma are left out. A second variance is taken about each row's own
 * mean, so that the bands which a flickering lamp leaves under a rolling shutter do not count.
 * Holds: 1. tiles cover the frame but for less than a tile's width at its far edges.  2. a colour
 * pattern's four sites are kept apart throughout. */
#include "light/sensor_internal.h"

#include <math.h>

enum { TILE_PX = 64, TILE_MAX = 2 * TILE_PX, CLIP_ROUNDS = 4 };
#define CLIP_SIGMA 5.0

struct job {
    struct nw_image_view a, b;
    bool has_b, has_light;
    size_t nx, ny, tile_w, tile_h, step; /* step: 1, or 2 of a colour pattern */
    const struct sensor_work *work;
    struct sensor_pair *pair;
    double *tops; /* per tile: top and count of either frame */
};

/* The values of one site of a tile, row after row. */
struct patch {
    float a[TILE_MAX * TILE_MAX], b[TILE_MAX * TILE_MAX];
    size_t width, height;
};

static void site_values(const struct job *job, const struct nw_image_view *image, size_t tile,
                        size_t site, float *to) {
    const size_t x0 = tile % job->nx * job->tile_w;
    const size_t y0 = tile / job->nx * job->tile_h;
    float row[TILE_MAX];
    size_t n = 0;
    for (size_t y = site / 2; y < job->tile_h; y += job->step) {
        const float *const span = nw_image_span(image, x0, job->tile_w, y0 + y, row);
        for (size_t x = site % 2; x < job->tile_w; x += job->step) {
            to[n++] = span[x];
        }
    }
}

/* Mean within CLIP_SIGMA; NaN where nothing is left. */
static double clipped_mean(const float *v, size_t n) {
    double low = -INFINITY;
    double high = INFINITY;
    double mean = NAN;
    size_t before = 0;
    for (int round = 0; round < CLIP_ROUNDS; round++) {
        double sum = 0.0;
        double sum2 = 0.0;
        size_t kept = 0;
        const double zero = isfinite(mean) ? mean : (double)v[0];
        for (size_t i = 0; i < n; i++) {
            const double d = (double)v[i] - zero;
            const bool is_in = (double)v[i] >= low && (double)v[i] <= high;
            kept += is_in;
            sum += is_in ? d : 0.0;
            sum2 += is_in ? d * d : 0.0;
        }
        if (kept < 2 || kept == before) {
            break;
        }
        before = kept;
        mean = zero + sum / (double)kept;
        const double sd = sqrt(fmax(0.0, sum2 - sum * sum / (double)kept) / (double)(kept - 1));
        low = mean - CLIP_SIGMA * sd - 0.5;
        high = mean + CLIP_SIGMA * sd + 0.5;
    }
    return mean;
}

static void note_top(const struct patch *p, const float *v, double *top_count) {
    for (size_t i = 0; i < p->width * p->height; i++) {
        const double value = (double)v[i];
        if (value > top_count[0]) {
            top_count[0] = value;
            top_count[1] = 1.0;
        } else if (!(value < top_count[0])) {
            top_count[1] += 1.0;
        }
    }
}

static void tile_means(void *user, size_t tile) {
    struct job *const job = user;
    struct patch p = {.width = job->tile_w / job->step, .height = job->tile_h / job->step};
    double *const tops = job->tops + 4 * tile;
    tops[0] = tops[2] = -INFINITY;
    for (size_t site = 0; site < job->pair->n_sites; site++) {
        struct sensor_tile *const t = &job->pair->tiles[tile * job->pair->n_sites + site];
        site_values(job, &job->a, tile, site, p.a);
        t->mean[0] = clipped_mean(p.a, p.width * p.height);
        t->mean[1] = t->var_total = t->var_rows = t->var_space = NAN;
        note_top(&p, p.a, tops);
        if (job->has_b) {
            site_values(job, &job->b, tile, site, p.b);
            t->mean[1] = clipped_mean(p.b, p.width * p.height);
            note_top(&p, p.b, tops + 2);
        }
    }
}

/* Sums of a difference, values outside low..high left out. */
struct sums {
    double total, total2, rows2; /* rows2: about the rows' means */
    size_t n, n_rows;
};

static struct sums sum_up(const struct patch *p, double ratio, double low, double high) {
    struct sums s = {.n = 0};
    for (size_t y = 0; y < p->height; y++) {
        double sum = 0.0;
        double sum2 = 0.0;
        size_t n = 0;
        for (size_t x = 0; x < p->width; x++) {
            const size_t i = y * p->width + x;
            const double d = (double)p->a[i] - ratio * (double)p->b[i];
            const bool is_in = d >= low && d <= high;
            n += is_in;
            sum += is_in ? d : 0.0;
            sum2 += is_in ? d * d : 0.0;
        }
        if (n > 1) {
            s.n += n;
            s.n_rows++;
            s.total += sum;
            s.total2 += sum2;
            s.rows2 += sum2 - sum * sum / (double)n;
        }
    }
    return s;
}

static void tile_variance(const struct patch *p, double ratio, struct sensor_tile *t) {
    double low = -INFINITY;
    double high = INFINITY;
    struct sums s = {.n = 0};
    size_t before = 0;
    for (int round = 0; round < CLIP_ROUNDS; round++) {
        s = sum_up(p, ratio, low, high);
        if (s.n < 8 || s.n == before) {
            break;
        }
        before = s.n;
        const double mean = s.total / (double)s.n;
        const double sd = sqrt(fmax(0.0, s.total2 / (double)s.n - mean * mean));
        low = mean - CLIP_SIGMA * sd - 0.5;
        high = mean + CLIP_SIGMA * sd + 0.5;
    }
    if (s.n > s.n_rows && s.n >= 8) {
        t->var_total = (s.total2 - s.total * s.total / (double)s.n) / (double)(s.n - 1);
        t->var_rows = s.rows2 / (double)(s.n - s.n_rows);
    }
    double sum = 0.0; /* of neighbours in a row, of the two added: what stays, and noise */
    size_t n = 0;
    const double sd = sqrt(fmax(0.0, t->var_total));
    for (size_t y = 0; y < p->height; y++) {
        for (size_t x = 0; x + 1 < p->width; x += 2) {
            const size_t i = y * p->width + x;
            const double d = (double)p->a[i] + ratio * (double)p->b[i] - (double)p->a[i + 1] -
                             ratio * (double)p->b[i + 1];
            if (fabs(d) <= 12.0 * sd + 1.0) {
                sum += d * d;
                n++;
            }
        }
    }
    t->var_space = n > 0 ? 0.5 * sum / (double)n : NAN;
}

static void tile_variances(void *user, size_t tile) {
    struct job *const job = user;
    struct patch p = {.width = job->tile_w / job->step, .height = job->tile_h / job->step};
    for (size_t site = 0; site < job->pair->n_sites; site++) {
        site_values(job, &job->a, tile, site, p.a);
        site_values(job, &job->b, tile, site, p.b);
        tile_variance(&p, job->pair->ratio[site],
                      &job->pair->tiles[tile * job->pair->n_sites + site]);
    }
}

static void frame_means(const struct job *job) {
    struct sensor_pair *const pair = job->pair;
    for (size_t k = 0; k < (job->has_b ? 2U : 1U); k++) {
        double count = 0.0;
        pair->top_adu[k] = -INFINITY;
        for (size_t t = 0; t < pair->n_tiles; t++) {
            const double *const top = job->tops + 4 * t + 2 * k;
            count = top[0] > pair->top_adu[k]   ? top[1]
                    : top[0] < pair->top_adu[k] ? count
                                                : count + top[1];
            pair->top_adu[k] = fmax(pair->top_adu[k], top[0]);
        }
        pair->share_at_top[k] = count / (double)(pair->n_tiles * job->tile_w * job->tile_h);
        for (size_t s = 0; s < pair->n_sites; s++) {
            double sum = 0.0;
            size_t n = 0;
            for (size_t t = 0; t < pair->n_tiles; t++) {
                const double mean = pair->tiles[t * pair->n_sites + s].mean[k];
                sum += isfinite(mean) ? mean : 0.0;
                n += isfinite(mean) ? 1 : 0;
            }
            pair->mean[k][s] = n ? sum / (double)n : NAN;
        }
    }
    for (size_t s = 0; s < pair->n_sites; s++) {
        const double offset = job->has_light ? job->work->offset_adu[s] : NAN;
        const double ratio = (pair->mean[0][s] - offset) / (pair->mean[1][s] - offset);
        pair->ratio[s] = isfinite(ratio) ? ratio : 1.0;
    }
}

enum nw_status sensor_pair_measure(const struct sensor_work *work, const struct nw_frame *a,
                                   const struct nw_frame *b, bool has_light,
                                   struct sensor_pair *ret, struct nw_err *err) {
    const size_t n_sites = work->out->n_sites;
    struct job job = {.a = nw_frame_plane(a, 0),
                      .has_b = b != NULL,
                      .has_light = has_light,
                      .step = n_sites > 1 ? 2 : 1,
                      .work = work,
                      .pair = ret};
    if (b) {
        job.b = nw_frame_plane(b, 0);
    }
    job.nx = a->width_px / TILE_PX > 0 ? a->width_px / TILE_PX : 1;
    job.ny = a->height_px / TILE_PX > 0 ? a->height_px / TILE_PX : 1;
    job.tile_w = a->width_px / job.nx / job.step * job.step;
    job.tile_h = a->height_px / job.ny / job.step * job.step;
    ret->n_sites = n_sites;
    ret->n_tiles = job.nx * job.ny;
    ret->tiles = nw_calloc(ret->n_tiles * n_sites, sizeof *ret->tiles);
    job.tops = nw_calloc(ret->n_tiles * 4, sizeof *job.tops);
    if (!ret->tiles || !job.tops) {
        free(job.tops);
        sensor_pair_done(ret);
        return nw_err_set(err, NW_NOMEM, "%zu tiles of a frame", ret->n_tiles);
    }
    (void)nw_parallel_for(ret->n_tiles, work->n_threads, tile_means, &job, NULL);
    frame_means(&job);
    if (b) {
        (void)nw_parallel_for(ret->n_tiles, work->n_threads, tile_variances, &job, NULL);
    }
    free(job.tops);
    return NW_OK;
}

void sensor_pair_done(struct sensor_pair *pair) {
    free(pair->tiles);
    pair->tiles = NULL;
}
