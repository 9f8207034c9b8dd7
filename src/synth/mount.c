/* mount.c - what the mount does in one step of time.
 * Idea: the guide star's place is a sum of causes: worm and its harmonics (at the axis, times
 * cos dec on the sky), polar error, random walk, shake that grows in gusts, and what the motors
 * did. Right ascension always runs, so its pulses act at once; the declination gears have play: the
 * axis follows the motor only at either end of the gap (play operator, OBSERVABILITY 10). */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static double next_burst(const struct synth_mount *mount, gsl_rng *rng) {
    return gsl_ran_exponential(rng, mount->burst_interval_s);
}

void nw_synth_drive_init(const struct synth_scene *scene, gsl_rng *rng, struct synth_drive *ret) {
    *ret = (struct synth_drive){.scene = scene, .rng = rng, .cos_dec = cos(scene->dec_rad)};
    ret->burst_start_s = next_burst(&scene->mount, rng);
    ret->burst_end_s = ret->burst_start_s + scene->mount.burst_length_s;
}

/* Executes what is left of a pulse for one step; gives the signed time it ran. */
static double run_pulse(double *left_s) {
    const double ran_s = fmax(-SYNTH_STEP_S, fmin(SYNTH_STEP_S, *left_s));
    *left_s -= ran_s;
    return ran_s;
}

static void run_motors(struct synth_drive *drive) {
    const struct synth_mount *mount = &drive->scene->mount;
    drive->ra_axis_rad += run_pulse(&drive->ra_left_s) * mount->rate_rad_s * mount->response_ra;
    const double moved = run_pulse(&drive->dec_left_s) * mount->rate_rad_s * mount->response_dec;
    const double axis = drive->dec_axis_rad;
    const double half = 0.5 * mount->backlash_rad;
    drive->dec_motor_rad += moved;
    drive->dec_axis_rad =
        fmin(drive->dec_motor_rad + half, fmax(drive->dec_motor_rad - half, axis));
    drive->dec_crossed_rad += fabs(moved) - fabs(drive->dec_axis_rad - axis);
}

/* Ornstein-Uhlenbeck: stationary rms sigma, correlation time tau. */
static double shake(struct synth_drive *drive, double value, double sigma) {
    const double keep = exp(-SYNTH_STEP_S / drive->scene->mount.shake_time_s);
    return keep * value + gsl_ran_gaussian_ziggurat(drive->rng, sigma * sqrt(1.0 - keep * keep));
}

static void run_air(struct synth_drive *drive) {
    const struct synth_mount *mount = &drive->scene->mount;
    const double root = sqrt(SYNTH_STEP_S);
    drive->walk_e_rad += gsl_ran_gaussian_ziggurat(drive->rng, mount->walk_ra_rad * root);
    drive->walk_n_rad += gsl_ran_gaussian_ziggurat(drive->rng, mount->walk_dec_rad * root);
    if (drive->t_s > drive->burst_end_s) {
        drive->burst_start_s = drive->t_s + next_burst(mount, drive->rng);
        drive->burst_end_s = drive->burst_start_s + mount->burst_length_s;
    }
    const double burst = drive->t_s >= drive->burst_start_s ? mount->burst_rad : 0.0;
    drive->shake_e_rad = shake(drive, drive->shake_e_rad, hypot(mount->shake_ra_rad, burst));
    drive->shake_n_rad = shake(drive, drive->shake_n_rad, hypot(mount->shake_dec_rad, burst));
}

static double worm(const struct synth_mount *mount, double t_s) {
    double sum = 0.0;
    for (int i = 0; i < SYNTH_WORMS; i++) {
        const double turns = t_s / mount->worm_period_s * (double)(i + 1);
        sum += mount->worm_amplitude_rad[i] * sin(2.0 * NW_PI * turns + mount->worm_phase_rad[i]);
    }
    return sum;
}

void nw_synth_drive_step(struct synth_drive *drive) {
    const struct synth_scene *scene = drive->scene;
    const struct synth_mount *mount = &scene->mount;
    drive->t_s += SYNTH_STEP_S;
    run_motors(drive);
    run_air(drive);
    /* An axis off by eps towards hour angle H0: d(dec) = eps cos(H - H0), d(ra) cos dec =
     * eps sin(H - H0) sin dec, first order; rates: REFERENCES POL-01, POL-04 */
    const double hour = scene->hour_angle_rad + NW_SIDEREAL_RATE_RAD_S * drive->t_s;
    const double turn = hour - mount->polar_angle_rad;
    const double start = scene->hour_angle_rad - mount->polar_angle_rad;
    const double polar_e = mount->polar_error_rad * (sin(turn) - sin(start)) * sin(scene->dec_rad);
    const double polar_n = mount->polar_error_rad * (cos(turn) - cos(start));
    drive->e_rad =
        drive->cos_dec * (worm(mount, drive->t_s) - worm(mount, 0.0) + drive->ra_axis_rad) +
        polar_e + drive->walk_e_rad + drive->shake_e_rad;
    drive->n_rad = drive->dec_axis_rad + polar_n + drive->walk_n_rad + drive->shake_n_rad;
    drive->main_e_rad = drive->e_rad + mount->flexure_e_rad_s * drive->t_s;
    drive->main_n_rad = drive->n_rad + mount->flexure_n_rad_s * drive->t_s;
}
