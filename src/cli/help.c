/* help.c - the help texts, made from the table of commands. */
#include "cli/cli.h"
#include "report/report.h"

void cli_help_program(struct nw_buf *text) {
    nw_report_paragraph(text, 0,
                        "Nightwright: the systems engineer of a one-person observatory. It "
                        "measures what the rig did from frames and guide logs, predicts what it "
                        "can do, and sets both side by side. It controls no device.");
    nw_buf_printf(text, "\nusage: nightwright COMMAND ... [--json]\n\n");
    const struct cli_command *command = NULL;
    for (size_t i = 0; (command = cli_command_at(i)); i++) {
        char head[80];
        (void)snprintf(head, sizeof head, "%s %s", command->name, command->arguments);
        nw_report_entry(text, 2, 24, head, command->help);
    }
    nw_buf_printf(text, "\n");
    nw_report_entry(text, 2, 24, "COMMAND --help", "what a command does, and its options");
    nw_report_entry(text, 2, 24, "--version", "the version");
    nw_buf_printf(text, "\n");
    nw_report_paragraph(text, 0,
                        "Results go to stdout, progress and warnings to stderr. Exit codes: 0 "
                        "done, 1 the work failed, 2 bad usage or input, 3 with --strict: "
                        "something is over what is allowed.");
    nw_buf_printf(text, "\nNew here? nightwright look FOLDER (last night's frames) needs nothing "
                        "else.\n");
}

/* The words of a choice as a list; many would not fit beside the option's name. */
static void list_words(char *text, size_t size, const char *words) {
    size_t at = strlen(text);
    at += (size_t)snprintf(text + at, size - at, ": ");
    for (const char *c = words; *c && at + 3 < size; c++) {
        at += (size_t)snprintf(text + at, size - at, *c == '|' ? ", " : "%c", *c);
    }
}

static void help_option(const struct cli_option *option, struct nw_buf *text) {
    char head[80];
    char letter[8] = "";
    if (option->letter) {
        (void)snprintf(letter, sizeof letter, "-%c, ", option->letter);
    }
    const char *const dots = option->kind == CLI_LIST ? "..." : "";
    const bool has_many = option->kind == CLI_CHOICE && strlen(option->value) > 60;
    const char *const value = has_many ? "WORD" : option->value;
    (void)snprintf(head, sizeof head, "%s--%s%s%s%s", letter, option->name, value ? " " : "",
                   value ? value : "", dots);
    char help[600];
    const bool is_limited = option->max > option->min;
    char limits[64] = "";
    if (is_limited) {
        (void)snprintf(limits, sizeof limits, " (%.10g to %.10g)", option->min, option->max);
    }
    (void)snprintf(help, sizeof help, "%s%s%s", option->help, limits,
                   option->is_repeatable ? "; may be repeated" : "");
    if (has_many) {
        list_words(help, sizeof help, option->value);
    }
    nw_report_entry(text, 2, 24, head, help);
}

void cli_help_command(const struct cli_command *command, struct nw_buf *text) {
    nw_buf_printf(text, "usage: nightwright %s %s [options]\n\n", command->name,
                  command->arguments);
    nw_report_paragraph(text, 0, command->help);
    nw_buf_printf(text, "\n");
    const struct cli_option *option = NULL;
    for (size_t i = 0; (option = cli_option_at(command, i)); i++) {
        help_option(option, text);
    }
    for (const char *note = command->notes; note && *note;) {
        const char *const end = strchr(note, '\n');
        const size_t len = end ? (size_t)(end - note) : strlen(note);
        char paragraph[1200];
        (void)snprintf(paragraph, sizeof paragraph, "%.*s", (int)len, note);
        nw_buf_printf(text, "\n");
        nw_report_paragraph(text, 0, paragraph);
        note += len + (end ? 1 : 0);
    }
}
