/* bright.c - brightness of the sky: the dark sky, the Moon, twilight.
 * Idea: closed formulas fitted by others, each named where it stands. */
#include "sky/bright.h"

#include <math.h>

double nw_sky_nl_of_mag(double mag_arcsec2) {
    return 34.08 * exp(20.7233 - 0.92104 * mag_arcsec2); /* K&S 1991, eq. 1 */
}

double nw_sky_mag_of_nl(double nl) {
    return (20.7233 - log(nl / 34.08)) / 0.92104;
}

double nw_sky_glow_airmass(double zenith_rad) {
    const double s = sin(zenith_rad);
    return 1.0 / sqrt(1.0 - 0.96 * s * s); /* eq. 3 */
}

double nw_sky_dark_nl(double zenith_mag_arcsec2, double extinction_mag, double zenith_rad) {
    const double x = nw_sky_glow_airmass(zenith_rad);
    return nw_sky_nl_of_mag(zenith_mag_arcsec2) * pow(10.0, -0.4 * extinction_mag * (x - 1.0)) * x;
}

double nw_sky_moonlight_nl(double phase_rad, double separation_rad, double zenith_rad,
                           double moon_zenith_rad, double extinction_mag) {
    if (!(moon_zenith_rad < 0.5 * NW_PI) || !(zenith_rad < 0.5 * NW_PI)) {
        return 0.0;
    }
    const double alpha_deg = fabs(phase_rad) * NW_DEG_PER_RAD;
    const double rho_deg = separation_rad * NW_DEG_PER_RAD;
    const double cos_rho = cos(separation_rad);
    /* eq. 20: illuminance of the Moon outside the atmosphere */
    const double moon = pow(10.0, -0.4 * (3.84 + 0.026 * alpha_deg + 4e-9 * pow(alpha_deg, 4.0)));
    const double rayleigh = pow(10.0, 5.36) * (1.06 + cos_rho * cos_rho); /* eq. 21 */
    const double mie = rho_deg >= 10.0 ? pow(10.0, 6.15 - rho_deg / 40.0)
                                       : 6.2e7 / fmax(rho_deg * rho_deg, 0.0625);
    /* eq. 15 */
    return (rayleigh + mie) * moon *
           pow(10.0, -0.4 * extinction_mag * nw_sky_glow_airmass(moon_zenith_rad)) *
           (1.0 - pow(10.0, -0.4 * extinction_mag * nw_sky_glow_airmass(zenith_rad)));
}

double nw_sky_twilight_nl(double sun_altitude_rad) {
    /* Patat et al. 2006, table 1, V: 11.84 + 1.518 x - 0.057 x^2, x = zenith distance - 95 deg,
     * fitted for 95 to 105 deg. Its slope falls to 0.38 mag/deg at 105. */
    const double x = -sun_altitude_rad * NW_DEG_PER_RAD - 5.0;
    const double inside = fmax(0.0, fmin(10.0, x));
    double mag = 11.84 + 1.518 * inside - 0.057 * inside * inside;
    mag += x < 0.0 ? 1.518 * x : 0.0;
    mag += x > 10.0 ? (1.518 - 0.114 * 10.0) * (x - 10.0) : 0.0;
    const double whole = nw_sky_nl_of_mag(mag);
    const double dark = nw_sky_nl_of_mag(21.6); /* Patat 2003; REFERENCES PHO-19v2 */
    /* at x = 10 the fit is 0.3 mag above the dark sky; beyond, what is left dies out with 18 deg */
    if (x > 10.0) {
        const double left = nw_sky_nl_of_mag(11.84 + 15.18 - 5.7) - dark;
        return x >= 13.0 ? 0.0 : left * (13.0 - x) / 3.0;
    }
    return fmax(0.0, whole - dark);
}

struct nw_sky_glow nw_sky_glow_at(const struct nw_sky_moment *m, const double direction[static 3],
                                  double zenith_mag_arcsec2, double extinction_mag) {
    const double zenith = nw_sky_angle_rad(direction, m->zenith);
    const double moon_zenith = 0.5 * NW_PI - m->moon_altitude_rad;
    struct nw_sky_glow glow = {0.0, 0.0, 0.0};
    if (zenith < 0.5 * NW_PI) {
        glow.dark_nl = nw_sky_dark_nl(zenith_mag_arcsec2, extinction_mag, zenith);
        glow.moon_nl = nw_sky_moonlight_nl(m->moon_phase_rad, nw_sky_angle_rad(direction, m->moon),
                                           zenith, moon_zenith, extinction_mag);
        glow.twilight_nl = nw_sky_twilight_nl(m->sun_altitude_rad);
    }
    return glow;
}
