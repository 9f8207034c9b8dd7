/* aspects.c - what a frame tells beyond its stars: the order of the steps, and the faintest star.
 * Holds: everything is measured on the grid of the measured plane. */
#include "image/aspects_internal.h"

struct nw_aspects aspects_none(void) {
    return (struct nw_aspects){
        .gradient = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN},
        .noise = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN},
        .halo = {NAN, NAN, 0},
        .limit = {NAN, NAN, NAN},
    };
}

struct star_list star_list_of(const struct nw_measure *m, const struct seeing *seeing,
                              double neq_area_px2, double pixel_width) {
    enum { MANY = 400 };
    double width[MANY];
    double optical[MANY];
    size_t n = 0;
    for (size_t i = 0; i < m->n_stars && n < MANY; i++) {
        if (star_is_used(&m->stars[i]) && isfinite(m->stars[i].fwhm_optical_px)) {
            width[n] = m->stars[i].fwhm_px;
            optical[n++] = m->stars[i].fwhm_optical_px;
        }
    }
    struct star_list list = {m->stars, m->n_stars, NAN, neq_area_px2};
    if (n >= 3) {
        list.fwhm_px = nw_stat_median(width, n);
        if (!isfinite(neq_area_px2)) { /* no common profile was found: of the widths alone */
            list.neq_area_px2 =
                moffat_neq_area_px2(nw_stat_median(optical, n), seeing->beta, pixel_width);
        }
    }
    return list;
}

/* f^2 = k^2 (A n^2 + f / g): the flux that is k times its own error. */
static struct nw_limit limit_of(const struct field *field, const struct star_list *list,
                                const struct nw_noise *noise, double exposure_s) {
    enum { K = 5 };
    struct nw_limit r = {NAN, NAN, NAN};
    const double pixel_adu = nw_background_noise_adu(field->background);
    /* alike neighbours: the noise of an area is larger than that of its pixels added up */
    const bool is_correlated =
        noise->coarse_ratio > 1.05 && fmax(noise->x_correlation, noise->y_correlation) > 0.05;
    const double alike = is_correlated ? noise->coarse_ratio : 1.0;
    const double sky2 = K * K * list->neq_area_px2 * pixel_adu * pixel_adu * alike * alike;
    const double own = 0.5 * K * K * field->variance_per_adu;
    r.flux_adu = own + sqrt(own * own + sky2);
    if (!isfinite(r.flux_adu) || !(exposure_s > 0.0)) {
        return r;
    }
    r.magnitude = -2.5 * log10(r.flux_adu / exposure_s);
    return r;
}

/* Floats were whole numbers once, unless their noise is below that of rounding: other units. */
static double rounding_step(double step_adu, double pixel_adu) {
    return step_adu > 0.0 ? step_adu : pixel_adu > 1.0 / sqrt(12.0) ? 1.0 : 0.0;
}

static void expect_noise(const struct field *field, const struct nw_camera_noise *c,
                         struct nw_noise *n) {
    const double level_adu = nw_background_level_adu(field->background);
    const double gain = c->gain_e_per_adu;
    const double read_e = c->read_noise_e;
    const double step = rounding_step(field->step_adu, n->pixel_adu);
    n->expected_low_adu = nw_noise_expected_adu(0.0, gain, read_e, step);
    n->expected_high_adu = nw_noise_expected_adu(level_adu, gain, read_e, step);
    n->expected_adu = nw_noise_expected_adu(level_adu - c->offset_adu, gain, read_e, step);
    n->ratio = n->pixel_adu / n->expected_adu;
    n->ratio_sigma = n->pixel_sigma_adu / n->expected_adu;
}

enum nw_status aspects_measure(const struct field *field, const struct star_list *list,
                               const struct camera *camera, struct nw_aspects *ret,
                               struct nw_err *err) {
    ret->gradient = gradient_measure(field);
    ret->noise = noise_measure(field);
    expect_noise(field, &camera->noise, &ret->noise);
    ret->halo = halo_measure(field, list);
    ret->limit = limit_of(field, list, &ret->noise, camera->exposure_s);
    return streaks_find(field, list, ret, err);
}

void aspects_finish(struct nw_measure *m, double pitch, double x0, double y0) {
    struct nw_aspects *const a = &m->aspects;
    /* the flux goes with noise sqrt(area), the area with the square of the width */
    const double noise = a->noise.pixel_sigma_adu / a->noise.pixel_adu;
    a->limit.sigma_mag = 2.5 / log(10.0) * hypot(m->fwhm_sigma_px / m->fwhm_px, noise) +
                         0.0 * a->limit.magnitude; /* NaN stays NaN */
    for (size_t i = 0; i < a->n_streaks; i++) {
        struct nw_streak *const t = &a->streaks[i];
        t->x0_px = x0 + pitch * t->x0_px;
        t->x1_px = x0 + pitch * t->x1_px;
        t->y0_px = y0 + pitch * t->y0_px;
        t->y1_px = y0 + pitch * t->y1_px;
        t->length_px *= pitch;
        t->width_px *= pitch;
        t->adu_per_px /= pitch;
        t->adu_per_px_sigma /= pitch;
    }
    m->flags &= ~(uint32_t)NW_FRAME_STREAK;
    m->flags |= a->n_streaks > 0 ? NW_FRAME_STREAK : 0;
}
