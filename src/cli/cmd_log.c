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

/* A climate or power log as our CSV: its beginning, for comparing. */
static enum nw_status show_readings(const struct cli_args *args, const struct nw_log_layout *layout,
                                    const struct nw_buf *csv, struct cli_result *result,
                                    struct nw_err *err) {
    enum { SHOWN = 12 };
    size_t n_lines = 0;
    size_t n_shown = 0;
    for (size_t i = 0; i < csv->len; i++) {
        n_lines += csv->data[i] == '\n' ? 1 : 0;
        n_shown = n_lines <= SHOWN ? i + 1 : n_shown;
    }
    if (cli_wants_json(args)) {
        struct nw_json json;
        nw_json_begin(&json, "log", 1);
        nw_json_text(&json, NULL, "layout", layout->name);
        nw_json_count(&json, NULL, "rows", n_lines - 1);
        nw_json_text(&json, NULL, "csv", csv->data);
        return nw_json_end(&json, &result->json, err);
    }
    nw_buf_printf(&result->text, "readings by logs.%s, %zu rows; as `book add` takes them:\n\n",
                  layout->name, n_lines - 1);
    nw_buf_printf(&result->text, "%.*s", (int)n_shown, csv->data);
    return NW_OK;
}

/* *ret_is_done: a layout of readings read it. A named one that does not is an error. */
static enum nw_status try_readings(const struct cli_args *args, const char *path,
                                   const struct nw_guide_layouts *layouts,
                                   struct cli_result *result, bool *ret_is_done,
                                   struct nw_err *err) {
    enum { MAX_BYTES = 1 << 28 };
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, MAX_BYTES, &data, &len, err);
    *ret_is_done = false;
    for (size_t i = 0; i < layouts->n && status == NW_OK && !*ret_is_done; i++) {
        const struct nw_log_layout *const layout = &layouts->items[i];
        const bool is_named = layouts->which && strcmp(layouts->which, layout->name) == 0;
        struct nw_err why = {0};
        struct nw_buf csv;
        if (layout->readings[0] == '\0' || (layouts->which && !is_named)) {
            continue;
        }
        nw_buf_init(&csv, MAX_BYTES);
        const enum nw_status read = nw_log_readings(path, data, len, layout, &csv, &why);
        if (read == NW_OK) {
            *ret_is_done = true;
            status = show_readings(args, layout, &csv, result, err);
        } else if (is_named || read == NW_FORMAT) {
            status = nw_err_set(err, read, "%s", why.text);
        }
        nw_buf_done(&csv);
    }
    free(data);
    return status;
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
    bool is_done = false;
    if (status == NW_OK) {
        status = try_readings(args, path, &layouts, result, &is_done, err);
    }
    if (status == NW_OK && !is_done) {
        status = nw_guide_read_runs(path, &layouts, &runs, err);
    }
    if (status == NW_OK && !is_done) {
        status = show(args, runs, result, err);
    }
    nw_guide_runs_free(runs);
    free(items);
    return status;
}

const struct cli_command CMD_LOG = {
    .name = "log",
    .arguments = "--try FILE [RIG]",
    .help = "what a description of a guide, climate or power log made of it",
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
