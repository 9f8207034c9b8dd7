/* cmd_season.c - `season RIG --targets FILE --from DATE`: which target loses its season first. */
#include "cli/night_load.h"
#include "report/report_plan.h"

static const struct cli_option OPTIONS[] = {
    CLI_NIGHT_OPTIONS,
    {.name = "from", .kind = CLI_TEXT, .value = "YYYY-MM-DD", .help = "the first evening"},
    {.name = "nights",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "how many nights, else 365",
     .min = 1,
     .max = 400},
    {0},
};

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct cli_night night = {0};
    struct nw_season_row *rows = NULL;
    struct nw_season_report report = {.n_days = (size_t)cli_count(args, "nights", 365)};
    enum nw_status status = cli_night_load(args, "from", &night, err);
    if (status == NW_OK) {
        rows = nw_calloc(night.targets->n, sizeof *rows);
        status = rows ? nw_season(&night.input, report.n_days, rows, &report.n_dark, err)
                      : nw_err_set(err, NW_NOMEM, "season");
    }
    if (status == NW_OK) {
        report.input = &night.input;
        report.rows = rows;
        report.n = night.targets->n;
        if (cli_wants_json(args)) {
            status = nw_report_season_json(&report, &result->json, err);
        } else {
            nw_report_season_text(&report, &result->text);
        }
    }
    free(rows);
    cli_night_done(&night);
    return status;
}

const struct cli_command CMD_SEASON = {
    .name = "season",
    .arguments = "RIG --targets FILE --from YYYY-MM-DD",
    .help = "hours available against hours needed; which target loses its season first",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
