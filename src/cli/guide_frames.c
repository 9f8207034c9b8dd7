/* guide_frames.c - see guide_frames.h.
 * Idea: a file's runs are one log for the join, which gives one offset of the clocks; a frame
 * belongs to the run that covers its middle; within a run frames are laid over each other. */
#include "cli/guide_frames.h"

#include <math.h>

#include "look/moves.h"
#include "sky/sky.h"

/* Where the guide star stands beside the middle of the main field, when nobody says: common
 * practice, no source. */
static const double GUIDE_OFFSET_RAD = 0.5 * NW_RAD_PER_DEG;
/* When somebody does: read off an atlas. */
static const double GUIDE_GIVEN_RAD = 0.02 * NW_RAD_PER_DEG;
enum { FIT_STARS = 150, MAX_STARS = 3000 };

struct work {
    const struct guide_frame_set *set;
    struct nw_span *spans;               /* of all frames, UTC */
    const struct nw_measure **measures;  /* of the run in hand */
    const struct nw_frame_facts **facts; /* likewise */
    struct nw_guided_frame *guided;      /* likewise */
    size_t *mine;                        /* which of the set they are */
    size_t n_mine;
    double offset_s; /* UTC less the time of the log in hand */
    size_t n_groups; /* of all runs so far */
    const struct nw_air_state *air;
    struct guide_star guide;
};

static void work_done(struct work *w) {
    free(w->spans);
    free((void *)w->measures);
    free((void *)w->facts);
    free(w->guided);
    free(w->mine);
}

static enum nw_status work_init(const struct guide_frame_set *set, const struct nw_air_state *air,
                                struct guide_star guide, struct work *w, struct nw_err *err) {
    const size_t n = set->n + 1;
    *w = (struct work){.set = set,
                       .spans = nw_calloc(n, sizeof *w->spans),
                       .measures = nw_calloc(n, sizeof(void *)),
                       .facts = nw_calloc(n, sizeof(void *)),
                       .guided = nw_calloc(n, sizeof *w->guided),
                       .mine = nw_calloc(n, sizeof *w->mine),
                       .air = air,
                       .guide = guide};
    if (!w->spans || !w->measures || !w->facts || !w->guided || !w->mine) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", set->n);
    }
    for (size_t i = 0; i < set->n; i++) {
        const double start_s = set->facts[i]->t_start_utc_s;
        w->spans[i] = (struct nw_span){start_s, start_s + set->facts[i]->exposure_s};
    }
    return NW_OK;
}

/* ---- One run -------------------------------------------------------------------------------- */

static void collect(struct work *w, const struct nw_guide_log *log, double offset_s) {
    w->n_mine = 0;
    for (size_t i = 0; i < w->set->n; i++) {
        const double middle_s = 0.5 * (w->spans[i].start_s + w->spans[i].end_s) - offset_s;
        if (middle_s >= log->rows[0].t_s && middle_s <= log->rows[log->n - 1].t_s) {
            w->measures[w->n_mine] = w->set->measures[i];
            w->facts[w->n_mine] = w->set->facts[i];
            w->mine[w->n_mine++] = i;
        }
    }
}

/* What the log leaves out, from the first frame of the run that says it. */
static void fill_in(const struct work *w, double offset_s, struct nw_guide_log *log,
                    struct guide_frames *ret) {
    for (size_t i = 0; i < w->n_mine; i++) {
        const struct nw_frame_facts *const f = w->facts[i];
        struct nw_pointing pointing;
        const struct nw_place place = {f->latitude_rad, f->longitude_rad,
                                       isfinite(f->elevation_m) ? f->elevation_m : 0.0};
        const double t_s = log->rows[0].t_s + offset_s;
        if (nw_sky_pointing(f->ra_rad, f->dec_rad, t_s, &place, NULL, &pointing, NULL) != NW_OK) {
            continue;
        }
        if (!isfinite(log->declination_rad) || !isfinite(log->hour_angle_rad) ||
            !isfinite(log->latitude_rad)) {
            ret->has_place = true;
        }
        log->declination_rad =
            isfinite(log->declination_rad) ? log->declination_rad : pointing.dec_rad;
        log->hour_angle_rad =
            isfinite(log->hour_angle_rad) ? log->hour_angle_rad : pointing.hour_angle_rad;
        log->latitude_rad = isfinite(log->latitude_rad) ? log->latitude_rad : f->latitude_rad;
        return;
    }
}

/* The moves of one group as guided frames, the reference among them. */
static size_t guided_of(const struct work *w, const struct nw_field_move *moves, size_t n,
                        size_t group, const struct nw_guide_log *log, double offset_s) {
    size_t n_out = 0;
    for (size_t i = 0; i < n; i++) {
        if (moves[i].group != group) {
            continue;
        }
        for (int is_move = n_out == 0 ? 0 : 1; is_move < 2; is_move++) { /* reference first */
            const size_t frame = w->mine[is_move ? moves[i].frame : moves[i].reference];
            struct nw_guided_frame *const to = &w->guided[n_out++];
            *to = (struct nw_guided_frame){.start_s = w->spans[frame].start_s - offset_s,
                                           .end_s = w->spans[frame].end_s - offset_s,
                                           .dec_rad = log->declination_rad};
            const double middle_s = 0.5 * (to->start_s + to->end_s);
            to->hour_rad =
                log->hour_angle_rad + NW_SIDEREAL_RATE_RAD_S * (middle_s - log->rows[0].t_s);
            to->shift_px[0] = is_move ? moves[i].dx_px : 0.0;
            to->shift_px[1] = is_move ? moves[i].dy_px : 0.0;
            to->turn_rad = is_move ? moves[i].turn_rad : 0.0;
        }
    }
    return n_out;
}

static double header_scale(const struct nw_frame_facts *facts) {
    return facts->pixel_m / facts->focal_length_m;
}

/* Frames are handed on unmirrored: x turned over where the camera sees the sky mirrored. */
static void add_turns(const struct work *w, const struct nw_field_move *moves, size_t n,
                      const struct nw_guide_log *log, const struct nw_camera_lie *lie,
                      struct guide_frames *ret) {
    const double sense = lie->is_mirrored ? -1.0 : 1.0;
    for (size_t i = 0; i < n; i++) {
        const struct nw_field_move *const m = &moves[i];
        const struct nw_measure *const measured = w->measures[m->frame];
        const double scale =
            isfinite(lie->scale_rad_px) ? lie->scale_rad_px : header_scale(w->facts[m->frame]);
        double hours[2];
        for (size_t k = 0; k < 2; k++) {
            const struct nw_span *const span = &w->spans[w->mine[k ? m->reference : m->frame]];
            const double middle_s = 0.5 * (span->start_s + span->end_s) - w->offset_s;
            hours[k] = log->hour_angle_rad + NW_SIDEREAL_RATE_RAD_S * (middle_s - log->rows[0].t_s);
        }
        ret->turns[ret->n_turns++] = (struct nw_polar_turn){
            .group = w->n_groups + m->group,
            .dec_rad = log->declination_rad,
            .hour_rad = hours[0],
            .reference_hour_rad = hours[1],
            .turn_rad = sense * remainder(m->turn_rad, 2.0 * NW_PI),
            .sigma_rad = m->turn_sigma_rad,
            .shift_rad = {sense * m->dx_px * scale, m->dy_px * scale},
            .angle_rad = lie->angle_rad,
            .width_px = (double)measured->width_px,
            .height_px = (double)measured->height_px,
        };
    }
}

static enum nw_status find_flexure(const struct work *w, const struct nw_guide_log *log,
                                   const struct nw_guide_analysis *analysis, size_t n_guided,
                                   const struct nw_air_state *air, struct nw_flexure_report *to,
                                   struct nw_err *err) {
    const struct nw_flexure_opts opts = {
        .latitude_rad = log->latitude_rad,
        .air = air,
        .angle_rad = to->lie.angle_rad,
        .scale_rad_px =
            isfinite(to->lie.scale_rad_px) ? to->lie.scale_rad_px : header_scale(w->facts[0]),
        .lie_sigma = to->lie.angle_sigma_rad,
        .is_mirrored = to->lie.is_mirrored,
        .guide_east_rad = w->guide.is_given ? w->guide.east_rad : 0.0,
        .guide_north_rad = w->guide.is_given ? w->guide.north_rad : 0.0,
        .guide_sigma_rad = w->guide.is_given ? GUIDE_GIVEN_RAD : GUIDE_OFFSET_RAD,
    };
    to->sub_s = 0.0;
    to->is_guide_known = w->guide.is_given;
    for (size_t i = 0; i < n_guided; i++) {
        to->sub_s += (w->guided[i].end_s - w->guided[i].start_s) / (double)n_guided;
    }
    return nw_flexure_solve(log, analysis, w->guided, n_guided, &opts, &to->flexure, err);
}

static size_t largest_group(const struct nw_field_move *moves, size_t n, size_t n_groups) {
    size_t best = 0;
    size_t best_n = 0;
    for (size_t g = 0; g < n_groups; g++) {
        size_t n_group = 0;
        for (size_t i = 0; i < n; i++) {
            n_group += moves[i].group == g ? 1 : 0;
        }
        best = n_group > best_n ? g : best;
        best_n = n_group > best_n ? n_group : best_n;
    }
    return best;
}

/* What the frames of one run say. */
static enum nw_status take_run(struct work *w, const struct nw_guide_log *log,
                               const struct nw_guide_result *result, struct guide_frames *ret,
                               struct nw_err *err) {
    struct nw_field_move *moves = NULL;
    size_t n_moves = 0;
    size_t n_new = 0;
    struct nw_flexure_report *const to = &ret->flexures[ret->n_flexures];
    struct nw_guide_move *const dithers =
        nw_calloc(result->analysis->n_dithers + 1, sizeof *dithers);
    enum nw_status status = dithers ? NW_OK : nw_err_set(err, NW_NOMEM, "dithers of a run");
    if (status == NW_OK) {
        status = nw_look_moves(w->measures, w->facts, w->n_mine, &moves, &n_moves, &n_new, err);
    }
    if (status == NW_OK && n_moves > 0) {
        const size_t group = largest_group(moves, n_moves, n_new);
        const size_t n_guided = guided_of(w, moves, n_moves, group, log, w->offset_s);
        nw_guide_moves(log, result->analysis, dithers);
        nw_camera_lie(w->guided, n_guided, dithers, result->analysis->n_dithers, &to->lie);
        status = find_flexure(w, log, result->analysis, n_guided, w->air, to, err);
        ret->n_flexures += status == NW_OK ? 1 : 0;
        ret->n_moves += n_moves;
        if (isfinite(log->hour_angle_rad) && isfinite(log->declination_rad)) {
            add_turns(w, moves, n_moves, log, &to->lie, ret);
        }
        w->n_groups += n_new;
    }
    free(moves);
    free(dithers);
    return status;
}

/* ---- All files ------------------------------------------------------------------------------ */

static enum nw_status find_offset(const struct nw_guide_runs *runs, const struct work *w,
                                  double *ret, struct nw_err *err) {
    struct nw_guide_log *all = NULL;
    struct nw_guide_join join = {0};
    enum nw_status status = nw_guide_concat(runs, &all, err);
    if (status == NW_OK) {
        status = nw_guide_join(all, w->spans, w->set->n, &join, err);
    }
    nw_guide_free(all);
    *ret = join.offset_s;
    return status;
}

static enum nw_status take_files(struct work *w, struct guide_files *files,
                                 struct guide_frames *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < files->n_files && status == NW_OK; i++) {
        status = find_offset(files->files[i], w, &w->offset_s, err);
        for (size_t k = 0; k < files->n && status == NW_OK; k++) {
            const struct nw_guide_result *const r = &files->results[k];
            if (r->file != files->files[i] || !r->analysis) {
                continue;
            }
            struct nw_guide_log *const log = files->files[i]->items[r->number - 1].log;
            collect(w, log, w->offset_s);
            ret->n_in_runs += w->n_mine;
            fill_in(w, w->offset_s, log, ret);
            if (w->n_mine > 1) {
                ret->flexures[ret->n_flexures].run = k;
                status = take_run(w, log, r, ret, err);
            }
        }
    }
    return status;
}

enum nw_status guide_frames_solve(const struct guide_frame_set *set, const struct nw_air_state *air,
                                  struct guide_star guide, struct guide_files *files,
                                  struct guide_frames *ret, struct nw_err *err) {
    struct work w;
    *ret = (struct guide_frames){.n_frames = set->n};
    enum nw_status status = work_init(set, air, guide, &w, err);
    if (status == NW_OK) {
        ret->turns = nw_calloc(set->n + 1, sizeof *ret->turns);
        ret->flexures = nw_calloc(files->n + 1, sizeof *ret->flexures);
        status = ret->turns && ret->flexures ? take_files(&w, files, ret, err)
                                             : nw_err_set(err, NW_NOMEM, "%zu frames", set->n);
    }
    if (status == NW_OK && ret->n_moves == 0) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "of %zu frames %zu lie within a run, none over another one", ret->n_frames,
                       ret->n_in_runs);
    }
    if (status != NW_OK) {
        guide_frames_done(ret);
    }
    work_done(&w);
    return status;
}

/* ---- From files ----------------------------------------------------------------------------- */

/* Insertion by start: frames mostly come in order. */
static void sort_in(struct guide_frame_set *set, const struct nw_series_item *item) {
    size_t at = set->n++;
    const struct nw_frame_facts *const facts = &item->frame->facts;
    while (at > 0 && set->facts[at - 1]->t_start_utc_s > facts->t_start_utc_s) {
        set->facts[at] = set->facts[at - 1];
        set->measures[at] = set->measures[at - 1];
        at--;
    }
    set->facts[at] = facts;
    set->measures[at] = item->measures[0];
}

static enum nw_status measure(const char *const *given, size_t n_given, struct nw_series *series,
                              struct nw_err *err) {
    const struct nw_series_opts opts = {
        .channel = NW_CHANNEL_G, .measure = {.fit_stars = FIT_STARS, .max_stars = MAX_STARS}};
    struct nw_paths paths = {0};
    enum nw_status status = cli_frame_paths(given, n_given, &paths, err);
    if (status == NW_OK) {
        struct cli_progress bar;
        const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
        status = nw_series_measure((const char *const *)paths.items, paths.n, &opts, &progress,
                                   series, err);
        cli_progress_end(&bar);
    }
    nw_paths_done(&paths);
    return status;
}

static enum nw_status fill_set(const struct nw_series *series, struct guide_frame_set *set,
                               struct nw_err *err) {
    set->measures = nw_calloc(series->n + 1, sizeof(void *));
    set->facts = nw_calloc(series->n + 1, sizeof(void *));
    if (!set->measures || !set->facts) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", series->n);
    }
    for (size_t i = 0; i < series->n; i++) {
        const struct nw_series_item *const item = &series->items[i];
        if (item->status != NW_OK) {
            return nw_err_set(err, item->status, "%s", item->err.text);
        }
        const struct nw_frame_facts *const facts = &item->frame->facts;
        if (nw_frame_use_of(facts) == NW_USE_LIGHT && isfinite(facts->t_start_utc_s) &&
            isfinite(facts->exposure_s)) {
            sort_in(set, item);
        }
    }
    return set->n > 0 ? NW_OK
                      : nw_err_set(err, NW_DATA,
                                   "no light frame with start and exposure (DATE-OBS, EXPTIME)");
}

struct guide_air guide_air_at(double elevation_m, const char *from) {
    /* relative humidity: water is 0.1 % of the refraction of light */
    struct guide_air air = {
        {nw_sky_standard_pressure_Pa(elevation_m), nw_sky_standard_temperature_K(elevation_m), 0.5},
        from,
        ""};
    (void)snprintf(air.words, sizeof air.words, "standard air at %.0f m, from the %s", elevation_m,
                   from);
    return air;
}

static void air_of_frames(const struct guide_frame_set *set, struct guide_air *air) {
    for (size_t i = 0; i < set->n && strcmp(air->from, "assumed") == 0; i++) {
        const struct guide_air there = guide_air_at(set->facts[i]->elevation_m, "frames");
        *air = isfinite(there.state.pressure_Pa) ? there : *air;
    }
}

enum nw_status guide_frames_read(const char *const *given, size_t n_given, struct guide_air *air,
                                 struct guide_star guide, struct guide_files *files,
                                 struct guide_frames *ret, struct nw_err *err) {
    struct nw_series series = {0};
    struct guide_frame_set set = {0};
    *ret = (struct guide_frames){.n_frames = 0};
    enum nw_status status = measure(given, n_given, &series, err);
    if (status == NW_OK) {
        status = fill_set(&series, &set, err);
    }
    if (status == NW_OK) {
        air_of_frames(&set, air);
        status = guide_frames_solve(&set, &air->state, guide, files, ret, err);
    }
    nw_series_done(&series);
    free((void *)set.measures);
    free((void *)set.facts);
    return status;
}

void guide_frames_done(struct guide_frames *frames) {
    free(frames->turns);
    free(frames->flexures);
    *frames = (struct guide_frames){.n_frames = 0};
}
