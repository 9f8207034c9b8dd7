/* cmd_spacing.c - `spacing RIG`: rings for the corrector's spacing, and what changes of it show. */
#include <math.h>

#include "cli/cli.h"
#include "report/report_spacing.h"

/* "644.2 mm" or "644.2 mm +- 0.1 mm" */
static enum nw_status read_length(const struct cli_args *args, const char *name, struct nw_val *ret,
                                  struct nw_err *err) {
    char text[80];
    const char *const given = cli_text(args, name);
    const char *const pm = strstr(given, "+-");
    (void)snprintf(text, sizeof text, "%.*s", pm ? (int)(pm - given) : 79, given);
    *ret = (struct nw_val){.v = NAN, .sigma = 0.0, .from = NW_FROM_MEASURED};
    enum nw_status status = nw_quantity_read(text, NW_DIM_LENGTH, &ret->v, err);
    if (status == NW_OK && pm) {
        status = nw_quantity_read(pm + 2, NW_DIM_LENGTH, &ret->sigma, err);
    }
    return status == NW_OK ? NW_OK : nw_err_at(err, NW_USAGE, "--%s", name);
}

static enum nw_status pair_of(const struct cli_args *args, const char *before, const char *after,
                              bool *ret_has, struct nw_val ret[2], struct nw_err *err) {
    *ret_has = cli_given(args, before) && cli_given(args, after);
    if (!*ret_has) {
        return cli_given(args, before) || cli_given(args, after)
                   ? nw_err_set(err, NW_USAGE, "--%s and --%s are given together", before, after)
                   : NW_OK;
    }
    enum nw_status status = read_length(args, before, &ret[0], err);
    return status == NW_OK ? read_length(args, after, &ret[1], err) : status;
}

static enum nw_status changes(const struct cli_args *args, struct nw_spacing_report *r,
                              struct nw_err *err) {
    struct nw_val f[2];
    struct nw_val c[2];
    struct nw_val by = {NAN, NAN, NW_FROM_UNKNOWN};
    enum nw_status status = pair_of(args, "focal-before", "focal-after", &r->has_change, f, err);
    if (status == NW_OK && r->has_change && !(f[0].v > 0.0 && f[1].v > 0.0)) {
        status = nw_err_set(err, NW_USAGE, "--focal-before, --focal-after: a focal length is > 0");
    }
    if (status == NW_OK && r->has_change) {
        r->change_m = nw_back_focus_change_m(r->focus->scale_per_m, &f[0], &f[1]);
    }
    if (status == NW_OK) {
        status = pair_of(args, "curvature-before", "curvature-after", &r->has_response, c, err);
    }
    if (status == NW_OK && cli_given(args, "changed")) {
        status = read_length(args, "changed", &by, err);
        if (status == NW_OK && !r->has_response) {
            status = nw_err_set(err, NW_USAGE,
                                "--changed goes with --curvature-before and --curvature-after");
        }
    }
    if (status == NW_OK && r->has_response && !cli_given(args, "changed")) {
        if (r->has_change && isfinite(r->change_m.v)) {
            by = r->change_m;
        } else {
            status =
                nw_err_set(err, NW_USAGE,
                           "--curvature-before, --curvature-after need --changed LENGTH: by how "
                           "much the spacing became longer");
        }
    }
    if (status == NW_OK && r->has_response) {
        if (!(fabs(by.v) > 0.0) || !(fabs(c[1].v - c[0].v) > 0.0)) {
            return nw_err_set(err, NW_USAGE,
                              "spacing changed by %g mm and curvature by %g um: both must change",
                              by.v * 1e3, (c[1].v - c[0].v) * 1e6);
        }
        r->response = nw_back_focus_response(&c[0], &c[1], &by);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_back_focus focus;
    struct nw_ring_answer answer;
    struct nw_err why = {0};
    struct nw_spacing_report report = {.focus = &focus};
    enum nw_status status = cli_read_rig(args, &rig, &report.setup, err);
    if (status == NW_OK) {
        report.rig = rig;
        status = nw_back_focus_of(report.setup, &focus, err);
    }
    if (status == NW_OK && nw_back_focus_rings(rig, &focus, &answer, &why) == NW_OK) {
        report.rings = &answer;
    }
    nw_text_copy(report.why_no_rings, sizeof report.why_no_rings, why.text);
    if (status == NW_OK) {
        status = changes(args, &report, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_spacing_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_spacing_text(&report, &result->text);
    }
    nw_rig_free(rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_SETUP,
    CLI_OPTION_SET,
    {.name = "focal-before",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "focal length of a solved frame, such as \"644.2 mm +- 0.1 mm\""},
    {.name = "focal-after",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "and of one after the spacing was changed: by how much it was"},
    {.name = "curvature-before",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "curvature from `surface`, such as \"60 um +- 3 um\""},
    {.name = "curvature-after",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "and after the change: where it would be none"},
    {.name = "changed",
     .kind = CLI_TEXT,
     .value = "LENGTH",
     .help = "by how much the spacing became longer; else from the focal lengths"},
    {0},
};

const struct cli_command CMD_SPACING = {
    .name = "spacing",
    .arguments = "RIG",
    .help = "rings for the corrector's spacing; by how much the spacing changed",
    .notes =
        "The rig file says what the corrector asks for, what stands behind it and which rings "
        "you have (correctors, pieces, spacers, cameras, setups.*.path and rings). Every set of "
        "rings is tried. The lines of the sum: check RIG --budget back_focus.\n"
        "A frame shows changes of spacing by its scale; the spacing itself only beside a frame "
        "without the corrector, and never for a flattener of 1x.\n"
        "Examples: spacing rig.yaml; spacing rig.yaml --focal-before \"644.2 mm +- 0.1 mm\" "
        "--focal-after \"642.7 mm +- 0.1 mm\"",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
