/* test_handover.c - which calibration frames belong to which subs, by hand; reasons to leave out;
 * edges. The numbers of weights and masters are checked on drawn frames (test_handover.py). */
#include "look/handover.h"

#include "check.h"

#define DAY 86400.0

static struct nw_frame_facts facts(const char *type, double exposure_s, double t_s) {
    struct nw_frame_facts f;
    nw_frame_facts_unknown(&f);
    nw_text_copy(f.image_type, sizeof f.image_type, type);
    nw_text_copy(f.camera, sizeof f.camera, "mono");
    nw_text_copy(f.filter, sizeof f.filter, "red");
    f.exposure_s = exposure_s;
    f.t_start_utc_s = t_s;
    f.gain_setting = 100.0;
    f.set_temperature_K = 263.15;
    f.binning = 1.0;
    return f;
}

static struct nw_hand_sub sub_of(const struct nw_frame_facts *f, const struct nw_measure *m) {
    return (struct nw_hand_sub){
        .path = "sub.fits", .facts = f, .measure = m, .width_px = 100, .height_px = 100};
}

static const struct nw_hand_set *set_of(const struct nw_hand_set *sets, size_t n,
                                        enum nw_hand_need need) {
    for (size_t i = 0; i < n; i++) {
        if (sets[i].need == need) {
            return &sets[i];
        }
    }
    fail_msg("no set");
    return NULL;
}

static void test_what_a_dark_must_have_in_common(void **state) {
    (void)state;
    const struct nw_measure m = {.n_stars = 0,
                                 .n_used = 9,
                                 .noise_adu = 5,
                                 .fwhm_px = 3,
                                 .neq_area_px2 = 20,
                                 .moffat_beta = 3};
    struct nw_frame_facts light = facts("light", 300.0, 1000.0 * DAY);
    light.rotator_rad = 10.0 * NW_RAD_PER_DEG;
    struct nw_hand_sub sub = sub_of(&light, &m);
    struct nw_hand_group *groups = NULL;
    size_t n_groups = 0;
    assert_int_equal(nw_handover_judge(&sub, 1, NULL, &groups, &n_groups, NULL), NW_OK);
    assert_int_equal(n_groups, 1);
    assert_int_equal(sub.reason, NW_HAND_KEPT);
    check_near(sub.weight_extended, 1.0, 1e-12, "one alone is the best");
    struct nw_frame_facts f[8];
    for (size_t i = 0; i < 8; i++) {
        f[i] = facts(i < 5 ? "dark" : "flat", i < 5 ? 300.0 : 2.0, 990.0 * DAY);
    }
    f[1].exposure_s = 120.0;
    f[2].set_temperature_K = 268.15;
    f[3].gain_setting = 200.0;
    f[4].t_start_utc_s = 600.0 * DAY;
    f[5].rotator_rad = 10.5 * NW_RAD_PER_DEG;
    f[6].rotator_rad = 190.0 * NW_RAD_PER_DEG;
    nw_text_copy(f[7].filter, sizeof f[7].filter, "green");
    struct nw_hand_calibration frames[8];
    for (size_t i = 0; i < 8; i++) {
        frames[i] = (struct nw_hand_calibration){.path = "/x/frame.fits",
                                                 .facts = &f[i],
                                                 .use = i < 5 ? NW_USE_DARK : NW_USE_FLAT,
                                                 .width_px = 100,
                                                 .height_px = 100};
    }
    const struct nw_hand_judged judged = {&sub, 1, groups, 1};
    struct nw_hand_set *sets = NULL;
    size_t n = 0;
    assert_int_equal(nw_handover_calibrate(&judged, frames, 8, NULL, &sets, &n, NULL), NW_OK);
    assert_int_equal(n, 3);
    const struct nw_hand_set *const dark = set_of(sets, n, NW_HAND_NEED_DARK);
    assert_int_equal(dark->n, 2); /* the right one and the old one */
    check_near(dark->age_s / DAY, 10.0, 1e-9, "the newest counts");
    assert_true(dark->is_few && !dark->is_stale && !dark->is_missing);
    const struct nw_hand_set *const flat = set_of(sets, n, NW_HAND_NEED_FLAT);
    assert_int_equal(flat->n, 1);
    assert_int_equal(flat->items[0], 5); /* half a degree off, not half a turn */
    const struct nw_hand_set *const bias = set_of(sets, n, NW_HAND_NEED_BIAS);
    assert_true(bias->is_missing && bias->nearest[0] == '\0');
    nw_hand_sets_free(sets, n);
    /* without the good ones the nearest is named with what is different */
    assert_int_equal(nw_handover_calibrate(&judged, &frames[1], 1, NULL, &sets, &n, NULL), NW_OK);
    assert_string_equal(set_of(sets, n, NW_HAND_NEED_DARK)->nearest,
                        "frame.fits differs in exposure");
    nw_hand_sets_free(sets, n);
    free(groups);
}

enum { N_STARS = 40 };
/* One field of stars, turned about the middle of 1000 x 800 px; every sub has its own centring. */
static void field(struct nw_star *stars, double turn_deg, double shift_px) {
    const double c = cos(turn_deg * NW_RAD_PER_DEG);
    const double s = sin(turn_deg * NW_RAD_PER_DEG);
    for (size_t i = 0; i < N_STARS; i++) {
        const double x = fmod(137.5 * (double)(i * i + 3), 601.0) - 300.0;
        const double y = fmod(71.3 * (double)(i * i * i + 11), 601.0) - 300.0;
        stars[i] = (struct nw_star){.x_px = 499.5 + shift_px + c * x - s * y,
                                    .y_px = 399.5 - shift_px + s * x + c * y,
                                    .flux_adu = 1e5 / (double)(i + 1),
                                    .flux_sigma_adu = 10.0,
                                    .snr = 1e4 / (double)(i + 1)};
    }
}

/* Two nights, the camera turned by hand by 5 deg between them; in the first a flip. Four subs and
 * three flats; no header says an angle, or (is_said) all say the same. */
struct two_nights {
    struct nw_star stars[4][N_STARS];
    struct nw_measure m[4];
    struct nw_frame_facts f[4], flat[3];
    struct nw_hand_sub subs[4];
    struct nw_hand_calibration frames[3];
};
static void two_nights(struct two_nights *t, bool is_said) {
    static const double TURN_deg[4] = {0.0, 180.3, 5.0, 5.1};
    static const char *const SIDE[4] = {"west", "east", "west", "west"};
    static const double AT_d[4] = {100.0, 100.2, 103.0, 103.1};
    static const double FLAT_d[3] = {100.4, 103.3, 90.0}; /* nobody saw the angle of the last */
    for (size_t i = 0; i < 4; i++) {
        field(t->stars[i], TURN_deg[i], 3.0 * (double)i);
        t->m[i] = (struct nw_measure){.stars = t->stars[i],
                                      .n_stars = N_STARS,
                                      .n_used = N_STARS,
                                      .width_px = 1000,
                                      .height_px = 800,
                                      .noise_adu = 5.0 + (double)i,
                                      .fwhm_px = 3,
                                      .neq_area_px2 = 20,
                                      .moffat_beta = 3};
        t->f[i] = facts("light", 300.0, AT_d[i] * DAY);
        t->f[i].rotator_rad = is_said ? 0.4 : NAN;
        nw_text_copy(t->f[i].tube_side, sizeof t->f[i].tube_side, SIDE[i]);
        t->subs[i] = sub_of(&t->f[i], &t->m[i]);
    }
    for (size_t i = 0; i < 3; i++) {
        t->flat[i] = facts("flat", 2.0, FLAT_d[i] * DAY);
        t->flat[i].rotator_rad = is_said ? 0.4 : NAN;
        t->frames[i] = (struct nw_hand_calibration){.path = "/x/flat.fits",
                                                    .facts = &t->flat[i],
                                                    .use = NW_USE_FLAT,
                                                    .width_px = 100,
                                                    .height_px = 100};
    }
}

static void test_flats_follow_the_camera_as_stars_show_it(void **state) {
    (void)state;
    for (int said = 0; said < 2; said++) {
        struct two_nights t;
        struct nw_hand_group *groups = NULL;
        struct nw_hand_set *sets = NULL;
        size_t n_groups = 0;
        size_t n = 0;
        size_t n_flats = 0;
        two_nights(&t, said == 1);
        assert_int_equal(nw_handover_judge(t.subs, 4, NULL, &groups, &n_groups, NULL), NW_OK);
        assert_int_equal(n_groups, 1);
        check_near(t.subs[1].turn_rad * NW_DEG_PER_RAD, 0.3, 0.01, "half a turn is the flip's");
        check_near(t.subs[2].turn_rad * NW_DEG_PER_RAD, 5.0, 0.01, "as drawn");
        const struct nw_hand_judged judged = {t.subs, 4, groups, 1};
        assert_int_equal(nw_handover_calibrate(&judged, t.frames, 3, NULL, &sets, &n, NULL), NW_OK);
        for (size_t k = 0; k < n; k++) {
            if (sets[k].need == NW_HAND_NEED_FLAT) {
                assert_int_equal(sets[k].n_subs, 2);
                assert_int_equal(sets[k].n, 2); /* its night's, and the one nobody can judge */
                assert_int_equal(sets[k].items[0], n_flats); /* each night its own */
                n_flats++;
            }
        }
        assert_int_equal(n_flats, 2);
        nw_hand_sets_free(sets, n);
        free(groups);
    }
}

static void test_without_a_sound_sub_nothing_has_a_weight(void **state) {
    (void)state;
    static struct two_nights t;
    struct nw_hand_group *groups = NULL;
    size_t n = 0;
    two_nights(&t, false);
    for (size_t i = 0; i < 4; i++) {
        t.m[i].flags |= NW_FRAME_TRAILED;
    }
    assert_int_equal(nw_handover_judge(t.subs, 4, NULL, &groups, &n, NULL), NW_OK);
    assert_int_equal(groups[0].n_kept, 0);
    for (size_t i = 0; i < 4; i++) { /* there is no best one to be weighed against */
        assert_int_equal(t.subs[i].reason, NW_HAND_TRAILED);
        assert_true(isnan(t.subs[i].weight_extended) && isnan(t.subs[i].weight_point));
        assert_true(isnan(t.subs[i].brings_extended) && isnan(t.subs[i].brings_point));
        assert_true(isnan(t.subs[i].planes[0].weight_extended));
        assert_true(isnan(t.subs[i].planes[0].brings_point));
    }
    free(groups);
}

static void test_reasons_in_words(void **state) {
    (void)state;
    struct nw_frame_facts f = facts("light", 300.0, 0.0);
    struct nw_frame_facts other = f;
    nw_text_copy(other.object, sizeof other.object, "another");
    const struct nw_measure good = {.n_stars = 0,
                                    .n_used = 9,
                                    .noise_adu = 5,
                                    .fwhm_px = 3,
                                    .neq_area_px2 = 20,
                                    .moffat_beta = 3};
    struct nw_measure dark = good;
    dark.n_used = 0;
    struct nw_measure twice = good;
    twice.flags = NW_FRAME_DOUBLED;
    struct nw_hand_sub subs[4] = {sub_of(&f, &dark), sub_of(&f, &twice), sub_of(&f, NULL),
                                  sub_of(&other, &good)};
    struct nw_hand_group *groups = NULL;
    size_t n_groups = 0;
    assert_int_equal(nw_handover_judge(subs, 4, NULL, &groups, &n_groups, NULL), NW_OK);
    assert_int_equal(n_groups, 2);
    assert_int_equal(subs[0].reason, NW_HAND_NO_STARS);
    assert_int_equal(subs[1].reason, NW_HAND_DOUBLED);
    assert_int_equal(subs[2].reason, NW_HAND_UNREADABLE);
    assert_int_equal(subs[3].reason, NW_HAND_KEPT);
    assert_int_equal(groups[0].n_kept, 0);
    assert_true(groups[0].planes[0].best == SIZE_MAX && isnan(groups[0].kept_extended));
    check_near(groups[1].planes[0].fwhm_px, 3.0, 1e-6, "a stack of one has its width");
    check_near(groups[1].planes[0].noise_adu, 5.0, 1e-9, "and its noise");
    const struct nw_hand_judged judged = {subs, 4, groups, n_groups};
    const struct nw_hand_made made = {.n_planes = 1, .planes = {&good}};
    struct nw_hand_audit audit;
    struct nw_err err = {0};
    assert_int_equal(nw_handover_audit(&made, &judged, &audit, &err), NW_DATA);
    free(groups);
    assert_int_equal(nw_handover_judge(subs, 0, NULL, &groups, &n_groups, NULL), NW_OK);
    assert_int_equal(n_groups, 0);
    free(groups);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_a_dark_must_have_in_common),
        cmocka_unit_test(test_flats_follow_the_camera_as_stars_show_it),
        cmocka_unit_test(test_without_a_sound_sub_nothing_has_a_weight),
        cmocka_unit_test(test_reasons_in_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
