/* fits_header.c - one header: its cards, what its data unit is and how large.
 * Idea: nothing of the file is believed before it was checked: every size is multiplied with
 * overflow in mind, and nothing is allocated from a size that the header alone claims.
 * Standard: FITS 4.0 sec. 4.4.1 (mandatory keywords, eq. 1 and 2: sizes), 3.3 (blocks). */
#include <math.h>

#include "image/fits_internal.h"

enum { MAX_HEADER_BLOCKS = 4000, MAX_NAXIS = 999, EXACT_WHOLE_BITS = 53 };

void nw_fits_hdu_done(struct nw_fits_hdu *hdu) {
    if (hdu) {
        free(hdu->cards);
        *hdu = (struct nw_fits_hdu){0};
    }
}

static const struct nw_card *find(const struct nw_fits_hdu *hdu, const char *key) {
    return nw_fits_cards_find(hdu->cards, hdu->n_cards, key);
}

enum nw_status nw_fits_hdu_whole(const struct nw_fits_hdu *hdu, const char *key, int64_t absent,
                                 int64_t *ret, struct nw_err *err) {
    const struct nw_card *const card = find(hdu, key);
    if (!card) {
        *ret = absent;
        return NW_OK;
    }
    long whole = 0;
    double number = 0.0;
    if (!card->is_text && nw_text_to_long(card->value, &whole)) {
        *ret = whole;
        return NW_OK;
    }
    if (!card->is_text && nw_text_to_double(card->value, &number) &&
        fabs(number) < ldexp(1.0, EXACT_WHOLE_BITS) && floor(number) >= number) {
        *ret = (int64_t)number;
        return NW_OK;
    }
    return nw_err_set(err, NW_FORMAT, "%s is '%.40s', not a whole number", key, card->value);
}

enum nw_status nw_fits_hdu_number(const struct nw_fits_hdu *hdu, const char *key, double absent,
                                  double *ret, struct nw_err *err) {
    const struct nw_card *const card = find(hdu, key);
    if (!card) {
        *ret = absent;
        return NW_OK;
    }
    double number = 0.0;
    if (!nw_text_to_double(card->value, &number)) {
        return nw_err_set(err, NW_FORMAT, "%s is '%.40s', not a number", key, card->value);
    }
    *ret = number;
    return NW_OK;
}

static bool is_true(const struct nw_fits_hdu *hdu, const char *key) {
    const struct nw_card *const card = find(hdu, key);
    return card && !card->is_text && strcmp(card->value, "T") == 0;
}

/* Keywords with a number behind them, then those alone; FITS 4.0 tables 7, 9, 10 and 36. */
bool nw_fits_key_is_structural(const char *key) {
    static const char *const alone[] = {
        "SIMPLE",   "XTENSION", "BITPIX",   "NAXIS",    "EXTEND",  "PCOUNT",   "GCOUNT",
        "GROUPS",   "BSCALE",   "BZERO",    "BLANK",    "TFIELDS", "THEAP",    "CHECKSUM",
        "DATASUM",  "END",      "ZIMAGE",   "ZCMPTYPE", "ZBITPIX", "ZNAXIS",   "ZSIMPLE",
        "ZEXTEND",  "ZTENSION", "ZPCOUNT",  "ZGCOUNT",  "ZBLANK",  "ZMASKCMP", "ZQUANTIZ",
        "ZDITHER0", "ZHECKSUM", "ZDATASUM", "ZBLOCKED", "ZSCALE",  "ZZERO",    "INHERIT"};
    static const char *const numbered[] = {"NAXIS", "TTYPE",  "TFORM", "TUNIT", "TNULL", "TSCAL",
                                           "TZERO", "TDISP",  "TDIM",  "TBCOL", "PTYPE", "PSCAL",
                                           "PZERO", "ZNAXIS", "ZTILE", "ZNAME", "ZVAL"};
    for (size_t i = 0; i < sizeof alone / sizeof *alone; i++) {
        if (strcmp(key, alone[i]) == 0) {
            return true;
        }
    }
    for (size_t i = 0; i < sizeof numbered / sizeof *numbered; i++) {
        const size_t n = strlen(numbered[i]);
        if (strncmp(key, numbered[i], n) == 0 && key[n] != '\0' &&
            strspn(key + n, "0123456789") == strlen(key + n)) {
            return true;
        }
    }
    return false;
}

static enum nw_status keep_card(struct nw_fits_hdu *hdu, const struct nw_card *card,
                                struct nw_err *err) {
    if (hdu->n_cards >= NW_FITS_MAX_CARDS) {
        return NW_OK;
    }
    const enum nw_status status = nw_grow((void **)&hdu->cards, &hdu->cap_cards, hdu->n_cards + 1,
                                          sizeof *hdu->cards, NW_FITS_MAX_CARDS, err);
    if (status == NW_OK) {
        hdu->cards[hdu->n_cards++] = *card;
    }
    return status;
}

/* Cards that no keyword can be read from are skipped if they are printable: real headers hold
 * some. Binary ones say that this is no header. */
static enum nw_status take_card(struct nw_fits_hdu *hdu, const char *bytes, size_t index,
                                bool *ret_is_end, struct nw_err *err) {
    struct nw_card card;
    switch (nw_fits_card_parse(bytes, &card)) {
    case NW_FITS_CARD_END:
        *ret_is_end = true;
        return NW_OK;
    case NW_FITS_CARD_VALUE:
        return keep_card(hdu, &card, err);
    case NW_FITS_CARD_CONTINUE:
        if (hdu->n_cards > 0 && hdu->n_cards < NW_FITS_MAX_CARDS) {
            nw_fits_card_join(&hdu->cards[hdu->n_cards - 1], &card);
        }
        return NW_OK;
    case NW_FITS_CARD_EMPTY:
        return NW_OK;
    case NW_FITS_CARD_BAD:
        break;
    }
    for (size_t i = 0; i < 8; i++) {
        const unsigned byte = (unsigned char)bytes[i];
        if (byte < 0x20 || byte > 0x7e) {
            return nw_err_set(err, NW_FORMAT,
                              "header card %zu has byte 0x%02x in its keyword, expected ASCII",
                              index + 1, byte);
        }
    }
    return NW_OK;
}

static enum nw_status read_cards(struct nw_fits_source *source, uint64_t at,
                                 struct nw_fits_hdu *hdu, struct nw_err *err) {
    char block[NW_FITS_BLOCK];
    size_t index = 0;
    for (size_t n_blocks = 0; n_blocks < MAX_HEADER_BLOCKS; n_blocks++) {
        size_t got = 0;
        enum nw_status status = nw_fits_source_read(source, at, block, sizeof block, &got, err);
        bool is_end = false;
        for (size_t i = 0; status == NW_OK && !is_end && i + NW_FITS_CARD <= got;
             i += NW_FITS_CARD) {
            status = take_card(hdu, block + i, index++, &is_end, err);
        }
        at += NW_FITS_BLOCK;
        hdu->data_at = at;
        if (status != NW_OK || is_end) {
            return status;
        }
        if (got < sizeof block) {
            return nw_err_set(err, NW_FORMAT,
                              "header without END card: the file ends after %zu cards", index);
        }
    }
    return nw_err_set(err, NW_FORMAT, "header without END card within %d blocks",
                      MAX_HEADER_BLOCKS);
}

static bool multiply(uint64_t *product, uint64_t factor) {
    if (factor != 0 && *product > UINT64_MAX / 64 / factor) {
        return false;
    }
    *product *= factor;
    return true;
}

static enum nw_status read_axes(struct nw_fits_hdu *hdu, bool is_groups, uint64_t *ret_product,
                                struct nw_err *err) {
    int64_t n_axes = 0;
    enum nw_status status = nw_fits_hdu_whole(hdu, "NAXIS", -1, &n_axes, err);
    if (status != NW_OK) {
        return status;
    }
    if (!find(hdu, "NAXIS")) {
        return nw_err_set(err, NW_FORMAT, "header without NAXIS");
    }
    if (n_axes < 0 || n_axes > MAX_NAXIS) {
        return nw_err_set(err, NW_FORMAT, "NAXIS is %lld, expected 0 to 999", (long long)n_axes);
    }
    hdu->n_axes = (int)n_axes;
    *ret_product = n_axes > 0 ? 1 : 0;
    for (int i = 0; i < hdu->n_axes; i++) {
        char key[16];
        (void)snprintf(key, sizeof key, "NAXIS%d", i + 1);
        int64_t axis = 0;
        status = nw_fits_hdu_whole(hdu, key, -1, &axis, err);
        if (status != NW_OK) {
            return status;
        }
        if (axis < 0) {
            return find(hdu, key) ? nw_err_set(err, NW_FORMAT, "%s is %lld, expected 0 or more",
                                               key, (long long)axis)
                                  : nw_err_set(err, NW_FORMAT, "header without %s (NAXIS is %d)",
                                               key, hdu->n_axes);
        }
        if (i < NW_FITS_MAX_AXES) {
            hdu->axes[i] = (uint64_t)axis;
        }
        const bool is_group_mark = is_groups && i == 0 && axis == 0;
        if (!is_group_mark && !multiply(ret_product, (uint64_t)axis)) {
            return nw_err_set(err, NW_FORMAT, "%s is %lld: the product of the axes is absurd", key,
                              (long long)axis);
        }
    }
    return NW_OK;
}

static enum nw_status read_sizes(struct nw_fits_hdu *hdu, struct nw_err *err) {
    int64_t bitpix = 0;
    int64_t pcount = 0;
    int64_t gcount = 1;
    uint64_t product = 0;
    enum nw_status status = nw_fits_hdu_whole(hdu, "BITPIX", 0, &bitpix, err);
    if (status == NW_OK && !find(hdu, "BITPIX")) {
        status = nw_err_set(err, NW_FORMAT, "header without BITPIX");
    }
    if (status == NW_OK && bitpix != 8 && bitpix != 16 && bitpix != 32 && bitpix != 64 &&
        bitpix != -32 && bitpix != -64) {
        status = nw_err_set(err, NW_FORMAT, "BITPIX is %lld, expected 8, 16, 32, 64, -32 or -64",
                            (long long)bitpix);
    }
    if (status == NW_OK) {
        status = read_axes(hdu, is_true(hdu, "GROUPS"), &product, err);
    }
    if (status == NW_OK) {
        status = nw_fits_hdu_whole(hdu, "PCOUNT", 0, &pcount, err);
    }
    if (status == NW_OK) {
        status = nw_fits_hdu_whole(hdu, "GCOUNT", 1, &gcount, err);
    }
    if (status != NW_OK) {
        return status;
    }
    if (pcount < 0 || gcount < 0) {
        return nw_err_set(err, NW_FORMAT, "PCOUNT %lld, GCOUNT %lld: expected 0 or more",
                          (long long)pcount, (long long)gcount);
    }
    hdu->bitpix = (int)bitpix;
    hdu->pcount = (uint64_t)pcount;
    uint64_t bytes = product;
    if (bytes > UINT64_MAX / 64 || hdu->pcount > UINT64_MAX / 64 ||
        (bytes += hdu->n_axes > 0 ? hdu->pcount : 0,
         !multiply(&bytes, (uint64_t)gcount) ||
             !multiply(&bytes, (uint64_t)(bitpix < 0 ? -bitpix : bitpix) / 8))) {
        return nw_err_set(err, NW_FORMAT, "PCOUNT %lld, GCOUNT %lld: the data size is absurd",
                          (long long)pcount, (long long)gcount);
    }
    hdu->data_bytes = bytes;
    return NW_OK;
}

static void classify(struct nw_fits_hdu *hdu) {
    const struct nw_card *const kind = find(hdu, "XTENSION");
    if (hdu->number == 1) {
        hdu->is_image = hdu->n_axes > 0 && !is_true(hdu, "GROUPS");
    } else if (kind) {
        hdu->is_image = hdu->n_axes > 0 &&
                        (strcmp(kind->value, "IMAGE") == 0 || strcmp(kind->value, "IUEIMAGE") == 0);
        hdu->is_table = strcmp(kind->value, "BINTABLE") == 0 || strcmp(kind->value, "TABLE") == 0 ||
                        strcmp(kind->value, "A3DTABLE") == 0;
        hdu->is_compressed = strcmp(kind->value, "BINTABLE") == 0 && is_true(hdu, "ZIMAGE");
    }
}

enum nw_status nw_fits_hdu_read(struct nw_fits_source *source, uint64_t at, int number,
                                struct nw_fits_hdu *ret, bool *ret_at_end, struct nw_err *err) {
    struct nw_fits_hdu hdu = {.number = number};
    *ret_at_end = false;
    enum nw_status status = NW_OK;
    if (number > 1 && nw_fits_source_room(source, at) == 0) {
        *ret_at_end = true;
        return NW_OK;
    }
    status = read_cards(source, at, &hdu, err);
    /* what follows the last HDU and is no extension belongs to nobody (FITS 4.0 sec. 3.5) */
    const bool is_extension = hdu.n_cards > 0 && strcmp(hdu.cards[0].key, "XTENSION") == 0;
    if (number > 1 && !is_extension) {
        *ret_at_end = true;
        status = NW_OK;
        goto done;
    }
    if (status == NW_OK && number == 1 &&
        (hdu.n_cards == 0 || strcmp(hdu.cards[0].key, "SIMPLE") != 0)) {
        status = nw_err_set(err, NW_FORMAT, "not a FITS file: it does not begin with SIMPLE");
    }
    if (status == NW_OK) {
        status = read_sizes(&hdu, err);
    }
    if (status == NW_OK) {
        classify(&hdu);
        *ret = hdu;
        hdu = (struct nw_fits_hdu){0};
    }
done:
    nw_fits_hdu_done(&hdu);
    return status;
}
