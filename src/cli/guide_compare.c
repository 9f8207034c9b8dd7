/* guide_compare.c - see guide_compare.h */
#include "cli/guide_compare.h"

#include <math.h>

#include "report/report_guiding.h"

enum { WORD = 40 };

static const char *const EXPECTED = "expected NAME=FROM/TO, times like 2026-03-19T22:10Z or "
                                    "seconds of the log";

/* A time of the call: ISO 8601, UTC where no zone is said, or seconds. */
static bool read_time(const char *text, double *ret_s) {
    struct nw_err none = {0};
    return nw_time_read_iso(text, 0.0, ret_s, &none) == NW_OK ||
           (nw_text_to_double(text, ret_s) && isfinite(*ret_s));
}

static enum nw_status read_span(const char *given, struct nw_guide_setting_span *ret,
                                struct nw_err *err) {
    const char *const equals = strchr(given, '=');
    const char *const slash = equals ? strchr(equals, '/') : NULL;
    char from[WORD] = "";
    struct nw_guide_setting_span span = {0};
    const size_t name_len = equals ? (size_t)(equals - given) : 0;
    const size_t from_len = slash ? (size_t)(slash - equals) - 1 : 0;
    if (name_len == 0 || name_len >= sizeof span.name || from_len == 0 || from_len >= WORD) {
        return nw_err_set(err, NW_USAGE, "--settings %.60s: %s", given, EXPECTED);
    }
    memcpy(span.name, given, name_len);
    memcpy(from, equals + 1, from_len);
    if (!read_time(from, &span.start_s) || !read_time(slash + 1, &span.end_s)) {
        return nw_err_set(err, NW_USAGE, "--settings %.60s: %s", given, EXPECTED);
    }
    if (!(span.end_s > span.start_s)) {
        return nw_err_set(err, NW_USAGE, "--settings %.60s ends before it begins", given);
    }
    *ret = span;
    return NW_OK;
}

enum nw_status guide_compare(const struct guide_files *files, const char *const *spans,
                             size_t n_spans, bool wants_json, struct cli_result *result,
                             struct nw_err *err) {
    struct nw_guide_compared *runs = nw_calloc(files->n + 1, sizeof *runs);
    struct nw_guide_setting_span *list = nw_calloc(n_spans + 1, sizeof *list);
    struct nw_guide_compare found;
    size_t n = 0;
    enum nw_status status = runs && list ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu runs", files->n);
    for (size_t i = 0; status == NW_OK && i < n_spans; i++) {
        status = read_span(spans[i], &list[i], err);
    }
    for (size_t i = 0; status == NW_OK && i < files->n; i++) {
        const struct nw_guide_result *const r = &files->results[i];
        if (r->analysis) {
            runs[n++] = (struct nw_guide_compared){r->file->items[r->number - 1].log, r->analysis};
        }
    }
    if (status == NW_OK) {
        status = nw_guide_compare(runs, n, list, n_spans, &found, err);
    }
    if (status == NW_OK && wants_json) {
        status = nw_report_guide_compare_json(&found, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_guide_compare_text(&found, &result->text);
    }
    free(runs);
    free(list);
    return status;
}
