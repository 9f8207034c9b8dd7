/* cmd_power.c - `power RIG [LOG]`: the tree from mains to loads, and a power log beside it. */
#include "cli/cli.h"
#include "report/report_power.h"

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_power_result *const power = nw_calloc(1, sizeof *power);
    if (!power) {
        return nw_err_set(err, NW_NOMEM, "currents");
    }
    const struct nw_setup *setup = NULL;
    enum nw_status status = cli_read_rig(args, &rig, &setup, err);
    if (status == NW_OK) {
        status = nw_power_result_of(rig, setup, power, err);
    }
    struct nw_power_log *const log = nw_calloc(1, sizeof *log);
    struct nw_power_report report = {.rig = rig, .setup = setup, .result = power};
    if (status == NW_OK && !log) {
        status = nw_err_set(err, NW_NOMEM, "power log");
    }
    if (status == NW_OK && cli_n_args(args) > 1) {
        report.log_path = cli_arg(args, 1);
        report.log = log;
        status = nw_power_log_read(report.log_path, power, log, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_power_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_power_text(&report, &result->text);
    }
    free(log);
    free(power);
    nw_rig_free(rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "whose circuits are on (setups.*.off), else the rig's first"},
    CLI_OPTION_SET,
    {0},
};

const struct cli_command CMD_POWER = {
    .name = "power",
    .arguments = "RIG [LOG]",
    .help = "from mains to loads: volts, amps, fuses, energy, power cuts",
    .notes =
        "From the circuits of the rig file (rig --keys: circuits.*): the voltage at every "
        "load through its wire, headroom of fuses and supplies while imaging and when cooling, "
        "straps and slewing coincide, which load browns out first, energy a night and a year, "
        "what a power cut takes and how long a battery carries the rest.\n"
        "It replaces no electrician.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 2,
    .run = run,
};
