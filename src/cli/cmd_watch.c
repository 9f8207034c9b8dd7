/* cmd_watch.c - `watch DIR`: what lands is measured, kept, and held against what was foretold.
 * Idea: a pass takes the folder's files into the book (which knows what it has), reads the night
 * back and replays it; alerts that were not there before are told. Between passes the kernel wakes
 * us when a file of the folder was closed; where it cannot see (a share that another machine writes
 * to), we look by ourselves. Stopped and started again, it says the same. */
#include "cli/watch.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <sys/inotify.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "cli/foretell.h"
#include "mount/ways.h"

enum { EVENT_BYTES = 1 << 14 };

static enum nw_status read_rig(const struct cli_args *args, struct watch *w, struct nw_err *err) {
    const char *const path = cli_text(args, "rig");
    const struct nw_setup *setup = NULL;
    struct nw_err why = {0};
    if (!path) {
        nw_text_copy(w->why_no_clearance, sizeof w->why_no_clearance,
                     "needs --rig: outlines of mount, tube and pier");
        return NW_OK;
    }
    w->rig_path = path;
    w->setup = cli_text(args, "setup");
    enum nw_status status = nw_rig_read(path, NULL, 0, &w->rig, err);
    if (status == NW_OK) {
        status = cli_rig_layouts(path, &w->layouts, &w->n_layouts, err);
    }
    if (status == NW_OK) {
        status = nw_rig_find_setup(w->rig, w->setup, &setup, err);
    }
    if (status == NW_OK) {
        status = cli_foretell(w->rig, setup, &w->foretold, err);
        w->has_foretold = status == NW_OK;
    }
    if (status == NW_OK &&
        nw_clearance_of_setup(w->rig, setup, false, false, &w->clearance, &why) != NW_OK) {
        nw_text_copy(w->why_no_clearance, sizeof w->why_no_clearance, why.text);
        status = why.status == NW_NOMEM ? nw_err_set(err, NW_NOMEM, "outlines") : NW_OK;
    }
    return status;
}

/* ---- Waiting -------------------------------------------------------------------------------- */

struct waker {
    int signals, files; /* descriptors; files -1: nothing wakes us */
};

static enum nw_status waker_init(const char *folder, struct waker *ret, struct nw_err *err) {
    sigset_t set;
    (void)sigemptyset(&set);
    (void)sigaddset(&set, SIGINT);
    (void)sigaddset(&set, SIGTERM);
    (void)sigprocmask(SIG_BLOCK, &set, NULL);
    *ret = (struct waker){.signals = signalfd(-1, &set, SFD_CLOEXEC), .files = -1};
    if (ret->signals < 0) {
        return nw_err_set(err, NW_IO, "cannot wait for signals: error %d", errno);
    }
    ret->files = inotify_init1(IN_CLOEXEC | IN_NONBLOCK);
    if (ret->files >= 0 &&
        inotify_add_watch(ret->files, folder, IN_CLOSE_WRITE | IN_MOVED_TO | IN_CREATE) < 0) {
        (void)close(ret->files); /* we look by ourselves */
        ret->files = -1;
    }
    return NW_OK;
}

static void waker_done(struct waker *waker) {
    if (waker->files >= 0) {
        (void)close(waker->files);
    }
    if (waker->signals >= 0) {
        (void)close(waker->signals);
    }
}

/* Until a file was closed, the time is over, or somebody asks us to stop (false). */
static bool wait_for_news(const struct waker *waker, int timeout_ms) {
    struct pollfd fds[2] = {{.fd = waker->signals, .events = POLLIN},
                            {.fd = waker->files, .events = POLLIN}};
    const int n = poll(fds, 2, timeout_ms);
    if (n > 0 && (fds[1].revents & POLLIN)) {
        char events[EVENT_BYTES];
        while (read(waker->files, events, sizeof events) > 0) {
        }
    }
    return !(n > 0 && (fds[0].revents & POLLIN));
}

/* ---- The loop ------------------------------------------------------------------------------- */

static enum nw_status loop(const struct cli_args *args, struct watch *w, struct nw_err *err) {
    const double for_s = cli_number(args, "minutes", INFINITY) * 60.0;
    const int poll_ms = (int)(cli_number(args, "every", 2.0) * 1000.0);
    const double start_s = cli_clock_s();
    struct waker waker;
    enum nw_status status = waker_init(w->folder, &waker, err);
    while (status == NW_OK) {
        status = watch_pass(w, err);
        if (status != NW_OK || cli_clock_s() - start_s >= for_s ||
            !wait_for_news(&waker, poll_ms)) {
            break;
        }
    }
    waker_done(&waker);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct watch w = {.folder = cli_arg(args, 0),
                      .page = cli_text(args, "page"),
                      .command = cli_text(args, "command"),
                      .is_json = cli_wants_json(args),
                      .n_threads = (int)cli_count(args, "threads", 1)};
    char path[CLI_MAX_PATH];
    enum nw_status status = NW_OK;
    if (!nw_file_is_folder(w.folder)) { /* no new book is made for it */
        status =
            nw_err_set(err, NW_NOTFOUND, "%s: %s", w.folder,
                       nw_file_is_there(w.folder) ? "is not a folder" : "no such file or folder");
    }
    status = status == NW_OK ? read_rig(args, &w, err) : status;
    if (status == NW_OK) {
        status = cli_book_path(args, true, path, err);
    }
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_CREATE, &w.book, err);
    }
    if (status == NW_OK && cli_given(args, "once")) {
        w.is_once = true;
        status = watch_pass(&w, err);
    } else if (status == NW_OK) {
        status = loop(args, &w, err);
    }
    if (status == NW_OK) {
        status = watch_result(&w, result, err);
    }
    watch_done(&w);
    return status;
}

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_BOOK,
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: foretells the star width and contact ahead, describes your logs"},
    CLI_OPTION_SETUP,
    {.name = "page",
     .kind = CLI_TEXT,
     .value = "DIR",
     .help = "keeps index.html in this folder current: a page that stands alone"},
    {.name = "command",
     .kind = CLI_TEXT,
     .value = "COMMAND",
     .help = "run by the shell at each new alert, with NIGHTWRIGHT_ALERT (the kind) and "
             "NIGHTWRIGHT_TEXT in its environment"},
    {.name = "every",
     .kind = CLI_NUMBER,
     .value = "SECONDS",
     .help = "looks into the folder at least so often, else 2",
     .min = 0.1,
     .max = 600.0},
    {.name = "minutes",
     .kind = CLI_NUMBER,
     .value = "N",
     .help = "stops after so many, else at Ctrl-C",
     .min = 0.001,
     .max = 1e5},
    {.name = "once",
     .kind = CLI_FLAG,
     .help = "one pass over what is there, then the whole answer"},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "threads to measure with, else 1: the capture program has the rest",
     .min = 1,
     .max = 256},
    {0},
};

const struct cli_command CMD_WATCH = {
    .name = "watch",
    .arguments = "DIR",
    .help =
        "Measures what lands in a folder, keeps it in the book, and tells when a night goes off.",
    .notes =
        "A line a sub and a line an alert, with its reason: stars wider than foretold (--rig) or "
        "than earlier tonight, focus drifting since the last run, elongation, light lost, guiding "
        "worse, dew (climate log, else headers), no new frame, meridian near, contact ahead "
        "(--rig), "
        "disk full at what time. An alert is raised after several subs in a row and cleared only "
        "below a lower limit, so it does not chatter.\n"
        "It works on a share that another machine writes to; files still being written wait for "
        "the next look. It controls nothing: it tells, you decide.\n"
        "With --json one document a line, one a pass that brought something new.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .priority = CLI_PRIORITY_IDLE,
    .run = run,
};
