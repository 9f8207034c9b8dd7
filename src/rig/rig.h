/* rig.h - the owner's description of his observatory: parts, and setups made of them.
 *
 * A rig file (YAML) is read against one table of keys (path, dimension, range, default, meaning),
 * from which reader, validation, `rig --keys` and docs/rig-keys.md are made. Inside: SI, radians.
 * A value is a plain quantity ("448 mm") or {value: 448 mm, sigma: 4 mm, from: given}. What is not
 * in the file and has a defensible default is assumed, and says so. */
#ifndef NW_RIG_H
#define NW_RIG_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "rig/shelter.h"
#include "rig/values.h"

struct nw_site {
    char name[NW_NAME_SIZE];
    struct nw_val latitude_rad, longitude_rad, elevation_m; /* longitude east + */
    struct nw_val seeing_rad; /* FWHM at the zenith, 500 nm, infinite aperture, with outer scale */
    struct nw_val outer_scale_m;
    struct nw_val local_air_rad;  /* FWHM of tube, lens, roof and wall out of equilibrium */
    struct nw_val wind_speed_m_s; /* of the turbulent layers: how fast tilt averages out */
    struct nw_val sky_brightness_mag_arcsec2;
    struct nw_val extinction_mag;     /* per airmass */
    struct nw_val summer_K, winter_K; /* of usual nights in the warmest and the coldest month */
    struct nw_val temperature_K, temperature_rate_K_s, pressure_Pa, relative_humidity;
    struct nw_val ut1_utc_s; /* of the Earth's turning, from a bulletin; NaN */
    /* until everything is closed */
    struct nw_val reaction_time_s, roof_time_s, warning_time_s;
    struct nw_val hand_time_s; /* without power: mount to park and roof shut, by hand */
};

struct nw_mount {
    char name[NW_NAME_SIZE], serial[NW_NAME_SIZE];
    struct nw_val motion_ra_rad, motion_dec_rad; /* rms within one sub, when no log says */
    struct nw_val flexure_rad_s;                 /* main camera against guide star, on the sky */
    struct nw_val polar_error_rad;
    /* the screws of the polar axis: NaN, "unsaid" where not known; clockwise: where the upper end
     * goes
     */
    struct nw_val azimuth_per_turn_rad, altitude_per_turn_rad;
    char azimuth_clockwise[8], altitude_clockwise[8];
    struct nw_val worm_period_s;
    struct nw_val guide_rate; /* fraction of the sidereal rate */
    /* as a mechanism */
    struct nw_val capacity_kg; /* instrument load the maker allows, counterweights not counted */
    struct nw_val shaft_diameter_m; /* of the counterweight shaft */
    struct nw_val slew_rate_rad_s;  /* of either axis, on the way */
    struct nw_val park_hour_angle_rad, park_declination_rad;
    char park_side[8];           /* east | west */
    struct nw_val imbalance_n_m; /* left about either axis, that it is to bear */
    struct nw_val margin_m;      /* wanted between what could touch, at 95 % */
};

struct nw_telescope {
    char name[NW_NAME_SIZE], serial[NW_NAME_SIZE];
    struct nw_val aperture_m, focal_length_m;
    struct nw_val obstruction;                    /* diameter ratio, 0 for a refractor */
    struct nw_val tube_length_m, expansion_per_K; /* tube: metres of tube, 1/K */
    struct nw_val colour_spread_m; /* longitudinal colour: rms focus spread over 400-700 nm at its
                                      own focus */
    struct nw_val transmission;
};

struct nw_corrector {
    char name[NW_NAME_SIZE], serial[NW_NAME_SIZE];
    struct nw_val magnification; /* 0.8 for a reducer, 1 for a flattener */
    /* the spacing it asks for: in air, from the maker's datum to the sensor */
    struct nw_val back_focus_m, back_focus_tolerance_m; /* tolerance: to each side */
    char back_focus_from[16];                           /* "shoulder", ..., "unsaid" */
    struct nw_val shoulder_m; /* from the datum to the mounting shoulder, + towards the camera */
    char includes_filter[8], includes_window[8]; /* "yes", "no", "unsaid" */
};

/* What stays in the path between corrector and camera; a plane glass in it where glass_m > 0. */
struct nw_piece {
    char name[NW_NAME_SIZE];
    struct nw_val length_m; /* mechanical */
    struct nw_val glass_m, index;
    char glass[16]; /* "N-BK7", ..., "unsaid" */
};
struct nw_spacer { /* a ring; all that the owner has of it */
    char name[NW_NAME_SIZE];
    struct nw_val length_m, count;
};

enum nw_carries { NW_CARRIES_CAMERA, NW_CARRIES_CORRECTOR_AND_CAMERA };
struct nw_focuser {
    char name[NW_NAME_SIZE], serial[NW_NAME_SIZE];
    struct nw_val step_m; /* travel of one step */
    enum nw_carries carries;
    struct nw_val repeatability_m; /* rms of one focus run, travel */
    struct nw_val compensation;    /* share of the thermal drift that is compensated, 0 to 1 */
    struct nw_val travel_per_K;    /* that keeps the focus, outwards +; unknown: from the tube */
    struct nw_val thermal_lag_s;   /* of the focus behind the temperature sensor */
    struct nw_val backlash_m;      /* travel */
};

#define NW_RIG_MAX_LIST 16
struct nw_rig_names {
    char items[NW_RIG_MAX_LIST][NW_NAME_SIZE];
    size_t n;
};

struct nw_filter {
    char name[NW_NAME_SIZE];
    struct nw_rig_names also; /* what frame headers call it */
    struct nw_val centre_m, width_m, transmission;
    struct nw_val thickness_m, index; /* of its glass */
    char glass[16];
    struct nw_val focus_offset_m; /* travel against the first filter, outwards + */
};

/* What the camera is at one of its gain settings. */
struct nw_camera_setting {
    char name[NW_NAME_SIZE];
    struct nw_val gain_e_per_adu, read_noise_e, full_scale_e;
};
#define NW_RIG_MAX_SETTINGS 12

struct nw_camera {
    char name[NW_NAME_SIZE], serial[NW_NAME_SIZE];
    struct nw_val pixel_m;
    size_t width_px, height_px;
    char pattern[8]; /* "" mono, or "RGGB" ... */
    struct nw_val gain_e_per_adu, read_noise_e, full_scale_e, offset_adu, dark_e_per_s;
    struct nw_val quantum_efficiency;
    struct nw_val set_temperature_K, cooling_K; /* cooling: how far below the air it gets */
    struct nw_val bits;
    struct nw_val flange_m;               /* mounting face to sensor */
    struct nw_val window_m, window_index; /* plane glass in front of the sensor */
    char window_glass[16];
    struct nw_camera_setting settings[NW_RIG_MAX_SETTINGS]; /* those that were documented */
    size_t n_settings;
};

/* Something with mass or volume on or around the mount. Frames, all from the point where the two
 * axes meet:
 *   tube    x along the optical axes to the sky, z along the declination axis from the polar axis
 *           out to the saddle, y = z x x
 *   axis    z as above, x along the polar axis to the pole above the horizon, y = z x x: all that
 *           turns about the polar axis but not about the declination axis
 *   ground  x east, y north, z up */
enum nw_rides { NW_RIDES_TUBE, NW_RIDES_AXIS, NW_RIDES_GROUND };
enum nw_shape { NW_SHAPE_POINT, NW_SHAPE_CYLINDER, NW_SHAPE_TUBE, NW_SHAPE_BOX };
enum nw_stands { NW_STANDS_ALWAYS, NW_STANDS_ROOF_OPEN, NW_STANDS_ROOF_CLOSED };
struct nw_body {
    char name[NW_NAME_SIZE];
    char rides_word[8], shape_word[12], along_word[4], slide_word[8], hinge_word[8], roof_word[8];
    enum nw_rides rides;
    enum nw_stands stands;    /* there only while the roof is open, or closed */
    enum nw_shape shape;      /* a tube is a thin wall: for its inertia, not for contact */
    int along;                /* 0 1 2: the axis x, y, z of a cylinder or tube */
    struct nw_val mass_kg;    /* unknown: takes no part in the balance */
    struct nw_val at_m[3];    /* of its centre of mass, taken as its middle */
    struct nw_val length_m;   /* cylinder, tube: along `along`; box: along x */
    struct nw_val diameter_m; /* cylinder, tube */
    struct nw_val width_m;    /* box: along y */
    struct nw_val height_m;   /* box: along z */
    int slide;                /* -1, or the axis along which the owner can shift it */
    struct nw_val slide_from_m, slide_to_m; /* of its centre */
    char carried_by[NW_NAME_SIZE]; /* \"\" or the body that takes it along when it is shifted */
    int hinge;                     /* -1, or the axis parallel to which it opens */
    struct nw_val hinge_at_m[3], hinge_open_rad; /* described closed; right-handed turn */
    struct nw_val shield_m; /* of a telescope's tube: from its front edge back to the front lens */
};

/* An attitude with a name. */
struct nw_position {
    char name[NW_NAME_SIZE];
    struct nw_val hour_angle_rad, declination_rad, altitude_rad, azimuth_rad; /* one pair known */
    char side[8];                                                             /* east | west */
    char panel[8], roof[8]; /* closed | open: what has a hinge; the roof */
};

/* Something that hangs between two points and has a length. */
struct nw_cable {
    char name[NW_NAME_SIZE];
    struct {
        char rides_word[8];
        enum nw_rides rides;
        struct nw_val at_m[3]; /* on that frame */
    } end[2];
    struct nw_val length_m; /* between the points where it is held */
};

/* A change the owner could make: what `could be` and the advice are computed from. */
struct nw_change {
    char name[96];
    char effort[16]; /* setting | adjustment | purchase */
    struct nw_setting {
        char *path, *value; /* overrides, as --set takes them */
    } * settings;
    size_t n_settings;
    size_t line; /* of the file; 0: of --set */
};

/* A screw, or a place for a shim, of the plate that tilts the camera. */
struct nw_screw {
    char name[NW_NAME_SIZE];
    struct nw_val angle_rad, radius_m; /* round the optical axis, from the frame's +x towards +y */
    char side[8];                      /* "behind": tilts the camera; "before": corrector, too */
    struct nw_val pitch_m;             /* way of one turn; NaN: unknown */
};

#define NW_RIG_MAX_SCREWS 4
#define NW_RIG_MAX_FILTERS 16
#define NW_RIG_MAX_WITHOUT 16

/* One way of using the parts, resolved: no pointers into the file; copies of the parts. */
struct nw_setup {
    char name[NW_NAME_SIZE];
    struct nw_telescope telescope;
    struct nw_corrector corrector; /* magnification 1 when there is none */
    bool has_corrector;
    struct nw_focuser focuser;
    bool has_focuser;
    struct nw_filter filter;                      /* the filter the star width is judged in */
    struct nw_filter filters[NW_RIG_MAX_FILTERS]; /* all that are used; none is allowed */
    size_t n_filters;
    struct nw_camera camera;
    struct nw_telescope guide_telescope;
    struct nw_camera guide_camera;
    bool has_guide;
    struct nw_val binning;
    struct nw_val focal_length_m;   /* effective: telescope x corrector unless given; with sigma */
    struct nw_val camera_angle_rad; /* position angle of the frame's +y axis, north through east */
    /* habits */
    struct nw_val sub_length_s, focus_interval_s, focus_run_s, guide_exposure_s;
    struct nw_val airmass; /* typical, for predictions without frames */
    char resampling[16];   /* "none", "bilinear", "lanczos3": what was done to the frames */
    /* the focal surface at the sensor (field's job later; today from the rig) */
    struct nw_val tilt_m; /* best focus, corner to corner along the tilt */
    struct nw_val tilt_direction_rad;
    struct nw_val curvature_m;       /* best focus, centre to corner */
    struct nw_val decentre_coma_rad; /* FWHM-equivalent blur of constant coma */
    struct nw_val astigmatism_m;     /* difference of the two line foci at the corner */
    /* allocations: allowed FWHM of each star-width line by id, and of the total; NaN = not allotted
     */
    struct nw_allocation {
        char id[32];
        double fwhm_rad;
    } allocations[24];
    size_t n_allocations;
    struct nw_screw screws[NW_RIG_MAX_SCREWS]; /* three or four, or none */
    size_t n_screws;
    struct nw_change *changes;
    size_t n_changes;
    char without[NW_RIG_MAX_WITHOUT][NW_NAME_SIZE]; /* bodies that are not there in this setup */
    size_t n_without;
    char off[NW_RIG_MAX_WITHOUT][NW_NAME_SIZE]; /* circuits that are off in this setup */
    size_t n_off;
    /* tubes that are capped, or have a filter for the Sun in front of all of the aperture */
    char capped[NW_RIG_MAX_WITHOUT][NW_NAME_SIZE], sun_filtered[NW_RIG_MAX_WITHOUT][NW_NAME_SIZE];
    size_t n_capped, n_sun_filtered;
    /* the path behind the corrector: what stays, and the rings that are in it */
    struct nw_piece pieces[NW_RIG_MAX_FILTERS];
    struct nw_spacer rings[NW_RIG_MAX_FILTERS];
    size_t n_pieces, n_rings;
};

struct nw_log_layout;
struct nw_wiring;

struct nw_rig {
    char name[NW_NAME_SIZE];
    char *path;
    struct nw_site site;
    struct nw_mount mount;
    struct nw_setup *setups; /* at least one; the first is the default */
    size_t n_setups;
    struct nw_body *bodies; /* all that are described; nw_setup_has_body says which a setup has */
    size_t n_bodies;
    struct nw_position *positions; /* flats and others; the parked one is the mount's */
    size_t n_positions;
    struct nw_cable *cables;
    size_t n_cables;
    struct nw_wiring *wiring;  /* circuits, usage, storage: rig/circuits.h; never NULL once read */
    struct nw_spacer *spacers; /* all rings that the owner has */
    size_t n_spacers;
    struct nw_damp damp;        /* surfaces, cover, room, dryer (rig/shelter.h) */
    struct nw_log_layout *logs; /* how text logs are laid out (rig/logs.h) */
    size_t n_logs;
    struct nw_assumption { /* every default that was used, for the report */
        char path[128];
        char value[48]; /* as text with unit */
        char why[160];
    } * assumptions;
    size_t n_assumptions;
};

/* Reads and validates a rig file, then applies `overrides` ("setups.deep.habits.focus_interval=20
 * min"). Errors give file, line and column, what was found, what was expected, the nearest valid
 * name: YAML that cannot be parsed, duplicate keys, unknown keys, wrong units, values out of range,
 * parts that are named but not described, required keys that are missing. */
enum nw_status nw_rig_read(const char *path, const char *const *overrides, size_t n_overrides,
                           struct nw_rig **ret, struct nw_err *err) NW_CHECKED;
/* The same from text in memory; `name` stands in messages. */
enum nw_status nw_rig_parse(const char *name, const char *data, size_t len,
                            const char *const *overrides, size_t n_overrides, struct nw_rig **ret,
                            struct nw_err *err) NW_CHECKED;
/* The value at a dotted path of keys ("mount.flexure", as in a change's settings) as it stands in
 * the text, of "{value: 4 um, sigma: 1 um}" the value alone; "" where there is none. Lists are no
 * values. Errors of a text that is no rig file. */
enum nw_status nw_rig_value_at(const char *name, const char *data, size_t len, const char *path,
                               char *ret, size_t ret_size, struct nw_err *err) NW_CHECKED;
void nw_rig_free(struct nw_rig *rig);
/* By name, NULL = the first; NULL when there is none of that name. */
const struct nw_setup *nw_rig_setup(const struct nw_rig *rig, const char *name);
/* The same with an error that names the nearest: NOTFOUND. */
enum nw_status nw_rig_find_setup(const struct nw_rig *rig, const char *name,
                                 const struct nw_setup **ret, struct nw_err *err) NW_CHECKED;

/* Is a filter called so in a frame header: its name or one of its `also`, case ignored? */
bool nw_filter_is(const struct nw_filter *filter, const char *header);
/* The filter of a setup that a frame header names, own names before `also`; NULL: none. */
const struct nw_filter *nw_setup_filter_of(const struct nw_setup *setup, const char *header);

bool nw_setup_has_body(const struct nw_setup *setup, const struct nw_body *body);
/* Copies of the bodies of a setup; *ret is yours to free. NOTFOUND: the file describes none. */
enum nw_status nw_rig_bodies_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                struct nw_body **ret, size_t *ret_n, struct nw_err *err) NW_CHECKED;

/* Leaves those bodies that are there while the roof is closed, or open; returns how many. */
size_t nw_bodies_keep(struct nw_body *bodies, size_t n, bool is_roof_closed);

/* Angle of one (binned) pixel on the sky, small-angle: p b / f [rad]; times 206264.806 in arcsec
 * (REFERENCES IMG-01, IMG-02). */
double nw_setup_scale_rad(const struct nw_setup *setup);
/* Effective focal length over aperture. */
double nw_setup_f_ratio(const struct nw_setup *setup);

/* What was understood, for people, 80 columns: site, mount, parts of one setup (NULL: the first),
 * what follows from them (focal length, scale, field, depth of focus), all that is assumed. Added
 * to *ret. NOTFOUND: no such setup. */
enum nw_status nw_rig_describe(const struct nw_rig *rig, const char *setup, struct nw_buf *ret,
                               struct nw_err *err) NW_CHECKED;

/* The table of keys as text (80 columns) or as a Markdown page. */
enum nw_status nw_rig_keys(bool as_markdown, struct nw_buf *ret, struct nw_err *err) NW_CHECKED;

/* One key of the table, for other forms of the page. false past the end. */
struct nw_rig_key_info {
    const char *path, *meaning; /* static */
    char holds[128];            /* "an angle, 0.2 arcsec to 20 arcsec" */
    char left_out[256];         /* "required", the default with its reason, or "none" */
    bool is_required;
};
bool nw_rig_key_at(size_t i, struct nw_rig_key_info *ret);

/* What frames of one camera say about the rig, for a draft; NaN or "" = not said. SI. */
struct nw_rig_facts {
    char camera[72], telescope[72];
    char filters[16][32];
    size_t n_filters;
    size_t width_px, height_px;
    char pattern[8];
    double pixel_m, binning, focal_length_m, aperture_m, gain_e_per_adu, read_noise_e;
    double gain_setting, offset_setting, set_temperature_K, exposure_s, saturation_adu;
    double latitude_rad, longitude_rad, elevation_m;
    size_t n_frames;
};
/* Passband that a filter of this name usually has ("L", "red", "Ha"; common practice, no source);
 * false when the name says nothing. */
bool nw_rig_passband_of_name(const char *name, double *ret_centre_m, double *ret_width_m);

/* A commented starter rig file; each value that the frames gave is marked `from: header`, what is
 * missing and required is there as a comment that says what to fill in. Reading it back works. */
enum nw_status nw_rig_draft(const struct nw_rig_facts *facts, struct nw_buf *ret,
                            struct nw_err *err) NW_CHECKED;

#endif
