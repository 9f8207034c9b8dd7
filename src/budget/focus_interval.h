/* focus_interval.h - how often to focus: time lost to focus runs against time lost to blur.
 *
 * Idea: an hour of imaging is worth 1/A_neq (point sources; King 1983, PASP 95, 163). With a run of
 * t_run every T, the time for the same depth goes as (1 + t_run/T) A(T), A of all lines of the star
 * width composed, the drift of focus uniform from 0 to what T brings. For small drifts that is
 * t_run/T + q r^2 T^2/3, least at T^3 = 3 t_run/(2 q r^2). Extended light loses to the runs only.
 */
#ifndef NW_FOCUS_INTERVAL_H
#define NW_FOCUS_INTERVAL_H

#include "budget/budget.h"

struct nw_focus_interval {
    double run_s, now_s;
    double rate_K_s;       /* |temperature rate| of the site, or as given */
    double drift_m_per_K;  /* of focus, at the sensor, after compensation */
    double depth_m;        /* 2 lambda N^2, at the sensor */
    double best_s, best_K; /* K: change of temperature in that time */
    double low_s, high_s;  /* within 0.5 % of the time at the best: nothing to win inside */
    double now_percent;    /* time lost at today's interval: runs and drift */
    double now_runs_percent, now_blur_percent;
    double best_percent;
    double worth_percent;       /* of the time, point sources; now against best */
    double worth_sigma_percent; /* from rate, coefficient, repeatability */
    double extended_percent;    /* of the time, extended light: runs alone, now against best */
    double fwhm_now_rad, fwhm_best_rad;
    bool is_at_least, is_at_most; /* the best lies at the end of what was tried */
};

/* Loss of time at an interval, percent of what imaging without runs and drift would take (focus
 * runs keep their own error). rate_K_s NaN: the site's. */
enum nw_status nw_focus_loss_percent(const struct nw_rig *rig, const struct nw_setup *setup,
                                     double rate_K_s, double interval_s, double *ret_percent,
                                     struct nw_err *err) NW_CHECKED;
/* Tries 5 min (or two runs) to 8 h. DOMAIN: values that compose no profile. */
enum nw_status nw_focus_interval_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                    double rate_K_s, struct nw_focus_interval *ret,
                                    struct nw_err *err) NW_CHECKED;

#endif
