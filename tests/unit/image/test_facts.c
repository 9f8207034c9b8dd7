/* test_facts.c - Header cards and the facts read from them. */
#include "fits_bytes.h"

static struct nw_frame *with_cards(const char *cards) {
    static const char head[] = "SIMPLE  = T\nBITPIX  = 8\nNAXIS   = 2\nNAXIS1  = 1\nNAXIS2  = 1\n";
    char all[4000];
    (void)snprintf(all, sizeof all, "%s%s", head, cards);
    struct fits_bytes file = {.n = 0};
    put_header(&file, all);
    file.n += 1;
    return read_good(&file);
}

static void check_card(const struct nw_frame *frame, const char *key, const char *value,
                       bool is_text) {
    const struct nw_card *const card = nw_frame_card(frame, key);
    assert_non_null(card);
    assert_string_equal(card->value, value);
    assert_int_equal(card->is_text, is_text);
}

static void test_cards_of_every_form(void **state) {
    (void)state;
    struct nw_frame *const frame = with_cards("TEXT    = 'it''s'   / with a quote\n"
                                              "EMPTY   = ''\n"
                                              "SPACES  = '  x  '\n"
                                              "NUMBER  =                 1.5D-3 / Fortran\n"
                                              "lower   = T\n"
                                              "NOBLANK =5\n"
                                              "OPEN    = 'no end\n"
                                              "UNDEF   =                      / nothing known\n"
                                              "BARE\n"
                                              "LONG    = 'one &'\n"
                                              "CONTINUE  'two &'\n"
                                              "CONTINUE  'three' / the rest\n"
                                              "AMP     = 'this &'\n"
                                              "HIERARCH ESO  TEL   FOCUS = 12.5 / mm\n"
                                              "COMPLEX = (1.0, 2.0)\n"
                                              "ACCENT  = '\xc3\xa9\xc3\xa9'\n"
                                              "LATIN   = '\xe9t'\n"
                                              "BAD KEY = 3\n"
                                              "COMMENT   free words = 'here'\n"
                                              "TWICE   = 1\nTWICE   = 2");
    check_card(frame, "TEXT", "it's", true);
    assert_string_equal(nw_frame_card(frame, "TEXT")->comment, "with a quote");
    check_card(frame, "EMPTY", "", true);
    check_card(frame, "SPACES", "  x", true);
    check_card(frame, "NUMBER", "1.5E-3", false);
    check_card(frame, "LOWER", "T", false);
    check_card(frame, "NOBLANK", "5", false);
    check_card(frame, "OPEN", "no end", true);
    check_card(frame, "UNDEF", "", false);
    check_card(frame, "BARE", "", false);
    check_card(frame, "LONG", "one two three", true);
    assert_string_equal(nw_frame_card(frame, "LONG")->comment, "the rest");
    check_card(frame, "AMP", "this &", true);
    check_card(frame, "ESO TEL FOCUS", "12.5", false);
    check_card(frame, "COMPLEX", "(1.0, 2.0)", false);
    check_card(frame, "ACCENT", "\xc3\xa9\xc3\xa9", true);
    check_card(frame, "LATIN", "?t", true); /* no UTF-8 */
    check_card(frame, "COMMENT", "  free words = 'here'", true);
    check_card(frame, "TWICE", "1", false);
    assert_null(nw_frame_card(frame, "BAD KEY"));
    assert_null(nw_frame_card(frame, "END"));
    nw_frame_free(frame);
}

static void test_very_long_text_is_cut(void **state) {
    (void)state;
    char cards[2000] = "LONG    = 'x&'\n";
    size_t n = strlen(cards);
    for (int i = 0; i < 10; i++) {
        n += (size_t)snprintf(cards + n, sizeof cards - n, "CONTINUE  '%060d&'\n", i);
    }
    struct nw_frame *const frame = with_cards(cards);
    assert_int_equal(strlen(nw_frame_card(frame, "LONG")->value), 255);
    nw_frame_free(frame);
}

#define NEAR(field, want, tol, source) check_near(frame->facts.field, want, tol, source)

static void test_facts_in_si(void **state) {
    (void)state;
    struct nw_frame *const frame = with_cards(
        "DATE-OBS= '2026-05-14T21:40:07.25'\nEXPOSURE= 300\nGAIN    = 100 / setting\n"
        "OFFSET  = 50\nEGAIN   = 0.25\nRDNOISE = 1.6\nSET-TEMP= -10\nCCD-TEMP= '-9.8'\n"
        "XPIXSZ  = 3.76\nXBINNING= 2\nFOCALLEN= 448.\nAPTDIA  = 115\nFOCUSPOS= 12345\n"
        "FOCTEMP = 11.5\nAIRMASS = 1.25\nRA      = 187.5\nDEC     = -33.25\nCENTALT = 60\n"
        "CENTAZ  = 270\nSITELAT = '-33 30 00'\nSITELONG= '70:24:00 W'\nSITEELEV= 1500\n"
        "ROTATANG= 90\nSATURATE= 65000\nFILTER  = 'Ha'\nOBJECT  = 'NGC 1'\nINSTRUME= 'cam'\n"
        "TELESCOP= 'tube'\nIMAGETYP= 'Light'\nBAYERPAT= 'rggb'\nPIERSIDE= 'West'");
    NEAR(t_start_utc_s, 1778794807.25, 1e-6, "python3 datetime: 2026-05-14T21:40:07.25Z");
    NEAR(exposure_s, 300.0, 0.0, "as written");
    NEAR(gain_setting, 100.0, 0.0, "as written");
    NEAR(offset_setting, 50.0, 0.0, "as written");
    NEAR(gain_e_per_adu, 0.25, 0.0, "as written");
    NEAR(read_noise_e, 1.6, 0.0, "as written");
    NEAR(set_temperature_K, 263.15, 1e-9, "SI Brochure 2.3.1");
    NEAR(chip_temperature_K, 263.35, 1e-9, "SI Brochure 2.3.1");
    NEAR(pixel_m, 3.76e-6, 1e-15, "um");
    NEAR(binning, 2.0, 0.0, "as written");
    NEAR(focal_length_m, 0.448, 1e-12, "mm");
    NEAR(aperture_m, 0.115, 1e-12, "mm");
    NEAR(focuser_steps, 12345.0, 0.0, "as written");
    NEAR(focuser_temperature_K, 284.65, 1e-9, "SI Brochure 2.3.1");
    NEAR(airmass, 1.25, 0.0, "as written");
    NEAR(ra_rad, 187.5 * NW_PI / 180.0, 1e-12, "degrees");
    NEAR(dec_rad, -33.25 * NW_PI / 180.0, 1e-12, "degrees");
    NEAR(altitude_rad, NW_PI / 3.0, 1e-12, "degrees");
    NEAR(azimuth_rad, 1.5 * NW_PI, 1e-12, "degrees");
    NEAR(latitude_rad, -33.5 * NW_PI / 180.0, 1e-12, "south is negative");
    NEAR(longitude_rad, -70.4 * NW_PI / 180.0, 1e-12, "west is negative");
    NEAR(elevation_m, 1500.0, 0.0, "as written");
    NEAR(rotator_rad, NW_PI / 2.0, 1e-12, "degrees");
    NEAR(saturation_adu, 65000.0, 0.0, "as written");
    assert_string_equal(frame->facts.filter, "Ha");
    assert_string_equal(frame->facts.object, "NGC 1");
    assert_string_equal(frame->facts.camera, "cam");
    assert_string_equal(frame->facts.telescope, "tube");
    assert_string_equal(frame->facts.image_type, "Light");
    assert_string_equal(frame->facts.bayer, "RGGB");
    assert_string_equal(frame->facts.tube_side, "west");
    nw_frame_free(frame);
}

static void test_other_spellings_and_conventions(void **state) {
    (void)state;
    struct nw_frame *frame = with_cards(
        "GAIN    = 1.9 / e-/ADU\nOBJCTRA = '12 30 00'\nOBJCTDEC= '-00 30 00'\nCCDSUM  = '3 3'\n"
        "CCD-TEMP= 180.2 / kelvin, as no sensor works at 180 deg C\nBAYERPAT= 'RGGB'\n"
        "XBAYROFF= 1\nYBAYROFF= 0");
    NEAR(gain_e_per_adu, 1.9, 0.0, "the unit stands in the comment");
    assert_true(isnan(frame->facts.gain_setting));
    NEAR(ra_rad, 187.5 * NW_PI / 180.0, 1e-12, "12 h 30 min");
    NEAR(dec_rad, -0.5 * NW_PI / 180.0, 1e-12, "the sign of -00");
    NEAR(binning, 3.0, 0.0, "first of two");
    NEAR(chip_temperature_K, 180.2, 1e-9, "as written");
    assert_string_equal(frame->facts.bayer, "GRBG");
    nw_frame_free(frame);
    frame = with_cards("OBJCTRA = '22:04:60.0'\nOBJCTDEC= '+91 00 00'\nSECZ    = 1.5");
    NEAR(ra_rad, (22.0 + 5.0 / 60.0) * NW_PI / 12.0, 1e-12, "rounded seconds");
    assert_true(isnan(frame->facts.dec_rad));
    NEAR(airmass, 1.5, 0.0, "as written");
    nw_frame_free(frame);
}

static void test_what_cannot_be_true_is_not_measured(void **state) {
    (void)state;
    struct nw_frame *const frame =
        with_cards("FOCALLEN= 0\nAPTDIA  = 0\nFOCTEMP = -999\nCCD-TEMP= -300\nEXPTIME = -1\n"
                   "XPIXSZ  = 'unknown'\nAIRMASS = 0\nRA      = 'FOOBAR'\nDATE-OBS= 'FOOBAR'\n"
                   "OBJECT  = '   '");
    assert_true(isnan(frame->facts.focal_length_m));
    assert_true(isnan(frame->facts.aperture_m));
    assert_true(isnan(frame->facts.focuser_temperature_K));
    assert_true(isnan(frame->facts.chip_temperature_K));
    assert_true(isnan(frame->facts.exposure_s));
    assert_true(isnan(frame->facts.pixel_m));
    assert_true(isnan(frame->facts.airmass));
    assert_true(isnan(frame->facts.ra_rad));
    assert_true(isnan(frame->facts.t_start_utc_s));
    assert_true(isnan(frame->facts.gain_setting)); /* absent */
    assert_string_equal(frame->facts.object, "");
    nw_frame_free(frame);
}

static void test_start_of_exposure(void **state) {
    (void)state;
    static const char leap[] = "REFERENCES FIT-10: TAI - UTC 37 s from 2017";
    static const struct {
        const char *cards;
        double want_s, tol_s;
        const char *source;
    } rows[] = {
        {"DATE-OBS= '2024-03-20T03:06:00'", 1710903960.0, 1e-6, "REFERENCES FIT-05, MJD 60389.129"},
        {"MJD-OBS = 60389.12916667", 1710903960.0, 1e-3, "REFERENCES FIT-05"},
        {"DATE-OBS= '2024-03-20'\nUT      = '03:06:00'", 1710903960.0, 1e-6, "REFERENCES FIT-05"},
        {"DATE-OBS= '2024-03-20'\nTIME-OBS= '03:06:00.5'", 1710903960.5, 1e-6, "the same + 0.5"},
        {"DATE-BEG= '2024-03-20T03:06:00'\nTIMESYS = 'UTC'", 1710903960.0, 1e-6, "FIT-05"},
        {"DATE-OBS= '20/03/99'\nUT      = '00:00:00'", 921888000.0, 1e-6, "datetime 1999-03-20"},
        {"DATE-OBS= '2024-03-20T03:06:37'\nTIMESYS = 'TAI'", 1710903960.0, 1e-6, leap},
        {"DATE-OBS= '2024-03-20T03:07:09.184'\nTIMESYS = 'TT'", 1710903960.0, 1e-4, leap},
        {"DATE-OBS= '2024-03-20T03:06:18'\nTIMESYS = 'GPS'", 1710903960.0, 1e-6, leap},
        {"DATE-OBS= '2003-06-01T00:00:32'\nTIMESYS = 'TAI'", 1054425600.0, 1e-6, "FIT-10: 32 s"},
        {"DATE-OBS= '2024-03-20T03:06:00'\nTIMESYS = 'LOCAL'", NAN, 0.0, "unknown scale"},
        {"DATE-OBS= '2024-03-20'", NAN, 0.0, "a date is no time"},
        {"MJD-OBS = 60389.0", NAN, 0.0, "a date is no time"},
        {"DATE-OBS= '2024-13-20T03:06:00'", NAN, 0.0, "no such month"},
        {"", NAN, 0.0, "nothing said"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct nw_frame *const frame = with_cards(rows[i].cards);
        if (isnan(rows[i].want_s)) {
            assert_true(isnan(frame->facts.t_start_utc_s));
        } else {
            NEAR(t_start_utc_s, rows[i].want_s, rows[i].tol_s, rows[i].source);
        }
        nw_frame_free(frame);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cards_of_every_form),
        cmocka_unit_test(test_very_long_text_is_cut),
        cmocka_unit_test(test_facts_in_si),
        cmocka_unit_test(test_other_spellings_and_conventions),
        cmocka_unit_test(test_what_cannot_be_true_is_not_measured),
        cmocka_unit_test(test_start_of_exposure),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
