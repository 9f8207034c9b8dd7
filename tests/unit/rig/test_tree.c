/* test_tree.c - the part of YAML that is taken, and every part that is refused, with its place. */
#include "support.h"

static void test_block_flow_quotes_and_comments_read_alike(void **state) {
    (void)state;
    static const char block[] = "\xef\xbb\xbf# comment\n"
                                "nightwright: \"1\"\n"
                                "site:\n"
                                "  latitude: '-32 deg' # south\n"
                                "  longitude: {value: 147 deg}\n"
                                "telescopes:\n"
                                "  tube:\n"
                                "    aperture: 80 mm\n"
                                "    focal_length: 450 mm\n"
                                "cameras:\n"
                                "  camera: {pixel: 3.76 um, width: 6248, height: 4176}\n"
                                "setups:\n"
                                "  one:\n"
                                "    telescope: tube\n"
                                "    camera: camera\n";
    struct nw_rig *a = must_read(SMALL_RIG, NULL);
    struct nw_rig *b = must_read(block, NULL);
    check_near(b->site.latitude_rad.v, a->site.latitude_rad.v, 0.0, "the same text");
    check_near(b->setups[0].telescope.aperture_m.v, a->setups[0].telescope.aperture_m.v, 0.0,
               "the same text");
    assert_int_equal(a->setups[0].camera.width_px, 6248);
    nw_rig_free(a);
    nw_rig_free(b);
}

static void test_what_explodes_or_surprises_is_refused(void **state) {
    (void)state;
    must_refuse("", NULL, NW_FORMAT, "rig.yaml: empty; a description is expected");
    must_refuse("# only a comment\n", NULL, NW_FORMAT,
                "rig.yaml: empty; a description is expected");
    must_refuse("- a\n", NULL, NW_FORMAT, "rig.yaml:1:1: expected keys such as 'site:' at the top");
    must_refuse("site: &here {latitude: 1 deg}\n", NULL, NW_FORMAT,
                "rig.yaml:1:7: anchors (&) are not understood here");
    must_refuse("name: a\nsite: *here\n", NULL, NW_FORMAT,
                "rig.yaml:2:7: aliases (*) are not understood here; write the values out");
    must_refuse("site: !!map {}\n", NULL, NW_FORMAT,
                "rig.yaml:1:7: tags (!) are not understood here");
    must_refuse("name: !x y\n", NULL, NW_FORMAT, "rig.yaml:1:7: tags (!) are not understood here");
    must_refuse("<<: {name: y}\n", NULL, NW_FORMAT,
                "rig.yaml:1:1: merge keys (<<) are not understood here; write the values out");
    must_refuse("name: a\n---\nname: b\n", NULL, NW_FORMAT,
                "rig.yaml:2:1: a second document; one is expected");
    must_refuse("? [a, b]\n: c\n", NULL, NW_FORMAT, "rig.yaml:1:3: a key must be plain text");
    must_refuse("\"\": c\n", NULL, NW_FORMAT, "rig.yaml:1:1: empty key");
    must_refuse("name: \"a\\0b\"\n", NULL, NW_FORMAT, "rig.yaml:1:7: text with a NUL character");
    must_refuse("nightwright: 1\nname: \xff\n", NULL, NW_FORMAT,
                "rig.yaml:2:1: the line is not UTF-8 text");
    must_refuse("name: a\nsite: {latitude: 1 deg\n", NULL, NW_FORMAT,
                "rig.yaml:3:1: not readable as YAML: did not find expected ',' or '}', while "
                "parsing a flow mapping");
}

static void test_what_beginners_stumble_over_has_a_hint(void **state) {
    (void)state;
    must_refuse("site:\n\tlatitude: 3 deg\n", NULL, NW_FORMAT,
                "rig.yaml:2:1: not readable as YAML: found character that cannot start any token, "
                "while scanning for the next token; indent with blanks, not tabs; text that begins "
                "with @, ` or % needs quotes");
    must_refuse("site:\n  latitude:-32 deg\n  longitude: 1 deg\n", NULL, NW_FORMAT,
                "rig.yaml:3:12: not readable as YAML: mapping values are not allowed in this "
                "context; is a blank missing after a colon above, or does a text with ': ' lack "
                "its quotes");
}

static void test_duplicate_keys_name_both_places(void **state) {
    (void)state;
    must_refuse("name: a\nsite:\n  latitude: 1 deg\n  name: x\n  latitude: 2 deg\n", NULL,
                NW_FORMAT, "rig.yaml:5:3: key 'latitude' stands twice; the first is in line 3");
}

static void refuse_long(char *text, const char *message) {
    must_refuse(text, NULL, NW_LIMIT, message);
    free(text);
}

static void test_limits_hold(void **state) {
    (void)state;
    char *const deep = nw_calloc(200001, 1);
    assert_non_null(deep);
    memset(deep, '[', 200000);
    refuse_long(deep, "rig.yaml:1:33: nested more than 32 deep");

    const size_t big = ((size_t)1 << 20) + 1;
    char *const long_text = nw_calloc(big + 1, 1);
    assert_non_null(long_text);
    memset(long_text, 'x', big);
    refuse_long(long_text, "rig.yaml: 1048577 bytes, more than 1 MiB");

    struct nw_buf many;
    nw_buf_init(&many, 1 << 20);
    nw_buf_printf(&many, "a: [");
    for (size_t i = 0; i < 110000; i++) {
        nw_buf_printf(&many, "1,");
    }
    must_refuse(many.data, NULL, NW_LIMIT, "rig.yaml:1:200001: more than 100000 entries");
    nw_buf_done(&many);

    struct nw_buf keys;
    nw_buf_init(&keys, 1 << 20);
    for (int i = 0; i < 1001; i++) {
        nw_buf_printf(&keys, "k%d: 1\n", i);
    }
    must_refuse(keys.data, NULL, NW_LIMIT, "rig.yaml:1001:8: more than 1000 keys in one section");
    nw_buf_done(&keys);
}

static void test_a_missing_file_names_itself(void **state) {
    (void)state;
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    assert_int_equal(nw_rig_read("/nonexistent/rig.yaml", NULL, 0, &rig, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "/nonexistent/rig.yaml"));
    assert_null(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_block_flow_quotes_and_comments_read_alike),
        cmocka_unit_test(test_what_explodes_or_surprises_is_refused),
        cmocka_unit_test(test_what_beginners_stumble_over_has_a_hint),
        cmocka_unit_test(test_duplicate_keys_name_both_places),
        cmocka_unit_test(test_limits_hold),
        cmocka_unit_test(test_a_missing_file_names_itself),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
