/* guidelog.c - what a guide program would have written: docs/formats.md, "guide log".
 * Holds: only what the loop knew: errors as seen (noise and tilt included), pulses as sent. */
#include "synth/synth_internal.h"

#include <math.h>

/* first_s: of the first row, for which the hour angle stands; guiding may begin after a focus run.
 */
static void write_head(const struct synth_scene *scene, double first_s, struct nw_buf *buf) {
    const double hour_rad = scene->hour_angle_rad + NW_SIDEREAL_RATE_RAD_S * first_s;
    const double rate = scene->mount.rate_rad_s * NW_ARCSEC_PER_RAD;
    const double dec = scene->dec_rad * NW_DEG_PER_RAD;
    nw_buf_printf(buf, "# simulated by nightwright synth\n");
    nw_buf_printf(buf, "# axes: sky\n# pulse_acts: after\n");
    nw_buf_printf(buf, "# exposure_s: %.3f\n", scene->loop.exposure_s);
    nw_buf_printf(buf, "# guide_scale_arcsec_per_px: %.5f\n",
                  scene->loop.scale_rad * NW_ARCSEC_PER_RAD);
    nw_buf_printf(buf, "# ra_rate_arcsec_per_s: %.5f\n# dec_rate_arcsec_per_s: %.5f\n", rate, rate);
    nw_buf_printf(buf, "# declination_deg: %.5f\n", dec);
    nw_buf_printf(buf, "# hour_angle_h: %.5f\n", hour_rad * 12.0 / NW_PI);
    nw_buf_printf(buf, "# latitude_deg: %.5f\n", scene->place.latitude_rad * NW_DEG_PER_RAD);
    nw_buf_printf(buf, "# elevation_m: %.0f\n", scene->place.elevation_m);
    nw_buf_printf(buf, "# tube_side: %s\n", scene->hang.tube_side < 0 ? "west" : "east");
    nw_buf_printf(buf, "# worm_period_s: %.3f\n", scene->mount.worm_period_s);
    nw_buf_printf(buf, "# time_zone: UTC\n");
    nw_buf_printf(buf, "time,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms,snr,event,"
                       "lock_x_px,lock_y_px,x_px,y_px\n");
}

/* Guide camera: east is -x, north +y, 640 x 480 px about the first lock point. */
static void write_row(const struct synth_scene *scene, const struct synth_row *row,
                      struct nw_buf *buf) {
    char time[40];
    nw_time_write_iso(scene->t_start_utc_s + row->t_s, 3, time, sizeof time);
    const double scale = scene->loop.scale_rad;
    const double lock_x = 320.0 - row->lock_e_rad / scale;
    const double lock_y = 240.0 + row->lock_n_rad / scale;
    if (row->event[0]) {
        nw_buf_printf(buf, "%s,,,,,,%s,%.3f,%.3f,,\n", time, row->event, lock_x, lock_y);
        return;
    }
    if (row->is_lost) {
        nw_buf_printf(buf, "%s,,,0,0,,,%.3f,%.3f,,\n", time, lock_x, lock_y);
        return;
    }
    nw_buf_printf(buf, "%s,%.4f,%.4f,%.0f,%.0f,%.2f,,%.3f,%.3f,%.3f,%.3f\n", time,
                  row->e_rad * NW_ARCSEC_PER_RAD, row->n_rad * NW_ARCSEC_PER_RAD,
                  row->ra_pulse_s * 1e3, row->dec_pulse_s * 1e3, row->snr, lock_x, lock_y,
                  lock_x - row->e_rad / scale, lock_y + row->n_rad / scale);
}

enum nw_status nw_synth_guide_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    struct nw_err *err) {
    struct nw_buf buf;
    nw_buf_init(&buf, (size_t)512 << 20);
    write_head(scene, night->n_rows > 0 ? night->rows[0].t_s : 0.0, &buf);
    for (size_t i = 0; i < night->n_rows; i++) {
        write_row(scene, &night->rows[i], &buf);
    }
    const enum nw_status status =
        nw_buf_failed(&buf) ? nw_err_set(err, NW_NOMEM, "guide log of %zu rows", night->n_rows)
                            : nw_file_write_atomic(path, buf.data, buf.len, err);
    nw_buf_done(&buf);
    return status;
}

enum nw_status nw_synth_stars_write(const struct synth_job *job, const char *path,
                                    struct nw_err *err) {
    struct nw_buf buf;
    nw_buf_init(&buf, (size_t)64 << 20);
    const size_t band = nw_synth_judged_band(job->scene, &job->night->subs[0]);
    const bool is_array = job->scene->camera.pattern[0] != '\0';
    nw_buf_printf(&buf,
                  "# stars of the simulated field, places in frame 1 (FITS: first pixel 1, "
                  "1)\n# electrons: whole light of the star in frame 1%s\n"
                  "x_px,y_px,mag,electrons\n",
                  is_array ? ", as if all pixels were green" : "");
    for (size_t i = 0; i < job->field->n; i++) {
        const struct synth_star *star = &job->field->stars[i];
        nw_buf_printf(&buf, "%.4f,%.4f,%.4f,%.2f\n", star->x_px + 1.0, star->y_px + 1.0, star->mag,
                      nw_synth_star_electrons(job->scene, &job->night->subs[0], band, star->mag));
    }
    const enum nw_status status =
        nw_buf_failed(&buf) ? nw_err_set(err, NW_NOMEM, "list of %zu stars", job->field->n)
                            : nw_file_write_atomic(path, buf.data, buf.len, err);
    nw_buf_done(&buf);
    return status;
}
