/* book_trials.c - trials found among what came into the book: see book_trials.h.
 * Widths are those that the book has; a frame of a standing mount, which has none, is read again
 * while its file is there; guide runs are those of the book. */
#include "cli/book_trials.h"

#include <math.h>
#include <stdlib.h>

#include "book/evidence.h"
#include "cli/book_search.h"
#include "cli/trial_trail.h"
#include "guiding/there_and_back.h"

enum { MAX_FOUND = 100000 };

void cli_found_trials_done(struct cli_found_trials *found) {
    free(found->items);
    *found = (struct cli_found_trials){.n = 0};
}

/* ---- One row -------------------------------------------------------------------------------- */

/* The rig file goes into the book when there is a result that rests on it. */
static enum nw_status know_rig(struct cli_search *s, struct nw_err *err) {
    if (s->rig_version > 0 || !s->how->rig_path) {
        return NW_OK;
    }
    const struct nw_book_add_opts opts = {
        .now_utc_s = s->how->since_utc_s, .program_version = NW_VERSION, .longitude_rad = NAN};
    return nw_book_rig_version(s->book, s->how->rig_path, &opts, &s->rig_version, err);
}

enum nw_status cli_search_keep(struct cli_search *s, struct nw_book_trial *row,
                               const double *starts_s, size_t n, struct nw_err *err) {
    bool is_new = false;
    enum nw_status status = know_rig(s, err);
    row->rig_version = s->rig_version;
    row->origin = s->how->origin;
    nw_text_copy(row->rig_name, sizeof row->rig_name, s->rig->name);
    nw_text_copy(row->setup, sizeof row->setup, s->setup->name);
    if (status == NW_OK) {
        status = nw_book_put_trial(s->book, row, starts_s, n, &is_new, err);
    }
    if (status == NW_OK && is_new) {
        struct cli_found_trials *const found = s->found;
        status = nw_grow((void **)&found->items, &found->cap, found->n + 1, sizeof *found->items,
                         MAX_FOUND, err);
        if (status == NW_OK) {
            found->items[found->n++] = *row;
        }
    }
    return status;
}

void cli_trial_row(const struct nw_trial_result *result, struct nw_book_trial *ret) {
    const double unit = NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD;
    *ret = (struct nw_book_trial){.t_first_s = result->t_first_s,
                                  .t_last_s = result->t_last_s,
                                  .value = result->rad2,
                                  .sigma = result->sigma_rad2,
                                  .low = result->rad2 - 1.96 * result->sigma_rad2,
                                  .high = result->rad2 + 1.96 * result->sigma_rad2,
                                  .foretold = result->foretold_rad2,
                                  .foretold_sigma = result->foretold_sigma_rad2,
                                  .n_frames = result->n_a + result->n_b,
                                  .unit = "rad2"};
    nw_text_copy(ret->name, sizeof ret->name, nw_trial_name(result->trial->id));
    nw_text_copy(ret->quantity, sizeof ret->quantity, result->trial->quantity);
    if (!result->is_told) {
        nw_text_copy(ret->why_null, sizeof ret->why_null, result->why_null);
        return;
    }
    (void)snprintf(ret->verdict, sizeof ret->verdict,
                   "%+.2f +- %.2f arcsec^2 (%.2f arcsec alone); %+.2f +- %.2f by the rig file",
                   result->rad2 * unit, result->sigma_rad2 * unit,
                   result->width_rad * NW_ARCSEC_PER_RAD, result->foretold_rad2 * unit,
                   result->foretold_sigma_rad2 * unit);
}

/* ---- Widths --------------------------------------------------------------------------------- */

/* Frames of one camera. */
struct widths {
    struct nw_star_frame *frames;
    double *steps;
    const char **filters;
    bool *is_taken; /* of the night's frames: by a camera before, or out of focus on purpose */
    struct nw_trial_frames all;
};

static enum nw_status keep_width(struct cli_search *s, const char *camera,
                                 const struct nw_trial_frames *frames,
                                 const struct nw_trial_result *result, struct nw_err *err) {
    struct nw_book_trial row;
    size_t n = 0;
    double *starts_s = nw_calloc(frames->n + 1, sizeof *starts_s);
    if (!starts_s) {
        return nw_err_set(err, NW_NOMEM, "%zu frames of a trial", frames->n);
    }
    for (size_t i = 0; i < frames->n; i++) {
        const double t_s = frames->frames[i].t_start_utc_s;
        if (t_s >= result->t_first_s && t_s <= result->t_last_s) {
            starts_s[n++] = t_s;
        }
    }
    cli_trial_row(result, &row);
    nw_text_copy(row.filter, sizeof row.filter, s->setup->filter.name);
    nw_text_copy(row.camera, sizeof row.camera, camera);
    const enum nw_status status = cli_search_keep(s, &row, starts_s, n, err);
    free(starts_s);
    return status;
}

static bool is_apart(const struct cli_search *s, double t_s) {
    for (size_t i = 0; i < s->n_apart; i++) {
        if (fabs(s->apart_s[i] - t_s) < 1e-3) {
            return true;
        }
    }
    return false;
}

/* The frames of the camera of frame `first` that are left. */
static void choose_camera(const struct nw_book_frames *all, size_t first, struct widths *w) {
    size_t n = 0;
    for (size_t i = first; i < all->n; i++) {
        if (!w->is_taken[i] && strcmp(all->facts[i].camera, all->facts[first].camera) == 0) {
            w->frames[n] = all->stars[i];
            w->filters[n] = all->facts[i].filter;
            w->steps[n++] = all->facts[i].focuser_steps;
            w->is_taken[i] = true;
        }
    }
    w->all = (struct nw_trial_frames){
        .frames = w->frames, .focuser_steps = w->steps, .filters = w->filters, .n = n};
}

static enum nw_status find_of_cameras(struct cli_search *s, const struct nw_book_frames *all,
                                      struct widths *w, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < all->n; i++) {
        w->is_taken[i] = is_apart(s, all->stars[i].t_start_utc_s);
    }
    for (size_t first = 0; first < all->n && status == NW_OK; first++) {
        struct nw_trial_result results[NW_TRIALS_OF_WIDTHS];
        struct nw_err none = {0}; /* widths that compose no profile are of no trial */
        size_t n = 0;
        if (w->is_taken[first]) {
            continue;
        }
        choose_camera(all, first, w);
        if (nw_trials_recognise(s->rig, s->setup, &w->all, true, results, &n, &none) != NW_OK) {
            continue;
        }
        for (size_t i = 0; i < n && status == NW_OK; i++) {
            status = keep_width(s, all->facts[first].camera, &w->all, &results[i], err);
        }
    }
    return status;
}

static enum nw_status find_widths(struct cli_search *s, const char *date, struct nw_err *err) {
    const struct nw_book_frames_opts opts = {
        .date = date, .scale_rad_px = nw_setup_scale_rad(s->setup), .rig = s->rig};
    struct nw_book_frames all = {.n = 0};
    enum nw_status status = nw_book_star_frames(s->book, &opts, &all, err);
    struct widths w = {.frames = nw_calloc(all.n + 1, sizeof *w.frames),
                       .steps = nw_calloc(all.n + 1, sizeof *w.steps),
                       .filters = nw_calloc(all.n + 1, sizeof *w.filters),
                       .is_taken = nw_calloc(all.n + 1, sizeof *w.is_taken)};
    if (status == NW_OK) {
        status = w.frames && w.steps && w.filters && w.is_taken
                     ? find_of_cameras(s, &all, &w, err)
                     : nw_err_set(err, NW_NOMEM, "%zu frames of a night", all.n);
    }
    free(w.frames);
    free(w.steps);
    free(w.filters);
    free(w.is_taken);
    nw_book_frames_done(&all);
    return status;
}

/* ---- Trails --------------------------------------------------------------------------------- */

static enum nw_status keep_trail(struct cli_search *s, const struct nw_book_blank *blank,
                                 const struct nw_trail_seeing *seeing, struct nw_err *err) {
    struct nw_book_trial row = {.t_first_s = blank->t_start_utc_s,
                                .t_last_s = blank->t_start_utc_s,
                                .value = seeing->seeing_rad,
                                .sigma = seeing->seeing_sigma_rad,
                                .low = NAN,
                                .high = NAN,
                                .foretold = s->rig->site.seeing_rad.v,
                                .foretold_sigma = s->rig->site.seeing_rad.sigma,
                                .n_frames = 1,
                                .unit = "rad"};
    const struct nw_trial *const card = nw_trial_get(NW_TRIAL_DRIVE_OFF_TRAIL);
    nw_text_copy(row.name, sizeof row.name, nw_trial_name(card->id));
    nw_text_copy(row.quantity, sizeof row.quantity, card->quantity);
    nw_text_copy(row.camera, sizeof row.camera, blank->camera);
    (void)snprintf(row.verdict, sizeof row.verdict,
                   "%.2f +- %.2f arcsec at the zenith and 500 nm, from %zu stars",
                   row.value * NW_ARCSEC_PER_RAD, row.sigma * NW_ARCSEC_PER_RAD, seeing->n_stars);
    return cli_search_keep(s, &row, &blank->t_start_utc_s, 1, err);
}

static enum nw_status find_trails(struct cli_search *s, const char *date, struct nw_err *err) {
    struct nw_book_blanks blanks = {.n = 0};
    enum nw_status status = nw_book_blank_frames(
        s->book, date, s->how->is_all ? -INFINITY : s->how->since_utc_s, &blanks, err);
    for (size_t i = 0; i < blanks.n && status == NW_OK; i++) {
        struct nw_trail_frame frame;
        cli_trail_judge(blanks.items[i].path, s->rig, s->setup, &frame, NULL);
        if (frame.is_told) {
            status = keep_trail(s, &blanks.items[i], &frame.seeing, err);
        }
    }
    nw_book_blanks_done(&blanks);
    return status;
}

/* ---- Guide runs ----------------------------------------------------------------------------- */

/* Play, and how fast the star follows the pulses. */
static enum nw_status keep_play(struct cli_search *s, const struct nw_guide_log *log,
                                struct nw_book_trial *row, struct nw_err *err) {
    struct nw_guide_there_and_back play;
    struct nw_err none = {0};
    if (nw_guide_there_and_back(log, &play, &none) != NW_OK) {
        return NW_OK;
    }
    row->n_frames = play.n;
    row->value = play.gap_s;
    row->sigma = play.gap_sigma_s;
    row->low = play.gap_low_s;
    row->high = play.gap_high_s;
    nw_text_copy(row->unit, sizeof row->unit, "s");
    (void)snprintf(row->verdict, sizeof row->verdict,
                   "%.0f ms (95 %%: %.0f to %.0f) of pulse, %.1f arcsec on the sky",
                   1e3 * play.gap_s, 1e3 * play.gap_low_s, 1e3 * play.gap_high_s,
                   play.gap_rad * NW_ARCSEC_PER_RAD);
    const enum nw_status status = cli_search_keep(s, row, NULL, 0, err);
    row->value = play.response_rad_s;
    row->sigma = play.response_sigma_rad_s;
    row->low = row->high = NAN;
    nw_text_copy(row->quantity, sizeof row->quantity, "response in declination");
    nw_text_copy(row->unit, sizeof row->unit, "rad/s");
    (void)snprintf(row->verdict, sizeof row->verdict, "%.2f +- %.2f arcsec a second of pulse",
                   play.response_rad_s * NW_ARCSEC_PER_RAD,
                   play.response_sigma_rad_s * NW_ARCSEC_PER_RAD);
    return status == NW_OK ? cli_search_keep(s, row, NULL, 0, err) : status;
}

static enum nw_status keep_worm(struct cli_search *s, const struct nw_guide_log *log,
                                struct nw_book_trial *row, struct nw_err *err) {
    const struct nw_guide_opts opts = {
        .sub_length_s = NAN, .noise_floor_rad = NAN, .is_loop_only = true};
    struct nw_guide_analysis *analysis = NULL;
    struct nw_err none = {0};
    enum nw_status status = NW_OK;
    if (nw_guide_analyse(log, &opts, &analysis, &none) == NW_OK && analysis->worm.n > 0) {
        const struct nw_guide_period *const worm = &analysis->worm.periods[0];
        row->n_frames = log->n;
        row->value = worm->amplitude_rad;
        row->sigma = worm->amplitude_sigma_rad;
        nw_text_copy(row->unit, sizeof row->unit, "rad");
        (void)snprintf(row->verdict, sizeof row->verdict, "%.2f +- %.2f arcsec, every %.1f s",
                       row->value * NW_ARCSEC_PER_RAD, row->sigma * NW_ARCSEC_PER_RAD,
                       worm->period_s);
        status = cli_search_keep(s, row, NULL, 0, err);
    }
    nw_guide_analysis_free(analysis);
    return status;
}

static enum nw_status find_logs(struct cli_search *s, const char *date, struct nw_err *err) {
    struct nw_guide_runs *runs = NULL;
    enum nw_status status = nw_book_guide_runs(s->book, date, &runs, err);
    for (size_t i = 0; status == NW_OK && i < runs->n; i++) {
        const struct nw_guide_log *const log = runs->items[i].log;
        const enum nw_guide_trial kind = nw_guide_trial_of(log, s->rig->mount.worm_period_s.v);
        const struct nw_trial *const card = nw_trial_get(
            kind == NW_GUIDE_TRIAL_DRIVE_ONLY ? NW_TRIAL_DRIVE_ONLY : NW_TRIAL_THERE_AND_BACK);
        struct nw_book_trial row = {.t_first_s = log->n ? log->rows[0].t_s : NAN,
                                    .t_last_s = log->n ? log->rows[log->n - 1].t_s : NAN,
                                    .low = NAN,
                                    .high = NAN,
                                    .foretold = NAN,
                                    .foretold_sigma = NAN};
        nw_text_copy(row.name, sizeof row.name, nw_trial_name(card->id));
        nw_text_copy(row.quantity, sizeof row.quantity, card->quantity);
        if (kind == NW_GUIDE_TRIAL_THERE_AND_BACK) {
            status = keep_play(s, log, &row, err);
        } else if (kind == NW_GUIDE_TRIAL_DRIVE_ONLY) {
            status = keep_worm(s, log, &row, err);
        }
    }
    if (status == NW_OK) {
        status = cli_search_settings(s, runs, err);
    }
    nw_guide_runs_free(runs);
    return status;
}

/* ---- All of it ------------------------------------------------------------------------------ */

enum nw_status cli_book_last_rig(struct nw_book *book, struct nw_rig **ret, int64_t *ret_version,
                                 struct nw_err *err) {
    char *text = NULL;
    struct nw_err none = {0}; /* one of an older program may not be read any more */
    const enum nw_status status = nw_book_last_rig(book, &text, ret_version, err);
    if (status == NW_OK && text &&
        nw_rig_parse("the book's rig file", text, strlen(text), NULL, 0, ret, &none) != NW_OK) {
        *ret = NULL;
    }
    free(text);
    return status;
}

enum nw_status cli_book_rig(struct nw_book *book, const struct cli_args *args, struct nw_rig **ret,
                            struct nw_err *err) {
    const char *const path = cli_text(args, "rig");
    const struct nw_setup *setup = NULL;
    int64_t version = 0;
    const enum nw_status status = path   ? nw_rig_read(path, NULL, 0, ret, err)
                                  : book ? cli_book_last_rig(book, ret, &version, err)
                                         : NW_OK;
    return status == NW_OK && *ret ? nw_rig_find_setup(*ret, cli_text(args, "setup"), &setup, err)
                                   : status;
}

enum nw_status cli_book_find_trials(struct nw_book *book, const struct cli_find_trials *how,
                                    struct cli_found_trials *ret, struct nw_err *err) {
    struct cli_search s = {.book = book, .how = how, .found = ret};
    struct nw_book_dates dates = {.n = 0};
    struct nw_rig *own = NULL;
    enum nw_status status = how->rig ? NW_OK : cli_book_last_rig(book, &own, &s.rig_version, err);
    s.rig = how->rig ? how->rig : own;
    if (status == NW_OK && s.rig) {
        status = nw_rig_find_setup(s.rig, how->setup, &s.setup, err);
    }
    if (status == NW_OK && s.setup) {
        status = how->is_all ? nw_book_dates_between(book, how->from, how->to, &dates, err)
                             : nw_book_dates_since(book, how->since_utc_s, &dates, err);
    }
    for (size_t i = 0; i < dates.n && status == NW_OK; i++) {
        status = cli_search_pairs(&s, dates.items[i], err);
        if (status == NW_OK) {
            status = find_widths(&s, dates.items[i], err);
        }
        if (status == NW_OK) {
            status = find_trails(&s, dates.items[i], err);
        }
        if (status == NW_OK) {
            status = cli_search_frames(&s, dates.items[i], err);
        }
        if (status == NW_OK) {
            status = find_logs(&s, dates.items[i], err);
        }
    }
    nw_book_dates_done(&dates);
    free(s.apart_s);
    nw_rig_free(own);
    return status;
}
