/* psf.c - the delivered profile: aperture, air, motion path, local air and pixel, over a passband.
 * Idea: everything is multiplied on one grid of frequencies (step 1 / (128 px), up to 4 cycles/px),
 * summed over wavelengths, and turned into an image with 8 samples a pixel. The motion enters by
 * the transform of the path itself. The pixel's sinc is nil at whole cycles per pixel, so the
 * samples one pixel apart sum to 1 for any phase: a drawn star keeps its flux. */
#include "synth/synth_internal.h"

#include <erfa.h>
#include <math.h>

static double sinc(double x) {
    return fabs(x) < 1e-9 ? 1.0 : sin(NW_PI * x) / (NW_PI * x);
}

static double signed_index(size_t i) {
    return i < SYNTH_FINE / 2 ? (double)i : (double)i - (double)SYNTH_FINE;
}

/* Long-exposure transfer of the air at each wavelength (Fried 1966) and the local air: Kolmogorov
 * of its own FWHM, the same at all wavelengths; on lags of a quarter of the grid's step. */
static void fill_air(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                     uint32_t without, struct synth_scratch *scratch) {
    const struct synth_scene *scene = plan->scene;
    const double local = without & SYNTH_NO_LOCAL_AIR ? 0.0 : scene->optics.local_air_rad;
    for (size_t b = 0; b < plan->n_bands; b++) {
        for (int w = 0; w < SYNTH_LAMBDAS; w++) {
            const struct synth_pupil *pupil = &plan->pupils[b][w];
            const double r0_m =
                nw_synth_r0_at(sub->r0_m, sub->pointing.airmass, pupil->wavelength_m);
            const size_t end = 4 * pupil->n_across + 8;
            for (size_t i = 0; i < SYNTH_AIR_TABLE; i++) {
                double exponent = i < end ? 0.0 : 200.0;
                const double lag = 0.25 * (double)i;
                if (i < end && !(without & SYNTH_NO_SEEING)) {
                    exponent +=
                        0.5 * nw_synth_structure(lag * pupil->step_m, r0_m, scene->outer_scale_m);
                }
                const double f = lag * plan->frequency_step;
                exponent += 3.4419386 * pow(f * local / 0.97586343, 5.0 / 3.0); /* IMG-10, -11 */
                scratch->air[b][w][i] = (float)exp(-exponent);
            }
        }
    }
}

/* The path as a histogram on the fine grid, each point shared by its four neighbours (their
 * triangle is taken out again in frequency). */
static void fill_path(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                      struct synth_scratch *scratch) {
    memset(scratch->image, 0, (size_t)SYNTH_FINE * SYNTH_FINE * sizeof *scratch->image);
    for (size_t i = 0; i < sub->n_path; i++) {
        double at[2];
        nw_synth_to_px(plan->scene, sub->path_e_rad[i], sub->path_n_rad[i], at);
        const double x = at[0] * SYNTH_OVER;
        const double y = at[1] * SYNTH_OVER;
        const double fx = x - floor(x);
        const double fy = y - floor(y);
        for (int k = 0; k < 4; k++) {
            const long ix = (long)floor(x) + k % 2;
            const long iy = (long)floor(y) + k / 2;
            const size_t cx = (size_t)(ix & (SYNTH_FINE - 1));
            const size_t cy = (size_t)(iy & (SYNTH_FINE - 1));
            scratch->image[cy * SYNTH_FINE + cx] +=
                (k % 2 ? fx : 1.0 - fx) * (k / 2 ? fy : 1.0 - fy) / (double)sub->n_path;
        }
    }
    fftw_execute_dft_r2c(plan->to_frequency, scratch->image, scratch->path);
}

void nw_synth_psf_begin(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                        uint32_t without, struct synth_scratch *scratch) {
    fill_air(plan, sub, without, scratch);
    const bool moves = !(without & SYNTH_NO_MOTION) && sub->n_path > 0;
    if (moves) {
        fill_path(plan, sub, scratch);
    }
    double triangle[SYNTH_FINE];
    double pixel[SYNTH_FINE];
    for (size_t i = 0; i < SYNTH_FINE; i++) {
        const double k = signed_index(i);
        triangle[i] = pow(sinc(k / SYNTH_FINE), 2.0);
        pixel[i] = without & SYNTH_NO_PIXEL ? 1.0 : sinc(k / SYNTH_BOX_PX);
    }
    for (size_t j = 0; j < SYNTH_FINE; j++) {
        for (size_t i = 0; i < SYNTH_HALF; i++) {
            double *value = scratch->path[j * SYNTH_HALF + i];
            const double window = pixel[i] * pixel[j];
            const double factor = moves ? window / (triangle[i] * triangle[j]) : window;
            value[0] = moves ? value[0] * factor : factor;
            value[1] = moves ? value[1] * factor : 0.0;
        }
    }
}

/* Shift of a wavelength on the frame [px] against the mean of the band: nearer the zenith by the
 * difference of refraction (erfa's refraction constants; REFERENCES ATM-05, ATM-06). */
static void dispersion_px(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                          size_t band, int w, double ret_px[2]) {
    const struct synth_scene *scene = plan->scene;
    const double tan_z = 1.0 / tan(sub->pointing.altitude_rad);
    double lift = 0.0;
    for (int i = 0; i < SYNTH_LAMBDAS; i++) {
        double a = 0.0;
        double b = 0.0;
        eraRefco(scene->air.pressure_Pa / 100.0, scene->air.temperature_K - NW_ZERO_CELSIUS_K,
                 scene->air.relative_humidity, plan->pupils[band][i].wavelength_m * 1e6, &a, &b);
        const double refraction = a * tan_z + b * tan_z * tan_z * tan_z;
        lift += (i == w ? refraction : 0.0) - refraction / SYNTH_LAMBDAS;
    }
    const double q = sub->pointing.parallactic_rad; /* position angle of the zenith */
    nw_synth_to_px(scene, lift * sin(q), lift * cos(q), ret_px);
}

/* Focus of a wavelength [m] against the mean of the band, where a focus run ends. */
static double colour_focus(const struct synth_psf_plan *plan, size_t band, int w) {
    double value[SYNTH_LAMBDAS];
    double mean = 0.0;
    for (int i = 0; i < SYNTH_LAMBDAS; i++) {
        value[i] = nw_synth_colour_m(plan->scene, plan->pupils[band][i].wavelength_m);
        mean += value[i] / SYNTH_LAMBDAS;
    }
    return value[w] - mean;
}

static struct synth_wave wave_at(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                                 const double uv[static 2], uint32_t without) {
    const struct synth_optics *optics = &plan->scene->optics;
    const double r2 = uv[0] * uv[0] + uv[1] * uv[1];
    struct synth_wave wave = {.defocus_m = without & SYNTH_NO_FOCUS ? 0.0 : sub->defocus_m};
    if (!(without & SYNTH_NO_SURFACE)) { /* sensor minus height of best focus */
        wave.defocus_m -= sub->a_m * uv[0] + sub->b_m * uv[1] + optics->c_m * (r2 - 1.0 / 3.0);
        wave.astigmatism_m = optics->astigmatism_m * r2;
        wave.astigmatism_angle_rad = atan2(uv[1], uv[0]);
    }
    wave.coma_m = without & SYNTH_NO_COMA ? 0.0 : optics->coma_m;
    wave.trefoil_m = without & SYNTH_NO_PINCH ? 0.0 : optics->trefoil_m;
    return wave;
}

/* sum += OTF x air x shift of one wavelength. */
static void add_wavelength(const struct synth_pupil *pupil, const float *air,
                           const double shift_px[static 2], struct synth_scratch *scratch) {
    const size_t lags = pupil->n_across < SYNTH_FINE / 2 ? pupil->n_across : SYNTH_FINE / 2 - 1;
    const size_t otf_row = pupil->n / 2 + 1;
    double cx[SYNTH_HALF][2];
    for (size_t i = 0; i <= lags; i++) {
        const double turn = -2.0 * NW_PI * (double)i * shift_px[0] / SYNTH_BOX_PX;
        cx[i][0] = cos(turn);
        cx[i][1] = sin(turn);
    }
    for (size_t r = 0; r <= 2 * lags; r++) {
        const double ky = (double)r - (double)lags;
        const size_t row = ky < 0.0 ? (size_t)(SYNTH_FINE + ky) : (size_t)ky;
        const size_t from = ky < 0.0 ? (size_t)((double)pupil->n + ky) : (size_t)ky;
        const double turn = -2.0 * NW_PI * ky * shift_px[1] / SYNTH_BOX_PX;
        const double sy[2] = {cos(turn), sin(turn)};
        for (size_t i = 0; i <= lags; i++) {
            const double at = 4.0 * sqrt((double)(i * i) + ky * ky);
            const size_t k = (size_t)at;
            const double t = (double)air[k] + (at - (double)k) * (double)(air[k + 1] - air[k]);
            const double *otf = scratch->otf[from * otf_row + i];
            const double a = cx[i][0] * sy[0] - cx[i][1] * sy[1];
            const double b = cx[i][0] * sy[1] + cx[i][1] * sy[0];
            double *sum = scratch->sum[row * SYNTH_HALF + i];
            sum[0] += t * (otf[0] * a - otf[1] * b);
            sum[1] += t * (otf[0] * b + otf[1] * a);
        }
    }
}

/* The image, its centre moved from (0, 0) to the middle of the box, sorted by phase. */
static void sort_phases(const struct synth_scratch *scratch, float *phases) {
    const double norm = 1.0 / ((double)SYNTH_LAMBDAS * SYNTH_BOX_PX * SYNTH_BOX_PX);
    for (size_t y = 0; y < SYNTH_FINE; y++) {
        const size_t to_y = (y + SYNTH_FINE / 2) % SYNTH_FINE;
        for (size_t x = 0; x < SYNTH_FINE; x++) {
            const size_t to_x = (x + SYNTH_FINE / 2) % SYNTH_FINE;
            const size_t phase = (to_y % SYNTH_OVER) * SYNTH_OVER + to_x % SYNTH_OVER;
            const size_t cell = (to_y / SYNTH_OVER) * SYNTH_BOX_PX + to_x / SYNTH_OVER;
            phases[phase * SYNTH_BOX_PX * SYNTH_BOX_PX + cell] =
                (float)(scratch->image[y * SYNTH_FINE + x] * norm);
        }
    }
}

/* The field turns during the sub: an even line at this place, whose transfer function is sinc. */
static void smear_by_turn(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                          const double uv[static 2], struct synth_scratch *scratch) {
    const struct synth_camera *camera = &plan->scene->camera;
    const double half_diagonal =
        0.5 * hypot((double)camera->full_width_px, (double)camera->full_height_px);
    const double c = cos(camera->angle_rad);
    const double s = sin(camera->angle_rad);
    const double x = uv[0] * half_diagonal;
    const double y = uv[1] * half_diagonal;
    const double e = -x * c + y * s; /* the inverse of nw_synth_to_px, in pixels */
    const double n = x * s + y * c;
    const double *rate = sub->turn_rate;
    const double length_s = sub->end_s - sub->start_s;
    const double de = length_s * (rate[0] * e + rate[1] * n);
    const double dn = length_s * (rate[2] * e + rate[3] * n);
    const double line[2] = {-de * c + dn * s, de * s + dn * c};
    if (!(hypot(line[0], line[1]) > 0.02)) {
        return; /* 1e-5 of the width of a star of 2 px */
    }
    for (size_t row = 0; row < SYNTH_FINE; row++) {
        const double ky = row <= SYNTH_FINE / 2 ? (double)row : (double)row - SYNTH_FINE;
        for (size_t i = 0; i < SYNTH_HALF; i++) {
            const double a = NW_PI * ((double)i * line[0] + ky * line[1]) / SYNTH_BOX_PX;
            const double sinc = fabs(a) > 1e-4 ? sin(a) / a : 1.0;
            scratch->sum[row * SYNTH_HALF + i][0] *= sinc;
            scratch->sum[row * SYNTH_HALF + i][1] *= sinc;
        }
    }
}

void nw_synth_psf_at(const struct synth_psf_plan *plan, const struct synth_sub *sub, size_t band,
                     const double uv[static 2], uint32_t without, struct synth_scratch *scratch,
                     float *phases) {
    const size_t half_plane = (size_t)SYNTH_FINE * SYNTH_HALF;
    const struct synth_wave mean = wave_at(plan, sub, uv, without);
    memset(scratch->sum, 0, half_plane * sizeof *scratch->sum);
    for (int w = 0; w < SYNTH_LAMBDAS; w++) {
        struct synth_wave wave = mean;
        double shift_px[2] = {0.0, 0.0};
        if (!(without & SYNTH_NO_COLOUR)) {
            wave.defocus_m -= colour_focus(plan, band, w);
        }
        if (!(without & SYNTH_NO_DISPERSION)) {
            dispersion_px(plan, sub, band, w, shift_px);
        }
        nw_synth_pupil_otf(plan, &plan->pupils[band][w], &wave, scratch);
        add_wavelength(&plan->pupils[band][w], scratch->air[band][w], shift_px, scratch);
    }
    for (size_t i = 0; i < half_plane; i++) {
        const double re = scratch->sum[i][0];
        const double im = scratch->sum[i][1];
        scratch->sum[i][0] = re * scratch->path[i][0] - im * scratch->path[i][1];
        scratch->sum[i][1] = re * scratch->path[i][1] + im * scratch->path[i][0];
    }
    smear_by_turn(plan, sub, uv, scratch);
    fftw_execute_dft_c2r(plan->to_image, scratch->sum, scratch->image);
    sort_phases(scratch, phases);
}

static double fine_at(const float *phases, size_t x, size_t y) {
    const size_t phase = (y % SYNTH_OVER) * SYNTH_OVER + x % SYNTH_OVER;
    const size_t cell = (y / SYNTH_OVER) * SYNTH_BOX_PX + x / SYNTH_OVER;
    return (double)phases[phase * SYNTH_BOX_PX * SYNTH_BOX_PX + cell];
}

/* Four-point Lagrange interpolation between fine samples; coordinates in fine samples. (Bilinear
 * values lie low on a convex contour: the Airy disc came out 0.8 % too narrow.) */
static double between(const float *phases, double x, double y) {
    const size_t ix = (size_t)x;
    const size_t iy = (size_t)y;
    double wx[4];
    double wy[4];
    nw_synth_lagrange(x - (double)ix, wx);
    nw_synth_lagrange(y - (double)iy, wy);
    double sum = 0.0;
    for (size_t j = 0; j < 4; j++) {
        for (size_t i = 0; i < 4; i++) {
            sum += wx[i] * wy[j] * fine_at(phases, ix + i - 1, iy + j - 1);
        }
    }
    return sum;
}

/* Height of the maximum by a parabola each way. */
static double true_top(const float *phases, const size_t peak[static 2]) {
    const double middle = fine_at(phases, peak[0], peak[1]);
    double top = middle;
    for (int axis = 0; axis < 2; axis++) {
        const size_t dx = axis == 0;
        const size_t dy = axis == 1;
        const double low = fine_at(phases, peak[0] - dx, peak[1] - dy);
        const double high = fine_at(phases, peak[0] + dx, peak[1] + dy);
        const double bend = 2.0 * middle - low - high;
        top += bend > 0.0 ? (high - low) * (high - low) / (8.0 * bend) : 0.0;
    }
    return top;
}

/* Outermost crossing of the half maximum along a direction, in fine samples. */
static double crossing(const float *phases, const size_t peak[static 2], double angle,
                       double half) {
    const double c = cos(angle);
    const double s = sin(angle);
    double before = 2.0 * half;
    for (int i = 1; i < SYNTH_FINE - 8; i++) {
        const double r = 0.5 * i;
        const double value = between(phases, (double)peak[0] + r * c, (double)peak[1] + r * s);
        if (value < half) {
            return r - 0.5 * (half - value) / (before - value);
        }
        before = value;
    }
    return NAN;
}

struct synth_width nw_synth_psf_width(const float *phases) {
    size_t peak[2] = {SYNTH_FINE / 2, SYNTH_FINE / 2};
    double top = 0.0;
    double square = 0.0;
    for (size_t y = 0; y < SYNTH_FINE; y++) {
        for (size_t x = 0; x < SYNTH_FINE; x++) {
            const double value = fine_at(phases, x, y);
            square += value * value;
            const bool is_inner = labs((long)x - SYNTH_FINE / 2) < SYNTH_FINE / 4 &&
                                  labs((long)y - SYNTH_FINE / 2) < SYNTH_FINE / 4;
            if (is_inner && value > top) {
                top = value;
                peak[0] = x;
                peak[1] = y;
            }
        }
    }
    top = true_top(phases, peak);
    enum { N = 180 };
    double m[6] = {0.0}; /* area, x, y, xx, xy, yy of the region above half maximum */
    for (int i = 0; i < N; i++) {
        const double angle = 2.0 * NW_PI * i / N;
        const double r = crossing(phases, peak, angle, 0.5 * top) / SYNTH_OVER;
        const double d = 2.0 * NW_PI / N;
        const double c = cos(angle);
        const double s = sin(angle);
        m[0] += d * r * r / 2.0;
        m[1] += d * r * r * r / 3.0 * c;
        m[2] += d * r * r * r / 3.0 * s;
        m[3] += d * r * r * r * r / 4.0 * c * c;
        m[4] += d * r * r * r * r / 4.0 * c * s;
        m[5] += d * r * r * r * r / 4.0 * s * s;
    }
    const double xx = m[3] / m[0] - m[1] * m[1] / m[0] / m[0];
    const double xy = m[4] / m[0] - m[1] * m[2] / m[0] / m[0];
    const double yy = m[5] / m[0] - m[2] * m[2] / m[0] / m[0];
    const double root = hypot(0.5 * (xx - yy), xy);
    return (struct synth_width){
        .fwhm_px = 2.0 * sqrt(m[0] / NW_PI),            /* an ellipse: sqrt(major minor) */
        .major_px = 4.0 * sqrt(0.5 * (xx + yy) + root), /* uniform ellipse: variance a^2 / 4 */
        .minor_px = 4.0 * sqrt(fmax(0.0, 0.5 * (xx + yy) - root)),
        .angle_rad = 0.5 * atan2(2.0 * xy, xx - yy),
        .neq_area_px2 = SYNTH_OVER * SYNTH_OVER / square,
    };
}
