/* catalogue_pack.c - entries to the packed file (catalogue_internal.h has its layout).
 * Idea: collect, sort by band and right ascension, sort the spellings, write at once. The first
 * entry that was added keeps a spelling that several would have. */
#include <math.h>

#include "sky/catalogue_internal.h"

enum { MAX_ENTRIES = 20000000, MAX_TEXT = 1 << 30 };

struct packed {
    struct cat_entry entry;
    size_t order; /* as added */
};
struct spelling {
    uint32_t key;
    size_t order;
};
struct nw_pack {
    struct packed *entries;
    size_t n_entries, cap_entries;
    struct spelling *names;
    size_t n_names, cap_names;
    struct nw_buf text;
};

struct nw_pack *nw_pack_new(void) {
    struct nw_pack *pack = nw_calloc(1, sizeof *pack);
    if (pack) {
        nw_buf_init(&pack->text, MAX_TEXT);
        if (nw_buf_add(&pack->text, "", 1, NULL) != NW_OK) { /* offset 0: nothing */
            nw_pack_free(pack);
            return NULL;
        }
    }
    return pack;
}

void nw_pack_free(struct nw_pack *pack) {
    if (pack) {
        free(pack->entries);
        free(pack->names);
        nw_buf_done(&pack->text);
        free(pack);
    }
}

static enum nw_status add_text(struct nw_pack *pack, const char *text, uint32_t *ret,
                               struct nw_err *err) {
    if (text[0] == '\0') {
        *ret = 0;
        return NW_OK;
    }
    *ret = (uint32_t)pack->text.len;
    return nw_buf_add(&pack->text, text, strlen(text) + 1, err);
}

enum nw_status nw_pack_spelling(struct nw_pack *pack, const char *name, struct nw_err *err) {
    char key[NW_KEY_SIZE];
    if (!nw_catalogue_key(name, key)) {
        return NW_OK; /* nothing to find it by */
    }
    enum nw_status status = nw_grow((void **)&pack->names, &pack->cap_names, pack->n_names + 1,
                                    sizeof *pack->names, (size_t)8 * MAX_ENTRIES, err);
    uint32_t at = 0;
    status = status == NW_OK ? add_text(pack, key, &at, err) : status;
    if (status == NW_OK) {
        pack->names[pack->n_names++] = (struct spelling){at, pack->n_entries - 1};
    }
    return status;
}

static int16_t to_i16(double v, double unit) {
    const double n = round(v / unit);
    return fabs(n) <= 32767.0 ? (int16_t)n : (int16_t)CAT_NO_I16;
}

static uint16_t to_u16(double v) {
    return v > 0.0 ? (uint16_t)fmin(fmax(round(v), 1.0), 65535.0) : 0;
}

static enum nw_status add_names(struct nw_pack *pack, const struct nw_entry *entry,
                                struct nw_err *err) {
    enum nw_status status = entry->name[0] ? nw_pack_spelling(pack, entry->name, err) : NW_OK;
    for (const char *at = entry->also; *at && status == NW_OK;) {
        char part[sizeof entry->also];
        const char *const comma = strstr(at, ", ");
        const size_t len = comma ? (size_t)(comma - at) : strlen(at);
        (void)snprintf(part, sizeof part, "%.*s", (int)len, at);
        status = nw_pack_spelling(pack, part, err);
        at += len + (comma ? 2 : 0);
    }
    return status;
}

enum nw_status nw_pack_add(struct nw_pack *pack, const struct nw_entry *entry, struct nw_err *err) {
    const double mas = NW_RAD_PER_DEG / 3.6e6;
    const double tenth_arcmin = NW_RAD_PER_DEG / 600.0;
    if (!isfinite(entry->ra_rad) || !(fabs(entry->dec_rad) <= NW_PI / 2.0 + 1e-12)) {
        return nw_err_set(err, NW_DOMAIN, "%.40s: RA %g deg, Dec %g deg is not on the sky",
                          entry->name, entry->ra_rad * NW_DEG_PER_RAD,
                          entry->dec_rad * NW_DEG_PER_RAD);
    }
    enum nw_status status = nw_grow((void **)&pack->entries, &pack->cap_entries,
                                    pack->n_entries + 1, sizeof *pack->entries, MAX_ENTRIES, err);
    if (status != NW_OK) {
        return status;
    }
    double ra_deg = fmod(entry->ra_rad * NW_DEG_PER_RAD, 360.0);
    ra_deg += ra_deg < 0.0 ? 360.0 : 0.0;
    struct cat_entry e = {
        .ra_e7 = (uint32_t)fmin(round(ra_deg * 1e7), 3599999999.0),
        .dec_e7 = (int32_t)round(entry->dec_rad * NW_DEG_PER_RAD * 1e7),
        .mag_e3 = to_i16(entry->magnitude, 1e-3),
        .colour_e3 = to_i16(entry->colour_mag, 1e-3),
        .pm_ra_mas = to_i16(entry->pm_ra_rad_yr, mas),
        .pm_dec_mas = to_i16(entry->pm_dec_rad_yr, mas),
        .major_e1 = to_u16(entry->major_rad / tenth_arcmin),
        .minor_e1 = to_u16(entry->minor_rad / tenth_arcmin),
        .kind = (uint8_t)entry->kind,
        .opacity = entry->opacity >= 1.0 && entry->opacity <= 6.0 ? (uint8_t)entry->opacity : 0,
    };
    status = add_text(pack, entry->name, &e.name, err);
    status = status == NW_OK ? add_text(pack, entry->also, &e.also, err) : status;
    if (status == NW_OK) {
        pack->entries[pack->n_entries] = (struct packed){e, pack->n_entries};
        pack->n_entries++;
        status = add_names(pack, entry, err);
    }
    return status;
}

/* ---- Writing -------------------------------------------------------------------------------- */

static int band_of(const struct cat_entry *e) {
    const int band = (int)floor(e->dec_e7 * 1e-7) + 90;
    return band < CAT_BANDS ? band : CAT_BANDS - 1;
}

static int by_place(const void *a, const void *b) {
    const struct packed *const p = a;
    const struct packed *const q = b;
    const int band = band_of(&p->entry) - band_of(&q->entry);
    if (band != 0) {
        return band;
    }
    const int ra = (p->entry.ra_e7 > q->entry.ra_e7) - (p->entry.ra_e7 < q->entry.ra_e7);
    return ra ? ra : (p->order > q->order) - (p->order < q->order);
}

struct sortable {
    const char *key;
    uint32_t at;
    size_t order;
};

static int by_key(const void *a, const void *b) {
    const struct sortable *const p = a;
    const struct sortable *const q = b;
    const int key = strcmp(p->key, q->key);
    return key ? key : (p->order > q->order) - (p->order < q->order);
}

/* Spellings in order, each once, by the entries' new places. */
static enum nw_status write_names(struct nw_pack *pack, const uint32_t *place, struct nw_buf *to,
                                  uint32_t *ret_n, struct nw_err *err) {
    struct sortable *const s = nw_calloc(pack->n_names + 1, sizeof *s);
    if (!s) {
        return nw_err_set(err, NW_NOMEM, "%zu spellings", pack->n_names);
    }
    for (size_t i = 0; i < pack->n_names; i++) {
        s[i] = (struct sortable){pack->text.data + pack->names[i].key, pack->names[i].key,
                                 pack->names[i].order};
    }
    qsort(s, pack->n_names, sizeof *s, by_key);
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < pack->n_names && status == NW_OK; i++) {
        if (i > 0 && strcmp(s[i].key, s[i - 1].key) == 0) {
            continue;
        }
        const struct cat_name name = {s[i].at, place[s[i].order]};
        status = nw_buf_add(to, (const char *)&name, sizeof name, err);
        (*ret_n)++;
    }
    free(s);
    return status;
}

static enum nw_status write_all(struct nw_pack *pack, const char *note, struct nw_buf *out,
                                struct nw_err *err) {
    struct cat_header header = {
        .magic = CAT_MAGIC, .order = CAT_ORDER, .n_entries = (uint32_t)pack->n_entries};
    uint32_t first[CAT_FIRSTS] = {0};
    uint32_t *const place = nw_calloc(pack->n_entries + 1, sizeof *place);
    struct nw_buf names;
    nw_buf_init(&names, MAX_TEXT);
    enum nw_status status = place ? add_text(pack, note, &header.note, err)
                                  : nw_err_set(err, NW_NOMEM, "%zu entries", pack->n_entries);
    if (status != NW_OK) {
        goto done;
    }
    qsort(pack->entries, pack->n_entries, sizeof *pack->entries, by_place);
    for (size_t i = 0; i < pack->n_entries; i++) {
        place[pack->entries[i].order] = (uint32_t)i;
        for (int band = band_of(&pack->entries[i].entry) + 1; band < CAT_FIRSTS; band++) {
            first[band] = (uint32_t)i + 1;
        }
    }
    status = write_names(pack, place, &names, &header.n_names, err);
    header.text_bytes = (uint32_t)pack->text.len;
    status = status == NW_OK ? nw_buf_add(out, (const char *)&header, sizeof header, err) : status;
    status = status == NW_OK ? nw_buf_add(out, (const char *)first, sizeof first, err) : status;
    for (size_t i = 0; i < pack->n_entries && status == NW_OK; i++) {
        status =
            nw_buf_add(out, (const char *)&pack->entries[i].entry, sizeof(struct cat_entry), err);
    }
    if (status == NW_OK && names.len > 0) {
        status = nw_buf_add(out, names.data, names.len, err);
    }
    status = status == NW_OK ? nw_buf_add(out, pack->text.data, pack->text.len, err) : status;
done:
    nw_buf_done(&names);
    free(place);
    return status;
}

enum nw_status nw_pack_write(struct nw_pack *pack, const char *note, const char *path,
                             struct nw_err *err) {
    struct nw_buf out;
    nw_buf_init(&out, (size_t)2 << 30);
    enum nw_status status = write_all(pack, note, &out, err);
    status = status == NW_OK ? nw_file_write_atomic(path, out.data, out.len, err) : status;
    nw_buf_done(&out);
    return status;
}
