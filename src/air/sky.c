/* sky.c - how warm the clear sky shines: empirical emissivities from dew point or vapour pressure,
 * each with its own coefficients, named in the result. REFERENCES MOI-11 to MOI-14. */
#include <math.h>

#include "air/air.h"

static const struct {
    const char *word, *source;
} SKIES[NW_AIR_SKY_N] = {
#define X(name, word, source) {word, source},
    NW_AIR_SKY_LIST(X)
#undef X
};

const char *nw_air_sky_word(enum nw_air_sky sky) {
    return SKIES[sky].word;
}

const char *nw_air_sky_source(enum nw_air_sky sky) {
    return SKIES[sky].source;
}

enum nw_air_sky nw_air_sky_of(const char *word) {
    int i = 0;
    while (i < NW_AIR_SKY_N && strcmp(SKIES[i].word, word) != 0) {
        i++;
    }
    return (enum nw_air_sky)i;
}

static double square(const double c[3], double t_C) {
    const double x = t_C / 100.0;
    return c[0] + x * (c[1] + x * c[2]);
}

static double clear_sky(enum nw_air_sky sky, double dew_point_K) {
    static const double BERDAHL[] = {0.711, 0.56, 0.73};
    static const double RECALIBRATED[] = {0.758, 0.521, 0.625};
    const double t_C = dew_point_K - NW_ZERO_CELSIUS_K;
    switch (sky) {
    case NW_AIR_SKY_CLARK_ALLEN:
        return 0.787 + 0.764 * log(dew_point_K / 273.0); /* 273, as in the paper */
    case NW_AIR_SKY_BRUNT:
        return 0.618 + 0.056 * sqrt(nw_air_saturation_water_Pa(dew_point_K) / 100.0);
    case NW_AIR_SKY_BERGER:
        return 0.770 + 0.0038 * t_C;
    case NW_AIR_SKY_RECALIBRATED:
        return square(RECALIBRATED, t_C);
    case NW_AIR_SKY_BERDAHL_MARTIN:
    case NW_AIR_SKY_N:
        break;
    }
    return square(BERDAHL, t_C);
}

double nw_air_sky_emissivity(enum nw_air_sky sky, double dew_point_K, double cloud) {
    const double n = 10.0 * fmin(fmax(cloud, 0.0), 1.0);
    const double clouds = 1.0 + n * (0.0224 + n * (-0.0035 + n * 0.00028));
    return fmin(1.0, clear_sky(sky, dew_point_K) * clouds);
}

double nw_air_sky_temperature_K(double air_K, double emissivity) {
    return air_K * pow(emissivity, 0.25);
}
