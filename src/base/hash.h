/* hash.h - what a file holds, as a number: SHA-256 (FIPS 180-4, sec. 6.2; by nettle). */
#ifndef NW_HASH_H
#define NW_HASH_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

enum { NW_HASH_BYTES = 32, NW_HASH_TEXT = 2 * NW_HASH_BYTES + 1 };

struct nw_hash {
    uint8_t bytes[NW_HASH_BYTES];
};

struct nw_hash nw_hash_of(const void *data, size_t len);

/* Hash of a regular file, read in pieces; what the operating system says of size and change comes
 * from the open file. IO when the file grows, shrinks or changes while it is read: it is still
 * being written. Other errors as nw_file_read; no limit of size. */
struct nw_file_id {
    struct nw_hash hash;
    int64_t size_bytes, mtime_ns; /* mtime: since 1970 */
};
enum nw_status nw_hash_file(const char *path, struct nw_file_id *ret,
                            struct nw_err *err) NW_CHECKED;
/* Size and time of the last change alone, without reading it. */
enum nw_status nw_file_stat(const char *path, int64_t *ret_size_bytes, int64_t *ret_mtime_ns,
                            struct nw_err *err) NW_CHECKED;

void nw_hash_text(const struct nw_hash *hash, char text[NW_HASH_TEXT]); /* 64 lower-case digits */

#endif
