/* star_width.c - the star-width budget put together; see budget.h.
 * Holds: 1. the total never uses the widths that it is compared with: the seeing is the rig's
 * prior.
 * 2. airmass, exposure and declination of the frames, and the motion in the guide log, are other
 * evidence than widths, and are used. */
#include <math.h>

#include "budget/star_internal.h"

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

static const char *const LABELS[NW_STAR_N_LINES] = {
#define X(name, id, label) label,
    NW_STAR_LINE_LIST(X)
#undef X
};

static const char *const NOT_MEASURED[NW_STAR_N_LINES] = {
    [NW_STAR_AIR_ABOVE] = "a width holds all lines at once; trial: drive-off-trail",
    [NW_STAR_LOCAL_AIR] = "no witness; trial: first-and-third-hour",
    [NW_STAR_DIFFRACTION] = "geometry; nothing to measure at this scale",
    [NW_STAR_LENS_COLOUR] = "no witness; trial: narrow-and-wide",
    [NW_STAR_DECENTRE] = "no witness; trial: pair-about-focus",
    [NW_STAR_FOCUS] = "no witness; trial: across-a-focus-run",
    [NW_STAR_TILT_CURVATURE] = "no witness; trial: pair-about-focus",
    [NW_STAR_MOTION] = "no guide log of these subs",
    [NW_STAR_FLEXURE] = "needs undithered subs and the lock point; trial: short-and-long",
    [NW_STAR_FIELD_ROTATION] = "needs matched stars of first and last sub; trial: one-hour pair",
    [NW_STAR_DISPERSION] = "no witness; trial: red and blue subs at low altitude",
    [NW_STAR_PIXEL] = "geometry; the scale comes with a solved frame",
    [NW_STAR_COLOUR_FILTER] = "follows from how the frames are measured",
    [NW_STAR_RESAMPLING] = "known arithmetic; trial: measure one frame before and after",
};

/* Mean of the finite values of one member of the frames; NaN without any. */
static double frame_mean(const struct nw_star_evidence *evidence, size_t offset, size_t *ret_n) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = 0; evidence && i < evidence->n_frames; i++) {
        double value;
        memcpy(&value, (const char *)&evidence->frames[i] + offset, sizeof value);
        if (isfinite(value)) {
            sum += value;
            n++;
        }
    }
    if (ret_n) {
        *ret_n = n;
    }
    return n ? sum / (double)n : NAN;
}
#define MEAN(member) frame_mean(evidence, offsetof(struct nw_star_frame, member), NULL)

/* Root mean square, for motions: variances add over subs. */
static double frame_rms(const struct nw_star_evidence *evidence, size_t offset) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = 0; evidence && i < evidence->n_frames; i++) {
        double value;
        memcpy(&value, (const char *)&evidence->frames[i] + offset, sizeof value);
        if (isfinite(value)) {
            sum += value * value;
            n++;
        }
    }
    return n ? sqrt(sum / (double)n) : NAN;
}
#define RMS(member) frame_rms(evidence, offsetof(struct nw_star_frame, member))

/* Mean direction of the vertical over the frames: an axis, so doubled angles are averaged. 0 where
 * no frame says. */
static double mean_axis(const struct nw_star_evidence *evidence) {
    double c = 0.0;
    double s = 0.0;
    for (size_t i = 0; i < evidence->n_frames; i++) {
        const double angle = evidence->frames[i].parallactic_rad;
        c += isfinite(angle) ? cos(2.0 * angle) : 0.0;
        s += isfinite(angle) ? sin(2.0 * angle) : 0.0;
    }
    return c != 0.0 || s != 0.0 ? 0.5 * atan2(s, c) : 0.0;
}

static void take(struct nw_val *value, double v, double sigma, enum nw_from from) {
    if (isfinite(v)) {
        *value = (struct nw_val){.v = v, .sigma = sigma, .from = from};
    }
}

/* The point of the night: the rig, moved by what frames and log say besides widths. */
static void night_point(const struct star_point *rig, const struct nw_star_evidence *evidence,
                        struct star_point *ret) {
    *ret = *rig;
    if (!evidence) {
        ret->is_interpolated = rig->is_colour;
        return;
    }
    ret->is_interpolated = evidence->colour == NW_STAR_COLOUR_INTERPOLATED;
    take(&ret->p[STAR_P_AIRMASS], MEAN(airmass), 0.0, NW_FROM_HEADER);
    take(&ret->p[STAR_P_SUB_LENGTH], MEAN(exposure_s), 0.0, NW_FROM_HEADER);
    const double dec = MEAN(dec_rad);
    ret->dec_rad = isfinite(dec) ? dec : ret->dec_rad;
    ret->vertical_rad = mean_axis(evidence);
    if (evidence->has_flexure) {
        take(&ret->p[STAR_P_FLEXURE], evidence->flexure_rad_s, evidence->flexure_sigma_rad_s,
             NW_FROM_MEASURED);
        ret->is_flexure_angle_known = true;
        ret->flexure_angle_rad = evidence->flexure_angle_rad;
    }
    if (evidence->has_polar_error) {
        take(&ret->p[STAR_P_POLAR_ERROR], evidence->polar_error_rad,
             evidence->polar_error_sigma_rad, NW_FROM_MEASURED);
    }
    if (evidence->has_guiding) {
        const double log_ra = 0.25 * (evidence->motion_ra_high_rad - evidence->motion_ra_low_rad);
        const double log_dec =
            0.25 * (evidence->motion_dec_high_rad - evidence->motion_dec_low_rad);
        take(&ret->p[STAR_P_MOTION_RA], evidence->motion_ra_rad,
             isfinite(log_ra) ? fabs(log_ra) : 0.0, NW_FROM_MEASURED);
        take(&ret->p[STAR_P_MOTION_DEC], evidence->motion_dec_rad,
             isfinite(log_dec) ? fabs(log_dec) : 0.0, NW_FROM_MEASURED);
        const double ra_half = 0.5 * (RMS(motion_ra_high_rad) - RMS(motion_ra_low_rad));
        const double dec_half = 0.5 * (RMS(motion_dec_high_rad) - RMS(motion_dec_low_rad));
        /* the bounds hold nearly always: two standard errors */
        take(&ret->p[STAR_P_MOTION_RA], RMS(motion_ra_rad),
             isfinite(ra_half) ? 0.5 * fabs(ra_half) : 0.0, NW_FROM_MEASURED);
        take(&ret->p[STAR_P_MOTION_DEC], RMS(motion_dec_rad),
             isfinite(dec_half) ? 0.5 * fabs(dec_half) : 0.0, NW_FROM_MEASURED);
    }
}

static const struct nw_star_known *known_of(const struct nw_star_evidence *evidence,
                                            enum nw_star_line_id id) {
    for (size_t i = 0; evidence && i < evidence->n_known; i++) {
        if (evidence->known[i].line == id) {
            return &evidence->known[i];
        }
    }
    return NULL;
}

/* Lines that are known by themselves: as wide as that, whatever their inputs make of them. */
static void take_known(const struct nw_star_evidence *evidence, struct star_point *point) {
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_known *const known = known_of(evidence, (enum nw_star_line_id)k);
        struct star_line line;
        if (known) {
            star_line_build(known->line, point, &line);
            point->factor[k] = line.width_rad > 0.0 ? known->width_rad / line.width_rad : 1.0;
        }
    }
}

static double allocation(const struct nw_setup *setup, const char *id) {
    for (size_t i = 0; i < setup->n_allocations; i++) {
        if (strcmp(setup->allocations[i].id, id) == 0) {
            return setup->allocations[i].fwhm_rad;
        }
    }
    return NAN;
}

static double motion_width(double ra, double dec) {
    return NW_FWHM_PER_SIGMA * sqrt(0.5 * (ra * ra + dec * dec));
}

static void measured_motion(const struct nw_star_evidence *evidence, struct nw_star_line *line) {
    if (!evidence || !evidence->has_guiding || !isfinite(line->alone_rad)) {
        return;
    }
    const bool is_by_sub = isfinite(RMS(motion_ra_rad));
    if (!is_by_sub && !isfinite(evidence->motion_ra_rad)) {
        nw_text_copy(line->why_null, sizeof line->why_null,
                     "the guide log is too short to tell motion from noise");
        return;
    }
    line->measured_rad = line->alone_rad;
    line->measured_low_rad =
        is_by_sub ? motion_width(RMS(motion_ra_low_rad), RMS(motion_dec_low_rad))
                  : motion_width(evidence->motion_ra_low_rad, evidence->motion_dec_low_rad);
    line->measured_high_rad =
        is_by_sub ? motion_width(RMS(motion_ra_high_rad), RMS(motion_dec_high_rad))
                  : motion_width(evidence->motion_ra_high_rad, evidence->motion_dec_high_rad);
    line->why_null[0] = 0;
    line->basis = "guide log less its noise, about each sub's own mean";
    const size_t len = strlen(line->detail);
    (void)snprintf(line->detail + len, sizeof line->detail - len, "; as logged %.2f and %.2f",
                   ARCSEC(evidence->rms_logged_ra_rad), ARCSEC(evidence->rms_logged_dec_rad));
}

/* A line whose one measured number is in the point already: its width, and 95 % bounds. */
static void measured_rate(const char *basis, struct nw_star_line *line) {
    line->measured_rad = line->alone_rad;
    line->measured_low_rad = fmax(0.0, line->alone_rad - 1.96 * line->alone_sigma_rad);
    line->measured_high_rad = line->alone_rad + 1.96 * line->alone_sigma_rad;
    line->why_null[0] = '\0';
    line->basis = basis;
}

/* Lines whose measured number takes the place of the rig's in the point of the night: their
 * prediction is that of the rig. */
static bool is_taught(enum nw_star_line_id id, const struct nw_star_evidence *evidence) {
    return id == NW_STAR_MOTION || known_of(evidence, id) ||
           (evidence && ((id == NW_STAR_FLEXURE && evidence->has_flexure) ||
                         (id == NW_STAR_FIELD_ROTATION && evidence->has_polar_error)));
}

static void describe_lines(const struct nw_setup *setup, const struct star_point *rig,
                           const struct star_point *point, const struct nw_star_evidence *evidence,
                           struct nw_star_budget *budget) {
    static const enum star_param TAUGHT[] = {STAR_P_MOTION_RA, STAR_P_MOTION_DEC, STAR_P_FLEXURE,
                                             STAR_P_POLAR_ERROR};
    struct star_point untaught = *point; /* the night, but what was measured as the rig says */
    for (size_t i = 0; i < sizeof TAUGHT / sizeof TAUGHT[0]; i++) {
        untaught.p[TAUGHT[i]] = rig->p[TAUGHT[i]];
    }
    memcpy(untaught.factor, rig->factor, sizeof untaught.factor);
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const enum nw_star_line_id id = (enum nw_star_line_id)k;
        struct nw_star_line *line = &budget->lines[id];
        struct star_line built;
        *line = (struct nw_star_line){.id = id,
                                      .name = nw_star_line_name(id),
                                      .label = LABELS[id],
                                      .allowed_rad = allocation(setup, nw_star_line_name(id)),
                                      .measured_rad = NAN,
                                      .measured_low_rad = NAN,
                                      .measured_high_rad = NAN,
                                      .attainable_rad = NAN,
                                      .time_percent_point = NAN,
                                      .time_percent_extended = NAN,
                                      .basis = star_line_basis(id),
                                      .provenance = star_line_provenance(id, point)};
        nw_text_copy(line->why_null, sizeof line->why_null, NOT_MEASURED[id]);
        star_line_build(id, is_taught(id, evidence) ? &untaught : point, &built);
        line->predicted_rad = built.width_rad;
        line->predicted_sigma_rad =
            star_line_sigma(id, is_taught(id, evidence) ? &untaught : point);
        star_line_build(id, point, &built);
        line->alone_rad = built.width_rad;
        line->alone_sigma_rad = star_line_sigma(id, point);
        line->is_present = built.n > 0;
        star_line_detail(id, point, line->detail, sizeof line->detail);
        if (known_of(evidence, id) && line->is_present) {
            line->alone_sigma_rad = known_of(evidence, id)->sigma_rad;
            line->provenance = NW_FROM_MEASURED;
            measured_rate(evidence->known_basis, line);
        } else if (id == NW_STAR_MOTION) {
            measured_motion(evidence, line);
        } else if (id == NW_STAR_FLEXURE && is_taught(id, evidence)) {
            measured_rate("shift of the frames less lock point, air and turn, rate x sub", line);
        } else if (id == NW_STAR_FIELD_ROTATION && is_taught(id, evidence)) {
            measured_rate("polar error from drift and turn of the field, rate x sub (Hook 1989)",
                          line);
        }
    }
}

static enum nw_status share_out(const struct star_point *point, struct nw_star_budget *budget,
                                struct nw_err *err) {
    struct star_line built[NW_STAR_N_LINES];
    struct nw_otf_line lines[NW_STAR_N_LINES];
    struct nw_shares shares;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        star_line_build((enum nw_star_line_id)k, point, &built[k]);
        lines[k] = (struct nw_otf_line){.parts = built[k].parts, .n = built[k].n};
    }
    const enum nw_status status = nw_psf_shares(lines, NW_STAR_N_LINES, &shares, err);
    if (status != NW_OK) {
        return status;
    }
    budget->whole = shares.whole;
    budget->predicted_rad = shares.whole.fwhm_rad;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        struct nw_star_line *line = &budget->lines[k];
        line->total_without_rad = line->is_present ? shares.without_rad[k] : NAN;
        line->share = shares.share[k];
        if (shares.share[k] > budget->lines[budget->limiting].share) {
            budget->limiting = (enum nw_star_line_id)k;
        }
    }
    return NW_OK;
}

/* Middle and worst corner: the same lines with the disc of that place. */
static enum nw_status over_the_field(const struct star_point *point, struct nw_star_budget *budget,
                                     struct nw_err *err) {
    const struct star_field_blur blur = star_field_blur(point);
    const double discs[2] = {blur.centre_rad, blur.corner_rad};
    double *const results[2] = {&budget->centre_rad, &budget->corner_rad};
    enum nw_status status = NW_OK;
    for (int i = 0; i < 2 && status == NW_OK; i++) {
        double scale[NW_STAR_N_LINES];
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            scale[k] = 1.0;
        }
        scale[NW_STAR_TILT_CURVATURE] = blur.median_rad > 0.0 ? discs[i] / blur.median_rad : 1.0;
        struct nw_psf psf;
        status = star_compose(point, scale, &psf, err);
        *results[i] = status == NW_OK ? psf.fwhm_rad : NAN;
    }
    return status;
}

static double elongation_of(double e) {
    return sqrt((1.0 + e) / (1.0 - e)); /* |e| = (1 - q^2)/(1 + q^2) */
}

/* What the axes' difference alone does to the stars: all other lines made round by leaving out
 * flexure and dispersion. */
static enum nw_status roundness(const struct star_point *point, struct nw_star_budget *budget,
                                struct nw_err *err) {
    double scale[NW_STAR_N_LINES];
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        scale[k] = k == NW_STAR_FLEXURE || k == NW_STAR_DISPERSION ? 0.0 : 1.0;
    }
    struct nw_psf psf;
    const enum nw_status status = star_compose(point, scale, &psf, err);
    if (status == NW_OK) {
        budget->elongation_motion = elongation_of(hypot(psf.e1, psf.e2));
        budget->elongation = elongation_of(hypot(budget->whole.e1, budget->whole.e2));
    }
    return status;
}

static void measured_total(const struct nw_star_evidence *evidence, struct nw_star_budget *budget) {
    size_t n = 0;
    const double mean = frame_mean(evidence, offsetof(struct nw_star_frame, fwhm_rad), &n);
    double own = 0.0;
    double scatter = 0.0;
    for (size_t i = 0; n && i < evidence->n_frames; i++) {
        const struct nw_star_frame *frame = &evidence->frames[i];
        if (isfinite(frame->fwhm_rad)) {
            own += isfinite(frame->fwhm_sigma_rad) ? pow(frame->fwhm_sigma_rad, 2.0) : 0.0;
            scatter += pow(frame->fwhm_rad - mean, 2.0);
        }
    }
    const double count = (double)n;
    budget->n_frames = n;
    budget->measured_rad = mean;
    budget->measured_sigma_rad =
        n == 0 ? NAN
               : sqrt(fmax(own / (count * count),
                           n > 1 ? scatter / (count * (count - 1.0)) : own / (count * count)));
    budget->measured_sigma_rad = hypot(budget->measured_sigma_rad, NW_STAR_WIDTH_READING * mean);
    budget->centre_measured_rad = MEAN(fwhm_centre_rad);
    budget->corner_measured_rad = NAN;
    for (int k = 0; k < 4; k++) { /* the worst of the means, not the mean of the worst: noise */
        budget->corner_measured_rad = fmax(budget->corner_measured_rad, MEAN(fwhm_corner_rad[k]));
    }
    const double e = hypot(MEAN(e1), MEAN(e2));
    budget->elongation_measured = isfinite(e) ? elongation_of(fmin(0.99, e)) : NAN;
    for (size_t i = 0; evidence && i < evidence->n_frames; i++) {
        const double x = evidence->frames[i].airmass;
        if (isfinite(x)) {
            budget->airmass_min = fmin(budget->airmass_min, x);
            budget->airmass_max = fmax(budget->airmass_max, x);
            budget->is_airmass_known = true;
        }
    }
}

static void compare(struct nw_star_budget *budget) {
    const double p = budget->predicted_rad;
    const double m = budget->measured_rad;
    const double sigma_p = budget->predicted_sigma_rad;
    if (isfinite(budget->allowed_rad) && sigma_p > 0.0) {
        budget->over_probability = 0.5 * erfc((budget->allowed_rad - p) / (sqrt(2.0) * sigma_p));
    }
    if (isfinite(m)) {
        const double u = m * m - p * p;
        const double sigma = 2.0 * hypot(m * budget->measured_sigma_rad, p * sigma_p);
        budget->unexplained_rad2 = u;
        budget->unexplained_sigma_rad2 = sigma;
        budget->could_hide_rad = sqrt(fmax(0.0, u + 1.6449 * sigma)); /* 95 %, one-sided */
    }
}

static void caution(struct nw_star_budget *budget, const char *text) {
    if (budget->n_cautions < sizeof budget->cautions / sizeof *budget->cautions) {
        nw_text_copy(budget->cautions[budget->n_cautions++], sizeof budget->cautions[0], text);
    }
}

static void find_cautions(const struct nw_star_evidence *evidence, struct nw_star_budget *budget) {
    caution(budget, "a mount that moves can pinch and tip: before a trial with the drive off or "
                    "pulses by hand, clear cables and hands, and watch it");
    for (size_t i = 0; i < budget->n_advice; i++) {
        if (strcmp(budget->advice[i].change->effort, "adjustment") == 0) {
            caution(budget, "adjust with the mount parked and the tube held: loosened parts and "
                            "weights fall");
            break;
        }
    }
    if (evidence && evidence->has_guiding && !evidence->is_join_certain) {
        caution(budget,
                "fewer than three dithers between frames: the clocks of log and frames were "
                "taken as they are");
    }
}

static enum nw_status fill(const struct nw_rig *rig, const struct nw_setup *setup,
                           const struct nw_star_evidence *evidence,
                           const struct nw_star_alternative *alternatives, size_t n_alternatives,
                           struct nw_star_budget *budget, struct nw_err *err) {
    struct star_point rig_point;
    struct star_point point;
    double relative[NW_STAR_N_LINES];
    double effect[NW_STAR_N_LINES];
    star_point_of(rig, setup, &rig_point);
    night_point(&rig_point, evidence, &point);
    take_known(evidence, &point);
    describe_lines(setup, &rig_point, &point, evidence, budget);
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_line *line = &budget->lines[k];
        relative[k] = line->is_present ? line->alone_sigma_rad / line->alone_rad : 0.0;
    }
    budget->allowed_rad = allocation(setup, "total");
    budget->airmass = star_value(&point, STAR_P_AIRMASS);
    budget->is_angle_known = setup->camera_angle_rad.from != NW_FROM_ASSUMED &&
                             setup->camera_angle_rad.from != NW_FROM_UNKNOWN;
    measured_total(evidence, budget);
    enum nw_status status = share_out(&point, budget, err);
    if (status == NW_OK) {
        status = star_effects(&point, relative, effect, err);
    }
    if (status == NW_OK) {
        double sum = 0.0;
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            sum += effect[k] * effect[k];
        }
        budget->predicted_sigma_rad = sqrt(sum);
        compare(budget);
        status = over_the_field(&point, budget, err);
    }
    if (status == NW_OK) {
        status = roundness(&point, budget, err);
    }
    if (status == NW_OK) {
        status = star_blind_run(&point, evidence, relative, &budget->blind, err);
    }
    if (status == NW_OK) {
        status =
            star_advise(&rig_point, &point, alternatives, n_alternatives, relative, budget, err);
    }
    if (status == NW_OK) {
        star_find_unknown(&point, evidence, effect, budget);
        find_cautions(evidence, budget);
    }
    return status;
}

enum nw_status nw_star_budget_new(const struct nw_rig *rig, const struct nw_setup *setup,
                                  const struct nw_star_evidence *evidence,
                                  const struct nw_star_alternative *alternatives,
                                  size_t n_alternatives, struct nw_star_budget **ret,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct nw_star_budget *budget = nw_calloc(1, sizeof *budget);
    if (!budget) {
        return nw_err_set(err, NW_NOMEM, "star-width budget");
    }
    budget->over_probability = budget->unexplained_rad2 = budget->unexplained_sigma_rad2 = NAN;
    budget->could_hide_rad = NAN;
    budget->airmass_min = INFINITY;
    budget->airmass_max = -INFINITY;
    if (evidence && evidence->n_frames == 0 && !evidence->has_guiding && evidence->n_known == 0) {
        evidence = NULL;
    }
    status = fill(rig, setup, evidence, alternatives, n_alternatives, budget, err);
    if (status == NW_OK && evidence && evidence->n_frames > 0 && budget->n_frames == 0) {
        status = nw_err_set(err, NW_DATA, "no width in any of %zu frames: no usable stars",
                            evidence->n_frames);
    }
    if (status == NW_OK) {
        *ret = budget;
        budget = NULL;
    }
    nw_star_budget_free(budget);
    return status;
}

void nw_star_budget_free(struct nw_star_budget *budget) {
    if (budget) {
        free(budget->blind.subs);
        free(budget->advice);
        free(budget->leave);
        free(budget);
    }
}
