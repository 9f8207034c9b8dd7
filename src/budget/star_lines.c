/* star_lines.c - every line of the star-width budget as OTFs on the sky.
 * Idea: one function a line, values in, OTFs and the width alone out; docs/models.md says the
 * same in words. Frame axes x, y; +y at the camera angle, +x a quarter turn from it towards west
 * (a sky that is not mirrored; a mirrored one changes the sign of e2 and no width). */
#include <math.h>
#include <stdint.h>

#include "budget/star_internal.h"
#include "sky/sky.h"

#define V(name) star_value(point, STAR_P_##name)

double star_value(const struct star_point *point, enum star_param param) {
    return point->p[param].v;
}

double star_scale_rad_px(const struct star_point *point) {
    return V(PIXEL) * V(BINNING) / V(FOCAL_LENGTH);
}

/* d D / f^2 */
double star_disc_per_defocus(const struct star_point *point) {
    return nw_optics_defocus_disc_rad(1.0, V(FOCAL_LENGTH) / V(APERTURE), V(FOCAL_LENGTH));
}

static void put(struct star_line *line, enum nw_otf_kind kind, double p0, double p1, double p2) {
    line->parts[line->n++] = (struct nw_otf){.kind = kind, .p = {p0, p1, p2, 0.0}};
}

/* r0 ~ lambda^1.2 X^-0.6 (Fried 1966; Roddier 1981); the profile is that of r0 and L0. */
static void air_above(const struct star_point *point, struct star_line *line) {
    const double r0_500_m = nw_sky_r0_of_seeing_m(V(SEEING), 500e-9, V(OUTER_SCALE));
    const double r0_m = r0_500_m * pow(V(CENTRE) / 500e-9, 1.2) * pow(V(AIRMASS), -0.6);
    put(line, NW_OTF_SEEING, r0_m, V(CENTRE), V(OUTER_SCALE));
    line->width_rad = nw_sky_fwhm_of_r0_rad(r0_m, V(CENTRE), V(OUTER_SCALE));
}

/* Kolmogorov in shape, so that it adds to the air above by the 5/3 power (Racine et al. 1991, PASP
 * 103, 1020, for dome seeing); no law of airmass. */
static void local_air(const struct star_point *point, struct star_line *line) {
    line->width_rad = V(LOCAL_AIR);
    if (V(LOCAL_AIR) > 0.0) {
        put(line, NW_OTF_SEEING, 0.97586343 * V(CENTRE) / V(LOCAL_AIR), V(CENTRE), INFINITY);
    }
}

static void diffraction(const struct star_point *point, struct star_line *line) {
    put(line, NW_OTF_PUPIL, V(APERTURE), V(CENTRE), V(OBSTRUCTION));
    line->width_rad = nw_otf_alone_rad(&line->parts[0]);
}

static void mix_of(const struct star_point *point, struct star_line *line, size_t n) {
    double sum = 0.0;
    double weight = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += line->mix[i].weight * line->mix[i].diameter_rad * line->mix[i].diameter_rad;
        weight += line->mix[i].weight;
    }
    line->width_rad = sqrt(sum / weight); /* the rms disc */
    line->n = 1;
    line->parts[0] = (struct nw_otf){
        .kind = NW_OTF_DISCS, .p = {0.0, V(CENTRE) / V(APERTURE)}, .mix = line->mix, .n_mix = n};
}

/* Focus spread over 400-700 nm, scaled by the passband's share of those 300 nm, m^2 at the sensor;
 * every colour of the band gives its own disc: uniform from 0 to sqrt 3 rms. */
static void lens_colour(const struct star_point *point, struct star_line *line) {
    const double m2 = V(MAGNIFICATION) * V(MAGNIFICATION);
    const double rms_m = V(COLOUR_SPREAD) * V(PASSBAND) / 300e-9 * m2;
    enum { N = 12 };
    for (int i = 0; i < N; i++) {
        line->mix[i].diameter_rad =
            sqrt(3.0) * rms_m * (i + 0.5) / N * star_disc_per_defocus(point);
        line->mix[i].weight = 1.0;
    }
    mix_of(point, line, N);
}

static void decentre(const struct star_point *point, struct star_line *line) {
    const double variance = pow(V(DECENTRE) / NW_FWHM_PER_SIGMA, 2.0);
    put(line, NW_OTF_GAUSS, variance, 0.0, variance);
    line->width_rad = V(DECENTRE);
}

/* Largest drift of focus between two runs, at the sensor. The tube moves the objective's focus
 * against corrector and camera: m^2 whatever the focuser carries. */
static double focus_drift_m(const struct star_point *point) {
    return V(TUBE_LENGTH) * V(EXPANSION) * fabs(V(TEMPERATURE_RATE)) * V(FOCUS_INTERVAL) *
           (1.0 - V(COMPENSATION)) * V(MAGNIFICATION) * V(MAGNIFICATION);
}

static double focus_run_m(const struct star_point *point) {
    return V(REPEATABILITY) *
           nw_optics_defocus_per_travel(V(MAGNIFICATION), point->corrector_rides);
}

struct star_focus_discs star_focus_discs(const struct star_point *point) {
    const double phase = isnan(point->focus_phase) ? 1.0 : point->focus_phase;
    return (struct star_focus_discs){phase * focus_drift_m(point) * star_disc_per_defocus(point),
                                     focus_run_m(point) * star_disc_per_defocus(point)};
}

/* Mean of the discs over drift (uniform from 0 to its largest, or at its phase) and over the errors
 * of focus runs (three-point Gauss-Hermite: 0, +-sqrt 3 with weights 4, 1, 1). */
static void focus(const struct star_point *point, struct star_line *line) {
    static const double node[3] = {-1.7320508075688772, 0.0, 1.7320508075688772}; /* sqrt 3 */
    static const double weight[3] = {1.0, 4.0, 1.0};
    const bool is_any_time = isnan(point->focus_phase);
    const int n_phases = is_any_time ? STAR_MIX / 3 : 1;
    size_t n = 0;
    for (int i = 0; i < n_phases; i++) {
        const double phase = is_any_time ? (i + 0.5) / n_phases : point->focus_phase;
        for (int k = 0; k < 3; k++) {
            const double defocus_m = phase * focus_drift_m(point) + node[k] * focus_run_m(point);
            line->mix[n].diameter_rad = fabs(defocus_m) * star_disc_per_defocus(point);
            line->mix[n++].weight = weight[k];
        }
    }
    mix_of(point, line, n);
}

static double blur_at(const struct star_point *point, double u, double v) {
    const double w = point->width_px;
    const double h = point->height_px;
    const double c = cos(V(TILT_DIRECTION));
    const double s = sin(V(TILT_DIRECTION));
    /* tilt corner to corner = 2 (|a| W + |b| H) / diagonal, a and b per half diagonal */
    const double slope = 0.5 * V(TILT) * hypot(w, h) / (fabs(c) * w + fabs(s) * h);
    const double r2 = u * u + v * v;
    /* focus is set for the mean of the frame, where r^2 is 1/3 of a half diagonal squared */
    const double defocus = slope * (c * u + s * v) + V(CURVATURE) * (r2 - 1.0 / 3.0);
    const double lines = 0.5 * V(ASTIGMATISM) * r2;
    /* second moments of an ellipse with axes |d + s|, |d - s|: those of a disc sqrt(d^2 + s^2) */
    return hypot(defocus, lines) * star_disc_per_defocus(point);
}

struct star_field_blur star_field_blur(const struct star_point *point) {
    enum { SIDE = 15 };
    const double diagonal = hypot(point->width_px, point->height_px);
    const double u_most = point->width_px / diagonal;
    const double v_most = point->height_px / diagonal;
    double blur[SIDE * SIDE];
    size_t n = 0;
    for (int i = 0; i < SIDE; i++) {
        for (int j = 0; j < SIDE; j++) {
            blur[n++] = blur_at(point, u_most * (2.0 * i - SIDE + 1.0) / SIDE,
                                v_most * (2.0 * j - SIDE + 1.0) / SIDE);
        }
    }
    struct star_field_blur ret = {.centre_rad = blur_at(point, 0.0, 0.0)};
    for (int k = 0; k < 4; k++) { /* the middle of a corner zone of the 5 x 5 that frames have */
        const double at = blur_at(point, k & 1 ? 0.8 * u_most : -0.8 * u_most,
                                  k & 2 ? 0.8 * v_most : -0.8 * v_most);
        ret.corner_rad = fmax(ret.corner_rad, at);
    }
    ret.median_rad = nw_stat_median(blur, n);
    return ret;
}

/* A frame's width is that of its median star; width grows with the disc, so the median star has
 * the median disc. */
static void tilt_curvature(const struct star_point *point, struct star_line *line) {
    line->width_rad = star_field_blur(point).median_rad;
    put(line, NW_OTF_DISC, line->width_rad, V(CENTRE) / V(APERTURE), 0.0);
}

/* Unit vectors of east and north in the frame. */
static void sky_axes(const struct star_point *point, double east[2], double north[2]) {
    const double angle = isfinite(V(CAMERA_ANGLE)) ? V(CAMERA_ANGLE) : 0.0;
    east[0] = -cos(angle);
    east[1] = sin(angle);
    north[0] = sin(angle);
    north[1] = cos(angle);
}

static void motion(const struct star_point *point, struct star_line *line) {
    double e[2];
    double n[2];
    sky_axes(point, e, n);
    const double ra2 = V(MOTION_RA) * V(MOTION_RA);
    const double dec2 = V(MOTION_DEC) * V(MOTION_DEC);
    put(line, NW_OTF_GAUSS, ra2 * e[0] * e[0] + dec2 * n[0] * n[0],
        ra2 * e[0] * e[1] + dec2 * n[0] * n[1], ra2 * e[1] * e[1] + dec2 * n[1] * n[1]);
    line->width_rad = NW_FWHM_PER_SIGMA * sqrt(0.5 * (ra2 + dec2));
}

/* A line of this length on the frame, along a position angle. */
static void put_along(const struct star_point *point, struct star_line *line, double length,
                      double angle_rad) {
    double e[2];
    double n[2];
    sky_axes(point, e, n);
    put(line, NW_OTF_LINE, length * (n[0] * cos(angle_rad) + e[0] * sin(angle_rad)),
        length * (n[1] * cos(angle_rad) + e[1] * sin(angle_rad)), 0.0);
}

/* Where its direction was not measured: gravity pulls along the vertical. */
static void flexure(const struct star_point *point, struct star_line *line) {
    const double length = V(FLEXURE) * V(SUB_LENGTH);
    put_along(point, line, length,
              point->is_flexure_angle_known ? point->flexure_angle_rad : point->vertical_rad);
    line->width_rad = length / sqrt(2.0);
}

/* Half of the stars lie farther from the middle than this many half diagonals. */
static double median_distance(const struct star_point *point) {
    enum { SIDE = 15 };
    const double diagonal = hypot(point->width_px, point->height_px);
    double distance[SIDE * SIDE];
    size_t n = 0;
    for (int i = 0; i < SIDE; i++) {
        for (int j = 0; j < SIDE; j++) {
            distance[n++] = hypot(point->width_px * (2.0 * i - SIDE + 1.0) / SIDE,
                                  point->height_px * (2.0 * j - SIDE + 1.0) / SIDE) /
                            diagonal;
        }
    }
    return nw_stat_median(distance, n);
}

#define DEC_IF_UNKNOWN (40.0 * NW_RAD_PER_DEG)

/* A line along the circle about the guide star, taken to be near the middle; its direction turns
 * with the place, so that over the frame it is round: variance L^2/24 an axis. */
static void field_rotation(const struct star_point *point, struct star_line *line) {
    const double dec = isfinite(point->dec_rad) ? point->dec_rad : DEC_IF_UNKNOWN;
    const double half_diagonal_rad =
        0.5 * hypot(point->width_px, point->height_px) * V(PIXEL) / V(FOCAL_LENGTH);
    const double most = 85.0 * NW_RAD_PER_DEG; /* nearer the pole the field hardly moves at all */
    const double turn =
        nw_sky_field_rotation_rad_s(V(POLAR_ERROR), fmin(fabs(dec), most)) * V(SUB_LENGTH);
    const double length = turn * half_diagonal_rad * median_distance(point);
    put(line, NW_OTF_GAUSS, length * length / 24.0, 0.0, length * length / 24.0);
    line->width_rad = NW_FWHM_PER_SIGMA * length / sqrt(24.0);
}

/* Length of the uniform line with the variance of the true one: photons flat over the passband in
 * wavelength, displaced by (n - n_centre) tan z. */
static double dispersion_length_rad(const struct star_point *point) {
    const struct nw_air_state air = {.pressure_Pa = V(PRESSURE),
                                     .temperature_K = V(TEMPERATURE),
                                     .relative_humidity = V(HUMIDITY)};
    const double zenith = 0.5 * NW_PI - nw_sky_altitude_of_airmass(fmax(1.0, V(AIRMASS)));
    enum { N = 16 };
    double sum = 0.0;
    double square = 0.0;
    for (int i = 0; i < N; i++) {
        const double wavelength = V(CENTRE) + V(PASSBAND) * ((i + 0.5) / N - 0.5);
        const double at = nw_sky_dispersion_rad(zenith, wavelength, V(CENTRE), &air);
        sum += at / N;
        square += at * at / N;
    }
    return sqrt(12.0 * fmax(0.0, square - sum * sum));
}

/* Along the vertical. */
static void dispersion(const struct star_point *point, struct star_line *line) {
    const double length = dispersion_length_rad(point);
    put_along(point, line, length, point->vertical_rad);
    line->width_rad = length / sqrt(2.0);
}

static void pixel(const struct star_point *point, struct star_line *line) {
    put(line, NW_OTF_BOX, star_scale_rad_px(point), 0.0, 0.0);
    line->width_rad = star_scale_rad_px(point);
}

/* Green filled in from its four neighbours: kernel 1 and four times 1/4 over 2, variance 1/4 px^2
 * an axis, in the mean over phases. */
static void colour_filter(const struct star_point *point, struct star_line *line) {
    if (point->is_colour && point->is_interpolated) {
        const double variance = 0.25 * pow(star_scale_rad_px(point), 2.0);
        put(line, NW_OTF_GAUSS, variance, 0.0, variance);
        line->width_rad = NW_FWHM_PER_SIGMA * sqrt(variance);
    }
}

static void resampling(const struct star_point *point, struct star_line *line) {
    if (point->resampling != NW_OTF_BOX) {
        put(line, point->resampling, star_scale_rad_px(point), 0.0, 0.0);
        line->width_rad = nw_otf_alone_rad(&line->parts[0]);
    }
}

#define P(name) ((uint64_t)1 << STAR_P_##name)
#define OPTICS_INPUTS (P(APERTURE) | P(FOCAL_LENGTH))
_Static_assert(STAR_N_PARAMS <= 64, "inputs of a line are bits");
static const struct {
    void (*build)(const struct star_point *point, struct star_line *line);
    uint64_t inputs;
    const char *basis;
} LINES[NW_STAR_N_LINES] = {
    [NW_STAR_AIR_ABOVE] = {air_above, P(SEEING) | P(OUTER_SCALE) | P(AIRMASS) | P(CENTRE),
                           "von Karman, X^0.6, whole tip-tilt (Fried 1966; Tokovinin 2002)"},
    [NW_STAR_LOCAL_AIR] = {local_air, P(LOCAL_AIR),
                           "Kolmogorov shape, no airmass law (after Racine 1991)"},
    [NW_STAR_DIFFRACTION] = {diffraction, P(APERTURE) | P(OBSTRUCTION) | P(CENTRE),
                             "annular aperture (Born & Wolf 8.5; O'Neill 1956)"},
    [NW_STAR_LENS_COLOUR] = {lens_colour,
                             P(COLOUR_SPREAD) | P(PASSBAND) | P(MAGNIFICATION) | OPTICS_INPUTS,
                             "mean of defocus discs over the passband, spread ~ its width"},
    [NW_STAR_DECENTRE] = {decentre, P(DECENTRE), "constant coma as a round Gaussian"},
    [NW_STAR_FOCUS] = {focus,
                       P(TUBE_LENGTH) | P(EXPANSION) | P(TEMPERATURE_RATE) | P(FOCUS_INTERVAL) |
                           P(COMPENSATION) | P(REPEATABILITY) | P(MAGNIFICATION) | OPTICS_INPUTS,
                       "mean of defocus discs over drift and focus runs, m^2 at the sensor"},
    [NW_STAR_TILT_CURVATURE] = {tilt_curvature,
                                P(TILT) | P(TILT_DIRECTION) | P(CURVATURE) | P(ASTIGMATISM) |
                                    OPTICS_INPUTS,
                                "defocus disc of the frame's median star"},
    [NW_STAR_MOTION] = {motion, P(MOTION_RA) | P(MOTION_DEC),
                        "Gaussian per axis about each sub's mean"},
    [NW_STAR_FLEXURE] = {flexure, P(FLEXURE) | P(SUB_LENGTH), "uniform line, rate x sub"},
    [NW_STAR_FIELD_ROTATION] = {field_rotation, P(POLAR_ERROR) | P(SUB_LENGTH) | P(FOCAL_LENGTH),
                                "polar error x sidereal rate / cos dec (Hook 1989)"},
    [NW_STAR_DISPERSION] = {dispersion,
                            P(AIRMASS) | P(CENTRE) | P(PASSBAND) | P(PRESSURE) | P(TEMPERATURE),
                            "Filippenko 1982 over the passband"},
    [NW_STAR_PIXEL] = {pixel, P(PIXEL) | P(BINNING) | P(FOCAL_LENGTH), "square pixel, once"},
    [NW_STAR_COLOUR_FILTER] = {colour_filter, P(PIXEL) | P(FOCAL_LENGTH),
                               "green filled in from four neighbours, mean over phases"},
    [NW_STAR_RESAMPLING] = {resampling, P(PIXEL) | P(BINNING) | P(FOCAL_LENGTH),
                            "kernel, mean over subpixel shifts"},
};

const char *nw_star_line_name(enum nw_star_line_id id) {
    static const char *const names[NW_STAR_N_LINES] = {
#define X(name, text, label) text,
        NW_STAR_LINE_LIST(X)
#undef X
    };
    return names[id];
}

const char *star_line_basis(enum nw_star_line_id id) {
    return LINES[id].basis;
}

void star_line_build(enum nw_star_line_id id, const struct star_point *point,
                     struct star_line *ret) {
    ret->n = 0;
    ret->width_rad = 0.0;
    LINES[id].build(point, ret);
    if (point->factor[id] < 1.0 || point->factor[id] > 1.0) {
        star_line_scale(ret, point->factor[id]);
    }
    if (ret->width_rad <= 0.0) { /* NaN stays, for composing to refuse */
        ret->n = 0;
    }
}

void star_line_scale(struct star_line *line, double factor) {
    line->width_rad *= factor;
    if (!(line->width_rad > 0.0)) {
        line->n = 0;
        return;
    }
    for (size_t i = 0; i < line->n; i++) {
        struct nw_otf *part = &line->parts[i];
        switch (part->kind) {
        case NW_OTF_SEEING: /* T(factor f): r = lambda f */
        case NW_OTF_PUPIL:
            part->p[1] *= factor;
            break;
        case NW_OTF_DISCS:
            for (size_t k = 0; k < part->n_mix; k++) {
                line->mix[k].diameter_rad *= factor;
            }
            break;
        case NW_OTF_GAUSS:
            for (int k = 0; k < 3; k++) {
                part->p[k] *= factor * factor;
            }
            break;
        case NW_OTF_DISC: /* a larger defocus behind the same aperture */
            part->p[0] *= factor;
            break;
        case NW_OTF_LINE:
        case NW_OTF_BOX:
        case NW_OTF_BILINEAR:
        case NW_OTF_LANCZOS3:
            part->p[0] *= factor;
            part->p[1] *= factor;
            break;
        }
    }
}

static bool is_input(enum nw_star_line_id id, int param) {
    return (LINES[id].inputs >> param) & 1u;
}

double star_line_sigma(enum nw_star_line_id id, const struct star_point *point) {
    double sum = 0.0;
    for (int k = 0; k < STAR_N_PARAMS; k++) {
        const double sigma = point->p[k].sigma;
        if (!is_input(id, k) || !(sigma > 0.0)) {
            continue;
        }
        struct star_line line;
        double width[2];
        for (int side = 0; side < 2; side++) {
            struct star_point moved = *point;
            moved.p[k].v += side ? sigma : -sigma;
            /* widths, lengths and airmasses do not go below their floor */
            const double floor_v = k == STAR_P_AIRMASS ? 1.0 : 0.0;
            if (point->p[k].v >= floor_v && moved.p[k].v < floor_v) {
                moved.p[k].v = k == STAR_P_SEEING ? 0.1 * point->p[k].v : floor_v;
            }
            star_line_build(id, &moved, &line);
            width[side] = line.width_rad;
        }
        const double half = 0.5 * (width[1] - width[0]);
        sum += isfinite(half) ? half * half : 0.0;
    }
    return sqrt(sum);
}

enum nw_from star_line_provenance(enum nw_star_line_id id, const struct star_point *point) {
    static const int rank[] = {[NW_FROM_UNKNOWN] = 0,
                               [NW_FROM_ASSUMED] = 1,
                               [NW_FROM_GIVEN] = 2,
                               [NW_FROM_HEADER] = 3,
                               [NW_FROM_MEASURED] = 4};
    enum nw_from weakest = NW_FROM_MEASURED;
    for (int k = 0; k < STAR_N_PARAMS; k++) {
        if (is_input(id, k) && rank[point->p[k].from] < rank[weakest]) {
            weakest = point->p[k].from;
        }
    }
    return weakest == NW_FROM_UNKNOWN ? NW_FROM_ASSUMED : weakest;
}

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
void star_line_detail(enum nw_star_line_id id, const struct star_point *point, char *text,
                      size_t size) {
    text[0] = 0;
    switch (id) {
    case NW_STAR_AIR_ABOVE:
        (void)snprintf(text, size, "%.2f arcsec at the zenith and 500 nm; airmass %.2f, %.0f nm",
                       ARCSEC(V(SEEING)), V(AIRMASS), V(CENTRE) * 1e9);
        break;
    case NW_STAR_FOCUS:
        (void)snprintf(text, size, "drift to %.0f um, runs +- %.0f um, at the sensor",
                       focus_drift_m(point) * 1e6, focus_run_m(point) * 1e6);
        break;
    case NW_STAR_TILT_CURVATURE: {
        const struct star_field_blur blur = star_field_blur(point);
        (void)snprintf(text, size, "disc: middle %.2f, median %.2f, worst corner %.2f arcsec",
                       ARCSEC(blur.centre_rad), ARCSEC(blur.median_rad), ARCSEC(blur.corner_rad));
        break;
    }
    case NW_STAR_MOTION:
        (void)snprintf(text, size, "rms %.2f arcsec in RA, %.2f in Dec", ARCSEC(V(MOTION_RA)),
                       ARCSEC(V(MOTION_DEC)));
        break;
    case NW_STAR_FLEXURE:
        (void)snprintf(text, size, "%.2f arcsec end to end in %.0f s",
                       ARCSEC(V(FLEXURE) * V(SUB_LENGTH)), V(SUB_LENGTH));
        break;
    case NW_STAR_FIELD_ROTATION:
        (void)snprintf(text, size, "guide star taken near the middle, declination %s%.0f deg",
                       isfinite(point->dec_rad) ? "" : "assumed ",
                       (isfinite(point->dec_rad) ? point->dec_rad : DEC_IF_UNKNOWN) *
                           NW_DEG_PER_RAD);
        break;
    case NW_STAR_DISPERSION:
        (void)snprintf(text, size, "line of %.2f arcsec at airmass %.2f",
                       ARCSEC(dispersion_length_rad(point)), V(AIRMASS));
        break;
    case NW_STAR_COLOUR_FILTER:
        (void)snprintf(text, size, "%s",
                       !point->is_colour        ? "mono camera"
                       : point->is_interpolated ? "finished colour image, green"
                                                : "each colour measured on its own pixels");
        break;
    default:
        break;
    }
}
