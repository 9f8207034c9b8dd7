/* match.c - which star of one frame is which of another.
 * Idea: frames of one camera differ by a shift, and after a flip by a half-turn: the most common
 * difference of positions among the brightest stars gives it. Where that fails, triangles of bright
 * stars (Groth 1986, AJ 91, 1244; sides as Valdes et al. 1995, PASP 107, 1119) find any rotation.
 * The best candidate is refined by least squares on all stars.
 * Holds: a match is believed when its pairs are so many that chance gives as many once in a
 * million: the number of accidental pairs is Poisson with mean n_a n_b pi r^2 / area. */
#include "image/measure_internal.h"

enum { BRIGHT = 80, CORNERS = 22, MAX_TRIANGLES = CORNERS * (CORNERS - 1) * (CORNERS - 2) / 6 };
static const double COARSE_PX = 4.0, FINE_PX = 1.5;

struct dots { /* positions from the frame centre */
    size_t n;
    uint32_t index[BRIGHT];
    double x[BRIGHT], y[BRIGHT];
};

struct similarity {      /* a = s R b + d */
    double c, s, dx, dy; /* c = scale cos, s = scale sin */
};

static void pick_bright(const struct nw_measure *m, struct dots *ret) {
    const uint32_t bad = NW_STAR_EDGE | NW_STAR_STREAK | NW_STAR_NOT_POINT;
    ret->n = 0;
    for (size_t i = 0; i < m->n_stars && ret->n < BRIGHT; i++) {
        if (!(m->stars[i].flags & bad)) {
            ret->index[ret->n] = (uint32_t)i;
            ret->x[ret->n] = m->stars[i].x_px - 0.5 * ((double)m->width_px - 1.0);
            ret->y[ret->n++] = m->stars[i].y_px - 0.5 * ((double)m->height_px - 1.0);
        }
    }
}

static void apply(const struct similarity *t, double x, double y, double *ret_x, double *ret_y) {
    *ret_x = t->c * x - t->s * y + t->dx;
    *ret_y = t->s * x + t->c * y + t->dy;
}

/* How many of b have one of a; 0 as soon as they cannot be more than `to_beat`: most proposals are
 * wrong, and after few stars it shows. */
static size_t count_pairs(const struct dots *a, const struct dots *b, const struct similarity *t,
                          double radius_px, size_t to_beat) {
    size_t n = 0;
    for (size_t j = 0; j < b->n; j++) {
        if (n + b->n - j <= to_beat) {
            return 0;
        }
        double x = 0.0;
        double y = 0.0;
        apply(t, b->x[j], b->y[j], &x, &y);
        for (size_t i = 0; i < a->n; i++) {
            const double dx = a->x[i] - x;
            const double dy = a->y[i] - y;
            if (dx * dx + dy * dy < radius_px * radius_px) { /* a third of a look was hypot */
                n++;
                break;
            }
        }
    }
    return n;
}

static void keep_best(const struct dots *a, const struct dots *b, const struct similarity *t,
                      struct similarity *best, size_t *best_n) {
    const size_t n = count_pairs(a, b, t, COARSE_PX, *best_n);
    if (n > *best_n) {
        *best_n = n;
        *best = *t;
    }
}

/* Every pair of stars proposes a shift, with and without a half-turn. */
static void try_shifts(const struct dots *a, const struct dots *b, struct similarity *best,
                       size_t *best_n) {
    const size_t na = a->n < 40 ? a->n : 40;
    const size_t nb = b->n < 40 ? b->n : 40;
    for (int turn = 1; turn >= -1; turn -= 2) {
        for (size_t i = 0; i < na; i++) {
            for (size_t j = 0; j < nb; j++) {
                const struct similarity t = {turn, 0.0, a->x[i] - turn * b->x[j],
                                             a->y[i] - turn * b->y[j]};
                keep_best(a, b, &t, best, best_n);
            }
        }
    }
}

struct triangle {
    double b_over_a, c_over_a; /* sides a >= b >= c */
    uint8_t v[3];              /* corners: opposite to a, b, c */
};

static int by_shape(const void *p, const void *q) {
    const double a = ((const struct triangle *)p)->b_over_a;
    const double b = ((const struct triangle *)q)->b_over_a;
    return (a > b) - (a < b);
}

static size_t make_triangles(const struct dots *d, struct triangle *ret) {
    const size_t n = d->n < CORNERS ? d->n : CORNERS;
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = i + 1; j < n; j++) {
            for (size_t k = j + 1; k < n; k++) {
                uint8_t v[3] = {(uint8_t)i, (uint8_t)j, (uint8_t)k};
                double side[3] = {hypot(d->x[j] - d->x[k], d->y[j] - d->y[k]),
                                  hypot(d->x[i] - d->x[k], d->y[i] - d->y[k]),
                                  hypot(d->x[i] - d->x[j], d->y[i] - d->y[j])};
                for (int pass = 0; pass < 3; pass++) { /* longest first */
                    const int p = pass % 2;
                    if (side[p] < side[p + 1]) {
                        const double s = side[p];
                        side[p] = side[p + 1];
                        side[p + 1] = s;
                        const uint8_t u = v[p];
                        v[p] = v[p + 1];
                        v[p + 1] = u;
                    }
                }
                if (side[2] > 30.0 && side[2] < 0.95 * side[1] && side[1] < 0.97 * side[0]) {
                    ret[count++] =
                        (struct triangle){side[1] / side[0], side[2] / side[0], {v[0], v[1], v[2]}};
                }
            }
        }
    }
    qsort(ret, count, sizeof *ret, by_shape);
    return count;
}

/* The similarity that lays two corners of q (in b) on those of p (in a). */
static struct similarity from_triangle(const struct dots *a, const struct dots *b,
                                       const struct triangle *p, const struct triangle *q) {
    const double ax = a->x[p->v[2]] - a->x[p->v[1]];
    const double ay = a->y[p->v[2]] - a->y[p->v[1]];
    const double bx = b->x[q->v[2]] - b->x[q->v[1]];
    const double by = b->y[q->v[2]] - b->y[q->v[1]];
    const double b2 = bx * bx + by * by;
    struct similarity t = {(ax * bx + ay * by) / b2, (ay * bx - ax * by) / b2, 0.0, 0.0};
    t.dx = a->x[p->v[1]] - (t.c * b->x[q->v[1]] - t.s * b->y[q->v[1]]);
    t.dy = a->y[p->v[1]] - (t.s * b->x[q->v[1]] + t.c * b->y[q->v[1]]);
    return t;
}

static enum nw_status try_triangles(const struct dots *a, const struct dots *b,
                                    struct similarity *best, size_t *best_n, struct nw_err *err) {
    struct triangle *const ta = nw_calloc(2 * (size_t)MAX_TRIANGLES, sizeof *ta);
    if (!ta) {
        return nw_err_set(err, NW_NOMEM, "triangles of two frames");
    }
    struct triangle *const tb = ta + MAX_TRIANGLES;
    const size_t na = make_triangles(a, ta);
    const size_t nb = make_triangles(b, tb);
    const double tolerance = 0.003;
    size_t low = 0;
    for (size_t i = 0; i < na; i++) {
        while (low < nb && tb[low].b_over_a < ta[i].b_over_a - tolerance) {
            low++;
        }
        for (size_t j = low; j < nb && tb[j].b_over_a < ta[i].b_over_a + tolerance; j++) {
            if (fabs(tb[j].c_over_a - ta[i].c_over_a) > tolerance) {
                continue;
            }
            const struct similarity t = from_triangle(a, b, &ta[i], &tb[j]);
            if (fabs(hypot(t.c, t.s) - 1.0) < 0.02) {
                keep_best(a, b, &t, best, best_n);
            }
        }
    }
    free(ta);
    return NW_OK;
}

/* P(N >= n) for a Poisson mean, by its largest term: an upper bound good enough for a refusal. */
static double chance(size_t n, double mean) {
    return exp((double)n * log(fmax(mean, 1e-12)) - mean - lgamma((double)n + 1.0)) /
           (1.0 - fmin(mean / ((double)n + 1.0), 0.9));
}

/* ---- refinement on all stars ---- */
struct cells {
    double size_px;
    long nx, ny;
    uint32_t *start, *item;
};

static enum nw_status cells_new(const struct nw_measure *m, struct cells *ret, struct nw_err *err) {
    ret->size_px = 16.0;
    ret->nx = (long)((double)m->width_px / ret->size_px) + 1;
    ret->ny = (long)((double)m->height_px / ret->size_px) + 1;
    const size_t n_cells = (size_t)(ret->nx * ret->ny);
    ret->start = nw_calloc(n_cells + 2, sizeof *ret->start);
    ret->item = nw_calloc(m->n_stars, sizeof *ret->item);
    if (!ret->start || !ret->item) {
        return nw_err_set(err, NW_NOMEM, "grid of %zu stars", m->n_stars);
    }
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < m->n_stars; i++) {
            const long x = (long)(fmax(m->stars[i].x_px, 0.0) / ret->size_px);
            const long y = (long)(fmax(m->stars[i].y_px, 0.0) / ret->size_px);
            const size_t cell = (size_t)((y < ret->ny ? y : ret->ny - 1) * ret->nx +
                                         (x < ret->nx ? x : ret->nx - 1));
            if (pass == 0) {
                ret->start[cell + 2]++;
            } else {
                ret->item[ret->start[cell + 1]++] = (uint32_t)i;
            }
        }
        for (size_t k = 2; pass == 0 && k < n_cells + 2; k++) {
            ret->start[k] += ret->start[k - 1];
        }
    }
    return NW_OK;
}

static long nearest(const struct nw_measure *m, const struct cells *g, double x, double y,
                    double radius_px) {
    const long cx = (long)floor(x / g->size_px);
    const long cy = (long)floor(y / g->size_px);
    long best = -1;
    double best_px = radius_px;
    for (long j = cy - 1; j <= cy + 1; j++) {
        for (long i = cx - 1; i <= cx + 1; i++) {
            if (i < 0 || j < 0 || i >= g->nx || j >= g->ny) {
                continue;
            }
            const size_t cell = (size_t)(j * g->nx + i);
            for (uint32_t k = g->start[cell]; k < g->start[cell + 1]; k++) {
                const struct nw_star *const s = &m->stars[g->item[k]];
                const double d = hypot(s->x_px - x, s->y_px - y);
                if (d < best_px) {
                    best_px = d;
                    best = (long)g->item[k];
                }
            }
        }
    }
    return best;
}

/* Pairs under t within radius, and the least-squares similarity through them. */
static size_t refine(const struct nw_measure *a, const struct nw_measure *b, const struct cells *g,
                     double radius_px, struct similarity *t, struct nw_match *match) {
    const double ax0 = 0.5 * ((double)a->width_px - 1.0);
    const double ay0 = 0.5 * ((double)a->height_px - 1.0);
    const double bx0 = 0.5 * ((double)b->width_px - 1.0);
    const double by0 = 0.5 * ((double)b->height_px - 1.0);
    double n = 0.0;
    double sx = 0.0, sy = 0.0, sX = 0.0, sY = 0.0, sxX = 0.0, sxY = 0.0, s2 = 0.0, sum2 = 0.0;
    match->n_pairs = 0;
    for (size_t j = 0; j < b->n_stars; j++) {
        const double x = b->stars[j].x_px - bx0;
        const double y = b->stars[j].y_px - by0;
        double X = 0.0;
        double Y = 0.0;
        apply(t, x, y, &X, &Y);
        const long i = nearest(a, g, X + ax0, Y + ay0, radius_px);
        if (i < 0) {
            continue;
        }
        match->pairs[match->n_pairs++] = (struct nw_pair){(uint32_t)i, (uint32_t)j};
        const double tx = a->stars[i].x_px - ax0;
        const double ty = a->stars[i].y_px - ay0;
        sum2 += (tx - X) * (tx - X) + (ty - Y) * (ty - Y);
        n += 1.0;
        sx += x;
        sy += y;
        sX += tx;
        sY += ty;
        sxX += x * tx + y * ty;
        sxY += x * ty - y * tx;
        s2 += x * x + y * y;
    }
    if (n < 3.0) {
        return 0;
    }
    const double spread = s2 - (sx * sx + sy * sy) / n;
    if (spread > 0.0) {
        t->c = (sxX - (sx * sX + sy * sY) / n) / spread;
        t->s = (sxY - (sx * sY - sy * sX) / n) / spread;
    }
    t->dx = (sX - t->c * sx + t->s * sy) / n;
    t->dy = (sY - t->s * sx - t->c * sy) / n;
    match->rms_px = sqrt(sum2 / n);
    return (size_t)n;
}

static enum nw_status find_similarity(const struct nw_measure *a, const struct nw_measure *b,
                                      struct similarity *ret, struct nw_err *err) {
    struct dots da;
    struct dots db;
    pick_bright(a, &da);
    pick_bright(b, &db);
    const size_t fewer = da.n < db.n ? da.n : db.n;
    if (fewer < 4) {
        return nw_err_set(err, NW_DATA, "%zu and %zu stars to match, at least 4 are needed", da.n,
                          db.n);
    }
    size_t n = 0;
    try_shifts(&da, &db, ret, &n);
    if (2 * n < fewer) {
        const enum nw_status status = try_triangles(&da, &db, ret, &n, err);
        if (status != NW_OK) {
            return status;
        }
    }
    const double area = (double)a->width_px * (double)a->height_px;
    const double mean = (double)da.n * (double)db.n * NW_PI * COARSE_PX * COARSE_PX / area;
    /* some 1e4 candidates were tried */
    if (n < 4 || !(1e4 * chance(n, mean) < 1e-6)) {
        return nw_err_set(err, NW_DATA,
                          "only %zu of %zu bright stars agree, which chance could give", n, fewer);
    }
    return NW_OK;
}

enum nw_status nw_stars_match(const struct nw_measure *a, const struct nw_measure *b,
                              struct nw_match *ret, struct nw_err *err) {
    struct similarity t = {1.0, 0.0, 0.0, 0.0};
    enum nw_status status = find_similarity(a, b, &t, err);
    if (status != NW_OK) {
        return status;
    }
    struct cells cells = {0};
    struct nw_match match = {.pairs = nw_calloc(b->n_stars, sizeof *match.pairs)};
    if (!match.pairs) {
        return nw_err_set(err, NW_NOMEM, "%zu pairs", b->n_stars);
    }
    status = cells_new(a, &cells, err);
    if (status != NW_OK) {
        goto done;
    }
    size_t n = 0;
    for (int round = 0; round < 4; round++) {
        n = refine(a, b, &cells, round < 1 ? COARSE_PX : FINE_PX, &t, &match);
    }
    if (n < 3) {
        status = nw_err_set(err, NW_DATA, "%zu stars are left within %g px", n, FINE_PX);
        goto done;
    }
    match.scale = hypot(t.c, t.s);
    match.rotation_rad = atan2(t.s, t.c);
    match.dx_px = t.dx;
    match.dy_px = t.dy;
    *ret = match;
    match.pairs = NULL;
done:
    free(match.pairs);
    free(cells.start);
    free(cells.item);
    return status;
}

void nw_match_done(struct nw_match *match) {
    if (match) {
        free(match->pairs);
        *match = (struct nw_match){0};
    }
}
