/* moment.c - the frame of the sky above a site, and where a place stands in it.
 * Idea: celestial intermediate system (IAU 2006/2000A, CIO based): rows of the celestial-to-
 * intermediate matrix are slow and interpolated linearly between hours; the Earth rotation angle is
 * linear in UT1 and exact. IERS Conventions (2010), TN 36, ch. 5; erfa's names beside each step.
 * Holds: 1. nodes are one hour apart: linear interpolation of nutation (fastest terms 5 days) errs
 * by 1e-4 arcsec. 2. hour angle grows to the west: H = ERA + longitude - RA of date (CIO). */
#include <erfa.h>
#include <erfam.h>
#include <math.h>

#include "sky/sky_internal.h"

#define JD_OF_POSIX_ZERO 2440587.5 /* 1970-01-01T00:00 UTC */
#define WAVELENGTH_um 0.55         /* as pointing.c */

enum nw_status nw_sky_clocks(double t_utc_s, double ut1_utc_s, struct nw_clocks *ret,
                             struct nw_err *err) {
    if (!(fabs(t_utc_s) <= NW_SKY_MAX_TIME_S)) {
        return nw_err_set(err, NW_DOMAIN, "time %g s from 1970 is outside +-200 years", t_utc_s);
    }
    if (isfinite(ut1_utc_s) && fabs(ut1_utc_s) > 1.0) {
        return nw_err_set(err, NW_DOMAIN, "UT1-UTC %g s is outside -1 to 1 s", ut1_utc_s);
    }
    struct nw_clocks c;
    const double days = floor(t_utc_s / SKY_DAY_s);
    c.utc[0] = JD_OF_POSIX_ZERO + days;
    c.utc[1] = (t_utc_s - days * SKY_DAY_s) / SKY_DAY_s;
    c.ut1[0] = c.utc[0];
    c.ut1[1] = c.utc[1] + (isfinite(ut1_utc_s) ? ut1_utc_s / SKY_DAY_s : 0.0);
    double tai[2];
    const int flag = eraUtctai(c.utc[0], c.utc[1], &tai[0], &tai[1]);
    if (flag < 0 || eraTaitt(tai[0], tai[1], &c.tt[0], &c.tt[1]) != 0) {
        return nw_err_set(err, NW_DOMAIN, "time %g s from 1970 has no calendar date", t_utc_s);
    }
    c.is_dubious = flag > 0;
    *ret = c;
    return NW_OK;
}

enum nw_status nw_sky_check_observer(const struct nw_observer *o, struct nw_err *err) {
    if (!(fabs(o->place.latitude_rad) <= NW_PI / 2.0) || !isfinite(o->place.longitude_rad)) {
        return nw_err_set(
            err, NW_DOMAIN, "site latitude %g deg, longitude %g deg is not on the Earth",
            o->place.latitude_rad * NW_DEG_PER_RAD, o->place.longitude_rad * NW_DEG_PER_RAD);
    }
    if (!(o->place.elevation_m >= -1000.0 && o->place.elevation_m <= 20000.0)) {
        return nw_err_set(err, NW_DOMAIN, "site elevation %g m is outside -1000 to 20000 m",
                          o->place.elevation_m);
    }
    return NW_OK;
}

/* ---- Slow things ---------------------------------------------------------------------------- */

enum nw_status nw_sky_node_at(const struct nw_observer *o, double t_utc_s, struct sky_node *ret,
                              struct nw_err *err) {
    struct nw_clocks c;
    const enum nw_status status = nw_sky_clocks(t_utc_s, o->ut1_utc_s, &c, err);
    if (status != NW_OK) {
        return status;
    }
    eraC2i06a(c.tt[0], c.tt[1], ret->c2i);
    double heliocentric[2][3];
    double barycentric[2][3];
    double moon[2][3];
    (void)eraEpv00(c.tt[0], c.tt[1], heliocentric, barycentric); /* TT for TDB: 2 ms */
    eraMoon98(c.tt[0], c.tt[1], moon);
    for (int i = 0; i < 3; i++) {
        ret->sun_m[i] = -heliocentric[0][i] * ERFA_DAU;
        ret->sun_v_m_s[i] = -heliocentric[1][i] * ERFA_DAU / SKY_DAY_s;
        ret->moon_m[i] = moon[0][i] * ERFA_DAU;
        ret->moon_v_m_s[i] = moon[1][i] * ERFA_DAU / SKY_DAY_s;
        ret->earth_v_c[i] = barycentric[1][i] * ERFA_DAU / SKY_DAY_s / ERFA_CMPS;
    }
    return NW_OK;
}

static double blend(double a, double b, double part) {
    return a + part * (b - a);
}

/* Cubic through places and velocities at both ends (Hermite): the Sun moves 3e6 m an hour on a
 * curve of 7e3 m sag; for the Moon the cubic errs by 0.01 m. */
static double hermite(double p0, double v0, double p1, double v1, double part, double span_s) {
    const double t = part;
    const double t2 = t * t;
    const double t3 = t2 * t;
    return (2.0 * t3 - 3.0 * t2 + 1.0) * p0 + (t3 - 2.0 * t2 + t) * span_s * v0 +
           (3.0 * t2 - 2.0 * t3) * p1 + (t3 - t2) * span_s * v1;
}

static void node_between(const struct sky_node *a, const struct sky_node *b, double part,
                         double span_s, struct sky_node *ret) {
    for (int i = 0; i < 3; i++) {
        for (int k = 0; k < 3; k++) {
            ret->c2i[i][k] = blend(a->c2i[i][k], b->c2i[i][k], part);
        }
        ret->sun_m[i] =
            hermite(a->sun_m[i], a->sun_v_m_s[i], b->sun_m[i], b->sun_v_m_s[i], part, span_s);
        ret->sun_v_m_s[i] = blend(a->sun_v_m_s[i], b->sun_v_m_s[i], part);
        ret->moon_m[i] =
            hermite(a->moon_m[i], a->moon_v_m_s[i], b->moon_m[i], b->moon_v_m_s[i], part, span_s);
        ret->moon_v_m_s[i] = blend(a->moon_v_m_s[i], b->moon_v_m_s[i], part);
        ret->earth_v_c[i] = blend(a->earth_v_c[i], b->earth_v_c[i], part);
    }
}

/* ---- One moment ----------------------------------------------------------------------------- */

static double dot(const double a[static 3], const double b[static 3]) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static double unit(const double v[static 3], double ret[static 3]) {
    const double length = sqrt(dot(v, v));
    for (int i = 0; i < 3; i++) {
        ret[i] = v[i] / length;
    }
    return length;
}

static void set_axes(const struct nw_observer *o, const struct nw_clocks *c,
                     const struct sky_node *node, struct nw_sky_moment *m) {
    const double theta = eraEra00(c->ut1[0], c->ut1[1]) + o->place.longitude_rad;
    const double cos_t = cos(theta);
    const double sin_t = sin(theta);
    const double cos_p = cos(o->place.latitude_rad);
    const double sin_p = sin(o->place.latitude_rad);
    for (int i = 0; i < 3; i++) {
        m->pole[i] = node->c2i[2][i];
        m->meridian[i] = cos_t * node->c2i[0][i] + sin_t * node->c2i[1][i];
        m->west[i] = sin_t * node->c2i[0][i] - cos_t * node->c2i[1][i];
        m->zenith[i] = sin_p * m->pole[i] + cos_p * m->meridian[i];
        m->north[i] = cos_p * m->pole[i] - sin_p * m->meridian[i];
    }
}

/* Place and velocity of the observer from the Earth's centre (WGS84, eraPvtob's geometry). */
static void observer_m(const struct nw_observer *o, const struct nw_sky_moment *m,
                       double ret_m[static 3], double ret_v_m_s[static 3]) {
    double xyz[3];
    (void)eraGd2gc(1 /* WGS84 */, 0.0, o->place.latitude_rad, o->place.elevation_m, xyz);
    for (int i = 0; i < 3; i++) {
        ret_m[i] = xyz[0] * m->meridian[i] + xyz[2] * m->pole[i];
        ret_v_m_s[i] = -NW_SIDEREAL_RATE_RAD_S * xyz[0] * m->west[i]; /* to the east */
    }
}

static void set_sun(const struct sky_node *node, const double from_m[static 3],
                    struct nw_sky_moment *m) {
    double topocentric[3];
    double direction[3];
    for (int i = 0; i < 3; i++) {
        topocentric[i] = node->sun_m[i] - from_m[i];
    }
    m->sun_distance_m = unit(topocentric, direction);
    nw_sky_aberrate(direction, m->velocity_c, m->sun);
    m->sun_altitude_rad = asin(fmax(-1.0, fmin(1.0, dot(m->sun, m->zenith))));
}

/* The Moon goes with the Earth, so of planetary aberration only its own motion during the light's
 * way is left: r - v r/c (eraMoon98 leaves the light time out; its note 2). */
static void set_moon(const struct sky_node *node, const double from_m[static 3],
                     struct nw_sky_moment *m) {
    double topocentric[3];
    double to_sun[3];
    const double light_s = sqrt(dot(node->moon_m, node->moon_m)) / ERFA_CMPS;
    for (int i = 0; i < 3; i++) {
        topocentric[i] = node->moon_m[i] - node->moon_v_m_s[i] * light_s - from_m[i];
        to_sun[i] = m->sun[i] * m->sun_distance_m - topocentric[i];
    }
    m->moon_distance_m = unit(topocentric, m->moon);
    m->moon_altitude_rad = asin(fmax(-1.0, fmin(1.0, dot(m->moon, m->zenith))));
    const double from_sun = sqrt(dot(to_sun, to_sun));
    /* at the Moon, between the directions to the Sun and to us (Meeus, ch. 48) */
    m->moon_phase_rad = acos(fmax(-1.0, fmin(1.0, -dot(to_sun, m->moon) / from_sun)));
    m->moon_lit = 0.5 * (1.0 + cos(m->moon_phase_rad));
}

static void moment_of(const struct nw_observer *o, const struct nw_clocks *c,
                      const struct sky_node *node, struct nw_sky_moment *m) {
    double from_m[3];
    double velocity_m_s[3];
    set_axes(o, c, node, m);
    observer_m(o, m, from_m, velocity_m_s);
    for (int i = 0; i < 3; i++) {
        m->velocity_c[i] = node->earth_v_c[i] + velocity_m_s[i] / ERFA_CMPS;
    }
    set_sun(node, from_m, m);
    set_moon(node, from_m, m);
}

static void set_refraction(const struct nw_observer *o, struct nw_sky_moment *m) {
    m->refraction_a = 0.0;
    m->refraction_b = 0.0;
    if (o->air.pressure_Pa > 0.0) {
        eraRefco(o->air.pressure_Pa / 100.0, o->air.temperature_K - NW_ZERO_CELSIUS_K,
                 o->air.relative_humidity, WAVELENGTH_um, &m->refraction_a, &m->refraction_b);
    }
}

enum nw_status nw_sky_moment_at(const struct nw_observer *o, double t_utc_s,
                                struct nw_sky_moment *ret, struct nw_err *err) {
    struct nw_clocks c;
    struct sky_node node;
    enum nw_status status = nw_sky_check_observer(o, err);
    status = status == NW_OK ? nw_sky_clocks(t_utc_s, o->ut1_utc_s, &c, err) : status;
    status = status == NW_OK ? nw_sky_node_at(o, t_utc_s, &node, err) : status;
    if (status != NW_OK) {
        return status;
    }
    *ret = (struct nw_sky_moment){.t_utc_s = t_utc_s};
    moment_of(o, &c, &node, ret);
    set_refraction(o, ret);
    return NW_OK;
}

/* The two hours about `since_s`; what is there already is kept. */
struct nodes {
    struct sky_node at[2];
    long hour; /* of at[0] from the start; -1: none yet */
};

static enum nw_status nodes_for(const struct nw_observer *o, double t_utc_s, double since_s,
                                struct nodes *nodes, struct nw_err *err) {
    const long hour = (long)(since_s / 3600.0);
    if (hour == nodes->hour) {
        return NW_OK;
    }
    enum nw_status status = NW_OK;
    if (nodes->hour >= 0 && hour == nodes->hour + 1) {
        nodes->at[0] = nodes->at[1];
    } else {
        status = nw_sky_node_at(o, t_utc_s + (double)hour * 3600.0, &nodes->at[0], err);
    }
    nodes->hour = hour;
    return status == NW_OK
               ? nw_sky_node_at(o, t_utc_s + (double)(hour + 1) * 3600.0, &nodes->at[1], err)
               : status;
}

enum nw_status nw_sky_moments(const struct nw_observer *o, double t_utc_s, double step_s, size_t n,
                              struct nw_sky_moment *ret, struct nw_err *err) {
    if (!(step_s > 0.0 && step_s <= 3600.0) || (double)n * step_s > 400.0 * SKY_DAY_s) {
        return nw_err_set(err, NW_DOMAIN, "%zu moments %g s apart: steps within 1 h, 400 days", n,
                          step_s);
    }
    struct nodes nodes = {.hour = -1};
    struct nw_sky_moment air = {0};
    enum nw_status status = nw_sky_check_observer(o, err);
    if (status != NW_OK) {
        return status;
    }
    set_refraction(o, &air);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const double since_s = (double)i * step_s;
        struct nw_clocks c;
        struct sky_node between;
        status = nodes_for(o, t_utc_s, since_s, &nodes, err);
        status = status == NW_OK ? nw_sky_clocks(t_utc_s + since_s, o->ut1_utc_s, &c, err) : status;
        if (status == NW_OK) {
            node_between(&nodes.at[0], &nodes.at[1], since_s / 3600.0 - (double)nodes.hour, 3600.0,
                         &between);
            ret[i] = (struct nw_sky_moment){.t_utc_s = t_utc_s + since_s,
                                            .refraction_a = air.refraction_a,
                                            .refraction_b = air.refraction_b};
            moment_of(o, &c, &between, &ret[i]);
        }
    }
    return status;
}

/* ---- Looking -------------------------------------------------------------------------------- */

void nw_sky_vector(double ra_rad, double dec_rad, double ret[static 3]) {
    ret[0] = cos(dec_rad) * cos(ra_rad);
    ret[1] = cos(dec_rad) * sin(ra_rad);
    ret[2] = sin(dec_rad);
}

double nw_sky_angle_rad(const double a[static 3], const double b[static 3]) {
    const double cross[3] = {a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
                             a[0] * b[1] - a[1] * b[0]};
    return atan2(sqrt(dot(cross, cross)), dot(a, b));
}

void nw_sky_aberrate(const double direction[static 3], const double velocity_c[static 3],
                     double ret[static 3]) {
    double moved[3];
    for (int i = 0; i < 3; i++) {
        moved[i] = direction[i] + velocity_c[i];
    }
    (void)unit(moved, ret);
}

double nw_sky_lift_rad(const struct nw_sky_moment *m, double altitude_rad) {
    /* eraAtioq: one Newton step of the inverse of A tan z + B tan^3 z, sin h held at 0.05 */
    const double z = fmax(sin(altitude_rad), 0.05);
    const double r = fmax(cos(altitude_rad), 1e-6);
    const double tan_z = r / z;
    const double w = m->refraction_b * tan_z * tan_z;
    return (m->refraction_a + w) * tan_z / (1.0 + (m->refraction_a + 3.0 * w) / (z * z));
}

void nw_sky_look_apparent(const struct nw_sky_moment *m, const double direction[static 3],
                          struct nw_pointing *ret) {
    const double up = dot(direction, m->zenith);
    const double north = dot(direction, m->north);
    const double west = dot(direction, m->west);
    const double altitude = atan2(up, sqrt(north * north + west * west));
    const double polar = dot(direction, m->pole);
    const double meridian = dot(direction, m->meridian);
    const double sin_p = dot(m->zenith, m->pole);
    const double cos_p = dot(m->zenith, m->meridian);
    const double azimuth = atan2(-west, north);
    ret->altitude_rad = altitude + nw_sky_lift_rad(m, altitude);
    ret->azimuth_rad = azimuth < 0.0 ? azimuth + 2.0 * NW_PI : azimuth;
    ret->hour_angle_rad = atan2(west, meridian);
    ret->dec_rad = atan2(polar, sqrt(meridian * meridian + west * west));
    /* q = atan2(cos phi sin H, sin phi cos dec - cos phi sin dec cos H); REFERENCES EPH-19 */
    ret->parallactic_rad =
        atan2(cos_p * sin(ret->hour_angle_rad),
              sin_p * cos(ret->dec_rad) - cos_p * sin(ret->dec_rad) * cos(ret->hour_angle_rad));
    ret->airmass = nw_sky_airmass(ret->altitude_rad);
}

void nw_sky_look(const struct nw_sky_moment *m, double ra_rad, double dec_rad,
                 struct nw_pointing *ret) {
    double catalogue[3];
    double seen[3];
    nw_sky_vector(ra_rad, dec_rad, catalogue);
    nw_sky_aberrate(catalogue, m->velocity_c, seen);
    nw_sky_look_apparent(m, seen, ret);
}
