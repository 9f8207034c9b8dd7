/* report_plan_ics.c - the night as a calendar (RFC 5545, through libical).
 * Idea: events in UTC; identifiers from what they are and when, so that a newer plan replaces them.
 */
#include <libical/ical.h>
#include <math.h>

#include "report/report_plan.h"

static void add_event(icalcomponent *calendar, double start_s, double end_s, const char *title,
                      const char *text) {
    char id[160];
    (void)snprintf(id, sizeof id, "%.0f-%.60s@nightwright", start_s, title);
    for (char *c = id; *c; c++) {
        *c = *c == ' ' ? '-' : *c;
    }
    icaltimezone *const utc = icaltimezone_get_utc_timezone();
    const time_t start = (time_t)llround(start_s);
    const time_t end = (time_t)llround(end_s);
    icalcomponent *const event = icalcomponent_new_vevent();
    icalcomponent_add_property(event, icalproperty_new_uid(id));
    icalcomponent_add_property(
        event, icalproperty_new_dtstamp(icaltime_from_timet_with_zone(start, 0, utc)));
    icalcomponent_add_property(
        event, icalproperty_new_dtstart(icaltime_from_timet_with_zone(start, 0, utc)));
    icalcomponent_add_property(event,
                               icalproperty_new_dtend(icaltime_from_timet_with_zone(end, 0, utc)));
    icalcomponent_add_property(event, icalproperty_new_summary(title));
    icalcomponent_add_property(event, icalproperty_new_description(text));
    icalcomponent_add_component(calendar, event);
}

enum nw_status nw_report_plan_ics(const struct nw_plan_report *r, struct nw_buf *ret,
                                  struct nw_err *err) {
    icalcomponent *const calendar = icalcomponent_new_vcalendar();
    icalcomponent_add_property(calendar, icalproperty_new_version("2.0"));
    icalcomponent_add_property(calendar, icalproperty_new_prodid("-//nightwright//plan//EN"));
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
    char *const out = icalcomponent_as_ical_string_r(calendar);
    const enum nw_status status =
        out ? nw_buf_add(ret, out, strlen(out), err) : nw_err_set(err, NW_NOMEM, "calendar");
    icalmemory_free_buffer(out);
    icalcomponent_free(calendar);
    icaltimezone_free_builtin_timezones();
    icalmemory_free_ring();
    return status;
}
