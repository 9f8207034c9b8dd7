/* book_kept.c - `book trials`: what trials told, and the owner's word on those that were none. */
#include <math.h>
#include <stdlib.h>

#include "cli/book_trials.h"
#include "report/report_told.h"

static enum nw_status list(struct nw_book *book, const struct cli_args *args,
                           struct cli_result *result, struct nw_err *err) {
    struct nw_book_trial *trials = NULL;
    size_t n = 0;
    enum nw_status status =
        nw_book_trials(book, cli_text(args, "from"), cli_text(args, "to"), &trials, &n, err);
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_trials_kept_json(trials, n, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_trials_kept_text(trials, n, &result->text);
    }
    free(trials);
    return status;
}

/* All nights once more, with the rig file of --rig or the book's last. */
static enum nw_status look_again(struct nw_book *book, const struct cli_args *args,
                                 struct nw_err *err) {
    const char *const rig_path = cli_text(args, "rig");
    struct nw_rig *rig = NULL;
    struct cli_found_trials found = {.n = 0};
    enum nw_status status = cli_book_rig(book, args, &rig, err);
    if (status == NW_OK && !rig) {
        status = nw_err_set(
            err, NW_USAGE, "--look: the book has no rig file that can be read, expected --rig RIG");
    }
    if (status == NW_OK) {
        const struct cli_find_trials how = {.rig = rig_path ? rig : NULL,
                                            .rig_path = rig_path,
                                            .setup = cli_text(args, "setup"),
                                            .origin = NW_BOOK_FROM_ADD,
                                            .since_utc_s = cli_now_utc_s(),
                                            .from = cli_text(args, "from"),
                                            .to = cli_text(args, "to"),
                                            .is_all = true};
        status = cli_book_find_trials(book, &how, &found, err);
    }
    cli_found_trials_done(&found);
    nw_rig_free(rig);
    return status;
}

static enum nw_status check_options(const struct cli_args *args, struct nw_err *err) {
    static const struct {
        const char *option, *with;
    } PAIRS[] = {{"note", "forget"}, {"rig", "look"}, {"setup", "look"}};
    for (size_t i = 0; i < sizeof PAIRS / sizeof *PAIRS; i++) {
        if (cli_given(args, PAIRS[i].option) && !cli_given(args, PAIRS[i].with)) {
            return nw_err_set(err, NW_USAGE, "book trials: --%s goes with --%s", PAIRS[i].option,
                              PAIRS[i].with);
        }
    }
    return cli_given(args, "forget") && cli_given(args, "restore")
               ? nw_err_set(err, NW_USAGE,
                            "book trials: expected one of --forget and --restore at a time")
               : NW_OK;
}

enum nw_status cli_book_trials(struct nw_book *book, const struct cli_args *args,
                               struct cli_result *result, struct nw_err *err) {
    const char *const note = cli_text(args, "note");
    enum nw_status status = check_options(args, err);
    if (status == NW_OK && cli_given(args, "forget")) {
        status = nw_book_take_back_trial(book, cli_count(args, "forget", 0), note ? note : "", err);
    }
    if (status == NW_OK && cli_given(args, "restore")) {
        status = nw_book_restore_trial(book, cli_count(args, "restore", 0), err);
    }
    if (status == NW_OK && cli_given(args, "look")) {
        status = look_again(book, args, err);
    }
    return status == NW_OK ? list(book, args, result, err) : status;
}
