/* test_convex.c - Distances of boxes and cylinders: closed forms, and alternating projections,
 * which share nothing with the code under test. */
#include "bodies.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "mount/convex.h"

static struct convex box_at(double x, double y, double z, double side) {
    return (struct convex){
        {x, y, z}, {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, {side / 2, side / 2, side / 2}, false};
}

static struct convex cylinder(const double at[3], int axis, double half_length, double radius) {
    struct convex c = {.half = {half_length, radius, radius}, .is_round = true};
    for (int i = 0; i < 3; i++) {
        c.at[i] = at[i];
        c.axes[i][0] = i == axis ? 1 : 0;
        c.axes[i][1] = i == (axis + 1) % 3 ? 1 : 0;
        c.axes[i][2] = i == (axis + 2) % 3 ? 1 : 0;
    }
    return c;
}

static void test_cubes(void **state) {
    (void)state;
    const struct convex a = box_at(0, 0, 0, 1);
    struct convex b = box_at(3, 0, 0, 1);
    check_near(convex_distance(&a, &b).distance_m, 2.0, 1e-7, "REFERENCES MEC-14");
    check_near(convex_distance(&a, &b).normal[0], 1.0, 1e-9, "from a to b");
    b = box_at(2, 2, 2, 1);
    check_near(convex_distance(&a, &b).distance_m, sqrt(3.0), 1e-7, "REFERENCES MEC-14");
    b = box_at(2, 2, 0, 1);
    check_near(convex_distance(&a, &b).distance_m, sqrt(2.0), 1e-7, "REFERENCES MEC-14");
    struct convex turned = box_at(0, 0, 0, 1);
    const double s = sqrt(0.5);
    turned.axes[0][0] = s;
    turned.axes[0][1] = -s;
    turned.axes[1][0] = s;
    turned.axes[1][1] = s;
    b = box_at(3, 0, 0, 1);
    check_near(convex_distance(&turned, &b).distance_m, 1.792893, 1e-6, "REFERENCES MEC-14");
}

static void test_cylinders(void **state) {
    (void)state;
    const struct convex a = cylinder((const double[]){0, 0, 0}, 2, 1.0, 0.1);
    struct convex b = cylinder((const double[]){0.5, 0, 0}, 2, 1.0, 0.06);
    check_near(convex_distance(&a, &b).distance_m, 0.34, 1e-7, "REFERENCES MEC-13, side by side");
    b = cylinder((const double[]){0, 0, 3}, 2, 1.0, 0.06);
    check_near(convex_distance(&a, &b).distance_m, 1.0, 1e-7, "end to end");
    b = cylinder((const double[]){0, 0.5, 0}, 0, 1.0, 0.06);
    check_near(convex_distance(&a, &b).distance_m, 0.34, 1e-7, "crossed at a right angle");
    /* rim to rim: 0.5 across, 0.3 up beyond both ends */
    b = cylinder((const double[]){0.66, 0, 2.3}, 2, 1.0, 0.06);
    check_near(convex_distance(&a, &b).distance_m, hypot(0.5, 0.3), 1e-7, "rim to rim");
    struct convex point = box_at(3, 4, 0, 0);
    const struct convex line = cylinder((const double[]){0, 0, 0}, 2, 1.0, 0.0);
    check_near(convex_distance(&line, &point).distance_m, 5.0, 1e-7, "REFERENCES MEC-13");
}

static void test_overlap_is_negative(void **state) {
    (void)state;
    const struct convex a = box_at(0, 0, 0, 1);
    struct convex b = box_at(0.9, 0.2, 0, 1);
    struct convex_gap gap = convex_distance(&a, &b);
    check_near(gap.distance_m, -0.1, 1e-9, "one face");
    check_near(gap.normal[0], 1.0, 1e-9, "along x");
    const struct convex c = cylinder((const double[]){0, 0, 0}, 2, 1.0, 0.1);
    const struct convex d = cylinder((const double[]){0.1, 0.05, 0}, 2, 1.0, 0.06);
    gap = convex_distance(&c, &d);
    check_near(gap.distance_m, hypot(0.1, 0.05) - 0.16, 1e-6, "parallel cylinders");
    assert_true(convex_distance(&a, &a).distance_m <= -1.0 + 1e-9);
}

/* Nearest point of a body: closed form in its own directions. */
static void project(const struct convex *body, const double p[3], double ret[3]) {
    double local[3];
    for (int k = 0; k < 3; k++) {
        local[k] = 0.0;
        for (int i = 0; i < 3; i++) {
            local[k] += body->axes[i][k] * (p[i] - body->at[i]);
        }
    }
    local[0] = fmax(-body->half[0], fmin(body->half[0], local[0]));
    if (body->is_round) {
        const double r = hypot(local[1], local[2]);
        const double scale = r > body->half[1] ? body->half[1] / r : 1.0;
        local[1] *= scale;
        local[2] *= scale;
    } else {
        local[1] = fmax(-body->half[1], fmin(body->half[1], local[1]));
        local[2] = fmax(-body->half[2], fmin(body->half[2], local[2]));
    }
    for (int i = 0; i < 3; i++) {
        ret[i] = body->at[i];
        for (int k = 0; k < 3; k++) {
            ret[i] += body->axes[i][k] * local[k];
        }
    }
}

static double by_projections(const struct convex *a, const struct convex *b) {
    double p[3] = {b->at[0], b->at[1], b->at[2]};
    double q[3];
    double distance = 0.0;
    for (int step = 0; step < 3000; step++) { /* Cheney & Goldstein 1959: converges to the gap */
        project(a, p, q);
        project(b, q, p);
        const double d[3] = {p[0] - q[0], p[1] - q[1], p[2] - q[2]};
        const double now = sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]);
        if (step > 50 && fabs(now - distance) < 1e-14) {
            return now;
        }
        distance = now;
    }
    return distance;
}

static struct convex random_body(gsl_rng *rng) {
    struct convex body = {.is_round = gsl_rng_uniform(rng) < 0.5};
    double u[3];
    double v[3];
    gsl_ran_dir_3d(rng, &u[0], &u[1], &u[2]);
    gsl_ran_dir_3d(rng, &v[0], &v[1], &v[2]);
    const double c = u[0] * v[0] + u[1] * v[1] + u[2] * v[2];
    double length = 0.0;
    for (int i = 0; i < 3; i++) {
        v[i] -= c * u[i];
        length += v[i] * v[i];
    }
    for (int i = 0; i < 3; i++) {
        v[i] /= sqrt(length);
        body.at[i] = gsl_ran_flat(rng, -1.0, 1.0);
        body.half[i] = gsl_ran_flat(rng, 0.02, 0.5);
    }
    body.half[2] = body.is_round ? body.half[1] : body.half[2];
    for (int i = 0; i < 3; i++) {
        const int j = (i + 1) % 3;
        const int k = (i + 2) % 3;
        body.axes[i][0] = u[i];
        body.axes[i][1] = v[i];
        body.axes[i][2] = u[j] * v[k] - u[k] * v[j];
    }
    return body;
}

static void test_against_alternating_projections(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 5);
    int n_apart = 0;
    int n_together = 0;
    for (int i = 0; i < 20000; i++) {
        const struct convex a = random_body(rng);
        const struct convex b = random_body(rng);
        const struct convex_gap gap = convex_distance(&a, &b);
        if (i % 10 == 0 || gap.distance_m < 0.02) {
            const double want = by_projections(&a, &b);
            if (gap.distance_m < 0.0) {
                n_together++;
                /* slow where they touch: what is left of the iteration */
                assert_true(want < 5e-4);
            } else {
                n_apart++;
                check_near(gap.distance_m, want, 5e-4, "projections; the aim is 0.5 mm");
                assert_true(gap.distance_m <= want + 1e-7); /* theirs comes from above */
            }
        }
        const struct convex_gap back = convex_distance(&b, &a);
        if (gap.distance_m > 0.0) {
            check_near(back.distance_m, gap.distance_m, 1e-6, "symmetric");
        }
    }
    assert_true(n_apart > 1000 && n_together > 1000);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cubes),
        cmocka_unit_test(test_cylinders),
        cmocka_unit_test(test_overlap_is_negative),
        cmocka_unit_test(test_against_alternating_projections),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
