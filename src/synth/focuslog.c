/* focuslog.c - the night's focus runs as a log, in the columns that `focus --runs` reads. */
#include "synth/synth_internal.h"

#include <math.h>

/* Where the focuser's counter stood after a run: outwards +, best place of the first run 20000. */
static double steps_after(const struct synth_scene *scene, const struct synth_night *night,
                          size_t run) {
    const struct synth_optics *const optics = &scene->optics;
    const struct nw_focuser *const focuser = &scene->setup->focuser;
    const double step_m =
        scene->setup->has_focuser && focuser->step_m.v > 0.0 ? focuser->step_m.v : 1e-6;
    const double change_K =
        nw_synth_temperature(scene, night->focus_t_s[run]) - nw_synth_temperature(scene, 0.0);
    const double best_m = -optics->expansion_m_K * optics->thermal_factor * change_K;
    return round(20000.0 + (best_m + night->focus_error_m[run]) / optics->travel_factor / step_m);
}

enum nw_status nw_synth_focus_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    struct nw_err *err) {
    struct nw_buf buf;
    nw_buf_init(&buf, (size_t)1 << 20);
    nw_buf_printf(&buf, "# focus runs of a simulated night; time: when the run ended, UTC\n"
                        "time,position_steps,temperature_c,filter,duration_s\n");
    for (size_t i = 0; i < night->n_focus; i++) {
        char time[40];
        nw_time_write_iso(scene->t_start_utc_s + night->focus_t_s[i], 1, time, sizeof time);
        nw_buf_printf(&buf, "%s,%.0f,%.2f,%s,%.0f\n", time, steps_after(scene, night, i),
                      nw_synth_temperature(scene, night->focus_t_s[i]) - NW_ZERO_CELSIUS_K,
                      scene->setup->filter.name, scene->loop.focus_run_s);
    }
    const enum nw_status status =
        nw_buf_failed(&buf) ? nw_err_set(err, NW_NOMEM, "log of %zu focus runs", night->n_focus)
                            : nw_file_write_atomic(path, buf.data, buf.len, err);
    nw_buf_done(&buf);
    return status;
}
