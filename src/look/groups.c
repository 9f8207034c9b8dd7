/* groups.c - order in time, airmass, and which frames may be compared with each other. */
#include <math.h>

#include "look/look_internal.h"
#include "sky/sky.h"

enum { MAX_GROUPS = 4096 };

/* Those without a time last, by path. */
static int earlier_first(const void *a, const void *b) {
    const struct nw_look_frame *const frame_a = a;
    const struct nw_look_frame *const frame_b = b;
    const double t_a =
        isfinite(frame_a->facts.t_start_utc_s) ? frame_a->facts.t_start_utc_s : INFINITY;
    const double t_b =
        isfinite(frame_b->facts.t_start_utc_s) ? frame_b->facts.t_start_utc_s : INFINITY;
    if (t_a < t_b || t_a > t_b) {
        return t_a < t_b ? -1 : 1;
    }
    return strcmp(frame_a->path, frame_b->path);
}

/* What the header says; else from the altitude; else from place, time and coordinates. */
static double airmass_of(const struct nw_look_frame *frame) {
    const struct nw_frame_facts *const facts = &frame->facts;
    if (isfinite(facts->airmass)) {
        return facts->airmass;
    }
    if (isfinite(facts->altitude_rad)) {
        return nw_sky_airmass(facts->altitude_rad);
    }
    const struct nw_place place = {facts->latitude_rad, facts->longitude_rad,
                                   isfinite(facts->elevation_m) ? facts->elevation_m : 0.0};
    if (!isfinite(facts->ra_rad) || !isfinite(facts->dec_rad) || !isfinite(frame->t_mid_s) ||
        !isfinite(place.latitude_rad) || !isfinite(place.longitude_rad)) {
        return NAN;
    }
    const struct nw_air_state air = {nw_sky_standard_pressure_Pa(place.elevation_m), 283.15, 0.5};
    struct nw_pointing pointing = {0};
    const enum nw_status status = nw_sky_pointing(facts->ra_rad, facts->dec_rad, frame->t_mid_s,
                                                  &place, &air, &pointing, NULL);
    return status == NW_OK ? pointing.airmass : NAN;
}

double look_hours(const struct nw_look *look, const struct nw_look_frame *frame) {
    return look->n_frames ? (frame->t_mid_s - look->frames[0].t_mid_s) / 3600.0 : NAN;
}

static bool is_same_exposure(double a_s, double b_s) {
    if (!isfinite(a_s) || !isfinite(b_s)) {
        return !isfinite(a_s) && !isfinite(b_s);
    }
    return fabs(a_s - b_s) <= 1e-3 * fmax(fabs(a_s), fabs(b_s)) + 1e-9;
}

/* Observatories write the conversion gain into GAIN, a little different in each frame: a tenth
 * apart is still the same setting. */
static bool is_same_gain(double a, double b) {
    if (!isfinite(a) || !isfinite(b)) {
        return !isfinite(a) && !isfinite(b);
    }
    return fabs(a - b) <= 0.1 * fmax(fabs(a), fabs(b));
}

static bool belongs(const struct nw_look_group *group, const struct nw_look_frame *frame) {
    return group->width_px == frame->width_px && group->height_px == frame->height_px &&
           group->channel == frame->channel &&
           is_same_exposure(group->exposure_s, frame->facts.exposure_s) &&
           is_same_gain(group->gain_setting, frame->facts.gain_setting) &&
           strcmp(group->camera, frame->facts.camera) == 0 &&
           strcmp(group->filter, frame->facts.filter) == 0;
}

static double exposure_of(const struct nw_look_group *group) {
    return (double)group->n_frames * (isfinite(group->exposure_s) ? group->exposure_s : 1.0);
}

/* Most exposure time first; among equals the one whose first frame comes first. */
static int more_time_first(const void *a, const void *b) {
    const struct nw_look_group *const group_a = a;
    const struct nw_look_group *const group_b = b;
    const double time_a = exposure_of(group_a);
    const double time_b = exposure_of(group_b);
    if (time_a > time_b || time_a < time_b) {
        return time_a > time_b ? -1 : 1;
    }
    return group_a->frames[0] < group_b->frames[0] ? -1 : 1;
}

static enum nw_status open_group(struct nw_look *look, const struct nw_look_frame *frame,
                                 size_t *cap, struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&look->groups, cap, look->n_groups + 1,
                                          sizeof *look->groups, MAX_GROUPS, err);
    if (status == NW_OK) {
        const struct nw_frame_facts *const facts = &frame->facts;
        struct nw_look_group *const group = &look->groups[look->n_groups++];
        *group = (struct nw_look_group){.exposure_s = facts->exposure_s,
                                        .gain_setting = facts->gain_setting,
                                        .width_px = frame->width_px,
                                        .height_px = frame->height_px,
                                        .channel = frame->channel,
                                        .scale_rad_px = facts->pixel_m / facts->focal_length_m};
        memcpy(group->camera, facts->camera, sizeof group->camera);
        memcpy(group->filter, facts->filter, sizeof group->filter);
    }
    return status;
}

static enum nw_status assign(struct nw_look *look, struct nw_err *err) {
    size_t cap = 0;
    for (size_t i = 0; i < look->n_frames; i++) {
        struct nw_look_frame *const frame = &look->frames[i];
        frame->group = 0;
        while (frame->group < look->n_groups && !belongs(&look->groups[frame->group], frame)) {
            frame->group++;
        }
        if (frame->group == look->n_groups) {
            const enum nw_status status = open_group(look, frame, &cap, err);
            if (status != NW_OK) {
                return status;
            }
        }
        look->groups[frame->group].n_frames++;
    }
    return NW_OK;
}

/* The list of frames of each group, then the groups in the order of their weight. */
static enum nw_status list_frames(struct nw_look *look, struct nw_err *err) {
    for (size_t g = 0; g < look->n_groups; g++) {
        struct nw_look_group *const group = &look->groups[g];
        group->frames = nw_calloc(group->n_frames, sizeof *group->frames);
        if (!group->frames) {
            return nw_err_set(err, NW_NOMEM, "group of %zu frames", group->n_frames);
        }
        group->n_frames = 0;
    }
    for (size_t i = 0; i < look->n_frames; i++) {
        struct nw_look_group *const group = &look->groups[look->frames[i].group];
        group->frames[group->n_frames++] = i;
    }
    if (look->n_groups > 1) {
        qsort(look->groups, look->n_groups, sizeof *look->groups, more_time_first);
    }
    for (size_t g = 0; g < look->n_groups; g++) {
        for (size_t k = 0; k < look->groups[g].n_frames; k++) {
            look->frames[look->groups[g].frames[k]].group = g;
        }
    }
    return NW_OK;
}

static void drop_groups(struct nw_look *look) {
    for (size_t g = 0; g < look->n_groups; g++) {
        free(look->groups[g].frames);
    }
    free(look->groups);
    look->groups = NULL;
    look->n_groups = 0;
    look->n_without_time = 0;
}

enum nw_status look_prepare(struct nw_look *look, struct nw_err *err) {
    drop_groups(look); /* it may be called again when frames have left the list */
    for (size_t i = 0; i < look->n_frames; i++) {
        struct nw_look_frame *const frame = &look->frames[i];
        const double exposure_s = frame->facts.exposure_s;
        frame->t_mid_s =
            frame->facts.t_start_utc_s + (isfinite(exposure_s) ? 0.5 * exposure_s : 0.0);
        frame->airmass = airmass_of(frame);
        look->n_without_time += isfinite(frame->t_mid_s) ? 0 : 1;
    }
    if (look->n_frames > 1) {
        qsort(look->frames, look->n_frames, sizeof *look->frames, earlier_first);
    }
    const enum nw_status status = assign(look, err);
    return status == NW_OK ? list_frames(look, err) : status;
}
