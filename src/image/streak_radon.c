/* streak_radon.c - sums over all lines through the coarse residual image at once.
 * Idea: by halving (Goetz & Druck 1996, Pattern Recognition 29, 711; Brady 1998, SIAM J. Comput.
 * 27, 107), four times for the four octants of direction; the sums of every stage are those of
 * lines over part of the frame (Nir, Zackay & Ofek 2018, AJ 156, 229). Holds: the sum found is that
 * of the brute force line by line (test_streaks.c). */
#include "image/streaks_internal.h"

#include "image/clones.h"

enum { PART_MIN = 32 };

/* Columns are walked from first to last; a line starts at row y0 and rises by s = 0 .. n - 1. Bins
 * are read through a stride and a mirror, so that all four octants are this one. */
struct octant {
    const struct streak_bins *bins;
    bool is_swapped, is_mirrored; /* columns are rows; rows run backwards */
    size_t n_columns, n_rows;     /* as walked */
    struct streak_guess best;
    bool is_failed;
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

/* One row of sums: lines with rise s over w columns from column `first` on, start y0 + (n - 1).
 * Keeps the most significant one. */
static void look_at_row(struct octant *o, const float *line, size_t n_y, const struct stage *g) {
    const double slope = g->w > 1 ? (double)g->s / ((double)g->w - 1.0) : 0.0;
    for (size_t y = 0; y < n_y; y++) {
        if ((double)line[y] <= o->best.snr * sqrt((double)PART_MIN)) {
            continue;
        }
        const double y0 = (double)y - ((double)g->n - 1.0);
        double from = 0.0; /* columns in which the line is inside */
        double to = (double)g->columns - 1.0;
        if (slope > 0.0) {
            from = fmax(from, -y0 / slope);
            to = fmin(to, ((double)o->n_rows - 1.0 - y0) / slope);
        }
        const double inside = to - from + 1.0;
        const double snr = (double)line[y] / sqrt(fmax(inside, 1.0));
        if (inside >= PART_MIN && snr > o->best.snr) {
            struct streak_guess *const best = &o->best;
            best->snr = snr;
            octant_place(o, (double)g->first + from, y0 + slope * from, &best->x0, &best->y0);
            octant_place(o, (double)g->first + to, y0 + slope * to, &best->x1, &best->y1);
        }
    }
}

/* All sums of one stage: strip k, rise s at sums[(k w + s) n_y + y]. */
static void look_through(struct octant *o, const float *sums, size_t n, size_t w, size_t n_y) {
    for (size_t k = 0; k * w < o->n_columns; k++) {
        struct stage g = {.n = n, .w = w, .first = k * w};
        g.columns = g.first + w < o->n_columns ? w : o->n_columns - g.first;
        if (g.columns < PART_MIN) {
            continue;
        }
        for (g.s = 0; g.s < w; g.s++) {
            const float *const line = sums + (k * w + g.s) * n_y;
            float top = 0.0F; /* most rows hold nothing that could win */
#pragma omp simd reduction(max : top)
            for (size_t y = 0; y < n_y; y++) {
                top = line[y] > top ? line[y] : top;
            }
            if ((double)top > o->best.snr * sqrt((double)PART_MIN)) {
                look_at_row(o, line, n_y, &g);
            }
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

/* One octant: strips of 1 column, then 2, 4 ... n. */
static void search_octant(void *user, size_t index) {
    struct octant *const o = (struct octant *)user + index;
    size_t n = 1;
    while (n < o->n_columns) {
        n *= 2;
    }
    const size_t n_y = o->n_rows + n - 1; /* y0 from -(n - 1) to n_rows - 1 */
    float *const block = nw_calloc(2 * n * n_y, sizeof *block);
    if (!block) {
        o->is_failed = true;
        return;
    }
    float *now = block;
    float *next = block + n * n_y;
    for (size_t c = 0; c < o->n_columns; c++) {
        for (size_t r = 0; r < o->n_rows; r++) {
            now[c * n_y + r + n - 1] = octant_bin(o, c, r);
        }
    }
    for (size_t w = 1; w < n; w *= 2) {
        for (size_t k = 0; 2 * k * w < o->n_columns; k++) { /* beyond them all is 0 */
            for (size_t s = 0; s < 2 * w; s++) {
                const float *const left = now + (2 * k * w + s / 2) * n_y;
                const float *const right = now + ((2 * k + 1) * w + s / 2) * n_y;
                add_lines(left, right, n_y, (s + 1) / 2, next + (2 * k * w + s) * n_y);
            }
        }
        float *const swap = now;
        now = next;
        next = swap;
        if (2 * w >= PART_MIN) {
            look_through(o, now, n, 2 * w, n_y);
        }
    }
    free(block);
}

enum nw_status streak_radon(const struct streak_bins *bins, int n_threads, struct streak_guess *ret,
                            struct nw_err *err) {
    struct octant octants[4];
    for (int k = 0; k < 4; k++) {
        const bool is_swapped = k >= 2;
        octants[k] = (struct octant){.bins = bins,
                                     .is_swapped = is_swapped,
                                     .is_mirrored = k % 2 == 1,
                                     .n_columns = is_swapped ? bins->ny : bins->nx,
                                     .n_rows = is_swapped ? bins->nx : bins->ny};
    }
    (void)nw_parallel_for(4, n_threads, search_octant, octants, NULL);
    *ret = (struct streak_guess){0};
    for (int k = 0; k < 4; k++) {
        if (octants[k].is_failed) {
            return nw_err_set(err, NW_NOMEM, "lines through %zu x %zu bins", bins->nx, bins->ny);
        }
        *ret = octants[k].best.snr > ret->snr ? octants[k].best : *ret;
    }
    return NW_OK;
}
