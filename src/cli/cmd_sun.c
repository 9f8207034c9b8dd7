/* cmd_sun.c - `sun RIG`: the card to start by before a telescope is turned to the Sun. */
#include "cli/cli.h"
#include "report/report_sun.h"
#include "sky/sky.h"

#define ROW_STEP_S 3600.0

static const struct cli_option OPTIONS[] = {
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "one setup, else the first with a sun_filter"},
    {.name = "at",
     .kind = CLI_TEXT,
     .value = "TIME",
     .help = "from when on, as 2026-06-14T00:00:00Z: where the Sun is for twelve hours"},
    CLI_OPTION_SET,
    {0},
};

static enum nw_status find_setup(const struct nw_rig *rig, const char *name,
                                 const struct nw_setup **ret, struct nw_err *err) {
    if (name) {
        return nw_rig_find_setup(rig, name, ret, err);
    }
    for (size_t i = 0; i < rig->n_setups; i++) {
        if (rig->setups[i].n_sun_filtered > 0) {
            *ret = &rig->setups[i];
            return NW_OK;
        }
    }
    return nw_err_set(
        err, NW_NOTFOUND,
        "no setup has a filter for the Sun (setups.*.sun_filter): there is no card to "
        "start by");
}

/* No card unless at least one tube is filtered and every other one capped. */
static enum nw_status check_fronts(const struct nw_sun_report *r, struct nw_err *err) {
    size_t n_filtered = 0;
    for (size_t i = 0; i < r->n_apertures; i++) {
        const char *const name = r->bodies[r->apertures[i].body].name;
        if (r->apertures[i].front == NW_FRONT_OPEN) {
            return nw_err_set(err, NW_DATA,
                              "setup '%s': %s is neither capped (setups.*.capped) nor filtered "
                              "(setups.*.sun_filter): no card to start by",
                              r->setup->name, name);
        }
        n_filtered += r->apertures[i].front == NW_FRONT_FILTERED;
    }
    if (n_filtered == 0 || n_filtered != r->setup->n_sun_filtered) {
        return nw_err_set(
            err, NW_DATA,
            "setup '%s': %zu of %zu names in sun_filter are tubes along x that ride on "
            "the tube and are not capped",
            r->setup->name, n_filtered, r->setup->n_sun_filtered);
    }
    return NW_OK;
}

static enum nw_status find_rows(const struct nw_clearance *model, double t_utc_s,
                                struct nw_sun_report *r, struct nw_err *err) {
    const struct nw_site *const site = &r->rig->site;
    const struct nw_place place = {site->latitude_rad.v, site->longitude_rad.v,
                                   site->elevation_m.v};
    for (size_t i = 0; i < NW_SUN_ROWS; i++) {
        struct nw_sun_row *const row = &r->rows[i];
        row->t_utc_s = t_utc_s + (double)i * ROW_STEP_S;
        const struct nw_sky_direction sun = nw_sky_sun(row->t_utc_s);
        struct nw_pointing at;
        const enum nw_status status =
            nw_sky_pointing(sun.ra_rad, sun.dec_rad, row->t_utc_s, &place, NULL, &at, err);
        if (status != NW_OK) {
            return status;
        }
        row->altitude_rad = at.altitude_rad;
        row->azimuth_rad = at.azimuth_rad;
        row->pose = (struct nw_pose){at.hour_angle_rad, at.dec_rad,
                                     at.hour_angle_rad > 0.0 ? NW_SIDE_EAST : NW_SIDE_WEST};
        row->nearest = nw_clearance_margin_at(model, &row->pose);
    }
    r->n_rows = NW_SUN_ROWS;
    return NW_OK;
}

static enum nw_status fill(const struct cli_args *args, const struct nw_clearance *model,
                           struct nw_sun_report *r, struct nw_err *err) {
    r->bodies = nw_clearance_bodies(model, &r->n_bodies);
    r->n_apertures =
        nw_mount_apertures(r->setup, r->bodies, r->n_bodies, NW_SUN_APERTURES, r->apertures);
    enum nw_status status = check_fronts(r, err);
    double t_utc_s = 0.0;
    if (status == NW_OK && cli_given(args, "at")) {
        status = nw_time_read_iso(cli_text(args, "at"), 0.0, &t_utc_s, err);
        status = status == NW_OK ? NW_OK : nw_err_at(err, status, "--at");
        status = status == NW_OK ? find_rows(model, t_utc_s, r, err) : status;
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_clearance *model = NULL;
    struct nw_sun_report report = {0};
    enum nw_status status = cli_read_rig(args, &rig, NULL, err);
    if (status == NW_OK) {
        report.rig = rig;
        status = find_setup(rig, cli_text(args, "setup"), &report.setup, err);
    }
    if (status == NW_OK) { /* what has a hinge is open: the light is to come in */
        status = nw_clearance_of_setup(rig, report.setup, true, false, &model, err);
    }
    if (status == NW_OK) {
        status = fill(args, model, &report, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_sun_json(&report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_sun_text(&report, &result->text);
    }
    nw_clearance_free(model);
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_SUN = {
    .name = "sun",
    .arguments = "RIG",
    .help = "a card to print and tick before a telescope is turned to the Sun",
    .notes =
        "Only for a setup that names the tubes with a front filter (setups.*.sun_filter) and "
        "those that are capped (setups.*.capped); with one tube open there is no card. Nothing "
        "is pointed or started by it.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
