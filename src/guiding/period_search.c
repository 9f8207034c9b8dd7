/* period_search.c - the strongest line in white innovations, and its false alarm.
 * Idea: FFT on an even grid finds the place, the exact power of the uneven samples decides. */
#include "guiding/worm.h"

#include <gsl/gsl_fft_real.h>
#include <math.h>

#define TURN(x) (2.0 * NW_PI * (x))

static double span_s(const struct guide_series *s) {
    return s->t_s[s->n - 1] - s->t_s[0];
}

/* Normalised power with floating mean, 0 to 1 (Zechmeister & Kuerster 2009, eq. 5). */
static double power_at(const struct guide_series *s, const struct guide_whitener *w,
                       const double *white, double frequency_Hz) {
    double n = 0.0, y = 0.0, c = 0.0, si = 0.0, yy = 0.0, yc = 0.0, ys = 0.0, cc = 0.0, cs = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        if (!(w->steps[k].weight > 0.0)) {
            continue;
        }
        const double at = TURN(frequency_Hz) * (s->t_s[k] - s->t_s[0]);
        const double cosine = cos(at);
        const double sine = sin(at);
        n += 1.0;
        y += white[k];
        c += cosine;
        si += sine;
        yy += white[k] * white[k];
        yc += white[k] * cosine;
        ys += white[k] * sine;
        cc += cosine * cosine;
        cs += cosine * sine;
    }
    const double ss = n - cc - si * si / n;
    yy -= y * y / n;
    yc -= y * c / n;
    ys -= y * si / n;
    cc -= c * c / n;
    cs -= c * si / n;
    const double det = cc * ss - cs * cs;
    return yy > 0.0 && det > 0.0
               ? fmin(1.0, (ss * yc * yc + cc * ys * ys - 2.0 * cs * yc * ys) / (yy * det))
               : 0.0;
}

/* Chance that white noise has a maximum above `power` somewhere up to f_most: Baluev 2008, eq. 6
 * and table 1 (model residuals as the measure: normalised by the whole variance). */
double nw_guide_false_alarm(double power, double n, double f_most_Hz, double t_variance_s2) {
    const double left = fmax(0.0, 1.0 - power);
    const double n_h = n - 1.0;
    const double n_k = n - 3.0;
    const double single = pow(left, 0.5 * n_k);
    const double width = f_most_Hz * sqrt(4.0 * NW_PI * t_variance_s2);
    const double gamma = sqrt(2.0 / n_h) * exp(lgamma(0.5 * n_h) - lgamma(0.5 * (n_h - 1.0)));
    const double tau = gamma * width * pow(left, 0.5 * (n_k - 1.0)) * sqrt(0.5 * n_h * power);
    /* 1 - (1 - single) exp(-tau), exact for small values */
    return -expm1(-tau) + single * exp(-tau);
}

double nw_guide_time_variance_s2(const struct guide_series *s) {
    const double mean = nw_stat_mean(s->t_s, s->n);
    double sum = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        sum += (s->t_s[k] - mean) * (s->t_s[k] - mean);
    }
    return sum / (double)s->n;
}

/* Highest peak between two frequencies: innovations on an even grid (each at its nearest place),
 * FFT with fourfold fine steps, then the exact power around it. */
struct guide_peak nw_guide_find_peak(const struct guide_whitened *in, double low_Hz,
                                     double high_Hz) {
    const struct guide_series *s = in->s;
    const double grid_s = fmax(s->dt0_s, 2.0 * span_s(s) / (double)in->n_fft);
    memset(in->fft, 0, in->n_fft * sizeof *in->fft);
    for (size_t k = 0; k < s->n; k++) {
        const size_t at = (size_t)((s->t_s[k] - s->t_s[0]) / grid_s + 0.5);
        if (at < in->n_fft) {
            in->fft[at] += in->white[k];
        }
    }
    (void)gsl_fft_real_radix2_transform(in->fft, 1, in->n_fft);
    const double step_Hz = 1.0 / ((double)in->n_fft * grid_s);
    struct guide_peak best = {0};
    double most = -1.0;
    for (size_t i = 1; i < in->n_fft / 2; i++) {
        const double f = (double)i * step_Hz;
        const double re = in->fft[i];
        const double im = in->fft[in->n_fft - i];
        if (f >= low_Hz && f <= high_Hz && re * re + im * im > most) {
            most = re * re + im * im;
            best.frequency_Hz = f;
        }
    }
    if (most < 0.0) {
        return best;
    }
    const double fine_Hz = 0.1 / span_s(s);
    const double centre_Hz = best.frequency_Hz;
    for (int i = -4; i <= 4; i++) {
        const double f = centre_Hz + i * fine_Hz;
        const double power = f > 0.0 ? power_at(s, in->w, in->white, f) : 0.0;
        best = power > best.power ? (struct guide_peak){f, power} : best;
    }
    return best;
}
