/* hits.c - hot pixels, warm columns and particle hits: light that did not come through the optics.
 * Idea: nothing that passed the optics is sharper than the stars. A pixel that stands out from both
 * of its opposite neighbours, along any of four directions, by more than the narrowest star of the
 * frame could, is a hit (second differences as van Dokkum 2001, PASP 113, 1420, takes them, here
 * against the known profile). A track is sharp across, a warm column to its sides, a pair of hot
 * pixels across the pair. Hits get no value; what is left decides whether a star is there.
 * Holds: a pixel without value stays so; no star of the frame's width or of an axis ratio up to 2.7
 * loses a pixel (test_hits.c). */
#include "base/clones.h"
#include "image/measure_internal.h"

/* What stars may exceed the Gaussian's ratio by: peaked cores, noise of the width. */
static const double MARGIN = 1.6;
static const double SIGNIFICANT = 5.0;
/* Of the light beside a star's pixel that a lone one has less of: cores of real optics and plates
 * are peaked (common practice, no source). */
static const double LONE = 0.6;

struct sharpness {
    double side, corner; /* highest ratio of a star's pixel to the larger of two opposite ones */
    double variance_adu2, variance_per_adu;
};

static struct sharpness sharpness_of(const struct field *field, double fwhm_px, double noise_adu) {
    /* narrow axis of an elongated star: 0.6 of the mean width; under-sampled ones stay round */
    const double pixel2 = field->pixel_width * field->pixel_width;
    const double width = fmax(0.6 * fwhm_px, fmin(fwhm_px, 2.0));
    const double optical = sqrt(fmax(width * width - 0.5 * pixel2, 0.8 * pixel2));
    const double sigma = optical / NW_FWHM_PER_SIGMA;
    const double half = 0.5 * field->pixel_width / (sigma * sqrt(2.0));
    const double far = (1.0 + 0.5 * field->pixel_width) / (sigma * sqrt(2.0));
    const double near = (1.0 - 0.5 * field->pixel_width) / (sigma * sqrt(2.0));
    const double ratio = 2.0 * erf(half) / (erf(far) - erf(near)); /* a star amid its pixel */
    return (struct sharpness){.side = MARGIN * ratio,
                              .corner = 1.25 * MARGIN * ratio * ratio,
                              .variance_adu2 = noise_adu * noise_adu,
                              .variance_per_adu = field->variance_per_adu};
}

static bool stands_out(const struct sharpness *s, double value, double a, double b, double ratio) {
    if (!isfinite(a) || !isfinite(b)) {
        return false; /* beside a blank the flank of a star is steep */
    }
    const double other = a > b ? fmax(a, 0.0) : fmax(b, 0.0);
    if (value <= ratio * other) {
        return false;
    }
    const double variance = s->variance_adu2 + fmax(value, 0.0) * s->variance_per_adu;
    const double other_variance = s->variance_adu2 + other * s->variance_per_adu;
    return value - ratio * other > SIGNIFICANT * sqrt(variance + ratio * ratio * other_variance);
}

/* Mean of the four side pixels against a lone star's: finds what is too faint for one pair. */
static bool is_lone(const struct sharpness *s, double value, const double side[static 4]) {
    double sum = 0.0;
    int n = 0;
    for (int i = 0; i < 4; i++) {
        if (isfinite(side[i])) {
            sum += side[i];
            n++;
        }
    }
    const double share = LONE * MARGIN / s->side; /* a star amid the pixel has the least */
    const double least = share * value;
    if (n < 2 || !(sum < least * n)) {
        return false;
    }
    const double variance =
        s->variance_adu2 / n + (s->variance_adu2 + value * s->variance_per_adu) * share * share;
    return sum / n + 3.5 * sqrt(variance) < least;
}

static double at(const float *px, int side, int i, int j) {
    const bool is_inside = i >= 0 && j >= 0 && i < side && j < side;
    return is_inside ? (double)px[(size_t)j * (size_t)side + (size_t)i] : (double)NAN;
}

static bool is_hit(const struct sharpness *s, const float *px, int side, int i, int j) {
    const double value = (double)px[(size_t)j * (size_t)side + (size_t)i];
    if (!(value * value > SIGNIFICANT * SIGNIFICANT * s->variance_adu2 && value > 0.0)) {
        return false;
    }
    const double beside[4] = {at(px, side, i - 1, j), at(px, side, i + 1, j),
                              at(px, side, i, j - 1), at(px, side, i, j + 1)};
    return stands_out(s, value, beside[0], beside[1], s->side) ||
           stands_out(s, value, beside[2], beside[3], s->side) ||
           stands_out(s, value, at(px, side, i - 1, j - 1), at(px, side, i + 1, j + 1),
                      s->corner) ||
           stands_out(s, value, at(px, side, i - 1, j + 1), at(px, side, i + 1, j - 1),
                      s->corner) ||
           is_lone(s, value, beside);
}

static int marked_neighbours(const bool *marks, int side, int i, int j) {
    int n = 0;
    for (int y = j > 0 ? j - 1 : 0; y <= j + 1 && y < side; y++) {
        for (int x = i > 0 ? i - 1 : 0; x <= i + 1 && x < side; x++) {
            n += marks[y * side + x] && (x != i || y != j);
        }
    }
    return n;
}

/* What touches two pixels of a hit belongs to it: the faint steps of a track's stairs. */
static void drop_marked(struct window *w, const bool *marks) {
    const double faint = 3.0 * w->noise_adu;
    for (int j = 0; j < w->side; j++) {
        for (int i = 0; i < w->side; i++) {
            float *const value = &w->px[(size_t)j * (size_t)w->side + (size_t)i];
            const bool is_part =
                (double)*value > faint && marked_neighbours(marks, w->side, i, j) >= 2;
            if (marks[j * w->side + i] || is_part) {
                *value = NAN;
                w->n_hits++;
            }
        }
    }
}

/* Whether pixels of a row may be hits: above `least`, and not plainly no hit, as nearly all of a
 * star's are. Pixels without value on either side leave it to is_hit. */
NW_CLONES static bool has_suspects(const float *row, size_t side, const struct sharpness *s,
                                   float least) {
    const float ratio = (float)s->side;
    const float corner_ratio = (float)s->corner;
    const float four = (float)(4.0 * LONE * MARGIN / s->side);
    const float *const up = row - side;
    const float *const down = row + side;
    const size_t last = side - 1;
    int32_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t i = 1; i < last; i++) {
        const float v = row[i];
        const float along = row[i - 1] > row[i + 1] ? row[i - 1] : row[i + 1];
        const float across = up[i] > down[i] ? up[i] : down[i];
        const float falling = up[i - 1] > down[i + 1] ? up[i - 1] : down[i + 1];
        const float rising = up[i + 1] > down[i - 1] ? up[i + 1] : down[i - 1];
        const float sum = row[i - 1] + row[i + 1] + up[i] + down[i];
        const bool is_none = (v <= ratio * along) & (v <= ratio * across) &
                             (v <= corner_ratio * falling) & (v <= corner_ratio * rising) &
                             (sum >= four * v);
        count += (v > least) & !is_none;
    }
    return count > 0;
}

static bool is_cold(double value, double noise_adu) {
    return value < -COLD_SIGMA * noise_adu;
}

/* Dead pixels have no light to compare with; how many. */
static size_t drop_cold(struct window *w) {
    size_t n = 0;
    for (int k = 0; k < w->side * w->side; k++) {
        if (is_cold((double)w->px[k], w->noise_adu)) {
            w->px[k] = NAN;
            n++;
        }
    }
    return n;
}

size_t window_drop_hits(struct window *w, const struct field *field, double fwhm_px) {
    w->n_hits = background_has_cold(field->background) ? drop_cold(w) : 0;
    const struct sharpness s = sharpness_of(field, fwhm_px, w->noise_adu);
    bool marks[WINDOW_MAX_SIDE * WINDOW_MAX_SIDE];
    bool is_any = false;
    const float least = (float)(0.999 * SIGNIFICANT * w->noise_adu); /* is_hit knows exactly */
    const int last = w->side - 1;
    for (int j = 0; j <= last; j++) {
        const float *const row = w->px + (size_t)j * (size_t)w->side;
        bool *const mark = marks + (size_t)j * (size_t)w->side;
        const bool is_some = j == 0 || j == last || row[0] > least || row[last] > least;
        if (!is_some && !has_suspects(row, (size_t)w->side, &s, least)) {
            memset(mark, 0, (size_t)w->side * sizeof *mark);
            continue;
        }
        for (int i = 0; i <= last; i++) {
            mark[i] = row[i] > least && is_hit(&s, w->px, w->side, i, j);
            is_any = is_any || mark[i];
        }
    }
    if (is_any) {
        drop_marked(w, marks);
    }
    return w->n_hits;
}

/* Whether the highest of the nine pixels about a peak is a hit; five by five are looked at. */
static bool top_is_hit(const struct field *field, int32_t x, int32_t y, double fwhm_px) {
    enum { MID = 3 };
    struct window w;
    window_cut(field, x, y, MID, &w);
    if (background_has_cold(field->background)) {
        (void)drop_cold(&w);
    }
    int top = MID * w.side + MID;
    for (int k = 0; k < 9; k++) {
        const int at_k = (MID - 1 + k / 3) * w.side + MID - 1 + k % 3;
        top = w.px[at_k] > w.px[top] || !isfinite(w.px[top]) ? at_k : top;
    }
    const struct sharpness s = sharpness_of(field, fwhm_px, w.noise_adu);
    return is_hit(&s, w.px, w.side, top % w.side, top / w.side);
}

/* Mean of a column (step: side) or a row (step: 1) of the window, the star's middle left out. */
static double line_mean(const struct window *w, int first, int step, int middle, int *ret_n) {
    double sum = 0.0;
    int n = 0;
    for (int k = 0; k < w->side; k++) {
        const double value = (double)w->px[first + k * step];
        if (isfinite(value) && abs(k - w->side / 2) > middle) {
            sum += value;
            n++;
        }
    }
    *ret_n = n;
    return n > 0 ? sum / n : (double)NAN;
}

/* Highest of the nine pixels in the middle. */
static double top_near(const struct window *w, int mid) {
    float top = -INFINITY;
    for (int k = 0; k < 9; k++) {
        const float value =
            w->px[(size_t)(mid - 1 + k / 3) * (size_t)w->side + (size_t)(mid - 1 + k % 3)];
        top = value > top ? value : top;
    }
    return (double)top;
}

/* A warm column or row through the middle, and not a star on it: as sharp in its mean as a hit is
 * in a pixel. */
static bool is_on_line(const struct field *field, int32_t x, int32_t y, double fwhm_px) {
    enum { REACH = 16 };
    struct window w;
    window_cut(field, x, y, REACH, &w);
    const int mid = w.side / 2;
    const int wide = (int)ceil(fmin(fwhm_px, REACH));
    const int middle = 2 * wide < REACH ? wide : REACH / 2;
    for (int turn = 0; turn < 2; turn++) {
        const int step = turn ? 1 : w.side;
        const int across = turn ? w.side : 1;
        for (int k = mid - 1; k <= mid + 1; k++) {
            int n = 0;
            int n_beside = 0;
            const double mean = line_mean(&w, k * across, step, middle, &n);
            const double before = line_mean(&w, (k - 1) * across, step, middle, &n_beside);
            const double after = line_mean(&w, (k + 1) * across, step, middle, &n_beside);
            const struct sharpness s =
                sharpness_of(field, fwhm_px, w.noise_adu / sqrt(fmax(n, 1.0)));
            const double beside[4] = {before, after, NAN, NAN};
            const double top = top_near(&w, mid);
            const bool is_star = top > 3.0 * mean + SIGNIFICANT * w.noise_adu;
            if (!is_star && n > REACH / 2 && mean > SIGNIFICANT * sqrt(s.variance_adu2) &&
                is_lone(&s, mean, beside)) {
                return true;
            }
        }
    }
    return false;
}

/* Where nine pixels side by side have the most light; those without value count as sky. */
static void brightest_nine(const struct window *w, double *ret_x, double *ret_y) {
    double best = -INFINITY;
    for (int j = 1; j + 1 < w->side; j++) {
        for (int i = 1; i + 1 < w->side; i++) {
            double sum = 0.0;
            for (int k = 0; k < 9; k++) {
                const float value = w->px[(j - 1 + k / 3) * w->side + i - 1 + k % 3];
                sum += isfinite(value) ? (double)value : 0.0;
            }
            if (sum > best) {
                best = sum;
                *ret_x = w->x0 + i;
                *ret_y = w->y0 + j;
            }
        }
    }
}

/* Where a star's light is in a window without its hits: about (x, y), else the brightest place. */
static bool star_is_left(const struct window *w, const struct field *field, double fwhm_px,
                         double threshold, double *x, double *y, double *ret_snr) {
    for (int attempt = 0; attempt < 2; attempt++) {
        double try_x = *x;
        double try_y = *y;
        if (attempt > 0) {
            brightest_nine(w, &try_x, &try_y);
        }
        struct window filled;
        window_copy(w, &filled);
        window_fill(&filled, try_x, try_y);
        const struct centroid c = window_centroid(&filled, field, try_x, try_y, fwhm_px);
        try_x = c.is_good ? c.x : try_x;
        try_y = c.is_good ? c.y : try_y;
        *ret_snr = window_matched_snr(attempt == 0 ? &filled : w, try_x, try_y, fwhm_px);
        if (*ret_snr >= threshold) {
            *x = try_x;
            *y = try_y;
            return true;
        }
    }
    return false;
}

bool peak_is_hit(const struct field *field, struct peak *peak, double fwhm_px, double threshold) {
    const int32_t x = peak->x;
    const int32_t y = peak->y;
    const bool may_be_line = peak->is_streak || (double)peak->snr < 3.0 * threshold;
    if (may_be_line && is_on_line(field, x, y, fwhm_px)) {
        return true;
    }
    if (!top_is_hit(field, x, y, fwhm_px)) {
        return false;
    }
    struct window w;
    window_cut(field, x, y, (int)ceil(1.5 * fwhm_px) + 1, &w);
    if (window_drop_hits(&w, field, fwhm_px) == 0) {
        return false;
    }
    /* the hit may have drawn the peak beside a star: where its light is without the hit */
    double star_x = (double)x;
    double star_y = (double)y;
    double star_snr = 0.0;
    if (!star_is_left(&w, field, fwhm_px, threshold, &star_x, &star_y, &star_snr)) {
        return true;
    }
    peak->snr = (float)star_snr;
    peak->x = (int32_t)lround(star_x);
    peak->y = (int32_t)lround(star_y);
    return false;
}
