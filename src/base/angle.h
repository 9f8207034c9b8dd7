/* angle.h - angles as astronomers write them. */
#ifndef NW_ANGLE_H
#define NW_ANGLE_H

#include <stdbool.h>

#include "base/err.h"

/* "05:35:17.3", "5h35m17.3s", "5 35 17.3", or a plain number [deg]; is_hours: sexagesimal parts are
 * hours. FORMAT, DOMAIN for minutes or seconds of 60 and more. */
enum nw_status nw_angle_read(const char *text, bool is_hours, double *ret_rad,
                             struct nw_err *err) NW_CHECKED;

#endif
