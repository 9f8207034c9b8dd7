/* series.c - many frames, read and measured side by side.
 * Idea: one frame a thread; pixels are given back as soon as a frame is measured, so memory holds
 * as many frames as there are threads. A frame that cannot be measured keeps its own error; what to
 * do about it is the caller's. */
#include "image/image.h"

enum { READERS = 4 }; /* of one frame; more gain nothing: the memory is the limit */

struct series_job {
    struct nw_series *series;
    const struct nw_series_opts *opts;
};

static const char *pattern_of(const struct nw_frame *frame, const struct nw_series_opts *opts) {
    if (opts->pattern && opts->pattern[0] != '\0') {
        return opts->pattern;
    }
    const bool is_unsaid = frame->facts.bayer[0] == '\0' && frame->n_planes == 1;
    return is_unsaid && opts->pattern_if_unsaid ? opts->pattern_if_unsaid : frame->facts.bayer;
}

static void drop_stars(struct nw_measure *measure) {
    free(measure->stars);
    measure->stars = NULL;
    measure->n_stars = 0;
}

/* The brightest are the first. What cannot be made smaller stays as it is. */
static void trim_stars(struct nw_measure *measure, size_t keep) {
    if (keep > 0 && measure->n_stars > keep) {
        struct nw_star *const fewer = realloc(measure->stars, keep * sizeof *fewer);
        measure->stars = fewer ? fewer : measure->stars;
        measure->n_stars = keep;
    }
}

static enum nw_status measure_channels(struct nw_series_item *item,
                                       const struct nw_series_opts *opts, bool is_alone,
                                       struct nw_err *err) {
    const struct nw_frame *const frame = item->frame;
    struct nw_measure_opts measure_opts = opts->measure;
    /* several frames share the cores among them; one alone has them all */
    measure_opts.n_threads = is_alone ? opts->measure.n_threads : 1;
    const char *const pattern = pattern_of(frame, opts);
    const bool is_colour = frame->n_planes == 3 || pattern[0] != '\0';
    static const enum nw_channel COLOURS[3] = {NW_CHANNEL_R, NW_CHANNEL_G, NW_CHANNEL_B};
    const bool is_chosen = opts->channel != NW_CHANNEL_MONO;
    const size_t n = is_colour && !is_chosen ? 3 : 1;
    for (size_t i = 0; i < n; i++) {
        const enum nw_channel channel = !is_colour  ? NW_CHANNEL_MONO
                                        : is_chosen ? opts->channel
                                                    : COLOURS[i];
        const enum nw_status status =
            nw_measure_frame(frame, channel, pattern, &measure_opts, &item->measures[i], err);
        if (status != NW_OK) {
            return status;
        }
        if (opts->is_summary_only) {
            drop_stars(item->measures[i]);
        }
        trim_stars(item->measures[i], opts->keep_stars);
        item->n_measures++;
    }
    return NW_OK;
}

static void measure_item(void *user, size_t i) {
    const struct series_job *const job = user;
    struct nw_series_item *const item = &job->series->items[i];
    const bool is_alone = job->series->n == 1;
    const int n_threads = job->opts->measure.n_threads;
    const struct nw_frame_opts opts = {.keep_16_bit = true,
                                       .may_be_cut = job->opts->may_be_cut,
                                       .n_threads = !is_alone       ? 1
                                                    : n_threads > 0 ? n_threads
                                                                    : READERS};
    item->status = nw_frame_read(item->path, &opts, &item->frame, &item->err);
    if (item->status == NW_OK) {
        item->status = measure_channels(item, job->opts, is_alone, &item->err);
        nw_frame_drop_pixels(item->frame);
    }
}

enum nw_status nw_series_measure(const char *const *paths, size_t n,
                                 const struct nw_series_opts *opts,
                                 const struct nw_progress *progress, struct nw_series *ret,
                                 struct nw_err *err) {
    static const struct nw_series_opts DEFAULTS = {0};
    struct nw_series series = {.items = nw_calloc(n, sizeof *series.items), .n = n};
    if (!series.items) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", n);
    }
    for (size_t i = 0; i < n; i++) {
        series.items[i].path = nw_strdup(paths[i]);
        if (!series.items[i].path) {
            nw_series_done(&series);
            return nw_err_set(err, NW_NOMEM, "%zu frames", n);
        }
    }
    struct series_job job = {.series = &series, .opts = opts ? opts : &DEFAULTS};
    const int n_threads = opts ? opts->measure.n_threads : 0;
    (void)nw_parallel_for(n, n_threads, measure_item, &job, progress);
    *ret = series;
    return NW_OK;
}

void nw_series_done(struct nw_series *series) {
    if (!series) {
        return;
    }
    for (size_t i = 0; i < series->n; i++) {
        struct nw_series_item *const item = &series->items[i];
        for (size_t k = 0; k < item->n_measures; k++) {
            nw_measure_free(item->measures[k]);
        }
        nw_frame_free(item->frame);
        free(item->path);
    }
    free(series->items);
    *series = (struct nw_series){0};
}
