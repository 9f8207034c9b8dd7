/* turns.c - do the settings of the guider go by turns? See guiding.h. */
#include <math.h>
#include <stdlib.h>
#include <strings.h>

#include "guiding/runs.h"

const char *nw_guide_setting_of(const struct nw_guide_row *row) {
    static const char word[] = "setting";
    if (!row->is_event || strncasecmp(row->event, word, sizeof word - 1) != 0) {
        return NULL;
    }
    const char *at = row->event + sizeof word - 1;
    while (*at == ' ' || *at == ':' || *at == '=') {
        at++;
    }
    return *at ? at : NULL;
}

/* The two that were seen, and which ruled last. */
struct seen {
    const char *texts[2];
    size_t n, n_changes;
    int last;
    bool is_third;
};

static int see(struct seen *seen, const char *text) {
    size_t which = 0;
    while (which < seen->n && strcmp(seen->texts[which], text) != 0) {
        which++;
    }
    if (which == 2) {
        seen->is_third = true;
        return -1;
    }
    if (which == seen->n) {
        seen->texts[seen->n++] = text;
    }
    seen->n_changes += seen->n > 1 && seen->last != (int)which ? 1 : 0;
    seen->last = (int)which;
    return (int)which;
}

static void take_times(const struct nw_guide_log *log, struct nw_guide_turns *turns) {
    turns->t_first_s = isfinite(turns->t_first_s) ? turns->t_first_s : log->rows[0].t_s;
    turns->t_last_s = log->rows[log->n - 1].t_s;
}

/* True when event rows speak of settings at all. */
static bool by_events(const struct nw_guide_runs *runs, struct nw_guide_turns *turns) {
    struct seen seen = {.last = -1};
    for (size_t i = 0; i < runs->n; i++) {
        const struct nw_guide_log *const log = runs->items[i].log;
        bool is_told = false;
        for (size_t k = 0; k < log->n; k++) {
            const char *const name = nw_guide_setting_of(&log->rows[k]);
            if (name) {
                (void)see(&seen, name);
                is_told = true;
            }
        }
        if (is_told) {
            take_times(log, turns);
        }
    }
    turns->n_changes = seen.is_third ? 0 : seen.n_changes;
    return seen.n > 0;
}

enum { NAME = sizeof((struct nw_guide_setting_span *)0)->name };

/* The first line of `text` that `other` has not; of a long one the end, where the value stands. */
static void name_of(const char *text, const char *other, char name[static NAME]) {
    for (const char *at = text; *at != '\0';) {
        const size_t len = strcspn(at, "\n");
        bool has = false;
        for (const char *line = other; *line != '\0' && !has;) {
            const size_t n = strcspn(line, "\n");
            has = n == len && strncmp(line, at, len) == 0;
            line += n + (line[n] == '\n' ? 1 : 0);
        }
        if (!has) {
            size_t kept = len < NAME ? len : NAME - 1;
            while (kept > 0 && ((unsigned char)at[len - kept] & 0xC0) == 0x80) {
                kept--; /* not from within a character */
            }
            nw_text_copy(name, kept + 1, at + len - kept);
            return;
        }
        at += len + (at[len] == '\n' ? 1 : 0);
    }
    nw_text_copy(name, NAME, "without");
}

static void by_headers(const struct nw_guide_runs *runs, struct nw_guide_turns *turns) {
    struct seen seen = {.last = -1};
    for (size_t i = 0; i < runs->n; i++) {
        const struct nw_guide_log *const log = runs->items[i].log;
        const int which = log->n > 1 && log->settings[0] != '\0' ? see(&seen, log->settings) : -1;
        if (which < 0) {
            continue;
        }
        struct nw_guide_setting_span *const span = &turns->spans[turns->n_spans++];
        *span = (struct nw_guide_setting_span){.start_s = log->rows[0].t_s,
                                               .end_s = log->rows[log->n - 1].t_s};
        span->name[0] = which == 0 ? 'a' : 'b'; /* until both are known */
        take_times(log, turns);
    }
    char names[2][NAME] = {"", ""};
    for (size_t which = 0; which < 2 && seen.n == 2; which++) {
        name_of(seen.texts[which], seen.texts[1 - which], names[which]);
    }
    if (strcmp(names[0], names[1]) == 0) { /* they differ further in front, or in their order */
        nw_text_copy(names[0], NAME, "the first setting");
        nw_text_copy(names[1], NAME, "the second setting");
    }
    for (size_t i = 0; i < turns->n_spans && seen.n == 2; i++) {
        nw_text_copy(turns->spans[i].name, NAME, names[turns->spans[i].name[0] == 'a' ? 0 : 1]);
    }
    turns->n_changes = seen.is_third || seen.n < 2 ? 0 : seen.n_changes;
}

enum nw_status nw_guide_turns_of(const struct nw_guide_runs *runs, struct nw_guide_turns *ret,
                                 struct nw_err *err) {
    struct nw_guide_turns turns = {.t_first_s = NAN, .t_last_s = NAN};
    if (!by_events(runs, &turns)) {
        turns.spans = nw_calloc(runs->n + 1, sizeof *turns.spans);
        if (!turns.spans) {
            return nw_err_set(err, NW_NOMEM, "settings of %zu guide runs", runs->n);
        }
        by_headers(runs, &turns);
    }
    *ret = turns;
    return NW_OK;
}

void nw_guide_turns_done(struct nw_guide_turns *turns) {
    free(turns->spans);
    *turns = (struct nw_guide_turns){.n_changes = 0};
}
