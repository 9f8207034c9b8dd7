/* calibration.c - which bias, dark and flat frames a set has, and its truth.json. */
#include "synth/chip_internal.h"

#include <math.h>
#include <unistd.h>

enum { MAX_SHOTS = 160 };
#define MAIN_K (NW_ZERO_CELSIUS_K - 10.0)

struct set {
    struct chip chip;
    struct chip_shot shots[MAX_SHOTS];
    size_t n;
    double clock_s, session_s;
    const char *folder;
    enum nw_status status[MAX_SHOTS];
    struct nw_err errors[MAX_SHOTS];
};

static struct chip_shot *add(struct set *set, const char *type, double exposure_s) {
    struct chip_shot *const shot = &set->shots[set->n++];
    *shot = (struct chip_shot){.type = type,
                               .filter_index = -1,
                               .exposure_s = exposure_s,
                               .temperature_K = MAIN_K,
                               .t_s = set->clock_s,
                               .session_s = set->session_s,
                               .setting = NAN,
                               .angle_rad = NAN};
    (void)snprintf(shot->name, sizeof shot->name, "%s_%04zu.fits", type, set->n);
    for (char *c = shot->name; *c; c++) {
        *c = (char)(*c >= 'A' && *c <= 'Z' ? *c - 'A' + 'a' : *c);
    }
    set->clock_s += exposure_s + 3.0;
    return shot;
}

/* Light faint to full and back again, so that drift of the lamp and exposure go apart. */
static void plan_sensor(struct set *set) {
    static const double DARK_S[] = {60.0, 120.0, 300.0};
    static const double OTHER_C[] = {-20.0, 0.0, 10.0};
    static const double LEVELS[] = {0.04, 0.08, 0.15, 0.25, 0.4, 0.55, 0.7, 0.85, 1.2};
    enum { N_LEVELS = sizeof LEVELS / sizeof LEVELS[0] };
    for (int i = 0; i < 10; i++) {
        (void)add(set, "BIAS", 0.0);
    }
    for (int i = 0; i < 12; i++) {
        (void)add(set, "DARK", DARK_S[i % 3]);
    }
    for (int i = 0; i < 12; i++) {
        add(set, "DARK", i % 2 ? 60.0 : 300.0)->temperature_K = NW_ZERO_CELSIUS_K + OTHER_C[i / 4];
    }
    for (int i = 0; i < 2 * N_LEVELS; i++) {
        const double level = LEVELS[i < N_LEVELS ? i : 2 * N_LEVELS - 1 - i];
        struct chip_shot *const shot = add(set, "FLAT", 10.0 * level);
        shot->rate_e_s = set->chip.camera.full_scale_e / 10.0;
        shot->filter = "panel";
    }
}

/* A dark library of one exposure, and what tells the gain. */
static void plan_darks(struct set *set) {
    for (int i = 0; i < 4; i++) {
        (void)add(set, "BIAS", 0.0);
    }
    for (int i = 0; i < 24; i++) {
        (void)add(set, "DARK", 300.0);
    }
    for (int i = 0; i < 4; i++) {
        struct chip_shot *const shot = add(set, "FLAT", i < 2 ? 4.0 : 2.0);
        shot->rate_e_s = set->chip.camera.full_scale_e / 10.0;
        shot->filter = "panel";
    }
}

static double panel_light(const struct chip_faults *f, double setting) {
    const double x = log(setting / 100.0);
    return exp(f->panel_power * x) * (1.0 + f->panel_curve * x * x);
}

/* Light at setting 100 through a filter: a white panel with less blue and red. */
static double panel_rate(const struct chip *chip, const struct nw_filter *filter) {
    const double colour = 1.0 - 0.35 * pow((filter->centre_m.v - 560e-9) / 100e-9, 2.0) / 2.0;
    return 0.9 * chip->camera.full_scale_e * filter->width_m.v / 290e-9 * filter->transmission.v *
           fmax(0.2, colour);
}

static void add_flat(struct set *set, const struct nw_filter *filter, int index, double setting,
                     bool is_then) {
    const struct chip *const chip = &set->chip;
    const double rate = panel_rate(chip, filter) * panel_light(&chip->f, setting);
    double exposure_s = 0.4 * chip->camera.full_scale_e / rate;
    exposure_s =
        fmin(60.0, fmax(0.02, exp(round(2.0 * log(exposure_s)) / 2.0))); /* a round guess */
    struct chip_shot *const shot = add(set, "FLAT", round(exposure_s * 100.0) / 100.0);
    shot->rate_e_s = rate;
    shot->setting = setting;
    shot->filter = filter->name;
    shot->filter_index = index;
    shot->is_then = is_then;
    shot->angle_rad = is_then ? 0.0 : chip->f.turn * NW_RAD_PER_DEG;
    char number[16];
    (void)snprintf(number, sizeof number, "%s_%04zu", is_then ? "then" : "now", set->n);
    (void)snprintf(shot->name, sizeof shot->name, "%s.fits", number);
}

static void plan_panel(struct set *set, const struct nw_setup *setup) {
    static const double SETTINGS[] = {8.0, 30.0, 100.0, 220.0};
    const size_t n = setup->n_filters ? setup->n_filters : 1;
    const struct nw_filter *const filters = setup->n_filters ? setup->filters : &setup->filter;
    for (int i = 0; i < 4; i++) {
        (void)add(set, "BIAS", 0.0);
    }
    for (int k = 0; k < 2 && (size_t)k < n; k++) {
        for (int i = 0; i < 4; i++) {
            add_flat(set, &filters[k], k, 100.0, true);
        }
    }
    set->clock_s += 86400.0;
    set->session_s = set->clock_s;
    for (int i = 0; i < 8; i++) { /* the first filter at all settings, there and back */
        add_flat(set, &filters[0], 0, SETTINGS[i < 4 ? i : 7 - i], false);
    }
    for (size_t k = 1; k + (n > 2 ? 1 : 0) < n && set->n + 4 < MAX_SHOTS; k++) {
        for (int i = 0; i < 4; i++) { /* the last filter has none */
            add_flat(set, &filters[k], (int)k, i % 2 ? 100.0 : 220.0, false);
        }
    }
}

static void shoot(void *user, size_t i) {
    struct set *const set = user;
    set->status[i] =
        nw_synth_chip_shoot(&set->chip, i, &set->shots[i], set->folder, &set->errors[i]);
}

static void clean(const struct set *set, bool is_made) {
    char path[4096];
    for (size_t i = 0; i <= set->n; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", set->folder,
                       i < set->n ? set->shots[i].name : "truth.json");
        (void)unlink(path);
    }
    if (is_made) {
        (void)rmdir(set->folder);
    }
}

static enum nw_status shoot_all(struct set *set, int n_threads, struct nw_err *err) {
    char path[4096];
    (void)nw_parallel_for(set->n, n_threads, shoot, set, NULL);
    for (size_t i = 0; i < set->n; i++) {
        if (set->status[i] != NW_OK) {
            return nw_err_set(err, set->status[i], "%s", set->errors[i].text);
        }
    }
    (void)snprintf(path, sizeof path, "%s/truth.json", set->folder);
    return nw_synth_chip_truth(&set->chip, set->shots, set->n, path, err);
}

enum nw_status nw_synth_calibration(const struct nw_rig *rig, const char *setup_name,
                                    enum nw_synth_set kind, const struct nw_synth_chip_opts *opts,
                                    const char *folder, size_t *ret_n, struct nw_err *err) {
    struct set *const set = nw_calloc(1, sizeof *set);
    const struct nw_setup *setup = NULL;
    bool is_made = false;
    if (!set) {
        return nw_err_set(err, NW_NOMEM, "a set of frames");
    }
    set->folder = folder;
    struct nw_synth_chip_opts own = *opts;
    const char **const inject = nw_calloc(opts->n_inject + 1, sizeof *inject);
    if (!inject) {
        free(set);
        return nw_err_set(err, NW_NOMEM, "a set of frames");
    }
    if (kind == NW_SYNTH_SET_DARKS) { /* the caller's own come later and count */
        inject[0] = "telegraph=0.001";
        for (size_t i = 0; i < opts->n_inject; i++) {
            inject[i + 1] = opts->inject[i];
        }
        own.inject = inject;
        own.n_inject = opts->n_inject + 1;
    }
    enum nw_status status = nw_rig_find_setup(rig, setup_name, &setup, err);
    if (status == NW_OK) {
        status = nw_synth_chip_init(rig, setup_name, &own, &set->chip, err);
    }
    if (status == NW_OK) {
        status = nw_synth_folder_open(folder, &is_made, err);
    }
    if (status == NW_OK) {
        if (kind == NW_SYNTH_SET_SENSOR) {
            plan_sensor(set);
        } else if (kind == NW_SYNTH_SET_DARKS) {
            plan_darks(set);
        } else {
            plan_panel(set, setup);
        }
        status = shoot_all(set, opts->n_threads, err);
        if (status != NW_OK) {
            clean(set, is_made);
        } else {
            *ret_n = set->n;
        }
    }
    nw_synth_chip_done(&set->chip);
    free((void *)inject);
    free(set);
    return status;
}
