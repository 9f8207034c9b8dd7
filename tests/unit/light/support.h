/* support.h - the rig of the demo and a case to begin with. */
#ifndef NW_TEST_LIGHT_SUPPORT_H
#define NW_TEST_LIGHT_SUPPORT_H

#include "check.h"
#include "light/light.h"

static inline struct nw_rig *demo_rig(void) {
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    if (nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return rig;
}

/* Zenith, dark sky, no target, in one of the setup's filters. */
static inline struct nw_light_case case_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                           size_t filter, double sky_mag) {
    return (struct nw_light_case){.rig = rig,
                                  .setup = setup,
                                  .filter = &setup->filters[filter],
                                  .glow = {nw_sky_nl_of_mag(sky_mag), 0.0, 0.0},
                                  .airmass = 1.0,
                                  .surface_mag_arcsec2 = NAN,
                                  .rayleigh = NAN,
                                  .magnitude = NAN,
                                  .neq_area_rad2 = NAN,
                                  .peak_per_rad2 = NAN};
}

#endif
