/* test_join.c - log beside frames: offsets found, zones named, bad joins refused */
#include "guiding/guiding.h"

#include "check.h"

enum { FRAMES = 30, ROWS = 9000 };
#define T0_s 1.75e9

/* A night of 120 s frames with downloads of 6 s; every third gap a dither of 20 s and now and then
 * a longer stop, so that the rhythm is uneven. The log runs along at 1 s. */
struct night {
    struct nw_span frames[FRAMES];
    double dithers_s[FRAMES];
    size_t n_dithers;
    struct nw_guide_log log;
    struct nw_guide_row rows[ROWS];
    char path[8];
};

static void make_night(struct night *night, double clock_error_s) {
    memset(night, 0, sizeof *night);
    memcpy(night->path, "a.csv", 6);
    double t = T0_s;
    for (size_t i = 0; i < FRAMES; i++) {
        const double length_s = 120.0 + (double)((i * 7) % 11) * 17.0;
        night->frames[i] = (struct nw_span){t, t + length_s};
        t += length_s + 6.0;
        if (i % 3 == 2) {
            night->dithers_s[night->n_dithers++] = t - 4.0;
            t += 20.0;
        }
        t += i % 7 == 3 ? 45.0 : 0.0;
    }
    night->log = (struct nw_guide_log){
        .path = night->path, .rows = night->rows, .has_dates = true, .is_dec_sign_known = true};
    size_t d = 0;
    for (double s = T0_s - 200.0; s < t + 100.0; s += 1.0) {
        assert_true(night->log.n < ROWS);
        struct nw_guide_row *row = &night->rows[night->log.n++];
        *row = (struct nw_guide_row){.t_s = s + clock_error_s,
                                     .ra_rad = 1e-6 * sin(s * 0.7),
                                     .dec_rad = 1e-6 * cos(s * 1.1),
                                     .lock_x_px = NAN,
                                     .lock_y_px = NAN};
        if (d < night->n_dithers && s >= night->dithers_s[d]) {
            row->is_event = true;
            memcpy(row->event, "dither", 7);
            d++;
        }
    }
}

static void refuse(const struct night *night, const char *want) {
    struct nw_guide_join join;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_join(&night->log, night->frames, FRAMES, &join, &err), NW_DATA);
    if (!strstr(err.text, want)) {
        print_error("got \"%s\", want \"%s\"\n", err.text, want);
        fail();
    }
}

static void test_good_clocks_are_left_alone(void **state) {
    (void)state;
    struct night night;
    make_night(&night, 0.0);
    struct nw_guide_join join;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_OK);
    check_near(join.offset_s, 0.0, 0.0, "nothing speaks against the clocks");
    assert_true(join.is_certain);
    assert_int_equal(join.n_dithers, 10);
    assert_int_equal(join.n_between, 9); /* the tenth comes after the last frame */
    assert_int_equal(join.n_frames_covered, FRAMES);
}

static void test_clock_error_is_found(void **state) {
    (void)state;
    static const double errors_s[] = {-90.0, -40.0, 37.0, 100.0};
    for (size_t i = 0; i < 4; i++) {
        struct night night;
        make_night(&night, errors_s[i]);
        struct nw_guide_join join;
        struct nw_err err = {0};
        assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_OK);
        /* a dither may lie anywhere in a gap of 26 s + one step at each end */
        check_near(join.offset_s, -errors_s[i], 15.0, "clock error put in");
        check_near(join.offset_s, -errors_s[i], 3.0 * join.offset_sigma_s, "its own sigma");
    }
}

static void test_wrong_zone_is_named_not_taken(void **state) {
    (void)state;
    struct night night;
    make_night(&night, 10.0 * 3600.0);
    refuse(&night,
           "a.csv: the log's clock is 10 h ahead: 9 of 10 dithers then fall between frames; "
           "add `# time_zone: +10:00`");
    make_night(&night, -3.5 * 3600.0 + 20.0);
    refuse(&night, "3.5 h behind");
    refuse(&night, "add `# time_zone: -03:30`");
    night.log.zone_offset_s = 7200.0; /* +02:00 was applied: what should have been is told */
    refuse(&night, "add `# time_zone: -01:30`");
}

static void test_dithers_inside_frames_are_refused(void **state) {
    (void)state;
    struct night night;
    make_night(&night, 0.0);
    double t = T0_s; /* frames without a gap: nothing fits */
    for (size_t i = 0; i < FRAMES; i++) {
        night.frames[i] = (struct nw_span){t, t + 150.0};
        t += 150.0;
    }
    refuse(&night, "dithers fall inside frames at the best clock offset");
    refuse(&night, "time_zone");
    make_night(&night, 30.0 * 86400.0);
    refuse(&night, "no dither falls among the frames");
}

static void test_log_without_dates(void **state) {
    (void)state;
    struct night night;
    make_night(&night, -T0_s);
    night.log.has_dates = false;
    struct nw_guide_join join;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_OK);
    check_near(join.offset_s, T0_s, 15.0, "start time put in");
    /* an even rhythm does not tell: many start times fit, and many clock errors */
    double t = T0_s;
    for (size_t i = 0; i < FRAMES; i++) {
        night.frames[i] = (struct nw_span){t, t + 100.0};
        t += 110.0;
    }
    for (size_t k = 0; k < night.log.n; k++) {
        night.rows[k].is_event = k % 330 == 105 && k < 3200;
        memcpy(night.rows[k].event, "dither", 7);
    }
    refuse(&night, "its start time is not unique");
    night.log.has_dates = true;
    for (size_t k = 0; k < night.log.n; k++) {
        night.rows[k].t_s += T0_s + 50.0;
    }
    refuse(&night, "put the dithers between frames alike");
    night.log.has_dates = false;
    for (size_t k = 0; k < night.log.n; k++) {
        night.rows[k].is_event = false;
    }
    refuse(&night, "neither dates nor dithers");
}

static void test_no_dithers_and_bad_frames(void **state) {
    (void)state;
    struct night night;
    make_night(&night, 0.0);
    for (size_t k = 0; k < night.log.n; k++) {
        night.rows[k].is_event = false;
    }
    struct nw_guide_join join;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_OK);
    assert_false(join.is_certain);
    assert_true(isnan(join.offset_sigma_s));
    assert_int_equal(nw_guide_join(&night.log, night.frames, 0, &join, &err), NW_DOMAIN);
    night.frames[3].end_s = night.frames[3].start_s;
    assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "frame 4 ends"));
    make_night(&night, 0.0);
    night.frames[5] = (struct nw_span){T0_s, T0_s + 1.0};
    assert_int_equal(nw_guide_join(&night.log, night.frames, FRAMES, &join, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "frame 6 starts before frame 5"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_good_clocks_are_left_alone),
        cmocka_unit_test(test_clock_error_is_found),
        cmocka_unit_test(test_wrong_zone_is_named_not_taken),
        cmocka_unit_test(test_dithers_inside_frames_are_refused),
        cmocka_unit_test(test_log_without_dates),
        cmocka_unit_test(test_no_dithers_and_bad_frames),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
