/* stars.c - from peaks to measured stars.
 * Idea: a few bright clean stars give the frame's common profile (width and Moffat beta); then
 * every star gets centroid and aperture, and the brightest a profile fit with that beta. Each star
 * writes only its own entry, so they run in parallel.
 * Holds: flux is the sum within 2.5 delivered widths of the frame: the same share of the light in
 * every frame whose profiles differ in width only, so ratios between frames are unbiased. */
#include "image/stars_internal.h"

enum { FIT_STARS = 1000, SKY_STARS = 20 };
static const double SKY_SNR = 100.0;
/* Peaked cores of real optics, times the mean profile's; sigmas over that; width under which every
 * star is judged (all three common practice, no source). */
static const double PEAKED = 1.3, STANDS_OUT = 3.5;
static const double JUDGE_ALL_PX = 2.7;
/* Rms of what the profile leaves over its own rms: pinched and wobbling stars reach 0.35 and still
 * have a width; rings and doubles are beyond (common practice, no source). */
static const double MISFIT_MAX = 0.4;

/* ---- neighbours: peaks in cells ---- */
static size_t cell_of(const struct grid *g, const struct peak *p) {
    return (size_t)((double)p->y / g->cell_px) * g->nx + (size_t)((double)p->x / g->cell_px);
}

static enum nw_status grid_build(const struct field *field, const struct peak_list *peaks,
                                 double cell_px, struct grid *g, struct nw_err *err) {
    *g = (struct grid){.cell_px = cell_px};
    g->nx = (size_t)((double)field->image.width_px / cell_px) + 1;
    g->ny = (size_t)((double)field->image.height_px / cell_px) + 1;
    g->start = nw_calloc(g->nx * g->ny + 2, sizeof *g->start);
    g->item = nw_calloc(peaks->n, sizeof *g->item);
    if (!g->start || !g->item) {
        return nw_err_set(err, NW_NOMEM, "grid of %zu stars", peaks->n);
    }
    for (size_t i = 0; i < peaks->n; i++) {
        g->start[cell_of(g, &peaks->peaks[i]) + 2]++;
    }
    for (size_t k = 2; k < g->nx * g->ny + 2; k++) {
        g->start[k] += g->start[k - 1];
    }
    for (size_t i = 0; i < peaks->n; i++) {
        g->item[g->start[cell_of(g, &peaks->peaks[i]) + 1]++] = (uint32_t)i;
    }
    return NW_OK;
}

/* Peaks within radius of peak i, at most NEAR_MAX, brightest first (the order of the list). */
size_t star_neighbours(const struct grid *g, const struct peak_list *peaks, size_t i,
                       double radius_px, uint32_t near[static NEAR_MAX]) {
    const struct peak *const p = &peaks->peaks[i];
    const long cx = (long)((double)p->x / g->cell_px);
    const long cy = (long)((double)p->y / g->cell_px);
    size_t n = 0;
    for (long y = cy - 1; y <= cy + 1; y++) {
        for (long x = cx - 1; x <= cx + 1; x++) {
            if (x < 0 || y < 0 || x >= (long)g->nx || y >= (long)g->ny) {
                continue;
            }
            const size_t cell = (size_t)y * g->nx + (size_t)x;
            for (uint32_t k = g->start[cell]; k < g->start[cell + 1] && n < NEAR_MAX; k++) {
                const struct peak *const other = &peaks->peaks[g->item[k]];
                const double dx = (double)(other->x - p->x);
                const double dy = (double)(other->y - p->y);
                if (g->item[k] != i && dx * dx + dy * dy <= radius_px * radius_px) {
                    near[n++] = g->item[k];
                }
            }
        }
    }
    return n;
}

int stars_radius(const struct seeing *seeing) {
    const int radius = (int)ceil(APERTURE_FWHM * seeing->fwhm_px) + 1;
    return radius < 5 ? 5 : radius > WINDOW_MAX_RADIUS ? WINDOW_MAX_RADIUS : radius;
}

struct profile star_start_profile(const struct seeing *seeing, double x, double y, double peak_adu,
                                  double pixel_width) {
    const double alpha = seeing->fwhm_optical_px / moffat_fwhm_per_alpha(seeing->beta);
    const double shape2 = seeing->shape1 * seeing->shape1 + seeing->shape2 * seeing->shape2;
    const double per_alpha2 = 1.0 / (alpha * alpha * sqrt(1.0 - fmin(shape2, 0.9)));
    struct profile p = {.amplitude = 1.0,
                        .x = x,
                        .y = y,
                        .cxx = (1.0 + seeing->shape1) * per_alpha2,
                        .cxy = seeing->shape2 * per_alpha2,
                        .cyy = (1.0 - seeing->shape1) * per_alpha2,
                        .beta = seeing->beta};
    p.amplitude = fmax(peak_adu, 1e-30) / profile_pixel(&p, 0.0, 0.0, pixel_width);
    return p;
}

static double highest(const struct window *w) {
    float top = -INFINITY;
    const int inner = w->side / 4;
    const int c = w->side / 2;
    for (int j = c - inner; j <= c + inner; j++) {
        for (int i = c - inner; i <= c + inner; i++) {
            const float value = w->px[(size_t)j * (size_t)w->side + (size_t)i];
            top = value > top ? value : top;
        }
    }
    return (double)top;
}

void star_fit(const struct star_job *job, const struct window *w, bool is_beta_free,
              struct nw_star *star, struct profile_fit *ret) {
    const struct field *const field = job->field;
    struct profile start =
        star_start_profile(job->seeing, star->x_px, star->y_px, star->peak_adu, field->pixel_width);
    if (star->flux_adu > 0.0 && job->seeing->is_fitted) { /* better known than the highest pixel */
        const double light = NW_PI / sqrt(start.cxx * start.cyy - start.cxy * start.cxy) /
                             (start.beta - 1.0); /* of amplitude 1; the circle leaves out little */
        start.amplitude = star->flux_adu / light;
    }
    *ret = profile_fit(w, &start, field, is_beta_free);
    if (!ret->is_good || !(ret->misfit < MISFIT_MAX)) {
        star->flags |= NW_STAR_NO_FIT;
        return;
    }
    const struct delivered d = profile_delivered(&ret->profile, field->pixel_width);
    const double optical = profile_fwhm_px(&ret->profile);
    star->fwhm_px = d.fwhm_px;
    star->fwhm_major_px = d.major_px;
    star->fwhm_minor_px = d.minor_px;
    star->theta_rad = d.theta_rad;
    star->e1 = d.e1;
    star->e2 = d.e2;
    star->fwhm_optical_px = optical >= 1.3 * field->pixel_width ? optical : NAN;
    /* d ln delivered = (optical / delivered)^2 d ln optical, as widths nearly add in squares */
    const double share = fmin(1.0, pow(optical / d.fwhm_px, 2.0));
    star->fwhm_sigma_px = d.fwhm_px * share * ret->fwhm_relative_sigma;
    if (!(star->flags & NW_STAR_SATURATED)) {
        star->x_px = ret->profile.x;
        star->y_px = ret->profile.y;
        star->x_sigma_px = ret->x_sigma_px;
        star->y_sigma_px = ret->y_sigma_px;
    }
}

static const struct nw_star EMPTY_STAR = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN,
                                          NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 0};

static void photometry(const struct star_job *job, const struct window *w, struct nw_star *star) {
    double area = 0.0;
    const double r_px = fmin(APERTURE_FWHM * job->seeing->fwhm_px, 0.5 * (double)(w->side - 1));
    star->flux_adu = window_aperture(w, star->x_px, star->y_px, r_px, &area);
    star->flux_sigma_adu = sqrt(area * w->noise_adu * w->noise_adu +
                                fmax(star->flux_adu, 0.0) * job->field->variance_per_adu);
    const double variance = job->seeing->neq_area_px2 * w->noise_adu * w->noise_adu +
                            fmax(star->flux_adu, 0.0) * job->field->variance_per_adu;
    star->snr = star->flux_adu / sqrt(variance); /* King 1983, PASP 95, 163, sec. IV */
    star->half_light_px = window_half_light(w, star->x_px, star->y_px, r_px, star->flux_adu);
}

/* A neighbour that still matters after its half of the window is given away: close by when it has a
 * twentieth of the light, within the window a fifth, just outside twice as much. The steps keep
 * the width's error under 1 % on simulated pairs of equal profiles. */
static bool is_blend(const struct star_job *job, const struct peak *star,
                     const struct peak *other) {
    const double d = hypot((double)(other->x - star->x), (double)(other->y - star->y));
    const double ratio = (double)(other->snr / star->snr);
    const double close_px = 2.0 * job->seeing->fwhm_px;
    return ratio > (d <= close_px ? 0.05 : d <= job->radius ? 0.2 : 2.0);
}

/* The window of peak i, neighbours' pixels given away; place and flags of its star. */
void star_prepare(const struct star_job *job, size_t i, struct window *w, struct window *full,
                  struct nw_star *star) {
    const struct field *const field = job->field;
    const struct peak *const peak = &job->peaks->peaks[i];
    *star = EMPTY_STAR;
    window_cut(field, peak->x, peak->y, job->radius, w);
    (void)window_drop_hits(w, field, job->seeing->fwhm_px);
    star->x_px = peak->x;
    star->y_px = peak->y;
    star->peak_adu = highest(w);
    star->flags |= w->n_lost > 0 ? NW_STAR_EDGE : 0;
    star->flags |= w->n_saturated > 0 ? NW_STAR_SATURATED : 0;
    star->flags |= peak->is_streak ? NW_STAR_STREAK : 0;
    uint32_t near[NEAR_MAX];
    const size_t n_near = star_neighbours(job->grid, job->peaks, i, 1.5 * job->radius, near);
    for (size_t k = 0; k < n_near; k++) {
        const struct peak *const other = &job->peaks->peaks[near[k]];
        star->flags |= is_blend(job, peak, other) ? NW_STAR_BLENDED : 0;
        window_mask(w, peak->x, peak->y, other->x, other->y);
    }
    window_copy(w, full);
    window_fill(full, star->x_px, star->y_px);
    const struct centroid c =
        window_centroid(full, field, star->x_px, star->y_px, job->seeing->fwhm_px);
    if (c.is_good) {
        star->x_px = c.x;
        star->y_px = c.y;
        star->x_sigma_px = c.x_sigma_px;
        star->y_sigma_px = c.y_sigma_px;
    }
}

bool star_may_be_fitted(const struct nw_star *star) {
    const uint32_t bad = NW_STAR_SATURATED | NW_STAR_EDGE | NW_STAR_STREAK;
    return !(star->flags & bad) && isfinite(star->x_sigma_px);
}

/* Where hits cannot be told from stars pixel by pixel: narrow stars, hits close by, or a pixel
 * higher than the light about it explains. */
static bool is_suspect(const struct star_job *job, const struct window *w,
                       const struct nw_star *star) {
    if (!job->shape || star->flags & NW_STAR_SATURATED) {
        return false;
    }
    const double height = fmax(star->flux_adu, 0.0) / job->shape->light;
    const double over = star->peak_adu - PEAKED * height;
    const double variance =
        w->noise_adu * w->noise_adu + fmax(star->peak_adu, 0.0) * job->field->variance_per_adu;
    return job->seeing->fwhm_px < JUDGE_ALL_PX || w->n_hits > 0 ||
           (over > 0.0 && over * over > STANDS_OUT * STANDS_OUT * variance);
}

/* Place, flags and light of every star. */
static void measure_light(void *user, size_t i) {
    const struct star_job *const job = user;
    struct window w;
    struct window full;
    star_prepare(job, i, &w, &full, &job->stars[i]);
    struct nw_star *const star = &job->stars[i];
    photometry(job, &full, star);
    if (is_suspect(job, &w, star) && !judge_star(job, i, star->x_px, star->y_px)) {
        star->flux_adu = 0.0;
        return;
    }
    const double threshold = job->peaks->threshold;
    const bool is_weak = star->snr < 3.0 * threshold && !(star->flags & NW_STAR_BLENDED) &&
                         (double)job->peaks->peaks[i].snr < 1.5 * threshold;
    if (is_weak &&
        window_matched_snr(&w, star->x_px, star->y_px, job->seeing->fwhm_px) < threshold) {
        star->flux_adu = 0.0; /* noise, or what is left of a hit */
    }
    if (job->companions) {
        job->companions[i] = companion_seek(&w, job->field, job->flank, star, threshold);
    }
    job->stars[i].flags |= NW_STAR_NO_FIT; /* until it is fitted */
}

/* The profile of a chosen star. */
static void measure_profile(void *user, size_t k) {
    const struct star_job *const job = user;
    const size_t i = job->chosen[k];
    struct nw_star fitted;
    struct window w;
    struct window full;
    star_prepare(job, i, &w, &full, &fitted);
    struct nw_star *const star = &job->stars[i];
    star->flags &= ~(uint32_t)NW_STAR_NO_FIT;
    struct profile_fit fit;
    star_fit(job, &w, false, star, &fit);
    job->sky_adu[k] = star->flags == 0 ? fit.profile.sky : (double)NAN;
}

/* The skies of clean fitted stars below a limit of SNR; how many. */
static size_t gather_sky(const struct star_job *job, size_t n_fitted, double snr_max) {
    size_t n = 0;
    for (size_t k = 0; k < n_fitted; k++) {
        if (isfinite(job->sky_adu[k]) && job->stars[job->chosen[k]].snr < snr_max) {
            job->work[n++] = job->sky_adu[k];
        }
    }
    return n;
}

/* Wings of stars and stars too faint to be seen raise the mesh's sky where the field is rich; the
 * fits, which look between the stars, know how much. Faint ones only: the halo of bright stars is
 * in their fitted sky. Corrects light and half-light radii when it is certain (four sigmas).
 * Returns what the fits found, 0 when they are too few. */
static double correct_sky(const struct star_job *job, size_t n_fitted, size_t n_stars) {
    size_t n = gather_sky(job, n_fitted, SKY_SNR);
    double sky = 0.0;
    if (n < SKY_STARS) { /* of bright stars: theirs, nobody else's */
        n = gather_sky(job, n_fitted, INFINITY);
        return n < SKY_STARS ? 0.0 : nw_stat_median(job->work, n);
    }
    const double sigma = nw_stat_mad_sigma(job->work, n, &sky);
    if (!(fabs(sky) > 4.0 * sqrt(NW_PI / 2.0) * sigma / sqrt((double)n))) {
        return sky;
    }
    const double r_px = fmin(APERTURE_FWHM * job->seeing->fwhm_px, (double)job->radius);
    const double gain_adu = -sky * NW_PI * r_px * r_px;
    for (size_t i = 0; i < n_stars; i++) {
        struct nw_star *const s = &job->stars[i];
        if (!(s->flux_adu > 0.0 && s->flux_adu + gain_adu > 0.0)) {
            continue; /* too faint for it */
        }
        const double before = s->flux_adu;
        s->flux_adu += gain_adu;
        s->snr *= s->flux_adu / before;
        /* moves as on a Gaussian's growth curve: slope at half light ln 2 F / r */
        const double r = s->half_light_px;
        s->half_light_px += gain_adu * (0.5 - r * r / (r_px * r_px)) * r / (log(2.0) * s->flux_adu);
    }
    return sky;
}

/* Which stars are fitted: the brightest clean ones, and if room is left the blended ones. Without
 * light are those that turned out to be hits or noise. */
static size_t choose(const struct star_job *job, size_t n, size_t n_fit, uint32_t *ret) {
    size_t count = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < n && count < n_fit; i++) {
            const bool is_blended = (job->stars[i].flags & NW_STAR_BLENDED) != 0;
            if (star_may_be_fitted(&job->stars[i]) && job->stars[i].flux_adu > 0.0 &&
                job->stars[i].snr > 5.0 &&
                !job->peaks->peaks[i].is_pair && /* half a window would tell a wrong width */
                is_blended == (pass == 1)) {
                ret[count++] = (uint32_t)i;
            }
        }
    }
    return count;
}

/* Brightest first. A float's digits first, then the few that are closer than those tell. */
static enum nw_status sort_by_flux(struct nw_measure *m, struct nw_err *err) {
    const size_t n = m->n_stars;
    struct nw_star *const sorted = nw_calloc(n, sizeof *sorted);
    uint64_t *const work = nw_calloc(3 * n + 1, sizeof *work);
    if (!sorted || !work) {
        free(sorted);
        free(work);
        return nw_err_set(err, NW_NOMEM, "order of %zu stars", n);
    }
    uint32_t *const order = (uint32_t *)(work + 2 * n);
    float *const flux = (float *)(order + n);
    for (size_t i = 0; i < n; i++) {
        flux[i] = (float)m->stars[i].flux_adu;
    }
    order_falling(flux, n, order, work);
    for (size_t i = 0; i < n; i++) {
        size_t at = i;
        for (; at > 0 && sorted[at - 1].flux_adu < m->stars[order[i]].flux_adu; at--) {
            sorted[at] = sorted[at - 1];
        }
        sorted[at] = m->stars[order[i]];
    }
    free(work);
    free(m->stars);
    m->stars = sorted;
    return NW_OK;
}

/* Width or shape far from the frame's stars: five robust sigmas and a third. */
static void flag_not_point(struct nw_star *stars, size_t n) {
    double *const widths = nw_calloc(n, sizeof *widths);
    if (!widths) {
        return; /* a flag less, not a failure */
    }
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(stars[i].fwhm_px) && stars[i].snr > 20.0) {
            widths[m++] = stars[i].fwhm_px;
        }
    }
    if (m >= 3) {
        double median = 0.0;
        const double sigma = nw_stat_mad_sigma(widths, m, &median);
        for (size_t i = 0; i < n; i++) {
            const double reach = fmax(5.0 * hypot(sigma, stars[i].fwhm_sigma_px), median / 3.0);
            if (fabs(stars[i].fwhm_px - median) > reach) {
                stars[i].flags |= NW_STAR_NOT_POINT;
            }
        }
    }
    free(widths);
}

/* Measures the chosen stars again, among their new neighbours. */
static void measure_again(void *user, size_t k) {
    const struct star_job *const job = user;
    measure_light(user, job->chosen[k]);
}

/* Room for stars on the flanks of others; where more seem to have one the profile is not theirs. */
static size_t room_for(size_t n) {
    return n + n / 4 + 4;
}

/* The second stars that were found become peaks of their own; they and the first ones are measured
 * again. */
static enum nw_status add_companions(struct star_job *job, struct peak_list *peaks,
                                     struct grid *grid, struct nw_err *err) {
    const size_t n = peaks->n;
    size_t n_found = 0;
    size_t n_chosen = 0;
    for (size_t i = 0; i < n; i++) {
        n_found += job->companions[i].is_there ? 1 : 0;
    }
    const double near_px = 0.5 * job->seeing->fwhm_px;
    for (size_t i = 0; i < n && n + n_found <= peaks->cap; i++) {
        const struct companion *const c = &job->companions[i];
        bool is_new = c->is_there;
        for (size_t k = n; k < peaks->n && is_new; k++) { /* seen from two sides */
            is_new = hypot((double)peaks->peaks[k].x - c->second.x,
                           (double)peaks->peaks[k].y - c->second.y) > near_px;
        }
        if (is_new) {
            job->chosen[n_chosen++] = (uint32_t)i;
            job->chosen[n_chosen++] = (uint32_t)peaks->n;
            peaks->peaks[peaks->n++] = (struct peak){.x = (int32_t)lround(c->second.x),
                                                     .y = (int32_t)lround(c->second.y),
                                                     .snr = (float)c->snr};
        }
    }
    job->companions = NULL;
    if (n_chosen == 0) {
        return NW_OK;
    }
    free(grid->start);
    free(grid->item);
    const enum nw_status status = grid_build(job->field, peaks, grid->cell_px, grid, err);
    if (status == NW_OK) {
        (void)nw_parallel_for(n_chosen, job->field->n_threads, measure_again, job, NULL);
    }
    return status;
}

/* Common profile, then the light of every star. */
static enum nw_status measure_all(struct star_job *job, struct peak_list *peaks, struct grid *grid,
                                  struct seeing *seeing, struct nw_err *err) {
    enum nw_status status = grid_build(job->field, peaks, 1.5 * WINDOW_MAX_RADIUS, grid, err);
    if (status != NW_OK) {
        return status;
    }
    struct flank flank;
    stars_common_profile(job, seeing);
    seeing->neq_area_px2 =
        moffat_neq_area_px2(seeing->fwhm_optical_px, seeing->beta, job->field->pixel_width);
    flank_make(seeing, job->field->pixel_width, &flank);
    job->flank = &flank;
    struct shape shape = {0};
    job->shape = shape_make(seeing, job->field->pixel_width, &shape) ? &shape : NULL;
    job->companions = nw_calloc(peaks->n, sizeof *job->companions);
    struct companion *const companions = job->companions; /* none: none are looked for */
    (void)nw_parallel_for(peaks->n, job->field->n_threads, measure_light, job, NULL);
    if (companions) {
        status = add_companions(job, peaks, grid, err);
    }
    if (companions && status == NW_OK) {
        stars_fit_pairs(job, peaks, companions);
    }
    free(companions);
    free(shape.value);
    job->shape = NULL;
    job->flank = NULL;
    return status;
}

enum nw_status stars_measure(const struct field *field, const struct peak_list *peaks,
                             const struct nw_measure_opts *opts, struct seeing *seeing,
                             struct nw_measure *measure, struct nw_err *err) {
    const size_t max_stars = opts && opts->max_stars ? opts->max_stars : 100000;
    struct peak_list kept = {.n = peaks->n < max_stars ? peaks->n : max_stars,
                             .threshold = peaks->threshold};
    kept.cap = room_for(kept.n);
    struct grid grid = {0};
    struct star_job job = {.field = field, .peaks = &kept, .grid = &grid, .seeing = seeing};
    job.radius = stars_radius(seeing);
    kept.peaks = nw_calloc(kept.cap, sizeof *kept.peaks);
    job.stars = measure->stars = nw_calloc(kept.cap, sizeof *measure->stars);
    job.chosen = nw_calloc(2 * kept.cap, sizeof *job.chosen);
    job.sky_adu = nw_calloc(2 * kept.cap, sizeof *job.sky_adu);
    job.work = job.sky_adu ? job.sky_adu + kept.cap : NULL;
    enum nw_status status = NW_OK;
    if (!kept.peaks || !measure->stars || !job.chosen || !job.sky_adu) {
        status = nw_err_set(err, NW_NOMEM, "%zu stars", kept.n);
        goto done;
    }
    if (kept.n > 0) {
        memcpy(kept.peaks, peaks->peaks, kept.n * sizeof *kept.peaks);
    }
    status = measure_all(&job, &kept, &grid, seeing, err);
    if (status == NW_OK) {
        const size_t n_fit = opts && opts->fit_stars ? opts->fit_stars : FIT_STARS;
        const size_t n_chosen = choose(&job, kept.n, n_fit, job.chosen);
        (void)nw_parallel_for(n_chosen, field->n_threads, measure_profile, &job, NULL);
        seeing->sky_adu = correct_sky(&job, n_chosen, kept.n);
        for (size_t i = 0; i < kept.n; i++) { /* edges of overscan and the like have no light */
            if (measure->stars[i].flux_adu > 0.0) {
                measure->stars[measure->n_stars++] = measure->stars[i];
            }
        }
        status = sort_by_flux(measure, err);
        flag_not_point(measure->stars, measure->n_stars);
    }
done:
    free(kept.peaks);
    free(grid.start);
    free(grid.item);
    free(job.chosen);
    free(job.sky_adu);
    return status;
}
