/* judge.c - a star, or hits beside each other? The last word where both look alike.
 * Idea: two accounts of the pixels about a peak. Hits: every pixel is sky, or a hit for a fixed
 * price. A star: the frame's profile, integrated over pixels, at the best place within the pixels,
 * of the best height; what is above it may be a hit for the same price, what is below it has no
 * excuse (dead pixels are blank). Both are sums of squares in sigmas, twice the logarithm of the
 * likelihood (Neyman & Pearson 1933); the price is twice that of the share of hot pixels.
 * Holds: a star counts when it explains the pixels better than hits alone by GAIN_MIN. */
#include "image/stars_internal.h"

/* 2 ln of 1000, as one pixel in 1000 is hot: 13.8. This one and all that follow: common practice,
 * no source; what they achieve is in docs/performance.md. */
static const double HIT_PRICE = 14.0;
static const double GAIN_MIN = 12.0;
/* Of the model's light in a pixel: no star is the mean profile, and places are steps of 1/8. */
static const double SHAPE_ERROR = 0.15;
static const double WING_ERROR = 0.3; /* of the light of a brighter star beside */
static const double WINGS = 3.0;      /* in widths: how far they are looked for */
enum { STEPS = 4, REACH_MAX = 8, SIDE_MAX = 2 * REACH_MAX + 1, N_MAX = SIDE_MAX * SIDE_MAX };
static const double SEARCH_PX = 1.5;
/* Wider stars are told from hits pixel by pixel (hits.c). */
static const double WIDTH_MAX_PX = 7.0;

/* ---- the frame's profile in steps of a quarter of a pixel ---- */

static int reach_of(double fwhm_px) {
    const int reach = (int)ceil(fwhm_px) + 1;
    return reach < 3 ? 3 : reach > REACH_MAX ? REACH_MAX : reach;
}

bool shape_make(const struct seeing *seeing, double pixel_width, struct shape *ret) {
    *ret = (struct shape){.reach_px = reach_of(seeing->fwhm_px)};
    if (!seeing->is_fitted || seeing->fwhm_px > WIDTH_MAX_PX) {
        return false;
    }
    ret->half = STEPS * (ret->reach_px + (int)ceil(SEARCH_PX) + 1);
    const size_t side = 2 * (size_t)ret->half + 1;
    ret->value = nw_calloc(side * side, sizeof *ret->value);
    if (!ret->value) {
        return false;
    }
    const struct profile p = star_start_profile(seeing, 0.0, 0.0, 1.0, pixel_width);
    ret->light = p.amplitude * NW_PI / sqrt(p.cxx * p.cyy - p.cxy * p.cxy) / (p.beta - 1.0);
    for (size_t k = 0; 2 * k <= side * side; k++) { /* alike about its middle */
        const size_t row = k / side;
        const double dx = ((double)(k % side) - ret->half) / STEPS;
        const double dy = ((double)row - ret->half) / STEPS;
        const float value = (float)(p.amplitude * profile_pixel(&p, dx, dy, pixel_width));
        ret->value[k] = ret->value[side * side - 1 - k] = value;
    }
    return true;
}

/* Between the steps by straight lines. */
static double shape_at(const struct shape *s, double dx, double dy) {
    const double u = dx * STEPS + s->half;
    const double v = dy * STEPS + s->half;
    const double last = 2.0 * s->half;
    if (!(u >= 0.0 && v >= 0.0 && u < last && v < last)) {
        return 0.0;
    }
    const size_t side = 2 * (size_t)s->half + 1;
    const int i = (int)u;
    const int j = (int)v;
    const float *const low = s->value + (size_t)j * side + (size_t)i;
    const double tx = u - i;
    const double ty = v - j;
    return (1.0 - ty) * ((1.0 - tx) * (double)low[0] + tx * (double)low[1]) +
           ty * ((1.0 - tx) * (double)low[side] + tx * (double)low[side + 1]);
}

/* ---- the two accounts ---- */

struct pixels { /* that have a value, about a peak */
    int n;
    double x[N_MAX], y[N_MAX], value[N_MAX], variance[N_MAX];
};

static void take_pixels(const struct window *w, double variance_per_adu, struct pixels *ret) {
    ret->n = 0;
    for (int k = 0; k < w->side * w->side; k++) {
        const double value = (double)w->px[k];
        const int row = k / w->side;
        if (value > -COLD_SIGMA * w->noise_adu && isfinite(value)) {
            ret->x[ret->n] = w->x0 + k % w->side;
            ret->y[ret->n] = w->y0 + row;
            ret->value[ret->n] = value;
            ret->variance[ret->n++] =
                w->noise_adu * w->noise_adu + fmax(value, 0.0) * variance_per_adu;
        }
    }
}

static double cost_of(double residual, double variance) {
    const double cost = residual * residual / variance;
    return residual > 0.0 ? fmin(cost, HIT_PRICE) : cost;
}

static double hits_cost(const struct pixels *px) {
    double sum = 0.0;
    for (int i = 0; i < px->n; i++) {
        sum += cost_of(px->value[i], px->variance[i]);
    }
    return sum;
}

/* Height of a star by least squares over the pixels that it may explain at `height`. */
static double next_height(const struct pixels *px, const double *model, double height) {
    double top = 0.0;
    double below = 0.0;
    for (int i = 0; i < px->n; i++) {
        const double light = height * model[i];
        const double error = SHAPE_ERROR * light;
        const double variance = px->variance[i] + error * error;
        const double over = px->value[i] - light;
        if (!(over > 0.0 && over * over > HIT_PRICE * variance)) {
            top += model[i] * px->value[i] / variance;
            below += model[i] * model[i] / variance;
        }
    }
    return below > 0.0 ? fmax(top / below, 0.0) : 0.0;
}

static double star_cost(const struct pixels *px, const double *model, double height) {
    double sum = 0.0;
    for (int i = 0; i < px->n; i++) {
        const double error = SHAPE_ERROR * height * model[i];
        sum += cost_of(px->value[i] - height * model[i], px->variance[i] + error * error);
    }
    return sum;
}

struct star_account {
    double x, y, height, cost;
};

/* The best height at a place: from the lower ones of what the inner pixels ask for. */
static struct star_account account_at(const struct pixels *px, const struct shape *shape, double x,
                                      double y) {
    enum { ASKED = 9, ROUNDS = 4 };
    double model[N_MAX] = {0.0};
    double asked[ASKED];
    int n = 0;
    for (int i = 0; i < px->n; i++) {
        const double dx = px->x[i] - x;
        const double dy = px->y[i] - y;
        model[i] = shape_at(shape, dx, dy);
        if (n < ASKED && fabs(dx) <= 1.0 && fabs(dy) <= 1.0 && model[i] > 0.1) {
            asked[n++] = px->value[i] / model[i];
        }
    }
    struct star_account best = {x, y, 0.0, star_cost(px, model, 0.0)};
    if (n == 0) {
        return best;
    }
    double height = fmax(nw_stat_median(asked, (size_t)n), 0.0);
    for (int round = 0; round < ROUNDS; round++) {
        const double cost = star_cost(px, model, height);
        if (cost < best.cost) {
            best.cost = cost;
            best.height = height;
        }
        height = next_height(px, model, height);
    }
    return best;
}

/* The best place of all within SEARCH_PX of (x, y). */
static struct star_account account_near(const struct pixels *px, const struct shape *shape,
                                        double x, double y) {
    struct star_account best = {x, y, 0.0, INFINITY};
    double step = 0.5;
    double mid_x = x;
    double mid_y = y;
    for (int round = 0; round < 3; round++) {
        const int n = round == 0 ? (int)(SEARCH_PX / step) : 1;
        for (int j = -n; j <= n; j++) {
            for (int i = -n; i <= n; i++) {
                const struct star_account a =
                    account_at(px, shape, mid_x + i * step, mid_y + j * step);
                best = a.cost < best.cost ? a : best;
            }
        }
        mid_x = best.x;
        mid_y = best.y;
        step *= 0.5;
    }
    return best;
}

/* Takes off what a brighter star beside has in the pixels, and as much of their weight as is not
 * known of it. */
static void take_off_wing(const struct star_job *job, const struct peak *other, struct pixels *px) {
    struct window w;
    window_cut(job->field, other->x, other->y, 2, &w);
    const double top = (double)w.px[w.side * w.side / 2];
    if (!(top > 0.0)) {
        return;
    }
    const struct profile p =
        star_start_profile(job->seeing, other->x, other->y, top, job->field->pixel_width);
    for (int i = 0; i < px->n; i++) {
        const double dx = px->x[i] - p.x;
        const double dy = px->y[i] - p.y;
        const double q = p.cxx * dx * dx + 2.0 * p.cxy * dx * dy + p.cyy * dy * dy;
        const double wing = p.amplitude * pow(1.0 + q, -p.beta);
        px->value[i] -= wing;
        px->variance[i] += WING_ERROR * WING_ERROR * wing * wing;
    }
}

bool judge_star(const struct star_job *job, size_t i, double x, double y) {
    const struct peak *const peak = &job->peaks->peaks[i];
    const struct shape *const shape = job->shape;
    struct window w;
    struct pixels px;
    window_cut(job->field, peak->x, peak->y, shape->reach_px, &w);
    take_pixels(&w, job->field->variance_per_adu, &px);
    uint32_t near[NEAR_MAX];
    const double far_px = shape->reach_px + WINGS * job->seeing->fwhm_px;
    const size_t n_near = star_neighbours(job->grid, job->peaks, i, far_px, near);
    for (size_t k = 0; k < n_near; k++) {
        if (job->peaks->peaks[near[k]].snr > peak->snr) {
            take_off_wing(job, &job->peaks->peaks[near[k]], &px);
        }
    }
    const double hits = hits_cost(&px);
    return hits - account_at(&px, shape, x, y).cost > GAIN_MIN ||
           hits - account_near(&px, shape, peak->x, peak->y).cost > GAIN_MIN;
}
