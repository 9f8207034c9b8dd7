/* focus.c - the focus shift that follows the tube's own temperature; see night.h. */
#include <math.h>

#include "air/night.h"
#include "optics/optics.h"

static double sigma_of(const struct nw_val *val, double otherwise) {
    return isfinite(val->sigma) ? val->sigma : otherwise;
}

void nw_air_focus_of(const struct nw_rig *rig, const struct nw_setup *setup,
                     const struct nw_air_night *night, struct nw_air_focus *ret) {
    const struct nw_telescope *const t = &setup->telescope;
    const double dark_s = night->times.dark_s;
    const double until_s = fmin(night->close_s, night->times.dawn_s);
    *ret = (struct nw_air_focus){.part = night->model.n_parts, .change_K = NAN};
    for (size_t i = 0; i < night->model.n_parts; i++) {
        const struct nw_dew_surface *const s = &rig->damp.surfaces[i];
        if (s->kind[0] == 't' && strcmp(s->telescope, t->name) == 0) {
            ret->part = i;
        }
    }
    const struct nw_air_night_record *first = NULL;
    const struct nw_air_night_record *last = NULL;
    for (size_t k = 0; k < night->n_records; k++) {
        const struct nw_air_night_record *const r = &night->records[k];
        if (r->state.t_s >= dark_s && r->state.t_s <= until_s + 1.0) {
            first = first ? first : r;
            last = r;
        }
    }
    if (!first) {
        return;
    }
    ret->air_change_K = last->weather.air_K - first->weather.air_K;
    ret->change_K = ret->part < night->model.n_parts
                        ? last->state.part_K[ret->part] - first->state.part_K[ret->part]
                        : ret->air_change_K;
    /* the tube shrinks: best focus moves out of it by L a dT, m^2 times as much behind the
     * corrector; a taught travel is what keeps the focus, outwards + */
    const bool is_taught = setup->focuser.travel_per_K.from != NW_FROM_UNKNOWN;
    const double at_sensor =
        nw_optics_defocus_per_travel(setup->corrector.magnification.v,
                                     !is_taught || setup->focuser.carries != NW_CARRIES_CAMERA);
    const double tube_m_K = t->tube_length_m.v * t->expansion_per_K.v;
    const double tube_sigma = hypot(t->expansion_per_K.v * sigma_of(&t->tube_length_m, 0.0),
                                    t->tube_length_m.v * sigma_of(&t->expansion_per_K, 0.0));
    const double sigma = is_taught ? sigma_of(&setup->focuser.travel_per_K, 0.0) : tube_sigma;
    ret->per_K_m = at_sensor * (is_taught ? setup->focuser.travel_per_K.v : -tube_m_K);
    ret->shift_m = ret->per_K_m * ret->change_K;
    ret->shift_sigma_m = fabs(sigma * at_sensor * ret->change_K);
    ret->depth_m = nw_optics_depth_of_focus_m(setup->filter.centre_m.v, nw_setup_f_ratio(setup));
}
