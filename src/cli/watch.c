/* watch.c - one pass of `watch`: see watch.h. */
#include "cli/watch.h"

#include <errno.h>
#include <math.h>
#include <spawn.h>
#include <sys/statvfs.h>
#include <sys/wait.h>
#include <unistd.h>

#include "cli/book_trials.h"
#include "report/report_live.h"
#include "report/report_told.h"
#include "sky/almanac.h"

extern char **environ;

enum { TEXT_BYTES = 1 << 20, ENV_MAX = 512, VARIABLE_BYTES = 400 };
static const double PAGE_EVERY_S = 60.0;
static const double QUIET_S = 900.0; /* no news for so long: nobody takes frames */

static double free_bytes(const char *folder) {
    struct statvfs disk;
    return statvfs(folder, &disk) == 0 ? (double)disk.f_bavail * (double)disk.f_frsize : -1.0;
}

/* The owner's command, by the shell, its output to stderr; not waited for. A child of fork would
 * inherit threads that are not there (OpenMP), a spawned one is a new program. */
static void call_owner(const struct watch *w, const struct nw_live_alert *alert) {
    char kind[VARIABLE_BYTES];
    char text[VARIABLE_BYTES];
    char shell[] = "sh";
    char flag[] = "-c";
    char *const command = nw_strdup(w->command);
    char *env[ENV_MAX + 3];
    size_t n = 0;
    pid_t child = 0;
    if (!command) {
        return;
    }
    for (char **at = environ; *at && n < ENV_MAX; at++) {
        env[n++] = *at;
    }
    (void)snprintf(kind, sizeof kind, "NIGHTWRIGHT_ALERT=%s", nw_live_kind_word(alert->kind));
    (void)snprintf(text, sizeof text, "NIGHTWRIGHT_TEXT=%s", alert->text);
    env[n++] = kind;
    env[n++] = text;
    env[n] = NULL;
    posix_spawn_file_actions_t actions;
    (void)posix_spawn_file_actions_init(&actions);
    (void)posix_spawn_file_actions_adddup2(&actions, STDERR_FILENO, STDOUT_FILENO);
    char *const argv[] = {shell, flag, command, NULL};
    const int failed = posix_spawn(&child, "/bin/sh", &actions, NULL, argv, env);
    if (failed != 0) {
        cli_warn("cannot start your command: error %d", failed);
    }
    (void)posix_spawn_file_actions_destroy(&actions);
    free(command);
}

static struct watch_told *find_told(struct watch *w, const struct nw_live_alert *alert) {
    for (size_t i = 0; i < w->n_told; i++) {
        if (w->told[i].kind == alert->kind &&
            (alert->kind == NW_LIVE_DISK || alert->kind == NW_LIVE_STOPPED ||
             fabs(w->told[i].t_raised_s - alert->t_raised_s) < 60.0)) {
            return &w->told[i];
        }
    }
    return NULL;
}

/* Alerts of the clock are not replayed: they are over when they are gone. */
static void forget_gone(struct watch *w) {
    for (size_t i = 0; i < w->n_told;) {
        const bool is_of_clock =
            w->told[i].kind == NW_LIVE_DISK || w->told[i].kind == NW_LIVE_STOPPED;
        bool is_there = !is_of_clock;
        for (size_t k = 0; k < w->live.n_alerts; k++) {
            is_there |= w->live.alerts[k].kind == w->told[i].kind;
        }
        if (is_there) {
            i++;
        } else {
            w->told[i] = w->told[--w->n_told];
        }
    }
}

static void tell_alerts(struct watch *w, struct nw_buf *text, bool *ret_is_news) {
    forget_gone(w);
    for (size_t i = 0; i < w->live.n_alerts; i++) {
        const struct nw_live_alert *const alert = &w->live.alerts[i];
        const bool is_cleared = isfinite(alert->t_cleared_s) != 0;
        struct watch_told *told = find_told(w, alert);
        if (!told && w->n_told < WATCH_MAX_TOLD) {
            told = &w->told[w->n_told++];
            *told = (struct watch_told){.kind = alert->kind, .t_raised_s = alert->t_raised_s};
            nw_report_live_alert(alert, false, text);
            *ret_is_news = true;
            if (w->command && !is_cleared) {
                call_owner(w, alert);
            }
        }
        if (told && is_cleared && !told->is_cleared) {
            told->is_cleared = true;
            nw_report_live_alert(alert, true, text);
            *ret_is_news = true;
        }
    }
}

/* What a night can outlive (a disk that is full, a share that has gone) is told once, not at each
 * pass, and once more when it is over; *status becomes OK. */
static void outlive(struct watch *w, size_t which, enum nw_status *status,
                    const struct nw_err *err) {
    struct nw_err *const told = &w->trouble[which];
    if (*status == NW_OK) {
        if (told->text[0] != '\0') {
            cli_warn("all right again: %s", which == 0 ? w->folder : w->page);
            *told = (struct nw_err){0};
        }
        return;
    }
    if (w->is_once || (*status != NW_IO && *status != NW_NOTFOUND)) {
        return;
    }
    if (strcmp(told->text, err->text) != 0) {
        cli_warn("%s (trying again)", err->text);
        *told = *err;
    }
    *status = NW_OK;
}

static enum nw_status write_page(struct watch *w, double now_s, struct nw_err *err) {
    struct nw_buf page;
    char path[CLI_MAX_PATH];
    (void)snprintf(path, sizeof path, "%s/index.html", w->page);
    enum nw_status status = nw_report_live_page(&w->live, now_s, &page, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, page.data, page.len, err);
        nw_buf_done(&page);
    }
    w->page_s = cli_clock_s();
    return status;
}

/* One document a line. */
static enum nw_status print_json(const struct watch *w, double now_s, struct nw_err *err) {
    json_t *json = NULL;
    enum nw_status status = nw_report_live_json(&w->live, now_s, &json, err);
    char *const line = status == NW_OK ? json_dumps(json, JSON_COMPACT) : NULL;
    if (status == NW_OK && !line) {
        status = nw_err_set(err, NW_NOMEM, "JSON of a night");
    }
    if (status == NW_OK) {
        status = cli_print_now(line, strlen(line), err);
    }
    if (status == NW_OK) {
        status = cli_print_now("\n", 1, err);
    }
    free(line);
    json_decref(json);
    return status;
}

/* What lies ahead, said once: also that it is not known. */
static void tell_ahead(const struct nw_live *live, struct nw_buf *text) {
    char words[320];
    nw_report_live_contact(live, words, sizeof words);
    nw_buf_printf(text, "       contact  ");
    nw_report_clean(text, words);
    nw_report_live_dew(live, words, sizeof words);
    nw_buf_printf(text, "\n       dew      ");
    nw_report_clean(text, words);
    nw_buf_printf(text, "\n");
}

static enum nw_status tell(struct watch *w, double now_s, struct nw_err *err) {
    struct nw_buf text;
    bool is_news = w->live.n > w->n_told_subs;
    nw_buf_init(&text, TEXT_BYTES);
    if (is_news) {
        nw_report_live_sub(&w->live, &text);
        w->n_told_subs = w->live.n;
    }
    if (is_news && !w->has_told_ahead) {
        tell_ahead(&w->live, &text);
        w->has_told_ahead = true;
    }
    tell_alerts(w, &text, &is_news);
    enum nw_status status = NW_OK;
    if (is_news && !w->is_once) {
        status = w->is_json  ? print_json(w, now_s, err)
                 : text.data ? cli_print_now(text.data, text.len, err)
                             : NW_OK;
    }
    if (status == NW_OK && w->page && (is_news || cli_clock_s() - w->page_s >= PAGE_EVERY_S)) {
        struct nw_err why = {0};
        enum nw_status written = write_page(w, now_s, &why);
        outlive(w, 1, &written, &why);
        status = written == NW_OK ? NW_OK : nw_err_set(err, written, "%s", why.text);
    }
    nw_buf_done(&text);
    return status;
}

static enum nw_status take_in(struct watch *w, double now_s, struct nw_book_added *added,
                              struct nw_err *err) {
    const struct nw_guide_layouts layouts = {w->layouts, w->n_layouts, NULL};
    const struct nw_book_add_opts opts = {
        .now_utc_s = now_s,
        .program_version = NW_VERSION,
        .layouts = w->n_layouts > 0 ? &layouts : NULL,
        .longitude_rad = w->rig ? w->rig->site.longitude_rad.v : NAN,
        .n_threads = w->n_threads,
    };
    return nw_book_add(w->book, &w->folder, 1, &opts, NULL, added, err);
}

static void reap(void) {
    while (waitpid(-1, NULL, WNOHANG) > 0) {
    }
}

/* What the clock and the rig tell beside the subs. */
static void tick(struct watch *w, double now_s) {
    struct nw_live_contact contact;
    const struct nw_place place =
        w->rig ? nw_sky_observer_of(w->rig).place : (struct nw_place){NAN, NAN, NAN};
    nw_ahead_contact(&w->live, now_s, &place, w->clearance, &w->range, &contact);
    if (!w->clearance) {
        nw_text_copy(contact.why_null, sizeof contact.why_null, w->why_no_clearance);
    }
    nw_live_tick(&w->live,
                 &(struct nw_live_clock){now_s, free_bytes(w->folder), w->was_disk_near, &contact});
}

/* Trials that are whole with what came: kept in the book, told once. Darks and flats, which have to
 * be read whole, when nothing has come for a while (QUIET_S). */
static enum nw_status find_trials(struct watch *w, double since_s, bool is_going_on,
                                  struct nw_err *err) {
    const struct cli_find_trials how = {.rig = w->rig,
                                        .rig_path = w->rig_path,
                                        .setup = w->setup,
                                        .origin = NW_BOOK_FROM_WATCH,
                                        .since_utc_s = since_s,
                                        .is_going_on = is_going_on};
    struct cli_found_trials found = {.n = 0};
    struct nw_buf text;
    nw_buf_init(&text, TEXT_BYTES);
    enum nw_status status = cli_book_find_trials(w->book, &how, &found, err);
    nw_report_told_text(found.items, found.n, &text);
    if (status == NW_OK && found.n > 0 && !w->is_json && !w->is_once && text.data) {
        status = cli_print_now(text.data, text.len, err);
    }
    nw_buf_done(&text);
    cli_found_trials_done(&found);
    return status;
}

static enum nw_status look_for_trials(struct watch *w, bool is_new, double now_s,
                                      struct nw_err *err) {
    if (is_new) {
        w->news_s = now_s;
        w->unread_s = w->unread_s > 0.0 ? w->unread_s : now_s;
        w->unread_s = w->is_once ? 0.0 : w->unread_s;
        return find_trials(w, now_s, !w->is_once, err);
    }
    if (!(w->unread_s > 0.0) || now_s - w->news_s < QUIET_S) {
        return NW_OK;
    }
    const double since_s = w->unread_s;
    w->unread_s = 0.0;
    return find_trials(w, since_s, false, err);
}

enum nw_status watch_pass(struct watch *w, struct nw_err *err) {
    struct nw_book_added added = {0};
    const double now_s = cli_now_utc_s();
    reap();
    enum nw_status status = take_in(w, now_s, &added, err);
    const bool is_new = added.n_fate[NW_BOOK_ADDED] + added.n_fate[NW_BOOK_REPLACED] > 0;
    nw_book_added_done(&added);
    if (status == NW_OK) {
        status = look_for_trials(w, is_new, now_s, err);
    }
    const bool has_failed = status != NW_OK;
    if (w->has_passed) { /* the first pass finds what was meant wrongly */
        outlive(w, 0, &status, err);
    }
    w->has_passed |= !has_failed;
    if (status != NW_OK || (has_failed && !w->has_live)) {
        return status; /* else the clock goes on: no new frame is an alert, too */
    }
    if (is_new || !w->has_live) {
        nw_live_done(&w->live);
        w->has_live = false;
        status = nw_live_read(w->book, NULL, w->has_foretold ? &w->foretold : NULL, &w->live, err);
        if (status == NW_NOTFOUND) {
            return !w->is_once /* an empty book: the night has not begun */
                       ? NW_OK
                       : nw_err_set(err, status, "%s: no light frames, and none in the book",
                                    w->folder);
        }
        w->has_live = status == NW_OK;
        status = status == NW_OK ? watch_read_headers(w, err) : status;
    } else {
        nw_live_replay(&w->live);
    }
    if (status != NW_OK) {
        return status;
    }
    tick(w, now_s);
    w->was_disk_near = false;
    for (size_t i = 0; i < w->live.n_alerts; i++) {
        w->was_disk_near |= w->live.alerts[i].kind == NW_LIVE_DISK;
    }
    return tell(w, now_s, err);
}

enum nw_status watch_result(struct watch *w, struct cli_result *result, struct nw_err *err) {
    if (!w->is_once) {
        return NW_OK;
    }
    if (w->is_json) {
        return nw_report_live_json(&w->live, cli_now_utc_s(), &result->json, err);
    }
    nw_buf_printf(&result->text, "night of %s, %zu subs, %.1f hours\n", w->live.date, w->live.n,
                  w->live.exposure_h);
    nw_report_live_sub(&w->live, &result->text);
    tell_ahead(&w->live, &result->text);
    for (size_t i = 0; i < w->live.n_alerts; i++) {
        nw_report_live_alert(&w->live.alerts[i], false, &result->text);
        if (isfinite(w->live.alerts[i].t_cleared_s)) {
            nw_report_live_alert(&w->live.alerts[i], true, &result->text);
        }
    }
    if (w->live.n_alerts == 0) {
        nw_buf_printf(&result->text, "no alert\n");
    }
    return NW_OK;
}

void watch_done(struct watch *w) {
    nw_live_done(&w->live);
    watch_drop_headers(w);
    nw_clearance_free(w->clearance);
    nw_book_close(w->book);
    free(w->layouts);
    nw_rig_free(w->rig);
}
