/* support.h - a small rig as text, and how to expect a message. */
#ifndef NW_TEST_RIG_SUPPORT_H
#define NW_TEST_RIG_SUPPORT_H

#include "check.h"
#include "rig/rig.h"

#define SMALL_RIG                                                                                  \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 147 deg}\n"                                              \
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"                                \
    "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}\n"                             \
    "setups: {one: {telescope: tube, camera: camera}}\n"

/* Reads `text` with at most one override; fails the test with the message when it is refused. */
static inline struct nw_rig *must_read(const char *text, const char *override) {
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    const enum nw_status status =
        nw_rig_parse("rig.yaml", text, strlen(text), &override, override ? 1 : 0, &rig, &err);
    if (status != NW_OK) {
        fail_msg("refused: %s", err.text);
    }
    return rig;
}

/* `text` must be refused with exactly this status and message. */
static inline void must_refuse_at(const char *text, const char *override, enum nw_status status,
                                  const char *message, const char *file, int line) {
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    const enum nw_status got =
        nw_rig_parse("rig.yaml", text, strlen(text), &override, override ? 1 : 0, &rig, &err);
    if (got != status || rig != NULL || strcmp(err.text, message) != 0) {
        print_error("got  %d %s\nwant %d %s\n", (int)got, err.text, (int)status, message);
        nw_rig_free(rig);
        _fail(file, line);
    }
}
#define must_refuse(text, override, status, message)                                               \
    must_refuse_at((text), (override), (status), (message), __FILE__, __LINE__)

#endif
