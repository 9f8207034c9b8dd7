/* apart_notices.c - what stands out: terms far from the rig file, patterns, a constant. */
#include <math.h>

#include "budget/apart_internal.h"

/* Sigmas from which something stands out: under a tenth of honest seasons have any (bench/apart.c);
 * patterns more: seven are looked through, and where the time since a focus run is not known its
 * error, which stays for an hour, is not modelled. */
#define LOUD_CONSTANT 3.0
#define LOUD_TERM 3.5
#define LOUD_PATTERN 4.0
#define LOUD_POWER 3.0 /* upwards; the likeliest point leaves honest air a little too flat */

static struct nw_apart_notice *notice(struct nw_apart *apart, double significance,
                                      const char *hint) {
    struct nw_apart_notice *const n = &apart->notices[apart->n_notices++];
    *n = (struct nw_apart_notice){.significance = significance, .hint = hint};
    return n;
}

static void notice_terms(struct nw_apart *apart) {
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const struct nw_apart_term *term = &apart->terms[k];
        if (!term->is_present || k == NW_APART_EXTRA || k == NW_APART_CHANGE ||
            !apart_is_square(term->id) || !(fabs(term->surprise) > LOUD_TERM)) {
            continue;
        }
        struct nw_apart_notice *const n =
            notice(apart, term->surprise,
                   term->id == NW_APART_FOCUS
                       ? "a focuser that slips, a wrong step size or coefficient of temperature"
                   : term->id == NW_APART_AIR ? "the site, or a constant that no line has: a "
                                                "pinched lens, a wrong focal length"
                                              : "the number in the rig file");
        (void)snprintf(n->what, sizeof n->what,
                       "%s: %.2f +- %.2f arcsec in the nights, %.2f +- %.2f by the rig file",
                       term->label, term->value * NW_ARCSEC_PER_RAD,
                       term->sigma * NW_ARCSEC_PER_RAD, term->prior * NW_ARCSEC_PER_RAD,
                       term->prior_sigma * NW_ARCSEC_PER_RAD);
    }
}

void apart_find_notices(struct nw_apart *apart) {
    const double unit = NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD;
    const double u = apart->unexplained_rad2 / apart->unexplained_sigma_rad2;
    if (fabs(u) > LOUD_CONSTANT) {
        struct nw_apart_notice *const n =
            notice(apart, u,
                   u > 0.0 ? "a pinched or decentred lens, a dewed one, a shake that is not in the "
                             "log"
                           : "a line of the rig file that is too wide, air of another kind");
        (void)snprintf(n->what, sizeof n->what,
                       "%+.1f +- %.1f arcsec^2 in every sub that no line has",
                       apart->unexplained_rad2 * unit, apart->unexplained_sigma_rad2 * unit);
    }
    notice_terms(apart);
    for (size_t i = 0; i < apart->n_patterns; i++) {
        const struct nw_apart_pattern *pattern = &apart->patterns[i];
        const bool is_power = isfinite(pattern->power);
        const bool is_steep = is_power && pattern->significance > 0.0;
        if (fabs(pattern->significance) <= (is_steep ? LOUD_POWER : LOUD_PATTERN)) {
            continue;
        }
        struct nw_apart_notice *const n = notice(apart, pattern->significance, pattern->hint);
        if (is_power) {
            (void)snprintf(n->what, sizeof n->what,
                           "the air above goes as X^%.2f +- %.2f with the airmass, not as X^0.6",
                           pattern->power, pattern->power_sigma);
        } else {
            (void)snprintf(n->what, sizeof n->what,
                           "%+.1f +- %.1f arcsec^2 along %s that no line makes",
                           pattern->rad2 * unit, pattern->sigma_rad2 * unit, pattern->along);
        }
    }
}
