/* focuslog.c - the night's focus runs as a log, in the columns that `focus --runs` reads. */
#include "synth/synth_internal.h"

#include <math.h>

enum nw_status nw_synth_focus_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    struct nw_err *err) {
    struct nw_buf buf;
    nw_buf_init(&buf, (size_t)1 << 20);
    nw_buf_printf(&buf, "# focus runs of a simulated night; time: when the run ended, UTC\n"
                        "time,position_steps,temperature_c,filter,duration_s,tube_side,last_move,"
                        "altitude_deg\n");
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < night->n_focus; i++) {
        const struct synth_focus_run *const run = &night->focus[i];
        struct nw_pointing pointing;
        status = nw_sky_pointing(scene->ra_rad, scene->dec_rad, scene->t_start_utc_s + run->t_s,
                                 &scene->place, &scene->air, &pointing, err);
        if (status != NW_OK) {
            break;
        }
        char time[40];
        nw_time_write_iso(scene->t_start_utc_s + run->t_s, 1, time, sizeof time);
        nw_buf_printf(&buf, "%s,%.0f,%.2f,%s,%.0f,%s,%s,%.2f\n", time, run->steps,
                      nw_synth_temperature(scene, run->t_s) - NW_ZERO_CELSIUS_K,
                      scene->filters[run->filter]->name, scene->loop.focus_run_s,
                      scene->hang.tube_side < 0 ? "west" : "east", run->is_inward ? "in" : "out",
                      pointing.altitude_rad * NW_DEG_PER_RAD);
    }
    if (status == NW_OK) {
        status = nw_buf_failed(&buf)
                     ? nw_err_set(err, NW_NOMEM, "log of %zu focus runs", night->n_focus)
                     : nw_file_write_atomic(path, buf.data, buf.len, err);
    }
    nw_buf_done(&buf);
    return status;
}
