/* focus.c - the tube cools, the focuser is set now and then.
 * Idea: a tube that shrinks leaves the sensor too near the objective; that counts at the sensor
 * with the corrector's longitudinal magnification m^2, and so does focuser travel when the
 * corrector rides on the focuser (OBSERVABILITY 8). A focus run leaves an error of its own. The
 * tube may lag behind the air and begin warmer than it; the focuser may have play: reached from
 * outside it stays so much farther out than its counter says. Each filter has a best place of its
 * own: its glass, and the lens's colour in its band. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

#define TAU_S (4.0 * 3600.0)
#define RIPPLE_S 2400.0
#define TURN_S (5.0 * 3600.0)

/* Cooling slows down through the night (time constant 4 h), with a ripple of 0.1 K and, where
 * asked for, a swing of 5 h. */
double nw_synth_temperature(const struct synth_scene *scene, double t_s) {
    return scene->temperature_K + scene->temperature_rate_K_s * TAU_S * (1.0 - exp(-t_s / TAU_S)) +
           0.1 * sin(2.0 * NW_PI * t_s / RIPPLE_S) +
           scene->focuser.swing_K * sin(2.0 * NW_PI * t_s / TURN_S);
}

/* What a sine of the air becomes behind a lag, from rest. */
static double lagged_sine(double t_s, double period_s, double lag_s) {
    const double w = 2.0 * NW_PI / period_s;
    const double wl = w * lag_s;
    return (sin(w * t_s) - wl * (cos(w * t_s) - exp(-t_s / lag_s))) / (1.0 + wl * wl);
}

/* dT'/dt = (T - T')/lag, solved term by term: a constant, exp(-t/tau), sines; then what the start
 * leaves dies away with the lag. */
double nw_synth_tube_temperature(const struct synth_scene *scene, double t_s) {
    const double lag_s = scene->focuser.lag_s;
    if (!(lag_s > 0.0)) {
        return nw_synth_temperature(scene, t_s);
    }
    const double fall_K = -scene->temperature_rate_K_s * TAU_S; /* times exp(-t/tau) */
    const double left = exp(-t_s / lag_s);
    const double ratio = 1.0 - lag_s / TAU_S;
    const double decay =
        fabs(ratio) < 1e-6 ? t_s / TAU_S * left : (exp(-t_s / TAU_S) - left) / ratio;
    return scene->temperature_K - fall_K + fall_K * (decay + left) + scene->focuser.warm_K * left +
           0.1 * lagged_sine(t_s, RIPPLE_S, lag_s) +
           scene->focuser.swing_K * lagged_sine(t_s, TURN_S, lag_s);
}

/* ---- What the rig says of it -------------------------------------------------------------- */

static double or_else(struct nw_val value, double otherwise) {
    return isfinite(value.v) ? value.v : otherwise;
}

void nw_synth_focuser_init(const struct nw_setup *setup, struct synth_focuser *ret) {
    *ret = (struct synth_focuser){.step_m = 1e-6, .repeat_m = 5e-6};
    if (setup->has_focuser) {
        const struct nw_focuser *const f = &setup->focuser;
        ret->step_m = f->step_m.v > 0.0 ? f->step_m.v : 1e-6;
        ret->repeat_m = or_else(f->repeatability_m, 5e-6);
        ret->compensation = or_else(f->compensation, 0.0);
        ret->lag_s = fmax(0.0, or_else(f->thermal_lag_s, 0.0));
        ret->play_m = fmax(0.0, or_else(f->backlash_m, 0.0));
    }
}

enum nw_status nw_synth_focuser_check(const struct synth_scene *scene, struct nw_err *err) {
    return fabs(scene->focuser.warm_K) > 0.0 && !(scene->focuser.lag_s > 0.0)
               ? nw_err_set(err, NW_DOMAIN,
                            "tube_warm %g K without tube_lag: a tube without a lag has the "
                            "air's temperature at once",
                            scene->focuser.warm_K)
               : NW_OK;
}

double nw_synth_colour_m(const struct synth_scene *scene, double wavelength_m) {
    const double x = (wavelength_m - 550e-9) / 150e-9;
    return scene->optics.colour_m * x * x / sqrt(4.0 / 45.0); /* rms of x^2 on -1..1 */
}

static double band_colour_m(const struct synth_scene *scene, size_t band) {
    const struct synth_band *const b = &scene->bands[band];
    double mean = 0.0;
    for (int i = 0; i < SYNTH_LAMBDAS; i++) {
        const double wavelength_m = b->low_m + (b->high_m - b->low_m) * (i + 0.5) / SYNTH_LAMBDAS;
        mean += nw_synth_colour_m(scene, wavelength_m) / SYNTH_LAMBDAS;
    }
    return mean;
}

static bool is_said(struct nw_val value) {
    return isfinite(value.v) && (value.from == NW_FROM_GIVEN || value.from == NW_FROM_MEASURED);
}

/* A plane glass moves the focus outwards by t (1 - 1/n) (REFERENCES FOC-08). */
static double glass_m(const struct nw_filter *filter, gsl_rng *rng) {
    const double n = filter->index.v > 1.0                        ? filter->index.v
                     : strcmp(filter->glass, "fused_silica") == 0 ? 1.459
                     : strcmp(filter->glass, "sapphire") == 0     ? 1.768
                                                                  : 1.518; /* from memory */
    const double sigma_m = filter->thickness_m.sigma;
    const double made_m = or_else(filter->thickness_m, 2e-3) +
                          gsl_ran_gaussian(rng, isfinite(sigma_m) ? sigma_m : 0.0);
    return made_m * (1.0 - 1.0 / n);
}

/* Thicknesses are drawn within the maker's tolerance, the same for every seed: filters do not
 * change from night to night. An offset that the rig states wins. */
enum nw_status nw_synth_set_offsets(struct synth_scene *scene, struct nw_err *err) {
    gsl_rng *rng = nw_synth_rng_new(1, SYNTH_RNG_FOCUSER);
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "random state");
    }
    double first_m = 0.0;
    for (size_t i = 0; i < scene->n_filters; i++) {
        const struct nw_filter *const filter = scene->filters[i];
        double at_m = glass_m(filter, rng) + band_colour_m(scene, i);
        if (scene->n_filters > 1 && is_said(filter->focus_offset_m)) {
            at_m = filter->focus_offset_m.v * scene->optics.travel_factor + first_m;
        }
        first_m = i == 0 ? at_m : first_m;
        scene->focuser.offset_m[i] = at_m - first_m;
    }
    gsl_rng_free(rng);
    return NW_OK;
}

/* ---- Sets about focus --------------------------------------------------------------------- */

/* Steps of frame i from best focus, in equal moves; *ret_inward: reached from outside. */
static double set_steps(const struct synth_scene *scene, size_t i, bool *ret_inward) {
    const struct nw_synth_opts *opts = &scene->opts;
    const bool is_double = opts->focus == NW_SYNTH_FOCUS_THERE_AND_BACK;
    const size_t n = is_double ? (opts->n_subs + 1) / 2 : opts->n_subs;
    *ret_inward = i > n; /* the first one back has not moved yet */
    const size_t k = i < n ? i : opts->n_subs - 1 - i;
    const double move =
        n > 1 ? round(2.0 * opts->focus_reach_m / scene->focuser.step_m / (double)(n - 1)) : 0.0;
    return round(move * ((double)k - 0.5 * (double)(n - 1)));
}

/* Moves one sub's focuser from best focus to its place in the set, in whole steps. */
static void displace(const struct synth_scene *scene, size_t i, struct synth_sub *sub) {
    bool is_inward = false;
    const double steps = set_steps(scene, i, &is_inward);
    const double play_m = is_inward ? scene->opts.focuser_play_m : 0.0;
    sub->focus_steps += steps;
    sub->defocus_m += scene->optics.travel_factor *
                      (steps * scene->focuser.step_m * (1.0 + scene->opts.step_error) + play_m);
}

/* ---- Runs and subs ------------------------------------------------------------------------ */

/* Each run ends moving outwards, or (a focuser with play) either way. */
static enum nw_status set_runs(const struct synth_scene *scene, struct synth_night *night,
                               struct nw_err *err) {
    const struct synth_optics *const optics = &scene->optics;
    const struct synth_focuser *const focuser = &scene->focuser;
    const double shift_m = optics->expansion_m_K * optics->thermal_factor; /* per K */
    const double start_K = nw_synth_tube_temperature(scene, 0.0);
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_FOCUS);
    gsl_rng *ways = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_FOCUSER + 1);
    const enum nw_status status = rng && ways ? NW_OK : nw_err_set(err, NW_NOMEM, "random state");
    for (size_t i = 0; status == NW_OK && i < night->n_focus; i++) {
        struct synth_focus_run *const run = &night->focus[i];
        run->error_m = optics->travel_factor * gsl_ran_gaussian(rng, focuser->repeat_m);
        run->is_inward = focuser->play_m > 0.0 && gsl_rng_uniform(ways) < 0.5;
        const double best_m = focuser->offset_m[run->filter] -
                              shift_m * (nw_synth_tube_temperature(scene, run->t_s) - start_K);
        const double travel_m = (best_m + run->error_m) / optics->travel_factor +
                                (scene->hang.tube_side < 0 ? focuser->flip_m : 0.0) -
                                (run->is_inward ? focuser->play_m : 0.0);
        run->steps = 20000.0 + travel_m / focuser->step_m; /* outwards + */
    }
    if (rng) {
        gsl_rng_free(rng);
    }
    if (ways) {
        gsl_rng_free(ways);
    }
    return status;
}

/* Follows the counter through the play: the focuser stands between it and the play's other end.
 * Way since the run that a compensation of the air's temperature left, at the sensor. */
static double follow(const struct synth_scene *scene, double move_m, double *place_m) {
    *place_m = fmin(fmax(*place_m, move_m), move_m + scene->focuser.play_m);
    return *place_m;
}

enum nw_status nw_synth_focus_run(const struct synth_scene *scene, struct synth_night *night,
                                  struct nw_err *err) {
    const struct synth_optics *const optics = &scene->optics;
    const struct synth_focuser *const focuser = &scene->focuser;
    const double shift_m = optics->expansion_m_K * optics->thermal_factor; /* per K */
    const enum nw_status status = set_runs(scene, night, err);
    const double slip_t_s = 0.5 * night->end_s;
    size_t at = 0;
    double place_m = 0.0; /* of the focuser's travel, from where the counter stood at the run */
    for (size_t i = 0; status == NW_OK && i < night->n_subs; i++) {
        struct synth_sub *sub = &night->subs[i];
        const size_t before = at;
        while (at + 1 < night->n_focus && night->focus[at + 1].t_s <= sub->start_s) {
            at++;
        }
        const struct synth_focus_run *const run = &night->focus[at];
        const double rest_m = run->is_inward ? focuser->play_m : 0.0;
        place_m = i == 0 || at != before ? rest_m : place_m;
        const double middle_s = 0.5 * (sub->start_s + sub->end_s);
        sub->temperature_K = nw_synth_temperature(scene, middle_s);
        sub->focus_age_s = middle_s - run->t_s;
        const double drift_m = shift_m * (nw_synth_tube_temperature(scene, middle_s) -
                                          nw_synth_tube_temperature(scene, run->t_s));
        const double move_m = -focuser->compensation * shift_m / optics->travel_factor *
                              (sub->temperature_K - nw_synth_temperature(scene, run->t_s));
        const double moved_m = follow(scene, move_m, &place_m) - rest_m;
        const bool slipped = slip_t_s > run->t_s && slip_t_s <= middle_s;
        sub->defocus_m = run->error_m + drift_m + optics->travel_factor * moved_m +
                         (slipped ? optics->travel_factor * scene->opts.focuser_slip_m : 0.0);
        sub->focus_steps = round(run->steps + move_m / focuser->step_m);
        if (scene->opts.focus != NW_SYNTH_FOCUS_NIGHT) {
            displace(scene, i, sub);
        }
    }
    return status;
}
