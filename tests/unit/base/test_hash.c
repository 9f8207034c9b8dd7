/* test_hash.c - SHA-256 against the worked examples of the standard; files in pieces. */
#include <sys/stat.h>
#include <unistd.h>

#include "base/base.h"
#include "check.h"

/* FIPS 180-4 examples as published with it (NIST, "SHA256.pdf", example values) */
static const struct {
    const char *data, *want;
} PUBLISHED[] = {
    {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
    {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
     "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
    {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
};

static void test_hash_is_that_of_the_standard(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof PUBLISHED / sizeof PUBLISHED[0]; i++) {
        char text[NW_HASH_TEXT];
        const struct nw_hash hash = nw_hash_of(PUBLISHED[i].data, strlen(PUBLISHED[i].data));
        nw_hash_text(&hash, text);
        assert_string_equal(text, PUBLISHED[i].want);
    }
}

/* A million 'a', the long example of the standard, longer than one piece. */
static void test_a_file_in_pieces_has_the_hash_of_the_whole(void **state) {
    (void)state;
    enum { N = 1000000 };
    char path[] = "/tmp/nw-test-hash-XXXXXX";
    const int fd = mkstemp(path);
    assert_true(fd >= 0);
    char *const data = malloc(N);
    assert_non_null(data);
    memset(data, 'a', N);
    struct nw_err err = {0};
    assert_int_equal(nw_file_write_atomic(path, data, N, &err), NW_OK);
    struct nw_file_id id = {0};
    assert_int_equal(nw_hash_file(path, &id, &err), NW_OK);
    char text[NW_HASH_TEXT];
    nw_hash_text(&id.hash, text);
    assert_string_equal(text, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    assert_int_equal(id.size_bytes, N);
    int64_t size = 0;
    int64_t mtime = 0;
    assert_int_equal(nw_file_stat(path, &size, &mtime, &err), NW_OK);
    assert_int_equal(size, N);
    assert_int_equal(mtime, id.mtime_ns);
    free(data);
    (void)close(fd);
    (void)unlink(path);
}

static void test_what_is_no_file_is_refused_by_name(void **state) {
    (void)state;
    struct nw_file_id id = {0};
    struct nw_err err = {0};
    assert_int_equal(nw_hash_file("/tmp", &id, &err), NW_FORMAT);
    assert_string_equal(err.text, "/tmp: is a folder, expected a file");
    assert_int_equal(nw_hash_file("/tmp/nw-not-there", &id, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "/tmp/nw-not-there: cannot open"));
    int64_t size = 7;
    int64_t mtime = 7;
    assert_int_equal(nw_file_stat("/dev/null", &size, &mtime, &err), NW_FORMAT);
    assert_int_equal(size, 7);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hash_is_that_of_the_standard),
        cmocka_unit_test(test_a_file_in_pieces_has_the_hash_of_the_whole),
        cmocka_unit_test(test_what_is_no_file_is_refused_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
