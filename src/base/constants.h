/* constants.h - every constant once, with unit and source. */
#ifndef NW_CONSTANTS_H
#define NW_CONSTANTS_H

#define NW_PI 3.14159265358979323846264338327950288               /* definition */
#define NW_ARCSEC_PER_RAD 206264.80624709635515647335733077861319 /* 180*3600/pi, definition */
#define NW_RAD_PER_DEG (NW_PI / 180.0)                            /* definition */
#define NW_DEG_PER_RAD (180.0 / NW_PI)                            /* definition */
#define NW_ZERO_CELSIUS_K 273.15              /* SI Brochure (2019), sec. 2.3.1 */
#define NW_SIDEREAL_RATE_RAD_S 7.292115855e-5 /* 15.041067 arcsec/s; REFERENCES EPH-21 */
#define NW_FWHM_PER_SIGMA 2.3548200450309493  /* 2 sqrt(2 ln 2), Gaussian; REFERENCES IMG-22 */
#define NW_SIGMA_PER_MAD 1.4826022185056018   /* 1/Phi^-1(3/4), Gaussian; REFERENCES CMB-01 */

#endif
