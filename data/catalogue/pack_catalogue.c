/* pack_catalogue.c - the public lists of data/catalogue/node_modules/d3-celestial/data into the one
 * file that the program maps. Run by the build.
 * usage: pack_catalogue DATA_FOLDER OUT
 * Idea: stars (118,000, V and B-V, from XHIP: Anderson & Francis 2012, V/137D) by their HIP number,
 * proper name, Bayer and Flamsteed designation; deep-sky objects by both of their designations and
 * their common names. What the lists are known to have wrong is left out: places off the sky,
 * magnitude 999; what of Messier's list has no entry is taken from its own file. */
#include <jansson.h>
#include <math.h>
#include <stdio.h>

#include "sky/catalogue.h"

#define DEG NW_RAD_PER_DEG
static const char NOTE[] =
    "Star and deep-sky lists of d3-celestial 0.7.35; stars from XHIP (Anderson & Francis 2012, "
    "V/137D). Copyright (c) 2015, Olaf Frohn. All rights reserved. Redistribution and use in "
    "source "
    "and binary forms, with or without modification, are permitted provided that the following "
    "conditions are met: 1. Redistributions of source code must retain the above copyright notice, "
    "this list of conditions and the following disclaimer. 2. Redistributions in binary form must "
    "reproduce the above copyright notice, this list of conditions and the following disclaimer in "
    "the documentation and/or other materials provided with the distribution. 3. Neither the name "
    "of the copyright holder nor the names of its contributors may be used to endorse or promote "
    "products derived from this software without specific prior written permission. THIS SOFTWARE "
    "IS PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS \"AS IS\" AND ANY EXPRESS OR IMPLIED "
    "WARRANTIES, INCLUDING, BUT NOT LIMITED TO, THE IMPLIED WARRANTIES OF MERCHANTABILITY AND "
    "FITNESS FOR A PARTICULAR PURPOSE ARE DISCLAIMED. IN NO EVENT SHALL THE COPYRIGHT HOLDER OR "
    "CONTRIBUTORS BE LIABLE FOR ANY DIRECT, INDIRECT, INCIDENTAL, SPECIAL, EXEMPLARY, OR "
    "CONSEQUENTIAL DAMAGES (INCLUDING, BUT NOT LIMITED TO, PROCUREMENT OF SUBSTITUTE GOODS OR "
    "SERVICES; LOSS OF USE, DATA, OR PROFITS; OR BUSINESS INTERRUPTION) HOWEVER CAUSED AND ON ANY "
    "THEORY OF LIABILITY, WHETHER IN CONTRACT, STRICT LIABILITY, OR TORT (INCLUDING NEGLIGENCE OR "
    "OTHERWISE) ARISING IN ANY WAY OUT OF THE USE OF THIS SOFTWARE, EVEN IF ADVISED OF THE "
    "POSSIBILITY OF SUCH DAMAGE.";

static const struct {
    const char *word;
    enum nw_kind kind;
} KINDS[] = {
    {"g", NW_KIND_GALAXY},         {"s", NW_KIND_GALAXY},          {"s0", NW_KIND_GALAXY},
    {"e", NW_KIND_GALAXY},         {"i", NW_KIND_GALAXY},          {"sd", NW_KIND_GALAXY},
    {"gg", NW_KIND_GALAXIES},      {"oc", NW_KIND_OPEN_CLUSTER},   {"gc", NW_KIND_GLOBULAR},
    {"pn", NW_KIND_PLANETARY},     {"bn", NW_KIND_BRIGHT_NEBULA},  {"en", NW_KIND_BRIGHT_NEBULA},
    {"rn", NW_KIND_BRIGHT_NEBULA}, {"sfr", NW_KIND_BRIGHT_NEBULA}, {"dn", NW_KIND_DARK_NEBULA},
    {"snr", NW_KIND_REMNANT},
};

static json_t *load(const char *folder, const char *name) {
    char path[1024];
    json_error_t error;
    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    json_t *const root = json_load_file(path, 0, &error);
    if (!root) {
        (void)fprintf(stderr, "%s: %s\n", path, error.text);
    }
    return root;
}

static const char *word(const json_t *object, const char *key) {
    const char *const text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

static double number(const json_t *object, const char *key) {
    const json_t *const v = json_object_get(object, key);
    double out = NAN;
    if (json_is_number(v)) {
        return json_number_value(v);
    }
    return nw_text_to_double(word(object, key), &out) ? out : NAN;
}

/* Place and everything blank; false: not on the sky. */
static bool begin_entry(const json_t *feature, struct nw_entry *e) {
    const json_t *const at = json_object_get(json_object_get(feature, "geometry"), "coordinates");
    const double longitude = json_number_value(json_array_get(at, 0));
    const double dec = json_number_value(json_array_get(at, 1));
    *e = (struct nw_entry){.ra_rad = (longitude < 0.0 ? longitude + 360.0 : longitude) * DEG,
                           .dec_rad = dec * DEG,
                           .magnitude = NAN,
                           .colour_mag = NAN,
                           .opacity = NAN,
                           .pm_ra_rad_yr = NAN,
                           .pm_dec_rad_yr = NAN,
                           .major_rad = NAN,
                           .minor_rad = NAN};
    return fabs(longitude) <= 360.0 && fabs(dec) <= 90.0;
}

static void also(struct nw_entry *e, const char *text) {
    const size_t len = strlen(e->also);
    if (text[0] && strcmp(text, e->name) != 0 && !strstr(e->also, text) &&
        len + strlen(text) + 3 < sizeof e->also) {
        (void)snprintf(e->also + len, sizeof e->also - len, "%s%s", len ? ", " : "", text);
    }
}

/* Names of a star: its own; Bayer and Flamsteed with the constellation. */
static void star_names(const json_t *names, const char *number_text, struct nw_entry *e) {
    const json_t *const n = json_object_get(names, number_text);
    char text[64];
    if (!n) {
        return;
    }
    also(e, word(n, "name"));
    if (word(n, "bayer")[0]) {
        (void)snprintf(text, sizeof text, "%.16s %.8s", word(n, "bayer"), word(n, "c"));
        also(e, text);
    }
    if (word(n, "flam")[0]) {
        (void)snprintf(text, sizeof text, "%.16s %.8s", word(n, "flam"), word(n, "c"));
        also(e, text);
    }
}

/* "alpha Cen" for the first of alpha1, alpha2. */
static bool add_plain(struct nw_pack *pack, const json_t *names, const char *id,
                      struct nw_err *err) {
    const json_t *const n = json_object_get(names, id);
    const char *const bayer = n ? word(n, "bayer") : "";
    const size_t len = strcspn(bayer, "123456789");
    char text[64];
    if (len == 0 || bayer[len] != '1') {
        return true;
    }
    (void)snprintf(text, sizeof text, "%.*s %.8s", (int)len, bayer, word(n, "c"));
    return nw_pack_spelling(pack, text, err) == NW_OK;
}

static bool add_stars(struct nw_pack *pack, const char *folder, struct nw_err *err) {
    json_t *const stars = load(folder, "stars.14.json");
    json_t *const names = load(folder, "starnames.json");
    bool is_done = stars && names;
    size_t i = 0;
    const json_t *feature = NULL;
    json_array_foreach(json_object_get(stars, "features"), i, feature) {
        struct nw_entry e;
        char id[24];
        if (!is_done || !begin_entry(feature, &e)) {
            continue;
        }
        const json_t *const p = json_object_get(feature, "properties");
        (void)snprintf(id, sizeof id, "%lld",
                       (long long)json_integer_value(json_object_get(feature, "id")));
        (void)snprintf(e.name, sizeof e.name, "HIP %s", id);
        e.kind = NW_KIND_STAR;
        e.magnitude = number(p, "mag");
        e.colour_mag = number(p, "bv");
        star_names(names, id, &e);
        is_done = nw_pack_add(pack, &e, err) == NW_OK && add_plain(pack, names, id, err);
    }
    json_decref(stars);
    json_decref(names);
    return is_done;
}

static void set_size(const char *dim, struct nw_entry *e) {
    double minor = NAN;
    double major = NAN;
    const char *const next = nw_text_scan_double(dim, &major);
    if (next && *next == 'x' && nw_text_scan_double(next + 1, &minor)) {
        e->minor_rad = minor * DEG / 60.0;
    }
    if (next) {
        e->major_rad = major * DEG / 60.0;
        e->minor_rad = isfinite(e->minor_rad) ? e->minor_rad : e->major_rad;
    }
}

static void set_kind(const json_t *p, struct nw_entry *e) {
    e->kind = NW_KIND_OTHER;
    for (size_t k = 0; k < sizeof KINDS / sizeof KINDS[0]; k++) {
        if (strcmp(word(p, "type"), KINDS[k].word) == 0) {
            e->kind = KINDS[k].kind;
        }
    }
    const double mag = number(p, "mag");
    if (e->kind == NW_KIND_DARK_NEBULA) {
        e->opacity = mag; /* Lynds' class stands in the place of the magnitude */
    } else if (mag < 99.0) {
        e->magnitude = mag;
    }
    set_size(word(p, "dim"), e);
}

/* Messier's own line for "NGC 224", "M 45". */
static const json_t *messier_of(const json_t *messier, const char *id) {
    size_t i = 0;
    const json_t *feature = NULL;
    json_array_foreach(json_object_get(messier, "features"), i, feature) {
        const json_t *const p = json_object_get(feature, "properties");
        const char *const desig = word(p, "desig");
        const size_t len = strlen(id);
        if (id[0] == 'M' && id[1] == ' ' && strcmp(word(p, "name") + 1, id + 2) == 0) {
            return p;
        }
        /* "NGC 5194/5" is NGC 5194 */
        if (desig[0] && strncmp(desig, id, len) == 0 && (desig[len] == '\0' || desig[len] == '/')) {
            return p;
        }
    }
    return NULL;
}

static bool add_objects(struct nw_pack *pack, const char *folder, const json_t *messier,
                        struct nw_err *err) {
    json_t *const objects = load(folder, "dsos.20.json");
    json_t *const common = load(folder, "dsonames.json");
    bool is_done = objects && common;
    size_t i = 0;
    const json_t *feature = NULL;
    json_array_foreach(json_object_get(objects, "features"), i, feature) {
        struct nw_entry e;
        if (!is_done || !begin_entry(feature, &e)) {
            continue;
        }
        const json_t *const p = json_object_get(feature, "properties");
        const char *const id = word(feature, "id");
        set_kind(p, &e);
        nw_text_copy(e.name, sizeof e.name, id);
        also(&e, word(p, "desig"));
        const bool may_be =
            strncmp(id, "NGC", 3) == 0 || strncmp(id, "IC", 2) == 0 || strncmp(id, "M ", 2) == 0;
        const json_t *const m = may_be ? messier_of(messier, id) : NULL;
        if (m && id[0] != 'M' && !strstr(e.also, "M ")) {
            also(&e, word(m, "name"));
        }
        also(&e, m ? word(m, "alt") : "");
        also(&e, word(json_object_get(common, id), "name"));
        is_done = nw_pack_add(pack, &e, err) == NW_OK;
    }
    json_decref(objects);
    json_decref(common);
    return is_done;
}

/* All of Messier's list once more: a spelling that is taken keeps its first owner. */
static bool add_messier(struct nw_pack *pack, const json_t *messier, struct nw_err *err) {
    bool is_done = true;
    size_t i = 0;
    const json_t *feature = NULL;
    json_array_foreach(json_object_get(messier, "features"), i, feature) {
        struct nw_entry e;
        const json_t *const p = json_object_get(feature, "properties");
        static const char *const ALONE[] = {"M24", "M40"}; /* in no other list */
        bool is_alone = false;
        for (size_t k = 0; k < 2; k++) {
            is_alone = is_alone || strcmp(word(p, "name"), ALONE[k]) == 0;
        }
        if (!is_alone || !is_done || !begin_entry(feature, &e)) {
            continue;
        }
        set_kind(p, &e);
        nw_text_copy(e.name, sizeof e.name, word(p, "name"));
        also(&e, word(p, "alt"));
        is_done = nw_pack_add(pack, &e, err) == NW_OK;
    }
    return is_done;
}

int main(int argc, char **argv) {
    if (argc != 3) {
        (void)fprintf(stderr, "usage: pack_catalogue DATA_FOLDER OUT\n");
        return 2;
    }
    struct nw_err err = {.text = "the lists cannot be read"};
    struct nw_pack *const pack = nw_pack_new();
    json_t *const messier = load(argv[1], "messier.json");
    const bool is_done = pack && messier && add_objects(pack, argv[1], messier, &err) &&
                         add_messier(pack, messier, &err) && add_stars(pack, argv[1], &err) &&
                         nw_pack_write(pack, NOTE, argv[2], &err) == NW_OK;
    json_decref(messier);
    nw_pack_free(pack);
    if (!is_done) {
        (void)fprintf(stderr, "pack_catalogue: %s\n", err.text);
    }
    return is_done ? 0 : 1;
}
