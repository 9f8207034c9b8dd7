/* test_core.c - the width of the real profile where a Moffat fit does not have its core. */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sf_erf.h>
#include <stdlib.h>

#include "image/image.h"

enum { SIDE = 900, N_STARS = 170 };

/* Light of a unit star in a pixel: Gaussians of given sigma and share, integrated over the pixel.
 */
static double in_pixel(double dx, double dy, const double *sigma, const double *share, int n) {
    double sum = 0.0;
    for (int k = 0; k < n; k++) {
        const double s = sigma[k] * sqrt(2.0);
        sum += share[k] * 0.25 * (gsl_sf_erf((dx + 0.5) / s) - gsl_sf_erf((dx - 0.5) / s)) *
               (gsl_sf_erf((dy + 0.5) / s) - gsl_sf_erf((dy - 0.5) / s));
    }
    return sum;
}

/* Half-maximum width along x of the same profile, pixel included. */
static double true_fwhm(const double *sigma, const double *share, int n) {
    const double half = 0.5 * in_pixel(0.0, 0.0, sigma, share, n);
    double low = 0.0;
    double high = 20.0;
    for (int i = 0; i < 50; i++) {
        const double r = 0.5 * (low + high);
        *(in_pixel(r, 0.0, sigma, share, n) > half ? &low : &high) = r;
    }
    return low + high;
}

static struct nw_measure *measure_mixture(const double *sigma, const double *share, int n) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_frame frame = {.width_px = SIDE, .height_px = SIDE, .n_planes = 1, .bitpix = -32};
    char path[] = "mixture";
    frame.path = path;
    frame.data_max_adu = NAN;
    frame.facts.gain_e_per_adu = 1.0;
    frame.facts.saturation_adu = NAN;
    frame.px = calloc((size_t)SIDE * SIDE, sizeof *frame.px);
    assert_non_null(rng);
    assert_non_null(frame.px);
    gsl_rng_set(rng, 5);
    for (int i = 0; i < N_STARS; i++) {
        const double x = gsl_ran_flat(rng, 30.0, SIDE - 30.0);
        const double y = gsl_ran_flat(rng, 30.0, SIDE - 30.0);
        const double flux = gsl_ran_flat(rng, 2e4, 1e5);
        for (long py = lround(y) - 25; py <= lround(y) + 25; py++) {
            for (long px = lround(x) - 25; px <= lround(x) + 25; px++) {
                frame.px[py * SIDE + px] +=
                    (float)(flux * in_pixel((double)px - x, (double)py - y, sigma, share, n));
            }
        }
    }
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
        const double value = (double)frame.px[i];
        frame.px[i] = (float)(1000.0 + value + gsl_ran_gaussian(rng, sqrt(100.0 + value)));
    }
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_measure_frame(&frame, NW_CHANNEL_MONO, "", NULL, &m, &err), NW_OK);
    free(frame.px);
    gsl_rng_free(rng);
    return m;
}

/* Cores and wings that no Moffat has: the width is that of the profile, not of the fit. */
static void test_width_is_that_of_the_profile_not_of_the_fit(void **state) {
    (void)state;
    static const struct {
        double sigma[3], share[3];
        int n;
    } rows[] = {
        {{1.2}, {1.0}, 1},                        /* Gaussian */
        {{1.0, 2.6}, {0.7, 0.3}, 2},              /* sharp core, broad wing */
        {{1.1, 2.0, 4.5}, {0.55, 0.35, 0.10}, 3}, /* wing on wing */
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_measure *m = measure_mixture(rows[i].sigma, rows[i].share, rows[i].n);
        const double want = true_fwhm(rows[i].sigma, rows[i].share, rows[i].n);
        check_near(m->fwhm_px, want, 0.008 * want,
                   "half maximum of sums of error functions, closed form; target 1 %");
        nw_measure_free(m);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_width_is_that_of_the_profile_not_of_the_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
