/* test_detect.c - the filtered image row after row against brute force; what spans two bands. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

enum { W = 150, H = 90 };

static struct nw_background *must_build(const struct nw_frame *f) {
    const struct nw_image_view view = nw_frame_plane(f, 0);
    struct nw_background *b = NULL;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(background_build(&view, NULL, 1, NULL, &b, &err), NW_OK);
    background_raise_noise(b, 1e-6);
    return b;
}

/* Correlation with the two-dimensional Gaussian, sky beyond the image, blank pixels sky. */
static double brute_force(const float *significance, const struct kernel *k, long x, long y) {
    const long reach = (long)k->reach;
    double sum = 0.0;
    for (long dy = -reach; dy <= reach; dy++) {
        for (long dx = -reach; dx <= reach; dx++) {
            if (x + dx >= 0 && y + dy >= 0 && x + dx < W && y + dy < H) {
                sum += (double)k->weight[labs(dx)] * (double)k->weight[labs(dy)] *
                       (double)significance[(y + dy) * W + x + dx];
            }
        }
    }
    return sum;
}

static void test_filtered_rows_against_brute_force(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(1);
    struct nw_frame *const f = field_new(W, H, 500.0);
    field_noise(f, 500.0, 5.0, 0.0, rng);
    f->px[40 * W + 70] = NAN;
    f->px[40 * W + 80] += 300.0F;
    f->px[0] += 200.0F;
    f->px[W * H - 1] += 200.0F;
    struct nw_background *const b = must_build(f);
    const struct field field = {.image = nw_frame_plane(f, 0), .background = b, .n_threads = 1};
    static float significance[W * H];
    for (size_t y = 0; y < H; y++) {
        background_significance(b, &field.image, 0, W, y, significance + y * W);
    }
    assert_true(significance[40 * W + 70] <= 0.0F && significance[40 * W + 70] >= 0.0F);
    static const double WIDTHS[] = {1.0, 2.1, 3.0, 4.7, 12.0};
    for (size_t i = 0; i < sizeof WIDTHS / sizeof WIDTHS[0]; i++) {
        struct kernel kernel;
        kernel_make(WIDTHS[i], &kernel);
        double sum2 = 0.0;
        for (size_t k = 0; k <= kernel.reach; k++) {
            sum2 += (k > 0 ? 2.0 : 1.0) * (double)kernel.weight[k] * (double)kernel.weight[k];
        }
        check_near(sum2, 1.0, 1e-6, "the noise of white noise stays 1");
        const size_t x0 = i % 2 == 0 ? 0 : 17;
        const size_t n = i % 2 == 0 ? W : 101;
        float *const memory = calloc(row_filter_floats(&kernel, n), sizeof *memory);
        assert_non_null(memory);
        struct row_filter filter;
        row_filter_init(&filter, &field, &kernel, x0, n, memory);
        float row[W];
        for (size_t y = i * 7; y < H; y++) {
            row_filter_row(&filter, y, row);
            for (size_t x = 0; x < n; x++) {
                const double want = brute_force(significance, &kernel, (long)(x0 + x), (long)y);
                check_near((double)row[x], want, 1e-4 + 1e-5 * fabs(want), "brute force");
            }
            const size_t x = gsl_rng_uniform_int(rng, n);
            check_near((double)filtered_at(&field, &kernel, x0 + x, y), (double)row[x],
                       1e-5 + 1e-5 * fabs((double)row[x]), "the whole row");
        }
        free(memory);
    }
    check_near(filtered_scatter(&field, &(struct kernel){.reach = 2, .weight = {1.0F}}), 1.0, 0.15,
               "white noise, a kernel of one pixel, 8 blocks of 1024");
    nw_background_free(b);
    field_free(f);
    gsl_rng_free(rng);
}

static size_t count_near(const struct nw_measure *m, const struct true_star *star) {
    size_t n = 0;
    for (size_t k = 0; k < m->n_stars; k++) {
        n += hypot(m->stars[k].x_px - star->x, m->stars[k].y_px - star->y) < 2.0;
    }
    return n;
}

/* Stars and a trail across the rows where bands meet come once, whatever the number of threads; 16
 * bits give the same as floats, bit by bit. */
static void test_seams_threads_and_16_bits(void **state) {
    (void)state;
    enum { SIDE = 1700, N = 400 };
    static struct true_star stars[N];
    gsl_rng *const rng = test_rng(2);
    struct nw_frame *f = field_new(SIDE, SIDE, 1000.0);
    for (size_t i = 0; i < N; i++) {
        const double y = i < 16 ? 192.0 * (1.0 + (double)(i % 8)) - 0.5 + (i < 8 ? 0.0 : 0.1)
                                : gsl_ran_flat(rng, 10.0, SIDE - 10.0);
        stars[i] = (struct true_star){gsl_ran_flat(rng, 10.0, SIDE - 10.0), y,
                                      i < 16 ? 9000.0 : gsl_ran_flat(rng, 1500.0, 60000.0)};
        stars[i].x = i < 16 ? 100.0 + 100.0 * (double)i : stars[i].x;
    }
    const struct true_profile p = {2.8, 0.95, 0.4, 3.0};
    field_add(f, stars, N, &p, 1.0, 0.05);
    for (size_t y = 300; y < 900; y++) {
        for (size_t x = 0; x < 3; x++) {
            f->px[y * SIDE + 850 + x + y / 20] += 150.0F;
        }
    }
    field_noise(f, 1000.0, 10.0, 0.0, rng);
    uint16_t *const px16 = calloc((size_t)SIDE * SIDE, sizeof *px16);
    assert_non_null(px16);
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
        px16[i] = (uint16_t)fmin(fmax(rint((double)f->px[i]), 0.0), 65535.0);
        f->px[i] = (float)px16[i];
    }
    f->bitpix = 16;
    struct nw_frame whole = *f;
    whole.px = NULL;
    whole.px16 = px16;
    struct nw_measure *m[3] = {NULL, NULL, NULL};
    struct nw_err err = {NW_OK, ""};
    for (int k = 0; k < 3; k++) {
        const struct nw_measure_opts opts = {.n_threads = k + 1};
        assert_int_equal(
            nw_measure_frame(k == 1 ? f : &whole, NW_CHANNEL_MONO, "", &opts, &m[k], &err), NW_OK);
    }
    for (int k = 1; k < 3; k++) {
        assert_int_equal(m[k]->n_stars, m[0]->n_stars);
        assert_memory_equal(m[k]->stars, m[0]->stars, m[0]->n_stars * sizeof *m[0]->stars);
    }
    size_t n_streaks = 0;
    for (size_t i = 0; i < m[0]->n_stars; i++) {
        n_streaks += (m[0]->stars[i].flags & NW_STAR_STREAK) != 0;
    }
    assert_int_equal(n_streaks, 1);
    for (size_t i = 0; i < 16; i++) {
        assert_int_equal(count_near(m[0], &stars[i]), 1);
    }
    for (int k = 0; k < 3; k++) {
        nw_measure_free(m[k]);
    }
    free(px16);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_filtered_rows_against_brute_force),
        cmocka_unit_test(test_seams_threads_and_16_bits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
