/* night_load.c - rig, targets with their places, outlines of the mount, forecast. */
#include "cli/night_load.h"

#include <math.h>

#include "budget/focus_interval.h"
#include "cli/catalogue_file.h"
#include "light/light.h"

/* The places that are given by name. */
static enum nw_status find_places(const char *path, struct nw_targets *targets,
                                  struct nw_err *err) {
    struct nw_catalogue *catalogue = NULL;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < targets->n && status == NW_OK; i++) {
        struct nw_target *const t = &targets->items[i];
        if (t->object[0] == '\0') {
            continue;
        }
        struct nw_entry e;
        status = catalogue ? NW_OK : cli_catalogue_open(path, &catalogue, err);
        status = status == NW_OK ? nw_catalogue_find(catalogue, t->object, &e, err) : status;
        if (status != NW_OK) {
            status = nw_err_at(err, status, "%s:%zu: %s", targets->path, t->line, t->name);
            break;
        }
        t->ra_rad = e.ra_rad;
        t->dec_rad = e.dec_rad;
    }
    nw_catalogue_close(catalogue);
    return status;
}

/* Outlines where the rig has them; the main tube is the one whose name says so, else the first. */
static enum nw_status load_model(struct cli_night *n, struct nw_err *err) {
    size_t n_bodies = 0;
    size_t tube = SIZE_MAX;
    if (n->rig->n_bodies == 0 ||
        nw_rig_bodies_of(n->rig, n->input.setup, &n->bodies, &n_bodies, NULL) != NW_OK) {
        return NW_OK;
    }
    n_bodies = nw_bodies_keep(n->bodies, n_bodies, false); /* by night the roof is open */
    const enum nw_status status =
        nw_clearance_new(n->bodies, n_bodies, n->rig->site.latitude_rad.v, true, &n->model, err);
    if (status == NW_DATA) { /* nothing that can touch */
        n->model = NULL;
        return NW_OK;
    }
    for (size_t i = n_bodies; i > 0 && status == NW_OK; i--) {
        const struct nw_body *const b = &n->bodies[i - 1];
        const bool is_tube = b->rides == NW_RIDES_TUBE && b->shape == NW_SHAPE_TUBE;
        const bool is_main = tube != SIZE_MAX && strstr(n->bodies[tube].name, "main") != NULL;
        if (is_tube && b->along == 0 && !is_main) {
            tube = i - 1;
        }
    }
    for (size_t i = 0; i < NW_NIGHT_AZIMUTHS && status == NW_OK && tube != SIZE_MAX; i++) {
        const double azimuth = 2.0 * NW_PI * (double)i / NW_NIGHT_AZIMUTHS;
        n->tube_horizon_rad[i] = nw_clearance_sight(n->model, tube, azimuth).half_rad;
        n->input.tube_horizon_rad = n->tube_horizon_rad;
    }
    n->input.model = n->model;
    return status;
}

enum nw_status cli_night_forecast(const char *path, struct cli_night *n, struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_read(path, &table, err);
    if (status != NW_OK) {
        return status;
    }
    const size_t rows = nw_table_n_rows(table);
    const int at_time = nw_table_column(table, "time");
    const struct nw_column_map cloud = {.name = "cloud_percent", .dim = NW_DIM_NUMBER};
    n->forecast_t_s = nw_calloc(rows + 1, sizeof(double));
    n->forecast_clear = nw_calloc(rows + 1, sizeof(double));
    if (!n->forecast_t_s || !n->forecast_clear) {
        status = nw_err_set(err, NW_NOMEM, "%s", path);
    } else if (at_time < 0 || rows == 0) {
        status =
            nw_err_set(err, NW_FORMAT, "%s: expected rows with columns time, cloud_percent", path);
    } else {
        status = nw_table_numbers(table, &cloud, n->forecast_clear, NULL, err);
    }
    for (size_t i = 0; i < rows && status == NW_OK; i++) {
        const double percent = n->forecast_clear[i];
        status = nw_time_read_iso(nw_table_cell(table, i, (size_t)at_time), 0.0,
                                  &n->forecast_t_s[i], err);
        if (status == NW_OK && !(percent >= 0.0 && percent <= 100.0)) {
            status = nw_err_set(err, NW_DOMAIN, "cloud_percent %g is outside 0 to 100", percent);
        } else if (status == NW_OK && i > 0 && !(n->forecast_t_s[i] > n->forecast_t_s[i - 1])) {
            status = nw_err_set(err, NW_DOMAIN, "times do not rise");
        }
        if (status != NW_OK) {
            status = nw_err_at(err, status, "%s:%zu", path, nw_table_line(table, i));
        }
        n->forecast_clear[i] = 1.0 - percent / 100.0;
    }
    n->forecast = (struct nw_forecast){n->forecast_t_s, n->forecast_clear, rows};
    n->input.forecast = status == NW_OK ? &n->forecast : NULL;
    nw_table_free(table);
    return status;
}

/* The optimal interval between focus runs, where the rig says enough; else the owner's habit. */
static void find_interval(struct cli_night *n) {
    struct nw_focus_interval focus;
    n->input.focus_interval_s = n->input.setup->focus_interval_s.v;
    n->input.focus_run_s = n->input.setup->focus_run_s.v;
    if (n->input.setup->has_focuser &&
        nw_focus_interval_of(n->rig, n->input.setup, NAN, &focus, NULL) == NW_OK &&
        isfinite(focus.best_s)) {
        n->input.focus_interval_s = focus.best_s;
    }
}

enum nw_status cli_night_load(const struct cli_args *args, const char *date_option,
                              struct cli_night *ret, struct nw_err *err) {
    const char *const path = cli_text(args, "targets");
    if (!path) {
        return nw_err_set(err, NW_USAGE, "--targets FILE is missing");
    }
    enum nw_status status =
        cli_read_date(date_option, cli_text(args, date_option), &ret->input.date_s, err);
    status = status == NW_OK ? cli_read_rig(args, &ret->rig, &ret->input.setup, err) : status;
    status = status == NW_OK ? nw_targets_read(path, &ret->targets, err) : status;
    status =
        status == NW_OK ? nw_targets_check_filters(ret->targets, ret->input.setup, err) : status;
    status = status == NW_OK ? find_places(cli_text(args, "catalogue"), ret->targets, err) : status;
    if (status == NW_OK) {
        const char *const zone = ret->targets->time_zone;
        status = nw_time_zone_read(zone[0] ? zone : "UTC", NULL, &ret->zone, err);
        status = status == NW_OK ? status : nw_err_at(err, status, "%s: time_zone", path);
    }
    status = status == NW_OK ? load_model(ret, err) : status;
    if (status == NW_OK) {
        ret->input.rig = ret->rig;
        ret->input.targets = ret->targets;
        find_interval(ret);
    }
    if (status == NW_OK && isfinite(ret->targets->habits.saturated_most)) {
        status = nw_light_star(ret->rig, ret->input.setup, 1.0, &ret->input.star, err);
    }
    return status;
}

void cli_night_done(struct cli_night *n) {
    nw_clearance_free(n->model);
    free(n->bodies);
    free(n->forecast_t_s);
    free(n->forecast_clear);
    nw_targets_free(n->targets);
    nw_rig_free(n->rig);
}
