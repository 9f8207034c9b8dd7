/* facts.c - what the usual keywords of a header say, in SI.
 * Idea: one row a fact: the spellings it goes by, in order of trust, the unit of the file, and the
 * range in which a value can be true. A value outside (0 for a focal length that nobody entered,
 * -999 for a missing probe) is no value: the next spelling is asked, then it is NaN.
 * The keywords are customs of camera programs, common practice, no source; only DATE-OBS, TIMESYS,
 * MJD-OBS, EXPOSURE, OBJECT, TELESCOP and INSTRUME stand in FITS 4.0 (sec. 4.4.2, 9). */
#include <math.h>

#include "image/fits_internal.h"

enum { MAX_SPELLINGS = 5 };

enum unit { PLAIN, MICRON, MILLIMETRE, CELSIUS, DEGREE, HOUR_ANGLE };

struct number_row {
    size_t at; /* in struct nw_frame_facts */
    enum unit unit;
    double lowest, highest; /* in the unit of the file */
    const char *keys[MAX_SPELLINGS];
};

#define AT(field) offsetof(struct nw_frame_facts, field)
static const struct number_row number_rows[] = {
    {AT(exposure_s), PLAIN, 0.0, 1e6, {"EXPTIME", "EXPOSURE", "XPOSURE"}},
    {AT(gain_setting), PLAIN, -1e6, 1e6, {"GAIN"}},
    {AT(offset_setting), PLAIN, -1e6, 1e6, {"OFFSET", "BLKLEVEL"}},
    {AT(gain_e_per_adu), PLAIN, 1e-6, 1e4, {"EGAIN"}},
    {AT(read_noise_e), PLAIN, 1e-3, 1e4, {"RDNOISE", "READNOIS"}},
    {AT(set_temperature_K), CELSIUS, -273.15, 400.0, {"SET-TEMP", "SETTEMP"}},
    {AT(chip_temperature_K), CELSIUS, -273.15, 400.0, {"CCD-TEMP", "CCDTEMP", "DET-TEMP"}},
    {AT(pixel_m), MICRON, 0.1, 1000.0, {"XPIXSZ", "PIXSIZE1", "PIXSZ"}},
    {AT(binning), PLAIN, 1.0, 64.0, {"XBINNING", "CCDXBIN", "HBIN", "CCDSUM"}},
    {AT(focal_length_m), MILLIMETRE, 1.0, 1e6, {"FOCALLEN"}},
    {AT(aperture_m), MILLIMETRE, 1.0, 1e5, {"APTDIA"}},
    {AT(focuser_steps), PLAIN, -1e7, 1e8, {"FOCUSPOS", "FOCPOS"}},
    {AT(focuser_temperature_K), CELSIUS, -90.0, 60.0, {"FOCTEMP", "FOCUSTEM"}},
    {AT(airmass), PLAIN, 0.99, 100.0, {"AIRMASS", "SECZ"}},
    {AT(ra_rad), HOUR_ANGLE, 0.0, 360.0, {"RA", "OBJCTRA", "TELRA"}},
    {AT(dec_rad), DEGREE, -90.0, 90.0, {"DEC", "OBJCTDEC", "TELDEC"}},
    {AT(altitude_rad), DEGREE, -90.0, 90.0, {"CENTALT", "OBJCTALT", "TELALT"}},
    {AT(azimuth_rad), DEGREE, -180.0, 360.0, {"CENTAZ", "OBJCTAZ", "TELAZ"}},
    {AT(latitude_rad), DEGREE, -90.0, 90.0, {"SITELAT", "LAT-OBS", "OBSGEO-B"}},
    {AT(longitude_rad), DEGREE, -180.0, 360.0, {"SITELONG", "LONG-OBS", "OBSGEO-L"}},
    {AT(elevation_m), PLAIN, -500.0, 9000.0, {"SITEELEV", "ALT-OBS", "OBSGEO-H"}},
    {AT(rotator_rad), DEGREE, -360.0, 360.0, {"ROTATANG", "ROTATOR"}},
    {AT(saturation_adu), PLAIN, 1.0, 1e12, {"SATURATE", "MAXLIN"}},
};

struct text_row {
    size_t at, size;
    const char *keys[MAX_SPELLINGS];
};
#define TEXT_AT(field) AT(field), sizeof((struct nw_frame_facts *)NULL)->field
static const struct text_row text_rows[] = {
    {TEXT_AT(filter), {"FILTER", "FILTER1", "FILTNAM"}},
    {TEXT_AT(object), {"OBJECT"}},
    {TEXT_AT(camera), {"INSTRUME", "CAMERA", "DETECTOR"}},
    {TEXT_AT(telescope), {"TELESCOP"}},
    {TEXT_AT(image_type), {"IMAGETYP", "OBSTYPE", "FRAMETYP"}},
    {TEXT_AT(bayer), {"BAYERPAT"}},
    {TEXT_AT(tube_side), {"PIERSIDE"}},
};

/* "12:34:56.7", "-00 55 31", "33 27" and "70:24:15 W" as units of the first part. Text with a sign
 * letter other than N, S, E, W, with parts of 60 or more, or with one part only is none. */
static bool read_sexagesimal(const char *text, double *ret) {
    char copy[80];
    nw_text_copy(copy, sizeof copy, text);
    double sign = 1.0;
    double parts[3] = {0.0, 0.0, 0.0};
    size_t n_parts = 0;
    for (char *p = copy; *p;) {
        char *const start = p + strspn(p, " :\t");
        const size_t n = strcspn(start, " :\t");
        if (n == 0) {
            break;
        }
        const bool is_last = start[n] == '\0';
        p = start + n + (is_last ? 0 : 1);
        start[n] = '\0';
        if (n == 1 && strchr("NnEeSsWw", start[0])) {
            sign *= strchr("SsWw", start[0]) ? -1.0 : 1.0;
            continue;
        }
        const bool is_negative = start[0] == '-';
        if (n_parts >= 3 || (n_parts > 0 && (is_negative || start[0] == '+')) ||
            !nw_text_to_double(start + (is_negative ? 1 : 0), &parts[n_parts]) ||
            parts[n_parts] < 0.0) {
            return false;
        }
        sign *= is_negative ? -1.0 : 1.0;
        n_parts++;
    }
    if (n_parts < 2 || parts[1] >= 60.0 || parts[2] > 60.0) {
        return false;
    }
    *ret = sign * (parts[0] + parts[1] / 60.0 + parts[2] / 3600.0);
    return true;
}

/* A number, quoted or not; an angle also sexagesimal: right ascension then in hours. CCDSUM
 * ('2 2') gives its first number. */
static bool read_number(const struct nw_card *card, enum unit unit, double *ret) {
    if (nw_text_to_double(card->value, ret)) {
        return true;
    }
    if (unit == HOUR_ANGLE && read_sexagesimal(card->value, ret)) {
        *ret *= 15.0;
        return true;
    }
    if (unit == DEGREE && read_sexagesimal(card->value, ret)) {
        return true;
    }
    char first[32];
    nw_text_copy(first, sizeof first, card->value);
    first[strcspn(first, " ")] = '\0';
    return strcmp(card->key, "CCDSUM") == 0 && nw_text_to_double(first, ret);
}

static double to_si(double value, enum unit unit) {
    switch (unit) {
    case MICRON:
        return value * 1e-6;
    case MILLIMETRE:
        return value * 1e-3;
    case CELSIUS:
        /* no sensor works at 100 deg C: such a header is in kelvin */
        return value >= 100.0 ? value : value + NW_ZERO_CELSIUS_K;
    case DEGREE:
    case HOUR_ANGLE:
        return value * NW_RAD_PER_DEG;
    case PLAIN:
        break;
    }
    return value;
}

/* Large observatories write the conversion gain as GAIN; the unit in the comment tells. */
static bool is_conversion_gain(const struct nw_card *card) {
    char text[sizeof card->comment];
    size_t n = 0;
    for (const char *p = card->comment; *p && n < sizeof text - 1; p++) {
        if (*p != ' ' && *p != '-') {
            text[n++] = *p >= 'A' && *p <= 'Z' ? (char)(*p - 'A' + 'a') : *p;
        }
    }
    text[n] = '\0';
    return strstr(text, "e/adu") || strstr(text, "e/dn") || strstr(text, "electron");
}

static double number_of(const struct nw_card *cards, size_t n_cards, const struct number_row *row) {
    for (size_t i = 0; i < MAX_SPELLINGS && row->keys[i]; i++) {
        const struct nw_card *const card = nw_fits_cards_find(cards, n_cards, row->keys[i]);
        double value = 0.0;
        if (card && read_number(card, row->unit, &value) && value >= row->lowest &&
            value <= row->highest) {
            return to_si(value, row->unit);
        }
    }
    return NAN;
}

static void text_of(const struct nw_card *cards, size_t n_cards, const struct text_row *row,
                    char *to) {
    for (size_t i = 0; i < MAX_SPELLINGS && row->keys[i]; i++) {
        const struct nw_card *const card = nw_fits_cards_find(cards, n_cards, row->keys[i]);
        const char *const text = card ? card->value + strspn(card->value, " ") : "";
        if (card && card->is_text && text[0] != '\0') {
            nw_text_copy(to, row->size, text);
            return;
        }
    }
}

/* The pattern as seen from our pixel (0, 0): XBAYROFF and YBAYROFF move it. */
static void normalise_bayer(const struct nw_card *cards, size_t n_cards, char bayer[static 8]) {
    for (char *p = bayer; *p; p++) {
        *p = *p >= 'a' && *p <= 'z' ? (char)(*p - 'a' + 'A') : *p;
    }
    if (strlen(bayer) != 4) {
        return;
    }
    static const struct number_row offsets[] = {{0, PLAIN, 0.0, 1e6, {"XBAYROFF"}},
                                                {0, PLAIN, 0.0, 1e6, {"YBAYROFF"}}};
    const double x = number_of(cards, n_cards, &offsets[0]);
    const double y = number_of(cards, n_cards, &offsets[1]);
    const size_t x_odd = x > 0.0 ? (size_t)x % 2 : 0;
    const size_t y_odd = y > 0.0 ? (size_t)y % 2 : 0;
    char moved[5] = "";
    for (size_t i = 0; i < 4; i++) {
        moved[i] = bayer[((i / 2 + y_odd) % 2) * 2 + (i % 2 + x_odd) % 2];
    }
    memcpy(bayer, moved, sizeof moved);
}

void nw_frame_facts_unknown(struct nw_frame_facts *facts) {
    nw_fits_facts_read(NULL, 0, facts);
}

void nw_fits_facts_read(const struct nw_card *cards, size_t n_cards, struct nw_frame_facts *ret) {
    struct nw_frame_facts facts = {.t_start_utc_s = nw_fits_start_time_s(cards, n_cards)};
    char *const base = (char *)&facts;
    for (size_t i = 0; i < sizeof number_rows / sizeof *number_rows; i++) {
        const double value = number_of(cards, n_cards, &number_rows[i]);
        memcpy(base + number_rows[i].at, &value, sizeof value);
    }
    for (size_t i = 0; i < sizeof text_rows / sizeof *text_rows; i++) {
        text_of(cards, n_cards, &text_rows[i], base + text_rows[i].at);
    }
    const struct nw_card *const gain = nw_fits_cards_find(cards, n_cards, "GAIN");
    if (gain && is_conversion_gain(gain)) {
        if (isnan(facts.gain_e_per_adu) && facts.gain_setting > 0.0) {
            facts.gain_e_per_adu = facts.gain_setting;
        }
        facts.gain_setting = NAN;
    }
    normalise_bayer(cards, n_cards, facts.bayer);
    for (char *p = facts.tube_side; *p; p++) {
        *p = *p >= 'A' && *p <= 'Z' ? (char)(*p - 'A' + 'a') : *p;
    }
    *ret = facts;
}
