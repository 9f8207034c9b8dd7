/* quantity.h - numbers with units in text: "448 mm", "3.76 um", "25 W", "1.7 arcsec".
 * Idea: a unit is a factor to SI and a vector of dimension exponents; the key, not the unit, says
 * which dimension is wanted and whether a temperature is absolute or a difference. */
#ifndef NW_QUANTITY_H
#define NW_QUANTITY_H

#include <stddef.h>

#include "base/err.h"

/* What a key may hold; name, dimension in words for error texts, an example. Inside all values are
 * SI and radians (temperatures absolute in K, electrons and ADU counted as such, mag as such, data
 * in bytes; plain numbers may carry %, percent or ppm). The unit of the example says the exponents,
 * so an example must be readable as its own dimension. */
#define NW_DIM_LIST(X)                                                                             \
    X(NUMBER, "a plain number", "0.8")                                                             \
    X(LENGTH, "a length", "448 mm")                                                                \
    X(ANGLE, "an angle", "1.7 arcsec")                                                             \
    X(TIME, "a time", "300 s")                                                                     \
    X(MASS, "a mass", "5.2 kg")                                                                    \
    X(TEMPERATURE, "a temperature", "-10 degC")                                                    \
    X(TEMPERATURE_DIFFERENCE, "a temperature difference", "0.5 K")                                 \
    X(SPEED, "a speed", "8 m/s")                                                                   \
    X(ANGULAR_RATE, "an angular rate", "7.5 arcsec/s")                                             \
    X(TEMPERATURE_RATE, "a temperature rate", "-1.2 K/h")                                          \
    X(EXPANSION, "an expansion coefficient", "23.6 um/m/K")                                        \
    X(LENGTH_PER_TEMPERATURE, "a length per kelvin", "16 um/K")                                    \
    X(PRESSURE, "a pressure", "900 hPa")                                                           \
    X(TORQUE, "a turning moment", "0.5 N m")                                                       \
    X(POWER, "a power", "25 W")                                                                    \
    X(VOLTAGE, "a voltage", "13.8 V")                                                              \
    X(CURRENT, "a current", "3 A")                                                                 \
    X(RESISTANCE, "a resistance", "20 mohm")                                                       \
    X(CHARGE, "a charge", "100 Ah")                                                                \
    X(DATA_RATE, "a data rate", "100 MB/s")                                                        \
    X(ELECTRONS, "a charge in electrons", "1.6 e")                                                 \
    X(ELECTRONS_PER_ADU, "a conversion gain", "0.25 e/adu")                                        \
    X(ELECTRONS_PER_TIME, "a dark current", "0.001 e/s")                                           \
    X(ADU, "a count of ADU", "500 adu")                                                            \
    X(SURFACE_BRIGHTNESS, "a surface brightness", "21.2 mag/arcsec2")                              \
    X(MAGNITUDE, "a magnitude", "9.5 mag")                                                         \
    X(AREA, "an area", "2.5 m2")                                                                   \
    X(VOLUME, "a volume", "12 m3")                                                                 \
    X(RATE, "a rate", "0.5 1/h")                                                                   \
    X(MASS_RATE, "a mass in a time", "0.15 kg/h")                                                  \
    X(HEAT_CAPACITY, "a heat capacity", "9 kJ/K")                                                  \
    X(CONDUCTANCE, "a heat loss per kelvin", "5 W/K")                                              \
    X(INSULATION, "an insulation", "0.5 m2 K/W")                                                   \
    X(SPECIFIC_ENERGY, "an energy per mass", "5 kJ/g")                                             \
    X(DATA_SIZE, "a data size", "52 MB")

enum nw_dim {
#define X(name, words, example) NW_DIM_##name,
    NW_DIM_LIST(X)
#undef X
};

const char *nw_dim_words(enum nw_dim dim);   /* "a length" */
const char *nw_dim_example(enum nw_dim dim); /* "448 mm" */

/* Reads `text` as a number and a unit of dimension `dim`; *ret in SI. FORMAT errors say what was
 * found and what was expected, with an example: missing unit, wrong dimension, unknown unit (with
 * the nearest known one), text that is no number, NaN or infinite. "-10 degC" is a temperature;
 * "5 degC" where a difference is wanted is an error that says to write "5 K"; "5 K" is also an
 * absolute temperature of 5 K. DOMAIN: below absolute zero. A blank before the unit may be left
 * out. Units: table in units.c; compounds with '/' (the next name only), '.', '*' or a blank, and
 * exponents -9 to 9 ("arcsec/s", "um/m/K", "m2", "s^-1"); in compounds degC is a difference.
 * SURFACE_BRIGHTNESS stays in mag/arcsec2 as it is (a logarithm; no other unit is taken). */
enum nw_status nw_quantity_read(const char *text, enum nw_dim dim, double *ret,
                                struct nw_err *err) NW_CHECKED;

/* Factor and offset of a unit alone, for table columns: value_si = value * factor + offset. "" or
 * NULL is a unit for plain numbers only. */
enum nw_status nw_unit_read(const char *unit, enum nw_dim dim, double *ret_factor,
                            double *ret_offset, struct nw_err *err) NW_CHECKED;

/* Writes value_si in the given unit ("%.*g unit", 1 to 17 digits) into text; for messages and
 * drafts. DOMAIN when it is not finite, LIMIT when text is too small. */
enum nw_status nw_quantity_write(double value_si, enum nw_dim dim, const char *unit, int digits,
                                 char *text, size_t text_size, struct nw_err *err) NW_CHECKED;

#endif
