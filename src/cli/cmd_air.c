/* cmd_air.c - `air RIG [LOG]`: damp of a night, from the rig's usual weather, a forecast or a log.
 */
#include <math.h>

#include "cli/cli.h"
#include "report/report_air.h"
#include "sky/almanac.h"

#define DAY_S 86400.0
#define COVERED_S (8.0 * 3600.0) /* after dawn: until past noon */

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_SETUP,
    {.name = "night",
     .kind = CLI_TEXT,
     .value = "YYYY-MM-DD",
     .help = "date of its evening; else that of LOG's first night, without LOG today"},
    {.name = "csv",
     .kind = CLI_TEXT,
     .value = "FILE.csv",
     .help = "write what the model says, every five minutes"},
    {.name = "log-csv",
     .kind = CLI_TEXT,
     .value = "FILE.csv",
     .help = "write LOG with dew point, frost point, vapour and mixing ratio"},
    CLI_OPTION_SET,
    {0},
};

/* Noon before the night that is meant. */
static enum nw_status find_noon(const struct cli_args *args, const struct nw_rig *rig,
                                const struct nw_air_log *log, double *ret, struct nw_err *err) {
    const char *const date = cli_text(args, "night");
    const double longitude_rad = rig->site.longitude_rad.v;
    double t_s = log->n > 0 ? log->t_s[0] : cli_now_utc_s();
    if (date) {
        struct nw_stamp stamp;
        if (!nw_stamp_read(date, strlen(date), NW_DATE_YMD, &stamp) || !stamp.has_date ||
            stamp.has_time) {
            return nw_err_set(err, NW_USAGE, "--night is '%.40s', expected a date as 2026-08-12",
                              date);
        }
        *ret = nw_sky_noon_utc_s(stamp.date_s, longitude_rad);
        return NW_OK;
    }
    /* the night in progress, or the next one: noon of the date that is half a day back */
    const double midnight_s = floor(t_s / DAY_S) * DAY_S;
    double noon_s = nw_sky_noon_utc_s(midnight_s + DAY_S, longitude_rad);
    while (noon_s > t_s + 6.0 * 3600.0) {
        noon_s -= DAY_S;
    }
    *ret = noon_s;
    return NW_OK;
}

static enum nw_status find_times(const struct nw_rig *rig, double noon_s, struct nw_air_times *ret,
                                 bool *ret_is_dark, struct nw_err *err) {
    const struct nw_observer observer = nw_sky_observer_of(rig);
    static const double ALTITUDES_RAD[] = {NW_TWILIGHT_ASTRONOMICAL_RAD, NW_TWILIGHT_NAUTICAL_RAD,
                                           NW_TWILIGHT_CIVIL_RAD, NW_SUN_SET_RAD};
    struct nw_dark down = {0};
    struct nw_dark dark = {0};
    enum nw_status status = nw_sky_dark(&observer, noon_s, NW_SUN_SET_RAD, &down, err);
    if (status == NW_OK && !down.exists) {
        return nw_err_set(err, NW_DATA, "the Sun does not set on that date");
    }
    for (size_t i = 0; i < 4 && status == NW_OK; i++) {
        status = nw_sky_dark(&observer, noon_s, ALTITUDES_RAD[i], &dark, err);
        if (status == NW_OK && dark.exists && dark.end_s - dark.start_s > 1800.0) {
            *ret_is_dark = i == 0;
            break;
        }
    }
    if (status == NW_OK) {
        *ret = (struct nw_air_times){down.start_s, down.start_s, dark.start_s, dark.end_s,
                                     dark.end_s + COVERED_S};
    }
    return status;
}

/* The state of the room at the beginning, where the log has measured it. */
static bool start_from_log(const struct nw_air_model *model, const struct nw_air_log *log,
                           double begin_s, struct nw_air_heat_state *ret) {
    for (size_t i = 0; i < log->n; i++) {
        const double room_K = nw_air_log_at(log, NW_AIR_ROOM, i);
        if (fabs(log->t_s[i] - begin_s) < 3600.0 && isfinite(room_K)) {
            const double vapour_Pa = nw_air_log_at(log, NW_AIR_ROOM_VAPOUR, i);
            *ret = nw_air_start(model, log, begin_s, 0.0);
            ret->room_K = ret->cover_K = room_K;
            if (isfinite(vapour_Pa)) {
                ret->room_kg_m3 = nw_air_vapour_density_kg_m3(room_K, vapour_Pa);
            }
            for (size_t k = 0; k < model->n_parts; k++) {
                const double part_K = nw_air_log_surface_K(log, k, i);
                ret->part_K[k] = isfinite(part_K) ? part_K : room_K;
            }
            return true;
        }
    }
    return false;
}

static enum nw_status judge_claims(const struct nw_rig *rig, struct nw_air_report *r,
                                   struct nw_err *err) {
    const struct nw_damp *const d = &rig->damp;
    const enum nw_air_dryer kind = d->dryer.kind[0] == 'c' ? NW_AIR_COMPRESSOR : NW_AIR_DESICCANT;
    enum nw_status status = NW_OK;
    if (d->dryer.is_there && d->dryer.claimed_rate_kg_s.from != NW_FROM_UNKNOWN) {
        r->claims[r->n_claims].what = "dryer takes";
        r->claims[r->n_claims].unit = "l/h";
        r->claims[r->n_claims].scale = 3600.0;
        status = nw_air_judge_drying(kind, d->dryer.power_W.v, d->dryer.claimed_rate_kg_s.v,
                                     rig->site.temperature_K.v, &r->claims[r->n_claims].claim, err);
        r->n_claims++;
    }
    if (d->dryer.is_there && d->dryer.lowest_K.from != NW_FROM_UNKNOWN) {
        r->claims[r->n_claims].what = "dryer works down to";
        r->claims[r->n_claims].unit = "degC";
        r->claims[r->n_claims].scale = 1.0;
        r->claims[r->n_claims].zero = NW_ZERO_CELSIUS_K;
        nw_air_judge_cold(kind, d->dryer.lowest_K.v, &r->claims[r->n_claims].claim);
        r->n_claims++;
    }
    if (status == NW_OK && d->cover.is_there && d->cover.heater_W.v > 0.0 &&
        d->cover.claimed_rise_K.from != NW_FROM_UNKNOWN) {
        r->claims[r->n_claims].what = "heater holds under the cover";
        r->claims[r->n_claims].unit = "K";
        r->claims[r->n_claims].scale = 1.0;
        status = nw_air_judge_rise(&r->night->model.cover, d->cover.heater_W.v,
                                   d->cover.claimed_rise_K.v, rig->site.temperature_K.v,
                                   rig->site.pressure_Pa.v, &r->claims[r->n_claims].claim, err);
        r->n_claims++;
    }
    return status;
}

static enum nw_status write_file(const char *path, struct nw_buf *buf, struct nw_err *err) {
    enum nw_status status = nw_buf_failed(buf)
                                ? nw_err_set(err, NW_NOMEM, "%s", path)
                                : nw_file_write_atomic(path, buf->data, buf->len, err);
    nw_buf_done(buf);
    return status;
}

static enum nw_status write_files(const struct cli_args *args, const struct nw_air_report *r,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct nw_buf csv;
    if (cli_given(args, "csv")) {
        nw_buf_init(&csv, NW_REPORT_MAX_BYTES);
        nw_report_air_csv(r, &csv);
        status = write_file(cli_text(args, "csv"), &csv, err);
    }
    if (status == NW_OK && cli_given(args, "log-csv")) {
        nw_buf_init(&csv, NW_REPORT_MAX_BYTES);
        nw_report_air_log_csv(r->log, &csv);
        status = write_file(cli_text(args, "log-csv"), &csv, err);
    }
    return status;
}

/* Reads LOG, or makes the usual night; times of the night that is meant. */
static enum nw_status load(const struct cli_args *args, const struct nw_rig *rig,
                           struct nw_air_log *log, struct nw_air_times *times,
                           struct nw_air_report *report, struct nw_err *err) {
    double noon_s = NAN;
    enum nw_status status = NW_OK;
    if (cli_n_args(args) > 1) {
        struct nw_table *table = NULL;
        report->log_name = cli_arg(args, 1);
        status = nw_table_read(report->log_name, &table, err);
        status = status == NW_OK ? nw_air_log_read(table, rig, log, err) : status;
        nw_table_free(table);
    }
    if (status == NW_OK) {
        status = find_noon(args, rig, log, &noon_s, err);
    }
    if (status == NW_OK) {
        status = find_times(rig, noon_s, times, &report->is_dark_reached, err);
    }
    if (status == NW_OK && log->n == 0) {
        status = nw_air_log_usual(rig, times->begin_s, 0.5 * (times->dark_s + times->dawn_s),
                                  times->dawn_s + 3600.0, log, err);
    }
    if (status == NW_OK && (log->t_s[0] > times->dawn_s || log->t_s[log->n - 1] < times->begin_s)) {
        status = nw_err_set(err, NW_DATA, "%s: no row within the night that is meant (--night)",
                            report->log_name);
    }
    return status;
}

/* Whether the Sun is down, row by row; looked up every ten minutes. */
static enum nw_status find_night(const struct nw_rig *rig, const struct nw_air_log *log, bool *ret,
                                 struct nw_err *err) {
    const struct nw_observer observer = nw_sky_observer_of(rig);
    double looked_s = -INFINITY;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < log->n && status == NW_OK; i++) {
        ret[i] = i > 0 && ret[i - 1];
        if (log->t_s[i] - looked_s > 600.0) {
            struct nw_sky_moment moment;
            status = nw_sky_moment_at(&observer, log->t_s[i], &moment, err);
            ret[i] = status == NW_OK && moment.sun_altitude_rad < NW_SUN_SET_RAD;
            looked_s = log->t_s[i];
        }
    }
    return status;
}

static bool has_inside(const struct nw_air_log *log) {
    bool has = log->has[NW_AIR_ROOM] || log->has[NW_AIR_COVER];
    for (size_t k = 0; k < log->n_surfaces; k++) {
        for (size_t i = 0; i < log->n && !has; i++) {
            has = isfinite(nw_air_log_surface_K(log, k, i));
        }
    }
    return has;
}

static enum nw_status fit_log(const struct nw_rig *rig, const struct nw_air_log *log,
                              struct nw_air_fit *ret, struct nw_err *err) {
    bool *const is_night = nw_calloc(log->n, sizeof *is_night);
    enum nw_status status = is_night ? NW_OK : nw_err_set(err, NW_NOMEM, "log of %zu rows", log->n);
    if (status == NW_OK) {
        status = find_night(rig, log, is_night, err);
    }
    if (status == NW_OK) {
        status = nw_air_fit_log(rig, log, is_night, ret, err);
    }
    free(is_night);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_air_log log = {0};
    struct nw_air_night night = {0};
    struct nw_air_times times;
    struct nw_air_model model;
    struct nw_air_focus focus;
    struct nw_air_heat_state start;
    struct nw_air_fit fit;
    struct nw_air_report report = {.log = &log, .night = &night, .focus = &focus};
    enum nw_status status = cli_read_rig(args, &rig, &report.setup, err);
    report.rig = rig;
    if (status == NW_OK) {
        status = nw_air_model_of(rig, &model, err);
    }
    if (status == NW_OK) {
        status = load(args, rig, &log, &times, &report, err);
    }
    if (status == NW_OK) {
        const bool is_measured = start_from_log(&model, &log, times.begin_s, &start);
        status = nw_air_night_of(rig, &log, &times, is_measured ? &start : NULL, &night, err);
    }
    if (status == NW_OK && has_inside(&log)) {
        report.fit = &fit;
        status = fit_log(rig, &log, &fit, err);
    }
    if (status == NW_OK) {
        nw_air_focus_of(rig, report.setup, &night, &focus);
        status = judge_claims(rig, &report, err);
    }
    if (status == NW_OK) {
        status = write_files(args, &report, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_air_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_air_text(&report, &result->text);
    }
    nw_air_night_done(&night);
    nw_air_log_done(&log);
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_AIR = {
    .name = "air",
    .arguments = "RIG [LOG]",
    .help = "Damp of a night: dew times, straps, when to open, close and cover, dryer",
    .notes =
        "From surfaces, cover, room and dryer of the rig file (rig --keys), and the weather of "
        "LOG: a forecast or a climate log as CSV (docs/formats.md); without it the rig's usual "
        "night. What a maker claims of heater or dryer is judged by what its power can pay for.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 2,
    .run = run,
};
