/* rig_facts.c - what the headers of a folder of frames say about the rig, for a draft.
 * Idea: a folder holds frames of several kinds (lights, flats, guide frames). Only those of the
 * most frequent camera and size among the lights count, so that two cameras are never mixed. */
#include <math.h>

#include "cli/cli.h"
#include "cli/rig_internal.h"
#include "image/image.h"

enum { MAX_FRAMES = 4000, MAX_DEPTH = 2 };

struct headers {
    struct header {
        struct nw_frame_facts facts;
        size_t width_px, height_px;
        bool is_light;
    } * items;
    size_t n;
};

static bool holds_word(const char *text, const char *word) {
    const size_t n = strlen(word);
    for (; *text; text++) {
        if (strncasecmp(text, word, n) == 0) {
            return true;
        }
    }
    return false;
}

/* A frame that does not say what it is counts as a light frame. */
static bool is_light(const struct nw_frame_facts *facts) {
    static const char *const OTHERS[] = {"dark", "flat", "bias", "offset"};
    for (size_t i = 0; i < sizeof OTHERS / sizeof OTHERS[0]; i++) {
        if (holds_word(facts->image_type, OTHERS[i])) {
            return false;
        }
    }
    return true;
}

/* Frames that cannot be read are warned of and left out. */
static void read_headers(const struct nw_paths *paths, struct headers *headers) {
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "reading headers");
    const struct nw_frame_opts opts = {.header_only = true};
    for (size_t i = 0; i < paths->n && headers->n < MAX_FRAMES; i++) {
        struct nw_err err = {0};
        struct nw_frame *frame = NULL;
        (void)progress.tell(progress.user, i, paths->n);
        if (nw_frame_read(paths->items[i], &opts, &frame, &err) != NW_OK) {
            cli_warn("left out: %s", err.text);
            continue;
        }
        headers->items[headers->n++] = (struct header){.facts = frame->facts,
                                                       .width_px = frame->width_px,
                                                       .height_px = frame->height_px,
                                                       .is_light = is_light(&frame->facts)};
        nw_frame_free(frame);
    }
    cli_progress_end(&bar);
}

static bool is_same_camera(const struct header *a, const struct header *b) {
    return a->is_light == b->is_light && a->width_px == b->width_px &&
           a->height_px == b->height_px && strcmp(a->facts.camera, b->facts.camera) == 0;
}

/* The first frame of the largest group; lights win over all else. */
static const struct header *largest_group(const struct headers *headers, size_t *ret_n) {
    const struct header *best = NULL;
    size_t best_n = 0;
    for (size_t i = 0; i < headers->n; i++) {
        size_t n = 0;
        for (size_t k = 0; k < headers->n; k++) {
            n += is_same_camera(&headers->items[i], &headers->items[k]);
        }
        const bool is_light = headers->items[i].is_light;
        if (!best || (is_light && !best->is_light) || (is_light == best->is_light && n > best_n)) {
            best = &headers->items[i];
            best_n = n;
        }
    }
    *ret_n = best_n;
    return best;
}

static void take(double *to, double from) {
    if (!isfinite(*to)) {
        *to = from;
    }
}

static void take_text(char *to, size_t size, const char *from) {
    if (to[0] == '\0') {
        nw_text_copy(to, size, from);
    }
}

static void take_filter(struct nw_rig_facts *to, const char *name) {
    const size_t room = sizeof to->filters / sizeof to->filters[0];
    for (size_t i = 0; i < to->n_filters; i++) {
        if (strcmp(to->filters[i], name) == 0) {
            return;
        }
    }
    if (name[0] != '\0' && to->n_filters < room) {
        nw_text_copy(to->filters[to->n_filters++], sizeof to->filters[0], name);
    }
}

static void take_frame(struct nw_rig_facts *to, const struct nw_frame_facts *from) {
    take_text(to->camera, sizeof to->camera, from->camera);
    take_text(to->telescope, sizeof to->telescope, from->telescope);
    take_text(to->pattern, sizeof to->pattern, from->bayer);
    take_filter(to, from->filter);
    take(&to->pixel_m, from->pixel_m);
    take(&to->binning, from->binning);
    take(&to->focal_length_m, from->focal_length_m);
    take(&to->aperture_m, from->aperture_m);
    take(&to->gain_e_per_adu, from->gain_e_per_adu);
    take(&to->read_noise_e, from->read_noise_e);
    take(&to->gain_setting, from->gain_setting);
    take(&to->offset_setting, from->offset_setting);
    take(&to->set_temperature_K, from->set_temperature_K);
    take(&to->saturation_adu, from->saturation_adu);
    take(&to->latitude_rad, from->latitude_rad);
    take(&to->longitude_rad, from->longitude_rad);
    take(&to->elevation_m, from->elevation_m);
}

static double most_frequent_exposure(const struct headers *headers, const struct header *group) {
    double best_s = NAN;
    size_t best_n = 0;
    for (size_t i = 0; i < headers->n; i++) {
        const double exposure_s = headers->items[i].facts.exposure_s;
        size_t n = 0;
        for (size_t k = 0; k < headers->n; k++) {
            n += is_same_camera(group, &headers->items[k]) &&
                 fabs(headers->items[k].facts.exposure_s - exposure_s) < 1e-3;
        }
        if (n > best_n) {
            best_n = n;
            best_s = exposure_s;
        }
    }
    return best_s;
}

static void sum_up(const struct headers *headers, struct nw_rig_facts *ret) {
    size_t n = 0;
    const struct header *const group = largest_group(headers, &n);
    *ret = (struct nw_rig_facts){
        .width_px = group->width_px,
        .height_px = group->height_px,
        .pixel_m = NAN,
        .binning = NAN,
        .focal_length_m = NAN,
        .aperture_m = NAN,
        .gain_e_per_adu = NAN,
        .read_noise_e = NAN,
        .gain_setting = NAN,
        .offset_setting = NAN,
        .set_temperature_K = NAN,
        .exposure_s = most_frequent_exposure(headers, group),
        .saturation_adu = NAN,
        .latitude_rad = NAN,
        .longitude_rad = NAN,
        .elevation_m = NAN,
        .n_frames = n,
    };
    for (size_t i = 0; i < headers->n; i++) {
        if (is_same_camera(group, &headers->items[i])) {
            take_frame(ret, &headers->items[i].facts);
        }
    }
    if (n < headers->n) {
        cli_warn("%zu of %zu frames used: the others are no light frames, or of another camera or "
                 "size",
                 n, headers->n);
    }
}

enum nw_status cli_rig_facts(const char *folder, struct nw_rig_facts *ret, struct nw_err *err) {
    static const char *const ENDINGS[] = {".fits",    ".fit",    ".fts",    ".fits.fz", ".fit.fz",
                                          ".fits.gz", ".fit.gz", ".fts.gz", NULL};
    struct nw_paths paths = {0};
    struct headers headers = {NULL, 0};
    enum nw_status status = nw_file_list(folder, ENDINGS, MAX_DEPTH, &paths, err);
    if (status != NW_OK) {
        goto done;
    }
    headers.items = nw_calloc(paths.n < MAX_FRAMES ? paths.n : MAX_FRAMES, sizeof *headers.items);
    if (!headers.items) {
        status = nw_err_set(err, NW_NOMEM, "headers of %zu frames", paths.n);
        goto done;
    }
    read_headers(&paths, &headers);
    if (headers.n == 0) {
        status = nw_err_set(err, NW_NOTFOUND,
                            "%s: no readable frames, expected files that end in .fits, .fit, .fts, "
                            ".fz or .gz",
                            folder);
        goto done;
    }
    sum_up(&headers, ret);
done:
    free(headers.items);
    nw_paths_done(&paths);
    return status;
}
