/* test_file.c - whole files, atomic writing, folder lists; in a fresh folder that is taken away. */
#include "base/file.h"

#include <stdbool.h>
#include <sys/stat.h>
#include <unistd.h>

#include "check.h"

static char *in_folder(const char *folder, const char *name) {
    static char texts[8][300]; /* a ring, so that one line may name several paths */
    static int next;
    next = (next + 1) % 8;
    (void)snprintf(texts[next], sizeof texts[next], "%s/%s", folder, name);
    return texts[next];
}

static int setup(void **state) {
    char name[] = "/tmp/nw-test-file-XXXXXX";
    *state = mkdtemp(name) ? nw_strdup(name) : NULL;
    return *state ? 0 : -1;
}

static int remove_all(const char *folder) {
    char command[400];
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command); /* NOLINT(cert-env33-c): our own folder */
}

static int teardown(void **state) {
    const int failed = remove_all(*state);
    free(*state);
    return failed;
}

static void write_ok(const char *path, const char *text) {
    struct nw_err err = {0};
    if (nw_file_write_atomic(path, text, strlen(text), &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
}

static void holds(const char *path, const char *want) {
    char *data = NULL;
    size_t len = 0;
    struct nw_err err = {0};
    if (nw_file_read(path, 1 << 20, &data, &len, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    assert_int_equal(len, strlen(want));
    assert_string_equal(data, want);
    free(data);
}

static size_t count_all(const char *folder) {
    char command[400];
    (void)snprintf(command, sizeof command, "exit $(ls -A '%s' | wc -l)", folder);
    const int status = system(command); /* NOLINT(cert-env33-c) */
    return (size_t)WEXITSTATUS(status);
}

static void test_written_text_is_read_back_and_nothing_else_is_left(void **state) {
    const char *const path = in_folder(*state, "a.json");
    write_ok(path, "first");
    holds(path, "first");
    write_ok(path, "");
    holds(path, "");
    write_ok(path, "second, longer");
    holds(path, "second, longer");
    assert_int_equal(count_all(*state), 1);
}

static void test_permissions_of_the_target_are_kept(void **state) {
    const char *const path = in_folder(*state, "a.json");
    write_ok(path, "x");
    struct stat st;
    assert_int_equal(stat(path, &st), 0);
    const mode_t mask = umask(0);
    (void)umask(mask);
    assert_int_equal(st.st_mode & 0777, 0666 & ~mask); /* a new file: what the umask leaves */
    assert_int_equal(chmod(path, 0640), 0);
    write_ok(path, "y");
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0640);
}

static void test_a_link_is_followed(void **state) {
    write_ok(in_folder(*state, "real"), "old");
    assert_int_equal(symlink("real", in_folder(*state, "link")), 0);
    write_ok(in_folder(*state, "link"), "new");
    holds(in_folder(*state, "real"), "new");
    struct stat st;
    assert_int_equal(lstat(in_folder(*state, "link"), &st), 0);
    assert_true(S_ISLNK(st.st_mode));
}

static void test_a_failed_write_leaves_the_old_file_and_no_other(void **state) {
    struct nw_err err = {0};
    const char *const folder = in_folder(*state, "night");
    assert_int_equal(mkdir(folder, 0777), 0);
    assert_int_equal(nw_file_write_atomic(folder, "x", 1, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "night: is a folder, expected a file to write"));
    assert_int_equal(nw_file_write_atomic("/dev/null", "x", 1, &err), NW_DOMAIN);
    assert_string_equal(err.text, "/dev/null: is a device or pipe, expected a file to write");
    assert_int_equal(nw_file_write_atomic(in_folder(*state, "no/a"), "x", 1, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no/a: cannot write in its folder: No such file"));
    assert_int_equal(nw_file_write_atomic(in_folder(*state, ""), "x", 1, &err), NW_DOMAIN);
    assert_int_equal(nw_file_write_atomic("", "x", 1, &err), NW_DOMAIN);
    const char *const old = in_folder(*state, "old");
    write_ok(old, "kept");
    char *temp = NULL;
    assert_int_equal(nw_file_temp(old, &temp, &err), NW_OK);
    assert_int_equal(access(temp, F_OK), -1);                       /* a name, no file yet */
    assert_int_equal(nw_file_commit(temp, old, &err), NW_NOTFOUND); /* nobody wrote it */
    holds(old, "kept");
    free(temp);
    assert_int_equal(count_all(*state), 2);
}

static void test_two_steps_commit_and_drop(void **state) {
    const char *const path = in_folder(*state, "frame.fits");
    char *temp = NULL;
    assert_int_equal(nw_file_temp(path, &temp, NULL), NW_OK);
    write_ok(temp, "pixels");
    assert_int_equal(nw_file_commit(temp, path, NULL), NW_OK);
    holds(path, "pixels");
    write_ok(temp, "others");
    nw_file_drop(temp);
    nw_file_drop(NULL);
    holds(path, "pixels");
    assert_int_equal(count_all(*state), 1);
    free(temp);
}

static void test_reading_refuses_what_is_no_file(void **state) {
    char *data = NULL;
    size_t len = 0;
    struct nw_err err = {0};
    assert_int_equal(nw_file_read(in_folder(*state, "no"), 10, &data, &len, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no: cannot open: No such file"));
    assert_int_equal(nw_file_read(*state, 10, &data, &len, &err), NW_FORMAT);
    assert_non_null(strstr(err.text, ": is a folder, expected a file"));
    const char *const pipe_path = in_folder(*state, "pipe");
    assert_int_equal(mkfifo(pipe_path, 0600), 0);
    assert_true(nw_file_is_there(*state) && nw_file_is_folder(*state));
    assert_true(nw_file_is_there(pipe_path) && !nw_file_is_folder(pipe_path));
    assert_false(nw_file_is_there("/no/such") || nw_file_is_folder("/no/such"));
    assert_int_equal(nw_file_read(pipe_path, 10, &data, &len, &err), NW_FORMAT); /* does not hang */
    const char *const path = in_folder(*state, "eleven");
    write_ok(path, "eleven byte");
    assert_int_equal(nw_file_read(path, 10, &data, &len, &err), NW_LIMIT);
    assert_non_null(strstr(err.text, "eleven: holds 11 bytes, at most 10 are read"));
    assert_int_equal(nw_file_read(path, 11, &data, &len, &err), NW_OK);
    free(data);
}

static void test_folders_are_listed_sorted_to_their_depth(void **state) {
    const char *const folder = *state;
    assert_int_equal(mkdir(in_folder(folder, "b"), 0777), 0);
    assert_int_equal(mkdir(in_folder(folder, "b/c"), 0777), 0);
    assert_int_equal(mkdir(in_folder(folder, "d.fits"), 0777), 0);
    static const char *const names[] = {"z.fits",   "a.FITS",    "b/m.fit",   "b/c/deep.fits",
                                        "notes.md", ".hid.fits", "x.fits.tmp"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        write_ok(in_folder(folder, names[i]), "x");
    }
    assert_int_equal(symlink("..", in_folder(folder, "b/loop")), 0);
    assert_int_equal(symlink("../b", in_folder(folder, "b/loop.fits")), 0);
    assert_int_equal(symlink("../z.fits", in_folder(folder, "b/y.fits")), 0);
    static const char *const endings[] = {".fits", ".fit", NULL};
    static const char *const want[] = {"a.FITS", "b/c/deep.fits", "b/m.fit", "b/y.fits", "z.fits"};
    struct nw_paths paths = {0};
    char with_slash[300];
    (void)snprintf(with_slash, sizeof with_slash, "%s//", folder);
    assert_int_equal(nw_file_list(with_slash, endings, 5, &paths, NULL), NW_OK);
    assert_int_equal(paths.n, 5);
    for (size_t i = 0; i < paths.n; i++) {
        assert_string_equal(paths.items[i], in_folder(folder, want[i]));
    }
    nw_paths_done(&paths);
    assert_int_equal(nw_file_list(folder, endings, 0, &paths, NULL), NW_OK);
    assert_int_equal(paths.n, 2);
    nw_paths_done(&paths);
    assert_int_equal(nw_file_list(folder, NULL, 1, &paths, NULL), NW_OK);
    assert_int_equal(paths.n, 6); /* all regular files down to b, hidden ones left out */
    nw_paths_done(&paths);
    nw_paths_done(NULL);
}

static void test_what_cannot_be_listed_is_named(void **state) {
    static const char *const endings[] = {".fits", NULL};
    struct nw_paths paths = {0};
    struct nw_err err = {0};
    assert_int_equal(nw_file_list(in_folder(*state, "no"), endings, 1, &paths, &err), NW_NOTFOUND);
    write_ok(in_folder(*state, "file"), "x");
    assert_int_equal(nw_file_list(in_folder(*state, "file"), endings, 1, &paths, &err),
                     NW_NOTFOUND);
    assert_non_null(strstr(err.text, "file: is not a folder"));
    const char *const lost = in_folder(*state, "lost.fits");
    assert_int_equal(symlink("gone", lost), 0);
    assert_int_equal(nw_file_list(*state, endings, 1, &paths, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "lost.fits: link leads nowhere: No such file"));
    assert_int_equal(unlink(lost), 0);
    const char *const locked = in_folder(*state, "locked");
    assert_int_equal(mkdir(locked, 0777), 0);
    assert_int_equal(chmod(locked, 0), 0);
    if (geteuid() != 0) { /* root may read everything */
        assert_int_equal(nw_file_list(*state, endings, 1, &paths, &err), NW_IO);
        assert_non_null(strstr(err.text, "locked: cannot open folder: Permission denied"));
    }
    assert_int_equal(nw_file_list(*state, endings, 0, &paths, &err), NW_OK);
    assert_int_equal(paths.n, 0);
    nw_paths_done(&paths);
    assert_int_equal(chmod(locked, 0700), 0);
}

static void test_base_name_is_behind_the_last_slash(void **state) {
    (void)state;
    static const char *const ROWS[][2] = {
        {"a.fits", "a.fits"}, {"/night/b/a.fits", "a.fits"}, {"./a", "a"}, {"b/", ""}, {"", ""}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        assert_string_equal(nw_file_base_name(ROWS[i][0]), ROWS[i][1]);
    }
}

#define IN_FOLDER(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        IN_FOLDER(test_written_text_is_read_back_and_nothing_else_is_left),
        IN_FOLDER(test_permissions_of_the_target_are_kept),
        IN_FOLDER(test_a_link_is_followed),
        IN_FOLDER(test_a_failed_write_leaves_the_old_file_and_no_other),
        IN_FOLDER(test_two_steps_commit_and_drop),
        IN_FOLDER(test_reading_refuses_what_is_no_file),
        IN_FOLDER(test_folders_are_listed_sorted_to_their_depth),
        IN_FOLDER(test_what_cannot_be_listed_is_named),
        cmocka_unit_test(test_base_name_is_behind_the_last_slash),
    };
    return cmocka_run_group_tests_name("base_file", tests, NULL, NULL);
}
