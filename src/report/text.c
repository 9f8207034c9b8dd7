/* text.c - see report.h */
#include <math.h>

#include "report/report.h"

/* The bytes of the character at `text`: 1 to 4, or 0 for what must not be shown. */
static size_t shown_length(const char *text) {
    const unsigned char first = (unsigned char)text[0];
    if (first < 0x20 || first == 0x7F) {
        return 0;
    }
    const size_t left = strnlen(text, 4);
    for (size_t len = 1; len <= left; len++) {
        if (nw_text_is_utf8(text, len)) {
            /* U+0080 to U+009F steer some terminals */
            const bool is_control = first == 0xC2 && (unsigned char)text[1] < 0xA0;
            return is_control ? 0 : len;
        }
    }
    return 0;
}

void nw_report_clean(struct nw_buf *buf, const char *text) {
    for (const char *at = text; *at;) {
        const size_t len = shown_length(at);
        nw_buf_printf(buf, "%.*s", len ? (int)len : 1, len ? at : "?");
        at += len ? len : 1;
    }
}

/* Bytes that continue a UTF-8 character take no column. */
static size_t width_of(const char *text, size_t n_bytes) {
    size_t width = 0;
    for (size_t i = 0; i < n_bytes; i++) {
        width += ((unsigned char)text[i] & 0xC0) != 0x80 ? 1 : 0;
    }
    return width;
}

size_t nw_report_width(const char *text) {
    return width_of(text, strlen(text));
}

/* Words of `text` from column `at` on (what stands in front is written already). */
static void wrap(struct nw_buf *buf, size_t indent, size_t at, const char *text) {
    size_t column = at;
    bool is_line_empty = true;
    for (const char *word = text + strspn(text, " \n"); *word;) {
        const size_t len = strcspn(word, " \n");
        const size_t width = width_of(word, len);
        if (!is_line_empty && column + 1 + width > NW_REPORT_WIDTH) {
            nw_buf_printf(buf, "\n%*s", (int)indent, "");
            column = indent;
            is_line_empty = true;
        }
        nw_buf_printf(buf, "%s%.*s", is_line_empty ? "" : " ", (int)len, word);
        column += width + (is_line_empty ? 0 : 1);
        is_line_empty = false;
        word += len + strspn(word + len, " \n");
    }
    nw_buf_printf(buf, "\n");
}

void nw_report_paragraph(struct nw_buf *buf, int indent, const char *text) {
    nw_buf_printf(buf, "%*s", indent, "");
    wrap(buf, (size_t)indent, (size_t)indent, text);
}

void nw_report_entry(struct nw_buf *buf, int indent, int column, const char *head,
                     const char *text) {
    const size_t used = (size_t)indent + nw_report_width(head);
    nw_buf_printf(buf, "%*s%s", indent, "", head);
    if (used + 2 > (size_t)column) {
        nw_buf_printf(buf, "\n%*s", column, "");
    } else {
        nw_buf_printf(buf, "%*s", (int)((size_t)column - used), "");
    }
    wrap(buf, (size_t)column, (size_t)column, text);
}

void nw_report_title(struct nw_buf *buf, const char *title, const char *aside) {
    const size_t used = nw_report_width(title);
    const size_t aside_width = aside ? nw_report_width(aside) : 0;
    if (aside_width == 0) {
        nw_buf_printf(buf, "%s\n", title);
    } else if (used + 2 + aside_width <= NW_REPORT_WIDTH) {
        nw_buf_printf(buf, "%s%*s%s\n", title, (int)(NW_REPORT_WIDTH - used - aside_width), "",
                      aside);
    } else {
        nw_buf_printf(buf, "%s\n", title);
        nw_report_paragraph(buf, 2, aside);
    }
}

void nw_report_rule(struct nw_buf *buf, int indent) {
    nw_buf_printf(buf, "%*s", indent, "");
    for (int i = indent; i < NW_REPORT_WIDTH; i++) {
        nw_buf_printf(buf, "-");
    }
    nw_buf_printf(buf, "\n");
}

/* The bytes of the first `width` characters. */
static size_t bytes_of(const char *text, size_t width) {
    size_t n_bytes = 0;
    size_t n = 0;
    while (text[n_bytes]) {
        n += ((unsigned char)text[n_bytes] & 0xC0) != 0x80 ? 1 : 0;
        if (n > width) {
            break;
        }
        n_bytes++;
    }
    return n_bytes;
}

static void cell(struct nw_buf *buf, size_t width, const char *text, bool is_right) {
    const size_t used = nw_report_width(text);
    if (used > width) {
        const size_t n_bytes = width > 0 ? bytes_of(text, width - 1) : 0;
        nw_buf_printf(buf, "%.*s%s", (int)n_bytes, text, width > 0 ? "~" : "");
        return;
    }
    const int padding = (int)(width - used);
    nw_buf_printf(buf, "%*s%s%*s", is_right ? padding : 0, "", text, is_right ? 0 : padding, "");
}

void nw_report_right(struct nw_buf *buf, int width, const char *text) {
    cell(buf, (size_t)width, text, true);
}

void nw_report_left(struct nw_buf *buf, int width, const char *text) {
    cell(buf, (size_t)width, text, false);
}

/* "-0.00" says a sign that is not there. */
static void drop_empty_sign(char *text) {
    if (text[0] == '-' && text[strspn(text, "-0.")] == '\0' && text[1] != '\0') {
        memmove(text, text + 1, strlen(text));
    }
}

void nw_report_fixed(struct nw_buf *buf, int width, double value, int decimals) {
    char text[64] = "-";
    if (isfinite(value)) {
        (void)snprintf(text, sizeof text, fabs(value) < 1e15 ? "%.*f" : "%.*e", decimals, value);
        drop_empty_sign(text);
    }
    nw_report_right(buf, width > 0 ? width : (int)strlen(text), text);
}

/* Decimals that show so many significant digits of `value`, 0 to 9. */
static int decimals_for(double value, int digits) {
    if (!(fabs(value) > 0.0)) {
        return digits - 1;
    }
    const double rounded = nw_report_round(value, digits); /* 0.0999 with 2 digits is 0.10 */
    const int decimals = digits - 1 - (int)floor(log10(fabs(rounded)));
    return decimals < 0 ? 0 : decimals > 9 ? 9 : decimals;
}

char *nw_report_number(char *text, size_t size, double value, int digits) {
    if (!isfinite(value)) {
        (void)snprintf(text, size, "-");
    } else if (fabs(value) >= 1e7 || (fabs(value) < 1e-5 && fabs(value) > 0.0)) {
        (void)snprintf(text, size, "%.*e", digits > 1 ? digits - 1 : 0, value);
    } else {
        (void)snprintf(text, size, "%.*f", decimals_for(value, digits), value);
        drop_empty_sign(text);
    }
    return text;
}

char *nw_report_pm(char *text, size_t size, double value, double sigma) {
    if (!isfinite(value) || !isfinite(sigma) || !(sigma > 0.0) || fabs(value) >= 1e7) {
        return nw_report_number(text, size, value, 3);
    }
    const int decimals = decimals_for(sigma, 2);
    char number[40];
    (void)snprintf(number, sizeof number, "%.*f", decimals, value);
    drop_empty_sign(number);
    (void)snprintf(text, size, "%s +- %.*f", number, decimals, sigma);
    return text;
}

char *nw_report_duration(char *text, size_t size, double duration_s) {
    if (!isfinite(duration_s)) {
        (void)snprintf(text, size, "-");
        return text;
    }
    const char *const sign = duration_s < 0.0 ? "-" : "";
    const double length_s = fabs(duration_s);
    const double minutes = floor(length_s / 60.0);
    if (length_s < 9.95) {
        (void)snprintf(text, size, "%s%.1f s", sign, length_s);
    } else if (length_s < 119.5) {
        (void)snprintf(text, size, "%s%.0f s", sign, length_s);
    } else if (length_s < 3599.5) {
        const double whole_s = round(length_s);
        (void)snprintf(text, size, "%s%.0f min %02.0f s", sign, floor(whole_s / 60.0),
                       fmod(whole_s, 60.0));
    } else {
        const double whole_min = length_s - 60.0 * minutes < 30.0 ? minutes : minutes + 1.0;
        (void)snprintf(text, size, "%s%.0f h %02.0f min", sign, floor(whole_min / 60.0),
                       fmod(whole_min, 60.0));
    }
    return text;
}

char *nw_report_clock(char *text, size_t size, double t_utc_s) {
    char iso[40];
    nw_time_write_iso(isfinite(t_utc_s) ? 60.0 * floor(t_utc_s / 60.0 + 0.5) : NAN, 0, iso,
                      sizeof iso);
    if (strlen(iso) < 16) {
        (void)snprintf(text, size, "-");
    } else {
        (void)snprintf(text, size, "%.5s", iso + 11);
    }
    return text;
}

char *nw_report_percent(char *text, size_t size, double fraction) {
    const double percent = 100.0 * fraction;
    if (!isfinite(percent)) {
        (void)snprintf(text, size, "-");
    } else {
        (void)snprintf(text, size, "%.*f %%", fabs(percent) < 1.0 && fabs(percent) > 0.0 ? 1 : 0,
                       percent);
    }
    return text;
}
