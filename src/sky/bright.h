/* bright.h - how bright the sky is and how much of a target's light arrives: moonlight, twilight,
 * the dark sky over the horizon, for one place or for many targets over many minutes. The third
 * public header of the module.
 *
 * Brightness is in nanolamberts inside (they add), mag/arcsec2 in V at the edges. */
#ifndef NW_SKY_BRIGHT_H
#define NW_SKY_BRIGHT_H

#include "sky/almanac.h"

/* V mag/arcsec2 and nL (Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 1); REFERENCES PHO-13. */
double nw_sky_nl_of_mag(double mag_arcsec2);
double nw_sky_mag_of_nl(double nl);
/* Airmass along which the sky glows, their eq. 3: 1 at the zenith, 5 at the horizon; PHO-18. */
double nw_sky_glow_airmass(double zenith_rad);
/* The moonless sky at a zenith distance from that at the zenith, their eq. 2. */
double nw_sky_dark_nl(double zenith_mag_arcsec2, double extinction_mag, double zenith_rad);
/* Moonlight: phase angle (0 full), separation, zenith distances of target and Moon; their eq. 3,
 * 15, 16, 20, 21. 0 with the Moon below the horizon. Errors of theirs 8 to 23 %; full Moon within 7
 * deg of opposition is up to 35 % brighter (from memory). Below 10 deg of separation the Mie part
 * is 6.2e7 / deg^2 (their eq. 18, from memory). REFERENCES PHO-15 to PHO-17. */
double nw_sky_moonlight_nl(double phase_rad, double separation_rad, double zenith_rad,
                           double moon_zenith_rad, double extinction_mag);
/* What twilight adds at the zenith, V: Patat et al. 2006, A&A 455, 385, table 1, less the dark sky
 * of their site (21.6); for the Sun at -5 to -15 deg; falling on with the last slope below that,
 * above -5 deg with the first one (a lower bound: by then there is no imaging). REFERENCES PHO-19.
 * Single site; the sky near the sunset point is brighter. */
double nw_sky_twilight_nl(double sun_altitude_rad);

/* All of it toward one direction at one moment, seen above the horizon; extinction in V. */
struct nw_sky_glow {
    double dark_nl, moon_nl, twilight_nl;
};
struct nw_sky_glow nw_sky_glow_at(const struct nw_sky_moment *moment,
                                  const double direction[static 3], double zenith_mag_arcsec2,
                                  double extinction_mag);

/* ---- Many targets over many minutes ---------------------------------------------------------- */

/* ret rows: target-major, [i_target * n_moments + i_moment]; any pointer may be NULL. Within 0.1
 * arcsec, 1e-4 of airmass (to airmass 10) and 1e-3 of moonlight of the functions above
 * (test_many.c); speed: docs/performance.md. Below the horizon airmass is NaN, moonlight 0. */
struct nw_sky_rows {
    float *altitude_rad; /* refracted where the moments have air */
    float *airmass;
    float *moonlight_nl;
};
struct nw_sky_many {
    const struct nw_sky_moment *moments;
    size_t n_moments;
    const struct nw_sky_direction *targets;
    size_t n_targets;
    double extinction_mag;
    int n_threads; /* 0: all cores */
};
enum nw_status nw_sky_many(const struct nw_sky_many *what, const struct nw_sky_rows *ret,
                           struct nw_err *err) NW_CHECKED;

#endif
