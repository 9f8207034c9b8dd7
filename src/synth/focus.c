/* focus.c - the tube cools, the focuser is set now and then.
 * Idea: a tube that shrinks leaves the sensor too near the objective; that counts at the sensor
 * with the corrector's longitudinal magnification m^2, and so does focuser travel when the
 * corrector rides on the focuser (OBSERVABILITY 8). A focus run leaves an error of its own. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

/* Cooling slows down through the night (time constant 4 h), with a ripple of 0.1 K. */
double nw_synth_temperature(const struct synth_scene *scene, double t_s) {
    const double tau_s = 4.0 * 3600.0;
    return scene->temperature_K + scene->temperature_rate_K_s * tau_s * (1.0 - exp(-t_s / tau_s)) +
           0.1 * sin(2.0 * NW_PI * t_s / 2400.0);
}

/* Steps of frame i from best focus, in equal moves; *ret_inward: reached from outside. */
static double set_steps(const struct synth_scene *scene, size_t i, double step_m,
                        bool *ret_inward) {
    const struct nw_synth_opts *opts = &scene->opts;
    const bool is_double = opts->focus == NW_SYNTH_FOCUS_THERE_AND_BACK;
    const size_t n = is_double ? (opts->n_subs + 1) / 2 : opts->n_subs;
    *ret_inward = i >= n;
    const size_t k = i < n ? i : opts->n_subs - 1 - i;
    const double move = n > 1 ? round(2.0 * opts->focus_reach_m / step_m / (double)(n - 1)) : 0.0;
    return round(move * ((double)k - 0.5 * (double)(n - 1)));
}

/* Moves one sub's focuser from best focus to its place in the set, in whole steps. Play: reached
 * from outside, the sensor stays as much farther out. */
static void displace(const struct synth_scene *scene, size_t i, double step_m,
                     struct synth_sub *sub) {
    bool is_inward = false;
    const double steps = set_steps(scene, i, step_m, &is_inward);
    const double play_m = is_inward ? scene->opts.focuser_play_m : 0.0;
    sub->focus_steps += steps;
    sub->defocus_m +=
        scene->optics.travel_factor * (steps * step_m * (1.0 + scene->opts.step_error) + play_m);
}

enum nw_status nw_synth_focus_run(const struct synth_scene *scene, struct synth_night *night,
                                  struct nw_err *err) {
    const struct nw_focuser *focuser = &scene->setup->focuser;
    const struct synth_optics *optics = &scene->optics;
    const bool has = scene->setup->has_focuser;
    const double repeat_m =
        has && isfinite(focuser->repeatability_m.v) ? focuser->repeatability_m.v : 5e-6;
    const double compensated =
        has && isfinite(focuser->compensation.v) ? focuser->compensation.v : 0.0;
    const double step_m = has && focuser->step_m.v > 0.0 ? focuser->step_m.v : 1e-6;
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_FOCUS);
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "random state");
    }
    for (size_t i = 0; i < night->n_focus; i++) {
        night->focus_error_m[i] = optics->travel_factor * gsl_ran_gaussian(rng, repeat_m);
    }
    const double slip_t_s = 0.5 * night->end_s;
    size_t run = 0;
    for (size_t i = 0; i < night->n_subs; i++) {
        struct synth_sub *sub = &night->subs[i];
        while (run + 1 < night->n_focus && night->focus_t_s[run + 1] <= sub->start_s) {
            run++;
        }
        const double run_t_s = night->focus_t_s[run];
        const double middle_s = 0.5 * (sub->start_s + sub->end_s);
        sub->temperature_K = nw_synth_temperature(scene, middle_s);
        sub->focus_age_s = middle_s - run_t_s;
        const double at_run_K = nw_synth_temperature(scene, run_t_s);
        const double shift_m = optics->expansion_m_K * optics->thermal_factor; /* per K */
        const double drift_m = shift_m * (sub->temperature_K - at_run_K);
        const bool slipped = slip_t_s > run_t_s && slip_t_s <= middle_s;
        sub->defocus_m = night->focus_error_m[run] + (1.0 - compensated) * drift_m +
                         (slipped ? optics->travel_factor * scene->opts.focuser_slip_m : 0.0);
        /* where the focuser's counter stands: outwards +, the best place of the first run is
         * 20000 */
        const double best_m = -shift_m * (at_run_K - nw_synth_temperature(scene, 0.0));
        const double travel_m =
            (best_m + night->focus_error_m[run] - compensated * drift_m) / optics->travel_factor;
        sub->focus_steps = round(20000.0 + travel_m / step_m);
        if (scene->opts.focus != NW_SYNTH_FOCUS_NIGHT) {
            displace(scene, i, step_m, sub);
        }
    }
    gsl_rng_free(rng);
    return NW_OK;
}
