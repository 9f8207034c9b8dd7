/* train.h - is the guide train good enough? How well it places a star, what the loop makes of that,
 * and how likely a star is. Formulas alone; the budget that uses them is
 * budget/ledger_guide_train.c.
 */
#ifndef NW_GUIDING_TRAIN_H
#define NW_GUIDING_TRAIN_H

/* Electrons per second of a star.
 *   given   magnitude V; aperture_m2 light-gathering area; band_m width of the passband; efficiency
 *           atmosphere x optics x detector
 *   source  995.5 photons/s/cm2/A at V = 0 (Bessell, Castelli & Plez 1998, A&A 333, 231; REFERENCES
 *           PHO-05); taken as flat over the band */
double nw_guide_star_e_per_s(double magnitude, double aperture_m2, double band_m,
                             double efficiency);

/* Standard error of a star's place, each axis.
 *   given   sigma_rad of the star's profile; pixel_rad; electrons of the star; background_e2:
 * variance of a pixel without it (sky, dark, read noise squared) source  Thompson, Larson & Webb
 * 2002, Biophys. J. 82, 2775, eq. 17 (REFERENCES GUI-03); up to 12 % optimistic where the
 * background rules (GUI-02 is the bound) */
double nw_guide_centroid_rad(double sigma_rad, double pixel_rad, double electrons,
                             double background_e2);

/* What a proportional loop of gain g and one sample of delay makes of white noise: its variance
 * times g/(2 - g) goes into the motion (REFERENCES GUI-07). NaN outside 0 < g < 2. */
double nw_guide_noise_gain(double gain);

/* nw_sky_stars_per_deg2 as far as stars were counted: beyond V 11.5 a lower bound. */
double nw_guide_stars_per_deg2(double magnitude, double galactic_latitude_rad);
/* Chance of at least one: 1 - exp(-n) (Poisson; REFERENCES GUI-14). */
double nw_guide_chance(double expected);

#endif
