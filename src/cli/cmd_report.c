/* cmd_report.c - `report [NIGHT]`: one page on a night of the book. */
#include <math.h>

#include "cli/check_internal.h"
#include "cli/foretell.h"
#include "report/report_night.h"

struct work {
    struct nw_book *book;
    struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_nightly night;
    bool has_night;
    struct check_night check;
    struct check_changed changed;
    struct nw_star_budget *budget;
    struct nw_night_report report;
};

/* The budget of the night; what stands in its way is told instead. */
static enum nw_status work_out_budget(const struct cli_args *args, struct work *w,
                                      struct nw_err *err) {
    struct nw_star_evidence evidence = {.motion_ra_rad = NAN, .motion_dec_rad = NAN};
    struct nw_err why = {0};
    enum nw_status status =
        check_book(w->book, w->night.live.date, w->rig, w->setup, &w->check, &evidence, &why);
    if (status == NW_OK) {
        status = check_alternatives(cli_text(args, "rig"), NULL, 0, w->setup, &w->changed, err);
    } else {
        nw_text_copy(w->report.why_no_budget, sizeof w->report.why_no_budget, why.text);
        return status == NW_NOMEM ? nw_err_set(err, status, "%s", why.text) : NW_OK;
    }
    if (status == NW_OK) {
        evidence.frames = w->check.stars;
        evidence.n_frames = w->check.n;
        status = nw_star_budget_new(w->rig, w->setup, &evidence, w->changed.items, w->changed.n,
                                    &w->budget, err);
    }
    if (status == NW_OK && w->check.remark.len > 2) {
        (void)snprintf(w->report.remark, sizeof w->report.remark, "left out: %.*s",
                       (int)w->check.remark.len - 2, w->check.remark.data);
    }
    return status;
}

static enum nw_status gather(const struct cli_args *args, struct work *w, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_live_foretold foretold = {.n = 0};
    const char *const rig = cli_text(args, "rig");
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_READ, &w->book, err);
    }
    if (status == NW_OK && rig) {
        status = nw_rig_read(rig, NULL, 0, &w->rig, err);
    }
    if (status == NW_OK && rig) {
        status = nw_rig_find_setup(w->rig, cli_text(args, "setup"), &w->setup, err);
    }
    if (status == NW_OK && rig) {
        status = cli_foretell(w->rig, w->setup, &foretold, err);
    }
    if (status == NW_OK) {
        status = nw_nightly_read(w->book, cli_n_args(args) > 0 ? cli_arg(args, 0) : NULL, w->rig,
                                 rig ? &foretold : NULL, &w->night, err);
        w->has_night = status == NW_OK;
    }
    if (status == NW_OK && rig) {
        return work_out_budget(args, w, err);
    }
    nw_text_copy(w->report.why_no_budget, sizeof w->report.why_no_budget,
                 "needs --rig: what widens the stars is predicted from it");
    return status;
}

static enum nw_status write_html(const char *path, const struct work *w, struct cli_result *result,
                                 struct nw_err *err) {
    struct nw_buf page;
    enum nw_status status = nw_report_night_html(&w->report, &page, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, page.data, page.len, err);
        if (status == NW_OK) {
            nw_buf_printf(&result->text, "\nwrote ");
            nw_report_clean(&result->text, path);
            nw_buf_printf(&result->text, "\n");
        }
        nw_buf_done(&page);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work *const w = nw_calloc(1, sizeof *w);
    if (!w) {
        return nw_err_set(err, NW_NOMEM, "report");
    }
    nw_buf_init(&w->check.remark, 400);
    enum nw_status status = gather(args, w, err);
    w->report.night = &w->night;
    w->report.rig = w->rig;
    w->report.setup = w->setup;
    w->report.budget = w->budget;
    w->report.is_without_site = cli_given(args, "no-site");
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_night_json(&w->report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_night_text(&w->report, &result->text);
    }
    if (status == NW_OK && cli_given(args, "html")) {
        status = write_html(cli_text(args, "html"), w, result, err);
    }
    if (w->has_night) {
        nw_nightly_done(&w->night);
    }
    nw_star_budget_free(w->budget);
    check_changed_done(&w->changed);
    check_night_done(&w->check);
    nw_book_close(w->book);
    nw_rig_free(w->rig);
    free(w);
    return status;
}

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_BOOK,
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file: what the star width should have been, and what to change"},
    CLI_OPTION_SETUP,
    {.name = "html",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "writes the page as one HTML file that stands alone"},
    {.name = "no-site",
     .kind = CLI_FLAG,
     .help = "for sharing: without names of place and rig; times count from the first sub"},
    {0},
};

const struct cli_command CMD_REPORT = {
    .name = "report",
    .arguments = "[NIGHT]",
    .help = "One page on a night: where the hours went, predicted and measured, what to do.",
    .notes =
        "NIGHT is the evening's date (2026-06-14), without it the last night of the book. Hours "
        "are told against darkness (Sun 18 deg down). A sub's worth is its share of exposure "
        "time for point sources against one with the best width, light and sky of its filter.\n"
        "Examples: report; report 2026-06-14 --rig rig.yaml --html night.html",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1,
    .priority = CLI_PRIORITY_NONE,
    .run = run,
};
