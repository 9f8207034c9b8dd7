/* light.h - what light arrives, what noise it comes with, how long a sub should be.
 *
 * Idea: every contributor is a rate of electrons in one pixel; the CCD equation makes signal over
 * noise of them, for extended light (an area of the sky, star width does not enter) and for points
 * (equivalent-noise area of the delivered star). Pure: rig, sky and target come in, numbers go out.
 * Targets are V mag/arcsec2 taken as flat in photons per nanometre over the passband; sky and air
 * have their colours (sky/spectrum.h). SI and radians otherwise. Sensor characterisation: sensor.h.
 * Formulas and limits: docs/light.md. */
#ifndef NW_LIGHT_H
#define NW_LIGHT_H

#include <stdbool.h>
#include <stddef.h>

#include "optics/optics.h"
#include "rig/rig.h"
#include "sky/bright.h"
#include "sky/spectrum.h"

/* ---- Rates ----------------------------------------------------------------------------------- */

/* Passband of the pixels of one colour behind one filter: a mono camera has one, a colour camera
 * three, of which those stay that let light through. */
struct nw_light_band {
    char name[8]; /* "" of a mono camera; "R", "G", "B" */
    double centre_m, width_m, transmission;
    double pixel_share; /* of all pixels: 1; 1/4, 1/2, 1/4 */
};
/* Colours of a colour sensor: 590 to 690, 480 to 580, 400 to 500 nm (common practice, no source),
 * cut by the filter. Returns how many; 0: no light passes both. */
enum { NW_LIGHT_BANDS = 3 };
size_t nw_light_bands(const struct nw_setup *setup, const struct nw_filter *filter,
                      struct nw_light_band ret[static NW_LIGHT_BANDS]);

/* The one that gets most light; of width 0 where none passes. */
struct nw_light_band nw_light_main_band(const struct nw_setup *setup,
                                        const struct nw_filter *filter);
double nw_light_field_deg2(const struct nw_setup *setup);

/* One target in one filter at one minute. NaN: not said. */
struct nw_light_case {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_filter *filter;
    struct nw_sky_glow glow; /* at the target, as seen from the ground */
    double airmass;
    double surface_mag_arcsec2; /* above the air: flat light (galaxies, dust) */
    double rayleigh;            /* above the air: one line within the passband (nebulae) */
    double magnitude;           /* above the air: a point source */
    /* the star as delivered; NaN: nw_light_star is asked */
    double neq_area_rad2, peak_per_rad2;
};

/* No target in the moonless sky of the site, at the setup's usual airmass (1.3 where it has none).
 */
struct nw_light_case nw_light_case_usual(const struct nw_rig *rig, const struct nw_setup *setup,
                                         const struct nw_filter *filter);

/* Seeing at that airmass, aperture and pixel: a star at its best; what focus and mount add is the
 * star-width budget's. */
enum nw_status nw_light_star(const struct nw_rig *rig, const struct nw_setup *setup, double airmass,
                             struct nw_psf *ret, struct nw_err *err) NW_CHECKED;

/* Electrons per second in one (binned) pixel of a band. A binned pixel is the sum of its pixels.
 * The read noise of the rig is taken as measured from frames: rounding is in it, and taken out of
 * `read_e2` again to stand by itself. */
struct nw_light_rates {
    double surface_e_s; /* the extended target; 0 without one */
    double star_e_s;    /* the whole point source; 0 without one */
    double dark_sky_e_s, moon_e_s, twilight_e_s, dark_e_s;
    double read_e2, rounding_e2; /* per read-out */
    double full_scale_e;
    double pixel_arcsec2, pixel_share;
    double neq_px, peak_share; /* of a point source; the pixel under its middle gets peak_share */
    double air_share;          /* of a flat target's light through the air, over the band */
    /* sky in this band against light as bright in V that is flat (sky/spectrum.h) */
    double dark_factor, moon_factor, twilight_factor;
};
/* The site's air and sky in a band; colours: sky/spectrum.h. */
struct nw_sky_passband nw_light_passband(const struct nw_light_case *what,
                                         const struct nw_light_band *band);
struct nw_light_rates nw_light_rates_of(const struct nw_light_case *what,
                                        const struct nw_light_band *band);
/* Electrons per s of one magnitude (point, or per arcsec2) above the detector's surface. */
double nw_light_e_s_of_mag(const struct nw_setup *setup, const struct nw_light_band *band,
                           double magnitude);

/* Without target: per second and pixel, read-outs spread over the sub. */
double nw_light_background_e2_s(const struct nw_light_rates *rates, double sub_s);

/* ---- Signal over noise ----------------------------------------------------------------------- */

/* The CCD equation in full (Merline & Howell 1995, Exp. Astron. 6, 163): REFERENCES PHO-07, -08,
 * -12. rates per s; n_background_px: from which the sky was told (infinite: exactly known). */
struct nw_light_ccd {
    double signal_e_s, n_px, background_e_s_px, dark_e_s_px, read_e, exposure_s;
    double n_background_px, gain_e_per_adu; /* rounding enters with gain; 0: none */
    double n_subs;
};
double nw_light_ccd_snr(const struct nw_light_ccd *ccd);

/* Of extended light in an area; of a point source, weighted by its profile (King 1983, PASP 95,
 * 163). exposure_s in all, in subs of sub_s. */
double nw_light_snr_surface(const struct nw_light_rates *rates, double sub_s, double exposure_s,
                            double area_arcsec2);
double nw_light_snr_point(const struct nw_light_rates *rates, double sub_s, double exposure_s);
/* Exposure for an SNR; infinite without light. */
double nw_light_time_surface_s(const struct nw_light_rates *rates, double sub_s, double snr,
                               double area_arcsec2);
double nw_light_time_point_s(const struct nw_light_rates *rates, double sub_s, double snr);
/* The faintest that reaches an SNR: mag/arcsec2 in an area; mag. Above the air. */
double nw_light_limit_surface_mag(const struct nw_light_case *what,
                                  const struct nw_light_band *band, double sub_s, double exposure_s,
                                  double snr, double area_arcsec2);
double nw_light_limit_point_mag(const struct nw_light_case *what, const struct nw_light_band *band,
                                double sub_s, double exposure_s, double snr);

/* Where the variance of one pixel comes from: shares that add up to 1. */
#define NW_LIGHT_SHARE_LIST(X)                                                                     \
    X(TARGET, "target", "the target's own light")                                                  \
    X(SKY, "sky", "dark sky")                                                                      \
    X(MOON, "moon", "moonlight")                                                                   \
    X(TWILIGHT, "twilight", "twilight")                                                            \
    X(DARK, "dark", "dark current")                                                                \
    X(READ, "read_noise", "read noise")                                                            \
    X(ROUNDING, "quantisation", "rounding to counts")
enum nw_light_share_id {
#define X(name, id, text) NW_LIGHT_##name,
    NW_LIGHT_SHARE_LIST(X)
#undef X
        NW_LIGHT_N_SHARES
};
const char *nw_light_share_name(enum nw_light_share_id id);
const char *nw_light_share_text(enum nw_light_share_id id);
/* is_point: of the pixels a star is weighed over, else of a pixel of extended light. */
void nw_light_shares(const struct nw_light_rates *rates, double sub_s, bool is_point,
                     double ret[static NW_LIGHT_N_SHARES]);

/* ---- Length of a sub ------------------------------------------------------------------------- */

/* Stars that may saturate: those of a frame, else by counts over the field. */
struct nw_light_field {
    double area_deg2, galactic_latitude_rad;
    const double *peak_e_s; /* of the frame's stars, brightest first; NULL: by counts */
    size_t n;
};
struct nw_light_wishes {
    double read_loss;      /* share of the time that read noise may cost: 0.05 is 5 % */
    double saturated_most; /* stars of the field; infinite: any number */
    double sky_room;       /* share of full scale that the sky may fill */
    double longest_s;      /* that guiding and the owner allow */
    double between_s;      /* from sub to sub: reading out, the sub's share of a dither */
};
struct nw_light_wishes nw_light_wishes_usual(void); /* 5 %, any, 10 %, 1200 s, 5 s */

struct nw_light_sub {
    double sub_s;
    double read_loss;    /* share of time lost to read noise: what B + R2/t is more than B */
    double between_loss; /* share of time between subs */
    double yield;        /* (1 - read_loss)(1 - between_loss) */
    double saturated_mag, saturated; /* V at which a star is full; how many are */
    double sky_full;                 /* of full scale */
};
enum { NW_LIGHT_SUBS = 18 };
struct nw_light_subs {
    struct nw_light_sub curve[NW_LIGHT_SUBS]; /* at the lengths that people keep darks for */
    size_t n;
    double least_s;      /* exact: read noise costs just what it may */
    double most_s;       /* exact: stars, sky and the longest allow it */
    const char *most_by; /* "stars", "sky", "longest" */
    bool is_empty;       /* least_s > most_s: no length does both */
    size_t best;         /* of the curve: the shortest within 3 % of the best yield inside the
                            range; without one, the longest that sky and longest allow */
    size_t from, to;     /* of the curve: those inside the range within 3 % of the best: equal */
};
/* Time, not noise: 5 % of noise is 9 % of time (R2 = p/(1 - p) B t). e_s_of_mag0 NaN: magnitudes
 * are not asked for. */
struct nw_light_subs nw_light_subs_of(const struct nw_light_rates *rates, double e_s_of_mag0,
                                      const struct nw_light_field *field,
                                      const struct nw_light_wishes *wishes);
struct nw_light_sub nw_light_sub_at(const struct nw_light_rates *rates, double e_s_of_mag0,
                                    const struct nw_light_field *field,
                                    const struct nw_light_wishes *wishes, double sub_s);

/* The documented gain settings side by side, each with its best sub. */
struct nw_light_gain {
    const struct nw_camera_setting *setting;
    struct nw_light_subs subs;
};
/* Fills one a setting of the camera; returns the index of the one to take: of those within 1 % of
 * the best yield that keep the wishes, the one with the largest full scale; SIZE_MAX: none is
 * documented. */
size_t nw_light_gains(const struct nw_light_case *what, const struct nw_light_band *band,
                      const struct nw_light_field *field, const struct nw_light_wishes *wishes,
                      struct nw_light_gain ret[static NW_RIG_MAX_SETTINGS]);
/* The camera as it is at a setting. */
void nw_light_set_gain(const struct nw_camera_setting *setting, struct nw_camera *camera);

/* ---- All of it together ---------------------------------------------------------------------- */

struct nw_light_wants {
    double sub_s;                          /* NaN: the recommended one */
    double exposure_s;                     /* that the limits are told for */
    double night_s;                        /* usable hours of that night; NaN: not known */
    double snr, area_arcsec2;              /* of the goal */
    double limit_sigma, limit_side_arcsec; /* of the faintest extended light */
    double limit_point_sigma;
    struct nw_light_wishes wishes;
    struct nw_light_field field;
};
/* 1 h, SNR 5 in 1 arcsec2, 3 sigma in 10 x 10 arcsec, 5 sigma for points. */
struct nw_light_wants nw_light_wants_usual(const struct nw_setup *setup);

enum { NW_LIGHT_SUB, NW_LIGHT_HOUR, NW_LIGHT_NIGHT, NW_LIGHT_SPANS };
struct nw_light_numbers { /* what has a standard error; NaN: does not apply */
    double snr_surface[NW_LIGHT_SPANS], snr_point[NW_LIGHT_SPANS];
    double time_surface_s, time_point_s; /* exposure for the goal */
    double limit_surface_mag, limit_point_mag;
    double sky_e_s, target_e_s, star_e_s, least_s, most_s;
    double share_surface[NW_LIGHT_N_SHARES], share_point[NW_LIGHT_N_SHARES];
};
struct nw_light_budget { /* of one band */
    struct nw_light_band band;
    struct nw_light_rates rates;
    struct nw_light_subs subs;
    struct nw_light_sub sub; /* the one that the numbers are for */
    struct nw_light_numbers value, sigma;
};
/* sigma: from the standard errors of efficiency, transmissions, sky, extinction, focal length, read
 * noise, dark current and full scale, one at a time (linear, independent); the star's width and
 * the target's brightness are taken as exact. NOMEM only. */
enum nw_status nw_light_budget_of(const struct nw_light_case *what,
                                  const struct nw_light_band *band,
                                  const struct nw_light_wants *wants, struct nw_light_budget *ret,
                                  struct nw_err *err) NW_CHECKED;

/* Time for the goal, pauses between subs counted, of one way of doing it against another: share of
 * the time saved, negative when it costs. A target that is not said is a faint one, at the limit.
 * extended and point: the two currencies. */
struct nw_light_worth {
    double extended, point;
};
struct nw_light_worth nw_light_worth_of(const struct nw_light_case *now, double sub_now_s,
                                        const struct nw_light_case *then, double sub_then_s,
                                        double between_s);

#endif
