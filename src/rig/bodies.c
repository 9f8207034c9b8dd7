/* bodies.c - the bodies of a rig file: what is written in words becomes numbers, and what a shape
 * needs must be there. */
#include "rig/rig_internal.h"

#include <assert.h>
#include <math.h>

static int axis_of(const char *word) {
    return word[0] == 'x' ? 0 : word[0] == 'y' ? 1 : word[0] == 'z' ? 2 : -1;
}

/* One size or limit that must be known. */
struct need {
    const char *key;
    const struct nw_val *val;
    bool is_needed;
    const char *why;
};

enum nw_status nw_rig_finish_body(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                  const char *path, struct nw_body *body) {
    static const char *const SHAPES[] = {"point", "cylinder", "tube", "box"};
    body->rides = body->rides_word[0] == 't'   ? NW_RIDES_TUBE
                  : body->rides_word[0] == 'a' ? NW_RIDES_AXIS
                                               : NW_RIDES_GROUND;
    for (int i = 0; i < 4; i++) {
        if (strcmp(body->shape_word, SHAPES[i]) == 0) {
            body->shape = (enum nw_shape)i;
        }
    }
    body->along = axis_of(body->along_word);
    body->slide = axis_of(body->slide_word);
    body->hinge = axis_of(body->hinge_word);
    assert(body->along >= 0);
    body->stands = body->roof_word[0] == 'o'   ? NW_STANDS_ROOF_OPEN
                   : body->roof_word[0] == 'c' ? NW_STANDS_ROOF_CLOSED
                                               : NW_STANDS_ALWAYS;
    const bool is_round = body->shape == NW_SHAPE_CYLINDER || body->shape == NW_SHAPE_TUBE;
    const bool is_box = body->shape == NW_SHAPE_BOX;
    const struct need needs[] = {
        {"length", &body->length_m, is_round || is_box, "of this shape"},
        {"diameter", &body->diameter_m, is_round, "of a cylinder or tube"},
        {"width", &body->width_m, is_box, "of a box"},
        {"height", &body->height_m, is_box, "of a box"},
        {"slide.from", &body->slide_from_m, body->slide >= 0, "with slide.along"},
        {"slide.to", &body->slide_to_m, body->slide >= 0, "with slide.along"},
        {"hinge.open", &body->hinge_open_rad, body->hinge >= 0, "with hinge.along"},
    };
    for (size_t i = 0; i < sizeof needs / sizeof needs[0]; i++) {
        if (needs[i].is_needed && needs[i].val->from == NW_FROM_UNKNOWN) {
            return nw_rig_fail(reader, node, path, NW_NOTFOUND, "%s is missing: needed %s",
                               needs[i].key, needs[i].why);
        }
    }
    const bool has_size =
        body->length_m.from != NW_FROM_UNKNOWN || body->diameter_m.from != NW_FROM_UNKNOWN ||
        body->width_m.from != NW_FROM_UNKNOWN || body->height_m.from != NW_FROM_UNKNOWN;
    if (body->shape == NW_SHAPE_POINT && has_size) {
        return nw_rig_fail(reader, node, path, NW_DOMAIN,
                           "has a size, but a point has none: say shape: box, cylinder or tube");
    }
    if (body->slide >= 0 && !(body->slide_from_m.v <= body->slide_to_m.v)) {
        return nw_rig_fail(reader, node, path, NW_DOMAIN,
                           "slide.from %g mm lies beyond slide.to %g mm",
                           body->slide_from_m.v * 1e3, body->slide_to_m.v * 1e3);
    }
    return NW_OK;
}

static const struct nw_body *carrier_of(const struct nw_rig *rig, const struct nw_body *body) {
    for (size_t i = 0; i < rig->n_bodies; i++) {
        if (strcmp(rig->bodies[i].name, body->carried_by) == 0) {
            return &rig->bodies[i];
        }
    }
    return NULL;
}

/* Carriers are described, ride on the same frame, and do not carry each other in a ring. */
static enum nw_status check_carrier(const struct nw_rig_reader *reader,
                                    const struct nw_rig_node *node, const struct nw_body *body) {
    const struct nw_rig *const rig = reader->rig;
    char path[128];
    (void)snprintf(path, sizeof path, "bodies.%.48s.carried_by", body->name);
    const struct nw_body *carrier = body;
    for (size_t depth = 0; carrier->carried_by[0] != '\0'; depth++) {
        const struct nw_body *const next = carrier_of(rig, carrier);
        if (!next) {
            const char *names[NW_RIG_MAX_PARTS];
            for (size_t i = 0; i < rig->n_bodies; i++) {
                names[i] = rig->bodies[i].name;
            }
            const char *const near = nw_text_nearest(carrier->carried_by, names, rig->n_bodies);
            return nw_rig_fail(reader, node, path, NW_NOTFOUND,
                               "'%.48s' is not described under bodies%s%s%s", carrier->carried_by,
                               near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
        }
        if (next->rides != body->rides) {
            return nw_rig_fail(reader, node, path, NW_DOMAIN,
                               "'%.48s' rides on %s, this body on %s: both must ride alike",
                               next->name, next->rides_word, body->rides_word);
        }
        if (depth >= rig->n_bodies) {
            return nw_rig_fail(reader, node, path, NW_DOMAIN, "bodies carry each other in a ring");
        }
        carrier = next;
    }
    return NW_OK;
}

enum nw_status nw_rig_read_bodies(struct nw_rig_reader *reader, struct nw_rig_inventory *inv) {
    struct nw_rig *const rig = reader->rig;
    void *bodies = NULL;
    enum nw_status status = nw_rig_take_all(reader, inv, &bodies, &rig->n_bodies);
    rig->bodies = bodies;
    const struct nw_rig_node *node = inv->node ? inv->node->first : NULL;
    for (size_t i = 0; node && i < rig->n_bodies && status == NW_OK; i++, node = node->next) {
        status = check_carrier(reader, node, &rig->bodies[i]);
    }
    return status;
}
