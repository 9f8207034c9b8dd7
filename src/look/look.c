/* look.c - the analysis in its order; ownership. */
#include <math.h>

#include "look/look_internal.h"

void nw_look_frames_free(struct nw_look_frame *frames, size_t n_frames) {
    for (size_t i = 0; frames && i < n_frames; i++) {
        free(frames[i].path);
        nw_measure_free(frames[i].measure);
        nw_frame_free(frames[i].header);
    }
    free(frames);
}

void nw_look_free(struct nw_look *look) {
    if (!look) {
        return;
    }
    nw_look_frames_free(look->frames, look->n_frames);
    for (size_t i = 0; i < look->n_groups; i++) {
        free(look->groups[i].frames);
        free(look->groups[i].light.lost);
    }
    free(look->groups);
    for (size_t i = 0; i < look->n_nights; i++) {
        free(look->nights[i].long_gaps);
    }
    free(look->nights);
    free(look->changes);
    free(look->findings);
    for (size_t i = 0; i < look->n_skipped; i++) {
        free(look->skipped[i].path);
    }
    free(look->skipped);
    free(look);
}

/* Elongation by mere noise has a direction too: only what is common to the frames is a loss. */
static void forget_noise(struct nw_look_group *group) {
    const struct nw_look_shape *const shape = &group->shape;
    const double e = hypot(shape->e1, shape->e2);
    if (shape->n >= 2 && !(e > 3.0 * shape->e_sigma)) {
        group->shape.cost = 0.0;
    }
}

static void count(struct nw_look *look, struct nw_look_group *group, struct look_series *series) {
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        if (m) {
            group->n_measured++;
            group->n_without_stars += isfinite(m->fwhm_px) ? 0 : 1;
            look_series_add(series, group->frames[i], 0.0, (double)m->n_stars);
        }
    }
    group->stars_median = look_median(series);
    look->n_measured += group->n_measured;
}

enum nw_status look_finish(struct nw_look *look, struct nw_err *err) {
    struct look_series series = {0};
    enum nw_status status = look_series_init(&series, look->n_frames, err);
    for (size_t g = 0; g < look->n_groups && status == NW_OK; g++) {
        struct nw_look_group *const group = &look->groups[g];
        count(look, group, &series);
        look_width(look, group, &series);
        look_shape(look, group, &series);
        forget_noise(group);
        look_field(look, group, &series);
        look_sky(look, group, &series);
        look_aspects(look, group, &series);
        status = look_light(look, group, &series, err);
        if (status == NW_OK) {
            look_losses(look, group, &series);
        }
    }
    status = status == NW_OK ? look_nights(look, err) : status;
    status = status == NW_OK ? look_changes(look, err) : status;
    status = status == NW_OK ? look_findings(look, err) : status;
    look_series_done(&series);
    return status;
}

enum nw_status nw_look_analyse(struct nw_look_frame *frames, size_t n_frames, struct nw_look **ret,
                               struct nw_err *err) {
    struct nw_look *look = nw_calloc(1, sizeof *look);
    if (!look) {
        nw_look_frames_free(frames, n_frames);
        return nw_err_set(err, NW_NOMEM, "analysis of %zu frames", n_frames);
    }
    look->frames = frames;
    look->n_frames = n_frames;
    enum nw_status status = look_prepare(look, err);
    status = status == NW_OK ? look_finish(look, err) : status;
    if (status == NW_OK) {
        *ret = look;
        look = NULL;
    }
    nw_look_free(look);
    return status;
}
