/* streak_beside.c - a suspected line against what lies beside it.
 * Idea: in crowded fields chance rows of stars are as bright as faint trails, and every segment of
 * such a row holds a star. Two things tell them apart. Parallels are as bright, if it is chance.
 * And in pieces as short as a star is wide a row has gaps: its dark pieces are as dark as those
 * beside it. Those of a trail have its light on top, as all its pieces have. */
#include "image/streaks_internal.h"

enum { PIECES_BESIDE = 6 };
static const double PIECE_PX = 3.0;
/* What the dark pieces of a trail have of its light, at least: simulated ones have 0.83 and more of
 * it, rows of stars under 0.3 (bench/streaks.c). */
static const double DARK_MIN = 0.7;
static const double DARK = 0.158655; /* Phi(-1): which pieces are dark */
/* Of the length, at both ends: segments there may be lit in part. */
static const double ENDS = 0.08;

/* Whether the line is more than lines beside it: the same sums on parallels 8 to 160 px away. In
 * crowded fields chance rows of stars are as bright as others are. */
enum nw_status streak_stands_out(const struct field *field, const struct nw_streak *t,
                                 bool *ret_does, struct nw_err *err) {
    struct strip s = {
        .x0 = t->x0_px, .y0 = t->y0_px, .x1 = t->x1_px, .y1 = t->y1_px, .reach = REACH_MAX};
    *ret_does = false;
    const enum nw_status status = strip_fill(field, &s, err);
    if (status != NW_OK) {
        return status;
    }
    const long half = (long)ceil(0.6 * t->width_px / s.cosine);
    const long n = (long)strip_columns(&s);
    double medians[2 * REACH_MAX + 1];
    size_t count = 0;
    double line = NAN;
    const long most = s.reach / half;
    for (long i = -most; i <= most; i++) {
        const long d = s.reach + i * half;
        const bool is_line = i == 0;
        const bool is_beside = labs(i * half) > 3 * half + 2 && d >= half && d + half < n;
        if (!is_line && !is_beside) {
            continue;
        }
        double sums[SEGMENTS_MAX];
        size_t n_sums = 0;
        for (size_t k = 0; k < s.n; k++) {
            const float *const row = s.cut + k * strip_columns(&s);
            if (is_line || strip_is_inside(row, d, half, n)) {
                sums[n_sums++] = strip_window(row, d, half, n);
            }
        }
        if (2 * n_sums < s.n) {
            continue; /* mostly outside the frame */
        }
        const double median = nw_stat_median(sums, n_sums);
        if (is_line) {
            line = median;
        } else {
            medians[count++] = median;
        }
    }
    strip_done(&s);
    if (count >= 6) {
        const double high = nw_stat_quantile(medians, count, 0.9);
        double level = 0.0;
        const double sigma = nw_stat_mad_sigma(medians, count, &level);
        *ret_does = line - level > 5.0 * sigma && line - level > 2.5 * (high - level);
    }
    return NW_OK;
}

/* Windows of a piece, core and beside: sums across. */
struct pieces {
    double *line, *beside; /* n; n_beside */
    size_t n, n_beside;
};

static void read_pieces(const struct strip *s, long half, struct pieces *p) {
    const long n = (long)strip_columns(s);
    for (size_t k = 0; k < s->n; k++) {
        const float *const row = s->cut + k * strip_columns(s);
        p->line[p->n++] = strip_window(row, s->reach, half, n);
        for (long i = 0; i < PIECES_BESIDE; i++) {
            const long away = (2 * half + 1) * (2 + i / 2);
            const long at = s->reach + (i % 2 ? away : -away);
            if (strip_is_inside(row, at, half, n)) {
                p->beside[p->n_beside++] = strip_window(row, at, half, n);
            }
        }
    }
}

/* The middle part of a streak as a strip of short pieces, wide enough for those beside it. Pieces
 * are as large as a star, however wide the streak: two rows side by side have their gaps as well.
 */
static struct strip pieces_strip(const struct nw_streak *t, double fwhm_px, long *ret_half) {
    const double width = fwhm_px < t->width_px ? fwhm_px : t->width_px; /* NaN: the streak's */
    const double dx = t->x1_px - t->x0_px;
    const double dy = t->y1_px - t->y0_px;
    const double cosine = fmax(fabs(dx), fabs(dy)) / hypot(dx, dy);
    struct strip s = {.x0 = t->x0_px + ENDS * dx,
                      .y0 = t->y0_px + ENDS * dy,
                      .x1 = t->x1_px - ENDS * dx,
                      .y1 = t->y1_px - ENDS * dy,
                      .piece_px = fmax(PIECE_PX, 0.75 * width)};
    const long half = (long)fmax(floor(0.5 * width / cosine), 1.0);
    const long reach = (2 * half + 1) * (2 + PIECES_BESIDE / 2);
    s.reach = (int)(reach < REACH_MAX ? reach : REACH_MAX);
    *ret_half = half;
    return s;
}

enum nw_status streak_is_unbroken(const struct field *field, double fwhm_px,
                                  const struct nw_streak *streak, bool *ret_is,
                                  struct nw_err *err) {
    long half = 0;
    struct strip s = pieces_strip(streak, fwhm_px, &half);
    enum nw_status status = strip_fill(field, &s, err);
    if (status != NW_OK) {
        return status;
    }
    struct pieces p = {.line = nw_calloc(s.n * (1 + PIECES_BESIDE), sizeof *p.line)};
    if (!p.line) {
        status = nw_err_set(err, NW_NOMEM, "%zu pieces of a line", s.n);
        goto done;
    }
    p.beside = p.line + s.n;
    read_pieces(&s, half, &p);
    *ret_is = p.n_beside > 0;
    if (!*ret_is) {
        goto done;
    }
    const double light = nw_stat_mean(p.line, p.n) - nw_stat_mean(p.beside, p.n_beside);
    const double sigma = nw_stat_mad_sigma(p.beside, p.n_beside, NULL);
    const double dark =
        nw_stat_quantile(p.line, p.n, DARK) - nw_stat_quantile(p.beside, p.n_beside, DARK);
    /* error of that quantile of Gaussian values: sqrt(q (1 - q)) / phi = 1.51 (Kendall & Stuart,
     * from memory) */
    const double dark_sigma = 1.51 * sigma / sqrt((double)p.n);
    *ret_is = dark + dark_sigma > DARK_MIN * light;
done:
    free(p.line);
    strip_done(&s);
    return status;
}
