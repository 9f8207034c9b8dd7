/* tree.c - YAML events (libyaml) to a small tree that keeps every place.
 * Idea: accept the part of YAML that a description needs: maps, lists, text. What makes documents
 * explode or surprise (anchors, aliases, tags, merge keys, several documents) is refused, with its
 * place. All scalars stay text; the table of keys says what they mean.
 * Holds: 1. depth <= 32, nodes <= 100,000, input <= 1 MiB, checked before memory is taken.
 *        2. keys of one map are unique. 3. no text holds a NUL byte. */
#include <yaml.h>

#include "rig/rig_internal.h"

struct builder {
    const char *name;
    yaml_parser_t parser;
    struct nw_rig_node *root;
    struct nw_rig_node *open[NW_RIG_MAX_DEPTH];
    size_t depth;
    char *key; /* of the map on top, waiting for its value */
    yaml_mark_t key_mark;
    size_t n_nodes;
    struct nw_err *err;
};

static void node_free_one(struct nw_rig_node *node) {
    free(node->key);
    free(node->text);
    free(node);
}

/* Without recursion: a node's children are put in front of the rest. */
void nw_rig_tree_free(struct nw_rig_node *node) {
    if (node) {
        node->next = NULL;
    }
    while (node) {
        struct nw_rig_node *next = node->next;
        if (node->first) {
            node->last->next = next;
            next = node->first;
        }
        node_free_one(node);
        node = next;
    }
}

struct nw_rig_node *nw_rig_tree_new(enum nw_rig_node_kind kind, const char *key, const char *text) {
    struct nw_rig_node *node = nw_calloc(1, sizeof *node);
    if (!node) {
        return NULL;
    }
    node->kind = kind;
    node->key = nw_strdup(key);
    node->text = nw_strdup(text);
    if ((key && !node->key) || (text && !node->text)) {
        node_free_one(node);
        return NULL;
    }
    return node;
}

void nw_rig_tree_append(struct nw_rig_node *parent, struct nw_rig_node *child) {
    if (parent->last) {
        parent->last->next = child;
    } else {
        parent->first = child;
    }
    parent->last = child;
    parent->n_children++;
}

struct nw_rig_node *nw_rig_tree_child(const struct nw_rig_node *map, const char *key,
                                      size_t key_len) {
    if (map->kind != NW_RIG_MAP) {
        return NULL;
    }
    for (struct nw_rig_node *child = map->first; child; child = child->next) {
        if (strncmp(child->key, key, key_len) == 0 && child->key[key_len] == '\0') {
            return child;
        }
    }
    return NULL;
}

const struct nw_rig_node *nw_rig_tree_find(const struct nw_rig_node *map, const char *path) {
    const struct nw_rig_node *node = map;
    while (node && *path) {
        const size_t n = strcspn(path, ".");
        node = nw_rig_tree_child(node, path, n);
        path += n;
        path += *path == '.';
    }
    return node;
}

static enum nw_status fail(struct builder *b, yaml_mark_t mark, enum nw_status status,
                           const char *text) {
    (void)nw_err_set(b->err, status, "%s", text);
    return nw_err_at(b->err, status, "%s:%zu:%zu", b->name, mark.line + 1, mark.column + 1);
}

static enum nw_status out_of_memory(struct builder *b) {
    return nw_err_set(b->err, NW_NOMEM, "description %s", b->name);
}

/* What usually lies behind the two faults that beginners meet. */
static const char *hint(const char *problem) {
    if (problem && strstr(problem, "cannot start any token")) {
        return "; indent with blanks, not tabs; text that begins with @, ` or % needs quotes";
    }
    if (problem && strstr(problem, "mapping values are not allowed")) {
        return "; is a blank missing after a colon above, or does a text with ': ' lack its quotes";
    }
    return "";
}

/* What libyaml says of text that is no YAML, with its own place. */
static enum nw_status fail_yaml(struct builder *b) {
    const yaml_parser_t *const p = &b->parser;
    if (p->error == YAML_MEMORY_ERROR) {
        return out_of_memory(b);
    }
    (void)nw_err_set(b->err, NW_FORMAT, "not readable as YAML: %s%s%s%s",
                     p->problem ? p->problem : "unknown fault", p->context ? ", " : "",
                     p->context ? p->context : "", hint(p->problem));
    /* Faults of the reader (characters YAML forbids) have an offset but no mark. */
    size_t line = p->problem_mark.line + 1;
    size_t column = p->problem_mark.column + 1;
    if (p->error == YAML_READER_ERROR) {
        line = p->mark.line + 1;
        column = p->mark.column + 1;
    }
    return nw_err_at(b->err, NW_FORMAT, "%s:%zu:%zu", b->name, line, column);
}

/* Hangs a new node under the one on top (or makes it the root). Takes the waiting key. */
static enum nw_status add_node(struct builder *b, enum nw_rig_node_kind kind, const char *text,
                               yaml_mark_t mark, struct nw_rig_node **ret) {
    struct nw_rig_node *const top = b->depth ? b->open[b->depth - 1] : NULL;
    if (++b->n_nodes > NW_RIG_MAX_NODES) {
        return fail(b, mark, NW_LIMIT, "more than 100000 entries");
    }
    if (top && top->kind == NW_RIG_MAP && top->n_children >= NW_RIG_MAX_ENTRIES) {
        return fail(b, mark, NW_LIMIT, "more than 1000 keys in one section");
    }
    struct nw_rig_node *const node = nw_rig_tree_new(kind, NULL, text);
    if (!node) {
        return out_of_memory(b);
    }
    node->value_line = mark.line + 1;
    node->value_column = mark.column + 1;
    node->line = b->key ? b->key_mark.line + 1 : node->value_line;
    node->column = b->key ? b->key_mark.column + 1 : node->value_column;
    node->key = b->key;
    b->key = NULL;
    if (top) {
        nw_rig_tree_append(top, node);
    } else {
        b->root = node;
    }
    *ret = node;
    return NW_OK;
}

static enum nw_status take_key(struct builder *b, const yaml_event_t *event) {
    const char *const key = (const char *)event->data.scalar.value;
    const size_t len = event->data.scalar.length;
    if (len == 0) {
        return fail(b, event->start_mark, NW_FORMAT, "empty key");
    }
    if (event->data.scalar.style == YAML_PLAIN_SCALAR_STYLE && strcmp(key, "<<") == 0) {
        return fail(b, event->start_mark, NW_FORMAT,
                    "merge keys (<<) are not understood here; write the values out");
    }
    const struct nw_rig_node *const twin = nw_rig_tree_child(b->open[b->depth - 1], key, len);
    if (twin) {
        (void)nw_err_set(b->err, NW_FORMAT, "key '%.48s' stands twice; the first is in line %zu",
                         key, twin->line);
        return nw_err_at(b->err, NW_FORMAT, "%s:%zu:%zu", b->name, event->start_mark.line + 1,
                         event->start_mark.column + 1);
    }
    b->key = nw_strdup(key);
    b->key_mark = event->start_mark;
    return b->key ? NW_OK : out_of_memory(b);
}

static bool wants_key(const struct builder *b) {
    return b->depth > 0 && b->open[b->depth - 1]->kind == NW_RIG_MAP && !b->key;
}

static enum nw_status take_scalar(struct builder *b, const yaml_event_t *event) {
    const char *const text = (const char *)event->data.scalar.value;
    if (event->data.scalar.tag) {
        return fail(b, event->start_mark, NW_FORMAT, "tags (!) are not understood here");
    }
    if (strlen(text) != event->data.scalar.length) {
        return fail(b, event->start_mark, NW_FORMAT, "text with a NUL character");
    }
    if (wants_key(b)) {
        return take_key(b, event);
    }
    struct nw_rig_node *node = NULL;
    return add_node(b, NW_RIG_SCALAR, text, event->start_mark, &node);
}

static enum nw_status take_open(struct builder *b, const yaml_event_t *event,
                                enum nw_rig_node_kind kind, bool is_tagged) {
    if (is_tagged) {
        return fail(b, event->start_mark, NW_FORMAT, "tags (!) are not understood here");
    }
    if (wants_key(b)) {
        return fail(b, event->start_mark, NW_FORMAT, "a key must be plain text");
    }
    if (b->depth >= NW_RIG_MAX_DEPTH) {
        return fail(b, event->start_mark, NW_LIMIT, "nested more than 32 deep");
    }
    struct nw_rig_node *node = NULL;
    const enum nw_status status = add_node(b, kind, NULL, event->start_mark, &node);
    if (status == NW_OK) {
        b->open[b->depth++] = node;
    }
    return status;
}

static enum nw_status take_event(struct builder *b, const yaml_event_t *event,
                                 size_t *n_documents) {
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        if (++*n_documents > 1) {
            return fail(b, event->start_mark, NW_FORMAT, "a second document; one is expected");
        }
        return NW_OK;
    case YAML_ALIAS_EVENT:
        return fail(b, event->start_mark, NW_FORMAT,
                    "aliases (*) are not understood here; write the values out");
    case YAML_SCALAR_EVENT:
        return event->data.scalar.anchor
                   ? fail(b, event->start_mark, NW_FORMAT, "anchors (&) are not understood here")
                   : take_scalar(b, event);
    case YAML_SEQUENCE_START_EVENT:
        return event->data.sequence_start.anchor
                   ? fail(b, event->start_mark, NW_FORMAT, "anchors (&) are not understood here")
                   : take_open(b, event, NW_RIG_LIST, event->data.sequence_start.tag != NULL);
    case YAML_MAPPING_START_EVENT:
        return event->data.mapping_start.anchor
                   ? fail(b, event->start_mark, NW_FORMAT, "anchors (&) are not understood here")
                   : take_open(b, event, NW_RIG_MAP, event->data.mapping_start.tag != NULL);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        b->depth--;
        return NW_OK;
    default:
        return NW_OK;
    }
}

/* Line and column of the first byte that is no UTF-8: libyaml gives only an offset. */
static enum nw_status check_utf8(struct builder *b, const char *data, size_t len) {
    if (nw_text_is_utf8(data, len)) {
        return NW_OK;
    }
    yaml_mark_t mark = {0};
    const char *line = data;
    for (const char *end = data; end < data + len; line = end) {
        const char *const newline = memchr(line, '\n', (size_t)(data + len - line));
        end = newline ? newline + 1 : data + len;
        if (!nw_text_is_utf8(line, (size_t)(end - line))) {
            break;
        }
        mark.line++;
    }
    return fail(b, mark, NW_FORMAT, "the line is not UTF-8 text");
}

static enum nw_status parse(struct builder *b, const char *data, size_t len) {
    if (len > NW_RIG_MAX_BYTES) {
        return nw_err_set(b->err, NW_LIMIT, "%s: %zu bytes, more than 1 MiB", b->name, len);
    }
    enum nw_status status = check_utf8(b, data, len);
    if (status != NW_OK) {
        return status;
    }
    if (len >= 3 && memcmp(data, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
        data += 3;
        len -= 3;
    }
    if (!yaml_parser_initialize(&b->parser)) {
        return out_of_memory(b);
    }
    yaml_parser_set_encoding(&b->parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&b->parser, (const unsigned char *)data, len);
    size_t n_documents = 0;
    bool is_over = false;
    while (status == NW_OK && !is_over) {
        yaml_event_t event;
        if (!yaml_parser_parse(&b->parser, &event)) {
            status = fail_yaml(b);
            break;
        }
        is_over = event.type == YAML_STREAM_END_EVENT;
        status = take_event(b, &event, &n_documents);
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&b->parser);
    if (status == NW_OK && !b->root) {
        status = nw_err_set(b->err, NW_FORMAT, "%s: empty; a description is expected", b->name);
    }
    return status;
}

static void builder_done(struct builder *b) {
    free(b->key);
    nw_rig_tree_free(b->root);
}

enum nw_status nw_rig_tree_parse(const char *name, const char *data, size_t len,
                                 struct nw_rig_node **ret, struct nw_err *err) {
    struct builder b = {.name = name, .err = err};
    enum nw_status status = parse(&b, data, len);
    if (status == NW_OK && b.root->kind != NW_RIG_MAP) {
        status = nw_err_set(err, NW_FORMAT, "%s:%zu:%zu: expected keys such as 'site:' at the top",
                            name, b.root->line, b.root->column);
    }
    if (status == NW_OK) {
        *ret = b.root;
        b.root = NULL;
    }
    builder_done(&b);
    return status;
}

/* Depth first without recursion is not needed: depth <= 32. */
static void clear_places(struct nw_rig_node *node) {
    node->line = 0;
    node->value_line = 0;
    for (struct nw_rig_node *child = node->first; child; child = child->next) {
        clear_places(child);
    }
}

enum nw_status nw_rig_tree_parse_value(const char *data, size_t len, struct nw_rig_node **ret,
                                       struct nw_err *err) {
    struct builder b = {.name = "value", .err = err};
    const enum nw_status status = parse(&b, data, len);
    if (status == NW_OK) {
        clear_places(b.root);
        *ret = b.root;
        b.root = NULL;
    }
    builder_done(&b);
    return status;
}
