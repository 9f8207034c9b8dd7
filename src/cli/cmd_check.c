/* cmd_check.c - `check`: the budgets of a rig beside what a night delivered. */
#include <math.h>

#include "budget/focus_interval.h"
#include "cli/check_advice.h"
#include "cli/check_internal.h"
#include "report/report.h"
#include "report/report_apart.h"
#include "report/report_told.h"

static double mean_exposure(const struct check_night *night) {
    double sum = 0.0;
    for (size_t i = 0; i < night->n; i++) {
        sum += night->stars[i].exposure_s;
    }
    return night->n ? sum / (double)night->n : NAN;
}

static bool is_star_over(const struct nw_star_budget *budget) {
    const double total =
        isfinite(budget->measured_rad) ? budget->measured_rad : budget->predicted_rad;
    bool is_over = total > budget->allowed_rad;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_line *line = &budget->lines[k];
        is_over = is_over || (line->is_present && line->alone_rad > line->allowed_rad);
    }
    return is_over;
}

static enum nw_status print(const struct cli_args *args, const struct nw_check_report *check,
                            struct cli_result *result, struct nw_err *err) {
    bool is_over = check->star_width && is_star_over(check->star_width);
    for (size_t i = 0; i < check->n_ledgers; i++) {
        is_over = is_over || check->ledgers[i]->is_over;
    }
    result->is_over = is_over && cli_given(args, "strict");
    struct nw_check_truth truth;
    const bool has_truth = check->star_width && cli_given(args, "truth");
    enum nw_status status = NW_OK;
    if (has_truth) {
        status = check_truth(cli_text(args, "truth"), &truth, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_check_json(check, &result->json, err);
        if (status == NW_OK && has_truth) {
            nw_report_check_truth_json(&truth, result->json);
        }
    } else if (status == NW_OK) {
        nw_report_check_text(check, &result->text);
        if (has_truth) {
            nw_report_check_truth(check, &truth, &result->text);
        }
    }
    return status;
}

static enum nw_status look_into_book(const struct cli_args *args, const struct nw_rig *rig,
                                     const struct nw_setup *setup, struct check_night *night,
                                     struct nw_star_evidence *evidence, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_READ, &book, err);
    }
    if (status == NW_OK) {
        status = check_book(book, cli_text(args, "night"), rig, setup, night, evidence, err);
    }
    nw_book_close(book);
    return status;
}

static enum nw_status look_at_night(const struct cli_args *args, const struct nw_rig *rig,
                                    const struct nw_setup *setup, struct check_night *night,
                                    struct nw_star_evidence *evidence, struct nw_err *err) {
    enum nw_status status = NW_OK;
    size_t n_given = 0;
    const char *const *given = cli_texts(args, "frames", &n_given);
    const bool is_of_book = cli_given(args, "book") || cli_given(args, "night");
    if (is_of_book && (n_given > 0 || cli_given(args, "guiding"))) {
        return nw_err_set(err, NW_USAGE,
                          "--book and --night take frames and guide log out of the book, expected "
                          "no --frames or --guiding beside them");
    }
    if (is_of_book) {
        status = look_into_book(args, rig, setup, night, evidence, err);
    }
    if (n_given > 0) {
        status = check_frames(given, n_given, rig, setup, night, err);
    }
    if (status == NW_OK && cli_given(args, "guiding")) {
        status = check_guiding(cli_text(args, "guiding"), rig, setup, night, evidence, err);
    }
    evidence->frames = night->stars;
    evidence->n_frames = night->n;
    evidence->colour =
        night->is_interpolated ? NW_STAR_COLOUR_INTERPOLATED : NW_STAR_COLOUR_OWN_PIXELS;
    return status;
}

/* With a book: whether what was advised before held, and what is advised now is kept. A rig that
 * was changed for this look alone is no rig to remember; a book that cannot be written is only
 * read. */
static enum nw_status remember(const struct cli_args *args, const struct nw_check_report *check,
                               const char *date, struct cli_result *result, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    struct check_advised advised = {.n = 0};
    struct nw_err none = {0};
    if (!(cli_given(args, "book") || cli_given(args, "night") || cli_given(args, "nights")) ||
        cli_given(args, "set")) {
        return NW_OK;
    }
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK && nw_book_open(path, NW_BOOK_WRITE, &book, &none) == NW_OK) {
        const struct check_advice_of of = {.book = book,
                                           .rig_path = cli_arg(args, 0),
                                           .rig = check->rig,
                                           .setup = check->setup,
                                           .date = date};
        status = check_advice(&of, check->star_width, &advised, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        nw_report_outcomes_json(advised.items, advised.n, result->json);
    } else if (status == NW_OK) {
        nw_report_outcomes_text(advised.items, advised.n, &result->text);
    }
    check_advised_done(&advised);
    nw_book_close(book);
    return status;
}

/* The star width, and the other budgets in brief below it. */
static enum nw_status star_width(const struct cli_args *args, const struct nw_check_report *check,
                                 const struct check_ledgers *ledgers, struct cli_result *result,
                                 struct nw_err *err) {
    struct nw_check_report report = *check;
    struct nw_star_budget *budget = NULL;
    struct check_changed changed = {0};
    struct check_night night = {0};
    struct nw_star_evidence evidence = {.motion_ra_rad = NAN, .motion_dec_rad = NAN};
    size_t n_sets = 0;
    const char *const *sets = cli_texts(args, "set", &n_sets);
    nw_buf_init(&night.remark, 400);
    enum nw_status status =
        check_alternatives(cli_arg(args, 0), sets, n_sets, check->setup, &changed, err);
    if (status == NW_OK) {
        status = look_at_night(args, check->rig, check->setup, &night, &evidence, err);
    }
    if (status == NW_OK) {
        check_seen(&night, check->rig, check->setup, ledgers);
        status = nw_star_budget_new(check->rig, check->setup, &evidence, changed.items, changed.n,
                                    &budget, err);
    }
    struct nw_focus_interval interval;
    struct nw_err none = {0}; /* a rig without an interval has no advice on it */
    if (status == NW_OK &&
        nw_focus_interval_of(check->rig, check->setup, NAN, &interval, &none) == NW_OK) {
        report.focus_interval = &interval;
    }
    if (status == NW_OK) {
        report.star_width = budget;
        report.exposure_s = mean_exposure(&night);
        if (night.remark.len > 2) {
            (void)snprintf(report.remark, sizeof report.remark, "left out: %.*s",
                           (int)night.remark.len - 2, night.remark.data);
        }
        status = print(args, &report, result, err);
    }
    if (status == NW_OK) {
        status = remember(args, &report, night.date, result, err);
    }
    nw_star_budget_free(budget);
    check_changed_done(&changed);
    check_night_done(&night);
    return status;
}

/* A budget beside it alone: frames speak to those of light and time. */
static enum nw_status ledger_alone(const struct cli_args *args, const struct nw_check_report *check,
                                   const struct check_ledgers *ledgers, struct cli_result *result,
                                   struct nw_err *err) {
    const char *const name = cli_text(args, "budget");
    const bool is_asked = strcmp(name, "light") == 0 || strcmp(name, "time") == 0;
    struct check_night night = {0};
    struct nw_star_evidence evidence = {.motion_ra_rad = NAN, .motion_dec_rad = NAN};
    nw_buf_init(&night.remark, 400);
    enum nw_status status = NW_OK;
    if (is_asked) {
        status = look_at_night(args, check->rig, check->setup, &night, &evidence, err);
        check_seen(&night, check->rig, check->setup, ledgers);
    }
    check_night_done(&night);
    return status == NW_OK ? print(args, check, result, err) : status;
}

/* What each change of the rig is worth with the lines as many nights leave them. */
static enum nw_status worth_by_nights(const struct cli_args *args,
                                      const struct nw_check_report *check,
                                      const struct check_apart *nights,
                                      struct check_changed *changed, struct nw_star_budget **ret,
                                      struct nw_err *err) {
    size_t n_sets = 0;
    const char *const *sets = cli_texts(args, "set", &n_sets);
    struct nw_star_known known[NW_STAR_N_LINES];
    const struct nw_star_evidence evidence = {.frames = &nights->mean,
                                              .n_frames = 1,
                                              .motion_ra_rad = NAN,
                                              .motion_dec_rad = NAN,
                                              .known = known,
                                              .n_known = nw_apart_lines(nights->apart, known),
                                              .known_basis = "many nights"};
    if (evidence.n_known == 0) {
        return NW_OK;
    }
    const enum nw_status status =
        check_alternatives(cli_arg(args, 0), sets, n_sets, check->setup, changed, err);
    return status == NW_OK ? nw_star_budget_new(check->rig, check->setup, &evidence, changed->items,
                                                changed->n, ret, err)
                           : status;
}

/* The star width of many nights of the book, taken apart. */
static enum nw_status many_nights(const struct cli_args *args, const struct nw_check_report *check,
                                  struct cli_result *result, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    struct check_apart nights = {.apart = NULL};
    struct check_changed changed = {0};
    struct nw_star_budget *budget = NULL;
    struct check_nights_opts opts = {.range = cli_text(args, "nights")};
    opts.told = cli_texts(args, "told", &opts.n_told);
    if (cli_given(args, "frames") || cli_given(args, "guiding") || cli_given(args, "night") ||
        cli_given(args, "budget")) {
        return nw_err_set(err, NW_USAGE,
                          "--nights takes the star width of nights of the book "
                          "apart, expected no --frames, --guiding, --night or "
                          "--budget beside it");
    }
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_READ, &book, err);
    }
    if (status == NW_OK) {
        status = check_nights(book, &opts, check->rig, check->setup, &nights, err);
    }
    nw_book_close(book);
    if (status == NW_OK) {
        status = worth_by_nights(args, check, &nights, &changed, &budget, err);
    }
    if (status == NW_OK) {
        const struct nw_apart_report report = {.apart = nights.apart,
                                               .rig = check->rig,
                                               .setup = check->setup,
                                               .from = nights.from,
                                               .to = nights.to,
                                               .n_without_log = nights.n_without_log,
                                               .trials = nights.told.words,
                                               .n_trials = nights.told.n_words,
                                               .n_unknown_filter = nights.n_unknown_filter,
                                               .budget = budget,
                                               .n_of_trials = nights.n_of_trials};
        if (cli_wants_json(args)) {
            status = nw_report_apart_json(&report, &result->json, err);
        } else {
            nw_report_apart_text(&report, &result->text);
        }
    }
    if (status == NW_OK && budget) {
        struct nw_check_report advised = *check;
        advised.star_width = budget;
        status = remember(args, &advised, nights.to, result, err);
    }
    nw_star_budget_free(budget);
    check_changed_done(&changed);
    check_apart_done(&nights);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_check_report check = {.exposure_s = NAN};
    struct check_ledgers ledgers = {0};
    const char *const wanted = cli_text(args, "budget");
    const bool wants_star = !wanted || strcmp(wanted, "star_width") == 0;
    if (cli_given(args, "told") && !cli_given(args, "nights")) {
        return nw_err_set(err, NW_USAGE, "--told goes with --nights");
    }
    enum nw_status status = cli_read_rig(args, &rig, &check.setup, err);
    if (status == NW_OK && cli_given(args, "nights")) {
        check.rig = rig;
        status = many_nights(args, &check, result, err);
        nw_rig_free(rig);
        return status;
    }
    if (status == NW_OK && !(wanted && wants_star)) {
        status = check_ledgers(wanted, rig, check.setup, &ledgers, err);
    }
    if (status == NW_OK) {
        status = check_measured(args, rig, check.setup, &ledgers, err);
    }
    if (status == NW_OK) {
        check.rig = rig;
        check.ledgers = (const struct nw_ledger *const *)ledgers.items;
        check.n_ledgers = ledgers.n;
        status = wants_star ? star_width(args, &check, &ledgers, result, err)
                            : ledger_alone(args, &check, &ledgers, result, err);
    }
    check_ledgers_done(&ledgers);
    nw_rig_free(rig);
    return status;
}

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_SETUP,
    {.name = "frames",
     .kind = CLI_LIST,
     .value = "FOLDER|FILE",
     .help = "frames of one night, to set beside the prediction"},
    {.name = "guiding", .kind = CLI_TEXT, .value = "LOG", .help = "guide log of the same night"},
    {.name = "power",
     .kind = CLI_TEXT,
     .value = "LOG",
     .help = "power log, to set beside the power budget"},
    {.name = "climate",
     .kind = CLI_TEXT,
     .value = "LOG",
     .help = "climate log (as `air` takes it), to set beside the damp budget"},
    {.name = "book",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "frames and logs of a night out of this book, instead of files"},
    {.name = "night",
     .kind = CLI_TEXT,
     .value = "DATE",
     .help = "of --book, else of your book: the night of this evening; else its last"},
    {.name = "nights",
     .kind = CLI_TEXT,
     .value = "all|FROM..TO",
     .help = "many nights of the book together: every line with what they tell and cannot tell"},
    {.name = "told",
     .kind = CLI_TEXT,
     .value = "LINE|TIME=WIDTH",
     .help = "with --nights: what a trial said, as tilt_curvature='0.70+-0.05 arcsec', or the "
             "seeing of a moment, as 2026-06-14T11:40:00Z='1.73+-0.24 arcsec'",
     .is_repeatable = true},
    CLI_OPTION_SET,
    {.name = "budget",
     .kind = CLI_CHOICE,
     .value = NW_BUDGET_NAMES,
     .help = "this budget alone, in full; else the star width, and the others in brief"},
    {.name = "truth",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "truth.json of a simulated night, to open beside the result; nothing else reads it"},
    {.name = "strict",
     .kind = CLI_FLAG,
     .help = "exit 3 when a total or a line is over its allocation"},
    {0}};

const struct cli_command CMD_CHECK = {
    .name = "check",
    .arguments = "RIG",
    .help = "Budgets: what widens the star, predicted beside measured; what to change",
    .notes = "Without frames it is a prediction. With frames, the first half of the subs sets the "
             "air, and the second half is foretold before it is looked at.\n"
             "Airmass comes from the frame's header, or from its coordinates, site and time. The "
             "guide log is laid beside the frames by the dithers between them and refused when the "
             "clocks do not fit.\n"
             "Examples: check rig.yaml; check rig.yaml --frames lights --guiding guide.csv",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
