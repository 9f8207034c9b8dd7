/* cmd_look.c - nightwright look FOLDER */
#include "cli/cli.h"
#include "report/report.h"

enum { MAX_DEPTH = 3 };

static const struct cli_option OPTIONS[] = {
    {.name = "all",
     .kind = CLI_FLAG,
     .help = "measure every light frame, however long it takes; otherwise an even subset when all "
             "would take more than about ten seconds, and the answer says so"},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "threads to use; without it all cores",
     .min = 1,
     .max = 256},
    {0},
};

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const char *const folder = cli_arg(args, 0);
    const struct nw_look_opts opts = {
        .all = cli_given(args, "all"),
        .n_threads = (int)cli_count(args, "threads", 0),
        .max_depth = MAX_DEPTH,
    };
    struct nw_look *look = NULL;
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    enum nw_status status = nw_look_folder(folder, &opts, &progress, &look, err);
    cli_progress_end(&bar);
    if (status != NW_OK) {
        return status;
    }
    for (size_t i = 0; i < look->n_skipped; i++) {
        cli_warn("skipped %s", look->skipped[i].why); /* the reason names the path */
    }
    if (cli_wants_json(args)) {
        status = nw_report_look_json(look, folder, &result->json, err);
    } else {
        nw_report_look_text(look, folder, &result->text);
    }
    nw_look_free(look);
    return status;
}

const struct cli_command CMD_LOOK = {
    .name = "look",
    .arguments = "FOLDER",
    .help = "Says what last night's frames tell by themselves: no rig file needed.",
    .notes =
        "Star width through the night, elongation, pattern over the field, light and sky, time "
        "between subs, what changed in the headers, and what stands out, in order of what it "
        "costs. Sub-folders are searched too (three levels). Only light frames count: bias, dark "
        "and flat frames are left out by their image type; files that cannot be read (still being "
        "written, say) are skipped with a warning.\n"
        "Frames are compared within groups of the same camera, filter and exposure. Costs are "
        "shares of exposure time. Times are UTC as the headers give them.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .priority = CLI_PRIORITY_IDLE,
    .run = run,
};
