/* climatelog.c - climate.csv of a simulated night: opened before its first sub, closed after its
 * last, covered half an hour later, heaters and dryer two hours off, two hours on. */
#include "synth/climate.h"
#include "synth/synth_internal.h"

#include <math.h>

#define HOUR 3600.0

/* The air of the frames; before the night its fall is taken as steady. */
static double air_K(const void *context, double t_utc_s) {
    const struct synth_scene *const scene = context;
    const double t_s = t_utc_s - scene->t_start_utc_s;
    return t_s < 0.0 ? nw_synth_temperature(scene, 0.0) + scene->temperature_rate_K_s * t_s
                     : nw_synth_temperature(scene, t_s);
}

enum nw_status nw_synth_climate_write(const struct synth_scene *scene,
                                      const struct synth_night *night, const char *path,
                                      struct nw_synth_climate_truth *ret, bool *ret_has,
                                      struct nw_err *err) {
    *ret_has = scene->rig->damp.room.is_there && night->n_subs > 0;
    if (!*ret_has) {
        return NW_OK;
    }
    const double start_s = scene->t_start_utc_s;
    const double closed_s = start_s + night->subs[night->n_subs - 1].end_s + 300.0;
    const struct nw_synth_climate_opts opts = {.seed = scene->opts.seed,
                                               .begin_s = start_s - 4.0 * HOUR,
                                               .open_s = start_s - 2.0 * HOUR,
                                               .close_s = closed_s,
                                               .cover_s = closed_s + 0.5 * HOUR,
                                               .end_s = start_s + 20.0 * HOUR,
                                               .step_s = 120.0,
                                               .switch_s = 2.0 * HOUR,
                                               .room_heater_W = NAN,
                                               .temperature_noise_K = 0.05,
                                               .humidity_noise = 0.005,
                                               .air_K = air_K,
                                               .context = scene};
    struct nw_buf csv;
    nw_buf_init(&csv, (size_t)4 << 20);
    enum nw_status status = nw_synth_climate(scene->rig, &opts, &csv, ret, err);
    if (status == NW_OK) {
        status = nw_buf_failed(&csv) ? nw_err_set(err, NW_NOMEM, "climate log")
                                     : nw_file_write_atomic(path, csv.data, csv.len, err);
    }
    nw_buf_done(&csv);
    return status;
}
