/* flexure.c - least squares for the drift of the main field against the guide star.
 * Idea: everything on the sky, east and north. Shift less the loop's mean error = map of the lock
 * point (four numbers) + start (two) + flexure (two) + what field rotation and the air do to the
 * vector from guide star to middle (two numbers of a prior: where the guide star is). Frames
 * between the same two dithers form a block when the log has no lock points: then every block has a
 * start of its own, taken off as its mean.
 * Holds: residuals set the sigma; the prior of the guide star's place enters as two rows. */
#include <gsl/gsl_linalg.h>
#include <math.h>

#include "guiding/flexure.h"

enum { F_E, F_N, G_E, G_N, S_E, S_N, L_FIRST, N_ALL = 10 };
enum { FRAMES_LEAST = 4 };
#define LOCK_MOVES_px 0.05

struct row { /* one frame */
    double t_s, value[2];
    double by_guide[4]; /* change of the map of offsets: rows east, north */
    double lock[2];
    size_t block;
};

/* Offset on the frame to the sky. */
static void to_sky(const struct nw_flexure_opts *opts, const double px[2], double ret[2]) {
    const double x = (opts->is_mirrored ? -px[0] : px[0]) * opts->scale_rad_px;
    const double y = px[1] * opts->scale_rad_px;
    ret[0] = -x * cos(opts->angle_rad) + y * sin(opts->angle_rad);
    ret[1] = x * sin(opts->angle_rad) + y * cos(opts->angle_rad);
}

/* Mean error and lock point during an exposure. false: no star in it. */
static bool during(const struct nw_guide_log *log, const struct nw_guided_frame *frame,
                   struct row *row) {
    double sums[4] = {0.0};
    double n = 0.0;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *g = &log->rows[i];
        if (g->t_s >= frame->start_s && g->t_s <= frame->end_s && isfinite(g->ra_rad) &&
            isfinite(g->dec_rad)) {
            sums[0] += g->ra_rad;
            sums[1] += g->dec_rad;
            sums[2] += g->lock_x_px;
            sums[3] += g->lock_y_px;
            n += 1.0;
        }
    }
    if (!(n > 0.0)) {
        return false;
    }
    row->value[0] -= sums[0] / n;
    row->value[1] -= log->is_dec_sign_known ? sums[1] / n : 0.0;
    row->lock[0] = sums[2] / n;
    row->lock[1] = sums[3] / n;
    return true;
}

/* Change of the map of offsets since the first frame: the turn as measured, the squeeze by the air.
 */
static void map_change(const struct nw_guided_frame *frame, const struct nw_guided_frame *first,
                       const struct nw_flexure_opts *opts, double ret[4]) {
    const double turn = opts->is_mirrored ? -frame->turn_rad : frame->turn_rad; /* N to E */
    ret[0] = ret[3] = 0.0;
    ret[1] = turn;
    ret[2] = -turn;
    if (opts->air) {
        const struct nw_polar_lift now =
            nw_polar_air(opts->latitude_rad, frame->dec_rad, frame->hour_rad, opts->air);
        const struct nw_polar_lift then =
            nw_polar_air(opts->latitude_rad, first->dec_rad, first->hour_rad, opts->air);
        double change[4];
        for (int i = 0; i < 4; i++) {
            change[i] = now.stretch[i] - then.stretch[i];
        }
        const double shear = 0.5 * (change[1] + change[2]); /* its turn is in the measured one */
        ret[0] += change[0];
        ret[1] += shear;
        ret[2] += shear;
        ret[3] += change[3];
    }
}

static size_t block_of(const struct nw_guide_analysis *a, double t_s) {
    size_t block = 0;
    while (block < a->n_dithers && a->dithers[block].start_s < t_s) {
        block++;
    }
    return block;
}

/* Takes the block's mean off everything, so that no start of its own is needed. */
static void centre_blocks(struct row *rows, size_t n) {
    for (size_t first = 0; first < n;) {
        size_t last = first;
        while (last < n && rows[last].block == rows[first].block) {
            last++;
        }
        const double size = (double)(last - first);
        struct row mean = {.t_s = 0.0};
        for (size_t i = first; i < last; i++) {
            mean.t_s += rows[i].t_s / size;
            for (int k = 0; k < 4; k++) {
                mean.by_guide[k] += rows[i].by_guide[k] / size;
            }
            mean.value[0] += rows[i].value[0] / size;
            mean.value[1] += rows[i].value[1] / size;
        }
        for (size_t i = first; i < last; i++) {
            rows[i].t_s -= mean.t_s;
            for (int k = 0; k < 4; k++) {
                rows[i].by_guide[k] -= mean.by_guide[k];
            }
            rows[i].value[0] -= mean.value[0];
            rows[i].value[1] -= mean.value[1];
        }
        first = last;
    }
}

struct system {
    double a[N_ALL * N_ALL], b[N_ALL], x[N_ALL];
    bool is_used[N_ALL];
    double unit_s, lock_unit_px; /* so that parameters are of like size */
};

static void coefficients(const struct row *row, const struct system *s, int axis, double c[N_ALL]) {
    memset(c, 0, N_ALL * sizeof *c);
    c[F_E + axis] = row->t_s / s->unit_s;
    c[G_E] = -row->by_guide[axis == 0 ? 0 : 2]; /* the middle, seen from the guide star */
    c[G_N] = -row->by_guide[axis == 0 ? 1 : 3];
    c[S_E + axis] = 1.0;
    c[L_FIRST + 2 * axis] = row->lock[0] / s->lock_unit_px;
    c[L_FIRST + 2 * axis + 1] = row->lock[1] / s->lock_unit_px;
}

/* Solves with the weights of one sigma; s->a becomes the covariance. false: not determined. */
static bool solve(const struct row *rows, size_t n, const struct nw_flexure_opts *opts,
                  double sigma_rad, struct system *s) {
    memset(s->a, 0, sizeof s->a);
    memset(s->b, 0, sizeof s->b);
    for (size_t i = 0; i < n; i++) {
        for (int axis = 0; axis < 2; axis++) {
            double c[N_ALL];
            coefficients(&rows[i], s, axis, c);
            for (size_t p = 0; p < N_ALL; p++) {
                s->b[p] += c[p] * rows[i].value[axis] / (sigma_rad * sigma_rad);
                for (size_t q = 0; q < N_ALL; q++) {
                    s->a[p * N_ALL + q] += c[p] * c[q] / (sigma_rad * sigma_rad);
                }
            }
        }
    }
    const double prior = 1.0 / (opts->guide_sigma_rad * opts->guide_sigma_rad);
    s->a[G_E * N_ALL + G_E] += prior;
    s->a[G_N * N_ALL + G_N] += prior;
    s->b[G_E] += prior * opts->guide_east_rad;
    s->b[G_N] += prior * opts->guide_north_rad;
    for (size_t p = 0; p < N_ALL; p++) {
        for (size_t q = 0; q < N_ALL; q++) {
            if (!s->is_used[p] || !s->is_used[q]) {
                s->a[p * N_ALL + q] = p == q ? 1.0 / (sigma_rad * sigma_rad) : 0.0;
            }
        }
        s->b[p] = s->is_used[p] ? s->b[p] : 0.0;
    }
    gsl_matrix_view a = gsl_matrix_view_array(s->a, N_ALL, N_ALL);
    if (gsl_linalg_cholesky_decomp1(&a.matrix) != 0 || gsl_linalg_cholesky_invert(&a.matrix) != 0) {
        return false;
    }
    for (size_t p = 0; p < N_ALL; p++) {
        s->x[p] = 0.0;
        for (size_t q = 0; q < N_ALL; q++) {
            s->x[p] += s->a[p * N_ALL + q] * s->b[q];
        }
    }
    return isfinite(s->x[F_E]) && isfinite(s->x[F_N]);
}

static double scatter(const struct row *rows, size_t n, const struct system *s, double n_taken) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        for (int axis = 0; axis < 2; axis++) {
            double c[N_ALL];
            coefficients(&rows[i], s, axis, c);
            double left = rows[i].value[axis];
            for (size_t p = 0; p < N_ALL; p++) {
                left -= s->is_used[p] ? c[p] * s->x[p] : 0.0;
            }
            sum += left * left;
        }
    }
    return sqrt(sum / (2.0 * (double)n - n_taken));
}

static void blank(struct nw_flexure *ret) {
    *ret = (struct nw_flexure){.east_rad_s = NAN,
                               .north_rad_s = NAN,
                               .east_sigma_rad_s = NAN,
                               .north_sigma_rad_s = NAN,
                               .rate_rad_s = NAN,
                               .rate_sigma_rad_s = NAN,
                               .direction_rad = NAN,
                               .air_rad_s = NAN,
                               .turn_rad_s = NAN,
                               .scatter_rad = NAN};
}

static void fill(const struct system *s, const struct nw_flexure_opts *opts, const struct row *rows,
                 size_t n, struct nw_flexure *ret) {
    const double e = s->x[F_E] / s->unit_s;
    const double v = s->x[F_N] / s->unit_s;
    const double ee = s->a[F_E * N_ALL + F_E] / (s->unit_s * s->unit_s);
    const double nn = s->a[F_N * N_ALL + F_N] / (s->unit_s * s->unit_s);
    const double en = s->a[F_E * N_ALL + F_N] / (s->unit_s * s->unit_s);
    const double rate = hypot(e, v);
    ret->east_rad_s = e;
    ret->north_rad_s = v;
    ret->east_sigma_rad_s = sqrt(ee);
    ret->north_sigma_rad_s = sqrt(nn);
    ret->rate_rad_s = rate;
    ret->rate_sigma_rad_s =
        rate > 0.0 ? sqrt(e * e * ee + v * v * nn + 2.0 * e * v * en) / rate : sqrt(fmax(ee, nn));
    ret->direction_rad = fmod(atan2(e, v) + 2.0 * NW_PI, 2.0 * NW_PI);
    const double offset =
        fmax(hypot(opts->guide_east_rad, opts->guide_north_rad), opts->guide_sigma_rad);
    const struct row *last = &rows[n - 1];
    const double length_s = last->t_s - rows[0].t_s;
    const double turn = 0.5 * (last->by_guide[1] - last->by_guide[2]) -
                        0.5 * (rows[0].by_guide[1] - rows[0].by_guide[2]);
    const double shear = 0.5 * (last->by_guide[1] + last->by_guide[2]) -
                         0.5 * (rows[0].by_guide[1] + rows[0].by_guide[2]);
    const double squeeze = fmax(fabs(last->by_guide[0] - rows[0].by_guide[0]),
                                fabs(last->by_guide[3] - rows[0].by_guide[3]));
    if (length_s > 0.0) {
        ret->turn_rad_s = fabs(turn) * offset / length_s;
        ret->air_rad_s = fmax(fabs(shear), squeeze) * offset / length_s;
    }
}

/* Rows of the frames with guide stars; says whether the lock points can be used. */
static size_t make_rows(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                        const struct nw_guided_frame *frames, size_t n_frames,
                        const struct nw_flexure_opts *opts, struct row *rows) {
    size_t n = 0;
    for (size_t i = 0; i < n_frames; i++) {
        struct row *row = &rows[n];
        *row = (struct row){.t_s = 0.5 * (frames[i].start_s + frames[i].end_s)};
        to_sky(opts, frames[i].shift_px, row->value);
        map_change(&frames[i], &frames[0], opts, row->by_guide);
        row->block = block_of(a, frames[i].start_s);
        n += during(log, &frames[i], row) && isfinite(row->value[0]) && isfinite(row->by_guide[0])
                 ? 1
                 : 0;
    }
    return n;
}

/* Lock points about their mean; whether they move at all. */
static bool centre_lock(struct row *rows, size_t n, double *ret_unit_px, bool *ret_has_lock) {
    double mean[2] = {0.0, 0.0};
    for (size_t i = 0; i < n; i++) {
        mean[0] += rows[i].lock[0] / (double)n;
        mean[1] += rows[i].lock[1] / (double)n;
    }
    *ret_has_lock = isfinite(mean[0]) && isfinite(mean[1]);
    double sum[3] = {0.0}; /* xx, xy, yy */
    for (size_t i = 0; i < n; i++) {
        for (int k = 0; k < 2; k++) {
            rows[i].lock[k] = *ret_has_lock ? rows[i].lock[k] - mean[k] : 0.0;
        }
        sum[0] += rows[i].lock[0] * rows[i].lock[0] / (double)n;
        sum[1] += rows[i].lock[0] * rows[i].lock[1] / (double)n;
        sum[2] += rows[i].lock[1] * rows[i].lock[1] / (double)n;
    }
    *ret_unit_px = sqrt(sum[0] + sum[2]);
    const double det = sum[0] * sum[2] - sum[1] * sum[1];
    return *ret_unit_px > LOCK_MOVES_px && det > 1e-3 * (sum[0] + sum[2]) * (sum[0] + sum[2]);
}

static void run(struct row *rows, size_t n, const struct nw_flexure_opts *opts,
                struct nw_flexure *ret) {
    struct system s = {.unit_s = fmax(1.0, rows[n - 1].t_s - rows[0].t_s), .lock_unit_px = 1.0};
    const double zero_s = rows[0].t_s;
    for (size_t i = 0; i < n; i++) {
        rows[i].t_s -= zero_s;
    }
    const bool moves = centre_lock(rows, n, &s.lock_unit_px, &ret->has_lock);
    s.lock_unit_px = moves ? s.lock_unit_px : 1.0;
    bool is_one_block = rows[0].block == rows[n - 1].block;
    ret->n_blocks = 1;
    for (size_t i = 1; i < n; i++) {
        ret->n_blocks += rows[i].block != rows[i - 1].block && !moves ? 1 : 0;
    }
    if (!moves) {
        centre_blocks(rows, n);
    }
    for (size_t p = 0; p < N_ALL; p++) {
        s.is_used[p] = p < S_E || moves;
    }
    const double n_taken = moves ? 8.0 : 2.0 + 2.0 * (double)ret->n_blocks;
    if (2.0 * (double)n - n_taken < 4.0) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu frames in %zu stretches between dithers: %s", n, ret->n_blocks,
                       is_one_block || ret->has_lock
                           ? "more frames are needed"
                           : "two or more between the same dithers, or a log with lock points");
        return;
    }
    double sigma_rad = 0.1 / NW_ARCSEC_PER_RAD;
    for (int i = 0; i < 4; i++) {
        if (!solve(rows, n, opts, sigma_rad, &s)) {
            (void)snprintf(ret->why_null, sizeof ret->why_null,
                           "shifts, lock points and time do not tell the causes apart");
            return;
        }
        sigma_rad = fmax(1e-9, scatter(rows, n, &s, n_taken));
    }
    ret->scatter_rad = sigma_rad;
    fill(&s, opts, rows, n, ret);
}

enum nw_status nw_flexure_solve(const struct nw_guide_log *log,
                                const struct nw_guide_analysis *analysis,
                                const struct nw_guided_frame *frames, size_t n_frames,
                                const struct nw_flexure_opts *opts, struct nw_flexure *ret,
                                struct nw_err *err) {
    blank(ret);
    if (!isfinite(opts->angle_rad) || !isfinite(opts->scale_rad_px)) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "how the frame lies on the sky is not known: dither, or say camera_angle");
        return NW_OK;
    }
    struct row *rows = nw_calloc(n_frames + 1, sizeof *rows);
    if (!rows) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", n_frames);
    }
    const size_t n = n_frames ? make_rows(log, analysis, frames, n_frames, opts, rows) : 0;
    ret->n_frames = n;
    if (n < FRAMES_LEAST) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu matched frames with guide stars in them; %d are needed", n,
                       FRAMES_LEAST);
    } else {
        run(rows, n, opts, ret);
    }
    free(rows);
    return NW_OK;
}
