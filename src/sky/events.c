/* events.c - when Sun and Moon cross an altitude.
 * Idea: look every few minutes from noon to noon, then halve the step that holds the crossing.
 * Nothing is taken to be regular: near the polar circles the Sun grazes an altitude, and the lowest
 * point is searched for by itself. Holds: crossings to 0.05 s of the model. */
#include <math.h>

#include "sky/sky_internal.h"

#define STEP_s 600.0
#define DAY_STEPS 145 /* noon to noon, both ends */

/* Local mean solar time less UTC. */
static double east_s(double longitude_rad) {
    return isfinite(longitude_rad)
               ? remainder(longitude_rad, 2.0 * NW_PI) / (2.0 * NW_PI) * SKY_DAY_s
               : 0.0;
}

double nw_sky_noon_utc_s(double date_s, double longitude_rad) {
    return date_s + 0.5 * SKY_DAY_s - east_s(longitude_rad);
}

double nw_sky_evening_utc_s(double t_utc_s, double longitude_rad) {
    return SKY_DAY_s * floor((t_utc_s + east_s(longitude_rad)) / SKY_DAY_s - 0.5);
}

/* Height of a body over the altitude at which it counts as risen. */
enum what { SUN, MOON };
static double over(const struct nw_sky_moment *m, enum what what, double altitude_rad) {
    if (what == SUN) {
        return m->sun_altitude_rad - altitude_rad;
    }
    /* the Moon's upper limb (radius 0.2725 of its parallax; the topocentric place has the parallax
     * in it already) with 34' of refraction (USNO definitions) */
    const double radius_rad = asin(1737.4e3 / m->moon_distance_m);
    return m->moon_altitude_rad + radius_rad + 34.0 / 60.0 * NW_RAD_PER_DEG;
}

static enum nw_status over_at(const struct nw_observer *o, double t_s, enum what what,
                              double altitude_rad, double *ret, struct nw_err *err) {
    struct nw_sky_moment m;
    const enum nw_status status = nw_sky_moment_at(o, t_s, &m, err);
    if (status == NW_OK) {
        *ret = over(&m, what, altitude_rad);
    }
    return status;
}

static enum nw_status crossing(const struct nw_observer *o, double low_s, double high_s,
                               enum what what, double altitude_rad, double *ret_s,
                               struct nw_err *err) {
    double at_low = 0.0;
    enum nw_status status = over_at(o, low_s, what, altitude_rad, &at_low, err);
    while (status == NW_OK && high_s - low_s > 0.05) {
        const double middle_s = 0.5 * (low_s + high_s);
        double at_middle = 0.0;
        status = over_at(o, middle_s, what, altitude_rad, &at_middle, err);
        if ((at_middle > 0.0) == (at_low > 0.0)) {
            low_s = middle_s;
        } else {
            high_s = middle_s;
        }
    }
    *ret_s = 0.5 * (low_s + high_s);
    return status;
}

/* Lowest altitude of the Sun between two times about a minimum: thirds (golden section's plainer
 * sister) to a second. */
static enum nw_status lowest(const struct nw_observer *o, double low_s, double high_s,
                             struct nw_dark *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    while (status == NW_OK && high_s - low_s > 1.0) {
        const double a_s = low_s + (high_s - low_s) / 3.0;
        const double b_s = high_s - (high_s - low_s) / 3.0;
        double at_a = 0.0;
        double at_b = 0.0;
        status = over_at(o, a_s, SUN, 0.0, &at_a, err);
        status = status == NW_OK ? over_at(o, b_s, SUN, 0.0, &at_b, err) : status;
        if (at_a < at_b) {
            high_s = b_s;
        } else {
            low_s = a_s;
        }
    }
    ret->lowest_s = 0.5 * (low_s + high_s);
    return status == NW_OK ? over_at(o, ret->lowest_s, SUN, 0.0, &ret->lowest_rad, err) : status;
}

enum nw_status nw_sky_dark(const struct nw_observer *o, double t_noon_s, double altitude_rad,
                           struct nw_dark *ret, struct nw_err *err) {
    struct nw_sky_moment *const m = nw_calloc(DAY_STEPS, sizeof *m);
    if (!m) {
        return nw_err_set(err, NW_NOMEM, "a night of moments");
    }
    struct nw_dark dark = {.start_s = t_noon_s, .end_s = t_noon_s + SKY_DAY_s};
    enum nw_status status = nw_sky_moments(o, t_noon_s, STEP_s, DAY_STEPS, m, err);
    if (status != NW_OK) {
        goto done;
    }
    size_t low = 0;
    bool is_ever_above = false;
    for (size_t i = 0; i < DAY_STEPS; i++) {
        low = m[i].sun_altitude_rad < m[low].sun_altitude_rad ? i : low;
        is_ever_above = is_ever_above || m[i].sun_altitude_rad > altitude_rad;
    }
    status = lowest(o, m[low ? low - 1 : 0].t_utc_s, m[low].t_utc_s + STEP_s, &dark, err);
    dark.exists = dark.lowest_rad < altitude_rad;
    dark.is_always_above = !dark.exists;
    dark.is_always_below = !is_ever_above;
    if (status == NW_OK && dark.exists && is_ever_above) {
        size_t before = low;
        size_t after = low;
        while (before > 0 && m[before].sun_altitude_rad <= altitude_rad) {
            before--;
        }
        while (after + 1 < DAY_STEPS && m[after].sun_altitude_rad <= altitude_rad) {
            after++;
        }
        if (m[before].sun_altitude_rad > altitude_rad) {
            status = crossing(o, m[before].t_utc_s, dark.lowest_s, SUN, altitude_rad, &dark.start_s,
                              err);
        }
        if (status == NW_OK && m[after].sun_altitude_rad > altitude_rad) {
            status =
                crossing(o, dark.lowest_s, m[after].t_utc_s, SUN, altitude_rad, &dark.end_s, err);
        }
    }
    if (status == NW_OK) {
        *ret = dark;
    }
done:
    free(m);
    return status;
}

enum nw_status nw_sky_moon_events(const struct nw_observer *o, double from_s, double to_s,
                                  struct nw_moon_events *ret, struct nw_err *err) {
    struct nw_moon_events out = {NAN, NAN, false};
    double before = 0.0;
    enum nw_status status = over_at(o, from_s, MOON, 0.0, &before, err);
    out.is_up_at_start = before > 0.0;
    for (double t_s = from_s; t_s < to_s && status == NW_OK; t_s += STEP_s) {
        const double next_s = fmin(t_s + STEP_s, to_s);
        double after = 0.0;
        status = over_at(o, next_s, MOON, 0.0, &after, err);
        double *const event = after > 0.0 ? &out.rise_s : &out.set_s;
        if (status == NW_OK && (after > 0.0) != (before > 0.0) && !isfinite(*event)) {
            status = crossing(o, t_s, next_s, MOON, 0.0, event, err);
        }
        before = after;
    }
    if (status == NW_OK) {
        *ret = out;
    }
    return status;
}
