/* commands.c - the table of commands; a row is added in cli.h (CLI_COMMANDS). */
#include "cli/cli.h"

/* Ends with NULL. */
static const struct cli_command *const COMMANDS[] = {
#define X(symbol) &(symbol),
    CLI_COMMANDS(X)
#undef X
        NULL,
};

const struct cli_command *cli_command_at(size_t i) {
    return i < sizeof COMMANDS / sizeof COMMANDS[0] ? COMMANDS[i] : NULL;
}

const struct cli_command *cli_command_find(const char *name) {
    for (size_t i = 0; COMMANDS[i]; i++) {
        if (strcmp(COMMANDS[i]->name, name) == 0) {
            return COMMANDS[i];
        }
    }
    return NULL;
}

const char *cli_command_nearest(const char *name) {
    const char *names[sizeof COMMANDS / sizeof COMMANDS[0]] = {NULL};
    size_t n = 0;
    for (; COMMANDS[n]; n++) {
        names[n] = COMMANDS[n]->name;
    }
    return nw_text_nearest(name, names, n);
}
