/* sensor_says.c - what headers and frames say against each other; pixels that differ in response.
 */
#include "light/sensor_internal.h"

#include <math.h>

#define CONTRADICTS_SIGMAS 4.0
#define CONTRADICTS_SHARE 0.05

static void against(struct sensor_work *work, const char *what, double header,
                    const struct nw_sensor_value *measured, const char *unit) {
    const double off = fabs(header - measured->v);
    if (header > 0.0 && isfinite(measured->v) && off > CONTRADICTS_SHARE * measured->v &&
        off > CONTRADICTS_SIGMAS * measured->sigma) {
        sensor_note(work->out, "the headers say %s %.4g %s, the frames say %.4g +- %.2g", what,
                    header, unit, measured->v, measured->sigma);
    }
}

static void against_level(struct sensor_work *work, size_t i) {
    struct nw_sensor *const out = work->out;
    const struct nw_sensor_frame *const f = &work->frames[i];
    const double level = sensor_site_mean(work->level_adu[i], out->n_sites) -
                         sensor_site_mean(work->offset_adu, out->n_sites);
    const double noise = sqrt(sensor_site_mean(work->total_var, out->n_sites));
    if (f->use == NW_USE_FLAT && level < 5.0 * noise) {
        sensor_note(out, "%s: called a flat, but there is no light in it (%.1f adu)", f->path,
                    level);
    }
    if (f->use == NW_USE_BIAS && f->facts.exposure_s > 1.0) {
        sensor_note(out, "%s: called a bias, but exposed for %g s", f->path, f->facts.exposure_s);
    }
    if (f->use == NW_USE_DARK && out->n_darks > 0 && level > 50.0 * noise) {
        sensor_note(out,
                    "%s: called a dark, but its level is %.0f adu above the biases: light, or "
                    "a warm chip",
                    f->path, level);
    }
    if (fabs(f->facts.chip_temperature_K - f->facts.set_temperature_K) > 1.0) {
        sensor_note(out, "%s: the chip is %.1f K off the temperature that was set", f->path,
                    f->facts.chip_temperature_K - f->facts.set_temperature_K);
    }
}

void sensor_find_contradictions(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    const struct nw_sensor_frame *first = NULL;
    for (size_t i = 0; i < work->n; i++) {
        if (work->is_taken[i] && isfinite(work->level_adu[i][0])) {
            first = first ? first : &work->frames[i];
            against_level(work, i);
        }
    }
    if (!first) {
        return;
    }
    against(work, "a gain of", first->facts.gain_e_per_adu, &out->gain_e_per_adu, "e/adu");
    against(work, "a read noise of", first->facts.read_noise_e, &out->read_noise_e, "e");
    struct nw_sensor_value top = out->full_scale_adu;
    top.v += out->offset_adu.v;
    against(work, "saturation at", first->facts.saturation_adu, &top, "adu");
    if (first->facts.exposure_s < 0.0) {
        sensor_note(out, "%s: an exposure of %g s", first->path, first->facts.exposure_s);
    }
}

/* From neighbours of F1 + r F2 of the brightest pair below the ceiling, its noise taken off; the
 * noise of r F2 is that of the difference (EMVA 1288 R3.1 sec. 8, without its high-pass filter). */
void sensor_find_prnu(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    const struct sensor_pair *best = NULL;
    double best_m = 0.0;
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        const double m = p->mean[0][0] - work->offset_adu[0];
        if (work->frames[p->a].use == NW_USE_FLAT && p->a != p->b && !work->is_clipped[p->a] &&
            !work->is_clipped[p->b] && m > best_m) {
            best_m = m;
            best = p;
        }
    }
    sensor_value_why(&out->prnu_percent, "needs two flats below saturation");
    if (!best) {
        return;
    }
    double sum = 0.0;
    double sum2 = 0.0;
    double n = 0.0;
    for (size_t t = 0; t < best->n_tiles * best->n_sites; t++) {
        const size_t s = t % best->n_sites;
        const struct sensor_tile *const tile = &best->tiles[t];
        const double light = 2.0 * (tile->mean[0] - work->offset_adu[s]);
        const double share = (tile->var_space - tile->var_total) / (light * light);
        if (isfinite(share)) {
            sum += share;
            sum2 += share * share;
            n += 1.0;
        }
    }
    if (n < 2.0) {
        return;
    }
    const double share = sum / n;
    const double sigma = sqrt(fmax(0.0, sum2 - sum * sum / n) / (n - 1.0) / n);
    const double prnu = sqrt(fmax(0.0, share));
    sensor_value_set(&out->prnu_percent, 100.0 * prnu,
                     100.0 * (share > sigma ? 0.5 * sigma / prnu : sqrt(sigma)));
}
