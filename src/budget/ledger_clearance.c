/* ledger_clearance.c - the clearance budget: what is nearest on the usual way and at the named
 * positions, against the margin that is wanted at 95 %.
 * Idea: distances do not add up: the least one decides. The usual way is looked at every 5 deg of
 * declination here; `clearance` looks every degree. */
#include <math.h>

#include "budget/ledger.h"
#include "mount/ways.h"

#define MM 1e3
enum { STEP_DEG = 5 };

static struct nw_ledger_line *put(struct nw_ledger *ledger, const char *id, const char *label,
                                  double distance_m, double sigma_m) {
    struct nw_ledger_line *const line = nw_ledger_add(ledger, id, label);
    line->is_summed = false;
    line->predicted = distance_m * MM;
    line->predicted_sigma = sigma_m * MM;
    line->allowed = ledger->allowed;
    line->provenance = NW_FROM_GIVEN;
    line->basis = "distance of convex outlines (Gilbert et al. 1988), errors along the line";
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "a tape measure at the mount, turned there by hand, tells it");
    return line;
}

/* The least margin of the usual way, panel closed or open. */
static enum nw_status put_usual(const struct nw_rig *rig, const struct nw_setup *setup,
                                bool is_open, struct nw_ledger *ledger, struct nw_err *err) {
    struct nw_clearance *model = NULL;
    const enum nw_status status = nw_clearance_of_setup(rig, setup, is_open, false, &model, err);
    if (status != NW_OK) {
        return status;
    }
    size_t n = 0;
    const struct nw_body *const bodies = nw_clearance_bodies(model, &n);
    struct nw_contact least = {.margin_m = INFINITY};
    for (int d = -90; d <= 90; d += STEP_DEG) {
        for (int side = 0; side < 2; side++) {
            struct nw_reach reach;
            struct nw_contact sure;
            const double dec = d * NW_RAD_PER_DEG;
            nw_clearance_reach(model, dec, (enum nw_side)side, 0.0, &reach);
            (void)nw_clearance_usual(model, dec, (enum nw_side)side, &reach, &sure);
            least = sure.margin_m < least.margin_m ? sure : least;
        }
    }
    if (isfinite(least.margin_m)) {
        struct nw_ledger_line *const line =
            put(ledger, is_open ? "usual_opened" : "usual",
                is_open ? "usual way, panel opened" : "usual way", least.distance_m, least.sigma_m);
        (void)snprintf(line->detail, sizeof line->detail, "%.60s - %.60s", bodies[least.a].name,
                       bodies[least.b].name);
    }
    nw_clearance_free(model);
    return NW_OK;
}

static enum nw_status put_places(const struct nw_rig *rig, const struct nw_setup *setup,
                                 struct nw_ledger *ledger, struct nw_err *err) {
    struct nw_place_check *places = NULL;
    size_t n = 0;
    const enum nw_status status = nw_clearance_places(rig, setup, &places, &n, err);
    for (size_t i = 0; status == NW_OK && i < n; i++) {
        char id[72];
        char label[72];
        const char *const roof = places[i].is_roof_closed ? ", roof closed" : "";
        (void)snprintf(id, sizeof id, "position:%.40s%s", places[i].name, roof);
        (void)snprintf(label, sizeof label, "%.17s%s", places[i].name, roof);
        struct nw_ledger_line *const line =
            put(ledger, id, label, places[i].distance_m, places[i].sigma_m);
        (void)snprintf(line->detail, sizeof line->detail, "%.60s - %.60s", places[i].pair[0],
                       places[i].pair[1]);
    }
    free(places);
    return status;
}

/* The line with the least margin decides; its probability of less than what is wanted. */
static void decide(struct nw_ledger *ledger) {
    double least = INFINITY;
    ledger->limiting = ledger->n_lines;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        const struct nw_ledger_line *const line = &ledger->lines[i];
        const double margin = line->predicted - 1.645 * line->predicted_sigma;
        if (margin < least) {
            least = margin;
            ledger->limiting = i;
        }
    }
    if (ledger->limiting == ledger->n_lines) {
        nw_text_copy(ledger->verdict, sizeof ledger->verdict,
                     "no attitude is within reach without contact");
        ledger->is_over = true;
        return;
    }
    const struct nw_ledger_line *const line = &ledger->lines[ledger->limiting];
    ledger->predicted = line->predicted;
    ledger->predicted_sigma = line->predicted_sigma;
    ledger->over_probability = 0.5 * erfc((line->predicted - ledger->allowed) /
                                          (sqrt(2.0) * fmax(line->predicted_sigma, 1e-9)));
    ledger->is_over = least < ledger->allowed;
    ledger->margin_percent = ledger->allowed > 0.0 ? 100.0 * (least / ledger->allowed - 1.0) : NAN;
    (void)snprintf(ledger->verdict, sizeof ledger->verdict,
                   "nearest: %s, %.0f +- %.0f mm (%.100s); 95 %% sure of %.0f mm, %.0f wanted: %s",
                   line->label, line->predicted, line->predicted_sigma, line->detail, least,
                   ledger->allowed, ledger->is_over ? "too near" : "contact-free in the model");
}

enum nw_status nw_ledger_clearance(const struct nw_rig *rig, const struct nw_setup *setup,
                                   struct nw_ledger *ret, struct nw_err *err) {
    bool has_hinge = false;
    for (size_t i = 0; i < rig->n_bodies; i++) {
        has_hinge =
            has_hinge || (rig->bodies[i].hinge >= 0 && nw_setup_has_body(setup, &rig->bodies[i]));
    }
    ret->is_floor = true;
    ret->allowed = rig->mount.margin_m.v * MM;
    enum nw_status status = put_usual(rig, setup, false, ret, err);
    if (status == NW_OK && has_hinge) {
        status = put_usual(rig, setup, true, ret, err);
    }
    if (status == NW_OK) {
        status = put_places(rig, setup, ret, err);
    }
    if (status == NW_DATA) { /* no outlines: no budget, as without bodies */
        return nw_err_set(err, NW_NOTFOUND, "no two outlines move against each other");
    }
    if (status != NW_OK) {
        return status;
    }
    decide(ret);
    nw_text_copy(ret->sum_label, sizeof ret->sum_label, "the nearest decides");
    nw_text_copy(ret->aside, sizeof ret->aside, "with a flip on each meridian");
    nw_text_copy(ret->why_null, sizeof ret->why_null, "a tape measure at the mount tells it");
    if (ret->predicted_sigma > 5.0 && ret->limiting < ret->n_lines) {
        struct nw_ledger_unknown *const u = nw_ledger_add_unknown(ret);
        (void)snprintf(u->what, sizeof u->what, "the distance there, better than %.0f mm",
                       ret->predicted_sigma);
        nw_text_copy(u->trial, sizeof u->trial,
                     "turn it there by hand, power off, and measure with a tape");
        nw_text_copy(u->settles_to, sizeof u->settles_to, "2 mm");
        u->minutes = 0;
    }
    nw_ledger_caution(ret, "a model of the outlines described, without cables and people: it "
                           "replaces no hard stop, no limit in the mount and no watching eye");
    return NW_OK;
}
