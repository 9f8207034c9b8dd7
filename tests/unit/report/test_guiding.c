/* test_guiding.c - the guiding document: every promised key, unknown is null with a reason, and the
 * text stays within 80 columns */
#include "guide_sim.h"
#include "report/report_guiding.h"

#include "check.h"

static void require_keys(const json_t *object, const char *const *keys) {
    for (; *keys; keys++) {
        if (!json_object_get(object, *keys)) {
            print_error("key \"%s\" is missing\n", *keys);
            fail();
        }
    }
}

static void with_night(void (*test)(const struct nw_guide_log *, const struct nw_guide_analysis *),
                       bool are_pulses_logged) {
    const struct sim_axis axis = {
        .noise = 0.3, .walk_per_sqrt_s = 0.05, .gain = 0.4, .response = 1.0, .delay = 1};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct sim_night night;
    sim_night_init(&night, 600, 2.0);
    sim_night_run(&night, &axis, &axis, rng);
    for (size_t k = 0; k < night.n && !are_pulses_logged; k++) {
        night.log.rows[k].ra_pulse_s = night.log.rows[k].dec_pulse_s = NAN;
    }
    struct nw_guide_analysis *analysis = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_analyse(&night.log, NULL, &analysis, &err), NW_OK);
    test(&night.log, analysis);
    nw_guide_analysis_free(analysis);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void check_keys(const struct nw_guide_log *log, const struct nw_guide_analysis *analysis) {
    json_t *document = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_report_guiding_json(log, analysis, &document, &err), NW_OK);
    static const char *const root[] = {"schema", "duration_s",  "samples",  "samples_used",
                                       "gaps",   "dithers",     "ra",       "dec",
                                       "total",  "periodic",    "backlash", "polar_error",
                                       "bursts", "oscillation", "replay",   NULL};
    require_keys(document, root);
    static const char *const axis[] = {"rms_logged_arcsec",
                                       "p99_arcsec",
                                       "uncorrelated_arcsec",
                                       "motion_in_sub_arcsec",
                                       "motion_low_arcsec",
                                       "motion_high_arcsec",
                                       "drift_arcsec_per_min",
                                       "response",
                                       "drift_sigma_arcsec_per_min",
                                       "response_sigma",
                                       NULL};
    require_keys(json_object_get(document, "ra"), axis);
    require_keys(json_object_get(document, "dec"), axis);
    static const char *const backlash[] = {"identified", "gap_crossings", "arcsec",   "ms",
                                           "low_ms",     "high_ms",       "why_null", NULL};
    require_keys(json_object_get(document, "backlash"), backlash);
    static const char *const polar[] = {"azimuth_arcmin",
                                        "altitude_arcmin",
                                        "azimuth_sigma_arcmin",
                                        "altitude_sigma_arcmin",
                                        "covariance_arcmin2",
                                        "pole",
                                        "from",
                                        "why_null",
                                        NULL};
    require_keys(json_object_get(document, "polar_error"), polar);
    static const char *const replay[] = {
        "objective", "holdout_error_percent", "dec_allowed", "current", "best", "why_null", NULL};
    require_keys(json_object_get(document, "replay"), replay);
    const json_t *ra = json_object_get(document, "ra");
    check_near(json_number_value(json_object_get(ra, "rms_logged_arcsec")),
               analysis->ra.rms_logged_rad * NW_ARCSEC_PER_RAD, 1e-4, "the analysis, 5 digits");
    /* a quiet loop tells no response: null, and why */
    assert_true(json_is_null(json_object_get(ra, "response")));
    assert_true(json_is_string(json_object_get(json_object_get(ra, "why_null"), "response")));
    json_decref(document);
}

static void check_text(const struct nw_guide_log *log, const struct nw_guide_analysis *analysis) {
    struct nw_buf text;
    nw_buf_init(&text, 1 << 20);
    nw_report_guiding_text(log, analysis, &text);
    assert_false(nw_buf_failed(&text));
    assert_non_null(strstr(text.data, "rms as logged"));
    assert_non_null(strstr(text.data, "motion within a sub"));
    assert_null(strstr(text.data, "nan"));
    for (const char *line = text.data; *line;) {
        const size_t len = strcspn(line, "\n");
        if (len > NW_REPORT_WIDTH) {
            print_error("%zu columns: %.*s\n", len, (int)len, line);
            fail();
        }
        line += len + (line[len] == '\n' ? 1 : 0);
    }
    nw_buf_done(&text);
}

static void test_every_promised_key_is_there(void **state) {
    (void)state;
    with_night(check_keys, true);
    with_night(check_keys, false);
}

static void test_text_fits_80_columns(void **state) {
    (void)state;
    with_night(check_text, true);
    with_night(check_text, false);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_promised_key_is_there),
        cmocka_unit_test(test_text_fits_80_columns),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
