/* trail_profile.c - the star at one moment, and how its width mixes moments of a trail.
 * Idea: cuts laid over each other by their centres are the star's light summed along one axis. Two
 * Gaussians fitted to it are two round ones in the frame (the only profile whose sum along an axis
 * tells the rest by itself); what each does to a wave in the trail is known in closed form.
 * Holds: the pixel is part of the profile. */
#include "image/trail_internal.h"

#include <math.h>

/* A wave across, seen by the moment of a cut at angle t, weighed by exp(-w^2/2 W^2), of one
 * Gaussian of sigma S: with q = 1 + cos^2 S^2/W^2 a moment u away along the trail counts as
 *   exp(-u^2 (1 - sin^2/q)/2 S^2) (1 + u^2 sin^2/(q S^2))
 * (Gaussian integral over the cut); this is its Fourier transform, 1 at 0. */
static double mixing(double frequency_1_px, double sigma_px, double weight_px, double sine2) {
    const double q = 1.0 + (1.0 - sine2) * pow(sigma_px / weight_px, 2.0);
    const double b2 = 1.0 / (1.0 - sine2 / q);
    const double w2 = pow(2.0 * NW_PI * frequency_1_px * sigma_px, 2.0);
    const double bend = sine2 / q * b2;
    return exp(-0.5 * b2 * w2) * (1.0 + bend * (1.0 - b2 * w2)) / (1.0 + bend);
}

/* How much a Gaussian of unit light moves the weighed moment: (1 + S^2/W^2)^(-3/2). */
static double pull_of(double sigma_px, double weight_px) {
    return pow(1.0 + pow(sigma_px / weight_px, 2.0), -1.5);
}

double nw_trail_response(double frequency_1_px, const struct nw_trail_profile *profile,
                         double angle_rad) {
    const double slant = fmod(fabs(angle_rad), 0.5 * NW_PI);
    const double t = slant > 0.25 * NW_PI ? 0.5 * NW_PI - slant : slant;
    const double sine2 = sin(t) * sin(t);
    const double weight_px = profile->weight_sigma_px;
    const double core = (1.0 - profile->wing_share) * pull_of(profile->core_sigma_px, weight_px);
    const double wing = profile->wing_share > 0.0
                            ? profile->wing_share * pull_of(profile->wing_sigma_px, weight_px)
                            : 0.0;
    double sum = core * mixing(frequency_1_px, profile->core_sigma_px, weight_px, sine2);
    if (wing > 0.0) {
        sum += wing * mixing(frequency_1_px, profile->wing_sigma_px, weight_px, sine2);
    }
    return sum / (core + wing);
}

void trail_stack_add(struct trail_stack *stack, const struct trail_cuts *cuts, double cosine) {
    const double reach = TRAIL_BINS * stack->bin_px;
    const double weight = 1.0 / (cuts->weighed * (double)cuts->n);
    for (size_t i = 0; i < cuts->n; i++) {
        const double a = cuts->first_a + (double)i;
        const double low = fmax(0.0, ceil(cuts->centre[i] - reach / cosine));
        const double high =
            fmin((double)cuts->plane->size_b - 1.0, floor(cuts->centre[i] + reach / cosine));
        for (size_t b = (size_t)low; (double)b <= high; b++) {
            const double d = fabs((double)b - cuts->centre[i]) * cosine;
            const size_t bin = (size_t)(d / stack->bin_px);
            const double light = trail_at(cuts->plane, (size_t)a, b) * weight;
            if (bin < TRAIL_BINS && isfinite(light)) {
                stack->sum[bin] += light;
                stack->count[bin] += weight;
            }
        }
    }
}

/* Least squares of two Gaussians of given widths (their heights; neither below 0). Returns the
 * squares left. */
static double fit_heights(const struct trail_stack *stack, const double sigma_px[static 2],
                          double ret[static 2]) {
    double m[2][2] = {{0}};
    double v[2] = {0};
    double all = 0.0;
    for (size_t i = 0; i < TRAIL_BINS; i++) {
        if (!(stack->count[i] > 0.0)) {
            continue;
        }
        const double d = ((double)i + 0.5) * stack->bin_px;
        const double y = stack->sum[i] / stack->count[i];
        const double g[2] = {exp(-0.5 * d * d / (sigma_px[0] * sigma_px[0])),
                             exp(-0.5 * d * d / (sigma_px[1] * sigma_px[1]))};
        for (int j = 0; j < 2; j++) {
            v[j] += g[j] * y;
            m[j][0] += g[j] * g[0];
            m[j][1] += g[j] * g[1];
        }
        all += y * y;
    }
    const double det = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    ret[0] = (v[0] * m[1][1] - v[1] * m[0][1]) / det;
    ret[1] = (v[1] * m[0][0] - v[0] * m[1][0]) / det;
    if (!(ret[1] > 0.0) || !(ret[0] > 0.0)) {
        ret[0] = v[0] / m[0][0];
        ret[1] = 0.0;
    }
    return all - ret[0] * (2.0 * v[0] - ret[0] * m[0][0] - 2.0 * ret[1] * m[0][1]) -
           ret[1] * (2.0 * v[1] - ret[1] * m[1][1]);
}

void trail_stack_fit(const struct trail_stack *stack, double weight_px,
                     struct nw_trail_profile *ret) {
    double best = INFINITY;
    *ret = (struct nw_trail_profile){
        .core_sigma_px = weight_px, .wing_sigma_px = weight_px, .weight_sigma_px = weight_px};
    for (int i = 0; i <= 40; i++) {
        for (int j = 0; j <= 22; j++) {
            const double core_px = weight_px * (0.6 + 0.0125 * i);
            const double sigma_px[2] = {core_px, core_px * (1.3 + 0.1 * j)};
            double height[2];
            const double left = fit_heights(stack, sigma_px, height);
            if (left < best && height[0] > 0.0) {
                best = left;
                /* light of a round Gaussian whose sum along one axis has this height */
                const double light[2] = {height[0] * sigma_px[0], height[1] * sigma_px[1]};
                ret->core_sigma_px = sigma_px[0];
                ret->wing_sigma_px = sigma_px[1];
                ret->wing_share = light[1] / (light[0] + light[1]);
            }
        }
    }
}
