/* cmd_log.c - `log --try FILE [RIG]`: what a description made of a guide log. */
#include <math.h>

#include "cli/cli.h"
#include "report/report_log.h"

static const struct cli_option OPTIONS[] = {
    {.name = "try", .kind = CLI_TEXT, .value = "FILE", .help = "the log to read"},
    {.name = "layout",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "read it by this layout, not by the one that fits best"},
    {.name = "run",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "show the rows of this run; else of the longest",
     .min = 1,
     .max = 100000},
    {0},
};

static size_t longest(const struct nw_guide_runs *runs) {
    size_t best = 0;
    for (size_t i = 1; i < runs->n; i++) {
        best = runs->items[i].n_rows > runs->items[best].n_rows ? i : best;
    }
    return best;
}

static enum nw_status show(const struct cli_args *args, const struct nw_guide_runs *runs,
                           struct cli_result *result, struct nw_err *err) {
    size_t run = longest(runs);
    if (cli_given(args, "run")) {
        run = (size_t)cli_number(args, "run", 1.0) - 1;
        if (run >= runs->n) {
            return nw_err_set(err, NW_USAGE, "--run %zu: the log has %zu", run + 1, runs->n);
        }
    }
    if (cli_wants_json(args)) {
        return nw_report_log_json(runs, &result->json, err);
    }
    nw_report_log_text(runs, run, &result->text);
    return NW_OK;
}

static enum nw_status run_log(const struct cli_args *args, struct cli_result *result,
                              struct nw_err *err) {
    const char *const path = cli_text(args, "try");
    struct nw_log_layout *items = NULL;
    struct nw_guide_runs *runs = NULL;
    struct nw_guide_layouts layouts = {.which = cli_text(args, "layout")};
    if (!path) {
        return nw_err_set(err, NW_USAGE, "nothing to do: give --try FILE");
    }
    enum nw_status status = NW_OK;
    if (cli_n_args(args) > 0) {
        status = nw_rig_read_layouts(cli_arg(args, 0), &items, &layouts.n, err);
        layouts.items = items;
    }
    if (status == NW_OK) {
        status = nw_guide_read_runs(path, &layouts, &runs, err);
    }
    if (status == NW_OK) {
        status = show(args, runs, result, err);
    }
    nw_guide_runs_free(runs);
    free(items);
    return status;
}

const struct cli_command CMD_LOG = {
    .name = "log",
    .arguments = "--try FILE [RIG]",
    .help = "what a description of a guide log made of it",
    .notes =
        "RIG is a rig file, or a file of its own, with the section logs: that describes how text "
        "logs are laid out (docs/formats.md, \"Described logs\"). Without it the file must be the "
        "CSV. Shown are runs, columns, what holds for a run, the lines left out with their "
        "reasons, and a minute drawn to check what is up, down, + and -.",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1,
    .run = run_log,
};
