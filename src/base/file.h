/* file.h - whole files in, whole files out, folders listed. */
#ifndef NW_FILE_H
#define NW_FILE_H

#include <stdbool.h>
#include <stddef.h>

#include "base/buf.h"

/* Reads a whole regular file. Errors name the path: NOTFOUND, FORMAT (no
 * regular file), IO, LIMIT (over max_bytes).
 * *ret_data is terminated, yours to free. */
enum nw_status nw_file_read(const char *path, size_t max_bytes, char **ret_data, size_t *ret_len,
                            struct nw_err *err) NW_CHECKED;

/* Writes beside the target, syncs, renames: a reader sees the old file or the new one, never a
 * part; on failure the old one stays and the temporary is gone. Permissions of an existing target
 * are kept; a target that is a link is followed; folders, devices and pipes are refused (DOMAIN).
 */
enum nw_status nw_file_write_atomic(const char *path, const char *data, size_t len,
                                    struct nw_err *err) NW_CHECKED;

/* The same in two steps, for writers that want a path of their own (cfitsio): a fresh temporary
 * name in the target's folder, then commit (sync + rename) or drop (unlink). Paths yours to free.
 */
enum nw_status nw_file_temp(const char *path, char **ret_temp, struct nw_err *err) NW_CHECKED;
enum nw_status nw_file_commit(const char *temp, const char *path, struct nw_err *err) NW_CHECKED;
void nw_file_drop(const char *temp);

bool nw_file_is_there(const char *path); /* of any kind, folders too */
bool nw_file_is_folder(const char *path);

/* The name of a file without its folders: what follows the last '/', the whole of a path without
 * one, "" where nothing follows. Points into `path`. */
const char *nw_file_base_name(const char *path);

/* Regular files of a folder and its sub-folders (depth at most max_depth; 0 = the folder alone)
 * whose names end in one of `endings` (NULL-terminated list, case ignored; NULL = all), sorted by
 * path. Links are not followed into folders; hidden names are skipped. A sub-folder that cannot be
 * read is an error that names it. */
struct nw_paths {
    char **items;
    size_t n, cap;
};
enum nw_status nw_file_list(const char *folder, const char *const *endings, int max_depth,
                            struct nw_paths *ret, struct nw_err *err) NW_CHECKED;
void nw_paths_done(struct nw_paths *paths);

#endif
