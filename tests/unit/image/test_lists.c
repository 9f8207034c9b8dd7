/* test_lists.c - the owner's lists: CSV, VOTable, FITS table; what is refused */
#include "image/lists.h"

#include <fitsio.h>
#include <unistd.h>

#include "check.h"

#define DEG NW_RAD_PER_DEG

static enum nw_status read_text(const char *text, struct nw_list_row **ret, size_t *ret_n,
                                struct nw_err *err) {
    assert_int_equal(nw_file_write_atomic("test_lists.txt", text, strlen(text), NULL), NW_OK);
    const enum nw_status status = nw_list_read("test_lists.txt", ret, ret_n, err);
    (void)unlink("test_lists.txt");
    return status;
}

static void check_two(const char *text) {
    struct nw_list_row *rows = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    if (read_text(text, &rows, &n, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    assert_int_equal(n, 2);
    assert_string_equal(rows[0].name, "a, b");
    check_near(rows[0].ra_rad / DEG, 83.822083, 1e-6, "05:35:17.3 in degrees");
    check_near(rows[0].dec_rad / DEG, -5.391111, 1e-6, "-05:23:28 in degrees");
    check_near(rows[0].magnitude, 4.0, 1e-12, "as given");
    assert_true(isnan(rows[1].magnitude));
    check_near(rows[1].pm_ra_rad_yr / DEG * 3.6e6, -798.58, 1e-9, "as given");
    free(rows);
}

static void test_csv_and_votable_say_the_same(void **state) {
    (void)state;
    check_two("Name,RA,Dec,Vmag,pmRA\n\"a, b\",05:35:17.3,-05:23:28,4.0,\n"
              "c,269.452,4.6933,-,-798.58\n");
    check_two("<?xml version='1.0'?>\n<VOTABLE xmlns='http://www.ivoa.net/xml/VOTable/v1.3'>"
              "<RESOURCE><TABLE><FIELD name='name' datatype='char'/><FIELD name='RAJ2000'/>"
              "<FIELD name='DEJ2000'/><FIELD name='Vmag'/><FIELD name='pmRA'/><DATA><TABLEDATA>\n"
              "<TR><TD>a, b</TD><TD>83.822083333</TD><TD>-5.391111111</TD><TD>4.0</TD><TD/></TR>"
              "<TR><TD>c</TD><TD>269.452</TD><TD>4.6933</TD><TD></TD><TD>-798.58</TD></TR>"
              "</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>\n");
}

static void test_fits_table(void **state) {
    (void)state;
    fitsfile *file = NULL;
    int fits = 0;
    char ra[] = "ra";
    char dec[] = "dec";
    char name[] = "source_id";
    char mag[] = "phot_g_mean_mag";
    char d[] = "1D";
    char k[] = "1K";
    char e[] = "1E";
    char *titles[] = {name, ra, dec, mag};
    char *forms[] = {k, d, d, e};
    double ras[] = {83.822083, 269.452};
    double decs[] = {-5.391111, 4.6933};
    LONGLONG ids[] = {4472832130942575872, 7};
    float mags[] = {4.5F, 8.25F};
    (void)unlink("test_lists.fits");
    fits_create_diskfile(&file, "test_lists.fits", &fits);
    fits_create_tbl(file, BINARY_TBL, 2, 4, titles, forms, NULL, "stars", &fits);
    fits_write_col(file, TLONGLONG, 1, 1, 1, 2, ids, &fits);
    fits_write_col(file, TDOUBLE, 2, 1, 1, 2, ras, &fits);
    fits_write_col(file, TDOUBLE, 3, 1, 1, 2, decs, &fits);
    fits_write_col(file, TFLOAT, 4, 1, 1, 2, mags, &fits);
    fits_close_file(file, &fits);
    assert_int_equal(fits, 0);
    struct nw_list_row *rows = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    if (nw_list_read("test_lists.fits", &rows, &n, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    assert_int_equal(n, 2);
    assert_string_equal(rows[0].name, "4472832130942575872");
    check_near(rows[1].ra_rad / DEG, 269.452, 1e-10, "as written");
    check_near(rows[1].magnitude, 8.25, 1e-6, "as written");
    free(rows);
    (void)unlink("test_lists.fits");
}

static void test_angles(void **state) {
    (void)state;
    static const struct {
        const char *text;
        bool is_hours;
        double want_deg;
    } ROWS[] = {
        {"05:35:17.3", true, 83.8220833},
        {"5h35m17.3s", true, 83.8220833},
        {"5 35 17.3", true, 83.8220833},
        {"83.82", true, 83.82},
        {"-05:23:28", false, -5.3911111},
        {"-0:30:00", false, -0.5},
        {"+41d16'09\"", false, 41.269167},
        {"\xE2\x88\x92"
         "5.5",
         false, -5.5},
    };
    double got = NAN;
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        assert_int_equal(nw_angle_read(ROWS[i].text, ROWS[i].is_hours, &got, NULL), NW_OK);
        check_near(got / DEG, ROWS[i].want_deg, 1e-6, ROWS[i].text);
    }
    struct nw_err err = {0};
    assert_int_equal(nw_angle_read("05:61:00", true, &got, &err), NW_DOMAIN);
    assert_int_equal(nw_angle_read("north", false, &got, &err), NW_FORMAT);
    assert_int_equal(nw_angle_read("", false, &got, &err), NW_FORMAT);
    assert_int_equal(nw_angle_read("5.2x", false, &got, &err), NW_FORMAT);
}

static void test_what_is_refused(void **state) {
    (void)state;
    static const struct {
        const char *text, *want;
    } ROWS[] = {
        {"name,x\na,1\n", "no column for the right ascension"},
        {"ra,name\n1,a\n", "no column for the declination"},
        {"ra,dec\n10,95\n", "test_lists.txt:2: RA 10 deg, Dec 95 deg is not on the sky"},
        {"ra,dec\n10,here\n", "'here' is no angle"},
        {"ra,dec\n", "the list is empty"},
        {"<VOTABLE><BINARY/></VOTABLE>", "expected TABLEDATA"},
        {"<VOTABLE><TABLE>", "not well-formed"},
        {"<html></html>", "without a VOTable"},
        {"SIMPLE  = nothing", "cannot be opened"},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct nw_list_row *rows = NULL;
        size_t n = 0;
        struct nw_err err = {0};
        assert_int_not_equal(read_text(ROWS[i].text, &rows, &n, &err), NW_OK);
        if (!strstr(err.text, ROWS[i].want)) {
            fail_msg("got '%s', want '%s'", err.text, ROWS[i].want);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_csv_and_votable_say_the_same),
        cmocka_unit_test(test_fits_table),
        cmocka_unit_test(test_angles),
        cmocka_unit_test(test_what_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
