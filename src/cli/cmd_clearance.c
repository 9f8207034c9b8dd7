/* cmd_clearance.c - `clearance RIG`: what touches what, where, and how far it is. */
#include <math.h>

#include "cli/cli.h"
#include "report/report_clearance.h"
#include "sky/sky.h"

static const struct cli_option OPTIONS[] = {
    CLI_OPTION_SETUP,
    {.name = "open", .help = "with what has a hinge (a light panel) opened"},
    {.name = "min-altitude",
     .kind = CLI_NUMBER,
     .value = "DEG",
     .help = "lowest altitude of the tube that counts, else 0",
     .min = -20.0,
     .max = 89.0},
    {.name = "from",
     .kind = CLI_TEXT,
     .value = "ALT,AZ[,SIDE]",
     .help =
         "judge a slew that starts here [deg, azimuth from north through east]; SIDE: where the "
         "tube stands, else the side with the weights low; or park, or a position of the rig file"},
    {.name = "to", .kind = CLI_TEXT, .value = "ALT,AZ[,SIDE]", .help = "and ends here"},
    {.name = "at",
     .kind = CLI_TEXT,
     .value = "TIME",
     .help = "when, as 2026-06-14T09:00:00Z: says how near the slew comes to the Sun"},
    {.name = "chart",
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "draw a sheet a tube side, FILE-east.svg and FILE-west.svg: distances over the sky, "
             "and the nearest approach in plan and elevations"},
    CLI_OPTION_SET,
    {0},
};

/* "park", or one of the rig's positions. */
static bool is_known_place(const struct nw_rig *rig, const char *name, struct nw_pose *ret) {
    for (size_t i = 0; i < rig->n_positions; i++) {
        if (strcmp(rig->positions[i].name, name) == 0) {
            *ret = nw_mount_pose_at(rig->site.latitude_rad.v, &rig->positions[i]);
            return true;
        }
    }
    *ret = nw_mount_park(&rig->mount);
    return strcmp(name, "park") == 0;
}

static enum nw_status read_place(const struct nw_rig *rig, const char *option, const char *text,
                                 struct nw_pose *ret, struct nw_err *err) {
    if (is_known_place(rig, text, ret)) {
        return NW_OK;
    }
    const double latitude_rad = rig->site.latitude_rad.v;
    char part[3][16] = {"", "", ""};
    size_t n = 0;
    bool is_long = false;
    for (const char *at = text; n < 3; n++) {
        const size_t len = strcspn(at, ",");
        is_long = is_long || len >= sizeof part[0];
        (void)snprintf(part[n], sizeof part[n], "%.*s", (int)len, at);
        if (at[len] == '\0') {
            n++;
            break;
        }
        at += len + 1;
    }
    double altitude = 0.0;
    double azimuth = 0.0;
    const bool is_side = strcmp(part[2], "east") == 0 || strcmp(part[2], "west") == 0;
    if (is_long || n < 2 || !nw_text_to_double(part[0], &altitude) ||
        !nw_text_to_double(part[1], &azimuth) || !(fabs(altitude) <= 90.0) ||
        !(fabs(azimuth) <= 360.0) || (n == 3 && !is_side)) {
        return nw_err_set(
            err, NW_USAGE,
            "--%s is '%.60s', expected altitude and azimuth in degrees, as 45,120, "
            "and at most the side of the tube, as 45,120,east, or the name of a position",
            option, text);
    }
    *ret = nw_mount_pose_of(latitude_rad, altitude * NW_RAD_PER_DEG, azimuth * NW_RAD_PER_DEG);
    if (is_side) {
        ret->side = part[2][0] == 'e' ? NW_SIDE_EAST : NW_SIDE_WEST;
    }
    return NW_OK;
}

static enum nw_status read_slew(const struct cli_args *args, struct nw_clearance_report *report,
                                struct nw_err *err) {
    const char *const from = cli_text(args, "from");
    const char *const to = cli_text(args, "to");
    if (!from && !to) {
        return NW_OK;
    }
    if (!from || !to) {
        return nw_err_set(err, NW_USAGE, "--from and --to belong together");
    }
    report->has_slew = true;
    enum nw_status status = read_place(report->rig, "from", from, &report->from, err);
    if (status == NW_OK) {
        status = read_place(report->rig, "to", to, &report->to, err);
    }
    return status;
}

static enum nw_status find_sun(const struct cli_args *args, struct nw_clearance_report *report,
                               struct nw_err *err) {
    const char *const at = cli_text(args, "at");
    const struct nw_site *const site = &report->rig->site;
    if (!at) {
        return NW_OK;
    }
    if (!report->has_slew) {
        return nw_err_set(err, NW_USAGE, "--at belongs to a slew: --from and --to are missing");
    }
    enum nw_status status = nw_time_read_iso(at, 0.0, &report->t_utc_s, err);
    if (status != NW_OK) {
        return status;
    }
    const struct nw_sky_direction sun = nw_sky_sun(report->t_utc_s);
    const struct nw_place place = {site->latitude_rad.v, site->longitude_rad.v,
                                   site->elevation_m.v};
    struct nw_pointing pointing;
    status =
        nw_sky_pointing(sun.ra_rad, sun.dec_rad, report->t_utc_s, &place, NULL, &pointing, err);
    if (status == NW_OK) {
        report->has_sun = true;
        report->sun_altitude_rad = pointing.altitude_rad;
        report->sun_nearest_rad =
            nw_mount_nearest_rad(site->latitude_rad.v, &report->from, &report->to,
                                 pointing.hour_angle_rad, pointing.dec_rad);
    }
    return status;
}

struct limits_job {
    struct nw_clearance_report *report;
};

static void one_limit(void *user, size_t i) {
    const struct limits_job *const job = user;
    const size_t side = i / NW_CLEARANCE_DECS;
    const size_t k = i % NW_CLEARANCE_DECS;
    nw_clearance_reach(job->report->model, ((double)k - 90.0) * NW_RAD_PER_DEG, (enum nw_side)side,
                       job->report->min_altitude_rad, &job->report->limits[side][k]);
}

static void look_out(struct nw_clearance_report *report) {
    report->n_apertures = nw_mount_apertures(report->setup, report->bodies, report->n_bodies,
                                             sizeof report->apertures / sizeof report->apertures[0],
                                             report->apertures);
    for (size_t a = 0; a < report->n_apertures; a++) {
        for (size_t k = 0; k < NW_CLEARANCE_AZIMUTHS; k++) {
            report->sight[a][k] =
                nw_clearance_sight(report->model, report->apertures[a].body,
                                   2.0 * NW_PI * (double)k / NW_CLEARANCE_AZIMUTHS);
        }
        if (report->has_slew) {
            report->hidden[a] =
                nw_clearance_hidden(report->model, report->apertures[a].body, &report->to);
        }
    }
    report->n_cables =
        report->rig->n_cables < NW_CLEARANCE_CABLES ? report->rig->n_cables : NW_CLEARANCE_CABLES;
    for (size_t i = 0; i < report->n_cables; i++) {
        nw_cable_need_of(&report->rig->cables[i], report->rig->site.latitude_rad.v,
                         &report->limits[0][0], NW_CLEARANCE_DECS, &report->cables[i]);
    }
}

static void find_limits(struct nw_clearance_report *report) {
    struct limits_job job = {report};
    (void)nw_parallel_for((size_t)2 * NW_CLEARANCE_DECS, 0, one_limit, &job, NULL);
    report->usual.distance_m = report->usual_sure.margin_m = INFINITY;
    for (size_t i = 0; i < (size_t)2 * NW_CLEARANCE_DECS; i++) {
        const size_t side = i / NW_CLEARANCE_DECS;
        const size_t k = i % NW_CLEARANCE_DECS;
        struct nw_contact sure;
        const struct nw_contact c =
            nw_clearance_usual(report->model, ((double)k - 90.0) * NW_RAD_PER_DEG,
                               (enum nw_side)side, &report->limits[side][k], &sure);
        report->usual = c.distance_m < report->usual.distance_m ? c : report->usual;
        report->usual_sure =
            sure.margin_m < report->usual_sure.margin_m ? sure : report->usual_sure;
    }
}

/* The way home from everywhere, with the roof closed over it where one is described. */
static enum nw_status find_safe(struct nw_clearance_report *report, struct nw_err *err) {
    const struct nw_rig *const rig = report->rig;
    const struct nw_safe_times times = {rig->mount.slew_rate_rad_s, rig->site.reaction_time_s,
                                        rig->site.roof_time_s, rig->site.warning_time_s,
                                        rig->site.hand_time_s};
    struct nw_clearance *roofed = NULL;
    enum nw_status status = NW_OK;
    report->has_closed_roof = nw_rig_has_closed_roof(rig, report->setup);
    if (report->has_closed_roof) {
        status = nw_clearance_of_setup(rig, report->setup, report->is_open, true, &roofed, err);
    }
    if (status == NW_OK) {
        status = nw_clearance_safe(report->model, roofed, &report->park, &times,
                                   report->min_altitude_rad, &report->safe, err);
    }
    nw_clearance_free(roofed);
    return status;
}

static enum nw_status analyse(struct nw_clearance_report *report, struct nw_err *err) {
    find_limits(report);
    report->park = nw_mount_park(&report->rig->mount);
    report->at_park = nw_clearance_at(report->model, &report->park);
    look_out(report);
    if (report->has_slew) {
        nw_clearance_slew(report->model, &report->from, &report->to, &report->slew);
        nw_clearance_way(report->model, &report->from, &report->to, true, &report->way);
    }
    return find_safe(report, err);
}

/* "FILE.svg" becomes FILE-east.svg and FILE-west.svg: one sheet a tube side. */
static enum nw_status write_charts(const struct nw_clearance_report *report, const char *path,
                                   struct nw_err *err) {
    const size_t len = strlen(path);
    const bool is_svg = len > 4 && strcmp(path + len - 4, ".svg") == 0;
    enum nw_status status = NW_OK;
    for (int side = 0; side < 2 && status == NW_OK; side++) {
        struct nw_buf svg;
        struct nw_buf name;
        nw_buf_init(&svg, NW_REPORT_MAX_BYTES);
        nw_buf_init(&name, 8192);
        nw_buf_printf(&name, "%.*s-%s.svg", (int)(is_svg ? len - 4 : len), path,
                      side == NW_SIDE_EAST ? "east" : "west");
        status = name.data ? nw_report_clearance_svg(report, (enum nw_side)side, &svg, err)
                           : nw_err_set(err, NW_NOMEM, "name of a chart");
        if (status == NW_OK) {
            status = nw_file_write_atomic(name.data, svg.data, svg.len, err);
        }
        nw_buf_done(&name);
        nw_buf_done(&svg);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    struct nw_place_check *places = NULL;
    struct nw_clearance *model = NULL;
    struct nw_clearance_report *const report = nw_calloc(1, sizeof *report);
    enum nw_status status = report ? cli_read_rig(args, &rig, &report->setup, err)
                                   : nw_err_set(err, NW_NOMEM, "clearance");
    if (status != NW_OK) {
        goto done;
    }
    report->rig = rig;
    report->is_open = cli_given(args, "open");
    report->min_altitude_rad = cli_number(args, "min-altitude", 0.0) * NW_RAD_PER_DEG;
    status = read_slew(args, report, err);
    status = status == NW_OK ? find_sun(args, report, err) : status;
    status = status == NW_OK
                 ? nw_clearance_of_setup(rig, report->setup, report->is_open, false, &model, err)
                 : status;
    if (status != NW_OK) {
        goto done;
    }
    report->bodies = nw_clearance_bodies(model, &report->n_bodies);
    report->model = model;
    status = analyse(report, err);
    if (status == NW_OK) {
        status = nw_clearance_places(rig, report->setup, &places, &report->n_places, err);
    }
    report->places = places;
    if (status == NW_OK && cli_given(args, "chart")) {
        status = write_charts(report, cli_text(args, "chart"), err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_clearance_json(report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_clearance_text(report, &result->text);
    }
done:
    nw_clearance_free(model);
    free(places);
    free(report);
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_CLEARANCE = {
    .name = "clearance",
    .arguments = "RIG",
    .help = "what touches what: hour angles that can be reached, slews, horizon, time to safe",
    .notes = "From the outlines of the rig file's bodies (rig --keys: bodies.*), as convex shapes. "
             "Ranges go both ways from the middle of the usual half until something touches. A "
             "slew is free only if every order of the two axes is.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
