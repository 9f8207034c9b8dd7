/* trail_seeing.c - seeing and wind from the wobble of trails.
 * Idea: coefficient k of star s is Gaussian with variance a d_k + N_s, where a = r0^(-5/3) and d_k
 * is what one flow gives to cosine k. The air is shared between stars by a part rho that differs
 * from octave to octave: covariance a d_k (rho + (1 - rho) [s = t]) + N_s [s = t], whose inverse is
 * known (Sherman & Morrison 1950, Ann. Math. Stat. 21, 124). The posterior of a, wind, outer scale
 * and direction of the wind is summed on a grid; rho and the noise are set to their best values.
 * Holds: no prior on a in its logarithm; wind and outer scale have the rig's. */
#include "budget/trail_seeing_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { AMPLITUDES = 61, WINDS = 21, MIXES = 3, CELLS = WINDS * TRAIL_OUTER, OCTAVES = 10 };

/* Layers blow in different directions: mostly about half along, half across. Three nodes for the
 * share along (engineering choice; bench/trail.c judges it). */
static const double MIX[MIXES] = {0.2, 0.5, 0.8};
static const double MIX_WEIGHT[MIXES] = {0.25, 0.5, 0.25};

/* bench/trail.c: layers of many speeds are no single flow; what the spread of the results has
 * beyond the posterior, of ln FWHM. */
#define MODEL_SIGMA 0.16

/* Cosines are judged down to this response (its square in power). Faster ones depend on the wings
 * of the star and on second-order terms. */
#define LEAST_RESPONSE 0.7

struct job {
    struct nw_trail_profile profile; /* of a moment so short that the star stands still */
    const struct nw_trails *trails;
    const struct nw_trail_setting *setting;
    struct trail_modes modes;
    double *z;              /* n * n_modes [px] */
    double *noise2;         /* n [px^2] */
    double *along, *across; /* CELLS * n_modes [px^2] for r0 = 1 m */
    double *power;          /* n_modes: of one cell and mix */
    double *log_posterior;  /* CELLS * MIXES * AMPLITUDES */
    double *work;           /* 2 * steps */
    double shared[OCTAVES];
    double ln_wind[WINDS], wind_weight[WINDS];
    double outer_m[TRAIL_OUTER], outer_weight[TRAIL_OUTER];
    size_t n_used; /* modes that are judged */
    size_t best;   /* place in log_posterior */
};

static size_t octave_of(size_t mode) {
    size_t k = 0;
    for (size_t at = (mode + TRAIL_MODES_FIRST) / TRAIL_MODES_FIRST; at > 1 && k < OCTAVES - 1;
         at /= 2) {
        k++;
    }
    return k;
}

static double ln_amplitude(size_t i) { /* r0 from 0.4 to 0.01 m */
    const double low = -5.0 / 3.0 * log(0.4);
    const double high = -5.0 / 3.0 * log(0.01);
    return low + (high - low) * (double)i / (AMPLITUDES - 1);
}

static double response_of(const struct job *job, size_t mode) {
    const double frequency_1_px =
        0.5 * (double)(mode + TRAIL_MODES_FIRST) / ((double)job->modes.n * job->trails->step_px);
    return nw_trail_response(frequency_1_px, &job->trails->profile, job->trails->angle_rad);
}

/* -2 ln likelihood of one mode of all stars. */
static double mode_score(const struct job *job, size_t m, double variance, double shared) {
    const size_t n = job->trails->n;
    const double own = (1.0 - shared) * variance;
    const double common = shared * variance;
    double product = 1.0;
    double weights = 0.0;
    double sums = 0.0;
    double score = 0.0;
    for (size_t s = 0; s < n; s++) {
        const double z = job->z[s * job->modes.n_modes + m];
        const double total = own + job->noise2[s];
        const double weight = 1.0 / total;
        product *= total;
        weights += weight;
        sums += weight * z;
        score += weight * z * z;
        if (product < 1e-200) {
            score += log(product);
            product = 1.0;
        }
    }
    const double more = 1.0 + common * weights;
    return score + log(product * more) - common * sums * sums / more;
}

static double score_of(const struct job *job, double amplitude) {
    double score = 0.0;
    for (size_t m = 0; m < job->n_used; m++) {
        score += mode_score(job, m, amplitude * job->power[m], job->shared[octave_of(m)]);
    }
    return score;
}

static void mix_power(struct job *job, size_t cell, size_t mix) {
    const double *along = &job->along[cell * job->modes.n_modes];
    const double *across = &job->across[cell * job->modes.n_modes];
    for (size_t m = 0; m < job->modes.n_modes; m++) {
        job->power[m] = MIX[mix] * along[m] + (1.0 - MIX[mix]) * across[m];
    }
}

/* Fills the posterior; `is_coarse`: middle outer scale and mix only, the others left out. */
static void fill_posterior(struct job *job, bool is_coarse) {
    job->best = 0;
    for (size_t cell = 0; cell < CELLS; cell++) {
        for (size_t mix = 0; mix < MIXES; mix++) {
            const size_t outer = cell % TRAIL_OUTER;
            const size_t first = (cell * MIXES + mix) * AMPLITUDES;
            const bool is_in = !is_coarse || (outer == 0 && mix == 1);
            const double prior = log(job->wind_weight[cell / TRAIL_OUTER] *
                                     job->outer_weight[outer] * MIX_WEIGHT[mix]);
            mix_power(job, cell, mix);
            for (size_t i = 0; i < AMPLITUDES; i++) {
                job->log_posterior[first + i] =
                    is_in ? prior - 0.5 * score_of(job, exp(ln_amplitude(i))) : -INFINITY;
                if (job->log_posterior[first + i] > job->log_posterior[job->best]) {
                    job->best = first + i;
                }
            }
        }
    }
}

/* Power of every mode where the posterior is highest; the amplitude there. */
static double take_best(struct job *job) {
    const size_t row = job->best / AMPLITUDES;
    mix_power(job, row / MIXES, row % MIXES);
    return exp(ln_amplitude(job->best % AMPLITUDES));
}

/* The best shared part of every octave. */
static void fit_shared(struct job *job) {
    const double amplitude = take_best(job);
    for (size_t octave = 0; octave < OCTAVES && job->trails->n > 1; octave++) {
        double best = INFINITY;
        for (int i = 0; i < 20; i++) {
            double score = 0.0;
            for (size_t m = 0; m < job->n_used; m++) {
                if (octave_of(m) == octave) {
                    score += mode_score(job, m, amplitude * job->power[m], 0.05 * i);
                }
            }
            if (score < best) {
                best = score;
                job->shared[octave] = 0.05 * i;
            }
        }
    }
}

/* Noise of every star: what photons and sky give, or what its fastest cosines show if that is more:
 * there the star's own width has left nothing of the air to first order, and what flicker of the
 * light and large wobble leave to second order is as white as noise. */
static void set_noise(struct job *job) {
    const size_t n_modes = job->modes.n_modes;
    const size_t first = n_modes - n_modes / 8;
    const bool is_dark = response_of(job, first) < 0.1;
    for (size_t s = 0; s < job->trails->n; s++) {
        const double expected2 = pow(job->trails->items[s].noise_px, 2.0);
        double sum2 = 0.0;
        for (size_t m = first; m < n_modes; m++) {
            sum2 += pow(job->z[s * n_modes + m], 2.0) / (double)(n_modes - first);
        }
        job->noise2[s] =
            is_dark && (sum2 > expected2 || !job->setting->noise_is_known) ? sum2 : expected2;
    }
}

/* Nodes of the priors: wind log-normal, outer scale by three-point Gauss-Hermite (Abramowitz &
 * Stegun 1964, table 25.10). */
static void set_nodes(struct job *job) {
    const struct nw_trail_setting *s = job->setting;
    const double wind_sigma =
        fmax(0.05, sqrt(log(1.0 + pow(s->wind_sigma_m_s / s->wind_m_s, 2.0))));
    for (int i = 0; i < WINDS; i++) {
        const double t = 6.0 * i / (WINDS - 1) - 3.0;
        job->ln_wind[i] = log(s->wind_m_s) + t * wind_sigma;
        job->wind_weight[i] = exp(-0.5 * t * t);
    }
    static const double nodes[TRAIL_OUTER] = {0.0, -1.7320508075688772, 1.7320508075688772};
    static const double weights[TRAIL_OUTER] = {2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0};
    const double outer_sigma =
        isfinite(s->outer_scale_m)
            ? sqrt(log(1.0 + pow(s->outer_scale_sigma_m / s->outer_scale_m, 2.0)))
            : 0.0;
    for (int i = 0; i < TRAIL_OUTER; i++) {
        job->outer_m[i] = s->outer_scale_m * exp(nodes[i] * outer_sigma);
        job->outer_weight[i] = weights[i];
    }
}

static void fill_cells(struct job *job) {
    const size_t n = job->modes.n;
    const struct nw_trail_setting *s = job->setting;
    struct trail_flow flow = {
        .aperture = {.aperture_m = s->aperture_m, .obstruction = s->obstruction},
        .step_s = job->trails->step_px * s->scale_rad / s->drift_rad_s,
        .drift_px_s = s->drift_rad_s / s->scale_rad,
        .profile = job->profile,
        .angle_rad = job->trails->angle_rad};
    for (size_t outer = 0; outer < TRAIL_OUTER; outer++) {
        struct trail_table table;
        flow.aperture.outer_scale_m = job->outer_m[outer];
        trail_table_fill(&flow.aperture, &table);
        for (size_t wind = 0; wind < WINDS; wind++) {
            const size_t cell = wind * TRAIL_OUTER + outer;
            flow.wind_m_s = exp(job->ln_wind[wind]);
            trail_covariance(&table, &flow, n, job->work, job->work + n);
            trail_modes_power(&job->modes, job->work, &job->along[cell * job->modes.n_modes]);
            trail_modes_power(&job->modes, job->work + n, &job->across[cell * job->modes.n_modes]);
        }
    }
    for (size_t i = 0; i < CELLS * job->modes.n_modes; i++) {
        job->along[i] /= s->scale_rad * s->scale_rad;
        job->across[i] /= s->scale_rad * s->scale_rad;
    }
}

/* Mean and covariance of (ln FWHM at the zenith, ln wind, ln r0 at the zenith). */
struct moments {
    double mean[3], cov[3][3];
    double edge; /* probability in the outermost amplitudes */
};

static struct moments sum_up(const struct job *job) {
    struct moments m = {0};
    double total = 0.0;
    double second[3][3] = {{0}};
    for (size_t row = 0; row < (size_t)CELLS * MIXES; row++) {
        const size_t cell = row / MIXES;
        for (size_t i = 0; i < AMPLITUDES; i++) {
            const size_t at = row * AMPLITUDES + i;
            const double p = exp(job->log_posterior[at] - job->log_posterior[job->best]);
            if (p < 1e-12) {
                continue;
            }
            /* r0 ~ X^(-3/5): at the zenith it is larger (Fried 1966) */
            const double r0_m = exp(-0.6 * ln_amplitude(i)) * pow(job->setting->airmass, 0.6);
            const double fwhm_rad =
                nw_sky_fwhm_of_r0_rad(r0_m, 500e-9, job->outer_m[cell % TRAIL_OUTER]);
            const double x[3] = {log(fwhm_rad), job->ln_wind[cell / TRAIL_OUTER], log(r0_m)};
            total += p;
            m.edge += i < 2 || i + 2 >= AMPLITUDES ? p : 0.0;
            for (int j = 0; j < 3; j++) {
                m.mean[j] += p * x[j];
                for (int k = 0; k < 3; k++) {
                    second[j][k] += p * x[j] * x[k];
                }
            }
        }
    }
    m.edge /= total;
    for (int j = 0; j < 3; j++) {
        m.mean[j] /= total;
    }
    for (int j = 0; j < 3; j++) {
        for (int k = 0; k < 3; k++) {
            m.cov[j][k] = second[j][k] / total - m.mean[j] * m.mean[k];
        }
    }
    return m;
}

/* Mean over the stars of the variance of means over `block` steps, noise taken off. */
static double block_variance(const struct job *job, size_t block) {
    double sum = 0.0;
    for (size_t s = 0; s < job->trails->n; s++) {
        const double *w = job->trails->items[s].wobble_px;
        const size_t n = job->modes.n / block;
        double sum2 = 0.0;
        for (size_t b = 0; b < n; b++) {
            const double mean = nw_stat_mean(&w[b * block], block);
            sum2 += mean * mean / (double)n;
        }
        sum += sum2 - job->noise2[s] / (double)block;
    }
    return sum / (double)job->trails->n;
}

/* The same of the model: every cosine's power times the variance of its own block means. */
static double block_model(const struct job *job, size_t block, double amplitude) {
    const size_t n = job->modes.n / block;
    double sum = 0.0;
    for (size_t m = 0; m < job->modes.n_modes; m++) {
        const double *row = &job->modes.cosines[m * job->modes.n];
        double sum2 = 0.0;
        for (size_t b = 0; b < n; b++) {
            const double mean = nw_stat_mean(&row[b * block], block);
            sum2 += mean * mean / (double)n;
        }
        sum += amplitude * job->power[m] * sum2;
    }
    return sum;
}

static void fill_lengths(struct job *job, struct nw_trail_seeing *ret) {
    const double amplitude = take_best(job);
    const double scale_rad = job->setting->scale_rad;
    ret->n_lengths = 0;
    for (size_t block = 1; ret->n_lengths < NW_TRAIL_LENGTHS && block * 6 <= job->modes.n;
         block *= 2) {
        const double variance = block_variance(job, block);
        ret->lengths[ret->n_lengths++] = (struct nw_trail_length){
            .averaging_s = (double)block * ret->step_s,
            .measured_rad = variance > 0.0 ? sqrt(variance) * scale_rad : NAN,
            .model_rad = sqrt(block_model(job, block, amplitude)) * scale_rad};
    }
}

/* Power-weighted shared part. */
static double mean_shared(const struct job *job) {
    double sum = 0.0;
    double weight = 0.0;
    for (size_t m = 0; m < job->modes.n_modes; m++) {
        sum += job->power[m] * job->shared[octave_of(m)];
        weight += job->power[m];
    }
    return job->trails->n > 1 ? sum / weight : NAN;
}

static void report(struct job *job, struct nw_trail_seeing *ret) {
    const struct nw_trails *t = job->trails;
    const struct moments m = sum_up(job);
    const double wind_sigma = sqrt(m.cov[1][1]);
    const double prior_sigma = (job->ln_wind[WINDS - 1] - job->ln_wind[0]) / 6.0;
    ret->seeing_rad = exp(m.mean[0]);
    ret->seeing_sigma_rad = ret->seeing_rad * hypot(sqrt(m.cov[0][0]), MODEL_SIGMA);
    ret->r0_m = exp(m.mean[2]);
    ret->r0_sigma_m = ret->r0_m * hypot(sqrt(m.cov[2][2]), MODEL_SIGMA);
    ret->wind_m_s = exp(m.mean[1]);
    ret->wind_sigma_m_s = ret->wind_m_s * wind_sigma;
    ret->seeing_wind_correlation = m.cov[0][1] / sqrt(m.cov[0][0] * m.cov[1][1]);
    ret->wind_is_told = wind_sigma < 0.75 * prior_sigma;
    ret->airmass = job->setting->airmass;
    ret->n_stars = t->n;
    ret->n_steps = t->n_steps;
    ret->step_s = t->step_px * job->setting->scale_rad / job->setting->drift_rad_s;
    fill_lengths(job, ret);
    ret->wobble_rad = ret->lengths[0].measured_rad;
    ret->shared = mean_shared(job);
    for (size_t s = 0; s < t->n; s++) {
        job->work[s] = sqrt(job->noise2[s]) * job->setting->scale_rad;
    }
    ret->noise_rad = nw_stat_median(job->work, t->n);
    ret->n_seen = t->n_seen;
    ret->n_saturated = t->n_saturated;
    ret->n_edge = t->n_edge;
    ret->n_blended = t->n_blended;
    ret->n_faint = t->n_faint;
    ret->n_odd_length = t->n_odd_length;
    ret->n_slanted = t->n_slanted;
}

static enum nw_status check_setting(const struct nw_trails *trails,
                                    const struct nw_trail_setting *s, struct nw_err *err) {
    if (!(s->scale_rad > 0.0) || !(s->drift_rad_s > 0.0) || !(s->aperture_m > 0.0) ||
        !(s->airmass >= 1.0 - 1e-6) || !(s->wind_m_s > 0.0) || !(s->wind_sigma_m_s >= 0.0) ||
        !(s->outer_scale_m > 0.0)) {
        return nw_err_set(err, NW_DOMAIN,
                          "scale %g rad/px, drift %g rad/s, aperture %g m, airmass %g, wind %g +- "
                          "%g m/s, outer scale %g m: each must be a positive number, airmass 1 or "
                          "more",
                          s->scale_rad, s->drift_rad_s, s->aperture_m, s->airmass, s->wind_m_s,
                          s->wind_sigma_m_s, s->outer_scale_m);
    }
    if (trails->n == 0 || trails->n_steps < 16) {
        return nw_err_set(err, NW_DATA, "%zu trails of %zu steps tell nothing", trails->n,
                          trails->n_steps);
    }
    return NW_OK;
}

static enum nw_status job_init(struct job *job, struct nw_err *err) {
    const size_t n = job->trails->n_steps;
    const enum nw_status status = trail_modes_init(n, &job->modes, err);
    if (status != NW_OK) {
        return status;
    }
    const size_t n_modes = job->modes.n_modes;
    job->z = nw_calloc(job->trails->n * n_modes, sizeof *job->z);
    job->noise2 = nw_calloc(job->trails->n, sizeof *job->noise2);
    job->along = nw_calloc(CELLS * n_modes, sizeof *job->along);
    job->across = nw_calloc(CELLS * n_modes, sizeof *job->across);
    job->power = nw_calloc(n_modes, sizeof *job->power);
    job->log_posterior = nw_calloc((size_t)CELLS * MIXES * AMPLITUDES, sizeof *job->log_posterior);
    job->work = nw_calloc(2 * n + job->trails->n, sizeof *job->work);
    if (!job->z || !job->noise2 || !job->along || !job->across || !job->power ||
        !job->log_posterior || !job->work) {
        return nw_err_set(err, NW_NOMEM, "%zu trails of %zu steps", job->trails->n, n);
    }
    for (size_t s = 0; s < job->trails->n; s++) {
        trail_modes_apply(&job->modes, job->trails->items[s].wobble_px, &job->z[s * n_modes]);
        job->noise2[s] = pow(job->trails->items[s].noise_px, 2.0);
    }
    return NW_OK;
}

/* While the drift crosses the star's own width, the star has moved to and fro: the width that was
 * measured holds that motion, and the part of a wobble that the width hides is smaller by as much.
 * What the tilt has beyond the wobble that is seen is taken off the core. */
static void narrow_profile(struct job *job) {
    const struct nw_trail_setting *s = job->setting;
    const double amplitude = take_best(job);
    const double r0_m = pow(amplitude, -0.6);
    const double tilt_px =
        nw_sky_tilt_rms_rad(s->aperture_m, r0_m, 500e-9, s->outer_scale_m, s->wind_m_s, 0.0) /
        s->scale_rad;
    const double hidden2 = fmax(0.0, tilt_px * tilt_px - block_variance(job, 1));
    const struct nw_trail_profile *measured = &job->trails->profile;
    job->profile = *measured;
    job->profile.core_sigma_px *=
        sqrt(fmax(0.3, 1.0 - hidden2 / pow(measured->core_sigma_px, 2.0)));
    job->profile.wing_sigma_px *=
        sqrt(fmax(0.3, 1.0 - hidden2 / pow(measured->wing_sigma_px, 2.0)));
}

enum nw_status nw_trail_seeing_solve(const struct nw_trails *trails,
                                     const struct nw_trail_setting *setting,
                                     struct nw_trail_seeing *ret, struct nw_err *err) {
    struct job job = {.trails = trails, .setting = setting, .profile = trails->profile};
    enum nw_status status = check_setting(trails, setting, err);
    if (status != NW_OK) {
        return status;
    }
    status = job_init(&job, err);
    if (status != NW_OK) {
        goto done;
    }
    set_nodes(&job);
    fill_cells(&job);
    set_noise(&job);
    job.n_used = 0;
    while (job.n_used < job.modes.n_modes && response_of(&job, job.n_used) > LEAST_RESPONSE) {
        job.n_used++;
    }
    for (int pass = 0; pass < 3; pass++) {
        fill_posterior(&job, pass < 2);
        if (pass < 2) {
            fit_shared(&job);
            narrow_profile(&job);
            fill_cells(&job);
        }
    }
    const struct moments m = sum_up(&job);
    const double wobble2 = block_variance(&job, 1);
    if (!(wobble2 > 0.0) || m.edge > 0.05) {
        status = nw_err_set(err, NW_DATA,
                            "the wobble across the trails (%.2g px squared, noise taken off) tells "
                            "no seeing between 0.25 and 10 arcsec",
                            wobble2);
        goto done;
    }
    report(&job, ret);
done:
    trail_modes_done(&job.modes);
    free(job.z);
    free(job.noise2);
    free(job.along);
    free(job.across);
    free(job.power);
    free(job.log_posterior);
    free(job.work);
    return status;
}
