/* power.h - the tree from mains to loads: wires, voltages, headroom, energy, power cuts.
 *
 * Direct and mains current alike are taken as resistive (mains: watts over volts times the power
 * factor); steady states, no inrush. What a wire loses is counted at its temperature. Errors are
 * first order, by moving every input by its standard error.
 * Nothing here makes wiring safe: fuses, earth and protective switches follow local rules and a
 * licensed electrician. */
#ifndef NW_POWER_H
#define NW_POWER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/base.h"
#include "rig/circuits.h"

/* ---- Wires ---------------------------------------------------------------------------------- */

/* Largest resistance of one conductor at 20 degC by IEC 60228 (tables for class 5 plain and tinned,
 * classes 1 and 2 plain); NaN for an area that the table does not have.
 *   source  REFERENCES ELE-v1 to v3 */
double nw_wire_iec_ohm_per_m(enum nw_wire_make make, double area_m2);
/* Area by the American wire gauge: d = 0.127 mm x 92^((36-n)/39) (ASTM B258, ELE-01). */
double nw_wire_gauge_area_m2(double gauge);
/* One conductor at 20 degC: the table where it has the area (flexible, tinned, solid), else
 * resistivity over area times what the table allows over that (1.16 flexible, 1.19 tinned, 1.06
 * solid: means of the tables); clad: 0.02743 ohm mm2/m (ASTM B566 class 10A, from memory); of a
 * gauge: 0.017241 ohm mm2/m over its area (IEC 60028; ELE-01.3), as flexible and solid alike. */
double nw_wire_ohm_per_m(const struct nw_circuit *circuit);
/* Resistance at a temperature over that at 20 degC: copper (234.5 + t)/254.5, t in degC (IEC 60228
 * annex A; ELE-04). */
double nw_wire_at(double temperature_K);

/* Current of a constant-power load behind a resistance: I = (V - sqrt(V^2 - 4 R P))/2R; NaN when
 * the resistance cannot carry the power, P > V^2/4R (ELE-06). */
double nw_power_load_A(double source_V, double loop_ohm, double load_W);

/* ---- Batteries ------------------------------------------------------------------------------ */

/* t = u H (C/(I H))^k: how long a battery of charge C, rated over H, carries a current, when the
 * share u of it is used (Peukert 1897; ELE-07, ELE-08). Infinite for no current. */
double nw_battery_time_s(double charge_C, double rated_s, double peukert, double usable,
                         double current_A);

/* ---- The tree ------------------------------------------------------------------------------- */

/* The moments of a night. All at once: cooling, straps and slewing; the roof moves by itself, with
 * the mount parked. */
#define NW_POWER_MOMENT_LIST(X)                                                                    \
    X(QUIET, "imaging")                                                                            \
    X(COOLING, "cooling down")                                                                     \
    X(HEATING, "straps in full")                                                                   \
    X(SLEWING, "slewing")                                                                          \
    X(ROOF, "roof moving")                                                                         \
    X(ALL, "all at once")
enum nw_power_moment {
#define X(name, text) NW_POWER_##name,
    NW_POWER_MOMENT_LIST(X)
#undef X
        NW_POWER_N_MOMENTS
};
const char *nw_power_moment_name(enum nw_power_moment moment);

#define NW_POWER_MAX 64 /* circuits */

/* The circuits as numbers, copied out of the rig; may be changed before a solution. */
struct nw_power_node {
    const struct nw_circuit *circuit; /* borrowed */
    size_t feeder;                    /* SIZE_MAX: none */
    bool is_off;                      /* in this setup */
    bool is_on_mains;                 /* its feeder carries mains */
    double ohm;                       /* loop of its wire with contacts, at its temperature */
    double open_V, inner_ohm, efficiency, own_W, power_factor; /* NaN where it has none */
    double nominal_V;                                          /* of the source it hangs on */
    double running_W, peak_W, duty, by_day_W;
    struct {
        double ohm, open_V, inner_ohm, efficiency, own_W, running_W, peak_W, duty, by_day_W;
    } sigma;
};
struct nw_power {
    const struct nw_wiring *wiring; /* borrowed */
    struct nw_power_node nodes[NW_POWER_MAX];
    size_t order[NW_POWER_MAX]; /* feeders before what they feed */
    size_t n;
    double night_s, night_sigma_s, nights_a_year, nights_sigma;
};

/* Sigmas that the rig file does not state: wire 5 % (the table is a largest value), running and
 * peak 10 %, the night 5 % (common practice, no source).
 *   given   setup   what it has off draws nothing; NULL: all is on
 *           dark_s  mean dark time a night, for a rig that does not say how long it runs
 *   errors  NOTFOUND: the rig has no circuits */
enum nw_status nw_power_of(const struct nw_rig *rig, const struct nw_setup *setup, double dark_s,
                           struct nw_power *ret, struct nw_err *err) NW_CHECKED;
/* Mean time with the Sun below -18 deg (at high latitude: less) over a year at that latitude:
 * hours of cos H = (sin a - sin p sin d)/(cos p cos d), d = -23.44 deg cos(2 pi (N + 10)/365)
 * (Cooper 1969 form, from memory; within 3 min of nw_sky_dark's mean, at 60 deg 8 min). */
double nw_power_mean_dark_s(double latitude_rad);

struct nw_power_case {
    enum nw_power_moment moment;
    bool is_mean; /* running times duty instead of a moment */
    bool is_day;  /* what is left on by day instead */
    bool is_cut;  /* mains gives nothing */
    uint64_t off; /* bit i: load i is off */
};
struct nw_power_flow {
    double in_A, in_V, in_W; /* what its wire brings; at its end of the wire */
    double out_A, out_V;     /* of sources and hubs: what goes on */
    bool is_live;            /* a source with voltage stands above it */
    bool is_over;            /* a supply beyond its current */
};
struct nw_power_answer {
    struct nw_power_flow at[NW_POWER_MAX];
    double wires_W;  /* lost in all wires and contacts */
    bool is_settled; /* false: no steady state was found */
};
/* Steady state by sweeps from the loads to the sources and back. Below 0.6 of its nominal voltage a
 * load of constant power is taken as one of constant current (its converter has given up), so that
 * a collapse shows as low voltage. A supply does not limit its current here: is_over says so. */
void nw_power_solve(const struct nw_power *power, const struct nw_power_case *which,
                    struct nw_power_answer *ret);

/* ---- What follows --------------------------------------------------------------------------- */

struct nw_power_circuit { /* of one circuit, standard errors included */
    double volts[NW_POWER_N_MOMENTS], volts_sigma[NW_POWER_N_MOMENTS];
    double amps[NW_POWER_N_MOMENTS], amps_sigma[NW_POWER_N_MOMENTS];
    double watts[NW_POWER_N_MOMENTS], watts_sigma[NW_POWER_N_MOMENTS];
    double out_A[NW_POWER_N_MOMENTS], out_sigma_A[NW_POWER_N_MOMENTS];
    double short_A;                /* a short at its end of the wire, by resistance alone */
    bool fuse_is_idle;             /* the supply above cannot blow its fuse */
    bool goes_dark;                /* in a power cut, at once */
    double night_J, night_sigma_J; /* at its own terminals */
};
struct nw_brown_out {
    size_t circuit;
    double source_V, source_sigma_V; /* open voltage of the source at which it falls out */
};
struct nw_battery_case {
    const char *what; /* what still runs */
    double amps, time_s, time_sigma_s;
    size_t n_on;
};
struct nw_battery_answer {
    size_t circuit;
    struct nw_battery_case cases[3];
    size_t n_cases;
};
enum { NW_POWER_BATTERIES = 4 };
struct nw_power_result {
    struct nw_power model;
    struct nw_power_circuit at[NW_POWER_MAX];
    double wires_W[NW_POWER_N_MOMENTS];
    size_t main_source; /* the supply (or battery, mains) that feeds most watts to loads */
    size_t tightest;    /* the supply with the least headroom; n: there is none */
    struct nw_brown_out order[NW_POWER_MAX]; /* all at once, first to fall out first */
    size_t n_order;
    double root_W, root_sigma_W; /* mean of a night, from all sources that nothing feeds */
    double day_W, day_sigma_W;   /* the same by day */
    double night_J, night_sigma_J, year_J, year_sigma_J;
    struct nw_battery_answer batteries[NW_POWER_BATTERIES];
    size_t n_batteries;
    double close_s; /* reaction, park and roof, with power */
    double hand_s;  /* the same by hand */
};
/* NOTFOUND: no circuits; DATA: no steady state even while imaging. */
enum nw_status nw_power_result_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                  struct nw_power_result *ret, struct nw_err *err) NW_CHECKED;

/* The moment in which circuit i sees its lowest voltage, or takes its largest current. */
enum nw_power_moment nw_power_lowest(const struct nw_power_result *result, size_t i);
enum nw_power_moment nw_power_largest(const struct nw_power_result *result, size_t i);
/* The source whose voltage circuit i sees (supply, mains, battery that nothing feeds); SIZE_MAX for
 * a root. */
size_t nw_power_source_of(const struct nw_power *power, size_t i);
/* Whether circuit i hangs below circuit `above`, or is it. */
bool nw_power_is_below(const struct nw_power *power, size_t i, size_t above);

#endif
