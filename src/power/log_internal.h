/* log_internal.h - a power log as columns, between its reader and what is made of it. */
#ifndef NW_POWER_LOG_INTERNAL_H
#define NW_POWER_LOG_INTERNAL_H

#include "power/power_log.h"

struct power_columns {
    const struct nw_power *power;
    size_t n; /* rows */
    double *t_s;
    double *volts[NW_POWER_MAX], *amps[NW_POWER_MAX], *watts[NW_POWER_MAX]; /* NULL: not logged */
    double *scratch; /* n x (NW_POWER_FIT_MAX + 2) */
    size_t n_columns;
    bool has_clock;
};
void power_columns_done(struct power_columns *columns);
double power_energy_J(const struct power_columns *columns, const double *watts, double step_s);
/* Fills what `ret` says of every circuit and of the main source. */
void power_look(const struct power_columns *columns, const struct nw_power_result *result,
                struct nw_power_log *ret);

#endif
