/* worm_axis.c - what the found periods mean: left by the loop, at the axis, by its angle.
 * Holds: amplitudes come in on the sky. */
#include "guiding/worm.h"

#include <math.h>

#define TURN(x) (2.0 * NW_PI * (x))
#define TEETH_SIGMA_MOST 0.2
#define TEETH_OFF_LEAST 0.02 /* a clock wrong by 1e-4 at 180 teeth */

/* Amplitudes that the loop left in the errors: plain least squares, each line by itself. */
void nw_guide_worm_find_left(const struct guide_series *s, struct nw_guide_worm *worm) {
    const double mean = nw_stat_mean(s->e_rad, s->n);
    for (size_t i = 0; i < worm->n; i++) {
        struct nw_guide_period *p = &worm->periods[i];
        double a = 0.0;
        double c = 0.0;
        for (size_t k = 0; k < s->n; k++) {
            const double at = TURN((s->t_s[k] - worm->epoch_s) / p->period_s);
            a += 2.0 * (s->e_rad[k] - mean) * sin(at) / (double)s->n;
            c += 2.0 * (s->e_rad[k] - mean) * cos(at) / (double)s->n;
        }
        p->left_rad = hypot(a, c);
        p->left_phase_rad = atan2(c, a);
        worm->left_rms_rad = hypot(worm->left_rms_rad, p->left_rad / sqrt(2.0));
        worm->rms_rad = hypot(worm->rms_rad, p->amplitude_rad / sqrt(2.0));
    }
}

double nw_guide_worm_left_var(const struct nw_guide_worm *worm, double start_s, double end_s) {
    enum { POINTS = 60 };
    double sum = 0.0;
    double sum2 = 0.0;
    for (int j = 0; j < POINTS; j++) {
        const double t_s = start_s + (j + 0.5) / POINTS * (end_s - start_s) - worm->epoch_s;
        double left = 0.0;
        for (size_t i = 0; i < worm->n; i++) {
            const struct nw_guide_period *p = &worm->periods[i];
            left += p->left_rad * sin(TURN(t_s / p->period_s) + p->left_phase_rad);
        }
        sum += left / POINTS;
        sum2 += left * left / POINTS;
    }
    return fmax(0.0, sum2 - sum * sum);
}

/* The hour angle grows with the sidereal rate, the tube's side adds half a turn. */
void nw_guide_worm_key(const struct nw_guide_log *log, struct nw_guide_worm *worm) {
    worm->axis_angle_rad = worm->teeth = worm->teeth_sigma = NAN;
    const struct nw_guide_period *first = &worm->periods[0];
    if (worm->n == 0 || first->harmonic != 1) {
        (void)snprintf(worm->why_axis, sizeof worm->why_axis, "no turn of the worm found");
        return;
    }
    const double day_s = TURN(1.0) / NW_SIDEREAL_RATE_RAD_S;
    worm->teeth = day_s / first->period_s;
    worm->teeth_sigma = worm->teeth * first->period_sigma_s / first->period_s;
    if (!isfinite(log->hour_angle_rad) || log->tube_side[0] == '\0') {
        (void)snprintf(worm->why_axis, sizeof worm->why_axis,
                       "the axis angle needs `# hour_angle_h: ...` and `# tube_side: east|west`");
        return;
    }
    worm->axis_angle_rad = log->hour_angle_rad +
                           NW_SIDEREAL_RATE_RAD_S * (worm->epoch_s - log->rows[0].t_s) +
                           (strcmp(log->tube_side, "west") == 0 ? NW_PI : 0.0);
    if (!(worm->teeth_sigma < TEETH_SIGMA_MOST)) {
        (void)snprintf(worm->why_axis, sizeof worm->why_axis,
                       "%.1f +- %.1f teeth: a longer log must tell the whole number", worm->teeth,
                       worm->teeth_sigma);
        return;
    }
    const double off = fabs(worm->teeth - round(worm->teeth));
    if (off > fmax(4.0 * worm->teeth_sigma, TEETH_OFF_LEAST)) {
        (void)snprintf(worm->why_axis, sizeof worm->why_axis,
                       "%.2f +- %.2f teeth is no whole number: not the worm of this axis, or the "
                       "log's clock runs wrong",
                       worm->teeth, worm->teeth_sigma);
        return;
    }
    for (size_t i = 0; i < worm->n && worm->periods[i].harmonic > 0; i++) {
        struct nw_guide_period *p = &worm->periods[i];
        p->axis_phase_rad = remainder(
            p->phase_rad - p->harmonic * round(worm->teeth) * worm->axis_angle_rad, TURN(1.0));
    }
}

/* Amplitudes share the error of the response: nearly all of the curve is what the pulses undid. */
void nw_guide_worm_to_axis(const struct nw_guide_log *log, const struct guide_worm_opts *opts,
                           struct nw_guide_worm *worm) {
    const double relative = opts->b_sigma > 0.0 ? opts->b_sigma / opts->b : 0.0;
    worm->is_at_axis = isfinite(log->declination_rad) && cos(log->declination_rad) > 0.02;
    const double scale = worm->is_at_axis ? 1.0 / cos(log->declination_rad) : 1.0;
    for (size_t i = 0; i < worm->n; i++) {
        struct nw_guide_period *p = &worm->periods[i];
        p->amplitude_sigma_rad = scale * hypot(p->amplitude_sigma_rad, relative * p->amplitude_rad);
        p->amplitude_rad *= scale;
    }
}
