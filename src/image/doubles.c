/* doubles.c - every star twice at the same vector.
 * Idea: the differences of all positions, folded to one half-plane, pile up at the vector of a
 * jump; elsewhere they are spread evenly. Counting pairs is how chance and companions are told
 * apart since Michell 1767, Phil. Trans. 57, 234. Light of the one over the other must agree from
 * pair to pair. Holds: a lattice of stars, each with a partner on both sides, is no double frame.
 */
#include "image/forms_internal.h"

enum { REACH = 60, MAP_W = 2 * REACH + 1, MAP_H = REACH + 1, STARS_MAX = 400, STARS_MIN = 12 };
static const double SHARE = 0.2;          /* of the stars are the fainter image of another */
static const double SIGMAS = 6.0;         /* above chance */
static const double NEAR_PX = 1.5;        /* of the common vector */
static const double RATIO_SCATTER = 0.35; /* of ln(light ratio), robust sigma */
static const double DOUBLE_SNR = 10.0;

struct pair_map {
    uint16_t count[MAP_H][MAP_W]; /* [dy][dx + REACH] */
    size_t total;
};

/* From the one to the other, pointing up (or along +x); false when too far. */
static bool difference(const struct nw_star *a, const struct nw_star *b, double *dx, double *dy) {
    *dx = b->x_px - a->x_px;
    *dy = b->y_px - a->y_px;
    return fabs(*dx) < REACH - 1 && *dy < REACH - 1 && *dy > -REACH + 1 &&
           (*dy > 0.0 || (!(*dy < 0.0) && *dx > 0.0));
}

static void fill_map(const struct nw_star *const *list, size_t n, struct pair_map *map) {
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n; k++) {
            double dx = 0.0;
            double dy = 0.0;
            if (i != k && difference(list[i], list[k], &dx, &dy)) {
                map->count[lround(dy)][lround(dx) + REACH]++;
                map->total++;
            }
        }
    }
}

static unsigned sum_of_nine(const struct pair_map *map, int x, int y) {
    unsigned sum = 0;
    for (int j = y - 1; j <= y + 1; j++) {
        for (int i = x - 1; i <= x + 1; i++) {
            if (i < 0 || i >= MAP_W || j >= MAP_H) {
                continue;
            }
            /* below the axis lies what is above it, turned half round */
            sum += j >= 0 ? map->count[j][i] : map->count[-j][MAP_W - 1 - i];
        }
    }
    return sum;
}

struct pairs {
    double dx[STARS_MAX], dy[STARS_MAX], ln_ratio[STARS_MAX];
    size_t n, n_both; /* stars with a partner on either side */
};

static void collect(const struct nw_star *const *list, size_t n, double vx, double vy,
                    struct pairs *ret) {
    bool is_first[STARS_MAX] = {false};
    bool is_second[STARS_MAX] = {false};
    ret->n = ret->n_both = 0;
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n && ret->n < STARS_MAX; k++) {
            const double dx = list[k]->x_px - list[i]->x_px;
            const double dy = list[k]->y_px - list[i]->y_px;
            if (i != k && hypot(dx - vx, dy - vy) < NEAR_PX) {
                ret->dx[ret->n] = dx;
                ret->dy[ret->n] = dy;
                ret->ln_ratio[ret->n++] = log(list[k]->flux_adu / list[i]->flux_adu);
                is_first[i] = true;
                is_second[k] = true;
            }
        }
    }
    for (size_t i = 0; i < n; i++) {
        ret->n_both += is_first[i] && is_second[i];
    }
}

bool doubles_find(const struct nw_star *stars, size_t n_stars, struct nw_forms *ret) {
    const struct nw_star *list[STARS_MAX];
    size_t n = 0;
    for (size_t i = 0; i < n_stars && n < STARS_MAX; i++) {
        if (stars[i].snr > DOUBLE_SNR && isfinite(stars[i].x_px) && isfinite(stars[i].y_px)) {
            list[n++] = &stars[i];
        }
    }
    struct pair_map map = {0};
    fill_map(list, n, &map);
    int x = REACH;
    int y = 0;
    unsigned most = 0;
    for (int k = 0; k < MAP_W * MAP_H; k++) {
        const unsigned count = sum_of_nine(&map, k % MAP_W, k / MAP_W);
        if (count > most) {
            most = count;
            x = k % MAP_W;
            y = k / MAP_W;
        }
    }
    const double chance = 9.0 * (double)map.total / (double)(MAP_W * MAP_H);
    if (n < STARS_MIN || (double)most < SHARE * (double)n ||
        (double)most < chance + SIGMAS * sqrt(chance + 1.0)) {
        return false;
    }
    struct pairs pairs;
    collect(list, n, (double)(x - REACH), (double)y, &pairs);
    if (pairs.n < 4 || 3 * pairs.n_both > pairs.n) {
        return false; /* a lattice */
    }
    double ln_ratio = 0.0;
    const double scatter = nw_stat_mad_sigma(pairs.ln_ratio, pairs.n, &ln_ratio);
    if (!(scatter < RATIO_SCATTER)) {
        return false;
    }
    const double turn = ln_ratio > 0.0 ? -1.0 : 1.0; /* from the brighter one */
    ret->doubling_x_px = turn * nw_stat_median(pairs.dx, pairs.n);
    ret->doubling_y_px = turn * nw_stat_median(pairs.dy, pairs.n);
    ret->doubling_ratio = exp(-fabs(ln_ratio));
    ret->n_doubled = pairs.n;
    return true;
}
