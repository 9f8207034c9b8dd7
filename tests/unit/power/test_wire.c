/* test_wire.c - resistance of wires, and the current behind one. */
#include "check.h"

#include "power/power.h"

static struct nw_val known(double v) {
    return (struct nw_val){v, 0.0, NW_FROM_GIVEN};
}

static struct nw_circuit wire(enum nw_wire_make make, double area_mm2) {
    return (struct nw_circuit){.make = make, .wire_area_m2 = known(area_mm2 * 1e-6)};
}

static void test_tables_of_iec_60228(void **state) {
    (void)state;
    static const struct {
        enum nw_wire_make make;
        double area_mm2, ohm_km;
        const char *source;
    } rows[] = {
        {NW_WIRE_FLEXIBLE, 0.5, 39.0, "ELE-v1"}, {NW_WIRE_FLEXIBLE, 0.75, 26.0, "ELE-v1"},
        {NW_WIRE_FLEXIBLE, 2.5, 7.98, "ELE-v1"}, {NW_WIRE_FLEXIBLE, 35.0, 0.554, "ELE-v1"},
        {NW_WIRE_TINNED, 1.5, 13.7, "ELE-v2"},   {NW_WIRE_TINNED, 16.0, 1.24, "ELE-v2"},
        {NW_WIRE_SOLID, 1.5, 12.1, "ELE-v3"},    {NW_WIRE_SOLID, 16.0, 1.15, "ELE-v3"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_near(nw_wire_iec_ohm_per_m(rows[i].make, rows[i].area_mm2 * 1e-6) * 1e3,
                   rows[i].ohm_km, 1e-12, rows[i].source);
    }
    assert_true(isnan(nw_wire_iec_ohm_per_m(NW_WIRE_FLEXIBLE, 1.2e-6)));
    assert_true(isnan(nw_wire_iec_ohm_per_m(NW_WIRE_SOLID, 0.5e-6)));
    assert_true(isnan(nw_wire_iec_ohm_per_m(NW_WIRE_CLAD, 2.5e-6)));
}

static void test_gauge_numbers_of_astm_b258(void **state) {
    (void)state;
    static const struct {
        double gauge, area_mm2, ohm_km;
    } rows[] = {{10, 5.2612, 3.277},  {12, 3.3088, 5.2107},  {14, 2.0809, 8.2853},
                {16, 1.3087, 13.174}, {18, 0.82305, 20.948}, {20, 0.51762, 33.308},
                {24, 0.20473, 84.213}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const double area_m2 = nw_wire_gauge_area_m2(rows[i].gauge);
        check_near(area_m2 * 1e6, rows[i].area_mm2, 1e-4 * rows[i].area_mm2, "ELE-01.2");
        const struct nw_circuit c = {.wire_gauge = known(rows[i].gauge)};
        check_near(nw_wire_ohm_per_m(&c) * 1e3, rows[i].ohm_km, 5e-3 * rows[i].ohm_km, "ELE-01.3");
    }
}

/* Between the areas of the table the resistance lies between theirs. */
static void test_other_areas_lie_between_the_listed_ones(void **state) {
    (void)state;
    static const double AREAS[] = {0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0};
    for (int make = NW_WIRE_FLEXIBLE; make <= NW_WIRE_TINNED; make++) {
        for (size_t i = 0; i + 1 < sizeof AREAS / sizeof AREAS[0]; i++) {
            const struct nw_circuit a = wire((enum nw_wire_make)make, AREAS[i]);
            const struct nw_circuit m =
                wire((enum nw_wire_make)make, 0.5 * (AREAS[i] + AREAS[i + 1]));
            const struct nw_circuit b = wire((enum nw_wire_make)make, AREAS[i + 1]);
            assert_true(nw_wire_ohm_per_m(&a) > nw_wire_ohm_per_m(&m));
            assert_true(nw_wire_ohm_per_m(&m) > nw_wire_ohm_per_m(&b));
        }
    }
    const struct nw_circuit clad = wire(NW_WIRE_CLAD, 2.5);
    const struct nw_circuit copper = wire(NW_WIRE_FLEXIBLE, 2.5);
    assert_true(nw_wire_ohm_per_m(&clad) > 1.3 * nw_wire_ohm_per_m(&copper));
}

static void test_temperature(void **state) {
    (void)state;
    check_near(nw_wire_at(273.15), 0.9214, 1e-4, "ELE-04 at 0 degC");
    check_near(nw_wire_at(313.15), 1.0786, 1e-4, "ELE-04 at 40 degC");
    check_near(nw_wire_at(343.15), 1.1965, 1e-4, "ELE-04 at 70 degC");
    check_near(1.0 / nw_wire_at(313.15), 0.92714, 1e-5, "ELE-04v1, exact form");
    check_near(1.0 / nw_wire_at(323.15), 0.89455, 1e-5, "ELE-04v1, exact form");
    /* 8 m of 2.5 mm2, class 5, 10 A */
    const struct nw_circuit c = wire(NW_WIRE_FLEXIBLE, 2.5);
    check_near(2.0 * 8.0 * 10.0 * nw_wire_ohm_per_m(&c), 1.2768, 1e-9, "ELE-03");
    check_near(2.0 * 8.0 * 10.0 * nw_wire_ohm_per_m(&c) * nw_wire_at(323.15), 1.427335, 3e-4,
               "ELE-03 at 50 degC, with 0.00393/K instead of 1/254.5 K");
}

static void test_constant_power_behind_a_wire(void **state) {
    (void)state;
    const double amps = nw_power_load_A(12.8, 0.12768, 60.0);
    check_near(amps, 4.929935, 1e-5, "ELE-06");
    check_near(12.8 - 0.12768 * amps, 12.170546, 1e-5, "ELE-06");
    check_near(nw_power_load_A(12.8, 0.12768, 320.802), 12.8 / (2.0 * 0.12768), 0.3,
               "ELE-06: the most");
    assert_true(isnan(nw_power_load_A(12.8, 0.12768, 320.81)));
    check_near(nw_power_load_A(12.0, 0.0, 60.0), 5.0, 1e-12, "Ohm's law");
}

static void test_batteries(void **state) {
    (void)state;
    const double h = 3600.0;
    /* 100 Ah of 12.8 V at 85 W, 80 %: 6.640625 A, k = 1 */
    check_near(nw_battery_time_s(100 * h, 20 * h, 1.0, 0.8, 85.0 / 12.8) / h, 12.047059, 1e-5,
               "ELE-07");
    check_near(nw_battery_time_s(100 * h, 20 * h, 1.0, 0.5, 85.0 / 12.0) / h, 7.058824, 1e-5,
               "ELE-07");
    check_near(nw_battery_time_s(100 * h, 20 * h, 1.2, 1.0, 10.0) / h, 8.705506, 1e-5, "ELE-08");
    assert_true(isinf(nw_battery_time_s(100 * h, 20 * h, 1.2, 1.0, 0.0)));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tables_of_iec_60228),
        cmocka_unit_test(test_gauge_numbers_of_astm_b258),
        cmocka_unit_test(test_other_areas_lie_between_the_listed_ones),
        cmocka_unit_test(test_temperature),
        cmocka_unit_test(test_constant_power_behind_a_wire),
        cmocka_unit_test(test_batteries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
