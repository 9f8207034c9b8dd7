/* ledger_back_focus.c - the back-focus budget: what the corrector asks for, what stands there,
 * which rings would do, what depends on focus beside it. Numbers: back_focus.c. */
#include <math.h>
#include <stdint.h>

#include "budget/back_focus.h"
#include "budget/ledger.h"
#include "optics/optics.h"

#define MM 1e3
#define UM 1e6

struct desk {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_back_focus *focus;
    struct nw_ledger *ledger;
};

static double sigma_or(const struct nw_val *val, double otherwise) {
    return isfinite(val->sigma) ? val->sigma : otherwise;
}

static struct nw_ledger_line *put(struct nw_ledger *ledger, const char *id, const char *label,
                                  double v_m, double sigma_m) {
    struct nw_ledger_line *const line = nw_ledger_add(ledger, id, label);
    line->predicted = v_m * MM;
    line->predicted_sigma = sigma_m * MM;
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "a length; calipers tell it better than the sky");
    return line;
}

static void put_plate(struct nw_ledger *ledger, const char *id, const char *label,
                      const struct nw_plate *plate) {
    if (!(plate->thickness_m.v > 0.0)) {
        return;
    }
    struct nw_ledger_line *const line =
        put(ledger, id, label, -plate->asked_m, plate->asked_sigma_m);
    line->basis = "plane plate, t (1 - 1/n) (paraxial)";
    line->provenance =
        plate->counted > 0.4 && plate->counted < 0.6 ? NW_FROM_ASSUMED : plate->shift_m.from;
    (void)snprintf(line->detail, sizeof line->detail,
                   "%.2f mm of index %.4f moves the focus out by %.3f mm; %s",
                   plate->thickness_m.v * MM, plate->index.v, plate->shift_m.v * MM,
                   plate->counted > 0.6   ? "not in the maker's figure"
                   : plate->counted > 0.4 ? "the maker does not say: half of it, +- half"
                                          : "in the maker's figure already");
}

static void put_length(struct nw_ledger *ledger, const char *kind, const char *name,
                       const struct nw_val *length, size_t count) {
    char id[72];
    char label[72];
    (void)snprintf(id, sizeof id, "%s:%.48s", kind, name);
    if (count > 1) {
        (void)snprintf(label, sizeof label, "%.30s, %zu of it", name, count);
    } else {
        nw_text_copy(label, sizeof label, name);
    }
    const double sigma_m = sigma_or(length, NW_LENGTH_SIGMA_UNSAID_M);
    struct nw_ledger_line *const line =
        put(ledger, id, label, (double)count * length->v, sqrt((double)count) * sigma_m);
    line->basis = "mechanical length, shoulder to shoulder";
    line->provenance = length->from;
    (void)snprintf(line->detail, sizeof line->detail, "%s",
                   isfinite(length->sigma)
                       ? "tolerance as given"
                       : "no tolerance given: 0.05 mm taken (common practice, no source)");
}

static void put_rings(const struct nw_setup *s, struct nw_ledger *ledger) {
    for (size_t i = 0; i < s->n_rings; i++) {
        size_t count = 0;
        bool is_first = true;
        for (size_t k = 0; k < s->n_rings; k++) {
            const bool is_same = strcmp(s->rings[k].name, s->rings[i].name) == 0;
            count += is_same;
            is_first = is_first && !(is_same && k < i);
        }
        if (is_first) {
            put_length(ledger, "ring", s->rings[i].name, &s->rings[i].length_m, count);
        }
    }
}

static void lengths(const struct desk *desk) {
    const struct nw_setup *const s = desk->setup;
    const struct nw_back_focus *const f = desk->focus;
    struct nw_ledger_line *line =
        put(desk->ledger, "asked_for", "asked for, in air", -f->asked_m.v, f->asked_m.sigma);
    line->basis = "the maker's figure";
    line->provenance = s->corrector.back_focus_m.from;
    (void)snprintf(line->detail, sizeof line->detail, "%s, from: %s", s->corrector.name,
                   s->corrector.back_focus_from);
    if (fabs(f->shoulder_m.v) > 0.0) {
        line = put(desk->ledger, "shoulder", "datum to shoulder", f->shoulder_m.v,
                   sigma_or(&f->shoulder_m, 0.0));
        line->basis = "mechanical length";
        line->provenance = f->shoulder_m.from;
    }
    if (f->has_filter) {
        put_plate(desk->ledger, "filter_glass", "filter glass", &f->filter);
    }
    put_plate(desk->ledger, "window_glass", "camera window", &f->window);
    for (size_t i = 0; i < s->n_pieces; i++) {
        char id[72];
        char label[72];
        put_length(desk->ledger, "piece", s->pieces[i].name, &s->pieces[i].length_m, 1);
        (void)snprintf(id, sizeof id, "glass:%.48s", s->pieces[i].name);
        (void)snprintf(label, sizeof label, "glass in %.40s", s->pieces[i].name);
        put_plate(desk->ledger, id, label, &f->plates[i]);
    }
    put_rings(s, desk->ledger);
    put_length(desk->ledger, "camera", "camera, face to sensor", &s->camera.flange_m, 1);
}

/* ---- What depends on focus beside the spacing: at the sensor, in um ---- */

static struct nw_ledger_line *beside(struct nw_ledger *ledger, const char *id, const char *label,
                                     double v_m, double sigma_m) {
    struct nw_ledger_line *const line = nw_ledger_add(ledger, id, label);
    line->unit = "um";
    line->is_summed = false;
    line->predicted = v_m * UM;
    line->predicted_sigma = sigma_m * UM;
    return line;
}

static void depth_and_tilt(const struct desk *desk, double depth_m, double per_travel) {
    const struct nw_setup *const s = desk->setup;
    struct nw_ledger_line *line =
        beside(desk->ledger, "depth_of_focus", "depth of focus, each way", depth_m, 0.0);
    line->basis = "2 lambda N^2 (Born & Wolf 9.3)";
    line->provenance = s->focal_length_m.from;
    (void)snprintf(line->detail, sizeof line->detail,
                   "at the sensor; %.0f um of focuser travel; f/%.2f, %.0f nm",
                   depth_m / per_travel * UM, nw_setup_f_ratio(s), s->filter.centre_m.v * 1e9);
    nw_text_copy(line->why_null, sizeof line->why_null, "a definition");
    line = beside(desk->ledger, "tilt", "tilt, corner to corner", s->tilt_m.v,
                  sigma_or(&s->tilt_m, NAN));
    line->allowed = 2.0 * depth_m * UM;
    line->basis = "the rig file";
    line->provenance = s->tilt_m.from;
    if (s->tilt_m.from == NW_FROM_MEASURED) {
        line->measured = s->tilt_m.v * UM;
        line->measured_sigma = s->tilt_m.sigma * UM;
    }
    nw_text_copy(line->why_null, sizeof line->why_null, "trial: pair-about-focus (`surface`)");
}

/* Thermal shift over one focus interval: measured coefficient, else the tube's (star_lines.c). */
static void thermal(const struct desk *desk, double depth_m, double per_travel) {
    const struct nw_setup *const s = desk->setup;
    const double m2 = pow(s->corrector.magnification.v, 2.0);
    const double rate = fabs(desk->rig->site.temperature_rate_K_s.v) * s->focus_interval_s.v;
    const bool is_taught = s->focuser.travel_per_K.from != NW_FROM_UNKNOWN;
    const double per_K = is_taught
                             ? s->focuser.travel_per_K.v * per_travel
                             : s->telescope.tube_length_m.v * s->telescope.expansion_per_K.v * m2;
    const double left = 1.0 - s->focuser.compensation.v;
    struct nw_ledger_line *const line =
        beside(desk->ledger, "thermal_shift", "thermal, between focus runs",
               fabs(per_K) * rate * left, NAN);
    line->allowed = depth_m * UM;
    line->basis = is_taught ? "measured coefficient x rate x interval"
                            : "tube length x expansion x m^2 x rate x interval";
    line->provenance = is_taught ? s->focuser.travel_per_K.from : s->telescope.tube_length_m.from;
    (void)snprintf(line->detail, sizeof line->detail, "%.1f um/K at the sensor, %.2f K in %.0f min",
                   per_K * UM, rate, s->focus_interval_s.v / 60.0);
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "`focus` on the frames of a night measures the coefficient");
}

static void parfocal(const struct desk *desk, double depth_m, double per_travel) {
    const struct nw_setup *const s = desk->setup;
    for (size_t i = 0; i < s->n_filters; i++) {
        const struct nw_filter *const filter = &s->filters[i];
        char id[72];
        char label[72];
        if (strcmp(filter->name, s->filter.name) == 0) {
            continue;
        }
        const struct nw_val glass = nw_back_focus_parfocal_m(s, filter);
        (void)snprintf(id, sizeof id, "parfocal:%.48s", filter->name);
        (void)snprintf(label, sizeof label, "focus in %.48s", filter->name);
        struct nw_ledger_line *const line = beside(desk->ledger, id, label, glass.v, glass.sigma);
        line->allowed = depth_m * UM;
        line->basis = "glass against that of the judged filter; colour of the optics is not in it";
        line->provenance = glass.from;
        if (filter->focus_offset_m.from == NW_FROM_MEASURED &&
            (s->filter.focus_offset_m.from == NW_FROM_MEASURED || i > 0)) {
            const double reference =
                isfinite(s->filter.focus_offset_m.v) ? s->filter.focus_offset_m.v : 0.0;
            line->measured = (filter->focus_offset_m.v - reference) * per_travel * UM;
            line->measured_sigma = hypot(sigma_or(&filter->focus_offset_m, 0.0),
                                         sigma_or(&s->filter.focus_offset_m, 0.0)) *
                                   per_travel * UM;
        }
        nw_text_copy(line->why_null, sizeof line->why_null,
                     isfinite(glass.v) ? "`focus` on focus runs in both filters measures it"
                                       : "thickness of a filter is not known; `focus` measures it");
    }
}

/* ---- What follows ---- */

static void tell_unknown(const struct desk *desk) {
    const struct nw_back_focus *const f = desk->focus;
    const struct nw_corrector *const c = &desk->setup->corrector;
    if (strcmp(c->back_focus_from, "unsaid") == 0) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(desk->ledger);
        nw_text_copy(u->what, sizeof u->what,
                     "the datum: from the shoulder or from the end of the thread? A thread is 3 to "
                     "5 mm long (common practice, no source); the shoulder was taken");
        nw_text_copy(u->trial, sizeof u->trial, "ask the maker");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "the whole of it");
    }
    const struct {
        const char *word, *what;
        const struct nw_plate *plate;
    } plates[] = {{c->includes_filter, "a filter", &f->filter},
                  {c->includes_window, "the camera's window", &f->window}};
    for (int i = 0; i < 2; i++) {
        if (plates[i].word[0] == 'u' && plates[i].plate->thickness_m.v > 0.0) {
            struct nw_ledger_unknown *const u = nw_ledger_add_unknown(desk->ledger);
            (void)snprintf(u->what, sizeof u->what,
                           "whether the maker's %.1f mm has %s in it: %.2f mm of spacing, of %.2f "
                           "mm allowed each way",
                           f->asked_m.v * MM, plates[i].what, plates[i].plate->shift_m.v * MM,
                           f->tolerance_m * MM);
            nw_text_copy(u->trial, sizeof u->trial, "ask the maker");
            nw_text_copy(u->settles_to, sizeof u->settles_to, "the whole of it");
        }
    }
    if (!isfinite(f->from_scale.v) && fabs(1.0 - c->magnification.v) >= 0.02) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(desk->ledger);
        const double nominal_m = f->asked_m.v / fabs(1.0 - c->magnification.v) *
                                 sigma_or(&c->magnification, 0.01 * c->magnification.v);
        nw_text_copy(u->what, sizeof u->what,
                     "the spacing as the light sees it: a frame with the corrector alone shows "
                     "changes, not the spacing itself");
        nw_text_copy(u->trial, sizeof u->trial, "one frame without the corrector, solved");
        u->minutes = 20;
        (void)snprintf(u->settles_to, sizeof u->settles_to,
                       "%.1f mm, no better than its nominal magnification", nominal_m * MM);
    }
}

static void foretell(const struct desk *desk, const struct nw_ring_set *set,
                     struct nw_ledger_advice *advice) {
    const struct nw_back_focus *const f = desk->focus;
    const double change_m = set->length_m - f->rings_m.v;
    const double percent = 100.0 * f->scale_per_m * change_m;
    const double sigma = 100.0 * fabs(f->scale_per_m) * hypot(set->sigma_m, f->rings_m.sigma);
    (void)snprintf(advice->value, sizeof advice->value, "[]");
    (void)snprintf(advice->path, sizeof advice->path, "setups.%.48s.rings", desk->setup->name);
    nw_back_focus_ring_list(desk->rig, set, advice->value, sizeof advice->value);
    if (fabs(percent) > 3.0 * sigma && fabs(percent) > 0.01) {
        (void)snprintf(advice->prediction, sizeof advice->prediction,
                       "the focal length, solved before and after, changes by %+.2f +- %.2f %%; "
                       "anything outside %+.2f to %+.2f would refute this",
                       percent, sigma, percent - 2.0 * sigma - 0.02, percent + 2.0 * sigma + 0.02);
    } else {
        (void)snprintf(advice->prediction, sizeof advice->prediction,
                       "curvature falls in `surface` before and after; the scale hardly moves "
                       "(%+.2f %%)",
                       percent);
    }
}

static void advise_rings(const struct desk *desk, const struct nw_ring_answer *answer) {
    const struct nw_back_focus *const f = desk->focus;
    struct nw_ledger *const ledger = desk->ledger;
    if (answer->n_sets == 0) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(ledger);
        a->effort = "purchase";
        if (answer->below.n_rings != SIZE_MAX && isfinite(answer->shim_m)) {
            char list[200];
            nw_back_focus_ring_list(desk->rig, &answer->below, list, sizeof list);
            (void)snprintf(a->change, sizeof a->change, "%s of %.2f mm, +- %.2f, beside %.80s",
                           answer->shim_m < 1e-3 ? "a shim" : "a ring", answer->shim_m * MM,
                           f->ring_tolerance_m * MM, list);
        }
        (void)snprintf(a->why, sizeof a->why,
                       "no set of your rings comes within %.2f mm of the gap of %.2f mm",
                       f->ring_tolerance_m * MM, (f->needed_m.v - f->fixed_m.v) * MM);
        nw_text_copy(a->prediction, sizeof a->prediction,
                     "curvature falls in `surface` before and after");
        return;
    }
    const struct nw_ring_set *const best = &answer->sets[0];
    const double now_m = fabs(f->error_m.v);
    const double then_m = fabs(best->error_m);
    const bool is_worth = now_m > f->ring_tolerance_m && then_m < now_m - 0.2 * f->tolerance_m;
    struct nw_ledger_advice *const a =
        is_worth ? nw_ledger_add_advice(ledger) : nw_ledger_add_leave(ledger);
    a->effort = "adjustment";
    if (!is_worth) {
        nw_text_copy(a->change, sizeof a->change, "other rings");
        (void)snprintf(a->why, sizeof a->why,
                       "the spacing is within %.2f mm, the best set would leave %+.2f mm",
                       now_m * MM, best->error_m * MM);
        return;
    }
    foretell(desk, best, a);
    (void)snprintf(a->change, sizeof a->change, "put in %.140s", a->value);
    (void)snprintf(a->why, sizeof a->why,
                   "%zu rings, %.2f mm: the spacing goes from %+.2f to %+.2f mm, +- %.2f; %zu %s "
                   "would do (`spacing` lists them)",
                   best->n_rings, best->length_m * MM, f->error_m.v * MM, best->error_m * MM,
                   hypot(hypot(f->needed_m.sigma, f->fixed_m.sigma), best->sigma_m) * MM,
                   answer->n_fitting, answer->n_fitting == 1 ? "set" : "sets");
}

static enum nw_status advise(const struct desk *desk, struct nw_err *err) {
    struct nw_ring_answer answer;
    struct nw_err why = {0};
    const enum nw_status status = nw_back_focus_rings(desk->rig, desk->focus, &answer, &why);
    if (status == NW_OK) {
        advise_rings(desk, &answer);
    } else if (status == NW_DOMAIN) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(desk->ledger);
        a->effort = "purchase";
        nw_text_copy(a->change, sizeof a->change, "a shorter piece");
        nw_text_copy(a->why, sizeof a->why, why.text);
    } else {
        return nw_err_set(err, status, "%s", why.text);
    }
    nw_ledger_caution(
        desk->ledger,
        "before the path is unscrewed: mount parked and balanced for what stays, "
        "power and cables off, tube level or camera upwards, a hand under the camera: "
        "it hangs on these threads");
    return NW_OK;
}

static void finish(const struct desk *desk) {
    struct nw_ledger *const ledger = desk->ledger;
    const struct nw_back_focus *const f = desk->focus;
    ledger->allowed = f->tolerance_m * MM;
    nw_ledger_sum(ledger);
    nw_text_copy(ledger->sum_label, sizeof ledger->sum_label, "too long (+) or short (-)");
    (void)snprintf(ledger->aside, sizeof ledger->aside, "%.30s, %.20s", desk->setup->corrector.name,
                   desk->setup->filter.name);
    if (isfinite(f->from_scale.v)) {
        ledger->measured = f->from_scale.v * MM;
        ledger->measured_sigma = f->from_scale.sigma * MM;
    }
    nw_text_copy(ledger->why_null, sizeof ledger->why_null, f->why_null);
    (void)snprintf(
        ledger->verdict, sizeof ledger->verdict,
        "the sensor stands %.2f +- %.2f mm too %s, %.2f allowed: %s, with a "
        "probability of %.0f %%",
        fabs(f->error_m.v) * MM, f->error_m.sigma * MM, f->error_m.v < 0.0 ? "near" : "far",
        ledger->allowed, ledger->is_over ? "outside" : "inside",
        100.0 * (ledger->is_over ? ledger->over_probability : 1.0 - ledger->over_probability));
}

enum nw_status nw_ledger_back_focus(const struct nw_rig *rig, const struct nw_setup *setup,
                                    struct nw_ledger *ret, struct nw_err *err) {
    struct nw_back_focus focus;
    const struct desk desk = {rig, setup, &focus, ret};
    enum nw_status status = nw_back_focus_of(setup, &focus, err);
    if (status != NW_OK) {
        return status;
    }
    const double depth_m =
        nw_optics_depth_of_focus_m(setup->filter.centre_m.v, nw_setup_f_ratio(setup));
    const double per_travel = nw_optics_defocus_per_travel(
        setup->corrector.magnification.v, setup->focuser.carries != NW_CARRIES_CAMERA);
    lengths(&desk);
    finish(&desk);
    depth_and_tilt(&desk, depth_m, per_travel);
    thermal(&desk, depth_m, per_travel);
    parfocal(&desk, depth_m, per_travel);
    tell_unknown(&desk);
    status = advise(&desk, err);
    return status;
}
