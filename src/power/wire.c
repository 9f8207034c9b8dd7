/* wire.c - resistance of wires and the current of a load behind one; see power.h.
 * Holds: tables in ohm per km at 20 degC, IEC 60228:2004 as listed in REFERENCES ELE-v1 to v3. */
#include <math.h>

#include "power/power.h"

#define RHO_COPPER_OHM_M (1e-6 / 58.0) /* IEC 60028, annealed copper at 20 degC; ELE-02 */
#define RHO_CLAD_OHM_M 2.743e-8        /* ASTM B566 class 10A, copper-clad aluminium; from memory */
#define ZERO_COPPER_K 234.5            /* IEC 60228 annex A: R ~ 234.5 + t/degC */

static const struct {
    double area_mm2, flexible, tinned, solid; /* ohm/km; 0: not in the table */
} IEC_60228[] = {
    {0.5, 39.0, 40.1, 0},    {0.75, 26.0, 26.7, 0},    {1.0, 19.5, 20.0, 0},
    {1.5, 13.3, 13.7, 12.1}, {2.5, 7.98, 8.21, 7.41},  {4.0, 4.95, 5.09, 4.61},
    {6.0, 3.30, 3.39, 3.08}, {10.0, 1.91, 1.95, 1.83}, {16.0, 1.21, 1.24, 1.15},
    {25.0, 0.780, 0, 0},     {35.0, 0.554, 0, 0},
};

double nw_wire_iec_ohm_per_m(enum nw_wire_make make, double area_m2) {
    for (size_t i = 0; i < sizeof IEC_60228 / sizeof IEC_60228[0]; i++) {
        if (fabs(area_m2 * 1e6 - IEC_60228[i].area_mm2) < 1e-3 * IEC_60228[i].area_mm2) {
            const double ohm_km = make == NW_WIRE_FLEXIBLE ? IEC_60228[i].flexible
                                  : make == NW_WIRE_TINNED ? IEC_60228[i].tinned
                                  : make == NW_WIRE_SOLID  ? IEC_60228[i].solid
                                                           : 0.0;
            return ohm_km > 0.0 ? ohm_km * 1e-3 : NAN;
        }
    }
    return NAN;
}

double nw_wire_gauge_area_m2(double gauge) {
    const double d_m = 0.127e-3 * pow(92.0, (36.0 - gauge) / 39.0);
    return 0.25 * NW_PI * d_m * d_m;
}

double nw_wire_ohm_per_m(const struct nw_circuit *c) {
    static const double OVER[] = {[NW_WIRE_FLEXIBLE] = 1.16,
                                  [NW_WIRE_TINNED] = 1.19,
                                  [NW_WIRE_SOLID] = 1.06,
                                  [NW_WIRE_CLAD] = 1.0};
    const bool is_clad = c->make == NW_WIRE_CLAD;
    if (c->wire_area_m2.from == NW_FROM_UNKNOWN) {
        const double area_m2 = nw_wire_gauge_area_m2(c->wire_gauge.v);
        return (is_clad ? RHO_CLAD_OHM_M : RHO_COPPER_OHM_M) / area_m2;
    }
    const double listed = nw_wire_iec_ohm_per_m(c->make, c->wire_area_m2.v);
    return isfinite(listed)
               ? listed
               : OVER[c->make] * (is_clad ? RHO_CLAD_OHM_M : RHO_COPPER_OHM_M) / c->wire_area_m2.v;
}

double nw_wire_at(double temperature_K) {
    return (ZERO_COPPER_K + temperature_K - NW_ZERO_CELSIUS_K) / (ZERO_COPPER_K + 20.0);
}

double nw_power_load_A(double source_V, double loop_ohm, double load_W) {
    if (!(loop_ohm > 0.0)) {
        return load_W / source_V;
    }
    const double under = source_V * source_V - 4.0 * loop_ohm * load_W;
    return under >= 0.0 ? (source_V - sqrt(under)) / (2.0 * loop_ohm) : NAN;
}

double nw_battery_time_s(double charge_C, double rated_s, double peukert, double usable,
                         double current_A) {
    return current_A > 0.0 ? usable * rated_s * pow(charge_C / (current_A * rated_s), peukert)
                           : INFINITY;
}
