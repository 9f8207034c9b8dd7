/* test_warm_columns.c - Columns that are warm over many rows become sky, nothing else does; dead
 * pixels take no star away. */
#include "check.h"
#include "star_field.h"

#include "image/background_internal.h"

enum { WIDTH = 300, HEIGHT = 700 };
static const double SKY = 500.0, NOISE = 10.0;

static struct nw_background *found_in(const struct nw_frame *f) {
    struct nw_err err = {NW_OK, ""};
    struct nw_background *b = NULL;
    const struct nw_image_view view = nw_frame_plane(f, 0);
    assert_int_equal(nw_background_new(view, NULL, &b, &err), NW_OK);
    assert_int_equal(background_find_columns(b, &view, 1, &err), NW_OK);
    return b;
}

static struct nw_frame *noise_frame(unsigned long seed) {
    gsl_rng *rng = test_rng(seed);
    struct nw_frame *f = field_new(WIDTH, HEIGHT, SKY);
    field_noise(f, SKY, NOISE, 0.0, rng);
    gsl_rng_free(rng);
    return f;
}

/* Sky of the column as every reader sees it. */
static void check_readers(const struct nw_frame *f, const struct nw_background *b, size_t x,
                          size_t y, double warm, double error) {
    const struct nw_image_view view = nw_frame_plane(f, 0);
    float sky[3];
    float noise[3];
    float px[3];
    float taken[3];
    background_span(b, x - 1, 3, y, sky, noise);
    check_near((double)sky[1] - 0.5 * (double)(sky[0] + sky[2]), warm, error, "as put in");
    background_significance(b, &view, x - 1, 3, y, px);
    background_take_off(b, &view, &(struct box){.x0 = x - 1, .y0 = y, .n_x = 3, .n_y = 1}, taken,
                        3);
    for (size_t k = 0; k < 3; k++) {
        const double there = (double)f->px[y * WIDTH + x - 1 + k];
        check_near((double)px[k], (there - (double)sky[k]) / (double)noise[k], 1e-3,
                   "definition of significance");
        check_near((double)taken[k], there - (double)sky[k], 1e-2, "definition");
    }
}

static void test_columns_are_found_where_they_are(void **state) {
    (void)state;
    struct nw_frame *f = noise_frame(1);
    static const struct {
        size_t x, y0, y1;
        double adu;
    } ROWS[] = {{2, 0, HEIGHT, 20.0}, {100, 333, HEIGHT, 30.0}, {220, 50, 450, 3000.0}};
    for (size_t k = 0; k < 3; k++) {
        for (size_t y = ROWS[k].y0; y < ROWS[k].y1; y++) {
            f->px[y * WIDTH + ROWS[k].x] += (float)ROWS[k].adu;
        }
    }
    struct nw_background *b = found_in(f);
    assert_int_equal(b->n_columns, 3);
    for (size_t k = 0; k < 3; k++) {
        const struct warm_column *const c = &b->columns[k];
        assert_int_equal(c->x, ROWS[k].x);
        check_near(c->adu, ROWS[k].adu, 3.0, "as put in; error of the median 0.8");
        check_near(c->y0, (double)ROWS[k].y0, 8.0, "as put in; rows of noise at the end");
        check_near(c->y1, (double)ROWS[k].y1, 8.0, "as put in; rows of noise at the end");
        check_readers(f, b, ROWS[k].x, 400, ROWS[k].adu, 3.0);
    }
    check_readers(f, b, 100, 200, 0.0, 0.1);
    nw_background_free(b);
    field_free(f);
}

/* The same noise with a pattern: every third column warm; the filters of a mosaic; a trail that
 * runs straight down a column, as narrow as stars get; a bleeding column two pixels wide. */
static void test_what_is_no_warm_column_stays(void **state) {
    (void)state;
    for (int kind = 0; kind < 5; kind++) {
        struct nw_frame *f = noise_frame(2);
        for (size_t y = 0; y < HEIGHT; y++) {
            for (size_t x = 0; x < WIDTH; x++) {
                const double d = (double)x - 150.0;
                const double sigma = 1.2 / NW_FWHM_PER_SIGMA;
                const double trail =
                    erf((d + 0.5) / (sigma * sqrt(2.0))) - erf((d - 0.5) / (sigma * sqrt(2.0)));
                const double more[] = {0.0, x % 3 == 0 ? 40.0 : 0.0,
                                       (double)(100 * (x % 2) + 200 * (y % 2)), 200.0 * trail,
                                       x == 150 || x == 151 ? 400.0 : 0.0};
                f->px[y * WIDTH + x] += (float)more[kind];
            }
        }
        struct nw_background *b = found_in(f);
        assert_int_equal(b->n_columns, 0);
        nw_background_free(b);
        field_free(f);
    }
}

/* Stars of SNR 40 and 1.8 px, each with a dead pixel beside it, or with a warm column. */
static void test_stars_beside_defects_are_found(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(3);
    enum { N = 40 };
    struct nw_frame *f = field_new(WIDTH, HEIGHT, SKY);
    const struct true_profile p = {1.6, 1.0, 0.0, 3.0};
    struct true_star s[N];
    for (int i = 0; i < N; i++) {
        const int row = i / 4;
        s[i] = (struct true_star){30.0 + 30.0 * (i % 4) + gsl_ran_flat(rng, -0.5, 0.5),
                                  30.0 + 65.0 * row + gsl_ran_flat(rng, -0.5, 0.5), 1200.0};
    }
    field_add(f, s, N, &p, 1.0, 0.05);
    field_noise(f, SKY, NOISE, 0.0, rng);
    for (int i = 0; i < N; i++) {
        const size_t x = (size_t)lround(s[i].x);
        const size_t y = (size_t)lround(s[i].y);
        if (i % 4 < 2) {
            f->px[(y + (i % 4 == 0 ? 1 : 0)) * WIDTH + x + 1] = 0.0F;
        }
    }
    for (size_t y = 0; y < HEIGHT; y++) { /* on and beside the third and the fourth */
        f->px[y * WIDTH + 90] += 150.0F;
        f->px[y * WIDTH + 122] += 150.0F;
    }
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_measure_frame(f, NW_CHANNEL_MONO, "", NULL, &m, &err), NW_OK);
    int n_found = 0;
    double light = 0.0;
    for (int i = 0; i < N; i++) {
        const struct nw_star *const star = field_find(m, s[i].x, s[i].y, 0.5);
        n_found += star != NULL;
        light += star ? star->flux_adu / s[i].flux / N : 0.0;
    }
    print_message("%d of %d found, %zu listed, light %.3f\n", n_found, N, m->n_stars, light);
    assert_int_equal(n_found, N);
    assert_true(m->n_stars <= N);
    check_near(light, 0.98, 0.04, "within 2.5 widths; pixels mirrored for dead ones");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_columns_are_found_where_they_are),
        cmocka_unit_test(test_what_is_no_warm_column_stays),
        cmocka_unit_test(test_stars_beside_defects_are_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
