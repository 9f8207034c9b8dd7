/* flexure.c - least squares for the drift of the main field against the guide star.
 * Idea: everything on the sky, east and north. Shift less the loop's mean error = map of the lock
 * point (four numbers) + start (two) + flexure (two), all fitted, + what field rotation and the air
 * do to the vector from guide star to middle, which is given with an error. Frames between the same
 * two dithers form a block when the log has no lock points: then every block has a start of its
 * own, taken off as its mean.
 * Where the guide star is is not fitted: the turn is told by single frames to some arcsec, and such
 * noise times the way to the guide star is as large as what the shifts scatter by; a fit takes it
 * for a guide star in the middle and is sure of it (errors in variables; Fuller 1987, Measurement
 * Error Models, ch. 1). Its error goes into the covariance instead (consider covariance: Schmidt
 * 1966; Tapley, Schutz & Born 2004, Statistical Orbit Determination, ch. 6; both from memory). The
 * turn is a smooth curve of time.
 * Holds: residuals set the sigma. */
#include <gsl/gsl_linalg.h>
#include <math.h>

#include "guiding/flexure.h"
#include "guiding/whiten.h"

enum { F_E, F_N, G_E, G_N, C_E, C_N, S_E, S_N, L_FIRST, N_ALL = 12 };
#define LOCK_MOVES_px 0.05

struct row { /* one frame */
    double t_s, value[2];
    double by_guide[4]; /* change of the map of offsets: rows east, north */
    double lock[2];
    double curve; /* second Legendre polynomial of time */
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

/* The turn as a curve of time. */
struct turning {
    double middle_s, half_s, c[4]; /* Legendre polynomials of time */
    double rate_sigma_rad_s, curve_sigma_rad;
};
enum { TURN_DEGREE_MOST = 3, TURN_SPARE = 3 };
enum { FRAMES_LEAST = TURN_SPARE + 2 }; /* fewer do not tell how fast the field turns */
#define TURN_SIGMAS 3.0                 /* a third degree below it is noise */

static void legendre(double u, double ret[4]) {
    ret[0] = 1.0;
    ret[1] = u;
    ret[2] = 1.5 * u * u - 0.5;
    ret[3] = 2.5 * u * u * u - 1.5 * u;
}

static double middle_of(const struct nw_guided_frame *frame) {
    return 0.5 * (frame->start_s + frame->end_s);
}

/* The reference frame is left out: its own error is in all others, as a constant that moves
 * nothing. */
static struct turning turning_of(const struct nw_guided_frame *frames, size_t n) {
    struct turning ret = {
        .half_s = fmax(1.0, 0.5 * (middle_of(&frames[n - 1]) - middle_of(&frames[0]))), .c = {0.0}};
    ret.middle_s = middle_of(&frames[0]) + ret.half_s;
    for (size_t degree = 1; degree <= TURN_DEGREE_MOST && n > degree + TURN_SPARE; degree++) {
        struct guide_normal normal = {.n_cols = degree + 1};
        struct guide_solution fit;
        for (size_t i = 1; i < n; i++) {
            double x[4];
            legendre((middle_of(&frames[i]) - ret.middle_s) / ret.half_s, x);
            normal.yy += frames[i].turn_rad * frames[i].turn_rad;
            for (size_t a = 0; a <= degree; a++) {
                normal.xy[a] += x[a] * frames[i].turn_rad;
                for (size_t b = 0; b <= degree; b++) {
                    normal.xx[a][b] += x[a] * x[b];
                }
            }
        }
        if (!nw_guide_solve(&normal, &fit)) {
            break;
        }
        const double variance = fit.rss / (double)(n - 2 - degree);
        if (degree > 2 && !(fit.c[degree] * fit.c[degree] >
                            TURN_SIGMAS * TURN_SIGMAS * variance * fit.cov[degree][degree])) {
            break;
        }
        memcpy(ret.c, fit.c, (degree + 1) * sizeof *ret.c);
        ret.rate_sigma_rad_s = sqrt(variance * fit.cov[1][1]) / ret.half_s;
        ret.curve_sigma_rad = sqrt(variance * fit.cov[degree > 1 ? 2 : 1][degree > 1 ? 2 : 1]);
    }
    return ret;
}

static double turn_at(const struct turning *turning, double t_s) {
    double x[4];
    double sum = 0.0;
    legendre((t_s - turning->middle_s) / turning->half_s, x);
    for (int k = 0; k < 4; k++) {
        sum += turning->c[k] * x[k];
    }
    return sum;
}

/* Change of the map of offsets: the turn, and the squeeze by the air since the first frame. */
static void map_change(const struct nw_guided_frame *frame, const struct nw_guided_frame *first,
                       const struct turning *turning, const struct nw_flexure_opts *opts,
                       double ret[4]) {
    const double of_frame = turn_at(turning, middle_of(frame));
    const double turn = opts->is_mirrored ? -of_frame : of_frame; /* N to E */
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
            mean.curve += rows[i].curve / size;
            for (int k = 0; k < 4; k++) {
                mean.by_guide[k] += rows[i].by_guide[k] / size;
            }
            mean.value[0] += rows[i].value[0] / size;
            mean.value[1] += rows[i].value[1] / size;
        }
        for (size_t i = first; i < last; i++) {
            rows[i].t_s -= mean.t_s;
            rows[i].curve -= mean.curve;
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
    double a[N_ALL * N_ALL], x[N_ALL];
    double variance[N_ALL];      /* of what is given and not fitted: guide star, bend of the turn */
    bool is_used[N_ALL];         /* fitted */
    double sigma_rad;            /* of a frame, each axis */
    double unit_s, lock_unit_px; /* so that parameters are of like size */
};

static void coefficients(const struct row *row, const struct system *s, int axis, double c[N_ALL]) {
    memset(c, 0, N_ALL * sizeof *c);
    c[F_E + axis] = row->t_s / s->unit_s;
    c[G_E] = -row->by_guide[axis == 0 ? 0 : 2]; /* the middle, seen from the guide star */
    c[G_N] = -row->by_guide[axis == 0 ? 1 : 3];
    c[C_E + axis] = row->curve;
    c[S_E + axis] = 1.0;
    c[L_FIRST + 2 * axis] = row->lock[0] / s->lock_unit_px;
    c[L_FIRST + 2 * axis + 1] = row->lock[1] / s->lock_unit_px;
}

/* Mean squares of the way to the guide star, east and north. */
static void guide_squares(const struct nw_flexure_opts *opts, double ret[2]) {
    const double variance = opts->guide_sigma_rad * opts->guide_sigma_rad;
    ret[0] = opts->guide_east_rad * opts->guide_east_rad + variance;
    ret[1] = opts->guide_north_rad * opts->guide_north_rad + variance;
}

/* A turn about the guide star goes across the way to it. */
static void set_given(const struct nw_flexure_opts *opts, const struct turning *turning,
                      struct system *s) {
    double g2[2];
    guide_squares(opts, g2);
    s->x[G_E] = opts->guide_east_rad;
    s->x[G_N] = opts->guide_north_rad;
    for (int axis = 0; axis < 2; axis++) {
        s->variance[G_E + axis] = opts->guide_sigma_rad * opts->guide_sigma_rad;
        s->variance[C_E + axis] = pow(turning->curve_sigma_rad, 2.0) * g2[1 - axis];
    }
}

/* Normal equations of all numbers, for unit weight. */
static void normal_of(const struct row *rows, size_t n, const struct system *s,
                      double full[N_ALL * N_ALL], double b[N_ALL]) {
    memset(full, 0, (size_t)N_ALL * N_ALL * sizeof *full);
    memset(b, 0, N_ALL * sizeof *b);
    for (size_t i = 0; i < n; i++) {
        for (int axis = 0; axis < 2; axis++) {
            double c[N_ALL];
            coefficients(&rows[i], s, axis, c);
            for (size_t p = 0; p < N_ALL; p++) {
                b[p] += c[p] * rows[i].value[axis];
                for (size_t q = 0; q < N_ALL; q++) {
                    full[p * N_ALL + q] += c[p] * c[q];
                }
            }
        }
    }
}

/* What is taken as given is off by its own error: that goes into the covariance, for each by how
 * far the rest would follow. */
static void add_given(const double full[N_ALL * N_ALL], struct system *s) {
    double follows[N_ALL][N_ALL] = {{0.0}}; /* of a given number q, of all numbers p */
    for (size_t q = G_E; q <= C_N; q++) {
        for (size_t p = 0; p < N_ALL; p++) {
            for (size_t r = 0; r < N_ALL && s->is_used[p]; r++) {
                follows[q][p] -= s->is_used[r] ? s->a[p * N_ALL + r] * full[r * N_ALL + q] : 0.0;
            }
        }
    }
    for (size_t p = 0; p < N_ALL; p++) {
        for (size_t r = 0; r < N_ALL; r++) {
            s->a[p * N_ALL + r] *= s->sigma_rad * s->sigma_rad;
            for (size_t q = G_E; q <= C_N; q++) {
                s->a[p * N_ALL + r] += follows[q][p] * follows[q][r] * s->variance[q];
            }
        }
    }
}

/* Solves; s->a becomes the covariance for unit weight, full the normal equations of all numbers.
 * false: not determined. */
static bool solve(const struct row *rows, size_t n, struct system *s, double full[N_ALL * N_ALL]) {
    double b[N_ALL];
    normal_of(rows, n, s, full, b);
    for (size_t p = 0; p < N_ALL; p++) {
        for (size_t q = G_E; q <= C_N; q++) {
            b[p] -= full[p * N_ALL + q] * s->x[q];
        }
        for (size_t q = 0; q < N_ALL; q++) {
            const bool is_told = s->is_used[p] && s->is_used[q];
            s->a[p * N_ALL + q] = is_told ? full[p * N_ALL + q] : p == q ? 1.0 : 0.0;
        }
    }
    gsl_matrix_view a = gsl_matrix_view_array(s->a, N_ALL, N_ALL);
    if (gsl_linalg_cholesky_decomp1(&a.matrix) != 0 || gsl_linalg_cholesky_invert(&a.matrix) != 0) {
        return false;
    }
    for (size_t p = 0; p < N_ALL; p++) {
        double sum = 0.0;
        for (size_t q = 0; q < N_ALL; q++) {
            sum += s->is_used[q] ? s->a[p * N_ALL + q] * b[q] : 0.0;
        }
        s->x[p] = s->is_used[p] ? sum : s->x[p];
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
                left -= c[p] * s->x[p];
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

/* What the error of the rate of turn makes of the way to the guide star, known or not. */
static void add_turn_error(const struct turning *turning, const struct nw_flexure_opts *opts,
                           struct system *s) {
    const double rate = turning->rate_sigma_rad_s * s->unit_s;
    double g2[2];
    guide_squares(opts, g2);
    s->a[F_E * N_ALL + F_E] += rate * rate * g2[1];
    s->a[F_N * N_ALL + F_N] += rate * rate * g2[0];
    s->a[F_E * N_ALL + F_N] -= rate * rate * s->x[G_E] * s->x[G_N];
}

static void fill(const struct system *s, const struct nw_flexure_opts *opts, const struct row *rows,
                 size_t n, struct nw_flexure *ret) {
    const double e = s->x[F_E] / s->unit_s;
    const double v = s->x[F_N] / s->unit_s;
    /* a scale or an angle that is off makes as much of it, along and across */
    const double lie =
        isfinite(opts->lie_sigma) ? (e * e + v * v) * pow(opts->lie_sigma, 2.0) : 0.0;
    const double ee = s->a[F_E * N_ALL + F_E] / (s->unit_s * s->unit_s) + lie;
    const double nn = s->a[F_N * N_ALL + F_N] / (s->unit_s * s->unit_s) + lie;
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
                        const struct turning *turning, const struct nw_flexure_opts *opts,
                        struct row *rows) {
    size_t n = 0;
    for (size_t i = 0; i < n_frames; i++) {
        struct row *row = &rows[n];
        *row = (struct row){.t_s = middle_of(&frames[i])};
        to_sky(opts, frames[i].shift_px, row->value);
        map_change(&frames[i], &frames[0], turning, opts, row->by_guide);
        double x[4];
        legendre((row->t_s - turning->middle_s) / turning->half_s, x);
        row->curve = x[2];
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

static void run(struct row *rows, size_t n, const struct turning *turning,
                const struct nw_flexure_opts *opts, struct nw_flexure *ret) {
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
        s.is_used[p] = p <= F_N || (p >= S_E && moves);
    }
    set_given(opts, turning, &s);
    const double n_taken = moves ? 8.0 : 2.0 + 2.0 * (double)ret->n_blocks;
    if (2.0 * (double)n - n_taken < 4.0) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu frames in %zu stretches between dithers: %s", n, ret->n_blocks,
                       is_one_block || ret->has_lock
                           ? "more frames are needed"
                           : "two or more between the same dithers, or a log with lock points");
        return;
    }
    double full[N_ALL * N_ALL];
    if (!solve(rows, n, &s, full)) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "shifts, lock points and time do not tell the causes apart");
        return;
    }
    s.sigma_rad = fmax(1e-9, scatter(rows, n, &s, n_taken));
    ret->scatter_rad = s.sigma_rad;
    add_given(full, &s);
    add_turn_error(turning, opts, &s);
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
    struct turning turning = {.half_s = 1.0};
    size_t n = 0;
    if (n_frames > 0) {
        turning = turning_of(frames, n_frames);
        n = make_rows(log, analysis, frames, n_frames, &turning, opts, rows);
    }
    ret->n_frames = n;
    if (n < FRAMES_LEAST) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu matched frames with guide stars in them; %d are needed", n,
                       FRAMES_LEAST);
    } else {
        run(rows, n, &turning, opts, ret);
    }
    free(rows);
    return NW_OK;
}
