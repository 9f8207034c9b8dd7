/* cmd_surface.c - `surface FRAME...`: tilt, curvature and best focus from one frame, a pair about
 * focus or a sweep. */
#include "cli/keep.h"
#include "cli/surface_internal.h"
#include "cli/trial_other.h"
#include "report/report_surface.h"

#include <math.h>

static const struct cli_option OPTIONS[] = {
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: focal ratio, focuser step, what the focuser carries, screws"},
    CLI_OPTION_SETUP,
    CLI_OPTION_KEEP,
    CLI_OPTION_BOOK,
    {.name = "step",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "travel of one focuser step, such as 3.9um; wins over the rig"},
    {.name = "step-sigma",
     .kind = CLI_NUMBER,
     .value = "PERCENT",
     .help = "how well --step is known",
     .min = 0.0,
     .max = 100.0},
    {.name = "positions",
     .kind = CLI_TEXT,
     .value = "P,P,...",
     .help = "focuser positions of the frames in steps, where headers have none"},
    {.name = "f-ratio",
     .kind = CLI_NUMBER,
     .value = "N",
     .help = "focal ratio with the corrector; wins over rig and header",
     .min = 0.5,
     .max = 50.0},
    {.name = "pixel",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "side of a pixel with binning; wins over rig and header"},
    {.name = "separate",
     .kind = CLI_FLAG,
     .help = "the frames are several sets: tell camera, focuser and sag apart by rotator angle and "
             "tube side in the headers"},
    {.name = "turned",
     .kind = CLI_TEXT,
     .value = "SCREW=MM",
     .help = "a screw was raised by so much between FRAME... and --after: learns how the chip "
             "stands against the screws; a second turn, of another screw, tells whether it is "
             "mirrored",
     .is_repeatable = true},
    {.name = "after",
     .kind = CLI_LIST,
     .value = "FRAME",
     .help = "the frames after --turned; of several turns as many after each, in their order"},
    {.name = "save-baseline",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "keep what a pair or sweep found of this setup's optics"},
    {.name = "baseline",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "read a single frame against it: its sign, and what has changed"},
    {.name = "map",
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "draw heights, star shapes and cells"},
    {.name = "colour",
     .kind = CLI_CHOICE,
     .value = "R|G|B",
     .help = "of colour frames this colour, else G"},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "frames side by side, else one a core",
     .min = 1,
     .max = 256},
    {0},
};

struct work {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct cli_surface_set set, after;
    struct cli_surface_facts facts;
    struct cli_surface_turns turns;
    struct cli_surface_shims shims;
    struct nw_field_baseline baseline;
    struct cli_surface_groups groups;
};

static enum nw_status write_map(const char *path, const struct nw_surface_report *r,
                                struct nw_err *err) {
    struct nw_buf svg = {0};
    enum nw_status status = nw_report_surface_map(r, &svg, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, svg.data, svg.len, err);
    }
    nw_buf_done(&svg);
    return status;
}

static enum nw_status save_baseline(const char *path, const char *setup,
                                    const struct nw_surface_report *r, struct nw_err *err) {
    json_t *document = NULL;
    struct nw_buf text;
    nw_buf_init(&text, NW_REPORT_MAX_BYTES);
    enum nw_status status = nw_report_baseline_json(r, setup, &document, err);
    if (status == NW_OK) {
        status = nw_json_write(document, &text, err);
    }
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, text.data, text.len, err);
    }
    json_decref(document);
    nw_buf_done(&text);
    return status;
}

static enum nw_status keep(const struct cli_args *args, const struct work *w,
                           const struct cli_surface_set *set, const struct nw_surface_report *r,
                           struct cli_result *result, struct nw_err *err) {
    struct nw_about about;
    json_t *document = NULL;
    nw_about_init(&about, w->rig, w->setup);
    for (size_t i = 0; i < set->series.n; i++) {
        nw_about_add(&about, &set->series.items[i].frame->facts);
    }
    const enum nw_status status = nw_report_surface_json(r, &document, err);
    return status == NW_OK ? cli_document(args, &about, document, result, err) : status;
}

static enum nw_status report(const struct cli_args *args, const struct work *w,
                             struct cli_result *result, struct nw_err *err) {
    const bool is_turned = w->turns.n > 0; /* the state now is the one after the last turn */
    const size_t n_each = is_turned ? w->after.n / w->turns.n : 0;
    struct nw_surface_report r = {
        .surface = is_turned ? &w->turns.after[w->turns.n - 1] : w->groups.surfaces,
        .frames = is_turned ? &w->after.frames[w->after.n - n_each] : w->groups.frames,
        .travel_factor = w->facts.travel_factor,
        .is_travel_assumed = w->facts.is_travel_assumed,
        .f_ratio = w->facts.opts.optics.f_ratio,
        .pixel_m = w->facts.opts.optics.pixel_m,
        .thermal_m_K = w->facts.thermal_m_K,
        .baseline = w->facts.opts.baseline,
        .sets = w->groups.sets,
        .n_sets = w->groups.n,
        .split = w->groups.n > 1 ? &w->groups.split : NULL,
        .screws = w->setup ? w->setup->screws : NULL,
        .n_screws = w->setup ? w->setup->n_screws : 0,
        .shims = w->shims.has_shims ? &w->shims.plain : NULL,
        .response = is_turned ? &w->shims.response : NULL,
        .shims_mirrored = &w->shims.mirrored,
    };
    nw_text_copy(r.why_no_shims, sizeof r.why_no_shims, w->shims.why);
    if (cli_given(args, "map")) {
        const enum nw_status status = write_map(cli_text(args, "map"), &r, err);
        if (status != NW_OK) {
            return status;
        }
    }
    if (cli_given(args, "save-baseline")) {
        const enum nw_status status = save_baseline(cli_text(args, "save-baseline"),
                                                    w->setup ? w->setup->name : NULL, &r, err);
        if (status != NW_OK) {
            return status;
        }
    }
    if (!cli_wants_json(args)) {
        nw_report_surface_text(&r, &result->text);
    }
    return cli_wants_document(args)
               ? keep(args, w, is_turned ? &w->after : &w->set, &r, result, err)
               : NW_OK;
}

static enum nw_status read_rig(const struct cli_args *args, struct nw_rig **ret_rig,
                               const struct nw_setup **ret_setup, struct nw_err *err) {
    const char *const path = cli_text(args, "rig");
    const char *const name = cli_text(args, "setup");
    if (!path) {
        return name
                   ? nw_err_set(err, NW_USAGE, "--setup %s: a setup of which rig? give --rig", name)
                   : NW_OK;
    }
    const enum nw_status status = nw_rig_read(path, NULL, 0, ret_rig, err);
    if (status != NW_OK) {
        return status;
    }
    *ret_setup = nw_rig_setup(*ret_rig, name);
    return *ret_setup ? NW_OK : nw_err_set(err, NW_NOTFOUND, "no setup \"%s\" in %s", name, path);
}

static enum nw_status after_turn(const struct cli_args *args, struct work *w, struct nw_err *err) {
    size_t n = 0;
    const char *const *const paths = cli_texts(args, "after", &n);
    size_t n_turns = 0;
    w->turns.texts = cli_texts(args, "turned", &n_turns);
    if ((n_turns > 0) != (n > 0)) {
        return nw_err_set(err, NW_USAGE, "--turned and --after belong together");
    }
    if (n == 0) {
        return NW_OK;
    }
    if (n_turns > NW_SHIM_TURNS_MAX || n % n_turns != 0) {
        return nw_err_set(err, NW_USAGE,
                          "%zu frames --after %zu turns; expected as many after each turn, and up "
                          "to %d turns",
                          n, n_turns, NW_SHIM_TURNS_MAX);
    }
    enum nw_status status = cli_surface_load(args, paths, n, &w->after, err);
    const size_t n_each = n / n_turns;
    for (size_t i = 0; status == NW_OK && i < n_turns; i++) {
        status = nw_field_surface(&w->after.frames[i * n_each], n_each, &w->facts.opts,
                                  &w->turns.after[i], err);
        w->turns.n += status == NW_OK ? 1 : 0;
    }
    return status;
}

static void work_done(struct work *w) {
    cli_surface_groups_done(&w->groups);
    for (size_t i = 0; i < w->turns.n; i++) {
        nw_surface_done(&w->turns.after[i]);
    }
    cli_surface_set_done(&w->set);
    cli_surface_set_done(&w->after);
}

enum nw_status cli_surface_with(const struct cli_args *args, const struct nw_rig *rig,
                                const struct nw_setup *setup, struct cli_result *result,
                                struct nw_err *err) {
    struct work w = {.rig = rig, .setup = setup};
    enum nw_status status =
        cli_surface_load(args, cli_positional(args), cli_n_args(args), &w.set, err);
    if (status == NW_OK) {
        status =
            cli_surface_facts(args, w.setup, &w.set.series.items[0].frame->facts, &w.facts, err);
    }
    if (status == NW_OK && cli_given(args, "baseline")) {
        status = nw_report_baseline_read(cli_text(args, "baseline"), &w.baseline, err);
        w.facts.opts.baseline = &w.baseline;
    }
    if (status == NW_OK) {
        status = cli_surface_group(&w.set, cli_given(args, "separate"), &w.groups, err);
    }
    if (status == NW_OK) {
        status = cli_surface_separate(&w.groups, &w.facts.opts, err);
    }
    if (status == NW_OK) {
        status = after_turn(args, &w, err);
    }
    if (status == NW_OK) {
        status = cli_surface_shims(&w.turns, w.setup, &w.facts, w.groups.surfaces, &w.shims, err);
    }
    if (status == NW_OK) {
        status = report(args, &w, result, err);
    }
    work_done(&w);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    const struct nw_setup *setup = NULL;
    enum nw_status status = read_rig(args, &rig, &setup, err);
    if (status == NW_OK) {
        status = cli_surface_with(args, rig, setup, result, err);
    }
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_SURFACE = {
    .name = "surface",
    .arguments = "FRAME...",
    .help = "the focal surface: tilt, curvature, best focus, from one frame, a pair, a sweep",
    .notes = "The recommended way is a pair: one frame with the focuser about two depths of focus "
             "inside of best focus, one as far outside, same field, three minutes. One frame gives "
             "the tilt up to its sign; a sweep of seven frames and more also gives the best "
             "position. Which of them it is follows from the focuser positions in the headers.\n"
             "Heights are in micrometres at the sensor, positive away from the telescope; a "
             "corrector that rides on the focuser makes travel count m^2 times (rig file).",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 200,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
