/* values.h - a value of the rig file: number, standard error, where it comes from. Part of rig.h,
 * apart so that its other parts can have headers of their own. */
#ifndef NW_RIG_VALUES_H
#define NW_RIG_VALUES_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

/* Where a number comes from. */
#define NW_FROM_LIST(X)                                                                            \
    X(UNKNOWN, "unknown")   /* nobody said; v is NaN */                                            \
    X(GIVEN, "given")       /* by the owner */                                                     \
    X(HEADER, "header")     /* from a frame's header */                                            \
    X(ASSUMED, "assumed")   /* a documented default */                                             \
    X(MEASURED, "measured") /* from evidence */
enum nw_from {
#define X(name, word) NW_FROM_##name,
    NW_FROM_LIST(X)
#undef X
};
const char *nw_from_name(enum nw_from from);

/* A value with its standard error (sigma NaN: not stated) and where it comes from. */
struct nw_val {
    double v, sigma;
    enum nw_from from;
};

/* Standard error as a share of the value, of a part's strength (transmission, quantum efficiency,
 * gain): what is not stated is not exact. A tenth then: common practice, no source. */
#define NW_VAL_UNSTATED 0.1
static inline double nw_val_share(const struct nw_val *val) {
    const double share = val->sigma / val->v;
    return isfinite(share) ? fabs(share) : NW_VAL_UNSTATED;
}

#define NW_NAME_SIZE 48

#endif
