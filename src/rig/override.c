/* override.c - "setups.deep.habits.focus_interval=20 min" applied to the tree.
 * Idea: edit the tree before it is checked, so that an override meets the same checks and the same
 * messages as the file. Names of parts may hold dots ("reducer 0.8x"): at each level the longest
 * name that is there wins; what is not there is cut at the next dot.
 * Holds: changed nodes have line 0, which messages print as "--set". */
#include "rig/rig_internal.h"

/* Length of the piece of `path` that names a child of `map`. */
static size_t piece_length(const struct nw_rig_node *map, const char *path) {
    size_t longest = 0;
    for (const struct nw_rig_node *child = map->first; child; child = child->next) {
        const size_t n = strlen(child->key);
        if (n > longest && strncmp(child->key, path, n) == 0 &&
            (path[n] == '.' || path[n] == '\0')) {
            longest = n;
        }
    }
    return longest ? longest : strcspn(path, ".");
}

static struct nw_rig_node *list_item(const struct nw_rig_node *list, const char *path, size_t n) {
    char text[16];
    long index = 0;
    if (n >= sizeof text) {
        return NULL;
    }
    memcpy(text, path, n);
    text[n] = '\0';
    if (!nw_text_to_long(text, &index) || index < 1 || (size_t)index > list->n_children) {
        return NULL;
    }
    struct nw_rig_node *item = list->first;
    while (--index > 0) {
        item = item->next;
    }
    return item;
}

/* "450 mm" becomes {value: 450 mm}, so that a sigma can be set beside it. */
static enum nw_status widen(struct nw_rig_node *node, struct nw_err *err) {
    struct nw_rig_node *const value = nw_rig_tree_new(NW_RIG_SCALAR, "value", node->text);
    if (!value) {
        return nw_err_set(err, NW_NOMEM, "override");
    }
    value->line = node->line;
    value->column = node->column;
    value->value_line = node->value_line;
    value->value_column = node->value_column;
    free(node->text);
    node->text = NULL;
    node->kind = NW_RIG_MAP;
    nw_rig_tree_append(node, value);
    return NW_OK;
}

/* The child that `piece` names, made (as an empty map) where it is not there. */
static enum nw_status step(struct nw_rig_node *node, const char *piece, size_t n,
                           struct nw_rig_node **ret, struct nw_err *err) {
    if (node->kind == NW_RIG_LIST) {
        *ret = list_item(node, piece, n);
        return *ret ? NW_OK
                    : nw_err_set(err, NW_NOTFOUND, "no item %.*s; the list has %zu, from 1", (int)n,
                                 piece, node->n_children);
    }
    *ret = nw_rig_tree_child(node, piece, n);
    if (*ret) {
        return NW_OK;
    }
    char key[128];
    if (n == 0 || n >= sizeof key) {
        return nw_err_set(err, NW_FORMAT, "empty or too long piece in the path");
    }
    memcpy(key, piece, n);
    key[n] = '\0';
    struct nw_rig_node *const child = nw_rig_tree_new(NW_RIG_MAP, key, NULL);
    if (!child) {
        return nw_err_set(err, NW_NOMEM, "override");
    }
    nw_rig_tree_append(node, child);
    *ret = child;
    return NW_OK;
}

/* Moves the contents of `from` into `to`, which keeps its key and its place in the list. */
static void replace(struct nw_rig_node *to, struct nw_rig_node *from) {
    struct nw_rig_node old = *to;
    to->kind = from->kind;
    to->text = from->text;
    to->first = from->first;
    to->last = from->last;
    to->n_children = from->n_children;
    to->line = 0;
    to->value_line = 0;
    free(from->key);
    free(from);
    free(old.text);
    for (struct nw_rig_node *child = old.first; child;) {
        struct nw_rig_node *const next = child->next;
        nw_rig_tree_free(child);
        child = next;
    }
}

static enum nw_status apply(struct nw_rig_node *root, const char *path, struct nw_rig_node *value,
                            struct nw_err *err) {
    struct nw_rig_node *node = root;
    for (size_t depth = 0; *path; depth++) {
        if (depth >= NW_RIG_MAX_DEPTH) {
            return nw_err_set(err, NW_LIMIT, "path with more than 32 pieces");
        }
        enum nw_status status = NW_OK;
        if (node->kind == NW_RIG_SCALAR) {
            status = widen(node, err);
        }
        if (status != NW_OK) {
            return status;
        }
        const size_t n = node->kind == NW_RIG_MAP ? piece_length(node, path) : strcspn(path, ".");
        status = step(node, path, n, &node, err);
        if (status != NW_OK) {
            return status;
        }
        path += n;
        if (*path == '.' && path[1] == '\0') {
            return nw_err_set(err, NW_FORMAT, "the path ends in a dot");
        }
        path += *path == '.';
    }
    replace(node, value);
    return NW_OK;
}

enum nw_status nw_rig_override_path(struct nw_rig_node *root, const char *path, const char *text,
                                    struct nw_err *err) {
    struct nw_rig_node *value = NULL;
    enum nw_status status = text[strspn(text, " ")] == '\0'
                                ? nw_err_set(err, NW_FORMAT, "has no value")
                                : nw_rig_tree_parse_value(text, strlen(text), &value, err);
    if (status == NW_OK) {
        status = apply(root, path, value, err);
        value = status == NW_OK ? NULL : value;
    }
    if (status != NW_OK) {
        status = nw_err_at(err, status, "--set: %.120s", path);
    }
    nw_rig_tree_free(value);
    return status;
}

enum nw_status nw_rig_override(struct nw_rig_node *root, const char *setting, struct nw_err *err) {
    const char *const equals = strchr(setting, '=');
    if (!equals || equals == setting) {
        return nw_err_set(err, NW_USAGE,
                          "--set: '%.80s' is no setting, expected path=value, such as "
                          "'site.seeing=1.5 arcsec'",
                          setting);
    }
    char *const path = strndup(setting, (size_t)(equals - setting));
    if (!path) {
        return nw_err_set(err, NW_NOMEM, "override");
    }
    const enum nw_status status = nw_rig_override_path(root, path, equals + 1, err);
    free(path);
    return status;
}
