/* cmd_surface.c - `surface FRAME...`: tilt, curvature and best focus from one frame, a pair about
 * focus or a sweep. */
#include "cli/surface_internal.h"
#include "report/report_surface.h"

#include <math.h>

static const struct cli_option OPTIONS[] = {
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: focal ratio, focuser step, what the focuser carries, screws"},
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "setup of the rig, else its first"},
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

static enum nw_status report(const struct cli_args *args, const struct nw_surface *surface,
                             const struct cli_surface_set *set,
                             const struct cli_surface_facts *facts, struct cli_result *result,
                             struct nw_err *err) {
    const struct nw_surface_report r = {
        .surface = surface,
        .frames = set->frames,
        .travel_factor = facts->travel_factor,
        .is_travel_assumed = facts->is_travel_assumed,
        .f_ratio = facts->opts.optics.f_ratio,
        .pixel_m = facts->opts.optics.pixel_m,
        .thermal_m_K = facts->thermal_m_K,
    };
    if (cli_wants_json(args)) {
        return nw_report_surface_json(&r, &result->json, err);
    }
    nw_report_surface_text(&r, &result->text);
    return NW_OK;
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

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    const struct nw_setup *setup = NULL;
    struct cli_surface_set set = {.n = 0};
    struct cli_surface_facts facts;
    struct nw_surface surface = {0};
    enum nw_status status = read_rig(args, &rig, &setup, err);
    if (status == NW_OK) {
        status = cli_surface_load(args, cli_positional(args), cli_n_args(args), &set, err);
    }
    if (status == NW_OK) {
        status = cli_surface_facts(args, setup, &set.series.items[0].frame->facts, &facts, err);
    }
    if (status == NW_OK) {
        status = nw_field_surface(set.frames, set.n, &facts.opts, &surface, err);
    }
    if (status == NW_OK) {
        status = report(args, &surface, &set, &facts, result, err);
    }
    nw_surface_done(&surface);
    cli_surface_set_done(&set);
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
