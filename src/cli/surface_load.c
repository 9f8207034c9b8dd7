/* surface_load.c - frames measured for `surface`, and what is known of optics and focuser. */
#include "cli/surface_internal.h"
#include "optics/optics.h"

#include <math.h>

static enum nw_status all_worked(const struct nw_series *series, struct nw_err *err) {
    for (size_t i = 0; i < series->n; i++) {
        const struct nw_series_item *const item = &series->items[i];
        if (item->status != NW_OK) {
            *err = item->err;
            return item->status == NW_DATA ? NW_FORMAT : item->status;
        }
    }
    return NW_OK;
}

/* Each frame's light against the best one's; what cannot be matched stays unknown. */
static enum nw_status fill_transmission(struct cli_surface_set *set, struct nw_err *err) {
    struct nw_transmission *const result = nw_calloc(set->n, sizeof *result);
    const struct nw_measure **const measures = nw_calloc(set->n, sizeof(const struct nw_measure *));
    double *const exposure_s = nw_calloc(set->n, sizeof *exposure_s);
    enum nw_status status = NW_OK;
    if (!result || !measures || !exposure_s) {
        status = nw_err_set(err, NW_NOMEM, "transmission of %zu frames", set->n);
    }
    for (size_t i = 0; i < set->n && status == NW_OK; i++) {
        measures[i] = set->series.items[i].measures[0];
        exposure_s[i] = set->series.items[i].frame->facts.exposure_s;
    }
    if (status == NW_OK) {
        status = nw_transmission_solve(measures, exposure_s, set->n, result, err);
    }
    for (size_t i = 0; i < set->n && status == NW_OK; i++) {
        set->frames[i].transmission = result[i].value;
    }
    free(result);
    free(measures);
    free(exposure_s);
    return status;
}

/* "20000,20160": one number for each frame. */
static enum nw_status read_positions(const char *text, struct cli_surface_set *set,
                                     struct nw_err *err) {
    size_t n = 0;
    for (const char *at = text; at; n++) {
        char word[40];
        const char *const comma = strchr(at, ',');
        const size_t len = comma ? (size_t)(comma - at) : strlen(at);
        double value = NAN;
        if (len < sizeof word) {
            memcpy(word, at, len);
            word[len] = '\0';
        }
        if (len >= sizeof word || !nw_text_to_double(word, &value)) {
            return nw_err_set(err, NW_USAGE,
                              "--positions \"%s\": value %zu is no number; expected focuser steps "
                              "such as 20000,20160",
                              text, n + 1);
        }
        if (n < set->n) {
            set->frames[n].position_steps = value;
        }
        at = comma ? comma + 1 : NULL;
    }
    return n == set->n ? NW_OK
                       : nw_err_set(err, NW_USAGE, "--positions gives %zu values for %zu frames", n,
                                    set->n);
}

static enum nw_status fill_frames(const struct cli_args *args, struct cli_surface_set *set,
                                  struct nw_err *err) {
    set->frames = nw_calloc(set->series.n, sizeof *set->frames);
    if (!set->frames) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", set->series.n);
    }
    for (size_t i = 0; i < set->series.n; i++) {
        const struct nw_series_item *const item = &set->series.items[i];
        const enum nw_status status = nw_field_frame_init(item->measures[0], &item->frame->facts,
                                                          item->path, &set->frames[i], err);
        if (status != NW_OK) {
            return status;
        }
        set->n = i + 1;
    }
    const char *const positions = cli_text(args, "positions");
    enum nw_status status = positions ? read_positions(positions, set, err) : NW_OK;
    if (status == NW_OK && set->n > 1) {
        status = fill_transmission(set, err);
    }
    return status;
}

enum nw_status cli_surface_load(const struct cli_args *args, const char *const *paths, size_t n,
                                struct cli_surface_set *ret, struct nw_err *err) {
    const char *const colour = cli_text(args, "colour");
    const struct nw_series_opts opts = {
        .measure = {.n_threads = (int)cli_count(args, "threads", 0)},
        .channel = !colour || colour[0] == 'G' ? NW_CHANNEL_G
                   : colour[0] == 'R'          ? NW_CHANNEL_R
                                               : NW_CHANNEL_B,
    };
    struct cli_surface_set set = {.n = 0};
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    enum nw_status status = nw_series_measure(paths, n, &opts, &progress, &set.series, err);
    cli_progress_end(&bar);
    if (status == NW_OK) {
        status = all_worked(&set.series, err);
    }
    if (status == NW_OK) {
        status = fill_frames(args, &set, err);
    }
    if (status == NW_OK) {
        *ret = set;
        set = (struct cli_surface_set){.n = 0};
    }
    cli_surface_set_done(&set);
    return status;
}

void cli_surface_set_done(struct cli_surface_set *set) {
    for (size_t i = 0; i < set->n; i++) {
        nw_field_frame_done(&set->frames[i]);
    }
    free(set->frames);
    nw_series_done(&set->series);
    *set = (struct cli_surface_set){.n = 0};
}

static double first_of(double a, double b, double c) {
    return isfinite(a) ? a : isfinite(b) ? b : c;
}

static double relative(struct nw_val value) {
    return value.v > 0.0 && value.sigma > 0.0 ? value.sigma / value.v : 0.0;
}

/* The filter by the header's name, else the one the setup is judged in. */
static double wavelength_m(const struct nw_setup *setup, const char *name) {
    const struct nw_filter *const filter = nw_setup_filter_of(setup, name);
    return filter ? filter->centre_m.v : setup->filter.centre_m.v;
}

static void facts_of_setup(const struct nw_setup *setup, const char *filter,
                           struct cli_surface_facts *facts) {
    struct nw_field_opts *const o = &facts->opts;
    const double m = setup->has_corrector ? setup->corrector.magnification.v : 1.0;
    const bool rides =
        setup->has_focuser && setup->focuser.carries == NW_CARRIES_CORRECTOR_AND_CAMERA;
    o->optics.f_ratio = nw_setup_f_ratio(setup);
    o->optics.pixel_m = setup->camera.pixel_m.v * fmax(1.0, setup->binning.v);
    o->optics.wavelength_m = wavelength_m(setup, filter);
    o->optics.obstruction = setup->telescope.obstruction.v;
    facts->travel_factor = nw_optics_defocus_per_travel(m, rides);
    facts->is_travel_assumed = !setup->has_focuser;
    facts->thermal_m_K =
        m * m * setup->telescope.tube_length_m.v * setup->telescope.expansion_per_K.v;
    o->thermal_m_K = facts->thermal_m_K;
    if (setup->has_focuser && setup->focuser.step_m.from != NW_FROM_ASSUMED) {
        o->step_m = setup->focuser.step_m.v * facts->travel_factor;
        o->step_sigma = hypot(
            relative(setup->focuser.step_m),
            rides && setup->has_corrector ? 2.0 * relative(setup->corrector.magnification) : 0.0);
    }
}

static enum nw_status read_length(const struct cli_args *args, const char *name, double *ret,
                                  struct nw_err *err) {
    const char *const text = cli_text(args, name);
    if (!text) {
        return NW_OK;
    }
    enum nw_status status = nw_quantity_read(text, NW_DIM_LENGTH, ret, err);
    if (status == NW_OK && !(*ret > 0.0)) {
        status = nw_err_set(err, NW_USAGE, "%g m is not > 0", *ret);
    }
    return status == NW_OK ? NW_OK : nw_err_at(err, status, "--%s", name);
}

enum nw_status cli_surface_facts(const struct cli_args *args, const struct nw_setup *setup,
                                 const struct nw_frame_facts *header, struct cli_surface_facts *ret,
                                 struct nw_err *err) {
    struct cli_surface_facts facts = {
        .opts = {.optics = {NAN, NAN, NAN, 0.0}, .step_m = NAN, .position_ref = NAN},
        .travel_factor = 1.0,
        .thermal_m_K = NAN,
        .is_travel_assumed = true,
    };
    if (setup) {
        facts_of_setup(setup, header->filter, &facts);
    }
    struct nw_field_optics *const optics = &facts.opts.optics;
    optics->f_ratio = first_of(cli_number(args, "f-ratio", NAN), optics->f_ratio,
                               header->focal_length_m / header->aperture_m);
    optics->pixel_m = first_of(NAN, optics->pixel_m, header->pixel_m);
    double travel_m = NAN;
    enum nw_status status = read_length(args, "pixel", &optics->pixel_m, err);
    if (status == NW_OK) {
        status = read_length(args, "step", &travel_m, err);
    }
    if (status == NW_OK && isfinite(travel_m)) {
        facts.opts.step_m = travel_m * facts.travel_factor;
        facts.opts.step_sigma = cli_number(args, "step-sigma", 0.0) / 100.0;
    }
    if (status == NW_OK) {
        *ret = facts;
    }
    return status;
}
