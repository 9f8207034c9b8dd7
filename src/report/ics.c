/* ics.c - events of a calendar: see ics.h. libical folds lines and escapes texts. */
#include "report/ics.h"

#include <ctype.h>
#include <math.h>

static icaltimetype moment(double t_s) {
    return icaltime_from_timet_with_zone((time_t)llround(t_s), 0, icaltimezone_get_utc_timezone());
}

static icaltimetype day(double t_s) {
    icaltimetype at = moment(t_s);
    at.is_date = 1;
    at.hour = 0;
    at.minute = 0;
    at.second = 0;
    at.zone = NULL;
    return at;
}

icalcomponent *ics_begin(const char *product) {
    char text[80];
    icalcomponent *const calendar = icalcomponent_new_vcalendar();
    (void)snprintf(text, sizeof text, "-//nightwright//%s//EN", product);
    icalcomponent_add_property(calendar, icalproperty_new_version("2.0"));
    icalcomponent_add_property(calendar, icalproperty_new_prodid(text));
    return calendar;
}

static void add_uid(icalcomponent *event, const char *uid) {
    char id[400];
    size_t len = 0;
    for (size_t i = 0; uid[i] != '\0' && len + sizeof "ff@nightwright" < sizeof id; i++) {
        const unsigned char c = (unsigned char)uid[i];
        if (c >= 128) { /* by its number, so that names of other letters stay apart */
            len += (size_t)snprintf(id + len, sizeof id - len, "%02x", (unsigned)c);
        } else {
            id[len++] = isalnum(c) || c == '.' || c == '@' ? (char)c : '-';
        }
    }
    nw_text_copy(id + len, sizeof id - len, "@nightwright");
    icalcomponent_add_property(event, icalproperty_new_uid(id));
}

/* At nine by the clock of whoever reads it: a trigger relative to a floating day. */
static void add_alarm(icalcomponent *event, const char *title) {
    icalcomponent *const alarm = icalcomponent_new_valarm();
    struct icaltriggertype trigger = {.time = icaltime_null_time(),
                                      .duration = icaldurationtype_from_int(9 * 3600)};
    icalcomponent_add_property(alarm, icalproperty_new_action(ICAL_ACTION_DISPLAY));
    icalcomponent_add_property(alarm, icalproperty_new_trigger(trigger));
    icalcomponent_add_property(alarm, icalproperty_new_description(title));
    icalcomponent_add_component(event, alarm);
}

void ics_add(icalcomponent *calendar, const struct ics_event *e) {
    icalcomponent *const event = icalcomponent_new_vevent();
    add_uid(event, e->uid);
    icalcomponent_add_property(event, icalproperty_new_dtstamp(moment(e->stamp_s)));
    icalcomponent_add_property(
        event, icalproperty_new_dtstart(e->is_day ? day(e->start_s) : moment(e->start_s)));
    if (!e->is_day) {
        icalcomponent_add_property(event, icalproperty_new_dtend(moment(e->end_s)));
    }
    if (e->rule) {
        icalcomponent_add_property(event,
                                   icalproperty_new_rrule(icalrecurrencetype_from_string(e->rule)));
    }
    icalcomponent_add_property(event, icalproperty_new_summary(e->title));
    icalcomponent_add_property(event, icalproperty_new_description(e->text));
    if (e->rings) {
        add_alarm(event, e->title);
    }
    icalcomponent_add_component(calendar, event);
}

enum nw_status ics_end(icalcomponent *calendar, struct nw_buf *ret, struct nw_err *err) {
    char *const out = icalcomponent_as_ical_string_r(calendar);
    const enum nw_status status =
        out ? nw_buf_add(ret, out, strlen(out), err) : nw_err_set(err, NW_NOMEM, "calendar");
    icalmemory_free_buffer(out);
    icalcomponent_free(calendar);
    icaltimezone_free_builtin_timezones();
    icalmemory_free_ring();
    return status;
}
