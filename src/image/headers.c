/* headers.c - what changed in the headers through the night.
 * Idea: all cards of all frames in one list, sorted by keyword and frame: each keyword is then one
 * run, a sequence of values in time. Its steps are counted; runs of equal values that come round
 * in the same order are a rotation (filters, and what follows them) and told once.
 * Which keywords change by themselves is a table: common practice, no source. */
#include <math.h>

#include "image/fits_internal.h"

enum { MAX_CHANGES = 5000, MIN_FRAMES_FOR_RUNNING = 4 };

/* Settings in the order they are told; tolerance: what is no change (an angle that is measured). */
static const struct setting {
    const char *key, *what;
    double tolerance;
} settings[] = {
    {"GAIN", "gain", 0.0},
    {"OFFSET", "offset", 0.0},
    {"BLKLEVEL", "offset", 0.0},
    {"SET-TEMP", "set-point", 0.05},
    {"SETTEMP", "set-point", 0.05},
    {"XBINNING", "binning", 0.0},
    {"YBINNING", "binning", 0.0},
    {"CCDSUM", "binning", 0.0},
    {"READOUTM", "readout mode", 0.0},
    {"READMODE", "readout mode", 0.0},
    {"EGAIN", "conversion gain", 0.0},
    {"EXPTIME", "exposure", 1e-3},
    {"EXPOSURE", "exposure", 1e-3},
    {"FILTER", "filter", 0.0},
    {"IMAGETYP", "kind of frame", 0.0},
    {"INSTRUME", "camera", 0.0},
    {"XPIXSZ", "pixel", 0.0},
    {"YPIXSZ", "pixel", 0.0},
    {"BAYERPAT", "colour pattern", 0.0},
    {"TELESCOP", "telescope", 0.0},
    {"FOCALLEN", "focal length", 0.0},
    {"APTDIA", "aperture", 0.0},
    {"FOCUSZER", "focuser zero", 0.0},
    {"FOCUSSZ", "focuser step", 0.0},
    {"FOCNAME", "focuser", 0.0},
    {"FWHEEL", "filter wheel", 0.0},
    {"ROTATANG", "rotator", 0.5},
    {"ROTATOR", "rotator", 0.5},
    {"SITELAT", "site", 1e-4},
    {"SITELONG", "site", 1e-4},
    {"SWCREATE", "software", 0.0},
    {"CREATOR", "software", 0.0},
    {"PROGRAM", "software", 0.0},
    {"SWOWNER", "software", 0.0},
    {"TIMESYS", "time scale", 0.0},
};

/* What changes by itself; '*' at the end: all that begin so. */
static const char *const natural[] = {
    "DATE*",    "TIME",     "TIME-*",   "UT",      "UTC*",     "UTSTART",  "UT-*",     "UTMIDDLE",
    "UTEND",    "MJD*",     "JD*",      "HJD*",    "BJD*",     "LST*",     "ST",       "SIDEREAL",
    "LOCALTIM", "HA",       "OBJCTHA",  "AIRMASS", "SECZ",     "ZD",       "RA",       "DEC",
    "RA_*",     "DEC_*",    "TELRA",    "TELDEC",  "OBJCTRA",  "OBJCTDEC", "CENTALT",  "CENTAZ",
    "OBJCTALT", "OBJCTAZ",  "TELALT",   "TELAZ",   "ALT",      "AZ",       "ALTITUDE", "AZIMUTH",
    "PIERSIDE", "OBJECT",   "CRVAL*",   "CRPIX*",  "CD1_*",    "CD2_*",    "PC1_*",    "PC2_*",
    "CDELT*",   "CROTA*",   "PV1_*",    "PV2_*",   "A_*",      "B_*",      "AP_*",     "BP_*",
    "CCD-TEMP", "CCDTEMP",  "DET-TEMP", "FOCTEMP", "FOCUSTEM", "AMBTEMP",  "AMB-TEMP", "TEMP*",
    "DEWPOINT", "DEW*",     "HUMID*",   "PRESS*",  "WIND*",    "CLOUD*",   "SKY*",     "MPSAS",
    "MOON*",    "SUN*",     "COOLPOWR", "COOLPWR", "VOLT*",    "FOCUSPOS", "FOCPOS",   "DATAMIN",
    "DATAMAX",  "MEAN*",    "MEDIAN*",  "STD*",    "SIGMA*",   "MINIMUM",  "MAXIMUM",  "PEDESTAL",
    "BACKGR*",  "FWHM*",    "STARS*",   "NSTARS*", "SEEING*",  "CHECKSUM", "DATASUM",  "FILENAME",
    "FILE*",    "ORIGFILE", "SEQ*",     "FRAMENO", "FRAMENUM", "IMAGEID",  "OBSID",    "RUN*",
    "GUIDE*",   "COMMENT",  "HISTORY",  "",
};

static bool is_natural(const char *key) {
    for (size_t i = 0; i < sizeof natural / sizeof *natural; i++) {
        const size_t n = strlen(natural[i]);
        const bool is_start = n > 0 && natural[i][n - 1] == '*';
        if (is_start ? strncmp(key, natural[i], n - 1) == 0 : strcmp(key, natural[i]) == 0) {
            return true;
        }
    }
    return nw_fits_key_is_structural(key);
}

static const struct setting *setting_of(const char *key) {
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++) {
        if (strcmp(key, settings[i].key) == 0) {
            return &settings[i];
        }
    }
    return NULL;
}

const char *nw_header_setting(const char *key) {
    const struct setting *const setting = setting_of(key);
    return setting ? setting->what : NULL;
}

const char *nw_header_kind_text(enum nw_header_kind kind) {
    static const char *const texts[] = {
#define X(name, text) text,
        NW_HEADER_KIND_LIST(X)
#undef X
    };
    return texts[kind];
}

struct entry {
    const struct nw_card *card;
    size_t frame;
};

static int by_key_and_frame(const void *a, const void *b) {
    const struct entry *const left = a;
    const struct entry *const right = b;
    const int order = strcmp(left->card->key, right->card->key);
    if (order != 0) {
        return order;
    }
    if (left->frame != right->frame) {
        return left->frame < right->frame ? -1 : 1;
    }
    return left->card < right->card ? -1 : left->card > right->card ? 1 : 0;
}

static bool is_number(const struct nw_card *card, double *ret) {
    return card && nw_text_to_double(card->value, ret);
}

static bool is_same(const struct nw_card *a, const struct nw_card *b, double tolerance) {
    double left = 0.0;
    double right = 0.0;
    if (!a || !b) {
        return a == b;
    }
    if (is_number(a, &left) && is_number(b, &right)) { /* 1e-9: the same number written otherwise */
        return fabs(left - right) <= fmax(tolerance, 1e-9 * fabs(left));
    }
    return strcmp(a->value, b->value) == 0;
}

/* Different values in order of appearance; run[i]: which of them run i of equal values has. A
 * value that wandered by less than the tolerance each time is held against the run's first. */
struct runs {
    const struct nw_card **values;
    size_t n_values;
    size_t *run, *start; /* start: first frame of the run */
    size_t n_runs;
};

static void find_runs(const struct nw_card *const *cards, size_t n, double tolerance,
                      struct runs *runs) {
    runs->n_values = 0;
    runs->n_runs = 0;
    for (size_t i = 0; i < n; i++) {
        if (i > 0 && is_same(cards[i], cards[runs->start[runs->n_runs - 1]], tolerance)) {
            continue;
        }
        size_t value = 0;
        while (value < runs->n_values && !is_same(cards[i], runs->values[value], tolerance)) {
            value++;
        }
        if (value == runs->n_values) {
            runs->values[runs->n_values++] = cards[i];
        }
        runs->start[runs->n_runs] = i;
        runs->run[runs->n_runs++] = value;
    }
}

static enum nw_header_kind kind_of(const struct runs *runs) {
    if (runs->n_runs == 2) {
        return NW_HEADER_STEP;
    }
    bool is_round = runs->n_runs >= 2 * runs->n_values; /* twice round at least */
    for (size_t i = 0; i < runs->n_runs && is_round; i++) {
        is_round = runs->run[i] == i % runs->n_values;
    }
    if (is_round) {
        return NW_HEADER_ROTATION;
    }
    return runs->n_runs == 3 && runs->n_values == 2 ? NW_HEADER_BACK : NW_HEADER_WANDER;
}

/* A number without a name here that is new in most frames is measured, not set. */
static bool is_running(const struct runs *runs, size_t n) {
    double ignored = 0.0;
    for (size_t i = 0; i < runs->n_values; i++) {
        if (runs->values[i] && !is_number(runs->values[i], &ignored)) {
            return false;
        }
    }
    return n >= MIN_FRAMES_FOR_RUNNING && 2 * runs->n_values > n;
}

static enum nw_status add_change(const char *key, const struct setting *setting,
                                 const struct nw_card *const *cards, const struct runs *runs,
                                 struct nw_header_changes *changes, struct nw_err *err) {
    struct nw_header_change change = {.key = key,
                                      .what = setting ? setting->what : "",
                                      .kind = kind_of(runs),
                                      .n_values = runs->n_values,
                                      .n_steps = runs->n_runs - 1};
    const size_t told = change.kind == NW_HEADER_ROTATION ? runs->n_values : change.n_steps;
    for (size_t i = 0; i < told && i < NW_HEADER_STEPS; i++) {
        const struct nw_card *const old = cards[runs->start[i]];
        const struct nw_card *const new = cards[runs->start[i + 1]];
        change.steps[change.n_listed++] =
            (struct nw_header_step){.frame = runs->start[i + 1],
                                    .old_value = old ? old->value : NULL,
                                    .new_value = new ? new->value : NULL};
    }
    const enum nw_status status = nw_grow((void **)&changes->items, &changes->cap, changes->n + 1,
                                          sizeof *changes->items, MAX_CHANGES, err);
    if (status == NW_OK) {
        changes->items[changes->n++] = change;
    }
    return status;
}

static int by_setting(const void *a, const void *b) {
    const struct nw_header_change *const left = a;
    const struct nw_header_change *const right = b;
    const struct setting *const of_left = setting_of(left->key);
    const struct setting *const of_right = setting_of(right->key);
    if (of_left && of_right) {
        return of_left < of_right ? -1 : of_left > of_right ? 1 : 0;
    }
    return of_left || of_right ? (of_left ? -1 : 1) : strcmp(left->key, right->key);
}

/* Entries of one keyword: the first card of each frame counts. */
static enum nw_status compare_key(const struct entry *entries, size_t n_entries, size_t n,
                                  const struct nw_card **cards, struct runs *runs,
                                  struct nw_header_changes *changes, struct nw_err *err) {
    const char *const key = entries[0].card->key;
    if (is_natural(key)) {
        return NW_OK;
    }
    for (size_t i = 0; i < n; i++) {
        cards[i] = NULL;
    }
    for (size_t i = n_entries; i-- > 0;) {
        cards[entries[i].frame] = entries[i].card;
    }
    const struct setting *const setting = setting_of(key);
    find_runs(cards, n, setting ? setting->tolerance : 0.0, runs);
    if (runs->n_runs < 2 || (!setting && is_running(runs, n))) {
        return NW_OK;
    }
    return add_change(key, setting, cards, runs, changes, err);
}

enum nw_status nw_headers_compare(const struct nw_frame *const *frames, size_t n,
                                  struct nw_header_changes *ret, struct nw_err *err) {
    struct nw_header_changes changes = {0};
    size_t n_entries = 0;
    for (size_t i = 0; i < n; i++) {
        n_entries += frames[i]->n_cards;
    }
    struct entry *const entries = nw_calloc(n_entries, sizeof *entries);
    const struct nw_card **const cards = nw_calloc(n, sizeof(const struct nw_card *));
    struct runs runs = {.values = nw_calloc(n, sizeof(const struct nw_card *)),
                        .run = nw_calloc(n, sizeof *runs.run),
                        .start = nw_calloc(n, sizeof *runs.start)};
    enum nw_status status = NW_OK;
    if (!entries || !cards || !runs.values || !runs.run || !runs.start) {
        status = nw_err_set(err, NW_NOMEM, "%zu header cards", n_entries);
        goto done;
    }
    size_t at = 0;
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < frames[i]->n_cards; k++) {
            entries[at++] = (struct entry){.card = &frames[i]->cards[k], .frame = i};
        }
    }
    qsort(entries, n_entries, sizeof *entries, by_key_and_frame);
    for (size_t first = 0; status == NW_OK && first < n_entries;) {
        size_t end = first + 1;
        while (end < n_entries && strcmp(entries[end].card->key, entries[first].card->key) == 0) {
            end++;
        }
        status = compare_key(entries + first, end - first, n, cards, &runs, &changes, err);
        first = end;
    }
    if (status == NW_OK) {
        if (changes.n > 0) {
            qsort(changes.items, changes.n, sizeof *changes.items, by_setting);
        }
        *ret = changes;
        changes = (struct nw_header_changes){0};
    }
done:
    free(entries);
    free((void *)cards);
    free((void *)runs.values);
    free(runs.run);
    free(runs.start);
    nw_header_changes_done(&changes);
    return status;
}

void nw_header_changes_done(struct nw_header_changes *changes) {
    if (changes) {
        free(changes->items);
        *changes = (struct nw_header_changes){0};
    }
}
