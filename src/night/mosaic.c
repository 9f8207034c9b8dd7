/* mosaic.c - centres of the panels of a mosaic; the card of a day with the Sun.
 * Idea: panels stand on a plane that touches the sky at the middle of the mosaic (gnomonic,
 * Calabretta & Greisen 2002, A&A 395, 1077), along the frame's axes. */
#include <erfa.h>
#include <math.h>

#include "night/night_internal.h"

size_t nw_night_panels(const struct nw_setup *setup, const struct nw_target *t, double angle_rad,
                       double ret_rad[NW_NIGHT_PANELS][2]) {
    const double scale = nw_setup_scale_rad(setup);
    const double step_x =
        (double)setup->camera.width_px / setup->binning.v * scale * (1.0 - t->overlap);
    const double step_y =
        (double)setup->camera.height_px / setup->binning.v * scale * (1.0 - t->overlap);
    const double angle = isfinite(angle_rad) ? angle_rad : 0.0;
    size_t n = 0;
    for (double row = 0.0; row < t->rows && n < NW_NIGHT_PANELS; row += 1.0) {
        for (double column = 0.0; column < t->columns && n < NW_NIGHT_PANELS; column += 1.0) {
            /* +y of the frame at the position angle, north through east; +x a quarter turn towards
             * the west of it, as on a sky that is not mirrored */
            const double x = (column - 0.5 * (t->columns - 1.0)) * step_x;
            const double y = (row - 0.5 * (t->rows - 1.0)) * step_y;
            const double east = y * sin(angle) - x * cos(angle);
            const double north = y * cos(angle) + x * sin(angle);
            eraTpsts(east, north, t->ra_rad, t->dec_rad, &ret_rad[n][0], &ret_rad[n][1]);
            n++;
        }
    }
    return n;
}

enum nw_status nw_solar_card_of(const struct nw_rig *rig, double date_s, struct nw_solar_card *ret,
                                struct nw_err *err) {
    enum { STEPS = 289 };
    const struct nw_observer o = nw_sky_observer_of(rig);
    const double begin_s = nw_sky_noon_utc_s(date_s, o.place.longitude_rad) - 43200.0;
    struct nw_sky_moment *const m = nw_calloc(STEPS, sizeof *m);
    enum nw_status status = m ? nw_sky_moments(&o, begin_s, 300.0, STEPS, m, err)
                              : nw_err_set(err, NW_NOMEM, "a day of moments");
    struct nw_solar_card card = {NAN, NAN, NAN, NAN, NAN, -0.5 * NW_PI};
    for (size_t i = 0; i < STEPS && status == NW_OK; i++) {
        const double h = m[i].sun_altitude_rad;
        const double t_s = m[i].t_utc_s;
        if (h > NW_SUN_SET_RAD) {
            card.rise_s = isfinite(card.rise_s) ? card.rise_s : t_s;
            card.set_s = t_s;
        }
        if (h > NW_SOLAR_LOW_RAD) {
            card.from_s = isfinite(card.from_s) ? card.from_s : t_s;
            card.to_s = t_s;
        }
        card.transit_s = h > card.highest_rad ? t_s : card.transit_s;
        card.highest_rad = fmax(card.highest_rad, h);
    }
    if (status == NW_OK) {
        *ret = card;
    }
    free(m);
    return status;
}
