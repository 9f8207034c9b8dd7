/* causes.c - likely causes of common elongation, in order.
 * Idea: what dispersion does is predicted and taken off; the rest is held against the axes of the
 * mount, the vertical and its own pattern over the field. Each finding gives points to causes by
 * one table of rules, with its reason in words. The points are common practice, no source: they
 * order, they are no probabilities, and without a lead of two points nothing is called likely.
 * Holds: a finding that is not known applies no rule. */
#include "look/causes.h"

#include <math.h>

static const struct {
    const char *word, *text;
} CAUSES[] = {
#define X(name, word, text) [NW_CAUSE_##name] = {word, text},
    NW_CAUSE_LIST(X)
#undef X
};
static const char *const DECIDES[] = {
    [NW_CAUSE_DISPERSION] =
        "the same field near the zenith, or through a narrow filter: it must go",
    [NW_CAUSE_RIGHT_ASCENSION] =
        "half the exposure time: a trail halves, optics stay; or the drive stopped for 15 s: the "
        "trail shows the direction",
    [NW_CAUSE_DECLINATION] =
        "the guide log's declination, or half the exposure time: a drift halves",
    [NW_CAUSE_OTHER_MOTION] = "short exposures: motion fades, optics stay; a still night against a "
                              "windy one",
    [NW_CAUSE_ASTIGMATISM] = "a frame on either side of focus: the direction turns by 90 deg",
    [NW_CAUSE_CONSTANT_OPTICS] =
        "short exposures of bright stars at focus: it stays; turning the camera: it turns with "
        "the optics, not with the camera",
};

const char *nw_cause_word(enum nw_cause_id id) {
    return CAUSES[id].word;
}
const char *nw_cause_text(enum nw_cause_id id) {
    return CAUSES[id].text;
}
const char *nw_cause_decides(enum nw_cause_id id) {
    return DECIDES[id];
}

/* ---- findings and rules ---- */
#define FINDING_LIST(X)                                                                            \
    X(DISPERSION_FITS, "predicted dispersion has that strength and direction")                     \
    X(DISPERSION_STRONG, "predicted dispersion is strong enough; direction not known")             \
    X(DISPERSION_WEAK, "predicted dispersion is under a third of it")                              \
    X(DISPERSION_ASIDE, "its direction is not the vertical")                                       \
    X(ALONG_RA, "what is left lies along right ascension")                                         \
    X(ALONG_DEC, "what is left lies along declination")                                            \
    X(ACROSS_AXES, "what is left lies along neither axis")                                         \
    X(PATTERN, "direction or strength changes over the field")                                     \
    X(NO_PATTERN, "alike over the whole field")                                                    \
    X(STEADY, "alike in all frames of the night")                                                  \
    X(UNSTEADY, "changes from frame to frame")
enum finding {
#define X(name, text) FINDING_##name,
    FINDING_LIST(X)
#undef X
        N_FINDINGS
};
static const char *const FINDINGS[] = {
#define X(name, text) [FINDING_##name] = (text),
    FINDING_LIST(X)
#undef X
};

static const struct rule {
    enum finding finding;
    enum nw_cause_id cause;
    int points;
} RULES[] = {
    /* strength and direction both right: nothing else need be called upon */
    {FINDING_DISPERSION_FITS, NW_CAUSE_DISPERSION, 4},
    {FINDING_DISPERSION_FITS, NW_CAUSE_RIGHT_ASCENSION, -2},
    {FINDING_DISPERSION_FITS, NW_CAUSE_DECLINATION, -2},
    {FINDING_DISPERSION_FITS, NW_CAUSE_OTHER_MOTION, -2},
    {FINDING_DISPERSION_FITS, NW_CAUSE_CONSTANT_OPTICS, -2},
    {FINDING_DISPERSION_STRONG, NW_CAUSE_DISPERSION, 2},
    {FINDING_DISPERSION_WEAK, NW_CAUSE_DISPERSION, -3},
    {FINDING_DISPERSION_ASIDE, NW_CAUSE_DISPERSION, -3},
    /* an axis within 15 deg comes by chance in one case of six */
    {FINDING_ALONG_RA, NW_CAUSE_RIGHT_ASCENSION, 3},
    {FINDING_ALONG_RA, NW_CAUSE_DECLINATION, -3},
    {FINDING_ALONG_RA, NW_CAUSE_OTHER_MOTION, -1},
    {FINDING_ALONG_DEC, NW_CAUSE_DECLINATION, 3},
    {FINDING_ALONG_DEC, NW_CAUSE_RIGHT_ASCENSION, -3},
    {FINDING_ALONG_DEC, NW_CAUSE_OTHER_MOTION, -1},
    {FINDING_ACROSS_AXES, NW_CAUSE_RIGHT_ASCENSION, -2},
    {FINDING_ACROSS_AXES, NW_CAUSE_DECLINATION, -2},
    {FINDING_ACROSS_AXES, NW_CAUSE_OTHER_MOTION, 2},
    {FINDING_ACROSS_AXES, NW_CAUSE_CONSTANT_OPTICS, 1},
    /* motion and air move all stars alike; only optics know the field */
    {FINDING_PATTERN, NW_CAUSE_ASTIGMATISM, 4},
    {FINDING_PATTERN, NW_CAUSE_RIGHT_ASCENSION, -1},
    {FINDING_PATTERN, NW_CAUSE_DECLINATION, -1},
    {FINDING_PATTERN, NW_CAUSE_OTHER_MOTION, -1},
    {FINDING_PATTERN, NW_CAUSE_CONSTANT_OPTICS, -2},
    {FINDING_NO_PATTERN, NW_CAUSE_ASTIGMATISM, -3},
    {FINDING_NO_PATTERN, NW_CAUSE_RIGHT_ASCENSION, 1},
    {FINDING_NO_PATTERN, NW_CAUSE_DECLINATION, 1},
    {FINDING_NO_PATTERN, NW_CAUSE_OTHER_MOTION, 1},
    {FINDING_NO_PATTERN, NW_CAUSE_CONSTANT_OPTICS, 1},
    /* optics do not change in minutes; worm, wind and seeing do */
    {FINDING_STEADY, NW_CAUSE_CONSTANT_OPTICS, 1},
    {FINDING_STEADY, NW_CAUSE_OTHER_MOTION, -1},
    {FINDING_UNSTEADY, NW_CAUSE_CONSTANT_OPTICS, -2},
    {FINDING_UNSTEADY, NW_CAUSE_ASTIGMATISM, -1},
    {FINDING_UNSTEADY, NW_CAUSE_RIGHT_ASCENSION, 1},
    {FINDING_UNSTEADY, NW_CAUSE_OTHER_MOTION, 1},
};

static const double AXIS_NEAR_RAD = 15.0 * NW_RAD_PER_DEG;
static const double AXIS_FAR_RAD = 25.0 * NW_RAD_PER_DEG;
static const double DISPERSION_ERROR = 0.25; /* passband and spectrum of the stars, relative */

double nw_spread_e(double variance_px2, double fwhm_px, double moffat_beta) {
    const double beta = isfinite(moffat_beta) ? moffat_beta : 3.5;
    const double r = 0.5 * fwhm_px;
    const double alpha2 = r * r / (pow(2.0, 1.0 / beta) - 1.0);
    /* f = (1 + r^2/alpha^2)^-beta; spread: f + V/2 f_xx; where that is half of its centre */
    const double q = 1.0 + r * r / alpha2;
    const double slope = -2.0 * beta * r / alpha2 * pow(q, -beta - 1.0);
    const double along =
        -2.0 * beta / alpha2 * pow(q, -beta - 1.0) +
        4.0 * beta * (beta + 1.0) * r * r / (alpha2 * alpha2) * pow(q, -beta - 2.0);
    const double centre = -2.0 * beta / alpha2;
    const double a = r + 0.5 * variance_px2 * (0.5 * centre - along) / slope;
    const double b = r + 0.5 * variance_px2 * (0.5 * centre - slope / r) / slope;
    return (a * a - b * b) / (a * a + b * b);
}

/* Angle between two axes, 0 .. pi/2. */
static double between_axes(double a, double b) {
    return fabs(remainder(a - b, NW_PI));
}

/* ---- constant and pattern over the zones ---- */
enum { TERMS = 7 };

static bool solve(double a[TERMS][TERMS + 1]) {
    for (int k = 0; k < TERMS; k++) {
        if (!(a[k][k] > 1e-9)) {
            return false;
        }
        for (int i = 0; i < TERMS; i++) {
            const double f = i == k ? 0.0 : a[i][k] / a[k][k];
            for (int j = k; j <= TERMS; j++) {
                a[i][j] -= f * a[k][j];
            }
        }
    }
    return true;
}

/* What the fit says at a zone: the two components without the constant. */
static void terms_at(double u, double v, double row[2][TERMS]) {
    /* constant; radial (or, negative, tangential) growing as r^2; linear, as tilt makes it */
    const double first[TERMS] = {1.0, 0.0, u * u - v * v, u, v, 0.0, 0.0};
    const double second[TERMS] = {0.0, 1.0, 2.0 * u * v, 0.0, 0.0, u, v};
    memcpy(row[0], first, sizeof first);
    memcpy(row[1], second, sizeof second);
}

static void fit_pattern(const struct nw_zone *zones, struct nw_elongation_causes *c) {
    double a[TERMS][TERMS + 1] = {{0.0}};
    double row[2][TERMS];
    int n = 0;
    double sigma2 = 0.0;
    c->constant_e = c->pattern_e = c->pattern_sigma = NAN;
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        const struct nw_zone *const z = &zones[k];
        if (!isfinite(z->e1) || !(z->e_sigma > 0.0)) {
            continue;
        }
        const double weight = 1.0 / (z->e_sigma * z->e_sigma + 1e-4); /* 0.01: no zone rules */
        terms_at(z->u, z->v, row);
        for (int axis = 0; axis < 2; axis++) {
            for (int i = 0; i < TERMS; i++) {
                for (int j = 0; j < TERMS; j++) {
                    a[i][j] += weight * row[axis][i] * row[axis][j];
                }
                a[i][TERMS] += weight * row[axis][i] * (axis == 0 ? z->e1 : z->e2);
            }
        }
        sigma2 += z->e_sigma * z->e_sigma;
        n++;
    }
    if (n < 12 || !solve(a)) {
        return;
    }
    double sum = 0.0;
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        terms_at(zones[k].u, zones[k].v, row);
        for (int axis = 0; axis < 2; axis++) {
            double value = 0.0;
            for (int i = 2; i < TERMS; i++) {
                value += row[axis][i] * a[i][TERMS] / a[i][i];
            }
            sum += value * value;
        }
    }
    c->constant_e = hypot(a[0][TERMS] / a[0][0], a[1][TERMS] / a[1][1]);
    c->pattern_e = sqrt(sum / (NW_ZONES_X * NW_ZONES_Y));
    /* five numbers out of 2 n values of error sigma leave an rms of sigma sqrt(5 / n) */
    c->pattern_sigma = sqrt(sigma2 / n * 5.0 / n);
}

/* ---- putting it together ---- */
static void take_off_dispersion(const struct nw_elongation_facts *f,
                                struct nw_elongation_causes *c) {
    c->dispersion_e = nw_spread_e(f->dispersion_px2, f->fwhm_px, f->moffat_beta);
    c->rest_e1 = f->e1;
    c->rest_e2 = f->e2;
    c->rest_sigma = f->e_sigma;
    if (isfinite(c->dispersion_e) && isfinite(f->up_rad)) {
        c->rest_e1 -= c->dispersion_e * cos(2.0 * f->up_rad);
        c->rest_e2 -= c->dispersion_e * sin(2.0 * f->up_rad);
        c->rest_sigma = hypot(f->e_sigma, DISPERSION_ERROR * c->dispersion_e);
    }
    const double e = fmin(hypot(c->rest_e1, c->rest_e2), 0.999);
    c->rest = sqrt((1.0 + e) / (1.0 - e));
    c->rest_angle_rad = 0.5 * atan2(c->rest_e2, c->rest_e1);
    c->to_east_rad = between_axes(c->rest_angle_rad, f->east_rad);
    c->to_up_rad = between_axes(c->angle_rad, f->up_rad);
}

static void find(const struct nw_elongation_facts *f, const struct nw_elongation_causes *c,
                 bool found[static N_FINDINGS]) {
    const double e = hypot(f->e1, f->e2);
    const double rest = hypot(c->rest_e1, c->rest_e2);
    const double d = c->dispersion_e;
    const bool is_rest = rest > 3.0 * c->rest_sigma && rest > 0.3 * e;
    found[FINDING_DISPERSION_FITS] =
        isfinite(f->up_rad) && d > 0.3 * e && rest < 0.5 * e && rest < 3.0 * c->rest_sigma + 0.01;
    found[FINDING_DISPERSION_STRONG] = !isfinite(f->up_rad) && d > 0.6 * e && d < 1.6 * e;
    found[FINDING_DISPERSION_WEAK] = d < e / 3.0;
    found[FINDING_DISPERSION_ASIDE] = c->to_up_rad > AXIS_FAR_RAD;
    found[FINDING_ALONG_RA] = is_rest && c->to_east_rad < AXIS_NEAR_RAD;
    found[FINDING_ALONG_DEC] = is_rest && c->to_east_rad > 0.5 * NW_PI - AXIS_NEAR_RAD;
    found[FINDING_ACROSS_AXES] =
        is_rest && c->to_east_rad > AXIS_FAR_RAD && c->to_east_rad < 0.5 * NW_PI - AXIS_FAR_RAD;
    found[FINDING_PATTERN] =
        c->pattern_e > 3.0 * c->pattern_sigma && c->pattern_e > 0.5 * c->constant_e;
    found[FINDING_NO_PATTERN] = c->pattern_e < 0.3 * c->constant_e + c->pattern_sigma &&
                                c->pattern_sigma < 0.3 * c->constant_e;
    found[FINDING_STEADY] = f->scatter < 0.25 * e;
    found[FINDING_UNSTEADY] = f->scatter > 0.5 * e && f->scatter > 2.0 * f->e_sigma;
}

static void apply(const struct rule *rule, struct nw_cause *cause) {
    const char *const text = FINDINGS[rule->finding];
    cause->points += rule->points;
    if (rule->points > 0 && cause->n_for < NW_CAUSE_REASONS) {
        cause->for_it[cause->n_for++] = text;
    } else if (rule->points < 0 && cause->n_against < NW_CAUSE_REASONS) {
        cause->against[cause->n_against++] = text;
    }
}

bool nw_elongation_explain(const struct nw_elongation_facts *f, struct nw_elongation_causes *ret) {
    const double e = hypot(f->e1, f->e2);
    if (!(e > 5.0 * f->e_sigma) || !(e > 0.03) || !(e < 1.0)) {
        return false;
    }
    struct nw_elongation_causes c = {.seen = sqrt((1.0 + e) / (1.0 - e)),
                                     .angle_rad = 0.5 * atan2(f->e2, f->e1)};
    take_off_dispersion(f, &c);
    fit_pattern(f->zones, &c);
    bool found[N_FINDINGS] = {false};
    find(f, &c, found);
    for (int k = 0; k < NW_N_CAUSES; k++) {
        c.causes[k].id = (enum nw_cause_id)k;
    }
    for (size_t i = 0; i < sizeof RULES / sizeof RULES[0]; i++) {
        if (found[RULES[i].finding]) {
            apply(&RULES[i], &c.causes[RULES[i].cause]);
        }
    }
    for (int i = 1; i < NW_N_CAUSES; i++) { /* few: by insertion, ties keep the order of the list */
        for (int k = i; k > 0 && c.causes[k].points > c.causes[k - 1].points; k--) {
            const struct nw_cause swap = c.causes[k];
            c.causes[k] = c.causes[k - 1];
            c.causes[k - 1] = swap;
        }
    }
    c.is_first_likely = c.causes[0].points >= 3 && c.causes[0].points >= c.causes[1].points + 2;
    *ret = c;
    return true;
}

void nw_elongation_facts_of_frame(const struct nw_frame *frame, const struct nw_measure *m,
                                  struct nw_elongation_facts *ret) {
    struct nw_frame_air air = nw_frame_air_of(frame);
    const double centre = nw_colour_wavelength_m(m->channel);
    if (isfinite(centre)) { /* 90 nm: width of a colour filter (common practice, no source) */
        air.band_m[0] = centre - 45e-9;
        air.band_m[1] = centre + 45e-9;
    }
    *ret = (struct nw_elongation_facts){
        .e1 = m->e1,
        .e2 = m->e2,
        .e_sigma = m->e_sigma,
        .fwhm_px = m->fwhm_px,
        .moffat_beta = m->moffat_beta,
        .dispersion_px2 = nw_dispersion_variance_px2(&air, air.band_m[0], air.band_m[1]),
        .up_rad = air.up_rad,
        .east_rad = air.east_rad,
        .scatter = NAN};
    memcpy(ret->zones, m->zones, sizeof ret->zones);
}
