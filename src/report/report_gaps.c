/* report_gaps.c - holes of the nights and their causes; see report_gaps.h. */
#include "report/report_gaps.h"

#include <math.h>

enum { SHOWN = 12, MONTH = 7 };

static double hours_of(const struct nw_gap *gap) {
    return (gap->to_s - gap->from_s) / 3600.0;
}

/* Is this the first hole of its cause in its month? Then how many there are. */
static size_t count_month(const struct nw_gap *gaps, size_t n, size_t i) {
    size_t count = 0;
    for (size_t k = 0; k < n; k++) {
        const bool is_alike =
            gaps[k].cause == gaps[i].cause && strncmp(gaps[k].date, gaps[i].date, MONTH) == 0;
        if (is_alike && k < i) {
            return 0;
        }
        count += is_alike ? 1 : 0;
    }
    return count;
}

static void one_cause(const struct nw_gap *gaps, size_t n, enum nw_gap_cause cause,
                      struct nw_buf *buf) {
    size_t count = 0;
    double hours = 0.0;
    for (size_t i = 0; i < n; i++) {
        count += gaps[i].cause == cause ? 1 : 0;
        hours += gaps[i].cause == cause ? hours_of(&gaps[i]) : 0.0;
    }
    if (count == 0) {
        return;
    }
    nw_buf_printf(buf, "  %-8s %-6s %5zu %7.1f  ", nw_gap_cause_word(cause),
                  nw_gap_is_fault(cause) ? "FAULT" : "", count, hours);
    for (size_t i = 0; i < n; i++) {
        const size_t of_month = gaps[i].cause == cause ? count_month(gaps, n, i) : 0;
        if (of_month > 0) {
            nw_buf_printf(buf, " %.7s: %zu", gaps[i].date, of_month);
        }
    }
    nw_buf_printf(buf, "\n");
}

/* Each advice once; without any nothing at all. */
static void what_would_tell(const struct nw_gap *gaps, size_t n, struct nw_buf *buf) {
    bool is_headed = false;
    for (size_t i = 0; i < n; i++) {
        bool is_first = gaps[i].would_tell[0] != '\0';
        for (size_t k = 0; k < i && is_first; k++) {
            is_first = strcmp(gaps[k].would_tell, gaps[i].would_tell) != 0;
        }
        if (is_first && !is_headed) {
            nw_buf_printf(buf, "\nWHAT WOULD TELL MORE\n");
            is_headed = true;
        }
        if (is_first) {
            nw_report_entry(buf, 2, 12, nw_gap_cause_word(gaps[i].cause), gaps[i].would_tell);
        }
    }
}

void nw_report_gaps_text(const struct nw_gap *gaps, size_t n, struct nw_buf *buf) {
    size_t n_faults = 0;
    nw_report_title(buf, "HOLES IN THE NIGHTS", "");
    if (n == 0) {
        nw_buf_printf(buf, "  none\n");
        return;
    }
    nw_buf_printf(buf, "  %-8s %-6s %5s %7s   %s\n", "cause", "", "times", "hours", "by month");
    for (int cause = 0; cause < NW_GAP_N_CAUSES; cause++) {
        one_cause(gaps, n, (enum nw_gap_cause)cause, buf);
    }
    nw_buf_printf(buf, "\nFAULTS, the last\n");
    for (size_t i = n; i-- > 0 && n_faults < SHOWN;) {
        char head[32];
        char when[48];
        char text[480];
        if (!nw_gap_is_fault(gaps[i].cause)) {
            continue;
        }
        n_faults++;
        (void)snprintf(head, sizeof head, "%s %s", gaps[i].date,
                       nw_report_clock(when, sizeof when, gaps[i].from_s));
        (void)snprintf(text, sizeof text, "%.0f min, %s: %s", hours_of(&gaps[i]) * 60.0,
                       nw_gap_cause_text(gaps[i].cause), gaps[i].evidence);
        nw_report_entry(buf, 2, 20, head, text);
    }
    nw_buf_printf(buf, "%s", n_faults == 0 ? "  none\n" : "");
    what_would_tell(gaps, n, buf);
}

static void put_counts(struct nw_json *json, const struct nw_gap *gaps, size_t n) {
    json_t *const counts = nw_json_array(json, NULL, "counts");
    for (size_t i = 0; i < n; i++) {
        const size_t count = count_month(gaps, n, i);
        if (count > 0) {
            char month[MONTH + 1];
            json_t *const item = nw_json_item(json, counts);
            nw_text_copy(month, sizeof month, gaps[i].date);
            nw_json_text(json, item, "month", month);
            nw_json_text(json, item, "cause", nw_gap_cause_word(gaps[i].cause));
            nw_json_bool(json, item, "is_fault", nw_gap_is_fault(gaps[i].cause));
            nw_json_count(json, item, "times", count);
        }
    }
}

enum nw_status nw_report_gaps_json(const struct nw_gap *gaps, size_t n, json_t **ret,
                                   struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "book", 1);
    nw_json_text(&json, NULL, "verb", "gaps");
    put_counts(&json, gaps, n);
    json_t *const list = nw_json_array(&json, NULL, "gaps");
    for (size_t i = 0; i < n; i++) {
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "night", gaps[i].date);
        nw_json_time(&json, item, "from_utc", gaps[i].from_s, 0);
        nw_json_time(&json, item, "to_utc", gaps[i].to_s, 0);
        json_t *const sources = nw_json_array(&json, item, "silent");
        for (int k = 0; k < NW_GAP_N_SOURCES; k++) {
            if (gaps[i].sources & (1u << k)) {
                nw_json_add_text(&json, sources, nw_gap_source_word((enum nw_gap_source)k));
            }
        }
        nw_json_text(&json, item, "cause", nw_gap_cause_word(gaps[i].cause));
        nw_json_text(&json, item, "text", nw_gap_cause_text(gaps[i].cause));
        nw_json_bool(&json, item, "is_fault", nw_gap_is_fault(gaps[i].cause));
        nw_json_text(&json, item, "evidence", gaps[i].evidence);
        nw_json_text(&json, item, "would_tell", gaps[i].would_tell);
    }
    return nw_json_end(&json, ret, err);
}
