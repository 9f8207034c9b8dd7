/* path.c - the optical path behind the corrector: pieces, rings, and what a corrector asks for. */
#include "rig/rig_internal.h"

#include <math.h>

/* A tolerance is assumed only where there is a distance for it. A datum that is not the shoulder
 * says nothing without the way from it to the shoulder. */
enum nw_status nw_rig_finish_corrector(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                       const char *path, struct nw_corrector *c) {
    const bool is_asking = c->back_focus_m.from != NW_FROM_UNKNOWN;
    const bool has_other_datum = strcmp(c->back_focus_from, "thread_end") == 0 ||
                                 strcmp(c->back_focus_from, "last_glass") == 0;
    if (is_asking && has_other_datum && c->shoulder_m.from == NW_FROM_UNKNOWN) {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND,
                           "shoulder is missing: back_focus_from is %s, expected the length from "
                           "there to the shoulder",
                           c->back_focus_from);
    }
    if (c->shoulder_m.from == NW_FROM_UNKNOWN) {
        c->shoulder_m = nw_rig_derived(0.0, 0.0);
    }
    if (!is_asking || c->back_focus_tolerance_m.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    char place[128];
    (void)snprintf(place, sizeof place, "%.90s.back_focus_tolerance", path);
    c->back_focus_tolerance_m = nw_rig_derived(0.5e-3, 0.2e-3);
    return nw_rig_note_derived(reader, "correctors.*.back_focus_tolerance", place,
                               &c->back_focus_tolerance_m, 1e-3, "mm");
}

enum nw_status nw_rig_read_spacers(struct nw_rig_reader *reader, struct nw_rig_inventory *inv) {
    void *spacers = NULL;
    const enum nw_status status = nw_rig_take_all(reader, inv, &spacers, &reader->rig->n_spacers);
    reader->rig->spacers = spacers;
    return status;
}

/* No more of a ring in the path than there are. */
static enum nw_status count_rings(const struct nw_rig_reader *reader,
                                  const struct nw_rig_node *node, const char *path,
                                  const struct nw_setup *s) {
    for (size_t i = 0; i < s->n_rings; i++) {
        size_t n = 0;
        for (size_t k = 0; k < s->n_rings; k++) {
            n += strcmp(s->rings[k].name, s->rings[i].name) == 0;
        }
        if ((double)n > s->rings[i].count.v) {
            return nw_rig_fail(reader, node, path, NW_DOMAIN,
                               "'%.48s' is named %zu times, but you have %.0f (spacers.*.count)",
                               s->rings[i].name, n, s->rings[i].count.v);
        }
    }
    return NW_OK;
}

static const struct nw_rig_node *list_of(const struct nw_rig_node *setup, const char *path,
                                         const char *key, char place[static 128]) {
    const struct nw_rig_node *const node = nw_rig_tree_find(setup, key);
    (void)snprintf(place, 128, "%.90s.%.32s", path, key);
    return node ? node : setup;
}

enum nw_status nw_rig_take_path(struct nw_rig_reader *reader, struct nw_rig_parts *parts,
                                const struct nw_rig_node *node, const char *path,
                                struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    char place[128];
    const struct nw_rig_node *list = list_of(node, path, "path", place);
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < staged->path.n && status == NW_OK; i++) {
        status = nw_rig_take_part(reader, &parts->pieces, staged->path.items[i], list, place,
                                  &s->pieces[i]);
        s->n_pieces += status == NW_OK;
    }
    list = list_of(node, path, "rings", place);
    for (size_t i = 0; i < staged->rings.n && status == NW_OK; i++) {
        status = nw_rig_take_part(reader, &parts->spacers, staged->rings.items[i], list, place,
                                  &s->rings[i]);
        s->n_rings += status == NW_OK;
    }
    return status == NW_OK ? count_rings(reader, list, place, s) : status;
}
