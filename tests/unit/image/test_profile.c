/* test_profile.c - Profile functions against published values, closed forms and brute force. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

static void test_moffat_against_reference_table(void **state) {
    (void)state;
    static const struct {
        double beta, fwhm_per_alpha, half_light, ee_half, ee_full, peak;
    } rows[] = {
        {2.5, 1.1305006, 0.677948, 0.340246, 0.709156, 0.610215},
        {4.765, 0.7914008, 0.568106, 0.421711, 0.839744, 0.750599},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const double beta = rows[i].beta;
        const double k = moffat_fwhm_per_alpha(beta);
        check_near(k, rows[i].fwhm_per_alpha, 1e-6, "REFERENCES IMG-18");
        check_near(moffat_half_light_per_fwhm(beta), rows[i].half_light, 1e-5, "IMG-19");
        check_near(moffat_encircled(0.5 * k, beta), rows[i].ee_half, 1e-5, "IMG-19");
        check_near(moffat_encircled(k, beta), rows[i].ee_full, 1e-5, "IMG-19");
        check_near((beta - 1.0) / NW_PI * k * k, rows[i].peak, 1e-5, "IMG-20, FWHM 1");
    }
    check_near(moffat_fwhm_per_alpha(3.0), 1.0196491, 1e-6, "REFERENCES IMG-18");
    /* M4.765 and M2.5: radius where the intensity is a hundredth */
    check_near(sqrt(pow(100.0, 1.0 / 2.5) - 1.0) / moffat_fwhm_per_alpha(2.5), 2.0383, 2e-3,
               "REFERENCES IMG-21");
    check_near(sqrt(pow(100.0, 1.0 / 4.765) - 1.0) / moffat_fwhm_per_alpha(4.765), 1.6125, 2e-3,
               "REFERENCES IMG-21");
}

static void test_high_beta_becomes_the_gaussian(void **state) {
    (void)state;
    const double beta = 1e5;
    check_near(moffat_half_light_per_fwhm(beta) * NW_FWHM_PER_SIGMA, 1.177410, 2e-5,
               "REFERENCES IMG-23");
    check_near(moffat_encircled(moffat_fwhm_per_alpha(beta) / NW_FWHM_PER_SIGMA, beta), 0.393469,
               2e-5, "REFERENCES IMG-23, r = sigma");
}

/* No noise, no approximation in common: midpoints of 24 x 24 against Gauss-Legendre. */
static void test_delivered_width_against_brute_force(void **state) {
    (void)state;
    static const double WIDTHS[] = {1.0, 1.3, 1.5, 2.0, 3.0, 6.0, 12.0};
    for (size_t i = 0; i < sizeof WIDTHS / sizeof WIDTHS[0]; i++) {
        for (int pixel = 0; pixel < 2; pixel++) {
            const double width = pixel ? 0.5 : 1.0; /* one colour of a mosaic; a mono pixel */
            const struct true_profile truth = {WIDTHS[i], 0.85, 0.6, 2.7};
            const double alpha = true_alpha(&truth);
            const double ca = truth.q / (alpha * alpha);
            const double cb = 1.0 / (alpha * alpha * truth.q);
            const double c = cos(truth.theta);
            const double s = sin(truth.theta);
            const struct profile p = {.amplitude = 1.0,
                                      .cxx = ca * c * c + cb * s * s,
                                      .cxy = (ca - cb) * s * c,
                                      .cyy = ca * s * s + cb * c * c,
                                      .beta = truth.beta};
            check_near(profile_fwhm_px(&p), WIDTHS[i], 1e-9, "closed form");
            const struct delivered d = profile_delivered(&p, width);
            const double major = true_width(&truth, truth.theta, width);
            const double minor = true_width(&truth, truth.theta + NW_PI / 2.0, width);
            check_near(d.major_px, major, 2e-3 * major, "brute force, 24 x 24 midpoints");
            check_near(d.minor_px, minor, 2e-3 * minor, "brute force, 24 x 24 midpoints");
            check_near(d.theta_rad, truth.theta, 1e-9, "direction put in");
            const double q2 = d.minor_px * d.minor_px / (d.major_px * d.major_px);
            check_near(hypot(d.e1, d.e2), (1.0 - q2) / (1.0 + q2), 1e-9, "definition in image.h");
            check_near(0.5 * atan2(d.e2, d.e1), truth.theta, 1e-9, "sign: towards +y");
        }
    }
}

static double neq_closed(double fwhm, double beta) {
    const double alpha = fwhm / moffat_fwhm_per_alpha(beta);
    return NW_PI * alpha * alpha * (2.0 * beta - 1.0) / ((beta - 1.0) * (beta - 1.0));
}

/* A Gaussian's equivalent noise area is 4 pi sigma^2 (King 1983, PASP 95, 163), with the pixel
 * adding 1/12 to the variance (IMG-31); a Moffat's in closed form for a vanishing pixel. */
static void test_neq_area(void **state) {
    (void)state;
    const double sigma = 2.0;
    const double fwhm = sigma * NW_FWHM_PER_SIGMA;
    const double gaussian = 4.0 * NW_PI * sigma * sigma;
    check_near(neq_closed(fwhm, 29.0), gaussian, 0.045 * gaussian, "King 1983; beta 29 is 4 % off");
    check_near(moffat_neq_area_px2(fwhm, 29.0, 1.0), neq_closed(fwhm, 29.0) + NW_PI / 3.0,
               0.003 * gaussian, "closed form, and 4 pi / 12 for the pixel");
    const double beta = 3.0;
    const double closed = neq_closed(4.0, beta);
    check_near(moffat_neq_area_px2(4.0, beta, 1e-3), closed, 5e-3 * closed, "closed form");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_moffat_against_reference_table),
        cmocka_unit_test(test_high_beta_becomes_the_gaussian),
        cmocka_unit_test(test_delivered_width_against_brute_force),
        cmocka_unit_test(test_neq_area),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
