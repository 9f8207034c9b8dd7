/* test_owed.c - calibration owed by hand, merged over filters; cooling by hand. */
#include "look/owed.h"

#include "check.h"

static struct nw_frame_facts facts(const char *filter, double exposure_s) {
    struct nw_frame_facts f;
    nw_frame_facts_unknown(&f);
    nw_text_copy(f.filter, sizeof f.filter, filter);
    f.exposure_s = exposure_s;
    f.t_start_utc_s = 0.0;
    f.set_temperature_K = 263.15;
    return f;
}

static const struct nw_owed *owed_of(const struct nw_owed_list *l, enum nw_hand_need need,
                                     double exposure_s) {
    for (size_t i = 0; i < l->n; i++) {
        const struct nw_hand_set *const s = &l->sets[l->owed[i].set];
        if (s->need == need && (need != NW_HAND_NEED_DARK || s->exposure_s == exposure_s)) {
            return &l->owed[i];
        }
    }
    fail_msg("no such set");
    return NULL;
}

static void test_sets_are_merged_and_counted(void **state) {
    (void)state;
    struct nw_frame_facts red = facts("red", 300.0);
    struct nw_frame_facts blue = facts("blue", 300.0);
    struct nw_frame_facts narrow = facts("red", 600.0);
    struct nw_hand_sub subs[4] = {{.path = "a", .facts = &red, .width_px = 10, .height_px = 10},
                                  {.path = "b", .facts = &blue, .width_px = 10, .height_px = 10},
                                  {.path = "c", .facts = &narrow, .width_px = 10, .height_px = 10},
                                  {.path = "d", .facts = &blue, .width_px = 10, .height_px = 10}};
    struct nw_frame_facts dark = facts("", 300.0);
    struct nw_hand_calibration frames[8];
    for (size_t i = 0; i < 8; i++) {
        frames[i] = (struct nw_hand_calibration){
            .path = "d.fits", .facts = &dark, .use = NW_USE_DARK, .width_px = 10, .height_px = 10};
    }
    const struct nw_owed_from from = {
        .subs = subs, .n = 4, .frames = frames, .n_frames = 8, .wanted = 12, .between_s = 10.0};
    struct nw_owed_list list = {.n = 0};
    assert_int_equal(nw_owed_of(&from, &list, NULL), NW_OK);
    assert_int_equal(list.n, 5); /* darks 300 and 600, flats red and blue, bias */
    const struct nw_owed *const few = owed_of(&list, NW_HAND_NEED_DARK, 300.0);
    assert_int_equal(list.sets[few->set].n_subs, 3); /* red and blue together */
    assert_int_equal(few->wanted, 4);
    check_near(few->minutes, 4 * 310.0 / 60.0, 1e-9, "by hand");
    const struct nw_owed *const none = owed_of(&list, NW_HAND_NEED_DARK, 600.0);
    assert_int_equal(none->wanted, 12);
    const struct nw_owed *const bias = owed_of(&list, NW_HAND_NEED_BIAS, 0.0);
    check_near(list.capped_min, few->minutes + none->minutes + bias->minutes, 1e-9, "no flats");
    assert_true(list.owed[0].sooner >= list.owed[1].sooner);
    assert_true(list.sets[list.owed[0].set].is_missing);
    nw_owed_done(&list);
    const struct nw_owed_from nothing = {.n = 0};
    assert_int_equal(nw_owed_of(&nothing, &list, NULL), NW_OK);
    assert_int_equal(list.n, 0);
    nw_owed_done(&list);
}

static void test_cooling_by_month(void **state) {
    (void)state;
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    struct nw_cooling c;
    assert_int_equal(nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err), NW_OK);
    struct nw_camera camera = rig->setups[0].camera;
    assert_int_equal(nw_cooling_of(rig, &camera, &c, &err), NW_OK);
    check_near(c.months[0].air_K, 292.15, 1e-9, "January is the summer of the south");
    check_near(c.months[6].air_K, 276.15, 1e-9, "July its winter");
    check_near(c.months[0].headroom_K, -10.0 - (19.0 - 32.0), 1e-9, "set point less reached");
    camera.set_temperature_K.v = 273.15 - 19.0;
    assert_int_equal(nw_cooling_of(rig, &camera, &c, &err), NW_OK);
    check_near(c.months[0].headroom_K, -6.0, 1e-9, "not held");
    check_near(c.months[0].dark_factor, 2.0, 1e-9, "doubles in 6 K, REFERENCES PHO-24");
    check_near(c.months[6].dark_factor, 1.0, 1e-9, "held");
    rig->site.latitude_rad.v = 0.8;
    assert_int_equal(nw_cooling_of(rig, &camera, &c, &err), NW_OK);
    check_near(c.months[6].air_K, 292.15, 1e-9, "July is the summer of the north");
    camera.cooling_K.v = NAN;
    assert_int_equal(nw_cooling_of(rig, &camera, &c, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "cooling"));
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sets_are_merged_and_counted),
        cmocka_unit_test(test_cooling_by_month),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
