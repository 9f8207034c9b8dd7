/* pupil.c - the aperture's transfer function with aberrations, by wave optics.
 * Idea: the field in the pupil, mask x exp(2 pi i W / lambda), is sampled at lambda times the
 * frequency step of the profile's grid; its autocorrelation by two transforms then falls on just
 * the lags that are needed, whatever the wavelength (Goodman, Introduction to Fourier Optics, ch.
 * 6). The transform's side is at least twice the samples over the aperture: no wrapping. */
#include "synth/synth_internal.h"

#include <math.h>

/* Smallest even 2^a 3^b 5^c not below n. */
static size_t nice_size(size_t n) {
    for (size_t m = n + n % 2;; m += 2) {
        size_t rest = m;
        for (size_t p = 2; p <= 5; p += p == 2 ? 1 : 2) {
            while (rest % p == 0) {
                rest /= p;
            }
        }
        if (rest == 1) {
            return m;
        }
    }
}

/* Share of a cell inside the annulus, by 8 x 8 points. */
static float cell_share(double x_m, double y_m, double step_m, double inner_m, double outer_m) {
    enum { N = 8 };
    const double r_m = hypot(x_m, y_m);
    if (r_m > outer_m + step_m || r_m < inner_m - step_m) {
        return 0.0f;
    }
    if (r_m < outer_m - step_m && r_m > inner_m + step_m) {
        return 1.0f;
    }
    int inside = 0;
    for (int i = 0; i < N * N; i++) {
        const int row = i / N;
        const double r =
            hypot(x_m + step_m * ((i % N + 0.5) / N - 0.5), y_m + step_m * ((row + 0.5) / N - 0.5));
        inside += r <= outer_m && r >= inner_m;
    }
    return (float)inside / (float)(N * N);
}

static enum nw_status init_one(const struct synth_scene *scene, struct synth_pupil *pupil,
                               struct nw_err *err) {
    const double outer_m = scene->optics.aperture_m / 2.0;
    const double inner_m = outer_m * scene->optics.obstruction;
    const size_t half = (size_t)ceil(outer_m / pupil->step_m) + 1;
    pupil->n_across = 2 * half + 1;
    pupil->n = nice_size(2 * pupil->n_across);
    if (pupil->n > 4096) {
        return nw_err_set(err, NW_LIMIT,
                          "pixels of %.2f arcsec on an aperture of %.3f m are too coarse for the "
                          "simulator's grid",
                          scene->camera.scale_rad * NW_ARCSEC_PER_RAD, scene->optics.aperture_m);
    }
    pupil->mask = nw_calloc(pupil->n_across * pupil->n_across, sizeof *pupil->mask);
    if (!pupil->mask) {
        return nw_err_set(err, NW_NOMEM, "pupil of %zu samples", pupil->n_across);
    }
    for (size_t j = 0; j < pupil->n_across; j++) {
        for (size_t i = 0; i < pupil->n_across; i++) {
            pupil->mask[j * pupil->n_across + i] = cell_share(
                ((double)i - (double)half) * pupil->step_m,
                ((double)j - (double)half) * pupil->step_m, pupil->step_m, inner_m, outer_m);
        }
    }
    return NW_OK;
}

/* Plans are made here, before any thread runs: planning is not safe in threads. */
static enum nw_status plan_transforms(struct synth_psf_plan *plan, struct nw_err *err) {
    struct synth_scratch scratch = {0};
    enum nw_status status = nw_synth_scratch_init(plan, &scratch, err);
    for (size_t b = 0; status == NW_OK && b < plan->n_bands; b++) {
        for (int w = 0; w < SYNTH_LAMBDAS; w++) {
            struct synth_pupil *pupil = &plan->pupils[b][w];
            const int n = (int)pupil->n;
            pupil->to_field =
                fftw_plan_dft_2d(n, n, scratch.field, scratch.field, FFTW_FORWARD, FFTW_ESTIMATE);
            pupil->to_otf = fftw_plan_dft_r2c_2d(n, n, scratch.intensity, scratch.otf,
                                                 FFTW_ESTIMATE | FFTW_DESTROY_INPUT);
            if (!pupil->to_field || !pupil->to_otf) {
                status = nw_err_set(err, NW_NOMEM, "transform of %d x %d", n, n);
            }
        }
    }
    if (status == NW_OK) {
        plan->to_image = fftw_plan_dft_c2r_2d(SYNTH_FINE, SYNTH_FINE, scratch.sum, scratch.image,
                                              FFTW_ESTIMATE | FFTW_DESTROY_INPUT);
        plan->to_frequency = fftw_plan_dft_r2c_2d(SYNTH_FINE, SYNTH_FINE, scratch.image,
                                                  scratch.path, FFTW_ESTIMATE | FFTW_DESTROY_INPUT);
        if (!plan->to_image || !plan->to_frequency) {
            status = nw_err_set(err, NW_NOMEM, "transform of %d x %d", SYNTH_FINE, SYNTH_FINE);
        }
    }
    nw_synth_scratch_done(&scratch);
    return status;
}

enum nw_status nw_synth_psf_plan_init(const struct synth_scene *scene, struct synth_psf_plan *ret,
                                      struct nw_err *err) {
    struct synth_psf_plan plan = {.scene = scene, .n_bands = scene->n_bands};
    plan.frequency_step = 1.0 / (SYNTH_BOX_PX * scene->camera.scale_rad);
    enum nw_status status = NW_OK;
    for (size_t b = 0; status == NW_OK && b < plan.n_bands; b++) {
        const struct synth_band *band = &scene->bands[b];
        for (int w = 0; status == NW_OK && w < SYNTH_LAMBDAS; w++) {
            struct synth_pupil *pupil = &plan.pupils[b][w];
            pupil->wavelength_m =
                band->low_m + (band->high_m - band->low_m) * (w + 0.5) / SYNTH_LAMBDAS;
            pupil->step_m = pupil->wavelength_m * plan.frequency_step;
            status = init_one(scene, pupil, err);
            plan.scratch_n = pupil->n > plan.scratch_n ? pupil->n : plan.scratch_n;
        }
    }
    if (status == NW_OK) {
        status = plan_transforms(&plan, err);
    }
    if (status == NW_OK) {
        *ret = plan;
        plan = (struct synth_psf_plan){0};
    }
    nw_synth_psf_plan_done(&plan);
    return status;
}

static void drop_plan(fftw_plan plan) {
    if (plan) {
        fftw_destroy_plan(plan);
    }
}

void nw_synth_psf_plan_done(struct synth_psf_plan *plan) {
    if (!plan) {
        return;
    }
    for (size_t b = 0; b < SYNTH_BANDS; b++) {
        for (int w = 0; w < SYNTH_LAMBDAS; w++) {
            free(plan->pupils[b][w].mask);
            drop_plan(plan->pupils[b][w].to_field);
            drop_plan(plan->pupils[b][w].to_otf);
        }
    }
    drop_plan(plan->to_image);
    drop_plan(plan->to_frequency);
    *plan = (struct synth_psf_plan){0};
}

enum nw_status nw_synth_scratch_init(const struct synth_psf_plan *plan, struct synth_scratch *ret,
                                     struct nw_err *err) {
    const size_t n = plan->scratch_n;
    const size_t half_plane = (size_t)SYNTH_FINE * SYNTH_HALF;
    struct synth_scratch scratch = {
        .field = nw_big_alloc(n * n * sizeof(fftw_complex)),
        .otf = nw_big_alloc(n * (n / 2 + 1) * sizeof(fftw_complex)),
        .intensity = nw_big_alloc(n * n * sizeof(double)),
        .air = nw_calloc(SYNTH_BANDS, sizeof *scratch.air),
        .sum = nw_big_alloc(half_plane * sizeof(fftw_complex)),
        .path = nw_big_alloc(half_plane * sizeof(fftw_complex)),
        .image = nw_big_alloc((size_t)SYNTH_FINE * SYNTH_FINE * sizeof(double)),
    };
    if (!scratch.field || !scratch.otf || !scratch.intensity || !scratch.air || !scratch.sum ||
        !scratch.path || !scratch.image) {
        nw_synth_scratch_done(&scratch);
        return nw_err_set(err, NW_NOMEM, "working memory of the profiles");
    }
    *ret = scratch;
    return NW_OK;
}

void nw_synth_scratch_done(struct synth_scratch *scratch) {
    if (scratch) {
        nw_big_free(scratch->field);
        nw_big_free(scratch->otf);
        nw_big_free(scratch->intensity);
        free(scratch->air);
        nw_big_free(scratch->sum);
        nw_big_free(scratch->path);
        nw_big_free(scratch->image);
        *scratch = (struct synth_scratch){0};
    }
}

/* Wavefront at a place of the pupil (radius 1 at the edge) [m]. Defocus d: W = d rho^2 / (8 N^2)
 * (REFERENCES FOC-02); the line foci stand +- half their distance from the mean focus. Coma without
 * the tilt that moves its centroid (mean ray height 1 in units of 2 N Wc: FOC-18); trefoil sqrt(8)
 * rho^3 cos 3 phi has unit rms (Noll 1976, table I). */
static double wavefront(const struct synth_optics *optics, const struct synth_wave *wave, double x,
                        double y) {
    const double per_defocus = 1.0 / (8.0 * optics->f_ratio * optics->f_ratio);
    const double c = cos(wave->astigmatism_angle_rad);
    const double s = sin(wave->astigmatism_angle_rad);
    const double along = x * c + y * s;
    const double rho2 = x * x + y * y;
    const double focus =
        wave->defocus_m * rho2 + 0.5 * wave->astigmatism_m * (2.0 * along * along - rho2);
    const double up = x * cos(optics->coma_angle_rad) + y * sin(optics->coma_angle_rad);
    const double coma = wave->coma_m * (rho2 - 1.0) * up;
    const double ct = cos(optics->trefoil_angle_rad);
    const double st = sin(optics->trefoil_angle_rad);
    const double p = x * ct + y * st;
    const double q = y * ct - x * st;
    const double trefoil = wave->trefoil_m * sqrt(8.0) * (p * p * p - 3.0 * p * q * q);
    return per_defocus * focus + coma + trefoil;
}

void nw_synth_pupil_otf(const struct synth_psf_plan *plan, const struct synth_pupil *pupil,
                        const struct synth_wave *wave, struct synth_scratch *scratch) {
    const struct synth_optics *optics = &plan->scene->optics;
    const size_t n = pupil->n;
    const size_t half = pupil->n_across / 2;
    const double unit = pupil->step_m / (optics->aperture_m / 2.0);
    memset(scratch->field, 0, n * n * sizeof *scratch->field);
    for (size_t j = 0; j < pupil->n_across; j++) {
        for (size_t i = 0; i < pupil->n_across; i++) {
            const double share = (double)pupil->mask[j * pupil->n_across + i];
            if (share > 0.0) {
                const double w = wavefront(optics, wave, ((double)i - (double)half) * unit,
                                           ((double)j - (double)half) * unit);
                const double phase = 2.0 * NW_PI * w / pupil->wavelength_m;
                scratch->field[j * n + i][0] = share * cos(phase);
                scratch->field[j * n + i][1] = share * sin(phase);
            }
        }
    }
    fftw_execute_dft(pupil->to_field, scratch->field, scratch->field);
    for (size_t i = 0; i < n * n; i++) {
        const double re = scratch->field[i][0];
        const double im = scratch->field[i][1];
        scratch->intensity[i] = re * re + im * im;
    }
    fftw_execute_dft_r2c(pupil->to_otf, scratch->intensity, scratch->otf);
    const double norm = 1.0 / scratch->otf[0][0];
    for (size_t i = 0; i < n * (n / 2 + 1); i++) {
        scratch->otf[i][0] *= norm;
        scratch->otf[i][1] *= norm;
    }
}
