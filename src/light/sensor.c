/* sensor.c - from a list of frames to what the camera is: which frames belong together, in which
 * order they are read, who looks at them.
 * Idea: frames of the commonest size and gain setting are sorted by kind, filter, temperature,
 * exposure and time; neighbours alike make pairs. Frames without light come first: the offset is
 * wanted before a flat can be scaled to its neighbour. Two frames are in memory at a time. */
#include "light/sensor_internal.h"

#include <math.h>
#include <stdarg.h>

#define PAIR_RATIO 1.25 /* flats of one pair: levels within this */

void sensor_value_set(struct nw_sensor_value *value, double v, double sigma) {
    *value = (struct nw_sensor_value){.v = v, .sigma = sigma};
}

void sensor_value_why(struct nw_sensor_value *value, const char *why) {
    *value = (struct nw_sensor_value){.v = NAN, .sigma = NAN};
    nw_text_copy(value->why_null, sizeof value->why_null, why);
}

void sensor_note(struct nw_sensor *out, const char *format, ...) {
    if (out->n_notes < NW_SENSOR_NOTES) {
        va_list args;
        va_start(args, format);
        (void)vsnprintf(out->notes[out->n_notes], sizeof out->notes[0], format, args);
        va_end(args);
        out->n_notes++;
    }
}

double sensor_site_mean(const double *values, size_t n_sites) {
    return nw_stat_mean(values, n_sites);
}

double sensor_temperature_K(const struct nw_sensor_frame *frame) {
    return isfinite(frame->facts.chip_temperature_K) ? frame->facts.chip_temperature_K
                                                     : frame->facts.set_temperature_K;
}

static bool same(double a, double b, double within) {
    return (!isfinite(a) && !isfinite(b)) || fabs(a - b) <= within;
}

/* ---- Which frames ---- */

static bool is_of_use(const struct nw_sensor_frame *f) {
    return f->use == NW_USE_BIAS || f->use == NW_USE_DARK || f->use == NW_USE_FLAT;
}

static bool is_alike(const struct nw_sensor_frame *a, const struct nw_sensor_frame *b) {
    return a->width_px == b->width_px && a->height_px == b->height_px &&
           same(a->facts.gain_setting, b->facts.gain_setting, 0.0) &&
           same(a->facts.offset_setting, b->facts.offset_setting, 0.0) &&
           same(a->facts.binning, b->facts.binning, 0.0);
}

static void take_commonest(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    size_t best = 0;
    size_t best_n = 0;
    for (size_t i = 0; i < work->n; i++) {
        size_t n = 0;
        for (size_t k = 0; k < work->n; k++) {
            n += is_of_use(&work->frames[i]) && is_of_use(&work->frames[k]) &&
                 is_alike(&work->frames[i], &work->frames[k]);
        }
        if (n > best_n) {
            best_n = n;
            best = i;
        }
    }
    const struct nw_sensor_frame *const model = &work->frames[best];
    size_t n_other = 0;
    for (size_t i = 0; i < work->n; i++) {
        const struct nw_sensor_frame *const f = &work->frames[i];
        work->is_taken[i] = best_n > 0 && is_of_use(f) && is_alike(f, model);
        work->t_s[i] = f->facts.t_start_utc_s;
        out->n_bias += work->is_taken[i] && f->use == NW_USE_BIAS;
        out->n_dark += work->is_taken[i] && f->use == NW_USE_DARK;
        out->n_flat += work->is_taken[i] && f->use == NW_USE_FLAT;
        out->n_left_out += !work->is_taken[i];
        n_other += !work->is_taken[i] && is_of_use(f);
    }
    out->width_px = model->width_px;
    out->height_px = model->height_px;
    out->gain_setting = model->facts.gain_setting;
    out->offset_setting = model->facts.offset_setting;
    if (n_other > 0) {
        sensor_note(out,
                    "%zu frames of another size, binning, gain or offset setting are left out: "
                    "one setting at a time",
                    n_other);
    }
}

static void choose_pattern(struct sensor_work *work, const struct nw_sensor_opts *opts) {
    struct nw_sensor *const out = work->out;
    const char *pattern = opts ? opts->pattern : NULL;
    for (size_t i = 0; i < work->n && !pattern; i++) {
        pattern = work->is_taken[i] && work->frames[i].facts.bayer[0] ? work->frames[i].facts.bayer
                                                                      : NULL;
    }
    nw_text_copy(out->pattern, sizeof out->pattern, pattern ? pattern : "");
    out->n_sites = out->pattern[0] ? NW_SENSOR_SITES : 1;
}

/* ---- In which order ---- */

static int compare_numbers(double a, double b) {
    return isfinite(a) && isfinite(b) ? (a > b) - (a < b) : isfinite(b) - isfinite(a);
}

/* No light first, then as one would lay them side by side. */
static int compare_frames(const struct sensor_work *work, size_t a, size_t b) {
    static const int RANK[] = {[NW_USE_LIGHT] = 3,
                               [NW_USE_BIAS] = 0,
                               [NW_USE_DARK] = 1,
                               [NW_USE_FLAT] = 2,
                               [NW_USE_OTHER] = 3};
    const struct nw_sensor_frame *const fa = &work->frames[a];
    const struct nw_sensor_frame *const fb = &work->frames[b];
    int order = RANK[fa->use] - RANK[fb->use];
    if (order == 0 && fa->use == NW_USE_FLAT) {
        order = strcmp(fa->facts.filter, fb->facts.filter);
    }
    if (order == 0 && fa->use == NW_USE_DARK) {
        order = compare_numbers(round(sensor_temperature_K(fa)), round(sensor_temperature_K(fb)));
    }
    order = order ? order : compare_numbers(fa->facts.exposure_s, fb->facts.exposure_s);
    order = order ? order : compare_numbers(work->t_s[a], work->t_s[b]);
    return order ? order : (a > b) - (a < b);
}

static size_t sort_frames(const struct sensor_work *work, size_t *order) {
    size_t n = 0;
    for (size_t i = 0; i < work->n; i++) {
        if (work->is_taken[i]) {
            size_t k = n++;
            for (; k > 0 && compare_frames(work, i, order[k - 1]) < 0; k--) {
                order[k] = order[k - 1];
            }
            order[k] = i;
        }
    }
    return n;
}

static bool is_pair(const struct sensor_work *work, size_t a, size_t b) {
    const struct nw_sensor_frame *const fa = &work->frames[a];
    const struct nw_sensor_frame *const fb = &work->frames[b];
    return fa->use == fb->use &&
           (fa->use == NW_USE_BIAS ||
            same(fa->facts.exposure_s, fb->facts.exposure_s, 1e-4 * fa->facts.exposure_s)) &&
           (fa->use != NW_USE_FLAT || strcmp(fa->facts.filter, fb->facts.filter) == 0) &&
           (fa->use != NW_USE_DARK ||
            same(sensor_temperature_K(fa), sensor_temperature_K(fb), 0.75));
}

/* ---- Temperatures of the darks ---- */

static void list_temperatures(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    size_t counts[NW_SENSOR_TEMPERATURES] = {0};
    for (size_t i = 0; i < work->n; i++) {
        if (!work->is_taken[i] || work->frames[i].use != NW_USE_DARK) {
            continue;
        }
        const double t = sensor_temperature_K(&work->frames[i]);
        size_t k = 0;
        while (k < out->n_darks && !same(out->darks[k].temperature_K, t, 0.75)) {
            k++;
        }
        if (k == out->n_darks && k < NW_SENSOR_TEMPERATURES) {
            for (; k > 0 && out->darks[k - 1].temperature_K > t; k--) {
                out->darks[k] = out->darks[k - 1];
                counts[k] = counts[k - 1];
            }
            out->darks[k] = (struct nw_sensor_dark){.temperature_K = t};
            counts[k] = 0;
            out->n_darks++;
        }
        if (k < NW_SENSOR_TEMPERATURES) {
            counts[k]++;
        }
    }
    for (size_t k = 1; k < out->n_darks; k++) {
        out->main_dark = counts[k] > counts[out->main_dark] ? k : out->main_dark;
    }
    out->temperature_K = out->n_darks ? out->darks[out->main_dark].temperature_K : NAN;
}

static double longest_main_dark_s(const struct sensor_work *work) {
    double longest_s = NAN;
    for (size_t i = 0; i < work->n; i++) {
        if (work->is_taken[i] && work->frames[i].use == NW_USE_DARK &&
            same(sensor_temperature_K(&work->frames[i]), work->out->temperature_K, 0.75)) {
            longest_s = fmax(longest_s, work->frames[i].facts.exposure_s);
        }
    }
    return longest_s;
}

/* ---- Reading ---- */

static void note_levels(struct sensor_work *work, struct sensor_pair *pair) {
    for (size_t s = 0; s < pair->n_sites; s++) {
        work->level_adu[pair->a][s] = pair->mean[0][s];
        if (pair->b != pair->a) {
            work->level_adu[pair->b][s] = pair->mean[1][s];
        }
    }
    if (pair->b != pair->a && !(pair->ratio[0] < PAIR_RATIO && pair->ratio[0] > 1.0 / PAIR_RATIO)) {
        sensor_note(work->out,
                    "%s and %s: alike by their headers, but levels differ %.2f times: "
                    "not used as a pair",
                    work->frames[pair->a].path, work->frames[pair->b].path, pair->ratio[0]);
        pair->b = pair->a;
    }
}

static void look_closer(struct sensor_work *work, const struct sensor_pair *pair,
                        const struct nw_frame *a, const struct nw_frame *b) {
    const struct nw_sensor_frame *const f = &work->frames[pair->a];
    struct nw_sensor *const out = work->out;
    if (pair->a == pair->b) {
        return;
    }
    const bool is_without_light =
        f->use == NW_USE_BIAS || (f->use == NW_USE_DARK && out->n_bias < 2);
    if (is_without_light && !isfinite(out->row_noise_e.v)) {
        sensor_find_pattern(work, a, b);
    }
    if (f->use == NW_USE_DARK && !isfinite(out->hot_pixels.v) &&
        same(sensor_temperature_K(f), out->temperature_K, 0.75) &&
        same(f->facts.exposure_s, longest_main_dark_s(work), 1e-3)) {
        sensor_find_hot(work, pair, a, b);
    }
}

static enum nw_status check_size(const struct sensor_work *work, size_t i,
                                 const struct nw_frame *frame, struct nw_err *err) {
    if (frame->n_planes != 1) {
        return nw_err_set(err, NW_DATA, "%s: %zu planes; expected a raw frame of one",
                          work->frames[i].path, frame->n_planes);
    }
    return frame->width_px == work->out->width_px && frame->height_px == work->out->height_px
               ? NW_OK
               : nw_err_set(err, NW_DATA, "%s: %zu x %zu px, its header said %zu x %zu",
                            work->frames[i].path, frame->width_px, frame->height_px,
                            work->out->width_px, work->out->height_px);
}

static enum nw_status read_pair(struct sensor_work *work, size_t a, size_t b, struct nw_err *err) {
    struct nw_frame *frames[2] = {NULL, NULL};
    struct sensor_pair pair = {.a = a, .b = b};
    enum nw_status status = nw_grow((void **)&work->pairs, &work->cap_pairs, work->n_pairs + 1,
                                    sizeof *work->pairs, 100000, err);
    for (size_t k = 0; k < (a == b ? 1U : 2U) && status == NW_OK; k++) {
        status = work->source->read(work->source->user, k ? b : a, &frames[k], err);
        if (status == NW_OK) {
            status = check_size(work, k ? b : a, frames[k], err);
        }
    }
    if (status == NW_OK) {
        status = sensor_pair_measure(work, frames[0], frames[1], work->frames[a].use == NW_USE_FLAT,
                                     &pair, err);
    }
    if (status == NW_OK) {
        note_levels(work, &pair);
        look_closer(work, &pair, frames[0], frames[1]);
        work->pairs[work->n_pairs++] = pair;
        work->n_done += a == b ? 1 : 2;
        const struct nw_progress *const progress = work->source->progress;
        if (progress && !progress->tell(progress->user, work->n_done, work->n_total)) {
            status = nw_err_set(err, NW_DATA, "stopped");
        }
    }
    nw_frame_free(frames[0]);
    nw_frame_free(frames[1]);
    return status;
}

static enum nw_status read_all(struct sensor_work *work, const size_t *order, size_t n,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    bool has_offset = false;
    work->n_total = n;
    for (size_t k = 0; k < n && status == NW_OK;) {
        if (!has_offset && work->frames[order[k]].use == NW_USE_FLAT) {
            sensor_find_bias(work);
            has_offset = true;
        }
        const bool has_partner = k + 1 < n && is_pair(work, order[k], order[k + 1]);
        status = read_pair(work, order[k], order[k + (has_partner ? 1 : 0)], err);
        k += has_partner ? 2 : 1;
    }
    if (status == NW_OK && !has_offset) {
        sensor_find_bias(work);
    }
    return status;
}

/* ---- The whole ---- */

static void begin(struct nw_sensor *out) {
    *out = (struct nw_sensor){.brightest_e = NAN,
                              .bend_per_adu = NAN,
                              .bend_sigma_per_adu = NAN,
                              .hot_above_e_s = NAN,
                              .temperature_K = NAN};
    sensor_value_why(&out->hot_pixels, "needs two darks of one exposure: one alone cannot tell hot "
                                       "pixels from particle hits");
    struct nw_sensor_value *const pattern[] = {&out->row_noise_e,      &out->column_noise_e,
                                               &out->fixed_rows_e,     &out->fixed_columns_e,
                                               &out->band_amplitude_e, &out->band_period_px};
    for (size_t i = 0; i < sizeof pattern / sizeof pattern[0]; i++) {
        sensor_value_why(pattern[i], "needs two biases");
    }
}

static void conclude(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    sensor_find_ceiling(work);
    sensor_find_gain(work);
    sensor_find_linearity(work);
    sensor_find_full_scale(work);
    sensor_find_prnu(work);
    sensor_find_dark(work);
    sensor_pattern_in_electrons(out);
    sensor_find_contradictions(work);
}

enum nw_status nw_sensor_analyse(const struct nw_sensor_frame *frames, size_t n,
                                 const struct nw_sensor_source *source,
                                 const struct nw_sensor_opts *opts, struct nw_sensor *ret,
                                 struct nw_err *err) {
    struct nw_sensor *const out = nw_calloc(1, sizeof *out);
    size_t *const order = nw_calloc(n ? n : 1, sizeof *order);
    struct sensor_work work = {.frames = frames,
                               .n = n,
                               .source = source,
                               .out = out,
                               .n_threads = opts ? opts->n_threads : 0,
                               .is_taken = nw_calloc(n ? n : 1, sizeof(bool)),
                               .is_clipped = nw_calloc(n ? n : 1, sizeof(bool)),
                               .t_s = nw_calloc(n ? n : 1, sizeof(double)),
                               .level_adu = nw_calloc(n ? n : 1, sizeof *work.level_adu)};
    enum nw_status status = NW_OK;
    if (!out || !order || !work.is_taken || !work.is_clipped || !work.t_s || !work.level_adu) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", n);
        goto done;
    }
    for (size_t i = 0; i < n * NW_SENSOR_SITES; i++) {
        work.level_adu[i / NW_SENSOR_SITES][i % NW_SENSOR_SITES] = NAN;
    }
    begin(out);
    take_commonest(&work);
    choose_pattern(&work, opts);
    list_temperatures(&work);
    if (out->n_bias < 2 && out->n_dark < 2 && out->n_flat < 2) {
        status = nw_err_set(err, NW_DATA,
                            "%zu bias, %zu dark, %zu flat frames of one size and setting; expected "
                            "two of a kind at least, best two biases and two flats",
                            out->n_bias, out->n_dark, out->n_flat);
        goto done;
    }
    if (out->width_px < 16 || out->height_px < 16) {
        status = nw_err_set(err, NW_DATA, "frames of %zu x %zu px; expected 16 x 16 at least",
                            out->width_px, out->height_px);
        goto done;
    }
    status = read_all(&work, order, sort_frames(&work, order), err);
    if (status == NW_OK) {
        conclude(&work);
        status = sensor_find_telegraph(&work, err);
    }
    if (status == NW_OK) {
        *ret = *out;
    }
done:
    for (size_t i = 0; i < work.n_pairs; i++) {
        sensor_pair_done(&work.pairs[i]);
    }
    free(work.pairs);
    free(work.is_taken);
    free(work.is_clipped);
    free(work.t_s);
    free(work.level_adu);
    free(order);
    free(out);
    return status;
}
