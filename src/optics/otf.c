/* otf.c - the transfer function of each contributor; see optics.h.
 * Idea: all are real (symmetric under a half-turn), so that their product is one too.
 * Papers: von Karman structure function: Tokovinin 2002, PASP 114, 1156, eq. 16-18 (after Conan
 * 2000); pupil: O'Neill 1956, JOSA 46, 285, as areas of circle overlap. */
#include "optics/optics_internal.h"

#include <gsl/gsl_sf_bessel.h>
#include <gsl/gsl_sf_gamma.h>
#include <math.h>

/* 2 [(24/5) Gamma(6/5)]^(5/6) / 2: exponent of the long-exposure OTF; REFERENCES IMG-10 */
#define KOLMOGOROV_EXPONENT 3.4419386

static double sinc(double x) {
    const double a = NW_PI * x;
    return fabs(a) < 1e-4 ? 1.0 - a * a / 6.0 : sin(a) / a;
}

static double disc_value(double diameter_f) {
    const double a = NW_PI * diameter_f;
    return fabs(a) < 1e-4 ? 1.0 - a * a / 8.0 : 2.0 * j1(a) / a;
}

/* Gamma(5/6)/2^(1/6) - x^(5/6) K_{5/6}(x): by the ascending series below 1, where the two nearly
 * cancel (DLMF 10.25.2, 10.27.4). */
static double karman_bracket(double x) {
    const double nu = 5.0 / 6.0;
    if (x > 1.0) {
        return gsl_sf_gamma(nu) / pow(2.0, 1.0 / 6.0) -
               pow(x, nu) * exp(-x) * gsl_sf_bessel_Knu_scaled(nu, x);
    }
    const double q = 0.25 * x * x;
    double plus = pow(0.5 * x, nu) / gsl_sf_gamma(1.0 + nu);   /* of I_nu, k = 0 */
    double minus = pow(0.5 * x, -nu) / gsl_sf_gamma(1.0 - nu); /* of I_-nu, k = 0 */
    double sum = plus;
    for (int k = 1; k < 12; k++) {
        plus *= q / (k * (k + nu));
        minus *= q / (k * (k - nu));
        sum += plus - minus;
    }
    return pow(x, nu) * 0.5 * NW_PI / sin(nu * NW_PI) * sum;
}

static double seeing_value(const double p[4], double f) {
    const double r_m = p[1] * f;
    const double scale_m = p[2];
    if (!(r_m > 0.0)) {
        return 1.0;
    }
    if (!isfinite(scale_m)) {
        return exp(-KOLMOGOROV_EXPONENT * pow(r_m / p[0], 5.0 / 3.0));
    }
    const double front = pow(2.0, 1.0 / 6.0) * gsl_sf_gamma(11.0 / 6.0) * pow(NW_PI, -8.0 / 3.0) *
                         pow(4.8 * gsl_sf_gamma(1.2), 5.0 / 6.0); /* Tokovinin 2002, eq. 16 */
    const double structure =
        front * pow(scale_m / p[0], 5.0 / 3.0) * karman_bracket(2.0 * NW_PI * r_m / scale_m);
    return exp(-0.5 * structure);
}

/* Area common to two circles of radii a >= b, centres s apart. */
static double overlap(double a, double b, double s) {
    if (s >= a + b || !(b > 0.0)) {
        return 0.0;
    }
    if (s <= a - b) {
        return NW_PI * b * b;
    }
    const double ca = fmin(1.0, fmax(-1.0, (s * s + a * a - b * b) / (2.0 * s * a)));
    const double cb = fmin(1.0, fmax(-1.0, (s * s + b * b - a * a) / (2.0 * s * b)));
    const double root = (a + b - s) * (s + a - b) * (s - a + b) * (s + a + b);
    return a * a * acos(ca) + b * b * acos(cb) - 0.5 * sqrt(fmax(0.0, root));
}

static double pupil_value(const double p[4], double f) {
    const double s = 2.0 * f * p[1] / p[0]; /* shift in radii */
    const double eps = p[2];
    const double area = overlap(1.0, 1.0, s) - 2.0 * overlap(1.0, eps, s) + overlap(eps, eps, s);
    return area / (NW_PI * (1.0 - eps * eps));
}

/* The overlap of two shifted pupils, over which the wavefronts differ, is narrower by f lambda/D.
 */
static double defocus_argument(const struct nw_otf *otf, double f) {
    return f * fmax(0.0, 1.0 - f * otf->p[1]);
}

static double discs_value(const struct nw_otf *otf, double f) {
    const double g = defocus_argument(otf, f);
    double sum = 0.0;
    double weight = 0.0;
    for (size_t i = 0; i < otf->n_mix; i++) {
        sum += otf->mix[i].weight * disc_value(otf->mix[i].diameter_rad * g);
        weight += otf->mix[i].weight;
    }
    return sum / weight;
}

/* sinc(x) sinc(x/3) for |x| < 3 (Lanczos kernel; Duchon 1979, J. Appl. Meteor. 18, 1016). */
static double lanczos3(double x) {
    return fabs(x) < 3.0 ? sinc(x) * sinc(x / 3.0) : 0.0;
}

/* Its Fourier transform by the trapezoid rule: the kernel and its first derivative vanish at the
 * ends, 96 steps give 1e-5 up to three cycles per pixel. */
static double lanczos3_value(double u) {
    enum { STEPS = 96 };
    double sum = 0.5;
    double norm = 0.5;
    for (int i = 1; i < STEPS; i++) {
        const double x = 3.0 * i / STEPS;
        sum += lanczos3(x) * cos(2.0 * NW_PI * u * x);
        norm += lanczos3(x);
    }
    return sum / norm;
}

static double gauss_value(const double p[4], double fx, double fy) {
    return exp(-2.0 * NW_PI * NW_PI * (p[0] * fx * fx + 2.0 * p[1] * fx * fy + p[2] * fy * fy));
}

double nw_otf_value(const struct nw_otf *otf, double fx_cyc_rad, double fy_cyc_rad) {
    const double *p = otf->p;
    const double f = hypot(fx_cyc_rad, fy_cyc_rad);
    switch (otf->kind) {
    case NW_OTF_SEEING:
        return seeing_value(p, f);
    case NW_OTF_PUPIL:
        return pupil_value(p, f);
    case NW_OTF_DISC:
        return disc_value(p[0] * defocus_argument(otf, f));
    case NW_OTF_DISCS:
        return discs_value(otf, f);
    case NW_OTF_GAUSS:
        return gauss_value(p, fx_cyc_rad, fy_cyc_rad);
    case NW_OTF_LINE:
        return sinc(p[0] * fx_cyc_rad + p[1] * fy_cyc_rad);
    case NW_OTF_BOX:
        return sinc(p[0] * fx_cyc_rad) * sinc(p[0] * fy_cyc_rad);
    case NW_OTF_BILINEAR: {
        const double h = sinc(p[0] * fx_cyc_rad) * sinc(p[0] * fy_cyc_rad);
        return h * h;
    }
    case NW_OTF_LANCZOS3:
        return lanczos3_value(p[0] * fx_cyc_rad) * lanczos3_value(p[0] * fy_cyc_rad);
    }
    return NAN;
}

struct nw_otf optics_geometric(const struct nw_otf *otf) {
    struct nw_otf ret = *otf;
    if (otf->kind == NW_OTF_DISC || otf->kind == NW_OTF_DISCS) {
        ret.p[1] = 0.0;
    }
    return ret;
}

bool optics_is_round(const struct nw_otf *otf) {
    return otf->kind == NW_OTF_SEEING || otf->kind == NW_OTF_PUPIL || otf->kind == NW_OTF_DISC ||
           otf->kind == NW_OTF_DISCS;
}

static const char *kind_name(enum nw_otf_kind kind) {
    switch (kind) {
#define X(name, text, parameters)                                                                  \
    case NW_OTF_##name:                                                                            \
        return text;
        NW_OTF_LIST(X)
#undef X
    }
    return "unknown kind";
}

static bool is_mix_valid(const struct nw_otf *otf) {
    double weight = 0.0;
    for (size_t i = 0; i < otf->n_mix; i++) {
        if (!(otf->mix[i].weight >= 0.0) || !(otf->mix[i].diameter_rad >= 0.0) ||
            !isfinite(otf->mix[i].diameter_rad)) {
            return false;
        }
        weight += otf->mix[i].weight;
    }
    return weight > 0.0 && isfinite(weight);
}

static bool is_valid(const struct nw_otf *otf) {
    const double *p = otf->p;
    switch (otf->kind) {
    case NW_OTF_SEEING:
        return p[0] > 0.0 && isfinite(p[0]) && p[1] > 0.0 && isfinite(p[1]) && p[2] > 0.0;
    case NW_OTF_PUPIL:
        return p[0] > 0.0 && isfinite(p[0]) && p[1] > 0.0 && isfinite(p[1]) && p[2] >= 0.0 &&
               p[2] < 1.0;
    case NW_OTF_DISCS:
        return is_mix_valid(otf) && p[1] >= 0.0 && isfinite(p[1]);
    case NW_OTF_DISC:
        return p[0] >= 0.0 && isfinite(p[0]) && p[1] >= 0.0 && isfinite(p[1]);
    case NW_OTF_GAUSS:
        return p[0] >= 0.0 && p[2] >= 0.0 && isfinite(p[0] + p[2]) &&
               p[1] * p[1] <= p[0] * p[2] * (1.0 + 1e-9);
    case NW_OTF_LINE:
        return isfinite(p[0]) && isfinite(p[1]);
    case NW_OTF_BOX:
    case NW_OTF_BILINEAR:
    case NW_OTF_LANCZOS3:
        return p[0] >= 0.0 && isfinite(p[0]);
    }
    return false;
}

enum nw_status nw_otf_check(const struct nw_otf *otf, struct nw_err *err) {
    if (is_valid(otf)) {
        return NW_OK;
    }
    return nw_err_set(err, NW_DOMAIN, "%s: parameters %g, %g, %g are out of range",
                      kind_name(otf->kind), otf->p[0], otf->p[1], otf->p[2]);
}

/* Of the kernel along one axis: sinc(x) sinc(x/3) = 1/2 by bisection. */
static double lanczos3_fwhm(void) {
    double low = 0.0;
    double high = 1.0;
    for (int i = 0; i < 40; i++) {
        const double x = 0.5 * (low + high);
        *(lanczos3(x) > 0.5 ? &low : &high) = x;
    }
    return 2.0 * low;
}

static double alone_composed(const struct nw_otf *otf) {
    struct nw_psf psf;
    return nw_psf_compose(otf, 1, &psf, NULL) == NW_OK ? psf.fwhm_rad : NAN;
}

static double alone_discs(const struct nw_otf *otf) {
    double sum = 0.0;
    double weight = 0.0;
    for (size_t i = 0; i < otf->n_mix; i++) {
        const double d = otf->mix[i].diameter_rad;
        sum += otf->mix[i].weight * d * d;
        weight += otf->mix[i].weight;
    }
    return sqrt(sum / weight);
}

double nw_otf_alone_rad(const struct nw_otf *otf) {
    const double *p = otf->p;
    switch (otf->kind) {
    case NW_OTF_SEEING:
    case NW_OTF_PUPIL:
        return alone_composed(otf);
    case NW_OTF_DISCS:
        return alone_discs(otf);
    case NW_OTF_GAUSS:
        return NW_FWHM_PER_SIGMA * sqrt(0.5 * (p[0] + p[2]));
    case NW_OTF_LINE:
        return hypot(p[0], p[1]) / sqrt(2.0);
    case NW_OTF_DISC:
    case NW_OTF_BOX:
    case NW_OTF_BILINEAR:
        return p[0];
    case NW_OTF_LANCZOS3:
        return p[0] * lanczos3_fwhm();
    }
    return NAN;
}
