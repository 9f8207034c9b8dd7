/* logs.c - the layouts of text logs, read and checked; see logs.h.
 * Idea: the table of keys does places, words and misspelt names; here are the fields, each a name
 * alone or {column: ..., unit: ...}, and what must fit together. */
#include "rig/logs.h"

#include <math.h>
#include <stddef.h>

#include "rig/rig_internal.h"

const char *nw_log_header_key(enum nw_log_header header) {
    static const char *const KEYS[] = {
#define X(symbol, key, dim, unit) key,
        NW_LOG_HEADER_LIST(X)
#undef X
    };
    return KEYS[header];
}

const char *nw_log_column_key(enum nw_log_column column) {
    static const char *const KEYS[] = {
#define X(symbol, key, dim, unit) key,
        NW_LOG_COLUMN_LIST(X)
#undef X
    };
    return KEYS[column];
}

const char *nw_log_event_key(enum nw_log_event event) {
    static const char *const KEYS[] = {
#define X(symbol, key) key,
        NW_LOG_EVENT_LIST(X)
#undef X
    };
    return KEYS[event];
}

/* ---- One field ---- */

/* Parts of a field: where they go, and which fields have them. */
enum { PART_NAME, PART_TEXT, PART_FACTOR };
enum { FOR_LINE = 1u, FOR_COLUMN = 2u, FOR_PULSE = 4u, FOR_SIDE = 8u };
struct part {
    const char *key;
    int kind;
    unsigned uses;
    size_t offset, size;
};
#define TEXT_AT(m) offsetof(struct nw_log_field, m), sizeof(((struct nw_log_field *)NULL)->m)
static const struct part PARTS[] = {
    {"name", PART_NAME, FOR_LINE, TEXT_AT(name)},
    {"column", PART_NAME, FOR_COLUMN, TEXT_AT(name)},
    {"unit", PART_TEXT, FOR_LINE | FOR_COLUMN, TEXT_AT(unit)},
    {"factor", PART_FACTOR, FOR_LINE | FOR_COLUMN, TEXT_AT(factor)},
    {"value", PART_TEXT, FOR_LINE, TEXT_AT(value)},
    {"minus_column", PART_NAME, FOR_PULSE, TEXT_AT(minus_column)},
    {"direction", PART_NAME, FOR_PULSE, TEXT_AT(direction)},
    {"plus", PART_TEXT, FOR_PULSE, TEXT_AT(plus)},
    {"minus", PART_TEXT, FOR_PULSE, TEXT_AT(minus)},
    {"east", PART_TEXT, FOR_SIDE, TEXT_AT(east)},
    {"west", PART_TEXT, FOR_SIDE, TEXT_AT(west)},
};
enum { N_PARTS = sizeof PARTS / sizeof PARTS[0] };

static unsigned uses_of(const struct nw_rig_key *key) {
    const bool is_pulse = nw_text_ends_nocase(key->path, "_pulse");
    const bool is_side = nw_text_ends_nocase(key->path, ".tube_side");
    return (key->kind == NW_RIG_LOG_LINE ? FOR_LINE : FOR_COLUMN) | (is_pulse ? FOR_PULSE : 0u) |
           (is_side ? FOR_SIDE : 0u);
}

static enum nw_status read_part_text(const struct nw_rig_reader *reader,
                                     const struct nw_rig_node *node, const char *path, char *to,
                                     size_t size) {
    if (node->kind != NW_RIG_SCALAR || node->text[0] == '\0' || strlen(node->text) >= size) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "expected a text of 1 to %zu bytes",
                           size - 1);
    }
    nw_text_copy(to, size, node->text);
    return NW_OK;
}

/* A column by heading or, digits alone, by number. */
static enum nw_status read_part_name(const struct nw_rig_reader *reader,
                                     const struct nw_rig_node *node, const char *path,
                                     bool is_column, struct nw_log_name *ret) {
    long number = 0;
    const enum nw_status status = read_part_text(reader, node, path, ret->name, sizeof ret->name);
    if (status == NW_OK && is_column && nw_text_to_long(ret->name, &number)) {
        if (number < 1 || number > 256) {
            return nw_rig_fail(reader, node, path, NW_DOMAIN,
                               "column %ld, expected 1 to 256 or a heading", number);
        }
        ret->number = (size_t)number;
    }
    return status;
}

static enum nw_status read_part(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, const struct part *part, bool is_column,
                                struct nw_log_field *field) {
    char *const to = (char *)field + part->offset;
    double factor = NAN;
    if (part->kind == PART_NAME) {
        return read_part_name(reader, node, path, is_column, (struct nw_log_name *)(void *)to);
    }
    if (part->kind == PART_TEXT) {
        return read_part_text(reader, node, path, to, part->size);
    }
    if (node->kind != NW_RIG_SCALAR || !nw_text_to_double(node->text, &factor) ||
        !(fabs(factor) >= 1e-9 && fabs(factor) <= 1e9)) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "expected a number such as -1, not 0 and at most 1e9");
    }
    field->factor = factor;
    return NW_OK;
}

static enum nw_status fail_part(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, unsigned uses) {
    const char *names[N_PARTS];
    size_t n = 0;
    struct nw_buf list;
    nw_buf_init(&list, 400);
    for (size_t i = 0; i < N_PARTS; i++) {
        if (PARTS[i].uses & uses) {
            nw_buf_printf(&list, "%s%s", n > 0 ? ", " : "", PARTS[i].key);
            names[n++] = PARTS[i].key;
        }
    }
    const char *const near = nw_text_nearest(node->key, names, n);
    const enum nw_status status =
        nw_rig_fail(reader, node, path, NW_NOTFOUND, "unknown key '%.40s', expected %s%s%s%s",
                    node->key, list.data ? list.data : "", near ? "; nearest is '" : "",
                    near ? near : "", near ? "'" : "");
    nw_buf_done(&list);
    return status;
}

/* The units besides those of the dimension. */
static bool is_special_unit(const struct nw_rig_key *key, const char *unit) {
    static const struct {
        const char *ending, *unit;
    } SPECIAL[] = {
        {"_error", "px"},       {"_rate", "sidereal"},   {"columns.time", "unix"},
        {"columns.time", "jd"}, {"columns.time", "mjd"}, {"hour_angle", "h"},
        {"declination", "h"},
    };
    for (size_t i = 0; i < sizeof SPECIAL / sizeof SPECIAL[0]; i++) {
        if (nw_text_ends_nocase(key->path, SPECIAL[i].ending) &&
            strcmp(unit, SPECIAL[i].unit) == 0) {
            return true;
        }
    }
    return false;
}

static enum nw_status check_field(const struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                  const struct nw_rig_node *node, const char *path,
                                  const struct nw_log_field *field) {
    const bool is_split = field->direction.name[0] != '\0';
    double factor = NAN;
    double offset = NAN;
    if (field->name.name[0] == '\0' && field->value[0] == '\0') {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND, "%s is missing",
                           key->kind == NW_RIG_LOG_LINE ? "name or value" : "column");
    }
    if (field->name.name[0] != '\0' && field->value[0] != '\0') {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "name and value exclude each other");
    }
    if (is_split != (field->plus[0] != '\0') || is_split != (field->minus[0] != '\0')) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "direction, plus and minus belong together: the column and what it says "
                           "for either way");
    }
    if (is_split && field->minus_column.name[0] != '\0') {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "direction and minus_column exclude each other");
    }
    if (field->unit[0] != '\0' && !is_special_unit(key, field->unit) &&
        nw_unit_read(field->unit, key->dim, &factor, &offset, reader->err) != NW_OK) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, NULL);
    }
    return NW_OK;
}

enum nw_status nw_rig_log_field_read(const struct nw_rig_reader *reader,
                                     const struct nw_rig_key *key, const struct nw_rig_node *node,
                                     const char *path, struct nw_log_field *ret) {
    const unsigned uses = uses_of(key);
    const bool is_column = key->kind == NW_RIG_LOG_COLUMN;
    struct nw_log_field field = {.is_given = true, .factor = 1.0};
    enum nw_status status = NW_OK;
    if (node->kind == NW_RIG_SCALAR) {
        status = read_part_name(reader, node, path, is_column, &field.name);
    } else if (node->kind == NW_RIG_LIST) {
        status = nw_rig_fail(reader, node, path, NW_FORMAT,
                             "found a list, expected a name or {%s: ..., unit: ...}",
                             is_column ? "column" : "name");
    }
    for (const struct nw_rig_node *child = node->first; child && status == NW_OK;
         child = child->next) {
        const struct part *part = NULL;
        for (size_t i = 0; i < N_PARTS && !part; i++) {
            part =
                (PARTS[i].uses & uses) && strcmp(PARTS[i].key, child->key) == 0 ? &PARTS[i] : NULL;
        }
        char place[160];
        (void)snprintf(place, sizeof place, "%.120s.%.32s", path, child->key);
        status = part ? read_part(reader, child, place, part, is_column, &field)
                      : fail_part(reader, child, path, uses);
    }
    if (status == NW_OK) {
        status = check_field(reader, key, node, path, &field);
    }
    if (status == NW_OK) {
        *ret = field;
    }
    return status;
}

/* ---- A layout ---- */

static enum nw_status check_patterns(const struct nw_rig_reader *reader,
                                     const struct nw_rig_node *node, const char *path,
                                     const struct nw_log_layout *layout) {
    const char *texts[3 + NW_LOG_N_EVENTS] = {layout->run_start, layout->run_stop, layout->row};
    char keys[3 + NW_LOG_N_EVENTS][32] = {"run_start", "run_stop", "row"};
    for (size_t i = 0; i < NW_LOG_N_EVENTS; i++) {
        texts[3 + i] = layout->events[i];
        (void)snprintf(keys[3 + i], sizeof keys[0], "events.%s",
                       nw_log_event_key((enum nw_log_event)i));
    }
    for (size_t i = 0; i < 3 + NW_LOG_N_EVENTS; i++) {
        if (texts[i][0] != '\0' && nw_pattern_check(texts[i], reader->err) != NW_OK) {
            const struct nw_rig_node *const at = nw_rig_tree_find(node, keys[i]);
            char place[200];
            (void)snprintf(place, sizeof place, "%.120s.%s", path, keys[i]);
            return nw_rig_fail(reader, at ? at : node, place, NW_FORMAT, NULL);
        }
    }
    return NW_OK;
}

/* A guide log has both errors, a log of readings has none. */
static enum nw_status check_purpose(const struct nw_rig_reader *reader,
                                    const struct nw_rig_node *node, const char *path,
                                    const struct nw_log_layout *layout) {
    static const enum nw_log_column ERRORS[] = {NW_LOG_COLUMN_RA_ERROR, NW_LOG_COLUMN_DEC_ERROR};
    const bool is_readings = layout->readings[0] != '\0';
    for (size_t i = 0; i < 2; i++) {
        char place[160];
        (void)snprintf(place, sizeof place, "%.100s.columns.%s", path,
                       nw_log_column_key(ERRORS[i]));
        if (layout->columns[ERRORS[i]].is_given == is_readings) {
            return is_readings
                       ? nw_rig_fail(reader, node, place, NW_FORMAT,
                                     "readings and columns of a guide log exclude each other")
                       : nw_rig_fail(reader, node, place, NW_NOTFOUND,
                                     "is missing: a guide log has both errors, a log of "
                                     "readings `readings`");
        }
    }
    return NW_OK;
}

static enum nw_status read_layout(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                  struct nw_log_layout *layout) {
    char path[80];
    (void)snprintf(path, sizeof path, "logs.%.48s", node->key);
    nw_text_copy(layout->name, sizeof layout->name, node->key);
    enum nw_status status = nw_rig_object_read(reader, NW_RIG_LOG, node, path, layout);
    if (status == NW_OK) {
        status = check_patterns(reader, node, path, layout);
    }
    if (status == NW_OK) {
        status = check_purpose(reader, node, path, layout);
    }
    if (status == NW_OK && strcmp(layout->decimal, layout->separator) == 0) {
        status =
            nw_rig_fail(reader, node, path, NW_FORMAT, "comma is both separator and decimal mark");
    }
    return status;
}

enum nw_status nw_rig_read_logs(struct nw_rig_reader *reader, struct nw_log_layout **ret,
                                size_t *ret_n) {
    const struct nw_rig_node *const section = nw_rig_tree_find(reader->root, "logs");
    const size_t n = section ? section->n_children : 0;
    const bool was_muted = reader->is_muted;
    *ret = NULL;
    *ret_n = 0;
    if (n == 0) {
        return NW_OK;
    }
    if (n > NW_RIG_MAX_PARTS) {
        return nw_rig_fail(reader, section, "logs", NW_LIMIT, "%zu logs, at most %d are read", n,
                           NW_RIG_MAX_PARTS);
    }
    struct nw_log_layout *layouts = nw_calloc(n, sizeof *layouts);
    if (!layouts) {
        return nw_err_set(reader->err, NW_NOMEM, "layouts of logs");
    }
    reader->is_muted = true; /* ways of writing, no assumptions about the rig */
    enum nw_status status = NW_OK;
    size_t i = 0;
    for (const struct nw_rig_node *node = section->first; node && status == NW_OK;
         node = node->next) {
        status = read_layout(reader, node, &layouts[i++]);
    }
    reader->is_muted = was_muted;
    if (status == NW_OK) {
        *ret = layouts;
        *ret_n = n;
        layouts = NULL;
    }
    free(layouts);
    return status;
}

enum nw_status nw_rig_parse_layouts(const char *name, const char *data, size_t len,
                                    struct nw_log_layout **ret, size_t *ret_n, struct nw_err *err) {
    struct nw_rig_reader reader = {.file = name, .err = err, .is_muted = true};
    enum nw_status status = nw_rig_tree_parse(name, data, len, &reader.root, err);
    if (status == NW_OK && !nw_rig_tree_find(reader.root, "logs")) {
        status = nw_err_set(err, NW_NOTFOUND,
                            "%s: no section 'logs': it would describe text logs (docs/formats.md)",
                            name);
    }
    if (status == NW_OK) {
        status = nw_rig_check_section(&reader, "logs");
    }
    if (status == NW_OK) {
        status = nw_rig_read_logs(&reader, ret, ret_n);
    }
    nw_rig_tree_free(reader.root);
    return status;
}

enum nw_status nw_rig_read_layouts(const char *path, struct nw_log_layout **ret, size_t *ret_n,
                                   struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, NW_RIG_MAX_BYTES, &data, &len, err);
    if (status == NW_OK) {
        status = nw_rig_parse_layouts(path, data, len, ret, ret_n, err);
    }
    free(data);
    return status;
}
