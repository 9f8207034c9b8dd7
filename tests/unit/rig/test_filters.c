/* test_filters.c - filters by what frame headers call them. */
#include "support.h"

#define RIG_OF(red)                                                                                \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 147 deg}\n"                                              \
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"                                \
    "cameras: {main: {pixel: 3.76 um, width: 600, height: 400}}\n"                                 \
    "filters:\n"                                                                                   \
    "  luminance: {centre: 550 nm, width: 290 nm, also: [L, clear]}\n"                             \
    "  red: {centre: 640 nm, width: 100 nm" red "}\n"                                              \
    "setups: {one: {telescope: tube, camera: main, filters: [luminance, red]}}\n"

static void test_a_header_leads_to_its_filter(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(RIG_OF(", also: [Red-3]"), NULL);
    const struct nw_setup *const s = nw_rig_setup(rig, NULL);
    static const struct {
        const char *header, *name;
    } rows[] = {{"luminance", "luminance"}, {"L", "luminance"}, {"CLEAR", "luminance"},
                {"l", "luminance"},         {"Red", "red"},     {"red-3", "red"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct nw_filter *const filter = nw_setup_filter_of(s, rows[i].header);
        assert_non_null(filter);
        assert_string_equal(filter->name, rows[i].name);
        assert_true(nw_filter_is(filter, rows[i].header));
    }
    assert_null(nw_setup_filter_of(s, "blue"));
    assert_null(nw_setup_filter_of(s, ""));
    assert_null(nw_setup_filter_of(s, NULL));
    assert_true(nw_filter_is(&s->filter, "clear")); /* the one that is judged: the first */
    assert_false(nw_filter_is(&s->filter, "red"));
    nw_rig_free(rig);
}

static void test_a_header_leads_to_one_filter_only(void **state) {
    (void)state;
    must_refuse(RIG_OF(", also: [clear]"), NULL, NW_DOMAIN,
                "rig.yaml:8:47: setups.one.filters: filters luminance and red are both called "
                "'clear'");
    must_refuse(RIG_OF(", also: [Luminance]"), NULL, NW_DOMAIN,
                "rig.yaml:8:47: setups.one.filters: filters red and luminance are both called "
                "'Luminance'");
    must_refuse(RIG_OF(", also: R"), NULL, NW_FORMAT,
                "rig.yaml:7:40: filters.red.also: expected a list of names such as [luminance, "
                "red]");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_header_leads_to_its_filter),
        cmocka_unit_test(test_a_header_leads_to_one_filter_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
