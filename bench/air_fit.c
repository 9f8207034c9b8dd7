/* air_fit.c - do the 90 % intervals of the climate fit cover 90 %? `bench_air_fit RIG [LOGS]`: that
 * many simulated logs of 14 h of the rig's shed (default 400), room closed, heaters and dryer two
 * hours off, two hours on. Prints how often the truth lay inside, and the pull of the logarithm. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "air/fit.h"
#include "synth/climate.h"

enum { QUANTITIES = 7 };
static const char *const NAMES[QUANTITIES] = {"room loss",     "room capacity", "air changes",
                                              "water buffer",  "dryer",         "cover loss",
                                              "cover capacity"};
struct count {
    int inside, n;
    double pull2;
};

static void add(struct count *c, const struct nw_air_estimate *e, double truth) {
    if (isfinite(e->v)) {
        const double pull = log(e->v / truth) / (e->sigma / e->v);
        c->n++;
        c->inside += truth >= e->low && truth <= e->high;
        c->pull2 += pull * pull;
    }
}

static enum nw_status one(const struct nw_rig *rig, unsigned seed, struct count c[QUANTITIES],
                          struct nw_err *err) {
    const struct nw_synth_climate_opts opts = {.seed = seed,
                                               .end_s = 14.0 * 3600.0,
                                               .step_s = 120.0,
                                               .switch_s = 7200.0,
                                               .room_heater_W = 500.0,
                                               .temperature_noise_K = 0.05,
                                               .humidity_noise = 0.005};
    struct nw_synth_climate_truth t;
    struct nw_table *table = NULL;
    struct nw_air_log log = {0};
    struct nw_air_fit fit;
    struct nw_buf csv;
    nw_buf_init(&csv, (size_t)1 << 22);
    enum nw_status status = nw_synth_climate(rig, &opts, &csv, &t, err);
    status = status == NW_OK ? nw_table_parse("log", csv.data, csv.len, &table, err) : status;
    status = status == NW_OK ? nw_air_log_read(table, rig, &log, err) : status;
    status = status == NW_OK ? nw_air_fit_log(rig, &log, NULL, &fit, err) : status;
    if (status == NW_OK) {
        const struct nw_air_estimate *const e[QUANTITIES] = {
            &fit.room_loss_W_K,     &fit.room_capacity_J_K, &fit.air_changes_per_s,
            &fit.water_buffer_kg,   &fit.dryer_kg_s,        &fit.cover_loss_W_K,
            &fit.cover_capacity_J_K};
        const double truth[QUANTITIES] = {
            t.room_loss_W_K, t.room_capacity_J_K, t.air_changes_per_s, t.water_buffer_kg,
            t.dryer_kg_s,    t.cover_loss_W_K,    t.cover_capacity_J_K};
        for (int k = 0; k < QUANTITIES; k++) {
            add(&c[k], e[k], truth[k]);
        }
    }
    nw_air_log_done(&log);
    nw_table_free(table);
    nw_buf_done(&csv);
    return status;
}

int main(int argc, char **argv) {
    struct count c[QUANTITIES] = {{0, 0, 0.0}};
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    long n = 400;
    if (argc < 2 || (argc > 2 && !nw_text_to_long(argv[2], &n))) {
        (void)fprintf(stderr, "usage: bench_air_fit RIG [LOGS]\n");
        return 2;
    }
    enum nw_status status = nw_rig_read(argv[1], NULL, 0, &rig, &err);
    for (long i = 0; i < n && status == NW_OK; i++) {
        status = one(rig, 1000u + (unsigned)i, c, &err);
    }
    nw_rig_free(rig);
    if (status != NW_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
        return 1;
    }
    for (int k = 0; k < QUANTITIES; k++) {
        printf("%-15s %4d of %4d known: %5.1f %% inside 90 %%, pull %.2f\n", NAMES[k], c[k].n,
               (int)n, 100.0 * c[k].inside / c[k].n, sqrt(c[k].pull2 / c[k].n));
    }
    return 0;
}
