/* seeing.c - the long-exposure seeing and the image wander of one aperture.
 * Idea: Kolmogorov or von Karman phase of one equivalent layer. The wander (tilt) spectrum is
 * integrated over ln f; the along- and across-wind axes are averaged, so that the time average of a
 * frozen flow depends on angle only through the mean of sinc^2, which has a closed series.
 * Holds: G-tilt (centroid), not Z-tilt; rms per axis; r0 and wavelength belong together.
 * Paper: Martin 1987, PASP 99, 1360; Fried 1966, JOSA 56, 1372; Tokovinin 2002, PASP 114, 1156. */
#include "sky/sky.h"

#include <gsl/gsl_integration.h>
#include <gsl/gsl_sf_bessel.h>
#include <math.h>

#define KOLMOGOROV_FWHM 0.97586343    /* FWHM in lambda/r0; REFERENCES IMG-11 */
#define KOLMOGOROV_PSD 0.0228956      /* phase PSD r0^-5/3 f^-11/3; REFERENCES IMG-24 */
#define REFERENCE_WAVELENGTH_m 500e-9 /* what "seeing" is quoted at */

double nw_sky_seeing_at(double seeing_zenith_500_rad, double airmass, double wavelength_m) {
    if (!(seeing_zenith_500_rad >= 0.0) || !(airmass >= 1.0 - 1e-6) || !(wavelength_m > 0.0)) {
        return NAN;
    }
    /* r0 ~ lambda^(6/5) X^(-3/5) (Fried 1966; Roddier 1981, Prog. Opt. 19, 281, sec. 4.2) */
    return seeing_zenith_500_rad * pow(airmass, 0.6) *
           pow(wavelength_m / REFERENCE_WAVELENGTH_m, -0.2);
}

/* Tokovinin 2002, eq. 19: FWHM with an outer scale over the Kolmogorov one */
static double outer_scale_factor(double r0_m, double outer_scale_m) {
    if (!isfinite(outer_scale_m)) {
        return 1.0;
    }
    return sqrt(fmax(0.0, 1.0 - 2.183 * pow(r0_m / outer_scale_m, 0.356)));
}

double nw_sky_fwhm_of_r0_rad(double r0_m, double wavelength_m, double outer_scale_m) {
    if (!(r0_m > 0.0) || !(wavelength_m > 0.0) || outer_scale_m <= 0.0) {
        return NAN;
    }
    return KOLMOGOROV_FWHM * wavelength_m / r0_m * outer_scale_factor(r0_m, outer_scale_m);
}

double nw_sky_r0_of_seeing_m(double fwhm_rad, double wavelength_m, double outer_scale_m) {
    if (!(fwhm_rad > 0.0) || !(wavelength_m > 0.0) || outer_scale_m <= 0.0) {
        return NAN;
    }
    /* the FWHM falls steadily with r0: halve between 0 and the Kolmogorov value (always larger) */
    double low_m = 0.0;
    double high_m = KOLMOGOROV_FWHM * wavelength_m / fwhm_rad;
    if (isfinite(outer_scale_m)) {
        for (int i = 0; i < 60; i++) {
            const double middle_m = 0.5 * (low_m + high_m);
            if (nw_sky_fwhm_of_r0_rad(middle_m, wavelength_m, outer_scale_m) > fwhm_rad) {
                low_m = middle_m;
            } else {
                high_m = middle_m;
            }
        }
    }
    return high_m * pow(REFERENCE_WAVELENGTH_m / wavelength_m, 1.2);
}

/* Mean over wind directions of sinc^2(a cos theta), with b = 2 pi a:
 *   = 2 int_0^1 (1 - u) J0(b u) du = (2/b) [int_0^b J0 - J1(b)]           (triangle <-> sinc^2)
 *   = (2/b) [J1 + 2 (J3 + J5 + ...)](b)        (Abramowitz & Stegun 1964, 11.1.2)
 *   = (2/b) [1 - J0/b - J1/b^2 + 3 J0/b^3 ...] for large b (parts, twice; error < 9 b^-4.5)
 * A trail much longer than the scale averages as 1/(pi a), not 1/a^2: cross-wind waves stay. */
static double mean_sinc2(double b) {
    enum { N_MAX = 127 };
    if (b < 1e-3) {
        return 1.0 - b * b / 24.0;
    }
    if (b > 60.0) {
        const double j0 = gsl_sf_bessel_J0(b);
        const double j1 = gsl_sf_bessel_J1(b);
        return 2.0 / b * (1.0 - j0 / b - j1 / (b * b) + 3.0 * j0 / (b * b * b));
    }
    double j[N_MAX + 1];
    const int n_max = 21 + (int)(1.5 * b); /* terms beyond order b die faster than exponentially */
    (void)gsl_sf_bessel_Jn_array(0, n_max, b, j);
    double sum = j[1];
    for (int n = 3; n <= n_max; n += 2) {
        sum += 2.0 * j[n];
    }
    return 2.0 / b * sum;
}

/* One-axis tilt variance per ln f: pi lambda^2 f^4 W(f) [2 J1(pi D f)/(pi D f)]^2 mean sinc^2.
 * The gradient of the phase has power (2 pi f)^2 W, an angle is lambda/(2 pi) times it, and the
 * mean of two axes takes half of f^2 over 2 pi f df. */
struct tilt {
    double aperture_m, inverse_outer_m, path_m;
};

static double tilt_density(double f, const struct tilt *t) {
    const double x = NW_PI * t->aperture_m * f;
    const double filter = x < 1e-4 ? 1.0 : 2.0 * gsl_sf_bessel_J1(x) / x;
    const double f2 = f * f;
    const double spectrum =
        KOLMOGOROV_PSD * pow(f2 + t->inverse_outer_m * t->inverse_outer_m, -11.0 / 6.0);
    return NW_PI * f2 * f2 * spectrum * filter * filter * mean_sinc2(2.0 * NW_PI * f * t->path_m);
}

double nw_sky_tilt_rms_rad(double aperture_m, double r0_m, double wavelength_m,
                           double outer_scale_m, double wind_m_s, double exposure_s) {
    if (!(aperture_m > 0.0) || !(r0_m > 0.0) || !(wavelength_m > 0.0) || outer_scale_m <= 0.0 ||
        !(wind_m_s >= 0.0) || !(exposure_s >= 0.0)) {
        return NAN;
    }
    const struct tilt t = {.aperture_m = aperture_m,
                           .inverse_outer_m = isfinite(outer_scale_m) ? 1.0 / outer_scale_m : 0.0,
                           .path_m = wind_m_s * exposure_s};
    /* Without an outer scale the density falls only as f^(1/3) towards 0: 1e-15/D leaves 1e-5. At
     * the top it falls as f^(-5/3): 100/D leaves 1e-5. */
    enum { N_PANELS = 400, N_POINTS = 8 };
    const double ln_low = log(1e-15 / aperture_m);
    const double step = (log(100.0 / aperture_m) - ln_low) / N_PANELS;
    gsl_integration_glfixed_table *table = gsl_integration_glfixed_table_alloc(N_POINTS);
    if (!table) {
        return NAN;
    }
    double sum = 0.0;
    for (int panel = 0; panel < N_PANELS; panel++) {
        const double a = ln_low + panel * step;
        for (size_t i = 0; i < N_POINTS; i++) {
            double ln_f = 0.0;
            double weight = 0.0;
            (void)gsl_integration_glfixed_point(a, a + step, i, &ln_f, &weight, table);
            sum += weight * tilt_density(exp(ln_f), &t);
        }
    }
    gsl_integration_glfixed_table_free(table);
    return wavelength_m * sqrt(sum * pow(r0_m, -5.0 / 3.0));
}
