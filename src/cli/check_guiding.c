/* check_guiding.c - the guide log beside the frames: motion within each sub. */
#include "cli/check_internal.h"

#include <math.h>

#include "cli/guide_polar.h"
#include "guiding/runs.h"
#include "rig/logs.h"
#include "sky/sky.h"

/* What the guide star wobbles by although the mount stands still, as a lower bound: seeing one
 * standard error better and wind one faster than the rig says. NaN without guide telescope. */
static double noise_floor_rad(const struct nw_rig *rig, const struct nw_setup *setup) {
    const struct nw_site *site = &rig->site;
    if (!setup->has_guide || !isfinite(setup->guide_exposure_s.v)) {
        return NAN;
    }
    const double worse = isfinite(site->seeing_rad.sigma) ? site->seeing_rad.sigma : 0.0;
    const double seeing = fmax(0.3 * site->seeing_rad.v, site->seeing_rad.v - worse);
    const double gust = isfinite(site->wind_speed_m_s.sigma) ? site->wind_speed_m_s.sigma : 0.0;
    const double r0_m = nw_sky_r0_of_seeing_m(seeing, 500e-9, site->outer_scale_m.v);
    return nw_sky_tilt_rms_rad(setup->guide_telescope.aperture_m.v, r0_m, 500e-9,
                               site->outer_scale_m.v, site->wind_speed_m_s.v + gust,
                               setup->guide_exposure_s.v);
}

static void copy_motion(const struct nw_guide_sub *sub, struct nw_star_frame *star) {
    star->motion_ra_rad = sub->ra_rad;
    star->motion_dec_rad = sub->dec_rad;
    star->motion_ra_low_rad = sub->ra_low_rad;
    star->motion_ra_high_rad = sub->ra_high_rad;
    star->motion_dec_low_rad = sub->dec_low_rad;
    star->motion_dec_high_rad = sub->dec_high_rad;
}

/* The loop of the longest run: replay and play of the gears. */
static void copy_loop(const struct nw_guide_analysis *a, struct nw_star_loop *loop) {
    const struct nw_guide_replay *r = &a->replay;
    *loop = (struct nw_star_loop){.is_replayed = r->why_null[0] == '\0',
                                  .is_flat = r->is_flat,
                                  .now_rad = r->current_rad,
                                  .best_rad = r->motion_rad,
                                  .sigma_rad = r->motion_sigma_rad,
                                  .gain_ra = r->gain_ra,
                                  .gain_ra_low = r->gain_ra_low,
                                  .gain_ra_high = r->gain_ra_high,
                                  .gain_dec = r->gain_dec};
    loop->is_backlash_told = a->backlash.is_identified || a->backlash.high_rad < a->dec.noise_rad;
    nw_text_copy(loop->why_backlash, sizeof loop->why_backlash, a->backlash.why_null);
}

/* Pooled over the runs; drift is that of the one with most samples. */
static void copy_evidence(const struct nw_guide_result *results, size_t n,
                          struct nw_star_evidence *evidence) {
    const struct nw_guide_joined joined = nw_guide_pool(results, n);
    const struct nw_guide_analysis *longest = NULL;
    for (size_t i = 0; i < n; i++) {
        const struct nw_guide_analysis *const a = results[i].analysis;
        longest = a && (!longest || a->n_used > longest->n_used) ? a : longest;
    }
    evidence->has_guiding = true;
    evidence->motion_ra_rad = joined.ra.motion_in_sub_rad;
    evidence->motion_ra_low_rad = joined.ra.motion_low_rad;
    evidence->motion_ra_high_rad = joined.ra.motion_high_rad;
    evidence->motion_dec_rad = joined.dec.motion_in_sub_rad;
    evidence->motion_dec_low_rad = joined.dec.motion_low_rad;
    evidence->motion_dec_high_rad = joined.dec.motion_high_rad;
    evidence->rms_logged_ra_rad = joined.ra.rms_logged_rad;
    evidence->rms_logged_dec_rad = joined.dec.rms_logged_rad;
    evidence->drift_dec_rad_s = longest ? longest->dec.drift_rad_s : NAN;
    evidence->drift_dec_sigma_rad_s = longest ? longest->dec.drift_sigma_rad_s : NAN;
    if (longest) {
        copy_loop(longest, &evidence->loop);
    }
}

/* Frames as spans; needs time and exposure of every one. */
static enum nw_status spans_of(const struct check_night *night, struct nw_span *spans,
                               struct nw_err *err) {
    for (size_t i = 0; i < night->n; i++) {
        const struct nw_star_frame *star = &night->stars[i];
        if (!isfinite(star->t_start_utc_s) || !isfinite(star->exposure_s)) {
            return nw_err_set(err, NW_DATA,
                              "a frame without start or exposure (DATE-OBS, EXPTIME): the guide "
                              "log cannot be laid beside it");
        }
        spans[i].start_s = star->t_start_utc_s;
        spans[i].end_s = star->t_start_utc_s + star->exposure_s;
    }
    return NW_OK;
}

/* The frames as exposures in the log's time. NW_OK with is_certain when there are none. */
static enum nw_status lay_beside(const struct nw_guide_runs *runs, const struct check_night *night,
                                 struct nw_span *spans, bool *ret_is_certain, struct nw_err *err) {
    struct nw_guide_log *all = NULL;
    struct nw_guide_join join = {0};
    *ret_is_certain = true;
    if (night->n == 0) {
        return NW_OK;
    }
    enum nw_status status = spans_of(night, spans, err);
    if (status == NW_OK) {
        status = nw_guide_concat(runs, &all, err);
    }
    if (status == NW_OK) {
        status = nw_guide_join(all, spans, night->n, &join, err);
    }
    for (size_t i = 0; status == NW_OK && i < night->n; i++) {
        spans[i].start_s -= join.offset_s;
        spans[i].end_s -= join.offset_s;
    }
    *ret_is_certain = join.is_certain;
    nw_guide_free(all);
    return status;
}

/* A frame belongs to the run that covers its middle. */
static bool is_of_run(const struct nw_span *span, const struct nw_guide_log *log) {
    const double middle_s = 0.5 * (span->start_s + span->end_s);
    return middle_s >= log->rows[0].t_s && middle_s <= log->rows[log->n - 1].t_s;
}

/* A night's runs and frames while they are laid together. */
struct beside {
    struct nw_guide_runs *runs;
    struct check_night *night;
    struct nw_air_state air;     /* above the site */
    struct nw_span *spans, *own; /* of all frames, in log time; of those of one run */
    size_t *frame;               /* which frame own[i] is */
    struct nw_guide_opts opts;
};

/* One run with its own frames. A run that stands alone takes all; one of several that covers none
 * has no analysis. */
static enum nw_status analyse_run(struct beside *b, const struct nw_guide_run *run,
                                  struct nw_guide_analysis **ret, struct nw_err *err) {
    struct nw_guide_opts opts = b->opts;
    size_t n = 0;
    for (size_t i = 0; i < b->night->n; i++) {
        if (b->runs->n == 1 || is_of_run(&b->spans[i], run->log)) {
            b->frame[n] = i;
            b->own[n++] = b->spans[i];
        }
    }
    if (b->night->n > 0) {
        opts.subs = b->own;
        opts.n_subs = n;
    }
    if (b->night->n > 0 && n == 0) {
        return NW_OK;
    }
    const enum nw_status status = nw_guide_analyse(run->log, &opts, ret, err);
    for (size_t i = 0; status == NW_OK && i < n && i < (*ret)->n_subs; i++) {
        copy_motion(&(*ret)->subs[i], &b->night->stars[b->frame[i]]);
    }
    return status;
}

/* Polar error and flexure from the frames beside the runs; what is not told leaves the evidence as
 * it is. */
static enum nw_status copy_frames(const struct beside *b, struct nw_guide_result *results, size_t n,
                                  struct nw_star_evidence *evidence, struct nw_err *err) {
    const struct guide_star nowhere = {.is_given = false};
    struct guide_frames frames = {0};
    struct nw_polar_report polar = {.is_solved = false};
    struct nw_guide_runs *runs = b->runs;
    struct guide_files files = {.files = &runs, .n_files = 1, .results = results, .n = n};
    struct guide_frame_set set = {.measures = nw_calloc(b->night->n + 1, sizeof(void *)),
                                  .facts = nw_calloc(b->night->n + 1, sizeof(void *)),
                                  .n = b->night->n};
    enum nw_status status =
        set.measures && set.facts ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu frames", set.n);
    for (size_t i = 0; i < set.n && status == NW_OK; i++) {
        set.measures[i] = &b->night->measures[i];
        set.facts[i] = &b->night->facts[i];
    }
    if (status == NW_OK && set.n > 1) {
        status = guide_frames_solve(&set, &b->air, nowhere, &files, &frames, err);
    }
    if (status == NW_OK) {
        status = guide_polar(&files, &frames, &b->air, &polar, err);
    }
    if (status == NW_OK && polar.is_solved && polar.polar.has_axis) {
        evidence->has_polar_error = true;
        evidence->polar_error_rad = polar.polar.total_rad;
        evidence->polar_error_sigma_rad = polar.polar.total_sigma_rad;
    }
    size_t n_best = 0;
    for (size_t i = 0; i < frames.n_flexures && status == NW_OK; i++) {
        const struct nw_flexure *const f = &frames.flexures[i].flexure;
        if (isfinite(f->rate_rad_s) && f->n_frames > n_best) {
            n_best = f->n_frames;
            evidence->has_flexure = true;
            evidence->flexure_rad_s = f->rate_rad_s;
            evidence->flexure_sigma_rad_s = f->rate_sigma_rad_s;
            evidence->flexure_angle_rad = f->direction_rad;
        }
    }
    guide_frames_done(&frames);
    free((void *)set.measures);
    free((void *)set.facts);
    return status;
}

/* Every run; an error only when none can be analysed. */
static enum nw_status analyse_runs(struct beside *b, struct nw_star_evidence *evidence,
                                   struct nw_err *err) {
    const size_t n = b->runs->n;
    struct nw_guide_result *const results = nw_calloc(n, sizeof *results);
    enum nw_status first = NW_OK;
    bool is_any = false;
    if (!results) {
        return nw_err_set(err, NW_NOMEM, "%zu runs", n);
    }
    for (size_t i = 0; i < n; i++) {
        struct nw_err why = {0};
        results[i] = (struct nw_guide_result){.file = b->runs, .number = i + 1};
        const enum nw_status status =
            analyse_run(b, &b->runs->items[i], &results[i].analysis, &why);
        if (status != NW_OK && first == NW_OK) {
            first = nw_err_set(err, status, "%s", why.text);
        }
        is_any = is_any || results[i].analysis;
    }
    if (is_any) {
        copy_evidence(results, n, evidence);
        first = copy_frames(b, results, n, evidence, err);
    } else if (first == NW_OK) {
        first = nw_err_set(err, NW_DATA, "%s: none of %zu runs covers a frame", b->runs->path, n);
    }
    for (size_t i = 0; i < n; i++) {
        nw_guide_analysis_free(results[i].analysis);
    }
    free(results);
    return first;
}

enum nw_status check_guiding_runs(struct nw_guide_runs *runs, const struct nw_rig *rig,
                                  const struct nw_setup *setup, struct check_night *night,
                                  struct nw_star_evidence *evidence, struct nw_err *err) {
    struct beside b = {.runs = runs, .night = night, .air = guide_air(rig, NULL).state};
    enum nw_status status = NW_OK;
    b.opts = (struct nw_guide_opts){.sub_length_s = setup->sub_length_s.v,
                                    .noise_floor_rad = noise_floor_rad(rig, setup)};
    b.spans = nw_calloc(night->n + 1, sizeof *b.spans);
    b.own = nw_calloc(night->n + 1, sizeof *b.own);
    b.frame = nw_calloc(night->n + 1, sizeof *b.frame);
    if (!b.spans || !b.own || !b.frame) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", night->n);
        goto done;
    }
    status = lay_beside(runs, night, b.spans, &evidence->is_join_certain, err);
    if (status == NW_OK) {
        status = analyse_runs(&b, evidence, err);
    }
done:
    free(b.spans);
    free(b.own);
    free(b.frame);
    return status;
}

enum nw_status check_guiding(const char *path, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct check_night *night,
                             struct nw_star_evidence *evidence, struct nw_err *err) {
    const struct nw_guide_layouts layouts = {rig->logs, rig->n_logs, NULL};
    struct nw_guide_runs *runs = NULL;
    enum nw_status status = nw_guide_read_runs(path, &layouts, &runs, err);
    if (status == NW_OK) {
        status = check_guiding_runs(runs, rig, setup, night, evidence, err);
    }
    nw_guide_runs_free(runs);
    return status;
}
