/* test_rates.c - photons, CCD equation, limits and shares: published values, closed forms. */
#include "support.h"

#include "light/throughput.h"
#include "sky/sky.h"

#define DEG NW_RAD_PER_DEG

static void test_the_ccd_equation_of_the_papers(void **state) {
    (void)state;
    struct nw_light_ccd c = {.signal_e_s = 100.0,
                             .n_px = 30.0,
                             .background_e_s_px = 5.0,
                             .dark_e_s_px = 0.1,
                             .read_e = 5.0,
                             .exposure_s = 60.0,
                             .n_background_px = INFINITY,
                             .n_subs = 1.0};
    check_near(nw_light_ccd_snr(&c), 47.538269, 1e-5, "REFERENCES PHO-07");
    c.n_background_px = 200.0;
    c.gain_e_per_adu = 1.0;
    check_near(nw_light_ccd_snr(&c), 45.456657, 1e-5, "REFERENCES PHO-08");
    struct nw_light_ccd pixel = {.signal_e_s = 0.5,
                                 .n_px = 1.0,
                                 .background_e_s_px = 1.0,
                                 .dark_e_s_px = 0.01,
                                 .read_e = 3.0,
                                 .exposure_s = 60.0,
                                 .n_background_px = INFINITY,
                                 .n_subs = 60.0};
    check_near(nw_light_ccd_snr(&pixel), 23.28452, 1e-5, "REFERENCES PHO-12");
    pixel.exposure_s = 300.0;
    pixel.n_subs = 12.0;
    check_near(nw_light_ccd_snr(&pixel), 24.17469, 1e-5, "REFERENCES PHO-12");
}

static void test_photons_of_a_star_and_of_the_sky(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    s.telescope.aperture_m.v = 0.1;
    s.telescope.transmission.v = 1.0;
    s.camera.quantum_efficiency.v = 0.5;
    s.camera.pixel_m.v = 3.76e-6;
    s.focal_length_m.v = 0.53;
    s.filters[0] = (struct nw_filter){
        .centre_m = {.v = 545e-9}, .width_m = {.v = 88e-9}, .transmission = {.v = 1.0}};
    struct nw_light_band band[NW_LIGHT_BANDS];
    assert_int_equal(nw_light_bands(&s, &s.filters[0], band), 1);
    check_near(nw_light_e_s_of_mag(&s, &band[0], 10.0), 3440.20, 0.01, "REFERENCES PHO-05");
    struct nw_light_case c = case_of(rig, &s, 0, 21.0);
    struct nw_light_rates r = nw_light_rates_of(&c, &band[0]);
    const struct nw_sky_passband passband = nw_light_passband(&c, &band[0]);
    const double colour =
        nw_sky_dark_factor(&passband, nw_sky_nl_of_mag(rig->site.sky_brightness_mag_arcsec2.v));
    check_near(colour, 1.0, 0.07, "V is V, but for the lines at its edge");
    check_near(r.dark_sky_e_s, 0.293264 * colour, 3e-5, "REFERENCES PHO-06, flat light");
    /* the same brightness above the air loses extinction x airmass */
    c.surface_mag_arcsec2 = 21.0;
    c.airmass = 2.0;
    r = nw_light_rates_of(&c, &band[0]);
    check_near(r.surface_e_s / (r.dark_sky_e_s / colour),
               pow(10.0, -0.4 * 2.0 * rig->site.extinction_mag.v), 5e-3,
               "closed form; over 88 nm the air's share is nearly that of V");
    /* one rayleigh of 0.1 m, all of it, in one pixel of 1.46331 arcsec: A 1e10/4pi p^2 */
    c.surface_mag_arcsec2 = NAN;
    c.rayleigh = 1.0;
    c.airmass = 0.0;
    r = nw_light_rates_of(&c, &band[0]);
    const double p = 3.76e-6 / 0.53;
    check_near(r.surface_e_s, 0.25 * NW_PI * 0.01 * 0.5 * 1e10 / (4.0 * NW_PI) * p * p, 1e-9,
               "the definition of the rayleigh");
    nw_rig_free(rig);
}

static void test_a_binned_pixel_is_the_sum_of_its_own(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    struct nw_light_case c = case_of(rig, &s, 0, 21.0);
    struct nw_light_band band[NW_LIGHT_BANDS];
    (void)nw_light_bands(&s, &s.filters[0], band);
    const struct nw_light_rates one = nw_light_rates_of(&c, &band[0]);
    s.binning.v = 2.0;
    const struct nw_light_rates four = nw_light_rates_of(&c, &band[0]);
    check_near(four.dark_sky_e_s / one.dark_sky_e_s, 4.0, 1e-9, "four times the sky");
    check_near(four.read_e2 / one.read_e2, 4.0, 1e-9, "four reads");
    check_near(four.full_scale_e / one.full_scale_e, 4.0, 1e-9, "four wells");
    check_near(one.read_e2 + one.rounding_e2, 2.25, 1e-12, "rounding is inside the read noise");
    check_near(sqrt(one.rounding_e2) / 0.25, 0.2886751, 1e-6, "REFERENCES PHO-23");
    nw_rig_free(rig);
}

/* "V 9 peaks at 1.6 million e- in a 300 s luminance sub of a 115 mm lens": good to 20 % there. */
static void test_bright_stars_are_full_in_long_subs(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    const struct nw_setup *const s = &rig->setups[0];
    struct nw_light_case c = case_of(rig, s, 0, 21.4);
    struct nw_light_band band[NW_LIGHT_BANDS];
    struct nw_psf star;
    c.magnitude = 9.0;
    (void)nw_light_bands(s, c.filter, band);
    const struct nw_light_rates r = nw_light_rates_of(&c, &band[0]);
    assert_int_equal(nw_light_star(rig, s, 1.0, &star, NULL), NW_OK);
    assert_true(star.fwhm_rad * NW_ARCSEC_PER_RAD > 2.0);
    const double peak = r.star_e_s * r.peak_share * 300.0;
    assert_true(peak > 1e6 && peak < 4e6);
    nw_rig_free(rig);
}

static void test_time_limit_and_snr_agree(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    const struct nw_setup *const s = &rig->setups[0];
    struct nw_light_case c = case_of(rig, s, 0, 21.0);
    struct nw_light_band band[NW_LIGHT_BANDS];
    (void)nw_light_bands(s, c.filter, band);
    c.surface_mag_arcsec2 = 25.0;
    c.magnitude = 18.0;
    struct nw_light_rates r = nw_light_rates_of(&c, &band[0]);
    check_near(nw_light_snr_surface(&r, 120.0, nw_light_time_surface_s(&r, 120.0, 7.0, 1.0), 1.0),
               7.0, 1e-9, "there and back");
    check_near(nw_light_snr_point(&r, 120.0, nw_light_time_point_s(&r, 120.0, 30.0)), 30.0, 1e-9,
               "there and back");
    const double mag = nw_light_limit_surface_mag(&c, &band[0], 120.0, 3600.0, 5.0, 100.0);
    c.surface_mag_arcsec2 = mag;
    r = nw_light_rates_of(&c, &band[0]);
    check_near(nw_light_snr_surface(&r, 120.0, 3600.0, 100.0), 5.0, 1e-9, "at the limit");
    c.surface_mag_arcsec2 = NAN;
    c.magnitude = nw_light_limit_point_mag(&c, &band[0], 120.0, 3600.0, 5.0);
    r = nw_light_rates_of(&c, &band[0]);
    check_near(nw_light_snr_point(&r, 120.0, 3600.0), 5.0, 1e-9, "at the limit");
    /* per pixel the weighted SNR is the CCD equation over the equivalent-noise area */
    const struct nw_light_ccd ccd = {.signal_e_s = r.star_e_s,
                                     .n_px = r.neq_px,
                                     .background_e_s_px = r.dark_sky_e_s,
                                     .dark_e_s_px = r.dark_e_s,
                                     .read_e = sqrt(r.read_e2 + r.rounding_e2),
                                     .exposure_s = 120.0,
                                     .n_background_px = INFINITY,
                                     .n_subs = 30.0};
    check_near(nw_light_snr_point(&r, 120.0, 3600.0), nw_light_ccd_snr(&ccd), 1e-9,
               "Merline & Howell 1995 over the area of King 1983");
    /* REFERENCES PHO-25: sky limited, four times the time is 0.752575 mag */
    struct nw_setup quiet = *s;
    quiet.camera.read_noise_e.v = 0.0;
    struct nw_light_case q = case_of(rig, &quiet, 0, 12.0);
    const double once = nw_light_limit_surface_mag(&q, &band[0], 60.0, 3600.0, 5.0, 1e6);
    const double four = nw_light_limit_surface_mag(&q, &band[0], 60.0, 4.0 * 3600.0, 5.0, 1e6);
    check_near(four - once, 0.752575, 1e-4, "REFERENCES PHO-25");
    nw_rig_free(rig);
}

static void test_shares_are_those_of_the_variance(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    const struct nw_setup *const s = &rig->setups[0];
    struct nw_light_case c = case_of(rig, s, 4, 21.0);
    struct nw_light_band band[NW_LIGHT_BANDS];
    double share[NW_LIGHT_N_SHARES];
    (void)nw_light_bands(s, c.filter, band);
    c.glow.moon_nl = c.glow.dark_nl;
    const struct nw_light_rates r = nw_light_rates_of(&c, &band[0]);
    nw_light_shares(&r, 300.0, false, share);
    double sum = 0.0;
    for (size_t i = 0; i < NW_LIGHT_N_SHARES; i++) {
        sum += share[i];
    }
    check_near(sum, 1.0, 1e-12, "shares");
    const struct nw_sky_passband passband = nw_light_passband(&c, &band[0]);
    check_near(
        share[NW_LIGHT_MOON] / share[NW_LIGHT_SKY],
        nw_sky_moon_factor(&passband) /
            nw_sky_dark_factor(&passband, nw_sky_nl_of_mag(rig->site.sky_brightness_mag_arcsec2.v)),
        1e-12, "as bright as the sky in V: moonlight is bluer");
    assert_true(share[NW_LIGHT_MOON] < share[NW_LIGHT_SKY]);
    check_near(share[NW_LIGHT_READ], r.read_e2 / 300.0 / nw_light_background_e2_s(&r, 300.0), 1e-12,
               "closed form");
    assert_true(share[NW_LIGHT_READ] > 0.2); /* 3 nm: read noise tells */
    nw_rig_free(rig);
}

static void test_a_colour_sensor_by_its_colours(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    struct nw_light_band band[NW_LIGHT_BANDS];
    nw_text_copy(s.camera.pattern, sizeof s.camera.pattern, "RGGB");
    assert_int_equal(nw_light_bands(&s, &s.filters[0], band), 3);
    check_near(band[0].pixel_share + band[1].pixel_share + band[2].pixel_share, 1.0, 0.0, "all");
    check_near(band[1].pixel_share, 0.5, 0.0, "green twice");
    assert_int_equal(nw_light_bands(&s, &s.filters[4], band), 1); /* H-alpha: red pixels alone */
    assert_string_equal(band[0].name, "R");
    check_near(band[0].width_m, 3e-9, 1e-15, "the filter's");
    struct nw_light_case c = case_of(rig, &s, 4, 21.0);
    c.rayleigh = 100.0;
    const struct nw_light_rates colour = nw_light_rates_of(&c, &band[0]);
    struct nw_light_rates mono = colour;
    mono.pixel_share = 1.0;
    check_near(nw_light_time_surface_s(&colour, 300, 5, 1) /
                   nw_light_time_surface_s(&mono, 300, 5, 1),
               4.0, 1e-9, "a quarter of the pixels");
    nw_rig_free(rig);
}

static void test_star_counts(void **state) {
    (void)state;
    check_near(nw_sky_stars_per_deg2(11.5, 0.5 * NW_PI), 25.0, 1e-9, "REFERENCES GUI-17");
    const double step = log10(nw_sky_stars_per_deg2(14.0, 0.7) / nw_sky_stars_per_deg2(12.0, 0.7));
    check_near(step / 2.0, log10(79.08 / 15.67) / 2.0, 0.03, "slope of REFERENCES GUI-13");
    check_near(log10(nw_sky_stars_per_deg2(16.0, 0.7) / nw_sky_stars_per_deg2(14.0, 0.7)) / 2.0,
               log10(320.0 / 79.08) / 2.0, 0.03, "slope of REFERENCES GUI-13");
    check_near(nw_sky_galactic_latitude_rad(192.85948 * DEG, 27.12825 * DEG) / DEG, 90.0, 1e-5,
               "the pole");
    check_near(nw_sky_galactic_latitude_rad(266.40499 * DEG, -28.93617 * DEG) / DEG, 0.0, 1e-3,
               "the galactic centre, ESA SP-1200");
}

static void test_photons_by_colour(void **state) {
    (void)state;
    check_near(nw_light_star_photons(0.0, 438e-9, 1e-9), 1392.6 / 995.5, 1e-3, "PHO-02v1, B");
    check_near(nw_light_star_photons(0.0, 641e-9, 1e-9), 702.0 / 995.5, 1e-3, "PHO-02v1, R");
    check_near(nw_light_star_photons(1.2, 545e-9, 1e-9), 1.0, 1e-3, "V is V, whatever the colour");
    check_near(nw_light_star_photons(1.0, 438e-9, 1e-9) / nw_light_star_photons(0.0, 438e-9, 1e-9),
               pow(10.0, -0.4), 1e-3, "B - V of 1");
    assert_true(nw_light_star_photons(1.0, 656e-9, 3e-9) >
                nw_light_star_photons(0.0, 656e-9, 3e-9));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_ccd_equation_of_the_papers),
        cmocka_unit_test(test_photons_of_a_star_and_of_the_sky),
        cmocka_unit_test(test_a_binned_pixel_is_the_sum_of_its_own),
        cmocka_unit_test(test_bright_stars_are_full_in_long_subs),
        cmocka_unit_test(test_time_limit_and_snr_agree),
        cmocka_unit_test(test_shares_are_those_of_the_variance),
        cmocka_unit_test(test_a_colour_sensor_by_its_colours),
        cmocka_unit_test(test_star_counts),
        cmocka_unit_test(test_photons_by_colour),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
