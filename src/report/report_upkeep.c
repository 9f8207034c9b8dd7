/* report_upkeep.c - what is due at the observatory; see report_upkeep.h. */
#include "report/report_upkeep.h"

#include <math.h>

#include "report/ics.h"

/* The reason of what is far off is left to --json. */
static void one_task(const struct nw_upkeep *task, double now_utc_s, struct nw_buf *buf) {
    static const double SOON_S = 60.0 * 86400.0;
    const bool is_near = !(task->due_s > now_utc_s + SOON_S);
    nw_buf_printf(buf, "  %-11s ", task->due[0] != '\0' ? task->due : "-");
    nw_report_left(buf, 32, task->name);
    nw_buf_printf(buf, task->is_due ? "%-12sDUE\n" : "%s\n",
                  task->last_done[0] != '\0' ? task->last_done : "-");
    if (is_near && task->why[0] != '\0') {
        nw_report_entry(buf, 14, 23, "because", task->why);
    }
    if (task->is_due && task->note[0] != '\0') {
        nw_report_entry(buf, 14, 23, "do", task->note);
    }
    if (task->is_due && task->caution[0] != '\0') {
        nw_report_entry(buf, 14, 23, "CAUTION", task->caution);
    }
}

void nw_report_upkeep_text(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                           struct nw_buf *buf) {
    char today[32];
    size_t n_due = 0;
    nw_time_write_iso(now_utc_s, 0, today, sizeof today);
    today[10] = '\0';
    nw_report_title(buf, "UPKEEP", today);
    nw_buf_printf(buf, "\n  %-11s %-32s%s\n", "due", "task", "last done");
    for (size_t i = 0; i < n; i++) {
        one_task(&tasks[i], now_utc_s, buf);
        n_due += tasks[i].is_due ? 1 : 0;
    }
    nw_buf_printf(buf, "\n  %zu due. Done: nightwright book upkeep done \"NAME\" [DATE]\n", n_due);
    nw_report_paragraph(buf, 2,
                        "Intervals are common practice. What is safe they do not say: mains and "
                        "its earth are a licensed electrician's, local rules decide.");
}

enum nw_status nw_report_upkeep_json(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                                     json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "book", 1);
    nw_json_text(&json, NULL, "verb", "upkeep");
    nw_json_time(&json, NULL, "now_utc", now_utc_s, 0);
    json_t *const list = nw_json_array(&json, NULL, "tasks");
    for (size_t i = 0; i < n; i++) {
        const struct nw_upkeep *const task = &tasks[i];
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "name", task->name);
        nw_json_bool(&json, item, "is_owners", task->is_owners);
        nw_json_number(&json, item, "every_days", task->every_s / 86400.0, 6);
        nw_json_text(&json, item, "last_done", task->last_done);
        nw_json_text(&json, item, "due", task->due);
        nw_json_bool(&json, item, "is_due", task->is_due);
        nw_json_text(&json, item, "why", task->why);
        nw_json_text(&json, item, "note", task->note);
        nw_json_text(&json, item, "caution", task->caution);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_upkeep_ics(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                                    struct nw_buf *ret, struct nw_err *err) {
    icalcomponent *const calendar = ics_begin("upkeep");
    for (size_t i = 0; i < n; i++) {
        const struct nw_upkeep *const task = &tasks[i];
        char uid[120];
        char text[800];
        if (!isfinite(task->due_s)) {
            continue;
        }
        (void)snprintf(uid, sizeof uid, "upkeep-%.80s", task->name);
        (void)snprintf(text, sizeof text, "%s%s%s%s%s", task->why,
                       task->note[0] != '\0' ? "\nDo: " : "", task->note,
                       task->caution[0] != '\0' ? "\nCAUTION: " : "", task->caution);
        ics_add(calendar, &(struct ics_event){.uid = uid,
                                              .stamp_s = now_utc_s,
                                              .start_s = task->is_due ? now_utc_s : task->due_s,
                                              .is_day = true,
                                              .title = task->name,
                                              .text = text,
                                              .rings = true});
    }
    return ics_end(calendar, ret, err);
}
