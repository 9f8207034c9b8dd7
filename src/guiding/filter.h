/* filter.h - the steps of the Kalman filter, for loop.c and smooth.c.
 * Holds: everything is in units of r (variance of n) and of dt0; the gains do not depend on the
 * data, so that two columns (e and x) pass at once. A start gives m no likelihood (it is unknown
 * after a dither) but keeps v, which belongs to the mount. Paper: Harvey 1989, Forecasting,
 * Structural Time Series Models and the Kalman Filter, sec. 3.2. */
#ifndef NW_GUIDING_FILTER_H
#define NW_GUIDING_FILTER_H

#include <math.h>

#include "guiding/guiding_internal.h"

#define KALMAN_V_UNKNOWN 1e10 /* variance of the drift before the first two samples */

/* A filter in the middle of its work. */
struct kalman {
    double m[2], v[2];    /* of e and of x */
    double p00, p01, p11; /* covariance of [m, v] */
};

static inline void kalman_predict(struct kalman *f, double dt, double q, double qv) {
    for (int i = 0; i < 2; i++) {
        f->m[i] += f->v[i] * dt;
    }
    /* continuous white acceleration: Harvey 1989, sec. 9.2 */
    f->p00 += dt * (2.0 * f->p01 + dt * f->p11) + q * dt + qv * dt * dt * dt / 3.0;
    f->p01 += dt * f->p11 + qv * dt * dt / 2.0;
    f->p11 += qv * dt;
}

/* After a break: m is what the first sample says, v goes on. */
static inline void kalman_restart(struct kalman *f, double e, double x, double dt, double qv) {
    f->m[0] = e;
    f->m[1] = x;
    f->p00 = 1.0;
    f->p01 = 0.0;
    f->p11 += qv * dt;
}

/* Takes one sample in; returns the innovations and their variance. */
static inline double kalman_update(struct kalman *f, double e, double x, double nu[2]) {
    const double s = f->p00 + 1.0;
    const double share = 1.0 / s; /* one division: everything here waits for it */
    const double k0 = f->p00 * share;
    const double k1 = f->p01 * share;
    nu[0] = e - f->m[0];
    nu[1] = x - f->m[1];
    for (int i = 0; i < 2; i++) {
        f->m[i] += k0 * nu[i];
        f->v[i] += k1 * nu[i];
    }
    f->p11 -= k1 * f->p01;
    f->p01 = k1; /* p01 - k1 p00 = p01/s */
    f->p00 = k0; /* p00 - k0 p00 = p00/s */
    return s;
}

/* The error less the motion that is taken as known. */
static inline double nw_guide_error(const struct guide_series *s, size_t k) {
    return s->e_rad[k] - s->known[k];
}

/* Was a worm taken out? */
static inline bool nw_guide_has_known(const struct guide_series *s) {
    for (size_t k = 0; k < s->n; k++) {
        if (fabs(s->known[k]) > 0.0) {
            return true;
        }
    }
    return false;
}

static inline double kalman_step_of(const struct guide_series *s, size_t k) {
    return k == 0 ? 0.0 : (s->t_s[k] - s->t_s[k - 1]) / s->dt0_s;
}

static inline double kalman_wander_of(double ln_qv) {
    return ln_qv > GUIDE_LN_NONE ? exp(ln_qv) : 0.0;
}

#endif
