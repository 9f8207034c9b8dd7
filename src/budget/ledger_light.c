/* ledger_light.c - the light budget in the filter that the setup is judged in: where the noise of a
 * faint extended target comes from, and what each filter reaches.
 * Idea: shares of the noise variance of one pixel under the moonless sky at the usual airmass, with
 * subs of the habit; they add up to 100 %. Read noise alone has a limit: 5 % of the time. */
#include <math.h>

#include "budget/ledger.h"
#include "light/light.h"

static const double READ_ALLOWED = 5.0; /* % of the time: common practice, no source */

struct desk {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_ledger *ledger;
    struct nw_light_wants wants;
    struct nw_light_budget b; /* of the judged filter */
};

static void put_share(struct desk *d, enum nw_light_share_id id) {
    struct nw_ledger_line *const line =
        nw_ledger_add(d->ledger, nw_light_share_name(id), nw_light_share_text(id));
    line->predicted = 100.0 * d->b.value.share_surface[id];
    line->predicted_sigma = 100.0 * d->b.sigma.share_surface[id];
    const struct nw_camera *const c = &d->setup->camera;
    line->provenance = id == NW_LIGHT_READ       ? c->read_noise_e.from
                       : id == NW_LIGHT_DARK     ? c->dark_e_per_s.from
                       : id == NW_LIGHT_ROUNDING ? c->gain_e_per_adu.from
                                                 : d->rig->site.sky_brightness_mag_arcsec2.from;
    line->basis = "photons of V 0 (Bessell 1998; REFERENCES PHO-06), CCD equation (Merline & "
                  "Howell 1995; PHO-12)";
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "subs of a night (--frames, --book) show sky and noise");
}

static void put_beside(struct desk *d, const char *id, const char *label, const char *unit,
                       double value, double sigma) {
    struct nw_ledger_line *const line = nw_ledger_add(d->ledger, id, label);
    line->is_summed = false;
    line->unit = unit;
    line->predicted = value;
    line->predicted_sigma = sigma;
    line->basis = "docs/light.md";
    line->provenance = NW_FROM_ASSUMED;
    nw_text_copy(line->why_null, sizeof line->why_null, "a prediction from the parts");
}

static enum nw_status put_filters(struct desk *d, struct nw_err *err) {
    const size_t n = d->setup->n_filters ? d->setup->n_filters : 1;
    static const char *const UNITS[] = {"mag/arcsec2", "s"};
    enum nw_status status = NW_OK;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < n && status == NW_OK; i++) {
            const struct nw_filter *const f =
                d->setup->n_filters ? &d->setup->filters[i] : &d->setup->filter;
            const struct nw_light_case what = nw_light_case_usual(d->rig, d->setup, f);
            const struct nw_light_band band = nw_light_main_band(d->setup, f);
            struct nw_light_budget b;
            char id[72];
            char label[72];
            if (!(band.width_m > 0.0)) {
                continue;
            }
            status = nw_light_budget_of(&what, &band, &d->wants, &b, err);
            (void)snprintf(id, sizeof id, "%s_%.40s", pass ? "sub" : "limit", f->name);
            (void)snprintf(label, sizeof label, "%s, %.20s",
                           pass ? "sub to take" : "reached in 1 h",
                           f->name[0] ? f->name : "no filter");
            put_beside(d, id, label, UNITS[pass],
                       pass ? b.subs.curve[b.subs.best].sub_s : b.value.limit_surface_mag,
                       pass ? NAN : b.sigma.limit_surface_mag);
        }
    }
    return status;
}

/* What another length would do for the lines; advice where it is worth it. */
static void judge(struct desk *d, const struct nw_light_case *what) {
    struct nw_ledger *const l = d->ledger;
    const struct nw_light_sub *const best = &d->b.subs.curve[d->b.subs.best];
    const double now_s = d->b.sub.sub_s;
    const double read = 100.0 * d->b.sub.read_loss;
    const struct nw_light_worth worth =
        nw_light_worth_of(what, now_s, what, best->sub_s, d->wants.wishes.between_s);
    l->is_over = read > READ_ALLOWED && !d->b.subs.is_empty;
    l->margin_percent = 100.0 * (1.0 - read / READ_ALLOWED);
    (void)snprintf(l->verdict, sizeof l->verdict,
                   "%s: reads cost %.1f %% of the time in subs of %.0f s; sky makes %.0f %% of "
                   "the noise; 1 h reaches %.1f mag/arcsec2 (3 sigma in 10 x 10 arcsec)",
                   l->is_over ? "subs too short" : "fits", read, now_s,
                   100.0 * d->b.value.share_surface[NW_LIGHT_SKY], d->b.value.limit_surface_mag);
    for (size_t i = 0; i < l->n_lines; i++) {
        struct nw_ledger_line *const line = &l->lines[i];
        if (strcmp(line->id, nw_light_share_name(NW_LIGHT_READ)) == 0) {
            line->allowed = READ_ALLOWED;
            line->attainable = 100.0 * best->read_loss;
            line->time_percent_extended = 100.0 * worth.extended;
            line->time_percent_point = 100.0 * worth.point;
        }
    }
    const bool is_in_range = now_s >= best->sub_s && now_s <= d->b.subs.curve[d->b.subs.to].sub_s;
    struct nw_ledger_advice *const a =
        is_in_range || worth.extended < 0.01 ? nw_ledger_add_leave(l) : nw_ledger_add_advice(l);
    (void)snprintf(a->change, sizeof a->change, "subs of %.0f s", best->sub_s);
    (void)snprintf(a->path, sizeof a->path, "setups.%.40s.habits.sub_length", d->setup->name);
    (void)snprintf(a->value, sizeof a->value, "%.0f s", best->sub_s);
    a->effort = "setting";
    a->time_percent_extended = 100.0 * worth.extended;
    a->time_percent_point = 100.0 * worth.point;
    (void)snprintf(
        a->why, sizeof a->why,
        "%.1f %% of the time against subs of %.0f s: reads %.1f %% of it, pauses %.1f %%",
        100.0 * worth.extended, now_s, 100.0 * best->read_loss, 100.0 * best->between_loss);
}

static size_t largest(const struct nw_ledger *l) {
    size_t out = l->n_lines;
    for (size_t i = 0; i < l->n_lines; i++) {
        const bool is_more = out == l->n_lines || l->lines[i].predicted > l->lines[out].predicted;
        out = l->lines[i].is_summed && is_more ? i : out;
    }
    return out;
}

enum nw_status nw_ledger_light(const struct nw_rig *rig, const struct nw_setup *setup,
                               struct nw_ledger *ret, struct nw_err *err) {
    struct desk d = {.rig = rig, .setup = setup, .ledger = ret};
    const struct nw_light_case what = nw_light_case_usual(rig, setup, &setup->filter);
    const struct nw_light_band band = nw_light_main_band(setup, &setup->filter);
    if (setup->n_sun_filtered > 0) { /* neither sky nor faint light is its concern */
        return nw_err_set(err, NW_NOTFOUND, "setup %s is for the Sun", setup->name);
    }
    if (!(band.width_m > 0.0)) {
        return nw_err_set(err, NW_NOTFOUND, "filter %s lets no light to any colour of camera %s",
                          setup->filter.name, setup->camera.name);
    }
    d.wants = nw_light_wants_usual(setup);
    d.wants.sub_s = setup->sub_length_s.v;
    enum nw_status status = nw_light_budget_of(&what, &band, &d.wants, &d.b, err);
    if (status != NW_OK) {
        return status;
    }
    (void)snprintf(ret->aside, sizeof ret->aside, "%.30s, airmass %.2f, subs of %.0f s",
                   setup->filter.name[0] ? setup->filter.name : "no filter", what.airmass,
                   d.b.sub.sub_s);
    for (int id = 0; id < NW_LIGHT_N_SHARES; id++) {
        const bool is_there =
            id != NW_LIGHT_TARGET && id != NW_LIGHT_MOON && id != NW_LIGHT_TWILIGHT;
        if (is_there) { /* a faint target on a moonless night: `light` has the others */
            put_share(&d, (enum nw_light_share_id)id);
        }
    }
    ret->predicted = 100.0;
    ret->predicted_sigma = NAN; /* shares: the errors above are not independent */
    ret->limiting = largest(ret);
    nw_text_copy(ret->sum_label, sizeof ret->sum_label, "of the noise variance");
    nw_text_copy(ret->why_null, sizeof ret->why_null,
                 "subs of a night (--frames, --book) show sky and noise");
    judge(&d, &what);
    return put_filters(&d, err);
}
