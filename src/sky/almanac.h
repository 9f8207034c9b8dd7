/* almanac.h - the moving sky above one site: Sun, Moon, planets, the horizon of a moment, rise and
 * set, twilight. The second public header of the module, beside sky.h, whose conventions it shares.
 *
 * Idea: a moment is three axes (pole of date, meridian, west) and the observer's velocity, all in
 * the ICRS. A place then is one vector addition (aberration) and three products; altitude, azimuth,
 * hour angle follow. Slow things (precession, nutation, the Earth's way round the Sun) are worked
 * out once an hour of a stretch and interpolated, so that a night of minutes costs milliseconds.
 * Left out, with its size: polar motion (0.5 arcsec), deflection of light (0.004 arcsec at 90 deg
 * from the Sun), diurnal aberration of Sun and Moon (0.3 arcsec). */
#ifndef NW_SKY_ALMANAC_H
#define NW_SKY_ALMANAC_H

#include <stdbool.h>
#include <stddef.h>

#include "sky/sky.h"

struct nw_observer {
    struct nw_place place;
    struct nw_air_state air; /* pressure 0: no refraction */
    double ut1_utc_s; /* from a bulletin; NaN: taken as 0, wrong by up to 0.9 s = 13.5 arcsec of
                         hour angle (0 holds to 0.3 s from 2017 on, no leap second since) */
};

struct nw_rig;
/* Site, air and UT1 of a rig file; the standard atmosphere's pressure where it gives none. */
struct nw_observer nw_sky_observer_of(const struct nw_rig *rig);

/* Clocks: two-part Julian dates. is_dubious: erfa's table of leap seconds is too old (from 2027
 * on) or the year lies before 1960; the numbers hold if no leap second was added since. */
struct nw_clocks {
    double utc[2], ut1[2], tt[2];
    bool is_dubious;
};
enum nw_status nw_sky_clocks(double t_utc_s, double ut1_utc_s, struct nw_clocks *ret,
                             struct nw_err *err) NW_CHECKED;

/* The sky's frame above a site at one moment; all vectors ICRS, unit length where directions. */
struct nw_sky_moment {
    double t_utc_s;
    double pole[3], meridian[3], west[3]; /* of date: pole, equator on the meridian, west point */
    double zenith[3], north[3];
    double velocity_c[3];                       /* of the observer, share of the speed of light */
    double refraction_a, refraction_b;          /* A tan z + B tan^3 z (eraRefco at 0.55 um) */
    double sun[3];                              /* apparent, topocentric */
    double moon[3];                             /* apparent, topocentric */
    double sun_altitude_rad, moon_altitude_rad; /* without refraction, centre */
    double sun_distance_m, moon_distance_m;     /* topocentric */
    double moon_phase_rad;                      /* angle Sun - Moon - Earth: 0 full, pi new */
    double moon_lit;                            /* share of the disc, (1 + cos phase) / 2 */
};

/* One moment, nothing interpolated. DOMAIN as nw_sky_pointing. */
enum nw_status nw_sky_moment_at(const struct nw_observer *observer, double t_utc_s,
                                struct nw_sky_moment *ret, struct nw_err *err) NW_CHECKED;
/* n moments from t_utc_s, step_s apart (0 < step_s <= 1 h), stretch at most 400 days; `ret` has
 * room for n. Within 0.02 arcsec of nw_sky_moment_at (test_almanac.c). */
enum nw_status nw_sky_moments(const struct nw_observer *observer, double t_utc_s, double step_s,
                              size_t n, struct nw_sky_moment *ret, struct nw_err *err) NW_CHECKED;

/* Where a direction stands. ra, dec: ICRS of the catalogue. Altitude and airmass with refraction
 * (if the observer has air), the rest without; as nw_sky_pointing, within 0.4 arcsec. */
void nw_sky_look(const struct nw_sky_moment *moment, double ra_rad, double dec_rad,
                 struct nw_pointing *ret);
/* The same of a direction that is apparent already (sun, moon of the moment). */
void nw_sky_look_apparent(const struct nw_sky_moment *moment, const double direction[static 3],
                          struct nw_pointing *ret);
/* Unit vector of a catalogue place; angle between two unit vectors. */
void nw_sky_vector(double ra_rad, double dec_rad, double ret[static 3]);
double nw_sky_angle_rad(const double a[static 3], const double b[static 3]);
/* Adds the observer's motion: the direction in which a place is seen (first order, renormalised:
 * 0.001 arcsec). */
void nw_sky_aberrate(const double direction[static 3], const double velocity_c[static 3],
                     double ret[static 3]);
/* What refraction adds to an altitude; eraAtioq's form, a rough stand-in below 3 deg. */
double nw_sky_lift_rad(const struct nw_sky_moment *moment, double altitude_rad);

/* ---- Planets -------------------------------------------------------------------------------- */

#define NW_PLANET_LIST(X)                                                                          \
    X(MERCURY, "Mercury", 1)                                                                       \
    X(VENUS, "Venus", 2)                                                                           \
    X(MARS, "Mars", 4)                                                                             \
    X(JUPITER, "Jupiter", 5)                                                                       \
    X(SATURN, "Saturn", 6)                                                                         \
    X(URANUS, "Uranus", 7)                                                                         \
    X(NEPTUNE, "Neptune", 8)
enum nw_planet {
#define X(name, text, number) NW_PLANET_##name,
    NW_PLANET_LIST(X)
#undef X
        NW_N_PLANETS
};
const char *nw_planet_name(enum nw_planet planet);
/* Apparent geocentric direction (ICRS axes), distance. eraPlan94 (Simon et al. 1994, A&A 282, 663):
 * 4 arcsec Mercury to 71 arcsec Uranus against DE200 over 1800-2050 by its own list; here Jupiter
 * 36 arcsec at most against DE405. NOT for pointing; to keep bright planets out of a field. */
enum nw_status nw_sky_planet(const struct nw_sky_moment *moment, enum nw_planet planet,
                             double ret_direction[static 3], double *ret_distance_m,
                             struct nw_err *err) NW_CHECKED;

/* ---- Rise, set, twilight -------------------------------------------------------------------- */

#define NW_SUN_SET_RAD (-50.0 / 60.0 * NW_RAD_PER_DEG) /* centre, 34' refraction + 16' disc */
#define NW_TWILIGHT_CIVIL_RAD (-6.0 * NW_RAD_PER_DEG)
#define NW_TWILIGHT_NAUTICAL_RAD (-12.0 * NW_RAD_PER_DEG)
#define NW_TWILIGHT_ASTRONOMICAL_RAD (-18.0 * NW_RAD_PER_DEG)

/* Noon to noon: the night of a civil date at a site, by local mean solar time. t_noon of the date
 * given as midnight of that date counted as if UTC. */
double nw_sky_noon_utc_s(double date_s, double longitude_rad);
/* The other way round: 0 h UTC of the civil date on whose evening the night of this moment began;
 * longitude NaN: Greenwich. */
double nw_sky_evening_utc_s(double t_utc_s, double longitude_rad);

/* When the Sun's centre (no refraction) goes below and comes above an altitude between noon and
 * noon; REFERENCES EPH-25: within 1 s. */
struct nw_dark {
    bool exists; /* false: never below (is_always_above), or never above */
    bool is_always_above, is_always_below;
    double start_s, end_s;       /* UTC; of a polar night: noon and noon */
    double lowest_rad, lowest_s; /* lowest altitude of the Sun and when */
};
enum nw_status nw_sky_dark(const struct nw_observer *observer, double t_noon_s, double altitude_rad,
                           struct nw_dark *ret, struct nw_err *err) NW_CHECKED;

/* Moonrise, moonset (centre at 0.7275 parallax - 34', Meeus ch. 15) between two times: up to two of
 * each; NaN where there is none. */
struct nw_moon_events {
    double rise_s, set_s; /* the first of each */
    bool is_up_at_start;
};
enum nw_status nw_sky_moon_events(const struct nw_observer *observer, double from_s, double to_s,
                                  struct nw_moon_events *ret, struct nw_err *err) NW_CHECKED;

#endif
