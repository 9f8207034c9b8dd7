/* cmd_sheet.c - `sheet RIG -o FILE.svg`: the rig on one A3 page. */
#include "cli/cli.h"
#include "report/report_sheet.h"

static enum nw_status draw(const struct cli_args *args, const struct nw_sheet_report *report,
                           struct cli_result *result, struct nw_err *err) {
    struct nw_buf svg;
    nw_buf_init(&svg, NW_REPORT_MAX_BYTES);
    const char *const path = cli_text(args, "output");
    enum nw_status status = nw_report_sheet_svg(report, &svg, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, svg.data, svg.len, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        struct nw_json json;
        nw_json_begin(&json, "sheet", 1);
        nw_json_text(&json, NULL, "rig", report->rig->name);
        nw_json_text(&json, NULL, "setup", report->setup->name);
        nw_json_text(&json, NULL, "file", path);
        nw_json_count(&json, NULL, "bytes", svg.len);
        nw_json_number(&json, NULL, "width_mm", 420.0, 4);
        nw_json_number(&json, NULL, "height_mm", 297.0, 4);
        status = nw_json_end(&json, &result->json, err);
    } else if (status == NW_OK) {
        nw_buf_printf(&result->text, "%s: A3 landscape, print it at 100 %%\n", path);
    }
    nw_buf_done(&svg);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_power_result *power = NULL;
    struct nw_sheet_report report = {.program = "nightwright " NW_VERSION};
    if (!cli_text(args, "output")) {
        return nw_err_set(err, NW_USAGE, "-o FILE.svg is missing: where the sheet goes");
    }
    enum nw_status status = cli_read_rig(args, &rig, &report.setup, err);
    if (status == NW_OK && rig->wiring->n > 0) {
        power = nw_calloc(1, sizeof *power);
        status = power ? nw_power_result_of(rig, report.setup, power, err)
                       : nw_err_set(err, NW_NOMEM, "currents");
    }
    report.rig = rig;
    report.power = power;
    report.t_utc_s = cli_now_utc_s();
    if (status == NW_OK) {
        status = draw(args, &report, result, err);
    }
    free(power);
    nw_rig_free(rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "output",
     .letter = 'o',
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "the drawing; needed"},
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "whose bodies are drawn and whose train comes first, else the rig's first"},
    CLI_OPTION_SET,
    {0},
};

const struct cli_command CMD_SHEET = {
    .name = "sheet",
    .arguments = "RIG",
    .help = "the rig on one A3 page for the wall: views, paths, wiring, numbers",
    .notes =
        "Drawn from the rig file's own numbers: the mount from its side and down the declination "
        "axis, to scale, with masses and balance points; the optical path of each train with every "
        "length and tolerance; the wiring tree with volts and amps; scale, field, sampling, "
        "limits, serial numbers. What the file does not describe is said in its place.\n"
        "Black and white, millimetres: print it at 100 % on A3 landscape.\n"
        "Example: sheet rig.yaml -o rig.svg",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
