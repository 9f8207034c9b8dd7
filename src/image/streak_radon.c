/* streak_radon.c - sums over all lines through the coarse residual image at once.
 * Idea: by halving (Goetz & Druck 1996, Pattern Recognition 29, 711; Brady 1998, SIAM J. Comput.
 * 27, 107), four times for the four octants of direction; the sums of every stage are those of
 * lines over part of the frame (Nir, Zackay & Ofek 2018, AJ 156, 229). Holds: the sum found is that
 * of the brute force line by line (test_streaks.c). */
#include "image/streaks_internal.h"

#include "base/big.h"
#include "base/clones.h"

enum { PART_MIN = 32, OCTANTS = 4, LANES = 2 };

/* Columns are walked from first to last; a line starts at row y0 and rises by s = 0 .. n - 1. Bins
 * are read through a stride and a mirror, so that all four octants are this one. */
struct octant {
    const struct streak_bins *bins;
    bool is_swapped, is_mirrored; /* columns are rows; rows run backwards */
    size_t n_columns, n_rows;     /* as walked */
    struct streak_guess best;     /* its snr is what another one has to be above */
    bool is_found;
};

struct stage {
    size_t n, w, s, first, columns;
};

static float octant_bin(const struct octant *o, size_t column, size_t row) {
    const size_t r = o->is_mirrored ? o->n_rows - 1 - row : row;
    const size_t nx = o->bins->nx;
    return o->is_swapped ? o->bins->z[column * nx + r] : o->bins->z[r * nx + column];
}

static void octant_place(const struct octant *o, double column, double row, double *ret_x,
                         double *ret_y) {
    const double r = o->is_mirrored ? (double)o->n_rows - 1.0 - row : row;
    const double side = (double)o->bins->side;
    const double half = 0.5 * (side - 1.0);
    *ret_x = (o->is_swapped ? r : column) * side + half;
    *ret_y = (o->is_swapped ? column : r) * side + half;
}

/* Is any of a piece of sums above a limit? Most hold nothing. */
enum { PIECE = 96 };

NW_CLONES static bool is_any_above(const float *line, size_t n, float limit) {
    int32_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t m = 0; m < n; m++) {
        count += line[m] > limit;
    }
    return count > 0;
}

/* The columns in which a line that starts at y0 is inside. */
struct inside {
    double from, to, slope, y0;
};

static struct inside inside_of(const struct octant *o, const struct stage *g, size_t y) {
    struct inside r = {.to = (double)g->columns - 1.0, .y0 = (double)y - ((double)g->n - 1.0)};
    r.slope = g->w > 1 ? (double)g->s / ((double)g->w - 1.0) : 0.0;
    if (r.slope > 0.0) {
        r.from = fmax(0.0, -r.y0 / r.slope);
        r.to = fmin(r.to, ((double)o->n_rows - 1.0 - r.y0) / r.slope);
    }
    return r;
}

static double columns_inside(struct inside r) {
    return r.to - r.from + 1.0;
}

/* One line: kept when it is more significant than all before. */
static void look_at_line(struct octant *o, double sum, size_t y, const struct stage *g) {
    const struct inside r = inside_of(o, g, y);
    const double inside = columns_inside(r);
    const double snr = sum / sqrt(fmax(inside, 1.0));
    if (inside >= PART_MIN && snr > o->best.snr) {
        struct streak_guess *const best = &o->best;
        const double first = (double)g->first;
        o->is_found = true;
        best->snr = snr;
        octant_place(o, first + r.from, r.y0 + r.slope * r.from, &best->x0, &best->y0);
        octant_place(o, first + r.to, r.y0 + r.slope * r.to, &best->x1, &best->y1);
    }
}

/* Lines from .. to - 1 of a row of sums, all inside in at least so many columns. */
static void look_at_piece(struct octant *o, const float *line, size_t from, size_t to,
                          double columns, const struct stage *g) {
    const double limit = o->best.snr * sqrt(fmax(columns, PART_MIN));
    if (is_any_above(line + from, to - from, (float)limit * 0.99999F)) {
        for (size_t y = from; y < to; y++) {
            if ((double)line[y] > limit) {
                look_at_line(o, (double)line[y], y, g);
            }
        }
    }
}

/* Part of a row of sums in pieces. The columns inside are the lesser of two straight lines in y0
 * (or their difference): a piece has its fewest at one of its ends. */
static void look_at_lines(struct octant *o, const float *line, size_t from, size_t to,
                          const struct stage *g) {
    for (size_t y = from; y < to; y += PIECE) {
        const size_t end = y + PIECE < to ? y + PIECE : to;
        const double a = columns_inside(inside_of(o, g, y));
        const double b = columns_inside(inside_of(o, g, end - 1));
        look_at_piece(o, line, y, end, fmin(a, b), g);
    }
}

/* A row of sums in three parts: lines that come in from below, that stay inside, that go out. */
static void look_at_row(struct octant *o, const float *line, size_t n_y, const struct stage *g) {
    const double rise =
        g->w > 1 ? (double)g->s * ((double)g->columns - 1.0) / ((double)g->w - 1.0) : 0.0;
    const size_t whole_from = g->n - 1;
    const size_t lost = (size_t)ceil(rise);
    const size_t whole_to = whole_from + (o->n_rows > lost ? o->n_rows - lost : 0);
    const size_t first = whole_from > lost + 1 ? whole_from - lost - 1 : 0;
    look_at_lines(o, line, first, whole_from, g);
    for (size_t y = whole_from; y < whole_to; y += PIECE) {
        const size_t end = y + PIECE < whole_to ? y + PIECE : whole_to;
        look_at_piece(o, line, y, end, (double)g->columns, g);
    }
    look_at_lines(o, line, whole_to, n_y, g);
}

/* All sums of one stage: strip k, rise s at sums[(k w + s) n_y + y]. */
static void look_through(struct octant *o, const float *sums, size_t n, size_t w, size_t n_y) {
    for (size_t k = 0; k * w < o->n_columns; k++) {
        struct stage g = {.n = n, .w = w, .first = k * w};
        g.columns = g.first + w < o->n_columns ? w : o->n_columns - g.first;
        for (g.s = 0; g.columns >= PART_MIN && g.s < w; g.s++) {
            look_at_row(o, sums + (k * w + g.s) * n_y, n_y, &g);
        }
    }
}

NW_CLONES static void add_lines(const float *a, const float *b, size_t n, size_t lag, float *to) {
#pragma omp simd
    for (size_t y = 0; y < n - lag; y++) {
        to[y] = a[y] + b[y + lag];
    }
    memcpy(to + (n - lag), a + (n - lag), lag * sizeof *to);
}

static size_t power_of_two(size_t least) {
    size_t n = 1;
    while (n < least) {
        n *= 2;
    }
    return n;
}

static size_t octant_floats(size_t n_columns, size_t n_rows) {
    const size_t n = power_of_two(n_columns);
    return 2 * n * (n_rows + n - 1);
}

static void fill_columns(const struct octant *o, size_t n, size_t n_y, float *ret) {
    for (size_t c = 0; c < o->n_columns; c++) {
        float *const column = ret + c * n_y;
        memset(column, 0, (n - 1) * sizeof *column);
        for (size_t r = 0; r < o->n_rows; r++) {
            column[r + n - 1] = octant_bin(o, c, r);
        }
    }
}

/* One octant: strips of 1 column, then 2, 4 ... n. Strips beyond the columns are never read. */
static void search_octant(struct octant *o, float *work) {
    const size_t n = power_of_two(o->n_columns);
    const size_t n_y = o->n_rows + n - 1; /* y0 from -(n - 1) to n_rows - 1 */
    float *now = work;
    float *next = work + n * n_y;
    fill_columns(o, n, n_y, now);
    for (size_t w = 1; w < n; w *= 2) {
        for (size_t k = 0; 2 * k * w < o->n_columns; k++) {
            const bool has_right = (2 * k + 1) * w < o->n_columns;
            for (size_t s = 0; s < 2 * w; s++) {
                const float *const left = now + (2 * k * w + s / 2) * n_y;
                float *const to = next + (2 * k * w + s) * n_y;
                if (has_right) {
                    add_lines(left, left + w * n_y, n_y, (s + 1) / 2, to);
                } else {
                    memcpy(to, left, n_y * sizeof *to);
                }
            }
        }
        float *const swap = now;
        now = next;
        next = swap;
        if (2 * w >= PART_MIN) {
            look_through(o, now, n, 2 * w, n_y);
        }
    }
}

struct radon_job {
    struct octant octants[OCTANTS];
    float *work; /* n_floats a lane */
    size_t n_floats;
};

static void search_lane(void *user, size_t lane) {
    struct radon_job *const job = user;
    for (size_t k = lane; k < OCTANTS; k += LANES) {
        search_octant(&job->octants[k], job->work + lane * job->n_floats);
    }
}

enum nw_status streak_radon(struct streak_bins *bins, double least_snr, int n_threads,
                            struct streak_guess *ret, struct nw_err *err) {
    const size_t upright = octant_floats(bins->nx, bins->ny);
    const size_t swapped = octant_floats(bins->ny, bins->nx);
    struct radon_job job = {.n_floats = upright > swapped ? upright : swapped};
    if (!bins->work) {
        bins->work = nw_big_reserve(LANES * job.n_floats * sizeof *bins->work);
    }
    if (!bins->work) {
        return nw_err_set(err, NW_NOMEM, "lines through %zu x %zu bins", bins->nx, bins->ny);
    }
    job.work = bins->work;
    for (int k = 0; k < OCTANTS; k++) {
        const bool is_swapped = k >= 2;
        job.octants[k] = (struct octant){.bins = bins,
                                         .is_swapped = is_swapped,
                                         .is_mirrored = k % 2 == 1,
                                         .n_columns = is_swapped ? bins->ny : bins->nx,
                                         .n_rows = is_swapped ? bins->nx : bins->ny,
                                         .best = {.snr = least_snr}};
    }
    (void)nw_parallel_for(LANES, n_threads, search_lane, &job, NULL);
    *ret = (struct streak_guess){0};
    for (int k = 0; k < OCTANTS; k++) {
        const struct octant *const o = &job.octants[k];
        *ret = o->is_found && o->best.snr > ret->snr ? o->best : *ret;
    }
    return NW_OK;
}
