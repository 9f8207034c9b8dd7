/* cmd_balance.c - `balance RIG`: moments about both axes, where things go, which weights. */
#include <math.h>

#include "cli/cli.h"
#include "report/report_balance.h"

enum { MAX_FOUND = 8 };

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_SETUP,
    {.name = "moment",
     .kind = CLI_TEXT,
     .value = "WHERE=N_M",
     .help = "what you found with that arm level, in N m, as tube=, side= or shaft=; 0 when it "
             "stayed; + when the sky end, the +y side or the tube end is heavy",
     .is_repeatable = true},
    {.name = "keep",
     .kind = CLI_NUMBER,
     .value = "N_M",
     .help =
         "leave this moment about the polar axis on purpose, against backlash: + tube end heavy",
     .min = -5.0,
     .max = 5.0},
    {.name = "compare", .help = "all setups and selections of weights in one table"},
    {.name = "attitudes", .help = "what is left at each attitude, as described now"},
    CLI_OPTION_SET,
    {0},
};

/* "shaft=0.3": found to 5 % of it and 0.05 N m, what a spring balance and friction allow (common
 * practice, no source). */
static enum nw_status read_found(const char *text, struct nw_balance_found *ret,
                                 struct nw_err *err) {
    static const char *const NAMES[] = {"tube", "side", "shaft"};
    const char *const equals = strchr(text, '=');
    for (int i = 0; equals && i < 3; i++) {
        const size_t len = (size_t)(equals - text);
        if (strlen(NAMES[i]) == len && strncmp(NAMES[i], text, len) == 0 &&
            nw_text_to_double(equals + 1, &ret->moment_n_m) && fabs(ret->moment_n_m) < 1000.0) {
            ret->along = i;
            ret->sigma_n_m = hypot(0.05 * ret->moment_n_m, 0.05);
            return NW_OK;
        }
    }
    return nw_err_set(err, NW_USAGE,
                      "--moment is '%.60s', expected tube=, side= or shaft= and a number of N m",
                      text);
}

static enum nw_status learn(const struct cli_args *args, const struct nw_rig *rig,
                            struct nw_body *bodies, size_t n, struct nw_balance_found *found,
                            size_t *ret_n, struct nw_err *err) {
    size_t n_found = 0;
    const char *const *const texts = cli_texts(args, "moment", &n_found);
    if (n_found > MAX_FOUND) {
        return nw_err_set(err, NW_USAGE, "--moment %zu times, at most %d", n_found, MAX_FOUND);
    }
    for (size_t i = 0; i < n_found; i++) {
        const enum nw_status status = read_found(texts[i], &found[i], err);
        if (status != NW_OK) {
            return status;
        }
        /* a level tube feels all of gravity; a level shaft turns the tilted polar axis */
        const double per_kg_m =
            NW_GRAVITY_M_S2 * (found[i].along == 2 ? cos(rig->site.latitude_rad.v) : 1.0);
        found[i].off_sigma =
            nw_balance_learn(bodies, n, found[i].along, found[i].moment_n_m / per_kg_m,
                             found[i].sigma_n_m / per_kg_m);
    }
    *ret_n = n_found;
    return NW_OK;
}

static enum nw_status analyse(const struct cli_args *args, struct nw_balance_report *report,
                              struct nw_err *err) {
    const struct nw_rig *const rig = report->rig;
    const struct nw_body *const bodies = report->bodies;
    const size_t n = report->n_bodies;
    enum nw_status status = nw_balance_of(rig, bodies, n, false, &report->closed, err);
    if (status == NW_OK) {
        status = nw_balance_of(rig, bodies, n, true, &report->open, err);
    }
    if (status != NW_OK) {
        return status;
    }
    for (size_t i = 0; i < n; i++) {
        report->has_hinge = report->has_hinge || bodies[i].hinge >= 0;
    }
    report->keep_n_m = cli_number(args, "keep", 0.0);
    const double per_kg_m = NW_GRAVITY_M_S2 * cos(rig->site.latitude_rad.v);
    nw_balance_adjust(&report->closed, bodies, n, report->keep_n_m / per_kg_m, &report->plan);
    return nw_balance_weights(&report->closed, bodies, n, &report->weights, err);
}

/* ---- --compare ---- */

static void name_weights(const struct nw_body *bodies, const struct nw_weights *weights,
                         const struct nw_weights_choice *choice, struct nw_balance_row *row) {
    row->innermost_m = INFINITY;
    for (size_t k = 0; k < weights->n; k++) {
        if (choice->used >> k & 1u) {
            const size_t at = strlen(row->weights);
            (void)snprintf(row->weights + at, sizeof row->weights - at, "%s%.40s at %.0f mm",
                           at > 0 ? ", " : "", bodies[weights->body[k]].name,
                           choice->place_m[k] * 1e3);
            row->innermost_m = fmin(row->innermost_m, -choice->place_m[k]);
        }
    }
}

/* One setup: its selection of least inertia and that of most. Adds one or two rows. */
static enum nw_status compare_one(const struct nw_rig *rig, const struct nw_setup *setup,
                                  struct nw_balance_row *rows, size_t *n_rows, struct nw_err *err) {
    struct nw_body *bodies = NULL;
    size_t n = 0;
    struct nw_balance b;
    struct nw_balance_plan plan;
    struct nw_weights weights = {0};
    enum nw_status status = nw_rig_bodies_of(rig, setup, &bodies, &n, err);
    status = status == NW_OK ? nw_balance_of(rig, bodies, n, false, &b, err) : status;
    if (status == NW_OK) {
        nw_balance_adjust(&b, bodies, n, 0.0, &plan);
        status = nw_balance_weights(&b, bodies, n, &weights, err);
    }
    for (size_t i = 0; status == NW_OK && i < 2 && i < weights.n_choices; i++) {
        struct nw_balance_row *const row = &rows[(*n_rows)++];
        const struct nw_arrangement arrangement = {&plan, &weights,
                                                   i == 0 ? 0 : weights.n_choices - 1};
        *row = (struct nw_balance_row){.is_possible = true,
                                       .why = i == 0 ? "least inertia" : "most inertia"};
        nw_text_copy(row->setup, sizeof row->setup, setup->name);
        name_weights(bodies, &weights, &weights.choices[arrangement.choice], row);
        status = nw_balance_arranged(rig, bodies, n, &arrangement, &row->balance, err);
    }
    if (status == NW_OK && weights.n_choices == 0) {
        struct nw_balance_row *const row = &rows[(*n_rows)++];
        *row = (struct nw_balance_row){.why = "no selection of weights balances within its travel"};
        nw_text_copy(row->setup, sizeof row->setup, setup->name);
    }
    nw_weights_done(&weights);
    free(bodies);
    return status;
}

static enum nw_status compare(const struct nw_rig *rig, struct nw_balance_row **ret,
                              struct nw_balance_report *report, struct nw_err *err) {
    *ret = nw_calloc(2 * rig->n_setups, sizeof **ret);
    enum nw_status status = *ret ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu setups", rig->n_setups);
    for (size_t i = 0; i < rig->n_setups && status == NW_OK; i++) {
        status = compare_one(rig, &rig->setups[i], *ret, &report->n_rows, err);
    }
    report->rows = *ret;
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_body *given = NULL;
    struct nw_body *used = NULL;
    struct nw_balance_row *rows = NULL;
    struct nw_balance_found found[MAX_FOUND];
    struct nw_balance_report report = {.found = found};
    enum nw_status status = cli_read_rig(args, &rig, &report.setup, err);
    report.rig = rig;
    if (status != NW_OK) {
        goto done;
    }
    status = nw_rig_bodies_of(rig, report.setup, &given, &report.n_bodies, err);
    if (status == NW_OK) {
        status = nw_rig_bodies_of(rig, report.setup, &used, &report.n_bodies, err);
    }
    if (status == NW_OK) {
        status = learn(args, rig, used, report.n_bodies, found, &report.n_found, err);
    }
    report.bodies = used;
    report.as_given = given;
    if (status == NW_OK) {
        status = analyse(args, &report, err);
    }
    report.has_attitudes = cli_given(args, "attitudes");
    if (status == NW_OK && cli_given(args, "compare")) {
        status = compare(rig, &rows, &report, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_balance_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_balance_text(&report, &result->text);
    }
done:
    nw_weights_done(&report.weights);
    free(rows);
    free(given);
    free(used);
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_BALANCE = {
    .name = "balance",
    .arguments = "RIG",
    .help = "moments about both axes, where tubes and counterweights go, inertia",
    .notes =
        "From the bodies of the rig file (rig --keys: bodies.*): what is left over about each "
        "axis, the places that leave nothing, the selection of weights with the least inertia, "
        "the panel open and closed, the bending of the shaft. --moment corrects assumed masses "
        "by what you found at the mount.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
