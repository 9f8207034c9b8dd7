/* cmd_handover.c - `handover NIGHT|TARGET|FOLDER`: what whoever stacks needs, and the audit of what
 * came of it. */
#include "cli/handover_load.h"

static const struct cli_option OPTIONS[] = {
    {.name = "calibration",
     .kind = CLI_LIST,
     .value = "FOLDER",
     .help = "dark, flat and bias frames, where they are not beside the subs"},
    {.name = "csv",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "writes the list that goes with the files: weights, reasons, checksums"},
    {.name = "master",
     .kind = CLI_LIST,
     .value = "FILE",
     .help = "a finished stack of these subs, made anywhere: noise and width against them"},
    {.name = "pattern",
     .kind = CLI_CHOICE,
     .value = "RGGB|BGGR|GRBG|GBRG",
     .help = "the colour filters over the pixels, when the headers do not say"},
    {.name = "leave-out", .kind = CLI_LIST, .value = "NAME", .help = "subs that you leave out"},
    {.name = "least-weight",
     .kind = CLI_NUMBER,
     .value = "W",
     .help = "subs under it in both currencies are left out, else 0.1 of the best",
     .min = 0.0,
     .max = 1.0},
    {.name = "verify",
     .kind = CLI_TEXT,
     .value = "CSV",
     .help = "instead of all else: are the files of this list there and the same?"},
    {.name = "in",
     .kind = CLI_TEXT,
     .value = "FOLDER",
     .help = "of --verify: where the copies are"},
    CLI_OPTION_BOOK,
    {0},
};

static enum nw_status write_csv(const char *path, const struct nw_handover_report *report,
                                struct cli_result *result, struct nw_err *err) {
    struct nw_buf csv;
    nw_buf_init(&csv, NW_REPORT_MAX_BYTES);
    nw_report_handover_csv(report, &csv);
    const enum nw_status status = nw_buf_failed(&csv)
                                      ? nw_err_set(err, NW_NOMEM, "%s", path)
                                      : nw_file_write_atomic(path, csv.data, csv.len, err);
    nw_buf_printf(&result->text, "\nwrote ");
    nw_report_clean(&result->text, path);
    nw_buf_printf(&result->text, "\n");
    nw_buf_done(&csv);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    if (cli_given(args, "verify")) {
        return cli_handover_verify(cli_text(args, "verify"), cli_text(args, "in"), result, err);
    }
    if (cli_n_args(args) == 0) {
        return nw_err_set(err, NW_USAGE, "expected a night, a target, a folder, or --verify CSV");
    }
    struct cli_handover w = {.n_subs = 0};
    const char *const csv = cli_text(args, "csv");
    enum nw_status status = cli_handover_load(args, &w, err);
    status = status == NW_OK && csv ? cli_handover_hash(&w, err) : status;
    const struct nw_handover_report report = {.what = cli_arg(args, 0),
                                              .subs = w.subs,
                                              .n_subs = w.n_subs,
                                              .groups = w.groups,
                                              .n_groups = w.n_groups,
                                              .frames = w.frames,
                                              .n_frames = w.n_frames,
                                              .sets = w.sets,
                                              .n_sets = w.n_sets,
                                              .files = w.files,
                                              .masters = w.audits,
                                              .n_masters = w.masters.n,
                                              .n_unreadable = w.n_unreadable};
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_handover_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_handover_text(&report, &result->text);
    }
    status = status == NW_OK && csv ? write_csv(csv, &report, result, err) : status;
    cli_handover_done(&w);
    return status;
}

const struct cli_command CMD_HANDOVER = {
    .name = "handover",
    .arguments = "NIGHT|TARGET|FOLDER...",
    .help =
        "Subs kept and left out with reasons and weights, calibration frames, checksums; audits "
        "a master.",
    .notes = "A night (2026-06-14) or a target is looked up in the book, which knows where the "
             "files were; folders and files are taken as they are. Nothing is copied, moved or "
             "changed. Of colour cameras every colour has weights of its own.\n"
             "Examples: handover night/ --csv list.csv; handover 2026-06-14 --master stack.fits; "
             "handover --verify list.csv --in /media/copy",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1000,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
