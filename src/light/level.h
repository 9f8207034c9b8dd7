/* level.h - the level of a frame without light: bias or dark. A public header of light.
 *
 * The offset of flats and what a leak adds to darks are the same quantity and are taken in the same
 * way. */
#ifndef NW_LIGHT_LEVEL_H
#define NW_LIGHT_LEVEL_H

#include "image/image.h"

/* Mean of the first plane [adu], pixels beyond five robust sigmas (hot ones, hits) left out, to
 * convergence; NaN: no pixel has a value. At most a million pixels, evenly over rows and columns
 * both. NOMEM. */
enum nw_status nw_dark_level(const struct nw_frame *frame, double *ret_adu,
                             struct nw_err *err) NW_CHECKED;

#endif
