/* claims.c - what a maker or a neighbour says against what the power can pay for; see enclosure.h.
 * Idea: three answers. Refused: against the first law (or, for a cold coil, the second). Doubtful:
 * no law against it, but no such device is known to do it. Possible. */
#include <math.h>

#include "air/enclosure.h"

/* kJ/g: REFERENCES sec. 10 (reactivation of desiccant about 4.8, measured dryers to 8.3). Cold
 * coils 1 to 2.5 litres per kWh in a cool room: common practice, no source. */
static const struct nw_air_range DESICCANT_J_kg = {4.8e6, 8.3e6};
static const struct nw_air_range COMPRESSOR_J_kg = {1.44e6, 3.6e6};
#define COIL_BELOW_K 8.0 /* of a cold coil below the air (common practice, no source) */
#define PER_HOUR 3600.0

const char *nw_air_verdict_word(enum nw_air_verdict verdict) {
    switch (verdict) {
#define X(name, word)                                                                              \
    case NW_AIR_##name:                                                                            \
        return word;
        NW_AIR_VERDICT_LIST(X)
#undef X
    }
    return "";
}

struct nw_air_range nw_air_dryer_J_kg(enum nw_air_dryer kind) {
    return kind == NW_AIR_DESICCANT ? DESICCANT_J_kg : COMPRESSOR_J_kg;
}

/* Least energy for a kilogram. Desiccant: the latent heat. Cold coil: that heat pumped from the
 * coil to the room by an ideal engine (Carnot 1824). */
static double least_J_kg(enum nw_air_dryer kind, double temperature_K) {
    const double latent = nw_air_latent_J_kg(temperature_K);
    return kind == NW_AIR_DESICCANT ? latent
                                    : latent * COIL_BELOW_K / (temperature_K - COIL_BELOW_K);
}

enum nw_status nw_air_judge_drying(enum nw_air_dryer kind, double power_W, double claimed_kg_s,
                                   double temperature_K, struct nw_air_claim *ret,
                                   struct nw_err *err) {
    if (!(power_W > 0.0) || !(claimed_kg_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "dryer of %g W that takes %g kg/h: both must be > 0",
                          power_W, claimed_kg_s * PER_HOUR);
    }
    const struct nw_air_range cost = nw_air_dryer_J_kg(kind);
    const double least = least_J_kg(kind, temperature_K);
    *ret = (struct nw_air_claim){.claimed = claimed_kg_s,
                                 .possible = {power_W / cost.high, power_W / cost.low},
                                 .bound = power_W / least};
    const double claimed = claimed_kg_s * PER_HOUR;
    if (claimed_kg_s > ret->bound) {
        ret->verdict = NW_AIR_REFUSED;
        (void)snprintf(ret->reason, sizeof ret->reason,
                       "%.3g l/h needs %.0f W %s alone (%.2f kWh/kg); %.0f W can pay for %.2f l/h "
                       "at most and give %.2f to %.2f l/h as dryers are built",
                       claimed, claimed_kg_s * least,
                       kind == NW_AIR_DESICCANT ? "for the latent heat" : "even by an ideal engine",
                       least / 3.6e6, power_W, ret->bound * PER_HOUR, ret->possible.low * PER_HOUR,
                       ret->possible.high * PER_HOUR);
        return NW_OK;
    }
    const bool is_known = claimed_kg_s <= ret->possible.high;
    ret->verdict = is_known ? NW_AIR_POSSIBLE : NW_AIR_DOUBTFUL;
    (void)snprintf(ret->reason, sizeof ret->reason,
                   "%.3g l/h from %.0f W is %.1f kJ/g; dryers of this kind need %.1f to %.1f kJ/g, "
                   "which gives %.2f to %.2f l/h",
                   claimed, power_W, power_W / claimed_kg_s * 1e-6, cost.low * 1e-6,
                   cost.high * 1e-6, ret->possible.low * PER_HOUR, ret->possible.high * PER_HOUR);
    return NW_OK;
}

void nw_air_judge_cold(enum nw_air_dryer kind, double claimed_K, struct nw_air_claim *ret) {
    const bool is_coil = kind == NW_AIR_COMPRESSOR;
    const double low_K = is_coil ? NW_ZERO_CELSIUS_K + COIL_BELOW_K : NW_ZERO_CELSIUS_K;
    *ret = (struct nw_air_claim){.claimed = claimed_K,
                                 .possible = {low_K, INFINITY},
                                 .bound = NAN,
                                 .verdict = claimed_K < low_K ? NW_AIR_DOUBTFUL : NW_AIR_POSSIBLE};
    (void)snprintf(ret->reason, sizeof ret->reason, "%s",
                   is_coil ? "its coil runs some 8 K below the air and ices when that is below 0 "
                             "degC (common practice, no source)"
                           : "a desiccant takes water from cold air, too: nothing in it has to be "
                             "colder than the air");
}

enum nw_status nw_air_judge_rise(const struct nw_air_box *box, double power_W, double claimed_K,
                                 double temperature_K, double pressure_Pa, struct nw_air_claim *ret,
                                 struct nw_err *err) {
    if (!(power_W > 0.0) || !(claimed_K > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "heater of %g W that holds %g K: both must be > 0",
                          power_W, claimed_K);
    }
    struct nw_air_box windy = *box;
    struct nw_air_box still = *box;
    windy.films_m2_K_W = NW_AIR_FILMS_OPEN;
    still.films_m2_K_W = NW_AIR_FILMS_SHELTERED;
    const double loss[] = {nw_air_box_loss_W_K(&still, temperature_K, pressure_Pa),
                           nw_air_box_loss_W_K(&windy, temperature_K, pressure_Pa)};
    const double need =
        nw_air_box_insulation_for(&still, power_W, claimed_K, temperature_K, pressure_Pa);
    *ret = (struct nw_air_claim){.claimed = claimed_K,
                                 .possible = {power_W / loss[1], power_W / loss[0]},
                                 .bound = power_W / loss[0]};
    ret->verdict = claimed_K > ret->possible.high  ? NW_AIR_REFUSED
                   : claimed_K > ret->possible.low ? NW_AIR_DOUBTFUL
                                                   : NW_AIR_POSSIBLE;
    char what[96] = "more power or a smaller cover";
    if (isfinite(need)) {
        (void)snprintf(what, sizeof what, "%.1f m2 of skin with an insulation of %.2f m2 K/W",
                       box->area_m2, need);
    }
    (void)snprintf(ret->reason, sizeof ret->reason,
                   "%.0f W hold %.1f K only where the loss is %.1f W/K; this loses %.1f to %.1f "
                   "W/K (sheltered, in wind): %.1f to %.1f K. It would take %s",
                   power_W, claimed_K, power_W / claimed_K, loss[0], loss[1], ret->possible.low,
                   ret->possible.high,
                   ret->verdict == NW_AIR_POSSIBLE ? "no more than it has" : what);
    return NW_OK;
}

enum nw_status nw_air_judge_warming(double power_W, double capacity_J_K, double claimed_K,
                                    double time_s, struct nw_air_claim *ret, struct nw_err *err) {
    if (!(power_W > 0.0) || !(capacity_J_K > 0.0) || !(claimed_K > 0.0) || !(time_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "%g W on %g J/K for %g K within %g s: all must be > 0",
                          power_W, capacity_J_K, claimed_K, time_s);
    }
    const double most_K = power_W * time_s / capacity_J_K;
    *ret = (struct nw_air_claim){.claimed = claimed_K,
                                 .possible = {0.0, most_K},
                                 .bound = most_K,
                                 .verdict = claimed_K > most_K ? NW_AIR_REFUSED : NW_AIR_POSSIBLE};
    (void)snprintf(ret->reason, sizeof ret->reason,
                   "%.1f K of %.2f kJ/K take %.2f kJ; %.1f W give %.2f kJ in %.0f min, %.2f K at "
                   "most, without any loss",
                   claimed_K, capacity_J_K * 1e-3, claimed_K * capacity_J_K * 1e-3, power_W,
                   power_W * time_s * 1e-3, time_s / 60.0, most_K);
    return NW_OK;
}
