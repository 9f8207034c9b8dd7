/* damp.c - surfaces, cover, room and dryer of a rig file; what follows from other values. */
#include <math.h>

#include "rig/rig_internal.h"

/* Glass: 2.5 g/cm3, 0.84 kJ/kg/K; aluminium: 2.7 g/cm3, 0.90 kJ/kg/K (handbook, from memory). */
#define GLASS_J_m3_K (2500.0 * 840.0)
#define ALUMINIUM_J_m3_K (2700.0 * 900.0)

enum nw_status nw_rig_finish_surface(struct nw_rig_reader *reader, const char *path,
                                     struct nw_dew_surface *s) {
    const bool is_lens = strcmp(s->kind, "lens") == 0;
    enum nw_status status = NW_OK;
    char place[128];
    if (s->heat_capacity_J_K.from == NW_FROM_UNKNOWN) {
        const double diameter_m = sqrt(4.0 / NW_PI * s->area_m2.v);
        const double J_K =
            s->area_m2.v * (is_lens ? GLASS_J_m3_K * 0.15 * diameter_m : ALUMINIUM_J_m3_K * 2e-3);
        s->heat_capacity_J_K = nw_rig_derived(J_K, 0.4 * J_K);
        (void)snprintf(place, sizeof place, "%.100s.heat_capacity", path);
        status = nw_rig_note_derived(reader, "surfaces.*.heat_capacity", place,
                                     &s->heat_capacity_J_K, 1.0, "J/K");
    }
    if (status == NW_OK && s->sky_share.from == NW_FROM_UNKNOWN) {
        s->sky_share = nw_rig_derived(is_lens ? 0.3 : 0.4, 0.15);
        (void)snprintf(place, sizeof place, "%.100s.sky_share", path);
        status = nw_rig_note_derived(reader, "surfaces.*.sky_share", place, &s->sky_share, 1.0, "");
    }
    return status;
}

static enum nw_status finish_dryer(struct nw_rig_reader *reader, struct nw_dryer *dryer) {
    if (dryer->energy_J_kg.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    dryer->energy_J_kg =
        dryer->kind[0] == 'c' ? nw_rig_derived(2.5e6, 0.9e6) : nw_rig_derived(6.5e6, 1.5e6);
    return nw_rig_note_derived(reader, "dryer.energy", "dryer.energy", &dryer->energy_J_kg, 1e6,
                               "kJ/g");
}

/* A telescope that a surface names must be there. */
static enum nw_status check_telescopes(const struct nw_rig_reader *reader,
                                       const struct nw_rig_parts *parts) {
    const struct nw_damp *const damp = &reader->rig->damp;
    const struct nw_rig_node *const list = parts->telescopes.node;
    for (size_t i = 0; i < damp->n_surfaces; i++) {
        const struct nw_dew_surface *const s = &damp->surfaces[i];
        const char *names[NW_RIG_MAX_PARTS];
        size_t n = 0;
        bool is_there = s->telescope[0] == '\0';
        for (const struct nw_rig_node *t = list ? list->first : NULL; t && n < NW_RIG_MAX_PARTS;
             t = t->next) {
            names[n++] = t->key;
            is_there = is_there || strcmp(t->key, s->telescope) == 0;
        }
        if (!is_there) {
            const struct nw_rig_node *const node =
                nw_rig_tree_child(parts->surfaces.node, s->name, strlen(s->name));
            const char *const near = nw_text_nearest(s->telescope, names, n);
            char place[128];
            (void)snprintf(place, sizeof place, "surfaces.%.48s.telescope", s->name);
            return nw_rig_fail(reader, nw_rig_tree_find(node, "telescope"), place, NW_NOTFOUND,
                               "'%.48s' is not described under telescopes%s%s%s", s->telescope,
                               near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
        }
    }
    return NW_OK;
}

enum nw_status nw_rig_read_damp(struct nw_rig_reader *reader, struct nw_rig_parts *parts) {
    struct nw_damp *const damp = &reader->rig->damp;
    const struct {
        const char *key;
        enum nw_rig_object object;
        void *to;
        bool *is_there;
    } sections[] = {{"cover", NW_RIG_COVER, &damp->cover, &damp->cover.is_there},
                    {"room", NW_RIG_ROOM, &damp->room, &damp->room.is_there},
                    {"dryer", NW_RIG_DRYER, &damp->dryer, &damp->dryer.is_there}};
    const struct nw_rig_node *const settings = nw_rig_tree_find(reader->root, "damp");
    void *surfaces = NULL;
    enum nw_status status = nw_rig_take_all(reader, &parts->surfaces, &surfaces, &damp->n_surfaces);
    damp->surfaces = surfaces;
    damp->is_there = settings || damp->n_surfaces > 0;
    for (size_t i = 0; i < sizeof sections / sizeof sections[0] && status == NW_OK; i++) {
        const struct nw_rig_node *const node = nw_rig_tree_find(reader->root, sections[i].key);
        if (node) {
            *sections[i].is_there = damp->is_there = true;
            status = nw_rig_object_read(reader, sections[i].object, node, sections[i].key,
                                        sections[i].to);
        }
    }
    if (status == NW_OK && damp->dryer.is_there) {
        status = finish_dryer(reader, &damp->dryer);
    }
    if (status == NW_OK) {
        status = check_telescopes(reader, parts);
    }
    if (status == NW_OK && damp->is_there) {
        status = nw_rig_object_read(reader, NW_RIG_DAMP, settings, "damp", damp);
    }
    return status;
}
