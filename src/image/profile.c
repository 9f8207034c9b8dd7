/* profile.c - the Moffat profile, averaged over pixels.
 * Idea: a pixel's value is the integral of the profile over the pixel; what the curvature there
 * asks for takes that integral, a series or Gauss-Legendre points inside the pixel (error below 0.1
 * % of the width from 1.3 px up, test_profile.c). Formulas: Moffat 1969, A&A 3, 455; REFERENCES
 * IMG-18 to IMG-20. */
#include "image/profile_internal.h"

double moffat_fwhm_per_alpha(double beta) {
    return 2.0 * sqrt(exp2(1.0 / beta) - 1.0);
}

double moffat_encircled(double r_per_alpha, double beta) {
    return 1.0 - pow(1.0 + r_per_alpha * r_per_alpha, 1.0 - beta);
}

double moffat_half_light_per_fwhm(double beta) {
    return sqrt(pow(0.5, 1.0 / (1.0 - beta)) - 1.0) / moffat_fwhm_per_alpha(beta);
}

double profile_fwhm_px(const struct profile *p) {
    /* axes of the ellipse are alpha_i = eigenvalue^-1/2: their geometric mean is det^-1/4 */
    return moffat_fwhm_per_alpha(p->beta) * pow(p->cxx * p->cyy - p->cxy * p->cxy, -0.25);
}

/* Gauss-Legendre abscissae and weights on -1/2 .. 1/2 (Abramowitz & Stegun 1964, table 25.4). */
const double PIXEL_NODE[PIXEL_N] = {-0.4530899229693320, -0.2692346550528415, 0.0,
                                    0.2692346550528415, 0.4530899229693320};
const double PIXEL_WEIGHT[PIXEL_N] = {0.1184634425280945, 0.2393143352496832, 0.2844444444444444,
                                      0.2393143352496832, 0.1184634425280945};

/* curvature is that of the core, 2 beta / alpha^2 of a round star: with beta 3 1.0 at a width of
 * 2.5 px and 0.03 at 14 px. The series errs by less than 0.001 of the star's peak, the middle by
 * less than 0.003 (test_power.c). */
enum pixel_rule profile_pixel_rule(const struct profile *p, double q, double pixel_width) {
    const double curvature = p->beta * (p->cxx + p->cyy) * pixel_width * pixel_width;
    if (q > 60.0 || curvature < 0.03) {
        return PIXEL_MIDDLE;
    }
    return q > 2.0 || curvature < 1.0 ? PIXEL_SERIES : PIXEL_NODES;
}

double profile_pixel(const struct profile *p, double dx, double dy, double pixel_width) {
    const double q = p->cxx * dx * dx + 2.0 * p->cxy * dx * dy + p->cyy * dy * dy;
    const enum pixel_rule rule = profile_pixel_rule(p, q, pixel_width);
    if (rule != PIXEL_NODES) {
        const double u = 1.0 + q;
        const double middle = pow(u, -p->beta);
        return rule == PIXEL_MIDDLE
                   ? middle
                   : middle * profile_average(p, dx, dy, 1.0 / u, pixel_width * pixel_width);
    }
    double sum = 0.0;
    for (int j = 0; j < PIXEL_N; j++) {
        const double y = dy + PIXEL_NODE[j] * pixel_width;
        for (int i = 0; i < PIXEL_N; i++) {
            const double x = dx + PIXEL_NODE[i] * pixel_width;
            const double u = 1.0 + p->cxx * x * x + 2.0 * p->cxy * x * y + p->cyy * y * y;
            sum += PIXEL_WEIGHT[i] * PIXEL_WEIGHT[j] * pow(u, -p->beta);
        }
    }
    return sum;
}

/* Distance along (ux, uy) where the profile convolved with the pixel falls to half: the secant,
 * and by halves where it leaves what encloses the root. */
static double half_radius(const struct profile *p, double ux, double uy, double pixel_width,
                          double guess) {
    const double half = 0.5 * profile_pixel(p, 0.0, 0.0, pixel_width);
    double low = 0.0;
    double high = 2.0 * guess + 2.0 * pixel_width;
    double at = 0.5 * sqrt(guess * guess + 0.46 * pixel_width * pixel_width);
    double before = 0.0;
    double f_before = half;
    for (int i = 0; i < 60; i++) {
        const double f = profile_pixel(p, at * ux, at * uy, pixel_width) - half;
        *(f > 0.0 ? &low : &high) = at;
        const double secant = at - f * (at - before) / (f - f_before);
        const double next = secant > low && secant < high ? secant : 0.5 * (low + high);
        before = at;
        f_before = f;
        at = next;
        if (fabs(at - before) < 1e-11 * guess) {
            break;
        }
    }
    return at;
}

struct delivered profile_delivered(const struct profile *p, double pixel_width) {
    /* the long axis belongs to the small eigenvalue of c */
    const double theta = 0.5 * atan2(-2.0 * p->cxy, p->cyy - p->cxx);
    const double guess = profile_fwhm_px(p);
    const double a = 2.0 * half_radius(p, cos(theta), sin(theta), pixel_width, guess);
    const double b = 2.0 * half_radius(p, -sin(theta), cos(theta), pixel_width, guess);
    const double e = (a * a - b * b) / (a * a + b * b);
    return (struct delivered){.fwhm_px = sqrt(a * b),
                              .major_px = fmax(a, b),
                              .minor_px = fmin(a, b),
                              .theta_rad = theta,
                              .e1 = e * cos(2.0 * theta),
                              .e2 = e * sin(2.0 * theta)};
}

double moffat_neq_area_px2(double fwhm_optical_px, double beta, double pixel_width) {
    const double alpha = fwhm_optical_px / moffat_fwhm_per_alpha(beta);
    const struct profile p = {
        .cxx = 1.0 / (alpha * alpha), .cyy = 1.0 / (alpha * alpha), .beta = beta};
    /* sums on a fine grid of a quarter plane; the flux is known in closed form */
    const double flux = NW_PI * alpha * alpha / (beta - 1.0);
    const double step = fmin(alpha, 1.0) / 6.0;
    const int n = (int)ceil(8.0 * fmax(alpha, pixel_width) / step);
    double sum2 = 0.0;
    for (int j = 0; j < n; j++) {
        for (int i = 0; i <= j; i++) { /* the other half is its mirror image */
            const double value = profile_pixel(&p, (i + 0.5) * step, (j + 0.5) * step, pixel_width);
            sum2 += (i < j ? 2.0 : 1.0) * value * value;
        }
    }
    return flux * flux / (4.0 * sum2 * step * step);
}
