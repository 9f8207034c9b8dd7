/* cmd_plan.c - `plan RIG --targets FILE --night DATE`: what to image when. */
#include "cli/keep.h"
#include "cli/night_load.h"
#include "report/report_plan.h"

static const struct cli_option OPTIONS[] = {
    CLI_NIGHT_OPTIONS,
    CLI_OPTION_KEEP,
    CLI_OPTION_BOOK,
    {.name = "night",
     .kind = CLI_TEXT,
     .value = "YYYY-MM-DD",
     .help = "the evening's date, by the Sun of the site"},
    {.name = "forecast",
     .kind = CLI_TEXT,
     .value = "FILE.csv",
     .help = "columns time, cloud_percent: order by expected worth, and when to stop"},
    {.name = "solar", .help = "with a card for imaging the Sun on that day, and its cautions"},
    {.name = "ics", .kind = CLI_TEXT, .value = "FILE", .help = "write a calendar of the night"},
    {.name = "chart",
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "draw the night as a timetable"},
    {0},
};

typedef enum nw_status writer(const struct nw_plan_report *report, struct nw_buf *ret,
                              struct nw_err *err);

static enum nw_status write_file(const struct nw_plan_report *report, writer *write,
                                 const char *path, struct nw_err *err) {
    struct nw_buf out;
    nw_buf_init(&out, NW_REPORT_MAX_BYTES);
    enum nw_status status = write(report, &out, err);
    status = status == NW_OK ? nw_file_write_atomic(path, out.data, out.len, err) : status;
    nw_buf_done(&out);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct cli_night night = {0};
    struct nw_plan *plan = NULL;
    enum nw_status status = cli_night_load(args, "night", &night, err);
    if (status == NW_OK && cli_given(args, "forecast")) {
        status = cli_night_forecast(cli_text(args, "forecast"), &night, err);
    }
    status = status == NW_OK ? nw_plan_new(&night.input, &plan, err) : status;
    if (status != NW_OK) {
        goto done;
    }
    struct nw_solar_card solar = {0};
    if (cli_given(args, "solar")) {
        status = nw_solar_card_of(night.rig, night.input.date_s, &solar, err);
    }
    char zone[32];
    const double offset_s = nw_time_zone_is_summer(&night.zone, plan->sunset_s)
                                ? night.zone.summer_s
                                : night.zone.standard_s;
    const long minutes = (long)(offset_s / 60.0);
    (void)snprintf(zone, sizeof zone, "UTC%c%02ld:%02ld", minutes < 0 ? '-' : '+',
                   labs(minutes) / 60, labs(minutes) % 60);
    struct nw_light_gain_plan gains;
    nw_plan_gains(&night.input, plan, &gains);
    const struct nw_plan_report report = {.input = &night.input,
                                          .plan = plan,
                                          .zone = night.zone,
                                          .solar = cli_given(args, "solar") ? &solar : NULL,
                                          .zone_name = zone,
                                          .gains = &gains};
    if (status == NW_OK && cli_given(args, "ics")) {
        status = write_file(&report, nw_report_plan_ics, cli_text(args, "ics"), err);
    }
    if (status == NW_OK && cli_given(args, "chart")) {
        status = write_file(&report, nw_report_plan_svg, cli_text(args, "chart"), err);
    }
    if (status == NW_OK && !cli_wants_json(args)) {
        nw_report_plan_text(&report, &result->text);
    }
    if (status == NW_OK && cli_wants_document(args)) {
        json_t *document = NULL;
        struct nw_about about;
        nw_about_init(&about, night.rig, night.input.setup);
        status = nw_report_plan_json(&report, &document, err);
        status = status == NW_OK ? cli_document(args, &about, document, result, err) : status;
    }
done:
    nw_plan_free(plan);
    cli_night_done(&night);
    return status;
}

const struct cli_command CMD_PLAN = {
    .name = "plan",
    .arguments = "RIG --targets FILE --night YYYY-MM-DD",
    .help = "what to image when in one night, with subs, flips, focus runs and switches",
    .notes = "Windows by altitude, horizon, walls, Moon and contact limits; the best order of one "
             "to three targets by what each minute is worth. It controls nothing.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
