/* value.c - one node of the tree, read as its key wants it; errors with place, path, found, wanted.
 * Idea: a value is a plain quantity or {value, sigma, from}. The standard error has the dimension
 * of the value (temperatures: a difference) or is a share of it in percent.
 * Holds: every message begins "file:line:column: path: ", or "--set: path: " for overrides. */
#include "rig/rig_internal.h"

#include <math.h>
#include <stdarg.h>

enum nw_status nw_rig_fail(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                           const char *path, enum nw_status status, const char *format, ...) {
    if (format && reader->err) {
        char text[sizeof reader->err->text];
        va_list args;
        va_start(args, format);
        (void)vsnprintf(text, sizeof text, format, args);
        va_end(args);
        (void)nw_err_set(reader->err, status, "%s", text);
    }
    if (*path) {
        (void)nw_err_at(reader->err, status, "%s", path);
    }
    if (node->line == 0) {
        return nw_err_at(reader->err, status, "--set");
    }
    return nw_err_at(reader->err, status, "%s:%zu:%zu", reader->file, node->line, node->column);
}

/* A fault of the value itself is shown where the value stands, not its key. */
static enum nw_status fail_value(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                 const char *path, enum nw_status status, const char *text) {
    struct nw_rig_node place = *node;
    if (node->value_line > 0) {
        place.line = node->value_line;
        place.column = node->value_column;
    }
    return nw_rig_fail(reader, &place, path, status, text ? "%s" : NULL, text);
}

enum nw_status nw_rig_assume(struct nw_rig_reader *reader, const char *path, const char *value,
                             const char *why) {
    if (reader->is_muted) {
        return NW_OK;
    }
    struct nw_rig *const rig = reader->rig;
    void *items = rig->assumptions;
    const enum nw_status status = nw_grow(&items, &reader->assumptions_cap, rig->n_assumptions + 1,
                                          sizeof *rig->assumptions, 20000, reader->err);
    if (status != NW_OK) {
        return status;
    }
    rig->assumptions = items;
    struct nw_assumption *const a = &rig->assumptions[rig->n_assumptions++];
    nw_text_copy(a->path, sizeof a->path, path);
    nw_text_copy(a->value, sizeof a->value, value);
    nw_text_copy(a->why, sizeof a->why, why);
    return NW_OK;
}

/* Splits "a|b|c"; returns how many. store: room for the texts. */
static size_t split_words(const char *words, char store[16][32], const char *items[16]) {
    size_t n = 0;
    while (*words && n < 16) {
        const size_t len = strcspn(words, "|");
        (void)snprintf(store[n], sizeof store[n], "%.*s", (int)len, words);
        items[n] = store[n];
        n++;
        words += len;
        words += *words == '|';
    }
    return n;
}

static enum nw_status fail_word(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, const char *const *words, size_t n) {
    struct nw_buf list;
    nw_buf_init(&list, 400);
    const char *const near = nw_text_nearest(node->text, words, n);
    nw_buf_printf(&list, "found '%.40s', expected ", node->text);
    for (size_t i = 0; i < n; i++) {
        nw_buf_printf(&list, "%s%s", i == 0 ? "" : i + 1 < n ? ", " : " or ", words[i]);
    }
    if (near && n > 1) {
        nw_buf_printf(&list, "; nearest is '%s'", near);
    }
    const enum nw_status status =
        fail_value(reader, node, path, NW_FORMAT, list.data ? list.data : "unknown word");
    nw_buf_done(&list);
    return status;
}

/* Index of the node's text among the words, an error when it is none of them. */
static enum nw_status read_word(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, const char *words, size_t *ret) {
    char store[16][32];
    const char *items[16];
    const size_t n = split_words(words, store, items);
    for (size_t i = 0; i < n; i++) {
        if (strcmp(node->text, items[i]) == 0) {
            *ret = i;
            return NW_OK;
        }
    }
    return fail_word(reader, node, path, items, n);
}

static enum nw_status need_scalar(const struct nw_rig_reader *reader,
                                  const struct nw_rig_node *node, const char *path,
                                  const char *expected) {
    if (node->kind != NW_RIG_SCALAR) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "found a %s, expected %s",
                           node->kind == NW_RIG_MAP ? "section" : "list", expected);
    }
    if (node->text[0] == '\0') {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "has no value, expected %s", expected);
    }
    return NW_OK;
}

static bool has_control(const char *text) {
    for (const unsigned char *c = (const unsigned char *)text; *c; c++) {
        if (*c < 0x20 || *c == 0x7f) {
            return true;
        }
    }
    return false;
}

/* Text for people; at most size - 1 bytes. */
static enum nw_status read_text(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, char *to, size_t size) {
    enum nw_status status = need_scalar(reader, node, path, "a short text");
    if (status != NW_OK) {
        return status;
    }
    if (strlen(node->text) >= size || has_control(node->text)) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "text of %zu bytes, expected one line of at most %zu",
                           strlen(node->text), size - 1);
    }
    nw_text_copy(to, size, node->text);
    return NW_OK;
}

/* A number in range. Messages name the range with its units. */
static enum nw_status read_quantity(const struct nw_rig_reader *reader,
                                    const struct nw_rig_key *key, const struct nw_rig_node *node,
                                    const char *path, double *ret) {
    char expected[96];
    (void)snprintf(expected, sizeof expected, "%s such as \"%s\"", nw_dim_words(key->dim),
                   key->fallback ? key->fallback : nw_dim_example(key->dim));
    enum nw_status status = need_scalar(reader, node, path, expected);
    if (status != NW_OK) {
        return status;
    }
    double value = 0.0;
    status = nw_quantity_read(node->text, key->dim, &value, reader->err);
    if (status != NW_OK) {
        return fail_value(reader, node, path, status, NULL);
    }
    char text[160];
    char range[80];
    nw_rig_key_range(key, range, sizeof range);
    if (!nw_rig_key_allows(key, value)) {
        (void)snprintf(text, sizeof text, "%.40s is out of range, expected %s", node->text, range);
        return fail_value(reader, node, path, NW_DOMAIN, text);
    }
    if ((key->flags & NW_RIG_WHOLE) && floor(value) != value) {
        (void)snprintf(text, sizeof text, "%.40s is no whole number, expected %s", node->text,
                       range);
        return fail_value(reader, node, path, NW_DOMAIN, text);
    }
    *ret = value;
    return NW_OK;
}

/* "4 mm" or "5 %" of the value. */
static enum nw_status sigma_from_text(const char *text, enum nw_dim dim, double value, double *ret,
                                      struct nw_err *err) {
    double percent = 0.0;
    const char *const rest = nw_text_scan_double(text, &percent);
    if (rest && rest[strspn(rest, " ")] == '%' && rest[strspn(rest, " ") + 1] == '\0') {
        *ret = 0.01 * percent * fabs(value);
        if (dim == NW_DIM_TEMPERATURE) {
            return nw_err_set(err, NW_FORMAT,
                              "\"%s\" of a temperature has no meaning, expected a difference such "
                              "as \"0.5 K\"",
                              text);
        }
    } else {
        const enum nw_dim difference =
            dim == NW_DIM_TEMPERATURE ? NW_DIM_TEMPERATURE_DIFFERENCE : dim;
        const enum nw_status status = nw_quantity_read(text, difference, ret, err);
        if (status != NW_OK) {
            return status;
        }
    }
    if (!(*ret >= 0.0 && isfinite(*ret))) {
        return nw_err_set(err, NW_DOMAIN, "\"%s\" is no standard error, expected 0 or more", text);
    }
    return NW_OK;
}

static enum nw_status read_sigma(const struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                 const struct nw_rig_node *node, const char *path,
                                 struct nw_val *val) {
    enum nw_status status = need_scalar(reader, node, path, "a standard error such as \"5 %\"");
    if (status != NW_OK) {
        return status;
    }
    double sigma = 0.0;
    status = sigma_from_text(node->text, key->dim, val->v, &sigma, reader->err);
    if (status != NW_OK) {
        return fail_value(reader, node, path, status, NULL);
    }
    val->sigma = sigma;
    return NW_OK;
}

static enum nw_status read_from(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                const char *path, struct nw_val *val) {
    static const enum nw_from FROM[] = {NW_FROM_GIVEN, NW_FROM_HEADER, NW_FROM_ASSUMED,
                                        NW_FROM_MEASURED};
    enum nw_status status = need_scalar(reader, node, path, "a word such as \"given\"");
    size_t i = 0;
    if (status == NW_OK) {
        status = read_word(reader, node, path, "given|header|assumed|measured", &i);
    }
    if (status == NW_OK) {
        val->from = FROM[i];
    }
    return status;
}

/* {value: ..., sigma: ..., from: ...} */
static enum nw_status read_described(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                     const struct nw_rig_node *node, const char *path,
                                     struct nw_val *val) {
    static const char *const WORDS[] = {"value", "sigma", "from"};
    for (const struct nw_rig_node *child = node->first; child; child = child->next) {
        if (strcmp(child->key, "value") != 0 && strcmp(child->key, "sigma") != 0 &&
            strcmp(child->key, "from") != 0) {
            const char *const near = nw_text_nearest(child->key, WORDS, 3);
            return nw_rig_fail(reader, child, path, NW_NOTFOUND,
                               "unknown key '%.40s', expected value, sigma or from%s%s%s",
                               child->key, near ? "; nearest is '" : "", near ? near : "",
                               near ? "'" : "");
        }
    }
    const struct nw_rig_node *const value = nw_rig_tree_child(node, "value", 5);
    const struct nw_rig_node *const sigma = nw_rig_tree_child(node, "sigma", 5);
    const struct nw_rig_node *const from = nw_rig_tree_child(node, "from", 4);
    if (!value) {
        return nw_rig_fail(reader, node, path, NW_FORMAT, "'value' is missing");
    }
    char place[160];
    (void)snprintf(place, sizeof place, "%.120s.value", path);
    enum nw_status status = read_quantity(reader, key, value, place, &val->v);
    if (status == NW_OK && sigma) {
        (void)snprintf(place, sizeof place, "%.120s.sigma", path);
        status = read_sigma(reader, key, sigma, place, val);
    }
    if (status == NW_OK && from) {
        (void)snprintf(place, sizeof place, "%.120s.from", path);
        status = read_from(reader, from, place, val);
    }
    return status;
}

/* What the owner marks as assumed is listed with the assumptions too. */
static enum nw_status note_assumed(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                   const char *path) {
    const struct nw_rig_node *const value = nw_rig_tree_child(node, "value", 5);
    const struct nw_rig_node *const sigma = nw_rig_tree_child(node, "sigma", 5);
    char text[48];
    (void)snprintf(text, sizeof text, "%.20s%s%.20s", value ? value->text : "", sigma ? " +- " : "",
                   sigma ? sigma->text : "");
    return nw_rig_assume(reader, path, text, "marked as assumed in the file");
}

static enum nw_status read_value(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                 const struct nw_rig_node *node, const char *path,
                                 struct nw_val *ret) {
    struct nw_val val = {.v = NAN, .sigma = NAN, .from = NW_FROM_GIVEN};
    const enum nw_status status = node->kind == NW_RIG_MAP
                                      ? read_described(reader, key, node, path, &val)
                                      : read_quantity(reader, key, node, path, &val.v);
    if (status != NW_OK) {
        return status;
    }
    *ret = val;
    return val.from == NW_FROM_ASSUMED ? note_assumed(reader, node, path) : NW_OK;
}

static enum nw_status read_parts(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                 const char *path, struct nw_rig_names *ret) {
    if (node->kind != NW_RIG_LIST || node->n_children == 0) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "expected a list of names such as [luminance, red]");
    }
    if (node->n_children > NW_RIG_MAX_LIST) {
        return nw_rig_fail(reader, node, path, NW_LIMIT, "%zu names, at most %d are read",
                           node->n_children, NW_RIG_MAX_LIST);
    }
    for (const struct nw_rig_node *item = node->first; item; item = item->next) {
        const enum nw_status status =
            read_text(reader, item, path, ret->items[ret->n], NW_NAME_SIZE);
        if (status != NW_OK) {
            return status;
        }
        ret->n++;
    }
    return NW_OK;
}

static enum nw_status read_width(const struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                 const struct nw_rig_node *node, const char *path,
                                 struct nw_setup *setup) {
    double fwhm_rad = NAN;
    const enum nw_status status = read_quantity(reader, key, node, path, &fwhm_rad);
    if (status != NW_OK) {
        return status;
    }
    const size_t room = sizeof setup->allocations / sizeof setup->allocations[0];
    if (setup->n_allocations >= room) {
        return nw_rig_fail(reader, node, path, NW_LIMIT, "more than %zu allocations", room);
    }
    struct nw_allocation *const a = &setup->allocations[setup->n_allocations++];
    nw_text_copy(a->id, sizeof a->id, key->words);
    a->fwhm_rad = fwhm_rad;
    return NW_OK;
}

static enum nw_status read_settings(const struct nw_rig_reader *reader,
                                    const struct nw_rig_node *node, const char *path,
                                    struct nw_change *change) {
    if (node->kind != NW_RIG_MAP || node->n_children == 0) {
        return nw_rig_fail(reader, node, path, NW_FORMAT,
                           "expected path: value pairs such as 'site.seeing: 1.5 arcsec'");
    }
    change->line = node->line;
    change->settings = nw_calloc(node->n_children, sizeof *change->settings);
    if (!change->settings) {
        return nw_err_set(reader->err, NW_NOMEM, "changes");
    }
    for (const struct nw_rig_node *item = node->first; item; item = item->next) {
        char place[256];
        (void)snprintf(place, sizeof place, "%.120s.%.120s", path, item->key);
        const enum nw_status status = need_scalar(
            reader, item, place, "one value; in quotes where it is {value: ..., sigma: ...}");
        if (status != NW_OK) {
            return status;
        }
        if (strchr(item->key, '=')) {
            return nw_rig_fail(reader, item, place, NW_FORMAT, "the path holds an equals sign");
        }
        struct nw_setting *const s = &change->settings[change->n_settings++];
        s->path = nw_strdup(item->key);
        s->value = nw_strdup(item->text);
        if (!s->path || !s->value) {
            return nw_err_set(reader->err, NW_NOMEM, "changes");
        }
    }
    return NW_OK;
}

static enum nw_status read_one_word(const struct nw_rig_reader *reader,
                                    const struct nw_rig_key *key, const struct nw_rig_node *node,
                                    const char *path, char *to) {
    size_t i = 0;
    enum nw_status status = need_scalar(reader, node, path, key->words);
    if (status == NW_OK) {
        status = read_word(reader, node, path, key->words, &i);
    }
    if (status == NW_OK && key->size > 0) { /* a camera without colour filters has pattern "" */
        nw_text_copy(to, key->size, strcmp(node->text, "mono") == 0 ? "" : node->text);
    }
    return status;
}

enum nw_status nw_rig_value_read(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                 const struct nw_rig_node *node, const char *path, void *base) {
    char *const to = (char *)base + key->offset;
    enum nw_status status = NW_OK;
    size_t i = 0;
    double number = 0.0;
    switch (key->kind) {
    case NW_RIG_VALUE:
        return read_value(reader, key, node, path, (struct nw_val *)(void *)to);
    case NW_RIG_COUNT:
        status = read_quantity(reader, key, node, path, &number);
        if (status == NW_OK) {
            *(size_t *)(void *)to = (size_t)number;
        }
        return status;
    case NW_RIG_WORD:
        return key->words ? read_one_word(reader, key, node, path, to)
                          : read_text(reader, node, path, to, key->size);
    case NW_RIG_CARRY:
        status = need_scalar(reader, node, path, key->words);
        if (status == NW_OK) {
            status = read_word(reader, node, path, key->words, &i);
        }
        if (status == NW_OK) {
            *(enum nw_carries *)(void *)to =
                i == 0 ? NW_CARRIES_CAMERA : NW_CARRIES_CORRECTOR_AND_CAMERA;
        }
        return status;
    case NW_RIG_PART:
        return read_text(reader, node, path, to, key->size);
    case NW_RIG_PARTS:
        return read_parts(reader, node, path, (struct nw_rig_names *)(void *)to);
    case NW_RIG_WIDTH:
        return read_width(reader, key, node, path, &((struct nw_rig_staged *)base)->setup);
    case NW_RIG_SETTINGS:
        return read_settings(reader, node, path, base);
    case NW_RIG_LOG_LINE:
    case NW_RIG_LOG_COLUMN:
        return nw_rig_log_field_read(reader, key, node, path, (struct nw_log_field *)(void *)to);
    }
    return nw_err_set(reader->err, NW_FORMAT, "%s: unknown kind of key", path);
}

static enum nw_status default_value(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                    const char *path, struct nw_val *ret) {
    struct nw_val val = {.v = NAN, .sigma = NAN, .from = NW_FROM_UNKNOWN};
    if (key->fallback) {
        enum nw_status status = nw_quantity_read(key->fallback, key->dim, &val.v, reader->err);
        if (status == NW_OK) {
            status = sigma_from_text(key->spread, key->dim, val.v, &val.sigma, reader->err);
        }
        char text[48];
        (void)snprintf(text, sizeof text, "%.20s +- %.20s", key->fallback, key->spread);
        if (status == NW_OK) {
            status = nw_rig_assume(reader, path, text, key->why);
        }
        if (status != NW_OK) {
            return status;
        }
        val.from = NW_FROM_ASSUMED;
    }
    *ret = val;
    return NW_OK;
}

enum nw_status nw_rig_value_default(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                    const struct nw_rig_node *parent, const char *path,
                                    void *base) {
    if (key->flags & NW_RIG_REQUIRED) {
        char range[160];
        nw_rig_key_range(key, range, sizeof range);
        return nw_rig_fail(reader, parent, path, NW_NOTFOUND, "is missing: %.150s%s%.90s",
                           key->meaning, *range ? ", " : "", range);
    }
    char *const to = (char *)base + key->offset;
    if (key->kind == NW_RIG_VALUE) {
        return default_value(reader, key, path, (struct nw_val *)(void *)to);
    }
    if (key->kind == NW_RIG_WORD && key->fallback) {
        nw_text_copy(to, key->size, strcmp(key->fallback, "mono") == 0 ? "" : key->fallback);
        return key->why ? nw_rig_assume(reader, path, key->fallback, key->why) : NW_OK;
    }
    if (key->kind == NW_RIG_CARRY) {
        *(enum nw_carries *)(void *)to = NW_CARRIES_CORRECTOR_AND_CAMERA;
        return nw_rig_assume(reader, path, key->fallback, key->why);
    }
    return NW_OK;
}
