/* cmd_owed.c - `owed RIG [FOLDER...]`: which dark, flat and bias frames are missing or stale. */
#include <math.h>

#include "book/calibration.h"
#include "cli/handover_load.h"
#include "cli/night_load.h"
#include "report/report_owed.h"

static const struct cli_option OPTIONS[] = {
    CLI_NIGHT_OPTIONS,
    {.name = "night",
     .kind = CLI_TEXT,
     .value = "YYYY-MM-DD",
     .help = "with --targets: what the plan of that evening will need"},
    CLI_OPTION_BOOK,
    {.name = "wanted",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "frames of a set, else 20",
     .min = 1,
     .max = 1000},
    {0},
};

struct work {
    struct cli_night night;
    struct cli_handover found;             /* frames of the folders */
    struct nw_book_headers library, taken; /* out of the book: calibration frames, subs */
    struct nw_plan *plan;
    struct nw_frame_facts *facts; /* of the planned blocks */
    struct nw_hand_sub *subs;     /* planned, then taken */
    size_t n_subs;
    struct nw_hand_calibration *frames;
    size_t n_frames;
    const char *of_book; /* a night or target, whose subs are asked for */
    struct nw_owed_list list;
    struct nw_cooling cooling;
    char what[80];
};

/* A sub for each that a block of the plan holds: what its header will say. */
static enum nw_status add_planned(struct work *w, struct nw_err *err) {
    const struct nw_setup *const s = w->night.input.setup;
    const size_t binning = (size_t)fmax(1.0, s->binning.v);
    enum nw_status status = nw_plan_new(&w->night.input, &w->plan, err);
    size_t n = 0;
    for (size_t b = 0; status == NW_OK && b < w->plan->n_blocks; b++) {
        n += w->plan->blocks[b].subs;
    }
    w->facts = status == NW_OK ? nw_calloc(NW_NIGHT_BLOCKS, sizeof *w->facts) : NULL;
    w->subs = status == NW_OK ? nw_calloc(n + w->found.n_subs + 1, sizeof *w->subs) : NULL;
    if (status == NW_OK && (!w->facts || !w->subs)) {
        return nw_err_set(err, NW_NOMEM, "%zu planned subs", n);
    }
    for (size_t b = 0; status == NW_OK && b < w->plan->n_blocks; b++) {
        const struct nw_night_block *const block = &w->plan->blocks[b];
        struct nw_frame_facts *const f = &w->facts[b];
        nw_frame_facts_unknown(f);
        f->exposure_s = block->exposure_s;
        f->t_start_utc_s = block->start_s;
        f->set_temperature_K = s->camera.set_temperature_K.v;
        nw_text_copy(f->filter, sizeof f->filter, block->filter);
        for (size_t k = 0; k < block->subs; k++) {
            w->subs[w->n_subs++] = (struct nw_hand_sub){.path = "planned",
                                                        .facts = f,
                                                        .width_px = s->camera.width_px / binning,
                                                        .height_px = s->camera.height_px / binning};
        }
    }
    return status;
}

/* The book's calibration frames, and the subs of nights and targets that are no folders: by their
 * headers as the book has them. */
static enum nw_status look_into_book(const struct cli_args *args, struct work *w,
                                     struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    enum nw_status status = cli_book_path(args, false, path, err);
    status = status == NW_OK ? nw_book_open(path, NW_BOOK_READ, &book, err) : status;
    status = status == NW_OK ? nw_book_calibration(book, &w->library, err) : status;
    if (status == NW_OK && w->of_book) {
        status = nw_book_lights(book, w->of_book, &w->taken, err);
    }
    nw_book_close(book);
    return status;
}

/* Folders to read; with --book one word that is none is a night or a target of it. */
static enum nw_status find_paths(const struct cli_args *args, struct work *w, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 1; i < cli_n_args(args) && status == NW_OK; i++) {
        const char *const what = cli_arg(args, i);
        if (!cli_given(args, "book") || nw_file_is_there(what)) {
            status = cli_frame_paths(&what, 1, &w->found.paths, err);
        } else if (w->of_book) {
            status = nw_err_set(err, NW_USAGE,
                                "'%.60s' and '%.60s' are no folders, expected one night or target "
                                "of the book",
                                w->of_book, what);
        } else {
            w->of_book = what;
        }
    }
    status = status == NW_OK ? cli_handover_headers(&w->found, err) : status;
    return status == NW_OK && cli_given(args, "book") ? look_into_book(args, w, err) : status;
}

/* Calibration frames of folders and of the book in one list. */
static enum nw_status join_frames(struct work *w, struct nw_err *err) {
    const size_t n = w->found.n_frames + w->library.n;
    w->frames = nw_calloc(n + 1, sizeof *w->frames);
    if (!w->frames) {
        return nw_err_set(err, NW_NOMEM, "%zu calibration frames", n);
    }
    for (size_t i = 0; i < w->found.n_frames; i++) {
        w->frames[w->n_frames++] = w->found.frames[i];
    }
    for (size_t i = 0; i < w->library.n; i++) {
        const struct nw_book_header *const h = &w->library.items[i];
        w->frames[w->n_frames++] = (struct nw_hand_calibration){.path = h->path,
                                                                .facts = &h->facts,
                                                                .use = h->use,
                                                                .width_px = h->width_px,
                                                                .height_px = h->height_px};
    }
    return NW_OK;
}

static enum nw_status add_taken(struct work *w, struct nw_err *err) {
    w->subs = nw_calloc(w->found.n_subs + w->taken.n + 1, sizeof *w->subs);
    if (!w->subs) {
        return nw_err_set(err, NW_NOMEM, "subs");
    }
    for (size_t i = 0; i < w->found.n_subs; i++) {
        w->subs[w->n_subs++] = w->found.subs[i];
    }
    for (size_t i = 0; i < w->taken.n; i++) {
        const struct nw_book_header *const h = &w->taken.items[i];
        w->subs[w->n_subs++] = (struct nw_hand_sub){.path = h->path,
                                                    .facts = &h->facts,
                                                    .width_px = h->width_px,
                                                    .height_px = h->height_px};
    }
    return NW_OK;
}

static enum nw_status gather(const struct cli_args *args, struct work *w, struct nw_err *err) {
    const bool is_planned = cli_given(args, "targets");
    enum nw_status status = NW_OK;
    if (is_planned) {
        status = cli_night_load(args, "night", &w->night, err);
        (void)snprintf(w->what, sizeof w->what, "plan of %.10s",
                       status == NW_OK ? cli_text(args, "night") : "");
    } else if (cli_given(args, "night")) {
        return nw_err_set(err, NW_USAGE, "--night needs --targets FILE");
    } else {
        status = cli_read_rig(args, &w->night.rig, &w->night.input.setup, err);
        nw_text_copy(w->what, sizeof w->what,
                     cli_n_args(args) > 1 ? "subs that were taken" : "no subs: cooling alone");
    }
    status = status == NW_OK ? find_paths(args, w, err) : status;
    status = status == NW_OK ? join_frames(w, err) : status;
    if (status == NW_OK) {
        status = is_planned ? add_planned(w, err) : add_taken(w, err);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work *const w = nw_calloc(1, sizeof *w);
    if (!w) {
        return nw_err_set(err, NW_NOMEM, "owed");
    }
    enum nw_status status = gather(args, w, err);
    const struct nw_owed_from from = {.subs = w->subs,
                                      .n = w->n_subs,
                                      .frames = w->frames,
                                      .n_frames = w->n_frames,
                                      .wanted = (size_t)cli_count(args, "wanted", 20),
                                      .between_s = 3.0};
    status = status == NW_OK ? nw_owed_of(&from, &w->list, err) : status;
    if (status == NW_OK) {
        struct nw_err why = {0};
        struct nw_owed_report report = {.what = w->what,
                                        .list = &w->list,
                                        .frames = w->frames,
                                        .wanted = from.wanted,
                                        .n_subs = w->n_subs,
                                        .camera = &w->night.input.setup->camera};
        if (nw_cooling_of(w->night.rig, report.camera, &w->cooling, &why) == NW_OK) {
            report.cooling = &w->cooling;
        }
        nw_text_copy(report.why_no_cooling, sizeof report.why_no_cooling, why.text);
        if (cli_wants_json(args)) {
            status = nw_report_owed_json(&report, &result->json, err);
        } else {
            nw_report_owed_text(&report, &result->text);
        }
    }
    nw_owed_done(&w->list);
    nw_plan_free(w->plan);
    free(w->facts);
    free(w->subs);
    free(w->frames);
    nw_book_headers_done(&w->library);
    nw_book_headers_done(&w->taken);
    cli_handover_done(&w->found);
    cli_night_done(&w->night);
    free(w);
    return status;
}

const struct cli_command CMD_OWED = {
    .name = "owed",
    .arguments = "RIG [FOLDER...]",
    .help = "Dark, flat and bias sets missing or stale for subs planned or taken; cooling left by "
            "month.",
    .notes =
        "FOLDERs hold the calibration frames that you have, and without --targets the subs "
        "that were taken; headers alone are read. With --book FILE all calibration frames of the "
        "book count as well, and a night or target of it may stand in place of a folder.\n"
        "Examples: owed rig.yaml library/ --targets targets.yaml --night 2026-08-10; owed "
        "rig.yaml library/ night/; owed rig.yaml 2026-06-14 --book book.sqlite",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1000,
    .run = run,
};
