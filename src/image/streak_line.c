/* streak_line.c - one suspected line, looked at on the pixels themselves.
 * Idea: a strip along the line is cut into segments, and each summed along the line; a trail is in
 * nearly all of them, a chance row of stars in few, so medians over segments decide. Both ends of
 * the line are moved across until the sum is largest; where the light begins and ends is the
 * stretch with the largest sum above half of its usual light (maximum subarray: Bentley 1984, CACM
 * 27, 865). Holds: offsets across are whole pixels along the shorter axis; times cos(angle) they
 * are distances. */
#include <float.h>

#include "base/clones.h"
#include "image/streaks_internal.h"

static const double SEGMENT_MIN_PX = 8.0;
/* Rows of stars are no brighter: those of chance had 9 to 11 (bench/streaks.c). */
static const double ROW_SNR_MAX = 80.0;
static const float CUT = 4.0F; /* sigmas of a pixel */

size_t strip_columns(const struct strip *s) {
    return 2 * (size_t)s->reach + 1;
}

static double across_at(const struct strip *s, double walk) {
    return s->is_steep ? s->x0 + (s->x1 - s->x0) * (walk - s->y0) / (s->y1 - s->y0)
                       : s->y0 + (s->y1 - s->y0) * (walk - s->x0) / (s->x1 - s->x0);
}

/* Sums of pixels by offset across: in sigmas, cut; in ADU; how many. */
struct across {
    float *cut, *full, *count;
    float sky, noise;
};

/* n pixels across the line, `step` apart in memory, added from offset `at` on. */
NW_CLONES static void add_floats(const float *px, size_t step, size_t n, const struct across *a,
                                 size_t at) {
    const struct across to = *a;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float off = px[k * step] - to.sky;
        const float sigmas = off / to.noise;
        const bool has_value = fabsf(off) <= FLT_MAX;
        to.cut[at + k] += !has_value ? 0.0F : sigmas < CUT ? sigmas : CUT;
        to.full[at + k] += has_value ? off : 0.0F;
        to.count[at + k] += has_value ? 1.0F : 0.0F;
    }
}

NW_CLONES static void add_whole(const uint16_t *px, size_t step, size_t n, const struct across *a,
                                size_t at) {
    const struct across to = *a;
#pragma omp simd
    for (size_t k = 0; k < n; k++) {
        const float off = (float)px[k * step] - to.sky;
        const float sigmas = off / to.noise;
        to.cut[at + k] += sigmas < CUT ? sigmas : CUT;
        to.full[at + k] += off;
        to.count[at + k] += 1.0F;
    }
}

static size_t clamped(long at, size_t n) {
    return at < 0 ? 0 : (size_t)at >= n ? n - 1 : (size_t)at;
}

/* One step of the walk: the pixels across it that the frame has. */
static void add_across(const struct nw_image_view *image, const struct strip *s, long walk,
                       const struct across *a) {
    const long n_walk = (long)(s->is_steep ? image->height_px : image->width_px);
    const long n_across = (long)(s->is_steep ? image->width_px : image->height_px);
    const long middle = lround(across_at(s, (double)walk));
    const long low = middle - s->reach > 0 ? middle - s->reach : 0;
    const long high = middle + s->reach < n_across - 1 ? middle + s->reach : n_across - 1;
    if (walk < 0 || walk >= n_walk || low > high) {
        return;
    }
    const size_t step = s->is_steep ? 1 : image->stride_px;
    const size_t first = s->is_steep ? (size_t)walk * image->stride_px + (size_t)low
                                     : (size_t)low * image->stride_px + (size_t)walk;
    const size_t n = (size_t)(high - low) + 1;
    const size_t at = (size_t)(low - middle + s->reach);
    if (image->px) {
        add_floats(image->px + first, step, n, a, at);
    } else {
        add_whole(image->px16 + first, step, n, a, at);
    }
}

/* Sums one segment: walk = from .. to - 1. */
static void fill_segment(const struct field *field, struct strip *s, size_t k, long from, long to) {
    const struct nw_image_view *const image = &field->image;
    const double middle = 0.5 * (double)(from + to - 1);
    const double across = across_at(s, middle);
    const long mx = lround(s->is_steep ? across : middle);
    const long my = lround(s->is_steep ? middle : across);
    float count[2 * REACH_MAX + 1] = {0.0F};
    struct across sums = {.cut = s->cut + k * strip_columns(s),
                          .full = s->full + k * strip_columns(s),
                          .count = count,
                          .noise = 1.0F};
    background_span(field->background, clamped(mx, image->width_px), 1,
                    clamped(my, image->height_px), &sums.sky, &sums.noise);
    for (long w = from; w < to; w++) {
        add_across(image, s, w, &sums);
    }
    for (size_t t = 0; t < strip_columns(s); t++) {
        sums.cut[t] = count[t] > 0.0F ? sums.cut[t] / count[t] : 0.0F;
        sums.full[t] = count[t] > 0.0F ? sums.full[t] / count[t] : 0.0F;
    }
}

struct strip_job {
    const struct field *field;
    struct strip *strip;
    double steps; /* of the whole walk */
};

static void fill_one(void *user, size_t k) {
    const struct strip_job *const job = user;
    struct strip *const s = job->strip;
    const long from = s->first + (long)((double)k * job->steps / (double)s->n);
    const long to = s->first + (long)((double)(k + 1) * job->steps / (double)s->n);
    fill_segment(job->field, s, k, from, to);
}

void strip_done(struct strip *s) {
    free(s->cut);
    s->cut = s->full = NULL;
}

enum nw_status strip_fill(const struct field *field, struct strip *s, struct nw_err *err) {
    const double dx = s->x1 - s->x0;
    const double dy = s->y1 - s->y0;
    s->is_steep = fabs(dy) > fabs(dx);
    if (s->is_steep ? dy < 0.0 : dx < 0.0) {
        const struct strip old = *s;
        s->x0 = old.x1;
        s->y0 = old.y1;
        s->x1 = old.x0;
        s->y1 = old.y0;
    }
    s->first = lround(s->is_steep ? s->y0 : s->x0);
    s->last = lround(s->is_steep ? s->y1 : s->x1);
    s->cosine = fmax(fabs(dx), fabs(dy)) / hypot(dx, dy);
    const double steps = (double)(s->last - s->first + 1);
    const double n = s->piece_px > 0.0 ? fmin(floor(steps / s->piece_px), PIECES_MAX)
                                       : fmin(floor(steps / SEGMENT_MIN_PX), SEGMENTS_MAX);
    s->n = n > 1.0 ? (size_t)n : 1;
    s->cut = nw_calloc(2 * s->n * strip_columns(s), sizeof *s->cut);
    if (!s->cut) {
        return nw_err_set(err, NW_NOMEM, "strip of %zu segments", s->n);
    }
    s->full = s->cut + s->n * strip_columns(s);
    struct strip_job job = {.field = field, .strip = s, .steps = steps};
    (void)nw_parallel_for(s->n, field->n_threads, fill_one, &job, NULL);
    return NW_OK;
}

/* Mean of three offsets about t, between whole ones straight. */
static double smooth_at(const struct strip *s, size_t k, double t) {
    const double at = fmin(fmax(t + s->reach, 1.0), (double)strip_columns(s) - 3.0);
    const size_t i = (size_t)at;
    const double f = at - (double)i;
    const float *const p = s->cut + k * strip_columns(s) + i;
    return ((1.0 - f) * (double)p[-1] + (double)p[0] + (double)p[1] + f * (double)p[2]) / 3.0;
}

/* Sum along the strip from offset a at its beginning to b at its end; values far beyond the usual
 * of their neighbours (stars) are cut at `top`. */
static double sum_along(const struct strip *s, double a, double b, double top) {
    double sum = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        const double f = s->n > 1 ? (double)k / ((double)s->n - 1.0) : 0.5;
        sum += fmin(smooth_at(s, k, a + f * (b - a)), top);
    }
    return sum;
}

NW_CLONES static void add_threes(const float *p, size_t n, double *sums) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        const float three = p[i] + p[i + 1] + p[i + 2];
        sums[i] += (double)three;
    }
}

/* The whole offsets of both ends, at most r, where the sum over three neighbours is largest: for
 * each rise from end to end all offsets at once. Between the ends a line is between their offsets,
 * at most one above (two segments), so three neighbours are inside the strip. */
static void best_ends(const struct strip *s, int *ret_a, int *ret_b) {
    const int r = s->reach - 3;
    const int n = (int)s->n;
    double best = -INFINITY;
    for (int rise = -2 * r; rise <= 2 * r; rise++) {
        const int low = rise < 0 ? -r - rise : -r;
        const size_t count = (size_t)(2 * r + 1 - abs(rise));
        double sums[2 * REACH_MAX + 1] = {0.0};
        for (int k = 0; k < n; k++) {
            const int up = n > 1 ? (rise * k + n / 2) / (n - 1) : 0;
            const float *const row = s->cut + (size_t)k * strip_columns(s);
            add_threes(row + (low + up + s->reach - 1), count, sums);
        }
        for (size_t i = 0; i < count; i++) {
            if (sums[i] > best) {
                best = sums[i];
                *ret_a = low + (int)i;
                *ret_b = *ret_a + rise;
            }
        }
    }
}

/* Moves the ends of the line across to where the sum is largest. */
static void straighten(struct strip *s) {
    int at_a = 0;
    int at_b = 0;
    best_ends(s, &at_a, &at_b);
    double best_a = at_a;
    double best_b = at_b;
    const double whole_a = best_a;
    const double whole_b = best_b;
    double best = -INFINITY;
    for (int i = -6; i <= 6; i++) {
        for (int j = -6; j <= 6; j++) {
            const double sum = sum_along(s, whole_a + 0.25 * i, whole_b + 0.25 * j, 4.0);
            if (sum > best) {
                best = sum;
                best_a = whole_a + 0.25 * i;
                best_b = whole_b + 0.25 * j;
            }
        }
    }
    if (s->is_steep) {
        s->x0 += best_a;
        s->x1 += best_b;
    } else {
        s->y0 += best_a;
        s->y1 += best_b;
    }
}

/* The ends moved along the line to where the frame ends. */
static void extend(const struct field *field, struct strip *s) {
    const double dx = s->x1 - s->x0;
    const double dy = s->y1 - s->y0;
    const double top_x = (double)field->image.width_px - 1.0;
    const double top_y = (double)field->image.height_px - 1.0;
    double low = -INFINITY;
    double high = INFINITY;
    if (fabs(dx) > 1e-9) {
        low = fmax(low, fmin(-s->x0 / dx, (top_x - s->x0) / dx));
        high = fmin(high, fmax(-s->x0 / dx, (top_x - s->x0) / dx));
    }
    if (fabs(dy) > 1e-9) {
        low = fmax(low, fmin(-s->y0 / dy, (top_y - s->y0) / dy));
        high = fmin(high, fmax(-s->y0 / dy, (top_y - s->y0) / dy));
    }
    if (high > low) {
        const struct strip old = *s;
        s->x0 = old.x0 + low * dx;
        s->y0 = old.y0 + low * dy;
        s->x1 = old.x0 + high * dx;
        s->y1 = old.y0 + high * dy;
    }
}

/* Straightens a line once: a strip about it, its ends moved. */
static enum nw_status adjust(const struct field *field, struct strip *s, int reach,
                             struct nw_err *err) {
    s->reach = reach;
    const enum nw_status status = strip_fill(field, s, err);
    if (status == NW_OK) {
        straighten(s);
    }
    strip_done(s);
    return status;
}

/* Segments of a full-length strip that the guess covers. */
static void guessed_part(const struct strip *s, const struct streak_guess *g, struct lights *l) {
    const double dx = s->x1 - s->x0;
    const double dy = s->y1 - s->y0;
    const double length2 = dx * dx + dy * dy;
    const double a = ((g->x0 - s->x0) * dx + (g->y0 - s->y0) * dy) / length2 * (double)s->n;
    const double b = ((g->x1 - s->x0) * dx + (g->y1 - s->y0) * dy) / length2 * (double)s->n;
    const double low = fmin(fmax(fmin(a, b), 0.0), (double)s->n - 1.0);
    const double high = fmin(fmax(fmax(a, b), low + 1.0), (double)s->n);
    l->from = (size_t)low;
    l->to = (size_t)ceil(high);
    l->to = l->to > l->from ? l->to : l->from + 1;
}

/* Light along and across the line through the whole frame; wider strips until the flanks are seen.
 */
static enum nw_status measure_line(const struct field *field, struct strip *s,
                                   const struct star_list *list, const struct streak_guess *part,
                                   struct nw_streak *ret, bool *ret_is_trail, struct nw_err *err) {
    struct lights lights = {.fwhm = fmax(list->fwhm_px, 2.5)};
    enum nw_status status = NW_OK;
    *ret_is_trail = false;
    for (int reach = 40; reach <= REACH_MAX && status == NW_OK; reach *= 2) {
        s->reach = reach;
        status = strip_fill(field, s, err);
        if (status != NW_OK) {
            break;
        }
        guessed_part(s, part, &lights);
        for (int round = 0; round < 2; round++) {
            lights_across(s, &lights);
            lights_along(s, &lights);
            lights_ends(s, &lights);
        }
        lights_across(s, &lights);
        const bool is_wide = lights.fwhm > 0.25 * reach;
        if (!is_wide) {
            *ret = lights_describe(s, &lights);
            *ret_is_trail = lights_are_trail(s, &lights, list, ret);
        }
        strip_done(s);
        if (!is_wide) {
            break;
        }
    }
    return status;
}

enum nw_status streak_refine(const struct field *field, const struct star_list *list,
                             const struct streak_guess *guess, struct nw_streak *ret,
                             bool *ret_is_trail, struct nw_err *err) {
    struct strip s = {.x0 = guess->x0, .y0 = guess->y0, .x1 = guess->x1, .y1 = guess->y1};
    struct streak_guess part = *guess;
    enum nw_status status = NW_OK;
    *ret_is_trail = false;
    *ret = (struct nw_streak){.length_px = 0.0};
    /* the stretch that is lit says best where the line runs, and that which stretch is lit */
    for (int round = 0; round < 3 && status == NW_OK; round++) {
        status = adjust(field, &s, round == 0 ? guess->reach : 8, err);
        if (status != NW_OK) {
            break;
        }
        part = (struct streak_guess){.x0 = s.x0, .y0 = s.y0, .x1 = s.x1, .y1 = s.y1};
        extend(field, &s);
        status = measure_line(field, &s, list, &part, ret, ret_is_trail, err);
        if (!(ret->snr > 0.7 * STREAK_SNR_MIN) || !(ret->length_px > 0.5 * STREAK_LENGTH_MIN_PX)) {
            break;
        }
        s = (struct strip){.x0 = ret->x0_px, .y0 = ret->y0_px, .x1 = ret->x1_px, .y1 = ret->y1_px};
    }
    if (status == NW_OK && *ret_is_trail) {
        status = streak_stands_out(field, ret, ret_is_trail, err);
    }
    if (status == NW_OK && *ret_is_trail && ret->snr < ROW_SNR_MAX) {
        status = streak_is_unbroken(field, list->fwhm_px, ret, ret_is_trail, err);
    }
    return status;
}
