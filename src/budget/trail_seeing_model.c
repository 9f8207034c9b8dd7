/* trail_seeing_model.c - what a frozen flow does to the wobble of a trail.
 * Idea: power by frequency along the flow (nw_sky_tilt_power), turned into time by the wind, damped
 * by the star's own width, summed into a covariance of the steps; each cosine of the series then
 * has the variance that this covariance gives it, exactly, whatever line and bend took away.
 * Holds: power above the steps' own frequency limit is folded back by the cosines of whole lags. */
#include "budget/trail_seeing_internal.h"

#include <math.h>
#include <stdlib.h>

static void take_off(double *values, const double *unit, size_t n) {
    double dot = 0.0;
    for (size_t i = 0; i < n; i++) {
        dot += values[i] * unit[i];
    }
    for (size_t i = 0; i < n; i++) {
        values[i] -= dot * unit[i];
    }
}

static void to_unit(double *values, size_t n) {
    double sum2 = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum2 += values[i] * values[i];
    }
    for (size_t i = 0; i < n; i++) {
        values[i] /= sqrt(sum2);
    }
}

static void fill_mode(struct trail_modes *modes, size_t m, const double *slow) {
    const size_t n = modes->n;
    double *row = &modes->cosines[m * n];
    for (size_t i = 0; i < n; i++) { /* Ahmed, Natarajan & Rao 1974, IEEE Trans. C-23, 90 */
        row[i] = cos(NW_PI * (double)(m + TRAIL_MODES_FIRST) * ((double)i + 0.5) / (double)n);
    }
    for (size_t k = 0; k < 3; k++) {
        take_off(row, &slow[k * n], n);
    }
    to_unit(row, n);
    for (size_t lag = 0; lag < n; lag++) {
        double sum = 0.0;
        for (size_t i = lag; i < n; i++) {
            sum += row[i] * row[i - lag];
        }
        modes->lags[m * n + lag] = lag ? 2.0 * sum : sum;
    }
}

enum nw_status trail_modes_init(size_t n, struct trail_modes *ret, struct nw_err *err) {
    struct trail_modes modes = {.n = n, .n_modes = n - TRAIL_MODES_FIRST};
    double *slow = nw_calloc(3 * n, sizeof *slow);
    modes.cosines = nw_calloc(modes.n_modes * n, sizeof *modes.cosines);
    modes.lags = nw_calloc(modes.n_modes * n, sizeof *modes.lags);
    if (!slow || !modes.cosines || !modes.lags) {
        free(slow);
        trail_modes_done(&modes);
        return nw_err_set(err, NW_NOMEM, "%zu cosines of %zu steps", modes.n_modes, n);
    }
    for (size_t k = 0; k < 3; k++) {
        for (size_t i = 0; i < n; i++) {
            slow[k * n + i] = pow(2.0 * (double)i / (double)(n - 1) - 1.0, (double)k);
        }
        for (size_t m = 0; m < k; m++) {
            take_off(&slow[k * n], &slow[m * n], n);
        }
        to_unit(&slow[k * n], n);
    }
    for (size_t m = 0; m < modes.n_modes; m++) {
        fill_mode(&modes, m, slow);
    }
    free(slow);
    *ret = modes;
    return NW_OK;
}

void trail_modes_done(struct trail_modes *modes) {
    free(modes->cosines);
    free(modes->lags);
    *modes = (struct trail_modes){0};
}

void trail_modes_apply(const struct trail_modes *modes, const double *values, double *ret) {
    for (size_t m = 0; m < modes->n_modes; m++) {
        const double *row = &modes->cosines[m * modes->n];
        double sum = 0.0;
        for (size_t i = 0; i < modes->n; i++) {
            sum += row[i] * values[i];
        }
        ret[m] = sum;
    }
}

void trail_modes_power(const struct trail_modes *modes, const double *covariance, double *ret) {
    for (size_t m = 0; m < modes->n_modes; m++) {
        const double *row = &modes->lags[m * modes->n];
        double sum = 0.0;
        for (size_t i = 0; i < modes->n; i++) {
            sum += row[i] * covariance[i];
        }
        ret[m] = sum;
    }
}

void trail_table_fill(const struct nw_tilt_aperture *aperture, struct trail_table *ret) {
    ret->ln_low = log(1e-4);
    ret->ln_step = (log(10.0 / aperture->aperture_m) - ret->ln_low) / (TRAIL_TABLE - 1);
    for (int i = 0; i < TRAIL_TABLE; i++) {
        const struct nw_tilt_power power =
            nw_sky_tilt_power(exp(ret->ln_low + ret->ln_step * i), aperture);
        ret->along[i] = log(power.along_rad2_m);
        ret->across[i] = log(power.across_rad2_m);
    }
}

static double look_up(const struct trail_table *table, const double *values, double frequency_1_m) {
    const double at = (log(frequency_1_m) - table->ln_low) / table->ln_step;
    if (at >= TRAIL_TABLE - 1.0) {
        return 0.0; /* 10 cycles in an aperture: 1e-6 of the power */
    }
    const int i = at < 0.0 ? 0 : (int)at;
    return exp(values[i] + fmax(0.0, at - i) * (values[i + 1] - values[i]));
}

void trail_covariance(const struct trail_table *table, const struct trail_flow *flow, size_t n,
                      double *ret_along, double *ret_across) {
    /* Midpoint rule; step an eighth of what the series resolves, so that the sum over frequencies
     * repeats itself only after 8 n steps. Up to one and a half times what the steps resolve: the
     * star's width leaves nothing beyond. */
    const size_t n_frequencies = 6 * n;
    const double step_Hz = 1.0 / (8.0 * (double)n * flow->step_s);
    for (size_t lag = 0; lag < n; lag++) {
        ret_along[lag] = 0.0;
        ret_across[lag] = 0.0;
    }
    for (size_t f = 0; f < n_frequencies; f++) {
        const double frequency_Hz = ((double)f + 0.5) * step_Hz;
        const double shown =
            nw_trail_response(frequency_Hz / flow->drift_px_s, &flow->profile, flow->angle_rad);
        const double damp = shown * shown * step_Hz / flow->wind_m_s;
        if (damp < 1e-7 * step_Hz / flow->wind_m_s) {
            break;
        }
        const double along = damp * look_up(table, table->along, frequency_Hz / flow->wind_m_s);
        const double across = damp * look_up(table, table->across, frequency_Hz / flow->wind_m_s);
        /* cos(2 pi f lag) by Chebyshev's recurrence */
        const double turn = cos(2.0 * NW_PI * frequency_Hz * flow->step_s);
        double before = turn;
        double wave = 1.0;
        for (size_t lag = 0; lag < n; lag++) {
            ret_along[lag] += along * wave;
            ret_across[lag] += across * wave;
            const double next = 2.0 * turn * wave - before;
            before = wave;
            wave = next;
        }
    }
}
