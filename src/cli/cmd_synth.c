/* cmd_synth.c - a simulated night from a rig file. */
#include "cli/cli.h"
#include "cli/synth_set.h"
#include "report/report.h"
#include "rig/circuits.h"
#include "rig/rig.h"
#include "synth/synth.h"
#include "synth/trail.h"

#include <math.h>

static const struct cli_option OPTIONS[] = {
    {.name = "output",
     .letter = 'o',
     .kind = CLI_TEXT,
     .value = "DIR",
     .help = "folder for the night: a new or an empty one"},
    CLI_OPTION_SETUP,
    {.name = "subs",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "number of light frames, else 36",
     .min = 1,
     .max = 2000},
    {.name = "seed",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "the same seed gives the same night, else 1",
     .min = 0,
     .max = 2147483647},
    {.name = "size",
     .kind = CLI_TEXT,
     .value = "WxH",
     .help = "read out only the middle of the chip, in pixels"},
    {.name = "seeing",
     .kind = CLI_TEXT,
     .value = "ANGLE",
     .help = "the night's mean at the zenith and 500 nm, else drawn from the rig's"},
    {.name = "sub", .kind = CLI_TEXT, .value = "TIME", .help = "exposure of a sub, else the rig's"},
    {.name = "start",
     .kind = CLI_TEXT,
     .value = "TIME",
     .help =
         "start of the night, UTC (2026-05-14T21:40:00Z), else a fixed one in June or December"},
    {.name = "dec",
     .kind = CLI_TEXT,
     .value = "ANGLE",
     .help = "declination of the field, else 20 deg from the zenith towards the equator"},
    {.name = "hour-angle",
     .kind = CLI_TEXT,
     .value = "ANGLE",
     .help = "hour angle at the start, + west, 15 deg an hour; else 3.75 deg"},
    {.name = "inject",
     .kind = CLI_TEXT,
     .value = "NAME=VALUE",
     .help = "faults of mount, loop and sky, such as \"backlash=6 arcsec\"; "
             "--injectable lists them",
     .is_repeatable = true},
    {.name = "injectable", .help = "the names that --inject knows, with their ranges"},
    {.name = "filters",
     .kind = CLI_LIST,
     .value = "NAME",
     .help = "filters of the setup, three subs each in turn, with a focus run at each change"},
    {.name = "focus",
     .kind = CLI_CHOICE,
     .value = "pair|sweep|there-and-back",
     .help = "frames of 20 s beside best focus on purpose, to try `surface` on"},
    {.name = "set",
     .kind = CLI_CHOICE,
     .value = "sensor|panel|darks",
     .help = "no night but bias, dark and flat frames, to try `sensor` and `flats` on (darks: 24 "
             "alike, "
             "for pixels that switch); --inject "
             "then takes NAME=NUMBER, --set sensor --injectable lists them"},
    {.name = "trial",
     .kind = CLI_CHOICE,
     .value = "drive-off-trail",
     .help = "no night but the frames of a trial, to try `trial NAME --frames` on: 3 of 20 s near "
             "the equator and the meridian, else as --subs, --sub, --dec and --hour-angle say"},
    {.name = "reach",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "of --focus: focuser travel to either side, else 2.5 depths of focus"},
    {.name = "play",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "of --focus: travel lost when the focuser turns round, else none"},
    {.name = "step-error",
     .kind = CLI_NUMBER,
     .value = "PERCENT",
     .help = "of --focus: how much longer a step is than the rig says, else 0",
     .min = -50.0,
     .max = 100.0},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "frames side by side, else one a core",
     .min = 1,
     .max = 256},
    {0},
};

static enum nw_status read_size(const char *text, struct nw_synth_opts *opts, struct nw_err *err) {
    char head[32];
    const char *cross = strchr(text, 'x');
    long width = 0;
    long height = 0;
    if (cross && (size_t)(cross - text) < sizeof head) {
        memcpy(head, text, (size_t)(cross - text));
        head[cross - text] = '\0';
        if (nw_text_to_long(head, &width) && nw_text_to_long(cross + 1, &height) && width >= 16 &&
            height >= 16 && width <= 65535 && height <= 65535) {
            opts->width_px = (size_t)width;
            opts->height_px = (size_t)height;
            return NW_OK;
        }
    }
    return nw_err_set(err, NW_USAGE,
                      "--size \"%s\" is no size in pixels; expected WxH, 16 to 65535, such as "
                      "800x600",
                      text);
}

static enum nw_status read_focus(const struct cli_args *args, struct nw_synth_opts *opts,
                                 struct nw_err *err) {
    const char *const focus = cli_text(args, "focus");
    if (!focus) {
        return cli_given(args, "reach") || cli_given(args, "play") || cli_given(args, "step-error")
                   ? nw_err_set(err, NW_USAGE,
                                "--reach, --play and --step-error belong to --focus, which is "
                                "missing")
                   : NW_OK;
    }
    opts->focus = focus[0] == 'p'   ? NW_SYNTH_FOCUS_PAIR
                  : focus[0] == 's' ? NW_SYNTH_FOCUS_SWEEP
                                    : NW_SYNTH_FOCUS_THERE_AND_BACK;
    opts->step_error = cli_number(args, "step-error", 0.0) / 100.0;
    if (!(opts->focus_reach_m >= 0.0 && opts->focus_reach_m <= 0.05 &&
          opts->focuser_play_m >= 0.0 && opts->focuser_play_m <= 0.05)) {
        return nw_err_set(err, NW_USAGE, "--reach %g m, --play %g m: outside 0 to 50 mm",
                          opts->focus_reach_m, opts->focuser_play_m);
    }
    return NW_OK;
}

static size_t n_frames(const struct nw_synth_opts *opts) {
    static const size_t SUBS[NW_SYNTH_FOCUS_N] = {NW_SYNTH_SUBS, 2, 9, 18};
    return opts->n_subs ? opts->n_subs : SUBS[opts->focus];
}

static enum nw_status read_options(const struct cli_args *args, struct nw_synth_opts *opts,
                                   struct nw_err *err) {
    *opts = (struct nw_synth_opts){
        .seed = (uint64_t)cli_count(args, "seed", 1),
        .n_subs = (size_t)cli_count(args, "subs", 0),
        .n_threads = (int)cli_count(args, "threads", 0),
        .t_start_utc_s = NAN,
        .ra_rad = NAN,
        .dec_rad = NAN,
        .sub_length_s = NAN,
        .seeing_rad = NAN,
        .hour_angle_rad = NAN,
    };
    opts->inject = cli_texts(args, "inject", &opts->n_inject);
    opts->filters = cli_texts(args, "filters", &opts->n_filters);
    const char *const start = cli_text(args, "start");
    if (start && nw_time_read_iso(start, 0.0, &opts->t_start_utc_s, err) != NW_OK) {
        return nw_err_at(err, NW_USAGE, "--start");
    }
    const struct {
        const char *name;
        enum nw_dim dim;
        double *ret;
    } rows[] = {
        {"seeing", NW_DIM_ANGLE, &opts->seeing_rad},
        {"sub", NW_DIM_TIME, &opts->sub_length_s},
        {"dec", NW_DIM_ANGLE, &opts->dec_rad},
        {"hour-angle", NW_DIM_ANGLE, &opts->hour_angle_rad},
        {"reach", NW_DIM_LENGTH, &opts->focus_reach_m},
        {"play", NW_DIM_LENGTH, &opts->focuser_play_m},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const char *text = cli_text(args, rows[i].name);
        if (text) {
            const enum nw_status status = nw_quantity_read(text, rows[i].dim, rows[i].ret, err);
            if (status != NW_OK) {
                return nw_err_at(err, status, "--%s", rows[i].name);
            }
        }
    }
    const char *size = cli_text(args, "size");
    const enum nw_status status = read_focus(args, opts, err);
    return status == NW_OK && size ? read_size(size, opts, err) : status;
}

static enum nw_status say(const struct cli_args *args, size_t n_subs, const struct nw_rig *rig,
                          struct cli_result *result, struct nw_err *err) {
    const char *folder = cli_text(args, "output");
    const bool has_climate = rig->damp.room.is_there;
    const bool has_power = rig->wiring->n > 0;
    if (!cli_wants_json(args)) {
        nw_buf_printf(
            &result->text,
            "%zu light frames, guide.csv, focus.csv, %s%sstars.csv and truth.json written to "
            "%s\n",
            n_subs, has_climate ? "climate.csv, " : "", has_power ? "power.csv, " : "", folder);
        return NW_OK;
    }
    struct nw_json json;
    nw_json_begin(&json, "synth", 1);
    nw_json_text(&json, NULL, "folder", folder);
    nw_json_count(&json, NULL, "frames", n_subs);
    nw_json_text(&json, NULL, "guide_log", "guide.csv");
    nw_json_text(&json, NULL, "climate_log", has_climate ? "climate.csv" : NULL);
    nw_json_text(&json, NULL, "power_log", has_power ? "power.csv" : NULL);
    nw_json_text(&json, NULL, "stars", "stars.csv");
    nw_json_text(&json, NULL, "truth", "truth.json");
    return nw_json_end(&json, &result->json, err);
}

static enum nw_status list_injectable(bool wants_json, struct cli_result *result,
                                      struct nw_err *err) {
    struct nw_synth_injectable item;
    struct nw_json json = {0};
    json_t *list = NULL;
    if (wants_json) {
        nw_json_begin(&json, "synth", 1);
        list = nw_json_array(&json, NULL, "injectable");
    }
    for (size_t i = 0; nw_synth_injectable_at(i, &item); i++) {
        if (wants_json) {
            json_t *object = nw_json_item(&json, list);
            nw_json_text(&json, object, "name", item.name);
            nw_json_text(&json, object, "low", item.low);
            nw_json_text(&json, object, "high", item.high);
            nw_json_text(&json, object, "meaning", item.meaning);
        } else {
            nw_buf_printf(&result->text, "%-17s %s to %s\n    %s\n", item.name, item.low, item.high,
                          item.meaning);
        }
    }
    return wants_json ? nw_json_end(&json, &result->json, err) : NW_OK;
}

static enum nw_status write_trial(const struct cli_args *args, const struct nw_rig *rig,
                                  const struct nw_synth_opts *opts, struct cli_result *result,
                                  struct nw_err *err) {
    size_t n = 0;
    const enum nw_status status = nw_synth_trail_frames(rig, cli_text(args, "setup"), opts,
                                                        cli_text(args, "output"), &n, err);
    return status == NW_OK ? cli_synth_written(args, n, "frames", result, err) : status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const char *folder = cli_text(args, "output");
    if (cli_given(args, "injectable")) {
        return cli_given(args, "set") ? cli_synth_set_list(args, result, err)
                                      : list_injectable(cli_wants_json(args), result, err);
    }
    if (cli_n_args(args) == 0) {
        return nw_err_set(err, NW_USAGE, "RIG is missing: the rig file to simulate");
    }
    if (!folder) {
        return nw_err_set(err, NW_USAGE, "-o DIR is missing: where shall the night be written");
    }
    struct nw_synth_opts opts;
    struct nw_rig *rig = NULL;
    enum nw_status status = read_options(args, &opts, err);
    if (status == NW_OK && cli_given(args, "set")) {
        return cli_synth_set(args, opts.width_px, opts.height_px, result, err);
    }
    if (status == NW_OK) {
        status = nw_rig_read(cli_arg(args, 0), NULL, 0, &rig, err);
    }
    if (status == NW_OK && cli_given(args, "trial")) {
        status = write_trial(args, rig, &opts, result, err);
        nw_rig_free(rig);
        return status;
    }
    if (status == NW_OK) {
        struct cli_progress bar;
        const struct nw_progress progress = cli_progress_begin(&bar, "simulating");
        status = nw_synth_night(rig, cli_text(args, "setup"), &opts, folder, &progress, err);
        cli_progress_end(&bar);
    }
    if (status == NW_OK) {
        status = say(args, n_frames(&opts), rig, result, err);
    }
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_SYNTH = {
    .name = "synth",
    .arguments = "RIG -o DIR",
    .help = "A simulated night: frames, guide log, and the truth beside them",
    .notes = "Frames are FITS with the usual cards, guide.csv is a guide log as any program could "
             "have written it, truth.json tells what no analyser is told.",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1,
    .run = run,
};
