/* test_inject.c - What a user may put into a simulated night: values arrive, bad ones are named. */
#include "support.h"

static enum nw_status inject(const char *text, struct synth_scene *scene, struct nw_err *err) {
    *scene = (struct synth_scene){.place.latitude_rad = -0.5};
    scene->mount.polar_azimuth_rad = scene->mount.polar_altitude_rad = NAN;
    return nw_synth_inject(&text, 1, scene, err);
}

static void test_values_arrive_in_si(void **state) {
    (void)state;
    struct synth_scene scene;
    assert_int_equal(inject("backlash=6 arcsec", &scene, NULL), NW_OK);
    check_near(scene.mount.backlash_rad / ARCSEC, 6.0, 1e-12, "units");
    assert_int_equal(inject("response_dec=85 %", &scene, NULL), NW_OK);
    check_near(scene.mount.response_dec, 0.85, 1e-12, "percent");
    assert_int_equal(inject("lost_every=5 min", &scene, NULL), NW_OK);
    check_near(scene.loop.lost_interval_s, 300.0, 1e-12, "units");
    assert_int_equal(inject("flexure_dec=-4 arcsec/h", &scene, NULL), NW_OK);
    check_near(scene.mount.flexure_n_rad_s * 3600.0 / ARCSEC, -4.0, 1e-12, "units");
}

static void test_messages(void **state) {
    (void)state;
    static const struct {
        const char *text;
        enum nw_status status;
        const char *says;
    } rows[] = {
        {"backlsh=3 arcsec", NW_NOTFOUND, "did you mean \"backlash\""},
        {"qqqqqqq=3", NW_NOTFOUND, "the first name is"},
        {"backlash", NW_USAGE, "NAME=VALUE"},
        {"=3", NW_USAGE, "NAME=VALUE"},
        {"backlash=3", NW_FORMAT, "backlash"},
        {"backlash=700 arcsec", NW_DOMAIN, "0 arcsec to 600 arcsec"},
        {"windup=nan", NW_FORMAT, "windup"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct synth_scene scene;
        struct nw_err err = {.status = NW_OK};
        assert_int_equal(inject(rows[i].text, &scene, &err), rows[i].status);
        if (!strstr(err.text, rows[i].says)) {
            fail_msg("\"%s\" does not say \"%s\"", err.text, rows[i].says);
        }
    }
}

/* Every row of the list can be set to either end of its own range. */
static void test_ranges_of_the_list_are_readable(void **state) {
    (void)state;
    struct nw_synth_injectable item;
    size_t n = 0;
    for (; nw_synth_injectable_at(n, &item); n++) {
        char text[96];
        struct synth_scene scene;
        (void)snprintf(text, sizeof text, "%s=%s", item.name, item.low);
        assert_int_equal(inject(text, &scene, NULL), NW_OK);
        (void)snprintf(text, sizeof text, "%s=%s", item.name, item.high);
        assert_int_equal(inject(text, &scene, NULL), NW_OK);
        assert_true(item.meaning[0] != 0);
    }
    assert_true(n > 30);
}

/* Elastic gears: inside the gap the axis creeps by the share, at the flank it goes with the motor.
 */
static void test_windup_lets_a_share_through(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    small_rig(&rig, &setup);
    const struct nw_synth_opts opts = small_opts();
    assert_int_equal(nw_synth_scene_init(&rig, NULL, &opts, &scene, NULL), NW_OK);
    struct synth_mount *mount = &scene.mount;
    memset(mount->worm_amplitude_rad, 0, sizeof mount->worm_amplitude_rad);
    mount->polar_error_rad = mount->walk_ra_rad = mount->walk_dec_rad = mount->refraction = 0.0;
    mount->shake_ra_rad = mount->shake_dec_rad = mount->burst_rad = 0.0;
    mount->backlash_rad = 6.0 * ARCSEC;
    mount->response_dec = 1.0;
    mount->windup = 0.15;
    gsl_rng *rng = nw_synth_rng_new(1, 1);
    struct synth_drive drive;
    nw_synth_drive_init(&scene, rng, &drive);
    const double asked = 1.0 * mount->rate_rad_s; /* 7.52 arcsec: 3 to the flank, 4.52 along */
    drive.dec_left_s = 1.0;
    for (int i = 0; i < 30; i++) {
        nw_synth_drive_step(&drive);
    }
    check_near(drive.n_rad, asked - 0.85 * 3.0 * ARCSEC, 1e-10, "closed form");
    drive.dec_left_s = -0.5;
    for (int i = 0; i < 30; i++) {
        nw_synth_drive_step(&drive);
    }
    check_near(drive.n_rad, asked - 0.85 * 3.0 * ARCSEC - 0.15 * 0.5 * asked, 1e-10,
               "closed form: within the gap only the elastic share");
    gsl_rng_free(rng);
}

/* Mishaps: rows without a star, lock points that move without a dither. */
static void test_losses_and_shifts_show_in_the_log(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    struct synth_air air;
    struct synth_night night;
    static const char *const texts[] = {"lost_every=60 s", "lost_length=10 s", "shift_every=90 s",
                                        "shift=3 arcsec", "dither=0 arcsec"};
    small_rig(&rig, &setup);
    struct nw_synth_opts opts = small_opts();
    opts.sub_length_s = 600.0;
    opts.inject = texts;
    opts.n_inject = 5;
    assert_int_equal(nw_synth_scene_init(&rig, NULL, &opts, &scene, NULL), NW_OK);
    assert_int_equal(nw_synth_air_init(&scene, 2000.0, &air, NULL), NW_OK);
    assert_int_equal(nw_synth_night_run(&scene, &air, &night, NULL), NW_OK);
    size_t lost = 0;
    size_t moved = 0;
    for (size_t i = 0; i < night.n_rows; i++) {
        const struct synth_row *row = &night.rows[i];
        assert_string_not_equal(row->event, "dither");
        lost += row->is_lost ? 1 : 0;
        if (row->is_lost) {
            assert_true(row->ra_pulse_s == 0.0 && row->dec_pulse_s == 0.0);
        }
        if (i > 0) {
            const double way =
                hypot(row->lock_e_rad - row[-1].lock_e_rad, row->lock_n_rad - row[-1].lock_n_rad);
            if (way > 0.0) {
                check_near(way / ARCSEC, 3.0, 1e-6, "the size that was asked for");
                moved++;
            }
        }
    }
    assert_true(night.n_lost > 5 && night.n_shifts > 5);
    assert_true(lost > 2 * night.n_lost && lost < 7 * night.n_lost);
    assert_int_equal(moved, night.n_shifts);
    nw_synth_night_done(&night);
    nw_synth_air_done(&air);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_values_arrive_in_si),
        cmocka_unit_test(test_messages),
        cmocka_unit_test(test_ranges_of_the_list_are_readable),
        cmocka_unit_test(test_windup_lets_a_share_through),
        cmocka_unit_test(test_losses_and_shifts_show_in_the_log),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
