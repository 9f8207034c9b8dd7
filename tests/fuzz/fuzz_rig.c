/* fuzz_rig.c - any bytes as a rig file: refused with the file's name, or a whole rig that can be
 * described. A last line that begins "--set " is taken as an override. */
#include <math.h>

#include "fuzz.h"
#include "rig/rig.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

static void require_whole(const struct nw_rig *rig) {
    require(rig->n_setups >= 1 && nw_rig_setup(rig, NULL) == &rig->setups[0]);
    for (size_t i = 0; i < rig->n_setups; i++) {
        const struct nw_setup *const s = &rig->setups[i];
        require(nw_rig_setup(rig, s->name) == s);
        require(s->focal_length_m.v > 0.0 && s->telescope.aperture_m.v > 0.0);
        require(isfinite(nw_setup_scale_rad(s)) && isfinite(s->camera.full_scale_e.v));
        require(isfinite(s->filter.centre_m.v) && isfinite(s->focuser.repeatability_m.v));
        struct nw_buf text;
        struct nw_err err = {0};
        nw_buf_init(&text, (size_t)8 << 20);
        require(nw_rig_describe(rig, s->name, &text, &err) == NW_OK);
        nw_buf_done(&text);
    }
    require(isfinite(rig->site.pressure_Pa.v) && isfinite(rig->mount.motion_ra_rad.v));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    char *const text = malloc(size + 1);
    if (!text) {
        return 0;
    }
    if (size > 0) {
        memcpy(text, data, size);
    }
    text[size] = '\0';
    size_t len = size;
    const char *override = NULL;
    char *const last = strrchr(text, '\n');
    if (last && strncmp(last, "\n--set ", 7) == 0) {
        override = last + 7;
        len = (size_t)(last - text);
    }
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    if (nw_rig_parse("rig.yaml", text, len, &override, override ? 1 : 0, &rig, &err) == NW_OK) {
        require_whole(rig);
    } else {
        require(!rig && (strstr(err.text, "rig.yaml") || strstr(err.text, "--set")));
    }
    nw_rig_free(rig);
    free(text);
    return 0;
}
