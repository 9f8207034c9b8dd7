/* cmd_guiding.c - `guiding LOG...`: what the star did, what the mount did within a sub. */
#include <math.h>

#include "cli/guide_compare.h"
#include "cli/guide_files.h"
#include "cli/guide_polar.h"
#include "report/report_guiding.h"
#include "report/report_runs.h"

static const struct cli_option OPTIONS[] = {
    {.name = "sub",
     .kind = CLI_NUMBER,
     .value = "SECONDS",
     .help = "exposure of the main camera, to cut the log up; else 300",
     .min = 1.0,
     .max = 86400.0},
    {.name = "noise-floor",
     .kind = CLI_NUMBER,
     .value = "ARCSEC",
     .help = "least noise per axis of a guide sample, from seeing and centroid",
     .min = 0.0,
     .max = 60.0},
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "file with the section logs: that describes how the logs are laid out"},
    {.name = "layout",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "read by this layout, not by the one that fits best"},
    {.name = "run",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "only this run of a log that has several",
     .min = 1,
     .max = 100000},
    {.name = "frames",
     .kind = CLI_LIST,
     .value = "FOLDER|FILE",
     .help = "frames of the main camera: turn of the field (polar axis), flexure"},
    {.name = "guide-star",
     .kind = CLI_TEXT,
     .value = "EAST,NORTH",
     .help =
         "with --frames: where the guide star stands beside their middle, such as \"0.4 deg,-12 "
         "arcmin\"; else it may be half a degree off, which is part of the errors"},
    {.name = "chart",
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "draw the longest run: motion against lag, worm turn, trace"},
    {.name = "compare",
     .kind = CLI_FLAG,
     .help = "two settings by turns, over all logs given: which moves the star less"},
    {.name = "settings",
     .kind = CLI_LIST,
     .value = "NAME=FROM/TO",
     .help = "for --compare: when a setting ruled; else event rows \"setting NAME\" say so"},
    {0},
};

/* The document of the longest run; with several, all of them in it. */
static enum nw_status write_json(const struct guide_files *files,
                                 const struct nw_polar_report *polar, json_t **ret,
                                 struct nw_err *err) {
    json_t *document = NULL;
    enum nw_status status = nw_report_run_json(&files->results[files->longest], &document, err);
    if (status == NW_OK && files->n > 1) {
        status = nw_report_runs_json(files->results, files->n, document, err);
    }
    if (status == NW_OK) {
        status = nw_report_polar_json(polar, document, err);
    }
    if (status == NW_OK) {
        *ret = document;
        document = NULL;
    }
    json_decref(document);
    return status;
}

static void write_text(const struct guide_files *files, const struct nw_polar_report *polar,
                       struct nw_buf *text) {
    const struct nw_guide_result *const r = &files->results[files->longest];
    if (files->n > 1) {
        nw_report_runs_text(files->results, files->n, text);
        nw_buf_printf(text, "\nthe longest, run %zu of ", r->number);
    }
    nw_report_run_text(r, text);
    nw_report_polar_text(polar, text);
}

static enum nw_status write_chart(const struct guide_files *files, const char *path,
                                  struct nw_err *err) {
    const struct nw_guide_result *const r = &files->results[files->longest];
    struct nw_buf svg = {0};
    enum nw_status status = nw_report_guiding_chart(
        r->file->items[r->number - 1].log, r->file->n > 1 ? r->number : 0, r->analysis, &svg, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, svg.data, svg.len, err);
    }
    nw_buf_done(&svg);
    return status;
}

/* NULL: none, or a file that describes logs alone. */
static struct nw_rig *read_rig(const char *path) {
    struct nw_rig *rig = NULL;
    struct nw_err none = {0};
    return path && nw_rig_read(path, NULL, 0, &rig, &none) == NW_OK ? rig : NULL;
}

/* "0.4 deg,-12 arcmin"; NULL: not given. */
static enum nw_status read_guide_star(const char *text, struct guide_star *ret,
                                      struct nw_err *err) {
    const char *const comma = text ? strchr(text, ',') : NULL;
    char east[40] = "";
    if (!text) {
        return NW_OK;
    }
    if (!comma || (size_t)(comma - text) >= sizeof east) {
        return nw_err_set(err, NW_USAGE,
                          "--guide-star %.60s: expected EAST,NORTH such as \"0.4 deg,-12 arcmin\"",
                          text);
    }
    nw_text_copy(east, (size_t)(comma - text) + 1, text);
    enum nw_status status = nw_quantity_read(east, NW_DIM_ANGLE, &ret->east_rad, err);
    if (status == NW_OK) {
        status = nw_quantity_read(comma + 1, NW_DIM_ANGLE, &ret->north_rad, err);
    }
    if (status == NW_OK && !(hypot(ret->east_rad, ret->north_rad) < 5.0 * NW_RAD_PER_DEG)) {
        return nw_err_set(err, NW_USAGE, "--guide-star %.60s: over 5 deg from the middle", text);
    }
    ret->is_given = true;
    return status == NW_OK ? NW_OK : nw_err_at(err, NW_USAGE, "--guide-star");
}

/* The polar axis from the logs and, where frames were given, from the turn of their field. */
static enum nw_status look_at_pole(const struct cli_args *args, const struct nw_rig *rig,
                                   struct guide_files *files, struct guide_frames *frames,
                                   struct nw_polar_report *ret, struct nw_err *err) {
    size_t n_given = 0;
    const char *const *given = cli_texts(args, "frames", &n_given);
    struct guide_air air = guide_air(rig, files);
    struct guide_star guide = {.is_given = false};
    enum nw_status status = read_guide_star(cli_text(args, "guide-star"), &guide, err);
    if (status == NW_OK && guide.is_given && n_given == 0) {
        status = nw_err_set(err, NW_USAGE,
                            "--guide-star goes with --frames: it says where the "
                            "guide star stands beside their middle");
    }
    if (status == NW_OK && n_given > 0) {
        status = guide_frames_read(given, n_given, &air, guide, files, frames, err);
    }
    if (status == NW_OK) {
        status = guide_polar(files, n_given > 0 ? frames : NULL, &air.state, ret, err);
    }
    ret->air = air.state;
    ret->air_from = air.from;
    nw_text_copy(ret->air_words, sizeof ret->air_words, air.words);
    ret->mount = rig ? &rig->mount : NULL;
    ret->n_frames = frames->n_frames;
    ret->n_moves = frames->n_moves;
    ret->flexures = frames->flexures;
    ret->n_flexures = frames->n_flexures;
    nw_text_copy(ret->why_no_flexure, sizeof ret->why_no_flexure, frames->why_null);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const struct guide_request request = {
        .paths = cli_positional(args),
        .n_paths = cli_n_args(args),
        .rig = cli_text(args, "rig"),
        .layout = cli_text(args, "layout"),
        .run = (size_t)cli_number(args, "run", 0.0),
        .opts = {.sub_length_s = cli_number(args, "sub", 300.0),
                 .noise_floor_rad = cli_number(args, "noise-floor", NAN) / NW_ARCSEC_PER_RAD}};
    struct guide_files files = {0};
    struct nw_polar_report polar = {0};
    struct guide_frames frames = {0};
    struct nw_rig *const rig = read_rig(request.rig);
    enum nw_status status =
        cli_given(args, "settings") && !cli_given(args, "compare")
            ? nw_err_set(err, NW_USAGE, "--settings goes with --compare: when each of them ruled")
            : guide_files_read(&request, &files, err);
    status = status == NW_OK ? look_at_pole(args, rig, &files, &frames, &polar, err) : status;
    if (status == NW_OK && cli_given(args, "chart")) {
        status = write_chart(&files, cli_text(args, "chart"), err);
    }
    if (status == NW_OK && cli_given(args, "compare")) {
        size_t n_spans = 0;
        const char *const *spans = cli_texts(args, "settings", &n_spans);
        status = guide_compare(&files, spans, n_spans, cli_wants_json(args), result, err);
    } else if (status == NW_OK && cli_wants_json(args)) {
        status = write_json(&files, &polar, &result->json, err);
    } else if (status == NW_OK) {
        write_text(&files, &polar, &result->text);
    }
    guide_frames_done(&frames);
    guide_files_done(&files);
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_GUIDING = {
    .name = "guiding",
    .arguments = "LOG...",
    .help = "guide logs: noise, motion within a sub, drift, response to pulses",
    .notes =
        "A log is a CSV file, or a text log that the section logs: of RIG describes "
        "(docs/formats.md; `log --try` shows what was understood). The rms \"as logged\" holds "
        "noise of the guide star beside motion; what widens the main camera's stars is the motion "
        "within one exposure, given with bounds. With several runs the longest is shown whole and "
        "the others in a table; --run shows one of them; JSON holds the longest, a list \"runs\" "
        "of all, and \"joined\".",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1000,
    .run = run,
};
