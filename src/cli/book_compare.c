/* book_compare.c - `book compare DATE --rig RIG`: the nights before a change against those since.
 */
#include <math.h>

#include "cli/book_compare.h"

#include "cli/check_internal.h"
#include "report/report_apart.h"

struct work {
    struct nw_rig *rig;
    const struct nw_setup *setup;
    struct check_changed changed;
    struct nw_star_budget *budget;
    struct check_apart nights;
};

/* What the rig file foretells of one of its changes; by name. */
static enum nw_status foretell(const char *rig_path, const char *name, struct work *w,
                               const struct nw_star_advice **ret, struct nw_err *err) {
    enum nw_status status = check_alternatives(rig_path, NULL, 0, w->setup, &w->changed, err);
    if (status == NW_OK) {
        status = nw_star_budget_new(w->rig, w->setup, NULL, w->changed.items, w->changed.n,
                                    &w->budget, err);
    }
    if (status != NW_OK) {
        return status;
    }
    for (size_t i = 0; i < w->budget->n_advice + w->budget->n_leave; i++) {
        const struct nw_star_advice *const advice =
            i < w->budget->n_advice ? &w->budget->advice[i]
                                    : &w->budget->leave[i - w->budget->n_advice];
        if (nw_text_equal_nocase(advice->change->name, name)) {
            *ret = advice;
            return NW_OK;
        }
    }
    return nw_err_set(err, NW_NOTFOUND, "the setup has no change '%s'; `rig %s` lists them", name,
                      rig_path);
}

enum nw_status cli_book_compare(struct nw_book *book, const char *date, const struct cli_args *args,
                                struct cli_result *result, struct nw_err *err) {
    struct work w = {.rig = NULL};
    struct nw_change_report report = {.date = date};
    char range[2 * NW_BOOK_DATE + 4];
    const char *const from = cli_text(args, "from");
    const char *const to = cli_text(args, "to");
    const char *const rig_path = cli_text(args, "rig");
    if (!rig_path) {
        return nw_err_set(err, NW_USAGE,
                          "book compare: expected --rig RIG: what belongs to air, "
                          "focus and motion is taken off by its model");
    }
    (void)snprintf(range, sizeof range, "%s%s%s", from ? from : "", from || to ? ".." : "all",
                   to ? to : "");
    enum nw_status status = nw_rig_read(rig_path, NULL, 0, &w.rig, err);
    if (status == NW_OK) {
        status = nw_rig_find_setup(w.rig, cli_text(args, "setup"), &w.setup, err);
    }
    if (status == NW_OK && cli_given(args, "foretold")) {
        status = foretell(rig_path, cli_text(args, "foretold"), &w, &report.foretold, err);
    }
    if (status == NW_OK) {
        const struct check_nights_opts opts = {.range = range,
                                               .changed_on = date,
                                               .has_own_line = report.foretold != NULL,
                                               .own_line = report.foretold ? report.foretold->line
                                                                           : NW_STAR_N_LINES};
        status = check_nights(book, &opts, w.rig, w.setup, &w.nights, err);
    }
    if (status == NW_OK) {
        report.apart = w.nights.apart;
        report.n_before = w.nights.n_before;
        report.n_after = w.nights.n_after;
        if (cli_wants_json(args)) {
            status = nw_report_change_json(&report, &result->json, err);
        } else {
            nw_report_change_text(&report, &result->text);
        }
    }
    check_apart_done(&w.nights);
    nw_star_budget_free(w.budget);
    check_changed_done(&w.changed);
    nw_rig_free(w.rig);
    return status;
}
