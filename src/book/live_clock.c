/* live_clock.c - what only the clock tells of a night that is going on: see nw_live_tick.
 * Idea: nothing is remembered between calls but what the caller hands in, so that a watch that was
 * started anew says the same. Limits that are no physics are common practice, no source. */
#include <math.h>

#include "book/live_internal.h"
#include "sky/sky.h"

static const double DISK_ON_S = 10.0 * 3600.0, DISK_OFF_S = 11.0 * 3600.0;
static const double AHEAD_S = 20.0 * 60.0; /* meridian and contact are told so long before */
static const double PATIENCE_S = 120.0, NIGHT_OVER_S = 6.0 * 3600.0;

static double usual_gap(const struct nw_live *live) {
    return isfinite(live->usual_gap_s) ? live->usual_gap_s : 0.0;
}

static double last_exposure(const struct nw_live *live) {
    const double exposure_s = live->subs[live->n - 1].exposure_s;
    return isfinite(exposure_s) ? exposure_s : 0.0;
}

/* The next sub ought to be there by then. */
static double due_next(const struct nw_live *live) {
    return live->t_last_end_s + 2.0 * usual_gap(live) + last_exposure(live) + PATIENCE_S;
}

static void tick_stopped(struct nw_live *live, double now_s) {
    const double due_s = due_next(live);
    struct nw_live_alert *const alert =
        now_s > due_s && now_s < due_s + NIGHT_OVER_S
            ? live_raise(live, NW_LIVE_STOPPED, due_s, now_s - live->t_last_end_s,
                         due_s - live->t_last_end_s)
            : NULL;
    if (alert) {
        (void)snprintf(alert->text, sizeof alert->text,
                       "the last sub ended %.0f min ago; one takes %.0f s, the gap %.0f s",
                       (now_s - live->t_last_end_s) / 60.0, last_exposure(live), usual_gap(live));
    }
}

static void tick_meridian(struct nw_live *live, double now_s) {
    const struct nw_live_sub *const last = &live->subs[live->n - 1];
    const double sidereal = nw_sky_sidereal_time_rad(now_s, last->longitude_rad);
    const double angle = remainder(sidereal - last->ra_rad, 2.0 * NW_PI);
    const double left_s = -angle / NW_SIDEREAL_RATE_RAD_S;
    if (!(left_s > 0.0 && left_s <= AHEAD_S)) {
        return;
    }
    char when[8];
    struct nw_live_alert *const alert =
        live_raise(live, NW_LIVE_MERIDIAN, now_s + left_s - AHEAD_S, left_s / 60.0, AHEAD_S / 60.0);
    if (alert) {
        (void)snprintf(alert->text, sizeof alert->text,
                       "crosses at %s UTC: a flip is due unless your mount tracks past it",
                       live_clock(now_s + left_s, when));
    }
}

static void say_moment(const struct nw_live_contact *c, struct nw_buf *words) {
    char text[8];
    const bool is_contact = isfinite(c->contact_s) != 0;
    const double ha_h = (is_contact ? c->contact_ha_rad : c->sure_ha_rad) * NW_DEG_PER_RAD / 15.0;
    nw_buf_printf(words, "%s %s at %s UTC, hour angle %+.2f h", c->meets,
                  is_contact ? "touch" : "come nearer than the outlines are sure of",
                  live_clock(is_contact ? c->contact_s : c->sure_s, text), ha_h);
    if (is_contact && isfinite(c->sure_s)) {
        nw_buf_printf(words, " (95 %% sure of none until %s)", live_clock(c->sure_s, text));
    }
}

static void say_contact(const struct nw_live_contact *c, bool has_stopped, char *to, size_t size) {
    char until[8];
    struct nw_buf words;
    nw_buf_init(&words, 2000);
    say_moment(c, &words);
    nw_buf_printf(&words, " if the mount %s; tube %s of the pier%s; ",
                  has_stopped ? "still tracks" : "tracks on", c->is_east ? "east" : "west",
                  c->is_side_assumed   ? " (assumed, no flip known)"
                  : c->is_side_unusual ? " as the frames say, weights up"
                                       : "");
    nw_buf_printf(&words, "a flip %s%s%s. Watch stops nothing: the limits set in the mount do",
                  isnan(c->flipped_free_s) ? "does not clear it" : "clears it",
                  isfinite(c->flipped_free_s) ? " until " : "",
                  isfinite(c->flipped_free_s) ? live_clock(c->flipped_free_s, until) : "");
    nw_text_copy(to, size, words.data ? words.data : "");
    nw_buf_done(&words);
}

/* On from 20 minutes before the model is no longer sure; an end of the subs does not end it: the
 * mount may track on. */
static void tick_contact(struct nw_live *live, const struct nw_live_clock *clock) {
    live->has_contact = clock->contact != NULL;
    if (!clock->contact) {
        return;
    }
    live->contact = *clock->contact;
    const struct nw_live_contact *const c = &live->contact;
    const double first_s = fmin(isfinite(c->sure_s) ? c->sure_s : INFINITY,
                                isfinite(c->contact_s) ? c->contact_s : INFINITY);
    if (c->why_null[0] != '\0' || !isfinite(first_s) || clock->now_utc_s < first_s - AHEAD_S ||
        clock->now_utc_s > live->t_last_end_s + NIGHT_OVER_S) {
        return;
    }
    struct nw_live_alert *const alert =
        live_raise(live, NW_LIVE_CONTACT, fmin(first_s - AHEAD_S, clock->now_utc_s),
                   (first_s - clock->now_utc_s) / 60.0, AHEAD_S / 60.0);
    if (alert) {
        say_contact(c, clock->now_utc_s > due_next(live), alert->text, sizeof alert->text);
    }
}

static void tick_disk(struct nw_live *live, const struct nw_live_clock *clock) {
    if (!(clock->free_bytes >= 0.0) || !(live->bytes_per_s > 0.0)) {
        return;
    }
    const double left_s = clock->free_bytes / live->bytes_per_s;
    if (left_s > (clock->was_disk_near ? DISK_OFF_S : DISK_ON_S)) {
        return;
    }
    char when[32];
    struct nw_live_alert *const alert =
        live_raise(live, NW_LIVE_DISK, clock->now_utc_s, left_s / 3600.0, DISK_ON_S / 3600.0);
    if (alert) {
        nw_time_write_iso(clock->now_utc_s + left_s, 0, when, sizeof when);
        (void)snprintf(alert->text, sizeof alert->text,
                       "full at %.5s UTC on %.10s: %.1f GB free, %.1f GB an hour", when + 11, when,
                       clock->free_bytes / 1e9, live->bytes_per_s * 3600.0 / 1e9);
    }
}

void nw_live_tick(struct nw_live *live, const struct nw_live_clock *clock) {
    if (live->n == 0) {
        return;
    }
    tick_stopped(live, clock->now_utc_s);
    tick_meridian(live, clock->now_utc_s);
    tick_contact(live, clock);
    tick_disk(live, clock);
    live_sort(live);
}
