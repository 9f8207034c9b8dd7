/* cmd_guiding.c - `guiding LOG...`: what the star did, what the mount did within a sub. */
#include <math.h>

#include "cli/cli.h"
#include "report/report_guiding.h"

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
    {0},
};

static enum nw_status one(const char *path, const struct nw_guide_opts *opts, bool wants_json,
                          struct nw_buf *text, json_t **ret, struct nw_err *err) {
    struct nw_guide_log *log = NULL;
    struct nw_guide_analysis *analysis = NULL;
    enum nw_status status = nw_guide_read(path, &log, err);
    if (status == NW_OK) {
        status = nw_guide_analyse(log, opts, &analysis, err);
    }
    if (status == NW_OK && wants_json) {
        status = nw_report_guiding_json(log, analysis, ret, err);
    } else if (status == NW_OK) {
        nw_report_guiding_text(log, analysis, text);
    }
    nw_guide_analysis_free(analysis);
    nw_guide_free(log);
    return status;
}

/* Several logs: a list beside the first, which stays the document itself. */
static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const bool wants_json = cli_wants_json(args);
    const struct nw_guide_opts opts = {.sub_length_s = cli_number(args, "sub", 300.0),
                                       .noise_floor_rad = cli_number(args, "noise-floor", NAN) /
                                                          NW_ARCSEC_PER_RAD};
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < cli_n_args(args) && status == NW_OK; i++) {
        json_t *document = NULL;
        if (i > 0 && !wants_json) {
            nw_buf_printf(&result->text, "\n");
        }
        status = one(cli_arg(args, i), &opts, wants_json, &result->text, &document, err);
        if (status == NW_OK && document && i == 0) {
            result->json = document;
        } else if (status == NW_OK && document) {
            json_t *logs = json_object_get(result->json, "logs");
            if (!logs) {
                logs = json_array();
                if (json_object_set_new(result->json, "logs", logs) != 0) {
                    logs = NULL;
                }
            }
            if (json_array_append_new(logs, document) != 0) {
                status = nw_err_set(err, NW_NOMEM, "list of logs");
            }
        }
    }
    return status;
}

const struct cli_command CMD_GUIDING = {
    .name = "guiding",
    .arguments = "LOG...",
    .help = "guide logs: noise, motion within a sub, drift, response to pulses",
    .notes =
        "The log is a CSV file, described in docs/formats.md. The rms \"as logged\" holds noise of "
        "the guide star beside motion; what widens the main camera's stars is the motion within "
        "one exposure, given with bounds. With several logs, JSON holds the first and a list "
        "\"logs\" of the others.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1000,
    .run = run,
};
