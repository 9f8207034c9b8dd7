/* check_book.c - a night of the book as evidence for the budgets. */
#include "cli/check_internal.h"

#include <math.h>
#include <stdlib.h>

#include "book/told.h"

static enum nw_status read_frames(struct nw_book *book, const struct nw_rig *rig,
                                  const struct nw_setup *setup, struct check_night *night,
                                  struct nw_err *err) {
    struct nw_book_frames_opts opts = {.date = night->date,
                                       .filter = setup->filter.name,
                                       .scale_rad_px = nw_setup_scale_rad(setup),
                                       .rig = rig};
    struct nw_book_frames frames = {.n = 0};
    enum nw_status status = nw_book_star_frames(book, &opts, &frames, err);
    for (size_t i = 0; i < setup->filter.also.n && status == NW_OK && frames.n == 0; i++) {
        nw_book_frames_done(&frames);
        opts.filter = setup->filter.also.items[i];
        status = nw_book_star_frames(book, &opts, &frames, err);
    }
    if (status == NW_OK && frames.n == 0 && opts.filter[0] != '\0') {
        nw_buf_printf(&night->remark, "no frame names the filter %s: all lights taken; ",
                      setup->filter.name);
        opts.filter = "";
        nw_book_frames_done(&frames);
        status = nw_book_star_frames(book, &opts, &frames, err);
    }
    if (status == NW_OK && frames.n == 0) {
        status = nw_err_set(err, NW_DATA, "the night of %s: no measured light frame", night->date);
    }
    night->stars = frames.stars; /* handed over */
    night->measures = frames.measures;
    night->facts = frames.facts;
    night->n = frames.n;
    return status;
}

static bool is_among(const struct nw_book_starts *starts, double t_s) {
    for (size_t i = 0; i < starts->n; i++) {
        if (fabs(starts->items[i] - t_s) < 1e-3) {
            return true;
        }
    }
    return false;
}

/* What a trial was made of speaks through the trial: as a sub beside it, it would count twice
 * (short subs) or say nothing (trails). */
static enum nw_status leave_out_trials(struct nw_book *book, struct check_night *night,
                                       struct nw_err *err) {
    struct nw_book_starts starts = {.n = 0};
    enum nw_status status = nw_book_trial_starts(book, &starts, err);
    size_t n = 0;
    for (size_t i = 0; i < night->n && status == NW_OK; i++) {
        if (is_among(&starts, night->stars[i].t_start_utc_s)) {
            free(night->measures[i].stars);
            continue;
        }
        night->stars[n] = night->stars[i];
        night->facts[n] = night->facts[i];
        night->measures[n++] = night->measures[i];
    }
    nw_book_starts_done(&starts);
    if (status == NW_OK) {
        night->n_of_trials = night->n - n;
        night->n = n;
    }
    if (status == NW_OK && n == 0) {
        return nw_err_set(err, NW_DATA, "the night of %s: all light frames are of trials",
                          night->date);
    }
    if (status == NW_OK && night->n_of_trials > 0) {
        nw_buf_printf(&night->remark, "%zu frames of trials; ", night->n_of_trials);
    }
    return status;
}

enum nw_status check_book(struct nw_book *book, const char *date, const struct nw_rig *rig,
                          const struct nw_setup *setup, struct check_night *night,
                          struct nw_star_evidence *evidence, struct nw_err *err) {
    struct nw_guide_runs *runs = NULL;
    struct nw_err why = {0};
    enum nw_status status = nw_book_find_night(book, date, night->date, err);
    if (status == NW_OK) {
        status = read_frames(book, rig, setup, night, err);
    }
    if (status == NW_OK) {
        status = leave_out_trials(book, night, err);
    }
    if (status == NW_OK) {
        status = nw_book_seen_subs(book, night->date, &night->seen, &night->n_seen, err);
    }
    for (size_t i = 0; i < night->n_seen; i++) {
        struct nw_seen_sub *const s = &night->seen[i];
        s->is_of_filter =
            !s->filter[0] || !setup->filter.name[0] || nw_filter_is(&setup->filter, s->filter);
    }
    if (status == NW_OK) {
        status = nw_book_guide_runs(book, night->date, &runs, err);
    }
    if (status == NW_OK && runs->n > 0 &&
        check_guiding_runs(runs, rig, setup, night, evidence, &why) != NW_OK) {
        nw_buf_printf(&night->remark, "the guide log (%s); ", why.text);
    }
    nw_guide_runs_free(runs);
    return status;
}
