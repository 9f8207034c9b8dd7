/* folder.c - a folder of frames becomes the list that is analysed.
 * Idea: all headers first (cheap), which decides what is a light frame; then the pixels, all of
 * them or an even subset when there are so many that the answer would keep its reader waiting. */
#include <math.h>

#include "look/look_internal.h"

/* What a frame takes on one core: 0.08 s for 1.5 Mpx with 600 stars, 0.13 to 0.20 s for 26 Mpx with
 * 40 to 3000 (docs/performance.md), half of it again for a processor that is not new; and two bytes
 * a pixel from a disk that gives 500 MB/s. All in all about ten seconds on two cores. */
static const double FRAME_COST_S = 0.1;
static const double PIXEL_COST_S = 8e-9;
static const double BUDGET_S = 20.0;
/* Few frames: every star counts for the map of the field. Many: they make up for it together. */
enum { SUBSET_MIN = 12, MAX_STARS = 3000, FEW_FRAMES = 12, FIT_STARS = 150, FIT_STARS_FEW = 1000 };

/* Green of a colour frame: the most light, and the middle of the visible. */
static enum nw_channel channel_of(const struct nw_frame *frame) {
    const bool is_colour = frame->n_planes == 3 || frame->facts.bayer[0] != '\0';
    return is_colour ? NW_CHANNEL_G : NW_CHANNEL_MONO;
}

static enum nw_status skip(struct nw_look *look, const char *path, const char *why,
                           struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&look->skipped, &look->skipped_cap, look->n_skipped + 1,
                sizeof *look->skipped, (size_t)1 << 20, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_look_skipped *const skipped = &look->skipped[look->n_skipped];
    skipped->path = nw_strdup(path);
    if (!skipped->path) {
        return nw_err_set(err, NW_NOMEM, "%s", path);
    }
    nw_text_copy(skipped->why, sizeof skipped->why, why);
    look->n_skipped++;
    return NW_OK;
}

/* A frame read by its header alone goes to its place: light frames into the list, which keeps the
 * header. */
static enum nw_status sort_in(struct nw_look *look, struct nw_frame **header, size_t n_max,
                              size_t *cap, struct nw_err *err) {
    const struct nw_frame *const frame = *header;
    switch (nw_frame_use_of(&frame->facts)) {
    case NW_USE_BIAS:
        look->n_bias++;
        return NW_OK;
    case NW_USE_DARK:
        look->n_dark++;
        return NW_OK;
    case NW_USE_FLAT:
        look->n_flat++;
        return NW_OK;
    case NW_USE_OTHER:
        look->n_other++;
        return NW_OK;
    case NW_USE_LIGHT:
        break;
    }
    const enum nw_status status =
        nw_grow((void **)&look->frames, cap, look->n_frames + 1, sizeof *look->frames, n_max, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_look_frame *const entry = &look->frames[look->n_frames];
    *entry = (struct nw_look_frame){.path = nw_strdup(frame->path),
                                    .facts = frame->facts,
                                    .width_px = frame->width_px,
                                    .height_px = frame->height_px,
                                    .n_planes = frame->n_planes,
                                    .channel = channel_of(frame),
                                    .transmission = {.value = NAN, .sigma = NAN, .patchy = NAN}};
    if (!entry->path) {
        return nw_err_set(err, NW_NOMEM, "%s", frame->path);
    }
    entry->header = *header;
    *header = NULL;
    look->n_frames++;
    return NW_OK;
}

static enum nw_status read_headers(struct nw_look *look, const struct nw_paths *paths,
                                   struct nw_err *err) {
    const struct nw_frame_opts header_only = {.header_only = true};
    size_t cap = 0;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < paths->n && status == NW_OK; i++) {
        struct nw_frame *frame = NULL;
        struct nw_err why = {0};
        if (nw_frame_read(paths->items[i], &header_only, &frame, &why) == NW_OK) {
            status = sort_in(look, &frame, paths->n, &cap, err);
        } else {
            status = skip(look, paths->items[i], why.text, err);
        }
        nw_frame_free(frame);
    }
    look->n_files = paths->n;
    return status;
}

/* How many frames of a group of n are measured, and is the k-th one of them? Evenly spread, first
 * and last included. */
static bool is_chosen(size_t k, size_t n, size_t n_chosen) {
    if (n_chosen >= n) {
        return true;
    }
    for (size_t i = 0; i < n_chosen; i++) {
        if (i * (n - 1) / (n_chosen - 1) == k) {
            return true;
        }
    }
    return false;
}

static double cost_of_s(const struct nw_look_frame *frame) {
    return FRAME_COST_S + PIXEL_COST_S * (double)frame->width_px * (double)frame->height_px;
}

/* Marks the frames to be measured; those that are left out keep measure NULL. */
static size_t choose(struct nw_look *look, const struct nw_look_opts *opts, size_t *chosen) {
    double total = 0.0;
    for (size_t i = 0; i < look->n_frames; i++) {
        total += cost_of_s(&look->frames[i]);
    }
    const double share = opts->all || total <= BUDGET_S ? 1.0 : BUDGET_S / total;
    size_t n = 0;
    for (size_t g = 0; g < look->n_groups; g++) {
        const struct nw_look_group *const group = &look->groups[g];
        const size_t wanted = (size_t)ceil(share * (double)group->n_frames);
        const size_t n_chosen = wanted > SUBSET_MIN ? wanted : SUBSET_MIN;
        for (size_t k = 0; k < group->n_frames; k++) {
            if (is_chosen(k, group->n_frames, n_chosen)) {
                chosen[n++] = group->frames[k];
            }
        }
    }
    look->is_subset = n < look->n_frames;
    return n;
}

/* Hands the measures to the frames; failures become skipped files. */
static enum nw_status take_results(struct nw_look *look, struct nw_series *series,
                                   const size_t *chosen, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < series->n && status == NW_OK; i++) {
        struct nw_look_frame *const frame = &look->frames[chosen[i]];
        struct nw_series_item *const item = &series->items[i];
        if (item->status == NW_NOMEM) {
            status = nw_err_set(err, NW_NOMEM, "%s", item->err.text);
        } else if (item->status != NW_OK) {
            status = skip(look, item->path, item->err.text, err);
            frame->is_skipped = true;
        } else {
            frame->measure = item->measures[0];
            item->n_measures = 0; /* handed over */
        }
    }
    return status;
}

/* Frames whose pixels could not be read leave the list; it is grouped anew. */
static void drop_skipped(struct nw_look *look) {
    size_t n = 0;
    for (size_t i = 0; i < look->n_frames; i++) {
        if (look->frames[i].is_skipped) {
            free(look->frames[i].path);
            nw_frame_free(look->frames[i].header);
        } else {
            look->frames[n++] = look->frames[i];
        }
    }
    look->n_frames = n;
}

static enum nw_status measure_frames(struct nw_look *look, const struct nw_look_opts *opts,
                                     const struct nw_progress *progress, struct nw_err *err) {
    const bool is_few = look->n_frames <= FEW_FRAMES;
    const struct nw_series_opts series_opts = {
        .measure = {.max_stars = MAX_STARS,
                    .fit_stars = is_few ? FIT_STARS_FEW : FIT_STARS,
                    .n_threads = opts->n_threads},
        .channel = NW_CHANNEL_G};
    size_t *const chosen = nw_calloc(look->n_frames, sizeof *chosen);
    const char **const paths = nw_calloc(look->n_frames, sizeof *paths);
    struct nw_series series = {0};
    enum nw_status status = NW_OK;
    if (!chosen || !paths) {
        status = nw_err_set(err, NW_NOMEM, "list of %zu frames", look->n_frames);
        goto done;
    }
    const size_t n = choose(look, opts, chosen);
    for (size_t i = 0; i < n; i++) {
        paths[i] = look->frames[chosen[i]].path;
    }
    status = nw_series_measure(paths, n, &series_opts, progress, &series, err);
    status = status == NW_OK ? take_results(look, &series, chosen, err) : status;
done:
    nw_series_done(&series);
    free((void *)paths);
    free(chosen);
    return status;
}

/* The frames of one group and target, listed by their indices. */
static enum nw_status compare_these(struct nw_look *look, const size_t *index, size_t n,
                                    struct nw_err *err) {
    const struct nw_measure **const measures = nw_calloc(n, sizeof(void *));
    double *const exposure_s = nw_calloc(n, sizeof *exposure_s);
    struct nw_transmission *const result = nw_calloc(n, sizeof *result);
    enum nw_status status = NW_OK;
    if (!measures || !exposure_s || !result) {
        status = nw_err_set(err, NW_NOMEM, "transmission of %zu frames", n);
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        measures[i] = look->frames[index[i]].measure;
        exposure_s[i] = look->frames[index[i]].facts.exposure_s;
    }
    status = nw_transmission_solve(measures, exposure_s, n, result, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        look->frames[index[i]].transmission = result[i];
    }
done:
    free((void *)measures);
    free(exposure_s);
    free(result);
    return status;
}

/* Each group and target for itself: only the same stars can be compared. */
static enum nw_status compare_light(struct nw_look *look, struct nw_err *err) {
    size_t *const index = nw_calloc(look->n_frames, sizeof *index);
    bool *const is_done = nw_calloc(look->n_frames, sizeof *is_done);
    enum nw_status status =
        index && is_done ? NW_OK : nw_err_set(err, NW_NOMEM, "list of %zu frames", look->n_frames);
    for (size_t i = 0; i < look->n_frames && status == NW_OK; i++) {
        size_t n = 0;
        for (size_t k = i; k < look->n_frames && !is_done[i]; k++) {
            const struct nw_look_frame *const frame = &look->frames[k];
            if (frame->measure && frame->group == look->frames[i].group &&
                strcmp(frame->facts.object, look->frames[i].facts.object) == 0) {
                index[n++] = k;
            }
        }
        for (size_t k = 0; k < n; k++) {
            is_done[index[k]] = true;
        }
        status = n >= 2 ? compare_these(look, index, n, err) : NW_OK;
    }
    free(index);
    free(is_done);
    return status;
}

static enum nw_status list_folder(const char *folder, const struct nw_look_opts *opts,
                                  struct nw_paths *paths, struct nw_err *err) {
    static const char *const ENDINGS[] = {".fits", ".fit",     ".fts",    ".fits.fz", ".fit.fz",
                                          ".fz",   ".fits.gz", ".fit.gz", ".fts.gz",  NULL};
    const enum nw_status status = nw_file_list(folder, ENDINGS, opts->max_depth, paths, err);
    if (status == NW_OK && paths->n == 0) {
        return nw_err_set(err, NW_NOTFOUND,
                          "%s: no FITS file in this folder (.fits .fit .fts, "
                          "also .fz and .gz)",
                          folder);
    }
    return status;
}

static enum nw_status fail_without_light(const struct nw_look *look, const char *folder,
                                         struct nw_err *err) {
    if (look->n_skipped == look->n_files) {
        return nw_err_set(err, NW_NOTFOUND, "%s: none of the %zu FITS files can be read; first: %s",
                          folder, look->n_files, look->skipped[0].why);
    }
    return nw_err_set(err, NW_NOTFOUND,
                      "%s: no light frame among %zu FITS files (%zu bias, %zu dark, %zu flat, %zu "
                      "of other types, %zu unreadable)",
                      folder, look->n_files, look->n_bias, look->n_dark, look->n_flat,
                      look->n_other, look->n_skipped);
}

enum nw_status nw_look_folder(const char *folder, const struct nw_look_opts *opts,
                              const struct nw_progress *progress, struct nw_look **ret,
                              struct nw_err *err) {
    struct nw_paths paths = {0};
    struct nw_look *look = nw_calloc(1, sizeof *look);
    enum nw_status status = look ? NW_OK : nw_err_set(err, NW_NOMEM, "look at %s", folder);
    status = status == NW_OK ? list_folder(folder, opts, &paths, err) : status;
    status = status == NW_OK ? read_headers(look, &paths, err) : status;
    if (status == NW_OK && look->n_frames == 0) {
        status = fail_without_light(look, folder, err);
    }
    status = status == NW_OK ? look_prepare(look, err) : status;
    status = status == NW_OK ? measure_frames(look, opts, progress, err) : status;
    if (status == NW_OK && look->n_skipped > 0) {
        drop_skipped(look);
        if (look->n_frames == 0) {
            status = fail_without_light(look, folder, err);
        }
        status = status == NW_OK ? look_prepare(look, err) : status;
    }
    status = status == NW_OK ? compare_light(look, err) : status;
    status = status == NW_OK ? look_finish(look, err) : status;
    if (status == NW_OK) {
        *ret = look;
        look = NULL;
    }
    nw_look_free(look);
    nw_paths_done(&paths);
    return status;
}
