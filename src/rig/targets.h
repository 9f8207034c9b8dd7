/* targets.h - what the owner wants to image: the second kind of file that this module reads.
 *
 * A targets file (YAML) holds wishes and habits of the night; the rig file holds the hardware.
 * Keys: docs/formats.md. Values are quantities with their units, as in the rig file. */
#ifndef NW_RIG_TARGETS_H
#define NW_RIG_TARGETS_H

#include "rig/rig.h"

#define NW_MAX_TARGETS 200
#define NW_MAX_GOALS 16
#define NW_MAX_HORIZON 72

/* How much light of one filter: hours of exposure; or an SNR in one arcsec2 at a surface
 * brightness. NaN: not said. */
struct nw_goal {
    char filter[NW_NAME_SIZE];
    double exposure_s;
    double snr, brightness_mag_arcsec2;
    double done_s; /* exposure that is there already */
};

struct nw_target {
    char name[NW_NAME_SIZE];   /* the owner's */
    char object[NW_NAME_SIZE]; /* as a catalogue knows it; "" with ra and dec */
    double ra_rad, dec_rad;    /* ICRS; NaN: to be looked up by `object` */
    int priority;              /* 1 first, 5 last */
    double min_altitude_rad;
    double moon_separation_rad;    /* with the Moon up: not nearer than this */
    double moon_lit;               /* with the Moon up: not with more of it lit */
    double moon_altitude_rad;      /* the Moon counts as up above this */
    double rotation_rad;           /* position angle of the frame's +y, modulo pi; NaN: any */
    double columns, rows, overlap; /* of a mosaic; 1 x 1 without */
    struct nw_goal goals[NW_MAX_GOALS];
    size_t n_goals;
    size_t line; /* in the file */
};

/* Habits of the night that the rig file does not hold. */
struct nw_night_habits {
    double sun_altitude_rad;        /* imaging begins and ends here */
    double sun_altitude_narrow_rad; /* the same for narrow filters (width up to 15 nm) */
    double readout_s;               /* between two subs */
    double dither_every;            /* subs */
    double dither_s;                /* until the guiding is quiet again */
    double slew_s;                  /* to another target: slew, centre, guide star */
    double flip_s;                  /* the same, to the other side of the pier */
    double longest_sub_s;           /* NaN: the habit of the setup */
    double read_noise_share;        /* of the sky noise that read noise may add: 0.05 is 5 % */
    double saturated_most;          /* stars of a field that may be full; NaN: any number */
    double settle_s;                /* open before the first sub, so that tube and room cool down */
    double cool_s;                  /* of the camera */
    double flats_s;                 /* of one filter at one angle of the rotator */
    double rim_m;                   /* diameter at which the rotator is turned and read */
    double steps_max;               /* targets in one night, 1 to 3 */
};

struct nw_targets {
    char *path;
    char time_zone[64]; /* of the output; "" is UTC */
    struct nw_night_habits habits;
    double horizon_rad[NW_MAX_HORIZON][2]; /* azimuth, altitude; rising azimuths */
    size_t n_horizon;
    struct nw_target *items;
    size_t n;
};

/* Errors as nw_rig_read: file, line, column, what was found, what was expected, the nearest valid
 * key. FORMAT: no target in it. */
enum nw_status nw_targets_read(const char *path, struct nw_targets **ret,
                               struct nw_err *err) NW_CHECKED;
enum nw_status nw_targets_parse(const char *name, const char *data, size_t len,
                                struct nw_targets **ret, struct nw_err *err) NW_CHECKED;
void nw_targets_free(struct nw_targets *targets);

/* Every goal's filter is one that the setup has, or "" where it has none: NOTFOUND with line and
 * nearest. */
enum nw_status nw_targets_check_filters(const struct nw_targets *targets,
                                        const struct nw_setup *setup,
                                        struct nw_err *err) NW_CHECKED;
/* Altitude of the horizon at an azimuth, between the points given; -pi/2 without any. */
double nw_targets_horizon_rad(const struct nw_targets *targets, double azimuth_rad);

#endif
