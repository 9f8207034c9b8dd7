/* watch.h - shared by the files of the command `watch`. */
#ifndef NW_CLI_WATCH_H
#define NW_CLI_WATCH_H

#include "book/ahead.h"
#include "cli/cli.h"
#include "rig/logs.h"

struct watch_told { /* an alert that was told */
    enum nw_live_kind kind;
    double t_raised_s;
    bool is_cleared;
};
enum { WATCH_MAX_TOLD = 1000 };

struct watch_header { /* of a frame that was read for dew */
    char *path;
    struct nw_live_climate row; /* margin NaN: its header does not tell */
};

struct watch {
    const char *folder, *page, *command;
    bool is_json, is_once;
    int n_threads;
    struct nw_book *book;
    struct nw_rig *rig;
    const char *rig_path; /* of it; NULL: none */
    const char *setup;    /* NULL: its first */
    struct nw_log_layout *layouts;
    size_t n_layouts;
    struct nw_live_foretold foretold;
    bool has_foretold;
    struct nw_clearance *clearance; /* NULL: the rig has no outlines, or there is no rig */
    char why_no_clearance[160];
    struct nw_ahead_range range;
    struct nw_live live; /* of the last pass */
    bool has_passed, has_live, was_disk_near, has_told_ahead;
    size_t n_told_subs;
    struct watch_told told[WATCH_MAX_TOLD];
    size_t n_told;
    struct {
        struct watch_header *items;
        size_t n, cap;
    } headers;
    double page_s;            /* cli_clock_s of the last page */
    double news_s;            /* when something came last */
    double unread_s;          /* since when darks and flats were not looked through; 0: they were */
    struct nw_err trouble[2]; /* last told: of the book or folder, of the page; no text: none */
};

/* Takes the folder in, replays the night, tells what is new, writes the page. */
enum nw_status watch_pass(struct watch *w, struct nw_err *err) NW_CHECKED;
/* What is left for the end: with --once the whole answer. */
enum nw_status watch_result(struct watch *w, struct cli_result *result,
                            struct nw_err *err) NW_CHECKED;
/* Fills the climate of the night out of frame headers where no log tells it. */
enum nw_status watch_read_headers(struct watch *w, struct nw_err *err) NW_CHECKED;
void watch_drop_headers(struct watch *w);
void watch_done(struct watch *w);

#endif
