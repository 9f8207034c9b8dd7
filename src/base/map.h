/* map.h - a whole file as read-only memory, taken in page by page when it is looked at. */
#ifndef NW_MAP_H
#define NW_MAP_H

#include <stddef.h>

#include "base/err.h"

struct nw_map {
    const unsigned char *data; /* NULL: nothing mapped */
    size_t len;
};
/* NOTFOUND, IO with the path; FORMAT: not a regular file or empty. The file must not be cut short
 * while it is mapped: replace it by renaming, never in place. */
enum nw_status nw_map_open(const char *path, struct nw_map *ret, struct nw_err *err) NW_CHECKED;
void nw_map_close(struct nw_map *map); /* NULL and zeroed allowed */

#endif
