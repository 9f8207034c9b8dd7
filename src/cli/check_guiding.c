/* check_guiding.c - the guide log beside the frames: motion within each sub. */
#include "cli/check_internal.h"

#include <math.h>

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

static void copy_analysis(const struct nw_guide_analysis *analysis,
                          struct nw_star_evidence *evidence) {
    evidence->has_guiding = true;
    evidence->motion_ra_rad = analysis->ra.motion_in_sub_rad;
    evidence->motion_ra_low_rad = analysis->ra.motion_low_rad;
    evidence->motion_ra_high_rad = analysis->ra.motion_high_rad;
    evidence->motion_dec_rad = analysis->dec.motion_in_sub_rad;
    evidence->motion_dec_low_rad = analysis->dec.motion_low_rad;
    evidence->motion_dec_high_rad = analysis->dec.motion_high_rad;
    evidence->rms_logged_ra_rad = analysis->ra.rms_logged_rad;
    evidence->rms_logged_dec_rad = analysis->dec.rms_logged_rad;
    evidence->drift_dec_rad_s = analysis->dec.drift_rad_s;
    evidence->drift_dec_sigma_rad_s = analysis->dec.drift_sigma_rad_s;
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

enum nw_status check_guiding(const char *path, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct check_night *night,
                             struct nw_star_evidence *evidence, struct nw_err *err) {
    struct nw_guide_log *log = NULL;
    struct nw_guide_analysis *analysis = NULL;
    struct nw_guide_join join = {0};
    struct nw_span *spans = nw_calloc(night->n + 1, sizeof *spans);
    enum nw_status status = NW_OK;
    if (!spans) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", night->n);
        goto done;
    }
    status = nw_guide_read(path, &log, err);
    if (status != NW_OK) {
        goto done;
    }
    struct nw_guide_opts opts = {.sub_length_s = setup->sub_length_s.v,
                                 .noise_floor_rad = noise_floor_rad(rig, setup)};
    if (night->n > 0) {
        status = spans_of(night, spans, err);
        if (status == NW_OK) {
            status = nw_guide_join(log, spans, night->n, &join, err);
        }
        if (status != NW_OK) {
            goto done;
        }
        for (size_t i = 0; i < night->n; i++) {
            spans[i].start_s -= join.offset_s;
            spans[i].end_s -= join.offset_s;
        }
        opts.subs = spans;
        opts.n_subs = night->n;
    }
    status = nw_guide_analyse(log, &opts, &analysis, err);
    if (status != NW_OK) {
        goto done;
    }
    copy_analysis(analysis, evidence);
    evidence->is_join_certain = night->n == 0 || join.is_certain;
    for (size_t i = 0; i < night->n && i < analysis->n_subs; i++) {
        copy_motion(&analysis->subs[i], &night->stars[i]);
    }
done:
    nw_guide_analysis_free(analysis);
    nw_guide_free(log);
    free(spans);
    return status;
}
