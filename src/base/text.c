/* text.c - see text.h; times are in time.c.
 * Idea: a number is rewritten as whole digits and a power of ten before strtod sees it, so that the
 * decimal mark of a locale can never matter. */
#include "base/text.h"

#include <errno.h>
#include <limits.h>
#include <math.h>

#include "base/base_internal.h"

enum {
    DIGITS_MAX = 800, /* 767 decide every double (exact midpoint of two subnormals); then sticky */
    EXPONENT_MAX = 100000,
    WORD_MAX = 128 /* longer words are not compared by nw_text_nearest */
};

static char lower(char c) {
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

/* The digits of a number as they are read: leading zeros dropped, the mark remembered as scale. */
struct digits {
    char text[DIGITS_MAX + 16];
    int n;
    long exponent;
    bool is_any, is_lost_nonzero;
};

static void take_digit(struct digits *digits, char c, bool is_after_mark) {
    digits->is_any = true;
    const long step = is_after_mark ? 1 : 0;
    if (digits->n == 0 && c == '0') {
        digits->exponent -= step;
    } else if (digits->n < DIGITS_MAX) {
        digits->text[digits->n++] = c;
        digits->exponent -= step;
    } else {
        digits->exponent += 1 - step;
        digits->is_lost_nonzero = digits->is_lost_nonzero || c != '0';
    }
}

/* The exponent after 'e', or no move at all when no digit follows ("1.6e" is 1.6 electrons). */
static const char *take_exponent(const char *at, long *exponent) {
    if (*at != 'e' && *at != 'E') {
        return at;
    }
    const char *p = at + 1;
    const bool is_negative = *p == '-';
    if (*p == '-' || *p == '+') {
        p++;
    }
    if (!base_is_digit(*p)) {
        return at;
    }
    long value = 0;
    for (; base_is_digit(*p); p++) {
        if (value < EXPONENT_MAX) {
            value = value * 10 + (*p - '0');
        }
    }
    *exponent += is_negative ? -value : value;
    return p;
}

const char *nw_text_scan_double(const char *text, double *ret) {
    const char *p = text;
    struct digits digits = {.n = 0};
    const bool is_negative = *p == '-';
    if (*p == '-' || *p == '+') {
        p++;
    }
    for (; base_is_digit(*p); p++) {
        take_digit(&digits, *p, false);
    }
    if (*p == '.') {
        for (p++; base_is_digit(*p); p++) {
            take_digit(&digits, *p, true);
        }
    }
    if (!digits.is_any) {
        return NULL;
    }
    p = take_exponent(p, &digits.exponent);
    if (digits.is_lost_nonzero) {
        digits.text[digits.n++] = '1'; /* above or below a midpoint, never on it */
        digits.exponent -= 1;
    }
    if (digits.n == 0) {
        digits.text[digits.n++] = '0';
        digits.exponent = 0;
    }
    (void)snprintf(digits.text + digits.n, sizeof digits.text - (size_t)digits.n, "e%ld",
                   digits.exponent);
    const double value = strtod(digits.text, NULL);
    *ret = is_negative ? -value : value;
    return p;
}

bool nw_text_to_double(const char *text, double *ret) {
    double value = 0.0;
    const char *const end = nw_text_scan_double(base_skip_blanks(text), &value);
    if (!end || *base_skip_blanks(end) != '\0' || !isfinite(value)) {
        return false;
    }
    *ret = value;
    return true;
}

bool nw_text_to_long(const char *text, long *ret) {
    const char *const start = base_skip_blanks(text);
    const char *const first = *start == '-' || *start == '+' ? start + 1 : start;
    if (!base_is_digit(*first)) {
        return false;
    }
    char *end = NULL;
    errno = 0;
    const long value = strtol(start, &end, 10);
    if (errno != 0 || *base_skip_blanks(end) != '\0') {
        return false;
    }
    *ret = value;
    return true;
}

bool nw_text_equal_nocase(const char *a, const char *b) {
    for (; *a && lower(*a) == lower(*b); a++) {
        b++;
    }
    return *a == '\0' && *b == '\0';
}

bool nw_text_ends_nocase(const char *text, const char *ending) {
    const size_t len = strlen(text);
    const size_t len_ending = strlen(ending);
    return len >= len_ending && nw_text_equal_nocase(text + (len - len_ending), ending);
}

/* Bytes of the character that begins at p (Unicode 15, table 3-7), 0 when it is malformed. */
static size_t utf8_length(const unsigned char *p, size_t len) {
    const unsigned char c = p[0];
    if (c < 0x80) {
        return 1;
    }
    const size_t n = c >= 0xC2 && c <= 0xDF   ? 2
                     : (c & 0xF0) == 0xE0     ? 3
                     : c >= 0xF0 && c <= 0xF4 ? 4
                                              : 0;
    if (n == 0 || n > len) {
        return 0;
    }
    for (size_t i = 1; i < n; i++) {
        if ((p[i] & 0xC0) != 0x80) {
            return 0;
        }
    }
    const bool is_overlong = (c == 0xE0 && p[1] < 0xA0) || (c == 0xF0 && p[1] < 0x90);
    const bool is_surrogate = c == 0xED && p[1] > 0x9F;
    const bool is_beyond = c == 0xF4 && p[1] > 0x8F;
    return is_overlong || is_surrogate || is_beyond ? 0 : n;
}

bool nw_text_is_utf8(const char *bytes, size_t len) {
    for (size_t i = 0; i < len;) {
        const size_t n = utf8_length((const unsigned char *)bytes + i, len - i);
        if (n == 0) {
            return false;
        }
        i += n;
    }
    return true;
}

static size_t min3(size_t a, size_t b, size_t c) {
    const size_t ab = a < b ? a : b;
    return ab < c ? ab : c;
}

/* Edit distance with swaps of neighbours (optimal string alignment; Damerau 1964, CACM 7, 171),
 * case ignored; both lengths < WORD_MAX. */
static size_t distance(const char *a, const char *b) {
    size_t rows[3][WORD_MAX];
    size_t *before = rows[0];
    size_t *last = rows[1];
    size_t *now = rows[2];
    const size_t len_a = strlen(a);
    const size_t len_b = strlen(b);
    memset(rows, 0, sizeof rows);
    for (size_t j = 0; j <= len_b; j++) {
        last[j] = j;
    }
    for (size_t i = 1; i <= len_a; i++) {
        now[0] = i;
        for (size_t j = 1; j <= len_b; j++) {
            const size_t differs = lower(a[i - 1]) == lower(b[j - 1]) ? 0 : 1;
            now[j] = min3(last[j] + 1, now[j - 1] + 1, last[j - 1] + differs);
            if (i > 1 && j > 1 && lower(a[i - 1]) == lower(b[j - 2]) &&
                lower(a[i - 2]) == lower(b[j - 1]) && before[j - 2] + 1 < now[j]) {
                now[j] = before[j - 2] + 1;
            }
        }
        size_t *const free_row = before;
        before = last;
        last = now;
        now = free_row;
    }
    return last[len_b];
}

const char *nw_text_nearest(const char *word, const char *const *names, size_t n) {
    const size_t len = strlen(word);
    if (len == 0 || len >= WORD_MAX) {
        return NULL;
    }
    const size_t most = len / 3 > 2 ? len / 3 : 2;
    const char *best = NULL;
    size_t best_distance = most + 1;
    for (size_t i = 0; i < n; i++) {
        const size_t len_name = strlen(names[i]);
        if (len_name == 0 || len_name >= WORD_MAX) {
            continue;
        }
        const size_t d = distance(word, names[i]);
        const size_t longer = len > len_name ? len : len_name;
        if (d < best_distance && d < longer) { /* d == longer: nothing in common */
            best = names[i];
            best_distance = d;
        }
    }
    return best;
}

void nw_text_copy(char *to, size_t size, const char *from) {
    if (size == 0) {
        return;
    }
    size_t len = strlen(from);
    if (len > size - 1) {
        len = size - 1;
        while (len > 0 && ((unsigned char)from[len] & 0xC0) == 0x80) {
            len--; /* the first byte left out continues a character: leave its start out too */
        }
    }
    memcpy(to, from, len);
    to[len] = '\0';
}

void base_quote(char to[BASE_QUOTE_BYTES], const char *text) {
    nw_text_copy(to, BASE_QUOTE_BYTES, text);
    const size_t len = strlen(to);
    if (len < strlen(text) && len >= 3) {
        size_t end = len - 3; /* room for the mark that says it was cut */
        while (end > 0 && ((unsigned char)to[end] & 0xC0) == 0x80) {
            end--;
        }
        memcpy(to + end, "...", 4);
    }
    const bool is_clean = nw_text_is_utf8(to, strlen(to));
    for (char *p = to; *p; p++) {
        const unsigned char c = (unsigned char)*p;
        if (c < 0x20 || c == 0x7F || (c >= 0x80 && !is_clean)) {
            *p = '?';
        }
    }
}
