/* air.c - turbulence: structure function, seeing of the night, tilt of the guide aperture.
 * Idea: one von Karman spectrum W(f) = C r0^(-5/3) (f^2 + 1/L0^2)^(-11/6) gives all three: its
 * structure function widens the long exposure (Fried 1966, JOSA 56, 1372), its gradient averaged
 * over an aperture and carried along by the wind is what a guide star does (Martin 1987, PASP 99,
 * 1360). Widths are found by Hankel transform, not by a fit formula. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_sf_bessel.h>
#include <math.h>

/* C = Gamma(11/6)^2 (24/5 Gamma(6/5))^(5/6) / (2 pi^(11/3)) (Noll 1976, JOSA 66, 207, eq. 21 gives
 * 0.023); REFERENCES IMG-24. */
static double spectrum_constant(void) {
    const double g = tgamma(11.0 / 6.0);
    return g * g * pow(24.0 / 5.0 * tgamma(6.0 / 5.0), 5.0 / 6.0) / (2.0 * pow(NW_PI, 11.0 / 3.0));
}

double nw_synth_structure(double r_m, double r0_m, double outer_scale_m) {
    const double kolmogorov =
        2.0 * pow(24.0 / 5.0 * tgamma(6.0 / 5.0), 5.0 / 6.0) * pow(r_m / r0_m, 5.0 / 3.0);
    const double x = 2.0 * NW_PI * r_m / outer_scale_m;
    if (!isfinite(outer_scale_m) || x < 1e-6) {
        return kolmogorov;
    }
    /* covariance by Hankel transform of the spectrum: Gradshteyn & Ryzhik 6.565.4 */
    const double b0 =
        spectrum_constant() * 2.0 * NW_PI * 0.6 * pow(outer_scale_m / r0_m, 5.0 / 3.0);
    const double k = x < 600.0 ? gsl_sf_bessel_Knu_scaled(5.0 / 6.0, x) * exp(-x) : 0.0;
    const double shape = pow(2.0, 1.0 / 6.0) / tgamma(5.0 / 6.0) * pow(x, 5.0 / 6.0) * k;
    return 2.0 * b0 * fmax(0.0, 1.0 - shape);
}

enum { HANKEL_N = 800 };
#define HANKEL_RANGE 7.0 /* r0; Kolmogorov transfer there: exp(-88) */

/* Simpson sum of T(r) J0(2 pi theta r / lambda) r dr; weights hold T r dr */
static double hankel(const double *weights, double step_m, double theta_over_lambda) {
    double sum = 0.0;
    for (size_t i = 1; i <= HANKEL_N; i++) {
        sum += weights[i] * gsl_sf_bessel_J0(2.0 * NW_PI * theta_over_lambda * step_m * (double)i);
    }
    return sum;
}

double nw_synth_air_fwhm(double r0_m, double wavelength_m, double outer_scale_m) {
    double weights[HANKEL_N + 1] = {0.0};
    const double step_m = HANKEL_RANGE * r0_m / HANKEL_N;
    /* what is left of the transfer function at infinity is light that was not scattered at all
     * (outer scale of few r0): a spike without width, taken off */
    const double far = exp(-0.5 * nw_synth_structure(1e4 * r0_m, r0_m, outer_scale_m));
    for (size_t i = 1; i <= HANKEL_N; i++) {
        const double r_m = step_m * (double)i;
        const double simpson = i == HANKEL_N ? 1.0 : (i % 2 ? 4.0 : 2.0);
        weights[i] =
            simpson * r_m * (exp(-0.5 * nw_synth_structure(r_m, r0_m, outer_scale_m)) - far);
    }
    const double half = 0.5 * hankel(weights, step_m, 0.0);
    double low = 0.0;
    double high = 1.0 / r0_m; /* half maximum lies at 0.488 / r0 or less: IMG-11 */
    for (int i = 0; i < 30; i++) {
        const double middle = 0.5 * (low + high);
        if (hankel(weights, step_m, middle) > half) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return (low + high) * wavelength_m;
}

double nw_synth_r0_of_fwhm(double fwhm_rad, double wavelength_m, double outer_scale_m) {
    if (!(fwhm_rad > 0.0) || !(wavelength_m > 0.0)) {
        return NAN;
    }
    double r0_m = 0.97586343 * wavelength_m / fwhm_rad; /* Kolmogorov: IMG-11 */
    if (!isfinite(outer_scale_m)) {
        return r0_m;
    }
    /* width ~ r0^-1 to a slowly varying factor: fixed point, contraction 0.2 or better */
    for (int i = 0; i < 12; i++) {
        const double ratio = nw_synth_air_fwhm(r0_m, wavelength_m, outer_scale_m) / fwhm_rad;
        r0_m *= ratio;
        if (fabs(ratio - 1.0) < 1e-7) {
            break;
        }
    }
    return r0_m;
}

double nw_synth_r0_at(double r0_zenith_500_m, double airmass, double wavelength_m) {
    return r0_zenith_500_m * pow(airmass, -0.6) * pow(wavelength_m / 500e-9, 1.2);
}

void nw_synth_tilt_spectrum(double frequency_Hz, double aperture_m, double r0_m,
                            double outer_scale_m, double wind_m_s, double ret_along_across[2]) {
    const double fx = frequency_Hz / wind_m_s; /* along the wind [1/m] */
    const double f0_2 = isfinite(outer_scale_m) ? 1.0 / (outer_scale_m * outer_scale_m) : 0.0;
    const double lambda = 500e-9; /* the wavelength of r0; the tilt is the same at all */
    const double scale = 2.0 * spectrum_constant() * pow(r0_m, -5.0 / 3.0) * lambda * lambda * 2.0 /
                         wind_m_s; /* one-sided; both signs of fy */
    ret_along_across[0] = 0.0;
    ret_along_across[1] = 0.0;
    enum { N = 400 };
    const double low = log(1e-4);
    const double high = log(60.0 / aperture_m);
    for (int i = 0; i < N; i++) { /* midpoint rule in ln fy */
        const double fy = exp(low + (high - low) * (i + 0.5) / N);
        const double f = hypot(fx, fy);
        const double x = NW_PI * f * aperture_m;
        /* mean gradient over a full disc: 2 J1(x)/x */
        const double window = x < 1e-6 ? 1.0 : 2.0 * gsl_sf_bessel_J1(x) / x;
        const double w =
            scale * pow(f * f + f0_2, -11.0 / 6.0) * window * window * fy * (high - low) / N;
        ret_along_across[0] += w * fx * fx;
        ret_along_across[1] += w * fy * fy;
    }
}

/* Fills bins 1..n/2 of two half spectra with complex Gaussian noise of the tilt's power. */
static void fill_tilt(const struct synth_scene *scene, const struct synth_air *air, gsl_rng *rng,
                      fftw_complex *along, fftw_complex *across) {
    enum { N = 200 };
    double table[N][2];
    const double step_Hz = 1.0 / (air->tilt_step_s * (double)air->n_tilt);
    const double ln_low = log(step_Hz);
    const double ln_high = log(0.5 / air->tilt_step_s);
    for (int i = 0; i < N; i++) {
        const double frequency_Hz = exp(ln_low + (ln_high - ln_low) * i / (N - 1));
        nw_synth_tilt_spectrum(frequency_Hz, scene->loop.aperture_m, air->tilt_r0_m,
                               scene->outer_scale_m, scene->wind_m_s, table[i]);
    }
    for (size_t k = 1; k <= air->n_tilt / 2; k++) {
        const double at = (log(step_Hz * (double)k) - ln_low) / (ln_high - ln_low) * (N - 1);
        const int i = at < 0.0 ? 0 : (at >= N - 1.0 ? N - 2 : (int)at);
        fftw_complex *const bins[2] = {&along[k], &across[k]};
        for (int axis = 0; axis < 2; axis++) {
            const double power = table[i][axis] + (at - i) * (table[i + 1][axis] - table[i][axis]);
            const double sigma = sqrt(fmax(0.0, power) * step_Hz / 4.0);
            (*bins[axis])[0] = gsl_ran_gaussian_ziggurat(rng, sigma);
            (*bins[axis])[1] = gsl_ran_gaussian_ziggurat(rng, sigma);
        }
    }
}

static enum nw_status make_tilt(const struct synth_scene *scene, struct synth_air *air,
                                struct nw_err *err) {
    enum nw_status status = NW_OK;
    const size_t n = air->n_tilt;
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_TILT);
    fftw_complex *along = fftw_alloc_complex(n / 2 + 1);
    fftw_complex *across = fftw_alloc_complex(n / 2 + 1);
    fftw_plan plans[2] = {NULL, NULL};
    if (!rng || !along || !across) {
        status = nw_err_set(err, NW_NOMEM, "tilt series of %zu steps", n);
        goto done;
    }
    memset(along, 0, (n / 2 + 1) * sizeof *along);
    memset(across, 0, (n / 2 + 1) * sizeof *across);
    plans[0] = fftw_plan_dft_c2r_1d((int)n, along, air->tilt_e_rad, FFTW_ESTIMATE);
    plans[1] = fftw_plan_dft_c2r_1d((int)n, across, air->tilt_n_rad, FFTW_ESTIMATE);
    if (!plans[0] || !plans[1]) {
        status = nw_err_set(err, NW_NOMEM, "transform of %zu steps", n);
        goto done;
    }
    fill_tilt(scene, air, rng, along, across);
    fftw_execute(plans[0]);
    fftw_execute(plans[1]);
    const double c = cos(scene->wind_angle_rad);
    const double s = sin(scene->wind_angle_rad);
    for (size_t i = 0; i < n; i++) {
        const double a = air->tilt_e_rad[i];
        const double b = air->tilt_n_rad[i];
        air->tilt_e_rad[i] = a * s + b * c; /* wind towards position angle wind_angle */
        air->tilt_n_rad[i] = a * c - b * s;
    }
done:
    for (int i = 0; i < 2; i++) {
        if (plans[i]) {
            fftw_destroy_plan(plans[i]);
        }
    }
    fftw_free(along);
    fftw_free(across);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}

/* Log seeing: two first-order autoregressive parts, minutes and an hour (sizes from memory of
 * monitor series: about 10 % and 15 % rms), scaled so that the night's mean is what was asked. */
static void make_seeing(const struct synth_scene *scene, struct synth_air *air, gsl_rng *rng) {
    const double tau_s[2] = {300.0, 3600.0};
    const double sigma[2] = {0.10, 0.12};
    double state[2];
    for (int p = 0; p < 2; p++) {
        state[p] = gsl_ran_gaussian(rng, sigma[p]);
    }
    double sum = 0.0;
    for (size_t i = 0; i < air->n_seeing; i++) {
        for (int p = 0; p < 2; p++) {
            const double keep = exp(-air->seeing_step_s / tau_s[p]);
            state[p] = keep * state[p] + gsl_ran_gaussian(rng, sigma[p] * sqrt(1.0 - keep * keep));
        }
        air->seeing_rad[i] = exp(state[0] + state[1]);
        sum += air->seeing_rad[i];
    }
    for (size_t i = 0; i < air->n_seeing; i++) {
        air->seeing_rad[i] *= scene->seeing_rad * (double)air->n_seeing / sum;
    }
}

/* r0 of each step, by a table over the range that occurs (solving each would cost seconds) */
static void make_r0(const struct synth_scene *scene, struct synth_air *air) {
    enum { N = 8 };
    double low = air->seeing_rad[0];
    double high = low;
    for (size_t i = 1; i < air->n_seeing; i++) {
        low = fmin(low, air->seeing_rad[i]);
        high = fmax(high, air->seeing_rad[i]);
    }
    high *= 1.0001;
    double ln_r0[N];
    const double step = log(high / low) / (N - 1);
    for (int i = 0; i < N; i++) {
        ln_r0[i] = log(nw_synth_r0_of_fwhm(low * exp(step * i), 500e-9, scene->outer_scale_m));
    }
    for (size_t i = 0; i < air->n_seeing; i++) {
        const double at = log(air->seeing_rad[i] / low) / step;
        const int k = at >= N - 2 ? N - 2 : (int)at;
        air->r0_m[i] = exp(ln_r0[k] + (at - k) * (ln_r0[k + 1] - ln_r0[k]));
    }
}

enum nw_status nw_synth_air_init(const struct synth_scene *scene, double duration_s,
                                 struct synth_air *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct synth_air air = {.seeing_step_s = 10.0, .tilt_step_s = SYNTH_STEP_S};
    air.n_seeing = (size_t)ceil(duration_s / air.seeing_step_s) + 2;
    air.n_tilt = 4096;
    while ((double)air.n_tilt * air.tilt_step_s < duration_s && air.n_tilt < (1u << 20)) {
        air.n_tilt *= 2; /* beyond 14 h the series begins again: it is periodic */
    }
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_SEEING);
    air.seeing_rad = nw_calloc(air.n_seeing, sizeof *air.seeing_rad);
    air.r0_m = nw_calloc(air.n_seeing, sizeof *air.r0_m);
    air.tilt_e_rad = fftw_alloc_real(air.n_tilt);
    air.tilt_n_rad = fftw_alloc_real(air.n_tilt);
    if (!rng || !air.seeing_rad || !air.r0_m || !air.tilt_e_rad || !air.tilt_n_rad) {
        status = nw_err_set(err, NW_NOMEM, "seeing series of %g s", duration_s);
        goto done;
    }
    make_seeing(scene, &air, rng);
    make_r0(scene, &air);
    air.tilt_r0_m = nw_synth_r0_of_fwhm(scene->seeing_rad, 500e-9, scene->outer_scale_m);
    status = make_tilt(scene, &air, err);
    if (status != NW_OK) {
        goto done;
    }
    *ret = air;
    air = (struct synth_air){0};
done:
    nw_synth_air_done(&air);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}

void nw_synth_air_done(struct synth_air *air) {
    if (air) {
        free(air->seeing_rad);
        free(air->r0_m);
        fftw_free(air->tilt_e_rad);
        fftw_free(air->tilt_n_rad);
        *air = (struct synth_air){0};
    }
}

static double at_time(const struct synth_air *air, const double *values, double t_s) {
    const double at = fmax(0.0, t_s / air->seeing_step_s);
    const size_t last = air->n_seeing - 1;
    const size_t i = at >= (double)last ? last - 1 : (size_t)at;
    const double part = fmin(1.0, at - (double)i);
    return values[i] + part * (values[i + 1] - values[i]);
}

double nw_synth_air_r0(const struct synth_air *air, double t_s) {
    return at_time(air, air->r0_m, t_s);
}

double nw_synth_air_seeing(const struct synth_air *air, double t_s) {
    return at_time(air, air->seeing_rad, t_s);
}
