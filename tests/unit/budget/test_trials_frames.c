/* test_trials_frames.c - trials that are known by what was done: found where they were made, none
 * on a usual night. Nights are composed here, header by header. */
#include <math.h>

#include "budget/trials.h"
#include "check.h"

enum { MAX = 700 };
#define DEG NW_RAD_PER_DEG

struct night {
    struct nw_trial_exposure frames[MAX];
    size_t n;
    double t_s;
    struct nw_trial_groups found;
};

static const struct nw_trial_exposure SUB = {.exposure_s = 300.0,
                                             .use = NW_USE_LIGHT,
                                             .train = 1,
                                             .filter = "luminance",
                                             .object = "field",
                                             .tube_side = 1,
                                             .ra_rad = 1.0,
                                             .dec_rad = 0.2,
                                             .focuser_steps = 20000.0,
                                             .rotator_rad = 0.5,
                                             .gain_setting = 100.0,
                                             .offset_setting = 30.0,
                                             .binning = 1.0,
                                             .temperature_K = 263.0,
                                             .half_light_px = 1.5,
                                             .sun_altitude_rad = -30.0 * DEG};

/* The next frame, a pause of 10 s behind it. */
static struct nw_trial_exposure *add(struct night *night, const struct nw_trial_exposure *like) {
    struct nw_trial_exposure *const e = &night->frames[night->n++];
    *e = *like;
    e->t_start_utc_s = night->t_s;
    night->t_s += e->exposure_s + 10.0;
    return e;
}

static void subs(struct night *night, size_t n) {
    for (size_t i = 0; i < n; i++) {
        (void)add(night, &SUB);
    }
}

static void at_place(struct night *night, double steps, double exposure_s, double half_light_px) {
    struct nw_trial_exposure e = SUB;
    e.focuser_steps = steps;
    e.exposure_s = exposure_s;
    e.half_light_px = half_light_px;
    (void)add(night, &e);
}

static size_t look(struct night *night, double depth_steps) {
    struct nw_err err = {0};
    const struct nw_trial_night given = {.frames = night->frames,
                                         .n = night->n,
                                         .depth_steps = depth_steps,
                                         .settled_utc_s = INFINITY};
    nw_trial_groups_done(&night->found);
    assert_int_equal(nw_trials_by_frames(&given, &night->found, &err), NW_OK);
    return night->found.n;
}

static void pair(struct night *night, double best, double out) {
    at_place(night, best - out, 30.0, 4.0);
    at_place(night, best + out, 30.0, 4.0);
}

static void test_pair(void **state) {
    (void)state;
    static struct night night;
    night = (struct night){.n = 0};
    subs(&night, 5);
    pair(&night, 20000.0, 100.0);
    subs(&night, 3);
    assert_int_equal(look(&night, 25.0), 1); /* four depths of focus either side */
    assert_int_equal(night.found.items[0].id, NW_TRIAL_PAIR_ABOUT_FOCUS);
    assert_int_equal(night.found.items[0].n, 2);
    assert_int_equal(night.found.items[0].frames[0], 5);
    assert_int_equal(look(&night, NAN), 0);   /* the rig file has no step */
    assert_int_equal(look(&night, 100.0), 0); /* within a depth of focus and a half */
    assert_int_equal(look(&night, 5.0), 0);   /* 20 depths: a slip, or a hunt for focus */
    night.frames[6].focuser_steps = NAN;
    assert_int_equal(look(&night, 25.0), 0); /* its header does not say */
    night.frames[6].focuser_steps = 20100.0;
    night.frames[5].half_light_px = night.frames[6].half_light_px = 1.6;
    assert_int_equal(look(&night, 25.0), 0); /* sharp: the number moved, the focus did not */
    night.frames[5].half_light_px = 4.0;
    night.frames[6].half_light_px = NAN; /* too wide to be measured */
    assert_int_equal(look(&night, 25.0), 1);
    night.frames[6].focuser_steps = 19900.0;
    assert_int_equal(look(&night, 25.0), 0); /* both on one side */
    night.frames[6].focuser_steps = 20100.0;
    night.frames[6].ra_rad += 2.0 * DEG;
    assert_int_equal(look(&night, 25.0), 0); /* another field */
    nw_trial_groups_done(&night.found);
}

static void test_two_pairs(void **state) {
    (void)state;
    static struct night night;
    night = (struct night){.n = 0};
    subs(&night, 2);
    pair(&night, 20000.0, 100.0);
    pair(&night, 20000.0, 100.0);
    subs(&night, 2);
    night.frames[4].rotator_rad = night.frames[5].rotator_rad = 0.5 + 180.0 * DEG;
    assert_int_equal(look(&night, 25.0), 3);
    assert_int_equal(night.found.items[2].id, NW_TRIAL_ROTATOR_HALF_TURN);
    assert_int_equal(night.found.items[2].n, 4);
    night.frames[4].rotator_rad = night.frames[5].rotator_rad = 0.5;
    night.frames[4].tube_side = night.frames[5].tube_side = -1;
    assert_int_equal(look(&night, 25.0), 3);
    assert_int_equal(night.found.items[2].id, NW_TRIAL_TWO_TUBE_SIDES);
    night.frames[4].rotator_rad = night.frames[5].rotator_rad = 0.5 + 180.0 * DEG;
    assert_int_equal(look(&night, 25.0), 2); /* side and rotator both: not guessed */
    for (size_t i = 0; i < night.n; i++) {
        night.frames[i].rotator_rad = NAN;
        night.frames[i].tube_side = 0;
    }
    assert_int_equal(look(&night, 25.0), 0); /* neither said: four frames, two alike at a time */
    nw_trial_groups_done(&night.found);
}

static void test_five_seconds(void **state) {
    (void)state;
    static struct night night;
    struct nw_trial_exposure e = SUB;
    night = (struct night){.n = 0};
    e.exposure_s = 5.0;
    subs(&night, 4);
    (void)add(&night, &e);
    subs(&night, 4);
    assert_int_equal(look(&night, 25.0), 1);
    assert_int_equal(night.found.items[0].id, NW_TRIAL_FIVE_SECOND_FRAME);
    assert_int_equal(night.found.items[0].frames[0], 4);
    assert_int_equal(look(&night, NAN), 1); /* needs no step of the focuser */
    night.frames[4].focuser_steps += 100.0;
    assert_int_equal(look(&night, 25.0), 0); /* of a focus run */
    night.frames[4].focuser_steps -= 100.0;
    night.frames[4].is_taken = true; /* of short-and-long */
    assert_int_equal(look(&night, 25.0), 0);
    night.frames[4].is_taken = false;
    night.frames[6].exposure_s = 5.0; /* two within ten minutes: of something else */
    assert_int_equal(look(&night, 25.0), 0);
    nw_trial_groups_done(&night.found);
}

static void test_darks(void **state) {
    (void)state;
    static struct night night;
    struct nw_trial_exposure e = SUB;
    night = (struct night){.n = 0};
    e.use = NW_USE_DARK;
    for (size_t i = 0; i < 9; i++) {
        e.exposure_s = i < 6 ? 300.0 : 60.0;
        e.sun_altitude_rad = (i < 3 ? 20.0 : -30.0) * DEG;
        (void)add(&night, &e);
    }
    assert_int_equal(look(&night, NAN), 1);
    assert_int_equal(night.found.items[0].id, NW_TRIAL_CAP_ON);
    assert_int_equal(night.found.items[0].n, 9); /* other lengths without light: dark current */
    night.frames[3].sun_altitude_rad = -3.0 * DEG;
    assert_int_equal(look(&night, NAN), 0); /* two of that length are left, three are wanted */
    night.frames[3].sun_altitude_rad = -30.0 * DEG;
    for (size_t i = 0; i < 3; i++) {
        night.frames[i].temperature_K += 5.0; /* a warm chip is no light */
    }
    assert_int_equal(look(&night, NAN), 0);
    for (size_t i = 0; i < 3; i++) {
        night.frames[i].temperature_K -= 5.0;
        night.frames[i].sun_altitude_rad = NAN; /* no site */
    }
    assert_int_equal(look(&night, NAN), 0);
    nw_trial_groups_done(&night.found);
}

/* Candidates alone: pixels decide. */
static void test_flats(void **state) {
    (void)state;
    static struct night night;
    struct nw_trial_exposure e = SUB;
    night = (struct night){.n = 0};
    e.use = NW_USE_FLAT;
    e.exposure_s = 2.0;
    for (size_t i = 0; i < 40; i++) {
        (void)add(&night, &e);
    }
    e.filter = "red";
    (void)add(&night, &e);
    assert_int_equal(look(&night, NAN), 1); /* one of red is nothing to compare */
    assert_int_equal(night.found.items[0].id, NW_TRIAL_EDGE_CARD);
    assert_int_equal(night.found.items[0].n, 8);
    assert_int_equal(night.found.items[0].frames[7], 39);
    nw_trial_groups_done(&night.found);
}

/* A run of nine places, 3 s each, every place `step` apart. */
static void focus_run(struct night *night, double best, double step) {
    for (int i = -4; i <= 4; i++) {
        at_place(night, best + i * step, 3.0, 1.5 + 0.6 * abs(i));
    }
}

/* Subs of three filters with offsets, focus runs that were kept, drift by temperature, a flip with
 * a rotator that turns with it, darks all night, flats at dawn. */
static void test_usual_nights(void **state) {
    (void)state;
    static struct night night;
    static const char *const FILTERS[] = {"luminance", "red", "H-alpha"};
    for (int kind = 0; kind < 12; kind++) {
        double best = 20000.0;
        night = (struct night){.n = 0, .t_s = 1000.0 * kind};
        for (size_t block = 0; block < 12; block++) {
            struct nw_trial_exposure e = SUB;
            const double step = 15.0 + 10.0 * (kind % 6); /* 0.6 to 2.6 depths of focus */
            const double offset = 60.0 * (double)(block % 3);
            if (kind % 2 == 0) {
                focus_run(&night, best, step);
            }
            e.filter = FILTERS[block % 3];
            e.focuser_steps = best + offset;
            e.tube_side = block < 6 ? 1 : -1;
            e.rotator_rad = block < 6 ? 0.5 : 0.5 + NW_PI;
            e.exposure_s = kind < 6 ? 300.0 : 30.0;
            for (size_t i = 0; i < 8; i++) {
                (void)add(&night, &e);
                e.focuser_steps -= kind % 3 == 0 ? 4.0 : 0.0; /* compensation */
            }
            best -= 30.0;
        }
        for (size_t i = 0; i < 60; i++) {
            struct nw_trial_exposure e = SUB;
            e.use = NW_USE_DARK;
            e.exposure_s = i < 30 ? 300.0 : 60.0;
            (void)add(&night, &e);
        }
        const size_t n = look(&night, 25.0);
        if (n > 0) {
            print_error("night %d: %s\n", kind, nw_trial_name(night.found.items[0].id));
        }
        assert_int_equal(n, 0);
    }
    nw_trial_groups_done(&night.found);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pair),  cmocka_unit_test(test_two_pairs),
        cmocka_unit_test(test_darks), cmocka_unit_test(test_five_seconds),
        cmocka_unit_test(test_flats), cmocka_unit_test(test_usual_nights),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
