/* live_internal.h - shared by the files that raise alerts. */
#ifndef NW_BOOK_LIVE_INTERNAL_H
#define NW_BOOK_LIVE_INTERNAL_H

#include "book/live.h"

/* A new alert, on from t_s; NULL: there are too many. */
struct nw_live_alert *live_raise(struct nw_live *live, enum nw_live_kind kind, double t_s,
                                 double value, double limit);
void live_sort(struct nw_live *live); /* by the time they were raised */

#endif
