/* ledger_damp_log.c - what a climate log says to the damp budget.
 * Idea: the same quantity as foretold, the least margin above the dew or frost point, from what
 * probe and hygrometer showed; one row in a hundred may be a slip of either. */
#include <math.h>
#include <stdlib.h>

#include "air/log.h"
#include "budget/ledger.h"

#define SLIPS 0.01
#define PROBE_K 0.3
#define HUMIDITY_SHARE 0.02

/* Error of a dew point by that of the humidity: d T_d = d ln e / (d ln e_s / d T). */
static double margin_sigma_K(double vapour_Pa) {
    const double at_K = nw_air_dew_point_K(vapour_Pa);
    const double per_K =
        log(nw_air_saturation_water_Pa(at_K + 0.5) / nw_air_saturation_water_Pa(at_K - 0.5));
    return hypot(PROBE_K, HUMIDITY_SHARE / per_K);
}

/* Whether a switch of the log was on; without it in the log `if_unsaid`. */
static bool is_on(const struct nw_air_log *log, enum nw_air_series series, size_t row,
                  bool if_unsaid) {
    const double value = log->has[series] ? nw_air_log_at(log, series, row) : NAN;
    return isfinite(value) ? value >= 0.5 : if_unsaid;
}

struct margins {
    double *values;
    size_t n;
    double vapour_Pa; /* of the last, for the error */
};

static void add(struct margins *m, double at_K, double vapour_Pa) {
    const double margin_K = at_K - nw_air_wetting_point_K(vapour_Pa, NULL);
    if (isfinite(margin_K)) {
        m->values[m->n++] = margin_K;
        m->vapour_Pa = vapour_Pa;
    }
}

static void put(struct nw_ledger_line *line, struct margins *m, const char *without) {
    if (!line) {
        return;
    }
    if (m->n == 0) {
        nw_text_copy(line->why_null, sizeof line->why_null, without);
        return;
    }
    line->measured = nw_stat_quantile(m->values, m->n, SLIPS);
    line->measured_sigma = margin_sigma_K(m->vapour_Pa);
    line->why_null[0] = '\0';
}

static void surfaces(struct nw_ledger *ledger, const struct nw_rig *rig,
                     const struct nw_air_log *log, double *work) {
    for (size_t k = 0; k < log->n_surfaces; k++) {
        struct margins m = {.values = work};
        char id[72];
        for (size_t i = 0; i < log->n; i++) {
            if (is_on(log, NW_AIR_ROOF_OPEN, i, true) && !is_on(log, NW_AIR_COVERED, i, false)) {
                add(&m, nw_air_log_surface_K(log, k, i), nw_air_log_at(log, NW_AIR_VAPOUR, i));
            }
        }
        (void)snprintf(id, sizeof id, "surface:%.48s", rig->damp.surfaces[k].name);
        put(nw_ledger_find(ledger, id), &m, "the log has no probe on it while the roof is open");
    }
}

static void cover(struct nw_ledger *ledger, const struct nw_air_log *log, double *work) {
    struct margins m = {.values = work};
    for (size_t i = 0; i < log->n; i++) {
        const double inside_Pa = nw_air_log_at(log, NW_AIR_COVER_VAPOUR, i);
        const double room_Pa = nw_air_log_at(log, NW_AIR_ROOM_VAPOUR, i);
        if (is_on(log, NW_AIR_COVERED, i, false)) {
            add(&m, nw_air_log_at(log, NW_AIR_COVER, i), isfinite(inside_Pa) ? inside_Pa : room_Pa);
        }
    }
    put(nw_ledger_find(ledger, "cover"), &m, "the log has no row with the cover on and a probe");
}

static void room(struct nw_ledger *ledger, const struct nw_air_log *log) {
    struct nw_ledger_line *const line = nw_ledger_find(ledger, "room_humidity");
    for (size_t i = log->n; line && i > 0; i--) {
        const double vapour_Pa = nw_air_log_at(log, NW_AIR_ROOM_VAPOUR, i - 1);
        const double full_Pa = nw_air_saturation_water_Pa(nw_air_log_at(log, NW_AIR_ROOM, i - 1));
        if (isfinite(vapour_Pa / full_Pa) && !is_on(log, NW_AIR_ROOF_OPEN, i - 1, true)) {
            line->measured = 100.0 * vapour_Pa / full_Pa;
            line->measured_sigma = 100.0 * HUMIDITY_SHARE;
            line->why_null[0] = '\0';
            return;
        }
    }
    if (line) {
        nw_text_copy(line->why_null, sizeof line->why_null,
                     "the log has no row of the room with the roof closed");
    }
}

void nw_ledger_damp_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                             const struct nw_air_log *log) {
    double *const work = nw_calloc(log->n + 1, sizeof *work);
    if (!work) {
        return; /* nothing was measured, and the lines say so */
    }
    surfaces(ledger, rig, log, work);
    cover(ledger, log, work);
    room(ledger, log);
    free(work);
    for (size_t i = 0; i < ledger->n_lines; i++) {
        const struct nw_ledger_line *const line = &ledger->lines[i];
        const bool is_judged = strcmp(line->unit, "K") == 0 && isfinite(line->allowed);
        if (is_judged && isfinite(line->measured) && !(line->measured >= ledger->measured)) {
            ledger->measured = line->measured;
            ledger->measured_sigma = line->measured_sigma;
            ledger->why_null[0] = '\0';
        }
    }
    if (isfinite(ledger->measured)) {
        const size_t at = strlen(ledger->verdict);
        (void)snprintf(ledger->verdict + at, sizeof ledger->verdict - at,
                       "; the log saw %.1f K at the least", ledger->measured);
    }
}
