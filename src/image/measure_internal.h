/* measure_internal.h - what the files of the measuring half share.
 * Idea: one pass over the rows finds peaks (detect, peaks); everything after works on small
 * cut-outs around them (window, profile_fit), held on the stack: no allocation per star.
 * Coordinates here are those of the measured grid; only measure.c turns them into frame pixels. */
#ifndef NW_MEASURE_INTERNAL_H
#define NW_MEASURE_INTERNAL_H

#include <math.h>

#include "image/image.h"

/* What is measured, and what is known about its pixels. */
#define BETA_MAX 60.0 /* steeper is a Gaussian to within 0.5 % of its width */

struct field {
    struct nw_image_view image;
    const struct nw_background *background;
    double saturation_adu;   /* INFINITY when there is no such level */
    double variance_per_adu; /* photon noise: 1 / gain; 0 when the gain is not known */
    double pixel_width; /* of a pixel in steps of the grid: 1; 0.5 for one colour of a mosaic */
    double step_adu;    /* between the values that whole numbers of the file can have; 0: floats */
    int n_threads;
};

static inline float image_pixel(const struct nw_image_view *image, size_t x, size_t y) {
    const size_t at = y * image->stride_px + x;
    return image->px ? image->px[at] : (float)image->px16[at];
}

/* ---- background.c ---- */
/* The finite values of an image; without any low is INFINITY, top -INFINITY. */
struct value_range {
    float low, top;
    size_t n_top; /* how often the highest comes */
    size_t n_finite;
};
/* One pass over the pixels; the range is a by-product (may be NULL). */
enum nw_status background_build(const struct nw_image_view *image,
                                const struct nw_background_opts *opts, int n_threads,
                                struct value_range *ret_range, struct nw_background **ret,
                                struct nw_err *err) NW_CHECKED;
/* Part of a row: x0 <= x < x0 + n. */
void background_span(const struct nw_background *background, size_t x0, size_t n, size_t y,
                     float *sky, float *noise);
/* Pixels of a box, at most WINDOW_MAX_SIDE either way, less the sky; its rows `stride` apart. */
struct box {
    size_t x0, y0, n_x, n_y;
};
void background_take_off(const struct nw_background *background, const struct nw_image_view *image,
                         const struct box *box, float *ret, size_t stride);
/* (px - sky) / noise of part of a row; blank pixels: 0. */
void background_significance(const struct nw_background *background,
                             const struct nw_image_view *image, size_t x0, size_t n, size_t y,
                             float *ret);
/* ---- warm_columns.c ---- */
/* Columns of the sensor that are warm over many rows become part of the sky. */
enum nw_status background_find_columns(struct nw_background *background,
                                       const struct nw_image_view *image, int n_threads,
                                       struct nw_err *err) NW_CHECKED;

/* Where the noise is 0 (digital silence) it is raised to floor_adu, so that ratios stay finite. */
void background_raise_noise(struct nw_background *background, double floor_adu);
/* Pixels further below the sky than this are dead, or were hot in a dark frame: no light of the
 * sky. `low_adu`: the lowest pixel of the image. */
#define COLD_SIGMA 8.0
void background_note_cold(struct nw_background *background, double low_adu);
bool background_has_cold(const struct nw_background *background);

/* tile.c: sky and noise of one tile. count is the number of finite pixels, 0: nothing measured. */
struct tile_stat {
    double level_adu, sigma_adu;
    size_t count;
};
struct tile_stat tile_measure(const struct nw_image_view *tile);
struct value_range tile_range(const struct nw_image_view *tile);

/* rank.c: the k-th smallest, k from 0, of n >= 1 floats that are no NaN. */
void rank_keys(const float *values, size_t n, int32_t *ret);
float rank_value(const int32_t *keys, size_t n, size_t k);
/* The same of keys of any kind, and the float that belongs to one of rank_keys. */
int32_t rank_key(const int32_t *keys, size_t n, size_t k);
float rank_value_of(int32_t key);
double rank_median_of_nine(const double values[static 9]); /* none is NaN */

/* order.c: which of n values is the largest, the second ... Equal ones as they come, NaN last.
 * work: 2 n. */
void order_falling(const float *values, size_t n, uint32_t *ret, uint64_t *work);

/* spline.c: second derivatives of a natural cubic spline through n equidistant values (step 1). */
void spline_second_derivatives(const double *z, size_t n, size_t stride, double *ret, double *work);
/* Weights of z[i], z[i+1], z''[i], z''[i+1] at t in units of the step from i; straight on beyond
 * 0..1. */
void spline_weights(double t, double weight[static 4]);

/* ---- detect.c: the image filtered with a Gaussian, in units of the filtered noise ---- */
enum { KERNEL_MAX = 16 };
struct kernel {
    double fwhm_px;
    size_t reach;
    float weight[KERNEL_MAX + 1]; /* of the middle, and to either side */
};
void kernel_make(double fwhm_px, struct kernel *ret);
/* Columns x0 .. x0 + n - 1, row after row. memory: row_filter_floats(kernel, n), the caller's. */
struct row_filter {
    const struct field *field;
    const struct kernel *kernel;
    size_t x0, n, next_y;
    float *ring, *empty, *line;
};
size_t row_filter_floats(const struct kernel *kernel, size_t n);
void row_filter_init(struct row_filter *filter, const struct field *field,
                     const struct kernel *kernel, size_t x0, size_t n, float *memory);
/* n values of row y, which rises by one from call to call. */
void row_filter_row(struct row_filter *filter, size_t y, float *out);
float filtered_at(const struct field *field, const struct kernel *kernel, size_t x, size_t y);
/* Scatter of the filtered image: 1 for white noise, more where the noise of neighbouring pixels is
 * alike (resampled or processed frames, plates); never taken below 1. The median over blocks: a
 * cluster or nebula over part of the frame does not count as noise. */
double filtered_scatter(const struct field *field, const struct kernel *kernel);

/* ---- runs.c: runs of pixels above the threshold in a band of rows, and the maxima in them ---- */
struct run {
    int32_t y, x0, x1;   /* x0 <= x < x1 */
    uint32_t parent;     /* peaks.c */
    const float *values; /* of the filtered image, in the band's memory */
};
struct maximum {
    int32_t x, y;
    float snr;
    uint32_t run;
};
struct band {
    struct run *runs;
    float *values;
    struct maximum *maxima;
    size_t n_runs, cap_runs, n_values, cap_values, n_maxima, cap_maxima;
    bool is_scanned;
    enum nw_status status;
    struct nw_err err;
};
void band_scan(const struct field *field, const struct kernel *kernel, float threshold,
               size_t y_first, size_t y_end, struct band *ret);
void band_done(struct band *band);

/* ---- peaks.c: connected runs, and the maxima that stand alone ---- */
struct peak {
    int32_t x, y;
    float snr;      /* of the filtered image */
    bool is_streak; /* its component is far longer than wide */
    bool is_pair;   /* one of two stars that were fitted together (blends.c) */
    bool is_moved;  /* away from a hit that it was on (find.c) */
};
struct peak_list {
    struct peak *peaks; /* brightest first */
    size_t n, cap;
    double threshold; /* significance that a star has at least */
};
/* Bands that are not scanned count as empty. */
enum nw_status peaks_join(const struct field *field, const struct kernel *kernel, float threshold,
                          const struct band *bands, size_t n_bands, struct peak_list *ret,
                          struct nw_err *err) NW_CHECKED;
/* ---- find.c: both together ---- */
/* Peaks above `threshold` sigmas, and the width of the stars among them. */
enum nw_status peaks_find(const struct field *field, double threshold, struct peak_list *ret,
                          double *ret_fwhm_px, struct nw_err *err) NW_CHECKED;

/* ---- window.c ---- */
#define WINDOW_MAX_RADIUS 40
#define WINDOW_MAX_SIDE (2 * WINDOW_MAX_RADIUS + 1)
struct window { /* square cut-out, sky subtracted; NaN outside the image, where blank or masked */
    int x0, y0, side;
    size_t n_lost;      /* pixels outside the image or blank */
    size_t n_masked;    /* pixels given to neighbours */
    size_t n_hits;      /* pixels taken for hot ones or particle hits */
    size_t n_saturated; /* at or above the saturation level, within the inner half */
    double noise_adu;   /* of a sky pixel at the centre */
    float px[WINDOW_MAX_SIDE * WINDOW_MAX_SIDE];
};
void window_cut(const struct field *field, double x, double y, int radius, struct window *ret);
/* A copy costs what the pixels do that there are, not those that there may be. */
void window_copy(const struct window *from, struct window *to);
/* Gives the pixels nearer to (nx, ny) than to (x, y) away. */
void window_mask(struct window *window, double x, double y, double nx, double ny);
/* Pixels without value get that of the point-symmetric pixel about (x, y), else 0. */
void window_fill(struct window *window, double x, double y);
struct centroid {
    double x, y, x_sigma_px, y_sigma_px;
    bool is_good;
};
/* Gaussian-weighted centroid, iterated to its fixed point. */
struct centroid window_centroid(const struct window *window, const struct field *field, double x,
                                double y, double fwhm_px);
/* Significance above the sky of what a Gaussian weight of that width sees, over pixels with values.
 */
double window_matched_snr(const struct window *window, double x, double y, double fwhm_px);
/* Diameter of a disc with the area above half of the highest pixel near the middle, as far as it
 * hangs together: neighbours do not count. NaN when that pixel is not > 0. */
double window_half_area_fwhm(const struct window *window);

/* ---- circles.c ---- */
/* Sum inside a circle, edge pixels cut exactly; *ret_area: pixels of the circle. */
double window_aperture(const struct window *window, double x, double y, double r_px,
                       double *ret_area);
/* Area that a circle of radius r about the origin shares with the unit square centred at (x, y). */
double circle_square_overlap(double x, double y, double r);
/* Radius that holds half of what is inside r_px (as window_aperture gives it); NaN when that is not
 * positive. */
double window_half_light(const struct window *window, double x, double y, double r_px,
                         double inside_adu);

/* ---- hits.c: hot pixels, warm columns, particle hits ---- */
/* Takes the value from pixels that stand out more sharply than a star of this width can; how many.
 */
size_t window_drop_hits(struct window *window, const struct field *field, double fwhm_px);
/* On a warm column or row, or below the threshold (window_matched_snr) without its hits. One that
 * is not is moved to where its light is without them. */
bool peak_is_hit(const struct field *field, struct peak *peak, double fwhm_px, double threshold);

/* ---- profile.c: the Moffat (1969, A&A 3, 455) profile and its pixel integral ---- */
struct profile { /* amplitude (1 + cxx dx^2 + 2 cxy dx dy + cyy dy^2)^-beta + sky, before the pixel
                  */
    double amplitude, x, y, cxx, cxy, cyy, sky, beta;
};
double moffat_fwhm_per_alpha(double beta); /* 2 sqrt(2^(1/beta) - 1) */
double moffat_encircled(double r_per_alpha, double beta);
double moffat_half_light_per_fwhm(double beta);
double profile_fwhm_px(const struct profile *profile); /* optical, sqrt(major minor) */
/* Average over a pixel of the given width centred at (dx, dy) from the star; amplitude 1, no sky.
 */
double profile_pixel(const struct profile *profile, double dx, double dy, double pixel_width);
struct delivered {
    double fwhm_px, major_px, minor_px, theta_rad, e1, e2;
};
/* Half-maximum widths of the profile convolved with the pixel, along its own axes. */
struct delivered profile_delivered(const struct profile *profile, double pixel_width);
/* 1 / integral of the square of the round profile convolved with the pixel [grid px^2]. */
double moffat_neq_area_px2(double fwhm_optical_px, double beta, double pixel_width);

/* ---- profile_fit.c ---- */
struct profile_fit {
    struct profile profile;
    double x_sigma_px, y_sigma_px, fwhm_relative_sigma; /* optical width */
    double misfit; /* rms of what noise does not explain, relative to the rms of the model */
    double chi2_per_freedom;
    bool is_good; /* converged, sane */
};
/* Least squares from `start`; beta free or as given there. */
struct profile_fit profile_fit(const struct window *window, const struct profile *start,
                               const struct field *field, bool is_beta_free);

/* ---- core.c: the real profile against the fitted one ---- */
struct seeing;
struct core {
    double width_factor; /* real over fitted width at half maximum; 1 where it cannot be told */
    double width_relative_sigma; /* shared by all stars: what is left of beta's error and its own */
    double neq_area_px2;         /* of the real profile, grid px^2 */
};
struct core core_measure(const struct field *field, const struct nw_star *stars, size_t n,
                         const struct seeing *seeing);

/* ---- stars.c, summary.c ---- */
struct seeing {             /* the common profile of the frame, grid px */
    double fwhm_px;         /* delivered */
    double fwhm_optical_px; /* before the pixel */
    double beta;
    double neq_area_px2;         /* equivalent noise area of the delivered profile */
    double width_relative_sigma; /* of the delivered width, shared by all stars: beta's error */
    double width_scatter;        /* robust, of single stars, relative */
    double shape1, shape2;       /* (cxx - cyy), 2 cxy over (cxx + cyy): the form of the profile */
    double sky_adu;              /* above the mesh's sky, as the fits see it; 0: not known */
    bool is_fitted; /* from profile fits; else from areas above half maximum, or a default */
};
double seeing_guess(const struct field *field, const struct peak_list *peaks);
enum nw_status stars_measure(const struct field *field, const struct peak_list *peaks,
                             const struct nw_measure_opts *opts, struct seeing *seeing,
                             struct nw_measure *measure, struct nw_err *err) NW_CHECKED;
/* After the stars are in frame pixels. common_sigma: relative error of the delivered width that all
 * stars share. */
void summary_make(struct nw_measure *measure, const struct seeing *seeing, double common_sigma);
bool star_is_used(const struct nw_star *star);

#endif
