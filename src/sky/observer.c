/* observer.c - the observer that a rig file describes. */
#include <math.h>

#include "rig/rig.h"
#include "sky/almanac.h"

struct nw_observer nw_sky_observer_of(const struct nw_rig *rig) {
    const struct nw_site *const s = &rig->site;
    struct nw_observer o = {.place = {s->latitude_rad.v, s->longitude_rad.v, s->elevation_m.v},
                            .ut1_utc_s = s->ut1_utc_s.v};
    o.air.pressure_Pa = isfinite(s->pressure_Pa.v) ? s->pressure_Pa.v
                                                   : nw_sky_standard_pressure_Pa(s->elevation_m.v);
    o.air.temperature_K = s->temperature_K.v;
    o.air.relative_humidity = s->relative_humidity.v;
    return o;
}
