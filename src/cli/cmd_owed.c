/* cmd_owed.c - `owed RIG [FOLDER...]`: which dark, flat and bias frames are missing or stale. */
#include <math.h>

#include "cli/handover_load.h"
#include "cli/night_load.h"
#include "report/report_owed.h"

static const struct cli_option OPTIONS[] = {
    CLI_NIGHT_OPTIONS,
    {.name = "night",
     .kind = CLI_TEXT,
     .value = "YYYY-MM-DD",
     .help = "with --targets: what the plan of that evening will need"},
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
    struct cli_handover found; /* frames of the folders */
    struct nw_plan *plan;
    struct nw_frame_facts *facts; /* of the planned blocks */
    struct nw_hand_sub *subs;     /* planned, then taken */
    size_t n_subs;
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

static enum nw_status gather(const struct cli_args *args, struct work *w, struct nw_err *err) {
    const bool is_planned = cli_given(args, "targets");
    size_t n_set = 0;
    const char *const *const set = cli_texts(args, "set", &n_set);
    enum nw_status status = NW_OK;
    if (is_planned) {
        status = cli_night_load(args, "night", &w->night, err);
        (void)snprintf(w->what, sizeof w->what, "plan of %.10s",
                       status == NW_OK ? cli_text(args, "night") : "");
    } else if (cli_given(args, "night")) {
        return nw_err_set(err, NW_USAGE, "--night needs --targets FILE");
    } else {
        status = nw_rig_read(cli_arg(args, 0), set, n_set, &w->night.rig, err);
        status = status == NW_OK ? nw_rig_find_setup(w->night.rig, cli_text(args, "setup"),
                                                     &w->night.input.setup, err)
                                 : status;
        nw_text_copy(w->what, sizeof w->what,
                     cli_n_args(args) > 1 ? "subs that were taken" : "no subs: cooling alone");
    }
    if (status == NW_OK && cli_n_args(args) > 1) {
        status =
            cli_frame_paths(cli_positional(args) + 1, cli_n_args(args) - 1, &w->found.paths, err);
    }
    status = status == NW_OK ? cli_handover_headers(&w->found, err) : status;
    if (status == NW_OK && is_planned) {
        status = add_planned(w, err);
    } else if (status == NW_OK) {
        w->subs = nw_calloc(w->found.n_subs + 1, sizeof *w->subs);
        status = w->subs ? NW_OK : nw_err_set(err, NW_NOMEM, "subs");
    }
    for (size_t i = 0; status == NW_OK && !is_planned && i < w->found.n_subs; i++) {
        w->subs[w->n_subs++] = w->found.subs[i];
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
                                      .frames = w->found.frames,
                                      .n_frames = w->found.n_frames,
                                      .wanted = (size_t)cli_count(args, "wanted", 20),
                                      .between_s = 3.0};
    status = status == NW_OK ? nw_owed_of(&from, &w->list, err) : status;
    if (status == NW_OK) {
        struct nw_err why = {0};
        struct nw_owed_report report = {.what = w->what,
                                        .list = &w->list,
                                        .frames = w->found.frames,
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
    .notes = "FOLDERs hold the calibration frames that you have, and without --targets the subs "
             "that were taken; headers alone are read.\n"
             "Examples: owed rig.yaml library/ --targets targets.yaml --night 2026-08-10; owed "
             "rig.yaml library/ night/",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1000,
    .run = run,
};
