/* star_point.c - points: the numbers that the lines depend on; their lines composed.
 * Idea: one table (star_internal.h) says where each number stands in the rig. */
#include "budget/star_internal.h"

#include <math.h>

/* A measured coefficient of the focuser stands for the tube: the expansion that, with the tube's
 * length, moves the focus at the sensor by what the travel per kelvin makes good. */
static void taught_focus(const struct nw_setup *u, struct star_point *point) {
    const struct nw_val *const taught = &u->focuser.travel_per_K;
    struct nw_val *const length = &point->p[STAR_P_TUBE_LENGTH];
    const double m = u->has_corrector ? u->corrector.magnification.v : 1.0;
    if (taught->from == NW_FROM_UNKNOWN || !isfinite(taught->v)) {
        return;
    }
    if (!(length->v > 0.0)) {
        length->v = 1.0;
    }
    /* travel counts m^2 or 1 at the sensor, the tube always m^2 */
    const double per_travel = nw_optics_defocus_per_travel(m, point->corrector_rides) / (m * m);
    point->p[STAR_P_EXPANSION] = (struct nw_val){
        .v = fabs(taught->v) * per_travel / length->v,
        .sigma = isfinite(taught->sigma) ? taught->sigma * per_travel / length->v : NAN,
        .from = taught->from};
    length->sigma = 0.0;
    length->from = taught->from;
}

void star_point_of(const struct nw_rig *rig, const struct nw_setup *setup, struct star_point *ret) {
    const struct nw_site *s = &rig->site;
    const struct nw_mount *m = &rig->mount;
    const struct nw_setup *u = setup;
    *ret = (struct star_point){
        .corrector_rides = u->focuser.carries == NW_CARRIES_CORRECTOR_AND_CAMERA,
        .is_colour = u->camera.pattern[0] != 0,
        .resampling = strcmp(u->resampling, "bilinear") == 0   ? NW_OTF_BILINEAR
                      : strcmp(u->resampling, "lanczos3") == 0 ? NW_OTF_LANCZOS3
                                                               : NW_OTF_BOX,
        .width_px = (double)u->camera.width_px,
        .height_px = (double)u->camera.height_px,
        .focus_phase = NAN,
        .dec_rad = NAN};
#define X(name, place) ret->p[STAR_P_##name] = (place);
    STAR_PARAM_LIST(X)
#undef X
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        ret->factor[k] = 1.0;
    }
    taught_focus(u, ret);
    struct nw_val *magnification = &ret->p[STAR_P_MAGNIFICATION];
    if (!u->has_corrector || !isfinite(magnification->v)) {
        *magnification = (struct nw_val){.v = 1.0, .sigma = 0.0, .from = NW_FROM_GIVEN};
    }
    if (!(ret->p[STAR_P_BINNING].v >= 1.0)) {
        ret->p[STAR_P_BINNING] = (struct nw_val){.v = 1.0, .sigma = 0.0, .from = NW_FROM_ASSUMED};
    }
    /* without a filter the eye's whole range is taken */
    if (!isfinite(ret->p[STAR_P_CENTRE].v)) {
        ret->p[STAR_P_CENTRE] =
            (struct nw_val){.v = 550e-9, .sigma = 20e-9, .from = NW_FROM_ASSUMED};
        ret->p[STAR_P_PASSBAND] =
            (struct nw_val){.v = 300e-9, .sigma = 50e-9, .from = NW_FROM_ASSUMED};
    }
    /* what the rig cannot say must not turn everything into NaN: no such contribution is known */
    for (int k = 0; k < STAR_N_PARAMS; k++) {
        const bool is_outer_scale = k == STAR_P_OUTER_SCALE;
        if (!isfinite(ret->p[k].v)) {
            ret->p[k].v = is_outer_scale ? INFINITY : 0.0;
        }
    }
}

static void take(struct nw_val *value, double v, enum nw_from from) {
    if (isfinite(v)) {
        *value = (struct nw_val){.v = v, .sigma = 0.0, .from = from};
    }
}

void star_point_at_frame(const struct star_point *base, const struct nw_star_frame *frame,
                         struct star_point *ret) {
    *ret = *base;
    take(&ret->p[STAR_P_AIRMASS], frame->airmass, NW_FROM_HEADER);
    take(&ret->p[STAR_P_SUB_LENGTH], frame->exposure_s, NW_FROM_HEADER);
    take(&ret->p[STAR_P_MOTION_RA], frame->motion_ra_rad, NW_FROM_MEASURED);
    take(&ret->p[STAR_P_MOTION_DEC], frame->motion_dec_rad, NW_FROM_MEASURED);
    if (isfinite(frame->dec_rad)) {
        ret->dec_rad = frame->dec_rad;
    }
    if (isfinite(frame->parallactic_rad)) {
        ret->vertical_rad = frame->parallactic_rad;
    }
    const double interval_s = star_value(base, STAR_P_FOCUS_INTERVAL);
    if (isfinite(frame->since_focus_s) && interval_s > 0.0) {
        ret->focus_phase = (frame->since_focus_s + 0.5 * fmax(0.0, frame->exposure_s)) / interval_s;
    }
}

enum nw_status star_compose(const struct star_point *point, const double *scale, struct nw_psf *ret,
                            struct nw_err *err) {
    struct star_line lines[NW_STAR_N_LINES];
    struct nw_otf parts[NW_STAR_N_LINES * STAR_PARTS];
    size_t n = 0;
    for (int id = 0; id < NW_STAR_N_LINES; id++) {
        star_line_build((enum nw_star_line_id)id, point, &lines[id]);
        if (scale && lines[id].n > 0) {
            star_line_scale(&lines[id], scale[id]);
        }
        for (size_t i = 0; i < lines[id].n; i++) {
            parts[n++] = lines[id].parts[i];
        }
    }
    return nw_psf_compose(parts, n, ret, err);
}

enum nw_status star_effects(const struct star_point *point, const double *relative_sigma,
                            double effect_rad[NW_STAR_N_LINES], struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (int id = 0; id < NW_STAR_N_LINES && status == NW_OK; id++) {
        effect_rad[id] = 0.0;
        if (!(relative_sigma[id] > 0.0)) {
            continue;
        }
        double width[2] = {NAN, NAN};
        for (int side = 0; side < 2 && status == NW_OK; side++) {
            double scale[NW_STAR_N_LINES];
            for (int k = 0; k < NW_STAR_N_LINES; k++) {
                scale[k] = 1.0;
            }
            scale[id] = fmax(0.05, side ? 1.0 + relative_sigma[id] : 1.0 - relative_sigma[id]);
            struct nw_psf psf;
            status = star_compose(point, scale, &psf, err);
            width[side] = psf.fwhm_rad;
        }
        effect_rad[id] = status == NW_OK ? 0.5 * (width[1] - width[0]) : 0.0;
    }
    return status;
}

void nw_star_frame_unknown(struct nw_star_frame *frame) {
    *frame = (struct nw_star_frame){.t_start_utc_s = NAN,
                                    .exposure_s = NAN,
                                    .airmass = NAN,
                                    .dec_rad = NAN,
                                    .fwhm_rad = NAN,
                                    .fwhm_sigma_rad = NAN,
                                    .e1 = NAN,
                                    .e2 = NAN,
                                    .e_sigma = NAN,
                                    .fwhm_centre_rad = NAN,
                                    .fwhm_corner_rad = {NAN, NAN, NAN, NAN},
                                    .motion_ra_rad = NAN,
                                    .motion_dec_rad = NAN,
                                    .motion_ra_low_rad = NAN,
                                    .motion_ra_high_rad = NAN,
                                    .motion_dec_low_rad = NAN,
                                    .motion_dec_high_rad = NAN,
                                    .since_focus_s = NAN,
                                    .parallactic_rad = NAN};
}

void nw_star_since_focus(struct nw_star_frame *stars, const double *steps, size_t n) {
    size_t n_moves = 0;
    for (size_t i = 1; i < n; i++) {
        n_moves +=
            isfinite(steps[i]) && isfinite(steps[i - 1]) && fabs(steps[i] - steps[i - 1]) > 0;
    }
    if (n_moves == 0 || 3 * n_moves > n) {
        return;
    }
    double t_run_s = NAN;
    for (size_t i = 1; i < n; i++) {
        if (isfinite(steps[i]) && isfinite(steps[i - 1]) && fabs(steps[i] - steps[i - 1]) > 0) {
            t_run_s = stars[i].t_start_utc_s;
        }
        stars[i].since_focus_s = stars[i].t_start_utc_s - t_run_s;
    }
}
