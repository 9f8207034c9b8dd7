/* changes.c - what changed in the headers in the course of the night, per camera.
 * Idea: settings that should stay come from the cards (nw_headers_compare); focuser position, tube
 * side and target change by rights, and are told as well, once each. */
#include <math.h>
#include <stddef.h>

#include "look/look_internal.h"

enum { TEXT_SIZE = 80, MAX_CHANGES = 4096 };

/* Where a fact stands, what counts as a change, and how it is shown. */
struct item {
    const char *what;
    size_t at; /* offset in nw_frame_facts */
    bool is_text;
    double tolerance; /* of numbers, in units as shown */
    double factor, offset;
    const char *unit;
    int decimals;
};
#define NUMBER(field, name, tol, scale, zero, unit_text, digits)                                   \
    { name, offsetof(struct nw_frame_facts, field), false, tol, scale, zero, unit_text, digits }
#define TEXT(field, name)                                                                          \
    { name, offsetof(struct nw_frame_facts, field), true, 0.0, 1.0, 0.0, "", 0 }
static const struct item ITEMS[] = {
    NUMBER(focuser_steps, "focuser position", 0.5, 1.0, 0.0, "", 0),
    TEXT(tube_side, "tube side"),
    TEXT(object, "target"),
};
enum { N_ITEMS = sizeof ITEMS / sizeof ITEMS[0] };

static double number_of(const struct nw_look_frame *frame, const struct item *item) {
    double value = NAN;
    memcpy(&value, (const char *)&frame->facts + item->at, sizeof value);
    return value * item->factor + item->offset;
}

static bool is_said(const struct nw_look_frame *frame, const struct item *item) {
    const char *const text = (const char *)&frame->facts + item->at;
    return item->is_text ? text[0] != '\0' : isfinite(number_of(frame, item)) != 0;
}

static bool is_changed(const struct nw_look_frame *a, const struct nw_look_frame *b,
                       const struct item *item) {
    if (item->is_text) {
        return strcmp((const char *)&a->facts + item->at, (const char *)&b->facts + item->at) != 0;
    }
    return fabs(number_of(a, item) - number_of(b, item)) > item->tolerance;
}

static void show(const struct nw_look_frame *frame, const struct item *item, char *text) {
    if (item->is_text) {
        nw_text_copy(text, TEXT_SIZE, (const char *)&frame->facts + item->at);
    } else {
        (void)snprintf(text, TEXT_SIZE, "%.*f%s", item->decimals, number_of(frame, item),
                       item->unit);
    }
}

/* One item through the frames of the camera of frames[first]. */
static void follow(const struct nw_look *look, size_t first, const struct item *item,
                   struct nw_look_change *change) {
    const char *const camera = look->frames[first].facts.camera;
    const struct nw_look_frame *start = NULL;
    const struct nw_look_frame *last = NULL;
    for (size_t i = first; i < look->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[i];
        if (strcmp(frame->facts.camera, camera) != 0 || !is_said(frame, item)) {
            continue;
        }
        if (!start) {
            start = frame;
        } else if (is_changed(last, frame, item)) {
            change->frame = change->n_changes == 0 ? i : change->frame;
            change->n_changes++;
            if (change->n_changes == 1) {
                show(frame, item, change->to);
            }
        }
        last = frame;
    }
    if (change->n_changes > 0) {
        show(start, item, change->from);
        nw_text_copy(change->what, sizeof change->what, item->what);
        nw_text_copy(change->camera, sizeof change->camera, camera);
    }
}

static bool is_first_of_camera(const struct nw_look *look, size_t i) {
    for (size_t k = 0; k < i; k++) {
        if (strcmp(look->frames[k].facts.camera, look->frames[i].facts.camera) == 0) {
            return false;
        }
    }
    return true;
}

static enum nw_status append(struct nw_look *look, const struct nw_look_change *change, size_t *cap,
                             struct nw_err *err) {
    const enum nw_status status = nw_grow((void **)&look->changes, cap, look->n_changes + 1,
                                          sizeof *look->changes, MAX_CHANGES, err);
    if (status == NW_OK) {
        look->changes[look->n_changes++] = *change;
    }
    return status;
}

/* As written, but "3.984046692260535" and "5.0000000000000E+01" are numbers for people too. */
static void show_card(char *text, const char *value) {
    double number = NAN;
    if (value && strlen(value) > 8 && nw_text_to_double(value, &number)) {
        (void)snprintf(text, TEXT_SIZE, "%.6g", number);
    } else {
        nw_text_copy(text, TEXT_SIZE, value ? value : "(none)");
    }
}

/* The cards of all frames of the camera of frames[first]. headers and index have room for all. */
static enum nw_status compare_cards(struct nw_look *look, size_t first,
                                    const struct nw_frame **headers, size_t *index, size_t *cap,
                                    struct nw_err *err) {
    const char *const camera = look->frames[first].facts.camera;
    size_t n = 0;
    for (size_t i = first; i < look->n_frames; i++) {
        if (look->frames[i].header && strcmp(look->frames[i].facts.camera, camera) == 0) {
            headers[n] = look->frames[i].header;
            index[n++] = i;
        }
    }
    struct nw_header_changes changes = {0};
    enum nw_status status = nw_headers_compare(headers, n, &changes, err);
    for (size_t i = 0; i < changes.n && status == NW_OK; i++) {
        const struct nw_header_change *const item = &changes.items[i];
        const struct nw_header_step *const step = &item->steps[0];
        struct nw_look_change change = {.n_changes = item->n_steps,
                                        .is_regular = item->kind == NW_HEADER_ROTATION,
                                        .is_named = item->what[0] != '\0'};
        if (item->n_listed == 0) {
            continue;
        }
        change.frame = index[step->frame];
        nw_text_copy(change.what, sizeof change.what, change.is_named ? item->what : item->key);
        nw_text_copy(change.key, sizeof change.key, item->key);
        nw_text_copy(change.camera, sizeof change.camera, camera);
        show_card(change.from, step->old_value);
        show_card(change.to, step->new_value);
        status = append(look, &change, cap, err);
    }
    nw_header_changes_done(&changes);
    return status;
}

enum nw_status look_changes(struct nw_look *look, struct nw_err *err) {
    const struct nw_frame **const headers = nw_calloc(look->n_frames, sizeof(void *));
    size_t *const index = nw_calloc(look->n_frames, sizeof *index);
    size_t cap = 0;
    enum nw_status status =
        headers && index ? NW_OK
                         : nw_err_set(err, NW_NOMEM, "headers of %zu frames", look->n_frames);
    for (size_t i = 0; i < look->n_frames && status == NW_OK; i++) {
        if (!is_first_of_camera(look, i)) {
            continue;
        }
        status = compare_cards(look, i, headers, index, &cap, err);
        for (size_t k = 0; k < N_ITEMS && status == NW_OK; k++) {
            struct nw_look_change change = {.is_named = true};
            follow(look, i, &ITEMS[k], &change);
            status = change.n_changes > 0 ? append(look, &change, &cap, err) : NW_OK;
        }
    }
    free((void *)headers);
    free(index);
    return status;
}
