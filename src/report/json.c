/* json.c - see report.h
 * Idea: jansson refuses NaN, infinities and text that is not UTF-8 by returning NULL; each is made
 * acceptable before it gets there, so that NULL can only mean that memory is out. */
#include <math.h>

#include "report/report.h"

enum { DIGITS_DEFAULT = 6, DIGITS_MAX = 15 };

double nw_report_round(double value, int digits) {
    char text[40];
    double rounded = value;
    if (isfinite(value)) {
        const int kept = digits < 1 ? 1 : digits > 17 ? 17 : digits;
        (void)snprintf(text, sizeof text, "%.*e", kept - 1, value);
        (void)nw_text_to_double(text, &rounded);
    }
    return rounded;
}

void nw_json_begin(struct nw_json *json, const char *command, int version) {
    *json = (struct nw_json){.root = json_object()};
    json->is_failed = !json->root;
    char schema[80];
    (void)snprintf(schema, sizeof schema, "nightwright.%s.%d", command, version);
    nw_json_text(json, NULL, "schema", schema);
}

enum nw_status nw_json_end(struct nw_json *json, json_t **ret, struct nw_err *err) {
    if (json->is_failed) {
        nw_json_drop(json);
        return nw_err_set(err, NW_NOMEM, "JSON document");
    }
    *ret = json->root;
    json->root = NULL;
    return NW_OK;
}

void nw_json_drop(struct nw_json *json) {
    json_decref(json->root);
    json->root = NULL;
}

void nw_json_put(struct nw_json *json, json_t *object, const char *key, json_t *value) {
    json_t *const target = object ? object : json->root;
    if (json->is_failed) {
        json_decref(value);
        return;
    }
    json->is_failed = json_object_set_new(target, key, value) != 0;
}

void nw_json_add(struct nw_json *json, json_t *array, json_t *value) {
    if (json->is_failed || !array) {
        json_decref(value);
        return;
    }
    json->is_failed = json_array_append_new(array, value) != 0;
}

json_t *nw_json_object(struct nw_json *json, json_t *object, const char *key) {
    json_t *const child = json_object();
    nw_json_put(json, object, key, child);
    return json->is_failed ? NULL : child;
}

json_t *nw_json_array(struct nw_json *json, json_t *object, const char *key) {
    json_t *const child = json_array();
    nw_json_put(json, object, key, child);
    return json->is_failed ? NULL : child;
}

json_t *nw_json_item(struct nw_json *json, json_t *array) {
    json_t *const child = json_object();
    nw_json_add(json, array, child);
    return json->is_failed ? NULL : child;
}

json_t *nw_json_item_array(struct nw_json *json, json_t *array) {
    json_t *const child = json_array();
    nw_json_add(json, array, child);
    return json->is_failed ? NULL : child;
}

static json_t *number_value(double value, int digits) {
    if (!isfinite(value)) {
        return json_null();
    }
    const int kept = digits < 1 ? DIGITS_DEFAULT : digits > DIGITS_MAX ? DIGITS_MAX : digits;
    return json_real(nw_report_round(value, kept));
}

/* The bytes of a UTF-8 character at `text`, 0 when they are not one. */
static size_t character_length(const char *text) {
    const size_t left = strnlen(text, 4);
    for (size_t len = 1; len <= 4 && len <= left; len++) {
        if (nw_text_is_utf8(text, len)) {
            return len;
        }
    }
    return 0;
}

static json_t *text_value(const char *text) {
    if (!text || text[0] == '\0') {
        return json_null();
    }
    if (nw_text_is_utf8(text, strlen(text))) {
        return json_string(text);
    }
    struct nw_buf clean;
    nw_buf_init(&clean, NW_REPORT_MAX_BYTES);
    for (const char *at = text; *at;) {
        const size_t len = character_length(at);
        nw_buf_printf(&clean, "%.*s", len ? (int)len : 3, len ? at : "\xEF\xBF\xBD");
        at += len ? len : 1;
    }
    json_t *const value = nw_buf_failed(&clean) ? NULL : json_string(clean.data);
    nw_buf_done(&clean);
    return value;
}

void nw_json_number(struct nw_json *json, json_t *object, const char *key, double value,
                    int digits) {
    nw_json_put(json, object, key, number_value(value, digits));
}

void nw_json_count(struct nw_json *json, json_t *object, const char *key, size_t count) {
    nw_json_put(json, object, key, json_integer((json_int_t)count));
}

void nw_json_text(struct nw_json *json, json_t *object, const char *key, const char *text) {
    nw_json_put(json, object, key, text_value(text));
}

void nw_json_bool(struct nw_json *json, json_t *object, const char *key, bool value) {
    nw_json_put(json, object, key, json_boolean(value));
}

void nw_json_time(struct nw_json *json, json_t *object, const char *key, double t_utc_s,
                  int decimals) {
    char text[40];
    nw_time_write_iso(t_utc_s, decimals, text, sizeof text);
    nw_json_text(json, object, key, strcmp(text, "-") == 0 ? NULL : text);
}

void nw_json_null(struct nw_json *json, json_t *object, const char *key) {
    nw_json_put(json, object, key, json_null());
}

void nw_json_why(struct nw_json *json, json_t *object, const char *key, const char *reason) {
    json_t *const target = object ? object : json->root;
    json_t *map = json_object_get(target, "why_null");
    if (!json_is_object(map)) {
        map = nw_json_object(json, object, "why_null");
    }
    if (map) {
        nw_json_text(json, map, key, reason);
    }
}

void nw_json_add_number(struct nw_json *json, json_t *array, double value, int digits) {
    nw_json_add(json, array, number_value(value, digits));
}

void nw_json_add_text(struct nw_json *json, json_t *array, const char *text) {
    nw_json_add(json, array, text_value(text));
}

static int add_piece(const char *bytes, size_t n_bytes, void *user) {
    return nw_buf_add(user, bytes, n_bytes, NULL) == NW_OK ? 0 : -1;
}

enum nw_status nw_json_write(const json_t *document, struct nw_buf *ret, struct nw_err *err) {
    if (json_dump_callback(document, add_piece, ret,
                           JSON_INDENT(1) | JSON_REAL_PRECISION(DIGITS_MAX)) != 0) {
        return nw_err_set(err, NW_NOMEM, "JSON text (over %zu bytes)", ret->len);
    }
    return nw_buf_add(ret, "\n", 1, err);
}
