/* sky.h - where things stand in the sky and what the air does to their light.
 * Pure functions; SI and radians; times are t_utc_s, seconds since 1970-01-01 UTC (POSIX count). */
#ifndef NW_SKY_H
#define NW_SKY_H

#include "base/base.h"

/* Relative airmass from *apparent* altitude (Pickering 2002, DIO 12, 20). NaN below the horizon.
 * Kasten & Young 1989 beside it, for comparison. REFERENCES ATM-09. */
double nw_sky_airmass(double apparent_altitude_rad);
double nw_sky_airmass_kasten_young(double apparent_altitude_rad);
/* The other way, for 1 <= airmass <= 30: apparent altitude. */
double nw_sky_altitude_of_airmass(double airmass);

struct nw_air_state {
    double pressure_Pa, temperature_K, relative_humidity; /* at the site */
};
/* Pressure of the standard atmosphere at a height, for sites that give none. */
double nw_sky_standard_pressure_Pa(double elevation_m);

/* Refractivity n - 1 at a wavelength (Filippenko 1982, PASP 94, 715, eq. 1-3; after Edlen 1953).
 * REFERENCES ATM-02. */
double nw_sky_refractivity(double wavelength_m, const struct nw_air_state *air);

/* Differential refraction R(wavelength_a) - R(wavelength_b) = (n_a - n_b) tan z (Filippenko 1982,
 * eq. 4), z apparent zenith distance; > 0: a appears nearer the zenith. REFERENCES ATM-01. */
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
    double hour_angle_rad;  /* -pi..pi, west + */
    double dec_rad;         /* of date */
    double parallactic_rad; /* position angle of the zenith at the target, north through east */
    double airmass;         /* NaN below the horizon */
};
/* Catalogue place (ICRS) as seen from a site at a moment (erfa; UT1 = UTC, no polar motion: good to
 * 15 arcsec). DOMAIN for non-finite input. */
enum nw_status nw_sky_pointing(double ra_rad, double dec_rad, double t_utc_s,
                               const struct nw_place *place, const struct nw_air_state *air,
                               struct nw_pointing *ret, struct nw_err *err) NW_CHECKED;

/* Turn of the field per second for a polar axis off by polar_error_rad in the worst direction:
 * error * rate / cos(dec) (REFERENCES POL-05; Hook 1989). */
double nw_sky_field_rotation_rad_s(double polar_error_rad, double dec_rad);

/* Atmospheric seeing at another airmass and wavelength: X^0.6, (lambda/500 nm)^-0.2 (Fried 1966;
 * Roddier 1981); REFERENCES IMG-15, IMG-16. */
double nw_sky_seeing_at(double seeing_zenith_500_rad, double airmass, double wavelength_m);

/* r0 at 500 nm of a von Karman seeing FWHM with outer scale L0 (Tokovinin 2002, PASP 114, 1156):
 * solved for r0; L0 infinite or NaN: Kolmogorov. REFERENCES IMG-14, IMG-17. */
double nw_sky_r0_of_seeing_m(double fwhm_rad, double wavelength_m, double outer_scale_m);

/* One-axis rms tilt of an aperture averaged over an exposure, frozen flow (Martin 1987, PASP 99,
 * 1360; von Karman spectrum): what a guide star wobbles by although the mount stands still.
 * REFERENCES IMG-28, IMG-29 (2 %). */
double nw_sky_tilt_rms_rad(double aperture_m, double r0_m, double wavelength_m,
                           double outer_scale_m, double wind_m_s, double exposure_s);

#endif
