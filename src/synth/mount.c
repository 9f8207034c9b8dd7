/* mount.c - what the mount does in one step of time.
 * Idea: the guide star's place is a sum of causes: worm and its harmonics (at the axis, times
 * cos dec on the sky), a pole that is off and the air (track.c), random walk, shake that grows in
 * gusts, and what the motors did. Right ascension always runs, so its pulses act at once; the
 * declination gears have play: behind them the axis follows the motor only at either end of the gap
 * (play operator, OBSERVABILITY 10). Elastic gears let a share of the way through inside the gap (a
 * spring beside the play: Prandtl-Ishlinskii, from memory). */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static double next_burst(const struct synth_mount *mount, gsl_rng *rng) {
    return gsl_ran_exponential(rng, mount->burst_interval_s);
}

#define SKY_STEP_S 4.0

/* The later of the two times becomes the earlier one. */
static void next_sky(struct synth_drive *drive) {
    const struct synth_loop *loop = &drive->scene->loop;
    const double guide[2] = {loop->star_e_rad, loop->star_n_rad};
    const double middle[2] = {0.0, 0.0};
    drive->sky_t_s[0] = drive->sky_t_s[1];
    memcpy(drive->sky_guide[0], drive->sky_guide[1], sizeof drive->sky_guide[0]);
    memcpy(drive->sky_field[0], drive->sky_field[1], sizeof drive->sky_field[0]);
    drive->sky_t_s[1] += SKY_STEP_S;
    nw_synth_track_at(&drive->track, drive->sky_t_s[1], 0.0, guide, drive->sky_guide[1]);
    nw_synth_track_at(&drive->track, drive->sky_t_s[1], 0.0, middle, drive->sky_field[1]);
}

/* Drift since the start of guide star and field for a mount whose only fault is the pole. */
static void run_sky(struct synth_drive *drive, double ret_guide[2], double ret_field[2]) {
    while (drive->t_s > drive->sky_t_s[1]) {
        next_sky(drive);
    }
    const double part = (drive->t_s - drive->sky_t_s[0]) / (drive->sky_t_s[1] - drive->sky_t_s[0]);
    for (int i = 0; i < 2; i++) {
        const double *guide[2] = {drive->sky_guide[0], drive->sky_guide[1]};
        const double *field[2] = {drive->sky_field[0], drive->sky_field[1]};
        ret_guide[i] = guide[0][i] + part * (guide[1][i] - guide[0][i]) - drive->sky_zero[0][i];
        ret_field[i] = field[0][i] + part * (field[1][i] - field[0][i]) - drive->sky_zero[1][i];
    }
}

void nw_synth_drive_init(const struct synth_scene *scene, gsl_rng *rng, struct synth_drive *ret) {
    *ret = (struct synth_drive){.scene = scene, .rng = rng, .cos_dec = cos(scene->dec_rad)};
    nw_synth_track_init(scene, &ret->track);
    ret->sky_t_s[1] = -SKY_STEP_S;
    next_sky(ret);
    memcpy(ret->sky_zero[0], ret->sky_guide[1], sizeof ret->sky_zero[0]);
    memcpy(ret->sky_zero[1], ret->sky_field[1], sizeof ret->sky_zero[1]);
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
    const double play = drive->dec_play_rad;
    const double half = 0.5 * mount->backlash_rad;
    drive->dec_motor_rad += moved;
    drive->dec_play_rad =
        fmin(drive->dec_motor_rad + half, fmax(drive->dec_motor_rad - half, play));
    drive->dec_axis_rad =
        (1.0 - mount->windup) * drive->dec_play_rad + mount->windup * drive->dec_motor_rad;
    drive->dec_crossed_rad += fabs(moved) - fabs(drive->dec_play_rad - play);
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
    double guide[2];
    double field[2];
    run_sky(drive, guide, field);
    drive->ra_behind_rad = worm(mount, drive->t_s) - worm(mount, 0.0) + drive->ra_axis_rad;
    const double e_rad =
        drive->cos_dec * drive->ra_behind_rad + drive->walk_e_rad + drive->shake_e_rad;
    const double n_rad = drive->dec_axis_rad + drive->walk_n_rad + drive->shake_n_rad;
    drive->e_rad = guide[0] + e_rad;
    drive->n_rad = guide[1] + n_rad;
    /* a turn about the axis turns the field about the guide star: by sin dec of it */
    const double turn = drive->ra_behind_rad * sin(scene->dec_rad);
    drive->main_e_rad =
        field[0] + e_rad + turn * scene->loop.star_n_rad + mount->flexure_e_rad_s * drive->t_s;
    drive->main_n_rad =
        field[1] + n_rad - turn * scene->loop.star_e_rad + mount->flexure_n_rad_s * drive->t_s;
}
