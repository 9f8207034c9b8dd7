/* halo.c - light far from bright stars relative to their core.
 * Idea: around each bright clean star the light between 3 and 10 widths, other stars left out,
 * against its own local sky; the ratio to its core is one number of the frame (air, dust and dew
 * scatter the same share of every star), taken robustly over the stars. Halos of neighbours below
 * a quarter of the light add a few percent of it in crowded fields, the same in every frame.
 * Holds: local sky, because the frame's mesh of sky has swallowed part of a bright halo. */
#include "image/aspects_internal.h"

enum { RINGS = 13, STARS_MAX = 80, STARS_MIN = 5, RADIUS_MAX = 100, NEAR_MAX = 200 };
static const double CORE = 1.5, INNER = 3.0, OUTER = 10.0, SKY_FROM = 11.0; /* FWHM */
static const double LEFT_OUT_MAX = 8.0; /* of a neighbour, FWHM */
static const double BRIGHT_SNR = 150.0;

struct ring {
    double sum, sum2;
    size_t n, n_all;
};

struct near_star {
    double dx, dy, r2; /* from the star; square of the radius that is left out */
};

/* Neighbours whose light reaches into the circle. More than NEAR_MAX: false, too crowded. */
static bool find_near(const struct star_list *list, size_t self, double reach_px,
                      struct near_star *ret, size_t *ret_n) {
    *ret_n = 0;
    const struct nw_star *const s = &list->stars[self];
    const double far_px = reach_px + LEFT_OUT_MAX * list->fwhm_px;
    for (size_t i = 0; i < list->n; i++) {
        const struct nw_star *const o = &list->stars[i];
        const double dx = o->x_px - s->x_px;
        const double dy = o->y_px - s->y_px;
        if (fabs(dx) > far_px || fabs(dy) > far_px) {
            continue;
        }
        /* brighter stars reach farther: 2.5 widths at SNR 30, 5 at a thousand */
        const double widths = 2.5 + 1.65 * log10(fmax(o->snr / 30.0, 1.0));
        const double r = list->fwhm_px * fmin(widths, LEFT_OUT_MAX);
        if (i == self || dx * dx + dy * dy > (reach_px + r) * (reach_px + r)) {
            continue;
        }
        if (*ret_n == NEAR_MAX || o->flux_adu > 0.25 * s->flux_adu) {
            return false;
        }
        ret[(*ret_n)++] = (struct near_star){dx, dy, r * r};
    }
    return true;
}

static bool is_near(const struct near_star *near, size_t n, double dx, double dy) {
    for (size_t k = 0; k < n; k++) {
        const double x = dx - near[k].dx;
        const double y = dy - near[k].dy;
        if (x * x + y * y < near[k].r2) {
            return true;
        }
    }
    return false;
}

/* The pixels of a star's rings, one width each, those of neighbours and blank ones left out. */
enum { PIXELS_MAX = 31416 + 2000 }; /* of a disc of RADIUS_MAX, and its edge */
struct ring_pixels {
    double core; /* light within CORE widths */
    size_t n;
    float value[PIXELS_MAX];
    uint8_t ring[PIXELS_MAX];
};

/* Lists them; the core is without the neighbours' mask. Counts the pixels that each ring has in
 * all. */
static void list_pixels(const struct field *field, const struct nw_star *s, double fwhm_px,
                        const struct near_star *near, size_t n_near, struct ring ring[static RINGS],
                        struct ring_pixels *ret) {
    const double far = RINGS * fwhm_px;
    const long cy = lround(s->y_px);
    const long r = lround(far);
    float sky[2 * RADIUS_MAX + 1];
    float work[2 * RADIUS_MAX + 1];
    ret->n = 0;
    ret->core = 0.0;
    for (long y = cy - r; y <= cy + r; y++) {
        const double dy = (double)y - s->y_px;
        const double half = sqrt(fmax(far * far - dy * dy, 0.0));
        const size_t first = (size_t)ceil(s->x_px - half);
        const size_t n = (size_t)(2.0 * half) + 1;
        background_span(field->background, first, n, (size_t)y, sky, NULL);
        const float *const px = nw_image_span(&field->image, first, n, (size_t)y, work);
        for (size_t i = 0; i < n; i++) {
            const double dx = (double)(first + i) - s->x_px;
            const double rho = sqrt(dx * dx + dy * dy) / fwhm_px;
            const float value = px[i] - sky[i];
            ret->core += rho < CORE ? (double)value : 0.0;
            if (!(rho < RINGS) || rho < INNER) {
                continue;
            }
            ring[(size_t)rho].n_all++;
            if (ret->n < PIXELS_MAX && isfinite(value) && !is_near(near, n_near, dx, dy)) {
                ret->value[ret->n] = value;
                ret->ring[ret->n++] = (uint8_t)rho;
            }
        }
    }
}

/* Sums of the rings; values farther than `reach` from the mean that they had are left out. */
static void add_pixels(const struct ring_pixels *list, double reach,
                       struct ring ring[static RINGS]) {
    double mean[RINGS];
    double most[RINGS];
    for (size_t k = 0; k < RINGS; k++) {
        mean[k] = ring[k].n > 0 ? ring[k].sum / (double)ring[k].n : 0.0;
        most[k] = ring[k].n > 0 ? reach : INFINITY;
        ring[k].sum = ring[k].sum2 = 0.0;
        ring[k].n = 0;
    }
    for (size_t i = 0; i < list->n; i++) {
        const size_t k = list->ring[i];
        const double value = (double)list->value[i];
        if (fabs(value - mean[k]) < most[k]) {
            ring[k].sum += value;
            ring[k].sum2 += value * value;
            ring[k].n++;
        }
    }
}

struct share {
    double ratio, sigma;
};

/* Halo over core of one star; false when it cannot be told. */
static bool measure_star(const struct field *field, const struct star_list *list, size_t self,
                         struct share *ret) {
    const struct nw_star *const s = &list->stars[self];
    struct near_star near[NEAR_MAX];
    size_t n_near = 0;
    struct ring ring[RINGS] = {{0}};
    if (!find_near(list, self, RINGS * list->fwhm_px, near, &n_near)) {
        return false;
    }
    struct ring_pixels pixels;
    list_pixels(field, s, list->fwhm_px, near, n_near, ring, &pixels);
    float noise = NAN;
    background_span(field->background, (size_t)s->x_px, 1, (size_t)s->y_px, NULL, &noise);
    for (int pass = 0; pass < 3; pass++) {
        add_pixels(&pixels, 3.0 * (double)noise, ring);
    }
    struct ring sky = {0};
    for (int k = (int)SKY_FROM; k < RINGS; k++) {
        sky.sum += ring[k].sum;
        sky.sum2 += ring[k].sum2;
        sky.n += ring[k].n;
        sky.n_all += ring[k].n_all;
    }
    if (5 * sky.n < 2 * sky.n_all || !(pixels.core > 0.0)) {
        return false;
    }
    const double level = sky.sum / (double)sky.n;
    const double noise2 = sky.sum2 / (double)sky.n - level * level;
    double light = 0.0;
    double variance = 0.0;
    double area = 0.0;
    for (int k = (int)INNER; k < (int)OUTER; k++) {
        if (5 * ring[k].n < 2 * ring[k].n_all) {
            return false;
        }
        const double a = (double)ring[k].n_all;
        light += a * (ring[k].sum / (double)ring[k].n - level);
        variance += a * a * noise2 / (double)ring[k].n;
        area += a;
    }
    variance += area * area * noise2 / (double)sky.n;
    ret->ratio = light / pixels.core;
    ret->sigma = sqrt(variance) / pixels.core;
    return true;
}

/* Weighted mean with Huber's weights (1964, Ann. Math. Stat. 35, 73), beside the noise a common
 * scatter of the stars; standard error from the scatter about it (sandwich). */
static void combine(const struct share *shares, size_t n, struct nw_halo *ret) {
    double work[STARS_MAX];
    for (size_t i = 0; i < n; i++) {
        work[i] = shares[i].ratio;
    }
    double mean = nw_stat_median(work, n);
    for (size_t i = 0; i < n; i++) {
        work[i] = (shares[i].ratio - mean) * (shares[i].ratio - mean);
    }
    double usual[STARS_MAX];
    for (size_t i = 0; i < n; i++) {
        usual[i] = shares[i].sigma * shares[i].sigma;
    }
    /* 0.455: median of chi-square with one freedom */
    const double extra2 = fmax(nw_stat_median(work, n) / 0.455 - nw_stat_median(usual, n), 0.0);
    double spread = 0.0;
    for (int round = 0; round < 10; round++) {
        double sum = 0.0;
        double weight = 0.0;
        spread = 0.0;
        for (size_t i = 0; i < n; i++) {
            const double s2 = shares[i].sigma * shares[i].sigma + extra2;
            const double off = (shares[i].ratio - mean) / sqrt(s2);
            const double w = (fabs(off) < 1.5 ? 1.0 : 1.5 / fabs(off)) / s2;
            sum += w * shares[i].ratio;
            weight += w;
            spread += w * w * off * off * s2;
        }
        mean = sum / weight;
        ret->sigma = sqrt(spread) / weight * sqrt((double)n / ((double)n - 1.0));
    }
    ret->ratio = mean;
    ret->n_stars = n;
}

struct halo_job { /* some stars at once */
    const struct field *field;
    const struct star_list *list;
    size_t n, index[STARS_MAX];
    struct share shares[STARS_MAX];
    bool is_good[STARS_MAX];
};

static void measure_one(void *user, size_t k) {
    struct halo_job *const job = user;
    job->is_good[k] = measure_star(job->field, job->list, job->index[k], &job->shares[k]);
}

struct nw_halo halo_measure(const struct field *field, const struct star_list *list) {
    struct nw_halo r = {NAN, NAN, 0};
    const double reach = RINGS * list->fwhm_px + 1.0;
    if (!(reach < RADIUS_MAX)) {
        return r;
    }
    struct share shares[STARS_MAX];
    struct halo_job job = {.field = field, .list = list};
    size_t n = 0;
    size_t i = 0;
    while (i < list->n && n < STARS_MAX) {
        job.n = 0; /* as many as there is room for, if all of them can be told */
        for (; i < list->n && n + job.n < STARS_MAX; i++) {
            const struct nw_star *const s = &list->stars[i];
            const bool is_inside = s->x_px > reach && s->y_px > reach &&
                                   s->x_px < (double)field->image.width_px - 1.0 - reach &&
                                   s->y_px < (double)field->image.height_px - 1.0 - reach;
            if (s->flags == 0 && s->snr > BRIGHT_SNR && is_inside) {
                job.index[job.n++] = i;
            }
        }
        (void)nw_parallel_for(job.n, field->n_threads, measure_one, &job, NULL);
        for (size_t k = 0; k < job.n; k++) {
            if (job.is_good[k]) {
                shares[n++] = job.shares[k];
            }
        }
    }
    r.n_stars = n;
    if (n >= STARS_MIN) {
        combine(shares, n, &r);
    }
    return r;
}
