/* lists_internal.h - what the readers of lists share. */
#ifndef NW_IMAGE_LISTS_INTERNAL_H
#define NW_IMAGE_LISTS_INTERNAL_H

#include "base/base.h"

#define LISTS_MAX_BYTES ((size_t)64 << 20)

/* One quoted cell of CSV. */
void nw_list_cell(struct nw_buf *csv, const char *text, bool is_first);
/* First table of the file as CSV with a row of names. */
enum nw_status nw_list_fits_to_csv(const char *path, struct nw_buf *csv,
                                   struct nw_err *err) NW_CHECKED;
enum nw_status nw_list_votable_to_csv(const char *path, const char *data, size_t len,
                                      struct nw_buf *csv, struct nw_err *err) NW_CHECKED;

#endif
