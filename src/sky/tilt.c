/* tilt.c - spectrum of the image motion of an aperture.
 * Idea: the phase has power W(f) = C r0^(-5/3) (f^2 + 1/L0^2)^(-11/6); its gradient, averaged over
 * the aperture, is the angle lambda f_i W^(1/2) times the aperture's window. A frozen flow carries
 * it past, so that the frequency along the flow becomes time and the one across is summed over.
 * Holds: r0 belongs to 500 nm; the angle is the same at every wavelength.
 * Paper: Martin 1987, PASP 99, 1360; Conan, Rousset & Madec 1995, JOSA A 12, 1559. */
#include "sky/tilt.h"

#include <gsl/gsl_sf_bessel.h>
#include <math.h>

#define KOLMOGOROV_PSD 0.0228956 /* phase PSD r0^-5/3 f^-11/3; REFERENCES IMG-24 */
#define WAVELENGTH_m 500e-9      /* of r0 */

/* Mean of a wave over a full disc: 2 J1(x)/x, x = pi D f. */
static double disc(double x) {
    return x < 1e-4 ? 1.0 : 2.0 * gsl_sf_bessel_J1(x) / x;
}

/* Over an annulus: the disc less its hole. */
static double window(double f, const struct nw_tilt_aperture *a) {
    const double x = NW_PI * a->aperture_m * f;
    const double hole = a->obstruction * a->obstruction;
    return (disc(x) - (hole > 0.0 ? hole * disc(x * a->obstruction) : 0.0)) / (1.0 - hole);
}

struct nw_tilt_power nw_sky_tilt_power(double frequency_1_m,
                                       const struct nw_tilt_aperture *aperture) {
    const struct nw_tilt_power nothing = {NAN, NAN};
    if (!(frequency_1_m > 0.0) || !(aperture->aperture_m > 0.0) ||
        !(aperture->obstruction >= 0.0) || !(aperture->obstruction < 1.0) ||
        aperture->outer_scale_m <= 0.0) {
        return nothing;
    }
    const double inverse_outer =
        isfinite(aperture->outer_scale_m) ? 1.0 / aperture->outer_scale_m : 0.0;
    const double fx2 = frequency_1_m * frequency_1_m;
    const double core = sqrt(fx2 + inverse_outer * inverse_outer);
    /* Midpoint rule in the logarithm of the frequency across. Below 0.001 of the core nothing
     * changes any more: one step. At the top the density falls as f^-4.7. */
    enum { N = 300 };
    const double low = log(1e-3 * core);
    const double high = log(20.0 / aperture->aperture_m + 20.0 * core);
    const double step = (high - low) / N;
    double along = 0.0;
    double across = 0.0;
    for (int i = -1; i < N; i++) {
        const double fy = i < 0 ? 0.0 : exp(low + step * (i + 0.5));
        const double width = i < 0 ? 1e-3 * core : fy * step;
        const double f2 = fx2 + fy * fy;
        const double filter = window(sqrt(f2), aperture);
        const double power =
            KOLMOGOROV_PSD * pow(f2 + inverse_outer * inverse_outer, -11.0 / 6.0) * filter * filter;
        along += power * fx2 * width;
        across += power * fy * fy * width;
    }
    /* both signs of either frequency */
    const double scale = 4.0 * WAVELENGTH_m * WAVELENGTH_m;
    return (struct nw_tilt_power){scale * along, scale * across};
}
