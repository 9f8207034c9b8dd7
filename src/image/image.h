/* image.h - pixels in, stars out: FITS frames, sky background, detection, shapes, frame summaries,
 * matching between frames.
 *
 * Conventions: pixel centres at whole numbers, first pixel (0, 0), order (x, y); what a user sees
 * is FITS, ours + 1 (done at the edges). Field coordinates u, v: offset from the frame centre in
 * half diagonals, u along +x, v along +y. Angles from +x towards +y [rad]. float pixels, double
 * sums. */
#ifndef NW_IMAGE_H
#define NW_IMAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/base.h"
#include "image/aspects.h" /* what a frame tells beyond its stars */
#include "image/forms.h"   /* rings, doubles, trails */

/* ---- Frames ------------------------------------------------------------------------------- */

struct nw_card {
    char key[72];     /* upper case; long HIERARCH keys in full, without the word HIERARCH */
    char value[256];  /* text without quotes (continued texts joined, cut at 255 bytes), numbers as
                         written (Fortran D exponents as E), T or F; "" without value; the text of
                         COMMENT and HISTORY */
    char comment[48]; /* what stands after the slash, cut */
    bool is_text;     /* quoted in the file, or a COMMENT or HISTORY */
};

/* What the usual header keywords say, in SI; NaN or "" where a frame does not say. The keywords are
 * conventions, not part of the FITS standard (REFERENCES FIT); each reading names its key in
 * docs/formats.md. */
struct nw_frame_facts {
    double t_start_utc_s;  /* DATE-OBS (or DATE-BEG): start of exposure; UTC unless TIMESYS says
                              other */
    double exposure_s;     /* EXPTIME, EXPOSURE, XPOSURE */
    double gain_setting;   /* GAIN: the camera's own number, no unit */
    double offset_setting; /* OFFSET, BLKLEVEL */
    double gain_e_per_adu; /* EGAIN */
    double read_noise_e;   /* RDNOISE, READNOIS */
    double set_temperature_K, chip_temperature_K; /* SET-TEMP, CCD-TEMP (deg C in the file) */
    double pixel_m;        /* XPIXSZ [um], taken as written: usually already times the binning */
    double binning;        /* XBINNING */
    double focal_length_m; /* FOCALLEN [mm] */
    double aperture_m;     /* APTDIA [mm] */
    double focuser_steps;  /* FOCUSPOS, FOCPOS */
    double focuser_temperature_K;     /* FOCTEMP, FOCUSTEM */
    double airmass;                   /* AIRMASS */
    double ra_rad, dec_rad;           /* RA, DEC [deg] or OBJCTRA/OBJCTDEC [sexagesimal] */
    double altitude_rad, azimuth_rad; /* CENTALT/OBJCTALT, CENTAZ/OBJCTAZ */
    double latitude_rad, longitude_rad, elevation_m; /* SITELAT, SITELONG (east +), SITEELEV */
    double rotator_rad;                              /* ROTATANG, ROTATOR */
    double saturation_adu;                           /* SATURATE, MAXLIN; NaN: from the data type */
    char filter[32], object[72], camera[72], telescope[72], image_type[32];
    char bayer[8];     /* BAYERPAT upper case, "" when absent */
    char tube_side[8]; /* PIERSIDE in lower case, as written by the capture program */
};

/* Nothing known: NaN and "" everywhere. */
void nw_frame_facts_unknown(struct nw_frame_facts *facts);

/* What a frame is for, by its image type; one that does not say is taken for a light frame. */
#define NW_FRAME_USE_LIST(X)                                                                       \
    X(LIGHT, "light") X(BIAS, "bias") X(DARK, "dark") X(FLAT, "flat") X(OTHER, "other")
enum nw_frame_use {
#define X(name, word) NW_USE_##name,
    NW_FRAME_USE_LIST(X)
#undef X
};
enum nw_frame_use nw_frame_use_of(const struct nw_frame_facts *facts);
const char *nw_frame_use_word(enum nw_frame_use use);

enum nw_channel { NW_CHANNEL_MONO, NW_CHANNEL_R, NW_CHANNEL_G, NW_CHANNEL_B, NW_CHANNEL_CFA };
const char *nw_channel_name(enum nw_channel channel); /* "mono", "R", "G", "B", "cfa" */

/* Pixels are contiguous: plane p, row y, column x at px[(p * height_px + y) * width_px + x]. */
struct nw_frame {
    char *path;
    size_t width_px, height_px, n_planes; /* 1, or 3 for a colour image (planes R, G, B) */
    float *px;           /* physical values (BZERO, BSCALE applied); blank, not finite: NaN */
    uint16_t *px16;      /* the same as whole numbers instead of px: keep_16_bit */
    int bitpix;          /* of the file: 8 16 32 64 -32 -64 */
    double data_max_adu; /* largest physical value the data type can hold, NaN for floats */
    double step_adu;     /* between neighbouring values of whole numbers, |BSCALE|; 0 for floats */
    int hdu;             /* 1 = primary */
    bool is_compressed;
    size_t rows_missing;   /* of a file that was cut off: the last ones, blank (may_be_cut) */
    struct nw_card *cards; /* of its HDU (compressed: without those of the table), then those of the
                              primary header that it does not have itself */
    size_t n_cards;
    struct nw_frame_facts facts;
};
/* px[at] or px16[at], whichever the frame holds. */
static inline double nw_frame_pixel(const struct nw_frame *frame, size_t at) {
    return frame->px16 ? (double)frame->px16[at] : (double)frame->px[at];
}

struct nw_frame_opts {
    int hdu;          /* 0: the first HDU that holds an image */
    bool header_only; /* px stays NULL */
    bool keep_16_bit; /* plain unsigned 16-bit images (BZERO 32768, BSCALE 1, no BLANK) go to px16
                         and px stays NULL: half the memory; all others go to px */
    bool may_be_cut;  /* a plain image of one plane whose file ends early, but not before half of
                         its rows, is no error: whole rows are read into px, the rest is NaN */
    int n_threads;    /* that read and convert a plain image; 0 or 1: the caller's alone */
};

/* Reads a FITS image. The name is a plain path, never an extended-syntax name. Errors name path
 * and HDU: no FITS file, no image HDU, cube of other than 3 planes (which one, its axes), empty
 * image, truncated (how many bytes are missing), header that lies (sizes), absurd sizes (over
 * 400 Mpx), unsupported or damaged compression. A colour axis in front (NAXIS1 = 3) is handled.
 * gzip-compressed whole files (.fits.gz) are read with a size limit. */
enum nw_status nw_frame_read(const char *path, const struct nw_frame_opts *opts,
                             struct nw_frame **ret, struct nw_err *err) NW_CHECKED;
void nw_frame_free(struct nw_frame *frame);
/* Gives the memory of the pixels back, px becomes NULL; the header stays. */
void nw_frame_drop_pixels(struct nw_frame *frame);
const struct nw_card *nw_frame_card(const struct nw_frame *frame, const char *key); /* or NULL */

/* Writes a 16-bit unsigned (BZERO 32768), 8-bit or float image with the given cards, atomically. */
struct nw_frame_out {
    const void *px; /* uint16_t (bitpix 16), uint8_t (8) or float (-32), row after row */
    int bitpix;
    size_t width_px, height_px, n_planes;
    const struct nw_card *cards;
    size_t n_cards;
};
enum nw_status nw_frame_write(const char *path, const struct nw_frame_out *out,
                              struct nw_err *err) NW_CHECKED;

/* A borrowed rectangle of pixels: px[y * stride_px + x] or px16[...], the other is NULL. */
struct nw_image_view {
    const float *px;
    const uint16_t *px16;
    size_t width_px, height_px, stride_px;
};
struct nw_image_view nw_frame_plane(const struct nw_frame *frame, size_t plane);
/* n values of row y from column x0 on, whichever way they are kept: a place in the image itself, or
 * `work`, filled (n floats). */
const float *nw_image_span(const struct nw_image_view *image, size_t x0, size_t n, size_t y,
                           float *work);

/* The pixels of one colour of a colour-filter frame, never interpolated: a grid of pitch 2 px (for
 * green the first of its two grids). pattern: "RGGB", "BGGR", "GRBG", "GBRG". *ret is a new
 * contiguous image of half size; positions: x_frame = 2 x + x0. Widths measured on it are given in
 * frame pixels by nw_measure_frame. */
struct nw_cfa_plane {
    float *px;
    size_t width_px, height_px;
    double x0, y0; /* place of its first pixel in the frame */
};
enum nw_status nw_frame_cfa_plane(const struct nw_frame *frame, const char *pattern,
                                  enum nw_channel channel, struct nw_cfa_plane *ret,
                                  struct nw_err *err) NW_CHECKED;
void nw_cfa_plane_done(struct nw_cfa_plane *plane);

/* ---- Between headers ------------------------------------------------------------------------ */

/* What the keyword of a setting is called here: "gain" of GAIN; NULL: none that has a name. */
const char *nw_header_setting(const char *key);

#define NW_HEADER_KIND_LIST(X)                                                                     \
    X(STEP, "changed and stayed")                                                                  \
    X(BACK, "changed and came back")                                                               \
    X(ROTATION, "returns in a regular rotation")                                                   \
    X(WANDER, "changed several times")
enum nw_header_kind {
#define X(name, text) NW_HEADER_##name,
    NW_HEADER_KIND_LIST(X)
#undef X
};
const char *nw_header_kind_text(enum nw_header_kind kind);

struct nw_header_step {
    size_t frame;                      /* the first frame with the new value */
    const char *old_value, *new_value; /* of the frames' cards; NULL: the keyword is not there */
};

enum { NW_HEADER_STEPS = 8 };
struct nw_header_change {
    const char *key;
    const char *what; /* "gain", "filter", ...; "" for keywords without a name here */
    enum nw_header_kind kind;
    size_t n_values; /* different ones, absence counted */
    size_t n_steps;  /* changes from one frame to the next */
    size_t n_listed; /* of them below: the first; of a rotation one round */
    struct nw_header_step steps[NW_HEADER_STEPS];
};
struct nw_header_changes {
    struct nw_header_change *items; /* settings with a name first, then the others by keyword */
    size_t n, cap;
};

/* Keywords whose value changes between frames (in the order of time) although it should not: the
 * camera's settings, the optics, the programs. Left out: what changes by itself (times, places in
 * the sky, temperatures and weather, focuser position, tube side, statistics, checksums, the
 * target, file names), and numbers without a name here that are new in most frames. "300" and
 * "300.0" are the same. Texts are borrowed: they die with the frames. n of 0 or 1: nothing changed.
 */
enum nw_status nw_headers_compare(const struct nw_frame *const *frames, size_t n,
                                  struct nw_header_changes *ret, struct nw_err *err) NW_CHECKED;
void nw_header_changes_done(struct nw_header_changes *changes);

/* ---- Background --------------------------------------------------------------------------- */

/* Sky and its noise on a mesh, smooth in between (Bijaoui 1980; Bertin & Arnouts 1996). */
struct nw_background;
struct nw_background_opts {
    size_t mesh_px; /* tile side; 0 = 64 */
    size_t filter;  /* median filter over tiles, odd; 0 = 3 */
};
enum nw_status nw_background_new(struct nw_image_view image, const struct nw_background_opts *opts,
                                 struct nw_background **ret, struct nw_err *err) NW_CHECKED;
void nw_background_free(struct nw_background *background);
double nw_background_level_adu(const struct nw_background *background); /* median of the tiles */
double
nw_background_noise_adu(const struct nw_background *background); /* median sigma of a pixel */
/* Fills one row of sky and of noise; either may be NULL. */
void nw_background_row(const struct nw_background *background, size_t y, float *sky, float *noise);

/* ---- Stars -------------------------------------------------------------------------------- */

#define NW_STAR_FLAG_LIST(X)                                                                       \
    X(SATURATED, 0, "saturated", "at least one pixel at or above the saturation level")            \
    X(BLENDED, 1, "blended", "a neighbour within the measuring window")                            \
    X(EDGE, 2, "edge", "the measuring window reaches past the image edge")                         \
    X(STREAK, 3, "streak", "far longer than wide: a trail, not a star")                            \
    X(NOT_POINT, 4, "not-point", "width or shape far from the frame's stars: galaxy, ghost, blob") \
    X(NO_FIT, 5, "no-fit", "no profile was fitted, or none fits: widths are not measured")
enum nw_star_flag {
#define X(name, bit, word, text) NW_STAR_##name = 1 << (bit),
    NW_STAR_FLAG_LIST(X)
#undef X
};

/* All NaN where not measured. Widths in pixels as delivered (pixel included) unless said. */
struct nw_star {
    double x_px, y_px, x_sigma_px, y_sigma_px;
    double flux_adu, flux_sigma_adu; /* fixed aperture or profile sum above the sky; the same for
                                        all frames of one setup, fit for relative photometry */
    double peak_adu;                 /* highest pixel above the sky */
    double snr; /* flux over the error that weights by the common profile would give it: noise in
                   the equivalent noise area, and photons (King 1983, PASP 95, 163) */
    double fwhm_px, fwhm_sigma_px; /* sqrt(major * minor) of the delivered profile */
    double fwhm_major_px, fwhm_minor_px, theta_rad;
    double fwhm_optical_px; /* pixel-integrated model with the pixel removed */
    double half_light_px;   /* radius of half the flux */
    double e1, e2;          /* (Ixx-Iyy)/(Ixx+Iyy), 2Ixy/(Ixx+Iyy) of the delivered profile */
    uint32_t flags;
};

#define NW_FRAME_FLAG_LIST(X)                                                                      \
    X(FEW_STARS, 0, "few-stars", "fewer than 10 usable stars")                                     \
    X(COMMON_ELONGATION, 1, "common-elongation", "all stars longer in one direction")              \
    X(BRIGHT_SKY, 2, "bright-sky", "sky above half of full scale")                                 \
    X(STREAK, 3, "streak", "at least one long trail")                                              \
    X(SATURATED, 4, "saturated", "more than a tenth of the detected stars are saturated")          \
    X(TRUNCATED, 5, "truncated", "file cut off: its last rows are missing, up to half of them")    \
    X(OUT_OF_FOCUS, 6, "out-of-focus", "stars are discs or rings")                                 \
    X(DOUBLED, 7, "doubled", "every star is there twice at the same vector")                       \
    X(TRAILED, 8, "trailed", "stars are lines, nearly twice as long as wide or more")              \
    X(UNDER_SAMPLED, 9, "under-sampled",                                                           \
      "stars narrower than 1.5 pixels, of a mosaic 1.5 pixels of their colour: widths are "        \
      "uncertain")
enum nw_frame_flag {
#define X(name, bit, word, text) NW_FRAME_##name = 1 << (bit),
    NW_FRAME_FLAG_LIST(X)
#undef X
};

#define NW_ZONES_X 5
#define NW_ZONES_Y 5
struct nw_zone {
    double u, v; /* centre of the zone, half diagonals */
    size_t n;    /* stars used; widths NaN below 3 */
    double fwhm_px, fwhm_sigma_px, half_light_px, half_light_sigma_px;
    double e1, e2, e_sigma;
};

/* Words of the flags by bit, NULL past the end. */
const char *nw_star_flag_word(unsigned bit);
const char *nw_frame_flag_word(unsigned bit);

/* One image (a mono frame, or one colour of a colour frame), measured. */
struct nw_measure {
    enum nw_channel channel;
    size_t width_px, height_px; /* of the frame */
    struct nw_star *stars;      /* brightest first; positions in frame pixels */
    size_t n_stars;             /* detected */
    size_t n_used, n_saturated;
    double background_adu, noise_adu;
    double fwhm_px, fwhm_sigma_px; /* of the used stars: robust centre; its standard error with that
                                      of the common profile. Zones: without what all share */
    double fwhm_optical_px, fwhm_optical_sigma_px; /* NaN below about 1.3 px */
    double moffat_beta;                            /* of the common profile */
    double half_light_px;
    double neq_area_px2;    /* 1 / sum(psf^2) of the common delivered profile */
    double e1, e2, e_sigma; /* mean vector of the used stars; sigma of each component */
    double elongation, elongation_angle_rad; /* from the mean (e1, e2): sqrt((1+|e|)/(1-|e|)) */
    struct nw_zone zones[NW_ZONES_X * NW_ZONES_Y]; /* row after row, from low v */
    struct nw_forms forms;                         /* rings, doubles, trails */
    struct nw_aspects aspects; /* sky's slope, noise, halo, faintest star, streaks */
    uint32_t flags;
};

struct nw_measure_opts {
    double detect_sigma;   /* threshold in sky sigmas on the smoothed image; 0 = 5 */
    double saturation_adu; /* NaN or 0: from facts, else data type, else from a pile-up of values */
    double gain_e_per_adu; /* NaN or 0: from facts, else noise from the sky alone */
    double read_noise_e;   /* NaN or 0: from facts, else the expected noise is not known */
    double offset_adu;     /* level without light; NaN or 0: not known */
    size_t max_stars;      /* brightest kept; 0 = 100000 */
    size_t fit_stars;      /* brightest clean ones fitted with a profile; 0 = 1000 */
    int n_threads;         /* 0 = all */
};

/* Finds and measures the stars of one plane. No stars is a result (n_stars 0, widths NaN), not an
 * error; an image that is all NaN or all one value is NW_DATA. pattern "" = mono;
 * channel picks the colour of a colour-filter or 3-plane frame. */
enum nw_status nw_measure_frame(const struct nw_frame *frame, enum nw_channel channel,
                                const char *pattern, const struct nw_measure_opts *opts,
                                struct nw_measure **ret, struct nw_err *err) NW_CHECKED;
void nw_measure_free(struct nw_measure *measure);

/* ---- Between frames ----------------------------------------------------------------------- */

/* Finds the shift, rotation (any, also half-turn after a flip) and scale (within 2 %) that lays b's
 * stars on a's, from the brightest unflagged stars (triangles, Groth 1986; refined by least
 * squares), and the list of pairs. */
struct nw_match {
    double dx_px, dy_px, rotation_rad,
        scale; /* x_a = scale R(rotation) x_b + d, about frame centres */
    double rms_px;
    struct nw_pair {
        uint32_t a, b;
    } * pairs;
    size_t n_pairs;
};
/* DATA: too few stars or no consistent match. */
enum nw_status nw_stars_match(const struct nw_measure *a, const struct nw_measure *b,
                              struct nw_match *ret, struct nw_err *err) NW_CHECKED;
void nw_match_done(struct nw_match *match);

/* Relative transmission of n frames from matched stars: one zero point a frame, solved jointly and
 * robustly over all stars seen in several frames; scaled so that the best frame is 1. Frames
 * of other exposure times are scaled by exposure_s. result[i] NaN where frame i cannot be matched.
 * With cloud over part of the field, up to half of it, the value is that of the clear part.
 *   accuracy  300 stars at 0.5 %: 0.15 % worst of 30 frames; cloud over half the field: 0.3 %; 14
 *             stars: 0.6 %; sigma's pull 0.9 to 1.1 (test_transmission.c) */
struct nw_transmission {
    double value, sigma;
    size_t n_stars;
    double patchy; /* scatter of the star ratios beyond their noise: cloud over part of the field */
};
enum nw_status nw_transmission_solve(const struct nw_measure *const *frames,
                                     const double *exposure_s, size_t n_frames,
                                     struct nw_transmission *result, struct nw_err *err) NW_CHECKED;

/* ---- Many frames -------------------------------------------------------------------------- */

struct nw_series_opts {
    struct nw_measure_opts measure; /* n_threads: frames side by side */
    enum nw_channel channel;        /* of colour frames: MONO = all three, else R, G or B */
    const char *pattern;            /* NULL or "": as the header says */
    const char *pattern_if_unsaid;  /* of one-plane frames whose header does not say; NULL: mono */
    bool may_be_cut;                /* as nw_frame_opts says; such frames are flagged */
    bool is_summary_only;           /* stars are given back as soon as a frame is summed up */
    size_t keep_stars;              /* only so many, the brightest, are kept then; 0: all */
};
struct nw_series_item {
    char *path;
    struct nw_frame *frame;         /* header only; NULL when it could not be read */
    struct nw_measure *measures[3]; /* one of a mono frame; R, G, B of a colour frame */
    size_t n_measures;
    enum nw_status status; /* of this frame; its text in err, which names the path */
    struct nw_err err;
};
struct nw_series {
    struct nw_series_item *items; /* in the order of the paths */
    size_t n;
};
/* Reads and measures frames in parallel; pixels are not kept. One that fails has its own status and
 * stops nobody. NOMEM is the only error of the call itself. */
enum nw_status nw_series_measure(const char *const *paths, size_t n,
                                 const struct nw_series_opts *opts,
                                 const struct nw_progress *progress, struct nw_series *ret,
                                 struct nw_err *err) NW_CHECKED;
void nw_series_done(struct nw_series *series);

#endif
