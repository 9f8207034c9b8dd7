/* sky.h - where things stand in the sky and what the air does to their light.
 * Pure functions; SI and radians; times are t_utc_s, seconds since 1970-01-01 UTC (POSIX count). */
#ifndef NW_SKY_H
#define NW_SKY_H

#include "base/base.h"

/* Relative airmass from *apparent* altitude 0..pi/2 (Pickering 2002, DIO 12, 20), >= 1. NaN below
 * the horizon. Kasten & Young 1989 beside it, for comparison. REFERENCES ATM-09. */
double nw_sky_airmass(double apparent_altitude_rad);
double nw_sky_airmass_kasten_young(double apparent_altitude_rad);
/* The other way, for 1 <= airmass <= 30 (else NaN): apparent altitude, to 1e-12 rad; exactly pi/2
 * within 2.4 arcmin of the zenith, where the airmass no longer tells. REFERENCES ATM-10. */
double nw_sky_altitude_of_airmass(double airmass);

struct nw_air_state {
    double pressure_Pa, temperature_K, relative_humidity; /* at the site; humidity 0..1 */
};
/* Pressure of the standard atmosphere (U.S. Standard Atmosphere 1976) at -500..11000 m, for sites
 * that give none; weather moves the true one by +-3 %. */
double nw_sky_standard_pressure_Pa(double elevation_m);
/* Its temperature there: 288.15 K less 6.5 K/km (the same). */
double nw_sky_standard_temperature_K(double elevation_m);

/* Refractivity n - 1 at a wavelength (Filippenko 1982, PASP 94, 715, eq. 1-3; after Edlen 1953).
 * REFERENCES ATM-02. */
double nw_sky_refractivity(double wavelength_m, const struct nw_air_state *air);

/* Differential refraction R(wavelength_a) - R(wavelength_b) = (n_a - n_b) tan z (Filippenko 1982,
 * eq. 4), z apparent zenith distance up to 80 deg (NaN beyond); > 0: a appears nearer the zenith.
 * Within 0.01 arcsec of the paper's table up to z 60 (REFERENCES ATM-01). */
double nw_sky_dispersion_rad(double zenith_rad, double wavelength_a_m, double wavelength_b_m,
                             const struct nw_air_state *air);

/* Refraction at apparent zenith distance up to 80 deg (eraRefco); NaN beyond. REFERENCES ATM-05. */
double nw_sky_refraction_rad(double zenith_rad, double wavelength_m,
                             const struct nw_air_state *air);

struct nw_place {
    double latitude_rad, longitude_rad, elevation_m; /* longitude east + */
};
struct nw_pointing {
    double altitude_rad;    /* apparent (refracted) */
    double azimuth_rad;     /* north through east */
    double hour_angle_rad;  /* of date, without refraction; -pi..pi, west + */
    double dec_rad;         /* of date, without refraction */
    double parallactic_rad; /* position angle of the zenith at the target, north through east;
                               0 on the meridian between pole and southern horizon, + west */
    double airmass;         /* NaN below the horizon */
};
#define NW_SKY_MAX_TIME_S 6.3e9 /* times taken: 200 years about 1970 */

/* Catalogue place (ICRS) as seen from a site at a moment (erfa; UT1 = UTC, no polar motion: good to
 * 15 arcsec). air NULL: no refraction. Below 3 deg altitude the refraction is a rough stand-in that
 * stays continuous (eraAtioq). DOMAIN for input that is not finite or not on the sky or Earth.
 * REFERENCES EPH-27. */
enum nw_status nw_sky_pointing(double ra_rad, double dec_rad, double t_utc_s,
                               const struct nw_place *place, const struct nw_air_state *air,
                               struct nw_pointing *ret, struct nw_err *err) NW_CHECKED;

/* Direction of the Sun from the Earth's centre (ICRS, without aberration), to be handed to
 * nw_sky_pointing: where it stands then is good to 15 arcsec (the Earth's rotation) and 9 arcsec
 * (parallax left out). NaN for times out of range.
 *   source  eraEpv00 (Bretagnon & Francou 1988, VSOP2000 fit; heliocentric Earth) */
struct nw_sky_direction {
    double ra_rad, dec_rad;
};
struct nw_sky_direction nw_sky_sun(double t_utc_s);

/* Local apparent sidereal time 0..2 pi (IAU 2006/2000A, UT1 = UTC: 15 arcsec); NaN for times out of
 * range. REFERENCES EPH-28. */
double nw_sky_sidereal_time_rad(double t_utc_s, double longitude_rad);

/* Turn of the field per second for a polar axis off by polar_error_rad in the worst direction:
 * error * rate / cos(dec) (REFERENCES POL-05; Hook 1989). */
double nw_sky_field_rotation_rad_s(double polar_error_rad, double dec_rad);

/* Atmospheric seeing at another airmass and wavelength: X^0.6, (lambda/500 nm)^-0.2 (Fried 1966;
 * Roddier 1981); REFERENCES IMG-15, IMG-16. */
double nw_sky_seeing_at(double seeing_zenith_500_rad, double airmass, double wavelength_m);

/* Fried parameter r0 and long-exposure FWHM of von Karman seeing with outer scale L0 (Tokovinin
 * 2002, PASP 114, 1156, eq. 19; good for L0 > 20 r0). L0 infinite or NaN: Kolmogorov. FWHM from
 * r0 at its own wavelength; r0 *at 500 nm* from a FWHM seen at wavelength_m (r0 ~ lambda^1.2).
 * REFERENCES IMG-14, IMG-17. */
double nw_sky_fwhm_of_r0_rad(double r0_m, double wavelength_m, double outer_scale_m);
double nw_sky_r0_of_seeing_m(double fwhm_rad, double wavelength_m, double outer_scale_m);

/* Stars per square degree brighter than V, mean at a galactic latitude.
 *   source  Tycho-2 at V 11.5 (Hog et al. 2000, A&A 355, L27, fig. 1; REFERENCES GUI-17: 25 at the
 *           poles, 50 at 30 deg, 150 in the plane, 20 %), between them a parabola of the logarithm
 *           in |sin b|; brighter ones by 10^(0.5 (V - 11.5)) (from memory; from 2.9 a square degree
 *           at V 9 to 62 at 11.5 it is 0.53); fainter ones by 10^(0.36 V) to V 14 and 10^(0.31 V)
 *           beyond, the slopes of Bahcall & Soneira 1980 (REFERENCES GUI-13): to a factor of 1.5
 *           at V 14 and of 2 at V 16; single fields differ by more. */
double nw_sky_stars_per_deg2(double magnitude, double galactic_latitude_rad);
/* Galactic latitude of a place (ICRS); agrees with astropy to 0.001 deg (test_light.py). */
double nw_sky_galactic_latitude_rad(double ra_rad, double dec_rad);

/* One-axis rms tilt (G-tilt, the centroid's) of an aperture averaged over an exposure, frozen flow
 * (Martin 1987, PASP 99, 1360; von Karman spectrum), mean of along and across the wind: what a
 * guide star wobbles by although the mount stands still. r0_m at wavelength_m; the wavelength then
 * cancels. L0 infinite or NaN: Kolmogorov. NaN outside the domain. It belongs to the seeing, never
 * to the motion of the mount. REFERENCES IMG-27, IMG-28, IMG-29 (2 %). */
double nw_sky_tilt_rms_rad(double aperture_m, double r0_m, double wavelength_m,
                           double outer_scale_m, double wind_m_s, double exposure_s);

#endif
