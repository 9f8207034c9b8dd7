/* test_streaks.c - trails of known place, width and light among stars; and none where there is
 * none: clean fields, spikes, bleeding columns, galaxies. */
#include "check.h"
#include "image/streaks_internal.h"
#include "star_field.h"

enum { WIDTH = 1400, HEIGHT = 1000 };
static const double SIGMA = 10.0;

static struct nw_frame *sky_with_stars(gsl_rng *rng, int n_stars) {
    struct nw_frame *const f = field_new(WIDTH, HEIGHT, 1000.0);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    for (int i = 0; i < n_stars; i++) {
        const struct true_star s = {WIDTH * gsl_rng_uniform(rng), HEIGHT * gsl_rng_uniform(rng),
                                    SIGMA * 40.0 * pow(gsl_rng_uniform_pos(rng), -0.8)};
        field_add(f, &s, 1, &p, 1.0, 0.5 * SIGMA);
    }
    return f;
}

/* Gaussian across, FWHM w, light a per px of length, from end to end. */
static void add_trail(struct nw_frame *f, const double end[static 4], double w, double a) {
    const double length = hypot(end[2] - end[0], end[3] - end[1]);
    const double ux = (end[2] - end[0]) / length;
    const double uy = (end[3] - end[1]) / length;
    const double s = w / NW_FWHM_PER_SIGMA;
    for (size_t y = 0; y < f->height_px; y++) {
        for (size_t x = 0; x < f->width_px; x++) {
            const double dx = (double)x - end[0];
            const double dy = (double)y - end[1];
            const double along = dx * ux + dy * uy;
            const double across = dy * ux - dx * uy;
            if (along >= 0.0 && along <= length && fabs(across) < 6.0 * s) {
                f->px[y * f->width_px + x] +=
                    (float)(a / (s * sqrt(2.0 * NW_PI)) * exp(-0.5 * across * across / (s * s)));
            }
        }
    }
}

static void add_noise(struct nw_frame *f, gsl_rng *rng) {
    for (size_t i = 0; i < f->width_px * f->height_px; i++) {
        f->px[i] += (float)gsl_ran_gaussian_ziggurat(rng, SIGMA);
    }
}

static struct nw_measure *must_measure(const struct nw_frame *f) {
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const enum nw_status status = nw_measure_frame(f, NW_CHANNEL_MONO, "", NULL, &m, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    for (size_t i = 0; i < m->aspects.n_streaks; i++) {
        const struct nw_streak *const t = &m->aspects.streaks[i];
        print_message("  (%.1f %.1f) (%.1f %.1f) w %.2f a %.4g +- %.2g snr %.1f %s\n", t->x0_px,
                      t->y0_px, t->x1_px, t->y1_px, t->width_px, t->adu_per_px, t->adu_per_px_sigma,
                      t->snr, t->is_crossing ? "crossing" : "");
    }
    return m;
}

static double off_line(const struct nw_streak *t, double x, double y) {
    return fabs((y - t->y0_px) * cos(t->angle_rad) - (x - t->x0_px) * sin(t->angle_rad));
}

static void test_trails_are_found_where_they_are(void **state) {
    (void)state;
    static const struct {
        double end[4], width, sigmas; /* peak per pixel in sigmas */
        bool is_crossing;
    } rows[] = {
        {{-5.0, 120.0, 1405.0, 700.0}, 3.0, 20.0, true},
        {{-5.0, 120.0, 1405.0, 700.0}, 3.0, 2.0, true},
        {{-5.0, 120.0, 1405.0, 700.0}, 4.0, 0.5, true},
        {{300.0, -5.0, 900.0, 1005.0}, 3.0, 1.0, true},
        {{1000.0, -5.0, 700.0, 1005.0}, 3.0, 1.0, true},
        {{-5.0, 930.0, 1405.0, 60.0}, 3.0, 3.0, true},
        {{200.0, 300.0, 900.0, 520.0}, 3.0, 4.0, false},
        {{-5.0, 400.0, 1405.0, 620.0}, 14.0, 3.0, true},
        {{600.0, 300.0, 700.0, 380.0}, 3.0, 30.0, false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        gsl_rng *const rng = test_rng(31 + i);
        struct nw_frame *const f = sky_with_stars(rng, 100);
        const double s = rows[i].width / NW_FWHM_PER_SIGMA;
        const double light = rows[i].sigmas * SIGMA * s * sqrt(2.0 * NW_PI);
        add_trail(f, rows[i].end, rows[i].width, light);
        add_noise(f, rng);
        struct nw_measure *const m = must_measure(f);
        assert_true(m->aspects.n_streaks == 1);
        const struct nw_streak *const t = &m->aspects.streaks[0];
        const double inner[4] = {0.7 * rows[i].end[0] + 0.3 * rows[i].end[2],
                                 0.7 * rows[i].end[1] + 0.3 * rows[i].end[3],
                                 0.3 * rows[i].end[0] + 0.7 * rows[i].end[2],
                                 0.3 * rows[i].end[1] + 0.7 * rows[i].end[3]};
        const double tol = rows[i].sigmas < 1.0 ? 1.5 : 1.0;
        assert_true(off_line(t, inner[0], inner[1]) < tol && off_line(t, inner[2], inner[3]) < tol);
        assert_int_equal(t->is_crossing, rows[i].is_crossing);
        check_near(t->adu_per_px, light, 4.0 * t->adu_per_px_sigma + 0.05 * light,
                   "light put in; 5 %");
        check_near(t->width_px, rows[i].width,
                   rows[i].sigmas < 1.0 ? 2.0 : 0.15 * rows[i].width + 0.3, "width put in");
        if (!rows[i].is_crossing) {
            const double from = fmin(hypot(t->x0_px - rows[i].end[0], t->y0_px - rows[i].end[1]),
                                     hypot(t->x1_px - rows[i].end[0], t->y1_px - rows[i].end[1]));
            const double to = fmin(hypot(t->x0_px - rows[i].end[2], t->y0_px - rows[i].end[3]),
                                   hypot(t->x1_px - rows[i].end[2], t->y1_px - rows[i].end[3]));
            assert_true(from < 20.0 && to < 20.0);
        }
        assert_true((m->flags & NW_FRAME_STREAK) != 0);
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

static void test_two_trails_are_two(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(5);
    struct nw_frame *const f = sky_with_stars(rng, 200);
    const double a[4] = {-5.0, 100.0, 1405.0, 800.0};
    const double b[4] = {-5.0, 900.0, 1405.0, 300.0};
    add_trail(f, a, 3.0, 120.0);
    add_trail(f, b, 3.0, 60.0);
    add_noise(f, rng);
    struct nw_measure *const m = must_measure(f);
    assert_int_equal(m->aspects.n_streaks, 2);
    assert_true(m->aspects.streaks[0].adu_per_px > m->aspects.streaks[1].adu_per_px);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_clean_fields_have_none(void **state) {
    (void)state;
    for (unsigned long seed = 1; seed <= 4; seed++) {
        gsl_rng *const rng = test_rng(900 + seed);
        struct nw_frame *const f = sky_with_stars(rng, seed == 3 ? 600 : 100);
        add_noise(f, rng);
        struct nw_measure *const m = must_measure(f);
        assert_int_equal(m->aspects.n_streaks, 0);
        assert_int_equal(m->flags & NW_FRAME_STREAK, 0);
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
}

/* A saturated star with four spikes, a bleeding column, an edge-on galaxy with a dark lane. */
static void test_spikes_bleeding_and_galaxies_are_none(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(77);
    struct nw_frame *const f = sky_with_stars(rng, 200);
    f->facts.saturation_adu = 60000.0;
    const struct true_star bright = {500.0, 400.0, 4e7};
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    field_add(f, &bright, 1, &p, 1.0, 0.5 * SIGMA);
    for (size_t y = 0; y < f->height_px; y++) {
        for (size_t x = 0; x < f->width_px; x++) {
            const double dx = (double)x - 500.0;
            const double dy = (double)y - 400.0;
            double add = 0.0;
            for (int k = 0; k < 2; k++) { /* spikes at 20 and 110 deg, falling as 1/r */
                const double angle = 0.35 + k * NW_PI / 2.0;
                const double across = dy * cos(angle) - dx * sin(angle);
                const double along = dx * cos(angle) + dy * sin(angle);
                add += 3e4 / (10.0 + fabs(along)) * exp(-0.5 * across * across / 1.5) *
                       exp(-fabs(along) / 120.0);
            }
            const double gx = (double)x - 1000.0; /* the galaxy: 160 x 12 px, lane of 2 px */
            const double gy = (double)y - 650.0;
            const double ga = gx * cos(0.6) + gy * sin(0.6);
            const double gb = gy * cos(0.6) - gx * sin(0.6);
            const double lane = 1.0 - 0.7 * exp(-0.5 * gb * gb / 1.5) * (fabs(ga) < 120.0);
            add += 900.0 * exp(-fabs(ga) / 45.0 - fabs(gb) / 5.0) * lane;
            if (x == 500 && y > 400) { /* bleeding upwards */
                add += 30000.0;
            }
            float *const px = &f->px[y * f->width_px + x];
            *px = fminf(*px + (float)add, 60000.0F);
        }
    }
    add_noise(f, rng);
    struct nw_measure *const m = must_measure(f);
    assert_int_equal(m->aspects.n_streaks, 0);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* Stars of equal light 10 px apart, in a row: nearly every segment has as much as a trail's, but it
 * is dark between them (with medians over segments alone this was one of SNR 24). */
static void test_row_of_stars_is_no_trail(void **state) {
    (void)state;
    static const double e[4] = {300.0, 300.0, 700.0, 520.0};
    gsl_rng *const rng = test_rng(61);
    struct nw_frame *const f = sky_with_stars(rng, 60);
    const struct true_profile p = {2.7, 1.0, 0.0, 3.0};
    const double length = hypot(e[2] - e[0], e[3] - e[1]);
    for (int k = 0; 10.0 * k < length; k++) {
        const double share = 10.0 * k / length;
        const struct true_star s = {e[0] + share * (e[2] - e[0]), e[1] + share * (e[3] - e[1]),
                                    SIGMA * 30.0};
        field_add(f, &s, 1, &p, 1.0, 0.1 * SIGMA);
    }
    add_noise(f, rng);
    struct nw_measure *const m = must_measure(f);
    assert_true(m->aspects.n_streaks == 0);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* The halving sum of a single line against the same line summed one by one. */
static void test_radon_gives_the_line_its_sum(void **state) {
    (void)state;
    static const double lines[][2] = {{20.0, 0.3}, {70.0, -0.55}, {5.0, 0.9}}; /* row at 0, slope */
    for (size_t k = 0; k < 3; k++) {
        struct streak_bins bins = {.nx = 128, .ny = 100, .side = 3};
        bins.z = calloc(bins.nx * bins.ny, sizeof *bins.z);
        size_t n = 0;
        for (size_t i = 0; i < bins.nx; i++) {
            const long j = lround(lines[k][0] + lines[k][1] * (double)i);
            if (j >= 0 && j < 100) {
                bins.z[(size_t)j * bins.nx + i] = 1.0F;
                n++;
            }
        }
        struct streak_guess guess;
        struct nw_err err = {NW_OK, ""};
        assert_int_equal(streak_radon(&bins, 0.0, 1, &guess, &err), NW_OK);
        /* a discrete line of halves strays from the rounded one in some of its bins */
        assert_true(guess.snr > 0.65 * sqrt((double)n) && guess.snr <= sqrt((double)n) + 1e-6);
        const double slope = (guess.y1 - guess.y0) / (guess.x1 - guess.x0);
        check_near(slope, lines[k][1], 0.03, "slope put in");
        assert_int_equal(streak_radon(&bins, 1.001 * guess.snr, 1, &guess, &err), NW_OK);
        check_near(guess.snr, 0.0, 0.0, "nothing above the least asked for");
        streak_bins_done(&bins);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_radon_gives_the_line_its_sum),
        cmocka_unit_test(test_row_of_stars_is_no_trail),
        cmocka_unit_test(test_trails_are_found_where_they_are),
        cmocka_unit_test(test_two_trails_are_two),
        cmocka_unit_test(test_clean_fields_have_none),
        cmocka_unit_test(test_spikes_bleeding_and_galaxies_are_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
