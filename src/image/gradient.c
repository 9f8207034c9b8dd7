/* gradient.c - the plane through the sky, and how well it is known.
 * Idea: the smooth sky is read on a 32 x 32 grid and a plane is fitted, values far off weighted
 * down (biweight, Beaton & Tukey 1974, Technometrics 16, 147). Neighbouring values of a smooth sky
 * are alike, so the error comes from leaving out parts of the frame, not from their scatter.
 * Holds: a frame without structure gives the plane exactly (test_aspects.c). */
#include "image/aspects_internal.h"

enum { SIDE = 32, PARTS = 4, N_PARTS = PARTS * PARTS, ROUNDS = 12 };

struct sky_grid {
    double u[SIDE], v[SIDE]; /* places, half diagonals */
    double z[SIDE * SIDE];
};

struct plane_fit {
    double level, u, v, scatter;
};

static bool is_left_out(size_t k, int part) {
    const int column = (int)(k % SIDE) * PARTS / SIDE;
    const int row = (int)(k / SIDE) * PARTS / SIDE;
    return row * PARTS + column == part;
}

/* Weighted least squares for level + a u + b v; false when the weights leave no plane. */
static bool solve_plane(const struct sky_grid *g, const double *weight, struct plane_fit *p) {
    double s[3][4] = {{0.0}};
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        const double term[3] = {1.0, g->u[k % SIDE], g->v[k / SIDE]};
        for (int i = 0; i < 3; i++) {
            for (int j = 0; j < 3; j++) {
                s[i][j] += weight[k] * term[i] * term[j];
            }
            s[i][3] += weight[k] * term[i] * g->z[k];
        }
    }
    for (int i = 0; i < 3; i++) {
        if (!(s[i][i] > 1e-12)) {
            return false;
        }
        for (int row = 0; row < 3; row++) {
            const double f = row == i ? 0.0 : s[row][i] / s[i][i];
            for (int j = i; j < 4; j++) {
                s[row][j] -= f * s[i][j];
            }
        }
    }
    *p = (struct plane_fit){s[0][3] / s[0][0], s[1][3] / s[1][1], s[2][3] / s[2][2], p->scatter};
    return true;
}

/* part: which sixteenth does not take part; < 0: all do. */
static bool fit_plane(const struct sky_grid *g, int part, struct plane_fit *ret) {
    double weight[SIDE * SIDE];
    double off[SIDE * SIDE];
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        weight[k] = is_left_out(k, part) ? 0.0 : 1.0;
    }
    struct plane_fit p = {0};
    for (int round = 0; round < ROUNDS; round++) {
        if (!solve_plane(g, weight, &p)) {
            return false;
        }
        size_t n = 0;
        for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
            if (!is_left_out(k, part)) {
                off[n++] = fabs(g->z[k] - p.level - p.u * g->u[k % SIDE] - p.v * g->v[k / SIDE]);
            }
        }
        p.scatter = 1.4826 * nw_stat_median(off, n); /* REFERENCES CMB-05 */
        const double reach = 4.685 * fmax(p.scatter, 1e-9 * (1.0 + fabs(p.level)));
        for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
            const double t =
                (g->z[k] - p.level - p.u * g->u[k % SIDE] - p.v * g->v[k / SIDE]) / reach;
            const double keep = fabs(t) < 1.0 ? (1.0 - t * t) * (1.0 - t * t) : 0.0;
            weight[k] = is_left_out(k, part) ? 0.0 : keep;
        }
    }
    *ret = p;
    return true;
}

static bool read_sky(const struct nw_background *background, size_t width_px, size_t height_px,
                     struct sky_grid *g) {
    float *const row = nw_calloc(width_px, sizeof *row);
    if (!row) {
        return false;
    }
    const double half = 0.5 * hypot((double)width_px, (double)height_px);
    for (size_t j = 0; j < SIDE; j++) {
        const size_t y = (2 * j + 1) * height_px / (2 * (size_t)SIDE);
        g->v[j] = ((double)y - 0.5 * ((double)height_px - 1.0)) / half;
        nw_background_row(background, y, row, NULL);
        for (size_t i = 0; i < SIDE; i++) {
            const size_t x = (2 * i + 1) * width_px / (2 * (size_t)SIDE);
            g->u[i] = ((double)x - 0.5 * ((double)width_px - 1.0)) / half;
            g->z[j * SIDE + i] = (double)row[x];
        }
    }
    free(row);
    return true;
}

struct part_job {
    const struct sky_grid *grid;
    struct plane_fit without[N_PARTS];
    bool is_good[N_PARTS];
};

static void fit_without(void *user, size_t part) {
    struct part_job *const job = user;
    job->is_good[part] = fit_plane(job->grid, (int)part, &job->without[part]);
}

struct nw_gradient gradient_measure(const struct field *field) {
    const size_t width_px = field->image.width_px;
    const size_t height_px = field->image.height_px;
    struct nw_gradient r = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    struct sky_grid g;
    struct plane_fit all = {0};
    if (width_px < SIDE || height_px < SIDE ||
        !read_sky(field->background, width_px, height_px, &g) || !fit_plane(&g, -1, &all)) {
        return r;
    }
    double sum_u = 0.0;
    double sum_v = 0.0;
    double sum_uv = 0.0;
    struct part_job job = {.grid = &g};
    (void)nw_parallel_for(N_PARTS, field->n_threads, fit_without, &job, NULL);
    for (size_t part = 0; part < N_PARTS; part++) {
        if (!job.is_good[part]) {
            return r;
        }
        const double u = job.without[part].u - all.u;
        const double v = job.without[part].v - all.v;
        sum_u += u * u;
        sum_v += v * v;
        sum_uv += u * v;
    }
    const double scale = (N_PARTS - 1.0) / N_PARTS;
    r.u_adu = all.u;
    r.v_adu = all.v;
    r.u_sigma_adu = sqrt(scale * sum_u);
    r.v_sigma_adu = sqrt(scale * sum_v);
    r.adu = hypot(all.u, all.v);
    r.direction_rad = atan2(all.v, all.u);
    const double c = cos(r.direction_rad);
    const double s = sin(r.direction_rad);
    const double variance = c * c * sum_u + 2.0 * c * s * sum_uv + s * s * sum_v;
    r.sigma_adu = sqrt(scale * fmax(variance, 0.0));
    r.bend_adu = all.scatter;
    return r;
}
