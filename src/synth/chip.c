/* chip.c - a chip in front of a lamp: pixels that differ, dark current, wells, a converter.
 * Idea: electrons of light S with Poisson's noise, dark electrons likewise, wells that clip each
 * pixel at its own depth, read noise, a response y = S (1 - b S / full), whole rows and columns, an
 * offset that wanders, rounding and clipping by the converter. Each frame has its own random
 * stream, each pixel's properties come from the seed. */
#include "image/image.h"
#include "synth/chip_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

#define DARK_AT_K (NW_ZERO_CELSIUS_K - 10.0) /* where the rig's dark current holds */

static const struct nw_synth_chip_fault FAULTS[] = {
#define X(name, low, high, usual, meaning) {#name, low, high, usual, meaning},
    CHIP_FAULTS(X)
#undef X
};
enum { N_FAULTS = sizeof FAULTS / sizeof FAULTS[0] };

bool nw_synth_chip_fault_at(size_t i, struct nw_synth_chip_fault *ret) {
    if (i < N_FAULTS) {
        *ret = FAULTS[i];
    }
    return i < N_FAULTS;
}

static double *fault_place(struct chip_faults *f, size_t i) {
    double *const places[] = {
#define X(name, low, high, usual, meaning) &f->name,
        CHIP_FAULTS(X)
#undef X
    };
    return places[i];
}

static enum nw_status read_faults(const struct nw_synth_chip_opts *opts, struct chip_faults *f,
                                  struct nw_err *err) {
    const char *names[N_FAULTS];
    for (size_t i = 0; i < N_FAULTS; i++) {
        names[i] = FAULTS[i].name;
        *fault_place(f, i) = FAULTS[i].usual;
    }
    for (size_t k = 0; k < opts->n_inject; k++) {
        const char *const text = opts->inject[k];
        const char *const equals = strchr(text, '=');
        char word[32] = "";
        double value = NAN;
        size_t i = 0;
        if (!equals || !nw_text_to_double(equals + 1, &value)) {
            return nw_err_set(err, NW_USAGE,
                              "--inject \"%s\": expected NAME=NUMBER, such as "
                              "flicker=0.01",
                              text);
        }
        (void)snprintf(word, sizeof word, "%.*s", (int)(equals - text), text);
        while (i < N_FAULTS && strcmp(names[i], word) != 0) {
            i++;
        }
        if (i == N_FAULTS) {
            const char *const near = nw_text_nearest(word, names, N_FAULTS);
            return nw_err_set(err, NW_NOTFOUND,
                              "--inject: nothing is called \"%s\" in a set of "
                              "calibration frames%s%s%s",
                              word, near ? " (nearest: " : "", near ? near : "", near ? ")" : "");
        }
        if (!(value >= FAULTS[i].low && value <= FAULTS[i].high)) {
            return nw_err_set(err, NW_DOMAIN, "--inject %s=%g: outside %g to %g", word, value,
                              FAULTS[i].low, FAULTS[i].high);
        }
        *fault_place(f, i) = value;
    }
    return NW_OK;
}

static gsl_rng *stream(uint64_t seed, uint64_t which) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (rng) {
        gsl_rng_set(rng,
                    (unsigned long)((seed * 2654435761u + which * 40503u + 17u) & 0x7fffffffu));
    }
    return rng;
}

static void draw_pixels(struct chip *chip, gsl_rng *rng) {
    const struct synth_camera *const c = &chip->camera;
    const size_t n = c->width_px * c->height_px;
    for (size_t i = 0; i < n; i++) {
        chip->response[i] = (float)(1.0 + gsl_ran_gaussian_ziggurat(rng, chip->f.prnu));
        chip->dark[i] = (float)(c->dark_e_s * gsl_ran_gaussian_ziggurat(rng, 0.1));
        chip->well[i] =
            (float)(c->full_scale_e * chip->f.well * (1.0 + gsl_ran_gaussian_ziggurat(rng, 0.005)));
        if (gsl_rng_uniform(rng) < chip->f.hot) {
            chip->dark[i] += (float)(0.05 + gsl_ran_exponential(rng, 0.5));
            chip->n_hot++;
        }
    }
    for (size_t x = 0; x < c->width_px; x++) {
        chip->columns[x] = (float)gsl_ran_gaussian_ziggurat(rng, chip->f.columns);
    }
}

static double poisson_like(gsl_rng *rng, double mean, double kept) {
    if (!(mean > 0.0)) {
        return 0.0;
    }
    return mean < 50.0 ? (double)gsl_ran_poisson(rng, mean)
                       : mean + gsl_ran_gaussian_ziggurat(rng, sqrt(mean * kept));
}

/* From a stream of their own: all else stays as it is without them. */
static enum nw_status draw_switches(struct chip *chip, struct nw_err *err) {
    if (!(chip->f.telegraph > 0.0)) {
        return NW_OK;
    }
    const size_t n = chip->camera.width_px * chip->camera.height_px;
    gsl_rng *const rng = stream(chip->seed, 900001);
    const size_t room = (size_t)(2.0 * chip->f.telegraph * (double)n) + 100;
    chip->switches = nw_calloc(room, sizeof *chip->switches);
    for (size_t i = 0; rng && chip->switches && i < n && chip->n_switches < room; i++) {
        if (gsl_rng_uniform(rng) < chip->f.telegraph) {
            chip->switches[chip->n_switches++] = (struct chip_switch){
                .at = i,
                .step_e_s = chip->f.step / 300.0 * (0.5 + gsl_rng_uniform(rng)),
                .share_up = 0.25 + 0.5 * gsl_rng_uniform(rng),
            };
        }
    }
    if (rng) {
        gsl_rng_free(rng);
    }
    return rng && chip->switches ? NW_OK
                                 : nw_err_set(err, NW_NOMEM, "%zu pixels that switch", room);
}

/* Adds what the pixels that are up have more; one in twenty switches within the exposure. */
static enum nw_status add_switches(const struct chip *chip, const struct chip_shot *shot,
                                   size_t index, uint16_t *counts, struct nw_err *err) {
    if (chip->n_switches == 0 || strcmp(shot->type, "DARK") != 0) {
        return NW_OK;
    }
    gsl_rng *const rng = stream(chip->seed, 910000 + index);
    const struct synth_camera *const c = &chip->camera;
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "%zu pixels that switch", chip->n_switches);
    }
    for (size_t k = 0; k < chip->n_switches; k++) {
        const struct chip_switch *const s = &chip->switches[k];
        const double up = gsl_rng_uniform(rng) < s->share_up ? 1.0 : 0.0;
        const double share = gsl_rng_uniform(rng) < 0.05 ? gsl_rng_uniform(rng) : up;
        const double e = poisson_like(rng, share * s->step_e_s * shot->exposure_s, 1.0);
        counts[s->at] = (uint16_t)fmin(c->max_adu, (double)counts[s->at] + round(e / c->gain_e));
    }
    gsl_rng_free(rng);
    return NW_OK;
}

static void draw_dust(struct chip *chip, const struct nw_setup *setup, gsl_rng *rng) {
    const double f_ratio = setup->focal_length_m.v / setup->telescope.aperture_m.v;
    static const struct {
        double distance_m, depth;
        int filter, life;
        bool does_turn;
    } MOTES[CHIP_DUST] = {{2.5e-3, 0.06, -1, 0, false}, {4.0e-3, 0.05, -1, 1, false},
                          {2.0e-3, 0.08, -1, 2, false}, {18e-3, 0.04, 0, 0, false},
                          {6.0e-3, 0.05, -1, 0, true},  {3.0e-3, 0.05, -1, 0, false}};
    const double w = (double)chip->camera.width_px;
    const double h = (double)chip->camera.height_px;
    chip->n_dust = isfinite(f_ratio) && f_ratio > 0.0 ? CHIP_DUST : 0;
    for (size_t i = 0; i < chip->n_dust; i++) { /* in cells of their own: shadows stay apart */
        const size_t row = i / 3;
        chip->dust[i] = (struct chip_dust){
            .x_px = w * ((double)(i % 3) - 1.0 + 0.15 * (gsl_rng_uniform(rng) - 0.5)) * 0.26,
            .y_px = h * ((double)row - 0.5 + 0.15 * (gsl_rng_uniform(rng) - 0.5)) * 0.42,
            .diameter_px = MOTES[i].distance_m / f_ratio / chip->camera.pixel_m,
            .depth = fmin(0.9, MOTES[i].depth * chip->f.dust),
            .distance_m = MOTES[i].distance_m,
            .filter = MOTES[i].filter,
            .life = MOTES[i].life,
            .does_turn = MOTES[i].does_turn,
        };
    }
}

static void take_camera(const struct nw_setup *setup, const struct nw_synth_chip_opts *opts,
                        struct synth_camera *c) {
    const struct nw_camera *const from = &setup->camera;
    c->pixel_m = from->pixel_m.v;
    c->binning = 1.0;
    c->width_px =
        opts->width_px && opts->width_px < from->width_px ? opts->width_px : from->width_px;
    c->height_px =
        opts->height_px && opts->height_px < from->height_px ? opts->height_px : from->height_px;
    nw_text_copy(c->pattern, sizeof c->pattern, from->pattern);
    c->gain_e = from->gain_e_per_adu.v;
    c->read_noise_e = from->read_noise_e.v;
    c->offset_adu = from->offset_adu.v;
    c->dark_e_s = from->dark_e_per_s.v;
    c->max_adu = fmin(65535.0, exp2(from->bits.v) - 1.0);
    c->full_scale_e = from->full_scale_e.v;
}

enum nw_status nw_synth_chip_init(const struct nw_rig *rig, const char *setup_name,
                                  const struct nw_synth_chip_opts *opts, struct chip *ret,
                                  struct nw_err *err) {
    const struct nw_setup *setup = NULL;
    struct chip chip = {.seed = opts->seed};
    enum nw_status status = nw_rig_find_setup(rig, setup_name, &setup, err);
    if (status == NW_OK) {
        status = read_faults(opts, &chip.f, err);
    }
    if (status != NW_OK) {
        return status;
    }
    take_camera(setup, opts, &chip.camera);
    const size_t n = chip.camera.width_px * chip.camera.height_px;
    chip.response = nw_big_alloc(n * sizeof(float));
    chip.dark = nw_big_alloc(n * sizeof(float));
    chip.well = nw_big_alloc(n * sizeof(float));
    chip.columns = nw_calloc(chip.camera.width_px, sizeof(float));
    gsl_rng *const rng = stream(opts->seed, 0);
    if (!chip.response || !chip.dark || !chip.well || !chip.columns || !rng) {
        status = nw_err_set(err, NW_NOMEM, "a chip of %zu pixels", n);
        nw_synth_chip_done(&chip);
    } else {
        draw_pixels(&chip, rng);
        draw_dust(&chip, setup, rng);
        status = draw_switches(&chip, err);
        if (status == NW_OK) {
            *ret = chip;
        } else {
            nw_synth_chip_done(&chip);
        }
    }
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}

void nw_synth_chip_done(struct chip *chip) {
    nw_big_free(chip->response);
    nw_big_free(chip->dark);
    nw_big_free(chip->well);
    free(chip->columns);
    free(chip->switches);
    *chip = (struct chip){.seed = 0};
}

double nw_synth_chip_dark_e_s(const struct chip *chip, double temperature_K) {
    return chip->camera.dark_e_s * exp2((temperature_K - DARK_AT_K) / chip->f.doubling);
}

/* Share of the light that all dust lets through at a place. Shadows are discs with soft rims. */
static double through_dust(const struct chip *chip, const struct chip_shot *shot, double x,
                           double y) {
    double share = 1.0;
    for (size_t i = 0; i < chip->n_dust && isfinite(shot->setting); i++) {
        const struct chip_dust *const d = &chip->dust[i];
        if ((d->filter >= 0 && d->filter != shot->filter_index) ||
            (d->life == 1 && shot->is_then) || (d->life == 2 && !shot->is_then)) {
            continue;
        }
        const double turn = d->does_turn && isfinite(shot->angle_rad) ? -shot->angle_rad : 0.0;
        const double cx = d->x_px * cos(turn) - d->y_px * sin(turn);
        const double cy = d->x_px * sin(turn) + d->y_px * cos(turn);
        const double r = hypot(x - cx, y - cy);
        const double soft = 1.0 + 0.03 * d->diameter_px;
        share *= 1.0 - d->depth / (1.0 + exp((r - 0.5 * d->diameter_px) / soft));
    }
    return share;
}

/* Colours of a pattern answer differently to the lamp. */
static double colour_share(const struct chip *chip, size_t x, size_t y) {
    if (!chip->camera.pattern[0]) {
        return 1.0;
    }
    const char letter = chip->camera.pattern[(y % 2) * 2 + x % 2];
    return letter == 'G' ? 1.0 : letter == 'R' ? 0.6 : 0.5;
}

static void expose(const struct chip *chip, const struct chip_shot *shot, gsl_rng *rng,
                   uint16_t *counts) {
    const struct synth_camera *const c = &chip->camera;
    const double half = 0.5 * hypot((double)c->width_px, (double)c->height_px);
    const double light_e = shot->rate_e_s > 0.0
                               ? shot->rate_e_s * shot->lamp * (shot->exposure_s + chip->f.shutter)
                               : 0.0;
    const double dark_e = nw_synth_chip_dark_e_s(chip, shot->temperature_K) * shot->exposure_s;
    const double warm = nw_synth_chip_dark_e_s(chip, shot->temperature_K) / c->dark_e_s;
    const double phase = 2.0 * NW_PI * gsl_rng_uniform(rng);
    for (size_t y = 0; y < c->height_px; y++) {
        const double dy = (double)y - 0.5 * ((double)c->height_px - 1.0);
        const double row_e = gsl_ran_gaussian_ziggurat(rng, chip->f.rows) +
                             chip->f.band * sin(2.0 * NW_PI * (double)y / 11.3 + phase) +
                             shot->wander_e - (chip->f.clamp > 0.5 ? dark_e : 0.0);
        for (size_t x = 0; x < c->width_px; x++) {
            const size_t i = y * c->width_px + x;
            const double dx = (double)x - 0.5 * ((double)c->width_px - 1.0);
            double mean = 0.0;
            if (light_e > 0.0) {
                const double r2 = (dx * dx + dy * dy) / (half * half);
                mean = light_e * (1.0 - chip->f.vignetting * r2) * (double)chip->response[i] *
                       colour_share(chip, x, y) * through_dust(chip, shot, dx, dy);
            }
            const double kept = 1.0 - chip->f.sharing * fmin(1.0, mean / c->full_scale_e);
            const double charge = dark_e + (double)chip->dark[i] * warm * shot->exposure_s;
            double e = poisson_like(rng, mean, kept) + poisson_like(rng, charge, 1.0);
            e = fmin(e, (double)chip->well[i]);
            e *= 1.0 - chip->f.nonlinearity * e / c->full_scale_e;
            e += gsl_ran_gaussian_ziggurat(rng, c->read_noise_e) + row_e + (double)chip->columns[x];
            const double adu = round(e / c->gain_e + c->offset_adu);
            counts[i] = (uint16_t)fmax(0.0, fmin(adu, c->max_adu));
        }
    }
}

/* ---- Files ---- */

struct cards {
    struct nw_card items[24];
    size_t n;
};

static void card(struct cards *cards, const char *key, const char *value, bool is_text) {
    struct nw_card *const c = &cards->items[cards->n++];
    *c = (struct nw_card){.is_text = is_text};
    nw_text_copy(c->key, sizeof c->key, key);
    nw_text_copy(c->value, sizeof c->value, value);
}

static void card_number(struct cards *cards, const char *key, double value, int decimals) {
    char text[40];
    if (isfinite(value)) {
        (void)snprintf(text, sizeof text, "%.*f", decimals, value);
        card(cards, key, text, false);
    }
}

static void fill_cards(const struct chip *chip, const struct chip_shot *shot, struct cards *cards) {
    char time[40];
    nw_time_write_iso(1781600000.0 + shot->t_s, 3, time, sizeof time);
    time[strlen(time) - 1] = '\0'; /* FITS 4.0, sec. 9.1.1: no zone letter */
    card(cards, "IMAGETYP", shot->type, true);
    card(cards, "DATE-OBS", time, true);
    card_number(cards, "EXPTIME", shot->exposure_s, 5);
    card_number(cards, "GAIN", 100.0, 0);
    card_number(cards, "OFFSET", round(chip->camera.offset_adu / 10.0), 0);
    card_number(cards, "EGAIN", chip->camera.gain_e, 5);
    card_number(cards, "SET-TEMP", shot->temperature_K - NW_ZERO_CELSIUS_K, 2);
    card_number(cards, "CCD-TEMP", shot->temperature_K - NW_ZERO_CELSIUS_K, 2);
    card_number(cards, "XPIXSZ", chip->camera.pixel_m * 1e6, 3);
    card_number(cards, "XBINNING", 1.0, 0);
    if (chip->camera.pattern[0]) {
        card(cards, "BAYERPAT", chip->camera.pattern, true);
    }
    if (shot->filter) {
        card(cards, "FILTER", shot->filter, true);
    }
    card_number(cards, "PANELSET", shot->setting, 1);
    card_number(cards, "ROTATANG", shot->angle_rad * NW_DEG_PER_RAD, 2);
    card(cards, "SWCREATE", "nightwright synth", true);
}

enum nw_status nw_synth_chip_shoot(const struct chip *chip, size_t index, struct chip_shot *shot,
                                   const char *folder, struct nw_err *err) {
    const size_t n = chip->camera.width_px * chip->camera.height_px;
    uint16_t *const counts = nw_big_alloc(n * sizeof *counts);
    gsl_rng *const rng = stream(chip->seed, index + 1);
    struct cards cards = {.n = 0};
    enum nw_status status = NW_OK;
    if (!counts || !rng) {
        status = nw_err_set(err, NW_NOMEM, "frame of %zu pixels", n);
    } else {
        char path[4096];
        shot->lamp = (1.0 + chip->f.drift * (shot->t_s - shot->session_s) / 3600.0) *
                     (1.0 + gsl_ran_gaussian(rng, chip->f.flicker));
        shot->wander_e = gsl_ran_gaussian(rng, chip->f.wander);
        expose(chip, shot, rng, counts);
        status = add_switches(chip, shot, index, counts, err);
        fill_cards(chip, shot, &cards);
        (void)snprintf(path, sizeof path, "%s/%s", folder, shot->name);
        const struct nw_frame_out out = {.px = counts,
                                         .bitpix = 16,
                                         .width_px = chip->camera.width_px,
                                         .height_px = chip->camera.height_px,
                                         .n_planes = 1,
                                         .cards = cards.items,
                                         .n_cards = cards.n};
        status = status == NW_OK ? nw_frame_write(path, &out, err) : status;
    }
    nw_big_free(counts);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}
