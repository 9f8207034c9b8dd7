/* check_told.c - what trials say to many nights: told by the owner (--told), or out of the book.
 * A trial of an older rig file speaks for that rig: it is used only while the lines that it
 * measured are foretold as they were then. */
#include "cli/check_told.h"

#include <math.h>
#include <stdlib.h>

#include "budget/trail_seeing.h"
#include "budget/trials.h"

enum { MAX_TOLD = 100000 };
#define SAME_LINE 1e-3 /* of a width: the rig file has not changed there */
#define ONE_EVENING_S 3600.0
#define NO_THEN "the rig file of then is not in the book, or has no such setup: not used"

static enum nw_status add_known(struct check_told *told, enum nw_star_line_id line,
                                double width_rad, double sigma_rad, struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&told->known, &told->caps[0], told->n_known + 1,
                                          sizeof *told->known, MAX_TOLD, err);
    if (status == NW_OK) {
        told->known[told->n_known++] = (struct nw_star_known){line, width_rad, sigma_rad};
    }
    return status;
}

static enum nw_status add_witness(struct check_told *told, const struct nw_apart_witness *witness,
                                  struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&told->witnesses, &told->caps[1], told->n_witnesses + 1,
                sizeof *told->witnesses, MAX_TOLD, err);
    if (status == NW_OK) {
        told->witnesses[told->n_witnesses++] = *witness;
    }
    return status;
}

static enum nw_status add_sum(struct check_told *told, const struct nw_apart_told *sum,
                              struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&told->sums, &told->caps[2], told->n_sums + 1,
                                          sizeof *told->sums, MAX_TOLD, err);
    if (status == NW_OK) {
        told->sums[told->n_sums++] = *sum;
    }
    return status;
}

/* The next line of words for the reader; NULL: no memory. */
static struct nw_apart_word *add_word(struct check_told *told, bool is_used, struct nw_err *err) {
    if (nw_grow((void **)&told->words, &told->caps[3], told->n_words + 1, sizeof *told->words,
                MAX_TOLD, err) != NW_OK) {
        return NULL;
    }
    struct nw_apart_word *const word = &told->words[told->n_words++];
    *word = (struct nw_apart_word){.is_used = is_used};
    return word;
}

void check_told_done(struct check_told *told) {
    free(told->known);
    free(told->witnesses);
    free(told->sums);
    free(told->words);
    *told = (struct check_told){.n_known = 0};
}

/* ---- By the owner --------------------------------------------------------------------------- */

/* "1.73+-0.24 arcsec" */
static bool read_width(const char *text, double *ret_rad, double *ret_sigma_rad) {
    double value;
    double sigma;
    double factor;
    double offset;
    struct nw_err none;
    const char *at = nw_text_scan_double(text, &value);
    while (at && *at == ' ') {
        at++;
    }
    at = at && strncmp(at, "+-", 2) == 0 ? at + 2 : NULL;
    while (at && *at == ' ') {
        at++;
    }
    at = at ? nw_text_scan_double(at, &sigma) : NULL;
    while (at && *at == ' ') {
        at++;
    }
    if (!at || nw_unit_read(at, NW_DIM_ANGLE, &factor, &offset, &none) != NW_OK) {
        return false;
    }
    *ret_rad = value * factor;
    *ret_sigma_rad = sigma * factor;
    return *ret_rad > 0.0 && *ret_sigma_rad > 0.0 && isfinite(*ret_rad + *ret_sigma_rad);
}

/* The night whose subs lie nearest to a moment, within half a day of one; SIZE_MAX: none. */
size_t check_told_night(const struct check_told_nights *all, double t_s) {
    for (size_t k = 0; k < all->n; k++) {
        const struct nw_apart_night *const night = &all->nights[k];
        const double first_s = night->frames[0].t_start_utc_s;
        const double last_s = night->frames[night->n - 1].t_start_utc_s;
        if (t_s > first_s - 43200.0 && t_s < last_s + 43200.0 &&
            !(k + 1 < all->n && t_s > all->nights[k + 1].frames[0].t_start_utc_s - 21600.0)) {
            return k;
        }
    }
    return SIZE_MAX;
}

static enum nw_status read_one(const char *text, const struct check_told_nights *all,
                               struct check_told *told, struct nw_err *err) {
    char what[48];
    const char *const equals = strchr(text, '=');
    double t_s;
    double width_rad;
    double sigma_rad;
    struct nw_err none;
    if (!equals || !read_width(equals + 1, &width_rad, &sigma_rad)) {
        return nw_err_set(err, NW_USAGE,
                          "--told is '%.80s', expected LINE=WIDTH or TIME=SEEING as "
                          "tilt_curvature='0.70+-0.05 arcsec'",
                          text);
    }
    const size_t len = (size_t)(equals - text);
    nw_text_copy(what, len + 1 < sizeof what ? len + 1 : sizeof what, text);
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const enum nw_apart_term_id id = (enum nw_apart_term_id)k;
        const bool is_line = nw_apart_term_line(id) < NW_STAR_N_LINES && id != NW_APART_AIR &&
                             id != NW_APART_LOCAL_AIR;
        if (is_line && strcmp(what, nw_apart_term_name(id)) == 0) {
            return add_known(told, nw_apart_term_line(id), width_rad, sigma_rad, err);
        }
    }
    if (nw_time_read_iso(what, 0.0, &t_s, &none) != NW_OK) {
        return nw_err_set(
            err, NW_USAGE,
            "--told %s: expected a time as 2026-06-14T11:40:00Z or one of lens_colour, "
            "decentre, focus, tilt_curvature, motion, flexure",
            what);
    }
    const size_t night = check_told_night(all, t_s);
    if (night == SIZE_MAX) {
        return nw_err_set(err, NW_USAGE, "--told %s: no night of those taken apart is near", what);
    }
    return add_witness(told, &(struct nw_apart_witness){night, t_s, width_rad, sigma_rad}, err);
}

enum nw_status check_told_read(const struct check_nights_opts *opts,
                               const struct check_told_nights *all, struct check_told *told,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < opts->n_told && status == NW_OK; i++) {
        status = read_one(opts->told[i], all, told, err);
    }
    return status;
}

/* ---- Out of the book ------------------------------------------------------------------------ */

/* The lines as the rig file has them now, and as it had them when a trial was made. */
struct reader {
    struct nw_book *book;
    const struct check_told_nights *nights;
    struct check_told *told;
    const struct nw_setup *setup;
    struct nw_star_budget *now;
    int64_t then_version;        /* of `then`; -1: none yet */
    struct nw_star_budget *then; /* NULL: not in the book, or not readable any more */
};

static enum nw_status look_back(struct reader *r, int64_t version, struct nw_err *err) {
    char *text = NULL;
    struct nw_rig *rig = NULL;
    struct nw_err none = {0};
    if (version == r->then_version) {
        return NW_OK;
    }
    nw_star_budget_free(r->then);
    r->then = NULL;
    r->then_version = version;
    const enum nw_status status = nw_book_rig_text(r->book, version, &text, NULL, err);
    if (status == NW_OK && text &&
        nw_rig_parse("the book's rig file", text, strlen(text), NULL, 0, &rig, &none) == NW_OK) {
        const struct nw_setup *const setup = nw_rig_setup(rig, r->setup->name);
        if (setup && nw_star_budget_new(rig, setup, NULL, NULL, 0, &r->then, &none) != NW_OK) {
            r->then = NULL;
        }
    }
    free(text);
    nw_rig_free(rig);
    return status;
}

/* The first of the trial's lines that the rig file has otherwise now; NULL: none. */
static const struct nw_star_line *changed_line(const struct reader *r,
                                               const struct nw_trial *card) {
    for (size_t i = 0; i < card->n_terms && r->then; i++) {
        const enum nw_star_line_id id = nw_apart_term_line(card->terms[i]);
        const double was = id < NW_STAR_N_LINES ? r->then->lines[id].predicted_rad : 0.0;
        const double is = id < NW_STAR_N_LINES ? r->now->lines[id].predicted_rad : 0.0;
        if (fabs(was - is) > SAME_LINE * fmax(was, is)) {
            return &r->now->lines[id];
        }
    }
    return NULL;
}

static enum nw_status refuse(struct reader *r, const struct nw_book_trial *trial, const char *day,
                             const char *why, struct nw_err *err) {
    struct nw_apart_word *const word = add_word(r->told, false, err);
    if (!word) {
        return NW_NOMEM;
    }
    (void)snprintf(word->text, sizeof word->text, "%s of %.10s: %s", trial->name, day, why);
    return NW_OK;
}

/* A difference of widths: what its lines add, as a share of what the rig file foretold. */
static enum nw_status take_sum(struct reader *r, const struct nw_book_trial *trial,
                               const struct nw_trial *card, struct nw_err *err) {
    char day[32];
    nw_time_write_iso(trial->t_first_s, 0, day, sizeof day);
    enum nw_status status = look_back(r, trial->rig_version, err);
    if (status != NW_OK) {
        return status;
    }
    const struct nw_star_line *const changed = changed_line(r, card);
    if (!r->then) {
        return refuse(r, trial, day, NO_THEN, err);
    }
    if (changed) {
        char why[120];
        (void)snprintf(why, sizeof why, "the rig file has another '%s' since: not used",
                       changed->label);
        return refuse(r, trial, day, why, err);
    }
    if (card->id == NW_TRIAL_NARROW_AND_WIDE && r->nights->has_filters) {
        return refuse(r, trial, day, "its subs are among these nights' themselves", err);
    }
    if (!(trial->foretold > 0.0) || !(trial->sigma > 0.0)) {
        return refuse(r, trial, day, "the rig file foretold nothing to hold it against: not used",
                      err);
    }
    struct nw_apart_told sum = {.n = card->n_terms,
                                .ratio = trial->value / trial->foretold,
                                .sigma = trial->sigma / trial->foretold};
    memcpy(sum.terms, card->terms, sizeof sum.terms);
    struct nw_apart_word *const word = add_word(r->told, true, err);
    if (!word) {
        return NW_NOMEM;
    }
    (void)snprintf(word->text, sizeof word->text,
                   "%s of %.10s: %s, %.2f +- %.2f times the square that the rig file foretold",
                   trial->name, day, trial->quantity, sum.ratio, sum.sigma);
    return add_sum(r->told, &sum, err);
}

/* Trails of one evening, n of them, are one witness: what their errors share does not average out
 * (budget/trail_seeing.h). */
static enum nw_status take_seeing(struct reader *r, const struct nw_book_trial *trails, size_t n,
                                  struct nw_err *err) {
    const double shared2 = NW_TRAIL_SHARED_SIGMA * NW_TRAIL_SHARED_SIGMA;
    double weight = 0.0;
    double sum = 0.0;
    double t_s = 0.0;
    char day[32];
    for (size_t i = 0; i < n; i++) {
        const double own2 = pow(trails[i].sigma / trails[i].value, 2.0) - shared2;
        const double w = 1.0 / fmax(1e-4, own2);
        weight += w;
        sum += w * log(trails[i].value);
        t_s += trails[i].t_first_s / (double)n;
    }
    const double seeing = exp(sum / weight);
    const double sigma = seeing * sqrt(shared2 + 1.0 / weight);
    const size_t night = check_told_night(r->nights, t_s);
    nw_time_write_iso(t_s, 0, day, sizeof day);
    if (night == SIZE_MAX) {
        return refuse(r, trails, day, "no subs of that night among these: not used", err);
    }
    struct nw_apart_word *const word = add_word(r->told, true, err);
    if (!word) {
        return NW_NOMEM;
    }
    (void)snprintf(word->text, sizeof word->text,
                   "%s of %.16s: seeing %.2f +- %.2f arcsec, %zu frame%s", trails[0].name, day,
                   seeing * NW_ARCSEC_PER_RAD, sigma * NW_ARCSEC_PER_RAD, n, n == 1 ? "" : "s");
    return add_witness(r->told, &(struct nw_apart_witness){night, t_s, seeing, sigma}, err);
}

static bool is_trail(const struct nw_book_trial *t) {
    return strcmp(t->name, nw_trial_name(NW_TRIAL_DRIVE_OFF_TRAIL)) == 0 &&
           strcmp(t->unit, "rad") == 0 && t->value > 0.0 && t->sigma > 0.0;
}

/* Trials that the widths of the nights do not hold already: focus runs and warm tubes are in them.
 */
static bool is_sum(const struct nw_trial *card) {
    return card->id == NW_TRIAL_SHORT_AND_LONG || card->id == NW_TRIAL_NARROW_AND_WIDE;
}

/* The same evening's trial told once more (by the owner, say): the later word counts. */
static bool is_told_again(const struct nw_book_trial *trials, size_t n, size_t i) {
    return i + 1 < n && strcmp(trials[i].name, trials[i + 1].name) == 0 &&
           trials[i + 1].t_first_s - trials[i].t_first_s < ONE_EVENING_S &&
           isfinite(trials[i + 1].value);
}

static enum nw_status take_all(struct reader *r, const struct nw_book_trial *trials, size_t n,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct nw_trial *card = NULL;
        struct nw_err none = {0};
        size_t end = i + 1;
        if (!isfinite(trials[i].value) || nw_trial_find(trials[i].name, &card, &none) != NW_OK ||
            !nw_text_equal_nocase(trials[i].setup, r->setup->name)) {
            continue;
        }
        if (is_trail(&trials[i])) {
            while (end < n && is_trail(&trials[end]) &&
                   trials[end].t_first_s - trials[i].t_first_s < ONE_EVENING_S) {
                end++;
            }
            status = take_seeing(r, &trials[i], end - i, err);
            i = end - 1;
        } else if (is_sum(card) && strcmp(trials[i].unit, "rad2") == 0 &&
                   !is_told_again(trials, n, i)) {
            status = take_sum(r, &trials[i], card, err);
        }
    }
    return status;
}

static void put(struct nw_val *to, double value, double sigma) {
    if (isfinite(value)) {
        to->v = value;
        to->sigma = isfinite(sigma) ? sigma : to->sigma;
    }
}

/* The width that a measured focal surface makes, by the budget's own line; as a trial it is the
 * pair about focus. */
static enum nw_status take_surface(struct reader *r, const struct nw_rig *rig, struct nw_err *err) {
    const struct nw_trial *const card = nw_trial_get(NW_TRIAL_PAIR_ABOUT_FOCUS);
    struct nw_book_surface surface;
    struct nw_star_budget *budget = NULL;
    char day[32];
    enum nw_status status = nw_book_last_surface(r->book, rig->name, r->setup->name, &surface, err);
    if (status != NW_OK || surface.n_frames == 0) {
        return status;
    }
    nw_time_write_iso(surface.t_utc_s, 0, day, sizeof day);
    status = look_back(r, surface.rig_version, err);
    const struct nw_book_trial trial = {.name = "pair-about-focus"};
    if (status == NW_OK && !r->then) {
        return refuse(r, &trial, day, NO_THEN, err);
    }
    if (status == NW_OK && changed_line(r, card)) {
        return refuse(r, &trial, day, "the rig file has another 'tilt and curvature' since", err);
    }
    struct nw_setup *setup = nw_calloc(1, sizeof *setup);
    if (status == NW_OK && !setup) {
        status = nw_err_set(err, NW_NOMEM, "a focal surface");
    }
    if (status == NW_OK) {
        *setup = *r->setup;
        put(&setup->tilt_m, surface.tilt_m, surface.tilt_sigma_m);
        put(&setup->tilt_direction_rad, surface.direction_rad, surface.direction_sigma_rad);
        put(&setup->curvature_m, surface.curvature_m, surface.curvature_sigma_m);
        put(&setup->astigmatism_m, surface.astigmatism_m, surface.astigmatism_sigma_m);
        status = nw_star_budget_new(rig, setup, NULL, NULL, 0, &budget, err);
    }
    if (status == NW_OK) {
        const struct nw_star_line *const line = &budget->lines[NW_STAR_TILT_CURVATURE];
        struct nw_apart_word *const word = add_word(r->told, true, err);
        status = word ? add_known(r->told, NW_STAR_TILT_CURVATURE, line->predicted_rad,
                                  line->predicted_sigma_rad, err)
                      : NW_NOMEM;
        if (word) {
            (void)snprintf(
                word->text, sizeof word->text,
                "pair-about-focus of %.10s: tilt and curvature %.2f +- %.2f arcsec, from "
                "the surface that was kept",
                day, line->predicted_rad * NW_ARCSEC_PER_RAD,
                line->predicted_sigma_rad * NW_ARCSEC_PER_RAD);
        }
    }
    nw_star_budget_free(budget);
    free(setup);
    return status;
}

enum nw_status check_told_book(struct nw_book *book, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct check_told_nights *nights,
                               struct check_told *told, struct nw_err *err) {
    struct reader r = {
        .book = book, .nights = nights, .told = told, .setup = setup, .then_version = -1};
    struct nw_book_trial *trials = NULL;
    size_t n = 0;
    enum nw_status status = nw_book_trials(book, NULL, NULL, &trials, &n, err);
    if (status == NW_OK) {
        status = nw_star_budget_new(rig, setup, NULL, NULL, 0, &r.now, err);
    }
    if (status == NW_OK && n > 0) {
        status = take_all(&r, trials, n, err);
    }
    if (status == NW_OK) {
        status = take_surface(&r, rig, err);
    }
    nw_star_budget_free(r.now);
    nw_star_budget_free(r.then);
    free(trials);
    return status;
}
