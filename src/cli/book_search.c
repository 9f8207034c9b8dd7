/* book_search.c - trials that are known by what was done: groups of frames by their headers
 * (budget/trials.h), evaluated by the commands that evaluate them when they are named.
 * One that is known but tells nothing (too few stars, say) is kept with the reason, so that it is
 * not evaluated at every look. */
#include "cli/book_search.h"

#include <math.h>
#include <stdlib.h>

#include "book/documents.h"
#include "book/exposures.h"
#include "cli/trial_other.h"
#include "optics/optics.h"

enum { CARDS_MOST = 8 };
static const double SETTLED_S = 900.0;

/* One group on its way into the book. */
struct found {
    struct cli_search *search;
    const struct nw_trial *card;
    struct nw_paths paths;
    double starts_s[NW_TRIAL_GROUP_FRAMES];
    size_t n;
    struct nw_book_trial row; /* as all its quantities begin */
};

static void begin_row(struct found *f, const struct nw_book_exposures *all,
                      const struct nw_trial_group *group) {
    const struct nw_book_exposure *const words = &all->words[group->frames[0]];
    struct nw_book_trial *const row = &f->row;
    *row = (struct nw_book_trial){.value = NAN,
                                  .sigma = NAN,
                                  .low = NAN,
                                  .high = NAN,
                                  .foretold = NAN,
                                  .foretold_sigma = NAN,
                                  .unit = "1"};
    nw_text_copy(row->name, sizeof row->name, nw_trial_name(f->card->id));
    nw_text_copy(row->quantity, sizeof row->quantity, f->card->quantity);
    nw_text_copy(row->rig_name, sizeof row->rig_name, f->search->rig->name);
    nw_text_copy(row->setup, sizeof row->setup, f->search->setup->name);
    nw_text_copy(row->camera, sizeof row->camera, words->camera);
    if (f->card->id != NW_TRIAL_CAP_ON) {
        nw_text_copy(row->filter, sizeof row->filter, words->filter);
    }
}

/* Paths and starts of those frames of a group that `takes` says yes to (NULL: all). */
static enum nw_status gather(struct found *f, const struct nw_book_exposures *all,
                             const struct nw_trial_group *group, const bool *takes,
                             struct nw_err *err) {
    f->paths.items = nw_calloc(group->n + 1, sizeof *f->paths.items);
    f->n = 0;
    if (!f->paths.items) {
        return nw_err_set(err, NW_NOMEM, "%zu frames of a trial", group->n);
    }
    for (size_t i = 0; i < group->n; i++) {
        if (takes && !takes[i]) {
            continue;
        }
        f->paths.items[f->n] = nw_strdup(all->words[group->frames[i]].path);
        if (!f->paths.items[f->n]) {
            return nw_err_set(err, NW_NOMEM, "%zu frames of a trial", group->n);
        }
        f->paths.n = f->n + 1;
        f->starts_s[f->n++] = all->frames[group->frames[i]].t_start_utc_s;
    }
    f->row.t_first_s = f->starts_s[0];
    f->row.t_last_s = f->starts_s[f->n - 1];
    f->row.n_frames = f->n;
    return NW_OK;
}

static enum nw_status put(struct found *f, struct nw_book_trial *row, struct nw_err *err) {
    return cli_search_keep(f->search, row, f->starts_s, f->n, err);
}

/* It was made, and tells nothing. */
static enum nw_status put_why(struct found *f, const char *why, struct nw_err *err) {
    struct nw_book_trial row = f->row;
    nw_text_copy(row.why_null, sizeof row.why_null, why);
    return put(f, &row, err);
}

static double real_of(const json_t *object, const char *key) {
    const json_t *const value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

/* ---- Surfaces ------------------------------------------------------------------------------- */

/* A row of micrometres: value +- sigma, corner to corner. */
static enum nw_status put_um(struct found *f, const char *quantity, double value_um,
                             double sigma_um, const char *verdict, struct nw_err *err) {
    struct nw_book_trial row = f->row;
    nw_text_copy(row.quantity, sizeof row.quantity, quantity);
    nw_text_copy(row.unit, sizeof row.unit, "m");
    row.value = value_um * 1e-6;
    row.sigma = sigma_um * 1e-6;
    if (isfinite(row.value)) {
        nw_text_copy(row.verdict, sizeof row.verdict, verdict);
    } else {
        nw_text_copy(row.why_null, sizeof row.why_null, "the surface does not say");
    }
    return put(f, &row, err);
}

/* The surface itself stands in the book as if it had been kept; not over the owner's. */
static enum nw_status keep_surface(struct found *f, const json_t *document, struct nw_err *err) {
    const struct cli_search *const s = f->search;
    const struct nw_book_add_opts opts = {.now_utc_s = s->how->since_utc_s,
                                          .program_version = NW_VERSION,
                                          .longitude_rad = s->rig->site.longitude_rad.v};
    struct nw_book_kept kept = {.command = NULL};
    bool is_there = false;
    enum nw_status status = nw_book_has_surface(s->book, f->row.rig_name, f->row.setup,
                                                f->row.t_first_s, &is_there, err);
    if (status != NW_OK || is_there) {
        return status;
    }
    status = nw_book_keep(s->book, document, &opts, &kept, err);
    return status == NW_OK ? nw_book_trial_document(s->book, &f->row, kept.content_id, err)
                           : status;
}

static enum nw_status keep_pair(struct found *f, const json_t *document, struct nw_err *err) {
    const double tilt_um = real_of(document, "tilt_corner_to_corner_um");
    const double tilt_sigma_um = real_of(document, "tilt_corner_to_corner_sigma_um");
    const double c_um = real_of(document, "c_um");
    const double c_sigma_um = real_of(document, "c_sigma_um");
    const double direction_deg = real_of(document, "tilt_direction_deg");
    char text[200];
    char direction[60] = "";
    if (isfinite(direction_deg)) {
        (void)snprintf(direction, sizeof direction, ", best focus farther out at %.0f deg",
                       direction_deg);
    }
    (void)snprintf(text, sizeof text, "%.1f +- %.1f um corner to corner%s", tilt_um, tilt_sigma_um,
                   direction);
    enum nw_status status = put_um(f, f->card->quantity, tilt_um, tilt_sigma_um, text, err);
    (void)snprintf(text, sizeof text, "%+.1f +- %.1f um at the corner", c_um, c_sigma_um);
    if (status == NW_OK) {
        status = put_um(f, "curvature", c_um, c_sigma_um, text, err);
    }
    return status == NW_OK ? keep_surface(f, document, err) : status;
}

static enum nw_status keep_part(struct found *f, const char *quantity, const json_t *part,
                                const char *words, struct nw_err *err) {
    const double a_um = real_of(part, "a_um");
    const double b_um = real_of(part, "b_um");
    const double sigma_um = real_of(part, "sigma_um");
    char text[200];
    (void)snprintf(text, sizeof text, "a %+.1f, b %+.1f, +- %.1f um: %.0f um corner to corner%s",
                   a_um, b_um, sigma_um, 2.0 * hypot(a_um, b_um), words);
    return put_um(f, quantity, 2.0 * hypot(a_um, b_um), 2.0 * sigma_um, text, err);
}

static enum nw_status keep_parts(struct found *f, const json_t *document, struct nw_err *err) {
    const json_t *const parts = json_object_get(document, "parts");
    if (f->card->id == NW_TRIAL_TWO_TUBE_SIDES) {
        return keep_part(f, f->card->quantity, json_object_get(parts, "sag_at_horizon"),
                         " at the horizon, tube east", err);
    }
    const enum nw_status status = keep_part(f, f->card->quantity, json_object_get(parts, "focuser"),
                                            ", of focuser and corrector", err);
    return status == NW_OK ? keep_part(f, "tilt of the camera", json_object_get(parts, "camera"),
                                       ", turns with it", err)
                           : status;
}

/* ---- Five-second frame ---------------------------------------------------------------------- */

/* The first row that was told; of colour frames green. */
static const json_t *row_of(const json_t *rows) {
    const json_t *first = NULL;
    const json_t *row = NULL;
    size_t i = 0;
    json_array_foreach(rows, i, row) {
        const char *const colour = json_string_value(json_object_get(row, "colour"));
        const bool is_told = json_is_number(json_object_get(row, "throughput_percent"));
        const bool is_green = colour && strcmp(colour, "G") == 0;
        first = is_told && (!first || is_green) ? row : first;
    }
    return first ? first : json_array_get(rows, 0);
}

static enum nw_status keep_zero_point(struct found *f, const json_t *document, struct nw_err *err) {
    const json_t *const row = row_of(json_object_get(document, "frames"));
    const char *const why =
        json_string_value(json_object_get(json_object_get(row, "why_null"), "throughput_percent"));
    struct nw_book_trial one = f->row;
    one.value = 0.01 * real_of(row, "throughput_percent");
    one.sigma = 0.01 * real_of(row, "throughput_sigma_percent");
    one.foretold = 0.01 * real_of(row, "foretold_percent");
    one.foretold_sigma = 0.01 * real_of(row, "foretold_sigma_percent");
    if (!isfinite(one.value)) {
        return put_why(f, why ? why : "no star tells", err);
    }
    (void)snprintf(one.verdict, sizeof one.verdict,
                   "%.1f +- %.1f %% of the light above the air, %.1f +- %.1f %% by the rig file, "
                   "from %.0f stars",
                   100.0 * one.value, 100.0 * one.sigma, 100.0 * one.foretold,
                   100.0 * one.foretold_sigma, real_of(row, "stars_used"));
    const enum nw_status status = put(f, &one, err);
    one.value = real_of(row, "zero_point_mag");
    one.sigma = real_of(row, "zero_point_sigma_mag");
    one.foretold = one.foretold_sigma = NAN;
    nw_text_copy(one.quantity, sizeof one.quantity, "zero point");
    nw_text_copy(one.unit, sizeof one.unit, "mag");
    (void)snprintf(one.verdict, sizeof one.verdict,
                   "V %.3f +- %.3f above the air gives 1 e-/s, airmass %.2f", one.value, one.sigma,
                   real_of(row, "airmass"));
    return status == NW_OK ? put(f, &one, err) : status;
}

/* ---- Cap and card --------------------------------------------------------------------------- */

static enum nw_status keep_told(struct found *f, const struct nw_trial_told *told,
                                struct nw_err *err) {
    struct nw_book_trial row = f->row;
    row.value = told->value;
    row.sigma = told->sigma;
    nw_text_copy(row.unit, sizeof row.unit, told->unit);
    nw_text_copy(row.verdict, sizeof row.verdict, told->verdict);
    nw_text_copy(row.why_null, sizeof row.why_null, told->why_null);
    return put(f, &row, err);
}

/* Which flats are of a card trial: those in shade, few of many, and the flattest one. */
static bool is_card(const struct nw_book_exposures *all, const struct nw_trial_group *group,
                    const struct nw_setup *setup, bool takes[NW_TRIAL_GROUP_FRAMES]) {
    double least = CLI_PLAIN;
    size_t plain = SIZE_MAX;
    size_t n = 0;
    for (size_t i = 0; i < group->n; i++) {
        double slope = NAN;
        double sigma = NAN;
        struct nw_err none = {0};
        takes[i] = false;
        if (cli_trial_shade(all->words[group->frames[i]].path, setup, &slope, &sigma, &none) !=
            NW_OK) {
            continue;
        }
        takes[i] = slope > CLI_SHADED && slope > 3.0 * sigma;
        n += takes[i] ? 1 : 0;
        plain = slope < least ? i : plain;
        least = slope < least ? slope : least;
    }
    if (plain != SIZE_MAX) {
        takes[plain] = true;
    }
    return plain != SIZE_MAX && n > 0 && n <= CARDS_MOST;
}

/* ---- One group ------------------------------------------------------------------------------ */

static enum nw_status evaluate(struct found *f, struct nw_err *err) {
    const struct cli_search *const s = f->search;
    struct nw_err why = {0};
    struct nw_trial_told told;
    json_t *document = NULL;
    const bool is_light = f->card->id == NW_TRIAL_CAP_ON || f->card->id == NW_TRIAL_EDGE_CARD;
    enum nw_status status =
        is_light ? cli_trial_light(f->card, s->rig, s->setup, &f->paths, &told, &why)
                 : cli_trial_document(f->card, s->rig, s->setup, &f->paths, &document, &why);
    if (status == NW_NOMEM) {
        return nw_err_set(err, status, "%s", why.text);
    }
    if (status == NW_IO || status == NW_NOTFOUND) {
        return NW_OK; /* moved away since: another look may find it */
    }
    if (status != NW_OK) {
        return put_why(f, why.text, err);
    }
    if (is_light) {
        return keep_told(f, &told, err);
    }
    status = f->card->id == NW_TRIAL_PAIR_ABOUT_FOCUS    ? keep_pair(f, document, err)
             : f->card->id == NW_TRIAL_FIVE_SECOND_FRAME ? keep_zero_point(f, document, err)
                                                         : keep_parts(f, document, err);
    json_decref(document);
    return status;
}

/* Darks and flats are read whole: only those that something came to, and not while they go on. */
static bool is_worth_reading(const struct cli_search *s, const struct nw_book_exposures *all,
                             const struct nw_trial_group *group) {
    bool is_new = s->how->is_all;
    for (size_t i = 0; i < group->n; i++) {
        is_new = is_new || all->words[group->frames[i]].added_utc_s >= s->how->since_utc_s;
    }
    return is_new && !s->how->is_going_on;
}

static enum nw_status take_group(struct cli_search *s, const struct nw_book_exposures *all,
                                 const struct nw_trial_group *group, struct nw_err *err) {
    struct found f = {.search = s, .card = nw_trial_get(group->id)};
    bool takes[NW_TRIAL_GROUP_FRAMES];
    bool has = false;
    const bool is_card_trial = group->id == NW_TRIAL_EDGE_CARD;
    if ((is_card_trial || group->id == NW_TRIAL_CAP_ON) && !is_worth_reading(s, all, group)) {
        return NW_OK;
    }
    if (is_card_trial && !is_card(all, group, s->setup, takes)) {
        return NW_OK;
    }
    begin_row(&f, all, group);
    enum nw_status status = gather(&f, all, group, is_card_trial ? takes : NULL, err);
    if (status == NW_OK) {
        status = nw_book_has_trial(s->book, &f.row, &has, err);
    }
    if (status == NW_OK && !has) {
        status = evaluate(&f, err);
    }
    nw_paths_done(&f.paths);
    return status;
}

/* Depth of focus in steps of the focuser; NaN: the rig file does not say its step. */
static double depth_steps(const struct nw_setup *setup) {
    const double m = setup->has_corrector ? setup->corrector.magnification.v : 1.0;
    const bool rides =
        setup->has_focuser && setup->focuser.carries == NW_CARRIES_CORRECTOR_AND_CAMERA;
    if (!setup->has_focuser || setup->focuser.step_m.from == NW_FROM_ASSUMED) {
        return NAN;
    }
    return nw_optics_depth_of_focus_m(setup->filter.centre_m.v, nw_setup_f_ratio(setup)) /
           (setup->focuser.step_m.v * nw_optics_defocus_per_travel(m, rides));
}

static bool is_of_pairs(enum nw_trial_id id) {
    return id == NW_TRIAL_PAIR_ABOUT_FOCUS || id == NW_TRIAL_ROTATOR_HALF_TURN ||
           id == NW_TRIAL_TWO_TUBE_SIDES;
}

static enum nw_status set_apart(struct cli_search *s, const struct nw_book_exposures *all,
                                const struct nw_trial_group *group, struct nw_err *err) {
    enum { MOST = 100000 };
    enum nw_status status = nw_grow((void **)&s->apart_s, &s->apart_cap, s->n_apart + group->n,
                                    sizeof *s->apart_s, MOST, err);
    for (size_t i = 0; i < group->n && status == NW_OK; i++) {
        s->apart_s[s->n_apart++] = all->frames[group->frames[i]].t_start_utc_s;
    }
    return status;
}

static enum nw_status search(struct cli_search *s, const char *date, bool pairs,
                             struct nw_err *err) {
    struct nw_book_exposures all = {.n = 0};
    struct nw_trial_groups groups = {.n = 0};
    enum nw_status status = nw_book_exposures(s->book, date, s->rig, &all, err);
    if (status == NW_OK) {
        const struct nw_trial_night night = {
            .frames = all.frames,
            .n = all.n,
            .depth_steps = depth_steps(s->setup),
            .settled_utc_s = s->how->is_going_on ? s->how->since_utc_s - SETTLED_S : INFINITY,
        };
        status = nw_trials_by_frames(&night, &groups, err);
    }
    for (size_t i = 0; i < groups.n && status == NW_OK; i++) {
        const struct nw_trial_group *const group = &groups.items[i];
        if (is_of_pairs(group->id) != pairs) {
            continue;
        }
        status = pairs ? set_apart(s, &all, group, err) : NW_OK;
        status = status == NW_OK ? take_group(s, &all, group, err) : status;
    }
    nw_trial_groups_done(&groups);
    nw_book_exposures_done(&all);
    return status;
}

enum nw_status cli_search_pairs(struct cli_search *s, const char *date, struct nw_err *err) {
    s->n_apart = 0;
    return search(s, date, true, err);
}

enum nw_status cli_search_frames(struct cli_search *s, const char *date, struct nw_err *err) {
    return search(s, date, false, err);
}

/* ---- Two settings by turns ------------------------------------------------------------------ */

enum { CHANGES_LEAST = 3 };

static void tell_change(const struct nw_guide_compare *found, const struct nw_guide_turns *turns,
                        struct nw_book_trial *row) {
    const struct nw_trial *const card = nw_trial_get(NW_TRIAL_ALTERNATING_NIGHT);
    *row = (struct nw_book_trial){.t_first_s = turns->t_first_s,
                                  .t_last_s = turns->t_last_s,
                                  .value = found->change,
                                  .sigma = (found->change_high - found->change_low) / (2.0 * 1.96),
                                  .low = found->change_low,
                                  .high = found->change_high,
                                  .foretold = NAN,
                                  .foretold_sigma = NAN,
                                  .n_frames = found->n_subs[0] + found->n_subs[1],
                                  .unit = "1"};
    nw_text_copy(row->name, sizeof row->name, nw_trial_name(card->id));
    nw_text_copy(row->quantity, sizeof row->quantity, card->quantity);
    (void)snprintf(row->verdict, sizeof row->verdict,
                   "with '%s' the star moves %+.0f %% (95 %%: %+.0f to %+.0f) against '%s'; %zu "
                   "and %zu blocks%s",
                   found->name[1], 100.0 * found->change, 100.0 * found->change_low,
                   100.0 * found->change_high, found->name[0], found->n_blocks[1],
                   found->n_blocks[0], found->is_told ? "" : ": not told apart yet");
}

static enum nw_status compare(struct cli_search *s, const struct nw_guide_runs *runs,
                              const struct nw_guide_turns *turns, struct nw_err *err) {
    const struct nw_guide_opts opts = {
        .sub_length_s = NAN, .noise_floor_rad = NAN, .is_loop_only = true};
    struct nw_guide_compared *list = nw_calloc(runs->n + 1, sizeof *list);
    struct nw_guide_analysis **owned = nw_calloc(runs->n + 1, sizeof(struct nw_guide_analysis *));
    struct nw_guide_compare found;
    struct nw_book_trial row;
    struct nw_err none = {0};
    size_t n = 0;
    enum nw_status status =
        list && owned ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu guide runs", runs->n);
    for (size_t i = 0; status == NW_OK && i < runs->n; i++) {
        if (nw_guide_analyse(runs->items[i].log, &opts, &owned[n], &none) == NW_OK) {
            list[n] = (struct nw_guide_compared){runs->items[i].log, owned[n]};
            n++;
        }
    }
    if (status == NW_OK &&
        nw_guide_compare(list, n, turns->spans, turns->n_spans, &found, &none) == NW_OK) {
        tell_change(&found, turns, &row);
        status = cli_search_keep(s, &row, NULL, 0, err);
    }
    for (size_t i = 0; i < n; i++) {
        nw_guide_analysis_free(owned[i]);
    }
    free(owned);
    free(list);
    return status;
}

enum nw_status cli_search_settings(struct cli_search *s, const struct nw_guide_runs *runs,
                                   struct nw_err *err) {
    struct nw_guide_turns turns = {.n_changes = 0};
    if (s->how->is_going_on) { /* every run is analysed: once, when the night is over */
        return NW_OK;
    }
    enum nw_status status = nw_guide_turns_of(runs, &turns, err);
    if (status == NW_OK && turns.n_changes >= CHANGES_LEAST) {
        status = compare(s, runs, &turns, err);
    }
    nw_guide_turns_done(&turns);
    return status;
}
