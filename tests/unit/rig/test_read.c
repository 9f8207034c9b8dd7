/* test_read.c - setups made of parts: unknown keys, missing keys, look-up, defaults, overrides,
 * changes. */
#include "support.h"

#define REFUSED(setting, status, message) must_refuse(SMALL_RIG, setting, status, message)

static void test_unknown_keys_suggest_the_nearest(void **state) {
    (void)state;
    must_refuse("nightwright: 1\nsite:\n  latitude: 1 deg\n  lnogitude: 2 deg\n", NULL, NW_NOTFOUND,
                "rig.yaml:4:3: site: unknown key 'lnogitude', nearest is 'longitude'");
    must_refuse("nightwright: 1\nsites: {}\n", NULL, NW_NOTFOUND,
                "rig.yaml:2:1: unknown key 'sites', nearest is 'site'");
    REFUSED("seeing=1 arcsec", NW_NOTFOUND,
            "--set: unknown key 'seeing' in this place; there is 'site.seeing'");
    REFUSED("setups.one.habits.hobby=1", NW_NOTFOUND,
            "--set: setups.one.habits: unknown key 'hobby', expected one of: sub_length, "
            "focus_interval, focus_run, airmass, resampling");
    REFUSED("setups.one.allocations.pixels=1 arcsec", NW_NOTFOUND,
            "--set: setups.one.allocations: unknown key 'pixels', nearest is 'pixel'");
    REFUSED("telescopes.tube.aperature=1 mm", NW_NOTFOUND,
            "--set: telescopes.tube: unknown key 'aperature', nearest is 'aperture'");
}

static void test_sections_must_be_sections(void **state) {
    (void)state;
    REFUSED("site=here", NW_FORMAT, "--set: site: expected a section with keys such as 'name'");
    REFUSED("telescopes=[a]", NW_FORMAT,
            "--set: telescopes: expected a section of named parts, such as 'main: {...}'");
    REFUSED("setups.one.changes={a: 1}", NW_FORMAT,
            "--set: setups.one.changes: expected a list of changes, each with name, effort and "
            "set");
    REFUSED("telescopes.none={aperture: 1 m, focal_length: 2 m}", NW_FORMAT,
            "--set: telescopes: the name 'none' means that there is no such part; choose another "
            "one");
    REFUSED("setups.one.filters=red", NW_FORMAT,
            "--set: setups.one.filters: expected a list of names such as [luminance, red]");
    must_refuse("nightwright: 1\ntelescopes: {\"a=b\": {aperture: 1 m}}\n", NULL, NW_FORMAT,
                "rig.yaml:2:14: telescopes: a name may not hold control characters, '=' or "
                "quotes");
}

static void test_missing_required_keys(void **state) {
    (void)state;
    must_refuse("name: x\n", NULL, NW_NOTFOUND,
                "rig.yaml:1:1: nightwright: is missing: version of this form of description");
    must_refuse("nightwright: 1\n", NULL, NW_NOTFOUND,
                "rig.yaml:1:1: site.latitude: is missing: geographic latitude, north positive, "
                "-90 deg to 90 deg");
    must_refuse("nightwright: 1\nsite: {latitude: 1 deg, longitude: 2 deg}\n", NULL, NW_NOTFOUND,
                "rig.yaml:1:1: setups: is missing: at least one setup, such as "
                "'setups: {deep: {telescope: main, camera: main}}'");
    must_refuse("nightwright: 1\nsite: {latitude: 1 deg, longitude: 2 deg}\n"
                "telescopes:\n  tube: {aperture: 80 mm}\n",
                NULL, NW_NOTFOUND,
                "rig.yaml:4:3: telescopes.tube.focal_length: is missing: focal length without "
                "corrector, 20 mm to 30 m");
    REFUSED("setups.two.camera=camera", NW_NOTFOUND,
            "--set: setups.two.telescope: is missing: the main telescope");
}

static void test_parts_that_are_not_described(void **state) {
    (void)state;
    REFUSED("setups.one.telescope=tubes", NW_NOTFOUND,
            "--set: setups.one.telescope: 'tubes' is not described under telescopes; there is "
            "'tube'; nearest is 'tube'");
    REFUSED("setups.one.corrector=flattener", NW_NOTFOUND,
            "--set: setups.one.corrector: 'flattener' is not described under correctors; nothing "
            "is there");
    REFUSED("setups.one.filters=[red]", NW_NOTFOUND,
            "--set: setups.one.filters: 'red' is not described under filters; nothing is there");
    REFUSED("setups.one.guided_by.camera=camera", NW_NOTFOUND,
            "--set: setups.one.guided_by: a camera is named without a telescope; both are needed");
    must_refuse("nightwright: 1\nsite: {latitude: 1 deg, longitude: 2 deg}\n"
                "telescopes: {tube: {aperture: 80 mm, focal_length: 1 m}}\n"
                "setups:\n  one:\n    telescope: tube\n    camera: cam\n",
                NULL, NW_NOTFOUND,
                "rig.yaml:7:5: setups.one.camera: 'cam' is not described under cameras; nothing "
                "is there");
}

static const struct nw_assumption *assumption(const struct nw_rig *rig, const char *path) {
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        if (strcmp(rig->assumptions[i].path, path) == 0) {
            return &rig->assumptions[i];
        }
    }
    return NULL;
}

static void test_defaults_are_assumed_and_said(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, NULL);
    const struct nw_setup *const s = nw_rig_setup(rig, "one");
    assert_ptr_equal(s, nw_rig_setup(rig, NULL));
    assert_null(nw_rig_setup(rig, "two"));
    assert_int_equal(rig->site.seeing_rad.from, NW_FROM_ASSUMED);
    check_near(rig->site.seeing_rad.v * NW_ARCSEC_PER_RAD, 2.0, 1e-9, "docs/rig-keys.md");
    check_near(rig->site.seeing_rad.sigma * NW_ARCSEC_PER_RAD, 0.6, 1e-9, "docs/rig-keys.md");
    assert_string_equal(assumption(rig, "site.seeing")->value, "2.0 arcsec +- 0.6 arcsec");
    assert_string_equal(assumption(rig, "site.seeing")->why, "common practice, no source");
    assert_null(assumption(rig, "site.latitude"));
    assert_non_null(assumption(rig, "setups.one.focuser"));
    assert_non_null(assumption(rig, "setups.one.filter"));
    assert_non_null(assumption(rig, "setups.one.focal_length"));
    assert_false(s->has_guide || s->has_corrector || s->has_focuser);
    check_near(s->corrector.magnification.v, 1.0, 0.0, "no corrector magnifies by 1");
    assert_true(isnan(s->guide_exposure_s.v));
    assert_int_equal(s->guide_exposure_s.from, NW_FROM_UNKNOWN);
    assert_null(assumption(rig, "setups.one.guided_by.exposure"));
    assert_string_equal(s->resampling, "none");
    check_near(s->focuser.repeatability_m.v, 15e-6, 1e-15, "docs/rig-keys.md");
    assert_string_equal(rig->name, "observatory");
    nw_rig_free(rig);
}

static void test_pressure_follows_the_elevation(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, "site.elevation={value: 2000 m, sigma: 0 m}");
    check_near(rig->site.pressure_Pa.v, 79501.0, 15.0,
               "standard atmosphere, 2000 m geopotential: 795.01 hPa (ISO 2533:1975, from memory)");
    check_near(rig->site.pressure_Pa.sigma, 1000.0, 1e-6, "10 hPa of weather");
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, "site.elevation=0 m");
    check_near(rig->site.pressure_Pa.v, 101325.0, 1e-6, "ISO 2533:1975, p0");
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, "site.pressure=900 hPa");
    check_near(rig->site.pressure_Pa.v, 90000.0, 1e-9, "given wins");
    assert_int_equal(rig->site.pressure_Pa.from, NW_FROM_GIVEN);
    nw_rig_free(rig);
}

static void test_assumptions_of_unused_parts_are_not_listed(void **state) {
    (void)state;
    struct nw_rig *rig =
        must_read(SMALL_RIG, "telescopes.spare={aperture: 50 mm, focal_length: 200 mm}");
    assert_null(assumption(rig, "telescopes.spare.expansion"));
    assert_non_null(assumption(rig, "telescopes.tube.expansion"));
    nw_rig_free(rig);
    REFUSED("telescopes.spare={aperture: 50 arcsec, focal_length: 200 mm}", NW_FORMAT,
            "--set: telescopes.spare.aperture: \"50 arcsec\" is an angle, expected a length, for "
            "example \"448 mm\"");
}

static void test_focal_length_is_given_or_the_product(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, NULL);
    check_near(rig->setups[0].focal_length_m.v, 0.450, 1e-12, "no corrector");
    check_near(rig->setups[0].focal_length_m.sigma, 0.0045, 1e-12, "makers: 1 %");
    nw_rig_free(rig);
    static const char reduced[] =
        SMALL_RIG "correctors: {reducer 0.8x: {magnification: {value: 0.8, sigma: 3 %}}}\n";
    rig = must_read(reduced, "setups.one.corrector=reducer 0.8x");
    check_near(rig->setups[0].focal_length_m.v, 0.360, 1e-12, "450 mm * 0.8");
    check_near(rig->setups[0].focal_length_m.sigma, 0.360 * sqrt(0.01 * 0.01 + 0.03 * 0.03), 1e-12,
               "relative errors in quadrature");
    nw_rig_free(rig);
    rig = must_read(reduced, "setups.one={telescope: tube, camera: camera, corrector: reducer 0.8x,"
                             " focal_length: {value: 357.2 mm, sigma: 0.3 mm, from: measured}}");
    check_near(rig->setups[0].focal_length_m.v, 0.3572, 1e-12, "measured wins over the product");
    check_near(rig->setups[0].focal_length_m.sigma, 0.0003, 1e-12, "with its own sigma");
    assert_int_equal(rig->setups[0].focal_length_m.from, NW_FROM_MEASURED);
    nw_rig_free(rig);
    /* the longest name that is there: the dot in "0.8x" is no step */
    rig = must_read(SMALL_RIG "correctors: {reducer 0.8x: {magnification: 0.8}, reducer: "
                              "{magnification: 0.5}}\n",
                    "correctors.reducer 0.8x.magnification=0.79");
    nw_rig_free(rig);
}

static void test_overrides_reach_into_values_lists_and_new_sections(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, "telescopes.tube.aperture.sigma=5 %");
    check_near(rig->setups[0].telescope.aperture_m.v, 0.080, 1e-12, "value kept");
    check_near(rig->setups[0].telescope.aperture_m.sigma, 0.004, 1e-12, "5 % of 80 mm");
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, "setups.one.habits.focus_interval=20 min");
    check_near(rig->setups[0].focus_interval_s.v, 1200.0, 1e-9, "20 * 60 s");
    nw_rig_free(rig);
    REFUSED("site.seeing", NW_USAGE,
            "--set: 'site.seeing' is no setting, expected path=value, such as "
            "'site.seeing=1.5 arcsec'");
    REFUSED("=1", NW_USAGE,
            "--set: '=1' is no setting, expected path=value, such as 'site.seeing=1.5 arcsec'");
    REFUSED("site..seeing=1", NW_FORMAT,
            "--set: site..seeing: empty or too long piece in the path");
    REFUSED("site.seeing.=1", NW_FORMAT, "--set: site.seeing.: the path ends in a dot");
    REFUSED("site.seeing=", NW_FORMAT, "--set: site.seeing: has no value");
}

#define WITH_CHANGES                                                                               \
    SMALL_RIG_BUT_SETUPS                                                                           \
    "setups:\n  one:\n    telescope: tube\n    camera: camera\n    changes:\n"
#define SMALL_RIG_BUT_SETUPS                                                                       \
    "nightwright: 1\nsite: {latitude: -32 deg, longitude: 147 deg}\n"                              \
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"                                \
    "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}\n"

static void test_changes_are_kept_and_tried(void **state) {
    (void)state;
    static const char text[] =
        WITH_CHANGES "      - {name: sooner, effort: setting, set: "
                     "{setups.one.habits.focus_interval: 30 min, site.seeing: 1.5 arcsec}}\n";
    struct nw_rig *rig = must_read(text, NULL);
    const struct nw_setup *const s = &rig->setups[0];
    assert_int_equal(s->n_changes, 1);
    assert_string_equal(s->changes[0].name, "sooner");
    assert_string_equal(s->changes[0].effort, "setting");
    assert_int_equal(s->changes[0].n_settings, 2);
    assert_string_equal(s->changes[0].settings[0].path, "setups.one.habits.focus_interval");
    assert_string_equal(s->changes[0].settings[0].value, "30 min");
    check_near(s->focus_interval_s.v, 3600.0, 1e-9, "a change is not applied when reading");
    nw_rig_free(rig);
    rig = must_read(text, "setups.one.changes.1.effort=purchase");
    assert_string_equal(rig->setups[0].changes[0].effort, "purchase");
    nw_rig_free(rig);
    must_refuse(text, "setups.one.changes.2.effort=purchase", NW_NOTFOUND,
                "--set: setups.one.changes.2.effort: no item 2; the list has 1, from 1");
    must_refuse(WITH_CHANGES "      - {name: a, effort: money, set: {site.seeing: 1 arcsec}}\n",
                NULL, NW_FORMAT,
                "rig.yaml:10:27: setups.one.changes.1.effort: found 'money', expected setting, "
                "adjustment or purchase");
    must_refuse(WITH_CHANGES "      - {name: a, effort: setting, set: {site.seing: 1 arcsec}}\n",
                NULL, NW_NOTFOUND,
                "rig.yaml:10: setups.one.changes.1 ('a'): site: unknown key 'seing', nearest is "
                "'seeing'");
    must_refuse(WITH_CHANGES "      - {name: a, effort: setting}\n", NULL, NW_NOTFOUND,
                "rig.yaml:10:9: setups.one.changes.1.set: is missing: what would be different: "
                "path: value, as --set takes them");
    must_refuse(WITH_CHANGES "      - {name: a, effort: setting, set: {site: {seeing: 1}}}\n", NULL,
                NW_FORMAT,
                "rig.yaml:10:42: setups.one.changes.1.set.site: found a section, expected one "
                "value; in quotes where it is {value: ..., sigma: ...}");
}

static void test_allocations_by_line(void **state) {
    (void)state;
    struct nw_rig *rig =
        must_read(SMALL_RIG, "setups.one.allocations={total: 3.5 arcsec, focus: 1 arcsec}");
    const struct nw_setup *const s = &rig->setups[0];
    assert_int_equal(s->n_allocations, 2);
    for (size_t i = 0; i < s->n_allocations; i++) {
        const bool is_total = strcmp(s->allocations[i].id, "total") == 0;
        assert_true(is_total || strcmp(s->allocations[i].id, "focus") == 0);
        check_near(s->allocations[i].fwhm_rad * NW_ARCSEC_PER_RAD, is_total ? 3.5 : 1.0, 1e-9,
                   "as written");
    }
    nw_rig_free(rig);
}

static void test_guiding_and_filters_are_copied(void **state) {
    (void)state;
    static const char text[] = SMALL_RIG
        "filters: {red: {centre: 640 nm, width: 100 nm}, blue: {centre: 450 nm, width: 90 nm}}\n";
    struct nw_rig *rig = must_read(
        text, "setups.one={telescope: tube, camera: camera, filters: [blue, red], filter: red, "
              "guided_by: {telescope: tube, camera: camera}}");
    const struct nw_setup *const s = &rig->setups[0];
    assert_true(s->has_guide);
    check_near(s->guide_exposure_s.v, 2.0, 1e-12, "docs/rig-keys.md");
    check_near(s->guide_telescope.aperture_m.v, 0.080, 1e-12, "the part's own value");
    assert_string_equal(s->filter.name, "red");
    assert_int_equal(s->n_filters, 2);
    assert_string_equal(s->filters[0].name, "blue");
    check_near(s->filters[0].centre_m.v, 450e-9, 1e-18, "the part's own value");
    nw_rig_free(rig);
    rig = must_read(text, "setups.one.filters=[blue, red]");
    assert_string_equal(rig->setups[0].filter.name, "blue"); /* the first of the list */
    nw_rig_free(rig);
    rig = must_read(text, "setups.one.guided_by=none");
    assert_false(rig->setups[0].has_guide);
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_unknown_keys_suggest_the_nearest),
        cmocka_unit_test(test_sections_must_be_sections),
        cmocka_unit_test(test_missing_required_keys),
        cmocka_unit_test(test_parts_that_are_not_described),
        cmocka_unit_test(test_defaults_are_assumed_and_said),
        cmocka_unit_test(test_pressure_follows_the_elevation),
        cmocka_unit_test(test_assumptions_of_unused_parts_are_not_listed),
        cmocka_unit_test(test_focal_length_is_given_or_the_product),
        cmocka_unit_test(test_overrides_reach_into_values_lists_and_new_sections),
        cmocka_unit_test(test_changes_are_kept_and_tried),
        cmocka_unit_test(test_allocations_by_line),
        cmocka_unit_test(test_guiding_and_filters_are_copied),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
