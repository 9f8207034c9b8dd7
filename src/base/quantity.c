/* quantity.c - see quantity.h; the unit table is in units.c.
 * Idea: number, unit, then three questions: is the unit known, is it of the wanted dimension, and
 * does the key want a temperature or a difference. Every refusal says what was found and shows an
 * example of what was expected. */
#include "base/quantity.h"

#include <math.h>

#include "base/base_internal.h"
#include "base/constants.h"
#include "base/text.h"

static const struct {
    const char *words, *example;
} DIMS[] = {
#define X(name, words, example) [NW_DIM_##name] = {words, example},
    NW_DIM_LIST(X)
#undef X
};
enum { N_DIMS = sizeof DIMS / sizeof DIMS[0] };

const char *nw_dim_words(enum nw_dim dim) {
    return DIMS[dim].words;
}

const char *nw_dim_example(enum nw_dim dim) {
    return DIMS[dim].example;
}

static bool is_same(const struct base_unit *a, const struct base_unit *b) {
    return memcmp(a->dims.power, b->dims.power, sizeof a->dims.power) == 0;
}

/* The unit in the example of a dimension holds its exponents: no second table to keep right. */
static struct base_unit example_unit(enum nw_dim dim) {
    double number = 0.0;
    struct base_unit unit = {.factor = 1.0};
    const char *const text = nw_text_scan_double(DIMS[dim].example, &number);
    if (!text || *text == '\0' || base_unit_parse(text, &unit, NULL) != NW_OK) {
        unit = (struct base_unit){.factor = 1.0};
    }
    return unit;
}

static const char *words_of(const struct base_unit *unit) {
    for (int dim = 0; dim < N_DIMS; dim++) {
        const struct base_unit other = example_unit((enum nw_dim)dim);
        if (is_same(unit, &other)) {
            return DIMS[dim].words;
        }
    }
    return NULL;
}

static enum nw_status append_expected(enum nw_dim dim, enum nw_status status, struct nw_err *err) {
    if (err) {
        char found[sizeof err->text];
        memcpy(found, err->text, sizeof found);
        (void)nw_err_set(err, status, "%.300s; expected %s, for example \"%s\"", found,
                         DIMS[dim].words, DIMS[dim].example);
    }
    return status;
}

/* Is the unit what `dim` wants? `found` is the text as written, for the message. */
static enum nw_status check_unit(const char *found, struct base_unit *unit, enum nw_dim dim,
                                 struct nw_err *err) {
    const struct base_unit wanted = example_unit(dim);
    if (!is_same(unit, &wanted)) {
        const char *const words = words_of(unit);
        return nw_err_set(err, NW_FORMAT, "\"%s\" is %s, expected %s, for example \"%s\"", found,
                          words ? words : "of another dimension", DIMS[dim].words,
                          DIMS[dim].example);
    }
    if (dim == NW_DIM_SURFACE_BRIGHTNESS) {
        /* a logarithm: other areas would need an offset, so it stays in mag/arcsec2 as it is */
        if (!(fabs(unit->factor / wanted.factor - 1.0) < 1e-9)) {
            return nw_err_set(err, NW_FORMAT,
                              "\"%s\" is not per square arcsecond, expected mag/arcsec2", found);
        }
        unit->factor = 1.0;
    }
    return NW_OK;
}

/* Reads `text` as a unit for `dim` ("" only for plain numbers). */
static enum nw_status read_unit(const char *found, const char *text, enum nw_dim dim,
                                struct base_unit *ret, struct nw_err *err) {
    struct base_unit unit = {.factor = 1.0};
    if (*text == '\0') {
        if (dim != NW_DIM_NUMBER) {
            return nw_err_set(err, NW_FORMAT, "\"%s\" has no unit, expected %s, for example \"%s\"",
                              found, DIMS[dim].words, DIMS[dim].example);
        }
        *ret = unit;
        return NW_OK;
    }
    enum nw_status status = base_unit_parse(text, &unit, err);
    if (status != NW_OK) {
        return append_expected(dim, status, err);
    }
    status = check_unit(found, &unit, dim, err);
    if (status == NW_OK) {
        *ret = unit;
    }
    return status;
}

/* Why the number does not end where a unit may begin; NW_OK when it does. */
static enum nw_status check_number_end(const char *found, const char *end, enum nw_dim dim,
                                       struct nw_err *err) {
    if (*end == ',' || *end == ':' || *end == '.' || *end == '+' || *end == '-' || *end == '\'') {
        const char *const advice = *end == ','   ? "write a decimal point, not a comma"
                                   : *end == ':' ? "sexagesimal numbers are not read"
                                                 : "the number is malformed";
        return append_expected(dim, nw_err_set(err, NW_FORMAT, "\"%s\": %s", found, advice), err);
    }
    return NW_OK;
}

enum nw_status nw_quantity_read(const char *text, enum nw_dim dim, double *ret,
                                struct nw_err *err) {
    char found[BASE_QUOTE_BYTES];
    base_quote(found, base_skip_blanks(text));
    double number = 0.0;
    const char *const end = nw_text_scan_double(base_skip_blanks(text), &number);
    if (!end) {
        return append_expected(dim, nw_err_set(err, NW_FORMAT, "\"%s\" is not a number", found),
                               err);
    }
    struct base_unit unit = {.factor = 1.0};
    enum nw_status status = check_number_end(found, end, dim, err);
    if (status == NW_OK) {
        status = read_unit(found, base_skip_blanks(end), dim, &unit, err);
    }
    if (status != NW_OK) {
        return status;
    }
    if (dim == NW_DIM_TEMPERATURE_DIFFERENCE && unit.is_scale) {
        return nw_err_set(err, NW_FORMAT,
                          "\"%s\" is a temperature, expected a temperature difference: write "
                          "\"%.6g K\"",
                          found, number * unit.factor);
    }
    const double value = number * unit.factor + unit.zero_si;
    if (!isfinite(value)) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" is too large a number", found);
    }
    if (dim == NW_DIM_TEMPERATURE && value < 0.0) {
        return nw_err_set(err, NW_DOMAIN,
                          "\"%s\" is below absolute zero, expected %s, for example \"%s\"", found,
                          DIMS[dim].words, DIMS[dim].example);
    }
    *ret = value;
    return NW_OK;
}

enum nw_status nw_unit_read(const char *unit, enum nw_dim dim, double *ret_factor,
                            double *ret_offset, struct nw_err *err) {
    char found[BASE_QUOTE_BYTES];
    const char *const text = base_skip_blanks(unit ? unit : "");
    base_quote(found, text);
    struct base_unit read = {.factor = 1.0};
    const enum nw_status status = read_unit(found, text, dim, &read, err);
    if (status != NW_OK) {
        return status;
    }
    if (dim == NW_DIM_TEMPERATURE_DIFFERENCE && read.is_scale) {
        return nw_err_set(err, NW_FORMAT,
                          "\"%s\" is a temperature scale, expected the unit of a difference: "
                          "write \"K\"",
                          found);
    }
    *ret_factor = read.factor;
    *ret_offset = read.zero_si;
    return NW_OK;
}

enum nw_status nw_quantity_write(double value_si, enum nw_dim dim, const char *unit, int digits,
                                 char *text, size_t text_size, struct nw_err *err) {
    double factor = 1.0;
    double offset = 0.0;
    const enum nw_status status = nw_unit_read(unit, dim, &factor, &offset, err);
    if (status != NW_OK) {
        return status;
    }
    if (!isfinite(value_si)) {
        return nw_err_set(err, NW_DOMAIN, "%g is not a value that can be written", value_si);
    }
    const int precision = digits < 1 ? 1 : digits > 17 ? 17 : digits;
    const bool is_bare = !unit || *unit == '\0';
    const int n_bytes =
        snprintf(text, text_size, "%.*g%s%s", precision, (value_si - offset) / factor,
                 is_bare ? "" : " ", is_bare ? "" : unit);
    if (n_bytes < 0 || (size_t)n_bytes >= text_size) {
        return nw_err_set(err, NW_LIMIT, "a quantity does not fit into %zu bytes", text_size);
    }
    return NW_OK;
}
