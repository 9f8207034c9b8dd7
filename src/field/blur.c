/* blur.c - half-light radius of (air x aperture with defocus x pixel), tabulated.
 * Idea: enclosed light of a round profile is a Hankel integral of its transfer function,
 * EE(r) = 2 pi r int T(f) J1(2 pi f r) df. The air and all else that is not defocus is Kolmogorov
 * of one width; the aperture with defocus is exact wave optics (Hopkins 1955, Proc. R. Soc. A 231,
 * 91), because inside two depths of focus the geometric disc is a tenth too large; the pixel enters
 * twice, once as it is and once by the aperture sums over whole pixels.
 * Holds: the table is in ln(width) and ln(1 + disc^2) / 2, where ln r is nearly a plane. */
#include "field/blur.h"

#include <gsl/gsl_spline2d.h>
#include <math.h>

enum { N_WIDTHS = 14, N_DISCS = 30, F_MIN = 160, F_MAX = 1600 };

struct field_blur {
    double widths[N_WIDTHS], discs[N_DISCS], *ln_r;
    gsl_spline2d *spline;
};

double field_blur_defocus_otf(double s, double w20_waves, double obstruction) {
    if (!(s < 2.0)) {
        return 0.0;
    }
    const double area = NW_PI * (1.0 - obstruction * obstruction);
    const double beta = 4.0 * NW_PI * w20_waves * s; /* phase per x: W(x+s/2) - W(x-s/2) */
    const double theta_max = acos(0.5 * s);
    const int n = 2 * (24 + (int)fmin(400.0, 0.5 * fabs(beta)));
    double sum = 0.0;
    for (int i = 0; i <= n; i++) {
        const double theta = theta_max * i / n;
        const double x = cos(theta) - 0.5 * s; /* 0 .. 1 - s/2 */
        const double near = x - 0.5 * s;       /* from the nearer inner circle's centre */
        const double hole2 = obstruction * obstruction - near * near;
        const double chord = sin(theta) - (hole2 > 0.0 ? sqrt(hole2) : 0.0);
        const double weight = i == 0 || i == n ? 1.0 : i % 2 ? 4.0 : 2.0;
        sum += weight * (chord > 0.0 ? chord : 0.0) * cos(beta * x) * sin(theta);
    }
    return 4.0 / area * sum * theta_max / (3.0 * n);
}

static double sinc(double x) {
    const double a = NW_PI * x;
    return fabs(a) < 1e-4 ? 1.0 - a * a / 6.0 : sin(a) / a;
}

/* Square of the pixel's transfer function, mean over directions. */
static double pixel_twice(double f) {
    const double along = pow(sinc(f), 2.0);
    const double between = pow(sinc(f * cos(NW_PI / 8.0)) * sinc(f * sin(NW_PI / 8.0)), 2.0);
    const double across = pow(sinc(f * sqrt(0.5)), 4.0);
    return 0.25 * (along + 2.0 * between + across);
}

static double disc_otf(const struct field_blur_opts *o, double f, double disc_px) {
    static const double WAVES_MAX = 15.0; /* beyond, rays are as good as waves */
    const double w20_waves = disc_px / (8.0 * o->lambda_f_px);
    if (o->lambda_f_px > 0.0 &&
        w20_waves < WAVES_MAX) { /* W20 = d / (8 N^2), disc = d / N: REFERENCES FOC-02, FOC-05 */
        return field_blur_defocus_otf(2.0 * f * o->lambda_f_px, w20_waves, o->obstruction);
    }
    const double e2 = o->obstruction * o->obstruction;
    const double outer = NW_PI * f * disc_px;
    const double inner = outer * o->obstruction;
    const double a = outer > 1e-6 ? 2.0 * j1(outer) / outer : 1.0;
    const double b = inner > 1e-6 ? 2.0 * j1(inner) / inner : 1.0;
    return (a - e2 * b) / (1.0 - e2);
}

/* The part of the transfer function that does not depend on the width, on n + 1 frequencies. */
struct grid {
    size_t n;
    double step;
    double *fixed, *all;
};

static void grid_fill(struct grid *grid, const struct field_blur_opts *o, double disc_px) {
    for (size_t i = 0; i <= grid->n; i++) {
        const double f = (double)i * grid->step;
        grid->fixed[i] = pixel_twice(f) * disc_otf(o, f, disc_px);
    }
}

static double highest_frequency(const struct field_blur_opts *o, double width_px) {
    double high = 2.3 / width_px; /* there the air passes 1e-6 */
    high = o->lambda_f_px > 0.0 ? fmin(high, 1.0 / o->lambda_f_px) : high;
    return fmin(high, 2.5);
}

static double enclosed(const struct grid *grid, double r_px) {
    double sum = 0.0;
    for (size_t i = 1; i <= grid->n; i++) {
        const double weight = i == grid->n ? 1.0 : i % 2 ? 4.0 : 2.0;
        sum += weight * grid->all[i] * j1(2.0 * NW_PI * (double)i * grid->step * r_px);
    }
    return 2.0 * NW_PI * r_px * sum * grid->step / 3.0;
}

/* Long exposure through Kolmogorov air, exp(-3.44 (f w / 0.976)^(5/3)): REFERENCES IMG-10, -11. */
static void grid_air(const struct grid *grid, double width_px) {
    for (size_t i = 0; i <= grid->n; i++) {
        const double f = (double)i * grid->step;
        grid->all[i] = grid->fixed[i] * exp(-3.4419386 * pow(f * width_px / 0.97586343, 5.0 / 3.0));
    }
}

static double half_light(const struct grid *grid, double aperture_px, double guess_px) {
    const double half = 0.5 * enclosed(grid, aperture_px);
    double low = 0.0;
    double high = aperture_px;
    double r = fmin(guess_px, 0.9 * aperture_px);
    double before_r = 0.0;
    double before = -half;
    for (int round = 0; round < 40; round++) {
        const double miss = enclosed(grid, r) - half;
        low = miss < 0.0 ? r : low;
        high = miss < 0.0 ? high : r;
        double next = r - miss * (r - before_r) / (miss - before);
        if (!(next > low && next < high)) {
            next = 0.5 * (low + high);
        }
        before_r = r;
        before = miss;
        if (fabs(next - r) < 1e-6 * r) {
            return next;
        }
        r = next;
    }
    return isfinite(r) ? r : NAN;
}

static bool grid_alloc(struct grid *grid) {
    grid->fixed = nw_calloc(F_MAX + 1, sizeof *grid->fixed);
    grid->all = nw_calloc(F_MAX + 1, sizeof *grid->all);
    return grid->fixed && grid->all;
}

static void grid_free(struct grid *grid) {
    free(grid->fixed);
    free(grid->all);
}

static void grid_size(struct grid *grid, const struct field_blur_opts *o, double width_px,
                      double disc_px) {
    const double high = highest_frequency(o, width_px);
    const double n = high * (8.0 * o->aperture_px + 6.0 * disc_px);
    grid->n = 2 * (size_t)(0.5 * fmax(F_MIN, fmin(F_MAX, n)));
    grid->step = high / (double)grid->n;
}

/* Quadrature, for a start: 0.57 w for air alone (IMG), disc / (2 sqrt 2). */
static double guess_px(double width_px, double disc_px) {
    return sqrt(0.33 * width_px * width_px + 0.12 * disc_px * disc_px + 0.1);
}

double field_blur_radius_px(const struct field_blur_opts *o, double width_px, double disc_px) {
    struct grid grid = {0};
    double r = NAN;
    if (grid_alloc(&grid)) {
        grid_size(&grid, o, width_px, disc_px);
        grid_fill(&grid, o, disc_px);
        grid_air(&grid, width_px);
        r = half_light(&grid, o->aperture_px, guess_px(width_px, disc_px));
    }
    grid_free(&grid);
    return r;
}

static bool fill(struct field_blur *blur, const struct field_blur_opts *o, struct grid *grid) {
    for (size_t j = 0; j < N_DISCS; j++) {
        const double x = exp(blur->discs[j]);
        const double disc_px = sqrt(fmax(0.0, x * x - 1.0));
        /* one grid of frequencies for all widths: as fine as the narrowest asks for */
        grid_size(grid, o, exp(blur->widths[0]), disc_px);
        grid_fill(grid, o, disc_px);
        for (size_t i = 0; i < N_WIDTHS; i++) {
            const double width_px = exp(blur->widths[i]);
            grid_air(grid, width_px);
            const double r = half_light(grid, o->aperture_px, guess_px(width_px, disc_px));
            blur->ln_r[j * N_WIDTHS + i] = log(r);
            if (!isfinite(blur->ln_r[j * N_WIDTHS + i])) {
                return false;
            }
        }
    }
    return true;
}

enum nw_status field_blur_new(const struct field_blur_opts *o, struct field_blur **ret,
                              struct nw_err *err) {
    if (!(o->width_low_px > 0.0 && o->width_high_px > o->width_low_px && o->disc_high_px > 0.0 &&
          o->aperture_px > 0.0 && o->lambda_f_px >= 0.0 && o->obstruction >= 0.0 &&
          o->obstruction < 0.9)) {
        return nw_err_set(err, NW_DOMAIN,
                          "blur of widths %g to %g px, discs to %g px within %g px, obstruction %g",
                          o->width_low_px, o->width_high_px, o->disc_high_px, o->aperture_px,
                          o->obstruction);
    }
    enum nw_status status = NW_OK;
    struct grid grid = {0};
    struct field_blur *blur = nw_calloc(1, sizeof *blur);
    if (blur) {
        blur->ln_r = nw_calloc((size_t)N_WIDTHS * N_DISCS, sizeof *blur->ln_r);
        blur->spline = gsl_spline2d_alloc(gsl_interp2d_bicubic, N_WIDTHS, N_DISCS);
    }
    if (!blur || !blur->ln_r || !blur->spline || !grid_alloc(&grid)) {
        status = nw_err_set(err, NW_NOMEM, "table of blur");
        goto done;
    }
    for (size_t i = 0; i < N_WIDTHS; i++) {
        blur->widths[i] = log(o->width_low_px) +
                          log(o->width_high_px / o->width_low_px) * (double)i / (N_WIDTHS - 1);
    }
    for (size_t j = 0; j < N_DISCS; j++) {
        blur->discs[j] = 0.5 * log1p(o->disc_high_px * o->disc_high_px) * (double)j / (N_DISCS - 1);
    }
    if (!fill(blur, o, &grid) ||
        gsl_spline2d_init(blur->spline, blur->widths, blur->discs, blur->ln_r, N_WIDTHS, N_DISCS)) {
        status = nw_err_set(err, NW_DATA, "no half-light radius in the table of blur");
        goto done;
    }
    *ret = blur;
    blur = NULL;
done:
    grid_free(&grid);
    field_blur_free(blur);
    return status;
}

void field_blur_free(struct field_blur *blur) {
    if (blur) {
        if (blur->spline) {
            gsl_spline2d_free(blur->spline);
        }
        free(blur->ln_r);
        free(blur);
    }
}

struct field_blur_value field_blur_at(const struct field_blur *blur, double ln_width,
                                      double disc_px) {
    const double low = blur->widths[0];
    const double high = blur->widths[N_WIDTHS - 1];
    const double at = fmin(high, fmax(low, ln_width));
    const double y_free = 0.5 * log1p(disc_px * disc_px);
    const double y = fmin(blur->discs[N_DISCS - 1], y_free);
    struct field_blur_value value = {
        .ln_r = gsl_spline2d_eval(blur->spline, at, y, NULL, NULL),
        .by_ln_width = gsl_spline2d_eval_deriv_x(blur->spline, at, y, NULL, NULL),
        .by_disc = gsl_spline2d_eval_deriv_y(blur->spline, at, y, NULL, NULL) * disc_px /
                   (1.0 + disc_px * disc_px),
    };
    value.ln_r += (ln_width - at) * value.by_ln_width;
    if (y_free > y) {
        value.ln_r += y_free - y; /* far out a disc's radius goes as the disc */
        value.by_disc = disc_px / (1.0 + disc_px * disc_px);
    }
    return value;
}
