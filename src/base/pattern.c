/* pattern.c - see pattern.h.
 * Idea: the usual matcher for wildcards, one text position remembered at the last star. Going back
 * to an earlier star never helps: what stood between the two stars was found at its first place,
 * and any later place leaves less text (so the cost is pattern times line, never more). A number
 * takes all it can and is not shortened again. */
#include "base/pattern.h"

#include <string.h>

#include "base/base_internal.h"

static bool is_blank(char c) {
    return c == ' ' || c == '\t' || c == '\r';
}

static char lower(char c) {
    return (char)(c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c);
}

static bool begins(const char *text, const char *with) {
    return strncmp(text, with, strlen(with)) == 0;
}

enum nw_status nw_pattern_check(const char *pattern, struct nw_err *err) {
    const size_t len = strlen(pattern);
    if (len == 0 || len > NW_PATTERN_MAX) {
        return nw_err_set(err, NW_FORMAT, "a pattern of %zu bytes, expected 1 to %d", len,
                          NW_PATTERN_MAX);
    }
    for (const char *c = pattern; *c != '\0'; c++) {
        if (*c == '{' && !begins(c, "{time}") && !begins(c, "{number}")) {
            return nw_err_set(err, NW_FORMAT,
                              "pattern \"%s\": '%.12s' is neither {time} nor {number}; a brace "
                              "itself is written \\{",
                              pattern, c);
        }
        if (*c == '\\' && c[1] == '\0') {
            return nw_err_set(err, NW_FORMAT,
                              "pattern \"%s\" ends in a backslash with nothing behind it", pattern);
        }
        c += *c == '\\' ? 1 : 0;
    }
    return NW_OK;
}

/* Length of the number at `text`, 0 when there is none. */
static size_t number_length(const char *text, const char *end) {
    const char *c = text;
    size_t n_digits = 0;
    c += c < end && (*c == '+' || *c == '-') ? 1 : 0;
    for (; c < end && base_is_digit(*c); c++) {
        n_digits++;
    }
    if (c + 1 < end && (*c == '.' || *c == ',') && base_is_digit(c[1])) {
        for (c++; c < end && base_is_digit(*c); c++) {
            n_digits++;
        }
    }
    return n_digits > 0 ? (size_t)(c - text) : 0;
}

static size_t character_length(const char *text, const char *end) {
    size_t n = 1; /* with the bytes that continue it in UTF-8 */
    while (text + n < end && ((unsigned char)text[n] & 0xc0) == 0x80) {
        n++;
    }
    return n;
}

/* One step that is no star: how much of the text it takes (*ret_pattern of the pattern), 0 none. */
static size_t step(const char *pattern, const char *text, const char *end, size_t *ret_pattern) {
    *ret_pattern = 1;
    if (text == end) {
        return 0;
    }
    if (*pattern == '?') {
        return character_length(text, end);
    }
    if (*pattern == '{') {
        *ret_pattern = strlen("{number}");
        return number_length(text, end);
    }
    if (is_blank(*pattern)) {
        size_t n = 0;
        while (text + n < end && is_blank(text[n])) {
            n++;
        }
        return n;
    }
    if (*pattern == '\\') {
        *ret_pattern = 2;
        return pattern[1] == *text ? 1 : 0;
    }
    return lower(*pattern) == lower(*text) ? 1 : 0;
}

/* Where matching goes on when the text behind the last star does not fit. */
struct star {
    const char *pattern, *text;
    bool is_time;
};

bool nw_pattern_matches(const char *pattern, const char *text, size_t len, const char **ret_time,
                        size_t *ret_time_len) {
    const char *end = text + len;
    struct star star = {0};
    const char *time = NULL;
    size_t time_len = 0;
    while (text < end && is_blank(*text)) {
        text++;
    }
    while (end > text && is_blank(end[-1])) {
        end--;
    }
    for (;;) {
        const bool is_time = begins(pattern, "{time}");
        size_t n_pattern = 0;
        if (*pattern == '*' || is_time) {
            pattern += is_time ? strlen("{time}") : 1;
            star = (struct star){pattern, text, is_time};
            time = is_time ? text : time;
            time_len = is_time ? 0 : time_len;
            continue;
        }
        if (*pattern == '\0' && text == end) {
            break;
        }
        const size_t n = *pattern == '\0' ? 0 : step(pattern, text, end, &n_pattern);
        if (n > 0) {
            pattern += n_pattern;
            text += n;
        } else if (star.pattern && star.text < end) {
            star.text++; /* the star takes one byte more */
            time_len += star.is_time ? 1 : 0;
            pattern = star.pattern;
            text = star.text;
        } else {
            return false;
        }
    }
    if (ret_time) {
        *ret_time = time;
        *ret_time_len = time_len;
    }
    return true;
}
