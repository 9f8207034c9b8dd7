/* cli.h - what the files of the command line share: the table of commands, the option parser, the
 * way a result leaves the program.
 *
 * Idea: a command is one file cmd_<name>.c that ends in one `const struct cli_command CMD_<NAME>`,
 * and one row in CLI_COMMANDS below. Parsing, --help, --json, exit codes and the docs follow from
 * that description. A command decodes its arguments, calls the library, and fills a cli_result; it
 * does not print: main.c prints the result once, after everything has worked.
 *
 * Exit codes: 0 done, 1 the work failed, 2 bad usage or input, 3 over what is allowed (--strict).
 */
#ifndef NW_CLI_H
#define NW_CLI_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "rig/logs.h"

/* Every command, in the order of the help. To add one: its row here, its file in meson.build. */
/* clang-format off: one row a command, so that adding one touches one line */
#define CLI_COMMANDS(X)                                                                            \
    X(CMD_LOOK)                                                                                    \
    X(CMD_MEASURE)                                                                                 \
    X(CMD_FOCUS)                                                                                   \
    X(CMD_SURFACE)                                                                                 \
    X(CMD_CHECK)                                                                                   \
    X(CMD_TRIAL)                                                                                   \
    X(CMD_SPACING)                                                                                 \
    X(CMD_SENSOR)                                                                                  \
    X(CMD_FLATS)                                                                                   \
    X(CMD_RIG)                                                                                     \
    X(CMD_LOG)                                                                                     \
    X(CMD_GUIDING)                                                                                 \
    X(CMD_AIR)                                                                                     \
    X(CMD_BALANCE)                                                                                 \
    X(CMD_CLEARANCE)                                                                               \
    X(CMD_POWER)                                                                                   \
    X(CMD_SHEET)                                                                                   \
    X(CMD_SUN)                                                                                     \
    X(CMD_BOOK)                                                                                    \
    X(CMD_LIGHT)                                                                                   \
    X(CMD_THROUGHPUT)                                                                              \
    X(CMD_HANDOVER)                                                                                \
    X(CMD_OWED)                                                                                    \
    X(CMD_PLAN)                                                                                    \
    X(CMD_SEASON)                                                                                  \
    X(CMD_CATALOGUE)                                                                               \
    X(CMD_WATCH)                                                                                   \
    X(CMD_REPORT)                                                                                  \
    X(CMD_SYNTH)
/* clang-format on */

enum cli_kind {
    CLI_FLAG,   /* --json */
    CLI_TEXT,   /* --stars FILE */
    CLI_NUMBER, /* --scale 1.2: finite, min <= value <= max when max > min */
    CLI_COUNT,  /* --threads 2: whole number, same limits */
    CLI_CHOICE, /* --colour R|G|B: one of the words of `value` */
    CLI_LIST    /* --frames A B C: all that follows up to the next option */
};

/* A table of options ends with {0}. --json and --help belong to every command and are not listed.
 */
struct cli_option {
    const char *name;   /* without the dashes */
    char letter;        /* 'o' when -o is the same, else 0 */
    enum cli_kind kind; /* CLI_FLAG takes no value */
    const char *value;  /* how the help names the value: "FILE"; of a choice: "R|G|B" */
    const char *help;   /* one sentence, no full stop */
    bool is_repeatable; /* may come several times; CLI_LIST always may */
    double min, max;
};

struct cli_args;

/* What a command gives back. Exactly one of the two is filled: json when args say so, else text. */
struct cli_result {
    struct nw_buf text;
    json_t *json; /* owned */
    bool is_over; /* with --strict: something is over what is allowed, exit 3 */
};

/* How a command that reads pixels behaves beside a program that is capturing; such commands have
 * the option --priority, all others run as they were started. */
enum cli_priority {
    CLI_PRIORITY_NONE,   /* quick: no option */
    CLI_PRIORITY_NORMAL, /* --priority idle is the choice */
    CLI_PRIORITY_IDLE    /* --priority normal is the choice */
};

/* Rows that many commands share. */
#define CLI_OPTION_SETUP                                                                           \
    {                                                                                              \
        .name = "setup", .kind = CLI_TEXT, .value = "NAME",                                        \
        .help = "setup of the rig, else its first"                                                 \
    }
#define CLI_OPTION_SET                                                                             \
    {                                                                                              \
        .name = "set", .kind = CLI_TEXT, .value = "PATH=VALUE",                                    \
        .help = "another value for a key of the rig file", .is_repeatable = true                   \
    }
#define CLI_OPTION_BOOK                                                                            \
    {                                                                                              \
        .name = "book", .kind = CLI_TEXT, .value = "FILE",                                         \
        .help = "the book; else NIGHTWRIGHT_BOOK, else nightwright/book.sqlite in your data "      \
                "folder"                                                                           \
    }

struct cli_command {
    const char *name;
    const char *arguments; /* of the usage line: "FRAME..." */
    const char *help;      /* one sentence */
    const char *notes;     /* paragraphs for --help, split by '\n'; NULL = none */
    const struct cli_option *options;
    size_t min_args, max_args;  /* positional ones */
    enum cli_priority priority; /* without --priority */
    enum nw_status (*run)(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err);
};

#define X(symbol) extern const struct cli_command symbol;
CLI_COMMANDS(X)
#undef X

const struct cli_command *cli_command_find(const char *name); /* NULL when there is none */
const struct cli_command *cli_command_at(size_t i);           /* NULL past the end */
const char *cli_command_nearest(const char *name);            /* NULL when none is near */
/* The options of a command, its own first, then the common ones; NULL past the end. */
const struct cli_option *cli_option_at(const struct cli_command *command, size_t i);

/* ---- Arguments ---------------------------------------------------------------------------- */

/* Parses what stands behind the command's name. `--name value`, `--name=value`, `-o value`; `--`
 * ends the options. USAGE errors name the argument, what was expected and the nearest option.
 * The texts are borrowed from argv. With --help the other demands (required arguments) are waived.
 */
enum nw_status cli_args_parse(const struct cli_command *command, int argc, char *const *argv,
                              struct cli_args **ret, struct nw_err *err) NW_CHECKED;
void cli_args_free(struct cli_args *args);

bool cli_wants_json(const struct cli_args *args);
bool cli_wants_help(const struct cli_args *args);
bool cli_is_idle(const struct cli_args *args);  /* by --priority, else by the command's own */
size_t cli_n_args(const struct cli_args *args); /* positional */
const char *cli_arg(const struct cli_args *args, size_t i);
const char *const *cli_positional(const struct cli_args *args); /* all of them */

/* Values by option name; a name that is not in the command's table is a programmer's error. */
bool cli_given(const struct cli_args *args, const char *name);
const char *cli_text(const struct cli_args *args, const char *name); /* the last one, or NULL */
const char *const *cli_texts(const struct cli_args *args, const char *name, size_t *ret_n);
double cli_number(const struct cli_args *args, const char *name, double if_absent);
long cli_count(const struct cli_args *args, const char *name, long if_absent);

/* Files as named, folders as the FITS files in them (3 deep). NOTFOUND: a folder without any. Added
 * to `paths`, which nw_paths_done frees. */
enum nw_status cli_frame_paths(const char *const *given, size_t n, struct nw_paths *paths,
                               struct nw_err *err) NW_CHECKED;

/* The rig file that the first word names, with --set put on it, and its setup of --setup (ret_setup
 * NULL: not asked for); *ret_rig is yours to free also where the setup is not found. */
enum nw_status cli_read_rig(const struct cli_args *args, struct nw_rig **ret_rig,
                            const struct nw_setup **ret_setup, struct nw_err *err) NW_CHECKED;

/* "2026-06-14", given with --option: a day that exists, 1951 to 2099; its midnight UTC [s]. */
enum nw_status cli_read_date(const char *option, const char *text, double *ret_s,
                             struct nw_err *err) NW_CHECKED;
/* A list of one number for each of n things ("flats"), where it is given at all. */
enum nw_status cli_check_numbers(const struct cli_args *args, const char *option, size_t n,
                                 const char *things, struct nw_err *err) NW_CHECKED;
/* Of a command whose verbs share one list of options: USAGE when one was given that is not among
 * `takes` (names between blanks), so that none is passed over in silence. */
enum nw_status cli_takes_only(const struct cli_args *args, const char *verb, const char *takes,
                              const struct cli_option *options, struct nw_err *err) NW_CHECKED;

/* The book: --book, else NIGHTWRIGHT_BOOK, else the user's data folder, whose folders are made when
 * it is to be created. */
enum { CLI_MAX_PATH = 4096 };
enum nw_status cli_book_path(const struct cli_args *args, bool is_creating, char path[CLI_MAX_PATH],
                             struct nw_err *err) NW_CHECKED;

/* The layouts of text logs in a rig file that has been read; none (NULL, 0) where it has no such
 * section. */
enum nw_status cli_rig_layouts(const char *rig_path, struct nw_log_layout **ret, size_t *ret_n,
                               struct nw_err *err) NW_CHECKED;

/* ---- Help --------------------------------------------------------------------------------- */

void cli_help_program(struct nw_buf *text);
void cli_help_command(const struct cli_command *command, struct nw_buf *text);

/* ---- Talk --------------------------------------------------------------------------------- */

/* One line on stderr, "nightwright: ..."; control characters are made harmless. */
void cli_say_error(const struct nw_err *err);
void cli_warn(const char *format, ...) NW_PRINTF(1, 2);

/* A bar on stderr when that is a terminal and the work lasts over a second; nothing otherwise.
 *     struct cli_progress bar;
 *     const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
 *     ... nw_parallel_for(..., &progress);
 *     cli_progress_end(&bar);                                                                  */
struct cli_progress {
    const char *what;
    double start_s, last_s;
    bool is_terminal, is_shown;
};
struct nw_progress cli_progress_begin(struct cli_progress *bar, const char *what);
void cli_progress_end(struct cli_progress *bar); /* wipes the bar */

/* Makes this process give way: the processor only while nobody else wants it (SCHED_IDLE), the disk
 * only while it is idle (I/O class idle). Threads started later inherit both, so it comes before
 * the first parallel loop. What the system refuses is left as it is: manners, not a result. */
void cli_give_way(void);

double cli_clock_s(void);   /* monotonic, for elapsed times only */
double cli_now_utc_s(void); /* the computer's clock, seconds since 1970 */
/* For commands that go on: writes to stdout at once. Others fill their result instead. */
enum nw_status cli_print_now(const char *data, size_t len, struct nw_err *err) NW_CHECKED;

/* ---- The whole program -------------------------------------------------------------------- */

int cli_exit_code(enum nw_status status); /* the one place where a status becomes an exit code */
int cli_main(int argc, char *const *argv);

#endif
