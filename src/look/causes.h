/* causes.h - why all stars of a frame are longer in one direction: what the air in front of it
 * does, which way is up on it, and the likely causes in order. Common elongation does not prove a
 * trail (dispersion, astigmatism and coma look the same in one frame): every cause comes with what
 * speaks for it, what speaks against it and what would decide. */
#ifndef NW_LOOK_CAUSES_H
#define NW_LOOK_CAUSES_H

#include "image/colours.h"
#include "image/image.h"
#include "sky/sky.h"

/* What a header says of the air before a frame and of its directions. NaN: not known. */
struct nw_frame_air {
    double zenith_rad;       /* apparent distance, mid-exposure as far as the header goes */
    double scale_rad_px;     /* world coordinates, else pixel over focal length */
    struct nw_air_state air; /* standard pressure of the site's height (else sea level), 10 deg C */
    double up_rad;           /* towards the zenith on the frame, from +x to +y */
    double east_rad, north_rad;
    double band_m[2]; /* passband of the filter by its name: from, to */
};
struct nw_frame_air nw_frame_air_of(const struct nw_frame *frame);

/* Effective wavelengths of the colours of a colour camera [m] (common practice, no source; cameras
 * differ by +-15 nm). NaN for mono. */
double nw_colour_wavelength_m(enum nw_channel channel);

/* How far light of wavelength a stands nearer the zenith than light of b, in px; sigma from +-15 nm
 * of each wavelength and +-3 % of pressure. NaN when zenith distance or scale is not known. */
struct nw_dispersion {
    double px, sigma_px;
};
struct nw_dispersion nw_dispersion_between(const struct nw_frame_air *air, double a_m, double b_m);
/* Variance along the vertical of a star's light over a band with as many photons at each
 * wavelength [px^2]; NaN when not known. */
double nw_dispersion_variance_px2(const struct nw_frame_air *air, double from_m, double to_m);

/* ---- why all stars are longer in one direction ---- */

#define NW_CAUSE_LIST(X)                                                                           \
    X(DISPERSION, "dispersion", "dispersion by the air")                                           \
    X(RIGHT_ASCENSION, "right-ascension", "motion along right ascension: drive, worm, pulses")     \
    X(DECLINATION, "declination", "motion along declination: drift, backlash")                     \
    X(OTHER_MOTION, "other-motion", "motion across the axes: wind, bending, a pull on a cable")    \
    X(ASTIGMATISM, "astigmatism", "defocus with astigmatism or tilt: a pattern over the field")    \
    X(CONSTANT_OPTICS, "constant-optics", "optics alike over the field: pinched, decentred, tilted")
enum nw_cause_id {
#define X(name, word, text) NW_CAUSE_##name,
    NW_CAUSE_LIST(X)
#undef X
        NW_N_CAUSES
};
const char *nw_cause_word(enum nw_cause_id id);
const char *nw_cause_text(enum nw_cause_id id);
const char *nw_cause_decides(enum nw_cause_id id); /* what would settle it */

struct nw_elongation_facts {     /* of a frame, or means over a night */
    double e1, e2, e_sigma;      /* mean vector */
    double fwhm_px, moffat_beta; /* NaN beta: 3.5 is taken */
    struct nw_zone zones[NW_ZONES_X * NW_ZONES_Y];
    double dispersion_px2;   /* variance along the vertical by prediction; NaN */
    double up_rad, east_rad; /* directions on the frame; NaN */
    double scatter;          /* rms of one frame about the mean, per component; NaN: one frame */
};
void nw_elongation_facts_of_frame(const struct nw_frame *frame, const struct nw_measure *measure,
                                  struct nw_elongation_facts *ret);

enum { NW_CAUSE_REASONS = 6 };
struct nw_cause {
    enum nw_cause_id id;
    int points; /* sum of the rules that apply (causes.c has the table) */
    const char *for_it[NW_CAUSE_REASONS], *against[NW_CAUSE_REASONS]; /* static texts */
    size_t n_for, n_against;
};
struct nw_elongation_causes {
    double seen, angle_rad; /* elongation, direction as measured */
    /* dispersion as it shows in such stars, and what is left without it. Direction unknown: only
     * its strength */
    double dispersion_e, rest_e1, rest_e2, rest_sigma;
    double rest, rest_angle_rad;   /* elongation; as seen where dispersion cannot be taken off */
    double to_east_rad, to_up_rad; /* angle of the rest to the axes, 0 .. pi/2; NaN: not known */
    double constant_e, pattern_e, pattern_sigma; /* fit over the zones: constant, rms of the rest */
    struct nw_cause causes[NW_N_CAUSES];         /* most points first */
    /* Whether the first is ahead of all others by 2 points and has 3: else nothing is more than
     * possible. */
    bool is_first_likely;
};
/* False: no common elongation to speak of (under 5 sigma or 3 %). */
bool nw_elongation_explain(const struct nw_elongation_facts *facts,
                           struct nw_elongation_causes *ret);

/* (a^2 - b^2) / (a^2 + b^2) of the half-maximum widths of a round Moffat star after its light was
 * spread along one direction with that variance; first order in variance / FWHM^2 (10 % at 0.1). */
double nw_spread_e(double variance_px2, double fwhm_px, double moffat_beta);

#endif
