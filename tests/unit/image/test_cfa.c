/* test_cfa.c - Colour-filter planes: the right pixels at the right places, for every pattern and
 * odd sizes. */
#include "check.h"
#include "image/image.h"

static void test_planes_of_every_pattern(void **state) {
    (void)state;
    static const char *const patterns[] = {"RGGB", "BGGR", "GRBG", "GBRG"};
    static const enum nw_channel colours[] = {NW_CHANNEL_R, NW_CHANNEL_G, NW_CHANNEL_B};
    float px[5 * 7];
    for (size_t i = 0; i < 35; i++) {
        px[i] = (float)i;
    }
    const struct nw_frame frame = {.width_px = 5, .height_px = 7, .n_planes = 1, .px = px};
    for (size_t p = 0; p < 4; p++) {
        for (size_t c = 0; c < 3; c++) {
            struct nw_cfa_plane plane;
            assert_int_equal(nw_frame_cfa_plane(&frame, patterns[p], colours[c], &plane, NULL),
                             NW_OK);
            const char letter = nw_channel_name(colours[c])[0];
            const size_t x0 = (size_t)plane.x0;
            const size_t y0 = (size_t)plane.y0;
            assert_int_equal(plane.width_px, x0 == 0 ? 3 : 2);
            assert_int_equal(plane.height_px, y0 == 0 ? 4 : 3);
            for (size_t y = 0; y < plane.height_px; y++) {
                for (size_t x = 0; x < plane.width_px; x++) { /* brute force from the definition */
                    const size_t fx = 2 * x + x0;
                    const size_t fy = 2 * y + y0;
                    assert_int_equal(patterns[p][fy % 2 * 2 + fx % 2], letter);
                    check_near((double)plane.px[y * plane.width_px + x], (double)(fy * 5 + fx), 0.0,
                               "brute force");
                }
            }
            nw_cfa_plane_done(&plane);
        }
    }
}

static void test_refusals(void **state) {
    (void)state;
    float px[3] = {0};
    struct nw_frame frame = {.width_px = 1, .height_px = 1, .n_planes = 1, .px = px};
    struct nw_cfa_plane plane;
    struct nw_err err;
    assert_int_equal(nw_frame_cfa_plane(&frame, "XYZ", NW_CHANNEL_R, &plane, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "'XYZ' is none of RGGB, BGGR, GRBG, GBRG"));
    assert_int_equal(nw_frame_cfa_plane(&frame, "RGGB", NW_CHANNEL_MONO, &plane, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "channel mono is no colour"));
    assert_int_equal(nw_frame_cfa_plane(&frame, "RGGB", NW_CHANNEL_B, &plane, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "has no pixel of colour B"));
    assert_int_equal(nw_frame_cfa_plane(&frame, "RGGB", NW_CHANNEL_R, &plane, &err), NW_OK);
    nw_cfa_plane_done(&plane);
    frame.n_planes = 3;
    assert_int_equal(nw_frame_cfa_plane(&frame, "RGGB", NW_CHANNEL_R, &plane, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "a frame of 3 planes has no colour-filter pattern"));
}

static void test_names_of_channels(void **state) {
    (void)state;
    assert_string_equal(nw_channel_name(NW_CHANNEL_MONO), "mono");
    assert_string_equal(nw_channel_name(NW_CHANNEL_CFA), "cfa");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_planes_of_every_pattern),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_names_of_channels),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
