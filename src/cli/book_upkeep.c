/* book_upkeep.c - `book upkeep`: what is due, what was done, the owner's own tasks. */
#include "cli/book_upkeep.h"

#include <math.h>

#include "report/report_upkeep.h"

static enum nw_status act(struct nw_book *book, const char *const *words, size_t n_words,
                          const struct cli_args *args, struct nw_err *err) {
    const char *const note = cli_text(args, "note");
    char today[32];
    if (n_words < 2) {
        return nw_err_set(err, NW_USAGE, "book upkeep %s: expected the name of a task", words[0]);
    }
    if (strcmp(words[0], "done") == 0) {
        nw_time_write_iso(cli_now_utc_s(), 0, today, sizeof today);
        today[10] = '\0';
        return nw_upkeep_done(book, words[1], n_words > 2 ? words[2] : today, note, cli_now_utc_s(),
                              err);
    }
    if (strcmp(words[0], "own") == 0) {
        const struct nw_upkeep_own own = {.name = words[1],
                                          .due = n_words > 2 ? words[2] : NULL,
                                          .note = note,
                                          .caution = cli_text(args, "caution"),
                                          .every_s = cli_number(args, "days", NAN) * 86400.0};
        return nw_upkeep_add(book, &own, err);
    }
    if (strcmp(words[0], "forget") == 0) {
        return nw_upkeep_forget(book, words[1], err);
    }
    return nw_err_set(err, NW_USAGE, "book upkeep %s: expected done, own or forget, or nothing",
                      words[0]);
}

static enum nw_status write_calendar(const char *path, const struct nw_upkeep *tasks, size_t n,
                                     struct nw_err *err) {
    struct nw_buf calendar;
    nw_buf_init(&calendar, 1 << 24);
    enum nw_status status = nw_report_upkeep_ics(tasks, n, cli_now_utc_s(), &calendar, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, calendar.data, calendar.len, err);
    }
    nw_buf_done(&calendar);
    return status;
}

enum nw_status cli_book_upkeep(struct nw_book *book, const char *const *words, size_t n_words,
                               const struct cli_args *args, struct cli_result *result,
                               struct nw_err *err) {
    const char *const path = cli_text(args, "calendar");
    struct nw_upkeep *tasks = NULL;
    size_t n = 0;
    enum nw_status status = n_words > 0 ? act(book, words, n_words, args, err) : NW_OK;
    if (status == NW_OK) {
        status = nw_upkeep_list(book, cli_now_utc_s(), &tasks, &n, err);
    }
    if (status == NW_OK && path) {
        status = write_calendar(path, tasks, n, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_upkeep_json(tasks, n, cli_now_utc_s(), &result->json, err);
    } else if (status == NW_OK) {
        nw_report_upkeep_text(tasks, n, cli_now_utc_s(), &result->text);
    }
    free(tasks);
    return status;
}

enum nw_status cli_book_fading(struct nw_book *book, const struct cli_args *args,
                               struct cli_result *result, struct nw_err *err) {
    struct nw_fading fading;
    enum nw_status status =
        nw_fading_of(book, cli_text(args, "from"), cli_text(args, "camera"), &fading, err);
    if (status != NW_OK) {
        return status;
    }
    if (cli_wants_json(args)) {
        status = nw_report_fading_json(&fading, &result->json, err);
    } else {
        nw_report_fading_text(&fading, cli_now_utc_s(), &result->text);
    }
    nw_fading_done(&fading);
    return status;
}

enum nw_status cli_book_worms(struct nw_book *book, const struct cli_args *args,
                              struct cli_result *result, struct nw_err *err) {
    struct nw_worms worms;
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "analysing");
    enum nw_status status =
        nw_worms_of(book, cli_text(args, "from"), cli_text(args, "to"), &progress, &worms, err);
    cli_progress_end(&bar);
    if (status != NW_OK) {
        return status;
    }
    if (cli_wants_json(args)) {
        status = nw_report_worms_json(&worms, &result->json, err);
    } else {
        nw_report_worms_text(&worms, &result->text);
    }
    nw_worms_done(&worms);
    return status;
}
