/* circuits.c - circuits, usage and storage of a rig file: words become numbers, what a kind needs
 * is there, feeders are found, and nothing feeds itself. */
#include "rig/circuits.h"

#include <math.h>
#include <stdint.h>

#include "rig/rig_internal.h"

static const char *const KINDS[NW_CIRCUIT_N_KINDS] = {"mains", "battery", "supply", "hub", "load"};

const char *nw_circuit_kind_name(enum nw_circuit_kind kind) {
    return KINDS[kind];
}

static int index_of(const char *word, const char *const *words, int n) {
    for (int i = 0; i < n; i++) {
        if (strcmp(word, words[i]) == 0) {
            return i;
        }
    }
    return 0;
}

static bool is_known(const struct nw_val *val) {
    return val->from != NW_FROM_UNKNOWN;
}

static void read_words(struct nw_circuit *c) {
    static const char *const DRAWS[] = {"power", "current", "resistance"};
    static const char *const PEAKS[] = {"never", "cooling", "heating", "slewing", "roof", "always"};
    static const char *const MAKES[] = {"flexible", "tinned", "solid", "clad"};
    c->kind = (enum nw_circuit_kind)index_of(c->kind_word, KINDS, NW_CIRCUIT_N_KINDS);
    c->draws = (enum nw_draws)index_of(c->draws_word, DRAWS, 3);
    c->peaks = (enum nw_peaks)index_of(c->peaks_word, PEAKS, 6);
    c->make = (enum nw_wire_make)index_of(c->make_word, MAKES, 4);
    c->is_needed_to_close = strcmp(c->needed_word, "yes") == 0;
}

/* What follows from the rest; each is named in the table of keys, so no list of assumptions. */
static void derive(struct nw_circuit *c) {
    const bool is_lithium = strcmp(c->chemistry, "lithium") == 0;
    if (!is_known(&c->peak_W)) {
        c->peak_W = c->running_W;
    }
    if (c->kind != NW_CIRCUIT_BATTERY) {
        return;
    }
    if (!is_known(&c->usable)) {
        c->usable = nw_rig_derived(is_lithium ? 0.85 : 0.5, 0.05);
    }
    if (!is_known(&c->peukert)) {
        c->peukert = nw_rig_derived(is_lithium ? 1.03 : 1.2, is_lithium ? 0.02 : 0.07);
    }
}

struct need {
    const char *key;
    const struct nw_val *val;
    bool is_needed;
};

enum nw_status nw_rig_finish_circuit(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                     const char *path, struct nw_circuit *c) {
    read_words(c);
    const bool is_source = c->kind != NW_CIRCUIT_HUB && c->kind != NW_CIRCUIT_LOAD;
    const bool has_wire = is_known(&c->wire_length_m) && c->wire_length_m.v > 0.0;
    const struct need needs[] = {
        {"voltage", &c->voltage_V, is_source},
        {"current", &c->current_A, c->kind == NW_CIRCUIT_SUPPLY},
        {"running", &c->running_W, c->kind == NW_CIRCUIT_LOAD},
        {"charge", &c->charge_C, c->kind == NW_CIRCUIT_BATTERY},
        {"wire.area or wire.gauge", is_known(&c->wire_gauge) ? &c->wire_gauge : &c->wire_area_m2,
         has_wire},
    };
    for (size_t i = 0; i < sizeof needs / sizeof needs[0]; i++) {
        if (needs[i].is_needed && !is_known(needs[i].val)) {
            return nw_rig_fail(reader, node, path, NW_NOTFOUND, "%s is missing: needed by a %s",
                               needs[i].key, i == 4 ? "wire with a length" : KINDS[c->kind]);
        }
    }
    const bool has_feeder = c->fed_by[0] != '\0';
    if (c->kind == NW_CIRCUIT_MAINS && has_feeder) {
        return nw_rig_fail(reader, node, path, NW_DOMAIN,
                           "mains is fed by '%.48s'; nothing feeds "
                           "it: leave fed_by out, or say kind: hub",
                           c->fed_by);
    }
    if (c->kind != NW_CIRCUIT_MAINS && c->kind != NW_CIRCUIT_BATTERY && !has_feeder) {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND, "fed_by is missing: what feeds this %s",
                           KINDS[c->kind]);
    }
    derive(c);
    if (c->kind == NW_CIRCUIT_LOAD && c->peak_W.v < c->running_W.v) {
        return nw_rig_fail(reader, node, path, NW_DOMAIN, "peak %g W is below running %g W",
                           c->peak_W.v, c->running_W.v);
    }
    return NW_OK;
}

/* A circuit by its name; NOTFOUND with the nearest one, at `node`. */
static enum nw_status find_circuit(const struct nw_rig_reader *reader,
                                   const struct nw_rig_node *node, const char *path,
                                   const char *name, size_t *ret) {
    const struct nw_wiring *const wiring = reader->rig->wiring;
    const char *names[NW_RIG_MAX_PARTS];
    for (size_t i = 0; i < wiring->n; i++) {
        names[i] = wiring->items[i].name;
        if (strcmp(names[i], name) == 0) {
            *ret = i;
            return NW_OK;
        }
    }
    const char *const near = nw_text_nearest(name, names, wiring->n);
    return nw_rig_fail(reader, node, path, NW_NOTFOUND,
                       "'%.48s' is not described under circuits%s%s%s", name,
                       near ? "; nearest is '" : "", near ? near : "", near ? "'" : "");
}

enum nw_status nw_rig_take_off(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                               const char *path, struct nw_rig_staged *staged) {
    const struct nw_rig_node *const list = nw_rig_tree_find(node, "off");
    struct nw_setup *const s = &staged->setup;
    char place[128];
    (void)snprintf(place, sizeof place, "%.90s.off", path);
    for (size_t i = 0; i < staged->off.n; i++) {
        size_t circuit = 0;
        const enum nw_status status =
            find_circuit(reader, list ? list : node, place, staged->off.items[i], &circuit);
        if (status != NW_OK) {
            return status;
        }
        nw_text_copy(s->off[s->n_off++], NW_NAME_SIZE, staged->off.items[i]);
    }
    return NW_OK;
}

static enum nw_status find_feeder(const struct nw_rig_reader *reader,
                                  const struct nw_rig_node *node, struct nw_wiring *wiring,
                                  size_t k) {
    struct nw_circuit *const c = &wiring->items[k];
    char path[96];
    (void)snprintf(path, sizeof path, "circuits.%.48s.fed_by", c->name);
    c->feeder = SIZE_MAX;
    if (c->fed_by[0] == '\0') {
        return NW_OK;
    }
    const enum nw_status status = find_circuit(reader, node, path, c->fed_by, &c->feeder);
    if (status != NW_OK) {
        return status;
    }
    return wiring->items[c->feeder].kind == NW_CIRCUIT_LOAD
               ? nw_rig_fail(reader, node, path, NW_DOMAIN, "'%.48s' is a load and feeds nothing",
                             c->fed_by)
               : NW_OK;
}

/* No circuit feeds itself by a way round; an unset temperature of a wire is the air's; an unset
 * least voltage is 10 % below the nominal one of the source above. */
static enum nw_status finish_tree(const struct nw_rig_reader *reader,
                                  const struct nw_rig_node *node, struct nw_wiring *wiring,
                                  size_t k) {
    struct nw_circuit *const c = &wiring->items[k];
    double source_V = NAN;
    size_t depth = 0;
    for (size_t i = c->feeder; i != SIZE_MAX; i = wiring->items[i].feeder) {
        if (++depth > wiring->n) {
            return nw_rig_fail(reader, node, c->name, NW_DOMAIN,
                               "circuits feed each other in a "
                               "ring");
        }
        if (isnan(source_V) && is_known(&wiring->items[i].voltage_V)) {
            source_V = wiring->items[i].voltage_V.v;
        }
    }
    if (!is_known(&c->wire_temperature_K)) {
        c->wire_temperature_K = reader->rig->site.temperature_K;
    }
    if (c->kind == NW_CIRCUIT_LOAD && !is_known(&c->least_V)) {
        const double nominal_V = source_V >= 11.0 && source_V <= 15.0 ? 12.0 : source_V;
        c->least_V = nw_rig_derived(0.9 * nominal_V, 0.03 * nominal_V);
    }
    return NW_OK;
}

enum nw_status nw_rig_read_circuits(struct nw_rig_reader *reader, struct nw_rig_inventory *inv) {
    struct nw_wiring *const wiring = nw_calloc(1, sizeof *wiring);
    if (!wiring) {
        return nw_err_set(reader->err, NW_NOMEM, "circuits");
    }
    reader->rig->wiring = wiring;
    void *items = NULL;
    enum nw_status status = nw_rig_take_all(reader, inv, &items, &wiring->n);
    wiring->items = items;
    const struct nw_rig_node *const first = inv->node ? inv->node->first : NULL;
    const struct nw_rig_node *node = first;
    for (size_t i = 0; node && i < wiring->n && status == NW_OK; i++, node = node->next) {
        status = find_feeder(reader, node, wiring, i);
    }
    node = first;
    for (size_t i = 0; node && i < wiring->n && status == NW_OK; i++, node = node->next) {
        status = finish_tree(reader, node, wiring, i);
    }
    const struct nw_rig_node *const usage = nw_rig_tree_find(reader->root, "usage");
    const struct nw_rig_node *const store = nw_rig_tree_find(reader->root, "storage");
    wiring->has_store = store != NULL;
    reader->is_muted = !usage && !store && wiring->n == 0;
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_USAGE, usage, "usage", &wiring->usage);
    }
    reader->is_muted = !store;
    if (status == NW_OK) {
        status = nw_rig_object_read(reader, NW_RIG_STORE, store, "storage", &wiring->store);
    }
    reader->is_muted = false;
    return status;
}
