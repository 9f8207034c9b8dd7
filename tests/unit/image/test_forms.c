/* test_forms.c - Rings, discs, trails and doubled frames are called what they are and measured;
 * ordinary frames are none of them. */
#include "check.h"
#include "star_field.h"

enum { SIDE = 600, STARS = 25 };
static const double NOISE = 10.0;

static struct nw_measure *must_measure(struct nw_frame *f, gsl_rng *rng) {
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const struct nw_measure_opts opts = {.gain_e_per_adu = 1.5};
    field_noise(f, 300.0, NOISE, 1.5, rng);
    assert_int_equal(nw_measure_frame(f, NW_CHANNEL_MONO, "", &opts, &m, &err), NW_OK);
    return m;
}

static struct true_star random_star(gsl_rng *rng) {
    return (struct true_star){gsl_ran_flat(rng, 30.0, SIDE - 30.0),
                              gsl_ran_flat(rng, 30.0, SIDE - 30.0),
                              6000.0 * fmin(pow(gsl_rng_uniform_pos(rng), -0.8), 20.0)};
}

static const uint32_t FORMS = NW_FRAME_OUT_OF_FOCUS | NW_FRAME_DOUBLED | NW_FRAME_TRAILED;

/* Widths from 1 to 9 px, round and 1.5 times as long as wide, 5 seeds: nothing is called out. */
static void test_ordinary_frames_have_no_form(void **state) {
    (void)state;
    static const double WIDTH[] = {1.0, 1.5, 3.0, 6.0, 9.0};
    for (unsigned long seed = 1; seed <= 5; seed++) {
        gsl_rng *rng = test_rng(seed);
        const double fwhm = WIDTH[seed % 5];
        const struct true_profile p = {fwhm, seed % 2 ? 1.0 : 1.0 / 1.5, 0.4, 3.0};
        struct nw_frame *f = field_new(SIDE, SIDE, 300.0);
        for (int i = 0; i < STARS; i++) {
            struct true_star s = random_star(rng);
            s.flux *= fmax(1.0, fwhm * fwhm / 9.0);
            field_add(f, &s, 1, &p, 1.0, 4.0);
        }
        struct nw_measure *m = must_measure(f, rng);
        if (m->flags & FORMS) {
            print_error("seed %lu, %.1f px: flags %x\n", seed, fwhm, m->flags);
        }
        assert_int_equal(m->flags & FORMS, 0);
        assert_true(isnan(m->forms.ring_diameter_px) && isnan(m->forms.doubling_x_px));
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

/* Light evenly between two radii, seen through air of 2.6 px. */
static void test_rings_and_discs(void **state) {
    (void)state;
    static const double RADII[][2] = {{0.0, 8.0}, {4.0, 10.0}, {7.0, 16.0}, {0.0, 14.0}};
    for (size_t k = 0; k < sizeof RADII / sizeof RADII[0]; k++) {
        gsl_rng *rng = test_rng(40 + k);
        struct nw_frame *f = field_new(SIDE, SIDE, 300.0);
        const struct true_profile air = {2.6, 1.0, 0.0,
                                         4.0}; /* over 2.5: coarser pixels, quicker */
        for (int i = 0; i < 16; i++) {
            const int row = i / 4;
            const double cx = 60.0 + 150.0 * (i % 4) + gsl_ran_flat(rng, -8.0, 8.0);
            const double cy = 60.0 + 150.0 * row + gsl_ran_flat(rng, -8.0, 8.0);
            enum { DOTS = 150 };
            for (int d = 0; d < DOTS; d++) { /* evenly: a spiral of the golden angle */
                const double r2 =
                    RADII[k][0] * RADII[k][0] +
                    (d + 0.5) / DOTS * (RADII[k][1] * RADII[k][1] - RADII[k][0] * RADII[k][0]);
                const double angle = 2.399963 * d;
                const struct true_star dot = {cx + sqrt(r2) * cos(angle),
                                              cy + sqrt(r2) * sin(angle),
                                              (130.0 + 65.0 * (i % 7)) * RADII[k][1] * 2.0 / 8.0};
                field_add(f, &dot, 1, &air, 1.0, 4.0);
            }
        }
        struct nw_measure *m = must_measure(f, rng);
        print_message("radii %.0f to %.0f px: diameter %.2f, hole %.2f, half light %.2f, %zu of 16 "
                      "stars, flags %x\n",
                      RADII[k][0], RADII[k][1], m->forms.ring_diameter_px, m->forms.ring_hole_px,
                      m->half_light_px, m->n_stars, m->flags);
        assert_true(m->flags & NW_FRAME_OUT_OF_FOCUS);
        assert_false(m->flags & (NW_FRAME_DOUBLED | NW_FRAME_TRAILED));
        /* an even edge blurred by round air stays at half of the light */
        check_near(m->forms.ring_diameter_px, 2.0 * RADII[k][1], 1.2, "truth, within 1.2 px");
        if (RADII[k][0] > 0.0) {
            check_near(m->forms.ring_hole_px, 2.0 * RADII[k][0], 1.5, "truth, within 1.5 px");
        } else {
            check_near(m->forms.ring_hole_px, 0.0, 0.0, "a full disc has no hole");
        }
        /* half of the area between the radii; the air adds its wings */
        const double half = sqrt(0.5 * (RADII[k][0] * RADII[k][0] + RADII[k][1] * RADII[k][1]));
        check_near(m->half_light_px, half, 0.06 * half, "closed form, blurred by 2.6 px");
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

/* Short and long trails, at any angle. */
static void test_trails(void **state) {
    (void)state;
    static const double LENGTH[] = {7.0, 15.0, 40.0};
    for (size_t k = 0; k < 4; k++) {
        gsl_rng *rng = test_rng(60 + k);
        const struct true_profile p = {3.0, 1.0, 0.0, 3.5};
        const double length = LENGTH[k % 3];
        const double angle = k < 3 ? 0.5 : -1.2;
        struct nw_frame *f = field_new(SIDE, SIDE, 300.0);
        for (int i = 0; i < 14; i++) {
            const struct true_star s = random_star(rng);
            for (int d = 0; d <= (int)length; d++) {
                const double at = d - 0.5 * length;
                const struct true_star dot = {s.x + at * cos(angle), s.y + at * sin(angle),
                                              s.flux / 4.0};
                field_add(f, &dot, 1, &p, 1.0, 5.0);
            }
        }
        struct nw_measure *m = must_measure(f, rng);
        print_message("trail %.0f px at %.2f: %.2f x %.2f px at %.3f, %zu entries, flags %x\n",
                      length, angle, m->forms.trail_length_px, m->forms.trail_width_px,
                      m->forms.trail_angle_rad, m->n_stars, m->flags);
        assert_true(m->flags & NW_FRAME_TRAILED);
        assert_false(m->flags & (NW_FRAME_DOUBLED | NW_FRAME_OUT_OF_FOCUS));
        check_near(m->forms.trail_length_px, length, fmax(1.5, 0.05 * length),
                   "half of the light of an even trail lies at its end");
        check_near(m->forms.trail_width_px, 3.1, 0.6, "width of the stars");
        check_near(m->forms.trail_angle_rad, angle, 0.03, "truth");
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

/* A jump within the exposure: the vector and the shares of the time before and after. */
static void test_doubled_frames(void **state) {
    (void)state;
    static const struct {
        double dx, dy, ratio;
    } CASES[] = {{9.0, 4.0, 0.8}, {-20.0, 7.0, 0.5}, {3.0, -35.0, 0.3}, {12.5, 0.2, 1.0}};
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        gsl_rng *rng = test_rng(80 + k);
        const struct true_profile p = {3.0, 1.0, 0.0, 3.5};
        struct nw_frame *f = field_new(SIDE, SIDE, 300.0);
        for (int i = 0; i < STARS; i++) {
            const struct true_star s = random_star(rng);
            const struct true_star again = {s.x + CASES[k].dx, s.y + CASES[k].dy,
                                            s.flux * CASES[k].ratio};
            field_add(f, &s, 1, &p, 1.0, 4.0);
            field_add(f, &again, 1, &p, 1.0, 4.0);
        }
        struct nw_measure *m = must_measure(f, rng);
        print_message("jump %.1f %.1f x %.2f: %.2f %.2f x %.3f from %zu pairs, flags %x\n",
                      CASES[k].dx, CASES[k].dy, CASES[k].ratio, m->forms.doubling_x_px,
                      m->forms.doubling_y_px, m->forms.doubling_ratio, m->forms.n_doubled,
                      m->flags);
        assert_true(m->flags & NW_FRAME_DOUBLED);
        assert_false(m->flags & (NW_FRAME_TRAILED | NW_FRAME_OUT_OF_FOCUS));
        /* of two like images either may be the first */
        const double sign =
            CASES[k].ratio > 0.95 && m->forms.doubling_x_px * CASES[k].dx < 0.0 ? -1.0 : 1.0;
        check_near(sign * m->forms.doubling_x_px, CASES[k].dx, 0.15, "truth");
        check_near(sign * m->forms.doubling_y_px, CASES[k].dy, 0.15, "truth");
        check_near(m->forms.doubling_ratio, CASES[k].ratio, 0.06, "truth");
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

/* Every star of a lattice has a neighbour at one vector, on both sides. */
static void test_lattice_is_not_doubled(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(90);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.5};
    struct nw_frame *f = field_new(400, 400, 300.0);
    for (int i = 0; i < 64; i++) {
        const int row = i / 8;
        const struct true_star s = {40.0 + 45.0 * (i % 8), 40.0 + 45.0 * row, 2e4};
        field_add(f, &s, 1, &p, 1.0, 4.0);
    }
    struct nw_measure *m = must_measure(f, rng);
    assert_int_equal(m->flags & FORMS, 0);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ordinary_frames_have_no_form),
        cmocka_unit_test(test_rings_and_discs),
        cmocka_unit_test(test_trails),
        cmocka_unit_test(test_doubled_frames),
        cmocka_unit_test(test_lattice_is_not_doubled),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
