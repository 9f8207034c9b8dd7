/* angle.c - angles as astronomers write them. */
#include "base/angle.h"

#include <math.h>

#include "base/constants.h"
#include "base/text.h"

static const char *skip(const char *text, const char *chars) {
    return text + strspn(text, chars);
}

enum nw_status nw_angle_read(const char *text, bool is_hours, double *ret_rad, struct nw_err *err) {
    double part[3] = {0.0, 0.0, 0.0};
    const char *at = skip(text, " \t");
    const bool is_minus = *at == '-' || strncmp(at, "\xE2\x88\x92", 3) == 0;
    at += *at == '-' || *at == '+' ? 1 : is_minus ? 3 : 0;
    int n = 0;
    while (n < 3 && *at >= '0' && *at <= '9') {
        const char *const next = nw_text_scan_double(at, &part[n]);
        if (!next) {
            break;
        }
        n++;
        at = skip(next, ":hHdDmMsS'\" \t\xC2\xB0");
    }
    if (n == 0 || *at != '\0') {
        return nw_err_set(err, NW_FORMAT, "'%.40s' is no angle, expected as %s", text,
                          is_hours ? "83.82 or 05:35:17.3" : "-5.39 or -05:23:28");
    }
    if (!(part[1] < 60.0) || !(part[2] < 60.0)) {
        return nw_err_set(err, NW_DOMAIN, "'%.40s' has minutes or seconds of 60 and more", text);
    }
    const double value = part[0] + part[1] / 60.0 + part[2] / 3600.0;
    const double degrees = value * (n > 1 && is_hours ? 15.0 : 1.0);
    *ret_rad = (is_minus ? -degrees : degrees) * NW_RAD_PER_DEG;
    return NW_OK;
}
