/* facts_time.c - when the exposure began, from the header.
 * Idea: the first of DATE-OBS with a time, DATE-BEG, DATE-OBS with the time in a key of its own,
 * MJD-OBS with a fraction. A date alone is no time: it would be wrong by up to a day.
 * Time scales: FITS 4.0 sec. 9.2.1, table 30: TAI, TT, GPS and TDB are carried to UTC with the leap
 * seconds of erfa (eraDat; checked by REFERENCES FIT-10); local or unknown scales are not. */
#include <erfa.h>
#include <math.h>

#include "image/fits_internal.h"

enum { SECONDS_PER_DAY = 86400, MJD_OF_1970 = 40587 };

enum scale { UTC, TAI, TT, GPS, UNKNOWN };

static enum scale scale_of(const struct nw_card *cards, size_t n_cards) {
    static const struct {
        const char *name;
        enum scale scale;
    } scales[] = {{"UTC", UTC}, {"UT", UTC}, {"UT1", UTC}, {"GMT", UTC}, {"TAI", TAI}, {"IAT", TAI},
                  {"TT", TT},   {"TDT", TT}, {"ET", TT},   {"TDB", TT},  {"GPS", GPS}};
    const struct nw_card *const card = nw_fits_cards_find(cards, n_cards, "TIMESYS");
    if (!card || card->value[0] == '\0') {
        return UTC; /* the rule for DATE-OBS without TIMESYS since 1972 */
    }
    char name[16];
    nw_text_copy(name, sizeof name, card->value);
    name[strcspn(name, "( ")] = '\0'; /* "UTC(NIST)": the realisation does not matter here */
    for (size_t i = 0; i < sizeof scales / sizeof *scales; i++) {
        if (nw_text_equal_nocase(name, scales[i].name)) {
            return scales[i].scale;
        }
    }
    return UNKNOWN;
}

/* t counts seconds since 1970 on the clock of `scale`; UTC where that is known. */
static double to_utc_s(double t_s, enum scale scale) {
    if (scale == UTC || isnan(t_s)) {
        return t_s;
    }
    if (scale == UNKNOWN) {
        return NAN;
    }
    /* TT = TAI + 32.184 s (IAU 1991), TAI = GPS + 19 s (fixed in 1980) */
    const double t_tai_s = t_s + (scale == TT ? -32.184 : scale == GPS ? 19.0 : 0.0);
    double t_utc_s = t_tai_s;
    for (int i = 0; i < 2; i++) { /* the second round asks for the right side of a leap second */
        int year = 0;
        int month = 0;
        int day = 0;
        double fraction = 0.0;
        double delta_s = 0.0;
        if (eraJd2cal(2400000.5, MJD_OF_1970 + t_utc_s / SECONDS_PER_DAY, &year, &month, &day,
                      &fraction) != 0 ||
            eraDat(year, month, day, fraction, &delta_s) < 0) {
            return NAN;
        }
        t_utc_s = t_tai_s - delta_s;
    }
    return t_utc_s;
}

static double iso_s(const char *text) {
    double t_s = NAN;
    return nw_time_read_iso(text, 0.0, &t_s, NULL) == NW_OK ? t_s : NAN;
}

/* dd/mm/yy of before 2000 (FITS 4.0 sec. 4.4.2.1) becomes the date of today's form. */
static void modern_date(const char *text, char *to, size_t size) {
    const bool is_old = strlen(text) == 8 && text[2] == '/' && text[5] == '/';
    if (is_old) {
        (void)snprintf(to, size, "19%.2s-%.2s-%.2s", text + 6, text + 3, text);
    } else {
        nw_text_copy(to, size, text);
    }
}

static const char *text_at(const struct nw_card *cards, size_t n_cards, const char *key) {
    const struct nw_card *const card = nw_fits_cards_find(cards, n_cards, key);
    return card ? card->value + strspn(card->value, " ") : "";
}

static double date_and_time_s(const char *date, const struct nw_card *cards, size_t n_cards) {
    static const char *const keys[] = {"TIME-OBS", "UT", "UTSTART", "UT-START", "UTC", "TIME-BEG"};
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
        const char *const time = text_at(cards, n_cards, keys[i]);
        if (strlen(time) >= 5 && time[2] == ':') {
            char whole[64];
            (void)snprintf(whole, sizeof whole, "%.10sT%.30s", date, time);
            const double t_s = iso_s(whole);
            if (!isnan(t_s)) {
                return t_s;
            }
        }
    }
    return NAN;
}

double nw_fits_start_time_s(const struct nw_card *cards, size_t n_cards) {
    static const char *const keys[] = {"DATE-OBS", "DATE-BEG"};
    const enum scale scale = scale_of(cards, n_cards);
    double t_s = NAN;
    for (size_t i = 0; i < sizeof keys / sizeof *keys && isnan(t_s); i++) {
        char date[80];
        modern_date(text_at(cards, n_cards, keys[i]), date, sizeof date);
        t_s = strlen(date) > 10 ? iso_s(date) : NAN;
        if (isnan(t_s) && strlen(date) == 10) {
            t_s = date_and_time_s(date, cards, n_cards);
        }
    }
    double mjd = NAN;
    if (isnan(t_s) && nw_text_to_double(text_at(cards, n_cards, "MJD-OBS"), &mjd) &&
        mjd > floor(mjd) && mjd > 30000.0 && mjd < 100000.0) {
        t_s = (mjd - MJD_OF_1970) * SECONDS_PER_DAY;
    }
    return to_utc_s(t_s, scale);
}
