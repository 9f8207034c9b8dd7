/* base_internal.h - shared by the files of base only. */
#ifndef NW_BASE_INTERNAL_H
#define NW_BASE_INTERNAL_H

#include "base/err.h"

/* "PATH: WHAT: reason of the operating system"; NOTFOUND, NOMEM or IO by its number. */
enum nw_status base_fail_errno(const char *path, const char *what, int number, struct nw_err *err);

#endif
