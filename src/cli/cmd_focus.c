/* cmd_focus.c - `focus [FRAME...]`: what focus runs say about telescope and focuser. */
#include <math.h>

#include "cli/cli.h"
#include "optics/optics.h"
#include "report/report_focus.h"

struct work {
    struct nw_paths paths;
    struct nw_focus_frame *frames;
    size_t n;
    struct nw_focus_runs runs;
    struct nw_focus_job job;
    struct nw_focus_after flips, slews;
    struct nw_focus_interval interval;
    struct nw_rig *rig;
    const struct nw_setup *setup;
};

/* setup NULL: no rig; else its names stand for those of the headers. */
static void fill_frame(const struct nw_frame_facts *facts, const struct nw_setup *setup,
                       struct nw_focus_frame *to) {
    *to =
        (struct nw_focus_frame){.t_start_s = facts->t_start_utc_s,
                                .exposure_s = facts->exposure_s,
                                .position_steps = facts->focuser_steps,
                                .temperature_K = facts->focuser_temperature_K,
                                .altitude_rad = facts->altitude_rad,
                                .ra_rad = facts->ra_rad,
                                .dec_rad = facts->dec_rad,
                                .airmass = facts->airmass,
                                .width = NAN,
                                .width_sigma = NAN,
                                .side = strstr(facts->tube_side, "east")   ? NW_FOCUS_EAST
                                        : strstr(facts->tube_side, "west") ? NW_FOCUS_WEST
                                                                           : NW_FOCUS_SIDE_UNKNOWN};
    const struct nw_filter *const filter = setup ? nw_setup_filter_of(setup, facts->filter) : NULL;
    nw_text_copy(to->filter, sizeof to->filter, filter ? filter->name : facts->filter);
}

static enum nw_status read_headers(const struct cli_args *args, struct work *w,
                                   struct nw_err *err) {
    const struct nw_frame_opts opts = {.header_only = true};
    enum nw_status status = cli_frame_paths(cli_positional(args), cli_n_args(args), &w->paths, err);
    if (status != NW_OK) {
        return status;
    }
    w->frames = nw_calloc(w->paths.n + 1, sizeof *w->frames);
    if (!w->frames) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", w->paths.n);
    }
    for (size_t i = 0; i < w->paths.n && status == NW_OK; i++) {
        struct nw_frame *frame = NULL;
        status = nw_frame_read(w->paths.items[i], &opts, &frame, err);
        if (status == NW_OK) {
            fill_frame(&frame->facts, w->setup, &w->frames[w->n++]);
        }
        nw_frame_free(frame);
    }
    return status;
}

/* Widths of all frames: only wanted where a flip or slew has no run behind it. */
static enum nw_status measure_widths(struct work *w, struct nw_err *err) {
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_G, .is_summary_only = true};
    struct nw_series series = {0};
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    const enum nw_status status = nw_series_measure((const char *const *)w->paths.items, w->paths.n,
                                                    &opts, &progress, &series, err);
    cli_progress_end(&bar);
    for (size_t i = 0; i < series.n && status == NW_OK; i++) {
        const struct nw_series_item *const item = &series.items[i];
        for (size_t k = 0; item->status == NW_OK && k < w->n; k++) {
            if (fabs(w->frames[k].t_start_s - item->frame->facts.t_start_utc_s) < 1e-3) {
                w->frames[k].width = item->measures[0]->fwhm_px;
            }
        }
    }
    nw_series_done(&series);
    return status;
}

/* Moves that no run followed: counted with all widths alike first, measured only when there are
 * any. */
static enum nw_status look_after_moves(struct work *w, struct nw_err *err) {
    for (size_t i = 0; i < w->n; i++) {
        w->frames[i].width = 1.0;
    }
    nw_focus_after_moves(w->frames, w->n, &w->flips, &w->slews);
    for (size_t i = 0; i < w->n; i++) {
        w->frames[i].width = NAN;
    }
    if (w->flips.n + w->slews.n == 0) {
        return NW_OK;
    }
    const enum nw_status status = measure_widths(w, err);
    if (status == NW_OK) {
        nw_focus_after_moves(w->frames, w->n, &w->flips, &w->slews);
    }
    return status;
}

static enum nw_status read_rig(const struct cli_args *args, struct work *w, struct nw_err *err) {
    const char *const path = cli_text(args, "rig");
    const char *const name = cli_text(args, "setup");
    if (!path) {
        return name
                   ? nw_err_set(err, NW_USAGE, "--setup %s: a setup of which rig? give --rig", name)
                   : NW_OK;
    }
    const enum nw_status status = nw_rig_read(path, NULL, 0, &w->rig, err);
    return status == NW_OK ? nw_rig_find_setup(w->rig, name, &w->setup, err) : status;
}

static enum nw_status gather(const struct cli_args *args, struct work *w, struct nw_err *err) {
    enum nw_status status = read_rig(args, w, err);
    if (status == NW_OK && cli_n_args(args) == 0 && !cli_given(args, "runs")) {
        return nw_err_set(err, NW_USAGE, "nothing to look at: expected frames, or --runs FILE.csv");
    }
    if (status == NW_OK && cli_n_args(args) > 0) {
        status = read_headers(args, w, err);
        if (status == NW_OK && !cli_given(args, "runs")) {
            status = nw_focus_runs_of_frames(w->frames, w->n, &w->runs, err);
        } else if (status == NW_OK) { /* a log is better than jumps: the frames give temperatures */
            struct nw_focus_runs seen = {0};
            struct nw_err none = {0};
            status = nw_focus_runs_of_frames(w->frames, w->n, &seen, &none); /* sorts them */
            status = status == NW_NOMEM ? nw_err_set(err, status, "%s", none.text) : NW_OK;
            nw_focus_runs_done(&seen);
        }
    }
    if (status == NW_OK && cli_given(args, "runs")) {
        status = nw_focus_runs_read(cli_text(args, "runs"), &w->runs, err);
    }
    return status;
}

/* How often to focus, with what was just measured in place of the rig's word. */
static void work_out_interval(struct work *w, struct nw_focus_report *report) {
    struct nw_setup taught = *w->setup;
    struct nw_err why = {0};
    const struct nw_focus_job *const job = &w->job;
    if (isfinite(job->per_K.value)) {
        taught.focuser.travel_per_K = (struct nw_val){
            job->per_K.value * report->step_m, job->per_K.sigma * report->step_m, NW_FROM_MEASURED};
    }
    taught.focuser.repeatability_m =
        (struct nw_val){job->repeatability.value * report->step_m,
                        job->repeatability.sigma * report->step_m, NW_FROM_MEASURED};
    if (isfinite(job->run_time_s) && job->run_time_s > 0.0) {
        taught.focus_run_s = (struct nw_val){job->run_time_s, NAN, NW_FROM_MEASURED};
    }
    if (nw_focus_interval_of(w->rig, &taught, job->rate_K_s, &w->interval, &why) == NW_OK) {
        report->interval = &w->interval;
    } else {
        nw_text_copy(report->why_no_interval, sizeof report->why_no_interval, why.text);
    }
}

static enum nw_status print(const struct cli_args *args, struct work *w, struct cli_result *result,
                            struct nw_err *err) {
    struct nw_focus_report report = {.job = &w->job,
                                     .runs = &w->runs,
                                     .n_frames = w->n,
                                     .setup = w->setup,
                                     .step_m = NAN,
                                     .step_sigma = NAN,
                                     .per_travel = NAN};
    if (w->flips.n > 0) {
        report.flips = &w->flips;
    }
    if (w->slews.n > 0) {
        report.slews = &w->slews;
    }
    nw_text_copy(report.why_no_interval, sizeof report.why_no_interval,
                 "needs --rig: the width of the stars and the travel of a step decide it");
    if (w->setup) {
        const struct nw_focuser *const f = &w->setup->focuser;
        report.step_m = f->step_m.v;
        report.step_sigma = isfinite(f->step_m.sigma) ? f->step_m.sigma / f->step_m.v : 0.0;
        report.per_travel = nw_optics_defocus_per_travel(
            w->setup->corrector.magnification.v, f->carries == NW_CARRIES_CORRECTOR_AND_CAMERA);
        work_out_interval(w, &report);
    }
    if (cli_wants_json(args)) {
        return nw_report_focus_json(&report, &result->json, err);
    }
    nw_report_focus_text(&report, &result->text);
    return NW_OK;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work w = {.n = 0};
    enum nw_status status = gather(args, &w, err);
    if (status == NW_OK) {
        const char *reference = cli_text(args, "reference");
        if (!reference && w.setup) {
            reference = w.setup->n_filters > 0 ? w.setup->filters[0].name : w.setup->filter.name;
        }
        status = nw_focus_fit(&w.runs, w.frames, w.n, reference, &w.job, err);
    }
    if (status == NW_OK && w.n > 0) {
        status = look_after_moves(&w, err);
    }
    if (status == NW_OK) {
        status = print(args, &w, result, err);
    }
    nw_focus_runs_done(&w.runs);
    nw_paths_done(&w.paths);
    free(w.frames);
    nw_rig_free(w.rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "runs",
     .kind = CLI_TEXT,
     .value = "FILE.csv",
     .help = "log of focus runs; the frames then give the temperatures between them"},
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: travel of a step, what the focuser carries, how often you focus"},
    CLI_OPTION_SETUP,
    {.name = "reference",
     .kind = CLI_TEXT,
     .value = "FILTER",
     .help = "the filter that others are given against, else the rig's first, else the commonest"},
    {0},
};

const struct cli_command CMD_FOCUS = {
    .name = "focus",
    .arguments = "[FRAME|FOLDER...]",
    .help = "focus runs: temperature, lag, filters, backlash, and how often to focus",
    .notes =
        "Positions that the capture program chose are the data: a jump of the focuser in the "
        "headers is a new focus run. A log of runs (docs/formats.md) is better: it knows from "
        "which "
        "side each run ended. Frames of several nights may be given together.\n"
        "What the runs do not tell apart is said to be so: on a night that cools steadily a lag "
        "looks like nothing, and a slipping focuser like temperature.\n"
        "Examples: focus lights --rig rig.yaml; focus --runs runs.csv --rig rig.yaml",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 100000,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
