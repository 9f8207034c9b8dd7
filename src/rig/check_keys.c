/* check_keys.c - every key in the file is one of the table; every section is a map.
 * Idea: walk the tree and the dotted patterns of the table together. A level whose pattern goes on
 * with "*" holds names of the owner's choice (or the items of a list). */
#include "rig/rig_internal.h"

#include <math.h>

enum { MAX_NAMES = 64 };

/* The next pieces that may follow `prefix` ("site." -> latitude, longitude, ...). */
static size_t next_pieces(const char *prefix, char store[MAX_NAMES][32],
                          const char *names[MAX_NAMES]) {
    size_t n = 0;
    const size_t prefix_len = strlen(prefix);
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const char *const path = nw_rig_key_row(i)->path;
        if (strncmp(path, prefix, prefix_len) != 0) {
            continue;
        }
        const size_t len = strcspn(path + prefix_len, ".");
        char piece[32];
        (void)snprintf(piece, sizeof piece, "%.*s", (int)len, path + prefix_len);
        bool is_new = true;
        for (size_t k = 0; k < n && is_new; k++) {
            is_new = strcmp(store[k], piece) != 0;
        }
        if (is_new && n < MAX_NAMES) {
            memcpy(store[n], piece, sizeof piece);
            names[n] = store[n];
            n++;
        }
    }
    return n;
}

/* A key of that name elsewhere in the table, for "belongs under". */
static const char *elsewhere(const char *key) {
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const char *const dot = strrchr(nw_rig_key_row(i)->path, '.');
        if (dot && strcmp(dot + 1, key) == 0) {
            return nw_rig_key_row(i)->path;
        }
    }
    return NULL;
}

static enum nw_status fail_unknown(const struct nw_rig_reader *reader,
                                   const struct nw_rig_node *node, const char *path,
                                   const char *const *names, size_t n) {
    const char *const near = nw_text_nearest(node->key, names, n);
    const char *const other = near ? NULL : elsewhere(node->key);
    if (near) {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND, "unknown key '%.48s', nearest is '%s'",
                           node->key, near);
    }
    if (other) {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND,
                           "unknown key '%.48s' in this place; there is '%s'", node->key, other);
    }
    struct nw_buf list;
    nw_buf_init(&list, 4000);
    for (size_t i = 0; i < n; i++) {
        nw_buf_printf(&list, "%s%s", i ? ", " : "", names[i]);
    }
    const enum nw_status status =
        nw_rig_fail(reader, node, path, NW_NOTFOUND, "unknown key '%.48s', expected one of: %.260s",
                    node->key, list.data ? list.data : "");
    nw_buf_done(&list);
    return status;
}

/* Names of parts and setups become paths and JSON keys. */
static enum nw_status check_name(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                 const char *path) {
    if (strlen(node->key) >= NW_NAME_SIZE) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "name of %zu bytes, expected at most %d",
                           strlen(node->key), NW_NAME_SIZE - 1);
    }
    if (strcmp(node->key, "none") == 0) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "the name 'none' means that there is no "
                           "such part; choose another one");
    }
    for (const unsigned char *c = (const unsigned char *)node->key; *c; c++) {
        if (*c < 0x20 || *c == 0x7f || *c == '=' || *c == '"') {
            return nw_rig_fail(reader, node, path, NW_FORMAT,
                               "a name may not hold control characters, '=' or quotes");
        }
    }
    return NW_OK;
}

static enum nw_status walk(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                           const char *path, const char *prefix);

static enum nw_status walk_named(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                 const char *path, const char *prefix) {
    const bool is_list = strcmp(prefix, "setups.*.changes.") == 0;
    if (node->kind != (is_list ? NW_RIG_LIST : NW_RIG_MAP)) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "expected a %s",
                           is_list ? "list of changes, each with name, effort and set"
                                   : "section of named parts, such as 'main: {...}'");
    }
    char below[96];
    (void)snprintf(below, sizeof below, "%s*.", prefix);
    size_t i = 0;
    for (const struct nw_rig_node *item = node->first; item; item = item->next) {
        i++;
        enum nw_status status = is_list ? NW_OK : check_name(reader, item, path);
        if (status != NW_OK) {
            return status;
        }
        char item_path[128];
        if (is_list) {
            (void)snprintf(item_path, sizeof item_path, "%.100s.%zu", path, i);
        } else {
            (void)snprintf(item_path, sizeof item_path, "%.72s.%.48s", path, item->key);
        }
        status = walk(reader, item, item_path, below);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}

static bool is_none(const struct nw_rig_node *node) {
    return node->kind == NW_RIG_SCALAR && strcmp(node->text, "none") == 0;
}

static enum nw_status walk_children(const struct nw_rig_reader *reader,
                                    const struct nw_rig_node *node, const char *path,
                                    const char *prefix) {
    char store[MAX_NAMES][32];
    const char *names[MAX_NAMES];
    const size_t n = next_pieces(prefix, store, names);
    for (const struct nw_rig_node *child = node->first; child; child = child->next) {
        bool is_known = false;
        for (size_t i = 0; i < n && !is_known; i++) {
            is_known = strcmp(names[i], child->key) == 0;
        }
        if (!is_known) {
            return fail_unknown(reader, child, path, names, n);
        }
        char child_path[128];
        char below[96];
        (void)snprintf(below, sizeof below, "%.48s%.32s", prefix, child->key);
        if (nw_rig_key_of(below)) {
            continue;
        }
        (void)snprintf(child_path, sizeof child_path, "%.90s%s%.32s", path, *path ? "." : "",
                       child->key);
        (void)snprintf(below, sizeof below, "%.48s%.32s.", prefix, child->key);
        if (strcmp(below, "setups.*.guided_by.") == 0 && is_none(child)) {
            continue;
        }
        const enum nw_status status = walk(reader, child, child_path, below);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}

/* `prefix`: pattern of this section with a dot at its end, "" at the top. At most 6 deep, as the
 * table is. */
static enum nw_status walk(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                           const char *path, const char *prefix) {
    char star[96];
    (void)snprintf(star, sizeof star, "%s*", prefix);
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        if (strncmp(nw_rig_key_row(i)->path, star, strlen(star)) == 0) {
            return walk_named(reader, node, path, prefix);
        }
    }
    if (node->kind != NW_RIG_MAP) {
        char store[MAX_NAMES][32];
        const char *names[MAX_NAMES];
        const size_t n = next_pieces(prefix, store, names);
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "expected a section with keys such as '%s'", n ? names[0] : "name");
    }
    return walk_children(reader, node, path, prefix);
}

enum nw_status nw_rig_check_section(const struct nw_rig_reader *reader, const char *section) {
    const struct nw_rig_node *const node = nw_rig_tree_find(reader->root, section);
    char prefix[96];
    (void)snprintf(prefix, sizeof prefix, "%.48s.", section);
    return node ? walk(reader, node, section, prefix) : NW_OK;
}

enum nw_status nw_rig_check_keys(struct nw_rig_reader *reader) {
    return walk(reader, reader->root, "", "");
}

/* Whether the section that holds `rest` ("guided_by.exposure") is in the file. */
static bool has_section(const struct nw_rig_node *node, const char *rest) {
    const struct nw_rig_node *const section =
        node ? nw_rig_tree_child(node, rest, strcspn(rest, ".")) : NULL;
    return section && section->kind == NW_RIG_MAP;
}

enum nw_status nw_rig_object_read(struct nw_rig_reader *reader, enum nw_rig_object object,
                                  const struct nw_rig_node *node, const char *path, void *base) {
    const size_t prefix_len = strlen(nw_rig_objects[object].prefix);
    for (size_t i = 0; i < nw_rig_n_keys(); i++) {
        const struct nw_rig_key *const key = nw_rig_key_row(i);
        if (key->object != object) {
            continue;
        }
        const char *const rest = key->path + prefix_len;
        const struct nw_rig_node *const found = node ? nw_rig_tree_find(node, rest) : NULL;
        if (!found && (key->flags & NW_RIG_IN_SECTION) && !has_section(node, rest)) {
            *(struct nw_val *)(void *)((char *)base + key->offset) =
                (struct nw_val){.v = NAN, .sigma = NAN, .from = NW_FROM_UNKNOWN};
            continue;
        }
        char place[160];
        (void)snprintf(place, sizeof place, "%.120s%s%.36s", path, *path ? "." : "", rest);
        const enum nw_status status =
            found ? nw_rig_value_read(reader, key, found, place, base)
                  : nw_rig_value_default(reader, key, node ? node : reader->root, place, base);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}
