/* units.c - the unit table and compound units ("um/m/K", "mag/arcsec2"); see base_internal.h.
 * Idea: a unit is a factor to SI and one exponent per base dimension; products add exponents. "/"
 * divides by the next name only, so um/m/K is um m^-1 K^-1.
 * Sources: SI Brochure (9th ed., 2019) tables 1, 4, 7, 8; NIST SP 811 (2008), app. B, for inch,
 * foot, pound, ounce, mmHg, degF; IEC 80000-13:2008 for KiB to TiB; angles are parts of
 * a turn. */
#include "base/base_internal.h"

#include "base/constants.h"
#include "base/text.h"

enum { ATOMS_MAX = 8, POWER_MAX = 9, NAME_MAX_BYTES = 16 };

#define DEG NW_RAD_PER_DEG
#define IN 0.0254
#define LB 0.45359237

struct unit_row {
    const char *name;
    double factor;
    struct base_dims dims;
};

/* exponents of m kg s A K rad mag e adu px byte */
#define D(...)                                                                                     \
    {                                                                                              \
        { __VA_ARGS__ }                                                                            \
    }
#define ONE D(0)
#define LENGTH D(1)
#define MASS D(0, 1)
#define TIME D(0, 0, 1)
#define FREQUENCY D(0, 0, -1)
#define CURRENT D(0, 0, 0, 1)
#define TEMPERATURE D(0, 0, 0, 0, 1)
#define ANGLE D(0, 0, 0, 0, 0, 1)
#define MAGNITUDE D(0, 0, 0, 0, 0, 0, 1)
#define ELECTRONS D(0, 0, 0, 0, 0, 0, 0, 1)
#define COUNTS D(0, 0, 0, 0, 0, 0, 0, 0, 1)
#define PIXELS D(0, 0, 0, 0, 0, 0, 0, 0, 0, 1)
#define BYTES D(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1)
#define FORCE D(1, 1, -2)
#define PRESSURE D(-1, 1, -2)
#define ENERGY D(2, 1, -2)
#define POWER D(2, 1, -3)
#define VOLTAGE D(2, 1, -3, -1)
#define RESISTANCE D(2, 1, -3, -2)
#define CHARGE D(0, 0, 1, 1)

/* clang-format off */
static const struct unit_row UNITS[] = {
    {"1", 1.0, ONE}, {"%", 0.01, ONE}, {"percent", 0.01, ONE}, {"ppm", 1e-6, ONE},
    {"m", 1.0, LENGTH}, {"km", 1e3, LENGTH}, {"cm", 1e-2, LENGTH}, {"mm", 1e-3, LENGTH},
    {"um", 1e-6, LENGTH}, {"nm", 1e-9, LENGTH}, {"in", IN, LENGTH}, {"ft", 12 * IN, LENGTH},
    {"kg", 1.0, MASS}, {"g", 1e-3, MASS}, {"mg", 1e-6, MASS},
    {"lb", LB, MASS}, {"oz", LB / 16, MASS},
    {"s", 1.0, TIME}, {"ms", 1e-3, TIME}, {"us", 1e-6, TIME}, {"ns", 1e-9, TIME},
    {"sec", 1.0, TIME}, {"min", 60.0, TIME}, {"h", 3600.0, TIME}, {"hour", 3600.0, TIME},
    {"d", 86400.0, TIME}, {"day", 86400.0, TIME}, {"yr", 365.25 * 86400.0, TIME},
    {"Hz", 1.0, FREQUENCY}, {"kHz", 1e3, FREQUENCY},
    {"rad", 1.0, ANGLE}, {"mrad", 1e-3, ANGLE}, {"urad", 1e-6, ANGLE}, {"deg", DEG, ANGLE},
    {"arcmin", DEG / 60.0, ANGLE}, {"arcsec", DEG / 3600.0, ANGLE}, {"mas", DEG / 3.6e6, ANGLE},
    {"A", 1.0, CURRENT}, {"mA", 1e-3, CURRENT},
    {"K", 1.0, TEMPERATURE}, {"mK", 1e-3, TEMPERATURE},
    {"degC", 1.0, TEMPERATURE}, {"degF", 5.0 / 9.0, TEMPERATURE},
    {"mag", 1.0, MAGNITUDE}, {"mmag", 1e-3, MAGNITUDE},
    {"e", 1.0, ELECTRONS}, {"e-", 1.0, ELECTRONS}, {"ke", 1e3, ELECTRONS},
    {"electron", 1.0, ELECTRONS}, {"electrons", 1.0, ELECTRONS},
    {"adu", 1.0, COUNTS}, {"ADU", 1.0, COUNTS}, {"DN", 1.0, COUNTS},
    {"px", 1.0, PIXELS}, {"pixel", 1.0, PIXELS}, {"Mpx", 1e6, PIXELS},
    {"B", 1.0, BYTES}, {"byte", 1.0, BYTES}, {"bit", 0.125, BYTES}, {"kB", 1e3, BYTES},
    {"MB", 1e6, BYTES}, {"GB", 1e9, BYTES}, {"TB", 1e12, BYTES}, {"KiB", 1024.0, BYTES},
    {"MiB", 1048576.0, BYTES}, {"GiB", 1073741824.0, BYTES}, {"TiB", 1099511627776.0, BYTES},
    {"N", 1.0, FORCE}, {"J", 1.0, ENERGY}, {"kJ", 1e3, ENERGY}, {"MJ", 1e6, ENERGY},
    {"Wh", 3600.0, ENERGY}, {"kWh", 3.6e6, ENERGY},
    {"Pa", 1.0, PRESSURE}, {"hPa", 1e2, PRESSURE}, {"kPa", 1e3, PRESSURE},
    {"mbar", 1e2, PRESSURE}, {"bar", 1e5, PRESSURE}, {"mmHg", 133.322387415, PRESSURE},
    {"W", 1.0, POWER}, {"mW", 1e-3, POWER}, {"kW", 1e3, POWER},
    {"V", 1.0, VOLTAGE}, {"mV", 1e-3, VOLTAGE}, {"kV", 1e3, VOLTAGE},
    {"ohm", 1.0, RESISTANCE}, {"mohm", 1e-3, RESISTANCE}, {"kohm", 1e3, RESISTANCE},
    {"Ah", 3600.0, CHARGE}, {"mAh", 3.6, CHARGE},
};
/* clang-format on */
enum { N_UNITS = sizeof UNITS / sizeof UNITS[0] };

/* clang-format off */
/* Other ways to write the same thing (both Greek letters mu of Unicode) ... */
static const struct {
    const char *written, *unit;
} SPELLINGS[] = {
    {"µm", "um"}, {"μm", "um"}, {"µs", "us"}, {"μs", "us"}, {"µrad", "urad"}, {"μrad", "urad"},
    {"°", "deg"}, {"°C", "degC"}, {"°F", "degF"},
    {"″", "arcsec"}, {"′", "arcmin"}, {"\"", "arcsec"},
    {"Ω", "ohm"}, {"Ω", "ohm"}, {"mΩ", "mohm"}, {"mΩ", "mohm"},
};
/* ... and what is not read, since it means something else or nothing, with what to write. */
static const struct {
    const char *written, *unit;
} ADVICE[] = {
    {"C", "degC"}, {"c", "degC"}, {"F", "degF"}, {"celsius", "degC"}, {"kelvin", "K"},
    {"hr", "h"}, {"hrs", "h"}, {"hours", "h"}, {"secs", "s"}, {"second", "s"}, {"seconds", "s"},
    {"minute", "min"}, {"minutes", "min"}, {"days", "d"}, {"as", "arcsec"}, {"asec", "arcsec"},
    {"am", "arcmin"}, {"amin", "arcmin"}, {"degree", "deg"}, {"degrees", "deg"}, {"micron", "um"},
    {"microns", "um"}, {"inch", "in"}, {"inches", "in"}, {"metre", "m"}, {"meter", "m"},
    {"gram", "g"}, {"pix", "px"}, {"pixels", "px"}, {"counts", "adu"}, {"watt", "W"},
    {"volt", "V"}, {"ampere", "A"}, {"amp", "A"},
};
/* clang-format on */

static const struct unit_row *find_unit(const char *name) {
    for (size_t i = 0; i < sizeof SPELLINGS / sizeof SPELLINGS[0]; i++) {
        if (strcmp(name, SPELLINGS[i].written) == 0) {
            name = SPELLINGS[i].unit;
            break;
        }
    }
    for (size_t i = 0; i < N_UNITS; i++) {
        if (strcmp(name, UNITS[i].name) == 0) {
            return &UNITS[i];
        }
    }
    return NULL;
}

static enum nw_status unknown_unit(const char *name, struct nw_err *err) {
    const char *nearest = NULL;
    const char *names[N_UNITS];
    for (size_t i = 0; i < N_UNITS; i++) {
        names[i] = UNITS[i].name;
        if (nw_text_equal_nocase(name, names[i])) {
            nearest = names[i];
        }
    }
    for (size_t i = 0; i < sizeof ADVICE / sizeof ADVICE[0]; i++) {
        if (strcmp(name, ADVICE[i].written) == 0) {
            nearest = ADVICE[i].unit;
        }
    }
    if (!nearest) {
        nearest = nw_text_nearest(name, names, N_UNITS);
    }
    if (nearest) {
        return nw_err_set(err, NW_FORMAT, "unknown unit \"%s\", the nearest is \"%s\"", name,
                          nearest);
    }
    return nw_err_set(err, NW_FORMAT, "unknown unit \"%s\"", name);
}

static bool is_name_byte(char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '%' || c == '"' ||
           ((unsigned char)c & 0x80) != 0;
}

/* One name: letters, "1", or "e-" (where no digit makes the minus an exponent). */
static enum nw_status take_name(const char **at, char name[NAME_MAX_BYTES], struct nw_err *err) {
    const char *p = *at;
    while (is_name_byte(*p)) {
        p++;
    }
    if (p == *at && *p == '1' && !base_is_digit(p[1])) {
        p++;
    }
    if (p - *at == 1 && **at == 'e' && *p == '-' && !base_is_digit(p[1])) {
        p++;
    }
    const size_t len = (size_t)(p - *at);
    if (len == 0) {
        return nw_err_set(err, NW_FORMAT, "a unit name is missing before \"%.16s\"", *at);
    }
    if (len >= NAME_MAX_BYTES) {
        return nw_err_set(err, NW_FORMAT, "unknown unit \"%.*s...\"", NAME_MAX_BYTES, *at);
    }
    memcpy(name, *at, len);
    name[len] = '\0';
    *at = p;
    return NW_OK;
}

/* "2", "-1", "^2", "^-1"; 1 where there is none. */
static enum nw_status take_power(const char **at, int *ret, struct nw_err *err) {
    const char *p = *at;
    const bool is_marked = *p == '^';
    p += is_marked ? 1 : 0;
    const bool is_negative = *p == '-';
    p += is_negative ? 1 : 0;
    if (!base_is_digit(*p)) {
        if (is_marked || is_negative) {
            return nw_err_set(err, NW_FORMAT, "an exponent is missing at \"%.16s\"", *at);
        }
        *ret = 1;
        return NW_OK;
    }
    const int power = *p - '0';
    if (base_is_digit(p[1]) || power == 0 || power > POWER_MAX) {
        return nw_err_set(err, NW_FORMAT, "exponent at \"%.16s\" is not 1 to %d", *at, POWER_MAX);
    }
    *at = p + 1;
    *ret = is_negative ? -power : power;
    return NW_OK;
}

static void multiply(struct base_unit *unit, const struct unit_row *row, int power) {
    for (int i = 0; i < BASE_N_DIMS; i++) {
        unit->dims.power[i] = (signed char)(unit->dims.power[i] + power * row->dims.power[i]);
    }
    const int n = power < 0 ? -power : power;
    for (int i = 0; i < n; i++) {
        /* divide rather than multiply by a rounded reciprocal */
        unit->factor = power < 0 ? unit->factor / row->factor : unit->factor * row->factor;
    }
}

/* Where a lone temperature has its zero; compounds (degC/h, um/degC) are differences. */
static void set_zero(struct base_unit *unit, const struct unit_row *row) {
    if (strcmp(row->name, "degC") == 0) {
        unit->zero_si = NW_ZERO_CELSIUS_K;
        unit->is_scale = true;
    } else if (strcmp(row->name, "degF") == 0) {
        unit->zero_si = NW_ZERO_CELSIUS_K - 32.0 * 5.0 / 9.0; /* NIST SP 811, B.8 */
        unit->is_scale = true;
    }
}

enum nw_status base_unit_parse(const char *text, struct base_unit *ret, struct nw_err *err) {
    struct base_unit unit = {.factor = 1.0};
    const char *p = base_skip_blanks(text);
    char operation = '*';
    int n_atoms = 0;
    while (true) {
        char name[NAME_MAX_BYTES];
        int power = 1;
        enum nw_status status = take_name(&p, name, err);
        const struct unit_row *const row = status == NW_OK ? find_unit(name) : NULL;
        if (status == NW_OK && !row) {
            status = unknown_unit(name, err);
        }
        if (status == NW_OK) {
            status = take_power(&p, &power, err);
        }
        if (status != NW_OK || !row) {
            return status;
        }
        if (++n_atoms > ATOMS_MAX) {
            return nw_err_set(err, NW_FORMAT, "unit has more than %d parts", ATOMS_MAX);
        }
        multiply(&unit, row, operation == '/' ? -power : power);
        const char *const next = base_skip_blanks(p);
        if (*next == '\0') {
            if (n_atoms == 1 && power == 1) {
                set_zero(&unit, row);
            }
            break;
        }
        /* blanks alone multiply ("N m") */
        const bool is_sign = *next == '/' || *next == '*' || *next == '.';
        operation = is_sign ? *next : '*';
        if (!is_sign && next == p) {
            return nw_err_set(err, NW_FORMAT, "\"%.16s\" does not belong in a unit", p);
        }
        p = is_sign ? base_skip_blanks(next + 1) : next;
    }
    *ret = unit;
    return NW_OK;
}
