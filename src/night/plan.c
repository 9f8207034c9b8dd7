/* plan.c - the night put together; see night.h. */
#include <math.h>

#include "night/night_internal.h"

static enum nw_status find_dark(const struct nw_night_input *in, const struct nw_observer *o,
                                struct nw_plan *plan, struct nw_err *err) {
    const double noon = nw_sky_noon_utc_s(in->date_s, o->place.longitude_rad);
    const struct nw_night_habits *const h = &in->targets->habits;
    const double limit = fmax(h->sun_altitude_rad, h->sun_altitude_narrow_rad);
    struct nw_dark sun;
    enum nw_status status = nw_sky_dark(o, noon, NW_SUN_SET_RAD, &sun, err);
    status = status == NW_OK ? nw_sky_dark(o, noon, h->sun_altitude_rad, &plan->dark, err) : status;
    if (status == NW_OK && !(sun.lowest_rad < limit)) {
        char date[32];
        nw_time_write_iso(in->date_s, 0, date, sizeof date);
        return nw_err_set(err, NW_DATA,
                          "no darkness in the night of %.10s at latitude %.2f deg: the Sun sinks "
                          "to %.1f deg only, %.1f deg is asked for (habits.sun_below)",
                          date, o->place.latitude_rad * NW_DEG_PER_RAD,
                          sun.lowest_rad * NW_DEG_PER_RAD, limit * NW_DEG_PER_RAD);
    }
    plan->sunset_s = sun.start_s;
    plan->sunrise_s = sun.end_s;
    return status;
}

/* The bright ones at the middle of the night: in half a night they move by half a degree at most.
 */
enum nw_status night_planets(struct nw_plan *plan, struct nw_err *err) {
    static const enum nw_planet BRIGHT[NW_NIGHT_PLANETS] = {NW_PLANET_VENUS, NW_PLANET_MARS,
                                                            NW_PLANET_JUPITER, NW_PLANET_SATURN};
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < NW_NIGHT_PLANETS && plan->n_slots > 0 && status == NW_OK; i++) {
        double distance_m;
        status = nw_sky_planet(&plan->moments[plan->n_slots / 2], BRIGHT[i], plan->planets[i],
                               &distance_m, err);
    }
    return status;
}

static enum nw_status fill_sky(const struct nw_night_input *in, struct nw_plan *plan,
                               struct nw_err *err) {
    const struct nw_observer o = nw_sky_observer_of(in->rig);
    enum nw_status status = find_dark(in, &o, plan, err);
    if (status != NW_OK) {
        return status;
    }
    plan->slot0_s = ceil(plan->sunset_s / NW_SLOT_s) * NW_SLOT_s;
    const double n = floor((plan->sunrise_s - plan->slot0_s) / NW_SLOT_s);
    plan->n_slots = (size_t)fmin(fmax(n, 0.0), NW_NIGHT_SLOTS);
    status = nw_sky_moments(&o, plan->slot0_s + 0.5 * NW_SLOT_s, NW_SLOT_s, plan->n_slots,
                            plan->moments, err);
    status = status == NW_OK
                 ? nw_sky_moon_events(&o, plan->sunset_s, plan->sunrise_s, &plan->moon, err)
                 : status;
    status = status == NW_OK ? night_planets(plan, err) : status;
    plan->moon_lit = plan->n_slots ? plan->moments[plan->n_slots / 2].moon_lit : NAN;
    return status;
}

/* Window and what stands against the rest, for the report. */
static void sum_up(const struct nw_plan *plan, const struct night_table *t,
                   struct nw_night_target *ret) {
    size_t bars[NW_BAR_CONTACT + 1] = {0};
    ret->first_s = NAN;
    ret->last_s = NAN;
    ret->highest_rad = -0.5 * NW_PI;
    double ever_rad = -0.5 * NW_PI;
    for (size_t k = 0; k < plan->n_slots; k++) {
        const double start_s = plan->slot0_s + (double)k * NW_SLOT_s;
        ever_rad = fmax(ever_rad, t->altitude_rad[k]);
        if (t->bar[k] == NW_BAR_TWILIGHT) {
            continue;
        }
        bars[t->bar[k]]++;
        ret->highest_rad = fmax(ret->highest_rad, t->altitude_rad[k]);
        if (t->bar[k] == NW_BAR_NONE) {
            ret->usable_s += NW_SLOT_s;
            ret->first_s = isfinite(ret->first_s) ? ret->first_s : start_s;
            ret->last_s = start_s + NW_SLOT_s;
        }
        ret->could_s += t->mean[k] * NW_SLOT_s;
    }
    for (int b = NW_BAR_LOW; b <= NW_BAR_CONTACT; b++) {
        ret->most = bars[b] > 0 && (ret->most == NW_BAR_NONE || bars[b] > bars[ret->most])
                        ? (enum nw_night_bar)b
                        : ret->most;
    }
    ret->transit_s =
        t->flip_slot == SIZE_MAX ? NAN : plan->slot0_s + (double)t->flip_slot * NW_SLOT_s;
    ret->need_s = t->total_need_s;
    ret->could_s = fmin(ret->could_s, ret->need_s);
}

struct fill_job {
    const struct nw_night_input *in;
    struct nw_plan *plan;
    struct night_table *tables;
};

static void fill_one(void *user, size_t i) {
    const struct fill_job *const job = user;
    struct nw_reach reach[2] = {{.is_reachable = true}, {.is_reachable = true}};
    const struct nw_target *const t = &job->in->targets->items[i];
    for (int side = 0; side < 2 && job->in->model; side++) {
        nw_clearance_reach(job->in->model, t->dec_rad, (enum nw_side)side, 0.0, &reach[side]);
    }
    night_fill_table(job->in, job->plan, i, reach, &job->tables[i]);
    struct nw_night_target *const out = &job->plan->targets[i];
    out->target = t;
    out->never_rises =
        fabs(t->dec_rad - job->in->rig->site.latitude_rad.v) > 0.5 * NW_PI - t->min_altitude_rad;
    sum_up(job->plan, &job->tables[i], out);
}

/* Time of the dark window that no block, change, flip or focus run takes; when to stop. */
static void finish(const struct nw_night_input *in, const struct night_table *tables,
                   struct nw_plan *plan) {
    double used_s = 0.0;
    for (size_t i = 0; i < plan->n_order; i++) {
        used_s += plan->to_s[i] - plan->from_s[i];
    }
    plan->slews_s =
        plan->n_order > 1 ? (double)(plan->n_order - 1) * in->targets->habits.slew_s : 0.0;
    double dark_s = 0.0;
    for (size_t k = 0; k < plan->n_slots; k++) {
        dark_s += plan->moments[k].sun_altitude_rad <= in->targets->habits.sun_altitude_rad
                      ? NW_SLOT_s
                      : 0.0;
    }
    plan->unused_s = fmax(0.0, dark_s - used_s - plan->slews_s);
    plan->stop_s = NAN;
    double left_s = 0.0;
    for (size_t i = plan->n_order; in->forecast && i > 0; i--) {
        const size_t from = (size_t)lround((plan->from_s[i - 1] - plan->slot0_s) / NW_SLOT_s);
        const size_t to = (size_t)lround((plan->to_s[i - 1] - plan->slot0_s) / NW_SLOT_s);
        for (size_t k = to; k > from; k--) {
            left_s += tables[plan->order[i - 1]].mean[k - 1] * NW_SLOT_s;
            plan->stop_s =
                left_s < 900.0 ? plan->slot0_s + (double)(k - 1) * NW_SLOT_s : plan->stop_s;
        }
    }
}

enum nw_status nw_plan_new(const struct nw_night_input *in, struct nw_plan **ret,
                           struct nw_err *err) {
    struct nw_plan *plan = nw_calloc(1, sizeof *plan);
    struct night_table *const tables = nw_calloc(in->targets->n, sizeof *tables);
    enum nw_status status =
        plan && tables ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu targets", in->targets->n);
    if (status == NW_OK) {
        plan->n_targets = in->targets->n;
        plan->targets = nw_calloc(plan->n_targets, sizeof *plan->targets);
        status = plan->targets ? fill_sky(in, plan, err) : nw_err_set(err, NW_NOMEM, "targets");
    }
    if (status == NW_OK) {
        struct fill_job job = {in, plan, tables};
        (void)nw_parallel_for(plan->n_targets, 0, fill_one, &job, NULL);
        night_order(in, tables, plan);
        night_blocks(in, tables, plan);
        night_turns(in, plan);
        night_switches(in, plan);
        finish(in, tables, plan);
        *ret = plan;
        plan = NULL;
    }
    nw_plan_free(plan);
    free(tables);
    return status;
}

void nw_plan_free(struct nw_plan *plan) {
    if (plan) {
        free(plan->targets);
        free(plan);
    }
}
