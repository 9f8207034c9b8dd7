/* core.c - how the frame's real profile differs from the Moffat that was fitted to it.
 * Idea: no Moffat has the core of air, aperture, defocus and pixel together; its fit reads the
 * half- maximum width 1 to 4 % low. The bright stars, laid over each other in units of their own
 * fitted width, show the ratio of profile to model as a smooth function of radius; where their
 * product falls to half is the width of the profile itself. (Laying stars over each other to see
 * below the pixel: Anderson & King 2000, PASP 112, 1360.) The fits are also wrong by the error of
 * the common beta, and the ratio shows that as well: what is believed of it, and the error that is
 * left, follow from both. Holds: for stars that are Moffats the factor is 1 (test_core.c), and the
 * error of the frame's width is true (bench: tests/tools/star_truth pulls).
 */
#include "image/measure_internal.h"

enum { TERMS = 4, STARS_MAX = 300, GROUPS = 10, STARS_MIN = 2 * GROUPS + 5 };
static const double REACH = 1.1; /* of the ratio, in fitted widths */
static const double BRIGHT_SNR = 30.0;
static const double CLIP = 3.5;

struct ratio { /* c0 + c1 x + c2 x^2 + c3 x^3, x = (radius / width)^2 */
    double c[TERMS];
};

struct normal {
    double a[TERMS][TERMS], b[TERMS];
};

static double ratio_at(const struct ratio *ratio, double rho2) {
    const double x = fmin(rho2, REACH * REACH);
    return ratio->c[0] + x * (ratio->c[1] + x * (ratio->c[2] + x * ratio->c[3]));
}

/* The round model of the frame at a radius in widths; 1 at the centre, before the pixel. */
static double model_at(const struct profile *round_star, double fwhm_px, double rho,
                       double pixel_width) {
    /* along 22.5 deg, between the pixel's side and its corner */
    return profile_pixel(round_star, 0.92388 * rho * fwhm_px, 0.38268 * rho * fwhm_px, pixel_width);
}

/* The same for pixels by the thousand: straight between its values at steps of the radius's square.
 */
enum { MODEL_STEPS = 1024 };
struct model {
    double fwhm_px, amplitude; /* of the round star with one unit of light */
    double value[MODEL_STEPS + 2];
};

static void model_make(const struct profile *round_star, double fwhm_px, double pixel_width,
                       struct model *ret) {
    ret->fwhm_px = fwhm_px;
    ret->amplitude = round_star->amplitude;
    for (int k = 0; k < MODEL_STEPS + 2; k++) {
        const double rho = REACH * sqrt((double)k / MODEL_STEPS);
        ret->value[k] = model_at(round_star, fwhm_px, rho, pixel_width);
    }
}

static double model_between(const struct model *model, double rho2) {
    const double at = rho2 * (MODEL_STEPS / (REACH * REACH));
    const int k = (int)at;
    return model->value[k] + (at - k) * (model->value[k + 1] - model->value[k]);
}

/* before: the ratio of an earlier pass, by which pixels that are not this star's are known; NULL in
 * the first. The sky is that of the fits, which the model belongs to. */
static void add_star(const struct field *field, const struct nw_star *star, double sky_adu,
                     const struct model *model, const struct ratio *before, struct normal *sums) {
    struct window w;
    window_cut(field, star->x_px, star->y_px, (int)ceil(REACH * star->fwhm_major_px) + 1, &w);
    /* counts to a star of the frame's width with one unit of light */
    const double scale =
        star->fwhm_px * star->fwhm_px / (star->flux_adu * model->fwhm_px * model->fwhm_px);
    /* radius in the star's own width: lengths along its axes are divided by them */
    const double along_x = cos(star->theta_rad) / star->fwhm_major_px;
    const double along_y = sin(star->theta_rad) / star->fwhm_major_px;
    const double across_x = -sin(star->theta_rad) / star->fwhm_minor_px;
    const double across_y = cos(star->theta_rad) / star->fwhm_minor_px;
    for (int j = 0; j < w.side; j++) {
        for (int i = 0; i < w.side; i++) {
            const double value = (double)w.px[(size_t)j * (size_t)w.side + (size_t)i] - sky_adu;
            const double dx = w.x0 + i - star->x_px;
            const double dy = w.y0 + j - star->y_px;
            const double along = along_x * dx + along_y * dy;
            const double across = across_x * dx + across_y * dy;
            const double rho2 = along * along + across * across;
            if (!(rho2 < REACH * REACH) || !isfinite(value)) {
                continue;
            }
            const double light = model_between(model, rho2);
            const double noise2 =
                w.noise_adu * w.noise_adu + fmax(value, 0.0) * field->variance_per_adu;
            /* 1 % of the profile beside the noise: the few brightest stars do not rule */
            const double floor = 0.01 * light * model->amplitude;
            const double weight = 1.0 / (scale * scale * noise2 + floor * floor);
            const double off = before ? scale * value - light * ratio_at(before, rho2) : 0.0;
            if (off * off * weight > CLIP * CLIP) {
                continue; /* a neighbour, a defect */
            }
            double power = light;
            double term[TERMS];
            for (int k = 0; k < TERMS; k++) {
                term[k] = power;
                power *= rho2;
            }
            for (int k = 0; k < TERMS; k++) {
                sums->b[k] += weight * term[k] * scale * value;
                for (int l = 0; l < TERMS; l++) {
                    sums->a[k][l] += weight * term[k] * term[l];
                }
            }
        }
    }
}

/* Gauss elimination of a small symmetric positive system; false when it is singular. */
static bool solve(struct normal *s, struct ratio *ret) {
    for (int k = 0; k < TERMS; k++) {
        if (!(s->a[k][k] > 0.0)) {
            return false;
        }
        for (int row = k + 1; row < TERMS; row++) {
            const double f = s->a[row][k] / s->a[k][k];
            for (int l = k; l < TERMS; l++) {
                s->a[row][l] -= f * s->a[k][l];
            }
            s->b[row] -= f * s->b[k];
        }
    }
    for (int k = TERMS - 1; k >= 0; k--) {
        ret->c[k] = s->b[k];
        for (int l = k + 1; l < TERMS; l++) {
            ret->c[k] -= s->a[k][l] * ret->c[l];
        }
        ret->c[k] /= s->a[k][k];
    }
    return true;
}

/* Radius, in fitted widths, where profile = model x ratio is half of its centre. */
static double half_radius(const struct profile *round_star, double fwhm_px,
                          const struct ratio *ratio, double pixel_width) {
    const double half =
        0.5 * model_at(round_star, fwhm_px, 0.0, pixel_width) * ratio_at(ratio, 0.0);
    double low = 0.0;
    double high = REACH;
    for (int i = 0; i < 40; i++) {
        const double rho = 0.5 * (low + high);
        const double value =
            model_at(round_star, fwhm_px, rho, pixel_width) * ratio_at(ratio, rho * rho);
        *(value > half ? &low : &high) = rho;
    }
    return 0.5 * (low + high);
}

/* 1 / integral psf^2 of model x ratio, for a profile with all its light [grid px^2]. */
static double noise_area(const struct profile *round_star, double fwhm_px,
                         const struct ratio *ratio, double pixel_width) {
    enum { STEPS = 400 };
    const double step = 4.0 / STEPS;
    double flux = 0.0;
    double square = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double rho = (i + 0.5) * step;
        const double value =
            model_at(round_star, fwhm_px, rho, pixel_width) * ratio_at(ratio, rho * rho);
        flux += rho * step * value;
        square += rho * step * value * value;
    }
    /* beyond four widths the Moffat alone: what it holds outside, of what it holds inside */
    const double alphas = 4.0 * moffat_fwhm_per_alpha(round_star->beta);
    flux /= moffat_encircled(alphas, round_star->beta);
    return 2.0 * NW_PI * flux * flux / square * fwhm_px * fwhm_px;
}

/* The factor and its error from those of the ratio (first order; differences of half a percent). */
static double factor_of(const struct profile *round_star, double fwhm_px, const struct ratio *ratio,
                        const struct normal *sums, double pixel_width, double *ret_sigma) {
    static const double STEP = 0.005;
    const double factor = 2.0 * half_radius(round_star, fwhm_px, ratio, pixel_width);
    struct normal s = *sums;
    for (int k = 0; k < TERMS; k++) {
        struct ratio moved = *ratio;
        moved.c[k] += STEP;
        s.b[k] = (2.0 * half_radius(round_star, fwhm_px, &moved, pixel_width) - factor) / STEP;
    }
    const struct normal gradient = s;
    struct ratio spread;
    double variance = INFINITY;
    if (solve(&s, &spread)) {
        variance = 0.0;
        for (int k = 0; k < TERMS; k++) {
            variance += gradient.b[k] * spread.c[k];
        }
    }
    *ret_sigma = sqrt(fmax(variance, 0.0));
    return factor;
}

/* Of real profiles about the fitted Moffat's: between 1 and 4 % wide at half maximum (Kolmogorov's
 * air with aperture, defocus and pixel; test_core.c), so this is how much of a factor is believed
 * before it is seen. */
static const double CORE_PRIOR = 0.02;

/* What the frame's widths have to be multiplied with, and the error that they share. The fits are
 * wrong by the error of the common beta (b) and by the core (c); the ratio shows both at once, c -
 * b, with its own error: the posterior of c - b for Gaussian priors (Gelman et al. 2013, Bayesian
 * Data Analysis, sec. 2.5, from memory). share: of it that is taken; the less, the more of the core
 * is inside one pixel and shapes no width. */
static struct core believed(double off, double sigma, double share, double beta_sigma) {
    const double prior2 = beta_sigma * beta_sigma + CORE_PRIOR * CORE_PRIOR;
    const double gain = prior2 / (prior2 + sigma * sigma);
    const double kept = share * gain;
    const double of_beta = (1.0 - share * kept) * beta_sigma; /* dimly seen it is dimly mended */
    const double of_ratio = kept > 0.0 ? kept * sigma : 0.0;
    const double of_core = share * (1.0 - gain) * CORE_PRIOR;
    return (struct core){.width_factor = 1.0 + kept * off,
                         .width_relative_sigma =
                             sqrt(of_beta * of_beta + of_ratio * of_ratio + of_core * of_core),
                         .neq_area_px2 = (double)NAN};
}

/* The stars' sums, in groups by turns. Returns how many stars there are. */
static size_t stack(const struct field *field, const struct nw_star *stars, size_t n,
                    const struct seeing *seeing, const struct model *model,
                    const struct ratio *before, struct normal groups[static GROUPS]) {
    size_t n_used = 0;
    memset(groups, 0, GROUPS * sizeof *groups);
    for (size_t i = 0; i < n && n_used < STARS_MAX; i++) {
        if (stars[i].flags == 0 && stars[i].snr > BRIGHT_SNR && isfinite(stars[i].fwhm_px)) {
            add_star(field, &stars[i], seeing->sky_adu, model, before, &groups[n_used % GROUPS]);
            n_used++;
        }
    }
    return n_used;
}

/* All groups but one; GROUPS: all of them. */
static struct normal sum_without(const struct normal groups[static GROUPS], size_t left_out) {
    struct normal sums = {0};
    for (size_t g = 0; g < GROUPS; g++) {
        for (int k = 0; k < TERMS && g != left_out; k++) {
            sums.b[k] += groups[g].b[k];
            for (int l = 0; l < TERMS; l++) {
                sums.a[k][l] += groups[g].a[k][l];
            }
        }
    }
    return sums;
}

/* Error of the factor from what it would be without each group of stars (delete-a-group jackknife,
 * Wolter 2007, ch. 4, from memory): where stars are not alike it is more than that of the noise. */
static double factor_scatter(const struct profile *round_star, double fwhm_px, double pixel_width,
                             const struct normal groups[static GROUPS]) {
    double factor[GROUPS];
    for (size_t g = 0; g < GROUPS; g++) {
        struct normal sums = sum_without(groups, g);
        struct ratio ratio;
        if (!solve(&sums, &ratio) || !(ratio.c[0] > 0.0)) {
            return INFINITY;
        }
        factor[g] = 2.0 * half_radius(round_star, fwhm_px, &ratio, pixel_width);
    }
    const double sd = nw_stat_sd(factor, GROUPS, nw_stat_mean(factor, GROUPS));
    return sd * (GROUPS - 1.0) / sqrt((double)GROUPS);
}

/* Of ten groups the scatter is known to a fourth: what is within that of the noise is noise. */
static double wider(double sigma, double scatter) {
    static const double SURELY = 1.6;
    return scatter > SURELY * sigma ? scatter : sigma;
}

struct core core_measure(const struct field *field, const struct nw_star *stars, size_t n,
                         const struct seeing *seeing) {
    struct core core = {.width_factor = 1.0,
                        .width_relative_sigma = seeing->width_relative_sigma,
                        .neq_area_px2 = NAN};
    if (!seeing->is_fitted) {
        return core;
    }
    const double alpha = seeing->fwhm_optical_px / moffat_fwhm_per_alpha(seeing->beta);
    const struct profile round_star = {.amplitude = (seeing->beta - 1.0) / (NW_PI * alpha * alpha),
                                       .cxx = 1.0 / (alpha * alpha),
                                       .cyy = 1.0 / (alpha * alpha),
                                       .beta = seeing->beta};
    struct model model;
    model_make(&round_star, seeing->fwhm_px, field->pixel_width, &model);
    struct ratio ratio = {{1.0, 0.0, 0.0, 0.0}};
    bool is_solved = true;
    struct normal groups[GROUPS];
    for (int pass = 0; pass < 3 && is_solved; pass++) {
        const size_t n_used =
            stack(field, stars, n, seeing, &model, pass > 0 ? &ratio : NULL, groups);
        struct normal sums = sum_without(groups, GROUPS);
        is_solved = n_used >= STARS_MIN && solve(&sums, &ratio) && ratio.c[0] > 0.0;
    }
    if (is_solved) {
        const double width = field->pixel_width;
        const struct normal all = sum_without(groups, GROUPS);
        double sigma = 0.0;
        const double factor = factor_of(&round_star, seeing->fwhm_px, &ratio, &all, width, &sigma);
        sigma = wider(sigma, factor_scatter(&round_star, seeing->fwhm_px, width, groups));
        if (factor > 0.90 && factor < 1.12) { /* farther off it is not the light of stars */
            /* under two pixels the core lies inside one pixel: there the fit has the word */
            const double sampled =
                fmin(fmax(2.0 * seeing->fwhm_px / field->pixel_width - 2.9, 0.0), 1.0);
            core = believed(factor - 1.0, sigma, sampled, seeing->width_relative_sigma);
        } else {
            ratio = (struct ratio){{1.0, 0.0, 0.0, 0.0}};
        }
    } else {
        ratio = (struct ratio){{1.0, 0.0, 0.0, 0.0}};
    }
    core.neq_area_px2 = noise_area(&round_star, seeing->fwhm_px, &ratio, field->pixel_width);
    return core;
}
