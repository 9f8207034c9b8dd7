/* test_model.c - the integrated balances against closed forms: cooling curves, heaters, leaks. */
#include <math.h>

#include "air/model.h"
#include "check.h"

#define C(t) ((t) + NW_ZERO_CELSIUS_K)
#define HOUR 3600.0
enum { ROWS = 2 };

/* Weather on a straight line over ten hours. */
struct weather {
    double t_s[ROWS], data[NW_AIR_N_SERIES * ROWS];
    struct nw_air_log log;
};
static void make_weather(struct weather *w, double air_C, double rate_K_h, double humidity) {
    memset(w, 0, sizeof *w);
    w->log = (struct nw_air_log){.n = ROWS, .t_s = w->t_s, .data = w->data};
    for (int i = 0; i < ROWS; i++) {
        w->t_s[i] = 10.0 * HOUR * i;
        w->data[NW_AIR_AIR * ROWS + i] = C(air_C) + 10.0 * rate_K_h * i;
        w->data[NW_AIR_VAPOUR * ROWS + i] = nw_air_vapour_Pa(C(air_C), humidity);
        w->data[NW_AIR_PRESSURE * ROWS + i] = 101325.0;
    }
}

/* A plate whose exchange is the least there is, 1.5 W/m2/K, and which does not radiate. */
static struct nw_air_model plate(double capacity_J_K) {
    struct nw_air_model m = {.n_parts = 1, .sky = NW_AIR_SKY_BERDAHL_MARTIN};
    m.parts[0] = (struct nw_air_part){
        .area_m2 = 0.5, .capacity_J_K = capacity_J_K, .strap_share = 0.5, .length_m = 1e9};
    return m;
}

static void test_a_plate_cools_on_the_exponential(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 5.0, 0.0, 0.3);
    const struct nw_air_model m = plate(2700.0); /* 0.75 W/K: one hour */
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 8.0);
    struct nw_air_phase phase = {.end_s = HOUR, .is_roof_open = true};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.part_K[0], C(5.0) + 8.0 * exp(-1.0), 1e-4, "Newton's law of cooling");
    phase.end_s = 3.0 * HOUR;
    phase.has_straps = true;
    struct nw_air_model warm = m;
    warm.parts[0].strap_W = 6.0; /* half of it reaches the plate: 3 W, 4 K at the end */
    s = nw_air_start(&warm, &w.log, 0.0, 0.0);
    assert_int_equal(nw_air_run(&warm, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.part_K[0], C(5.0) + 4.0 * (1.0 - exp(-3.0)), 1e-4, "heater: P/UA (1 - exp)");
}

static void test_a_plate_in_falling_air_trails_it(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 12.0, -1.0, 0.2);
    const struct nw_air_model m = plate(2700.0);
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    const struct nw_air_phase phase = {.end_s = 8.0 * HOUR, .is_roof_open = true};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    const double behind = 1.0 * (1.0 - exp(-8.0)); /* rate times time constant */
    check_near(s.part_K[0], C(4.0) + behind, 1e-4, "ramp response of a first-order lag");
}

static void test_a_room_with_a_heater_ends_at_p_over_ua(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 5.0, 0.0, 0.6);
    struct nw_air_model m = {.has_room = true,
                             .room = {20.0, 0.33, 0.17, 10.0, 1.0 / HOUR},
                             .open_air_changes_per_s = 60.0 / HOUR,
                             .room_capacity_J_K = 50e3,
                             .room_heater_W = 200.0};
    const double loss_W_K = nw_air_box_loss_W_K(&m.room, C(5.0), 101325.0);
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    struct nw_air_phase phase = {.end_s = 0.5 * HOUR};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    const double tau_s = 50e3 / loss_W_K;
    check_near(s.room_K, C(5.0) + 200.0 / loss_W_K * (1.0 - exp(-0.5 * HOUR / tau_s)), 1e-3,
               "closed form");
    phase.end_s = 9.0 * HOUR;
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.room_K, C(5.0) + 200.0 / loss_W_K, 1e-3, "P / UA");
}

static void test_vapour_leaks_out_on_the_exponential(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 10.0, 0.0, 0.2);
    struct nw_air_model m = {
        .has_room = true, .room = {20.0, 0.33, 0.17, 10.0, 2.0 / HOUR}, .room_capacity_J_K = 50e3};
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    const double outside = s.room_kg_m3;
    s.room_kg_m3 += 4e-3;
    const struct nw_air_phase phase = {.end_s = 1.151293 * HOUR};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.room_kg_m3 - outside, 0.4e-3, 1e-8, "REFERENCES MOI-22: to 10 % in 1.1513 h");
}

static void test_walls_that_take_up_water_slow_it(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 10.0, 0.0, 0.2);
    struct nw_air_model m = {.has_room = true,
                             .room = {20.0, 0.33, 0.17, 10.0, 2.0 / HOUR},
                             .room_capacity_J_K = 50e3,
                             .buffer_kg = 0.2};
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    const double outside = s.room_kg_m3;
    s.room_kg_m3 += 4e-3;
    const double saturation =
        nw_air_vapour_density_kg_m3(C(10.0), nw_air_saturation_water_Pa(C(10.0)));
    const double slower = 1.0 + 0.2 / saturation / 10.0;
    const struct nw_air_phase phase = {.end_s = 2.0 * HOUR};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.room_kg_m3 - outside, 4e-3 * exp(-4.0 / slower), 1e-8, "closed form");
}

static void test_a_heated_cover_ends_at_p_over_ua(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 5.0, 0.0, 0.8);
    struct nw_air_model m = plate(500.0);
    m.has_room = m.has_cover = true;
    m.room = (struct nw_air_box){20.0, 0.33, 0.17, 10.0, 1.0 / HOUR};
    m.room_capacity_J_K = 50e3;
    m.cover = (struct nw_air_box){2.0, 0.0, NW_AIR_FILMS_SHELTERED, 0.5, 3.0 / HOUR};
    m.cover_capacity_J_K = 5e3;
    m.cover_heater_W = 25.0;
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    const struct nw_air_phase phase = {.end_s = 9.0 * HOUR, .is_covered = true, .has_heater = true};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    check_near(s.cover_K - s.room_K, nw_air_box_rise_K(&m.cover, 25.0, C(5.0), 101325.0), 1e-3,
               "P / UA");
    check_near(s.part_K[0], s.cover_K, 2e-2, "what stands in it is as warm");
    check_near(s.cover_kg_m3, s.room_kg_m3, 1e-7, "its air is as damp as the room's");
}

static void test_dew_settles_frost_below_zero_and_dries_again(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err;
    make_weather(&w, 6.0, 0.0, 0.9);
    struct nw_air_model m = plate(500.0);
    m.parts[0].emissivity = 0.9;
    m.parts[0].sky_share = 0.6;
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    struct nw_air_phase phase = {.end_s = 3.0 * HOUR, .is_roof_open = true};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    const struct nw_air_around a = nw_air_around_part(&m, &w.log, &phase, &s, 0);
    assert_true(s.part_K[0] < a.wetting_K);
    assert_false(a.is_frost);
    assert_true(s.water_kg_m2[0] > 1e-3 && s.water_kg_m2[0] < 0.5); /* some g/m2, not litres */
    /* condensing warms: dry, it would be colder */
    assert_true(s.part_K[0] > nw_air_face_balance_K(&a.face, 0.0) + 0.05);
    const double wet = s.water_kg_m2[0];
    m.parts[0].strap_W = 80.0;
    phase.has_straps = true;
    phase.end_s = 9.0 * HOUR;
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_OK);
    assert_true(s.water_kg_m2[0] < 0.05 * wet && s.water_kg_m2[0] > -1e-6);
    make_weather(&w, -4.0, 0.0, 0.9);
    s = nw_air_start(&m, &w.log, 0.0, 0.0);
    assert_true(nw_air_around_part(&m, &w.log, &phase, &s, 0).is_frost);
}

static void test_weather_out_of_range_is_said(void **state) {
    (void)state;
    struct weather w;
    struct nw_err err = {0};
    make_weather(&w, 55.0, 3.0, 0.5);
    struct nw_air_model m = plate(500.0);
    struct nw_air_heat_state s = nw_air_start(&m, &w.log, 0.0, 0.0);
    const struct nw_air_phase phase = {.end_s = 9.0 * HOUR, .is_roof_open = true};
    assert_int_equal(nw_air_run(&m, &w.log, &phase, &s, NULL, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no solution at 1970-01-01T"));
}

/* Steps and slopes need two rows, whether from a file or from the book. */
static void test_a_log_of_one_row_is_refused(void **state) {
    (void)state;
    struct weather w;
    struct nw_air_log ret;
    struct nw_err err = {0};
    struct nw_rig *const rig = nw_calloc(1, sizeof *rig);
    assert_non_null(rig);
    make_weather(&w, 5.0, 0.0, 0.3);
    w.log.n = 1;
    assert_int_equal(nw_air_log_adopt(&w.log, "climate log", rig, &ret, &err), NW_DATA);
    assert_non_null(strstr(err.text, "climate log: 1 row, expected 2 to"));
    free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_plate_cools_on_the_exponential),
        cmocka_unit_test(test_a_plate_in_falling_air_trails_it),
        cmocka_unit_test(test_a_room_with_a_heater_ends_at_p_over_ua),
        cmocka_unit_test(test_vapour_leaks_out_on_the_exponential),
        cmocka_unit_test(test_walls_that_take_up_water_slow_it),
        cmocka_unit_test(test_a_heated_cover_ends_at_p_over_ua),
        cmocka_unit_test(test_dew_settles_frost_below_zero_and_dries_again),
        cmocka_unit_test(test_weather_out_of_range_is_said),
        cmocka_unit_test(test_a_log_of_one_row_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
