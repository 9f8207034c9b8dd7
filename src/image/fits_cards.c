/* fits_cards.c - header cards: 80 bytes to keyword, value and comment.
 * Idea: read what real writers produce, not only what the standard allows: free or fixed format,
 * a missing blank after '=', lower-case keywords, an unclosed quote, bytes beyond ASCII in texts.
 * Holds: what comes out is printable ASCII or valid UTF-8, and terminated.
 * Standard: FITS 4.0 sec. 4.1 (cards), 4.2.1 (strings, CONTINUE 4.2.1.2); HIERARCH as registered
 * convention. */
#include "image/fits_internal.h"

static bool is_key_byte(char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-' ||
           c == '_';
}

static char upper(char c) {
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

/* Copies a text without the blanks at its end; what could not be shown becomes '?'. */
static void copy_text(char *to, size_t size, const char *from, size_t n) {
    while (n > 0 && from[n - 1] == ' ') {
        n--;
    }
    const bool is_utf8 = nw_text_is_utf8(from, n);
    if (n > size - 1) {
        n = size - 1;
        while (is_utf8 && n > 0 && ((unsigned char)from[n] & 0xc0) == 0x80) {
            n--; /* never half a character */
        }
    }
    for (size_t i = 0; i < n; i++) {
        const unsigned char byte = (unsigned char)from[i];
        const bool is_shown = (byte >= 0x20 && byte < 0x7f) || (byte >= 0x80 && is_utf8);
        to[i] = is_shown ? from[i] : '?';
    }
    to[n] = '\0';
}

/* A quoted text from `at` (on the quote); hands back the place after it. */
static size_t read_quoted(const char *bytes, size_t at, struct nw_card *card) {
    char text[NW_FITS_CARD] = "";
    size_t n = 0;
    for (at++; at < NW_FITS_CARD; at++) {
        if (bytes[at] == '\'') {
            if (at + 1 >= NW_FITS_CARD || bytes[at + 1] != '\'') {
                at++;
                break;
            }
            at++; /* '' stands for one quote */
        }
        text[n++] = bytes[at];
    }
    copy_text(card->value, sizeof card->value, text, n);
    card->is_text = true;
    return at;
}

/* A number, T, F or a complex pair, up to the slash. Fortran writes 1.5D3. */
static size_t read_token(const char *bytes, size_t at, struct nw_card *card) {
    const size_t start = at;
    while (at < NW_FITS_CARD && bytes[at] != '/') {
        at++;
    }
    copy_text(card->value, sizeof card->value, bytes + start, at - start);
    char *const d = strpbrk(card->value, "Dd");
    if (d && d > card->value) {
        const char kept = *d;
        double ignored = 0.0;
        *d = 'E';
        if (!nw_text_to_double(card->value, &ignored)) {
            *d = kept;
        }
    }
    return at;
}

/* What follows the '=' at `at` - 1. */
static void read_value(const char *bytes, size_t at, struct nw_card *card) {
    while (at < NW_FITS_CARD && bytes[at] == ' ') {
        at++;
    }
    if (at < NW_FITS_CARD && bytes[at] == '\'') {
        at = read_quoted(bytes, at, card);
    } else {
        at = read_token(bytes, at, card);
    }
    while (at < NW_FITS_CARD && bytes[at] == ' ') {
        at++;
    }
    if (at < NW_FITS_CARD && bytes[at] == '/') {
        at++;
        while (at < NW_FITS_CARD && bytes[at] == ' ') {
            at++;
        }
        copy_text(card->comment, sizeof card->comment, bytes + at, NW_FITS_CARD - at);
    }
}

/* "HIERARCH ESO DET NDIT = 4": the words before '=' joined by single blanks are the key. */
static bool read_hierarch(const char *bytes, struct nw_card *card) {
    const char *const equals = memchr(bytes + 8, '=', NW_FITS_CARD - 8);
    if (!equals) {
        return false;
    }
    size_t n = 0;
    for (const char *p = bytes + 8; p < equals && n < sizeof card->key - 1; p++) {
        const bool is_blank = *p == ' ';
        if (is_blank && (n == 0 || card->key[n - 1] == ' ')) {
            continue;
        }
        card->key[n++] = (unsigned char)*p > 0x20 && (unsigned char)*p < 0x7f ? upper(*p) : ' ';
    }
    while (n > 0 && card->key[n - 1] == ' ') {
        n--;
    }
    card->key[n] = '\0';
    read_value(bytes, (size_t)(equals - bytes) + 1, card);
    return n > 0;
}

enum nw_fits_card_kind nw_fits_card_parse(const char bytes[static NW_FITS_CARD],
                                          struct nw_card *card) {
    *card = (struct nw_card){0};
    size_t n = 0;
    while (n < 8 && is_key_byte(bytes[n])) {
        card->key[n] = upper(bytes[n]);
        n++;
    }
    for (size_t i = n; i < 8; i++) {
        if (bytes[i] != ' ') {
            return NW_FITS_CARD_BAD;
        }
    }
    if (strcmp(card->key, "END") == 0 && bytes[8] != '=') {
        return NW_FITS_CARD_END;
    }
    if (strcmp(card->key, "CONTINUE") == 0 && bytes[8] != '=') {
        read_value(bytes, 8, card);
        return card->is_text ? NW_FITS_CARD_CONTINUE : NW_FITS_CARD_EMPTY;
    }
    if (strcmp(card->key, "HIERARCH") == 0 && bytes[8] != '=' && read_hierarch(bytes, card)) {
        return NW_FITS_CARD_VALUE;
    }
    const bool is_commentary =
        n == 0 || strcmp(card->key, "COMMENT") == 0 || strcmp(card->key, "HISTORY") == 0;
    if (bytes[8] == '=' && !is_commentary) {
        read_value(bytes, 9, card);
        return NW_FITS_CARD_VALUE;
    }
    copy_text(card->value, sizeof card->value, bytes + 8, NW_FITS_CARD - 8);
    card->is_text = is_commentary;
    if (!is_commentary) { /* a keyword without a value: what follows is a comment */
        copy_text(card->comment, sizeof card->comment, bytes + 8, NW_FITS_CARD - 8);
        card->value[0] = '\0';
    }
    return n == 0 ? NW_FITS_CARD_EMPTY : NW_FITS_CARD_VALUE;
}

void nw_fits_card_join(struct nw_card *card, const struct nw_card *more) {
    size_t n = strlen(card->value);
    if (!card->is_text || n == 0 || card->value[n - 1] != '&') {
        return;
    }
    n--;
    char joined[2 * sizeof card->value];
    (void)snprintf(joined, sizeof joined, "%.*s%s", (int)n, card->value, more->value);
    copy_text(card->value, sizeof card->value, joined, strlen(joined));
    if (card->comment[0] == '\0') {
        memcpy(card->comment, more->comment, sizeof card->comment);
    }
}

const struct nw_card *nw_fits_cards_find(const struct nw_card *cards, size_t n_cards,
                                         const char *key) {
    for (size_t i = 0; i < n_cards; i++) {
        if (strcmp(cards[i].key, key) == 0) {
            return &cards[i];
        }
    }
    return NULL;
}
