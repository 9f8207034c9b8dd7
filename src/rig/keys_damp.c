/* keys_damp.c - keys of the rig file: damp, surfaces, cover, room, dryer. */
#include "rig/keys_row.h"

#define DAMP(p, m, d, lo, hi, def, sig, reason, text)                                              \
    ASSUMED("damp." p, DAMP, nw_damp, m, d, lo, hi, def, sig, reason, text)
#define SURFACE(p, m, d, lo, hi, def, sig, reason, text)                                           \
    ASSUMED("surfaces.*." p, SURFACE, nw_dew_surface, m, d, lo, hi, def, sig, reason, text)
#define COVER(p, m, d, lo, hi, def, sig, reason, text)                                             \
    ASSUMED("cover." p, COVER, nw_cover, m, d, lo, hi, def, sig, reason, text)
#define ROOM(p, m, d, lo, hi, def, sig, reason, text)                                              \
    ASSUMED("room." p, ROOM, nw_room, m, d, lo, hi, def, sig, reason, text)
#define DRYER(p, m, d, lo, hi, def, sig, reason, text)                                             \
    ASSUMED("dryer." p, DRYER, nw_dryer, m, d, lo, hi, def, sig, reason, text)

static const struct nw_rig_key ROWS[] = {
    DAMP("margin", margin_K, TEMPERATURE_DIFFERENCE, "0 K", "20 K", "2 K", "0 K", PRACTICE,
         "how far every surface is to stay above the dew point"),
    DAMP("settled", settled_K, TEMPERATURE_DIFFERENCE, "0.05 K", "10 K", "0.5 K", "0 K", PRACTICE,
         "tube and lens are settled when less than this is left of their cooling"),
    WORD("damp.sky", DAMP, nw_damp, sky, "berdahl-martin|clark-allen|brunt|berger|recalibrated",
         "berdahl-martin", 0, "coefficients for the cold of the clear sky (docs/air.md)"),
    DAMP("wind", wind_m_s, SPEED, "0 m/s", "40 m/s", "1.5 m/s", "1 m/s", PRACTICE,
         "wind at the ground in a usual night"),
    DAMP("cloud", cloud_share, NUMBER, "0", "1", "0", "0.1", "nights that are used are clear",
         "share of the sky covered in a usual night"),

    WORD("surfaces.*.kind", SURFACE, nw_dew_surface, kind, "lens|tube|other", NULL, NW_RIG_REQUIRED,
         "what it is"),
    WORD("surfaces.*.telescope", SURFACE, nw_dew_surface, telescope, NULL, "", 0,
         "the telescope it is a part of: a tube's cooling moves that focus"),
    NEEDED("surfaces.*.area", SURFACE, nw_dew_surface, area_m2, AREA, "1 cm2", "100 m2",
           "its area that faces air and sky: pi/4 d^2 of a lens, pi d l of a tube"),
    DERIVED("surfaces.*.heat_capacity", SURFACE, nw_dew_surface, heat_capacity_J_K, HEAT_CAPACITY,
            "1 J/K", "10 MJ/K",
            "lens: glass of 0.15 diameters; tube and others: 2 mm of aluminium; +- 40 % (common "
            "practice, no source)",
            "mass times specific heat"),
    SURFACE("emissivity", emissivity, NUMBER, "0.02", "1", "0.9", "0.05",
            "glass and paint (handbook value, from memory); bare polished metal 0.05 to 0.2",
            "in the thermal infrared, whatever its colour"),
    DERIVED("surfaces.*.sky_share", SURFACE, nw_dew_surface, sky_share, NUMBER, "0", "1",
            "lens: 0.3 +- 0.15, behind a shield; tube and others: 0.4 +- 0.15 (common practice, no "
            "source)",
            "share of the sky in what it sees, roof open; of a lens at the bottom of a shield of "
            "radius r and length s: r^2/(r^2+s^2)"),
    SURFACE("wind_share", wind_share, NUMBER, "0", "1", "0.1", "0.1", PRACTICE,
            "share of the wind that is felt there, behind walls and shield"),
    SURFACE("strap", strap_W, POWER, "0 W", "200 W", "0 W", "0 W", "none unless it is said",
            "power of its heater strap"),
    SURFACE("strap_share", strap_share, NUMBER, "0.01", "1", "0.1", "0.05",
            "most goes into cell, tube and air (common practice, no source)",
            "share of the strap's heat that leaves through the surface"),

    WORD("cover.stands", COVER, nw_cover, stands, "sheltered|open", "sheltered", 0,
         "under the roof, or in the wind"),
    NEEDED("cover.area", COVER, nw_cover, area_m2, AREA, "0.05 m2", "100 m2",
           "its skin, all sides, without the floor"),
    COVER("insulation", insulation_m2_K_W, INSULATION, "0 m2 K/W", "5 m2 K/W", "0.02 m2 K/W",
          "0.02 m2 K/W", "plain cloth (common practice, no source)",
          "of the cloth alone, without the films of air: thickness over conductivity"),
    COVER("volume", volume_m3, VOLUME, "0.01 m3", "100 m3", "0.6 m3", "0.3 m3", PRACTICE,
          "air under it"),
    COVER("air_changes", air_changes_per_s, RATE, "0 1/h", "100 1/h", "3 1/h", "2 1/h", PRACTICE,
          "how often an hour that air is replaced"),
    COVER("heat_capacity", heat_capacity_J_K, HEAT_CAPACITY, "10 J/K", "10 MJ/K", "30 kJ/K",
          "15 kJ/K", "mount and weights, 60 kg of metal (common practice, no source)",
          "of what stands under it, surfaces not counted"),
    COVER("heater", heater_W, POWER, "0 W", "2 kW", "0 W", "0 W", "none unless it is said",
          "power of the heater under it"),
    DERIVED("cover.claimed_rise", COVER, nw_cover, claimed_rise_K, TEMPERATURE_DIFFERENCE, "0.1 K",
            "60 K", "nothing is claimed", "how warm it is said to stay above the room; judged"),

    NEEDED("room.volume", ROOM, nw_room, volume_m3, VOLUME, "0.1 m3", "10000 m3", "air in it"),
    NEEDED("room.area", ROOM, nw_room, area_m2, AREA, "1 m2", "10000 m2",
           "walls and roof that face the open, floor not counted"),
    ROOM("insulation", insulation_m2_K_W, INSULATION, "0 m2 K/W", "10 m2 K/W", "0.15 m2 K/W",
         "0.08 m2 K/W", "boards of 20 mm (handbook value, from memory)",
         "of walls and roof, without the films of air"),
    ROOM("air_changes", air_changes_per_s, RATE, "0 1/h", "1000 1/h", "1.5 1/h", "1 1/h",
         "wooden sheds, 0.5 to 3 (from memory)",
         "how often an hour its air is replaced, roof closed"),
    ROOM("open_air_changes", open_air_changes_per_s, RATE, "1 1/h", "3600 1/h", "60 1/h", "30 1/h",
         PRACTICE, "the same with the roof open"),
    ROOM("heat_capacity", heat_capacity_J_K, HEAT_CAPACITY, "100 J/K", "1000 MJ/K", "200 kJ/K",
         "100 kJ/K", PRACTICE, "of what is warm in it and of its walls' inner side"),
    ROOM("water_buffer", water_buffer_kg, MASS, "0 kg", "1000 kg", "1.5 kg", "1 kg", PRACTICE,
         "water that walls and things take up between 0 and 100 % of humidity"),
    ROOM("heater", heater_W, POWER, "0 W", "100 kW", "0 W", "0 W", "none unless it is said",
         "heat set free in it while the roof is closed"),
    ROOM("warmer_at_sunset", warmer_at_sunset_K, TEMPERATURE_DIFFERENCE, "-20 K", "40 K", "4 K",
         "3 K", PRACTICE, "how much warmer than the air it is, closed, when the Sun sets"),

    WORD("dryer.kind", DRYER, nw_dryer, kind, "desiccant|compressor", "desiccant", 0,
         "a bed or wheel that is heated, or a cold coil"),
    NEEDED("dryer.power", DRYER, nw_dryer, power_W, POWER, "1 W", "10 kW", "what it draws"),
    DERIVED("dryer.claimed_rate", DRYER, nw_dryer, claimed_rate_kg_s, MASS_RATE, "0.001 kg/h",
            "100 kg/h", "nothing is claimed", "water that it is said to take; judged"),
    DERIVED("dryer.energy", DRYER, nw_dryer, energy_J_kg, SPECIFIC_ENERGY, "0.1 kJ/g", "50 kJ/g",
            "desiccant 6.5 +- 1.5 kJ/g (measured dryers: 4.8 to 8.3), compressor 2.5 +- 0.9 kJ/g",
            "energy for each gram of water"),
    DERIVED("dryer.lowest", DRYER, nw_dryer, lowest_K, TEMPERATURE, "-20 degC", "40 degC",
            "nothing is said", "coldest room in which it is said to work; judged"),
    DRYER("target", target_humidity, NUMBER, "0.1", "0.95", "0.6", "0 %",
          "iron rusts above (common practice, no source)",
          "relative humidity that the room is to be dried to, as a share"),
};
KEYS_OF(damp, ROWS);
