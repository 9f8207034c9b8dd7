/* cmd_light.c - `light RIG`: what arrives, with what noise, how long the subs should be. */
#include <math.h>

#include "cli/check_internal.h"
#include "cli/light_load.h"

#define NUMBER(n, v, h, lo, hi)                                                                    \
    { .name = (n), .kind = CLI_NUMBER, .value = (v), .help = (h), .min = (lo), .max = (hi) }

static const struct cli_option OPTIONS[] = {
    {.name = "filter",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "of the setup; else the one its width is judged in"},
    NUMBER("brightness", "MAG", "extended target, mag/arcsec2 above the air (flat light)", 0, 35),
    NUMBER("rayleigh", "R", "extended target, one line in the passband, in rayleigh", 1e-6, 1e9),
    NUMBER("magnitude", "MAG", "point source, above the air", -5, 35),
    {.name = "target", .kind = CLI_TEXT, .value = "NAME", .help = "as a catalogue knows it"},
    {.name = "at",
     .kind = CLI_TEXT,
     .value = "TIME",
     .help = "the minute, as 2026-06-14T13:00:00Z: sky, Moon, airmass and the night's hours"},
    {.name = "targets",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "take the target and the habits from your list (docs/plan.md)"},
    NUMBER("sky", "MAG", "without --at: sky at the target, mag/arcsec2, else the rig's", 10, 24),
    NUMBER("airmass", "X", "without --at: airmass, else the setup's", 1, 10),
    NUMBER("snr", "N", "signal over noise of the goal, else 5", 0.01, 1e6),
    NUMBER("area", "ARCSEC2", "in how large an area, else 1 arcsec2", 1e-3, 1e9),
    NUMBER("sub", "S", "length of the sub to tell of, else the recommended", 0.001, 86400),
    NUMBER("hours", "H", "exposure of a night, else the target's usable hours", 0.01, 24),
    NUMBER("limit-after", "H", "hours that the faintest is told for, else 1", 0.001, 10000),
    NUMBER("read-loss", "PERCENT", "of the time that read noise may cost, else 5", 0.1, 90),
    NUMBER("saturated", "N", "stars of the field that may be full, else any number", 0, 1e9),
    NUMBER("longest", "S", "longest sub that guiding allows, else 1200", 1, 86400),
    NUMBER("between", "S", "from one sub to the next, else 5 or the habits of the list", 0, 600),
    {.name = "frame",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "a sub of the field in this filter: counts its stars, measures sky and noise"},
    {.name = "chart",
     .kind = CLI_TEXT,
     .value = "FILE.svg",
     .help = "draw the losses against the length of a sub"},
    {.name = "catalogue",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "another packed catalogue than the one beside the program"},
    CLI_OPTION_SETUP,
    CLI_OPTION_SET,
    {0},
};

/* The delivered star of a setup, from its star-width budget. */
static enum nw_status deliver_star(const struct nw_rig *rig, const struct nw_setup *setup,
                                   struct nw_light_case *what, struct nw_err *err) {
    struct nw_star_budget *stars = NULL;
    const enum nw_status status = nw_star_budget_new(rig, setup, NULL, NULL, 0, &stars, err);
    if (status == NW_OK) {
        what->neq_area_rad2 = stars->whole.neq_area_rad2;
        what->peak_per_rad2 = stars->whole.peak_per_rad2;
    }
    nw_star_budget_free(stars);
    return status;
}

static struct nw_light_option *add_option(struct cli_light *l, const char *what,
                                          const char *effort) {
    struct nw_light_report *const r = &l->report;
    struct nw_light_option *const o = &r->options[r->n_options];
    r->n_options += r->n_options + 1 < NW_LIGHT_OPTIONS;
    nw_text_copy(o->what, sizeof o->what, what);
    o->effort = effort;
    return o;
}

/* What the budget itself has to offer: length, gain, another hour, another night. */
static void own_options(struct cli_light *l) {
    const struct nw_light_budget *const b = &l->bands[l->report.main];
    const double between = l->wants.wishes.between_s;
    const double sub = b->sub.sub_s;
    const double best = b->subs.curve[b->subs.best].sub_s;
    char text[112];
    const double habit = l->setup.sub_length_s.v;
    if (habit < best || habit > b->subs.curve[b->subs.to].sub_s) {
        (void)snprintf(text, sizeof text, "subs of %.0f s instead of %.0f s", best, habit);
        add_option(l, text, "setting")->worth =
            nw_light_worth_of(&l->what, habit, &l->what, best, between);
    }
    if (l->report.best_gain != SIZE_MAX) {
        const struct nw_light_gain *const g = &l->gains[l->report.best_gain];
        struct nw_setup other = l->setup;
        struct nw_light_case then = l->what;
        nw_light_set_gain(g->setting, &other.camera);
        then.setup = &other;
        (void)snprintf(text, sizeof text, "%.40s, %.0f s", g->setting->name,
                       g->subs.curve[g->subs.best].sub_s);
        add_option(l, text, "setting")->worth =
            nw_light_worth_of(&l->what, sub, &then, g->subs.curve[g->subs.best].sub_s, between);
    }
    if (l->what.glow.moon_nl > 0.0) {
        struct nw_light_case then = l->what;
        then.glow.moon_nl = 0.0;
        add_option(l, "the same without the Moon", "another night")->worth =
            nw_light_worth_of(&l->what, sub, &then, sub, between);
    }
    if (l->what.airmass > 1.02) {
        struct nw_light_case then = l->what;
        then.airmass = 1.0;
        add_option(l, "the same light at the zenith", "another hour")->worth =
            nw_light_worth_of(&l->what, sub, &then, sub, between);
    }
}

/* The owner's changes, each with its own star: both currencies. */
static enum nw_status owners_options(const struct cli_args *args, struct cli_light *l,
                                     struct nw_err *err) {
    size_t n_set = 0;
    const char *const *const set = cli_texts(args, "set", &n_set);
    struct check_changed changed = {0};
    const struct nw_setup *const setup = nw_rig_setup(l->rig, l->setup.name);
    enum nw_status status = check_alternatives(cli_arg(args, 0), set, n_set, setup, &changed, err);
    for (size_t i = 0; i < changed.n && status == NW_OK; i++) {
        struct nw_setup other = *changed.items[i].setup;
        struct nw_light_case then = l->what;
        for (size_t f = 0; f < other.n_filters; f++) {
            if (strcmp(other.filters[f].name, l->filter.name) == 0) {
                other.filter = other.filters[f];
            }
        }
        /* a change of the airmass is not for a minute that was given */
        const bool is_about_airmass = fabs(other.airmass.v - setup->airmass.v) > 1e-9;
        if (is_about_airmass && l->report.when[0]) {
            continue;
        }
        then.airmass = is_about_airmass ? other.airmass.v : then.airmass;
        other.airmass.v = then.airmass;
        then.rig = changed.items[i].rig;
        then.setup = &other;
        then.filter = &other.filter;
        status = deliver_star(changed.items[i].rig, &other, &then, err);
        const double sub = other.sub_length_s.v;
        add_option(l, setup->changes[i].name, setup->changes[i].effort)->worth = nw_light_worth_of(
            &l->what, setup->sub_length_s.v, &then, sub, l->wants.wishes.between_s);
    }
    check_changed_done(&changed);
    return status;
}

static enum nw_status work_out(const struct cli_args *args, struct cli_light *l,
                               struct nw_err *err) {
    struct nw_light_band bands[NW_LIGHT_BANDS];
    struct nw_light_report *const r = &l->report;
    enum nw_status status = deliver_star(l->rig, &l->setup, &l->what, err);
    r->n_bands = nw_light_bands(&l->setup, &l->filter, bands);
    if (status == NW_OK && r->n_bands == 0) {
        status = nw_err_set(err, NW_DOMAIN, "filter %s lets no light to any colour of camera %s",
                            l->filter.name, l->setup.camera.name);
    }
    for (size_t i = 0; i < r->n_bands && status == NW_OK; i++) {
        status = nw_light_budget_of(&l->what, &bands[i], &l->wants, &l->bands[i], err);
    }
    if (status != NW_OK) {
        return status;
    }
    const struct nw_light_band band = nw_light_main_band(&l->setup, &l->filter);
    r->best_gain = nw_light_gains(&l->what, &band, &l->wants.field, &l->wants.wishes, l->gains);
    r->rig = l->rig;
    r->setup = &l->setup;
    r->what = &l->what;
    r->wants = &l->wants;
    r->bands = l->bands;
    r->gains = l->gains;
    r->n_gains = l->setup.camera.n_settings;
    for (size_t i = 0; i < r->n_bands; i++) {
        r->main = strcmp(bands[i].name, band.name) == 0 ? i : r->main;
        /* in V, by the colours that the sky is foretold with */
        const struct nw_light_rates *const rates = &l->bands[i].rates;
        const struct nw_sky_glow *const glow = &l->what.glow;
        const double told_e_s = rates->dark_sky_e_s + rates->moon_e_s + rates->twilight_e_s;
        r->seen[i].sky_mag_arcsec2 =
            nw_sky_mag_of_nl(glow->dark_nl + glow->moon_nl + glow->twilight_nl) -
            2.5 * log10(r->seen[i].sky_e_s / told_e_s);
    }
    own_options(l);
    return owners_options(args, l, err);
}

static enum nw_status write_chart(const char *path, struct cli_light *l, struct cli_result *result,
                                  struct nw_err *err) {
    struct nw_buf svg;
    enum nw_status status = nw_report_light_svg(&l->report, &svg, err);
    if (status == NW_OK) {
        status = nw_file_write_atomic(path, svg.data, svg.len, err);
        nw_buf_printf(&result->text, "\nwrote ");
        nw_report_clean(&result->text, path);
        nw_buf_printf(&result->text, "\n");
        nw_buf_done(&svg);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    struct cli_light *const l = nw_calloc(1, sizeof *l);
    if (!l) {
        return nw_err_set(err, NW_NOMEM, "light");
    }
    enum nw_status status = cli_light_load(args, l, err);
    status = status == NW_OK ? work_out(args, l, err) : status;
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_light_json(&l->report, &result->json, err);
    } else if (status == NW_OK) {
        nw_report_light_text(&l->report, &result->text);
    }
    if (status == NW_OK && cli_given(args, "chart")) {
        status = write_chart(cli_text(args, "chart"), l, result, err);
    }
    cli_light_done(l);
    free(l);
    return status;
}

const struct cli_command CMD_LIGHT = {
    .name = "light",
    .arguments = "RIG",
    .help = "Light of a target in a filter: signal, sky, noise, hours to the goal, length of subs.",
    .notes = "Losses are shares of time, not of noise. A colour camera is told by its colours. "
             "Worth is in time for extended light (star width does not enter) and for points.\n"
             "Examples: light rig.yaml --brightness 25; light rig.yaml --filter hydrogen-alpha "
             "--rayleigh 20 --target \"M 8\" --at 2026-08-10T11:00:00Z",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 1,
    .run = run,
};
