/* catalogue_file.c - finds and opens the packed catalogue. */
#include "cli/catalogue_file.h"

#include <unistd.h>

enum nw_status cli_catalogue_open(const char *path, struct nw_catalogue **ret, struct nw_err *err) {
    static const char *const PLACES[] = {"/catalogue.bin", "/../catalogue.bin",
                                         "/../../../catalogue.bin",
                                         "/../share/nightwright/catalogue.bin"};
    if (path) {
        return nw_catalogue_open(path, ret, err);
    }
    char folder[3072] = "";
    const ssize_t len = readlink("/proc/self/exe", folder, sizeof folder - 1);
    char *const slash = len > 0 ? strrchr(folder, '/') : NULL;
    if (slash) {
        *slash = '\0';
    }
    for (size_t i = 0; slash && i < sizeof PLACES / sizeof PLACES[0]; i++) {
        char at[3200];
        (void)snprintf(at, sizeof at, "%s%s", folder, PLACES[i]);
        if (access(at, R_OK) == 0) {
            return nw_catalogue_open(at, ret, err);
        }
    }
    return nw_err_set(err, NW_NOTFOUND,
                      "no catalogue.bin beside the program: the build packs it from lists that "
                      "./demo or ./check fetch by npm; without it give ra and dec, or --catalogue "
                      "FILE");
}
