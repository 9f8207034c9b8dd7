/* targets.c - the targets file; see targets.h.
 * Idea: the tree of the rig file's reader, and one table of keys for each kind of map. Holds: every
 * message has the place of what it speaks of. */
#include "rig/targets.h"

#include <math.h>
#include <stddef.h>

#include "rig/rig_internal.h"

struct field {
    const char *key;
    enum nw_dim dim;
    const char *min, *max, *fallback; /* fallback NULL: NaN */
    size_t offset;
};
#define HABIT(key, m, dim, min, max, fallback)                                                     \
    { key, NW_DIM_##dim, min, max, fallback, offsetof(struct nw_night_habits, m) }
static const struct field HABITS[] = {
    HABIT("sun_below", sun_altitude_rad, ANGLE, "-30 deg", "-6 deg", "-18 deg"),
    HABIT("sun_below_narrow", sun_altitude_narrow_rad, ANGLE, "-30 deg", "-6 deg", "-15 deg"),
    HABIT("readout", readout_s, TIME, "0 s", "10 min", "3 s"),
    HABIT("dither_every", dither_every, NUMBER, "1", "1000", "3"),
    HABIT("dither", dither_s, TIME, "0 s", "10 min", "15 s"),
    HABIT("slew", slew_s, TIME, "0 s", "1 h", "4 min"),
    HABIT("flip", flip_s, TIME, "0 s", "1 h", "5 min"),
    HABIT("longest_sub", longest_sub_s, TIME, "1 s", "2 h", NULL),
    HABIT("read_noise_share", read_noise_share, NUMBER, "0.005", "1", "0.05"),
    HABIT("saturated_stars", saturated_most, NUMBER, "0", "1000000", NULL),
    HABIT("settle", settle_s, TIME, "0 s", "6 h", "60 min"),
    HABIT("cool", cool_s, TIME, "0 s", "3 h", "20 min"),
    HABIT("flats", flats_s, TIME, "0 s", "1 h", "3 min"),
    HABIT("rotator_rim", rim_m, LENGTH, "10 mm", "1 m", NULL),
    HABIT("targets_a_night", steps_max, NUMBER, "1", "3", "3"),
};
#define TARGET(key, m, dim, min, max, fallback)                                                    \
    { key, NW_DIM_##dim, min, max, fallback, offsetof(struct nw_target, m) }
static const struct field TARGETS[] = {
    TARGET("min_altitude", min_altitude_rad, ANGLE, "0 deg", "89 deg", "30 deg"),
    TARGET("rotation", rotation_rad, ANGLE, "-360 deg", "360 deg", NULL),
};
static const struct field MOON[] = {
    TARGET("separation", moon_separation_rad, ANGLE, "0 deg", "180 deg", "30 deg"),
    TARGET("lit", moon_lit, NUMBER, "0", "1", "1"),
    TARGET("above", moon_altitude_rad, ANGLE, "-10 deg", "90 deg", "0 deg"),
};
static const struct field MOSAIC[] = {
    TARGET("columns", columns, NUMBER, "1", "20", "1"),
    TARGET("rows", rows, NUMBER, "1", "20", "1"),
    TARGET("overlap", overlap, NUMBER, "0", "0.5", "0.15"),
};
#define GOAL(key, m, dim, min, max, fallback)                                                      \
    { key, NW_DIM_##dim, min, max, fallback, offsetof(struct nw_goal, m) }
static const struct field GOALS[] = {
    GOAL("hours", exposure_s, TIME, "1 s", "2000 h", NULL),
    GOAL("snr", snr, NUMBER, "0.1", "10000", NULL),
    GOAL("brightness", brightness_mag_arcsec2, SURFACE_BRIGHTNESS, "10 mag/arcsec2",
         "32 mag/arcsec2", NULL),
    GOAL("done", done_s, TIME, "0 s", "2000 h", "0 s"),
};
#define N_OF(rows) (sizeof(rows) / sizeof(rows)[0])

struct reader {
    const char *name;
    struct nw_err *err;
};

static enum nw_status fail(const struct reader *r, const struct nw_rig_node *node,
                           enum nw_status status) {
    return nw_err_at(r->err, status, "%s:%zu:%zu: %s", r->name, node->line, node->column,
                     node->key ? node->key : "item");
}

static enum nw_status expect_map(const struct reader *r, const struct nw_rig_node *node) {
    return node->kind == NW_RIG_MAP
               ? NW_OK
               : fail(r, node, nw_err_set(r->err, NW_FORMAT, "expected a map of keys"));
}

/* The value of one field, within its range. */
static enum nw_status read_value(const struct reader *r, const struct field *field,
                                 const char *text, double *ret) {
    double low = -INFINITY;
    double high = INFINITY;
    enum nw_status status = nw_quantity_read(text, field->dim, ret, r->err);
    status = status == NW_OK ? nw_quantity_read(field->min, field->dim, &low, r->err) : status;
    status = status == NW_OK ? nw_quantity_read(field->max, field->dim, &high, r->err) : status;
    if (status == NW_OK && !(*ret >= low && *ret <= high)) {
        status = nw_err_set(r->err, NW_DOMAIN, "'%.40s' is outside %s to %s", text, field->min,
                            field->max);
    }
    return status;
}

static double *place_of(void *base, const struct field *field) {
    return (double *)(void *)((char *)base + field->offset);
}

/* Fills all fields of a map (NULL: none of it is there); `others`: keys that somebody else reads.
 */
static enum nw_status read_fields(const struct reader *r, const struct nw_rig_node *map,
                                  const struct field *fields, size_t n, void *base) {
    enum nw_status status = map ? expect_map(r, map) : NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct nw_rig_node *const node =
            map ? nw_rig_tree_child(map, fields[i].key, strlen(fields[i].key)) : NULL;
        double *const to = place_of(base, &fields[i]);
        *to = NAN;
        if (!node && fields[i].fallback) {
            status = nw_quantity_read(fields[i].fallback, fields[i].dim, to, r->err);
        } else if (node && node->kind != NW_RIG_SCALAR) {
            status = fail(r, node,
                          nw_err_set(r->err, NW_FORMAT, "expected %s, such as %s",
                                     nw_dim_words(fields[i].dim), nw_dim_example(fields[i].dim)));
        } else if (node) {
            status = read_value(r, &fields[i], node->text, to);
            status = status == NW_OK ? status : fail(r, node, status);
        }
    }
    return status;
}

/* Keys of a map that are neither in the table nor among the others. */
static enum nw_status check_keys(const struct reader *r, const struct nw_rig_node *map,
                                 const struct field *fields, size_t n, const char *const *others) {
    const char *known[40];
    size_t n_known = 0;
    for (size_t i = 0; i < n; i++) {
        known[n_known++] = fields[i].key;
    }
    for (size_t i = 0; others && others[i]; i++) {
        known[n_known++] = others[i];
    }
    for (const struct nw_rig_node *node = map->first; node; node = node->next) {
        bool is_known = false;
        for (size_t i = 0; i < n_known; i++) {
            is_known = is_known || strcmp(node->key, known[i]) == 0;
        }
        if (!is_known) {
            const char *const nearest = nw_text_nearest(node->key, known, n_known);
            return fail(r, node,
                        nw_err_set(r->err, NW_FORMAT, "unknown key%s%s",
                                   nearest ? ", did you mean " : "", nearest ? nearest : ""));
        }
    }
    return NW_OK;
}

static enum nw_status read_section(const struct reader *r, const struct nw_rig_node *map,
                                   const struct field *fields, size_t n, void *base) {
    enum nw_status status = read_fields(r, map, fields, n, base);
    return status == NW_OK && map ? check_keys(r, map, fields, n, NULL) : status;
}

static enum nw_status read_text(const struct reader *r, const struct nw_rig_node *node, char *to,
                                size_t size) {
    if (node->kind != NW_RIG_SCALAR || node->text[0] == '\0' || strlen(node->text) >= size) {
        return fail(r, node,
                    nw_err_set(r->err, NW_FORMAT, "expected a text of 1 to %zu bytes", size - 1));
    }
    nw_text_copy(to, size, node->text);
    return NW_OK;
}

/* ---- One target ----------------------------------------------------------------------------- */

static enum nw_status read_goal(const struct reader *r, const struct nw_rig_node *node,
                                struct nw_target *target) {
    if (target->n_goals == NW_MAX_GOALS) {
        return fail(r, node, nw_err_set(r->err, NW_LIMIT, "more than %d goals", NW_MAX_GOALS));
    }
    struct nw_goal *const goal = &target->goals[target->n_goals];
    nw_text_copy(goal->filter, sizeof goal->filter, node->key);
    enum nw_status status = NW_OK;
    if (node->kind == NW_RIG_SCALAR) { /* "luminance: 4 h" */
        status = read_value(r, &GOALS[0], node->text, &goal->exposure_s);
        status = status == NW_OK ? status : fail(r, node, status);
        goal->snr = NAN;
        goal->brightness_mag_arcsec2 = NAN;
        goal->done_s = 0.0;
    } else {
        status = read_section(r, node, GOALS, N_OF(GOALS), goal);
    }
    const bool has_snr = isfinite(goal->snr) && isfinite(goal->brightness_mag_arcsec2);
    if (status == NW_OK && isfinite(goal->brightness_mag_arcsec2) && !isfinite(goal->snr)) {
        goal->snr = 5.0; /* what is called detected */
    } else if (status == NW_OK && !isfinite(goal->exposure_s) && !has_snr) {
        status = fail(
            r, node,
            nw_err_set(r->err, NW_FORMAT, "expected hours, or brightness with or without snr"));
    }
    target->n_goals++;
    return status;
}

static enum nw_status read_place(const struct reader *r, const struct nw_rig_node *node,
                                 struct nw_target *target) {
    const struct nw_rig_node *const ra = nw_rig_tree_child(node, "ra", 2);
    const struct nw_rig_node *const dec = nw_rig_tree_child(node, "dec", 3);
    const struct nw_rig_node *const object = nw_rig_tree_child(node, "object", 6);
    target->ra_rad = NAN;
    target->dec_rad = NAN;
    if (object) {
        return read_text(r, object, target->object, sizeof target->object);
    }
    if (!ra && !dec) { /* the owner's name is the object's */
        nw_text_copy(target->object, sizeof target->object, target->name);
        return NW_OK;
    }
    if (!ra || !dec || ra->kind != NW_RIG_SCALAR || dec->kind != NW_RIG_SCALAR) {
        return fail(r, node, nw_err_set(r->err, NW_FORMAT, "ra and dec belong together"));
    }
    /* "83.82 deg" as well as sexagesimal */
    const bool is_plain = strstr(ra->text, "deg") != NULL;
    enum nw_status status = is_plain
                                ? nw_quantity_read(ra->text, NW_DIM_ANGLE, &target->ra_rad, r->err)
                                : nw_angle_read(ra->text, true, &target->ra_rad, r->err);
    if (status != NW_OK) {
        return fail(r, ra, status);
    }
    status = strstr(dec->text, "deg")
                 ? nw_quantity_read(dec->text, NW_DIM_ANGLE, &target->dec_rad, r->err)
                 : nw_angle_read(dec->text, false, &target->dec_rad, r->err);
    if (status == NW_OK && !(fabs(target->dec_rad) <= 0.5 * NW_PI)) {
        status = nw_err_set(r->err, NW_DOMAIN, "'%.40s' is outside -90 to 90 deg", dec->text);
    }
    return status == NW_OK ? status : fail(r, dec, status);
}

static enum nw_status read_priority(const struct reader *r, const struct nw_rig_node *node,
                                    struct nw_target *target) {
    const struct nw_rig_node *const p = nw_rig_tree_child(node, "priority", 8);
    long v = 3;
    if (p && (p->kind != NW_RIG_SCALAR || !nw_text_to_long(p->text, &v) || v < 1 || v > 5)) {
        return fail(r, p, nw_err_set(r->err, NW_DOMAIN, "expected 1 (first) to 5 (last)"));
    }
    target->priority = (int)v;
    return NW_OK;
}

static enum nw_status read_target(const struct reader *r, const struct nw_rig_node *node,
                                  struct nw_target *target) {
    static const char *const OTHERS[] = {"object", "ra",     "dec",   "priority",
                                         "moon",   "mosaic", "goals", NULL};
    *target = (struct nw_target){.line = node->line};
    if (strlen(node->key) >= sizeof target->name) {
        return fail(r, node, nw_err_set(r->err, NW_FORMAT, "name longer than 47 bytes"));
    }
    nw_text_copy(target->name, sizeof target->name, node->key);
    enum nw_status status = expect_map(r, node);
    status = status == NW_OK ? check_keys(r, node, TARGETS, N_OF(TARGETS), OTHERS) : status;
    status = status == NW_OK ? read_fields(r, node, TARGETS, N_OF(TARGETS), target) : status;
    status = status == NW_OK
                 ? read_section(r, nw_rig_tree_child(node, "moon", 4), MOON, N_OF(MOON), target)
                 : status;
    status = status == NW_OK ? read_section(r, nw_rig_tree_child(node, "mosaic", 6), MOSAIC,
                                            N_OF(MOSAIC), target)
                             : status;
    status = status == NW_OK ? read_place(r, node, target) : status;
    status = status == NW_OK ? read_priority(r, node, target) : status;
    const struct nw_rig_node *const goals = nw_rig_tree_child(node, "goals", 5);
    if (status == NW_OK && (!goals || goals->kind != NW_RIG_MAP || goals->n_children == 0)) {
        return fail(r, goals ? goals : node,
                    nw_err_set(r->err, NW_FORMAT, "expected goals by filter, as {luminance: 4 h}"));
    }
    for (const struct nw_rig_node *g = goals ? goals->first : NULL; g && status == NW_OK;
         g = g->next) {
        status = read_goal(r, g, target);
    }
    return status;
}

/* ---- The file ------------------------------------------------------------------------------- */

static enum nw_status read_horizon(const struct reader *r, const struct nw_rig_node *list,
                                   struct nw_targets *targets) {
    for (const struct nw_rig_node *p = list->first; p; p = p->next) {
        double azimuth = NAN;
        double altitude = NAN;
        const bool is_pair = p->kind == NW_RIG_LIST && p->n_children == 2 &&
                             p->first->kind == NW_RIG_SCALAR && p->last->kind == NW_RIG_SCALAR;
        if (list->kind != NW_RIG_LIST || !is_pair ||
            nw_quantity_read(p->first->text, NW_DIM_ANGLE, &azimuth, NULL) != NW_OK ||
            nw_quantity_read(p->last->text, NW_DIM_ANGLE, &altitude, NULL) != NW_OK ||
            !(azimuth >= 0.0 && azimuth < 2.0 * NW_PI + 1e-9) || !(fabs(altitude) < NW_PI / 2.0)) {
            return fail(r, p,
                        nw_err_set(r->err, NW_FORMAT,
                                   "expected pairs of azimuth and altitude, as [120 deg, 18 "
                                   "deg]"));
        }
        if (targets->n_horizon == NW_MAX_HORIZON ||
            (targets->n_horizon > 0 &&
             !(azimuth > targets->horizon_rad[targets->n_horizon - 1][0]))) {
            return fail(r, p,
                        nw_err_set(r->err, NW_FORMAT, "expected at most %d pairs by rising azimuth",
                                   NW_MAX_HORIZON));
        }
        targets->horizon_rad[targets->n_horizon][0] = azimuth;
        targets->horizon_rad[targets->n_horizon++][1] = altitude;
    }
    return NW_OK;
}

static enum nw_status read_all(const struct reader *r, const struct nw_rig_node *root,
                               struct nw_targets *targets) {
    static const char *const KEYS[] = {
        "nightwright-targets", "time_zone", "habits", "horizon", "targets", NULL};
    enum nw_status status = check_keys(r, root, NULL, 0, KEYS);
    const struct nw_rig_node *const version = nw_rig_tree_child(root, KEYS[0], strlen(KEYS[0]));
    if (status == NW_OK &&
        (!version || version->kind != NW_RIG_SCALAR || strcmp(version->text, "1") != 0)) {
        return nw_err_set(r->err, NW_FORMAT,
                          "%s:1: expected 'nightwright-targets: 1' (the version of this form)",
                          r->name);
    }
    const struct nw_rig_node *const zone = nw_rig_tree_child(root, "time_zone", 9);
    if (status == NW_OK && zone) {
        status = read_text(r, zone, targets->time_zone, sizeof targets->time_zone);
    }
    status = status == NW_OK ? read_section(r, nw_rig_tree_child(root, "habits", 6), HABITS,
                                            N_OF(HABITS), &targets->habits)
                             : status;
    const struct nw_rig_node *const horizon = nw_rig_tree_child(root, "horizon", 7);
    status = status == NW_OK && horizon ? read_horizon(r, horizon, targets) : status;
    const struct nw_rig_node *const list = nw_rig_tree_child(root, "targets", 7);
    if (status == NW_OK && (!list || list->kind != NW_RIG_MAP || list->n_children == 0)) {
        return nw_err_set(r->err, NW_FORMAT, "%s: no target in it: 'targets:' is missing or empty",
                          r->name);
    }
    if (status == NW_OK && list->n_children > NW_MAX_TARGETS) {
        return nw_err_set(r->err, NW_LIMIT, "%s: %zu targets, at most %d", r->name,
                          list->n_children, NW_MAX_TARGETS);
    }
    targets->items = status == NW_OK ? nw_calloc(list->n_children, sizeof *targets->items) : NULL;
    if (status == NW_OK && !targets->items) {
        return nw_err_set(r->err, NW_NOMEM, "%s", r->name);
    }
    for (const struct nw_rig_node *t = status == NW_OK ? list->first : NULL; t && status == NW_OK;
         t = t->next) {
        status = read_target(r, t, &targets->items[targets->n++]);
    }
    return status;
}

enum nw_status nw_targets_parse(const char *name, const char *data, size_t len,
                                struct nw_targets **ret, struct nw_err *err) {
    struct nw_err own = {0};
    const struct reader r = {name, err ? err : &own};
    struct nw_rig_node *root = NULL;
    struct nw_targets *targets = nw_calloc(1, sizeof *targets);
    enum nw_status status = targets ? nw_rig_tree_parse(name, data, len, &root, err)
                                    : nw_err_set(err, NW_NOMEM, "%s", name);
    if (status == NW_OK) {
        targets->path = nw_strdup(name);
        status = read_all(&r, root, targets);
    }
    if (status == NW_OK) {
        *ret = targets;
        targets = NULL;
    }
    nw_targets_free(targets);
    nw_rig_tree_free(root);
    return status;
}

enum nw_status nw_targets_read(const char *path, struct nw_targets **ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, NW_RIG_MAX_BYTES, &data, &len, err);
    status = status == NW_OK ? nw_targets_parse(path, data, len, ret, err) : status;
    free(data);
    return status;
}

void nw_targets_free(struct nw_targets *targets) {
    if (targets) {
        free(targets->path);
        free(targets->items);
        free(targets);
    }
}

enum nw_status nw_targets_check_filters(const struct nw_targets *targets,
                                        const struct nw_setup *setup, struct nw_err *err) {
    const char *names[NW_RIG_MAX_FILTERS];
    for (size_t i = 0; i < setup->n_filters; i++) {
        names[i] = setup->filters[i].name;
    }
    for (size_t t = 0; t < targets->n; t++) {
        for (size_t g = 0; g < targets->items[t].n_goals; g++) {
            const char *const filter = targets->items[t].goals[g].filter;
            bool is_known = false;
            for (size_t i = 0; i < setup->n_filters; i++) {
                is_known = is_known || strcmp(names[i], filter) == 0;
            }
            if (!is_known && (setup->n_filters > 0 || strcmp(filter, "none") != 0)) {
                const char *const near = nw_text_nearest(filter, names, setup->n_filters);
                return nw_err_set(
                    err, NW_NOTFOUND, "%s:%zu: %s: setup %s has no filter '%s'%s%s%s",
                    targets->path, targets->items[t].line, targets->items[t].name, setup->name,
                    filter, near ? "; the nearest is " : "", near ? near : "",
                    setup->n_filters == 0 ? "; it has none: the goal's name is then none" : "");
            }
        }
    }
    return NW_OK;
}

double nw_targets_horizon_rad(const struct nw_targets *targets, double azimuth_rad) {
    const size_t n = targets->n_horizon;
    if (n == 0) {
        return -0.5 * NW_PI;
    }
    size_t after = 0;
    while (after < n && targets->horizon_rad[after][0] <= azimuth_rad) {
        after++;
    }
    const double *const a = targets->horizon_rad[(after + n - 1) % n];
    const double *const b = targets->horizon_rad[after % n];
    double span = b[0] - a[0];
    double part = azimuth_rad - a[0];
    span += span <= 0.0 ? 2.0 * NW_PI : 0.0;
    part += part < 0.0 ? 2.0 * NW_PI : 0.0;
    return a[1] + (b[1] - a[1]) * fmin(1.0, part / span);
}
