/* cmd_flats.c - flat frames: panel settings, evenness, dust, which flat for which light. */
#include "cli/flats_angle.h"
#include "cli/keep.h"
#include "light/level.h"
#include "report/report_flats.h"
#include "rig/rig.h"

#include <math.h>

struct work {
    const struct cli_args *args;
    struct nw_paths paths, then, lights, all_lights; /* all: those taken with the flats behind */
    struct cli_turns turns;
    struct nw_rig *rig;
    const struct nw_setup *setup;
    const char *pattern;
    struct nw_flat *flats;
    const char **flat_paths;
    size_t n_flats, cap;
    struct nw_flats_group groups[NW_FLAT_GROUPS];
    size_t n_groups, width_px, height_px;
    double offset_adu, tolerance_rad;
    const char *offset_from;
    size_t n_bias;
    struct nw_flats_light *for_lights;
    struct nw_flat_slope *slopes;
    size_t n_slopes;
    struct nw_panel panel;
    struct nw_flat_error error;
    struct nw_about about;
};

/* RIG may stand among the frames or behind --rig. */
static bool is_rig(const char *path) {
    return nw_text_ends_nocase(path, ".yaml") || nw_text_ends_nocase(path, ".yml");
}

static enum nw_status list_paths(struct work *w, const char **ret_rig, struct nw_err *err) {
    const struct cli_args *const args = w->args;
    *ret_rig = cli_text(args, "rig");
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < cli_n_args(args) && status == NW_OK; i++) {
        const char *const arg = cli_arg(args, i);
        if (is_rig(arg)) {
            *ret_rig = arg;
        } else {
            status = cli_frame_paths(&arg, 1, &w->paths, err);
        }
    }
    const struct {
        const char *option;
        struct nw_paths *into;
    } lists[] = {{"since", &w->then},
                 {"for", &w->lights},
                 {"for", &w->all_lights},
                 {"taken-with", &w->all_lights}};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0] && status == NW_OK; i++) {
        size_t n = 0;
        const char *const *const given = cli_texts(args, lists[i].option, &n);
        status = cli_frame_paths(given, n, lists[i].into, err);
    }
    if (status == NW_OK && !*ret_rig) {
        return nw_err_set(err, NW_USAGE,
                          "RIG is missing: the filters, the f-ratio and full scale "
                          "stand in the rig file; no name given ends in .yaml or .yml");
    }
    if (status == NW_OK) {
        status = w->paths.n == 0 ? cli_session_paths(args, NW_USE_FLAT, &w->paths, err)
                                 : cli_no_session(args, err);
    }
    if (status == NW_OK && w->paths.n == 0) {
        return nw_err_set(err, NW_USAGE, "no flats; expected flat frames, folders of them, --book");
    }
    return status;
}

/* Which group a flat belongs to; a new one if need be; SIZE_MAX: too many. */
static size_t group_of(struct work *w, const char *filter, double rotator_rad, bool is_then) {
    for (size_t g = 0; g < w->n_groups; g++) {
        const struct nw_flat *const f = &w->flats[w->groups[g].first];
        const double off = nw_flat_angle_between(f->rotator_rad, rotator_rad);
        if (f->is_then == is_then && strcmp(f->filter, filter) == 0 &&
            (off <= w->tolerance_rad || (!isfinite(f->rotator_rad) && !isfinite(rotator_rad)))) {
            return g;
        }
    }
    return w->n_groups < NW_FLAT_GROUPS ? w->n_groups : SIZE_MAX;
}

static double setting_of(const struct work *w, const struct nw_frame *frame) {
    size_t n = 0;
    double setting = NAN;
    const char *const *const given = cli_texts(w->args, "settings", &n);
    if (n > 0) {
        return w->n_flats < n && nw_text_to_double(given[w->n_flats], &setting) ? setting : NAN;
    }
    const char *const key = cli_text(w->args, "key");
    const struct nw_card *const card = nw_frame_card(frame, key ? key : "PANELSET");
    return card && nw_text_to_double(card->value, &setting) ? setting : NAN;
}

static enum nw_status add_flat(struct work *w, const char *path, const struct nw_frame *frame,
                               bool is_then, struct nw_err *err) {
    enum nw_status status =
        nw_grow((void **)&w->flats, &w->cap, w->n_flats + 1, sizeof *w->flats, 100000, err);
    if (status != NW_OK) {
        return status;
    }
    const size_t g = group_of(w, frame->facts.filter, frame->facts.rotator_rad, is_then);
    if (g == SIZE_MAX) {
        return nw_err_set(err, NW_LIMIT, "more than %d filters and rotator angles", NW_FLAT_GROUPS);
    }
    struct nw_flats_group *const group = &w->groups[g];
    struct nw_flat flat;
    status = nw_flat_measure(frame, w->offset_adu, w->pattern, &group->map, &flat, err);
    if (status != NW_OK) {
        return nw_err_at(err, status, "%s", path);
    }
    flat.setting = is_then ? NAN : setting_of(w, frame);
    flat.is_then = is_then;
    if (g == w->n_groups) {
        group->turn_rad = NAN;
        group->first = w->n_flats;
        w->n_groups++;
    }
    if (!flat.is_clipped) {
        nw_flats_group_add(group, &flat);
    }
    w->flat_paths[w->n_flats] = path;
    w->flats[w->n_flats++] = flat;
    w->width_px = frame->width_px;
    w->height_px = frame->height_px;
    return NW_OK;
}

/* Biases among the files give the offset, else the rig does. */
static enum nw_status find_offset(struct work *w, struct nw_err *err) {
    const struct nw_frame_opts header = {.header_only = true};
    const struct nw_frame_opts pixels = {.keep_16_bit = true, .n_threads = 2};
    double sum = 0.0;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < w->paths.n && status == NW_OK; i++) {
        struct nw_frame *frame = NULL;
        status = nw_frame_read(w->paths.items[i], &header, &frame, err);
        const bool is_bias = status == NW_OK && nw_frame_use_of(&frame->facts) == NW_USE_BIAS;
        if (is_bias && w->n_bias < 8) {
            nw_frame_free(frame);
            frame = NULL;
            status = nw_frame_read(w->paths.items[i], &pixels, &frame, err);
            double level_adu = NAN;
            status = status == NW_OK ? nw_dark_level(frame, &level_adu, err) : status;
            sum += isfinite(level_adu) ? level_adu : 0.0;
            w->n_bias += isfinite(level_adu) ? 1 : 0;
        }
        nw_frame_free(frame);
    }
    const struct nw_val *const from = &w->setup->camera.offset_adu;
    w->offset_adu = w->n_bias ? sum / (double)w->n_bias : from->v;
    w->offset_from = w->n_bias ? "biases" : nw_from_name(from->from);
    return status;
}

static enum nw_status read_flats(struct work *w, const struct nw_paths *paths, bool is_then,
                                 struct nw_err *err) {
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < paths->n && status == NW_OK; i++) {
        struct nw_frame *frame = NULL;
        status = nw_frame_read(paths->items[i], &opts, &frame, err);
        if (status == NW_OK) {
            const enum nw_frame_use use = nw_frame_use_of(&frame->facts);
            if (use == NW_USE_FLAT || frame->facts.image_type[0] == '\0') {
                status = add_flat(w, paths->items[i], frame, is_then, err);
                if (!is_then) {
                    nw_about_add(&w->about, &frame->facts);
                }
            }
        }
        nw_frame_free(frame);
    }
    return status;
}

static size_t group_with(const struct work *w, size_t flat) {
    for (size_t g = 0; g < w->n_groups; g++) {
        const struct nw_flat *const f = &w->flats[w->groups[g].first];
        const double off = nw_flat_angle_between(f->rotator_rad, w->flats[flat].rotator_rad);
        if (!f->is_then && strcmp(f->filter, w->flats[flat].filter) == 0 &&
            (off <= w->tolerance_rad || !isfinite(off))) {
            return g;
        }
    }
    return SIZE_MAX;
}

/* Middle of the time of a group's flats; NaN: unsaid. */
static double time_of_group(const struct work *w, size_t g) {
    const struct nw_flat *const of = &w->flats[w->groups[g].first];
    double sum = 0.0;
    double n = 0.0;
    for (size_t i = 0; i < w->n_flats; i++) {
        const struct nw_flat *const f = &w->flats[i];
        const double off = nw_flat_angle_between(f->rotator_rad, of->rotator_rad);
        if (f->is_then == of->is_then && strcmp(f->filter, of->filter) == 0 &&
            !(off > w->tolerance_rad) && isfinite(f->t_utc_s)) {
            sum += f->t_utc_s;
            n += 1.0;
        }
    }
    return n > 0.0 ? sum / n : NAN;
}

/* The group of its filter since which the camera turned least, by the stars. */
static void measure_angle(struct work *w, size_t i, const char *filter) {
    struct nw_flats_light *const l = &w->for_lights[i];
    for (size_t g = 0; g < w->n_groups; g++) {
        const struct nw_flat *const f = &w->flats[w->groups[g].first];
        const size_t with = cli_turns_nearest(&w->turns, time_of_group(w, g));
        if (f->is_then || with == SIZE_MAX || !nw_text_equal_nocase(f->filter, filter)) {
            continue;
        }
        bool is_by_catalogue = false;
        const double turn = cli_turn_between(&w->turns, with, i, &is_by_catalogue);
        if (isfinite(turn) && !(fabs(turn) >= fabs(l->turn_rad))) {
            l->turn_rad = turn;
            l->is_by_catalogue = is_by_catalogue;
            l->taken_with = w->all_lights.items[with];
            l->group = g;
            l->is_within = fabs(turn) <= w->tolerance_rad;
        }
    }
}

static enum nw_status read_light(struct work *w, size_t i, struct nw_err *err) {
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    struct nw_frame *frame = NULL;
    enum nw_status status = nw_frame_read(w->lights.items[i], &opts, &frame, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_flats_light *const l = &w->for_lights[i];
    size_t n_now = 0;
    while (n_now < w->n_flats && !w->flats[n_now].is_then) {
        n_now++;
    }
    *l = (struct nw_flats_light){.path = w->lights.items[i], .group = SIZE_MAX, .turn_rad = NAN};
    const size_t flat =
        nw_flat_for(w->flats, n_now, frame->facts.filter, frame->facts.rotator_rad, &l->off_rad);
    if (flat != SIZE_MAX) {
        l->group = group_with(w, flat);
        const bool is_fixed = !isfinite(w->flats[flat].rotator_rad) &&
                              !isfinite(frame->facts.rotator_rad); /* a rig without rotator */
        l->is_within = l->group != SIZE_MAX && (is_fixed || l->off_rad <= w->tolerance_rad);
        measure_angle(w, i, frame->facts.filter);
        if (l->group != SIZE_MAX && frame->n_planes == 1) {
            status = nw_flat_slope_of(frame, w->offset_adu, w->groups[l->group].zones,
                                      &w->slopes[w->n_slopes], err);
            w->n_slopes += status == NW_OK;
        }
    }
    nw_frame_free(frame);
    return status;
}

/* Of each group since the older flats of its filter, by lights of either night. */
static void measure_turns(struct work *w) {
    for (size_t g = 0; g < w->n_groups; g++) {
        const struct nw_flat *const now = &w->flats[w->groups[g].first];
        const size_t to = cli_turns_nearest(&w->turns, time_of_group(w, g));
        for (size_t k = 0; k < w->n_groups && !now->is_then; k++) {
            const struct nw_flat *const then = &w->flats[w->groups[k].first];
            const size_t from = cli_turns_nearest(&w->turns, time_of_group(w, k));
            bool is_by_catalogue = false;
            if (then->is_then && strcmp(then->filter, now->filter) == 0 && from != SIZE_MAX &&
                to != SIZE_MAX && !isfinite(w->groups[g].turn_rad)) {
                w->groups[g].turn_rad = cli_turn_between(&w->turns, from, to, &is_by_catalogue);
            }
        }
    }
}

static enum nw_status read_lights(struct work *w, struct nw_err *err) {
    enum nw_status status = NW_OK;
    w->for_lights = nw_calloc(w->lights.n + 1, sizeof *w->for_lights);
    w->slopes = nw_calloc(w->lights.n + 1, sizeof *w->slopes);
    if (!w->for_lights || !w->slopes) {
        return nw_err_set(err, NW_NOMEM, "%zu lights", w->lights.n);
    }
    if (w->all_lights.n > 0) {
        status = cli_turns_measure(w->args, &w->all_lights, w->setup, &w->turns, err);
    }
    for (size_t i = 0; i < w->lights.n && status == NW_OK; i++) {
        status = read_light(w, i, err);
    }
    measure_turns(w);
    nw_flat_error_of(w->slopes, w->n_slopes, &w->error);
    return status;
}

static enum nw_status read_all(struct work *w, struct nw_err *err) {
    w->flat_paths = nw_calloc(w->paths.n + w->then.n + 1, sizeof *w->flat_paths);
    if (!w->flat_paths) {
        return nw_err_set(err, NW_NOMEM, "%zu flats", w->paths.n);
    }
    enum nw_status status = find_offset(w, err);
    if (status == NW_OK) {
        status = read_flats(w, &w->paths, false, err);
    }
    if (status == NW_OK) {
        status = cli_check_numbers(w->args, "settings", w->n_flats, "flats", err);
    }
    if (status == NW_OK) {
        status = read_flats(w, &w->then, true, err);
    }
    for (size_t g = 0; g < w->n_groups && status == NW_OK; g++) {
        struct nw_flats_group *const group = &w->groups[g];
        nw_flats_group_end(group);
        if (group->n > 0) {
            status = nw_flat_shadows(&group->map, group->shadows, &group->n_shadows, err);
        }
        nw_flat_map_done(&group->map);
    }
    if (status == NW_OK) {
        status = nw_panel_fit(w->flats, w->n_flats, &w->panel, err);
    }
    return status == NW_OK ? read_lights(w, err) : status;
}

static enum nw_status print(struct work *w, struct cli_result *result, struct nw_err *err) {
    const struct nw_camera *const c = &w->setup->camera;
    struct nw_flats_report r = {.setup = w->setup,
                                .flats = w->flats,
                                .n_flats = w->n_flats,
                                .paths = w->flat_paths,
                                .offset_adu = w->offset_adu,
                                .offset_from = w->offset_from,
                                .width_px = w->width_px,
                                .height_px = w->height_px,
                                .panel = &w->panel,
                                .groups = w->groups,
                                .n_groups = w->n_groups,
                                .tolerance_rad = w->tolerance_rad,
                                .lights = w->for_lights,
                                .n_lights = w->lights.n,
                                .error = w->lights.n ? &w->error : NULL,
                                .level_share = NAN};
    r.opts = (struct nw_panel_opts){.level_adu = cli_number(w->args, "level-adu", NAN),
                                    .shortest_s = cli_number(w->args, "shortest", 0.5),
                                    .longest_s = cli_number(w->args, "longest", 30.0)};
    if (!isfinite(r.opts.level_adu)) {
        r.level_share = cli_number(w->args, "level", 50.0) / 100.0;
        r.opts.level_adu = r.level_share * c->full_scale_e.v / c->gain_e_per_adu.v;
    }
    for (size_t i = 0; i < w->n_flats; i++) {
        r.n_clipped += w->flats[i].is_clipped;
    }
    if (!cli_wants_json(w->args)) {
        nw_report_flats_text(&r, &result->text);
    }
    json_t *document = NULL;
    const enum nw_status status =
        cli_wants_document(w->args) ? nw_report_flats_json(&r, &document, err) : NW_OK;
    return status == NW_OK && document ? cli_document(w->args, &w->about, document, result, err)
                                       : status;
}

static void work_done(struct work *w) {
    for (size_t g = 0; g < w->n_groups; g++) {
        nw_flat_map_done(&w->groups[g].map);
    }
    nw_paths_done(&w->paths);
    nw_paths_done(&w->then);
    nw_paths_done(&w->lights);
    nw_paths_done(&w->all_lights);
    cli_turns_done(&w->turns);
    free(w->flats);
    free(w->flat_paths);
    free(w->for_lights);
    free(w->slopes);
    nw_rig_free(w->rig);
    free(w);
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct work *const w = nw_calloc(1, sizeof *w);
    const char *rig = NULL;
    if (!w) {
        return nw_err_set(err, NW_NOMEM, "flats");
    }
    w->args = args;
    w->tolerance_rad = cli_number(args, "tolerance", 1.0) * NW_RAD_PER_DEG;
    enum nw_status status = list_paths(w, &rig, err);
    if (status == NW_OK) {
        status = nw_rig_read(rig, NULL, 0, &w->rig, err);
    }
    if (status == NW_OK) {
        status = nw_rig_find_setup(w->rig, cli_text(args, "setup"), &w->setup, err);
    }
    if (status == NW_OK) {
        w->pattern = w->setup->camera.pattern;
        nw_about_init(&w->about, w->rig, w->setup);
        status = read_all(w, err);
    }
    if (status == NW_OK) {
        status = print(w, result, err);
    }
    work_done(w);
    return status;
}

static const struct cli_option OPTIONS[] = {
    {.name = "rig",
     .kind = CLI_TEXT,
     .value = "RIG",
     .help = "rig file, when it does not stand among the frames"},
    CLI_OPTION_SETUP,
    CLI_OPTION_KEEP,
    CLI_OPTION_BOOK,
    CLI_OPTION_SESSION,
    {.name = "level",
     .kind = CLI_NUMBER,
     .value = "PERCENT",
     .help = "wanted level, of the camera's full scale, else 50",
     .min = 1,
     .max = 95},
    {.name = "level-adu",
     .kind = CLI_NUMBER,
     .value = "ADU",
     .help = "the same in counts above the offset",
     .min = 1,
     .max = 10000000},
    {.name = "shortest",
     .kind = CLI_NUMBER,
     .value = "SECONDS",
     .help = "no exposure below it, for shutter and flicker, else 0.5",
     .min = 0,
     .max = 1000},
    {.name = "longest",
     .kind = CLI_NUMBER,
     .value = "SECONDS",
     .help = "no exposure above it, else 30",
     .min = 0.001,
     .max = 100000},
    {.name = "key",
     .kind = CLI_TEXT,
     .value = "KEYWORD",
     .help = "of the header that holds the panel's setting, else PANELSET"},
    {.name = "settings",
     .kind = CLI_LIST,
     .value = "N",
     .help = "the panel's settings, one a flat in their order, when headers do not say"},
    {.name = "since",
     .kind = CLI_LIST,
     .value = "FRAME",
     .help = "older flats: has dust moved since"},
    {.name = "for",
     .kind = CLI_LIST,
     .value = "FRAME",
     .help = "light frames that want a flat of their filter and camera angle"},
    {.name = "taken-with",
     .kind = CLI_LIST,
     .value = "FRAME",
     .help = "lights of the nights of the flats: their stars show the camera's angle then"},
    {.name = "catalogue",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "packed catalogue that shows the angle of lights of other fields"},
    {.name = "tolerance",
     .kind = CLI_NUMBER,
     .value = "DEGREES",
     .help = "of the camera's angle, else 1",
     .min = 0.001,
     .max = 180},
    {0},
};

const struct cli_command CMD_FLATS = {
    .name = "flats",
    .arguments = "RIG FRAME|FOLDER...",
    .help =
        "panel setting and exposure for each filter, evenness, dust, which flat for which light",
    .notes =
        "A few flats of one filter at three settings of the panel and one or two of each other "
        "filter give the table; at four settings, two of them at one, also how far the panel "
        "strays from the law; biases among the files give the offset. A shadow's diameter times "
        "the f-ratio is the distance of its mote from the sensor; with --since it is told whether "
        "it stayed, went, or turned with the rotator.\n"
        "--for LIGHTS: which of them have a flat, by the camera's angle as their stars show it "
        "against lights of the flats' night (else the headers' rotator angle), and whether what is "
        "left after dividing stays on the chip (the flat's error) or turns with the sky (a "
        "gradient); told only from both tube sides, a turned rotator, or four fields and more.\n"
        "Example: flats rig.yaml flats/ --since old-flats/ --for lights/",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 100000,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
