/* keys_circuits.c - keys of the rig file: circuits from mains to loads, usage, storage. */
#include "rig/circuits.h"
#include "rig/keys_row.h"

#define OF(p, m, d, lo, hi, how, text)                                                             \
    DERIVED("circuits.*." p, CIRCUIT, nw_circuit, m, d, lo, hi, how, text)
#define USUAL(p, m, d, lo, hi, def, sig, reason, text)                                             \
    ASSUMED("circuits.*." p, CIRCUIT, nw_circuit, m, d, lo, hi, def, sig, reason, text)
#define SAYS(p, m, list, def, fl, text)                                                            \
    WORD("circuits.*." p, CIRCUIT, nw_circuit, m, list, def, fl, text)

static const struct nw_rig_key ROWS[] = {
    SAYS("kind", kind_word, "mains|battery|supply|hub|load", NULL, NW_RIG_REQUIRED,
         "what it is: a supply makes its own voltage out of what feeds it, a hub splits, a battery "
         "that is fed steps in when what feeds it fails"),
    SAYS("fed_by", fed_by, NULL, "", 0,
         "the circuit that feeds it; mains has none, a battery alone has none"),
    SAYS("serial", serial, NULL, "", 0, "serial number or mark on it, for the sheet"),
    OF("voltage", voltage_V, VOLTAGE, "3 V", "500 V", "needed by mains, supply and battery",
       "its voltage without load"),
    OF("current", current_A, CURRENT, "0.01 A", "200 A", "needed by a supply",
       "the most that the supply gives"),
    USUAL("efficiency", efficiency, NUMBER, "0.3", "1", "0.85", "0.05", PRACTICE,
          "output over input of a supply"),
    USUAL("own", own_W, POWER, "0 W", "1 kW", "0 W", "0 W", "none unless it is said",
          "what a supply or a hub needs itself, even with nothing on it"),
    USUAL("power_factor", power_factor, NUMBER, "0.3", "1", "0.9", "0.1", PRACTICE,
          "of a supply or load on mains: watts over volts times amps"),
    USUAL("inner_resistance", inner_ohm, RESISTANCE, "0 mohm", "10 ohm", "5 mohm", "5 mohm",
          PRACTICE, "of a supply or battery: by how much its voltage sags for each ampere"),
    OF("fuse", fuse_A, CURRENT, "0.05 A", "200 A", "not known: no headroom is told",
       "fuse or breaker in the wire that feeds it"),
    OF("wire.length", wire_length_m, LENGTH, "0 m", "500 m", "not known: it sits on what feeds it",
       "length of the wire that feeds it, one way; there and back is counted"),
    OF("wire.area", wire_area_m2, AREA, "0.05 mm2", "70 mm2",
       "from wire.gauge; one of the two is needed where there is a wire", "area of one conductor"),
    OF("wire.gauge", wire_gauge, NUMBER, "0", "36", "from wire.area",
       "or its number in the American wire gauge (ASTM B258)"),
    SAYS("wire.make", make_word, "flexible|tinned|solid|clad", "flexible", 0,
         "its conductor: fine strands (IEC 60228 class 5), the same tinned, solid or coarse (class "
         "1 and 2), or aluminium clad with copper"),
    OF("wire.temperature", wire_temperature_K, TEMPERATURE, "-40 degC", "90 degC",
       "site.temperature", "temperature of the wire"),
    USUAL("contacts", contacts_ohm, RESISTANCE, "0 mohm", "1 ohm", "10 mohm", "8 mohm", PRACTICE,
          "all plugs and contacts of the wire together, both conductors"),
    OF("running", running_W, POWER, "0 W", "5 kW", "needed by a load",
       "what the load takes while it runs through the night, mean, at the voltage of its source"),
    OF("peak", peak_W, POWER, "0 W", "5 kW", "as running", "the most that it takes"),
    SAYS("peaks_when", peaks_word, "never|cooling|heating|slewing|roof|always", "never", 0,
         "when it takes that: cooling down, heating straps on in full, slewing, the roof moving"),
    SAYS("draws", draws_word, "power|current|resistance", "power", 0,
         "what stays the same when its voltage sinks: power (converters inside), current, "
         "resistance (heating straps)"),
    USUAL("duty", duty, NUMBER, "0", "1", "1", "0.1", "on all night unless it is said",
          "share of the night in which it runs"),
    USUAL("by_day", by_day_W, POWER, "0 W", "1 kW", "0 W", "0 W", "off by day unless it is said",
          "what it takes by day and in nights that are not used"),
    OF("least_voltage", least_V, VOLTAGE, "1 V", "500 V",
       "10 % below the nominal voltage (12 V where the source has 11 to 15 V; common practice, no "
       "source)",
       "below this it stops, resets or loses its way"),
    SAYS("needed_to_close", needed_word, "yes|no", "no", 0,
         "whether the mount cannot park or the roof not shut without it"),
    SAYS("goes_with_it", goes_with, NULL, "", 0, "what is lost when it goes dark, in a few words"),
    SAYS("chemistry", chemistry, "lead|lithium", "lead", 0, "of a battery"),
    OF("charge", charge_C, CHARGE, "0.1 Ah", "2000 Ah", "needed by a battery",
       "what is written on the battery, Ah"),
    USUAL("rated_over", rated_s, TIME, "0.2 h", "100 h", "20 h", "1 h", PRACTICE,
          "the discharge time that this holds for"),
    OF("usable", usable, NUMBER, "0.05", "1",
       "lead 0.5, lithium iron phosphate 0.85 (common practice, no source)",
       "the share of it that is used before it is charged again"),
    OF("peukert", peukert, NUMBER, "1", "1.6",
       "lead 1.2, lithium 1.03 (common practice, no source)",
       "Peukert's exponent: how much less a fast discharge gives"),

    /* ---- usage ---- */
    ASSUMED("usage.nights_a_year", USAGE, nw_usage, nights_a_year, NUMBER, "1", "366", "100", "40",
            PRACTICE, "nights a year in which the rig runs"),
    DERIVED("usage.night", USAGE, nw_usage, night_s, TIME, "0.2 h", "24 h",
            "the mean dark time of the site over the year, Sun 18 degrees down",
            "how long it runs in one of them"),

    /* ---- storage ---- */
    DERIVED("storage.free", STORE, nw_store, free_B, DATA_SIZE, "1 MB", "1000 TB",
            "not known: when it is full is not told", "room that is left for frames"),
    DERIVED("storage.link", STORE, nw_store, link_B_s, DATA_RATE, "1 kB/s", "10 GB/s",
            "not known: how long a night takes over it is not told",
            "what the link to where the frames go really carries"),
    ASSUMED("storage.pause", STORE, nw_store, pause_s, TIME, "0 s", "600 s", "12 s", "6 s",
            PRACTICE,
            "between the end of a sub and the start of the next: download, dither, settling"),
    ASSUMED("storage.calibration_frames", STORE, nw_store, calibration, NUMBER, "0", "2000", "30",
            "20", PRACTICE, "flats, darks and the like of one night"),
    ASSUMED("storage.packed", STORE, nw_store, packed, NUMBER, "0.05", "1", "1", "0",
            "frames are kept as they are unless it is said",
            "share of its size that a frame keeps when it is compressed"),
};
KEYS_OF(circuits, ROWS);
