/* test_log.c - power logs: least squares with its errors, wires told apart, every refusal. */
#include "support.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <stdlib.h>

#include "power/power_log.h"

/* y = 2 - 3 a + 0.5 b without noise. */
static void test_an_exact_plane_is_found_exactly(void **state) {
    (void)state;
    double x[40];
    double y[20];
    for (int i = 0; i < 20; i++) {
        x[2 * i] = 0.1 * i;
        x[2 * i + 1] = (i * 7) % 5;
        y[i] = 2.0 - 3.0 * x[2 * i] + 0.5 * x[2 * i + 1];
    }
    y[4] = NAN; /* a row that is not whole */
    struct nw_power_fit fit;
    assert_true(nw_power_fit_line(y, x, 20, 2, &fit));
    assert_int_equal(fit.n, 19);
    check_near(fit.b[0], 2.0, 1e-10, "as made");
    check_near(fit.b[1], -3.0, 1e-10, "as made");
    check_near(fit.b[2], 0.5, 1e-10, "as made");
    assert_false(nw_power_fit_line(y, x, 9, 2, &fit)); /* too few */
}

/* 400 lines with noise that remembers its neighbour (AR(1), 0.6): pulls of width one. */
static void test_errors_hold_with_noise_that_remembers(void **state) {
    (void)state;
    enum { RUNS = 400, N = 300 };
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    double sum = 0.0;
    for (int run = 0; run < RUNS; run++) {
        double x[N];
        double y[N];
        double noise = 0.0;
        double level = 5.0;
        for (int i = 0; i < N; i++) {
            level = i % 25 == 0 ? 2.0 + 6.0 * gsl_rng_uniform(rng) : level; /* states of a night */
            noise = 0.6 * noise + gsl_ran_gaussian(rng, 0.02);
            x[i] = level;
            y[i] = 0.01 + 0.08 * level + noise;
        }
        struct nw_power_fit fit;
        assert_true(nw_power_fit_line(y, x, N, 1, &fit));
        const double pull = (fit.b[1] - 0.08) / fit.sigma[1];
        sum += pull * pull;
    }
    gsl_rng_free(rng);
    check_near(sqrt(sum / RUNS), 1.0, 0.12, "Monte Carlo, seed 11: 3 sigma of a width from 400");
}

#define TREE                                                                                       \
    "circuits:\n"                                                                                  \
    "  m: {kind: mains, voltage: 230 V}\n"                                                         \
    "  s: {kind: supply, fed_by: m, voltage: 13.8 V, current: 15 A}\n"                             \
    "  hub: {kind: hub, fed_by: s, contacts: 0 ohm, wire: {length: 2 m, area: 2.5 mm2}}\n"         \
    "  cam: {kind: load, fed_by: hub, running: 20 W, peak: 40 W, peaks_when: cooling}\n"

/* A log by hand: the hub's drop is 0.05 V of meters and 0.1 ohm. */
static char *log_of(const char *head, size_t n, double step_A) {
    char *const text = malloc(64 * n + 256);
    assert_non_null(text);
    size_t at = (size_t)snprintf(text, 256, "%s", head);
    for (size_t i = 0; i < n; i++) {
        const double amps = 2.0 + step_A * (double)(i % 7);
        at += (size_t)snprintf(text + at, 64, "%zu,%.4f,%.4f,%.4f\n", 10 * i, 13.8 - 0.004 * amps,
                               13.75 - 0.004 * amps - 0.1 * amps, amps);
    }
    return text;
}

static enum nw_status parse(const struct nw_rig *rig, const char *text, struct nw_power_log *ret,
                            struct nw_err *err) {
    struct nw_power_result r;
    assert_int_equal(nw_power_result_of(rig, NULL, &r, err), NW_OK);
    return nw_power_log_parse("log.csv", text, strlen(text), &r, ret, err);
}

static void test_a_wire_is_told_from_the_drop_and_the_current(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TREE);
    char *const text = log_of("t_s,s V,hub V,hub A\n", 200, 0.5);
    struct nw_power_log log;
    struct nw_err err = {0};
    assert_int_equal(parse(rig, text, &log, &err), NW_OK);
    const struct nw_power_seen *const hub = &log.seen[circuit_of(rig, "hub")];
    check_near(hub->loop_ohm, 0.1, 1e-3, "as made; the meters' 0.05 V do not enter");
    assert_true(hub->loop_off > 3.0);
    check_near(hub->heat_W, (0.1 - 0.03192) * 4.5 * 4.5, 0.05,
               "R I^2: foretold 2 x 2 m x 7.98 mohm/m (ELE-v1); 4.5 A is the largest of threes");
    check_near(hub->mean_A, 3.485, 0.01, "mean of 2 to 5 A");
    check_near(log.span_s, 1990.0, 1e-9, "as made");
    free(text);
    nw_rig_free(rig);
}

static void test_a_current_that_stands_still_tells_nothing(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TREE);
    char *const text = log_of("t_s,s V,hub V,hub A\n", 100, 0.0);
    struct nw_power_log log;
    struct nw_err err = {0};
    assert_int_equal(parse(rig, text, &log, &err), NW_OK);
    const struct nw_power_seen *const hub = &log.seen[circuit_of(rig, "hub")];
    assert_true(isnan(hub->loop_ohm));
    assert_string_equal(hub->why_null, "the current to hub hardly moves");
    assert_string_equal(log.seen[circuit_of(rig, "cam")].why_null, "");
    assert_true(isnan(log.seen[circuit_of(rig, "cam")].mean_W)); /* not logged, never zero */
    free(text);
    nw_rig_free(rig);
}

/* 42 W for 9 h in rows of one a minute: 378 Wh (ELE-09); a gap of two hours is left out. */
static void test_energy_and_gaps(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TREE);
    char *const text = malloc(40000);
    assert_non_null(text);
    size_t at = (size_t)snprintf(text, 40, "t_s,cam W\n");
    for (int i = 0; i <= 540; i++) {
        const int t_s = 60 * i + (i > 300 ? 7200 : 0);
        at += (size_t)snprintf(text + at, 40, "%d,42.0\n", t_s);
    }
    struct nw_power_log log;
    struct nw_err err = {0};
    assert_int_equal(parse(rig, text, &log, &err), NW_OK);
    const struct nw_power_seen *const cam = &log.seen[circuit_of(rig, "cam")];
    check_near(cam->energy_J / 3600.0, 378.0 - 42.0 / 60.0, 1e-6,
               "ELE-09 less the step of the gap");
    check_near(log.gap_s, 7260.0, 1e-9, "as made");
    check_near(cam->usual_W, 42.0, 1e-9, "as made");
    assert_true(cam->usual_off > 3.0); /* 20 W foretold */
    free(text);
    nw_rig_free(rig);
}

/* One wrong row makes no peak; three do. */
static void test_one_wrong_row_is_no_peak(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TREE);
    char text[2000] = "t_s,cam W\n";
    for (int i = 0; i < 40; i++) {
        const size_t at = strlen(text);
        (void)snprintf(text + at, sizeof text - at, "%d,%d\n", i,
                       i == 7              ? 999
                       : i >= 20 && i < 22 ? 35
                                           : 20);
    }
    struct nw_power_log log;
    struct nw_err err = {0};
    assert_int_equal(parse(rig, text, &log, &err), NW_OK);
    check_near(log.seen[circuit_of(rig, "cam")].high_W, 35.0, 1e-9, "median of three");
    nw_rig_free(rig);
}

static void test_every_refusal_names_the_fault(void **state) {
    (void)state;
    static const struct {
        const char *text, *error;
        enum nw_status status;
    } rows[] = {
        {"t_s,hub V\n1,2\n", "log.csv: 1 rows, at least 10 are needed", NW_DATA},
        {"x,hub V\n1,2\n1,2\n1,2\n1,2\n1,2\n1,2\n1,2\n1,2\n1,2\n1,2\n",
         "log.csv: no column time (ISO 8601) or t_s (seconds)", NW_NOTFOUND},
        {"t_s,hubb V\n1,2\n2,2\n3,2\n4,2\n5,2\n6,2\n7,2\n8,2\n9,2\n10,2\n",
         "log.csv: column of 'hubb', which is not under circuits; nearest is 'hub'", NW_NOTFOUND},
        {"t_s,x\n1,2\n2,2\n3,2\n4,2\n5,2\n6,2\n7,2\n8,2\n9,2\n10,2\n",
         "log.csv: no column of a circuit, such as \"m V\" or \"m A\"", NW_NOTFOUND},
        {"t_s,hub V\n1,2\n2,2\n2,2\n4,2\n5,2\n6,2\n7,2\n8,2\n9,2\n10,2\n",
         "log.csv:4: time does not rise", NW_DATA},
    };
    struct nw_rig *const rig = rig_of(TREE);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_power_log log;
        struct nw_err err = {0};
        assert_int_equal(parse(rig, rows[i].text, &log, &err), rows[i].status);
        assert_string_equal(err.text, rows[i].error);
    }
    struct nw_power_log log;
    struct nw_err err = {0};
    assert_int_equal(
        parse(rig, "t_s,hub V\n1,2\n2,2\n3,x\n4,2\n5,2\n6,2\n7,2\n8,2\n9,2\n10,2\n", &log, &err),
        NW_FORMAT);
    assert_non_null(strstr(err.text, "log.csv:4"));
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_an_exact_plane_is_found_exactly),
        cmocka_unit_test(test_errors_hold_with_noise_that_remembers),
        cmocka_unit_test(test_a_wire_is_told_from_the_drop_and_the_current),
        cmocka_unit_test(test_a_current_that_stands_still_tells_nothing),
        cmocka_unit_test(test_energy_and_gaps),
        cmocka_unit_test(test_one_wrong_row_is_no_peak),
        cmocka_unit_test(test_every_refusal_names_the_fault),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
