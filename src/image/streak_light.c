/* streak_light.c - the light of a suspected line, along and across, and whether it is a trail's.
 * Idea: medians over segments, which a chance row of stars does not pass; where the light begins
 * and ends is the stretch with the largest sum above half of its usual light (maximum subarray:
 * Bentley 1984, CACM 27, 865). Holds: offsets across are whole pixels along the shorter axis; times
 * the cosine, distances. */
#include "image/streaks_internal.h"

enum { SEGMENTS_MIN = 5 };
static const double MEDIAN_MIN = 5.0; /* of the median over the segments: stars do not count */

/* Profile across: median over the segments from .. to. */
static void profile_across(const struct strip *s, const struct lights *l, double *ret) {
    double column[SEGMENTS_MAX];
    for (size_t t = 0; t < strip_columns(s); t++) {
        size_t n = 0;
        for (size_t k = l->from; k < l->to; k++) {
            column[n++] = (double)s->full[k * strip_columns(s) + t];
        }
        ret[t] = nw_stat_median(column, n);
    }
}

/* Width and light of the usual profile. */
void lights_across(const struct strip *s, struct lights *l) {
    double p[2 * REACH_MAX + 1] = {0.0};
    double flank[2 * REACH_MAX + 1] = {0.0};
    profile_across(s, l, p);
    const size_t n = strip_columns(s);
    const size_t c = (size_t)s->reach;
    size_t n_flank = 0;
    for (size_t t = 0; t < n; t++) {
        /* 0 to the last bit: outside the frame */
        if (fabs((double)t - (double)c) > 0.6 * (double)c && fabs(p[t]) > 0.0) {
            flank[n_flank++] = p[t];
        }
    }
    double level = 0.0;
    const double sigma = nw_stat_mad_sigma(flank, n_flank, &level);
    size_t top = c;
    for (size_t t = c - 3; t <= c + 3; t++) {
        top = p[t - 1] + p[t] + p[t + 1] > p[top - 1] + p[top] + p[top + 1] ? t : top;
    }
    const double half =
        0.5 * (fmax((p[top - 1] + p[top] + p[top + 1]) / 3.0, p[top] - 2.0 * sigma) - level);
    double edge[2];
    for (int side = 0; side < 2; side++) {
        const long step = side == 0 ? -1 : 1;
        long t = (long)top;
        while (t + step >= 0 && t + step < (long)n && p[t + step] - level > half) {
            t += step;
        }
        const double in = p[t] - level;
        const bool is_end = t + step < 0 || t + step >= (long)n;
        const double out = is_end ? half : p[t + step] - level;
        const double f = in > out ? (in - half) / (in - out) : 0.5;
        edge[side] = (double)t + (double)step * fmin(fmax(f, 0.0), 1.0);
    }
    l->fwhm = fmax(edge[1] - edge[0], 1.0);
    l->adu = 0.0;
    size_t n_sum = 0;
    for (size_t t = 0; t < n; t++) {
        if (fabs((double)t - 0.5 * (edge[0] + edge[1])) <= 1.5 * l->fwhm) {
            l->adu += p[t] - level;
            n_sum++;
        }
    }
    const double k = (double)n_sum;
    l->adu_sigma = sigma * sqrt(k + NW_PI / 2.0 * k * k / (double)n_flank);
}

double strip_window(const float *row, long middle, long half, long n) {
    double sum = 0.0;
    for (long t = middle - half; t <= middle + half; t++) {
        sum += t >= 0 && t < n ? (double)row[t] : 0.0;
    }
    return sum;
}

bool strip_is_inside(const float *row, long middle, long half, long n) {
    bool is_inside = middle - half >= 0 && middle + half < n;
    for (long t = middle - half; t <= middle + half && is_inside; t++) {
        is_inside = fabsf(row[t]) > 0.0F; /* 0 to the last bit: no pixel */
    }
    return is_inside;
}

/* Light of each segment, and the scatter of the like in windows beside the line. */
void lights_along(const struct strip *s, struct lights *l) {
    const long n = (long)strip_columns(s);
    const long c = s->reach;
    const long half = (long)ceil(0.6 * l->fwhm);
    const long size = 2 * half + 1;
    double beside[SEGMENTS_MAX * 4];
    size_t n_beside = 0;
    for (size_t k = 0; k < s->n; k++) {
        const float *const row = s->cut + k * strip_columns(s);
        double flank[2 * REACH_MAX + 1];
        size_t n_flank = 0;
        for (long t = 0; t < n; t++) {
            if (labs(t - c) > 2 * half + 2 && fabsf(row[t]) > 0.0F) {
                flank[n_flank++] = (double)row[t];
            }
        }
        const double level = n_flank > 0 ? nw_stat_median(flank, n_flank) : 0.0;
        l->value[k] = strip_window(row, c, half, n) - level * (double)size;
        const long away = 2 * half + 3 + half;
        for (int w = 0; w < 4; w++) {
            const long at = c + (w % 2 ? 1 : -1) * (away + (w / 2) * size);
            if (strip_is_inside(row, at, half, n)) {
                beside[n_beside++] = strip_window(row, at, half, n) - level * (double)size;
            }
        }
    }
    l->noise = NAN;
    if (n_beside > 8) {
        /* plain, not robust: in crowded fields stars are the noise that makes chance lines */
        l->noise = nw_stat_sd(beside, n_beside, nw_stat_mean(beside, n_beside));
        l->noise = fmax(l->noise, nw_stat_mad_sigma(beside, n_beside, NULL));
    }
}

static double median_of(const double *values, size_t from, size_t to) {
    double work[SEGMENTS_MAX];
    memcpy(work, values + from, (to - from) * sizeof *work);
    return nw_stat_median(work, to - from);
}

/* The stretch with the largest sum above half of the usual light. */
void lights_ends(const struct strip *s, struct lights *l) {
    for (int round = 0; round < 4; round++) {
        l->usual = median_of(l->value, l->from, l->to);
        if (!(l->usual > 0.0)) {
            return;
        }
        double best = 0.0;
        double sum = 0.0;
        size_t start = 0;
        for (size_t k = 0; k < s->n; k++) {
            sum += fmin(l->value[k], 2.0 * l->usual) - 0.5 * l->usual;
            if (sum <= 0.0) {
                sum = 0.0;
                start = k + 1;
            } else if (sum > best) {
                best = sum;
                l->from = start;
                l->to = k + 1;
            }
        }
        /* a rest too short to show that it is dark belongs to the trail */
        const double dark = fmax(pow(4.0 * l->noise / l->usual, 2.0), 1.5);
        l->from = (double)l->from < dark ? 0 : l->from;
        l->to = (double)(s->n - l->to) < dark ? s->n : l->to;
    }
    l->usual = median_of(l->value, l->from, l->to);
}

/* ---- what is no trail ---- */

/* Brightest in the middle and fading to both ends: a galaxy, the spikes of a star. */
static bool fades_to_both_ends(const struct lights *l) {
    const size_t n = l->to - l->from;
    if (n < 6) {
        return false;
    }
    const double first = median_of(l->value, l->from, l->from + n / 3);
    const double middle = median_of(l->value, l->from + n / 3, l->to - n / 3);
    const double last = median_of(l->value, l->to - n / 3, l->to);
    const double sigma = l->noise * sqrt(2.0 * NW_PI / 2.0 / ((double)n / 3.0));
    return middle - fmax(first, last) > fmax(4.0 * sigma, 0.35 * middle);
}

/* A trail has nearly the same light everywhere; a chain of stars has gaps and lumps. The segments
 * at both ends may be lit in part. */
static bool is_even(const struct lights *l) {
    double work[SEGMENTS_MAX];
    const size_t n = l->to - l->from;
    if (n < 5) {
        return false;
    }
    memcpy(work, l->value + l->from + 1, (n - 2) * sizeof *work);
    const double low = nw_stat_quantile(work, n - 2, 0.2);
    const double high = nw_stat_quantile(work, n - 2, 0.8);
    /* 0.84: the 20 % quantile of a Gaussian; allowed: a third less or half more than usual */
    return low > 0.67 * l->usual - 1.4 * l->noise && high < 1.5 * l->usual + 1.4 * l->noise;
}

/* Along rows or columns to within 1.5 px over its length: bleeding, hot columns, bad rows. */
static bool is_along_axis(const struct strip *s, const struct lights *l) {
    const double drift = s->is_steep ? fabs(s->x1 - s->x0) : fabs(s->y1 - s->y0);
    return drift * (double)(l->to - l->from) / (double)s->n < 1.5;
}

/* A saturated or very bright star on the line, within the middle 80 % of it. */
static bool holds_bright_star(const struct star_list *list, const struct nw_streak *t) {
    const double ux = cos(t->angle_rad);
    const double uy = sin(t->angle_rad);
    for (size_t i = 0; i < list->n; i++) {
        const struct nw_star *const star = &list->stars[i];
        const double dx = star->x_px - t->x0_px;
        const double dy = star->y_px - t->y0_px;
        const double along = dx * ux + dy * uy;
        const bool is_bright = (star->flags & NW_STAR_SATURATED) != 0 ||
                               star->flux_adu > 3.0 * t->adu_per_px * t->length_px;
        const bool is_streak = (star->flags & NW_STAR_STREAK) != 0;
        if (is_bright && !is_streak && along > 0.1 * t->length_px && along < 0.9 * t->length_px &&
            fabs(dy * ux - dx * uy) < t->width_px + 2.0) {
            return true;
        }
    }
    return false;
}

bool lights_are_trail(const struct strip *s, const struct lights *l, const struct star_list *list,
                      const struct nw_streak *t) {
    const double n = (double)(l->to - l->from);
    const double median_snr = l->usual / (l->noise * sqrt(NW_PI / 2.0 / n));
    if (!(t->snr > STREAK_SNR_MIN) || !(median_snr > MEDIAN_MIN) || n < SEGMENTS_MIN) {
        return false;
    }
    if (t->length_px < STREAK_LENGTH_MIN_PX || t->length_px < 8.0 * t->width_px ||
        !(t->adu_per_px > 4.0 * t->adu_per_px_sigma)) {
        return false;
    }
    /* short and far wider than a star: a row of bright or blurred stars */
    if (!t->is_crossing && t->width_px > 4.0 * fmax(list->fwhm_px, 2.0)) {
        return false;
    }
    if (is_along_axis(s, l) || !is_even(l)) {
        return false;
    }
    if (!t->is_crossing && (fades_to_both_ends(l) || holds_bright_star(list, t))) {
        return false;
    }
    return true;
}

struct nw_streak lights_describe(const struct strip *s, const struct lights *l) {
    const double a = (double)l->from / (double)s->n;
    const double b = (double)l->to / (double)s->n;
    struct nw_streak t = {.x0_px = s->x0 + a * (s->x1 - s->x0),
                          .y0_px = s->y0 + a * (s->y1 - s->y0),
                          .x1_px = s->x0 + b * (s->x1 - s->x0),
                          .y1_px = s->y0 + b * (s->y1 - s->y0)};
    if (t.x0_px > t.x1_px) {
        const struct nw_streak old = t;
        t.x0_px = old.x1_px;
        t.y0_px = old.y1_px;
        t.x1_px = old.x0_px;
        t.y1_px = old.y0_px;
    }
    t.length_px = hypot(t.x1_px - t.x0_px, t.y1_px - t.y0_px);
    t.angle_rad = atan2(t.y1_px - t.y0_px, t.x1_px - t.x0_px);
    t.width_px = l->fwhm * s->cosine;
    t.adu_per_px = l->adu * s->cosine;
    t.adu_per_px_sigma = l->adu_sigma * s->cosine;
    double sum = 0.0;
    for (size_t k = l->from; k < l->to; k++) {
        sum += fmin(l->value[k], 2.0 * l->usual);
    }
    t.snr = sum / (l->noise * sqrt((double)(l->to - l->from)));
    t.is_crossing = l->from == 0 && l->to == s->n;
    return t;
}
