/* list.c - files of a folder and its sub-folders; see file.h.
 * Idea: each sub-folder is opened by its own name without following a link, so a loop cannot
 * happen; whatever cannot be read is an error that names it, since a folder silently left out
 * would look like a night with fewer frames. */
#include "base/file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/base_internal.h"
#include "base/text.h"

enum { PATHS_MAX = 1000000, PATH_BYTES_MAX = 1 << 16, DEPTH_MAX = 64 };

struct walk {
    const char *const *endings;
    struct nw_paths *paths;
    struct nw_err *err;
};

static bool is_wanted(const char *name, const char *const *endings) {
    bool is_match = !endings;
    for (size_t i = 0; endings && endings[i] && !is_match; i++) {
        is_match = nw_text_ends_nocase(name, endings[i]);
    }
    return is_match;
}

static char *join(const char *folder, const char *name) {
    size_t len = strlen(folder);
    while (len > 1 && folder[len - 1] == '/') {
        len--;
    }
    const char *const slash = len == 1 && folder[0] == '/' ? "" : "/";
    struct nw_buf buf;
    nw_buf_init(&buf, PATH_BYTES_MAX);
    nw_buf_printf(&buf, "%.*s%s%s", (int)len, folder, slash, name);
    if (nw_buf_failed(&buf)) {
        nw_buf_done(&buf);
        return NULL;
    }
    return buf.data;
}

static enum nw_status keep(struct walk *walk, char **path) {
    struct nw_paths *const paths = walk->paths;
    void *items = paths->items;
    const enum nw_status status =
        nw_grow(&items, &paths->cap, paths->n + 1, sizeof *paths->items, PATHS_MAX, walk->err);
    paths->items = items;
    if (status == NW_OK) {
        paths->items[paths->n++] = *path;
        *path = NULL; /* handed over */
    }
    return status;
}

static enum nw_status walk_folder(struct walk *walk, int fd, const char *folder, int depth_left);

static enum nw_status visit(struct walk *walk, int folder_fd, const char *folder, const char *name,
                            int depth_left) {
    char *path = join(folder, name);
    if (!path) {
        return nw_err_set(walk->err, NW_NOMEM, "%s: path of an entry", folder);
    }
    enum nw_status status = NW_OK;
    struct stat st;
    bool is_link = false;
    int failed = fstatat(folder_fd, name, &st, AT_SYMLINK_NOFOLLOW);
    if (!failed && S_ISLNK(st.st_mode) && is_wanted(name, walk->endings)) {
        is_link = true;
        failed = fstatat(folder_fd, name, &st, 0);
    }
    if (failed) {
        status =
            base_fail_errno(path, is_link ? "link leads nowhere" : "cannot stat", errno, walk->err);
    } else if (S_ISDIR(st.st_mode) && !is_link && depth_left > 0) {
        const int fd = openat(folder_fd, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
        status = fd < 0 ? base_fail_errno(path, "cannot open folder", errno, walk->err)
                        : walk_folder(walk, fd, path, depth_left - 1);
    } else if (S_ISREG(st.st_mode) && is_wanted(name, walk->endings)) {
        status = keep(walk, &path);
    }
    free(path);
    return status;
}

/* Takes fd. */
static enum nw_status walk_folder(struct walk *walk, int fd, const char *folder, int depth_left) {
    DIR *const dir = fdopendir(fd);
    if (!dir) {
        const int number = errno;
        (void)close(fd);
        return base_fail_errno(folder, "cannot read folder", number, walk->err);
    }
    enum nw_status status = NW_OK;
    while (status == NW_OK) {
        errno = 0;
        const struct dirent *const entry = readdir(dir);
        if (!entry) {
            if (errno != 0) {
                status = base_fail_errno(folder, "cannot read folder", errno, walk->err);
            }
            break;
        }
        if (entry->d_name[0] != '.') {
            status = visit(walk, fd, folder, entry->d_name, depth_left);
        }
    }
    (void)closedir(dir);
    return status;
}

static int compare_paths(const void *a, const void *b) {
    const char *const *const left = a;
    const char *const *const right = b;
    return strcmp(*left, *right);
}

enum nw_status nw_file_list(const char *folder, const char *const *endings, int max_depth,
                            struct nw_paths *ret, struct nw_err *err) {
    const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) {
        return errno == ENOTDIR ? nw_err_set(err, NW_NOTFOUND, "%s: is not a folder", folder)
                                : base_fail_errno(folder, "cannot open folder", errno, err);
    }
    struct nw_paths paths = {0};
    struct walk walk = {endings, &paths, err};
    const int depth = max_depth < 0 ? 0 : max_depth < DEPTH_MAX ? max_depth : DEPTH_MAX;
    const enum nw_status status = walk_folder(&walk, fd, folder, depth);
    if (status != NW_OK) {
        nw_paths_done(&paths);
        return status;
    }
    if (paths.n > 1) {
        qsort(paths.items, paths.n, sizeof *paths.items, compare_paths);
    }
    *ret = paths;
    return NW_OK;
}

void nw_paths_done(struct nw_paths *paths) {
    if (!paths) {
        return;
    }
    for (size_t i = 0; i < paths->n; i++) {
        free(paths->items[i]);
    }
    free(paths->items);
    *paths = (struct nw_paths){0};
}
