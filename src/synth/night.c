/* night.c - one walk through the night: guide exposures, pulses, subs, dithers, focus runs.
 * Idea: a state machine over guide exposures. The guide camera exposes; what it sees is the mean of
 * motion and small-aperture tilt over its exposure plus centroid noise, so the error of a row is
 * e = y + n (OBSERVABILITY 2); the pulses come after the exposure and are over before the next.
 * The main camera gets the true path y, never n: its own wander is in the long-exposure seeing.
 * Holds: dithers fall between subs; a path is about its own mean. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

enum phase { PHASE_SETTLE, PHASE_SUB, PHASE_READOUT, PHASE_END };

struct walk {
    const struct synth_scene *scene;
    const struct synth_air *air;
    struct synth_night *night;
    struct synth_drive drive;
    gsl_rng *rng, *mishaps; /* of the loop; losses and shifts */
    enum phase phase;
    double until_s, settle_since_s, next_focus_s;
    int settled_rows;
    double lock_e_rad, lock_n_rad;
    double first_e_rad, first_n_rad;               /* the first lock point */
    double lost_start_s, lost_end_s, next_shift_s; /* mishaps, set up before they happen */
    bool is_star_lost;                             /* since the row before */
    size_t sub, n_steps, cap_path;
};

static enum nw_status add_row(struct walk *walk, const struct synth_row *row, struct nw_err *err) {
    struct synth_night *night = walk->night;
    const enum nw_status status = nw_grow((void **)&night->rows, &night->cap_rows,
                                          night->n_rows + 1, sizeof *night->rows, 4000000, err);
    if (status == NW_OK) {
        night->rows[night->n_rows] = *row;
        night->rows[night->n_rows].lock_e_rad = walk->lock_e_rad;
        night->rows[night->n_rows].lock_n_rad = walk->lock_n_rad;
        night->n_rows++;
    }
    return status;
}

static enum nw_status add_event(struct walk *walk, const char *event, struct nw_err *err) {
    struct synth_row row = {.t_s = walk->drive.t_s,
                            .e_rad = NAN,
                            .n_rad = NAN,
                            .ra_pulse_s = NAN,
                            .dec_pulse_s = NAN,
                            .snr = NAN};
    nw_text_copy(row.event, sizeof row.event, event);
    return add_row(walk, &row, err);
}

static enum nw_status start_sub(struct walk *walk, struct nw_err *err) {
    struct synth_sub *sub = &walk->night->subs[walk->sub];
    walk->n_steps = (size_t)ceil(walk->scene->sub_s / SYNTH_STEP_S);
    sub->path_e_rad = nw_calloc(walk->n_steps, sizeof(double));
    sub->path_n_rad = nw_calloc(walk->n_steps, sizeof(double));
    if (!sub->path_e_rad || !sub->path_n_rad) {
        return nw_err_set(err, NW_NOMEM, "motion path of %zu steps", walk->n_steps);
    }
    sub->start_s = walk->drive.t_s;
    walk->phase = PHASE_SUB;
    return NW_OK;
}

/* Means, rms and drift of a path; leaves the path about its mean. */
static void close_path(struct synth_sub *sub) {
    const double n = (double)sub->n_path;
    double sums[2] = {0.0, 0.0};
    for (size_t i = 0; i < sub->n_path; i++) {
        sums[0] += sub->path_e_rad[i];
        sums[1] += sub->path_n_rad[i];
    }
    sub->mean_e_rad = sums[0] / n;
    sub->mean_n_rad = sums[1] / n;
    double ee = 0.0;
    double nn = 0.0;
    double en = 0.0;
    double te = 0.0;
    double tn = 0.0;
    for (size_t i = 0; i < sub->n_path; i++) {
        const double e = sub->path_e_rad[i] -= sub->mean_e_rad;
        const double v = sub->path_n_rad[i] -= sub->mean_n_rad;
        const double t = ((double)i + 0.5) / n - 0.5;
        ee += e * e;
        nn += v * v;
        en += e * v;
        te += t * e;
        tn += t * v;
    }
    sub->rms_e_rad = sqrt(ee / n);
    sub->rms_n_rad = sqrt(nn / n);
    sub->cov_rad2 = en / n;
    sub->drift_e_rad = 12.0 * te / n; /* least squares, end to end: sum t^2 = n/12 */
    sub->drift_n_rad = 12.0 * tn / n;
}

/* One step of the world: the mount moves, the open shutter records. */
static void step(struct walk *walk) {
    nw_synth_drive_step(&walk->drive);
    if (walk->phase != PHASE_SUB) {
        return;
    }
    struct synth_sub *sub = &walk->night->subs[walk->sub];
    sub->path_e_rad[sub->n_path] = walk->drive.main_e_rad;
    sub->path_n_rad[sub->n_path] = walk->drive.main_n_rad;
    sub->ra_behind_rad += walk->drive.ra_behind_rad / (double)walk->n_steps;
    sub->n_path++;
    if (sub->n_path == walk->n_steps) {
        sub->end_s = sub->start_s + walk->scene->sub_s;
        close_path(sub);
        walk->sub++;
        walk->phase = PHASE_READOUT;
        walk->until_s = walk->drive.t_s + walk->scene->loop.readout_s;
    }
}

static void wait_for(struct walk *walk, double duration_s) {
    const size_t n = (size_t)lround(duration_s / SYNTH_STEP_S);
    for (size_t i = 0; i < n; i++) {
        step(walk);
    }
}

static double quantised_pulse(const struct synth_loop *loop, double gain, double error_rad,
                              double rate_rad_s) {
    if (fabs(error_rad) < loop->min_move_rad) {
        return 0.0;
    }
    const double pulse_s = -gain * error_rad / rate_rad_s; /* + moves the star + */
    const double cut_s = fmax(-loop->max_pulse_s, fmin(loop->max_pulse_s, pulse_s));
    return round(cut_s * 1000.0) / 1000.0;
}

/* Exposes the guide camera: mean motion, mean tilt, centroid noise. */
static void expose(struct walk *walk, struct synth_row *row) {
    const struct synth_loop *loop = &walk->scene->loop;
    const struct synth_air *air = walk->air;
    const size_t n = (size_t)fmax(1.0, round(loop->exposure_s / SYNTH_STEP_S));
    const double start_s = walk->drive.t_s;
    double sum[4] = {0.0};
    for (size_t i = 0; i < n; i++) {
        step(walk);
        const size_t at = (size_t)lround(walk->drive.t_s / SYNTH_STEP_S) % air->n_tilt;
        sum[0] += walk->drive.e_rad;
        sum[1] += walk->drive.n_rad;
        sum[2] += air->tilt_e_rad[at];
        sum[3] += air->tilt_n_rad[at];
    }
    row->t_s = 0.5 * (start_s + walk->drive.t_s);
    struct nw_pointing pointing;
    double airmass = 1.0;
    if (nw_sky_pointing(walk->scene->ra_rad, walk->scene->dec_rad,
                        walk->scene->t_start_utc_s + row->t_s, &walk->scene->place, NULL, &pointing,
                        NULL) == NW_OK &&
        isfinite(pointing.airmass)) {
        airmass = pointing.airmass;
    }
    const double r0_m = nw_synth_air_r0(air, row->t_s) * pow(airmass, -0.6);
    const double stronger = pow(air->tilt_r0_m / r0_m, 5.0 / 6.0);
    const size_t sub = walk->sub < walk->night->n_subs ? walk->sub : walk->night->n_subs - 1;
    row->snr = loop->snr * sqrt(walk->night->subs[sub].transmission) *
               pow(10.0, -0.2 * walk->scene->extinction_mag * (airmass - 1.0)) *
               exp(gsl_ran_gaussian_ziggurat(walk->rng, 0.05));
    const double seeing = nw_synth_air_seeing(air, row->t_s) * pow(airmass, 0.6);
    const double centroid = hypot(seeing, loop->extra_width_rad) / NW_FWHM_PER_SIGMA / row->snr;
    row->noise_e_rad =
        stronger * sum[2] / (double)n + gsl_ran_gaussian_ziggurat(walk->rng, centroid); /* GUI-01 */
    row->noise_n_rad =
        stronger * sum[3] / (double)n + gsl_ran_gaussian_ziggurat(walk->rng, centroid);
    row->e_rad = sum[0] / (double)n + row->noise_e_rad - walk->lock_e_rad;
    row->n_rad = sum[1] / (double)n + row->noise_n_rad - walk->lock_n_rad;
}

static double wait_of(double mean_s, gsl_rng *rng) {
    return isfinite(mean_s) ? gsl_ran_exponential(rng, mean_s) : INFINITY;
}

/* Is the star lost at this time? Sets up the next loss when one is over. */
static bool is_lost(struct walk *walk, double t_s) {
    const struct synth_loop *loop = &walk->scene->loop;
    if (t_s > walk->lost_end_s) {
        walk->lost_start_s = t_s + wait_of(loop->lost_interval_s, walk->mishaps);
        walk->lost_end_s = walk->lost_start_s + loop->lost_length_s;
    }
    return t_s >= walk->lost_start_s;
}

/* The guide program takes another place for its lock point. */
static void shift_lock(struct walk *walk) {
    const struct synth_loop *loop = &walk->scene->loop;
    if (walk->drive.t_s >= walk->next_shift_s) {
        const double angle = 2.0 * NW_PI * gsl_rng_uniform(walk->mishaps);
        walk->lock_e_rad += loop->shift_rad * sin(angle);
        walk->lock_n_rad += loop->shift_rad * cos(angle);
        walk->next_shift_s = walk->drive.t_s + wait_of(loop->shift_interval_s, walk->mishaps);
        walk->night->n_shifts++;
    }
}

static enum nw_status guide_once(struct walk *walk, struct synth_row *row, struct nw_err *err) {
    const struct synth_loop *loop = &walk->scene->loop;
    const double rate = walk->scene->mount.rate_rad_s;
    shift_lock(walk);
    expose(walk, row);
    wait_for(walk, loop->latency_s);
    if (is_lost(walk, row->t_s)) {
        walk->night->n_lost += walk->is_star_lost ? 0 : 1;
        walk->is_star_lost = row->is_lost = true;
        return add_row(walk, row, err);
    }
    walk->is_star_lost = false;
    row->ra_pulse_s = quantised_pulse(loop, loop->gain_ra, row->e_rad, rate * walk->drive.cos_dec);
    row->dec_pulse_s = quantised_pulse(loop, loop->gain_dec, row->n_rad, rate);
    walk->drive.ra_left_s += row->ra_pulse_s;
    walk->drive.dec_left_s += row->dec_pulse_s;
    const enum nw_status status = add_row(walk, row, err);
    wait_for(walk, fmax(fabs(row->ra_pulse_s), fabs(row->dec_pulse_s)) + 2.0 * SYNTH_STEP_S);
    return status;
}

static void note_focus(struct walk *walk) {
    struct synth_night *night = walk->night;
    night->focus[night->n_focus++] =
        (struct synth_focus_run){.t_s = walk->drive.t_s, .filter = night->subs[walk->sub].filter};
    walk->next_focus_s = walk->drive.t_s + walk->scene->loop.focus_interval_s;
}

static enum nw_status focus(struct walk *walk, struct nw_err *err) {
    enum nw_status status = add_event(walk, "pause", err);
    wait_for(walk, walk->scene->loop.focus_run_s);
    if (status == NW_OK) {
        note_focus(walk);
        status = add_event(walk, "resume", err);
    }
    return status;
}

/* A new lock point within a box about the first one, so that the field never wanders off. */
static enum nw_status dither(struct walk *walk, struct nw_err *err) {
    const double box = walk->scene->loop.dither_rad;
    if (!(box > 0.0)) {
        return NW_OK;
    }
    walk->lock_e_rad = walk->first_e_rad + box * (2.0 * gsl_rng_uniform(walk->rng) - 1.0);
    walk->lock_n_rad = walk->first_n_rad + box * (2.0 * gsl_rng_uniform(walk->rng) - 1.0);
    return add_event(walk, "dither", err);
}

static enum nw_status after_readout(struct walk *walk, struct nw_err *err) {
    if (walk->sub == walk->night->n_subs) {
        walk->phase = PHASE_END;
        return NW_OK;
    }
    enum nw_status status = dither(walk, err);
    const bool is_other =
        walk->night->subs[walk->sub].filter != walk->night->subs[walk->sub - 1].filter;
    if (status == NW_OK && (is_other || walk->drive.t_s >= walk->next_focus_s)) {
        status = focus(walk, err);
    }
    walk->phase = PHASE_SETTLE;
    walk->settle_since_s = walk->drive.t_s;
    walk->settled_rows = 0;
    return status;
}

static enum nw_status advance(struct walk *walk, const struct synth_row *row, struct nw_err *err) {
    const struct synth_loop *loop = &walk->scene->loop;
    if (walk->phase == PHASE_READOUT && walk->drive.t_s >= walk->until_s) {
        return after_readout(walk, err);
    }
    if (walk->phase == PHASE_SETTLE && !row->is_lost) {
        const bool is_near = hypot(row->e_rad, row->n_rad) < loop->settle_rad;
        walk->settled_rows = is_near ? walk->settled_rows + 1 : 0;
        if (walk->settled_rows >= (int)loop->settle_rows ||
            walk->drive.t_s - walk->settle_since_s > loop->settle_limit_s) {
            const enum nw_status status = add_event(walk, "settled", err);
            return status == NW_OK ? start_sub(walk, err) : status;
        }
    }
    return NW_OK;
}

/* Thin cloud dims about one frame in nine. */
static void draw_cloud(const struct synth_scene *scene, struct synth_night *night) {
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_CLOUD);
    for (size_t i = 0; rng && i < night->n_subs; i++) {
        const bool is_cloudy = gsl_rng_uniform(rng) < 0.11;
        const double dimmed = 0.55 + 0.4 * gsl_rng_uniform(rng);
        const double haze = fmin(1.0, 1.0 + gsl_ran_gaussian(rng, 0.004));
        night->subs[i].transmission = is_cloudy ? dimmed : haze;
    }
    if (rng) {
        gsl_rng_free(rng);
    }
}

static enum nw_status point_subs(const struct synth_scene *scene, const struct synth_air *air,
                                 struct synth_night *night, struct nw_err *err) {
    for (size_t i = 0; i < night->n_subs; i++) {
        struct synth_sub *sub = &night->subs[i];
        const double middle_s = 0.5 * (sub->start_s + sub->end_s);
        const enum nw_status status =
            nw_sky_pointing(scene->ra_rad, scene->dec_rad, scene->t_start_utc_s + middle_s,
                            &scene->place, &scene->air, &sub->pointing, err);
        if (status != NW_OK) {
            return status;
        }
        if (!(sub->pointing.airmass <= 5.0)) {
            return nw_err_set(err, NW_DOMAIN,
                              "target stands at altitude %.1f deg in sub %zu, 12 deg is the least",
                              sub->pointing.altitude_rad * NW_DEG_PER_RAD, i + 1);
        }
        nw_synth_slopes(scene, sub->pointing.altitude_rad, &sub->a_m, &sub->b_m);
        enum { N = 10 };
        double sum = 0.0; /* of r0^(-5/3): turbulence adds up */
        double seeing = 0.0;
        for (int k = 0; k < N; k++) {
            const double t_s = sub->start_s + (sub->end_s - sub->start_s) * (k + 0.5) / N;
            sum += pow(nw_synth_air_r0(air, t_s), -5.0 / 3.0);
            seeing += nw_synth_air_seeing(air, t_s);
        }
        sub->r0_m = pow(sum / N, -0.6);
        sub->seeing_rad = seeing / N;
    }
    return NW_OK;
}

/* ret = a b^-1, 2 x 2 by rows */
static void divide(const double a[4], const double b[4], double ret[4]) {
    const double det = b[0] * b[3] - b[1] * b[2];
    const double inverse[4] = {b[3] / det, -b[1] / det, -b[2] / det, b[0] / det};
    for (size_t i = 0; i < 4; i++) {
        const double *row = i < 2 ? a : a + 2;
        ret[i] = row[0] * inverse[i % 2] + row[1] * inverse[2 + i % 2];
    }
}

/* How every sub's field is turned and stretched against the first one's. */
static void turn_subs(const struct synth_track *track, struct synth_night *night) {
    double first[4] = {1.0, 0.0, 0.0, 1.0};
    for (size_t i = 0; i < night->n_subs; i++) {
        struct synth_sub *sub = &night->subs[i];
        double turns[3][4]; /* at start, middle, end */
        for (int k = 0; k < 3; k++) {
            const double t_s = sub->start_s + 0.5 * k * (sub->end_s - sub->start_s);
            nw_synth_track_turn(track, t_s, sub->ra_behind_rad, turns[k]);
        }
        if (i == 0) {
            memcpy(first, turns[1], sizeof first);
        }
        divide(turns[1], first, sub->turn);
        for (int k = 0; k < 4; k++) {
            sub->turn_rate[k] = (turns[2][k] - turns[0][k]) / (sub->end_s - sub->start_s);
        }
    }
}

static enum nw_status prepare(struct walk *walk, struct nw_err *err) {
    const struct synth_scene *scene = walk->scene;
    struct synth_night *night = walk->night;
    night->n_subs = scene->opts.n_subs;
    night->subs = nw_calloc(night->n_subs, sizeof *night->subs);
    night->focus = nw_calloc(night->n_subs + 1, sizeof *night->focus);
    walk->rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_LOOP);
    gsl_rng *mount = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_MOUNT);
    walk->mishaps = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_MISHAPS);
    nw_synth_drive_init(scene, mount, &walk->drive);
    if (!night->subs || !night->focus || !walk->rng || !mount || !walk->mishaps) {
        return nw_err_set(err, NW_NOMEM, "night of %zu subs", night->n_subs);
    }
    for (size_t i = 0; i < night->n_subs; i++) {
        night->subs[i].filter = i / SYNTH_BLOCK % scene->n_filters;
    }
    draw_cloud(scene, night);
    wait_for(walk, scene->loop.focus_run_s); /* the first focus run, before guiding starts */
    note_focus(walk);
    walk->lock_e_rad = walk->first_e_rad = walk->drive.e_rad;
    walk->lock_n_rad = walk->first_n_rad = walk->drive.n_rad;
    walk->lost_end_s = walk->drive.t_s;
    walk->next_shift_s = walk->drive.t_s + wait_of(scene->loop.shift_interval_s, walk->mishaps);
    (void)is_lost(walk, walk->drive.t_s + SYNTH_STEP_S);
    walk->phase = PHASE_SETTLE;
    walk->settle_since_s = walk->drive.t_s;
    return add_event(walk, "start", err);
}

enum nw_status nw_synth_night_run(const struct synth_scene *scene, const struct synth_air *air,
                                  struct synth_night *ret, struct nw_err *err) {
    struct synth_night night = {0};
    struct walk walk = {.scene = scene, .air = air, .night = &night};
    enum nw_status status = prepare(&walk, err);
    while (status == NW_OK && walk.phase != PHASE_END) {
        struct synth_row row = {0};
        status = guide_once(&walk, &row, err);
        if (status == NW_OK) {
            status = advance(&walk, &row, err);
        }
    }
    night.end_s = walk.drive.t_s;
    night.gap_crossings = scene->mount.backlash_rad > 0.0
                              ? walk.drive.dec_crossed_rad / scene->mount.backlash_rad
                              : NAN;
    if (status == NW_OK) {
        turn_subs(&walk.drive.track, &night);
        status = point_subs(scene, air, &night, err);
    }
    if (status == NW_OK) {
        status = nw_synth_focus_run(scene, &night, err);
    }
    if (walk.rng) {
        gsl_rng_free(walk.rng);
    }
    if (walk.drive.rng) {
        gsl_rng_free(walk.drive.rng);
    }
    if (walk.mishaps) {
        gsl_rng_free(walk.mishaps);
    }
    if (status == NW_OK) {
        *ret = night;
        night = (struct synth_night){0};
    }
    nw_synth_night_done(&night);
    return status;
}

void nw_synth_night_done(struct synth_night *night) {
    if (!night) {
        return;
    }
    for (size_t i = 0; night->subs && i < night->n_subs; i++) {
        free(night->subs[i].path_e_rad);
        free(night->subs[i].path_n_rad);
    }
    free(night->subs);
    free(night->rows);
    free(night->focus);
    *night = (struct synth_night){0};
}
