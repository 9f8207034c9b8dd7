/* sets.c - see sets.h.
 * Idea: slopes as complex numbers g = a + i b; a part fixed in the focuser shows in chip axes
 * turned back by the rotator's angle: g = C + exp(-i t) (F + s sin z S), linear in C, F, S; solved
 * by weighted least squares. */
#include "field/sets.h"

#include <complex.h>
#include <math.h>

enum { PARTS = 3, SETS_MAX = 64 };
static const double TURNED_RAD = 20.0 * NW_RAD_PER_DEG; /* less separates nothing */
static const double LOW_SIN_Z = 0.25;                   /* sag is nil near the zenith */

static double sin_z(const struct nw_field_set *set) {
    return isfinite(set->altitude_rad) ? cos(set->altitude_rad) : NAN;
}

static enum nw_status check(const struct nw_field_set *sets, size_t n, struct nw_err *err) {
    if (n < 2 || n > SETS_MAX) {
        return nw_err_set(err, NW_DOMAIN, "%zu sets, expected 2 to %d", n, SETS_MAX);
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_surface *const s = sets[i].surface;
        if (!s->is_scale_known || !s->is_sign_known) {
            return nw_err_set(err, NW_DOMAIN,
                              "set %zu does not tell %s of its tilt; each set needs a pair or a "
                              "sweep",
                              i + 1, s->is_scale_known ? "the sign" : "the size");
        }
        if (s->is_metric != sets[0].surface->is_metric) {
            return nw_err_set(err, NW_DOMAIN, "set %zu is in other units than the first", i + 1);
        }
    }
    return NW_OK;
}

struct knowns { /* what differs between the sets */
    bool turned, sides, is_half_turn;
};

static struct knowns compare(const struct nw_field_set *sets, size_t n) {
    struct knowns k = {.is_half_turn = true};
    bool all_angles = true;
    bool all_sides = true;
    bool east = false;
    bool west = false;
    for (size_t i = 0; i < n; i++) {
        const double turn = remainder(sets[i].rotator_rad - sets[0].rotator_rad, 2.0 * NW_PI);
        all_angles = all_angles && isfinite(turn);
        k.turned = k.turned || fabs(turn) > TURNED_RAD;
        k.is_half_turn = k.is_half_turn && (fabs(turn) < 0.02 || fabs(turn) > NW_PI - 0.02);
        const bool is_low = sin_z(&sets[i]) > LOW_SIN_Z;
        all_sides = all_sides && sets[i].tube_side != 0 && isfinite(sin_z(&sets[i]));
        east = east || (sets[i].tube_side > 0 && is_low);
        west = west || (sets[i].tube_side < 0 && is_low);
    }
    k.turned = k.turned && all_angles;
    k.sides = all_sides && east && west;
    return k;
}

struct split_fit {
    double complex x[PARTS];
    double sigma[PARTS], chi2;
};

/* How the parts add up in one set, in the axes of the first set's focuser. */
static void row_of(const struct nw_field_set *set, const struct nw_field_set *first,
                   const struct knowns *k, double sense, double complex row[static PARTS]) {
    const double complex turn =
        k->turned ? cexp(-I * sense * (set->rotator_rad - first->rotator_rad)) : 1.0;
    row[0] = 1.0;
    row[1] = k->turned ? turn : 0.0;
    row[2] = k->sides ? turn * (set->tube_side * sin_z(set)) : 0.0;
}

/* Weighted least squares of the parts that are asked for; false: they cannot be told apart. */
static bool solve(const struct nw_field_set *sets, size_t n, const struct knowns *k, double sense,
                  struct split_fit *ret) {
    double complex m[PARTS][PARTS] = {{0.0}};
    double complex g[PARTS] = {0.0};
    const bool used[PARTS] = {true, k->turned, k->sides};
    for (size_t i = 0; i < n; i++) {
        const struct nw_surface *const s = sets[i].surface;
        const double w =
            2.0 / (s->cov[NW_SURFACE_A][NW_SURFACE_A] + s->cov[NW_SURFACE_B][NW_SURFACE_B]);
        double complex row[PARTS];
        row_of(&sets[i], &sets[0], k, sense, row);
        const double complex y = s->z[NW_SURFACE_A] + I * s->z[NW_SURFACE_B];
        for (size_t p = 0; p < PARTS; p++) {
            g[p] += used[p] ? w * conj(row[p]) * y : 0.0;
            for (size_t q = 0; q < PARTS; q++) {
                m[p][q] += used[p] && used[q] ? w * conj(row[p]) * row[q] : 0.0;
            }
        }
    }
    double complex inverse[PARTS][PARTS] = {{0.0}};
    for (size_t p = 0; p < PARTS; p++) {
        m[p][p] = used[p] ? m[p][p] : 1.0;
        inverse[p][p] = 1.0;
    }
    for (size_t p = 0; p < PARTS; p++) { /* Hermitian, positive: Gauss-Jordan without pivoting */
        const double complex pivot = m[p][p];
        if (!(creal(pivot) > 1e-6 * creal(m[0][0]))) {
            return false;
        }
        for (size_t q = 0; q < PARTS; q++) {
            m[p][q] /= pivot;
            inverse[p][q] /= pivot;
        }
        for (size_t r = 0; r < PARTS; r++) {
            const double complex factor = m[r][p];
            for (size_t q = 0; q < PARTS && r != p; q++) {
                m[r][q] -= factor * m[p][q];
                inverse[r][q] -= factor * inverse[p][q];
            }
        }
    }
    *ret = (struct split_fit){.chi2 = 0.0};
    for (size_t p = 0; p < PARTS; p++) {
        for (size_t q = 0; q < PARTS; q++) {
            ret->x[p] += inverse[p][q] * g[q];
        }
        ret->sigma[p] = sqrt(creal(inverse[p][p]));
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_surface *const s = sets[i].surface;
        double complex row[PARTS];
        row_of(&sets[i], &sets[0], k, sense, row);
        const double complex miss = s->z[NW_SURFACE_A] + I * s->z[NW_SURFACE_B] -
                                    row[0] * ret->x[0] - row[1] * ret->x[1] - row[2] * ret->x[2];
        ret->chi2 += pow(creal(miss), 2.0) / s->cov[NW_SURFACE_A][NW_SURFACE_A] +
                     pow(cimag(miss), 2.0) / s->cov[NW_SURFACE_B][NW_SURFACE_B];
    }
    return true;
}

static struct nw_field_part part(double complex value, double sigma, double complex turn) {
    return (struct nw_field_part){true, creal(value * turn), cimag(value * turn), sigma};
}

enum nw_status nw_field_separate(const struct nw_field_set *sets, size_t n,
                                 struct nw_field_split *ret, struct nw_err *err) {
    const enum nw_status status = check(sets, n, err);
    if (status != NW_OK) {
        return status;
    }
    const struct knowns k = compare(sets, n);
    if (!k.turned && !k.sides) {
        return nw_err_set(err, NW_DATA,
                          "the sets stand alike: the rotator is to turn by 20 deg and more, or the "
                          "tube to change sides below an altitude of 75 deg, each said in the "
                          "headers");
    }
    struct split_fit fits[2];
    if (!solve(sets, n, &k, 1.0, &fits[0]) || !solve(sets, n, &k, -1.0, &fits[1])) {
        return nw_err_set(err, NW_DATA, "%zu sets do not separate camera, focuser and sag", n);
    }
    static const double SURE = 9.0; /* chi^2 between the two senses */
    const size_t best = fits[1].chi2 + SURE < fits[0].chi2 ? 1 : 0;
    const struct split_fit *const fit = &fits[best];
    const double n_left = 2.0 * ((double)n - 1.0 - (k.turned ? 1.0 : 0.0) - (k.sides ? 1.0 : 0.0));
    *ret = (struct nw_field_split){
        .misfit = n_left > 0.0 ? sqrt(fit->chi2 / n_left) : NAN,
        .sense = best == 1 ? -1.0 : 1.0,
        .is_sense_assumed = k.turned && !k.is_half_turn && fabs(fits[0].chi2 - fits[1].chi2) < SURE,
    };
    /* from the axes of the first set back to rotator angle nil */
    const double complex nil = k.turned ? cexp(I * ret->sense * sets[0].rotator_rad) : 1.0;
    if (k.turned) {
        ret->camera = part(fit->x[0], fit->sigma[0], 1.0);
        ret->focuser = part(fit->x[1], fit->sigma[1], nil);
    } else {
        ret->rigid = part(fit->x[0], fit->sigma[0], 1.0);
    }
    if (k.sides) {
        ret->sag = part(fit->x[2], fit->sigma[2], nil);
    }
    return NW_OK;
}
