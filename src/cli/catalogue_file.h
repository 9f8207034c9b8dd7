/* catalogue_file.h - where the catalogue of the sky lies. */
#ifndef NW_CLI_CATALOGUE_FILE_H
#define NW_CLI_CATALOGUE_FILE_H

#include "sky/catalogue.h"

/* path NULL: beside the program (as the build leaves it), else in ../share/nightwright of it.
 * NOTFOUND says how to get it. */
enum nw_status cli_catalogue_open(const char *path, struct nw_catalogue **ret,
                                  struct nw_err *err) NW_CHECKED;

#endif
