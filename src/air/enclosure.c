/* enclosure.c - heat through cloth and gaps, water through gaps, dryers; see enclosure.h. */
#include <math.h>

#include "air/enclosure.h"

/* Heat that one cubic metre of air carries off per kelvin [J/m3/K]. */
static double air_J_m3_K(double temperature_K, double pressure_Pa) {
    return NW_AIR_HEAT_J_KG_K * nw_air_density_kg_m3(temperature_K, pressure_Pa);
}

static double leak_W_K(const struct nw_air_box *box, double temperature_K, double pressure_Pa) {
    return air_J_m3_K(temperature_K, pressure_Pa) * box->volume_m3 * box->air_changes_per_s;
}

double nw_air_box_loss_W_K(const struct nw_air_box *box, double temperature_K, double pressure_Pa) {
    return box->area_m2 / (box->insulation_m2_K_W + box->films_m2_K_W) +
           leak_W_K(box, temperature_K, pressure_Pa);
}

double nw_air_box_rise_K(const struct nw_air_box *box, double power_W, double temperature_K,
                         double pressure_Pa) {
    return power_W / nw_air_box_loss_W_K(box, temperature_K, pressure_Pa);
}

double nw_air_box_insulation_for(const struct nw_air_box *box, double power_W, double rise_K,
                                 double temperature_K, double pressure_Pa) {
    const double left_W_K = power_W / rise_K - leak_W_K(box, temperature_K, pressure_Pa);
    return left_W_K > 0.0 ? fmax(0.0, box->area_m2 / left_W_K - box->films_m2_K_W) : NAN;
}

double nw_air_box_leak_kg_s(const struct nw_air_box *box, double outside_kg_m3,
                            double inside_kg_m3) {
    return box->volume_m3 * box->air_changes_per_s * (outside_kg_m3 - inside_kg_m3);
}

/* (V + B / rho_s) drho/dt = n V (rho_out - rho) - r: an exponential towards rho_out - r / (n V).
 * The walls keep step with the air (no delay), so the time is a lower one for thick wood. */
double nw_air_box_drying_s(const struct nw_air_box *box, const struct nw_air_drying *d) {
    if (d->from_kg_m3 <= d->to_kg_m3) {
        return 0.0;
    }
    const double room_m3 = box->volume_m3 + d->buffer_kg / d->saturation_kg_m3;
    const double exchange_m3_s = box->volume_m3 * box->air_changes_per_s;
    if (!(exchange_m3_s > 0.0)) {
        return d->dryer_kg_s > 0.0 ? room_m3 * (d->from_kg_m3 - d->to_kg_m3) / d->dryer_kg_s
                                   : INFINITY;
    }
    const double end_kg_m3 = d->outside_kg_m3 - d->dryer_kg_s / exchange_m3_s;
    if (!(end_kg_m3 < d->to_kg_m3)) {
        return INFINITY;
    }
    return room_m3 / exchange_m3_s * log((d->from_kg_m3 - end_kg_m3) / (d->to_kg_m3 - end_kg_m3));
}
