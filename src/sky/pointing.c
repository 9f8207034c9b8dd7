/* pointing.c - where a catalogue place stands above a site, and how fast a bad pole turns the
 * field. Idea: erfa's ICRS -> CIRS -> observed chain (IAU 2006/2000A). Times are POSIX seconds, so
 * a day with a leap second is off by up to 1 s inside that day; UT1 = UTC costs up to 0.9 s = 13.5
 * arcsec. Holds: altitude and airmass are refracted, hour angle, declination and parallactic angle
 * are not. */
#include "sky/sky.h"

#include <erfa.h>
#include <math.h>

#define JD_OF_POSIX_ZERO 2440587.5 /* 1970-01-01T00:00 UTC */
#define DAY_s 86400.0

/* Visual light stands for the guide and main camera alike: across 0.45-0.65 um the place changes by
 * 0.9 arcsec at z 45 (REFERENCES ATM-06). */
#define POINTING_WAVELENGTH_um 0.55

static void split_jd(double t_utc_s, double *ret_jd_day, double *ret_day_fraction) {
    const double days = floor(t_utc_s / DAY_s);
    *ret_jd_day = JD_OF_POSIX_ZERO + days;
    *ret_day_fraction = (t_utc_s - days * DAY_s) / DAY_s;
}

/* TT from UTC by erfa's leap seconds; past their validity erfa flags the year, which is fine here
 */
static bool tt_of_utc(double t_utc_s, double *ret_tt1, double *ret_tt2) {
    double utc1 = 0.0;
    double utc2 = 0.0;
    split_jd(t_utc_s, &utc1, &utc2);
    double tai1 = 0.0;
    double tai2 = 0.0;
    if (eraUtctai(utc1, utc2, &tai1, &tai2) < 0) {
        return false;
    }
    return eraTaitt(tai1, tai2, ret_tt1, ret_tt2) == 0;
}

double nw_sky_sidereal_time_rad(double t_utc_s, double longitude_rad) {
    double tt1 = 0.0;
    double tt2 = 0.0;
    if (!isfinite(t_utc_s) || !isfinite(longitude_rad) || fabs(t_utc_s) > NW_SKY_MAX_TIME_S ||
        !tt_of_utc(t_utc_s, &tt1, &tt2)) {
        return NAN;
    }
    double ut1 = 0.0;
    double ut2 = 0.0;
    split_jd(t_utc_s, &ut1, &ut2);
    return eraAnp(eraGst06a(ut1, ut2, tt1, tt2) + longitude_rad);
}

struct nw_sky_direction nw_sky_sun(double t_utc_s) {
    double tt1 = 0.0;
    double tt2 = 0.0;
    if (!(fabs(t_utc_s) <= NW_SKY_MAX_TIME_S) || !tt_of_utc(t_utc_s, &tt1, &tt2)) {
        return (struct nw_sky_direction){NAN, NAN};
    }
    double heliocentric[2][3];
    double barycentric[2][3];
    /* TT for TDB: 2 ms, in which the Earth moves 60 m */
    (void)eraEpv00(tt1, tt2, heliocentric, barycentric); /* its flag: outside 1900 to 2100 */
    double to_sun[3] = {-heliocentric[0][0], -heliocentric[0][1], -heliocentric[0][2]};
    struct nw_sky_direction sun;
    eraC2s(to_sun, &sun.ra_rad, &sun.dec_rad);
    return sun;
}

static enum nw_status check_pointing(double ra_rad, double dec_rad, double t_utc_s,
                                     const struct nw_place *place, struct nw_err *err) {
    if (!isfinite(ra_rad) || !(fabs(dec_rad) <= NW_PI / 2.0)) {
        return nw_err_set(err, NW_DOMAIN,
                          "place RA %g deg, Dec %g deg is not on the sky (Dec within +-90 deg)",
                          ra_rad * NW_DEG_PER_RAD, dec_rad * NW_DEG_PER_RAD);
    }
    if (!(fabs(t_utc_s) <= NW_SKY_MAX_TIME_S)) {
        return nw_err_set(err, NW_DOMAIN, "time %g s from 1970 is outside +-200 years", t_utc_s);
    }
    if (!(fabs(place->latitude_rad) <= NW_PI / 2.0) || !isfinite(place->longitude_rad)) {
        return nw_err_set(
            err, NW_DOMAIN, "site latitude %g deg, longitude %g deg is not on the Earth",
            place->latitude_rad * NW_DEG_PER_RAD, place->longitude_rad * NW_DEG_PER_RAD);
    }
    if (!(place->elevation_m >= -1000.0 && place->elevation_m <= 20000.0)) {
        return nw_err_set(err, NW_DOMAIN, "site elevation %g m is outside -1000 to 20000 m",
                          place->elevation_m);
    }
    return NW_OK;
}

static enum nw_status check_air(const struct nw_air_state *air, struct nw_err *err) {
    if (!(air->pressure_Pa >= 0.0 && air->pressure_Pa <= 1.2e5)) {
        return nw_err_set(err, NW_DOMAIN, "air pressure %g hPa is outside 0 to 1200 hPa",
                          air->pressure_Pa / 100.0);
    }
    if (!(air->temperature_K >= 150.0 && air->temperature_K <= 350.0)) {
        return nw_err_set(err, NW_DOMAIN, "air temperature %g degC is outside -123 to 77 degC",
                          air->temperature_K - NW_ZERO_CELSIUS_K);
    }
    if (!(air->relative_humidity >= 0.0 && air->relative_humidity <= 1.0)) {
        return nw_err_set(err, NW_DOMAIN, "relative humidity %g is outside 0 to 1",
                          air->relative_humidity);
    }
    return NW_OK;
}

enum nw_status nw_sky_pointing(double ra_rad, double dec_rad, double t_utc_s,
                               const struct nw_place *place, const struct nw_air_state *air,
                               struct nw_pointing *ret, struct nw_err *err) {
    enum nw_status status = check_pointing(ra_rad, dec_rad, t_utc_s, place, err);
    if (status == NW_OK && air) {
        status = check_air(air, err);
    }
    if (status != NW_OK) {
        return status;
    }
    double utc1 = 0.0;
    double utc2 = 0.0;
    split_jd(t_utc_s, &utc1, &utc2);
    eraASTROM astrom;
    double origins_rad = 0.0; /* equation of the origins: not needed for hour angles */
    const int flag = eraApco13(
        utc1, utc2, 0.0, place->longitude_rad, place->latitude_rad, place->elevation_m, 0.0, 0.0,
        air ? air->pressure_Pa / 100.0 : 0.0, air ? air->temperature_K - NW_ZERO_CELSIUS_K : 0.0,
        air ? air->relative_humidity : 0.0, POINTING_WAVELENGTH_um, &astrom, &origins_rad);
    if (flag < 0) {
        return nw_err_set(err, NW_DOMAIN, "time %g s from 1970 has no calendar date", t_utc_s);
    }
    double cirs_ra = 0.0;
    double cirs_dec = 0.0;
    eraAtciqz(ra_rad, dec_rad, &astrom, &cirs_ra, &cirs_dec);
    double azimuth = 0.0;
    double zenith = 0.0;
    double ha = 0.0;
    double dec = 0.0;
    double ra = 0.0;
    eraAtioq(cirs_ra, cirs_dec, &astrom, &azimuth, &zenith, &ha, &dec, &ra);
    struct nw_pointing out = {.altitude_rad = NW_PI / 2.0 - zenith, .azimuth_rad = azimuth};
    out.airmass = nw_sky_airmass(out.altitude_rad);
    astrom.refa = 0.0; /* again without air, for the place of date */
    astrom.refb = 0.0;
    eraAtioq(cirs_ra, cirs_dec, &astrom, &azimuth, &zenith, &ha, &dec, &ra);
    out.hour_angle_rad = eraAnpm(ha);
    out.dec_rad = dec;
    out.parallactic_rad = eraHd2pa(ha, dec, place->latitude_rad);
    *ret = out;
    return NW_OK;
}

double nw_sky_field_rotation_rad_s(double polar_error_rad, double dec_rad) {
    if (!(fabs(dec_rad) < NW_PI / 2.0)) {
        return NAN;
    }
    /* first order of field rotation = eps [sin(H2 - Hp) - sin(H1 - Hp)] / cos dec (Hook 1989) */
    return fabs(polar_error_rad) * NW_SIDEREAL_RATE_RAD_S / cos(dec_rad);
}
