/* panel_dust.c - shadows of dust in a map of flats, and what became of them.
 * Idea: a smooth surface (polynomial of degree 4 in x and y, dips left out) is divided off; what is
 * darker than the noise and hangs together is a shadow; its edge is where half of its depth is
 * reached, which a soft rim does not move. */
#include "light/panel.h"

#include <gsl/gsl_linalg.h>
#include <math.h>

enum {
    DEGREE = 4,
    TERMS = (DEGREE + 1) * (DEGREE + 2) / 2,
    ROUNDS = 5,
    SMOOTH = 3,
    LEAST_BINS = 12
};
#define LEAST_DEPTH 0.004 /* share; shallower ones do no harm */
#define SIGMAS 6.0

/* By rising degree, so that the first six are those of degree 2. */
static void powers(double x, double y, double ret[static TERMS]) {
    double px[DEGREE + 1] = {1.0};
    double py[DEGREE + 1] = {1.0};
    size_t k = 0;
    for (size_t d = 1; d <= DEGREE; d++) {
        px[d] = px[d - 1] * x;
        py[d] = py[d - 1] * y;
    }
    for (size_t d = 0; d <= DEGREE; d++) {
        for (size_t i = 0; i <= d; i++) {
            ret[k++] = px[i] * py[d - i];
        }
    }
}

static double at(size_t i, size_t n) {
    return 2.0 * (double)i / (double)(n - 1) - 1.0;
}

static bool fit_surface(const struct nw_flat_map *map, const float *rest, double limit,
                        size_t n_terms, double b[static TERMS]) {
    double normal[TERMS * TERMS] = {0};
    double right[TERMS] = {0};
    double term[TERMS];
    const size_t step = map->width / 160 > 1 ? map->width / 160 : 1; /* 20,000 places are enough */
    for (size_t y = 0; y < map->height; y += step) {
        for (size_t x = 0; x < map->width; x += step) {
            const size_t i = y * map->width + x;
            if (fabs((double)rest[i]) > limit) {
                continue;
            }
            powers(at(x, map->width), at(y, map->height), term);
            for (size_t p = 0; p < n_terms; p++) {
                right[p] += term[p] * (double)map->px[i];
                for (size_t q = 0; q <= p; q++) {
                    normal[p * n_terms + q] += term[p] * term[q];
                }
            }
        }
    }
    for (size_t p = 0; p < n_terms; p++) {
        for (size_t q = p + 1; q < n_terms; q++) {
            normal[p * n_terms + q] = normal[q * n_terms + p];
        }
    }
    memset(b, 0, TERMS * sizeof *b);
    gsl_matrix_view matrix = gsl_matrix_view_array(normal, n_terms, n_terms);
    gsl_vector_view rhs = gsl_vector_view_array(right, n_terms);
    gsl_vector_view solution = gsl_vector_view_array(b, n_terms);
    return gsl_linalg_cholesky_decomp1(&matrix.matrix) == 0 &&
           gsl_linalg_cholesky_solve(&matrix.matrix, &rhs.vector, &solution.vector) == 0 &&
           isfinite(b[0]);
}

/* rest = map / surface - 1; returns its robust sigma. */
static double divide(const struct nw_flat_map *map, const double *b, float *rest, double *scratch) {
    double term[TERMS];
    size_t n = 0;
    for (size_t y = 0; y < map->height; y++) {
        for (size_t x = 0; x < map->width; x++) {
            double surface = 0.0;
            powers(at(x, map->width), at(y, map->height), term);
            for (size_t p = 0; p < TERMS; p++) {
                surface += b[p] * term[p];
            }
            const size_t i = y * map->width + x;
            rest[i] = (float)((double)map->px[i] / surface - 1.0);
            if ((x + y * 7) % 5 == 0) {
                scratch[n++] = (double)rest[i];
            }
        }
    }
    return nw_stat_mad_sigma(scratch, n, NULL);
}

/* Box mean of (2 SMOOTH + 1)^2 bins by running sums along rows, then columns. */
static void smooth(const float *from, float *to, float *middle, size_t w, size_t h) {
    for (size_t y = 0; y < h; y++) {
        for (size_t x = 0; x < w; x++) {
            const size_t first = x > SMOOTH ? x - SMOOTH : 0;
            const size_t last = x + SMOOTH < w ? x + SMOOTH : w - 1;
            float sum = 0.0F;
            for (size_t k = first; k <= last; k++) {
                sum += from[y * w + k];
            }
            middle[y * w + x] = sum / (float)(last - first + 1);
        }
    }
    for (size_t y = 0; y < h; y++) {
        const size_t first = y > SMOOTH ? y - SMOOTH : 0;
        const size_t last = y + SMOOTH < h ? y + SMOOTH : h - 1;
        for (size_t x = 0; x < w; x++) {
            float sum = 0.0F;
            for (size_t k = first; k <= last; k++) {
                sum += middle[k * w + x];
            }
            to[y * w + x] = sum / (float)(last - first + 1);
        }
    }
}

struct blob {
    size_t n, x0, x1, y0, y1;
    double sx, sy;
};

struct space {
    float *rest, *soft, *middle;
    double *scratch;
    uint32_t *mark;
    size_t *stack;
};

/* All free bins below `limit` that hang together with `seed` get the mark `id`; an even one also
 * takes those of the mark before it. */
static struct blob flood(struct space *s, size_t w, size_t h, size_t seed, float limit,
                         uint32_t id) {
    const float *const v = s->soft;
    uint32_t *const mark = s->mark;
    size_t *const stack = s->stack;
    struct blob b = {.x0 = w, .y0 = h};
    size_t n = 0;
    stack[n++] = seed;
    mark[seed] = id;
    while (n > 0) {
        const size_t i = stack[--n];
        const size_t x = i % w;
        const size_t y = i / w;
        b.n++;
        b.sx += (double)x;
        b.sy += (double)y;
        b.x0 = x < b.x0 ? x : b.x0;
        b.x1 = x > b.x1 ? x : b.x1;
        b.y0 = y < b.y0 ? y : b.y0;
        b.y1 = y > b.y1 ? y : b.y1;
        const size_t next[4] = {x > 0 ? i - 1 : i, x + 1 < w ? i + 1 : i, y > 0 ? i - w : i,
                                y + 1 < h ? i + w : i};
        for (size_t k = 0; k < 4; k++) {
            const bool is_free = mark[next[k]] == 0 || (id % 2 == 0 && mark[next[k]] == id - 1);
            if (is_free && v[next[k]] < limit) {
                mark[next[k]] = id;
                stack[n++] = next[k];
            }
        }
    }
    return b;
}

static void space_done(struct space *s) {
    nw_big_free(s->rest);
    nw_big_free(s->soft);
    nw_big_free(s->middle);
    nw_big_free(s->scratch);
    nw_big_free(s->mark);
    nw_big_free(s->stack);
}

static bool space_init(struct space *s, size_t n) {
    *s = (struct space){.rest = nw_big_alloc(n * sizeof(float)),
                        .soft = nw_big_alloc(n * sizeof(float)),
                        .middle = nw_big_alloc(n * sizeof(float)),
                        .scratch = nw_big_alloc(n * sizeof(double)),
                        .mark = nw_big_alloc(n * sizeof(uint32_t)),
                        .stack = nw_big_alloc(n * sizeof(size_t))};
    return s->rest && s->soft && s->middle && s->scratch && s->mark && s->stack;
}

/* Median of what is missing inside `circle`, not smoothed. */
static double depth_of(struct space *s, size_t w, const struct blob *half, uint32_t id,
                       const double circle[static 3]) {
    size_t n = 0;
    for (size_t y = half->y0; y <= half->y1; y++) {
        for (size_t x = half->x0; x <= half->x1; x++) {
            const size_t i = y * w + x;
            if (s->mark[i] == id &&
                hypot((double)x - circle[0], (double)y - circle[1]) <= circle[2]) {
                s->scratch[n++] = -(double)s->rest[i];
            }
        }
    }
    return n > 0 ? nw_stat_median(s->scratch, n) : NAN;
}

/* What hung together with a shadow but lies beyond `circle` (x, y, radius) is free for another. */
static void release(struct space *s, size_t w, const struct blob *deep, uint32_t id,
                    const double circle[static 3]) {
    for (size_t y = deep->y0; y <= deep->y1; y++) {
        for (size_t x = deep->x0; x <= deep->x1; x++) {
            uint32_t *const mark = &s->mark[y * w + x];
            if (*mark == id && hypot((double)x - circle[0], (double)y - circle[1]) > circle[2]) {
                *mark = 0;
            }
        }
    }
}

/* Depth at the middle of the deep part, then the blob at half of it. */
static struct nw_shadow describe(const struct nw_flat_map *map, struct space *s, size_t seed,
                                 uint32_t id, float limit) {
    const size_t w = map->width;
    const struct blob deep = flood(s, w, map->height, seed, limit, id);
    size_t n = 0;
    for (size_t y = deep.y0; y <= deep.y1; y++) {
        for (size_t x = deep.x0; x <= deep.x1; x++) {
            if (s->mark[y * w + x] == id) {
                s->scratch[n++] = -(double)s->soft[y * w + x];
            }
        }
    }
    const double depth = nw_stat_quantile(s->scratch, n, 0.7);
    struct nw_shadow shadow = {.depth = depth, .diameter_px = NAN};
    if (deep.n < LEAST_BINS) {
        return shadow;
    }
    size_t start = seed;
    for (size_t y = deep.y0; y <= deep.y1; y++) {
        for (size_t x = deep.x0; x <= deep.x1; x++) {
            start =
                s->soft[y * w + x] < s->soft[start] && s->mark[y * w + x] == id ? y * w + x : start;
        }
    }
    const struct blob half = flood(s, w, map->height, start, (float)(-0.5 * depth), id + 1);
    const double wide = (double)(half.x1 - half.x0 + 1);
    const double high = (double)(half.y1 - half.y0 + 1);
    const double bin = (double)map->bin_px;
    const double filled = (double)half.n / (0.25 * NW_PI * wide * high);
    shadow.is_ring = filled < 0.75;
    shadow.is_cut = half.x0 == 0 || half.y0 == 0 || half.x1 + 1 == w || half.y1 + 1 == map->height;
    shadow.diameter_px = shadow.is_ring || shadow.is_cut ? fmax(wide, high) * bin
                                                         : 2.0 * sqrt((double)half.n / NW_PI) * bin;
    shadow.diameter_sigma_px = hypot(bin, 0.03 * shadow.diameter_px);
    const double cx = shadow.is_ring ? 0.5 * (double)(half.x0 + half.x1) : half.sx / (double)half.n;
    const double cy = shadow.is_ring ? 0.5 * (double)(half.y0 + half.y1) : half.sy / (double)half.n;
    shadow.depth = depth_of(
        s, w, &half, id + 1,
        (const double[3]){cx, cy, (shadow.is_ring ? 1.0 : 0.3) * shadow.diameter_px / bin});
    release(s, w, &deep, id, (const double[3]){cx, cy, 0.75 * shadow.diameter_px / bin});
    shadow.x_px = (cx + 0.5) * bin - 0.5;
    shadow.y_px = (cy + 0.5) * bin - 0.5;
    return shadow;
}

static size_t find(const struct nw_flat_map *map, struct space *s, double sigma,
                   struct nw_shadow *ret) {
    const size_t n = map->width * map->height;
    const float limit = (float)-fmax(LEAST_DEPTH, SIGMAS * sigma / (2 * SMOOTH + 1));
    uint32_t id = 1;
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        if (s->soft[i] < limit && s->mark[i] == 0) {
            const struct nw_shadow shadow = describe(map, s, i, id, limit);
            id += 2;
            if (!isfinite(shadow.diameter_px)) {
                continue;
            }
            size_t k = count < NW_FLAT_SHADOWS ? count++ : NW_FLAT_SHADOWS - 1;
            if (k == NW_FLAT_SHADOWS - 1 && count == NW_FLAT_SHADOWS &&
                ret[k].depth > shadow.depth) {
                continue;
            }
            for (; k > 0 && ret[k - 1].depth < shadow.depth; k--) { /* deepest first */
                ret[k] = ret[k - 1];
            }
            ret[k] = shadow;
        }
    }
    return count;
}

enum nw_status nw_flat_shadows(const struct nw_flat_map *map, struct nw_shadow *ret, size_t *ret_n,
                               struct nw_err *err) {
    struct space s = {.rest = NULL};
    double b[TERMS];
    double sigma = 0.0;
    if (!map->px || map->width < 10 || map->height < 10) {
        return nw_err_set(err, NW_DATA, "no map of flats, or one of less than 10 bins a side");
    }
    enum nw_status status = NW_OK;
    if (!space_init(&s, map->width * map->height)) {
        status = nw_err_set(err, NW_NOMEM, "shadows in %zu x %zu bins", map->width, map->height);
        goto done;
    }
    for (int round = 0; round < ROUNDS; round++) { /* degree 2 first, or it follows large shadows */
        const size_t n_terms = round < ROUNDS - 1 ? 6 : TERMS;
        if (!fit_surface(map, s.rest, round ? 2.0 * sigma + 1e-4 : INFINITY, n_terms, b)) {
            status = nw_err_set(err, NW_DATA, "the flats do not determine a smooth surface");
            goto done;
        }
        sigma = divide(map, b, s.rest, s.scratch);
    }
    smooth(s.rest, s.soft, s.middle, map->width, map->height);
    *ret_n = find(map, &s, sigma, ret);
done:
    space_done(&s);
    return status;
}

/* ---- What became of them ---- */

const char *nw_shadow_fate_word(enum nw_shadow_fate fate) {
    static const char *const WORDS[] = {
#define X(name, word) word,
        NW_SHADOW_FATE_LIST(X)
#undef X
    };
    return WORDS[fate];
}

static bool is_same(const struct nw_shadow *a, const struct nw_shadow *b, double x, double y,
                    double *ret_off) {
    const double larger = fmax(a->diameter_px, b->diameter_px);
    *ret_off = hypot(b->x_px - x, b->y_px - y);
    return *ret_off < fmax(20.0, 0.35 * larger) &&
           (a->is_cut || b->is_cut || fabs(a->diameter_px - b->diameter_px) < 0.3 * larger);
}

/* Finds a partner that is still free near where the shadow would be after a turn. */
static size_t partner(const struct nw_shadow *then, const struct nw_shadow *now, size_t n_now,
                      const bool *is_free, const double place[static 2], double *ret_off) {
    size_t best = SIZE_MAX;
    *ret_off = INFINITY;
    for (size_t k = 0; k < n_now; k++) {
        double off = INFINITY;
        if (is_free[k] && is_same(then, &now[k], place[0], place[1], &off) && off < *ret_off) {
            *ret_off = off;
            best = k;
        }
    }
    return best;
}

size_t nw_flat_compare(const struct nw_shadow *then, size_t n_then, const struct nw_shadow *now,
                       size_t n_now, double turn_rad, const double size_px[static 2],
                       struct nw_shadow_change *ret) {
    bool is_free[NW_FLAT_SHADOWS];
    bool is_open[NW_FLAT_SHADOWS];
    size_t n = 0;
    memset(is_free, 1, sizeof is_free);
    memset(is_open, 1, sizeof is_open);
    const double cx = 0.5 * (size_px[0] - 1.0);
    const double cy = 0.5 * (size_px[1] - 1.0);
    const bool is_turned = isfinite(turn_rad) && fabs(turn_rad) > 0.02;
    for (int pass = 0; pass < 3; pass++) { /* stayed; turned one way; turned the other way */
        const double turn = pass == 0 ? 0.0 : pass == 1 ? -turn_rad : turn_rad;
        for (size_t i = 0; i < n_then && (pass == 0 || is_turned); i++) {
            const double dx = then[i].x_px - cx;
            const double dy = then[i].y_px - cy;
            const double place[2] = {cx + dx * cos(turn) - dy * sin(turn),
                                     cy + dx * sin(turn) + dy * cos(turn)};
            double off = NAN;
            const size_t k =
                is_open[i] ? partner(&then[i], now, n_now, is_free, place, &off) : SIZE_MAX;
            if (k != SIZE_MAX) {
                is_open[i] = is_free[k] = false;
                const double moved = hypot(now[k].x_px - then[i].x_px, now[k].y_px - then[i].y_px);
                const bool has_moved = moved > fmax(8.0, 0.15 * then[i].diameter_px);
                ret[n++] = (struct nw_shadow_change){i, k,
                                                     pass        ? NW_SHADOW_TURNED
                                                     : has_moved ? NW_SHADOW_MOVED
                                                                 : NW_SHADOW_STAYED,
                                                     moved};
            }
        }
    }
    for (size_t i = 0; i < n_then; i++) {
        if (is_open[i]) {
            ret[n++] = (struct nw_shadow_change){i, SIZE_MAX, NW_SHADOW_GONE, NAN};
        }
    }
    for (size_t k = 0; k < n_now; k++) {
        if (is_free[k]) {
            ret[n++] = (struct nw_shadow_change){SIZE_MAX, k, NW_SHADOW_NEW, NAN};
        }
    }
    return n;
}
