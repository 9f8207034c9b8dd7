/* support.h - a small rig with circuits, from text. */
#ifndef NW_TEST_POWER_SUPPORT_H
#define NW_TEST_POWER_SUPPORT_H

#include "check.h"

#include "power/power.h"

#define POWER_RIG                                                                                  \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 146 deg, temperature: 20 degC}\n"                        \
    "telescopes: {t: {aperture: 100 mm, focal_length: 600 mm}}\n"                                  \
    "cameras: {c: {pixel: 3.76 um, width: 6248, height: 4176, gain: 0.25 e/adu, read_noise: 1.5 "  \
    "e}}\n"                                                                                        \
    "setups: {one: {telescope: t, camera: c}}\n"

static inline struct nw_rig *rig_of(const char *circuits) {
    char text[8192];
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    (void)snprintf(text, sizeof text, POWER_RIG "%s", circuits);
    if (nw_rig_parse("rig.yaml", text, strlen(text), NULL, 0, &rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return rig;
}

static inline size_t circuit_of(const struct nw_rig *rig, const char *name) {
    for (size_t i = 0; i < rig->wiring->n; i++) {
        if (strcmp(rig->wiring->items[i].name, name) == 0) {
            return i;
        }
    }
    fail_msg("no circuit %s", name);
    return 0;
}

#endif
