/* cmd_throughput.c - `throughput RIG FRAME...`: catalogue stars say what arrives of their light. */
#include <math.h>

#include "cli/catalogue_file.h"
#include "cli/cli.h"
#include "cli/star_list.h"
#include "cli/trial_other.h"
#include "report/report_throughput.h"
#include "sky/almanac.h"

static const struct cli_option OPTIONS[] = {
    {.name = "near",
     .kind = CLI_TEXT,
     .value = "RA,DEC",
     .help = "middle of the frames in degrees, where their headers do not say"},
    {.name = "filter", .kind = CLI_TEXT, .value = "NAME", .help = "else the one of the header"},
    {.name = "airmass",
     .kind = CLI_NUMBER,
     .value = "X",
     .help = "else of the header, or from place and time",
     .min = 1.0,
     .max = 10.0},
    {.name = "faintest",
     .kind = CLI_NUMBER,
     .value = "MAG",
     .help = "of the list's stars, else 12",
     .min = 0.0,
     .max = 25.0},
    {.name = "catalogue",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "another packed catalogue (yours, deeper) than the one beside the program"},
    CLI_OPTION_SETUP,
    CLI_OPTION_SET,
    {0},
};

enum { MAX_REFERENCES = 400 };
struct work {
    const struct cli_args *args;
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_catalogue *catalogue;
    struct nw_series series;
    struct nw_throughput_row *rows; /* one of a mono frame, one for each colour */
    size_t n_rows;
    struct nw_reference references[MAX_REFERENCES];
};

static enum nw_status place_of(const struct work *w, const struct nw_frame_facts *f,
                               double ret_rad[2], struct nw_err *err) {
    const char *const near = cli_text(w->args, "near");
    ret_rad[0] = f->ra_rad;
    ret_rad[1] = f->dec_rad;
    if (near) {
        char text[80];
        nw_text_copy(text, sizeof text, near);
        char *const comma = strchr(text, ',');
        if (comma) {
            *comma = '\0';
        }
        if (!comma || !nw_text_to_double(text, &ret_rad[0]) ||
            !nw_text_to_double(comma + 1, &ret_rad[1]) || !(fabs(ret_rad[1]) <= 90.0)) {
            return nw_err_set(err, NW_USAGE, "--near is '%.40s', expected RA,DEC in degrees", near);
        }
        ret_rad[0] *= NW_RAD_PER_DEG;
        ret_rad[1] *= NW_RAD_PER_DEG;
    }
    return isfinite(ret_rad[0] + ret_rad[1])
               ? NW_OK
               : nw_err_set(err, NW_NOTFOUND, "its header says no place (RA, DEC): give --near");
}

static double airmass_of(const struct work *w, const struct nw_frame_facts *f,
                         const double place_rad[2]) {
    const double given = cli_number(w->args, "airmass", NAN);
    const struct nw_site *const s = &w->rig->site;
    const struct nw_place site = {s->latitude_rad.v, s->longitude_rad.v, s->elevation_m.v};
    struct nw_pointing p;
    if (isfinite(given) || isfinite(f->airmass)) {
        return isfinite(given) ? given : f->airmass;
    }
    if (isfinite(f->t_start_utc_s) &&
        nw_sky_pointing(place_rad[0], place_rad[1], f->t_start_utc_s + 0.5 * f->exposure_s, &site,
                        NULL, &p, NULL) == NW_OK &&
        isfinite(p.airmass)) {
        return p.airmass;
    }
    return w->setup->airmass.v;
}

static const struct nw_filter *filter_of(const struct work *w, const struct nw_frame_facts *f) {
    const char *const name = cli_given(w->args, "filter") ? cli_text(w->args, "filter") : f->filter;
    for (size_t i = 0; i < w->setup->n_filters; i++) {
        if (strcasecmp(w->setup->filters[i].name, name) == 0) {
            return &w->setup->filters[i];
        }
    }
    return w->setup->n_filters == 0 || name[0] == '\0' ? &w->setup->filter : NULL;
}

/* The passband of what was measured: of a colour, when the filter lets light to it. */
static bool band_of(const struct nw_setup *setup, const struct nw_filter *filter,
                    enum nw_channel channel, struct nw_light_band *ret) {
    struct nw_light_band bands[NW_LIGHT_BANDS];
    const size_t n = nw_light_bands(setup, filter, bands);
    const bool is_mono = channel == NW_CHANNEL_MONO;
    *ret = nw_light_main_band(setup, filter);
    for (size_t i = 0; i < n && !is_mono; i++) {
        if (strcmp(bands[i].name, nw_channel_name(channel)) == 0) {
            *ret = bands[i];
            return true;
        }
    }
    return is_mono && ret->width_m > 0.0;
}

static enum nw_status one_plane(struct work *w, const struct nw_series_item *item, size_t plane,
                                struct nw_throughput_row *row, struct nw_err *err) {
    const struct nw_frame_facts *const f = &item->frame->facts;
    double place_rad[2];
    row->t_start_utc_s = f->t_start_utc_s;
    row->exposure_s = f->exposure_s;
    enum nw_status status = place_of(w, f, place_rad, err);
    const struct nw_filter *const filter = filter_of(w, f);
    if (status == NW_OK && !filter) {
        status = nw_err_set(err, NW_NOTFOUND, "filter '%.30s' is none of setup %s: --filter",
                            f->filter, w->setup->name);
    }
    if (status == NW_OK && !(f->exposure_s > 0.0)) {
        status = nw_err_set(err, NW_NOTFOUND, "its header says no exposure time (EXPTIME)");
    }
    if (status != NW_OK) {
        return status;
    }
    nw_text_copy(row->filter, sizeof row->filter, filter->name);
    row->airmass = airmass_of(w, f, place_rad);
    const struct nw_light_case what = {
        .rig = w->rig, .setup = w->setup, .filter = filter, .airmass = row->airmass};
    const enum nw_channel channel = item->measures[plane]->channel;
    struct nw_light_band band;
    /* of a colour-filter frame one grid of a quarter of the pixels was measured */
    const bool is_grid = item->frame->n_planes == 1 && channel != NW_CHANNEL_MONO;
    nw_text_copy(row->colour, sizeof row->colour,
                 channel == NW_CHANNEL_MONO ? "" : nw_channel_name(channel));
    if (!band_of(w->setup, filter, channel, &band)) {
        return nw_err_set(err, NW_NOTFOUND,
                          channel == NW_CHANNEL_MONO
                              ? "filter %s lets no light to any colour of camera %s"
                              : "the frame has colours, and filter %s lets no light to this one of "
                                "camera %s",
                          filter->name, w->setup->camera.name);
    }
    const double gain =
        isfinite(f->gain_e_per_adu) ? f->gain_e_per_adu : w->setup->camera.gain_e_per_adu.v;
    const struct nw_throughput_case one = {.what = &what,
                                           .band = &band,
                                           .stars = item->measures[plane],
                                           .exposure_s = f->exposure_s,
                                           .gain_e_per_adu = is_grid ? 4.0 * gain : gain,
                                           .ra_rad = place_rad[0],
                                           .dec_rad = place_rad[1],
                                           .references = w->references,
                                           .n = cli_star_list(w->catalogue, w->setup, place_rad,
                                                              cli_number(w->args, "faintest", 12.0),
                                                              MAX_REFERENCES, w->references)};
    return nw_light_throughput(&one, &row->value, err);
}

static enum nw_status gather(struct work *w, size_t n, struct nw_err *err) {
    enum nw_status status = cli_catalogue_open(cli_text(w->args, "catalogue"), &w->catalogue, err);
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_MONO, /* every colour */
                                        .pattern_if_unsaid = w->setup->camera.pattern};
    status = status == NW_OK
                 ? nw_series_measure(cli_positional(w->args) + 1, n, &opts, NULL, &w->series, err)
                 : status;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct nw_series_item *const item = &w->series.items[i];
        struct nw_err why = {0};
        if (item->status != NW_OK) { /* a name that was typed must be a frame */
            return nw_err_set(err, item->status, "%s", item->err.text);
        }
        for (size_t k = 0; k < item->n_measures; k++) {
            struct nw_throughput_row *const row = &w->rows[w->n_rows++];
            *row = (struct nw_throughput_row){
                .path = item->path, .t_start_utc_s = NAN, .exposure_s = NAN, .airmass = NAN};
            const enum nw_status told = one_plane(w, item, k, row, &why);
            if (told == NW_NOMEM || told == NW_USAGE) {
                return nw_err_set(err, told, "%s", why.text);
            }
            nw_text_copy(row->why_null, sizeof row->why_null, told == NW_OK ? "" : why.text);
        }
    }
    return status;
}

enum nw_status cli_throughput_with(const struct cli_args *args, const struct nw_rig *rig,
                                   const struct nw_setup *setup, struct cli_result *result,
                                   struct nw_err *err) {
    const size_t n = cli_n_args(args) - 1; /* frames */
    struct work *const w = nw_calloc(1, sizeof *w);
    struct nw_throughput_row *const rows = nw_calloc(3 * n + 1, sizeof *rows);
    enum nw_status status = NW_OK;
    if (!w || !rows) {
        status = nw_err_set(err, NW_NOMEM, "throughput");
        goto done;
    }
    w->args = args;
    w->rig = rig;
    w->setup = setup;
    w->rows = rows;
    status = gather(w, n, err);
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_throughput_json(rows, w->n_rows, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_throughput_text(rows, w->n_rows, &result->text);
    }
    nw_series_done(&w->series);
    nw_catalogue_close(w->catalogue);
done:
    free(rows);
    free(w);
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct nw_rig *rig = NULL;
    const struct nw_setup *setup = NULL;
    enum nw_status status = cli_read_rig(args, &rig, &setup, err);
    if (status == NW_OK) {
        status = cli_throughput_with(args, rig, setup, result, err);
    }
    nw_rig_free(rig);
    return status;
}

const struct cli_command CMD_THROUGHPUT = {
    .name = "throughput",
    .arguments = "RIG FRAME...",
    .help = "Absolute throughput and zero point from catalogue stars in a short or narrow-band "
            "frame.",
    .notes = "In long broad-band subs every star of the built-in list (V 9) is full: take a frame "
             "of five seconds once an hour, or a narrow-band sub; or import a deeper list "
             "(`catalogue`). Of colour frames every colour is told.\n"
             "Examples: throughput rig.yaml zero-5s.fits; throughput rig.yaml sub.fits --near "
             "270.9,-24.4",
    .options = OPTIONS,
    .min_args = 2,
    .max_args = 1000,
    .run = run,
};
