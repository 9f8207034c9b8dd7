/* err.c - see err.h */
#include "base/err.h"

#include <stdarg.h>

#undef nw_err_set /* see err.h: macros for the static analyser */
#undef nw_err_at

enum nw_status nw_err_set(struct nw_err *err, enum nw_status status, const char *format, ...) {
    if (err) {
        err->status = status;
        va_list args;
        va_start(args, format);
        (void)vsnprintf(err->text, sizeof err->text, format, args);
        va_end(args);
    }
    return status;
}

enum nw_status nw_err_at(struct nw_err *err, enum nw_status status, const char *format, ...) {
    if (err) {
        char place[sizeof err->text];
        va_list args;
        va_start(args, format);
        (void)vsnprintf(place, sizeof place, format, args);
        va_end(args);
        char whole[2 * sizeof err->text + 3];
        (void)snprintf(whole, sizeof whole, "%s: %s", place, err->text);
        whole[sizeof err->text - 1] = '\0';
        memcpy(err->text, whole, sizeof err->text);
        err->status = status;
    }
    return status;
}

const char *nw_status_text(enum nw_status status) {
    switch (status) {
#define X(name, number, text)                                                                      \
    case NW_##name:                                                                                \
        return text;
        NW_STATUS_LIST(X)
#undef X
    }
    return "unknown status";
}
