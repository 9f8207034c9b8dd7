/* read.c - a rig file becomes a struct nw_rig.
 * Idea: 1. tree. 2. overrides. 3. no unknown keys. 4. every object is filled from the table of
 * keys.
 * 5. setups look their parts up by name and take copies. 6. what follows from other values is
 * worked out. 7. every change is tried: the file is read again with the change applied, so that a
 * wrong path in it is found today and not when its worth is asked for. */
#include "rig/rig_internal.h"

#include <math.h>

/* The parts of one file. Which of them a setup uses decides whose defaults are listed. */
struct inventory {
    const char *key; /* "telescopes" */
    enum nw_rig_object object;
    size_t item_size;
    const struct nw_rig_node *node; /* NULL: the file has none */
    bool is_listed[NW_RIG_MAX_PARTS];
};

struct parts {
    struct inventory telescopes, correctors, focusers, filters, cameras;
};

static struct parts parts_of(const struct nw_rig_node *root) {
    struct parts parts = {
        .telescopes = {"telescopes", NW_RIG_TELESCOPE, sizeof(struct nw_telescope), NULL, {false}},
        .correctors = {"correctors", NW_RIG_CORRECTOR, sizeof(struct nw_corrector), NULL, {false}},
        .focusers = {"focusers", NW_RIG_FOCUSER, sizeof(struct nw_focuser), NULL, {false}},
        .filters = {"filters", NW_RIG_FILTER, sizeof(struct nw_filter), NULL, {false}},
        .cameras = {"cameras", NW_RIG_CAMERA, sizeof(struct nw_camera), NULL, {false}},
    };
    struct inventory *const all[] = {&parts.telescopes, &parts.correctors, &parts.focusers,
                                     &parts.filters, &parts.cameras};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        all[i]->node = nw_rig_tree_find(root, all[i]->key);
    }
    return parts;
}

static struct nw_val derived(double v, double sigma) {
    return (struct nw_val){.v = v, .sigma = sigma, .from = NW_FROM_ASSUMED};
}

/* Writes a derived value down: `path` = v +- sigma in `unit`, because of the key's `why`. */
static enum nw_status note_derived(struct nw_rig_reader *reader, const char *pattern,
                                   const char *path, const struct nw_val *val, double unit,
                                   const char *unit_name) {
    char text[48];
    (void)snprintf(text, sizeof text, "%.4g %s +- %.2g %s", val->v / unit, unit_name,
                   val->sigma / unit, unit_name);
    return nw_rig_assume(reader, path, text, nw_rig_key_of(pattern)->why);
}

/* Refractors: the tube is a little shorter than the focal length. */
static enum nw_status finish_telescope(struct nw_rig_reader *reader, const char *path,
                                       struct nw_telescope *t) {
    if (t->tube_length_m.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    char place[128];
    (void)snprintf(place, sizeof place, "%.100s.tube_length", path);
    t->tube_length_m = derived(0.9 * t->focal_length_m.v, 0.1 * t->focal_length_m.v);
    return note_derived(reader, "telescopes.*.tube_length", place, &t->tube_length_m, 1e-3, "mm");
}

static enum nw_status finish_camera(struct nw_rig_reader *reader, const char *path,
                                    struct nw_camera *c) {
    if (c->full_scale_e.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    char place[128];
    (void)snprintf(place, sizeof place, "%.100s.full_scale", path);
    const double counts = exp2(c->bits.v) - 1.0 - c->offset_adu.v;
    const double full = c->gain_e_per_adu.v * fmax(counts, 1.0);
    c->full_scale_e = derived(full, 0.2 * full);
    return note_derived(reader, "cameras.*.full_scale", place, &c->full_scale_e, 1.0, "e");
}

/* Pressure of the standard atmosphere below 11 km: p0 (1 - L h / T0)^(g M / (R L)), ISO 2533:1975,
 * eq. 12, with p0 1013.25 hPa, T0 288.15 K, L 6.5 K/km, exponent 5.255877 (formula from memory). */
static enum nw_status finish_site(struct nw_rig_reader *reader, struct nw_site *site) {
    if (site->pressure_Pa.from != NW_FROM_UNKNOWN) {
        return NW_OK;
    }
    const double p_Pa = 101325.0 * pow(1.0 - 0.0065 * site->elevation_m.v / 288.15, 5.255877);
    const double slope_Pa_m = 1.2e-4 * p_Pa; /* scale height about 8.4 km */
    const double from_height_Pa =
        isnan(site->elevation_m.sigma) ? 0.0 : slope_Pa_m * site->elevation_m.sigma;
    site->pressure_Pa = derived(p_Pa, hypot(1000.0, from_height_Pa));
    return note_derived(reader, "site.pressure", "site.pressure", &site->pressure_Pa, 100.0, "hPa");
}

/* Reads the part that `node` describes into `to`. */
static enum nw_status read_part(struct nw_rig_reader *reader, const struct inventory *inv,
                                const struct nw_rig_node *node, void *to) {
    char path[128];
    memset(to, 0, inv->item_size);
    nw_text_copy(to, NW_NAME_SIZE, node->key); /* the name is the first member of every part */
    (void)snprintf(path, sizeof path, "%.20s.%.48s", inv->key, node->key);
    enum nw_status status = nw_rig_object_read(reader, inv->object, node, path, to);
    if (status == NW_OK && inv->object == NW_RIG_TELESCOPE) {
        status = finish_telescope(reader, path, to);
    }
    if (status == NW_OK && inv->object == NW_RIG_CAMERA) {
        status = finish_camera(reader, path, to);
    }
    return status;
}
_Static_assert(offsetof(struct nw_telescope, name) == 0, "name first");
_Static_assert(offsetof(struct nw_corrector, name) == 0, "name first");
_Static_assert(offsetof(struct nw_focuser, name) == 0, "name first");
_Static_assert(offsetof(struct nw_filter, name) == 0, "name first");
_Static_assert(offsetof(struct nw_camera, name) == 0, "name first");

/* Every part must be right, also those that no setup uses. */
static enum nw_status check_parts(struct nw_rig_reader *reader, const struct inventory *inv) {
    union {
        struct nw_telescope telescope;
        struct nw_corrector corrector;
        struct nw_focuser focuser;
        struct nw_filter filter;
        struct nw_camera camera;
    } part;
    if (!inv->node) {
        return NW_OK;
    }
    if (inv->node->n_children > NW_RIG_MAX_PARTS) {
        return nw_rig_fail(reader, inv->node, inv->key, NW_LIMIT, "%zu parts, at most %d are read",
                           inv->node->n_children, NW_RIG_MAX_PARTS);
    }
    enum nw_status status = NW_OK;
    reader->is_muted = true;
    for (const struct nw_rig_node *n = inv->node->first; n && status == NW_OK; n = n->next) {
        status = read_part(reader, inv, n, &part);
    }
    reader->is_muted = false;
    return status;
}

/* The error for a part that is named but not described. */
static enum nw_status fail_part(const struct nw_rig_reader *reader, const struct inventory *inv,
                                const struct nw_rig_node *node, const char *path,
                                const char *name) {
    const char *names[NW_RIG_MAX_PARTS];
    size_t n = 0;
    struct nw_buf list;
    nw_buf_init(&list, 8192);
    for (const struct nw_rig_node *p = inv->node ? inv->node->first : NULL; p; p = p->next) {
        nw_buf_printf(&list, "%s'%s'", n ? ", " : "", p->key);
        names[n++] = p->key;
    }
    const char *const near = nw_text_nearest(name, names, n);
    const enum nw_status status = nw_rig_fail(
        reader, node, path, NW_NOTFOUND, "'%.48s' is not described under %s; %s%.180s%s%s%s", name,
        inv->key, n ? "there is " : "nothing is there", list.data ? list.data : "",
        near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
    nw_buf_done(&list);
    return status;
}

/* Copies the named part into `to`; its defaults are listed once. node, path: where it is named. */
static enum nw_status take_part(struct nw_rig_reader *reader, struct inventory *inv,
                                const char *name, const struct nw_rig_node *node, const char *path,
                                void *to) {
    size_t i = 0;
    for (const struct nw_rig_node *p = inv->node ? inv->node->first : NULL; p; p = p->next, i++) {
        if (strcmp(p->key, name) == 0) {
            reader->is_muted = inv->is_listed[i];
            inv->is_listed[i] = true;
            const enum nw_status status = read_part(reader, inv, p, to);
            reader->is_muted = false;
            return status;
        }
    }
    return fail_part(reader, inv, node, path, name);
}

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
    to->centre_m = derived(is_colour ? 530e-9 : 550e-9, 20e-9);
    to->width_m = derived(is_colour ? 100e-9 : 300e-9, is_colour ? 20e-9 : 50e-9);
    to->transmission = derived(0.92, 0.05);
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

static enum nw_status take_filters(struct nw_rig_reader *reader, struct inventory *inv,
                                   const struct nw_rig_node *node, const char *path,
                                   struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    const struct place list = place_of(node, path, "filters");
    for (size_t i = 0; i < staged->filters.n; i++) {
        const enum nw_status status = take_part(reader, inv, staged->filters.items[i], list.node,
                                                list.path, &s->filters[s->n_filters]);
        if (status != NW_OK) {
            return status;
        }
        s->n_filters++;
    }
    if (!is_named(staged->filter) && staged->filters.n > 0) {
        nw_text_copy(staged->filter, sizeof staged->filter, staged->filters.items[0]);
    }
    if (!is_named(staged->filter)) {
        return assume_filter(reader, path, &s->camera, &s->filter);
    }
    const struct place one = place_of(node, path, "filter");
    return take_part(reader, inv, staged->filter, one.node, one.path, &s->filter);
}

static enum nw_status take_guide(struct nw_rig_reader *reader, struct parts *parts,
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
    enum nw_status status = take_part(reader, &parts->telescopes, staged->guide_telescope,
                                      telescope.node, telescope.path, &s->guide_telescope);
    if (status == NW_OK) {
        const struct place camera = place_of(node, path, "guided_by.camera");
        status = take_part(reader, &parts->cameras, staged->guide_camera, camera.node, camera.path,
                           &s->guide_camera);
    }
    return status;
}

static enum nw_status take_corrector(struct nw_rig_reader *reader, struct inventory *inv,
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
    return take_part(reader, inv, staged->corrector, place.node, place.path, &s->corrector);
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
    return isnan(f->sigma) ? note_derived(reader, "setups.*.focal_length", place,
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

static enum nw_status resolve(struct nw_rig_reader *reader, struct parts *parts,
                              const struct nw_rig_node *node, const char *path,
                              struct nw_rig_staged *staged) {
    struct nw_setup *const s = &staged->setup;
    const struct place telescope = place_of(node, path, "telescope");
    const struct place camera = place_of(node, path, "camera");
    enum nw_status status = take_part(reader, &parts->telescopes, staged->telescope, telescope.node,
                                      telescope.path, &s->telescope);
    if (status == NW_OK) {
        status = take_part(reader, &parts->cameras, staged->camera, camera.node, camera.path,
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
        status = take_part(reader, &parts->focusers, staged->focuser, place.node, place.path,
                           &s->focuser);
    } else if (status == NW_OK) {
        status = assume_focuser(reader, path, &s->focuser);
    }
    if (status == NW_OK) {
        status = finish_focal_length(reader, path, s);
    }
    return status == NW_OK ? read_changes(reader, node, path, s) : status;
}

static enum nw_status read_setup(struct nw_rig_reader *reader, struct parts *parts,
                                 const struct nw_rig_node *node) {
    struct nw_rig *const rig = reader->rig;
    struct nw_rig_staged *const staged = nw_calloc(1, sizeof *staged);
    if (!staged) {
        return nw_err_set(reader->err, NW_NOMEM, "setup");
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

static enum nw_status read_setups(struct nw_rig_reader *reader, struct parts *parts) {
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

static enum nw_status fill(struct nw_rig_reader *reader) {
    struct nw_rig *const rig = reader->rig;
    struct parts parts = parts_of(reader->root);
    const struct inventory *const all[] = {&parts.telescopes, &parts.correctors, &parts.focusers,
                                           &parts.filters, &parts.cameras};
    enum nw_status status = nw_rig_check_keys(reader);
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_TOP, reader->root, "", rig);
    }
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_SITE, nw_rig_tree_find(reader->root, "site"),
                                    "site", &rig->site);
    }
    if (status == NW_OK) {
        status = finish_site(reader, &rig->site);
    }
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_MOUNT, nw_rig_tree_find(reader->root, "mount"),
                                    "mount", &rig->mount);
    }
    for (size_t i = 0; i < sizeof all / sizeof all[0] && status == NW_OK; i++) {
        status = check_parts(reader, all[i]);
    }
    return status == NW_OK ? read_setups(reader, &parts) : status;
}

/* One read of the text with overrides, then those of `change` (or NULL). */
static enum nw_status read_text(const char *name, const char *data, size_t len,
                                const char *const *overrides, size_t n_overrides,
                                const struct nw_change *change, struct nw_rig **ret,
                                struct nw_err *err) {
    struct nw_rig *rig = nw_calloc(1, sizeof *rig);
    struct nw_rig_reader reader = {.file = name, .rig = rig, .err = err};
    if (!rig) {
        return nw_err_set(err, NW_NOMEM, "rig");
    }
    enum nw_status status = nw_rig_tree_parse(name, data, len, &reader.root, err);
    for (size_t i = 0; i < n_overrides && status == NW_OK; i++) {
        status = nw_rig_override(reader.root, overrides[i], err);
    }
    for (size_t i = 0; change && i < change->n_settings && status == NW_OK; i++) {
        status = nw_rig_override_path(reader.root, change->settings[i].path,
                                      change->settings[i].value, err);
    }
    if (status == NW_OK) {
        status = fill(&reader);
    }
    if (status == NW_OK) {
        *ret = rig;
        rig = NULL;
    }
    nw_rig_tree_free(reader.root);
    nw_rig_free(rig);
    return status;
}

/* Tries every change of the file, so that its faults are found now. */
static enum nw_status try_changes(const struct nw_rig *rig, const char *name, const char *data,
                                  size_t len, const char *const *overrides, size_t n_overrides,
                                  struct nw_err *err) {
    size_t n_tried = 0;
    for (size_t i = 0; i < rig->n_setups; i++) {
        for (size_t k = 0; k < rig->setups[i].n_changes; k++) {
            if (++n_tried > NW_RIG_MAX_CHANGES) {
                return nw_err_set(err, NW_LIMIT, "%s: more than %d changes", name,
                                  NW_RIG_MAX_CHANGES);
            }
            struct nw_rig *changed = NULL;
            const enum nw_status status = read_text(name, data, len, overrides, n_overrides,
                                                    &rig->setups[i].changes[k], &changed, err);
            nw_rig_free(changed);
            if (status != NW_OK) {
                return nw_err_at(err, status, "%s: setups.%s.changes.%zu ('%s')", name,
                                 rig->setups[i].name, k + 1, rig->setups[i].changes[k].name);
            }
        }
    }
    return NW_OK;
}

enum nw_status nw_rig_parse(const char *name, const char *data, size_t len,
                            const char *const *overrides, size_t n_overrides, struct nw_rig **ret,
                            struct nw_err *err) {
    struct nw_rig *rig = NULL;
    enum nw_status status = read_text(name, data, len, overrides, n_overrides, NULL, &rig, err);
    if (status == NW_OK) {
        status = try_changes(rig, name, data, len, overrides, n_overrides, err);
    }
    if (status == NW_OK) {
        rig->path = nw_strdup(name);
        status = rig->path ? NW_OK : nw_err_set(err, NW_NOMEM, "rig");
    }
    if (status == NW_OK) {
        *ret = rig;
        rig = NULL;
    }
    nw_rig_free(rig);
    return status;
}

enum nw_status nw_rig_read(const char *path, const char *const *overrides, size_t n_overrides,
                           struct nw_rig **ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, NW_RIG_MAX_BYTES, &data, &len, err);
    if (status == NW_OK) {
        status = nw_rig_parse(path, data, len, overrides, n_overrides, ret, err);
    }
    free(data);
    return status;
}
