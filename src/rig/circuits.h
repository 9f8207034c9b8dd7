/* circuits.h - what is wired to what, how the rig is used, where frames are kept: the keys
 * circuits.*, usage and storage. A second public header of rig, beside rig.h.
 *
 * Circuits form a tree (or several): every one but mains and batteries alone hangs on another by a
 * wire of its own. A wire's length is one way; current goes there and back. */
#ifndef NW_RIG_CIRCUITS_H
#define NW_RIG_CIRCUITS_H

#include "rig/rig.h"

enum nw_circuit_kind {
    NW_CIRCUIT_MAINS,
    NW_CIRCUIT_BATTERY, /* alone, or fed: then it steps in when what feeds it fails */
    NW_CIRCUIT_SUPPLY,  /* makes its own voltage out of what feeds it */
    NW_CIRCUIT_HUB,     /* splits */
    NW_CIRCUIT_LOAD,
    NW_CIRCUIT_N_KINDS
};
enum nw_draws { NW_DRAWS_POWER, NW_DRAWS_CURRENT, NW_DRAWS_RESISTANCE };
/* When a load takes its peak. */
enum nw_peaks {
    NW_PEAKS_NEVER,
    NW_PEAKS_COOLING,
    NW_PEAKS_HEATING,
    NW_PEAKS_SLEWING,
    NW_PEAKS_ROOF,
    NW_PEAKS_ALWAYS
};
enum nw_wire_make { NW_WIRE_FLEXIBLE, NW_WIRE_TINNED, NW_WIRE_SOLID, NW_WIRE_CLAD };

struct nw_circuit {
    char name[NW_NAME_SIZE]; /* first: parts are found by it */
    char kind_word[12], fed_by[NW_NAME_SIZE], draws_word[12], peaks_word[12], needed_word[8];
    char chemistry[12], make_word[12], goes_with[64], serial[NW_NAME_SIZE];
    enum nw_circuit_kind kind;
    size_t feeder;              /* index of fed_by; SIZE_MAX: nothing feeds it */
    struct nw_val voltage_V;    /* of mains, supply, battery: without load */
    struct nw_val current_A;    /* the most that a supply gives */
    struct nw_val efficiency;   /* of a supply, output over input without its own need */
    struct nw_val own_W;        /* what supply or hub need themselves */
    struct nw_val power_factor; /* of what hangs on mains */
    struct nw_val inner_ohm;    /* of supply or battery: how its voltage sags */
    struct nw_val fuse_A;       /* in the wire that feeds it */
    /* the wire that feeds it; length NaN: no wire, it sits on its feeder */
    struct nw_val wire_length_m, wire_area_m2, wire_gauge, wire_temperature_K;
    enum nw_wire_make make;
    struct nw_val contacts_ohm; /* of all contacts of both conductors together */
    /* of a load */
    struct nw_val running_W, peak_W, duty, by_day_W, least_V;
    enum nw_draws draws;
    enum nw_peaks peaks;
    bool is_needed_to_close;
    /* of a battery */
    struct nw_val charge_C, rated_s, usable, peukert;
};

struct nw_usage {
    struct nw_val nights_a_year, night_s; /* night: unknown = the mean dark time of the site */
};

struct nw_store {
    struct nw_val free_B, link_B_s, pause_s, calibration, packed;
};

struct nw_wiring {
    struct nw_circuit *items;
    size_t n;
    struct nw_usage usage;
    struct nw_store store;
    bool has_store; /* the file has a section `storage` */
};

const char *nw_circuit_kind_name(enum nw_circuit_kind kind);

#endif
