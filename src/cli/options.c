/* options.c - the option parser, driven by the table of a command.
 * Idea: every value given is one row {option, text} in the order of the command line; lookups scan
 * the rows. Nothing global, so that it can be tested and fuzzed.
 * Holds: all texts are borrowed from argv. Numbers are checked while parsing, so that reading them
 * later cannot fail. */
#include <assert.h>
#include <ctype.h>
#include <math.h>
#include <stdint.h>

#include "cli/cli.h"

#define MAX_OPTIONS 64 /* of one command, the common ones included */

static const struct cli_option COMMON[] = {
    {.name = "json", .help = "one JSON document on stdout"},
    {.name = "help", .letter = 'h', .help = "this text"},
};
static const struct cli_option PRIORITY = {
    .name = "priority",
    .kind = CLI_CHOICE,
    .value = "idle|normal",
    .help = "idle: use processor and disk only while nobody else wants them"};

struct cli_args {
    const struct cli_command *command;
    struct given {
        const struct cli_option *option;
        const char *text; /* NULL for a flag */
    } * given;
    size_t n_given;
    const char **positional;
    size_t n_positional;
    const char **texts; /* the values sorted by option, for cli_texts */
};

const struct cli_option *cli_option_at(const struct cli_command *command, size_t i) {
    size_t n_own = 0;
    while (command->options && command->options[n_own].name) {
        if (n_own == i) {
            return &command->options[i];
        }
        n_own++;
    }
    if (command->priority != CLI_PRIORITY_NONE) {
        if (n_own == i) {
            return &PRIORITY;
        }
        n_own++;
    }
    const size_t n_common = sizeof COMMON / sizeof COMMON[0];
    return i - n_own < n_common ? &COMMON[i - n_own] : NULL;
}

static const struct cli_option *option_find(const struct cli_command *command, const char *name,
                                            size_t len) {
    const struct cli_option *option = NULL;
    for (size_t i = 0; (option = cli_option_at(command, i)); i++) {
        if (strlen(option->name) == len && memcmp(option->name, name, len) == 0) {
            return option;
        }
    }
    return NULL;
}

static const struct cli_option *option_by_letter(const struct cli_command *command, char letter) {
    const struct cli_option *option = NULL;
    for (size_t i = 0; (option = cli_option_at(command, i)); i++) {
        if (option->letter && option->letter == letter) {
            return option;
        }
    }
    return NULL;
}

/* "-" is a file name and "-1.5" a number; all else that begins with a dash is meant as an option.
 */
static bool looks_like_option(const char *text) {
    return text[0] == '-' && text[1] != '\0' && text[1] != '.' && !isdigit((unsigned char)text[1]);
}

static enum nw_status fail_unknown(const struct cli_command *command, const char *name, size_t len,
                                   struct nw_err *err) {
    const char *names[MAX_OPTIONS];
    size_t n = 0;
    const struct cli_option *option = NULL;
    while (n < MAX_OPTIONS && (option = cli_option_at(command, n))) {
        names[n++] = option->name;
    }
    char word[64];
    (void)snprintf(word, sizeof word, "%.*s", (int)(len < 63 ? len : 63), name);
    const char *const nearest = nw_text_nearest(word, names, n);
    if (nearest) {
        return nw_err_set(err, NW_USAGE, "%s: unknown option --%s (nearest: --%s)", command->name,
                          word, nearest);
    }
    return nw_err_set(err, NW_USAGE, "%s: unknown option --%s (%s --help lists them)",
                      command->name, word, command->name);
}

/* Is `text` one of the words of "R|G|B"? */
static bool is_choice(const char *words, const char *text) {
    const size_t len = strlen(text);
    for (const char *word = words; word;) {
        const char *const end = strchr(word, '|');
        const size_t word_len = end ? (size_t)(end - word) : strlen(word);
        if (len == word_len && memcmp(word, text, len) == 0) {
            return true;
        }
        word = end ? end + 1 : NULL;
    }
    return false;
}

static enum nw_status check_number(const struct cli_command *command,
                                   const struct cli_option *option, const char *text,
                                   struct nw_err *err) {
    double number = NAN;
    long whole = 0;
    const bool is_count = option->kind == CLI_COUNT;
    if (is_count && nw_text_to_long(text, &whole)) {
        number = (double)whole;
    } else if (is_count || !nw_text_to_double(text, &number)) {
        return nw_err_set(err, NW_USAGE, "%s: --%s is '%s', expected a %snumber", command->name,
                          option->name, text, is_count ? "whole " : "");
    }
    if (option->max > option->min && !(number >= option->min && number <= option->max)) {
        return nw_err_set(err, NW_USAGE, "%s: --%s is %g, expected %g to %g", command->name,
                          option->name, number, option->min, option->max);
    }
    return NW_OK;
}

static enum nw_status add_value(struct cli_args *args, const struct cli_option *option,
                                const char *text, struct nw_err *err) {
    const struct cli_command *const command = args->command;
    if (text && option->kind != CLI_FLAG && text[0] == '\0') {
        return nw_err_set(err, NW_USAGE, "%s: --%s is empty, expected %s", command->name,
                          option->name, option->value);
    }
    if (option->kind == CLI_CHOICE && !is_choice(option->value, text)) {
        return nw_err_set(err, NW_USAGE, "%s: --%s is '%s', expected one of %s", command->name,
                          option->name, text, option->value);
    }
    if (option->kind == CLI_NUMBER || option->kind == CLI_COUNT) {
        const enum nw_status status = check_number(command, option, text, err);
        if (status != NW_OK) {
            return status;
        }
    }
    const bool is_single =
        option->kind != CLI_FLAG && option->kind != CLI_LIST && !option->is_repeatable;
    for (size_t i = 0; is_single && i < args->n_given; i++) {
        if (args->given[i].option == option) {
            return nw_err_set(err, NW_USAGE, "%s: --%s is given twice ('%s' and '%s')",
                              command->name, option->name, args->given[i].text, text);
        }
    }
    args->given[args->n_given++] = (struct given){option, text};
    return NW_OK;
}

/* The value behind an option that stands at argv[*at]; moves *at to the last argument it used. */
static enum nw_status take_values(struct cli_args *args, const struct cli_option *option,
                                  const char *inline_value, int argc, char *const *argv, int *at,
                                  struct nw_err *err) {
    const struct cli_command *const command = args->command;
    if (option->kind == CLI_FLAG) {
        if (inline_value) {
            return nw_err_set(err, NW_USAGE, "%s: --%s takes no value, found '%s'", command->name,
                              option->name, inline_value);
        }
        return add_value(args, option, NULL, err);
    }
    if (inline_value) {
        return add_value(args, option, inline_value, err);
    }
    const bool is_list = option->kind == CLI_LIST;
    size_t n_taken = 0;
    while (*at + 1 < argc && !looks_like_option(argv[*at + 1]) && (is_list || n_taken == 0)) {
        const enum nw_status status = add_value(args, option, argv[++*at], err);
        if (status != NW_OK) {
            return status;
        }
        n_taken++;
    }
    if (n_taken == 0) {
        return nw_err_set(err, NW_USAGE, "%s: --%s needs a value: --%s %s", command->name,
                          option->name, option->name, option->value);
    }
    return NW_OK;
}

static enum nw_status take_option(struct cli_args *args, int argc, char *const *argv, int *at,
                                  struct nw_err *err) {
    const char *const text = argv[*at];
    const struct cli_command *const command = args->command;
    if (text[1] != '-') {
        const struct cli_option *const option = option_by_letter(command, text[1]);
        if (!option) {
            return fail_unknown(command, text + 1, strlen(text + 1), err);
        }
        const char *inline_value = text[2] ? text + 2 : NULL;
        if (inline_value && inline_value[0] == '=') {
            inline_value++;
        }
        return take_values(args, option, inline_value, argc, argv, at, err);
    }
    const char *const name = text + 2;
    const char *const equals = strchr(name, '=');
    const size_t len = equals ? (size_t)(equals - name) : strlen(name);
    const struct cli_option *const option = option_find(command, name, len);
    if (!option) {
        return fail_unknown(command, name, len, err);
    }
    return take_values(args, option, equals ? equals + 1 : NULL, argc, argv, at, err);
}

static enum nw_status check_positional(const struct cli_args *args, struct nw_err *err) {
    const struct cli_command *const command = args->command;
    if (args->n_positional < command->min_args) {
        return nw_err_set(err, NW_USAGE, "%s: %s missing; usage: nightwright %s %s", command->name,
                          args->n_positional == 0 ? "argument" : "an argument is", command->name,
                          command->arguments);
    }
    if (args->n_positional > command->max_args) {
        return nw_err_set(
            err, NW_USAGE, "%s: '%s' is one argument too many; usage: nightwright %s %s",
            command->name, args->positional[command->max_args], command->name, command->arguments);
    }
    return NW_OK;
}

/* Values sorted by option, so that cli_texts can hand out a slice. */
static void sort_texts(struct cli_args *args) {
    size_t n = 0;
    const struct cli_option *option = NULL;
    for (size_t i = 0; (option = cli_option_at(args->command, i)); i++) {
        for (size_t k = 0; k < args->n_given; k++) {
            if (args->given[k].option == option) {
                args->texts[n++] = args->given[k].text;
            }
        }
    }
}

enum nw_status cli_args_parse(const struct cli_command *command, int argc, char *const *argv,
                              struct cli_args **ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    const size_t n_max = argc > 0 ? (size_t)argc : 1;
    struct cli_args *args = nw_calloc(1, sizeof *args);
    if (args) {
        args->command = command;
        args->given = nw_calloc(n_max, sizeof *args->given);
        args->positional = nw_calloc(n_max, sizeof *args->positional);
        args->texts = nw_calloc(n_max, sizeof *args->texts);
    }
    if (!args || !args->given || !args->positional || !args->texts) {
        status = nw_err_set(err, NW_NOMEM, "command line of %d words", argc);
        goto done;
    }
    bool is_ended = false;
    for (int at = 0; at < argc; at++) {
        if (is_ended || !looks_like_option(argv[at])) {
            args->positional[args->n_positional++] = argv[at];
        } else if (strcmp(argv[at], "--") == 0) {
            is_ended = true;
        } else {
            status = take_option(args, argc, argv, &at, err);
            if (status != NW_OK) {
                goto done;
            }
        }
    }
    sort_texts(args);
    status = cli_wants_help(args) ? NW_OK : check_positional(args, err);
    if (status == NW_OK) {
        *ret = args;
        args = NULL;
    }
done:
    cli_args_free(args);
    return status;
}

void cli_args_free(struct cli_args *args) {
    if (args) {
        free(args->given);
        free(args->positional);
        free(args->texts);
        free(args);
    }
}

size_t cli_n_args(const struct cli_args *args) {
    return args->n_positional;
}

const char *cli_arg(const struct cli_args *args, size_t i) {
    assert(i < args->n_positional);
    return args->positional[i];
}

const char *const *cli_positional(const struct cli_args *args) {
    return args->positional;
}

const char *const *cli_texts(const struct cli_args *args, const char *name, size_t *ret_n) {
    const struct cli_option *const wanted = option_find(args->command, name, strlen(name));
    assert(wanted); /* not in the command's table */
    size_t first = 0;
    const struct cli_option *option = NULL;
    for (size_t i = 0; (option = cli_option_at(args->command, i)); i++) {
        size_t n = 0;
        for (size_t k = 0; k < args->n_given; k++) {
            n += args->given[k].option == option ? 1 : 0;
        }
        if (option == wanted) {
            *ret_n = n;
            return args->texts + first;
        }
        first += n;
    }
    *ret_n = 0;
    return args->texts;
}

bool cli_given(const struct cli_args *args, const char *name) {
    size_t n = 0;
    (void)cli_texts(args, name, &n);
    return n > 0;
}

const char *cli_text(const struct cli_args *args, const char *name) {
    size_t n = 0;
    const char *const *const texts = cli_texts(args, name, &n);
    return n > 0 ? texts[n - 1] : NULL;
}

double cli_number(const struct cli_args *args, const char *name, double if_absent) {
    const char *const text = cli_text(args, name);
    double number = if_absent;
    if (text) {
        (void)nw_text_to_double(text, &number); /* checked while parsing */
    }
    return number;
}

long cli_count(const struct cli_args *args, const char *name, long if_absent) {
    const char *const text = cli_text(args, name);
    long number = if_absent;
    if (text) {
        (void)nw_text_to_long(text, &number); /* checked while parsing */
    }
    return number;
}

bool cli_is_idle(const struct cli_args *args) {
    if (args->command->priority == CLI_PRIORITY_NONE) {
        return false;
    }
    const char *const word = cli_text(args, PRIORITY.name);
    return word ? strcmp(word, "idle") == 0 : args->command->priority == CLI_PRIORITY_IDLE;
}

bool cli_wants_json(const struct cli_args *args) {
    return cli_given(args, "json");
}

bool cli_wants_help(const struct cli_args *args) {
    return cli_given(args, "help");
}
