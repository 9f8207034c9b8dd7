/* read.c - a rig file becomes a struct nw_rig.
 * Idea: 1. tree. 2. overrides. 3. no unknown keys. 4. every object is filled from the table of
 * keys.
 * 5. setups look their parts up by name and take copies. 6. what follows from other values is
 * worked out. 7. every change is tried: the file is read again with the change applied, so that a
 * wrong path in it is found today and not when its worth is asked for. */
#include "rig/rig_internal.h"

#include <math.h>

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
    site->pressure_Pa = nw_rig_derived(p_Pa, hypot(1000.0, from_height_Pa));
    return nw_rig_note_derived(reader, "site.pressure", "site.pressure", &site->pressure_Pa, 100.0,
                               "hPa");
}

static enum nw_status fill(struct nw_rig_reader *reader) {
    struct nw_rig *const rig = reader->rig;
    struct nw_rig_parts parts = nw_rig_parts_of(reader->root);
    const struct nw_rig_inventory *const all[] = {&parts.telescopes, &parts.correctors,
                                                  &parts.focusers,   &parts.filters,
                                                  &parts.cameras,    &parts.pieces};
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
    if (status == NW_OK && rig->mount.park_declination_rad.from == NW_FROM_UNKNOWN) {
        const double pole_rad = rig->site.latitude_rad.v < 0.0 ? -NW_PI / 2.0 : NW_PI / 2.0;
        rig->mount.park_declination_rad = nw_rig_derived(pole_rad, 0.0);
    }
    for (size_t i = 0; i < sizeof all / sizeof all[0] && status == NW_OK; i++) {
        status = nw_rig_check_parts(reader, all[i]);
    }
    if (status == NW_OK) {
        status = nw_rig_read_bodies(reader, &parts.bodies);
    }
    if (status == NW_OK) {
        status = nw_rig_read_places(reader, &parts);
    }
    if (status == NW_OK) {
        status = nw_rig_read_circuits(reader, &parts.circuits);
    }
    if (status == NW_OK) {
        status = nw_rig_read_spacers(reader, &parts.spacers);
    }
    if (status == NW_OK) {
        status = nw_rig_read_setups(reader, &parts);
    }
    if (status == NW_OK) {
        status = nw_rig_read_damp(reader, &parts);
    }
    return status == NW_OK ? nw_rig_read_logs(reader, &rig->logs, &rig->n_logs) : status;
}

/* What is read: a text and the overrides that are put on it. */
struct source {
    const char *name, *data;
    size_t len;
    const char *const *overrides;
    size_t n_overrides;
};

/* One read of the text with overrides, then those of `change` (or NULL). */
static enum nw_status read_text(const struct source *source, const struct nw_change *change,
                                struct nw_rig **ret, struct nw_err *err) {
    struct nw_rig *rig = nw_calloc(1, sizeof *rig);
    struct nw_rig_reader reader = {.file = source->name, .rig = rig, .err = err};
    if (!rig) {
        return nw_err_set(err, NW_NOMEM, "description of the rig");
    }
    enum nw_status status =
        nw_rig_tree_parse(source->name, source->data, source->len, &reader.root, err);
    for (size_t i = 0; i < source->n_overrides && status == NW_OK; i++) {
        status = nw_rig_override(reader.root, source->overrides[i], err);
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

/* The user wrote it in the file, not behind --set. */
static enum nw_status fail_change(const struct source *source, const struct nw_setup *s,
                                  size_t change, enum nw_status status, struct nw_err *err) {
    static const char LABEL[] = "--set: ";
    const size_t n = sizeof LABEL - 1;
    char line[32] = "";
    if (s->changes[change].line > 0) {
        (void)snprintf(line, sizeof line, ":%zu", s->changes[change].line);
        if (err && strncmp(err->text, LABEL, n) == 0) {
            memmove(err->text, err->text + n, strlen(err->text + n) + 1);
        }
    }
    return nw_err_at(err, status, "%s%s: setups.%s.changes.%zu ('%s')", source->name, line, s->name,
                     change + 1, s->changes[change].name);
}

/* Tries every change of the file, so that its faults are found now. */
static enum nw_status try_changes(const struct nw_rig *rig, const struct source *source,
                                  struct nw_err *err) {
    size_t n_tried = 0;
    for (size_t i = 0; i < rig->n_setups; i++) {
        const struct nw_setup *const s = &rig->setups[i];
        for (size_t k = 0; k < s->n_changes; k++) {
            if (++n_tried > NW_RIG_MAX_CHANGES) {
                return nw_err_set(err, NW_LIMIT, "%s: more than %d changes", source->name,
                                  NW_RIG_MAX_CHANGES);
            }
            struct nw_rig *changed = NULL;
            const enum nw_status status = read_text(source, &s->changes[k], &changed, err);
            nw_rig_free(changed);
            if (status != NW_OK) {
                return fail_change(source, s, k, status, err);
            }
        }
    }
    return NW_OK;
}

enum nw_status nw_rig_parse(const char *name, const char *data, size_t len,
                            const char *const *overrides, size_t n_overrides, struct nw_rig **ret,
                            struct nw_err *err) {
    const struct source source = {name, data, len, overrides, n_overrides};
    struct nw_rig *rig = NULL;
    enum nw_status status = read_text(&source, NULL, &rig, err);
    if (status == NW_OK) {
        status = try_changes(rig, &source, err);
    }
    if (status == NW_OK) {
        rig->path = nw_strdup(name);
        status = rig->path ? NW_OK : nw_err_set(err, NW_NOMEM, "description of the rig");
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

enum nw_status nw_rig_value_at(const char *name, const char *data, size_t len, const char *path,
                               char *ret, size_t ret_size, struct nw_err *err) {
    struct nw_rig_node *root = NULL;
    ret[0] = '\0';
    const enum nw_status status = nw_rig_tree_parse(name, data, len, &root, err);
    const struct nw_rig_node *node = status == NW_OK ? nw_rig_tree_find(root, path) : NULL;
    if (node && node->kind == NW_RIG_MAP) {
        node = nw_rig_tree_find(node, "value");
    }
    if (node && node->text) {
        nw_text_copy(ret, ret_size, node->text);
    }
    nw_rig_tree_free(root);
    return status;
}
