/* sensor_pattern.c - what the read-out leaves in rows and columns.
 * Idea: means of the rows of B1 - B2 scatter by the white noise over the root of their length, and
 * by what a whole row shares beyond that; B1 + B2 shows what stays. A band that repeats stands out
 * in the spectrum of the row means; its chance among n / 2 powers of white noise is 1 - (1 -
 * exp(-z))^(n/2) (Scargle 1982, ApJ 263, 835, eq. 14). Colour patterns: rows and columns lose their
 * period of two first. */
#include "light/sensor_internal.h"

#include <gsl/gsl_fft_real.h>
#include <math.h>

#define FALSE_ALARM 1e-3

struct profile {
    double *rows, *columns; /* sums, then means */
    double white;           /* sd of one pixel about rows and columns */
};

/* Means of rows and columns of a + sign b, less the mean; values far out are left out. */
static void fill(const struct nw_frame *a, const struct nw_frame *b, double sign, struct profile *p,
                 float *buffer) {
    const struct nw_image_view va = nw_frame_plane(a, 0);
    const struct nw_image_view vb = nw_frame_plane(b, 0);
    const size_t w = a->width_px;
    const size_t h = a->height_px;
    double centre = NAN;
    double limit = INFINITY;
    for (int pass = 0; pass < 2; pass++) {
        double sum = 0.0;
        double sum2 = 0.0;
        size_t n = 0;
        memset(p->rows, 0, h * sizeof *p->rows);
        memset(p->columns, 0, w * sizeof *p->columns);
        for (size_t y = 0; y < h; y++) {
            const float *const ra = nw_image_span(&va, 0, w, y, buffer);
            const float *const rb = nw_image_span(&vb, 0, w, y, buffer + w);
            const double zero = isfinite(centre) ? centre : (double)ra[0] + sign * (double)rb[0];
            for (size_t x = 0; x < w; x++) {
                double d = (double)ra[x] + sign * (double)rb[x] - zero;
                d = fabs(d) <= limit ? d : 0.0;
                p->rows[y] += d;
                p->columns[x] += d;
                sum += d;
                sum2 += d * d;
                n++;
            }
            centre = zero;
        }
        const double mean = sum / (double)n;
        p->white = sqrt(fmax(0.0, sum2 / (double)n - mean * mean));
        centre += mean;
        limit = 6.0 * p->white + 0.5;
    }
    for (size_t y = 0; y < h; y++) {
        p->rows[y] /= (double)w;
    }
    for (size_t x = 0; x < w; x++) {
        p->columns[x] /= (double)h;
    }
}

/* Takes the two interleaved levels of a colour pattern, and a slow run over `box` values, off. */
static void flatten(double *v, size_t n, size_t step, size_t box) {
    for (size_t phase = 0; phase < step; phase++) {
        double sum = 0.0;
        double count = 0.0;
        for (size_t i = phase; i < n; i += step) {
            sum += v[i];
            count += 1.0;
        }
        for (size_t i = phase; i < n; i += step) {
            v[i] -= sum / count;
        }
    }
    for (size_t first = 0; first + box <= n; first += box) { /* straight line of each box */
        double s0 = 0.0;
        double s1 = 0.0;
        const double middle = 0.5 * (double)(box - 1);
        for (size_t i = 0; i < box; i++) {
            s0 += v[first + i];
            s1 += v[first + i] * ((double)i - middle);
        }
        const double slope = 12.0 * s1 / ((double)box * ((double)box * (double)box - 1.0));
        for (size_t i = 0; i < box; i++) {
            v[first + i] -= s0 / (double)box + slope * ((double)i - middle);
        }
    }
}

/* Excess rms of means of `length` values over their white noise; 0 where there is none. */
static void excess(double *v, size_t n, size_t length, double white, double factor,
                   struct nw_sensor_value *ret) {
    double sum2 = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum2 += v[i] * v[i];
    }
    const double var = sum2 / (double)n;
    const double noise = white * white / (double)length;
    const double sigma = var * sqrt(2.0 / (double)n);
    const double rms = sqrt(fmax(0.0, var - noise));
    sensor_value_set(ret, factor * rms,
                     factor * (rms > 0.0 ? fmin(0.5 * sigma / rms, sqrt(sigma)) : sqrt(sigma)));
}

/* Half of the changing part's variance is in the mean of two frames. */
static void leave_changing_out(const struct nw_sensor_value *changing,
                               struct nw_sensor_value *fixed) {
    const double var = fixed->v * fixed->v;
    const double rest = fmax(0.0, var - 0.5 * changing->v * changing->v);
    const double sigma2 = hypot(2.0 * fixed->v * fixed->sigma, changing->v * changing->sigma);
    const double rms = sqrt(rest);
    sensor_value_set(fixed, rms, rms > 0.0 ? fmin(0.5 * sigma2 / rms, sqrt(sigma2)) : sqrt(sigma2));
}

static void find_band(struct nw_sensor *out, double *rows, size_t n, double factor) {
    gsl_fft_real_wavetable *const table = gsl_fft_real_wavetable_alloc(n);
    gsl_fft_real_workspace *const space = gsl_fft_real_workspace_alloc(n);
    sensor_value_why(&out->band_amplitude_e, "no period stands out among the rows");
    sensor_value_why(&out->band_period_px, "no period stands out among the rows");
    if (table && space && n >= 32) {
        (void)gsl_fft_real_transform(rows, 1, n, table, space);
        double top = 0.0;
        double sum = 0.0;
        size_t at = 0;
        for (size_t k = 1; 2 * k < n; k++) {
            const double power = rows[2 * k - 1] * rows[2 * k - 1] + rows[2 * k] * rows[2 * k];
            sum += power;
            at = power > top ? k : at;
            top = fmax(top, power);
        }
        const double n_powers = floor(0.5 * (double)(n - 1));
        const double mean = (sum - top) / (n_powers - 1.0);
        if (n_powers * exp(-top / mean) < FALSE_ALARM) {
            const double amplitude = 2.0 * sqrt(fmax(0.0, top - mean)) / (double)n;
            sensor_value_set(&out->band_amplitude_e, factor * amplitude,
                             factor * 2.0 * sqrt(0.5 * mean) / (double)n);
            sensor_value_set(&out->band_period_px, (double)n / (double)at,
                             0.5 * (double)n / (double)(at * at) * fmin(1.0, sqrt(mean / top)));
        }
    }
    if (table) {
        gsl_fft_real_wavetable_free(table);
    }
    if (space) {
        gsl_fft_real_workspace_free(space);
    }
}

/* Values in adu of one frame; sensor_pattern_in_electrons finishes them. */
void sensor_find_pattern(struct sensor_work *work, const struct nw_frame *a,
                         const struct nw_frame *b) {
    struct nw_sensor *const out = work->out;
    const size_t w = a->width_px;
    const size_t h = a->height_px;
    const size_t step = out->n_sites > 1 ? 2 : 1;
    enum { BOX = 16 };
    struct profile p = {.rows = nw_calloc(h, sizeof(double)),
                        .columns = nw_calloc(w, sizeof(double))};
    float *const buffer = nw_calloc(2 * w, sizeof *buffer);
    if (p.rows && p.columns && buffer && w >= BOX && h >= BOX) {
        const double lost = sqrt((double)BOX / (BOX - 2.0)); /* the line of each box */
        fill(a, b, 1.0, &p, buffer);
        struct profile stays = p;
        flatten(stays.rows, h, step, BOX);
        flatten(stays.columns, w, step, BOX);
        excess(stays.rows, h / BOX * BOX, w, p.white / lost, 0.5 * lost, &out->fixed_rows_e);
        excess(stays.columns, w / BOX * BOX, h, p.white / lost, 0.5 * lost, &out->fixed_columns_e);
        fill(a, b, -1.0, &p, buffer);
        flatten(p.columns, w, step, BOX);
        excess(p.columns, w / BOX * BOX, h, p.white / lost, lost * sqrt(0.5), &out->column_noise_e);
        double *const rows = nw_calloc(h, sizeof *rows);
        if (rows) {
            memcpy(rows, p.rows, h * sizeof *rows);
            flatten(rows, h, step, BOX);
            excess(rows, h / BOX * BOX, w, p.white / lost, lost * sqrt(0.5), &out->row_noise_e);
        }
        free(rows);
        find_band(out, p.rows, h, sqrt(0.5));
        leave_changing_out(&out->row_noise_e, &out->fixed_rows_e);
        leave_changing_out(&out->column_noise_e, &out->fixed_columns_e);
    }
    free(p.rows);
    free(p.columns);
    free(buffer);
}

void sensor_pattern_in_electrons(struct nw_sensor *out) {
    struct nw_sensor_value *const values[] = {&out->row_noise_e,      &out->column_noise_e,
                                              &out->fixed_rows_e,     &out->fixed_columns_e,
                                              &out->band_amplitude_e, &out->offset_drift_e};
    const double gain = out->gain_e_per_adu.v;
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        if (!isfinite(values[i]->v)) {
            continue;
        }
        if (isfinite(gain)) {
            sensor_value_set(values[i], values[i]->v * gain, values[i]->sigma * gain);
        } else {
            sensor_value_why(values[i], "needs the gain");
        }
    }
}
