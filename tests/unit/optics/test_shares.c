/* test_shares.c - order-free shares: sums, symmetry, closed forms, exactness against composing. */
#include <math.h>

#include "check.h"
#include "optics/optics.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

static struct nw_otf gauss(double fwhm_rad) {
    const double s = fwhm_rad / NW_FWHM_PER_SIGMA;
    return (struct nw_otf){.kind = NW_OTF_GAUSS, .p = {s * s, 0.0, s * s}};
}

static void shares_of(const struct nw_otf *parts, size_t n, struct nw_shares *ret) {
    struct nw_otf_line lines[NW_SHARES_MAX];
    struct nw_err err = {0};
    for (size_t k = 0; k < n; k++) {
        lines[k] = (struct nw_otf_line){.parts = &parts[k], .n = 1};
    }
    if (nw_psf_shares(lines, n, ret, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
}

static void test_gaussian_shares_are_their_squares(void **state) {
    (void)state;
    const struct nw_otf parts[] = {gauss(3.0 * ARCSEC), gauss(2.0 * ARCSEC), gauss(1.0 * ARCSEC)};
    struct nw_shares s;
    shares_of(parts, 3, &s);
    check_near(s.share[0], 9.0 / 14.0, 5e-4, "squares add: closed form");
    check_near(s.share[1], 4.0 / 14.0, 5e-4, "squares add: closed form");
    check_near(s.share[2], 1.0 / 14.0, 5e-4, "squares add: closed form");
    check_near(s.without_rad[0] / ARCSEC, sqrt(5.0), 1e-5, "closed form");
    check_near(s.neq_without_rad2[0] / s.whole.neq_area_rad2, 5.0 / 14.0, 1e-5, "closed form");
    check_near(s.alone_rad[1] / ARCSEC, 2.0, 1e-9, "closed form");
}

/* Fourteen lines of a rig such as ours. */
static size_t rig(struct nw_otf parts[14], const struct nw_disc mix[4]) {
    const struct nw_otf all[14] = {
        {.kind = NW_OTF_SEEING, .p = {0.05, 550e-9, 25.0}},
        {.kind = NW_OTF_SEEING, .p = {0.2, 550e-9, INFINITY}},
        {.kind = NW_OTF_PUPIL, .p = {0.115, 550e-9, 0.2}},
        {.kind = NW_OTF_DISCS, .mix = mix, .n_mix = 4},
        gauss(0.4 * ARCSEC),
        {.kind = NW_OTF_DISC, .p = {1.5 * ARCSEC}},
        {.kind = NW_OTF_DISC, .p = {1.2 * ARCSEC}},
        {.kind = NW_OTF_GAUSS,
         .p = {0.09 * ARCSEC * ARCSEC, 0.02 * ARCSEC * ARCSEC, 0.2 * ARCSEC * ARCSEC}},
        {.kind = NW_OTF_LINE, .p = {0.3 * ARCSEC, 0.2 * ARCSEC}},
        {.kind = NW_OTF_LINE, .p = {0.0, 0.2 * ARCSEC}},
        {.kind = NW_OTF_LINE, .p = {0.5 * ARCSEC, -0.7 * ARCSEC}},
        {.kind = NW_OTF_BOX, .p = {1.2 * ARCSEC}},
        gauss(0.3 * ARCSEC),
        {.kind = NW_OTF_BILINEAR, .p = {1.2 * ARCSEC}}};
    for (int i = 0; i < 14; i++) {
        parts[i] = all[i];
    }
    return 14;
}

static void test_shares_of_a_rig_sum_to_one(void **state) {
    (void)state;
    const struct nw_disc mix[4] = {
        {0.0, 1.0}, {0.6 * ARCSEC, 1.0}, {1.2 * ARCSEC, 1.0}, {1.8 * ARCSEC, 1.0}};
    struct nw_otf parts[14];
    const size_t n = rig(parts, mix);
    struct nw_shares s;
    shares_of(parts, n, &s);
    double sum = 0.0;
    for (size_t k = 0; k < n; k++) {
        sum += s.share[k];
        assert_true(s.share[k] > 0.0);
        assert_true(s.without_rad[k] < s.whole.fwhm_rad);
    }
    check_near(sum, 1.0, 1e-9, "Shapley 1953: efficiency");
    assert_true(s.share[0] > s.share[11] && s.share[11] > s.share[8]);
}

static void test_equal_players_share_equally_and_idlers_get_nothing(void **state) {
    (void)state;
    const struct nw_otf air = {.kind = NW_OTF_SEEING, .p = {0.05, 550e-9, 25.0}};
    const struct nw_otf disc = {.kind = NW_OTF_DISC, .p = {1.5 * ARCSEC}};
    const struct nw_otf nothing = {.kind = NW_OTF_DISC, .p = {0.0}};
    const struct nw_otf parts[] = {air, disc, disc, nothing};
    struct nw_shares s;
    shares_of(parts, 4, &s);
    check_near(s.share[1], s.share[2], 1e-9, "Shapley 1953: symmetry");
    check_near(s.share[3], 0.0, 1e-9, "Shapley 1953: null player");
    struct nw_otf_line lines[] = {{&parts[0], 1}, {&parts[1], 2}, {NULL, 0}};
    assert_int_equal(nw_psf_shares(lines, 3, &s, NULL), NW_OK);
    check_near(s.share[2], 0.0, 0.0, "an absent line");
    check_near(s.share[0] + s.share[1], 1.0, 1e-9, "efficiency");
    check_near(s.alone_rad[2], 0.0, 0.0, "an absent line");
    check_near(s.without_rad[2], s.whole.fwhm_rad, 0.0, "an absent line");
}

/* Shapley by its definition with nw_psf_compose for every subset, each beside the same point. */
static void test_shares_against_composing_every_subset(void **state) {
    (void)state;
    const struct nw_otf parts[] = {{.kind = NW_OTF_SEEING, .p = {0.05, 550e-9, 25.0}},
                                   {.kind = NW_OTF_DISC, .p = {1.5 * ARCSEC}},
                                   {.kind = NW_OTF_BOX, .p = {1.2 * ARCSEC}},
                                   {.kind = NW_OTF_LINE, .p = {0.5 * ARCSEC, -0.7 * ARCSEC}}};
    struct nw_shares s;
    shares_of(parts, 4, &s);
    const struct nw_otf point = gauss(0.125 * s.whole.fwhm_rad);
    double v[16];
    for (unsigned mask = 0; mask < 16; mask++) {
        struct nw_otf some[5] = {point};
        size_t n = 1;
        for (unsigned k = 0; k < 4; k++) {
            if (mask >> k & 1u) {
                some[n++] = parts[k];
            }
        }
        struct nw_psf psf;
        assert_int_equal(nw_psf_compose(some, n, &psf, NULL), NW_OK);
        v[mask] = psf.fwhm_rad * psf.fwhm_rad;
    }
    const double weight[] = {0.25, 1.0 / 12.0, 1.0 / 12.0, 0.25}; /* s! (3 - s)! / 4! */
    for (unsigned k = 0; k < 4; k++) {
        double sum = 0.0;
        for (unsigned mask = 0; mask < 16; mask++) {
            if (!(mask >> k & 1u)) {
                sum += weight[__builtin_popcount(mask)] * (v[mask | 1u << k] - v[mask]);
            }
        }
        check_near(s.share[k], sum / (v[15] - v[0]), 5e-3, "definition, subset by subset");
    }
}

static void test_bad_input(void **state) {
    (void)state;
    struct nw_shares s;
    struct nw_err err = {0};
    const struct nw_otf_line none[17] = {{NULL, 0}};
    assert_int_equal(nw_psf_shares(none, 17, &s, &err), NW_DOMAIN);
    assert_int_equal(nw_psf_shares(none, 0, &s, &err), NW_DOMAIN);
    assert_int_equal(nw_psf_shares(none, 3, &s, &err), NW_DOMAIN);
    const struct nw_otf bad = {.kind = NW_OTF_BOX, .p = {NAN}};
    const struct nw_otf_line line = {&bad, 1};
    assert_int_equal(nw_psf_shares(&line, 1, &s, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "square pixel"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gaussian_shares_are_their_squares),
        cmocka_unit_test(test_shares_of_a_rig_sum_to_one),
        cmocka_unit_test(test_equal_players_share_equally_and_idlers_get_nothing),
        cmocka_unit_test(test_shares_against_composing_every_subset),
        cmocka_unit_test(test_bad_input),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
