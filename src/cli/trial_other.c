/* trial_other.c - trials whose frames or logs are another command's matter, and the three that are
 * evaluated here: play of the gears, light that leaks in, the card over the edge. */
#include "cli/trial_other.h"

#include <math.h>
#include <stdlib.h>

#include "cli/guide_files.h"
#include "cli/keep.h"
#include "guiding/there_and_back.h"
#include "light/cap_card.h"
#include "light/level.h"
#include "sky/almanac.h"

enum { MAX_WORDS = 4096 };

/* ---- Another command's matter --------------------------------------------------------------- */

static const struct {
    enum nw_trial_id id;
    const char *command, *flag;
    bool is_rig_first; /* the rig file is an argument, not --rig */
} OTHERS[] = {{NW_TRIAL_PAIR_ABOUT_FOCUS, "surface", NULL, false},
              {NW_TRIAL_ROTATOR_HALF_TURN, "surface", "--separate", false},
              {NW_TRIAL_TWO_TUBE_SIDES, "surface", "--separate", false},
              {NW_TRIAL_FIVE_SECOND_FRAME, "throughput", NULL, true},
              {NW_TRIAL_DRIVE_ONLY, "guiding", NULL, false},
              {NW_TRIAL_ALTERNATING_NIGHT, "guiding", "--compare", false}};
enum { N_OTHERS = sizeof OTHERS / sizeof *OTHERS };

static size_t other_of(const struct nw_trial *card) {
    size_t i = 0;
    while (i < N_OTHERS && OTHERS[i].id != card->id) {
        i++;
    }
    return i;
}

bool cli_trial_is_other(const struct nw_trial *card) {
    return other_of(card) < N_OTHERS || card->id == NW_TRIAL_THERE_AND_BACK ||
           card->id == NW_TRIAL_CAP_ON || card->id == NW_TRIAL_EDGE_CARD;
}

struct words {
    char *items[MAX_WORDS];
    int n;
};

static bool say(struct words *words, const char *word) {
    char *const copy = words->n < MAX_WORDS ? nw_strdup(word) : NULL;
    if (copy) {
        words->items[words->n++] = copy;
    }
    return copy != NULL;
}

static void words_done(struct words *words) {
    for (int i = 0; words && i < words->n; i++) {
        free(words->items[i]);
    }
    free(words);
}

static bool say_all(const struct cli_args *args, size_t which, struct words *words) {
    size_t n = 0;
    const char *const *const given = cli_texts(args, "frames", &n);
    bool is_good = true;
    if (OTHERS[which].is_rig_first) {
        is_good = say(words, cli_text(args, "rig"));
    }
    for (size_t i = 0; i < n; i++) {
        is_good = is_good && say(words, given[i]);
    }
    if (!OTHERS[which].is_rig_first) {
        is_good = is_good && say(words, "--rig") && say(words, cli_text(args, "rig"));
    }
    if (cli_given(args, "setup") && strcmp(OTHERS[which].command, "guiding") != 0) {
        is_good = is_good && say(words, "--setup") && say(words, cli_text(args, "setup"));
    }
    if (OTHERS[which].flag) {
        is_good = is_good && say(words, OTHERS[which].flag);
    }
    if (strcmp(OTHERS[which].command, "surface") == 0 && cli_given(args, "keep")) {
        is_good = is_good && say(words, "--keep");
        if (cli_given(args, "book")) {
            is_good = is_good && say(words, "--book") && say(words, cli_text(args, "book"));
        }
    }
    return is_good && (!cli_wants_json(args) || say(words, "--json"));
}

/* As if the owner had typed the other command. */
static enum nw_status run_other(const struct cli_args *args, size_t which,
                                struct cli_result *result, struct nw_err *err) {
    const struct cli_command *const command = cli_command_find(OTHERS[which].command);
    struct cli_args *other = NULL;
    if (cli_given(args, "keep") && strcmp(OTHERS[which].command, "surface") != 0) {
        return nw_err_set(err, NW_USAGE,
                          "trial %s: `%s` evaluates it and keeps no result in the book, expected "
                          "no --keep",
                          nw_trial_name(OTHERS[which].id), OTHERS[which].command);
    }
    struct words *words = nw_calloc(1, sizeof *words);
    enum nw_status status = words && say_all(args, which, words)
                                ? NW_OK
                                : nw_err_set(err, NW_LIMIT,
                                             "no room for all frames of the trial, expected at "
                                             "most about %d",
                                             MAX_WORDS - 10);
    if (status == NW_OK) {
        status = cli_args_parse(command, words->n, words->items, &other, err);
    }
    if (status == NW_OK) {
        status = command->run(other, result, err);
    }
    cli_args_free(other);
    words_done(words);
    return status;
}

/* ---- Evaluated here ------------------------------------------------------------------------- */

/* A result on its way out. */
struct told {
    struct nw_about about;
    struct nw_trial_told told;
};

static enum nw_status write(const struct cli_args *args, const struct told *t,
                            struct cli_result *result, struct nw_err *err) {
    json_t *document = NULL;
    enum nw_status status = NW_OK;
    if (!cli_wants_json(args)) {
        nw_report_trial_told_text(&t->told, &result->text);
    }
    if (cli_wants_document(args)) {
        status = nw_report_trial_told_json(&t->told, &document, err);
        status = status == NW_OK ? cli_document(args, &t->about, document, result, err) : status;
    }
    return status;
}

static struct told begin(const struct nw_trial *card, const struct nw_rig *rig,
                         const struct nw_setup *setup) {
    struct told t = {.told = {.card = card,
                              .quantity = card->quantity,
                              .value = NAN,
                              .sigma = NAN,
                              .low = NAN,
                              .high = NAN}};
    nw_about_init(&t.about, rig, setup);
    return t;
}

static enum nw_status there_and_back(const struct cli_args *args, struct told *t,
                                     struct nw_err *err) {
    size_t n = 0;
    const char *const *const given = cli_texts(args, "frames", &n);
    const struct guide_request request = {
        .paths = given,
        .n_paths = n,
        .rig = cli_text(args, "rig"),
        .opts = {.sub_length_s = NAN, .noise_floor_rad = NAN, .is_loop_only = true}};
    struct guide_files files = {.n = 0};
    struct nw_guide_there_and_back play;
    struct nw_err none = {0};
    bool is_told = false;
    enum nw_status status = guide_files_read(&request, &files, err);
    for (size_t i = 0; i < files.n_files && status == NW_OK && !is_told; i++) {
        for (size_t k = 0; k < files.files[i]->n && !is_told; k++) {
            const struct nw_guide_log *const log = files.files[i]->items[k].log;
            is_told = nw_guide_there_and_back(log, &play, &none) == NW_OK;
            if (is_told && log->has_dates) {
                t->about.start_utc_s = log->rows[0].t_s;
                t->about.end_utc_s = log->rows[log->n - 1].t_s;
            }
        }
    }
    guide_files_done(&files);
    if (status == NW_OK && !is_told) {
        return nw_err_set(err, NW_DATA, "%s", none.text);
    }
    if (status == NW_OK) {
        struct nw_trial_told *const told = &t->told;
        told->value = play.gap_s;
        told->sigma = play.gap_sigma_s;
        told->low = play.gap_low_s;
        told->high = play.gap_high_s;
        told->unit = "s";
        told->n_frames = t->about.n_frames = play.n;
        (void)snprintf(told->from, sizeof told->from,
                       "%zu samples, %zu pulses, %zu turns; noise %.2f arcsec", play.n,
                       play.n_pulses, play.n_turns, play.noise_rad * NW_ARCSEC_PER_RAD);
        (void)snprintf(
            told->verdict, sizeof told->verdict,
            "play of %.0f ms (95 %%: %.0f to %.0f) of pulse, %.1f arcsec on the sky; the "
            "star moves %.2f +- %.2f arcsec a second of pulse",
            1e3 * play.gap_s, 1e3 * play.gap_low_s, 1e3 * play.gap_high_s,
            play.gap_rad * NW_ARCSEC_PER_RAD, fabs(play.response_rad_s) * NW_ARCSEC_PER_RAD,
            play.response_sigma_rad_s * NW_ARCSEC_PER_RAD);
    }
    return status;
}

/* ---- Cap on --------------------------------------------------------------------------------- */

static double sun_altitude(const struct nw_rig *rig, double t_utc_s) {
    const struct nw_observer observer = nw_sky_observer_of(rig);
    struct nw_sky_moment moment;
    return nw_sky_moment_at(&observer, t_utc_s, &moment, NULL) == NW_OK ? moment.sun_altitude_rad
                                                                        : NAN;
}

static enum nw_status read_dark(const char *path, const struct nw_rig *rig, struct told *t,
                                struct nw_cap_dark *ret, struct nw_err *err) {
    struct nw_frame *frame = NULL;
    enum nw_status status = nw_frame_read(path, NULL, &frame, err);
    if (status == NW_OK) {
        const struct nw_frame_facts *const facts = &frame->facts;
        nw_about_add(&t->about, facts);
        *ret = (struct nw_cap_dark){.exposure_s = facts->exposure_s,
                                    .temperature_K = isfinite(facts->chip_temperature_K)
                                                         ? facts->chip_temperature_K
                                                         : facts->set_temperature_K,
                                    .sun_altitude_rad = sun_altitude(rig, facts->t_start_utc_s)};
        status = nw_dark_level(frame, &ret->level_adu, err);
    }
    nw_frame_free(frame);
    return status;
}

/* Dark current doubles in about 6 K: common practice, no source. */
#define WARMER_K 0.5
#define LEAK_CHANCE 0.01 /* of a leak told where there is none */

static enum nw_status cap_on(const struct nw_paths *paths, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct told *t, struct nw_err *err) {
    struct nw_cap_dark *darks = nw_calloc(paths->n + 1, sizeof *darks);
    struct nw_cap_leak leak;
    enum nw_status status = darks ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu darks", paths->n);
    for (size_t i = 0; i < paths->n && status == NW_OK; i++) {
        status = read_dark(paths->items[i], rig, t, &darks[i], err);
    }
    if (status == NW_OK) {
        status = nw_cap_leak(darks, paths->n, &leak, err);
    }
    free(darks);
    if (status != NW_OK) {
        return status;
    }
    const double gain = setup->camera.gain_e_per_adu.v;
    const bool has_gain = gain > 0.0;
    const double unit = has_gain ? gain : 1.0;
    const char *const word = has_gain ? "e-/s" : "adu/s (no gain in the rig file)";
    const char *const name = nw_file_base_name(paths->items[leak.brightest]);
    struct nw_trial_told *const told = &t->told;
    told->unit = has_gain ? "e/s" : "adu/s";
    told->value = leak.leak_adu_s * unit;
    told->sigma = leak.sigma_adu_s * unit;
    told->n_frames = paths->n;
    const bool is_leak = leak.chance < LEAK_CHANCE;
    char rate[100] = "";
    char warm[60] = "";
    if (is_leak && leak.warmer_K > WARMER_K) {
        (void)snprintf(warm, sizeof warm, ", or its chip, %.1f K warmer than the others",
                       leak.warmer_K);
    }
    if (isfinite(leak.dark_adu_s)) {
        (void)snprintf(rate, sizeof rate, ". Dark current %.4f +- %.2g %s", leak.dark_adu_s * unit,
                       leak.dark_sigma_adu_s * unit, word);
    }
    (void)snprintf(told->from, sizeof told->from,
                   "%zu darks of %.0f s without light outside (%s), %zu with", leak.n_base,
                   leak.exposure_s,
                   leak.is_by_sun ? "by the Sun's altitude" : "the darkest, the Sun does not tell",
                   leak.n_lit);
    (void)snprintf(told->verdict, sizeof told->verdict,
                   "%s%s: %+.4f +- %.2g %s at most, in %.60s%s",
                   is_leak ? "light leaks in" : "no leak that shows", warm, told->value,
                   told->sigma, word, name, rate);
    return NW_OK;
}

/* ---- The card ------------------------------------------------------------------------------- */

#define DEG_PER_RAD (180.0 / NW_PI)

/* The flattest of the flats stands for no card when it has under CLI_PLAIN. */
static enum nw_status read_flats(const struct nw_paths *paths, double offset_adu, struct told *t,
                                 struct nw_frame **flats, size_t *ret_plain, struct nw_err *err) {
    double least = CLI_PLAIN;
    enum nw_status status = NW_OK;
    *ret_plain = SIZE_MAX;
    for (size_t i = 0; i < paths->n && status == NW_OK; i++) {
        struct nw_card_shade shade = {.slope = NAN};
        status = nw_frame_read(paths->items[i], NULL, &flats[i], err);
        if (status == NW_OK) {
            nw_about_add(&t->about, &flats[i]->facts);
            status = nw_card_shade(flats[i], NULL, offset_adu, &shade, err);
        }
        if (status == NW_OK && shade.slope < least) {
            least = shade.slope;
            *ret_plain = i;
        }
    }
    return status;
}

/* One flat behind the others in the verdict; false: no room. */
static bool add_shade(const char *path, const struct nw_card_shade *s, bool is_shaded,
                      struct nw_trial_told *told) {
    enum { FOR_THE_END = 24 }; /* "; 12 more flats" */
    char one[160];
    const size_t len = strlen(told->verdict);
    (void)snprintf(one, sizeof one, "%s%.40s: %s%s, %.0f %% across, at %.0f deg", len ? "; " : "",
                   nw_file_base_name(path), is_shaded ? "dark edge " : "no edge is dark (",
                   is_shaded ? s->dark_edge : "the card is not seen)", 100.0 * s->slope,
                   round(s->dark_angle_rad * DEG_PER_RAD) + 0.0);
    if (len + strlen(one) + FOR_THE_END >= sizeof told->verdict) {
        return false;
    }
    nw_text_copy(told->verdict + len, sizeof told->verdict - len, one);
    return true;
}

/* Dark edges first: the value is that of the first. */
static void tell_shades(const struct nw_paths *paths, const struct nw_card_shade *shades,
                        size_t plain, struct nw_trial_told *told) {
    size_t n_more = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < paths->n; i++) {
            const struct nw_card_shade *const s = &shades[i];
            const bool is_shaded = s->slope > CLI_SHADED && s->slope > 3.0 * s->sigma;
            if (i == plain || is_shaded != (pass == 0)) {
                continue;
            }
            if (is_shaded && !isfinite(told->value)) {
                told->value = s->dark_angle_rad * DEG_PER_RAD;
                told->sigma = s->sigma / s->slope * DEG_PER_RAD;
            }
            n_more += add_shade(paths->items[i], s, is_shaded, told) ? 0 : 1;
        }
    }
    if (n_more > 0) {
        const size_t len = strlen(told->verdict);
        (void)snprintf(told->verdict + len, sizeof told->verdict - len, "; %zu more flat%s", n_more,
                       n_more == 1 ? "" : "s");
    }
}

static enum nw_status edge_card(const struct nw_paths *paths, const struct nw_setup *setup,
                                struct told *t, struct nw_err *err) {
    struct nw_frame **flats = nw_calloc(paths->n + 1, sizeof(struct nw_frame *));
    const double offset = setup->camera.offset_adu.v;
    const double offset_adu = isfinite(offset) ? offset : 0.0;
    struct nw_trial_told *const told = &t->told;
    struct nw_card_shade *shades = nw_calloc(paths->n + 1, sizeof *shades);
    size_t plain = SIZE_MAX;
    enum nw_status status = flats && shades ? read_flats(paths, offset_adu, t, flats, &plain, err)
                                            : nw_err_set(err, NW_NOMEM, "%zu flats", paths->n);
    for (size_t i = 0; i < paths->n && status == NW_OK; i++) {
        status = nw_card_shade(flats[i], plain < paths->n && i != plain ? flats[plain] : NULL,
                               offset_adu, &shades[i], err);
    }
    if (status == NW_OK) {
        tell_shades(paths, shades, plain, told);
    }
    told->unit = "deg"; /* an angle in the frame, not one on the sky */
    told->n_frames = paths->n;
    (void)snprintf(told->from, sizeof told->from,
                   "%zu flats%s; edges of the frame with the first row at the bottom, angles from "
                   "+x towards +y",
                   paths->n,
                   plain < paths->n ? ", the flattest of them taken as without the card" : "");
    for (size_t i = 0; flats && i < paths->n; i++) {
        nw_frame_free(flats[i]);
    }
    free(flats);
    free(shades);
    if (status == NW_OK && !isfinite(told->value)) {
        nw_text_copy(told->why_null, sizeof told->why_null,
                     told->verdict[0] ? told->verdict
                                      : "the flat is even, expected one with a card over the edge");
    }
    return status;
}

/* ---- Without a command line ----------------------------------------------------------------- */

enum nw_status cli_trial_light(const struct nw_trial *card, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct nw_paths *frames,
                               struct nw_trial_told *ret, struct nw_err *err) {
    struct told t = begin(card, rig, setup);
    const enum nw_status status = card->id == NW_TRIAL_CAP_ON ? cap_on(frames, rig, setup, &t, err)
                                                              : edge_card(frames, setup, &t, err);
    *ret = t.told;
    return status;
}

enum nw_status cli_trial_document(const struct nw_trial *card, const struct nw_rig *rig,
                                  const struct nw_setup *setup, const struct nw_paths *frames,
                                  json_t **ret, struct nw_err *err) {
    const size_t which = other_of(card);
    const struct cli_command *const command = cli_command_find(OTHERS[which].command);
    struct cli_args *args = NULL;
    struct cli_result result = {.json = NULL};
    struct words *words = nw_calloc(1, sizeof *words);
    bool is_good = words && (!OTHERS[which].is_rig_first || say(words, rig->name));
    for (size_t i = 0; is_good && i < frames->n; i++) {
        is_good = say(words, frames->items[i]);
    }
    is_good = is_good && (!OTHERS[which].flag || say(words, OTHERS[which].flag));
    if (!OTHERS[which].is_rig_first) { /* others may be at work: a camera's program, say */
        is_good = is_good && say(words, "--threads") && say(words, "1");
    }
    enum nw_status status = is_good && say(words, "--json")
                                ? cli_args_parse(command, words->n, words->items, &args, err)
                                : nw_err_set(err, NW_NOMEM, "%zu frames of a trial", frames->n);
    if (status == NW_OK) {
        status = OTHERS[which].is_rig_first ? cli_throughput_with(args, rig, setup, &result, err)
                                            : cli_surface_with(args, rig, setup, &result, err);
    }
    if (status == NW_OK) {
        *ret = result.json;
    }
    nw_buf_done(&result.text);
    cli_args_free(args);
    words_done(words);
    return status;
}

enum nw_status cli_trial_shade(const char *path, const struct nw_setup *setup, double *ret_slope,
                               double *ret_sigma, struct nw_err *err) {
    const double offset = setup->camera.offset_adu.v;
    struct nw_frame *frame = NULL;
    struct nw_card_shade shade = {.slope = NAN, .sigma = NAN};
    enum nw_status status = nw_frame_read(path, NULL, &frame, err);
    if (status == NW_OK) {
        status = nw_card_shade(frame, NULL, isfinite(offset) ? offset : 0.0, &shade, err);
    }
    nw_frame_free(frame);
    *ret_slope = shade.slope;
    *ret_sigma = shade.sigma;
    return status;
}

enum nw_status cli_trial_other(const struct cli_args *args, const struct nw_trial *card,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct cli_result *result, struct nw_err *err) {
    struct told t = begin(card, rig, setup);
    struct nw_paths paths = {.n = 0};
    size_t n = 0;
    const char *const *const given = cli_texts(args, "frames", &n);
    const size_t which = other_of(card);
    if (which < N_OTHERS) {
        return run_other(args, which, result, err);
    }
    enum nw_status status = NW_OK;
    if (card->id == NW_TRIAL_THERE_AND_BACK) {
        status = there_and_back(args, &t, err);
    } else {
        status = cli_frame_paths(given, n, &paths, err);
        if (status == NW_OK) {
            status = card->id == NW_TRIAL_CAP_ON ? cap_on(&paths, rig, setup, &t, err)
                                                 : edge_card(&paths, setup, &t, err);
        }
    }
    nw_paths_done(&paths);
    return status == NW_OK ? write(args, &t, result, err) : status;
}
