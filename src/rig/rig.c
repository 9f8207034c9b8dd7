/* rig.c - words, look-up and the end of a rig; see rig.h */
#include "rig/rig.h"

#include "rig/circuits.h"

const char *nw_from_name(enum nw_from from) {
    switch (from) {
#define X(name, word)                                                                              \
    case NW_FROM_##name:                                                                           \
        return word;
        NW_FROM_LIST(X)
#undef X
    }
    return "unknown";
}

const struct nw_setup *nw_rig_setup(const struct nw_rig *rig, const char *name) {
    if (!name) {
        return rig->n_setups > 0 ? &rig->setups[0] : NULL;
    }
    for (size_t i = 0; i < rig->n_setups; i++) {
        if (strcmp(rig->setups[i].name, name) == 0) {
            return &rig->setups[i];
        }
    }
    return NULL;
}

enum nw_status nw_rig_find_setup(const struct nw_rig *rig, const char *name,
                                 const struct nw_setup **ret, struct nw_err *err) {
    const struct nw_setup *const found = nw_rig_setup(rig, name);
    if (found) {
        *ret = found;
        return NW_OK;
    }
    enum { MOST = 64 };
    const char *names[MOST];
    size_t n = 0;
    for (; n < rig->n_setups && n < MOST; n++) {
        names[n] = rig->setups[n].name;
    }
    const char *const near = nw_text_nearest(name, names, n);
    return nw_err_set(err, NW_NOTFOUND, "%s: no setup '%.48s'; %s '%s'", rig->path, name,
                      near ? "did you mean" : "the first is", near ? near : rig->setups[0].name);
}

bool nw_setup_has_body(const struct nw_setup *setup, const struct nw_body *body) {
    for (size_t i = 0; i < setup->n_without; i++) {
        if (strcmp(setup->without[i], body->name) == 0) {
            return false;
        }
    }
    return true;
}

enum nw_status nw_rig_bodies_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                struct nw_body **ret, size_t *ret_n, struct nw_err *err) {
    if (rig->n_bodies == 0) {
        return nw_err_set(err, NW_NOTFOUND,
                          "%s: no bodies are described (nightwright rig --keys explains bodies.*)",
                          rig->path);
    }
    struct nw_body *const bodies = nw_calloc(rig->n_bodies, sizeof *bodies);
    if (!bodies) {
        return nw_err_set(err, NW_NOMEM, "%zu bodies", rig->n_bodies);
    }
    size_t n = 0;
    for (size_t i = 0; i < rig->n_bodies; i++) {
        if (nw_setup_has_body(setup, &rig->bodies[i])) {
            bodies[n++] = rig->bodies[i];
        }
    }
    *ret = bodies;
    *ret_n = n;
    return NW_OK;
}

double nw_setup_scale_rad(const struct nw_setup *setup) {
    return setup->camera.pixel_m.v * setup->binning.v / setup->focal_length_m.v;
}

double nw_setup_f_ratio(const struct nw_setup *setup) {
    return setup->focal_length_m.v / setup->telescope.aperture_m.v;
}

static void setup_done(struct nw_setup *setup) {
    for (size_t i = 0; i < setup->n_changes; i++) {
        for (size_t k = 0; k < setup->changes[i].n_settings; k++) {
            free(setup->changes[i].settings[k].path);
            free(setup->changes[i].settings[k].value);
        }
        free(setup->changes[i].settings);
    }
    free(setup->changes);
}

size_t nw_bodies_keep(struct nw_body *bodies, size_t n, bool is_roof_closed) {
    const enum nw_stands other = is_roof_closed ? NW_STANDS_ROOF_OPEN : NW_STANDS_ROOF_CLOSED;
    size_t n_kept = 0;
    for (size_t i = 0; i < n; i++) {
        if (bodies[i].stands != other) {
            bodies[n_kept++] = bodies[i];
        }
    }
    return n_kept;
}

void nw_rig_free(struct nw_rig *rig) {
    if (!rig) {
        return;
    }
    for (size_t i = 0; i < rig->n_setups; i++) {
        setup_done(&rig->setups[i]);
    }
    free(rig->setups);
    free(rig->bodies);
    free(rig->positions);
    free(rig->cables);
    if (rig->wiring) {
        free(rig->wiring->items);
    }
    free(rig->wiring);
    free(rig->spacers);
    free(rig->logs);
    free(rig->damp.surfaces);
    free(rig->assumptions);
    free(rig->path);
    free(rig);
}
