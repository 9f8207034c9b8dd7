/* light_load.c - rig, filter, target and minute of `light`; the frame that counts its stars. */
#include "cli/light_load.h"

#include <math.h>

#include "book/book.h"
#include "cli/catalogue_file.h"

static enum nw_status load_rig(const struct cli_args *args, struct cli_light *l,
                               struct nw_err *err) {
    const struct nw_setup *setup = NULL;
    const enum nw_status status = cli_read_rig(args, &l->rig, &setup, err);
    if (status != NW_OK) {
        return status;
    }
    l->setup = *setup;
    l->filter = setup->filter;
    const char *const wanted = cli_text(args, "filter");
    if (!wanted) {
        return NW_OK;
    }
    const struct nw_filter *const filter = nw_setup_filter_of(setup, wanted);
    if (filter) {
        l->filter = *filter;
        return NW_OK;
    }
    const char *names[NW_RIG_MAX_FILTERS];
    for (size_t i = 0; i < setup->n_filters; i++) {
        names[i] = setup->filters[i].name;
    }
    const char *const near = nw_text_nearest(wanted, names, setup->n_filters);
    return nw_err_set(err, NW_NOTFOUND, "setup %s has no filter '%.40s'%s%s", setup->name, wanted,
                      near ? "; the nearest is " : "", near ? near : "");
}

/* One target: out of the owner's list, else by a name of the catalogue. */
static enum nw_status load_target(const struct cli_args *args, struct cli_light *l,
                                  struct nw_err *err) {
    const char *const name = cli_text(args, "target");
    const char *const path = cli_text(args, "targets");
    struct nw_target *t = NULL;
    enum nw_status status = NW_OK;
    if (path) {
        const char *names[NW_MAX_TARGETS];
        status = nw_targets_read(path, &l->targets, err);
        for (size_t i = 0; status == NW_OK && i < l->targets->n; i++) {
            names[i] = l->targets->items[i].name;
            t = strcmp(names[i], name) == 0 ? &l->targets->items[i] : t;
        }
        if (status == NW_OK && !t) {
            const char *const near = nw_text_nearest(name, names, l->targets->n);
            return nw_err_set(err, NW_NOTFOUND, "%s has no target '%.40s'%s%s", path, name,
                              near ? "; the nearest is " : "", near ? near : "");
        }
        if (status == NW_OK && t != l->targets->items) {
            l->targets->items[0] = *t; /* the only one that is asked for */
        }
    } else {
        static const char TEXT[] = "nightwright-targets: 1\ntargets: {one: {goals: {none: 1 h}}}\n";
        status = nw_targets_parse("--target", TEXT, sizeof TEXT - 1, &l->targets, err);
        if (status == NW_OK) {
            nw_text_copy(l->targets->items[0].object, sizeof l->targets->items[0].object, name);
        }
    }
    if (status != NW_OK) {
        return status;
    }
    l->targets->n = 1;
    t = &l->targets->items[0];
    if (t->object[0]) {
        struct nw_catalogue *catalogue = NULL;
        struct nw_entry e;
        status = cli_catalogue_open(cli_text(args, "catalogue"), &catalogue, err);
        status = status == NW_OK ? nw_catalogue_find(catalogue, t->object, &e, err) : status;
        nw_catalogue_close(catalogue);
        if (status == NW_OK) {
            t->ra_rad = e.ra_rad;
            t->dec_rad = e.dec_rad;
        }
    }
    nw_text_copy(l->report.target, sizeof l->report.target, name);
    return status;
}

/* Sky and airmass of the minute; usable hours of its night. */
static enum nw_status load_minute(const char *at, struct cli_light *l, struct nw_err *err) {
    const struct nw_target *const t = &l->targets->items[0];
    const struct nw_site *const site = &l->rig->site;
    const struct nw_observer o = nw_sky_observer_of(l->rig);
    struct nw_sky_moment m;
    struct nw_pointing p;
    double t_s = NAN;
    enum nw_status status = nw_time_read_iso(at, 0.0, &t_s, err);
    status = status == NW_OK ? nw_sky_moment_at(&o, t_s, &m, err) : nw_err_at(err, status, "--at");
    if (status != NW_OK) {
        return status;
    }
    nw_sky_look(&m, t->ra_rad, t->dec_rad, &p);
    if (!(p.altitude_rad > 5.0 * NW_RAD_PER_DEG)) {
        return nw_err_set(err, NW_DOMAIN, "%s stands at an altitude of %.1f deg at %s: too low",
                          l->report.target, p.altitude_rad * NW_DEG_PER_RAD, at);
    }
    if (m.sun_altitude_rad > -6.0 * NW_RAD_PER_DEG) {
        return nw_err_set(err, NW_DOMAIN, "at %s the Sun stands at %.1f deg: not dark", at,
                          m.sun_altitude_rad * NW_DEG_PER_RAD);
    }
    double place[3];
    double seen[3];
    nw_sky_vector(t->ra_rad, t->dec_rad, place);
    nw_sky_aberrate(place, m.velocity_c, seen);
    l->what.glow =
        nw_sky_glow_at(&m, seen, site->sky_brightness_mag_arcsec2.v, site->extinction_mag.v);
    l->what.airmass = p.airmass;
    l->report.altitude_rad = p.altitude_rad;
    l->report.moon_lit = m.moon_lit;
    l->report.moon_altitude_rad = m.moon_altitude_rad;
    l->report.moon_separation_rad = nw_sky_angle_rad(seen, m.moon);
    l->report.is_twilight = m.sun_altitude_rad > NW_TWILIGHT_ASTRONOMICAL_RAD;
    nw_time_write_iso(t_s, 0, l->report.when, sizeof l->report.when);
    /* the night's hours, as `season` counts them */
    char date[NW_BOOK_DATE];
    char midnight[40];
    struct nw_night_input input = {.rig = l->rig,
                                   .setup = &l->setup,
                                   .targets = l->targets,
                                   .focus_interval_s = l->setup.focus_interval_s.v,
                                   .focus_run_s = l->setup.focus_run_s.v};
    struct nw_season_row row;
    size_t n_dark = 0;
    nw_book_night_date(t_s, site->longitude_rad.v, date);
    (void)snprintf(midnight, sizeof midnight, "%sT00:00:00Z", date);
    status = nw_time_read_iso(midnight, 0.0, &input.date_s, err);
    status = status == NW_OK ? nw_season(&input, 1, &row, &n_dark, err) : status;
    if (status == NW_OK && row.available_s > 0.0) {
        l->wants.night_s = row.available_s;
    }
    return status;
}

static enum nw_status load_sky(const struct cli_args *args, struct cli_light *l,
                               struct nw_err *err) {
    const struct nw_site *const site = &l->rig->site;
    const char *const at = cli_text(args, "at");
    if ((at != NULL) != (cli_text(args, "target") != NULL)) {
        return nw_err_set(err, NW_USAGE, "--target NAME and --at TIME belong together");
    }
    if (at) {
        enum nw_status status = load_target(args, l, err);
        status = status == NW_OK ? load_minute(at, l, err) : status;
        if (status != NW_OK) {
            return status;
        }
        const struct nw_target *const t = &l->targets->items[0];
        const struct nw_night_habits *const h = &l->targets->habits;
        l->wants.field.galactic_latitude_rad = nw_sky_galactic_latitude_rad(t->ra_rad, t->dec_rad);
        l->wants.wishes.between_s = h->readout_s + h->dither_s / h->dither_every;
    } else {
        const double mag = cli_number(args, "sky", site->sky_brightness_mag_arcsec2.v);
        l->what.airmass = cli_number(args, "airmass", l->setup.airmass.v);
        const double z = 0.5 * NW_PI - nw_sky_altitude_of_airmass(fmax(1.0, l->what.airmass));
        /* what was typed is the sky at the target; the rig's is that of the zenith */
        l->what.glow.dark_nl = cli_given(args, "sky")
                                   ? nw_sky_nl_of_mag(mag)
                                   : nw_sky_dark_nl(mag, site->extinction_mag.v, z);
    }
    return NW_OK;
}

static int by_peak(const void *a, const void *b) {
    const double *const x = a;
    const double *const y = b;
    return (*x < *y) - (*x > *y);
}

/* Sky and noise of one colour, or of the one plane there is. */
static void look_at(const struct cli_light *l, const struct nw_measure *m, double exposure_s,
                    struct nw_light_seen *s) {
    const struct nw_camera *const c = &l->setup.camera;
    const double gain = c->gain_e_per_adu.v;
    s->exposure_s = exposure_s;
    s->n_saturated = m->n_saturated;
    s->noise_e = m->noise_adu * gain;
    if (!(exposure_s > 0.0)) {
        nw_text_copy(s->why_null, sizeof s->why_null, "the frame does not say its exposure time");
        return;
    }
    const double level_e = (m->background_adu - c->offset_adu.v) * gain;
    const double light_e = level_e - c->dark_e_per_s.v * exposure_s;
    s->sky_e_s = light_e / exposure_s;
    s->sky_sigma_e_s =
        hypot(c->offset_adu.sigma * gain, light_e * c->gain_e_per_adu.sigma / c->gain_e_per_adu.v) /
        exposure_s;
    s->expected_noise_e = sqrt(fmax(0.0, level_e) + c->read_noise_e.v * c->read_noise_e.v);
    if (!(light_e > 0.0)) {
        nw_text_copy(s->why_null, sizeof s->why_null,
                     "the level of the sky is not above the rig's offset: cameras.*.offset");
        s->sky_e_s = s->sky_sigma_e_s = s->expected_noise_e = NAN;
    }
}

static const struct nw_measure *plane_of(const struct nw_series_item *item, const char *band) {
    for (size_t k = 0; k < item->n_measures; k++) {
        if (strcmp(nw_channel_name(item->measures[k]->channel), band) == 0) {
            return item->measures[k];
        }
    }
    return item->n_measures == 1 ? item->measures[0] : NULL; /* mono */
}

/* The stars of the brightest colour count those that fill. */
static enum nw_status load_peaks(struct cli_light *l, const struct nw_measure *m, double exposure_s,
                                 struct nw_err *err) {
    l->peak_e_s = nw_calloc(m->n_stars + 1, sizeof *l->peak_e_s);
    if (!l->peak_e_s) {
        return nw_err_set(err, NW_NOMEM, "%zu stars", m->n_stars);
    }
    for (size_t i = 0; i < m->n_stars; i++) {
        l->peak_e_s[i] = m->stars[i].peak_adu * l->setup.camera.gain_e_per_adu.v / exposure_s;
    }
    qsort(l->peak_e_s, m->n_stars, sizeof *l->peak_e_s, by_peak);
    l->wants.field.peak_e_s = l->peak_e_s;
    l->wants.field.n = m->n_stars;
    return NW_OK;
}

/* Its sky and noise stand beside the foretold, colour by colour. */
static enum nw_status load_frame(const char *path, struct cli_light *l, struct nw_err *err) {
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_MONO, /* every colour */
                                        .pattern_if_unsaid = l->setup.camera.pattern};
    struct nw_light_band bands[NW_LIGHT_BANDS];
    const size_t n = nw_light_bands(&l->setup, &l->filter, bands);
    const struct nw_light_band main = nw_light_main_band(&l->setup, &l->filter);
    enum nw_status status = nw_series_measure(&path, 1, &opts, NULL, &l->series, err);
    if (status == NW_OK && l->series.items[0].status != NW_OK) {
        return nw_err_set(err, l->series.items[0].status, "%s", l->series.items[0].err.text);
    }
    const double exposure_s = status == NW_OK ? l->series.items[0].frame->facts.exposure_s : NAN;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct nw_measure *const m = plane_of(&l->series.items[0], bands[i].name);
        if (!m) {
            continue;
        }
        l->report.seen[i].path = path;
        look_at(l, m, exposure_s, &l->report.seen[i]);
        if (strcmp(bands[i].name, main.name) == 0 && exposure_s > 0.0) {
            status = load_peaks(l, m, exposure_s, err);
        }
    }
    return status;
}

static void load_wants(const struct cli_args *args, struct cli_light *l) {
    struct nw_light_wants *const w = &l->wants;
    const double typed_h = cli_number(args, "hours", NAN);
    w->sub_s = cli_number(args, "sub", NAN);
    w->night_s = isfinite(typed_h) ? typed_h * 3600.0 : w->night_s;
    w->exposure_s = cli_number(args, "limit-after", 1.0) * 3600.0;
    w->snr = cli_number(args, "snr", w->snr);
    w->area_arcsec2 = cli_number(args, "area", w->area_arcsec2);
    w->wishes.read_loss = cli_number(args, "read-loss", 100.0 * w->wishes.read_loss) / 100.0;
    w->wishes.saturated_most = cli_number(args, "saturated", w->wishes.saturated_most);
    w->wishes.longest_s = cli_number(args, "longest", w->wishes.longest_s);
    w->wishes.between_s = cli_number(args, "between", w->wishes.between_s);
    l->what.surface_mag_arcsec2 = cli_number(args, "brightness", NAN);
    l->what.rayleigh = cli_number(args, "rayleigh", NAN);
    l->what.magnitude = cli_number(args, "magnitude", NAN);
}

enum nw_status cli_light_load(const struct cli_args *args, struct cli_light *l,
                              struct nw_err *err) {
    enum nw_status status = load_rig(args, l, err);
    l->report.altitude_rad = l->report.moon_lit = l->report.moon_altitude_rad = NAN;
    l->report.moon_separation_rad = NAN;
    for (size_t i = 0; i < NW_LIGHT_BANDS; i++) {
        l->report.seen[i] = (struct nw_light_seen){.exposure_s = NAN,
                                                   .sky_e_s = NAN,
                                                   .sky_sigma_e_s = NAN,
                                                   .sky_mag_arcsec2 = NAN,
                                                   .noise_e = NAN,
                                                   .expected_noise_e = NAN};
    }
    if (status == NW_OK) {
        l->wants = nw_light_wants_usual(&l->setup);
        l->what = (struct nw_light_case){.rig = l->rig,
                                         .setup = &l->setup,
                                         .filter = &l->filter,
                                         .neq_area_rad2 = NAN,
                                         .peak_per_rad2 = NAN};
        status = load_sky(args, l, err);
    }
    if (status == NW_OK) {
        load_wants(args, l);
        l->setup.filter = l->filter; /* the star is that of this filter and airmass */
        l->setup.airmass.v = l->what.airmass;
    }
    const char *const frame = cli_text(args, "frame");
    return status == NW_OK && frame ? load_frame(frame, l, err) : status;
}

void cli_light_done(struct cli_light *l) {
    nw_series_done(&l->series);
    free(l->peak_e_s);
    nw_targets_free(l->targets);
    nw_rig_free(l->rig);
}
