/* frame_paths.c - files and folders of the command line as a list of frames. */
#include "cli/cli.h"

enum { FOLDER_DEPTH = 3 };

static bool is_folder(const char *path, struct nw_paths *ret, struct nw_err *err) {
    static const char *const endings[] = {".fits", ".fit", ".fts", ".fits.gz", ".fits.fz", NULL};
    return nw_file_list(path, endings, FOLDER_DEPTH, ret, err) == NW_OK;
}

static enum nw_status add_path(struct nw_paths *paths, const char *path, struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&paths->items, &paths->cap, paths->n + 1,
                                          sizeof *paths->items, 100000, err);
    if (status != NW_OK) {
        return status;
    }
    paths->items[paths->n] = nw_strdup(path);
    if (!paths->items[paths->n]) {
        return nw_err_set(err, NW_NOMEM, "path %s", path);
    }
    paths->n++;
    return NW_OK;
}

enum nw_status cli_frame_paths(const char *const *given, size_t n, struct nw_paths *paths,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        struct nw_paths inside = {0};
        if (!nw_file_is_there(given[i])) {
            return nw_err_set(err, NW_NOTFOUND, "%s: no such file or folder", given[i]);
        }
        if (is_folder(given[i], &inside, NULL)) {
            if (inside.n == 0) {
                status = nw_err_set(err, NW_NOTFOUND,
                                    "%s: no FITS file (.fits, .fit, .fts, .fits.gz, .fits.fz) in "
                                    "this folder",
                                    given[i]);
            }
            for (size_t k = 0; k < inside.n && status == NW_OK; k++) {
                status = add_path(paths, inside.items[k], err);
            }
        } else {
            status = add_path(paths, given[i], err);
        }
        nw_paths_done(&inside);
    }
    return status;
}
