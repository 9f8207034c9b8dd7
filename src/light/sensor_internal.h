/* sensor_internal.h - shared by the sensor files of light only. */
#ifndef NW_LIGHT_SENSOR_INTERNAL_H
#define NW_LIGHT_SENSOR_INTERNAL_H

#include "light/sensor.h"

/* One frame, or two and their difference, by tiles and sites: tile t, site s at t * n_sites + s.
 * The second frame is scaled by `ratio` before it is subtracted: a lamp that drifts. */
struct sensor_pair {
    size_t a, b; /* places in the list; b == a: a single frame */
    size_t n_tiles, n_sites;
    struct sensor_tile {
        double mean[2];
        double var_total; /* of a - ratio b about the tile's mean */
        double var_rows;  /* the same about each row's mean: bands of a rolling shutter are out */
        double var_space; /* of a + b between neighbours, half: pattern and noise */
    } * tiles;
    double mean[2][NW_SENSOR_SITES]; /* of each frame, outliers left out */
    double ratio[NW_SENSOR_SITES];
    double top_adu[2];
    double share_at_top[2]; /* of all pixels */
};
void sensor_pair_done(struct sensor_pair *pair);

struct sensor_work {
    const struct nw_sensor_frame *frames;
    size_t n;
    const struct nw_sensor_source *source;
    struct nw_sensor *out;
    int n_threads;
    bool *is_taken;                       /* frames of the setting and size that is worked on */
    double *t_s;                          /* start of each frame; NaN: unsaid */
    double (*level_adu)[NW_SENSOR_SITES]; /* mean of each frame; NaN: not read */
    bool *is_clipped;                     /* flats at the ceiling */
    struct sensor_pair *pairs;            /* tiles of biases, darks, flats */
    size_t n_pairs, cap_pairs;
    double offset_adu[NW_SENSOR_SITES];
    double rows_var[NW_SENSOR_SITES];  /* of one frame without light, row means out */
    double total_var[NW_SENSOR_SITES]; /* the same, about the tile's mean */
    double total_var_sigma[NW_SENSOR_SITES];
    size_t n_done, n_total;
};

enum nw_status sensor_pair_measure(const struct sensor_work *work, const struct nw_frame *a,
                                   const struct nw_frame *b, bool has_light,
                                   struct sensor_pair *ret, struct nw_err *err) NW_CHECKED;

void sensor_value_set(struct nw_sensor_value *value, double v, double sigma);
void sensor_value_why(struct nw_sensor_value *value, const char *why);
void sensor_note(struct nw_sensor *out, const char *format, ...) NW_PRINTF(2, 3);
double sensor_site_mean(const double *values, size_t n_sites);
double sensor_temperature_K(const struct nw_sensor_frame *frame); /* chip, else set */

/* Slope of noise against light of one pair at one site: K = adu per electron, and its error. */
bool sensor_pair_slope(const struct sensor_work *work, const struct sensor_pair *pair, size_t site,
                       double *ret_K, double *ret_sigma);
void sensor_find_bias(struct sensor_work *work);       /* offset, noise without light */
void sensor_find_gain(struct sensor_work *work);       /* curve, linearity, read noise */
void sensor_find_ceiling(struct sensor_work *work);    /* full scale in adu, before the gain */
void sensor_find_full_scale(struct sensor_work *work); /* in electrons */
void sensor_find_prnu(struct sensor_work *work);
void sensor_pattern_in_electrons(struct nw_sensor *out);
void sensor_find_linearity(struct sensor_work *work);
void sensor_find_dark(struct sensor_work *work);
/* Reads the darks again: after the gain. */
enum nw_status sensor_find_telegraph(struct sensor_work *work, struct nw_err *err) NW_CHECKED;
void sensor_find_contradictions(struct sensor_work *work);
/* Of the difference and the sum of two frames without light. */
void sensor_find_pattern(struct sensor_work *work, const struct nw_frame *a,
                         const struct nw_frame *b);
void sensor_find_hot(struct sensor_work *work, const struct sensor_pair *pair,
                     const struct nw_frame *a, const struct nw_frame *b);

/* Weighted least squares of y on k columns of x (row after row); w weights. Covariance scaled by
 * nothing. False when the columns do not determine the result. */
struct sensor_line {
    size_t n, k;
    const double *x, *y, *w;
    double b[4], covariance[4][4], chi2;
};
bool sensor_line_fit(struct sensor_line *line);

#endif
