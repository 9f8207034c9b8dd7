/* season.c - hours available against hours needed, night by night.
 * Idea: the bars and worths of the plan, on every night of the stretch; contact limits once a
 * target, they follow hour angle and declination alone. */
#include <math.h>

#include "night/night_internal.h"

struct season_job {
    const struct nw_night_input *in;
    struct nw_season_row *rows;
    const struct nw_plan *night; /* the sky of one night */
    struct nw_reach (*reach)[2];
    double date_s;
};

static void one_target(void *user, size_t i) {
    const struct season_job *const job = user;
    struct night_table *const t = nw_calloc(1, sizeof *t);
    if (!t) {
        return;
    }
    night_fill_table(job->in, job->night, i, job->reach[i], t);
    double usable_s = 0.0;
    bool has_moon = false;
    for (size_t k = 0; k < job->night->n_slots; k++) {
        if (t->bar[k] == NW_BAR_NONE && t->mean[k] > 0.0) {
            usable_s += NW_SLOT_s;
            has_moon = has_moon || job->night->moments[k].moon_altitude_rad > 0.0;
        }
    }
    struct nw_season_row *const row = &job->rows[i];
    row->need_s = t->total_need_s;
    row->available_s += usable_s;
    if (usable_s >= 3600.0) {
        row->nights++;
        row->moonless += !has_moon;
        row->last_s = row->has_ended ? row->last_s : job->date_s;
    } else if (isfinite(row->last_s) && job->date_s - row->last_s > 30.0 * 86400.0) {
        row->has_ended = true;
    }
    if (usable_s > row->best_night_s) {
        row->best_night_s = usable_s;
        row->best_s = job->date_s;
    }
    free(t);
}

static enum nw_status one_night(const struct nw_night_input *in, double date_s,
                                struct nw_plan *night, bool *ret_is_dark, struct nw_err *err) {
    const struct nw_observer o = nw_sky_observer_of(in->rig);
    const struct nw_night_habits *const h = &in->targets->habits;
    const double limit = fmax(h->sun_altitude_rad, h->sun_altitude_narrow_rad);
    struct nw_dark dark;
    enum nw_status status =
        nw_sky_dark(&o, nw_sky_noon_utc_s(date_s, o.place.longitude_rad), limit, &dark, err);
    *ret_is_dark = status == NW_OK && dark.exists;
    if (!*ret_is_dark) {
        return status;
    }
    night->slot0_s = ceil(dark.start_s / NW_SLOT_s) * NW_SLOT_s;
    night->n_slots =
        (size_t)fmin(fmax(floor((dark.end_s - night->slot0_s) / NW_SLOT_s), 0.0), NW_NIGHT_SLOTS);
    status = nw_sky_moments(&o, night->slot0_s + 0.5 * NW_SLOT_s, NW_SLOT_s, night->n_slots,
                            night->moments, err);
    return status == NW_OK ? night_planets(night, err) : status;
}

enum nw_status nw_season(const struct nw_night_input *in, size_t n_days, struct nw_season_row *ret,
                         size_t *ret_dark_nights, struct nw_err *err) {
    const size_t n = in->targets->n;
    struct nw_plan *const night = nw_calloc(1, sizeof *night);
    struct nw_reach(*const reach)[2] = nw_calloc(n, sizeof *reach);
    enum nw_status status = night && reach ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu targets", n);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        ret[i] =
            (struct nw_season_row){.target = &in->targets->items[i], .last_s = NAN, .best_s = NAN};
        for (int side = 0; side < 2 && in->model; side++) {
            nw_clearance_reach(in->model, in->targets->items[i].dec_rad, (enum nw_side)side, 0.0,
                               &reach[i][side]);
        }
    }
    *ret_dark_nights = 0;
    for (size_t day = 0; day < n_days && status == NW_OK; day++) {
        bool is_dark = false;
        struct season_job job = {in, ret, night, reach, in->date_s + 86400.0 * (double)day};
        status = one_night(in, job.date_s, night, &is_dark, err);
        if (status == NW_OK && is_dark) {
            (*ret_dark_nights)++;
            (void)nw_parallel_for(n, 0, one_target, &job, NULL);
        }
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        ret[i].is_all_year = isfinite(ret[i].last_s) && !ret[i].has_ended;
    }
    free(night);
    free(reach);
    return status;
}
