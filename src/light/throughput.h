/* throughput.h - absolute throughput of air, optics, filter and sensor from catalogue stars in one
 * frame. Another public header of the module, beside light.h.
 *
 * Idea: a five-second frame, or a narrow-band sub, in which bright stars are not full: where they
 * stand says which they are, their magnitude and colour say how many photons came, the counts say
 * how many electrons were made of them. */
#ifndef NW_LIGHT_THROUGHPUT_H
#define NW_LIGHT_THROUGHPUT_H

#include "image/image.h"
#include "light/light.h"

struct nw_reference {
    double ra_rad, dec_rad, v_mag, bv_mag; /* bv NaN: 0.6 is taken */
};
/* Photons of a star in a passband relative to those of V = 0 by nw_light's constant, for V = 0.
 * A0 stars by the photons of B V R I (Bessell, Castelli & Plez 1998; REFERENCES PHO-02v1), the
 * logarithm straight between them; other colours by B-V times a straight line in 1/wavelength that
 * is 1 from V to B (common practice, no source: 10 % at R for red stars). */
double nw_light_star_photons(double bv_mag, double centre_m, double width_m);

struct nw_throughput_case {
    const struct nw_light_case *what; /* rig, setup, filter, airmass */
    const struct nw_light_band *band;
    const struct nw_measure *stars;
    double exposure_s, gain_e_per_adu;     /* of colour-filter frames, whose measured grid has a
                                              quarter of the pixels, four times the gain */
    double ra_rad, dec_rad;                /* about the middle of the frame, to half a field */
    const struct nw_reference *references; /* brightest first, around that place */
    size_t n;
};
/* Which of the list the stars are: a frame of any rotation, mirrored or not, focal length to 2 %.
 */
struct nw_light_field_of_stars {
    double rotation_rad, scale_ratio, rms_px; /* rotation: lays the list, north up, on the frame */
    bool is_mirrored;
    size_t n_matched;
};
/* Of the case: setup, stars, place, references. DATA: stars and list do not match. */
enum nw_status nw_light_find_field(const struct nw_throughput_case *what,
                                   struct nw_light_field_of_stars *ret,
                                   struct nw_err *err) NW_CHECKED;

struct nw_throughput {
    size_t n_matched, n_full, n_used; /* found; of them with a full pixel; in the result */
    double rotation_rad, scale_ratio, rms_px;
    bool is_mirrored;
    double share, share_sigma;         /* electrons per photon above the air, in the passband */
    double ground_share, ground_sigma; /* the same below the air, by the rig's extinction */
    double foretold, foretold_sigma;   /* of the rig: filter, optics, efficiency, air */
    double zero_mag, zero_sigma_mag;   /* V of a star (B-V 0) above the air that gives 1 e/s */
    double scatter_mag;                /* robust, from star to star */
    double colour_slope, colour_slope_sigma; /* of what is left against B-V; NaN: under 8 stars */
    double brightest_mag, faintest_mag;      /* of the used */
};
/* A robust mean over unsaturated, clean stars. The measured flux misses what lies beyond the
 * aperture (some percent). DATA: stars and list do not match; or all that do are full. */
enum nw_status nw_light_throughput(const struct nw_throughput_case *what, struct nw_throughput *ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
