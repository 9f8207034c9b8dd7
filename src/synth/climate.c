/* climate.c - the shed as it truly is, and what its sensors write; see climate.h.
 * Idea: room water is one store, W = rho V + B phi, of which the air's share follows at once; so
 * what a warming wall gives off needs no formula. Three-second steps, each lag by its exponential.
 */
#include "synth/climate.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#define STEP_S 3.0
#define R_VAPOUR_J_KG_K 461.5
#define SIGMA_W_m2_K4 5.670374419e-8 /* CODATA 2018 */
#define WANDER_K 0.25
#define WANDER_S 3600.0
enum { MOST_SURFACES = 12 };

/* Sonntag 1990, Z. Meteorol. 70, 340 (REFERENCES MOI-03). */
static double saturation_Pa(double t_K) {
    return exp(-6096.9385 / t_K + 21.2409642 - 2.711193e-2 * t_K + 1.673952e-5 * t_K * t_K +
               2.433502 * log(t_K));
}

static double saturation_kg_m3(double t_K) {
    return saturation_Pa(t_K) / (R_VAPOUR_J_KG_K * t_K);
}

struct shed {
    const struct nw_rig *rig;
    const struct nw_synth_climate_opts *opts;
    struct nw_synth_climate_truth truth;
    double volume_m3, open_air_changes_per_s, room_heater_W;
    double cover_air_changes_per_s, cover_heater_W;
    double sky_share[MOST_SURFACES], exchange_W_m2_K[MOST_SURFACES];
    size_t n_surfaces;
    gsl_rng *rng;
    /* state */
    double wander_K, air_K, vapour_Pa, room_K, water_kg, cover_K, cover_kg_m3;
    double surface_K[MOST_SURFACES];
    bool is_open, is_covered, is_on;
};

/* A positive value drawn about what the rig says; never below a fifth of it. */
static double draw(gsl_rng *rng, const struct nw_val *val) {
    const double sigma = isfinite(val->sigma) ? val->sigma : 0.0;
    return fmax(0.2 * val->v, val->v + gsl_ran_gaussian(rng, 0.5 * sigma));
}

static void draw_truth(struct shed *shed) {
    const struct nw_room *const room = &shed->rig->damp.room;
    const struct nw_cover *const cover = &shed->rig->damp.cover;
    const struct nw_dryer *const dryer = &shed->rig->damp.dryer;
    gsl_rng *const rng = shed->rng;
    struct nw_synth_climate_truth *const t = &shed->truth;
    const double heat_J_m3_K = 1006.0 * shed->rig->site.pressure_Pa.v /
                               (287.05 * shed->rig->site.temperature_K.v); /* of air */
    shed->volume_m3 = room->volume_m3.v;
    t->air_changes_per_s = draw(rng, &room->air_changes_per_s);
    t->room_loss_W_K = room->area_m2.v / (draw(rng, &room->insulation_m2_K_W) + 0.17) +
                       heat_J_m3_K * shed->volume_m3 * t->air_changes_per_s;
    t->room_capacity_J_K = draw(rng, &room->heat_capacity_J_K);
    t->water_buffer_kg = draw(rng, &room->water_buffer_kg);
    shed->open_air_changes_per_s = draw(rng, &room->open_air_changes_per_s);
    shed->room_heater_W =
        isfinite(shed->opts->room_heater_W) ? shed->opts->room_heater_W : room->heater_W.v;
    t->dryer_kg_s = dryer->is_there ? dryer->power_W.v / draw(rng, &dryer->energy_J_kg) : 0.0;
    if (cover->is_there) {
        shed->cover_air_changes_per_s = draw(rng, &cover->air_changes_per_s);
        t->cover_loss_W_K = cover->area_m2.v / (draw(rng, &cover->insulation_m2_K_W) + 0.26) +
                            heat_J_m3_K * cover->volume_m3.v * shed->cover_air_changes_per_s;
        t->cover_capacity_J_K = draw(rng, &cover->heat_capacity_J_K);
        shed->cover_heater_W = cover->heater_W.v;
    }
    shed->n_surfaces =
        shed->rig->damp.n_surfaces < MOST_SURFACES ? shed->rig->damp.n_surfaces : MOST_SURFACES;
    for (size_t i = 0; i < shed->n_surfaces; i++) {
        shed->sky_share[i] = draw(rng, &shed->rig->damp.surfaces[i].sky_share);
        shed->exchange_W_m2_K[i] = 2.5 + 2.5 * gsl_rng_uniform(rng);
    }
}

/* ---- Weather -------------------------------------------------------------------------------- */

static void weather(struct shed *shed, double t_s, double step_s) {
    const struct nw_site *const site = &shed->rig->site;
    const double keep = exp(-step_s / WANDER_S);
    shed->wander_K =
        keep * shed->wander_K + gsl_ran_gaussian(shed->rng, WANDER_K * sqrt(1.0 - keep * keep));
    if (shed->opts->air_K) {
        shed->air_K = shed->opts->air_K(shed->opts->context, t_s);
    } else {
        const double middle_s = 0.5 * (shed->opts->begin_s + shed->opts->end_s);
        const double reach_s = 5.0 * 3600.0; /* it cools ever slower */
        shed->air_K = site->temperature_K.v +
                      site->temperature_rate_K_s.v * reach_s * tanh((t_s - middle_s) / reach_s);
        shed->air_K += shed->wander_K;
    }
    const double usual_Pa = site->relative_humidity.v * saturation_Pa(site->temperature_K.v);
    shed->vapour_Pa =
        fmin(usual_Pa * exp(0.03 * shed->wander_K / WANDER_K), 0.99 * saturation_Pa(shed->air_K));
}

/* ---- One step ------------------------------------------------------------------------------- */

static double room_kg_m3(const struct shed *shed) {
    return shed->water_kg /
           (shed->volume_m3 + shed->truth.water_buffer_kg / saturation_kg_m3(shed->room_K));
}

/* Exact for what stands still during the step. */
static double approach(double from, double to, double step_s, double time_s) {
    return to + (from - to) * exp(-step_s / time_s);
}

static void step_surfaces(struct shed *shed, double step_s) {
    const double e_hPa = shed->vapour_Pa / 100.0;
    const double sky_K = shed->air_K * pow(0.52 + 0.065 * sqrt(e_hPa), 0.25); /* Brunt 1932 */
    for (size_t i = 0; i < shed->n_surfaces; i++) {
        const struct nw_dew_surface *const s = &shed->rig->damp.surfaces[i];
        const double h = shed->exchange_W_m2_K[i];
        const double around_K = shed->is_covered ? shed->cover_K
                                : shed->is_open  ? shed->air_K
                                                 : shed->room_K;
        const double walls_K = shed->is_covered ? shed->cover_K : shed->room_K;
        const double share = shed->is_open && !shed->is_covered ? shed->sky_share[i] : 0.0;
        const double t4 = pow(shed->surface_K[i], 4.0);
        const double gain_W_m2 =
            h * (around_K - shed->surface_K[i]) +
            s->emissivity.v * SIGMA_W_m2_K4 *
                (share * pow(sky_K, 4.0) + (1.0 - share) * pow(walls_K, 4.0) - t4);
        shed->surface_K[i] += step_s * s->area_m2.v * gain_W_m2 / s->heat_capacity_J_K.v;
    }
}

static void step(struct shed *shed, double step_s) {
    const struct nw_synth_climate_truth *const t = &shed->truth;
    const double outside = shed->vapour_Pa / (R_VAPOUR_J_KG_K * shed->air_K);
    const double changes = shed->is_open ? shed->open_air_changes_per_s : t->air_changes_per_s;
    const double more_W_K = 1210.0 * shed->volume_m3 * (changes - t->air_changes_per_s);
    const double loss_W_K = t->room_loss_W_K + more_W_K;
    const double heater_W = !shed->is_open && shed->is_on ? shed->room_heater_W : 0.0;
    const double before = room_kg_m3(shed);
    shed->room_K = approach(shed->room_K, shed->air_K + heater_W / loss_W_K, step_s,
                            t->room_capacity_J_K / loss_W_K);
    const double dryer = !shed->is_open && shed->is_on ? t->dryer_kg_s : 0.0;
    shed->water_kg += step_s * (shed->volume_m3 * changes * (outside - before) - dryer);
    shed->water_kg = fmax(0.0, shed->water_kg);
    const double most = 0.995 * saturation_kg_m3(shed->room_K); /* the rest runs down the walls */
    if (room_kg_m3(shed) > most) {
        shed->water_kg *= most / room_kg_m3(shed);
    }
    if (shed->is_covered && t->cover_loss_W_K > 0.0) {
        const double rise_K = shed->is_on ? shed->cover_heater_W / t->cover_loss_W_K : 0.0;
        shed->cover_K = approach(shed->cover_K, shed->room_K + rise_K, step_s,
                                 t->cover_capacity_J_K / t->cover_loss_W_K);
        shed->cover_kg_m3 = approach(shed->cover_kg_m3, room_kg_m3(shed), step_s,
                                     1.0 / shed->cover_air_changes_per_s);
    } else {
        shed->cover_K = shed->room_K;
        shed->cover_kg_m3 = room_kg_m3(shed);
    }
    step_surfaces(shed, step_s);
}

/* ---- The log -------------------------------------------------------------------------------- */

static double noisy(struct shed *shed, double value, double sigma) {
    return value + gsl_ran_gaussian(shed->rng, sigma);
}

static double percent(struct shed *shed, double kg_m3, double t_K) {
    const double humidity = noisy(shed, kg_m3 / saturation_kg_m3(t_K), shed->opts->humidity_noise);
    return 100.0 * fmin(1.0, fmax(0.01, humidity));
}

static void write_head(const struct shed *shed, struct nw_buf *csv) {
    nw_buf_printf(csv, "# climate log of a simulated night; times UTC\n"
                       "time,temperature_c,humidity_percent,room_c,room_humidity_percent,");
    if (shed->truth.cover_loss_W_K > 0.0) {
        nw_buf_printf(csv, "cover_c,cover_humidity_percent,");
    }
    for (size_t i = 0; i < shed->n_surfaces; i++) {
        nw_buf_printf(csv, "%s_c,", shed->rig->damp.surfaces[i].name);
    }
    nw_buf_printf(csv, "roof_open,covered,heater_w,room_heater_w,dryer_on\n");
}

static void write_row(struct shed *shed, double t_s, struct nw_buf *csv) {
    const double noise_K = shed->opts->temperature_noise_K;
    const double zero = NW_ZERO_CELSIUS_K;
    const double outside = shed->vapour_Pa / (R_VAPOUR_J_KG_K * shed->air_K);
    char time[40];
    nw_time_write_iso(t_s, 0, time, sizeof time);
    nw_buf_printf(csv, "%s,%.2f,%.1f,%.2f,%.1f,", time, noisy(shed, shed->air_K - zero, noise_K),
                  percent(shed, outside, shed->air_K), noisy(shed, shed->room_K - zero, noise_K),
                  percent(shed, room_kg_m3(shed), shed->room_K));
    if (shed->truth.cover_loss_W_K > 0.0) {
        const double cover_C = noisy(shed, shed->cover_K - zero, noise_K);
        const double humidity = percent(shed, shed->cover_kg_m3, shed->cover_K);
        if (shed->is_covered) {
            nw_buf_printf(csv, "%.2f,%.1f,", cover_C, humidity);
        } else {
            nw_buf_printf(csv, ",,");
        }
    }
    for (size_t i = 0; i < shed->n_surfaces; i++) {
        nw_buf_printf(csv, "%.2f,", noisy(shed, shed->surface_K[i] - zero, noise_K));
    }
    const bool is_shut = !shed->is_open;
    nw_buf_printf(csv, "%d,%d,%.0f,%.0f,%d\n", shed->is_open, shed->is_covered,
                  shed->is_covered && shed->is_on ? shed->cover_heater_W : 0.0,
                  is_shut && shed->is_on ? shed->room_heater_W : 0.0,
                  is_shut && shed->is_on && shed->truth.dryer_kg_s > 0.0);
}

static void set_switches(struct shed *shed, double t_s) {
    const struct nw_synth_climate_opts *const o = shed->opts;
    shed->is_open = t_s >= o->open_s && t_s < o->close_s;
    shed->is_covered = t_s >= o->cover_s && shed->truth.cover_loss_W_K > 0.0;
    shed->is_on = o->switch_s > 0.0 && fmod((t_s - o->begin_s) / o->switch_s, 2.0) >= 1.0;
}

static void begin(struct shed *shed) {
    weather(shed, shed->opts->begin_s, 1e9);
    const double warmer_K = shed->rig->damp.room.warmer_at_sunset_K.v;
    shed->room_K = shed->cover_K = shed->air_K + warmer_K;
    const double kg_m3 = shed->vapour_Pa / (R_VAPOUR_J_KG_K * shed->air_K);
    shed->water_kg =
        kg_m3 * (shed->volume_m3 + shed->truth.water_buffer_kg / saturation_kg_m3(shed->room_K));
    shed->cover_kg_m3 = kg_m3;
    for (size_t i = 0; i < shed->n_surfaces; i++) {
        shed->surface_K[i] = shed->room_K;
    }
}

enum nw_status nw_synth_climate(const struct nw_rig *rig, const struct nw_synth_climate_opts *opts,
                                struct nw_buf *csv, struct nw_synth_climate_truth *ret,
                                struct nw_err *err) {
    struct shed shed = {.rig = rig, .opts = opts, .rng = gsl_rng_alloc(gsl_rng_mt19937)};
    if (!rig->damp.room.is_there) {
        gsl_rng_free(shed.rng);
        return nw_err_set(err, NW_DATA, "%s: no room is described", rig->name);
    }
    if (!shed.rng) {
        return nw_err_set(err, NW_NOMEM, "climate log");
    }
    gsl_rng_set(shed.rng, (unsigned long)(opts->seed * 2654435761u + 97u));
    draw_truth(&shed);
    begin(&shed);
    write_head(&shed, csv);
    double next_row_s = opts->begin_s;
    const size_t n_steps = (size_t)fmax(0.0, (opts->end_s - opts->begin_s) / STEP_S) + 1;
    for (size_t i = 0; i < n_steps; i++) {
        const double t_s = opts->begin_s + STEP_S * (double)i;
        set_switches(&shed, t_s);
        if (t_s >= next_row_s) {
            write_row(&shed, t_s, csv);
            next_row_s += opts->step_s;
        }
        step(&shed, STEP_S);
        weather(&shed, t_s + STEP_S, STEP_S);
    }
    gsl_rng_free(shed.rng);
    *ret = shed.truth;
    return NW_OK;
}
