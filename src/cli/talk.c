/* talk.c - what goes to stderr: errors, warnings, the progress bar. */
#include <stdarg.h>
#include <unistd.h>

#include "cli/cli.h"
#include "report/report.h"

enum { LINE_MAX_BYTES = 2048, BAR_WIDTH = 40 };

double cli_clock_s(void) {
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

double cli_now_utc_s(void) {
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* One write, so that lines of several programs do not mix. File names and header texts may hold
 * anything: what could steer a terminal or break the line is replaced. */
static void say(const char *kind, const char *text) {
    struct nw_buf line;
    nw_buf_init(&line, LINE_MAX_BYTES);
    nw_buf_printf(&line, "nightwright: %s", kind);
    nw_report_clean(&line, text);
    nw_buf_printf(&line, "\n");
    if (line.data) {
        (void)fwrite(line.data, 1, line.len, stderr);
    }
    nw_buf_done(&line);
}

void cli_say_error(const struct nw_err *err) {
    say("", err->text[0] ? err->text : nw_status_text(err->status));
}

void cli_warn(const char *format, ...) {
    char text[512];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    say("warning: ", text);
}

static bool tell(void *user, size_t done, size_t total) {
    struct cli_progress *const bar = user;
    const double now_s = cli_clock_s();
    if (!bar->is_terminal || total == 0 || now_s - bar->start_s < 1.0 ||
        now_s - bar->last_s < 0.1) {
        return true;
    }
    bar->last_s = now_s;
    bar->is_shown = true;
    char cells[BAR_WIDTH + 1];
    const size_t n_full = done * BAR_WIDTH / total;
    memset(cells, '.', BAR_WIDTH);
    memset(cells, '#', n_full < BAR_WIDTH ? n_full : BAR_WIDTH);
    cells[BAR_WIDTH] = '\0';
    (void)fprintf(stderr, "\r%s [%s] %zu of %zu", bar->what, cells, done, total);
    return true;
}

struct nw_progress cli_progress_begin(struct cli_progress *bar, const char *what) {
    *bar = (struct cli_progress){
        .what = what, .start_s = cli_clock_s(), .is_terminal = isatty(STDERR_FILENO) == 1};
    return (struct nw_progress){tell, bar};
}

void cli_progress_end(struct cli_progress *bar) {
    if (bar->is_shown) {
        (void)fprintf(stderr, "\r\033[K");
        bar->is_shown = false;
    }
}
