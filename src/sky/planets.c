/* planets.c - where the bright planets stand, to keep them out of a field (not to point at them).
 * Idea: heliocentric ecliptic theory of erfa (eraPlan94), light time by two rounds, aberration by
 * the observer's velocity. Source: Simon et al. 1994, A&A 282, 663, sec. 6. */
#include <erfa.h>
#include <erfam.h>
#include <math.h>

#include "sky/sky_internal.h"

static const struct {
    const char *name;
    int number; /* of eraPlan94 */
} PLANETS[NW_N_PLANETS] = {
#define X(symbol, text, number) {text, number},
    NW_PLANET_LIST(X)
#undef X
};

const char *nw_planet_name(enum nw_planet planet) {
    return PLANETS[planet].name;
}

enum nw_status nw_sky_planet(const struct nw_sky_moment *moment, enum nw_planet planet,
                             double ret_direction[static 3], double *ret_distance_m,
                             struct nw_err *err) {
    struct nw_clocks c;
    double earth[2][3];
    double barycentric[2][3];
    const enum nw_status status = nw_sky_clocks(moment->t_utc_s, 0.0, &c, err);
    if (status != NW_OK) {
        return status;
    }
    (void)eraEpv00(c.tt[0], c.tt[1], earth, barycentric);
    double light_d = 0.0;
    double geometric[3] = {0.0, 0.0, 1.0};
    double distance_au = 1.0;
    for (int round = 0; round < 3; round++) {
        double pv[2][3];
        if (eraPlan94(c.tt[0], c.tt[1] - light_d, PLANETS[planet].number, pv) < 0) {
            return nw_err_set(err, NW_DATA, "place of %s was not found", PLANETS[planet].name);
        }
        for (int i = 0; i < 3; i++) {
            geometric[i] = pv[0][i] - earth[0][i];
        }
        distance_au = sqrt(geometric[0] * geometric[0] + geometric[1] * geometric[1] +
                           geometric[2] * geometric[2]);
        light_d = distance_au * ERFA_DAU / ERFA_CMPS / SKY_DAY_s;
    }
    for (int i = 0; i < 3; i++) {
        geometric[i] /= distance_au;
    }
    nw_sky_aberrate(geometric, moment->velocity_c, ret_direction);
    *ret_distance_m = distance_au * ERFA_DAU;
    return NW_OK;
}
