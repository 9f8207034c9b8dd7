/* nights.c - time lost between subs.
 * Idea: per camera, subs that follow each other within four hours are one night. The median gap is
 * what each sub costs (download, dither, settling); what a long gap is longer is a loss of its own:
 * focus run, flip, cloud, a stop. */
#include <math.h>

#include "look/look_internal.h"

static const double NIGHT_BREAK_S = 4.0 * 3600.0;
static const double LONG_FACTOR = 3.0;
static const double LONG_EXTRA_S = 30.0;
static const double OVERLAP_S = 0.5; /* header times are often rounded to the second */
static const double PATTERN_EXTRA_S = 2.0;
enum { PATTERN_MIN = 2, PATTERN_MAX = 12, PATTERN_ROUNDS = 3 };

static double end_of(const struct nw_look_frame *frame) {
    return frame->facts.t_start_utc_s +
           (isfinite(frame->facts.exposure_s) ? frame->facts.exposure_s : 0.0);
}

/* The gaps of one night, in order. */
struct gaps {
    struct nw_look_gap *items;
    double *work;
    size_t n;
};

static double median_gap(const struct gaps *gaps) {
    for (size_t i = 0; i < gaps->n; i++) {
        gaps->work[i] = gaps->items[i].gap_s;
    }
    return gaps->n ? nw_stat_median(gaps->work, gaps->n) : NAN;
}

static bool is_long(const struct nw_look_night *night, double gap_s) {
    return gap_s > LONG_FACTOR * night->usual_gap_s && gap_s > night->usual_gap_s + LONG_EXTRA_S;
}

/* Does every n-th gap, counted between long ones, stand out? The class that is longer must have its
 * shortest above the longest of the others by PATTERN_EXTRA_S, nine times in ten. */
static double pattern_extra(const struct nw_look_night *night, const struct gaps *gaps,
                            size_t every, size_t phase) {
    double sum_in = 0.0;
    double sum_out = 0.0;
    size_t n_in = 0;
    size_t n_out = 0;
    for (size_t i = 0; i < gaps->n; i++) {
        if (is_long(night, gaps->items[i].gap_s)) {
            continue;
        }
        const bool is_in = i % every == phase;
        sum_in += is_in ? gaps->items[i].gap_s : 0.0;
        sum_out += is_in ? 0.0 : gaps->items[i].gap_s;
        n_in += is_in ? 1 : 0;
        n_out += is_in ? 0 : 1;
    }
    if (n_in < PATTERN_ROUNDS || n_out < PATTERN_ROUNDS) {
        return 0.0;
    }
    const double extra = sum_in / (double)n_in - sum_out / (double)n_out;
    const double middle = 0.5 * (sum_in / (double)n_in + sum_out / (double)n_out);
    size_t n_wrong = 0;
    for (size_t i = 0; i < gaps->n; i++) {
        const double gap_s = gaps->items[i].gap_s;
        if (!is_long(night, gap_s)) {
            n_wrong += (i % every == phase) != (gap_s > middle) ? 1 : 0;
        }
    }
    return 10 * n_wrong <= n_in ? extra : 0.0;
}

static void find_pattern(struct nw_look_night *night, const struct gaps *gaps) {
    for (size_t every = PATTERN_MIN; every <= PATTERN_MAX && night->every_n == 0; every++) {
        for (size_t phase = 0; phase < every; phase++) {
            const double extra_s = pattern_extra(night, gaps, every, phase);
            if (extra_s > PATTERN_EXTRA_S) {
                night->every_n = every;
                night->every_extra_s = extra_s;
            }
        }
    }
}

static int longer_first(const void *a, const void *b) {
    const struct nw_look_gap *const gap_a = a;
    const struct nw_look_gap *const gap_b = b;
    if (gap_a->gap_s > gap_b->gap_s || gap_a->gap_s < gap_b->gap_s) {
        return gap_a->gap_s > gap_b->gap_s ? -1 : 1;
    }
    return gap_a->after < gap_b->after ? -1 : 1;
}

/* Walks through the frames: gaps, overlaps, the time that was covered. */
static void walk(const struct nw_look *look, const size_t *frames, struct nw_look_night *night,
                 struct gaps *gaps) {
    night->t_first_s = look->frames[frames[0]].facts.t_start_utc_s;
    night->t_last_s = end_of(&look->frames[frames[0]]);
    for (size_t i = 1; i < night->n_subs; i++) {
        const struct nw_look_frame *const frame = &look->frames[frames[i]];
        const double gap_s = frame->facts.t_start_utc_s - night->t_last_s;
        if (gap_s < -OVERLAP_S) {
            night->n_overlaps++;
        } else {
            gaps->items[gaps->n++] =
                (struct nw_look_gap){frames[i - 1], frames[i], fmax(gap_s, 0.0)};
            night->between_s += fmax(gap_s, 0.0);
        }
        night->t_last_s = fmax(night->t_last_s, end_of(frame));
    }
    /* copies of a sub do not count twice */
    night->exposing_s = night->t_last_s - night->t_first_s - night->between_s;
}

/* From the frames of one camera in one night, indices in time order. */
static enum nw_status fill_night(const struct nw_look *look, const size_t *frames, size_t n,
                                 struct nw_look_night *night, struct nw_err *err) {
    struct gaps gaps = {nw_calloc(n, sizeof *gaps.items), nw_calloc(n, sizeof *gaps.work), 0};
    night->long_gaps = nw_calloc(n, sizeof *night->long_gaps);
    enum nw_status status = NW_OK;
    if (!gaps.items || !gaps.work || !night->long_gaps) {
        status = nw_err_set(err, NW_NOMEM, "gaps of %zu subs", n);
        goto done;
    }
    nw_text_copy(night->camera, sizeof night->camera, look->frames[frames[0]].facts.camera);
    night->n_subs = n;
    walk(look, frames, night, &gaps);
    night->usual_gap_s = median_gap(&gaps);
    for (size_t i = 0; i < gaps.n; i++) {
        if (is_long(night, gaps.items[i].gap_s)) {
            night->lost_long_s += gaps.items[i].gap_s - night->usual_gap_s;
            night->long_gaps[night->n_long_gaps++] = gaps.items[i];
        }
    }
    night->lost_usual_s = night->between_s - night->lost_long_s;
    find_pattern(night, &gaps);
    qsort(night->long_gaps, night->n_long_gaps, sizeof *night->long_gaps, longer_first);
done:
    free(gaps.items);
    free(gaps.work);
    return status;
}

/* Collects the frames of the camera of frames[first] that belong to the same night; marks them. */
static size_t collect(const struct nw_look *look, size_t first, bool *is_taken, size_t *indices) {
    const char *const camera = look->frames[first].facts.camera;
    size_t n = 0;
    double end_s = -INFINITY;
    for (size_t i = first; i < look->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[i];
        const double start_s = frame->facts.t_start_utc_s;
        if (is_taken[i] || !isfinite(start_s) || strcmp(frame->facts.camera, camera) != 0) {
            continue;
        }
        if (n > 0 && start_s > end_s + NIGHT_BREAK_S) {
            break;
        }
        is_taken[i] = true;
        indices[n++] = i;
        end_s = fmax(end_s, end_of(frame));
    }
    return n;
}

enum nw_status look_nights(struct nw_look *look, struct nw_err *err) {
    enum nw_status status = NW_OK;
    bool *const is_taken = nw_calloc(look->n_frames, sizeof *is_taken);
    size_t *const indices = nw_calloc(look->n_frames, sizeof *indices);
    size_t cap = 0;
    if (!is_taken || !indices) {
        status = nw_err_set(err, NW_NOMEM, "nights of %zu frames", look->n_frames);
        goto done;
    }
    for (size_t i = 0; i < look->n_frames && status == NW_OK; i++) {
        if (is_taken[i] || !isfinite(look->frames[i].facts.t_start_utc_s)) {
            continue;
        }
        const size_t n = collect(look, i, is_taken, indices);
        status = nw_grow((void **)&look->nights, &cap, look->n_nights + 1, sizeof *look->nights,
                         look->n_frames, err);
        if (status == NW_OK) {
            struct nw_look_night *const night = &look->nights[look->n_nights++];
            *night = (struct nw_look_night){0};
            status = fill_night(look, indices, n, night, err);
        }
    }
done:
    free(is_taken);
    free(indices);
    return status;
}
