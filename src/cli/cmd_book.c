/* cmd_book.c - `book VERB ...`: every night kept.
 * Idea: one row a verb: what it wants of the book, how many arguments, what it does. */
#include <math.h>

#include "cli/book_compare.h"
#include "cli/book_trials.h"
#include "cli/book_upkeep.h"
#include "cli/cli.h"
#include "report/report_book.h"
#include "report/report_gaps.h"
#include "report/report_told.h"

struct call {
    const struct cli_args *args;
    struct nw_book *book;
    const char *const *words; /* behind the verb */
    size_t n_words;
    struct cli_result *result;
};

/* ---- Verbs ---------------------------------------------------------------------------------- */

/* What was named is there, and the rig a rig: else no new book is made. */
static enum nw_status can_add(const struct call *call, struct nw_err *err) {
    struct nw_rig *rig = NULL;
    const enum nw_status status = cli_book_rig(NULL, call->args, &rig, err);
    nw_rig_free(rig);
    for (size_t i = 0; i < call->n_words && status == NW_OK; i++) {
        if (!nw_file_is_there(call->words[i])) {
            return nw_err_set(err, NW_NOTFOUND, "%s: no such file or folder", call->words[i]);
        }
    }
    return status;
}

static enum nw_status add(struct call *call, struct nw_err *err) {
    const char *const rig_path = cli_text(call->args, "rig");
    struct nw_log_layout *layouts = NULL;
    size_t n_layouts = 0;
    struct nw_rig *rig = NULL;
    int64_t version = 0;
    enum nw_status status = cli_book_rig(call->book, call->args, &rig, err);
    if (status == NW_OK && rig_path) {
        status = cli_rig_layouts(rig_path, &layouts, &n_layouts, err);
    }
    const struct nw_guide_layouts all = {layouts, n_layouts, NULL};
    const struct nw_book_add_opts opts = {
        .now_utc_s = cli_now_utc_s(),
        .program_version = NW_VERSION,
        .layouts = n_layouts > 0 ? &all : NULL,
        .longitude_rad = rig ? rig->site.longitude_rad.v : NAN,
        .sub_length_s = cli_number(call->args, "sub", NAN),
        .n_threads = (int)cli_count(call->args, "threads", 0),
    };
    struct nw_book_added added = {0};
    struct cli_found_trials found = {.n = 0};
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "adding");
    if (status == NW_OK) {
        status = nw_book_add(call->book, call->words, call->n_words, &opts, &progress, &added, err);
    }
    cli_progress_end(&bar);
    /* a rig that was named is kept: later files are looked at with it */
    if (status == NW_OK && rig_path) {
        status = nw_book_rig_version(call->book, rig_path, &opts, &version, err);
    }
    if (status == NW_OK) {
        const struct cli_find_trials how = {.rig = rig_path ? rig : NULL,
                                            .rig_path = rig_path,
                                            .setup = cli_text(call->args, "setup"),
                                            .origin = NW_BOOK_FROM_ADD,
                                            .since_utc_s = opts.now_utc_s};
        status = cli_book_find_trials(call->book, &how, &found, err);
    }
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_added_json(&added, &call->result->json, err);
        if (status == NW_OK) {
            nw_report_told_json(found.items, found.n, call->result->json);
        }
    } else if (status == NW_OK) {
        nw_report_book_added_text(&added, &call->result->text);
        nw_report_told_text(found.items, found.n, &call->result->text);
    }
    cli_found_trials_done(&found);
    nw_book_added_done(&added);
    free(layouts);
    nw_rig_free(rig);
    return status;
}

static enum nw_status nights(struct call *call, struct nw_err *err) {
    struct nw_book_night *list = NULL;
    size_t n = 0;
    enum nw_status status = nw_book_nights(call->book, cli_text(call->args, "from"),
                                           cli_text(call->args, "to"), &list, &n, err);
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_nights_json(list, n, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_book_nights_text(list, n, &call->result->text);
    }
    free(list);
    return status;
}

static enum nw_status show_changes(struct call *call, struct nw_err *err) {
    struct nw_book_change *list = NULL;
    size_t n = 0;
    enum nw_status status = nw_book_changes(call->book, cli_text(call->args, "from"),
                                            cli_text(call->args, "to"), &list, &n, err);
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_changes_json(list, n, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_book_changes_text(list, n, &call->result->text);
    }
    free(list);
    return status;
}

/* change: the list; change DATE WORDS...: an entry; change --forget N */
static enum nw_status change(struct call *call, struct nw_err *err) {
    int64_t id = 0;
    enum nw_status status = NW_OK;
    if (cli_given(call->args, "forget")) {
        status = nw_book_forget_note(call->book, cli_count(call->args, "forget", 0), err);
    } else if (call->n_words == 1) {
        return nw_err_set(err, NW_USAGE, "book change %s: expected the words of what changed",
                          call->words[0]);
    } else if (call->n_words > 1) {
        struct nw_buf words;
        nw_buf_init(&words, 4096);
        for (size_t i = 1; i < call->n_words; i++) {
            nw_buf_printf(&words, "%s%s", i > 1 ? " " : "", call->words[i]);
        }
        const char *const note = cli_text(call->args, "note");
        status =
            nw_buf_failed(&words)
                ? nw_err_set(err, NW_LIMIT, "words of a change: over 4096 bytes")
                : nw_book_note(call->book, call->words[0], words.data, note ? note : "", &id, err);
        nw_buf_done(&words);
    }
    return status == NW_OK ? show_changes(call, err) : status;
}

static enum nw_status accept_night(struct call *call, struct nw_err *err) {
    struct nw_book_acceptance *list = NULL;
    size_t n = 0;
    enum nw_status status =
        nw_book_accept(call->book, call->n_words > 0 ? call->words[0] : NULL, &list, &n, err);
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_accept_json(list, n, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_book_accept_text(list, n, &call->result->text);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        call->result->is_over |= list[i].n_off > 0 && cli_given(call->args, "strict");
    }
    free(list);
    return status;
}

/* The rig of --rig; NULL without. */
static enum nw_status read_rig(const struct call *call, struct nw_rig **ret, struct nw_err *err) {
    const char *const path = cli_text(call->args, "rig");
    return path ? nw_rig_read(path, NULL, 0, ret, err) : NW_OK;
}

static enum nw_status trend(struct call *call, struct nw_err *err) {
    if (call->n_words == 1 && strcmp(call->words[0], "light") == 0) {
        return cli_book_fading(call->book, call->args, call->result, err);
    }
    if (call->n_words == 1 && strcmp(call->words[0], "worm") == 0) {
        return cli_book_worms(call->book, call->args, call->result, err);
    }
    struct nw_book_trend_opts opts = {
        .y = call->words[0],
        .x = call->n_words > 1 ? call->words[1] : "night",
        .filter = cli_text(call->args, "filter"),
        .object = cli_text(call->args, "object"),
        .camera = cli_text(call->args, "camera"),
        .from = cli_text(call->args, "from"),
        .to = cli_text(call->args, "to"),
        .is_by_night = !cli_given(call->args, "every-sub"),
    };
    struct nw_rig *rig = NULL;
    struct nw_paths names = {0};
    struct nw_book_trend found = {.n = 0};
    opts.where = cli_texts(call->args, "where", &opts.n_where);
    enum nw_status status = read_rig(call, &rig, err);
    if (status == NW_OK && opts.filter) {
        status = nw_book_filter_names(call->book, rig, opts.filter, &names, err);
        opts.filter_names = (const char *const *)names.items;
        opts.n_filter_names = names.n;
    }
    status = status == NW_OK ? nw_book_trend(call->book, &opts, &found, err) : status;
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_trend_json(&opts, &found, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_book_trend_text(&opts, &found, &call->result->text);
    }
    nw_book_trend_done(&found);
    nw_paths_done(&names);
    nw_rig_free(rig);
    return status;
}

static enum nw_status check(struct call *call, struct nw_err *err) {
    struct nw_book_health health = {0};
    enum nw_status status = nw_book_check(call->book, &health, err);
    if (status == NW_OK && health.n_problems > 0) {
        return nw_err_set(err, NW_DATA, "the book is not sound (%zu problems): %s",
                          health.n_problems, health.problems[0]);
    }
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_book_health_json(&health, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_book_health_text(&health, &call->result->text);
    }
    return status;
}

static enum nw_status say_written(struct call *call, const char *path, size_t bytes,
                                  struct nw_err *err) {
    if (cli_wants_json(call->args)) {
        struct nw_json json;
        nw_json_begin(&json, "book", 1);
        nw_json_text(&json, NULL, "written", path);
        return nw_json_end(&json, &call->result->json, err);
    }
    nw_buf_printf(&call->result->text, "wrote ");
    nw_report_clean(&call->result->text, path);
    nw_buf_printf(&call->result->text, bytes > 0 ? ", %zu bytes\n" : "\n", bytes);
    return NW_OK;
}

static enum nw_status export_table(struct call *call, struct nw_err *err) {
    enum { MAX_BYTES = 1 << 30 };
    const char *const out = cli_text(call->args, "out");
    struct nw_buf csv;
    if (!out && cli_wants_json(call->args)) {
        return nw_err_set(err, NW_USAGE, "book export gives CSV: leave --json out, or say -o FILE");
    }
    nw_buf_init(&csv, MAX_BYTES);
    enum nw_status status =
        nw_book_export_csv(call->book, call->n_words > 0 ? call->words[0] : "sub", &csv, err);
    if (status == NW_OK && out) {
        status = nw_file_write_atomic(out, csv.data, csv.len, err);
        status = status == NW_OK ? say_written(call, out, csv.len, err) : status;
    } else if (status == NW_OK) {
        nw_buf_done(&call->result->text);
        call->result->text = csv;
        return NW_OK;
    }
    nw_buf_done(&csv);
    return status;
}

static enum nw_status backup(struct call *call, struct nw_err *err) {
    const enum nw_status status = nw_book_backup(call->book, call->words[0], err);
    return status == NW_OK ? say_written(call, call->words[0], 0, err) : status;
}

static enum nw_status compare(struct call *call, struct nw_err *err) {
    return cli_book_compare(call->book, call->words[0], call->args, call->result, err);
}

static enum nw_status gaps(struct call *call, struct nw_err *err) {
    struct nw_gap *list = NULL;
    size_t n = 0;
    enum nw_status status = nw_gaps_list(call->book, cli_text(call->args, "from"),
                                         cli_text(call->args, "to"), &list, &n, err);
    if (status == NW_OK && cli_wants_json(call->args)) {
        status = nw_report_gaps_json(list, n, &call->result->json, err);
    } else if (status == NW_OK) {
        nw_report_gaps_text(list, n, &call->result->text);
    }
    free(list);
    return status;
}

static enum nw_status trials(struct call *call, struct nw_err *err) {
    return cli_book_trials(call->book, call->args, call->result, err);
}

static enum nw_status upkeep(struct call *call, struct nw_err *err) {
    return cli_book_upkeep(call->book, call->words, call->n_words, call->args, call->result, err);
}

static const struct {
    const char *name;
    enum nw_book_access access;
    size_t min_words, max_words;
    enum nw_status (*run)(struct call *call, struct nw_err *err);
    const char *expected;
    const char *takes; /* options of its own */
} VERBS[] = {
    {"add", NW_BOOK_CREATE, 1, 100000, add, "files or folders to add",
     "rig setup sub threads priority"},
    {"nights", NW_BOOK_READ, 0, 0, nights, "no words; --from and --to bound it", "from to"},
    {"change", NW_BOOK_WRITE, 0, 1000, change, "a date and what changed, or nothing",
     "from to note forget"},
    {"accept", NW_BOOK_READ, 0, 1, accept_night, "a night, or nothing for the last", "strict"},
    {"trend", NW_BOOK_READ, 1, 2, trend, "a column, and what to set it against",
     "from to filter where object camera every-sub rig"},
    {"compare", NW_BOOK_READ, 1, 1, compare, "the date of the first night with the change",
     "from to rig setup foretold"},
    {"gaps", NW_BOOK_READ, 0, 0, gaps, "no words; --from and --to bound it", "from to"},
    {"trials", NW_BOOK_WRITE, 0, 0, trials, "no words; --from and --to bound it",
     "from to rig setup note forget restore look"},
    {"upkeep", NW_BOOK_WRITE, 0, 3, upkeep, "nothing, or done, own or forget and a name",
     "note days caution calendar"},
    {"check", NW_BOOK_READ, 0, 0, check, "no words", ""},
    {"export", NW_BOOK_READ, 0, 1, export_table,
     "one table: sub, guiding, climate, power, surface, trial, calibration, sensor, "
     "hot_pixel, plan, change, file",
     "out"},
    {"backup", NW_BOOK_READ, 1, 1, backup, "the file to write", ""},
};
enum { N_VERBS = sizeof VERBS / sizeof VERBS[0] };

static enum nw_status find_verb(const char *word, size_t *ret, struct nw_err *err) {
    const char *names[N_VERBS];
    for (size_t i = 0; i < N_VERBS; i++) {
        names[i] = VERBS[i].name;
        if (strcmp(word, VERBS[i].name) == 0) {
            *ret = i;
            return NW_OK;
        }
    }
    const char *const nearest = nw_text_nearest(word, names, N_VERBS);
    return nw_err_set(err, NW_USAGE,
                      "book %s: expected add, nights, change, accept, trend, compare, gaps, "
                      "trials, upkeep, check, export or backup%s%s",
                      word, nearest ? "; nearest: " : "", nearest ? nearest : "");
}

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_BOOK,
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help =
         "add: rig file with the layouts of your logs and the site's longitude; compare, trials "
         "--look: the rig; trend: the names of its filters"},
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "add, compare, trials --look: setup of the rig, else its first"},
    {.name = "foretold",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "compare: a change of the rig file; says whether its prediction held"},
    {.name = "sub",
     .kind = CLI_NUMBER,
     .value = "SECONDS",
     .help = "add: length of a sub, for the motion within one; without it 300",
     .min = 1.0,
     .max = 36000.0},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "add: threads to use; without it all cores",
     .min = 1,
     .max = 256},
    {.name = "from", .kind = CLI_TEXT, .value = "DATE", .help = "from this night on (2026-05-14)"},
    {.name = "to", .kind = CLI_TEXT, .value = "DATE", .help = "up to this night"},
    {.name = "filter",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "trend: with this filter, by any of its names"},
    {.name = "where",
     .kind = CLI_TEXT,
     .value = "COLUMN=VALUE",
     .help = "trend: only such rows, as circuit='power hub' or above_e_per_s=1",
     .is_repeatable = true},
    {.name = "object", .kind = CLI_TEXT, .value = "NAME", .help = "trend: subs of this target"},
    {.name = "camera", .kind = CLI_TEXT, .value = "NAME", .help = "trend: subs of this camera"},
    {.name = "every-sub", .kind = CLI_FLAG, .help = "trend: every sub, not a median a night"},
    {.name = "note",
     .kind = CLI_TEXT,
     .value = "TEXT",
     .help = "change, upkeep, trials --forget: more about your entry"},
    {.name = "days",
     .kind = CLI_NUMBER,
     .value = "N",
     .help = "upkeep own: every so many days",
     .min = 1.0,
     .max = 36500.0},
    {.name = "caution", .kind = CLI_TEXT, .value = "TEXT", .help = "upkeep own: what may hurt"},
    {.name = "calendar",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "upkeep: writes what is due as a calendar (iCalendar, .ics)"},
    {.name = "forget",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "change: takes your entry number N away; trials: number N was no trial",
     .min = 1,
     .max = 1e9},
    {.name = "restore",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "trials: number N was one after all, --look finds it",
     .min = 1,
     .max = 1e9},
    {.name = "look",
     .kind = CLI_FLAG,
     .help = "trials: looks through the nights of the book once more"},
    {.name = "out",
     .letter = 'o',
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "export: writes here instead of to stdout"},
    {.name = "strict",
     .kind = CLI_FLAG,
     .help = "accept: exit code 3 when something is not as it was"},
    {0},
};

static enum nw_status check_options(const struct cli_args *args, size_t verb, struct nw_err *err) {
    static const char *const DATES[] = {"from", "to"};
    char name[32];
    (void)snprintf(name, sizeof name, "book %s", VERBS[verb].name);
    enum nw_status status = cli_takes_only(args, name, VERBS[verb].takes, OPTIONS, err);
    for (size_t i = 0; i < 2 && status == NW_OK; i++) {
        double t_s = NAN;
        if (cli_given(args, DATES[i])) {
            status = cli_read_date(DATES[i], cli_text(args, DATES[i]), &t_s, err);
        }
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    size_t verb = 0;
    char path[CLI_MAX_PATH];
    struct call call = {.args = args,
                        .words = cli_positional(args) + 1,
                        .n_words = cli_n_args(args) - 1,
                        .result = result};
    enum nw_status status = find_verb(cli_arg(args, 0), &verb, err);
    if (status == NW_OK &&
        (call.n_words < VERBS[verb].min_words || call.n_words > VERBS[verb].max_words)) {
        status = nw_err_set(err, NW_USAGE, "book %s: expected %s", VERBS[verb].name,
                            VERBS[verb].expected);
    }
    status = status == NW_OK ? check_options(args, verb, err) : status;
    if (status == NW_OK) {
        status = cli_book_path(args, VERBS[verb].access == NW_BOOK_CREATE, path, err);
    }
    status = status == NW_OK && VERBS[verb].run == add ? can_add(&call, err) : status;
    if (status == NW_OK) {
        status = nw_book_open(path, VERBS[verb].access, &call.book, err);
    }
    if (status == NW_OK) {
        status = VERBS[verb].run(&call, err);
    }
    nw_book_close(call.book);
    return status;
}

const struct cli_command CMD_BOOK = {
    .name = "book",
    .arguments = "VERB [ARGUMENT...]",
    .help = "Keeps every night: frames with what was measured, guide logs, rig files, changes.",
    .notes =
        "add PATH...: takes frames, guide, climate and power logs, rig files and what other "
        "commands "
        "print with --json, files or whole folders; what it has already it passes over, so the "
        "same folder may be added again and again.\n"
        "nights: a line a night. change: what changed in the headers from night to night; change "
        "DATE WORDS...: your own entry. accept [NIGHT]: is the rig as it was left? The first three "
        "subs against the nights before.\n"
        "trend COLUMN [COLUMN]: one number against another, without the second against time; the "
        "columns are those of `book export TABLE`, of one table or two; trend light: light lost "
        "over the months, when to clean; trend worm: its amplitude and phase, night by night.\n"
        "compare DATE: what a change did to the stars: nights before against nights since, in the "
        "same air.\n"
        "gaps: holes of the nights and what made them, counted by month.\n"
        "trials: what trials told; those that `add` found are evaluated by themselves. trials "
        "--forget N: it was none, and is not found again.\n"
        "upkeep: what is due and why; upkeep done NAME [DATE]; upkeep own NAME [DATE] --days N: a "
        "task of yours; upkeep forget NAME.\n"
        "check: is the book sound? export [TABLE]: as CSV, else sub; a wrong name lists "
        "the tables. backup FILE: a whole copy, also while frames are being added.\n"
        "Your files are only read. One book is one SQLite file: docs/book.md.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 100001,
    .priority = CLI_PRIORITY_IDLE,
    .run = run,
};
