/* cmd_trial.c - `trial [NAME]`: short experiments, in the order of what they tell; one evaluated.
 */
#include <math.h>
#include <stdlib.h>

#include "book/told.h"
#include "budget/trials.h"
#include "cli/check_advice.h"
#include "cli/check_internal.h"
#include "cli/keep.h"
#include "cli/trial_other.h"
#include "cli/trial_trail.h"
#include "report/report_apart.h"

static const double YEAR_S = 365.0 * 86400.0; /* a trial done longer ago is asked for again */

struct work {
    struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_star_budget *budget;
    struct check_apart nights;
    struct check_night night; /* frames of a trial */
    struct nw_trial_rank ranks[NW_N_TRIALS];
    struct nw_trial_result result;
    struct nw_trials_report report;
    bool is_written; /* the result is there already */
};

static enum nw_status read_rig(const struct cli_args *args, struct work *w, struct nw_err *err) {
    enum nw_status status = nw_rig_read(cli_text(args, "rig"), NULL, 0, &w->rig, err);
    if (status == NW_OK) {
        status = nw_rig_find_setup(w->rig, cli_text(args, "setup"), &w->setup, err);
    }
    return status;
}

/* An entry of the owner names a trial as its card does, or in words: "edge card". */
static bool names(const struct nw_book_change *entry, const char *trial) {
    char words[40];
    nw_text_copy(words, sizeof words, trial);
    for (char *at = words; *at; at++) {
        *at = *at == '-' ? ' ' : *at;
    }
    return check_holds(entry->what, trial) || check_holds(entry->what, words) ||
           check_holds(entry->note, trial) || check_holds(entry->note, words);
}

/* What was done already: trials of this rig that the book has, and the owner's word. */
static enum nw_status read_done(struct nw_book *book, struct work *w, struct nw_err *err) {
    struct nw_book_trial *trials = NULL;
    struct nw_book_change *entries = NULL;
    size_t n_trials = 0;
    size_t n_entries = 0;
    char since[32];
    /* the fit takes up what trials told, but there is none of a few subs */
    const bool is_in_bits = w->nights.apart && w->nights.apart->why_null[0] == '\0';
    enum nw_status status = nw_book_trials(book, NULL, NULL, &trials, &n_trials, err);
    if (status == NW_OK) {
        status = nw_book_changes(book, NULL, NULL, &entries, &n_entries, err);
    }
    nw_time_write_iso(cli_now_utc_s() - YEAR_S, 0, since, sizeof since);
    since[10] = '\0';
    for (size_t i = 0; i < n_trials && status == NW_OK; i++) {
        const struct nw_book_trial *const t = &trials[i];
        char date[NW_BOOK_DATE];
        nw_book_night_date(t->t_first_s, w->rig->site.longitude_rad.v, date);
        if (isfinite(t->value) && strcmp(t->rig_name, w->rig->name) == 0 &&
            nw_text_equal_nocase(t->setup, w->setup->name)) {
            nw_trials_done(w->ranks, t->name, date, !is_in_bits, since);
        }
    }
    for (size_t i = 0; i < n_entries && status == NW_OK; i++) {
        for (int k = 0; k < NW_N_TRIALS && entries[i].is_owners; k++) {
            const char *const name = nw_trial_name((enum nw_trial_id)k);
            if (names(&entries[i], name)) {
                nw_trials_done(w->ranks, name, entries[i].date, true, since);
            }
        }
    }
    free(trials);
    free(entries);
    return status;
}

static enum nw_status take_book_apart(const struct cli_args *args, struct work *w,
                                      struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    const struct check_nights_opts opts = {.range = "all"};
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_READ, &book, err);
    }
    if (status == NW_OK) {
        status = check_nights(book, &opts, w->rig, w->setup, &w->nights, err);
    }
    if (status == NW_OK) {
        nw_trials_rank(w->setup, w->budget, w->nights.apart, w->ranks);
        status = read_done(book, w, err);
    }
    nw_book_close(book);
    return status;
}

/* The order for this rig, and for what its nights say. */
static enum nw_status rank(const struct cli_args *args, struct work *w, struct nw_err *err) {
    enum nw_status status = nw_star_budget_new(w->rig, w->setup, NULL, NULL, 0, &w->budget, err);
    if (status == NW_OK && cli_given(args, "book")) {
        status = take_book_apart(args, w, err);
    } else if (status == NW_OK) {
        nw_trials_rank(w->setup, w->budget, NULL, w->ranks);
    }
    if (status == NW_OK) {
        w->report.ranks = w->ranks;
        w->report.n_nights = w->nights.apart ? w->nights.apart->n_nights : 0;
    }
    return status;
}

/* Which trial the frames are of: the most telling of those that can be made of them. */
static enum nw_status recognise(const struct nw_trial_frames *frames, struct work *w,
                                struct nw_err *err) {
    struct nw_trial_result results[NW_TRIALS_OF_WIDTHS];
    size_t n = 0;
    const enum nw_status status =
        nw_trials_recognise(w->rig, w->setup, frames, false, results, &n, err);
    if (status == NW_OK && n > 0) {
        w->result = results[0];
        w->report.card = results[0].trial;
        return NW_OK;
    }
    return status != NW_OK ? status
                           : nw_err_set(err, NW_DATA,
                                        "%zu frames are of no trial that is told from widths "
                                        "(short-and-long, narrow-and-wide, across-a-focus-run, "
                                        "first-and-third-hour); `trial NAME` says what it takes",
                                        frames->n);
}

static enum nw_status evaluate(const struct cli_args *args, struct work *w, struct nw_err *err) {
    size_t n = 0;
    const char *const *given = cli_texts(args, "frames", &n);
    /* filters and lengths differ within a trial: all are taken */
    struct nw_setup any = *w->setup;
    any.filter.name[0] = '\0';
    enum nw_status status = check_frames(given, n, w->rig, &any, &w->night, err);
    const char **const filters = nw_calloc(w->night.n + 1, sizeof *filters);
    double *const steps = nw_calloc(w->night.n + 1, sizeof *steps);
    if (status == NW_OK && (!filters || !steps)) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames of a trial", w->night.n);
    }
    if (status == NW_OK) {
        for (size_t i = 0; i < w->night.n; i++) {
            filters[i] = w->night.facts[i].filter;
            steps[i] = w->night.facts[i].focuser_steps;
        }
        const struct nw_trial_frames frames = {
            .frames = w->night.stars, .focuser_steps = steps, .filters = filters, .n = w->night.n};
        status = w->report.card
                     ? nw_trial_evaluate(w->report.card, w->rig, w->setup, &frames, &w->result, err)
                     : recognise(&frames, w, err);
        w->report.result = &w->result;
    }
    free(filters);
    free(steps);
    return status;
}

/* Frames of a standing mount hold no stars to be measured: without a NAME they are tried when the
 * frames are of no other trial, whose error stands when they are of none. */
static enum nw_status work_on_frames(const struct cli_args *args, struct work *w,
                                     struct cli_result *result, struct nw_err *err) {
    const struct nw_trial *const trail = nw_trial_get(NW_TRIAL_DRIVE_OFF_TRAIL);
    const bool is_named = w->report.card != NULL;
    if (is_named && cli_trial_is_other(w->report.card)) {
        w->is_written = true;
        return cli_trial_other(args, w->report.card, w->rig, w->setup, result, err);
    }
    if (w->report.card != trail) {
        struct nw_err why = {0};
        const enum nw_status status = evaluate(args, w, err);
        if (status == NW_OK || is_named) {
            return status;
        }
        const enum nw_status tried = cli_trial_trail(args, trail, w->rig, w->setup, result, &why);
        if (tried == NW_DATA) { /* no trails either */
            return status;
        }
        w->is_written = true;
        *err = why;
        return tried;
    }
    w->is_written = true;
    return cli_trial_trail(args, trail, w->rig, w->setup, result, err);
}

static enum nw_status work_on(const struct cli_args *args, struct work *w,
                              struct cli_result *result, struct nw_err *err) {
    enum nw_status status = NW_OK;
    const bool has_frames = cli_given(args, "frames");
    if (cli_n_args(args) > 0) {
        status = nw_trial_find(cli_arg(args, 0), &w->report.card, err);
    }
    if (status == NW_OK && has_frames && !cli_given(args, "rig")) {
        status =
            nw_err_set(err, NW_USAGE,
                       "--frames are those of a trial of one rig, expected --rig RIG beside them");
    }
    if (status == NW_OK && cli_given(args, "book") && !cli_given(args, "rig")) {
        status = nw_err_set(err, NW_USAGE, "--book tells of a rig, expected --rig RIG beside it");
    }
    if (status == NW_OK && cli_given(args, "rig")) {
        status = read_rig(args, w, err);
    }
    if (status == NW_OK && has_frames) {
        return work_on_frames(args, w, result, err);
    }
    if (status == NW_OK && w->rig && !w->report.card) {
        status = rank(args, w, err);
    }
    return status;
}

/* Cards as they are; a result as a document that can be kept. */
static enum nw_status write(const struct cli_args *args, const struct work *w,
                            struct cli_result *result, struct nw_err *err) {
    enum nw_status status = NW_OK;
    json_t *document = NULL;
    if (!cli_wants_json(args)) {
        nw_report_trials_text(&w->report, &result->text);
    }
    if (!w->report.result || !cli_wants_document(args)) {
        return cli_wants_json(args) ? nw_report_trials_json(&w->report, &result->json, err) : NW_OK;
    }
    struct nw_about about;
    nw_about_init(&about, w->rig, w->setup);
    for (size_t i = 0; i < w->night.n; i++) {
        nw_about_add(&about, &w->night.facts[i]);
    }
    status = nw_report_trials_json(&w->report, &document, err);
    return status == NW_OK ? cli_document(args, &about, document, result, err) : status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work *const w = nw_calloc(1, sizeof *w);
    if (!w) {
        return nw_err_set(err, NW_NOMEM, "trial");
    }
    nw_buf_init(&w->night.remark, 400);
    w->report.evening = cli_text(args, "evening");
    enum nw_status status = work_on(args, w, result, err);
    if (status == NW_OK && !w->is_written) {
        status = write(args, w, result, err);
    }
    check_night_done(&w->night);
    check_apart_done(&w->nights);
    nw_star_budget_free(w->budget);
    nw_rig_free(w->rig);
    free(w);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: puts the trials in order of what they would tell about it"},
    CLI_OPTION_SETUP,
    {.name = "book",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "what the nights of this book say already is not asked for again"},
    {.name = "evening",
     .kind = CLI_CHOICE,
     .value = "commissioning|yearly",
     .help = "the trials of a first evening with a rig, or of one evening a year"},
    {.name = "frames",
     .kind = CLI_LIST,
     .value = "FOLDER|FILE",
     .help = "frames or guide log of a trial: evaluates it; without NAME it is recognised"},
    CLI_OPTION_KEEP,
    {0},
};

const struct cli_command CMD_TRIAL = {
    .name = "trial",
    .arguments = "[NAME]",
    .help = "Short experiments that settle what the nights leave open; in order of worth",
    .notes =
        "Without NAME all cards, with --rig in the order of information in a minute. With NAME its "
        "card; with --frames, too, what came of it.\n"
        "Examples: trial --rig rig.yaml --book book.sqlite; trial short-and-long; trial "
        "short-and-long --frames tonight --rig rig.yaml",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
