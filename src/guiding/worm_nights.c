/* worm_nights.c - is the worm of several nights the same, and what would one that was learnt on the
 * others take away?
 * Idea: at axis angle 0 the phase of a worm is that of its wheel, whatever the night, as long as
 * the clutches stay closed. Amplitude and phase of each run are a vector; vectors of one worm agree
 * within their errors (chi^2). The angle of the axis is known to 0.05 deg or so, which the teeth
 * multiply. Holds: only runs with the same whole number of teeth are laid beside each other. */
#include <complex.h>
#include <gsl/gsl_cdf.h>
#include <math.h>

#include "guiding/guiding_internal.h"
#include "guiding/runs.h"

#define KEY_SIGMA_rad (0.05 / NW_DEG_PER_RAD) /* OBSERVABILITY 21: of the axis angle */
#define CHANCE_LEAST 1e-3

static bool is_keyed(const struct nw_guide_analysis *a) {
    return a && a->worm.n > 0 && a->worm.is_at_axis && isfinite(a->worm.periods[0].axis_phase_rad);
}

static double phase_sigma(const struct nw_guide_worm *worm) {
    return hypot(worm->periods[0].phase_sigma_rad, worm->teeth * KEY_SIGMA_rad);
}

/* Runs that count, in the order given. */
struct worms {
    const struct nw_guide_worm *items[NW_GUIDE_WORM_NIGHTS];
    size_t n;
};

static struct worms collect(const struct nw_guide_result *results, size_t n,
                            struct nw_guide_worm_nights *ret) {
    struct worms worms = {.n = 0};
    for (size_t i = 0; i < n; i++) {
        const struct nw_guide_analysis *const a = results[i].analysis;
        if (!is_keyed(a)) {
            ret->n_unkeyed += a && a->worm.n > 0 ? 1 : 0;
            continue;
        }
        ret->teeth = worms.n == 0 ? round(a->worm.teeth) : ret->teeth;
        if (fabs(round(a->worm.teeth) - ret->teeth) < 0.5 && worms.n < NW_GUIDE_WORM_NIGHTS) {
            worms.items[worms.n++] = &a->worm;
        } else {
            ret->n_unkeyed++;
        }
    }
    return worms;
}

static void find_mean(const struct worms *worms, struct nw_guide_worm_nights *ret) {
    double complex turn = 0.0;
    double weights[2] = {0.0, 0.0}; /* of phases, of amplitudes */
    double amplitude = 0.0;
    for (size_t i = 0; i < worms->n; i++) {
        const struct nw_guide_period *const p = &worms->items[i]->periods[0];
        const double sigma = phase_sigma(worms->items[i]);
        turn += cexp(I * p->axis_phase_rad) / (sigma * sigma);
        weights[0] += 1.0 / (sigma * sigma);
        const double w = 1.0 / (p->amplitude_sigma_rad * p->amplitude_sigma_rad);
        amplitude += w * p->amplitude_rad;
        weights[1] += w;
    }
    ret->phase_rad = carg(turn);
    ret->phase_sigma_rad = 1.0 / sqrt(weights[0]);
    ret->amplitude_rad = amplitude / weights[1];
    ret->amplitude_sigma_rad = 1.0 / sqrt(weights[1]);
    double chi2 = 0.0;
    for (size_t i = 0; i < worms->n; i++) {
        const double off =
            remainder(worms->items[i]->periods[0].axis_phase_rad - ret->phase_rad, 2.0 * NW_PI);
        const double sigma = phase_sigma(worms->items[i]);
        chi2 += off * off / (sigma * sigma);
        ret->farthest_rad = fmax(ret->farthest_rad, fabs(off));
    }
    ret->chance = gsl_cdf_chisq_Q(chi2, (double)worms->n - 1.0);
    ret->is_same = ret->chance > CHANCE_LEAST;
}

/* The mean of the others, turned to the axis of each run: what is left of its own worm. */
static double find_foretold(const struct worms *worms) {
    double complex all = 0.0;
    double whole = 0.0;
    double left = 0.0;
    for (size_t i = 0; i < worms->n; i++) {
        const struct nw_guide_period *const p = &worms->items[i]->periods[0];
        all += p->amplitude_rad * cexp(I * p->axis_phase_rad);
    }
    for (size_t i = 0; i < worms->n; i++) {
        const struct nw_guide_period *const p = &worms->items[i]->periods[0];
        const double complex own = p->amplitude_rad * cexp(I * p->axis_phase_rad);
        const double complex rest = own - (all - own) / ((double)worms->n - 1.0);
        whole += p->amplitude_rad * p->amplitude_rad;
        left += creal(rest * conj(rest));
    }
    return 1.0 - sqrt(left / whole);
}

void nw_guide_compare_worms(const struct nw_guide_result *results, size_t n,
                            struct nw_guide_worm_nights *ret) {
    *ret = (struct nw_guide_worm_nights){.teeth = NAN,
                                         .amplitude_rad = NAN,
                                         .amplitude_sigma_rad = NAN,
                                         .phase_rad = NAN,
                                         .phase_sigma_rad = NAN,
                                         .chance = NAN,
                                         .foretold = NAN};
    const struct worms worms = collect(results, n, ret);
    ret->n = worms.n;
    if (worms.n < 2) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu of %zu runs with a worm have its phase by the axis; two are needed "
                       "(`# hour_angle_h` and `# tube_side`)",
                       worms.n, worms.n + ret->n_unkeyed);
        return;
    }
    find_mean(&worms, ret);
    ret->foretold = find_foretold(&worms);
}
