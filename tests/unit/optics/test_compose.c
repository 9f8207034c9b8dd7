/* test_compose.c - widths of composed profiles against published values and closed forms. */
#include <math.h>

#include "check.h"
#include "optics/optics.h"
#include "sky/sky.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

static double fwhm(const struct nw_otf *parts, size_t n) {
    struct nw_psf psf;
    struct nw_err err = {0};
    if (nw_psf_compose(parts, n, &psf, &err) != NW_OK) {
        print_error("%s\n", err.text);
        return NAN;
    }
    return psf.fwhm_rad;
}

static struct nw_otf kolmogorov(double fwhm_rad) {
    return (struct nw_otf){.kind = NW_OTF_SEEING,
                           .p = {0.97586343 * 500e-9 / fwhm_rad, 500e-9, INFINITY}};
}

static struct nw_otf gauss(double fwhm_rad) {
    const double s = fwhm_rad / NW_FWHM_PER_SIGMA;
    return (struct nw_otf){.kind = NW_OTF_GAUSS, .p = {s * s, 0.0, s * s}};
}

static void test_aperture_width_is_published(void **state) {
    (void)state;
    const struct {
        double eps, want, tol;
        const char *src;
    } rows[] = {{0.0, 1.02899396996, 2e-5, "REFERENCES IMG-04"},
                {0.2, 1.006752, 1e-4, "REFERENCES IMG-09"},
                {0.33, 0.971979, 1e-4, "REFERENCES IMG-09"},
                {0.5, 0.911669, 1e-4, "REFERENCES IMG-09"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const struct nw_otf pupil = {.kind = NW_OTF_PUPIL, .p = {0.1, 550e-9, rows[i].eps}};
        check_near(fwhm(&pupil, 1) / 5.5e-6, rows[i].want, rows[i].tol, rows[i].src);
    }
    const struct nw_otf pupil = {.kind = NW_OTF_PUPIL, .p = {0.1, 550e-9, 0.0}};
    check_near(fwhm(&pupil, 1) / ARCSEC, 1.167349, 3e-5, "REFERENCES IMG-08");
}

static void test_aperture_peak_is_area_over_wavelength_squared(void **state) {
    (void)state;
    const struct nw_otf pupil = {.kind = NW_OTF_PUPIL, .p = {0.1, 550e-9, 0.33}};
    struct nw_psf psf;
    assert_int_equal(nw_psf_compose(&pupil, 1, &psf, NULL), NW_OK);
    const double area = NW_PI / 4.0 * 0.01 * (1.0 - 0.33 * 0.33);
    const double want = area / (550e-9 * 550e-9);
    check_near(psf.peak_per_rad2 / want, 1.0, 1e-4, "Born & Wolf sec. 8.5: I0 = A / lambda^2");
}

static void test_kolmogorov_width_is_published(void **state) {
    (void)state;
    const struct nw_otf air = {.kind = NW_OTF_SEEING, .p = {0.1, 500e-9, INFINITY}};
    check_near(fwhm(&air, 1) / 5e-6, 0.97586343, 1e-6, "REFERENCES IMG-11");
    const struct nw_otf one = {.kind = NW_OTF_SEEING, .p = {0.100643, 500e-9, INFINITY}};
    check_near(fwhm(&one, 1) / ARCSEC, 1.0, 1e-5, "REFERENCES IMG-14");
    const double a = nw_otf_value(&air, 0.1 / 500e-9, 0.0);
    check_near(-2.0 * log(a), 6.8838772, 1e-6, "REFERENCES IMG-10");
}

static void test_outer_scale_narrows_as_tokovinin_fitted(void **state) {
    (void)state;
    /* his fit holds to about 1 % for L0/r0 > 20 */
    const double scales[] = {2.5, 5.0, 10.0, 25.0, 100.0};
    for (size_t i = 0; i < sizeof scales / sizeof *scales; i++) {
        const struct nw_otf air = {.kind = NW_OTF_SEEING, .p = {0.1, 500e-9, scales[i]}};
        const double factor = sqrt(1.0 - 2.183 * pow(0.1 / scales[i], 0.356));
        check_near(fwhm(&air, 1) / (0.97586343 * 5e-6), factor, 0.012,
                   "Tokovinin 2002, PASP 114, 1156, eq. 19");
    }
    const struct nw_otf air = {.kind = NW_OTF_SEEING, .p = {0.1, 500e-9, 25.0}};
    check_near(fwhm(&air, 1) / (0.97586343 * 5e-6), 0.833208, 0.01, "REFERENCES IMG-17");
}

static void test_karman_structure_meets_its_limits(void **state) {
    (void)state;
    const double scale = 20.0;
    const double r0 = 0.1;
    const struct nw_otf air = {.kind = NW_OTF_SEEING, .p = {r0, 500e-9, scale}};
    /* r -> inf: D = 2 variance, 0.17253 (L0/r0)^(5/3); computed from the same constants by hand */
    const double far = -2.0 * log(nw_otf_value(&air, 1e3 / 500e-9, 0.0));
    if (isfinite(far)) {
        check_near(far / pow(scale / r0, 5.0 / 3.0), 0.17253, 1e-4, "Conan 2000; Tokovinin 2002");
    }
    /* series and Bessel function meet at 2 pi r = L0 */
    const double r = scale / (2.0 * NW_PI);
    const double below = log(nw_otf_value(&air, r * (1.0 - 1e-9) / 500e-9, 0.0));
    const double above = log(nw_otf_value(&air, r * (1.0 + 1e-9) / 500e-9, 0.0));
    check_near(below / above, 1.0, 1e-7, "continuity");
    /* small r: Kolmogorov */
    const struct nw_otf free_air = {.kind = NW_OTF_SEEING, .p = {r0, 500e-9, INFINITY}};
    const struct nw_otf wide = {.kind = NW_OTF_SEEING, .p = {r0, 500e-9, 1e7}};
    check_near(nw_otf_value(&wide, 0.08 / 500e-9, 0.0), nw_otf_value(&free_air, 0.08 / 500e-9, 0.0),
               3e-3, "limit L0 -> inf");
}

static void test_air_and_aperture_together(void **state) {
    (void)state;
    const double ratios[] = {2.0, 4.0};
    const double want[] = {1.1218, 1.0346};
    for (int i = 0; i < 2; i++) {
        const struct nw_otf parts[] = {
            {.kind = NW_OTF_SEEING, .p = {0.1 / ratios[i], 500e-9, INFINITY}},
            {.kind = NW_OTF_PUPIL, .p = {0.1, 500e-9, 0.0}}};
        check_near(fwhm(parts, 2) / (500e-9 * ratios[i] / 0.1), want[i], 2e-4, "REFERENCES IMG-30");
    }
}

static void test_gaussians_compose_in_closed_form(void **state) {
    (void)state;
    const struct nw_otf parts[] = {gauss(2.0 * ARCSEC), gauss(1.5 * ARCSEC)};
    struct nw_psf psf;
    assert_int_equal(nw_psf_compose(parts, 2, &psf, NULL), NW_OK);
    check_near(psf.fwhm_rad / ARCSEC, 2.5, 1e-6, "Gaussian: squares add");
    check_near(psf.neq_area_rad2 / (ARCSEC * ARCSEC), 4.0 * NW_PI * 6.25 / 5.545177444, 1e-4,
               "King 1983: 4 pi sigma^2");
    check_near(psf.peak_per_rad2 * ARCSEC * ARCSEC * 6.25, 0.882542, 1e-5, "REFERENCES IMG-20");
    check_near(hypot(psf.e1, psf.e2), 0.0, 1e-9, "round");
}

static void test_ellipse_has_the_axes_and_angle_it_was_given(void **state) {
    (void)state;
    for (double angle = -1.4; angle < 1.5; angle += 0.35) {
        const double a = 2.0 * ARCSEC;
        const double b = 1.0 * ARCSEC;
        const double c = cos(angle);
        const double s = sin(angle);
        const struct nw_otf part = {.kind = NW_OTF_GAUSS,
                                    .p = {a * a * c * c + b * b * s * s, (a * a - b * b) * s * c,
                                          a * a * s * s + b * b * c * c}};
        struct nw_psf psf;
        assert_int_equal(nw_psf_compose(&part, 1, &psf, NULL), NW_OK);
        check_near(psf.fwhm_major_rad / a, NW_FWHM_PER_SIGMA, 1e-4, "closed form");
        check_near(psf.fwhm_minor_rad / b, NW_FWHM_PER_SIGMA, 1e-4, "closed form");
        check_near(psf.theta_rad, angle, 1e-5, "from +x towards +y");
        check_near(psf.e1, 0.6 * cos(2.0 * angle), 1e-5, "(1-q^2)/(1+q^2)");
        check_near(psf.e2, 0.6 * sin(2.0 * angle), 1e-5, "(1-q^2)/(1+q^2)");
    }
}

static void test_hard_edges_alone(void **state) {
    (void)state;
    const struct nw_otf disc = {.kind = NW_OTF_DISC, .p = {3.0 * ARCSEC}};
    struct nw_psf psf;
    assert_int_equal(nw_psf_compose(&disc, 1, &psf, NULL), NW_OK);
    check_near(psf.fwhm_rad / ARCSEC, 3.0, 0.01, "edge of a disc");
    check_near(psf.neq_area_rad2 / (ARCSEC * ARCSEC), NW_PI * 2.25, 0.25, "area of a disc");
    const struct nw_otf cross[] = {{.kind = NW_OTF_LINE, .p = {ARCSEC, 0.0}},
                                   {.kind = NW_OTF_LINE, .p = {0.0, ARCSEC}}};
    const struct nw_otf box = {.kind = NW_OTF_BOX, .p = {ARCSEC}};
    check_near(fwhm(cross, 2) / fwhm(&box, 1), 1.0, 1e-6, "two crossed lines are a square");
    const struct nw_otf two[] = {box, box};
    const struct nw_otf bilinear = {.kind = NW_OTF_BILINEAR, .p = {ARCSEC}};
    check_near(fwhm(two, 2), fwhm(&bilinear, 1), 1e-12, "bilinear is the pixel twice");
}

static void test_quadrature_errors_of_real_seeing(void **state) {
    (void)state;
    const struct { double other, want_percent; } rows[] = {{1.2, 2.2}, {3.0, 3.5}};
    for (int i = 0; i < 2; i++) {
        const struct nw_otf parts[] = {kolmogorov(2.0 * ARCSEC), gauss(rows[i].other * ARCSEC)};
        const double low = 100.0 * (1.0 - hypot(2.0, rows[i].other) / (fwhm(parts, 2) / ARCSEC));
        check_near(low, rows[i].want_percent, 0.06, "observability note, section 6");
    }
    const struct nw_otf jitter = gauss(NW_FWHM_PER_SIGMA * 0.5 * ARCSEC);
    check_near(fwhm(&jitter, 1) / ARCSEC, 1.177410, 1e-5, "REFERENCES IMG-33");
}

/* The profile of a whole rig by brute force: a square grid of frequencies, cosine sums. */
static double brute_profile(const struct nw_otf *parts, size_t n, double x, double y) {
    const double df = 0.01 / ARCSEC;
    double sum = 0.0;
    for (int i = -160; i <= 160; i++) {
        for (int j = -160; j <= 160; j++) {
            double value = 1.0;
            for (size_t k = 0; k < n && fabs(value) > 1e-9; k++) {
                value *= nw_otf_value(&parts[k], i * df, j * df);
            }
            sum += value * cos(2.0 * NW_PI * df * (i * x + j * y));
        }
    }
    return sum * df * df;
}

static void test_rig_against_brute_force(void **state) {
    (void)state;
    const struct nw_disc mix[] = {{0.0, 1.0}, {0.8 * ARCSEC, 2.0}, {1.6 * ARCSEC, 1.0}};
    const struct nw_otf parts[] = {kolmogorov(2.0 * ARCSEC),
                                   {.kind = NW_OTF_BOX, .p = {1.2 * ARCSEC}},
                                   {.kind = NW_OTF_PUPIL, .p = {0.115, 550e-9, 0.0}},
                                   {.kind = NW_OTF_LINE, .p = {1.0 * ARCSEC, 0.7 * ARCSEC}},
                                   {.kind = NW_OTF_DISCS, .mix = mix, .n_mix = 3}};
    struct nw_psf psf;
    assert_int_equal(nw_psf_compose(parts, 5, &psf, NULL), NW_OK);
    const double peak = brute_profile(parts, 5, 0.0, 0.0);
    check_near(psf.peak_per_rad2 / peak, 1.0, 1e-5, "square grid of frequencies");
    const double r = 0.5 * psf.fwhm_major_rad;
    const double at = brute_profile(parts, 5, r * cos(psf.theta_rad), r * sin(psf.theta_rad));
    check_near(at / peak, 0.5, 1e-3, "half maximum on the major axis");
    check_near(psf.theta_rad, atan2(0.7, 1.0), 2e-3, "along the line");
}

static void test_resampling_is_the_mean_over_random_shifts(void **state) {
    (void)state;
    /* A Gaussian star of sigma 1 px, sampled at all phases, interpolated by the kernel onto a grid
     * of any shift; its mean profile has the transform  Gaussian x kernel. Along one axis. */
    const double sigma = 1.0;
    const double f = 0.17;
    const enum nw_otf_kind kinds[] = {NW_OTF_BILINEAR, NW_OTF_LANCZOS3};
    for (int which = 0; which < 2; which++) {
        double re = 0.0;
        double flux = 0.0;
        for (int phase = 0; phase < 20; phase++) {
            for (int at = -400; at <= 400; at++) { /* output positions, 20 a pixel */
                const double x = at / 20.0;
                double value = 0.0;
                for (int i = (int)floor(x) - 3; i <= (int)floor(x) + 4; i++) {
                    const double d = x - i;
                    const double a = NW_PI * d;
                    const double hat = fmax(0.0, 1.0 - fabs(d));
                    const double lan = fabs(d) >= 3.0   ? 0.0
                                       : fabs(d) < 1e-9 ? 1.0
                                                        : sin(a) / a * sin(a / 3.0) / (a / 3.0);
                    const double star = i - phase / 20.0;
                    value += (which ? lan : hat) * exp(-0.5 * star * star / (sigma * sigma));
                }
                re += value * cos(2.0 * NW_PI * f * (x - phase / 20.0));
                flux += value;
            }
        }
        const struct nw_otf kernel = {.kind = kinds[which], .p = {1.0}};
        const double want =
            exp(-2.0 * NW_PI * NW_PI * sigma * sigma * f * f) * nw_otf_value(&kernel, f, 0.0);
        check_near(re / flux, want, 2e-4, "brute force over 20 x 20 shifts");
    }
}

static void test_alone(void **state) {
    (void)state;
    const struct nw_disc mix[] = {{3.0, 1.0}, {4.0, 1.0}};
    const struct nw_otf discs = {.kind = NW_OTF_DISCS, .mix = mix, .n_mix = 2};
    check_near(nw_otf_alone_rad(&discs), sqrt(12.5), 1e-12, "rms disc");
    const struct nw_otf line = {.kind = NW_OTF_LINE, .p = {3.0, 4.0}};
    check_near(nw_otf_alone_rad(&line), 5.0 / sqrt(2.0), 1e-12, "rms over the axes");
    const struct nw_otf lanczos = {.kind = NW_OTF_LANCZOS3, .p = {2.0}};
    check_near(nw_otf_value(&lanczos, 0.0, 0.0), 1.0, 1e-12, "unit flux");
    const double a = NW_PI * 0.25 * nw_otf_alone_rad(&lanczos); /* pi x at the half width */
    check_near(sin(a) / a * sin(a / 3.0) / (a / 3.0), 0.5, 1e-9, "sinc(x) sinc(x/3) = 1/2");
    const struct nw_otf air = kolmogorov(2.0 * ARCSEC);
    check_near(nw_otf_alone_rad(&air) / ARCSEC, 2.0, 1e-5, "REFERENCES IMG-11");
}

/* Autocorrelation of a round pupil with wavefront W20 rho^2: integral over the overlap of
 * cos(2 pi (W(x + s/2) - W(x - s/2)) / lambda), by sums (Hopkins 1955, Proc. R. Soc. A 231, 91). */
static double defocused_otf(double waves, double nu) {
    enum { N = 400 };
    double sum = 0.0;
    double area = 0.0;
    for (int i = 0; i < N; i++) {
        for (int j = 0; j < N; j++) {
            const double x = 2.0 * (i + 0.5) / N - 1.0;
            const double y = 2.0 * (j + 0.5) / N - 1.0;
            const bool is_pupil = x * x + y * y < 1.0;
            const bool is_both = hypot(x + nu, y) < 1.0 && hypot(x - nu, y) < 1.0;
            area += is_pupil ? 1.0 : 0.0;
            sum += is_both ? cos(2.0 * NW_PI * waves * 4.0 * x * nu) : 0.0;
        }
    }
    return sum / area;
}

static void test_defocus_beside_an_aperture(void **state) {
    (void)state;
    const double lambda_d = 5e-6;
    for (double waves = 0.125; waves < 0.6; waves *= 2.0) {
        for (double nu = 0.1; nu < 0.95; nu += 0.2) {
            const double f = nu / lambda_d;
            /* W20 = d/(8 N^2): disc d/(N F) = 8 W20 / D on the sky */
            const struct nw_otf disc = {.kind = NW_OTF_DISC,
                                        .p = {8.0 * waves * lambda_d, lambda_d}};
            const struct nw_otf pupil = {.kind = NW_OTF_PUPIL, .p = {0.1, 5e-7, 0.0}};
            check_near(nw_otf_value(&disc, f, 0.0) * nw_otf_value(&pupil, f, 0.0),
                       defocused_otf(waves, nu), 0.04, "Hopkins 1955, by sums over the overlap");
        }
    }
    /* a disc without an aperture beside it is the geometric one */
    const struct nw_otf with = {.kind = NW_OTF_DISC, .p = {3.0 * ARCSEC, lambda_d}};
    const struct nw_otf without = {.kind = NW_OTF_DISC, .p = {3.0 * ARCSEC, 0.0}};
    const struct nw_otf a[] = {with, gauss(ARCSEC)};
    const struct nw_otf b[] = {without, gauss(ARCSEC)};
    check_near(fwhm(a, 2), fwhm(b, 2), 0.0, "no aperture");
}

static void test_what_cannot_be_composed_is_refused(void **state) {
    (void)state;
    struct nw_psf psf = {.fwhm_rad = 7.0};
    struct nw_err err = {0};
    const struct nw_otf nothing = {.kind = NW_OTF_DISC, .p = {0.0}};
    const struct nw_otf line = {.kind = NW_OTF_LINE, .p = {ARCSEC, 0.0}};
    const struct nw_otf bad[] = {{.kind = NW_OTF_SEEING, .p = {NAN, 500e-9, 25.0}},
                                 {.kind = NW_OTF_SEEING, .p = {0.1, 500e-9, 0.0}},
                                 {.kind = NW_OTF_PUPIL, .p = {0.1, 500e-9, 1.0}},
                                 {.kind = NW_OTF_DISC, .p = {-1.0}},
                                 {.kind = NW_OTF_DISCS},
                                 {.kind = NW_OTF_GAUSS, .p = {1.0, 2.0, 1.0}},
                                 {.kind = NW_OTF_LINE, .p = {INFINITY, 0.0}},
                                 {.kind = NW_OTF_BOX, .p = {NAN}}};
    assert_int_equal(nw_psf_compose(NULL, 0, &psf, &err), NW_DOMAIN);
    assert_string_equal(err.text, "no part to compose: a point has no width");
    assert_int_equal(nw_psf_compose(&nothing, 1, &psf, &err), NW_DOMAIN);
    assert_string_equal(err.text, "the parts have no width: nothing to compose");
    assert_int_equal(nw_psf_compose(&line, 1, &psf, &err), NW_DOMAIN);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        assert_int_equal(nw_psf_compose(&bad[i], 1, &psf, &err), NW_DOMAIN);
        assert_non_null(strstr(err.text, "out of range"));
    }
    check_near(psf.fwhm_rad, 7.0, 0.0, "untouched on failure");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_aperture_width_is_published),
        cmocka_unit_test(test_aperture_peak_is_area_over_wavelength_squared),
        cmocka_unit_test(test_kolmogorov_width_is_published),
        cmocka_unit_test(test_outer_scale_narrows_as_tokovinin_fitted),
        cmocka_unit_test(test_karman_structure_meets_its_limits),
        cmocka_unit_test(test_air_and_aperture_together),
        cmocka_unit_test(test_gaussians_compose_in_closed_form),
        cmocka_unit_test(test_ellipse_has_the_axes_and_angle_it_was_given),
        cmocka_unit_test(test_hard_edges_alone),
        cmocka_unit_test(test_quadrature_errors_of_real_seeing),
        cmocka_unit_test(test_rig_against_brute_force),
        cmocka_unit_test(test_resampling_is_the_mean_over_random_shifts),
        cmocka_unit_test(test_alone),
        cmocka_unit_test(test_defocus_beside_an_aperture),
        cmocka_unit_test(test_what_cannot_be_composed_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
