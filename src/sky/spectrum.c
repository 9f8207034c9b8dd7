/* spectrum.c - colours of air and sky; see spectrum.h.
 * Idea: every part has a smooth spectrum in photons per nanometre, 1 at V, averaged over the
 * passband in steps; lines of the night sky stand apart and count when they lie within it. */
#include "sky/spectrum.h"

#include <math.h>
#include <stddef.h>

#include "base/constants.h"
#include "sky/bright.h"

enum { STEPS = 24 };

/* ---- Air ---- */

static double rayleigh_mag(double elevation_m, double wavelength_m) {
    const double um = wavelength_m * 1e6;
    const double s2 = 1.0 / (um * um);
    /* Hansen & Travis 1974, Space Sci. Rev. 16, 527, eq. 2.29; 1.0857 mag per unit of depth */
    const double tau = 0.008569 * s2 * s2 * (1.0 + 0.0113 * s2 + 0.00013 * s2 * s2);
    return 2.5 / log(10.0) * tau * exp(-elevation_m / 8000.0);
}

struct point {
    double wavelength_m, value;
};

/* Straight between points; the last value goes on at either end. */
static double between(const struct point *points, size_t n, double wavelength_m) {
    size_t i = 1;
    while (i + 1 < n && wavelength_m > points[i].wavelength_m) {
        i++;
    }
    const struct point a = points[i - 1];
    const struct point b = points[i];
    const double part = (wavelength_m - a.wavelength_m) / (b.wavelength_m - a.wavelength_m);
    return a.value + fmax(0.0, fmin(1.0, part)) * (b.value - a.value);
}

/* Chappuis band, 300 Dobson units [mag]: cross sections from memory. */
static const struct point OZONE[] = {{400e-9, 0.0},   {450e-9, 0.0015}, {500e-9, 0.0105},
                                     {550e-9, 0.029}, {600e-9, 0.045},  {650e-9, 0.021},
                                     {700e-9, 0.007}, {750e-9, 0.003},  {800e-9, 0.0}};

static double molecules_mag(double elevation_m, double wavelength_m) {
    return rayleigh_mag(elevation_m, wavelength_m) +
           between(OZONE, sizeof OZONE / sizeof OZONE[0], wavelength_m);
}

double nw_sky_extinction_at(double extinction_v_mag, double elevation_m, double wavelength_m) {
    const double here = molecules_mag(elevation_m, wavelength_m);
    const double at_v = molecules_mag(elevation_m, NW_SKY_V_WAVELENGTH_m);
    if (extinction_v_mag <= at_v) {
        return extinction_v_mag * here / at_v;
    }
    return here + (extinction_v_mag - at_v) * pow(wavelength_m / NW_SKY_V_WAVELENGTH_m, -1.3);
}

/* ---- Over a passband ---- */

typedef double spectrum(const struct nw_sky_passband *band, double wavelength_m);

static double mean_over(const struct nw_sky_passband *band, spectrum *of) {
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        sum += of(band, band->centre_m + band->width_m * ((i + 0.5) / STEPS - 0.5));
    }
    return sum / STEPS;
}

static double through_air(const struct nw_sky_passband *band, double wavelength_m) {
    return pow(10.0,
               -0.4 * band->airmass *
                   nw_sky_extinction_at(band->extinction_v_mag, band->elevation_m, wavelength_m));
}

double nw_sky_air_share(const struct nw_sky_passband *band) {
    return mean_over(band, through_air);
}

/* ---- The dark sky ---- */

static const double NATURAL_V_mag = 21.6; /* PHO-19v2 */

/* Lines, and how much of each V takes up (Bessell 1990, PASP 102, 1181, from memory). */
static const struct line {
    double wavelength_m, rayleigh, of_v;
} LINES[] = {{557.7e-9, 250.0, 0.95},
             {589.3e-9, 60.0, 0.62},
             {630.0e-9, 150.0, 0.21},
             {636.4e-9, 50.0, 0.16},
             {656.3e-9, 8.0, 0.06}};
enum { N_LINES = sizeof LINES / sizeof LINES[0] };

static const double V_WIDTH_m = 88e-9; /* of V, as in REFERENCES PHO-05 */

static double natural_flat(void) { /* photons per s, m2, arcsec2 and m */
    return NW_SKY_PHOTONS_V0_s_m2_m * pow(10.0, -0.4 * NATURAL_V_mag);
}

/* Without lines, against light that is flat: B and V by Patat's colours less the lines in V; beyond
 * 600 nm bands of OH, so that R is as he saw it. */
static double continuum(const struct nw_sky_passband *band, double wavelength_m) {
    (void)band;
    static const double B_m = 438e-9, B_MAG = 22.6, B_V0 = 1392.6 / 995.5;
    double lines_in_v = 0.0;
    for (size_t i = 0; i < N_LINES; i++) {
        lines_in_v += LINES[i].rayleigh * NW_SKY_PHOTONS_RAYLEIGH_s_m2_arcsec2 * LINES[i].of_v;
    }
    const double at_v = 1.0 - lines_in_v / (natural_flat() * V_WIDTH_m);
    const double at_b = pow(10.0, -0.4 * (B_MAG - NATURAL_V_mag)) * B_V0;
    const double power = log(at_v / at_b) / log(NW_SKY_V_WAVELENGTH_m / B_m);
    static const struct point OH[] = {{605e-9, 0.0}, {640e-9, 0.45}, {700e-9, 0.55}, {800e-9, 1.3}};
    return at_v * pow(wavelength_m / NW_SKY_V_WAVELENGTH_m, power) +
           between(OH, sizeof OH / sizeof OH[0], wavelength_m);
}

double nw_sky_dark_factor(const struct nw_sky_passband *band, double zenith_nl) {
    double natural = mean_over(band, continuum);
    for (size_t i = 0; i < N_LINES; i++) {
        if (fabs(LINES[i].wavelength_m - band->centre_m) < 0.5 * band->width_m) {
            natural += LINES[i].rayleigh * NW_SKY_PHOTONS_RAYLEIGH_s_m2_arcsec2 /
                       (natural_flat() * band->width_m);
        }
    }
    const double share = fmin(1.0, nw_sky_nl_of_mag(NATURAL_V_mag) / zenith_nl);
    return share * natural + (1.0 - share);
}

/* ---- Light of the Sun ---- */

static double sunlight(double wavelength_m) { /* photons per wavelength, Planck 1901 */
    const double x = 0.0143877688 / (wavelength_m * 5772.0); /* hc/k: CODATA 2018 */
    return pow(wavelength_m, -4.0) / expm1(x);
}

static double scattered(const struct nw_sky_passband *band, double wavelength_m) {
    const double k = nw_sky_extinction_at(band->extinction_v_mag, band->elevation_m, wavelength_m);
    const double through = pow(10.0, -0.4 * k * band->airmass);
    return sunlight(wavelength_m) * through * (1.0 - through);
}

double nw_sky_moon_factor(const struct nw_sky_passband *band) {
    if (!(band->extinction_v_mag > 0.0)) {
        return 1.0; /* air that scatters nothing has no moonlight */
    }
    return mean_over(band, scattered) / scattered(band, NW_SKY_V_WAVELENGTH_m);
}

static double dusk(const struct nw_sky_passband *band, double wavelength_m) {
    (void)band;
    /* with the Sun at a zenith distance of 100 deg: B 17.870, V 18.005, R 17.635, I 16.73
     * mag/arcsec2; photons of A0 by PHO-02v1 */
    static const double MAG[] = {17.870, 18.005, 17.635, 16.730};
    static const double V0[] = {1392.6, 995.5, 702.0, 452.0};
    static const double AT_m[] = {438e-9, 545e-9, 641e-9, 798e-9};
    struct point log_points[4];
    for (size_t i = 0; i < 4; i++) {
        log_points[i] =
            (struct point){AT_m[i], log(V0[i] / V0[1]) - 0.4 * log(10.0) * (MAG[i] - MAG[1])};
    }
    return exp(between(log_points, 4, wavelength_m));
}

double nw_sky_twilight_factor(const struct nw_sky_passband *band) {
    return mean_over(band, dusk);
}
