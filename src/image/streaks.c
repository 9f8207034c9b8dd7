/* streaks.c - trails of satellites, aircraft, meteors: the order of the steps.
 * Idea: long ones from sums over all lines of a coarse residual image, brightest first, each erased
 * before the next is sought; short bright ones from detections far longer than wide. Every
 * suspicion is looked at on the pixels (streak_line.c) before it counts. */
#include "image/streaks_internal.h"

enum { MISSES_MAX = 3, SHORT_MAX = 24, ANGLES = 90, ARM_PX = 24 };
static const double GUESS_SNR = 6.5;

static struct nw_streak line_of(const struct streak_guess *g) {
    const bool is_turned = g->x0 > g->x1;
    struct nw_streak t = {.x0_px = is_turned ? g->x1 : g->x0,
                          .y0_px = is_turned ? g->y1 : g->y0,
                          .x1_px = is_turned ? g->x0 : g->x1,
                          .y1_px = is_turned ? g->y0 : g->y1};
    t.length_px = hypot(t.x1_px - t.x0_px, t.y1_px - t.y0_px);
    t.angle_rad = atan2(t.y1_px - t.y0_px, t.x1_px - t.x0_px);
    return t;
}

static enum nw_status find_long(const struct field *field, const struct star_list *list,
                                struct nw_aspects *ret, struct nw_err *err) {
    struct streak_bins bins = {0};
    enum nw_status status = streak_bins_make(field, list->fwhm_px, &bins, err);
    int n_misses = 0;
    while (status == NW_OK && bins.z && n_misses < MISSES_MAX && ret->n_streaks < NW_STREAKS_MAX) {
        struct streak_guess guess;
        status = streak_radon(&bins, GUESS_SNR, field->n_threads, &guess, err);
        if (status != NW_OK || !(guess.snr > 0.0)) {
            break;
        }
        guess.reach = (int)(2 * bins.side + 6 < 40 ? 2 * bins.side + 6 : 40);
        struct nw_streak streak;
        bool is_trail = false;
        status = streak_refine(field, list, &guess, &streak, &is_trail, err);
        if (status == NW_OK && is_trail) {
            ret->streaks[ret->n_streaks++] = streak;
            streak_bins_erase(&bins, &streak, 1.5 * streak.width_px);
        }
        const struct nw_streak seen = line_of(&guess);
        streak_bins_erase(&bins, &seen, 0.0);
        n_misses += is_trail ? 0 : 1;
    }
    streak_bins_done(&bins);
    return status;
}

static bool is_on_streak(const struct nw_aspects *a, double x, double y) {
    for (size_t i = 0; i < a->n_streaks; i++) {
        const struct nw_streak *const t = &a->streaks[i];
        const double ux = cos(t->angle_rad);
        const double uy = sin(t->angle_rad);
        const double along = (x - t->x0_px) * ux + (y - t->y0_px) * uy;
        const double across = (y - t->y0_px) * ux - (x - t->x0_px) * uy;
        if (fabs(across) < 3.0 * t->width_px + 5.0 && along > -30.0 &&
            along < t->length_px + 30.0) {
            return true;
        }
    }
    return false;
}

/* The direction in which the light about a place is longest. */
static struct streak_guess direction_at(const struct field *field, double x, double y) {
    struct streak_guess best = {.snr = -INFINITY};
    struct window w;
    window_cut(field, x, y, ARM_PX, &w);
    const double cut = 6.0 * w.noise_adu;
    for (int a = 0; a < ANGLES; a++) {
        const double ux = cos(NW_PI * a / ANGLES);
        const double uy = sin(NW_PI * a / ANGLES);
        double sum = 0.0;
        for (int r = -ARM_PX; r <= ARM_PX; r++) {
            const long i = lround(x + r * ux) - w.x0;
            const long j = lround(y + r * uy) - w.y0;
            if (i >= 0 && j >= 0 && i < w.side && j < w.side) {
                const double value = (double)w.px[j * w.side + i];
                sum += isfinite(value) ? fmin(value, cut) : 0.0;
            }
        }
        if (sum > best.snr) {
            best = (struct streak_guess){
                x - ARM_PX * ux, y - ARM_PX * uy, x + ARM_PX * ux, y + ARM_PX * uy, sum, 8};
        }
    }
    return best;
}

static enum nw_status find_short(const struct field *field, const struct star_list *list,
                                 struct nw_aspects *ret, struct nw_err *err) {
    size_t n_long = 0;
    size_t n_clean = 0;
    for (size_t i = 0; i < list->n; i++) {
        const bool is_long = (list->stars[i].flags & NW_STAR_STREAK) != 0;
        n_long += is_long && !is_on_streak(ret, list->stars[i].x_px, list->stars[i].y_px);
        n_clean += !is_long;
    }
    if (n_long > SHORT_MAX || 4 * n_long > n_clean) {
        return NW_OK; /* all stars are trails: the mount, not satellites */
    }
    for (size_t i = 0; i < list->n && ret->n_streaks < NW_STREAKS_MAX; i++) {
        const struct nw_star *const s = &list->stars[i];
        if (!(s->flags & NW_STAR_STREAK) || is_on_streak(ret, s->x_px, s->y_px)) {
            continue;
        }
        const struct streak_guess guess = direction_at(field, s->x_px, s->y_px);
        struct nw_streak streak;
        bool is_trail = false;
        const enum nw_status status = streak_refine(field, list, &guess, &streak, &is_trail, err);
        if (status != NW_OK) {
            return status;
        }
        if (is_trail) {
            ret->streaks[ret->n_streaks++] = streak;
        }
    }
    return NW_OK;
}

static int by_light(const void *a, const void *b) {
    const struct nw_streak *const p = a;
    const struct nw_streak *const q = b;
    const double light = p->adu_per_px * p->length_px - q->adu_per_px * q->length_px;
    return light > 0.0 ? -1 : light < 0.0;
}

enum nw_status streaks_find(const struct field *field, const struct star_list *list,
                            struct nw_aspects *ret, struct nw_err *err) {
    ret->n_streaks = 0;
    enum nw_status status = find_long(field, list, ret, err);
    if (status == NW_OK) {
        status = find_short(field, list, ret, err);
    }
    qsort(ret->streaks, ret->n_streaks, sizeof *ret->streaks, by_light);
    return status;
}
