/* parts.c - the inventories of a rig file: every part checked, and copied where a setup names it.
 * Idea: a part is read anew each time it is named; its defaults are listed as assumptions the first
 * time only, and never when no setup uses it. */
#include <math.h>

#include "rig/circuits.h"
#include "rig/rig_internal.h"

struct nw_rig_parts nw_rig_parts_of(const struct nw_rig_node *root) {
    struct nw_rig_parts parts = {
        .telescopes = {"telescopes", NW_RIG_TELESCOPE, sizeof(struct nw_telescope), NULL, {false}},
        .correctors = {"correctors", NW_RIG_CORRECTOR, sizeof(struct nw_corrector), NULL, {false}},
        .focusers = {"focusers", NW_RIG_FOCUSER, sizeof(struct nw_focuser), NULL, {false}},
        .filters = {"filters", NW_RIG_FILTER, sizeof(struct nw_filter), NULL, {false}},
        .cameras = {"cameras", NW_RIG_CAMERA, sizeof(struct nw_camera), NULL, {false}},
        .pieces = {"pieces", NW_RIG_PIECE, sizeof(struct nw_piece), NULL, {false}},
        .spacers = {"spacers", NW_RIG_SPACER, sizeof(struct nw_spacer), NULL, {false}},
        .bodies = {"bodies", NW_RIG_BODY, sizeof(struct nw_body), NULL, {false}},
        .positions = {"positions", NW_RIG_POSITION, sizeof(struct nw_position), NULL, {false}},
        .cables = {"cables", NW_RIG_CABLE, sizeof(struct nw_cable), NULL, {false}},
        .surfaces = {"surfaces", NW_RIG_SURFACE, sizeof(struct nw_dew_surface), NULL, {false}},
        .circuits = {"circuits", NW_RIG_CIRCUIT, sizeof(struct nw_circuit), NULL, {false}},
    };
    struct nw_rig_inventory *const all[] = {&parts.telescopes, &parts.correctors, &parts.focusers,
                                            &parts.filters,    &parts.cameras,    &parts.pieces,
                                            &parts.spacers,    &parts.bodies,     &parts.positions,
                                            &parts.cables,     &parts.circuits,   &parts.surfaces};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        all[i]->node = nw_rig_tree_find(root, all[i]->key);
    }
    return parts;
}

struct nw_val nw_rig_derived(double v, double sigma) {
    return (struct nw_val){.v = v, .sigma = sigma, .from = NW_FROM_ASSUMED};
}

/* Writes a derived value down: `path` = v +- sigma in `unit`, because of the key's `why`. */
enum nw_status nw_rig_note_derived(struct nw_rig_reader *reader, const char *pattern,
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
    t->tube_length_m = nw_rig_derived(0.9 * t->focal_length_m.v, 0.1 * t->focal_length_m.v);
    return nw_rig_note_derived(reader, "telescopes.*.tube_length", place, &t->tube_length_m, 1e-3,
                               "mm");
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
    c->full_scale_e = nw_rig_derived(full, 0.2 * full);
    return nw_rig_note_derived(reader, "cameras.*.full_scale", place, &c->full_scale_e, 1.0, "e");
}

static enum nw_status read_settings(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                    const char *path, struct nw_camera *c) {
    const struct nw_rig_node *const list = nw_rig_tree_find(node, "settings");
    if (list && list->n_children > NW_RIG_MAX_SETTINGS) {
        return nw_rig_fail(reader, list, path, NW_LIMIT, "%zu gain settings, at most %d are read",
                           list->n_children, NW_RIG_MAX_SETTINGS);
    }
    enum nw_status status = NW_OK;
    for (const struct nw_rig_node *n = list ? list->first : NULL; n && status == NW_OK;
         n = n->next) {
        struct nw_camera_setting *const setting = &c->settings[c->n_settings++];
        char place[128];
        (void)snprintf(place, sizeof place, "%.60s.settings.%.48s", path, n->key ? n->key : "");
        nw_text_copy(setting->name, sizeof setting->name, n->key ? n->key : "");
        status = nw_rig_object_read(reader, NW_RIG_CAMERA_SETTING, n, place, setting);
    }
    return status;
}

/* Reads the part that `node` describes into `to`. */
static enum nw_status read_part(struct nw_rig_reader *reader, const struct nw_rig_inventory *inv,
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
        status = status == NW_OK ? read_settings(reader, node, path, to) : status;
    }
    if (status == NW_OK && inv->object == NW_RIG_CORRECTOR) {
        status = nw_rig_finish_corrector(reader, node, path, to);
    }
    if (status == NW_OK && inv->object == NW_RIG_BODY) {
        status = nw_rig_finish_body(reader, node, path, to);
    }
    if (status == NW_OK && inv->object == NW_RIG_POSITION) {
        status = nw_rig_finish_position(reader, node, path, to);
    }
    if (status == NW_OK && inv->object == NW_RIG_CABLE) {
        nw_rig_finish_cable(to);
    }
    if (status == NW_OK && inv->object == NW_RIG_SURFACE) {
        status = nw_rig_finish_surface(reader, path, to);
    }
    if (status == NW_OK && inv->object == NW_RIG_CIRCUIT) {
        status = nw_rig_finish_circuit(reader, node, path, to);
    }
    return status;
}
_Static_assert(offsetof(struct nw_telescope, name) == 0, "name first");
_Static_assert(offsetof(struct nw_corrector, name) == 0, "name first");
_Static_assert(offsetof(struct nw_focuser, name) == 0, "name first");
_Static_assert(offsetof(struct nw_filter, name) == 0, "name first");
_Static_assert(offsetof(struct nw_camera, name) == 0, "name first");
_Static_assert(offsetof(struct nw_piece, name) == 0, "name first");
_Static_assert(offsetof(struct nw_spacer, name) == 0, "name first");
_Static_assert(offsetof(struct nw_body, name) == 0, "name first");
_Static_assert(offsetof(struct nw_position, name) == 0, "name first");
_Static_assert(offsetof(struct nw_cable, name) == 0, "name first");
_Static_assert(offsetof(struct nw_dew_surface, name) == 0, "name first");
_Static_assert(offsetof(struct nw_circuit, name) == 0, "name first");

/* Every part must be right, also those that no setup uses. */
enum nw_status nw_rig_check_parts(struct nw_rig_reader *reader,
                                  const struct nw_rig_inventory *inv) {
    union {
        struct nw_telescope telescope;
        struct nw_corrector corrector;
        struct nw_focuser focuser;
        struct nw_filter filter;
        struct nw_camera camera;
        struct nw_piece piece;
        struct nw_spacer spacer;
        struct nw_body body;
        struct nw_position position;
        struct nw_cable cable;
        struct nw_circuit circuit;
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
static enum nw_status fail_part(const struct nw_rig_reader *reader,
                                const struct nw_rig_inventory *inv, const struct nw_rig_node *node,
                                const char *path, const char *name) {
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
enum nw_status nw_rig_take_part(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
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

enum nw_status nw_rig_take_all(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
                               void **items, size_t *ret_n) {
    if (!inv->node || inv->node->n_children == 0) {
        return NW_OK;
    }
    enum nw_status status = nw_rig_check_parts(reader, inv); /* also refuses too many */
    if (status != NW_OK) {
        return status;
    }
    char *const list = nw_calloc(inv->node->n_children, inv->item_size);
    if (!list) {
        return nw_err_set(reader->err, NW_NOMEM, "%s", inv->key);
    }
    *items = list; /* also when one is refused: it goes with the rig */
    for (const struct nw_rig_node *n = inv->node->first; n && status == NW_OK; n = n->next) {
        inv->is_listed[*ret_n] = true;
        status = nw_rig_take_part(reader, inv, n->key, n, inv->key, list + *ret_n * inv->item_size);
        *ret_n += status == NW_OK;
    }
    return status;
}
