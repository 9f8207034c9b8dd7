/* book_path.c - what commands of the book share: where it is, how the logs of a rig are laid out.
 */
#include <errno.h>
#include <sys/stat.h>

#include "cli/cli.h"

static enum nw_status make_folders(char *path, struct nw_err *err) {
    for (char *at = strchr(path + 1, '/'); at; at = strchr(at + 1, '/')) {
        *at = '\0';
        const bool is_made = mkdir(path, 0777) == 0 || errno == EEXIST;
        const int number = errno;
        if (!is_made) {
            char reason[128] = "";
            (void)strerror_r(number, reason, sizeof reason);
            return nw_err_set(err, NW_IO, "%s: cannot make this folder for the book: %s", path,
                              reason);
        }
        *at = '/';
    }
    return NW_OK;
}

/* --book, else NIGHTWRIGHT_BOOK, else the user's data folder (XDG Base Directory Specification). */
enum nw_status cli_book_path(const struct cli_args *args, bool is_creating, char path[CLI_MAX_PATH],
                             struct nw_err *err) {
    const char *const given = cli_text(args, "book");
    const char *const said = getenv("NIGHTWRIGHT_BOOK");
    const char *const data = getenv("XDG_DATA_HOME");
    const char *const home = getenv("HOME");
    if (given || (said && said[0] != '\0')) {
        (void)snprintf(path, CLI_MAX_PATH, "%s", given ? given : said);
        return NW_OK;
    }
    if (data && data[0] == '/') {
        (void)snprintf(path, CLI_MAX_PATH, "%s/nightwright/book.sqlite", data);
    } else if (home && home[0] == '/') {
        (void)snprintf(path, CLI_MAX_PATH, "%s/.local/share/nightwright/book.sqlite", home);
    } else {
        return nw_err_set(err, NW_USAGE, "no home folder known: say --book FILE");
    }
    return is_creating ? make_folders(path, err) : NW_OK;
}

enum nw_status cli_rig_layouts(const char *rig_path, struct nw_log_layout **ret, size_t *ret_n,
                               struct nw_err *err) {
    struct nw_err why = {0};
    const enum nw_status status = nw_rig_read_layouts(rig_path, ret, ret_n, &why);
    if (status == NW_NOTFOUND) { /* only CSV, then; but it must be there, and a rig file */
        struct nw_rig *rig = NULL;
        *ret = NULL;
        *ret_n = 0;
        const enum nw_status is_rig = nw_rig_read(rig_path, NULL, 0, &rig, err);
        nw_rig_free(rig);
        return is_rig;
    }
    return status == NW_OK ? NW_OK : nw_err_set(err, status, "%s", why.text);
}
