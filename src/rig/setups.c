/* setups.c - setups look their parts up by name and take copies; what follows from other values is
 * worked out; what is not named is assumed, and said so. */
#include "rig/rig_internal.h"

#include <math.h>

/* What stands in for a part that is not named. */
static enum nw_status assume_focuser(struct nw_rig_reader *reader, const char *path,
                                     struct nw_focuser *to) {
    char place[128];
    (void)snprintf(place, sizeof place, "%.100s.focuser", path);
    enum nw_status status =
        nw_rig_assume(reader, place, "an ordinary one",
                      "none is named; repeatability and travel as for focusers.*");
    reader->is_muted = true;
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_FOCUSER, NULL, place, to);
    }
    reader->is_muted = false;
    return status;
}

static enum nw_status assume_filter(struct nw_rig_reader *reader, const char *path,
                                    const struct nw_camera *camera, struct nw_filter *to) {
    char place[128];
    (void)snprintf(place, sizeof place, "%.100s.filter", path);
    const bool is_colour = camera->pattern[0] != '\0';
    to->centre_m = nw_rig_derived(is_colour ? 530e-9 : 550e-9, 20e-9);
    to->width_m = nw_rig_derived(is_colour ? 100e-9 : 300e-9, is_colour ? 20e-9 : 50e-9);
    to->transmission = nw_rig_derived(0.92, 0.05);
    nw_text_copy(to->name, sizeof to->name, is_colour ? "green pixels" : "no filter");
    return is_colour ? nw_rig_assume(reader, place, "530 nm, 100 nm wide",
                                     "no filter named: the green pixels of a colour camera "
                                     "(common practice, no source)")
                     : nw_rig_assume(reader, place, "550 nm, 300 nm wide",
                                     "no filter named: visible light, 400 to 700 nm");
}

static bool is_named(const char *name) {
    return *name && strcmp(name, "none") != 0;
}

/* One reference of a setup: where it stands, for messages. */
struct place {
    const struct nw_rig_node *node;
    char path[128];
};

static struct place place_of(const struct nw_rig_node *setup, const char *path, const char *key) {
    struct place place = {.node = nw_rig_tree_find(setup, key)};
    if (!place.node) {
        place.node = setup;
    }
    (void)snprintf(place.path, sizeof place.path, "%.90s.%.32s", path, key);
    return place;
}

/* A header name must lead to one filter. */
static enum nw_status check_also(struct nw_rig_reader *reader, const struct place *list,
                                 const struct nw_setup *s) {
    for (size_t i = 0; i < s->n_filters; i++) {
        const struct nw_rig_names *const also = &s->filters[i].also;
        for (size_t k = 0; k < also->n; k++) {
            for (size_t j = 0; j < s->n_filters; j++) {
                if (j != i && nw_filter_is(&s->filters[j], also->items[k])) {
                    return nw_rig_fail(reader, list->node, list->path, NW_DOMAIN,
                                       "filters %s and %s are both called '%s'", s->filters[i].name,
                                       s->filters[j].name, also->items[k]);
                }
            }
        }
    }
    return NW_OK;
}

static enum nw_status take_filters(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
                                   const struct nw_rig_node *node, const char *path,
                                   struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    const struct place list = place_of(node, path, "filters");
    for (size_t i = 0; i < staged->filters.n; i++) {
        const enum nw_status status = nw_rig_take_part(
            reader, inv, staged->filters.items[i], list.node, list.path, &s->filters[s->n_filters]);
        if (status != NW_OK) {
            return status;
        }
        s->n_filters++;
    }
    const enum nw_status clash = check_also(reader, &list, s);
    if (clash != NW_OK) {
        return clash;
    }
    if (!is_named(staged->filter) && staged->filters.n > 0) {
        nw_text_copy(staged->filter, sizeof staged->filter, staged->filters.items[0]);
    }
    if (!is_named(staged->filter)) {
        return assume_filter(reader, path, &s->camera, &s->filter);
    }
    const struct place one = place_of(node, path, "filter");
    return nw_rig_take_part(reader, inv, staged->filter, one.node, one.path, &s->filter);
}

static enum nw_status take_guide(struct nw_rig_reader *reader, struct nw_rig_parts *parts,
                                 const struct nw_rig_node *node, const char *path,
                                 struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    const bool has_telescope = is_named(staged->guide_telescope);
    const bool has_camera = is_named(staged->guide_camera);
    if (has_telescope != has_camera) {
        const struct place place = place_of(node, path, "guided_by");
        return nw_rig_fail(
            reader, place.node, place.path, NW_NOTFOUND, "%s is named without %s; both are needed",
            has_telescope ? "a telescope" : "a camera", has_telescope ? "a camera" : "a telescope");
    }
    s->has_guide = has_telescope;
    if (!s->has_guide) {
        return NW_OK;
    }
    const struct place telescope = place_of(node, path, "guided_by.telescope");
    enum nw_status status = nw_rig_take_part(reader, &parts->telescopes, staged->guide_telescope,
                                             telescope.node, telescope.path, &s->guide_telescope);
    if (status == NW_OK) {
        const struct place camera = place_of(node, path, "guided_by.camera");
        status = nw_rig_take_part(reader, &parts->cameras, staged->guide_camera, camera.node,
                                  camera.path, &s->guide_camera);
    }
    return status;
}

/* Only bodies that the file describes can be left out, capped or filtered. */
static enum nw_status take_bodies(const struct nw_rig_reader *reader,
                                  const struct nw_rig_node *node, const char *path, const char *key,
                                  const struct nw_rig_names *named, char (*ret)[NW_NAME_SIZE]) {
    const struct place list = place_of(node, path, key);
    for (size_t i = 0; i < named->n; i++) {
        const char *names[NW_RIG_MAX_PARTS];
        const char *const name = named->items[i];
        bool is_there = false;
        for (size_t k = 0; k < reader->rig->n_bodies; k++) {
            names[k] = reader->rig->bodies[k].name;
            is_there = is_there || strcmp(names[k], name) == 0;
        }
        if (!is_there) {
            const char *const near = nw_text_nearest(name, names, reader->rig->n_bodies);
            return nw_rig_fail(reader, list.node, list.path, NW_NOTFOUND,
                               "'%.48s' is not described under bodies%s%s%s", name,
                               near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
        }
        nw_text_copy(ret[i], NW_NAME_SIZE, name);
    }
    return NW_OK;
}

static enum nw_status take_all_bodies(const struct nw_rig_reader *reader,
                                      const struct nw_rig_node *node, const char *path,
                                      struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    s->n_without = staged->without.n;
    s->n_capped = staged->capped.n;
    s->n_sun_filtered = staged->sun_filtered.n;
    enum nw_status status =
        take_bodies(reader, node, path, "without", &staged->without, s->without);
    if (status == NW_OK) {
        status = take_bodies(reader, node, path, "capped", &staged->capped, s->capped);
    }
    if (status == NW_OK) {
        status =
            take_bodies(reader, node, path, "sun_filter", &staged->sun_filtered, s->sun_filtered);
    }
    return status;
}

static enum nw_status take_corrector(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
                                     const struct nw_rig_node *node, const char *path,
                                     struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    s->has_corrector = is_named(staged->corrector);
    if (!s->has_corrector) {
        nw_text_copy(s->corrector.name, sizeof s->corrector.name, "none");
        s->corrector.magnification = (struct nw_val){1.0, 0.0, NW_FROM_GIVEN};
        return NW_OK;
    }
    const struct place place = place_of(node, path, "corrector");
    return nw_rig_take_part(reader, inv, staged->corrector, place.node, place.path, &s->corrector);
}

/* Telescope times corrector, when it was not measured. Makers' focal lengths are good to 1 %
 * (common practice, no source) unless the owner states a standard error. */
static enum nw_status finish_focal_length(struct nw_rig_reader *reader, const char *path,
                                          struct nw_setup *s) {
    if (s->focal_length_m.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    const struct nw_val *const f = &s->telescope.focal_length_m;
    const struct nw_val *const m = &s->corrector.magnification;
    const double share_f = isnan(f->sigma) ? 0.01 : f->sigma / f->v;
    const double share_m = isnan(m->sigma) ? 0.0 : m->sigma / m->v;
    s->focal_length_m.v = f->v * m->v;
    s->focal_length_m.sigma = s->focal_length_m.v * hypot(share_f, share_m);
    s->focal_length_m.from =
        f->from == NW_FROM_ASSUMED || m->from == NW_FROM_ASSUMED ? NW_FROM_ASSUMED : f->from;
    char place[128];
    (void)snprintf(place, sizeof place, "%.100s.focal_length", path);
    return isnan(f->sigma) ? nw_rig_note_derived(reader, "setups.*.focal_length", place,
                                                 &s->focal_length_m, 1e-3, "mm")
                           : NW_OK;
}

static enum nw_status read_changes(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                   const char *path, struct nw_setup *s) {
    const struct nw_rig_node *const list = nw_rig_tree_find(node, "changes");
    if (!list || list->n_children == 0) {
        return NW_OK;
    }
    s->changes = nw_calloc(list->n_children, sizeof *s->changes);
    if (!s->changes) {
        return nw_err_set(reader->err, NW_NOMEM, "changes");
    }
    for (const struct nw_rig_node *item = list->first; item; item = item->next) {
        char place[128];
        (void)snprintf(place, sizeof place, "%.90s.changes.%zu", path, s->n_changes + 1);
        const enum nw_status status =
            nw_rig_object_read(reader, NW_RIG_CHANGE, item, place, &s->changes[s->n_changes++]);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}

/* A plane needs three points; more than four fight each other. */
static enum nw_status read_screws(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                  const char *path, struct nw_setup *s) {
    const struct place list = place_of(node, path, "screws");
    if (list.node == node || list.node->n_children == 0) {
        return NW_OK;
    }
    if (list.node->n_children < 3 || list.node->n_children > NW_RIG_MAX_SCREWS) {
        return nw_rig_fail(reader, list.node, list.path, NW_DOMAIN,
                           "%zu screws, expected three or four", list.node->n_children);
    }
    for (const struct nw_rig_node *n = list.node->first; n; n = n->next) {
        struct nw_screw *const screw = &s->screws[s->n_screws++];
        char place[128];
        (void)snprintf(place, sizeof place, "%.70s.%.48s", list.path, n->key ? n->key : "");
        nw_text_copy(screw->name, sizeof screw->name, n->key ? n->key : "");
        const enum nw_status status = nw_rig_object_read(reader, NW_RIG_SCREW, n, place, screw);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}

static enum nw_status resolve(struct nw_rig_reader *reader, struct nw_rig_parts *parts,
                              const struct nw_rig_node *node, const char *path,
                              struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    const struct place telescope = place_of(node, path, "telescope");
    const struct place camera = place_of(node, path, "camera");
    enum nw_status status = nw_rig_take_part(reader, &parts->telescopes, staged->telescope,
                                             telescope.node, telescope.path, &s->telescope);
    if (status == NW_OK) {
        status = nw_rig_take_part(reader, &parts->cameras, staged->camera, camera.node, camera.path,
                                  &s->camera);
    }
    if (status == NW_OK) {
        status = take_corrector(reader, &parts->correctors, node, path, staged);
    }
    if (status == NW_OK) {
        status = take_filters(reader, &parts->filters, node, path, staged);
    }
    if (status == NW_OK) {
        status = take_guide(reader, parts, node, path, staged);
    }
    s->has_focuser = is_named(staged->focuser);
    if (status == NW_OK && s->has_focuser) {
        const struct place place = place_of(node, path, "focuser");
        status = nw_rig_take_part(reader, &parts->focusers, staged->focuser, place.node, place.path,
                                  &s->focuser);
    } else if (status == NW_OK) {
        status = assume_focuser(reader, path, &s->focuser);
    }
    if (status == NW_OK) {
        status = finish_focal_length(reader, path, s);
    }
    if (status == NW_OK) {
        status = take_all_bodies(reader, node, path, staged);
    }
    if (status == NW_OK) {
        status = nw_rig_take_off(reader, node, path, staged);
    }
    if (status == NW_OK) {
        status = nw_rig_take_path(reader, parts, node, path, staged);
    }
    if (status == NW_OK) {
        status = read_screws(reader, node, path, s);
    }
    return status == NW_OK ? read_changes(reader, node, path, s) : status;
}

static enum nw_status read_setup(struct nw_rig_reader *reader, struct nw_rig_parts *parts,
                                 const struct nw_rig_node *node) {
    struct nw_rig *const rig = reader->rig;
    struct nw_rig_staged *const staged = nw_calloc(1, sizeof *staged);
    if (!staged) {
        return nw_err_set(reader->err, NW_NOMEM, "setups");
    }
    char path[128];
    (void)snprintf(path, sizeof path, "setups.%.48s", node->key);
    nw_text_copy(staged->setup.name, sizeof staged->setup.name, node->key);
    enum nw_status status = nw_rig_object_read(reader, NW_RIG_SETUP, node, path, staged);
    if (status == NW_OK) {
        status = resolve(reader, parts, node, path, staged);
    }
    /* Also on failure: what it holds is freed with the rig. */
    rig->setups[rig->n_setups++] = staged->setup;
    free(staged);
    return status;
}

enum nw_status nw_rig_read_setups(struct nw_rig_reader *reader, struct nw_rig_parts *parts) {
    const struct nw_rig_node *const list = nw_rig_tree_find(reader->root, "setups");
    if (!list || list->n_children == 0) {
        return nw_rig_fail(reader, list ? list : reader->root, "setups", NW_NOTFOUND,
                           "is missing: at least one setup, such as "
                           "'setups: {deep: {telescope: main, camera: main}}'");
    }
    if (list->n_children > NW_RIG_MAX_SETUPS) {
        return nw_rig_fail(reader, list, "setups", NW_LIMIT, "%zu setups, at most %d are read",
                           list->n_children, NW_RIG_MAX_SETUPS);
    }
    reader->rig->setups = nw_calloc(list->n_children, sizeof *reader->rig->setups);
    if (!reader->rig->setups) {
        return nw_err_set(reader->err, NW_NOMEM, "setups");
    }
    enum nw_status status = NW_OK;
    for (const struct nw_rig_node *s = list->first; s && status == NW_OK; s = s->next) {
        status = read_setup(reader, parts, s);
    }
    return status;
}
