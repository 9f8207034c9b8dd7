/* about.c - what a document is about; see about.h. */
#include "report/about.h"

#include <math.h>

void nw_about_init(struct nw_about *about, const struct nw_rig *rig, const struct nw_setup *setup) {
    *about = (struct nw_about){
        .rig = rig ? rig->name : NULL,
        .setup = setup ? setup->name : NULL,
        .setup_camera = setup ? setup->camera.name : NULL,
        .start_utc_s = NAN,
        .end_utc_s = NAN,
        .longitude_rad = rig ? rig->site.longitude_rad.v : NAN,
    };
    nw_frame_facts_unknown(&about->first);
}

/* What is not the same in all frames is not said. */
static void keep_common(char *first, const char *other) {
    if (strcmp(first, other) != 0) {
        first[0] = '\0';
    }
}

static void keep_common_number(double *first, double other) {
    if (!(fabs(*first - other) <= 1e-9 * fabs(other))) {
        *first = NAN;
    }
}

void nw_about_add(struct nw_about *about, const struct nw_frame_facts *facts) {
    const double start_s = facts->t_start_utc_s;
    const double end_s = start_s + (isfinite(facts->exposure_s) ? facts->exposure_s : 0.0);
    if (about->n_frames++ == 0) {
        about->first = *facts;
    } else {
        keep_common(about->first.filter, facts->filter);
        keep_common(about->first.tube_side, facts->tube_side);
        keep_common(about->first.camera, facts->camera);
        keep_common(about->first.telescope, facts->telescope);
        keep_common_number(&about->first.gain_setting, facts->gain_setting);
        keep_common_number(&about->first.offset_setting, facts->offset_setting);
    }
    if (isfinite(start_s)) {
        about->start_utc_s = fmin(about->start_utc_s, start_s);
        about->end_utc_s = fmax(about->end_utc_s, end_s);
    }
}

enum nw_status nw_about_put(const struct nw_about *about, json_t *document, struct nw_err *err) {
    struct nw_json json = {.root = document};
    json_t *const o = nw_json_object(&json, NULL, "about");
    nw_json_text(&json, o, "rig", about->rig);
    nw_json_text(&json, o, "setup", about->setup);
    nw_json_count(&json, o, "frames", about->n_frames);
    nw_json_time(&json, o, "start_utc", about->start_utc_s, 3);
    nw_json_time(&json, o, "end_utc", about->end_utc_s, 3);
    nw_json_text(&json, o, "camera",
                 about->first.camera[0] != '\0' ? about->first.camera : about->setup_camera);
    nw_json_text(&json, o, "telescope", about->first.telescope);
    nw_json_text(&json, o, "filter", about->first.filter);
    nw_json_text(&json, o, "tube_side", about->first.tube_side);
    nw_json_number(&json, o, "gain_setting", about->first.gain_setting, 9);
    nw_json_number(&json, o, "offset_setting", about->first.offset_setting, 9);
    nw_json_number(&json, o, "rotator_deg", about->first.rotator_rad * NW_DEG_PER_RAD, 7);
    nw_json_number(&json, o, "focuser_temperature_c",
                   about->first.focuser_temperature_K - NW_ZERO_CELSIUS_K, 5);
    return json.is_failed ? nw_err_set(err, NW_NOMEM, "what a document is about") : NW_OK;
}
