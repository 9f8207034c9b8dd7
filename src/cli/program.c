/* program.c - one call of the program: find the command, parse, run, print, exit code.
 * Idea: a command hands back a whole result; it is printed once, when all has worked, so that a
 * failure leaves nothing on stdout. */
#include <assert.h>
#include <errno.h>

#include "cli/cli.h"
#include "report/report.h"

#ifndef NW_VERSION
#error "NW_VERSION comes from meson.build"
#endif

int cli_exit_code(enum nw_status status) {
    switch (status) {
    case NW_OK:
        return 0;
    case NW_DOMAIN:
    case NW_FORMAT:
    case NW_NOTFOUND:
    case NW_LIMIT:
    case NW_USAGE:
        return 2;
    case NW_NOMEM:
    case NW_IO:
    case NW_DATA:
        return 1;
    }
    return 1;
}

/* Everything or an error: a full disk and a closed pipe show at the latest in fflush. */
enum nw_status cli_print_now(const char *data, size_t len, struct nw_err *err) {
    errno = 0;
    if ((len > 0 && fwrite(data, 1, len, stdout) != len) || fflush(stdout) != 0) {
        return nw_err_set(err, NW_IO, "cannot write the result to stdout: %s", strerror(errno));
    }
    return NW_OK;
}

static enum nw_status print_text(const struct nw_buf *text, struct nw_err *err) {
    if (nw_buf_failed(text)) {
        return nw_err_set(err, NW_NOMEM, "text of the result (over %zu bytes)", text->len);
    }
    return cli_print_now(text->data, text->len, err);
}

static enum nw_status print_result(const struct cli_args *args, struct cli_result *result,
                                   struct nw_err *err) {
    if (!cli_wants_json(args)) {
        return print_text(&result->text, err);
    }
    assert(result->json); /* every command answers --json */
    struct nw_buf text;
    nw_buf_init(&text, NW_REPORT_MAX_BYTES);
    enum nw_status status = nw_json_write(result->json, &text, err);
    if (status == NW_OK) {
        status = print_text(&text, err);
    }
    nw_buf_done(&text);
    return status;
}

static enum nw_status run_command(const struct cli_command *command, int argc, char *const *argv,
                                  bool *ret_is_over, struct nw_err *err) {
    struct cli_args *args = NULL;
    struct cli_result result = {0};
    nw_buf_init(&result.text, NW_REPORT_MAX_BYTES);
    enum nw_status status = cli_args_parse(command, argc, argv, &args, err);
    if (status != NW_OK) {
        goto done;
    }
    if (cli_wants_help(args)) {
        cli_help_command(command, &result.text);
        status = print_text(&result.text, err);
        goto done;
    }
    if (cli_is_idle(args)) {
        cli_give_way();
    }
    status = command->run(args, &result, err);
    if (status == NW_OK) {
        status = print_result(args, &result, err);
        *ret_is_over = result.is_over;
    }
done:
    nw_buf_done(&result.text);
    json_decref(result.json);
    cli_args_free(args);
    return status;
}

static enum nw_status fail_command(const char *name, struct nw_err *err) {
    const char *const nearest = cli_command_nearest(name);
    if (nearest) {
        return nw_err_set(err, NW_USAGE, "unknown command '%s' (nearest: %s)", name, nearest);
    }
    return nw_err_set(err, NW_USAGE, "unknown command '%s' (nightwright --help lists them)", name);
}

static enum nw_status print_help(int argc, char *const *argv, struct nw_err *err) {
    const struct cli_command *const command = argc > 0 ? cli_command_find(argv[0]) : NULL;
    if (argc > 0 && !command) {
        return fail_command(argv[0], err);
    }
    struct nw_buf text;
    nw_buf_init(&text, NW_REPORT_MAX_BYTES);
    if (command) {
        cli_help_command(command, &text);
    } else {
        cli_help_program(&text);
    }
    const enum nw_status status = print_text(&text, err);
    nw_buf_done(&text);
    return status;
}

static enum nw_status run_program(int argc, char *const *argv, bool *ret_is_over,
                                  struct nw_err *err) {
    const char *const word = argc > 1 ? argv[1] : NULL;
    if (!word) {
        return nw_err_set(err, NW_USAGE, "no command given (nightwright --help lists them)");
    }
    if (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0 || strcmp(word, "help") == 0) {
        return print_help(argc - 2, argv + 2, err);
    }
    if (strcmp(word, "--version") == 0) {
        static const char VERSION[] = "nightwright " NW_VERSION "\n";
        return cli_print_now(VERSION, sizeof VERSION - 1, err);
    }
    const struct cli_command *const command = cli_command_find(word);
    if (command) {
        return run_command(command, argc - 2, argv + 2, ret_is_over, err);
    }
    if (word[0] == '-') {
        return nw_err_set(err, NW_USAGE,
                          "'%s' comes before a command; usage: nightwright COMMAND ...", word);
    }
    return fail_command(word, err);
}

int cli_main(int argc, char *const *argv) {
    struct nw_err err = {0};
    bool is_over = false;
    const enum nw_status status = run_program(argc, argv, &is_over, &err);
    if (status != NW_OK) {
        cli_say_error(&err);
        return cli_exit_code(status);
    }
    return is_over ? 3 : 0;
}
