/* guide_polar.c - see guide_polar.h */
#include "cli/guide_polar.h"

#include <math.h>

/* Where nobody names the height: the middle of what is lived on; 500 m more or less are 6 % of the
 * refraction, which move the answer by under 0.1 arcmin (OBSERVABILITY 13). */
static const double HEIGHT_m = 500.0;
/* Prior of the bend between guide star and sky in declination: 3 arcsec/h, common practice, no
 * source. */
static const double BEND_RAD_S = 3.0 / NW_ARCSEC_PER_RAD / 3600.0;

/* Play of the gears that nobody measured: common practice, no source. */
static const double PLAY_RAD = 3.0 / NW_ARCSEC_PER_RAD;

struct drifts {
    struct nw_polar_drift *items;
    size_t n, cap;
};

/* Backlash that was not identified may have taken something off every stretch alike: their errors
 * do not average out. */
static void widen(struct nw_polar_drift *drifts, size_t n, double high_rad) {
    const double play_rad = isfinite(high_rad) ? fmin(high_rad, PLAY_RAD) : PLAY_RAD;
    for (size_t i = 0; i < n; i++) {
        drifts[i].sigma_rad = hypot(drifts[i].sigma_rad, play_rad * sqrt((double)n));
    }
}

static enum nw_status take_run(const struct nw_guide_log *log,
                               const struct nw_guide_analysis *analysis, size_t pointing,
                               struct drifts *list, char why[160], struct nw_err *err) {
    struct nw_polar_drift *drifts = NULL;
    size_t n = 0;
    const struct nw_guide_backlash *const backlash = &analysis->backlash;
    const struct nw_polar_stretch_opts opts = {
        backlash->is_identified ? backlash->gap_rad : 0.0,
        log->n > 0 ? log->hour_angle_rad - NW_SIDEREAL_RATE_RAD_S * log->rows[0].t_s : NAN};
    enum nw_status status = nw_polar_stretches(log, analysis, &opts, &drifts, &n, why, err);
    const size_t *const n_pulses = analysis->dec.habits.n_pulses;
    if (status == NW_OK && !backlash->is_identified && n_pulses[0] + n_pulses[1] > 0) {
        widen(drifts, n, backlash->high_rad);
    }
    if (status == NW_OK) {
        status = nw_grow((void **)&list->items, &list->cap, list->n + n, sizeof *list->items,
                         1000000, err);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        drifts[i].pointing = pointing;
        list->items[list->n++] = drifts[i];
    }
    free(drifts);
    return status;
}

struct guide_air guide_air(const struct nw_rig *rig, const struct guide_files *files) {
    if (rig) {
        return (struct guide_air){
            {rig->site.pressure_Pa.v, rig->site.temperature_K.v, rig->site.relative_humidity.v},
            "rig",
            "the rig's"};
    }
    for (size_t i = 0; i < files->n; i++) {
        const struct nw_guide_result *const r = &files->results[i];
        const double elevation_m = r->file->items[r->number - 1].log->elevation_m;
        if (isfinite(elevation_m)) {
            return guide_air_at(elevation_m, "log");
        }
    }
    struct guide_air air = guide_air_at(HEIGHT_m, "assumed");
    (void)snprintf(air.words, sizeof air.words,
                   "standard air at %.0f m assumed: say `# elevation_m: ...` in a log", HEIGHT_m);
    return air;
}

enum nw_status guide_polar(const struct guide_files *files, const struct guide_frames *frames,
                           const struct nw_air_state *air, struct nw_polar_report *ret,
                           struct nw_err *err) {
    struct drifts list = {0};
    double latitude_rad = NAN;
    enum nw_status status = NW_OK;
    *ret = (struct nw_polar_report){.is_solved = false};
    for (size_t i = 0; i < files->n && status == NW_OK; i++) {
        const struct nw_guide_result *const r = &files->results[i];
        char why[160] = "";
        if (!r->analysis) {
            continue;
        }
        const struct nw_guide_log *const log = r->file->items[r->number - 1].log;
        latitude_rad = isfinite(log->latitude_rad) ? log->latitude_rad : latitude_rad;
        status = take_run(log, r->analysis, i, &list, why, err);
        if (why[0] && !ret->why[0]) {
            nw_text_copy(ret->why, sizeof ret->why, why);
        }
    }
    const size_t n_turns = frames ? frames->n_turns : 0;
    if (status == NW_OK && list.n + n_turns > 0 && !isfinite(latitude_rad)) {
        nw_text_copy(ret->why, sizeof ret->why,
                     "the latitude is not known: `# latitude_deg: ...` in a log");
    } else if (status == NW_OK && list.n + n_turns > 0) {
        const struct nw_polar_opts opts = {latitude_rad, air, BEND_RAD_S};
        struct nw_err reason = {0};
        ret->is_south = latitude_rad < 0.0;
        ret->is_solved = nw_polar_solve(list.items, list.n, frames ? frames->turns : NULL, n_turns,
                                        &opts, &ret->polar, &reason) == NW_OK;
        if (!ret->is_solved) {
            nw_text_copy(ret->why, sizeof ret->why, reason.text);
        }
    }
    free(list.items);
    return status;
}
