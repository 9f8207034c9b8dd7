/* report_plan_ics.c - the night as a calendar (RFC 5545, through libical).
 * Idea: events in UTC; identifiers from what they are and when, so that a newer plan replaces them.
 */
#include <math.h>

#include "report/ics.h"
#include "report/report_plan.h"

static void add_event(icalcomponent *calendar, double start_s, double end_s, const char *title,
                      const char *text) {
    char uid[160];
    (void)snprintf(uid, sizeof uid, "%.0f-%.60s", start_s, title);
    ics_add(calendar, &(struct ics_event){.uid = uid,
                                          .stamp_s = start_s,
                                          .start_s = start_s,
                                          .end_s = end_s,
                                          .title = title,
                                          .text = text});
}

enum nw_status nw_report_plan_ics(const struct nw_plan_report *r, struct nw_buf *ret,
                                  struct nw_err *err) {
    icalcomponent *const calendar = ics_begin("plan");
    char title[160];
    char text[300];
    for (size_t i = 0; i < r->plan->n_blocks; i++) {
        const struct nw_night_block *const b = &r->plan->blocks[i];
        (void)snprintf(title, sizeof title, "%s, %s", r->plan->targets[b->target].target->name,
                       b->filter);
        (void)snprintf(text, sizeof text, "%s%zu subs of %.0f s; altitude %.0f to %.0f deg",
                       b->flip ? "flip before it; " : "", b->subs, b->exposure_s,
                       b->altitude_start_rad * NW_DEG_PER_RAD,
                       b->altitude_end_rad * NW_DEG_PER_RAD);
        add_event(calendar, b->start_s, b->end_s, title, text);
    }
    for (size_t i = 0; i < r->plan->n_switches; i++) {
        const struct nw_night_switch *const s = &r->plan->switches[i];
        (void)snprintf(title, sizeof title, "%s %s", s->load, s->action);
        add_event(calendar, s->t_s, s->t_s + 60.0, title, s->why);
    }
    return ics_end(calendar, ret, err);
}
