/* layout_cells.c - lines of described logs: cells, numbers, headings, "name: value". */
#include <math.h>

#include "guiding/layout_internal.h"

static bool is_blank(char c) {
    return c == ' ' || c == '\t' || c == '\r';
}

static struct layout_text trimmed(const char *at, const char *end) {
    while (at < end && is_blank(*at)) {
        at++;
    }
    while (end > at && is_blank(end[-1])) {
        end--;
    }
    if (end - at >= 2 && *at == '"' && end[-1] == '"') {
        at++;
        end--;
    }
    return (struct layout_text){at, (size_t)(end - at)};
}

static char separator_of(const struct nw_log_layout *layout) {
    switch (layout->separator[0]) {
    case 's':
        return ';';
    case 't':
        return '\t';
    case 'c':
        return ',';
    default: /* bar, blanks */
        return layout->separator[1] == 'a' ? '|' : ' ';
    }
}

void nw_layout_split(const struct nw_log_layout *layout, struct layout_text line,
                     struct layout_cells *ret) {
    const char separator = separator_of(layout);
    const char *const end = line.at + line.len;
    const char *at = line.at;
    ret->n = 0;
    while (ret->n < LAYOUT_CELLS_MAX) {
        while (separator == ' ' && at < end && is_blank(*at)) {
            at++;
        }
        if (separator == ' ' && at == end) {
            return;
        }
        const char *stop = at;
        bool is_quoted = false;
        for (; stop < end; stop++) {
            is_quoted = *stop == '"' ? !is_quoted : is_quoted;
            if (!is_quoted && (*stop == separator || (separator == ' ' && is_blank(*stop)))) {
                break;
            }
        }
        ret->items[ret->n++] = trimmed(at, stop);
        if (stop == end) {
            return;
        }
        at = stop + 1;
    }
}

void nw_layout_copy(char *to, size_t size, struct layout_text text) {
    char copy[256];
    const size_t n = text.len < sizeof copy - 1 ? text.len : sizeof copy - 1;
    memcpy(copy, text.len > 0 ? text.at : "", n);
    copy[n] = '\0';
    nw_text_copy(to, size, copy);
}

bool nw_layout_equal(struct layout_text text, const char *word) {
    char copy[128];
    if (text.len != strlen(word) || text.len >= sizeof copy) {
        return false;
    }
    nw_layout_copy(copy, sizeof copy, text);
    return nw_text_equal_nocase(copy, word);
}

bool nw_layout_number(const struct nw_log_layout *layout, struct layout_text text, double *ret) {
    char copy[48];
    *ret = NAN;
    if (text.len == 0 || (text.len == 1 && *text.at == '-') || nw_layout_equal(text, "nan") ||
        (layout->missing[0] != '\0' && nw_layout_equal(text, layout->missing))) {
        return true;
    }
    if (text.len >= sizeof copy) {
        return false;
    }
    for (size_t i = 0; i < text.len; i++) {
        const bool is_mark = layout->decimal[0] == 'c' && text.at[i] == ',';
        copy[i] = is_mark ? '.' : text.at[i];
    }
    copy[text.len] = '\0';
    return nw_text_to_double(copy, ret);
}

static bool is_word_character(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_' ||
           (unsigned char)c >= 0x80;
}

struct layout_text nw_layout_value(struct layout_text line, const char *name) {
    const size_t n = strlen(name);
    for (size_t i = 0; n > 0 && i + n < line.len; i++) {
        if ((i > 0 && is_word_character(line.at[i - 1]) && is_word_character(name[0])) ||
            !nw_layout_equal((struct layout_text){line.at + i, n}, name)) {
            continue;
        }
        size_t k = i + n;
        while (k < line.len && is_blank(line.at[k])) {
            k++;
        }
        if (k < line.len && (line.at[k] == ':' || line.at[k] == '=')) {
            return trimmed(line.at + k + 1, line.at + line.len);
        }
    }
    return (struct layout_text){line.at, 0};
}

/* One column by number or heading; -1 when it is not there. */
static int find(const struct nw_log_name *name, const struct layout_cells *headings) {
    if (name->number > 0) {
        return (int)name->number - 1;
    }
    for (size_t i = 0; i < headings->n; i++) {
        if (nw_layout_equal(headings->items[i], name->name)) {
            return (int)i;
        }
    }
    return -1;
}

bool nw_layout_bind(const struct nw_log_layout *layout, const struct layout_cells *headings,
                    struct layout_columns *ret, size_t *ret_found, const char **ret_missing) {
    *ret_found = 0;
    *ret_missing = NULL;
    for (size_t c = 0; c < NW_LOG_N_COLUMNS; c++) {
        const struct nw_log_field *const f = &layout->columns[c];
        const struct nw_log_name *const names[3] = {&f->name, &f->minus_column, &f->direction};
        int *const places[3] = {&ret->main[c], &ret->minus[c], &ret->direction[c]};
        for (int k = 0; k < 3; k++) {
            *places[k] = -1;
            if (!f->is_given || names[k]->name[0] == '\0') {
                continue;
            }
            *places[k] = find(names[k], headings);
            if (*places[k] >= 0) {
                *ret_found += names[k]->number == 0 ? 1 : 0;
            } else if (!*ret_missing) {
                *ret_missing = names[k]->name;
            }
        }
    }
    return *ret_missing == NULL;
}
