/* smooth.c - what the loop model says the star did: smoothed motion, its variance within a sub,
 * drift. Idea: the variance of y is that of the smoothed path plus that of its posterior,
 * covariances included; the smoothed path alone is too quiet (Durbin & Koopman 2012, Time Series
 * Analysis by State Space Methods, sec. 4.7: cov(x[j], x[k]) = C[j] C[j+1] ... C[k-1] P[k]). Holds:
 * a start breaks m but not v, forwards and backwards. */
#include <math.h>

#include "guiding/filter.h"
#include "guiding/guiding_internal.h"

/* Forward pass over e - b x; past may be NULL. Returns the filter behind the last sample. */
static struct kalman forward(const struct guide_series *s, const struct guide_fit *fit,
                             double ln_qv, struct kalman *past) {
    const double q = exp(fit->ln_q);
    const double qv = kalman_wander_of(ln_qv);
    struct kalman f = {.p11 = KALMAN_V_UNKNOWN};
    for (size_t k = 0; k < s->n; k++) {
        const double dt = kalman_step_of(s, k);
        const double e = nw_guide_error(s, k) - fit->b * s->x[k];
        if (s->starts[k] || k == 0) {
            kalman_restart(&f, e, 0.0, dt, qv);
        } else {
            double nu[2];
            kalman_predict(&f, dt, q, qv);
            (void)kalman_update(&f, e, 0.0, nu);
        }
        if (past) {
            past[k] = f;
        }
    }
    return f;
}

/* C = P F' Pp^-1 (Rauch, Tung & Striebel 1965, AIAA J. 3, 1445); over a start only v is linked. */
static void link_back(const struct kalman *here, const struct kalman *next, double dt,
                      bool is_start, struct guide_state *ret) {
    const double det = next->p00 * next->p11 - next->p01 * next->p01;
    if (is_start || !(det > 0.0)) {
        ret->c01 = here->p01 / next->p11;
        ret->c11 = here->p11 / next->p11;
        return;
    }
    const double g00 = here->p00 + dt * here->p01; /* P F' */
    const double g10 = here->p01 + dt * here->p11;
    ret->c00 = (g00 * next->p11 - here->p01 * next->p01) / det;
    ret->c01 = (here->p01 * next->p00 - g00 * next->p01) / det;
    ret->c10 = (g10 * next->p11 - here->p11 * next->p01) / det;
    ret->c11 = (here->p11 * next->p00 - g10 * next->p01) / det;
}

/* x[k|N] = x[k|k] + C (x[k+1|N] - x[k+1|k]), P likewise. */
static void smooth_one(const struct guide_state *after, const struct kalman *next, bool is_start,
                       struct guide_state *x) {
    const double dm = is_start ? 0.0 : after->y_rad - next->m[0];
    const double dv = after->v_rad - next->v[0];
    const double d00 = is_start ? 0.0 : after->p00 - next->p00;
    const double d01 = is_start ? 0.0 : after->p01 - next->p01;
    const double d11 = after->p11 - next->p11;
    x->y_rad += x->c00 * dm + x->c01 * dv;
    x->v_rad += x->c10 * dm + x->c11 * dv;
    x->p00 += x->c00 * x->c00 * d00 + 2.0 * x->c00 * x->c01 * d01 + x->c01 * x->c01 * d11;
    x->p01 +=
        x->c00 * x->c10 * d00 + (x->c00 * x->c11 + x->c01 * x->c10) * d01 + x->c01 * x->c11 * d11;
    x->p11 += x->c10 * x->c10 * d00 + 2.0 * x->c10 * x->c11 * d01 + x->c11 * x->c11 * d11;
}

enum nw_status nw_guide_smooth(const struct guide_series *s, const struct guide_fit *fit,
                               struct guide_state *states, struct nw_err *err) {
    struct kalman *past = nw_calloc(s->n + 1, sizeof *past);
    if (!past) {
        return nw_err_set(err, NW_NOMEM, "smoother for %zu samples", s->n);
    }
    (void)forward(s, fit, fit->ln_qv, past);
    for (size_t back = 0; back < s->n; back++) {
        const size_t k = s->n - 1 - back;
        const struct kalman *here = &past[k];
        states[k] = (struct guide_state){.y_rad = here->m[0],
                                         .v_rad = here->v[0],
                                         .p00 = here->p00,
                                         .p01 = here->p01,
                                         .p11 = here->p11};
        if (back > 0) {
            const double dt = kalman_step_of(s, k + 1);
            const bool is_start = s->starts[k + 1];
            struct kalman next = *here;
            kalman_predict(&next, dt, exp(fit->ln_q), kalman_wander_of(fit->ln_qv));
            link_back(here, &next, dt, is_start, &states[k]);
            smooth_one(&states[k + 1], &next, is_start, &states[k]);
        }
    }
    for (size_t k = 0; k < s->n;
         k++) { /* to the camera: pulses and worm included, variances in rad^2 */
        states[k].y_rad += fit->b * s->x[k] + s->known[k];
        states[k].p00 *= fit->r_rad2;
        states[k].p01 *= fit->r_rad2;
        states[k].p11 *= fit->r_rad2;
    }
    free(past);
    return NW_OK;
}

double nw_guide_motion_var(const struct guide_state *states, size_t first, size_t last) {
    const double n = (double)(last - first);
    double mean = 0.0;
    for (size_t k = first; k < last; k++) {
        mean += states[k].y_rad / n;
    }
    double spread = 0.0; /* of the smoothed path */
    double own = 0.0;    /* sum of posterior variances */
    double all = 0.0;    /* sum of all posterior covariances = n^2 var of the mean */
    /* s[j] = sum over k <= j of cov(x[k], x[j]) P[j]^-1 = s[j-1] C[j-1] + 1; only row 0 is needed
     */
    double s0 = 0.0;
    double s1 = 0.0;
    for (size_t k = first; k < last; k++) {
        const struct guide_state *x = &states[k];
        if (k > first) {
            const struct guide_state *before = &states[k - 1];
            const double t0 = s0 * before->c00 + s1 * before->c10;
            s1 = s0 * before->c01 + s1 * before->c11;
            s0 = t0;
        }
        s0 += 1.0;
        spread += (x->y_rad - mean) * (x->y_rad - mean);
        own += x->p00;
        all += 2.0 * (s0 * x->p00 + s1 * x->p01) - x->p00;
    }
    return fmax(0.0, (spread + own - all / n) / n);
}

void nw_guide_drift(const struct guide_series *s, const struct guide_fit *fit, double *ret_rad_s,
                    double *ret_sigma_rad_s) {
    const struct kalman f = forward(s, fit, GUIDE_LN_NONE, NULL);
    *ret_rad_s = f.v[0] / s->dt0_s;
    *ret_sigma_rad_s = sqrt(f.p11 * fit->r_rad2) / s->dt0_s;
}
