/* catalogue.c - looking into the packed catalogue.
 * Idea: the file is only ever read through memcpy of fixed records, at offsets that were checked
 * once on opening; texts are checked when they are used (they end before the file does).
 * Holds: 1. first[] rises and ends at n_entries (checked). 2. every offset that is followed is
 * inside the text, which ends with a zero byte: a broken file gives "", not a crash. */
#include "sky/catalogue.h"

#include <math.h>

#include "base/map.h"
#include "sky/almanac.h"
#include "sky/catalogue_internal.h"

#define DEG_PER_E7 1e-7
#define MAS_RAD (NW_RAD_PER_DEG / 3.6e6)

struct nw_catalogue {
    struct nw_map map;
    struct cat_header header;
    uint32_t first[CAT_FIRSTS];
    const unsigned char *entries, *names;
    const char *text;
};

const char *nw_kind_text(enum nw_kind kind) {
    static const char *const TEXTS[] = {
#define X(name, text) text,
        NW_KIND_LIST(X)
#undef X
    };
    return (unsigned)kind < NW_N_KINDS ? TEXTS[kind] : "other";
}

static enum nw_status check(const char *path, struct nw_catalogue *c, struct nw_err *err) {
    const struct cat_header *const h = &c->header;
    if (c->map.len < sizeof *h + sizeof c->first) {
        return nw_err_set(err, NW_FORMAT, "%s: %zu bytes are no packed catalogue", path,
                          c->map.len);
    }
    memcpy(&c->header, c->map.data, sizeof c->header);
    if (memcmp(h->magic, CAT_MAGIC, sizeof h->magic) != 0) {
        return nw_err_set(err, NW_FORMAT,
                          "%s: not a packed catalogue (made by catalogue --import FILE -o)", path);
    }
    if (h->order != CAT_ORDER) {
        return nw_err_set(err, NW_FORMAT,
                          "%s: made on a machine with the other order of bytes; pack it here",
                          path);
    }
    const size_t want = sizeof *h + sizeof c->first +
                        (size_t)h->n_entries * sizeof(struct cat_entry) +
                        (size_t)h->n_names * sizeof(struct cat_name) + h->text_bytes;
    if (want != c->map.len || h->text_bytes == 0 || c->map.data[want - 1] != 0) {
        return nw_err_set(err, NW_FORMAT, "%s: %zu bytes, expected %zu: cut short or overwritten",
                          path, c->map.len, want);
    }
    memcpy(c->first, c->map.data + sizeof *h, sizeof c->first);
    for (size_t i = 0; i + 1 < CAT_FIRSTS; i++) {
        if (c->first[i] > c->first[i + 1]) {
            return nw_err_set(err, NW_FORMAT, "%s: bands of declination out of order", path);
        }
    }
    if (c->first[0] != 0 || c->first[CAT_BANDS] != h->n_entries) {
        return nw_err_set(err, NW_FORMAT, "%s: bands of declination do not hold all entries", path);
    }
    c->entries = c->map.data + sizeof *h + sizeof c->first;
    c->names = c->entries + (size_t)h->n_entries * sizeof(struct cat_entry);
    c->text = (const char *)(c->names + (size_t)h->n_names * sizeof(struct cat_name));
    return NW_OK;
}

enum nw_status nw_catalogue_open(const char *path, struct nw_catalogue **ret, struct nw_err *err) {
    struct nw_catalogue *c = nw_calloc(1, sizeof *c);
    if (!c) {
        return nw_err_set(err, NW_NOMEM, "%s", path);
    }
    enum nw_status status = nw_map_open(path, &c->map, err);
    status = status == NW_OK ? check(path, c, err) : status;
    if (status == NW_OK) {
        *ret = c;
    } else {
        nw_catalogue_close(c);
    }
    return status;
}

void nw_catalogue_close(struct nw_catalogue *c) {
    if (c) {
        nw_map_close(&c->map);
        free(c);
    }
}

size_t nw_catalogue_n(const struct nw_catalogue *c) {
    return c->header.n_entries;
}

static const char *text_at(const struct nw_catalogue *c, uint32_t offset) {
    return offset < c->header.text_bytes ? c->text + offset : "";
}

const char *nw_catalogue_note(const struct nw_catalogue *c) {
    return text_at(c, c->header.note);
}

static struct cat_entry entry_at(const struct nw_catalogue *c, size_t i) {
    struct cat_entry e;
    memcpy(&e, c->entries + i * sizeof e, sizeof e);
    return e;
}

static struct cat_name name_at(const struct nw_catalogue *c, size_t i) {
    struct cat_name n;
    memcpy(&n, c->names + i * sizeof n, sizeof n);
    return n;
}

static double or_nan(int16_t v, double unit) {
    return v == CAT_NO_I16 ? NAN : v * unit;
}

void nw_catalogue_at(const struct nw_catalogue *c, size_t i, struct nw_entry *ret) {
    const struct cat_entry e = entry_at(c, i);
    const double arcmin = NW_RAD_PER_DEG / 60.0;
    *ret = (struct nw_entry){
        .kind = e.kind < NW_N_KINDS ? (enum nw_kind)e.kind : NW_KIND_OTHER,
        .ra_rad = e.ra_e7 * DEG_PER_E7 * NW_RAD_PER_DEG,
        .dec_rad = e.dec_e7 * DEG_PER_E7 * NW_RAD_PER_DEG,
        .magnitude = or_nan(e.mag_e3, 1e-3),
        .colour_mag = or_nan(e.colour_e3, 1e-3),
        .opacity = e.opacity ? e.opacity : NAN,
        .pm_ra_rad_yr = or_nan(e.pm_ra_mas, MAS_RAD),
        .pm_dec_rad_yr = or_nan(e.pm_dec_mas, MAS_RAD),
        .major_rad = e.major_e1 ? e.major_e1 * 0.1 * arcmin : NAN,
        .minor_rad = e.minor_e1 ? e.minor_e1 * 0.1 * arcmin : NAN,
    };
    nw_text_copy(ret->name, sizeof ret->name, text_at(c, e.name));
    nw_text_copy(ret->also, sizeof ret->also, text_at(c, e.also));
}

/* ---- By name -------------------------------------------------------------------------------- */

static size_t first_not_before(const struct nw_catalogue *c, const char *key) {
    size_t low = 0;
    size_t high = c->header.n_names;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (strcmp(text_at(c, name_at(c, middle).key), key) < 0) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

/* Nearest spelling among those that begin with the same letter; stars by number are left out, they
 * would always be near. */
static enum nw_status not_found(const struct nw_catalogue *c, const char *name, const char *key,
                                struct nw_err *err) {
    const char begin[2] = {key[0], '\0'};
    const char end[2] = {(char)(key[0] + 1), '\0'};
    const size_t from = first_not_before(c, begin);
    const size_t to = first_not_before(c, end);
    const char *nearest = NULL;
    const char **near = to > from ? nw_calloc(to - from, sizeof *near) : NULL;
    if (near) {
        size_t n = 0;
        for (size_t i = from; i < to; i++) {
            const char *const at = text_at(c, name_at(c, i).key);
            const bool is_number = strncmp(at, "HIP", 3) == 0 || strncmp(at, "PGC", 3) == 0;
            if (!is_number || strncmp(at, key, 3) == 0) {
                near[n++] = at;
            }
        }
        nearest = nw_text_nearest(key, near, n);
    }
    char shown[48] = "";
    if (nearest) {
        const size_t i = first_not_before(c, nearest);
        struct nw_entry e;
        nw_catalogue_at(c, name_at(c, i).entry % c->header.n_entries, &e);
        (void)snprintf(shown, sizeof shown, "%.40s", e.name);
    }
    free(near);
    return nearest
               ? nw_err_set(err, NW_NOTFOUND,
                            "no object is called '%.60s' in the catalogue; the nearest "
                            "spelling is %s (%s)",
                            name, nearest, shown)
               : nw_err_set(err, NW_NOTFOUND,
                            "no object is called '%.60s' in the catalogue; give ra and dec", name);
}

enum nw_status nw_catalogue_find(const struct nw_catalogue *c, const char *name,
                                 struct nw_entry *ret, struct nw_err *err) {
    char key[NW_KEY_SIZE];
    if (!nw_catalogue_key(name, key)) {
        return nw_err_set(err, NW_NOTFOUND, "'%.60s' is not the name of an object", name);
    }
    const size_t i = first_not_before(c, key);
    if (i < c->header.n_names && strcmp(text_at(c, name_at(c, i).key), key) == 0) {
        const uint32_t at = name_at(c, i).entry;
        if (at < c->header.n_entries) {
            nw_catalogue_at(c, at, ret);
            return NW_OK;
        }
    }
    return c->header.n_entries ? not_found(c, name, key, err)
                               : nw_err_set(err, NW_NOTFOUND, "the catalogue is empty");
}

/* ---- By place ------------------------------------------------------------------------------- */

struct search {
    const struct nw_catalogue *catalogue;
    double centre[3], radius_rad, magnitude_limit;
    unsigned kinds;
    struct nw_near *ret;
    size_t n, max;
};

static void offer(struct search *s, size_t i) {
    const struct cat_entry e = entry_at(s->catalogue, i);
    const double mag = or_nan(e.mag_e3, 1e-3);
    if (!(s->kinds >> (e.kind < NW_N_KINDS ? e.kind : NW_KIND_OTHER) & 1u) ||
        (isfinite(s->magnitude_limit) && !(mag <= s->magnitude_limit))) {
        return;
    }
    double v[3];
    nw_sky_vector(e.ra_e7 * DEG_PER_E7 * NW_RAD_PER_DEG, e.dec_e7 * DEG_PER_E7 * NW_RAD_PER_DEG, v);
    const double distance = nw_sky_angle_rad(s->centre, v);
    if (distance > s->radius_rad || (s->n == s->max && distance >= s->ret[s->n - 1].distance_rad)) {
        return;
    }
    size_t at = s->n < s->max ? s->n++ : s->n - 1;
    while (at > 0 && s->ret[at - 1].distance_rad > distance) {
        s->ret[at] = s->ret[at - 1];
        at--;
    }
    s->ret[at] = (struct nw_near){i, distance};
}

static size_t first_from_ra(const struct nw_catalogue *c, size_t low, size_t high, double ra_deg) {
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (entry_at(c, middle).ra_e7 * DEG_PER_E7 < ra_deg) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

static void search_band(struct search *s, int band, double ra_deg, double half_deg) {
    const size_t low = s->catalogue->first[band];
    const size_t high = s->catalogue->first[band + 1];
    for (int turn = -1; turn <= 1; turn++) { /* across 0 h */
        const double from = half_deg >= 180.0 ? 0.0 : ra_deg - half_deg + 360.0 * turn;
        const double to = half_deg >= 180.0 ? 361.0 : ra_deg + half_deg + 360.0 * turn;
        if (half_deg >= 180.0 && turn != 0) {
            continue;
        }
        for (size_t i = first_from_ra(s->catalogue, low, high, from);
             i < high && entry_at(s->catalogue, i).ra_e7 * DEG_PER_E7 <= to; i++) {
            offer(s, i);
        }
    }
}

size_t nw_catalogue_near(const struct nw_catalogue *c, const double place_rad[static 2],
                         double radius_rad, double magnitude_limit, unsigned kinds, size_t max,
                         struct nw_near *ret) {
    if (!(radius_rad >= 0.0) || !isfinite(place_rad[0]) || !(fabs(place_rad[1]) <= NW_PI / 2.0) ||
        max == 0) {
        return 0;
    }
    struct search s = {.catalogue = c,
                       .radius_rad = radius_rad,
                       .magnitude_limit = magnitude_limit,
                       .kinds = kinds,
                       .ret = ret,
                       .max = max};
    nw_sky_vector(place_rad[0], place_rad[1], s.centre);
    const double ra_deg = remainder(place_rad[0], 2.0 * NW_PI) * NW_DEG_PER_RAD;
    const double dec = place_rad[1];
    /* widest reach in right ascension: asin(sin r / cos dec), all of it when the pole is inside */
    const bool has_pole = fabs(dec) + radius_rad >= NW_PI / 2.0;
    const double half = has_pole ? NW_PI : asin(fmin(1.0, sin(radius_rad) / cos(dec))) + 1e-9;
    const int low = (int)floor(fmax(-90.0, (dec - radius_rad) * NW_DEG_PER_RAD)) + 90;
    const int high = (int)floor(fmin(90.0, (dec + radius_rad) * NW_DEG_PER_RAD)) + 90;
    for (int band = low < CAT_BANDS ? low : CAT_BANDS - 1; band <= high && band < CAT_BANDS;
         band++) {
        search_band(&s, band, ra_deg < 0.0 ? ra_deg + 360.0 : ra_deg, half * NW_DEG_PER_RAD);
    }
    return s.n;
}
