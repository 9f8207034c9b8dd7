/* cmd_sensor.c - the camera by its own bias, dark and flat frames. */
#include "cli/keep.h"
#include "report/report_sensor.h"
#include "rig/rig.h"

struct work {
    struct nw_paths paths;
    struct nw_sensor_frame *frames;
    struct nw_frame **headers; /* whose paths the frames borrow */
    struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_sensor sensor;
};

static enum nw_status add(struct work *w, const char *const *given, size_t n, enum nw_frame_use use,
                          struct nw_err *err) {
    const size_t first = w->paths.n;
    enum nw_status status = cli_frame_paths(given, n, &w->paths, err);
    if (status == NW_OK && w->paths.n > first) {
        struct nw_sensor_frame *const frames = realloc(w->frames, w->paths.n * sizeof *w->frames);
        w->frames = frames ? frames : w->frames;
        if (!frames) {
            return nw_err_set(err, NW_NOMEM, "%zu frames", w->paths.n);
        }
        for (size_t i = first; i < w->paths.n; i++) {
            w->frames[i] = (struct nw_sensor_frame){.use = use};
        }
    }
    return status;
}

/* A session of the book is one that has a dark, else one that has a flat. */
static enum nw_status add_session(const struct cli_args *args, struct work *w, struct nw_err *err) {
    enum nw_status status = cli_session_paths(args, NW_USE_DARK, &w->paths, err);
    if (status == NW_NOTFOUND) {
        status = cli_session_paths(args, NW_USE_FLAT, &w->paths, err);
    }
    w->frames = status == NW_OK ? nw_calloc(w->paths.n + 1, sizeof *w->frames) : NULL;
    if (status == NW_OK && !w->frames) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", w->paths.n);
    }
    for (size_t i = 0; i < w->paths.n && status == NW_OK; i++) {
        w->frames[i] = (struct nw_sensor_frame){.use = NW_USE_OTHER};
    }
    return status;
}

/* Options say what a frame is; else its header does. */
static enum nw_status list_frames(const struct cli_args *args, struct work *w, struct nw_err *err) {
    static const struct {
        const char *name;
        enum nw_frame_use use;
    } LISTS[] = {{"bias", NW_USE_BIAS}, {"dark", NW_USE_DARK}, {"flat", NW_USE_FLAT}};
    enum nw_status status = add(w, cli_positional(args), cli_n_args(args), NW_USE_OTHER, err);
    for (size_t k = 0; k < 3 && status == NW_OK; k++) {
        size_t n = 0;
        const char *const *const given = cli_texts(args, LISTS[k].name, &n);
        status = add(w, given, n, LISTS[k].use, err);
    }
    if (status == NW_OK) {
        status = w->paths.n == 0 ? add_session(args, w, err) : cli_no_session(args, err);
    }
    if (status == NW_OK && w->paths.n == 0) {
        return nw_err_set(err, NW_USAGE,
                          "no frames; expected bias, dark and flat frames, or folders of them, or "
                          "--book or --night for a session of the book");
    }
    return status;
}

static enum nw_status read_headers(struct work *w, struct nw_err *err) {
    const struct nw_frame_opts opts = {.header_only = true};
    w->headers = nw_calloc(w->paths.n, sizeof(struct nw_frame *));
    if (!w->headers) {
        return nw_err_set(err, NW_NOMEM, "%zu headers", w->paths.n);
    }
    for (size_t i = 0; i < w->paths.n; i++) {
        const enum nw_status status = nw_frame_read(w->paths.items[i], &opts, &w->headers[i], err);
        if (status != NW_OK) {
            return status;
        }
        const struct nw_frame *const h = w->headers[i];
        const enum nw_frame_use use = w->frames[i].use;
        w->frames[i] = (struct nw_sensor_frame){
            .path = w->paths.items[i],
            .use = use != NW_USE_OTHER ? use : nw_frame_use_of(&h->facts),
            .width_px = h->width_px,
            .height_px = h->height_px,
            .data_max_adu = h->data_max_adu,
            .facts = h->facts,
        };
    }
    return NW_OK;
}

static enum nw_status read_pixels(void *user, size_t i, struct nw_frame **ret, struct nw_err *err) {
    const struct work *const w = user;
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    return nw_frame_read(w->paths.items[i], &opts, ret, err);
}

static enum nw_status analyse(const struct cli_args *args, struct work *w, struct nw_err *err) {
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "reading");
    const struct nw_sensor_source source = {.read = read_pixels, .user = w, .progress = &progress};
    const struct nw_sensor_opts opts = {
        .n_threads = (int)cli_count(args, "threads", 0),
        .pattern = w->setup && w->setup->camera.pattern[0] ? w->setup->camera.pattern : NULL,
    };
    const enum nw_status status =
        nw_sensor_analyse(w->frames, w->paths.n, &source, &opts, &w->sensor, err);
    cli_progress_end(&bar);
    return status;
}

static enum nw_status read_rig(const struct cli_args *args, struct work *w, struct nw_err *err) {
    const char *const path = cli_text(args, "rig");
    if (!path) {
        return cli_given(args, "setup") ? nw_err_set(err, NW_USAGE, "--setup belongs to --rig")
                                        : NW_OK;
    }
    const enum nw_status status = nw_rig_read(path, NULL, 0, &w->rig, err);
    return status == NW_OK ? nw_rig_find_setup(w->rig, cli_text(args, "setup"), &w->setup, err)
                           : status;
}

static enum nw_status keep(const struct cli_args *args, const struct work *w,
                           const struct nw_sensor_report *report, struct cli_result *result,
                           struct nw_err *err) {
    struct nw_about about;
    json_t *document = NULL;
    nw_about_init(&about, w->rig, w->setup);
    for (size_t i = 0; i < w->paths.n; i++) {
        nw_about_add(&about, &w->frames[i].facts);
    }
    const enum nw_status status = nw_report_sensor_json(report, &document, err);
    return status == NW_OK ? cli_document(args, &about, document, result, err) : status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work w = {.frames = NULL};
    const double start_s = cli_clock_s();
    enum nw_status status = read_rig(args, &w, err);
    if (status == NW_OK) {
        status = list_frames(args, &w, err);
    }
    if (status == NW_OK) {
        status = read_headers(&w, err);
    }
    if (status == NW_OK) {
        status = analyse(args, &w, err);
    }
    const struct nw_sensor_report report = {.sensor = &w.sensor,
                                            .camera = w.setup ? &w.setup->camera : NULL,
                                            .elapsed_s = cli_clock_s() - start_s};
    if (status == NW_OK && !cli_wants_json(args)) {
        nw_report_sensor_text(&report, &result->text);
    }
    if (status == NW_OK && cli_wants_document(args)) {
        status = keep(args, &w, &report, result, err);
    }
    for (size_t i = 0; w.headers && i < w.paths.n; i++) {
        nw_frame_free(w.headers[i]);
    }
    free(w.headers);
    free(w.frames);
    nw_paths_done(&w.paths);
    nw_rig_free(w.rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "bias",
     .kind = CLI_LIST,
     .value = "FRAME",
     .help = "these are biases, whatever their headers say"},
    {.name = "dark", .kind = CLI_LIST, .value = "FRAME", .help = "these are darks"},
    {.name = "flat", .kind = CLI_LIST, .value = "FRAME", .help = "these are flats"},
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: name of the camera, its colours, what it says so far"},
    CLI_OPTION_SETUP,
    CLI_OPTION_KEEP,
    CLI_OPTION_BOOK,
    CLI_OPTION_SESSION,
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "threads, else one a core",
     .min = 1,
     .max = 256},
    {0},
};

const struct cli_command CMD_SENSOR = {
    .name = "sensor",
    .arguments = "[FRAME|FOLDER...]",
    .help =
        "gain, read noise, full scale, linearity, dark current, from bias, dark and flat frames",
    .notes =
        "Two biases and two flats of one exposure give gain and read noise. Pairs of flats from "
        "faint to saturated add linearity and full scale, pairs of darks of two exposures the dark "
        "current, darks at three temperatures its doubling. What the frames do not tell is said.\n"
        "Frames of one gain setting are taken at a time, the commonest. The last lines are for the "
        "rig file.\n"
        "Examples: sensor calibration/ --rig rig.yaml; sensor --bias b*.fits --flat f*.fits",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 100000,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
