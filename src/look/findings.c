/* findings.c - what stands out, ranked by what it costs.
 * Idea: every loss is a share of exposure time; weighed by the group's share of the whole, the list
 * is in the order in which time could be won. */
#include <math.h>

#include "look/look_internal.h"

enum { PER_GROUP = 6, PER_NIGHT = 2 };

const char *nw_look_finding_word(enum nw_look_finding_id id) {
    switch (id) {
#define X(name, word, text)                                                                        \
    case NW_LOOK_##name:                                                                           \
        return word;
        NW_LOOK_FINDING_LIST(X)
#undef X
    }
    return "?";
}

const char *nw_look_finding_text(enum nw_look_finding_id id) {
    switch (id) {
#define X(name, word, text)                                                                        \
    case NW_LOOK_##name:                                                                           \
        return text;
        NW_LOOK_FINDING_LIST(X)
#undef X
    }
    return "?";
}

static double dearest(const struct nw_look_finding *finding) {
    return finding->weight * fmax(finding->cost_point, finding->cost_extended);
}

static int dearest_first(const void *a, const void *b) {
    const struct nw_look_finding *const finding_a = a;
    const struct nw_look_finding *const finding_b = b;
    const double cost_a = dearest(finding_a);
    const double cost_b = dearest(finding_b);
    if (cost_a > cost_b || cost_a < cost_b) {
        return cost_a > cost_b ? -1 : 1;
    }
    return finding_a->id != finding_b->id ? (int)finding_a->id - (int)finding_b->id
                                          : (finding_a->index < finding_b->index ? -1 : 1);
}

/* A cost that is not known is no finding. */
static void add(struct nw_look *look, struct nw_look_finding finding) {
    if (isfinite(finding.cost_point) || isfinite(finding.cost_extended)) {
        look->findings[look->n_findings++] = finding;
    }
}

static void add_group(struct nw_look *look, size_t index, double weight) {
    const struct nw_look_group *const group = &look->groups[index];
    const struct {
        enum nw_look_finding_id id;
        double point, extended;
    } rows[PER_GROUP] = {
        {NW_LOOK_WIDTH_VARIES, group->width.cost_rest, NAN},
        {NW_LOOK_AIRMASS, group->width.cost_airmass, NAN},
        {NW_LOOK_FIELD, group->field.cost, NAN},
        {NW_LOOK_ELONGATION, group->shape.cost, NAN},
        {NW_LOOK_LIGHT, group->light.cost, group->light.cost},
        {NW_LOOK_SKY, group->sky.cost, group->sky.cost},
    };
    for (size_t i = 0; i < PER_GROUP; i++) {
        add(look, (struct nw_look_finding){rows[i].id, false, index, rows[i].point,
                                           rows[i].extended, weight});
    }
}

static void add_night(struct nw_look *look, size_t index, double weight) {
    const struct nw_look_night *const night = &look->nights[index];
    const double whole_s = night->t_last_s - night->t_first_s;
    if (night->n_subs < 2 || !(whole_s > 0.0)) {
        return;
    }
    const double long_share = night->lost_long_s / whole_s;
    const double usual_share = night->lost_usual_s / whole_s;
    add(look,
        (struct nw_look_finding){NW_LOOK_LONG_GAPS, true, index, long_share, long_share, weight});
    add(look, (struct nw_look_finding){NW_LOOK_USUAL_GAPS, true, index, usual_share, usual_share,
                                       weight});
}

enum nw_status look_findings(struct nw_look *look, struct nw_err *err) {
    look->findings =
        nw_calloc(look->n_groups * PER_GROUP + look->n_nights * PER_NIGHT, sizeof *look->findings);
    if (!look->findings) {
        return nw_err_set(err, NW_NOMEM, "list of findings");
    }
    double exposure_s = 0.0;
    for (size_t i = 0; i < look->n_groups; i++) {
        const struct nw_look_group *const group = &look->groups[i];
        exposure_s +=
            (double)group->n_frames * (isfinite(group->exposure_s) ? group->exposure_s : 1.0);
    }
    for (size_t i = 0; i < look->n_groups; i++) {
        const struct nw_look_group *const group = &look->groups[i];
        const double time_s =
            (double)group->n_frames * (isfinite(group->exposure_s) ? group->exposure_s : 1.0);
        add_group(look, i, exposure_s > 0.0 ? time_s / exposure_s : 1.0);
    }
    double wall_s = 0.0;
    for (size_t i = 0; i < look->n_nights; i++) {
        wall_s += look->nights[i].t_last_s - look->nights[i].t_first_s;
    }
    for (size_t i = 0; i < look->n_nights; i++) {
        const double whole_s = look->nights[i].t_last_s - look->nights[i].t_first_s;
        add_night(look, i, wall_s > 0.0 ? whole_s / wall_s : 1.0);
    }
    if (look->n_findings > 1) {
        qsort(look->findings, look->n_findings, sizeof *look->findings, dearest_first);
    }
    return NW_OK;
}
